"""Do the fitted sides of a stem beside the card lie where the eye's map shows its borders, and what if they do not?

An edge may be the card's shadow, the patch's border or a neighbour's side: the map, too coarse to measure with, tells these
from a stem's side, and so does the close network, which looks above and below the patch, where bark is whole.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from diagnose.eye.pieces import moved
from diagnose.eye.see import CloseView, Glance, look_close
from diagnose.measure.bark_map import OPEN, BarkMap
from diagnose.measure.card_view import CARD_EDGE, Line, View
from diagnose.measure.geometry import sampled
from diagnose.measure.stem import Stem

REACH = (0.5, 0.6, 8.0)  # where the map's border is sought, inward and outward: of the width, and at least so many mm out
ALONG = 45.0  # how far to either side of the patch along a stem its borders are compared [mm]
LEAST_SHARE = 0.1  # of the places along a side that must be open, for the map to tell
INSIDE, LEAST_SEEN = 0.2, 0.25  # where inside a side it is asked for a stem, and at how many of its places one must be seen
APART = (1.5, 0.085)  # from which on map and edge disagree: [mm], as a share of the width; chosen on calibration pictures
NOT_THIS_STEM = (-0.4, 0.75)  # of the width: a border so far inside or outside is another thing's
BLIND = 200.0  # of stem beside the card [mm2]: where the map shows less in all, it says nothing
REFITS = 2
CLOSELY = (0.6, 4.0)  # how far above and below the patch the stem is looked at closely: of its width, and [mm] more
CLOSE_APART = 0.08  # of the width, from which on close looks disagree with a side; calibration and spent test pictures
WELL_BACKED = 0.16  # the same where they speak for edges against the map; spent test pictures
# a step of colour along a stem: how far from the patch on it is looked for [mm]; over how many of 61 places across; in
# how many rows at least, each with what share of the middle one's; how near its sides none counts; and how strong it must
# be [ln], chosen on spent test pictures
SEAM_FROM, SEAM_WIDE, SEAM_ROWS, ALIKE, SEAM_INSIDE, SEAM = 3.0, 4, 10, 0.4, 0.77, 0.3
STEM_SEEN, STEM_WHOLE = 0.25, 0.5  # share of a close look along which a stem must lie: that there is one, that it is read

Fit = Callable[[tuple[Line, Line]], Stem | None]
Levels = Callable[[Stem], np.ndarray]


def agreed(stem: Stem, fit: Fit, view: View, seen: BarkMap, run: int, at: float) -> Stem | None:
    """The stem, fitted anew from the map's borders where its sides lie outside them; None where the map shows another.

    A side that lies inside the map's border is kept, since the map may have taken a neighbour for one and the same stem.
    `eye_wider` is set where the two still disagree [mm].

    Parameters
    ----------
    stem, fit, view, seen
        As first fitted; fits a stem to a pair of lines of the view [no unit]; the card's surroundings, and what the map
        shows there [no unit].
    run, at
        The view coordinate along which the stem runs, x (0) or y (1), and where along it the patch lies [px].
    """
    if float((seen.stem * seen.free > 0.5).sum()) < BLIND * seen.scale**2:
        return stem
    off = _off(stem, view, seen, run, at)
    for _ in range(REFITS):
        inward = -off.min() / _limit(stem)  # how far inside its fitted side the map's border lies, where it does so most
        if inward <= 1:
            break
        by = np.where(off < -_limit(stem), off, 0.0)
        lines = [Line(places.mean(axis=0) + outward * one * view.scale, along)
                 for (places, along, outward), one in zip(_sides(stem, view), by, strict=True)]  # fmt: skip
        low, high = sorted(lines, key=lambda line: float(line.at(run, at)[1 - run]))
        again = fit((low, high))
        off_again = None if again is None else _off(again, view, seen, run, at)
        if again is None or off_again is None or -off_again.min() / _limit(again) >= inward:
            break
        stem, off = again, off_again
    share = off / (2 * stem.radius)
    if not ((share > NOT_THIS_STEM[0]) & (share < NOT_THIS_STEM[1])).all():
        return None
    return replace(stem, eye_wider=float(off[np.abs(off) > _limit(stem)].sum()))


def _limit(stem: Stem) -> float:
    return max(APART[0], APART[1] * 2 * stem.radius)


_Side = tuple[np.ndarray, np.ndarray, np.ndarray]


def _sides(stem: Stem, view: View) -> list[_Side]:
    """Places where each side was fitted, (n, 2), its direction along and its direction outward, (2,) each [view px]."""
    points = [view.from_px(side) for side in stem.sides_px]
    found = []
    for own, other in (points, points[::-1]):
        along = np.linalg.svd(own - own.mean(axis=0), full_matrices=False)[2][0]
        outward = np.array([-along[1], along[0]])
        found.append((own, along, outward * np.sign(outward @ (own.mean(axis=0) - other.mean(axis=0)))))
    return found


def _off(stem: Stem, view: View, seen: BarkMap, run: int, at: float) -> np.ndarray:
    """How far outside each fitted side the map's border lies, the median along it, (2,) [mm]; 0 where it cannot tell."""
    return np.array([_border(side, 2 * stem.radius, view, seen, run, at) for side in _sides(stem, view)])


