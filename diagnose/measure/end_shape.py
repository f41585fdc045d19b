"""What shape has the severed end of a twig whose outline is known?

The outline's frame has x along the stem's axis, outwards, and y across it. The slope is the least-squares line through the
outermost outline over the middle 80 % of the width, without strands thinner than a tenth of it, which are fibres.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.measure.geometry import largest, robust_line

MIDDLE = 0.8  # share of the width that the slope is read over
STRAND = 0.1  # strands thinner than this share of the diameter are fibres
CELLS = 120  # cells of the working grid across one diameter: 0.4 % of the diameter when rounded
BEHIND, AHEAD, ASIDE = 1.6, 3.5, 1.0  # what that grid shows from the lip on the axis [diameters]
SIDES_FROM, SIDES_TO = 0.5, 4.0  # where the sides are straight, in diameters below the lip
NEAR_FROM, NEAR_TO = 0.5, 1.5  # where the diameter is read, in diameters below the lip
SURELY = 3.0  # standard errors by which the sides there must leave the long straight ones before they are believed
SWOLLEN = 0.06  # share of the diameter by which they then leave them where there is a node or swelling
TAPER_DOUBT = 0.3  # share of that difference by which the diameter is in doubt; our choice


@dataclass(frozen=True)
class _Sides:
    """Two straight sides, y = offset + lean x, that of smaller y first.

    lines : (2, 2) offset [unit of the outline] and lean of each. rms : (2,) how far points stray from each.
    """

    lines: np.ndarray
    rms: np.ndarray

    def width(self, x: float) -> float:
        """Distance between the sides at x, square to the axis [unit of the outline]."""
        return float((self.lines[1] - self.lines[0]) @ (1.0, x) * np.cos(self.turn))

    @property
    def turn(self) -> float:
        """Angle of the stem's axis to x [rad]."""
        return float(np.arctan(self.lines[:, 1].mean()))


@dataclass(frozen=True)
class End:
    """The end of a stem in its own frame: x outwards along the axis, y across, 0 at the axis; unit one diameter.

    Parameters
    ----------
    y, x, reach, lip
        (n,) places across, over the whole width, outermost outline there without fibres and with them, and the lowest point
        of the face [diameters].
    slope, offset
        The least-squares line over the middle 80 % [no unit, diameters].
    bulge
        How far its middle stands out, over that of a half circle: tan(true) |sin(roll)| for a flat face [no unit].
    diameter, origin, sides
        Of the stem, its place in the frame of the outline, and its two sides there [unit of the outline].
    diameter_doubt, swelling
        Its standard uncertainty from taper and waviness where it is read, over itself, 0 on a straight stem; what is said of
        a node or swelling there [no unit].
    """

    y: np.ndarray
    x: np.ndarray
    reach: np.ndarray
    slope: float
    offset: float
    bulge: float
    diameter: float
    origin: tuple[float, float]
    lip: float
    sides: _Sides
    diameter_doubt: float = 0.0
    swelling: str = ""

    def to_outline(self, points: np.ndarray) -> np.ndarray:
        """Points of this frame in the frame of the outline, (n, 2) [unit of the outline].

        Parameters
        ----------
        points
            (n, 2), x outwards along the axis, y across [diameters].
        """
        return points @ cv2.Rodrigues((0.0, 0.0, -self.sides.turn))[0][:2, :2] * self.diameter + self.origin

    @property
    def raggedness(self) -> float:
        """RMS distance of the outline from the slope's line, along the axis, over the middle [diameters]."""
        stray = self.x - self.offset - self.slope * self.y
        return float(np.sqrt((stray[np.abs(self.y) <= MIDDLE / 2] ** 2).mean()))

    @property
    def longest_fibre(self) -> float:
        """How far the longest fibre stands out beyond the slope's line, never below 0 [diameters]."""
        return float(max((self.reach - self.offset - self.slope * self.y).max(), 0.0))


def find_end(outline: np.ndarray, lip: float, width: float) -> End | None:
    """The end's shape from a closed outline; None where no two straight sides can be seen below the end.

    Parameters
    ----------
    outline, lip, width
        (n, 2) closed, as dense as pixels, x outwards along a rough axis, y across, 0 near it [mm or px]; rough x of the
        face, and diameter [unit of the outline].
    """
    axis = 0.0
    for _ in range(2):
        sides = _sides_between(outline, lip - SIDES_TO * width, lip - SIDES_FROM * width, axis)
        if sides is None:
            return None
        diameter, doubt, swelling = _near_width(outline, sides, lip, width, axis)
        if not 0.4 * width < diameter < 2.5 * width:
            return None
        axis = float(sides.lines.mean(axis=0) @ (1.0, lip))
        origin = (lip, axis)
        grid = _profile(outline, origin, sides.turn, diameter)
        if grid is None:
            return None
        y, x, reach = grid
        lowest = float(np.min(x[np.abs(y) <= 0.45]))
        lip, width = lip + lowest * diameter * float(np.cos(sides.turn)), diameter
    assert sides is not None
    inner = np.abs(y) <= MIDDLE / 2
    slope, offset = np.polyfit(y[inner], x[inner], 1)
    # a flat face across a round stem: a constant, a slope, half an ellipse
    face = np.stack([np.ones_like(y), y, np.sqrt(np.clip(0.25 - y**2, 0, None))], axis=1)
    bulge = float(np.linalg.lstsq(face[inner], x[inner], rcond=None)[0][2])
    return End(y, x, reach, float(slope), float(offset), bulge, diameter, origin, lowest, sides, doubt, swelling)


