"""What shape has the severed end of a twig whose outline is known?

The outline lies in a frame with x along the stem's axis, outwards, and y across it, in millimetres or pixels:
everything but the diameter is free of the unit. The definitions are those of the quantities' own names: the slope
is the least-squares line through the end's outermost outline over the middle 80 % of the stem's width; strands
thinner than a tenth of the diameter are fibres and do not take part in it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.measure.smooth import median

MIDDLE = 0.8  # share of the width that the slope is read over
STRAND = 0.1  # strands thinner than this share of the diameter are fibres
CELLS = 120  # cells of the working grid across one diameter: 0.4 % of the diameter when rounded
SIDES_FROM, SIDES_TO = 0.5, 4.0  # where the sides are straight, in diameters below the lip

NEAR_FROM, NEAR_TO = 0.5, 1.5  # where the diameter is read, in diameters below the lip
SURELY = 3.0  # standard errors by which the sides there must leave the long straight ones before they are believed
SWOLLEN = 0.06  # share of the diameter by which they then leave them where there is a node or swelling
TAPER_DOUBT = 0.3  # share of that difference by which the diameter is in doubt; our choice

OnPlain = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Sides:
    """The two straight sides, y = offset + lean x, left (smaller y) and right.

    Parameters
    ----------
    left, right
        Offset [unit of the outline] and lean of each.
    left_rms, right_rms, reach
        How far points stray from them, and the length over which they were seen [unit of the outline].
    """

    left: tuple[float, float]
    right: tuple[float, float]
    left_rms: float
    right_rms: float
    reach: float  # length over which they were seen

    def width(self, x: float) -> float:
        """Distance between the sides, square to the axis, at x [unit of the outline].

        Parameters
        ----------
        x
            Along the axis [unit of the outline].
        """
        lean = (self.left[1] + self.right[1]) / 2
        gap = self.right[0] - self.left[0] + (self.right[1] - self.left[1]) * x
        return gap * float(np.cos(np.arctan(lean)))

    @property
    def turn(self) -> float:
        """Angle of the stem's axis to x [rad]."""
        return float(np.arctan((self.left[1] + self.right[1]) / 2))


@dataclass(frozen=True)
class End:
    """The end of a stem in its own frame: x outwards along the axis, y across, 0 at the axis; unit one diameter.

    Parameters
    ----------
    y, x, reach
        (n,) places across, over the whole width, and outermost outline there without fibres and with them [diameters].
    slope, offset
        The least-squares line over the middle 80 % [no unit, diameters].
    bulge
        How far its middle stands out, over that of a half circle: tan(true) |sin(roll)| for a flat face [no unit].
    diameter, origin, turn
        Of the stem, its place and the angle of its axis in the frame of the outline [unit of the outline, radian].
    lip
        Lowest point of the face [diameters].
    sides
        The two straight ones [unit of the outline].
    diameter_doubt
        Its standard uncertainty from taper and waviness where it is read, over itself; 0 on a straight stem [no unit].
    swelling
        What is said of a node or swelling there, empty where there is none [no unit].
    """

    y: np.ndarray
    x: np.ndarray
    reach: np.ndarray
    slope: float
    offset: float
    bulge: float
    diameter: float
    origin: tuple[float, float]
    turn: float
    lip: float
    sides: Sides
    diameter_doubt: float = 0.0
    swelling: str = ""

    def to_outline(self, points: np.ndarray) -> np.ndarray:
        """Points of this frame in the frame of the outline, (n, 2) [unit of the outline].

        Parameters
        ----------
        points
            (n, 2), x outwards along the axis, y across [diameters].
        """
        cos, sin = np.cos(self.turn), np.sin(self.turn)
        return points @ np.array([[cos, sin], [-sin, cos]]) * self.diameter + self.origin

    @property
    def middle(self) -> np.ndarray:
        """Which of y lie in the middle 80 % of the width."""
        return np.abs(self.y) <= MIDDLE / 2

    @property
    def residual(self) -> np.ndarray:
        """Distance along the axis of the outline from the slope's line, over the middle, in diameters."""
        return (self.x - self.offset - self.slope * self.y)[self.middle]

    @property
    def domed_residual(self) -> float:
        """RMS distance, in diameters, from a slanting line and half an ellipse together: small for any flat face."""
        basis = flat_face(self.y)[self.middle]
        x = self.x[self.middle]
        return float(np.sqrt(((x - basis @ np.linalg.lstsq(basis, x, rcond=None)[0]) ** 2).mean()))

    @property
    def raggedness(self) -> float:
        """RMS of the residual over the middle [diameters]."""
        return float(np.sqrt((self.residual**2).mean()))

    @property
    def longest_fibre(self) -> float:
        """How far the longest fibre stands out beyond the slope's line, never below 0 [diameters]."""
        beyond = self.reach - self.offset - self.slope * self.y
        return float(max(beyond.max(), 0.0))


