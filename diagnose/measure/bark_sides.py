"""Do the fitted sides of a stem beside the card lie where the eye shows its borders, and may it be two stems?

An edge may be the card's shadow, the patch's border or a neighbour's side: the map, too coarse to measure with, tells these
from a stem's side, and so does the close network, which looks above and below the patch, where bark is whole.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from diagnose.eye.pieces import moved
from diagnose.eye.see import CloseView, Glance, look_close
from diagnose.measure.card_view import CARD_EDGE, Line, View
from diagnose.measure.geometry import sampled
from diagnose.measure.stem import Stem

# from which on map and edge disagree: [mm], as a share of the width; of 160 stems in spent test pictures, mostly such as
# were hard, and 60 simulated ones 123 agree, 4 of them wrong by over 15 %
APART = (1.0, 0.06)
NOT_THIS_STEM = (-0.4, 0.75)  # of the width: a border so far inside or outside is another thing's
CLOSELY = (0.6, 4.0)  # how far above and below the patch the stem is looked at closely: of its width, and [mm] more
CLOSE_APART = 0.08  # of the width, from which on close looks disagree with a side; calibration and spent test pictures
STEM_WHOLE = 0.5  # share of a close look along which a stem must lie for it to be read
# a step of colour along a stem: from how far off the patch to how far it is looked for [mm]; over how many of 61 places
# across; in how many rows at least, each with what share of the middle one's; how near its sides none counts; and how strong
# it must be [ln], chosen on spent test pictures
SEAM_ALONG, SEAM_WIDE, SEAM_ROWS, ALIKE, SEAM_INSIDE, SEAM = (3.0, 45.0), 4, 10, 0.4, 0.77, 0.3


def agreed(stem: Stem, pair: tuple[Line, Line], view: View, at: float) -> Stem | None:
    """The stem, `eye_wider` set where its sides lie off the map's [mm]; None where the map's are another stem's.

    Parameters
    ----------
    stem, pair, view, at
        As fitted [no unit]; the lines along which the map falls to one half, low coordinate first; the card's surroundings
        [no unit]; the coordinate along which the stem runs where its patch lies [view px].
    """
    run = pair[0].run
    sides = [view.from_px(side) for side in stem.sides_px]
    fitted = sorted(float(np.polyval(np.polyfit(side[:, run], side[:, 1 - run], 1), at)) for side in sides)
    low, high = (float(line.at(run, at)[1 - run]) for line in pair)
    off = np.array([fitted[0] - low, high - fitted[1]]) * abs(pair[0].along[run]) / view.scale
    share = off / (2 * stem.radius)
    if not ((share > NOT_THIS_STEM[0]) & (share < NOT_THIS_STEM[1])).all():
        return None
    return replace(stem, eye_wider=float(off[np.abs(off) > max(APART[0], APART[1] * 2 * stem.radius)].sum()))


def seen_closely(stem: Stem, view: View, low: float, high: float) -> Stem:
    """The stem, `eye_wider` set where two close looks, above and below its patch, see its sides elsewhere [mm].

    Each side is judged by the look that sees it nearer to where it was fitted; one that
    the card hides, or that no look reads, is not judged. The second look is taken only where the first does not see both
    sides about where they were fitted, and a place whose middle the card hides is not looked at.

    Parameters
    ----------
    stem, view, low, high
        As fitted, the card's surroundings [no unit], and from where to where along the stem the patch may lie [mm].
    """
    width = 2 * stem.radius
    beyond = CLOSELY[0] * width + CLOSELY[1]
    sides: list[np.ndarray] = []
    for up, sign in ((high + beyond, -1.0), (low - beyond, 1.0)):
        at, ahead = stem.on_middle(np.array([up, up + sign * width]), np.zeros(2))
        across = stem.on_middle(np.full(3, up), np.array([-1.0, 0.0, 1.0]) * stem.radius)
        covered = view.plane.is_on_sheet(view.plane.to_mm(across))
        if covered[1] or not ((at > 0) & (at < view.picture.size)).all():
            continue
        pixels = float(np.linalg.norm(ahead - at))
        share, left, right = _sides_seen(look_close(view.picture, Glance(at, (ahead - at) / pixels, pixels, 1.0)), at, ahead)
        if share > STEM_WHOLE and np.isfinite(left + right):
            own = (-left, right) if sign > 0 else (right, -left)  # how far out, to the left and right of the axis
            sides.append(np.where(covered[[0, 2]], 0.5, own) - 0.5)
            if np.abs(sides[0]).max() <= CLOSE_APART:
                break
    if not sides:
        return stem
    off = np.array(sides)
    off = off[np.abs(off).argmin(axis=0), [0, 1]]
    return replace(stem, eye_wider=float(off[np.abs(off) > CLOSE_APART].sum()) * width)


def _sides_seen(view: CloseView, at: np.ndarray, ahead: np.ndarray) -> tuple[float, float, float]:
    """Along what share of a close look a stem lies about its axis, and its borders' medians as shares of the width.

    at, ahead : (2,) of the axis, one width apart [upright px]. Borders count from the axis, negative to the map's top; not a
    number where none is seen.
    """
    centre, further = moved(np.stack([at, ahead]), np.linalg.inv(view.to_px))
    row = round(float(centre[1]))
    stem = view.stem[:, 2:-2]
    if not 0 <= row < len(stem):
        return 0.0, np.nan, np.nan
    on = stem[:, stem[row] > 0.5]
    borders = []
    for step in (-1, 1):
        out = on[row::step]
        ends = (out <= 0.5).any(axis=0)
        first = (out[:, ends] <= 0.5).argmax(axis=0)
        inside, outside = (np.take_along_axis(out[:, ends], (first - back)[None], axis=0)[0] for back in (1, 0))
        place = row + step * (first - 1 + (inside - 0.5) / np.maximum(inside - outside, 1e-6))
        borders.append(float(np.median(place - centre[1])) if ends.any() else np.nan)
    scale = float(np.linalg.norm(further - centre))
    return on.shape[1] / stem.shape[1], borders[0] / scale, borders[1] / scale


def seam(stem: Stem, view: View, low: float, high: float) -> float | None:
    """Where across a stem its bark's colour steps along a straight line, -1 to 1 of its sides; None where it nowhere does.

    There a neighbour may begin that touches it in the picture; a shadow's edge looks the same.

    Parameters
    ----------
    stem, view, low, high
        The stem, the card's surroundings [no unit], and from where to where along the stem the patch lies [mm].
    """
    up = np.concatenate([start + np.arange(*SEAM_ALONG, 1.5) * way for start, way in ((high, 1), (low, -1))])
    share = np.linspace(-0.97, 0.97, 61)
    grid = stem.on_middle(*np.meshgrid(up, share * stem.limb, indexing="ij"))
    card = view.plane.to_mm(grid.reshape(-1, 2)).reshape(grid.shape)
    shown = ((grid > 1) & (grid < np.array(view.picture.size) - 2)).all(axis=2) & ~view.plane.is_on_sheet(card, CARD_EDGE)
    light = view.log_light(cv2.GaussianBlur(sampled(view.picture.bgr, grid).astype(np.float32), (0, 0), 0.8))
    colour = np.dstack([light[..., 2] - light[..., 1], light[..., 1] - light[..., 0], 0.5 * light[..., 1]])
    colour[~shown] = np.nan
    pair = (colour[:, 1:] + colour[:, :-1]) / 2
    step = pair[:, SEAM_WIDE:] - pair[:, :-SEAM_WIDE]  # (rows, places across, 3)
    told = np.isfinite(step).all(axis=2)
    where = np.flatnonzero(told.sum(axis=0) > SEAM_ROWS)
    if not len(where):
        return None
    middle = np.nanmedian(step[:, where], axis=0)
    size = np.linalg.norm(middle, axis=1)
    along = np.where(told[:, where], (step[:, where] * middle).sum(axis=2), 0.0) > ALIKE * size**2  # rows that step so too
    strength = size * along.sum(axis=0) / told[:, where].sum(axis=0)
    at = (share[where] + share[where + SEAM_WIDE + 1]) / 2
    strength[np.abs(at) > SEAM_INSIDE] = 0.0
    return float(at[strength.argmax()]) if strength.max() > SEAM else None