def _sides_between(outline: np.ndarray, low: float, high: float, axis: float) -> _Sides | None:
    """Robust straight sides from one x to another; None where two are not seen along a seventh of that."""
    near = outline[(outline[:, 0] > low) & (outline[:, 0] < high)]
    lines, spreads = [], []
    for outwards in (-1, 1):
        own = near[(near[:, 1] - axis) * outwards > 0]
        if len(own) < 5 or np.ptp(own[:, 0]) < (high - low) / 7:
            return None
        line, spread = robust_line(own, outwards)
        lines.append(line)
        spreads.append(spread)
    return _Sides(np.array(lines), np.array(spreads))


def _near_width(outline: np.ndarray, sides: _Sides, lip: float, width: float, axis: float) -> tuple[float, float, str]:
    """The width one diameter below the lip, what adds to its uncertainty as a share of it, and what is said of it.

    The long sides tell it more surely where the stem is straight, so those near the lip are believed only as far as they
    surely leave these: by nothing up to SURELY standard errors, wholly far beyond (the positive-part rule of James and
    Stein). A bump on one side only is a bud or a stub, and is left out and told.
    """
    at = lip - width
    plain = sides.width(at)
    near = _sides_between(outline, lip - NEAR_TO * width, lip - NEAR_FROM * width, axis)
    if near is None:
        return plain, 0.0, ""
    away = (near.lines - sides.lines) @ (1.0, at) * (-1, 1)
    error = 0.5 * sides.rms + 0.002 * width
    bump = int(np.abs(away[1]) >= np.abs(away[0]))
    if away[bump] > SURELY * error[bump] and abs(away[1 - bump]) < 0.3 * away[bump]:
        swollen = away[bump] > SWOLLEN * width
        return plain, 0.0, "a bud or stub stands on one side where the diameter is read" if swollen else ""
    both, unsure = float(away.sum()), float(np.hypot(*error))
    if abs(both) <= SURELY * unsure:
        return plain, 0.0, ""
    believed = both * (1 - (SURELY * unsure / both) ** 2)
    told = f"the stem {'swells' if both > 0 else 'narrows'} just below its end: the diameter is the one there"
    doubt = float(np.hypot(TAPER_DOUBT * both, unsure)) / width
    return plain + believed * float(np.cos(sides.turn)), doubt, told if abs(both) > SWOLLEN * width else ""


def longest_stretch(y: np.ndarray, x: np.ndarray, tolerance: float, steepest: float) -> tuple[float, float]:
    """The longest stretch of an edge that one straight line follows: its share of the edge, 0 for none, and its slope.

    Parameters
    ----------
    y, x, tolerance, steepest
        (n,) places across and along, and the RMS distance from the line that is borne [diameters]; a stretch of more
        slope than this, along over across, is the side of a tooth, not a face [no unit].
    """
    n = len(y)
    sums = np.concatenate([np.zeros((5, 1)), np.cumsum([y, x, y * y, y * x, x * x], axis=1)], axis=1)
    for length in range(n, 5, -1):
        my, mx, yy, yx, xx = (sums[:, length:] - sums[:, :-length]) / length
        slope = (yx - my * mx) / (yy - my * my)
        rms = np.sqrt(np.clip(xx - mx * mx - slope * (yx - my * mx), 0, None))
        rms = np.where(np.abs(slope) > steepest, np.inf, rms)
        i = int(np.argmin(rms))
        if rms[i] < tolerance:
            return length / n, float(slope[i])
    return 0.0, 0.0


def _profile(
    outline: np.ndarray, origin: tuple[float, float], turn: float, diameter: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Places across the width, and the outermost outline there without and with fibres, in the end's own frame."""
    own = (outline - origin) @ cv2.Rodrigues((0.0, 0.0, turn))[0][:2, :2] / diameter
    rows, columns = int(2 * ASIDE * CELLS) + 1, int((BEHIND + AHEAD) * CELLS) + 1
    cells = np.clip((own + (BEHIND, ASIDE)) * CELLS, -2e3, 2e4)
    raster = cv2.fillPoly(np.zeros((rows, columns), np.uint8), [np.round(cells * 64).astype(np.int32)], 1, shift=6)
    strand = round(STRAND * CELLS) | 1
    whole = largest(raster)
    stout = None if whole is None else largest(cv2.morphologyEx(whole, cv2.MORPH_OPEN, np.ones((strand, 1), np.uint8)))
    if whole is None or stout is None:
        return None
    band = np.arange(rows // 2 - CELLS // 2, rows // 2 + CELLS // 2 + 1)
    seen = stout[band].any(axis=1)
    if not seen[len(band) // 10 : -len(band) // 10].all():
        return None
    x, reach = ((columns - 0.5 - np.argmax(each[band, ::-1] > 0, axis=1)) / CELLS - BEHIND for each in (stout, whole))
    return band / CELLS - ASIDE, *(np.interp(band, band[seen], values[seen]) for values in (x, reach))