def find_sides(
    outline: np.ndarray, lip: float, width: float, towards: float = 0.0, on_plain: OnPlain | None = None
) -> Sides | None:
    """Robust straight sides of a closed outline between 0.5 and 4 diameters below the lip; None where two are not seen.

    Buds and stubs stand out to one side only, so each side follows the points that stand out least.

    Parameters
    ----------
    outline
        (n, 2) closed, x outwards along the stem, y across [mm or px].
    lip
        x of the lowest point of the face [unit of the outline].
    width
        About the diameter [unit of the outline].
    towards
        y of the axis near the lip [unit of the outline].
    on_plain
        Tells of points, (n, 2), whether the background there is plain; a side is not believed beside anything else. None
        where that is not known [no unit].

    References
    ----------
    .. [1] Iterated biweights (Mosteller & Tukey 1977, Data Analysis and Regression, from memory); more wary of what stands
       outwards: our own.
    """
    x = np.linspace(lip - SIDES_TO * width, lip - SIDES_FROM * width, 200)
    low, high = _sides_at(outline, x, towards)
    lines = []
    for y, outwards in ((low, -1), (high, 1)):
        seen = np.isfinite(y)
        if on_plain is not None:
            beside = np.stack([x, np.where(seen, y, 0) + outwards * 0.15 * width], axis=1)
            plain = seen & on_plain(beside)
            if plain.sum() > 40 and np.ptp(x[plain]) > width:
                seen = plain
        if seen.sum() < 20:
            return None
        lines.append((*_robust_line(x[seen], y[seen], outwards), float(np.ptp(x[seen]))))
    (left, left_rms, left_reach), (right, right_rms, right_reach) = lines
    return Sides(left, right, left_rms, right_rms, min(left_reach, right_reach))


@dataclass(frozen=True)
class _NearWidth:
    """Width one diameter below the lip, what adds to its uncertainty as a share of it, and what is said of it."""

    width: float
    doubt: float
    swelling: str


def _near_width(outline: np.ndarray, sides: Sides, lip: float, width: float, towards: float) -> _NearWidth:
    """The width one diameter below the lip, from robust lines through the sides 0.5 to 1.5 diameters below it.

    The long sides tell it more surely where the stem is straight, so the near ones are believed only as far as they surely
    leave these: by nothing up to SURELY standard errors, wholly far beyond (the positive-part rule of James and Stein). A
    bump on one side only is a bud or a stub, and is left out and told.
    """
    plain = sides.width(lip - width)
    x = np.linspace(lip - NEAR_TO * width, lip - NEAR_FROM * width, 80)
    away, error = [], []
    for y, line, rms, outwards in zip(
        _sides_at(outline, x, towards), (sides.left, sides.right), (sides.left_rms, sides.right_rms), (-1, 1), strict=True
    ):
        seen = np.isfinite(y)
        if seen.sum() < 40:
            return _NearWidth(plain, 0.0, "")
        near, _ = _robust_line(x[seen], y[seen], outwards)
        middle = lip - width
        away.append(outwards * float(near[0] - line[0] + (near[1] - line[1]) * middle))
        error.append(0.5 * rms + 0.002 * width)
    both, sure = sum(away), SURELY * float(np.hypot(*error))
    bump, other = (0, 1) if abs(away[0]) > abs(away[1]) else (1, 0)
    if away[bump] > SURELY * error[bump] and abs(away[other]) < 0.3 * away[bump]:
        swollen = away[bump] > SWOLLEN * width
        return _NearWidth(plain, 0.0, "a bud or stub stands on one side where the diameter is read" if swollen else "")
    if abs(both) <= sure:
        return _NearWidth(plain, 0.0, "")
    believed = both * (1 - (sure / both) ** 2)
    told = "swells" if both > 0 else "narrows"
    return _NearWidth(
        plain + believed * float(np.cos(sides.turn)), float(np.hypot(TAPER_DOUBT * both, np.hypot(*error))) / width,
        f"the stem {told} just below its end: the diameter is the one there" if abs(both) > SWOLLEN * width else "",
    )


