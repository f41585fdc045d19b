"""Which severed end in a picture without a card plainly stands out, so that nobody need point at it?

Photographers focus on what they mean. Pairs of straight edges are looked for in the reduced picture, each sharp one is
followed to where both its sides stop, and the sharpest stem is taken where no other is nearly as sharp. Whether its end is a
severed one is judged after it was measured: a plane cut that slants or shows pale wood, read alike by bolder and shyer
cuts, whose edge stops at the stem's sides. Where any of that fails a tap is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.measure.end_shape import End
from diagnose.measure.two_sides import (
    Gaze,
    Line,
    gaze_at,
    inside,
    lab_of,
    lip_of,
    pair_score,
    sample,
    straight_edges,
    turned,
)
from diagnose.photo.picture import Picture

# Longer side of the reduced picture [px], about. The finer look is for where the first finds nothing that stands out: thin
# stems.
LOOKS = (500, 900)
STRIPES = 3  # of a look, the longest, that are followed
STEEP_COLOUR = 20.0  # change of a colour over three pixels from which on an edge runs there [8-bit L*a*b*]
SHORTEST = 20  # of the straight pieces of edges [px]
COLOUR_BELOW = 800  # longer side of those in which edges of colour alone are looked for too [px]
CELLS = 16.0  # cells across one diameter in the strip that a stem is followed in
BEHIND, AHEAD, ASIDE = 10.0, 5.0, 2.2  # extent of that strip around the end, in diameters
WHOLE = -0.8  # before here, in diameters, a stem's sides are looked for
REACH = 7  # to either side of an edge [px]
SHARP_EDGE = 4.0  # greatest blur of the sharper side of a stripe that is followed [px]
STEPS = 6  # along the stem, until its end lies where it was looked for
MISFITS = 1  # of them at which the sides may lie elsewhere than was thought
SMALLEST = 8.0  # diameter [px]

Look = Callable[[np.ndarray], np.ndarray]  # (n, 2) points of an end's own frame -> (n, 3) CIE L*a*b* there


@dataclass(frozen=True)
class Glimpse:
    """A stem's end seen in passing: the end and a point six diameters back on its axis [upright px], diameter [px].

    blur : width of the stem's sides, a step in colour over its steepest slope [px]. held : share of the length behind
    the end over which the worse side is sharp and straight.
    """

    tip: np.ndarray
    back: np.ndarray
    diameter: float
    blur: float
    held: float
    strength: float  # of the weaker of its two sides, in noise units


def glimpses(picture: Picture) -> Iterator[list[Glimpse]]:
    """The ends of stems inside the picture, the sharpest first: those seen at a first look, then with a finer one too."""
    found: list[Glimpse] = []
    for size in LOOKS:
        for tip, back, diameter in _ends_of_stripes(picture, size):
            if any(_lies_on(tip, back, diameter, other) for other in found):
                continue
            seen = _followed(picture, tip, back, diameter)
            if seen is not None and all(seen.held > other.held for other in found if _same(seen, other)):
                found = [other for other in found if not _same(seen, other)] + [seen]
        yield sorted(found, key=lambda each: each.blur)


def _lies_on(tip: np.ndarray, back: np.ndarray, diameter: float, stem: Glimpse) -> bool:
    """Do two points lie on a stem that was seen already, no thicker than it, so that they would lead to its end?"""
    if stem.held < HELD or diameter > 1.2 * stem.diameter:
        return False
    down = (stem.back - stem.tip) / np.linalg.norm(stem.back - stem.tip)
    away = np.stack([tip, back]) - stem.tip
    aside = np.abs(away @ np.array([-down[1], down[0]]))
    return bool((aside < 0.6 * stem.diameter).all() and -stem.diameter < away[0] @ down < away[1] @ down)


def _same(one: Glimpse, other: Glimpse) -> bool:
    near = float(np.linalg.norm(one.tip - other.tip)) < 0.7 * max(one.diameter, other.diameter)
    return near and abs(np.log(one.diameter / other.diameter)) < 0.2


# --- stripes in the reduced picture ----------------------------------------------------------------------------

Stripe = tuple[np.ndarray, np.ndarray, float, float, float, float]  # point, direction, from, to, width, length seen


def _ends_of_stripes(picture: Picture, size: int) -> Iterator[tuple[np.ndarray, np.ndarray, float]]:
    """Ends inside the picture of long stripes with two straight sides: (end, point farther back, diameter) [px]."""
    small = _shrunk(picture, size)
    height, width = small.shape[:2]
    factor = max(picture.size) / max(width, height)
    for middle, along, start, stop, diameter, _ in _stripes(cv2.cvtColor(small, cv2.COLOR_BGR2LAB))[:STRIPES]:
        sides = middle + np.array([-along[1], along[0]]) * diameter * np.array([[-0.5], [0.5]])
        lines = sides[:, None] + along * np.array([[start], [stop]])
        if all(_edge_blur(picture.bgr, (line + 0.5) * factor - 0.5, factor) > SHARP_EDGE for line in lines):
            continue
        for here, away in ((stop, start), (start, stop)):
            tip = middle + along * here
            if not (diameter < tip[0] < width - diameter and diameter < tip[1] < height - diameter):
                continue
            reach = min(max(abs(away - here), 4 * diameter), 8 * diameter)
            back = inside(tip, tip + np.sign(away - here) * along * reach, (width, height))
            yield (tip + 0.5) * factor - 0.5, (back + 0.5) * factor - 0.5, diameter * factor


def _edge_blur(bgr: np.ndarray, line: np.ndarray, slack: float) -> float:
    """Width of the edge along a line, (2, 2) its ends [px], that lies up to `slack` pixels beside it [px]."""
    along = line[1] - line[0]
    length = float(np.linalg.norm(along))
    along = along / length
    out = np.arange(-REACH - slack, REACH + slack + 0.5)
    x = np.linspace(0.1, 0.9, 12)[:, None] * length + 1.5 * np.arange(4)
    places = line[0] + x.reshape(-1, 1, 1) * along + out[:, None] * np.array([-along[1], along[0]])
    colour = lab_of(_at(bgr, places)).reshape(*x.shape, len(out), 3).mean(axis=1)
    rise = np.linalg.norm(colour[:, 2:] - colour[:, :-2], axis=2) / 2
    steepest, station = rise.argmax(axis=1) + 1, np.arange(len(x))
    before, after = np.maximum(steepest - REACH, 0), np.minimum(steepest + REACH, len(out) - 1)
    step = np.linalg.norm(colour[station, after] - colour[station, before], axis=1)
    return float(np.percentile(step / (rise.max(axis=1) + 1e-6), 30))


def _shrunk(picture: Picture, size: int) -> np.ndarray:
    """The picture halved until its longer side is nearest to `size` pixels."""
    times = np.log2(max(picture.size) / size)
    return picture.smaller(int(2 ** np.clip(round(times), 0, 3)))


def _stripes(lab: np.ndarray) -> list[Stripe]:
    """Pairs of parallel straight edges, put together where they continue each other, the plainest first."""
    lines = []
    finder = cv2.ximgproc.createFastLineDetector(SHORTEST, 1.414, STEEP_COLOUR, STEEP_COLOUR, 3, False)
    for channel in range(2 if max(lab.shape) < COLOUR_BELOW else 1):
        found = finder.detect(cv2.GaussianBlur(lab[..., channel], (0, 0), 0.8))
        if found is not None:
            lines.append(found.reshape(-1, 4))
    if not lines:
        return []
    at = np.concatenate(lines).astype(float)
    length = np.hypot(at[:, 2] - at[:, 0], at[:, 3] - at[:, 1])
    at, length = at[length > SHORTEST], length[length > SHORTEST]
    order = np.argsort(-length)[:220]
    at, length = at[order], length[order]
    if len(at) < 2:
        return []
    middle, way = (at[:, :2] + at[:, 2:]) / 2, (at[:, 2:] - at[:, :2]) / length[:, None]
    i, j = np.triu_indices(len(at), 1)
    turn = np.abs(way[i, 0] * way[j, 1] - way[i, 1] * way[j, 0])
    apart = middle[j] - middle[i]
    across = np.abs(apart[:, 0] * -way[i, 1] + apart[:, 1] * way[i, 0])
    good = (turn < 0.09) & (across > 5) & (across < 0.12 * max(lab.shape[:2]))
    i, j = i[good], j[good]
    along = way[i] * length[i, None] + (np.sign((way[i] * way[j]).sum(axis=1)) * length[j])[:, None] * way[j]
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    centre = (middle[i] + middle[j]) / 2
    width = np.abs(along[:, 0] * (middle[j] - middle[i])[:, 1] - along[:, 1] * (middle[j] - middle[i])[:, 0])
    ends = np.stack([at[i], at[j]], axis=1).reshape(-1, 2, 2, 2) - centre[:, None, None]
    place = np.einsum("nkei,ni->nke", ends, along)  # of both segments' ends along the stripe
    low, high = place.min(axis=2), place.max(axis=2)
    seen = high.min(axis=1) - low.max(axis=1)  # where both lie side by side
    good = (seen >= np.maximum(1.2 * width, 18)) & (width >= 5)
    found = zip(centre, along, low.min(axis=1), high.max(axis=1), width, seen, strict=True)
    return _joined([(c, w, *(float(each) for each in rest)) for (c, w, *rest), own in zip(found, good, strict=True) if own])


def _joined(stripes: list[Stripe]) -> list[Stripe]:
    stripes = sorted(stripes, key=lambda each: -each[5])
    kept: list[Stripe] = []
    for centre, along, start, stop, width, seen in stripes:
        for k, (c, w, a, b, d, s) in enumerate(kept):
            if abs(w[0] * along[1] - w[1] * along[0]) > 0.08 or abs(np.log(width / d)) > 0.35:
                continue
            off = np.array([-w[1], w[0]]) @ (centre - c)
            if abs(off) > 0.35 * d:
                continue
            shift, sign = float((centre - c) @ w), float(np.sign(w @ along))
            ends = sorted((shift + sign * start, shift + sign * stop))
            if ends[0] < b + 6 * d and ends[1] > a - 6 * d:
                kept[k] = (c, w, min(a, ends[0]), max(b, ends[1]), d, s + seen)
                break
        else:
            kept.append((centre, along, start, stop, width, seen))
    return sorted(kept, key=lambda each: -each[5])


# --- along a stem to its end -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Strip:
    """The picture along a stem, in cells: x in diameters outwards from the looked-for end, y across, 0 at the axis."""

    lab: np.ndarray
    x0: float  # column of x = 0
    y0: float  # row of y = 0
    to_px: np.ndarray
    diameter: float
    behind: float  # diameters from the looked-for end back to the picture's border

    @property
    def x(self) -> np.ndarray:
        return (np.arange(self.lab.shape[1]) - self.x0) / CELLS

    def px(self, xy: np.ndarray) -> np.ndarray:
        """Points, (..., 2) in diameters, as upright pixels."""
        xy = np.asarray(xy, float)
        return cv2.perspectiveTransform(xy.reshape(-1, 1, 2) * self.diameter, self.to_px).reshape(xy.shape)


def _followed(picture: Picture, tip: np.ndarray, back: np.ndarray, diameter: float) -> Glimpse | None:
    """The end of the stem that two points lie on, followed until its sides stop where the first point is."""
    misfits, gaze = 0, gaze_at(picture, tip)
    for _ in range(STEPS):
        strip = _strip(picture, gaze, tip, back, diameter)
        if strip is None:
            return None
        pairs = _side_pairs(strip)
        if not pairs:
            return None
        left, right, _ = pairs[0]
        width, shift = right(-3) - left(-3), (right(-3) + left(-3)) / 2
        if abs(np.log(width)) < 0.2 and abs(shift) < 0.25:
            stops = _stops(strip, left, right)
            end = float(np.mean(stops))
            if abs(end) < 1.0 and abs(stops[0] - stops[1]) < 2.5 and max(stops) < strip.x[-1] - 0.5:
                return _likeliest(picture, strip, pairs)
            if strip.x[-1] < 0.5 and end > -1:
                return None  # it runs out of the picture
            end = float(np.clip(end, -4.0, 4.0))
        else:
            end, misfits = 0.0, misfits + 1
            if misfits > MISFITS:
                return None
        axis = np.array([(end, (left(end) + right(end)) / 2), (end - 6, (left(end - 6) + right(end - 6)) / 2)])
        tip, back = strip.px(axis)
        diameter *= width
        if not (0 < tip[0] < picture.size[0] and 0 < tip[1] < picture.size[1]) or diameter < SMALLEST:
            return None
    return None


def _strip(picture: Picture, gaze: Gaze, tip: np.ndarray, back: np.ndarray, diameter: float) -> _Strip | None:
    """The strip round the end; None where less than three diameters of the stem lie in the picture."""
    along = (tip - back) / np.linalg.norm(tip - back)
    ahead, behind = (_room(tip, way, picture.size) / diameter for way in (along, -along))
    if behind < 4:
        return None
    to_px = turned(gaze, tip, back)
    x = (-min(BEHIND, behind), max(min(AHEAD, ahead), 0.3))
    bgr = sample(
        picture, to_px, (x[0] * diameter, x[1] * diameter), (-ASIDE * diameter, ASIDE * diameter), CELLS / diameter
    )
    lab = cv2.GaussianBlur(lab_of(bgr), (0, 0), 0.8)
    return _Strip(lab, -x[0] * CELLS - 0.5, ASIDE * CELLS - 0.5, to_px, diameter, behind)


def _room(point: np.ndarray, way: np.ndarray, size: tuple[int, int]) -> float:
    """How far it is from a point to the picture's border in one direction [px]."""
    steps = [((size[k] - 2 if way[k] > 0 else 1) - point[k]) / way[k] for k in range(2) if abs(way[k]) > 1e-9]
    return max(float(min(steps)), 0.0)