def _border(side: _Side, width: float, view: View, seen: BarkMap, run: int, at_patch: float) -> float:
    """The median along a side beside the patch or, where that is hidden, at the places where it was fitted [mm]."""
    fitted, along, outward = side
    middle = fitted.mean(axis=0)
    middle = middle + along * (at_patch - middle[run]) / along[run]
    beside = middle + np.arange(-ALONG, ALONG + 1)[:, None] * view.scale * along
    out = np.arange(-REACH[0] * width, max(REACH[1] * width, REACH[2]), 0.5 / view.scale) * view.scale
    for places in (beside, fitted):
        stem, _, free = seen.at(places[:, None, :] + out[None, :, None] * outward)
        none = stem < 0.5
        first = np.where(none.any(axis=1), none.argmax(axis=1), len(out) - 1)
        row = np.arange(len(places))
        at_border = np.minimum(free[row, first], free[row, np.maximum(first - 1, 0)])
        told = np.where(none.any(axis=1), at_border, free.min(axis=1)) > OPEN
        if told.mean() >= LEAST_SHARE:
            within = told & (stem[:, int(INSIDE * len(out))] >= 0.5)  # the map may see a stem here and there only
            there = within if within.sum() >= LEAST_SEEN * told.sum() else told
            return float(np.median(out[first[there]])) / view.scale
    return 0.0


def settled(stem: Stem, by_map: Stem | None, view: View, levels: Levels) -> Stem | None:
    """The stem as two close looks back it, above and below its patch; None where they see no stem at all.

    The coarse map may take half of a stem for all of it, where its bark is of two colours or one side lies in shade: where
    the map moved the sides, and the close looks see them about where edges had put them and not there, those stand.
    `eye_wider` is set where all looks that read a side see it elsewhere [mm], unless the map has set it.

    Parameters
    ----------
    stem, by_map, view, levels
        As fitted, and as the map then had it, None where it shows another; the card's surroundings [no unit]; of a stem :
        from where to where along it the patch is believed to reach [mm].
    """
    if by_map is None:
        return None
    if by_map.sides_px is not stem.sides_px:
        own, other = (_off_closely(one, view, levels) for one in (stem, by_map))
        least = np.inf if own is None else float(np.abs(own).max())
        if own is not None and least <= WELL_BACKED and (other is None or np.abs(other).max() > 2 * least):
            return replace(stem, eye_wider=float(own.sum()) * 2 * stem.radius)
    off = _off_closely(by_map, view, levels)
    if off is None:
        return None
    if by_map.eye_wider or np.isnan(off).any():
        return by_map
    return replace(by_map, eye_wider=float(off[np.abs(off) > CLOSE_APART].sum()) * 2 * by_map.radius)


def seam(stem: Stem, view: View, low: float, high: float) -> float | None:
    """Where across a stem its bark's colour steps along a straight line, -1 to 1 of its sides; None where it nowhere does.

    There a neighbour may begin that touches it in the picture; a shadow's edge looks the same.

    Parameters
    ----------
    stem, view, low, high
        The stem, the card's surroundings [no unit], and from where to where along the stem the patch lies [mm].
    """
    up = np.concatenate([start + np.arange(SEAM_FROM, ALONG, 1.5) * way for start, way in ((high, 1), (low, -1))])
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


def _off_closely(stem: Stem, view: View, levels: Levels) -> np.ndarray | None:
    """How far outside its fitted sides two close looks see them, the nearer of both, (2,) [widths]; None for no stem.

    The second look is taken only where the first does not see both sides about where they were fitted. Not a number where
    they do not read it. A side that the card hides is not judged, and a place whose middle it hides is not looked at.
    """
    width = 2 * stem.radius
    low, high = levels(stem)
    beyond = CLOSELY[0] * width + CLOSELY[1]
    seen, sides = [], []
    for up, sign in ((high + beyond, -1.0), (low - beyond, 1.0)):
        at, ahead = stem.on_middle(np.array([up, up + sign * width]), np.zeros(2))
        across = stem.on_middle(np.full(3, up), np.array([-1.0, 0.0, 1.0]) * stem.radius)
        covered = view.plane.is_on_sheet(view.plane.to_mm(across))
        if covered[1] or not ((at > 0) & (at < view.picture.size)).all():
            continue
        pixels = float(np.linalg.norm(ahead - at))
        close = look_close(view.picture, Glance(at, (ahead - at) / pixels, pixels, 1.0))
        share, left, right = _sides_seen(close, at, ahead)
        seen.append(share)
        if share > STEM_WHOLE and np.isfinite(left + right):
            own = (-left, right) if sign > 0 else (right, -left)  # how far out, to the left and right of the axis
            sides.append(np.where(covered[[0, 2]], 0.5, own))
            if np.abs(sides[0] - 0.5).max() <= CLOSE_APART:
                break
    if seen and max(seen) < STEM_SEEN:
        return None
    if not sides:
        return np.full(2, np.nan)
    off = np.array(sides) - 0.5
    return np.asarray(off[np.abs(off).argmin(axis=0), [0, 1]])


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