def _sides_at(outline: np.ndarray, x: np.ndarray, towards: float) -> tuple[np.ndarray, np.ndarray]:
    """The outline's nearest crossings to either side of the axis at each x; NaN where there are none."""
    ax, ay = outline[:, 0], outline[:, 1]
    bx, by = np.roll(ax, -1), np.roll(ay, -1)
    first = np.searchsorted(x, np.minimum(ax, bx), "left")  # of the places that each piece of the outline crosses
    many = np.searchsorted(x, np.maximum(ax, bx), "left") - first
    piece = np.repeat(np.arange(len(ax)), many)
    place = np.arange(len(piece)) - np.repeat(np.cumsum(many) - many, many) + first[piece]
    share = (x[place] - ax[piece]) / (bx[piece] - ax[piece])
    y = ay[piece] + share * (by[piece] - ay[piece])
    order = np.lexsort((y, place))
    crossings, first = y[order].tolist(), np.searchsorted(place[order], np.arange(len(x) + 1)).tolist()
    low, high = np.full(len(x), np.nan), np.full(len(x), np.nan)
    axis = towards
    for i in range(len(x) - 1, -1, -1):
        at = crossings[first[i] : first[i + 1]]
        if not at:
            continue
        a, b = max(zip(at[::2], at[1::2], strict=False), key=lambda gap: min(gap[1] - axis, axis - gap[0]))
        if a <= axis <= b:
            low[i], high[i] = a, b
            axis += 0.05 * min(max((a + b) / 2 - axis, -1.0), 1.0) * (b - a) / (abs(b - a) + 1e-9)
    return low, high


def _robust_line(x: np.ndarray, y: np.ndarray, outwards: int) -> tuple[tuple[float, float], float]:
    """Line y = a + b x by iterated biweights, more wary of points standing outwards; and its spread."""
    pairs = np.linspace(0, len(x) - 1, 24).astype(int)
    i, j = (side.ravel() for side in np.meshgrid(pairs, pairs))
    far = x[j] - x[i] > 0.35 * (x[-1] - x[0])
    i, j = i[far], j[far]
    b = (y[j] - y[i]) / (x[j] - x[i])
    a = y[i] - b * x[i]
    some = slice(None, None, 2)  # half of the points tell which line to begin with
    stray = np.median(np.abs(y[some] - a[:, None] - b[:, None] * x[some]), axis=1)
    best = int(np.argmin(stray))
    line, spread = (float(a[best]), float(b[best])), float(stray[best]) * 1.4826
    floor = 1e-4 * (x[-1] - x[0])
    for _ in range(6):
        residual = y - line[0] - line[1] * x
        scale = np.where(residual * outwards > 0, 2.5, 4.0) * max(spread, floor)
        weight = np.clip(1 - (residual / scale) ** 2, 0, None) ** 2
        if (weight > 0).sum() < 5:
            break
        mean_x, mean_y = weight @ x / weight.sum(), weight @ y / weight.sum()
        weighted = weight * (x - mean_x)
        slope = weighted @ (y - mean_y) / (weighted @ (x - mean_x))
        line = (float(mean_y - slope * mean_x), float(slope))
        spread = 1.4826 * median(np.abs(residual[weight > 0]))
    return line, spread


def find_end(
    outline: np.ndarray,
    lip: float,
    width: float,
    axis: float = 0.0,
    on_plain: OnPlain | None = None,
) -> End | None:
    """The end's shape from a closed outline; None where no two straight sides can be seen below the end.

    Parameters
    ----------
    outline
        (n, 2) closed, x outwards along a rough axis, y across [mm or px].
    lip
        Rough x of the face [unit of the outline].
    width
        Rough diameter [unit of the outline].
    axis
        y of the axis near the lip [unit of the outline].
    on_plain
        As for `find_sides` [no unit].
    """
    for _ in range(2):
        sides = find_sides(outline, lip, width, axis, on_plain)
        if sides is None:
            return None
        turn = sides.turn
        near = _near_width(outline, sides, lip, width, axis)
        diameter = near.width
        if not 0.4 * width < diameter < 2.5 * width:
            return None
        axis = (sides.left[0] + sides.right[0] + (sides.left[1] + sides.right[1]) * lip) / 2
        origin = (lip, axis)
        grid = _profile(outline, origin, turn, diameter)
        if grid is None:
            return None
        y, x, reach = grid
        inner = np.abs(y) <= MIDDLE / 2
        lowest = float(np.min(x[np.abs(y) <= 0.45]))
        lip, width = lip + lowest * diameter * float(np.cos(turn)), diameter
    slope, offset = np.polyfit(y[inner], x[inner], 1)
    bulge = np.linalg.lstsq(flat_face(y)[inner], x[inner], rcond=None)[0][2]
    return End(
        y, x, reach, float(slope), float(offset), float(bulge), diameter, origin, turn, float(lowest), sides,
        near.doubt, near.swelling,
    )