def _side_pairs(strip: _Strip, many: int = 3) -> list[tuple[Line, Line, float]]:
    """The likeliest two sides of a stem near the axis, y as lines in x, and the weaker one's strength; then narrower or
    wider ones."""
    first, last = max(int(strip.x0 - 6.5 * CELLS), 0), int(strip.x0 + WHOLE * CELLS)
    edges = straight_edges(strip.lab[:, first:last], 1.0)
    if len(edges.row) < 2:
        return []
    x = ((first + last - 1) / 2 - strip.x0) / CELLS
    y, lean, strength = (edges.row - strip.y0) / CELLS, edges.lean, edges.strength
    gap = y[None, :] - y[:, None]
    wide, centre, turn = np.maximum(gap, 0.1), (y[None, :] + y[:, None]) / 2, (lean[None, :] + lean[:, None]) / 2
    score = pair_score(strength, lean, wide)
    score = score * np.exp(-0.5 * (np.log(wide) / 0.5) ** 2 - 0.5 * (turn / 0.06) ** 2)
    score = score * np.exp(-0.5 * (centre / (0.15 + 0.3 * wide)) ** 2)
    score[(gap < 0.5) | (gap > 2.4) | (np.abs(lean[None, :] - lean[:, None]) > 0.06)] = 0
    pairs: list[tuple[Line, Line, float]] = []
    best = float(score.max())
    while len(pairs) < many and score.max() > 0.08 * best > 0:
        a, b = np.unravel_index(int(np.argmax(score)), score.shape)
        left, right = (Line(float(lean[k]), float(y[k] - lean[k] * x)) for k in (a, b))
        pairs.append((left, right, float(min(strength[a], strength[b]))))
        score[np.abs(np.log(wide / wide[a, b])) < 0.13] = 0
    return pairs


def _stops(strip: _Strip, left: Line, right: Line) -> tuple[float, float]:
    """Where each of two sides stops, x in diameters."""
    first = max(int(strip.x0 - 6 * CELLS), 0)
    x, lab = strip.x[first:], strip.lab[:, first:]
    lips = [lip_of(lab, line(x) * CELLS + strip.y0, x, CELLS, -1.0, out) for line, out in ((left, -1), (right, 1))]
    one, other = (float(x[int(np.argmax(lip.odds))]) for lip in lips)
    return one, other


def _likeliest(picture: Picture, strip: _Strip, pairs: list[tuple[Line, Line, float]]) -> Glimpse | None:
    """Of several readings of the sides the one that is held over the greatest length; wider ones count a little more."""
    best, most = None, 0.0
    for left, right, strength in pairs:
        seen = _glimpse(picture, strip, left, right, strength)
        if seen is not None and seen.held * seen.diameter**0.3 > most:
            best, most = seen, seen.held * seen.diameter**0.3
    return best


def _glimpse(picture: Picture, strip: _Strip, left: Line, right: Line, strength: float) -> Glimpse | None:
    stops = _stops(strip, left, right)
    width = right(-2) - left(-2)
    if abs(stops[0] - stops[1]) > 2.4 * width:
        return None
    x = np.arange(max(-BEHIND, 0.1 - strip.behind), min(stops) - 0.4, 1 / 24)
    x = x[len(x) % 8 :]
    if len(x) < 24:
        return None
    out = np.arange(-7.0, 7.25, 0.5)  # across a side [px]
    blurs, steps, held = [], [], []
    for side, line in ((-1, left), (1, right)):
        places = np.stack(np.broadcast_arrays(x[:, None], line(x)[:, None] + side * out / strip.diameter), axis=-1)
        colour = lab_of(_at(picture.bgr, strip.px(places))).reshape(len(x) // 8, 8, len(out), 3).mean(axis=1)
        step = colour[:, -6:].mean(axis=1) - colour[:, :6].mean(axis=1)
        size = np.linalg.norm(step, axis=1)
        rise = np.gradient(np.einsum("ijk,ik->ij", colour, step / (size[:, None] + 1e-6)), 0.5, axis=1)
        blur, off = size / (rise.max(axis=1) + 1e-6), np.abs(out[rise.argmax(axis=1)])
        held.append(float(((size > 4) & (blur < 8) & (off <= max(3.0, 0.15 * strip.diameter * width))).mean()))
        blurs.append(blur)
        steps.append(size)
    sharp = np.concatenate(blurs)[np.concatenate(steps) > 4]
    if len(sharp) < 4:
        return None
    end = float(np.mean(stops))
    axis = np.array([(end, (left(end) + right(end)) / 2), (end - 6, (left(end - 6) + right(end - 6)) / 2)])
    tip, back = strip.px(axis)
    return Glimpse(tip, back, strip.diameter * width, float(np.percentile(sharp, 30)), min(held), strength)


def _at(image: np.ndarray, px: np.ndarray) -> np.ndarray:
    """The picture's colours at places, (h, w, 2) [px]: (h, w, 3) uint8."""
    at = px.astype(np.float32)
    left, top, wide, high = cv2.boundingRect(at.reshape(-1, 2))
    height, width = image.shape[:2]
    x0, y0 = min(max(left - 2, 0), width - 4), min(max(top - 2, 0), height - 4)
    part = image[y0 : max(top + high + 3, y0 + 4), x0 : max(left + wide + 3, x0 + 4)]
    return cv2.remap(part, at - np.array([x0, y0], np.float32), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


# --- the one that stands out -----------------------------------------------------------------------------------

HELD = 0.65  # share of the length behind the end over which both sides must be sharp
SEEN = 0.6  # the same for a stem to count at all
THICK = 16.0  # smallest diameter of a stem that is believed without a tap [px]
SHARP = 4.0  # greatest blur of its sides [px]
PLAINLY = 1.25  # how many times as wide as its sides' blur every other stem's must be
TOGETHER = 1.5  # what lies on a stem is at most so many times sharper than its sides
STEEP = 0.6  # another edge is as steep as the stem's sides from this share of their steepness
CLUTTER_AT = 900  # longer side of the reduced picture that is searched for other edges [px]
CLUTTER = 0.2  # greatest share of the rest of the picture that holds edges as steep


def standing_out(picture: Picture, tap: np.ndarray | None = None, reach: float = 0.0) -> Glimpse | None:
    """The one stem that ends inside the picture and is plainly sharper than all else; near a tap where one is given.

    reach : the tap's error [px].
    """
    return next((one for seen in glimpses(picture) if (one := _plainest(picture, seen, tap, reach)) is not None), None)


def _plainest(picture: Picture, seen: list[Glimpse], tap: np.ndarray | None, reach: float) -> Glimpse | None:
    held = [each for each in seen if each.held >= SEEN]
    own = [each for each in held if not any(_belongs(each, other) for other in held if other is not each)]
    if tap is not None:
        own = [each for each in own if float(np.linalg.norm(each.tip - tap)) < 2 * reach + each.diameter]
        return own[0] if own else None
    if not own or own[0].blur > SHARP or own[0].held < HELD or own[0].diameter < THICK:
        return None
    best, *rivals = own
    if any(each.blur < PLAINLY * best.blur for each in rivals) or _clutter(picture, best) > CLUTTER:
        return None
    return best


def _belongs(each: Glimpse, other: Glimpse) -> bool:
    """Is `each` a mark on the stem of `other`, or a thinner branch of it?"""
    if each.diameter > 0.85 * other.diameter or other.blur > TOGETHER * each.blur:
        return False
    down = other.back - other.tip
    down = down / np.linalg.norm(down)
    normal = np.array([-down[1], down[0]])
    x, y = (each.tip - other.tip) @ down / other.diameter, (each.tip - other.tip) @ normal / other.diameter
    if abs(y) < 0.75 and x > -1.0:
        return True
    way = (each.back - each.tip) / np.linalg.norm(each.back - each.tip)
    lean = way @ normal
    meets = x + way @ down * (-y / lean) if abs(lean) > 0.05 else np.inf  # where its axis crosses the other's
    return bool(lean * y < 0 and abs(y) < 5 and 0 < meets < 25)


def _clutter(picture: Picture, stem: Glimpse) -> float:
    """Share of the picture beside a stem that holds edges as steep as its sides: little where only the stem is sharp."""
    small = cv2.GaussianBlur(_shrunk(picture, CLUTTER_AT), (0, 0), 1.0)
    height, width = small.shape[:2]
    steps = cv2.split(cv2.morphologyEx(small, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)))
    steep = cv2.add(cv2.add(steps[0], steps[1], dtype=cv2.CV_32F), steps[2], dtype=cv2.CV_32F)
    factor = max(picture.size) / max(width, height)
    tip, diameter = stem.tip / factor, stem.diameter / factor
    out = (stem.tip - stem.back) / np.linalg.norm(stem.tip - stem.back)
    frame = diameter * np.array([out, (-out[1], out[0])])  # from diameters along the stem and across it
    behind, beside = np.mgrid[0.7 : 7.95 : 1 / diameter, 0.3 : 0.7 : 1 / diameter]
    steepest = []
    for side in (-1.0, 1.0):
        column, row = np.rint(tip + np.stack([-behind, side * beside], axis=-1) @ frame).astype(int).transpose(2, 0, 1)
        there = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        most = np.where(there, steep[row.clip(0, height - 1), column.clip(0, width - 1)], 0.0).max(axis=1)
        quarters = (4 * behind[:, 0]).astype(int)
        steepest += [most[quarters == k].max() for k in np.unique(quarters)]
    seen = np.array(steepest)[np.array(steepest) > 0]
    usual = float(np.percentile(seen, 40)) if len(seen) else 0.0
    far = -(width + height) / diameter
    corners = tip + np.array([(0.6, -0.9), (0.6, 0.9), (far, 0.9), (far, -0.9)]) @ frame
    own = cv2.fillConvexPoly(np.zeros((height, width), np.uint8), np.rint(corners).astype(np.int32), 1)
    steep[own > 0] = 0
    cell = 12
    shape = (height // cell, cell, width // cell, cell)
    crop = (slice(0, height // cell * cell), slice(0, width // cell * cell))
    rest = own[crop].reshape(shape).sum(axis=1, dtype=np.uint8).sum(axis=2) < cell * cell / 2
    highest = steep[crop].reshape(shape).max(axis=1).max(axis=2)
    return float((highest[rest] > STEEP * usual).mean()) if rest.any() else 1.0


# --- is it a severed end? --------------------------------------------------------------------------------------

SPREAD = 0.06  # greatest difference of the slope between bolder and shyer cuts [rad]
ROUGH = 0.04  # greatest RMS distance of the outline from a plane face [diameters]
CROOKED = 0.02  # the same of the sides from straight lines
EDGE_SEEN = 0.8  # share of the end's own line along which a sharp step must lie
GOES_ON = 0.65  # the same share beyond the stem's sides: more, and something else hides the stem there
SLANTS = 0.27  # tangent of 15 degrees: poles, fingers and pencils end square
STEEPEST = 1.9  # tangent of 62 degrees, as far as an end's line is looked for
ROUND = 0.65  # share of a half circle by which an end may stand out, more the more it slants: fingers' tips are round
PALE = 0.1  # share of the face that must be pale wood where it does not slant
STEP = 6.0  # a sharp step, in L*a*b*
AWAY = 0.9  # how far the end may lie from where it was glimpsed [diameters]


def severed(end: End, spread: float, wood: float, look: Look) -> bool:
    """Does an end look like a cut through a stem, and like nothing else?

    spread : of the slope between cuts of different boldness. wood : share of the face that is paler than the bark.
    The limits were set on simulated twigs and on pictures of other things.
    """
    if spread > SPREAD * (1 + end.slope**2) or end.domed_residual > ROUGH:
        return False
    if max(end.sides.left_rms, end.sides.right_rms) > CROOKED * end.diameter:
        return False
    if abs(end.slope) > STEEPEST or (abs(end.slope) < SLANTS and wood < PALE):
        return False
    if end.bulge > ROUND * max(1.0, abs(end.slope) / SLANTS):
        return False
    face, beyond = edge_shares(end, look)
    return face >= EDGE_SEEN and beyond <= GOES_ON


def edge_shares(end: End, look: Look) -> tuple[float, float]:
    """Share of the end's own line, and of its lines beyond the stem's two sides, along which a sharp step lies.

    A severed end's edge stops at the stem's sides; the edge of a thing that hides the stem goes on beyond them.
    """
    inner, outer = np.linspace(-0.4, 0.4, 17), np.linspace(0.65, 1.25, 13)
    lines = [(inner, np.interp(inner, end.y, end.x))]
    lines += [(side * outer, end.offset + end.slope * side * outer) for side in (-1.0, 1.0)]
    span = np.linspace(-1, 1, 21) * max(0.2, 4.0 / end.diameter)
    shares = []
    for y, line in lines:
        places = np.stack(np.broadcast_arrays(line[:, None] + span, y[:, None]), axis=-1)
        profile = cv2.blur(look(places.reshape(-1, 2)).reshape(len(y), len(span), 3), (1, 3))
        near = np.linalg.norm(profile[:, 12:16].mean(axis=1) - profile[:, 5:9].mean(axis=1), axis=1)
        wide = np.linalg.norm(profile[:, 16:].mean(axis=1) - profile[:, :5].mean(axis=1), axis=1)
        shares.append(float((np.minimum(near, wide) > STEP).mean()))
    return shares[0], max(shares[1:])