def flat_face(y: np.ndarray) -> np.ndarray:
    """What the edge of a flat face across a round stem is made of: a constant, a slope, half an ellipse.

    Parameters
    ----------
    y
        (n,) places across, -0.5 to 0.5 [diameters].

    Returns
    -------
    numpy.ndarray, shape (n, 3)
        [diameters]
    """
    return np.stack([np.ones_like(y), y, np.sqrt(np.clip(0.25 - y**2, 0, None))], axis=1)


@dataclass(frozen=True)
class CleanPart:
    """The longest stretch of an end's outline that one straight line follows.

    Parameters
    ----------
    share
        Of the width [share].
    slope, offset
        Of the line [no unit, diameters].
    rms
        Distance from it [diameters].
    ends
        First and last place of the stretch across [diameters].
    """

    share: float
    slope: float
    rms: float
    ends: tuple[float, float]
    offset: float


def clean_part(end: End, tolerance: float = 0.02) -> CleanPart:
    """The longest straight stretch within the inner 94 % of the width, to `tolerance` diameters RMS.

    Parameters
    ----------
    end
        Its shape [diameters].
    tolerance
        RMS distance from the line that is borne [diameters].
    """
    inner = np.abs(end.y) <= 0.47
    step = max(1, int(inner.sum()) // 40)
    found = longest_stretch(end.y[inner][::step], end.x[inner][::step], tolerance, 4.0)
    return found or CleanPart(0.0, end.slope, np.inf, (0.0, 0.0), end.offset)


def longest_stretch(y: np.ndarray, x: np.ndarray, tolerance: float, steepest: float) -> CleanPart | None:
    """The longest stretch of an edge that one straight line follows; None where none does.

    Parameters
    ----------
    y, x
        (n,) places across and along [diameters].
    tolerance
        RMS distance from the line that is borne [diameters].
    steepest
        A stretch of more slope than this runs along the stem, along over across: it is the side of a tooth, not a face [no
        unit].
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
            ends = (float(y[i]), float(y[i + length - 1]))
            return CleanPart(length / n, float(slope[i]), float(rms[i]), ends, float(mx[i] - slope[i] * my[i]))
    return None


def _profile(
    outline: np.ndarray, origin: tuple[float, float], turn: float, diameter: float, ahead: float = 3.5
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Outermost outline across the width, without and with fibres, in the end's own frame (unit one diameter)."""
    cos, sin = np.cos(turn), np.sin(turn)
    own = (outline - origin) @ np.array([[cos, -sin], [sin, cos]]) / diameter
    behind, aside = 1.6, 1.0
    rows, columns = int(2 * aside * CELLS) + 1, int((behind + ahead) * CELLS) + 1
    cells = (own + (behind, aside)) * CELLS
    raster = np.zeros((rows, columns), np.uint8)
    cv2.fillPoly(raster, [np.round(np.clip(cells, -2e3, 2e4) * 64).astype(np.int32)], 1, shift=6)
    raster = _connected(raster, rows // 2)
    strand = round(STRAND * CELLS) | 1
    stout = _connected(cv2.morphologyEx(raster, cv2.MORPH_OPEN, np.ones((strand, 1), np.uint8)), rows // 2)
    band = np.arange(rows // 2 - CELLS // 2, rows // 2 + CELLS // 2 + 1)
    if not stout[band].any(axis=1)[len(band) // 10 : -len(band) // 10].all():
        return None
    y = band / CELLS - aside
    x = (columns - np.argmax(stout[band, ::-1] > 0, axis=1)) / CELLS - behind
    reach = (columns - np.argmax(raster[band, ::-1] > 0, axis=1)) / CELLS - behind
    for values in (x, reach):
        _fill_missing(values, stout[band].any(axis=1))
    return y, x - 0.5 / CELLS, reach - 0.5 / CELLS


def _connected(raster: np.ndarray, row: int) -> np.ndarray:
    """The part of a raster that hangs together with the stem, which enters at its first column."""
    _, labels = cv2.connectedComponents(raster, connectivity=4)
    own = labels[row, int(0.3 * CELLS)]
    return (labels == own).astype(np.uint8) if own else raster


def _fill_missing(values: np.ndarray, seen: np.ndarray) -> None:
    if not seen.all() and seen.any():
        at = np.arange(len(values))
        values[~seen] = np.interp(at[~seen], at[seen], values[seen])
