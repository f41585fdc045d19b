"""How large is the patch of gnawed bark on a stem beside the scale card, and how are its tooth grooves spaced?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.measure.stem import (
    MARGIN,
    Line,
    Stem,
    View,
    fit_stem,
    likely_pairs,
    log_light,
    sampled,
    straight_edges,
    view_of_card,
    white_of_card,
)
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane

WOOD_RED = (-0.04, 0.46)  # ln(red / green) of bare wood against the card's white, fresh to weathered; own readings
WOOD_BLUE = (0.20, 1.05)  # ln(green / blue) of the same
WOOD_DARKEST = -2.9  # ln(green), in the stem's own shadow
LEAST_AREA = 15.0  # of a patch [mm2]
COLUMNS = 20  # across a strip


@dataclass(frozen=True, eq=False)
class Candidate:
    """A strip between two lines of a view that looks like a stem with a bare patch.

    pair : its sides, low coordinate first. score : higher is likelier. centre : (2,) of the patch, view pixels.
    rows : (first, last) of the patch along the strip, view pixels along the running coordinate.
    """

    pair: tuple[Line, Line]
    score: float
    centre: np.ndarray
    rows: tuple[float, float]


def candidates(view: View, lines: list[Line], tap: np.ndarray | None = None) -> list[Candidate]:
    """Strips that carry a bare patch, likeliest first. tap : (2,) view pixels on the patch."""
    found = [_candidate(view, pair, tap) for pair in likely_pairs(view, lines)]
    return sorted((one for one in found if one is not None), key=lambda one: -one.score)


def _candidate(view: View, pair: tuple[Line, Line], tap: np.ndarray | None) -> Candidate | None:
    height, width = view.open.shape
    run = int(abs(pair[0].along[1]) > abs(pair[0].along[0]))
    length = (width, height)[run]
    along = np.arange(0, length, 1.0)
    low = np.stack([pair[0].at(run, value) for value in along])
    high = np.stack([pair[1].at(run, value) for value in along])
    share = (np.arange(-3, COLUMNS + 3) + 0.5) / COLUMNS
    grid = low[:, None] + share[None, :, None] * (high - low)[:, None]
    cell = grid.astype(np.float32)
    light = cv2.remap(view.light, cell, None, cv2.INTER_LINEAR)
    free = cv2.remap(view.open.astype(np.uint8), cell, None, cv2.INTER_NEAREST) > 0
    light = cv2.GaussianBlur(light, (0, 0), sigmaX=0.6, sigmaY=1.2)
    colour = np.dstack([light[..., 2] - light[..., 1], light[..., 1] - light[..., 0], 0.35 * light[..., 1]])
    stem = np.zeros(len(share), bool)
    stem[3:-3] = True
    rows = np.flatnonzero(free[:, stem].mean(axis=1) > 0.3)
    if len(rows) < 40 * view.scale:
        return None
    first, last = rows[0], rows[-1] + 1
    colour, free, grid = colour[first:last], free[first:last], grid[first:last]
    inner = free & stem
    sample = colour[inner].astype(np.float32)
    cv2.setRNGSeed(1)
    _, label, centres = cv2.kmeans(
        sample, 4, None, (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.01), 2, cv2.KMEANS_PP_CENTERS
    )
    labels = np.full(free.shape, -1)
    labels[inner] = label.ravel()
    end = max(int(8 * view.scale), int(0.12 * len(free)))
    at_ends = np.zeros(free.shape, bool)
    at_ends[:end] = at_ends[-end:] = True
    counts = np.array([(labels[at_ends] == k).sum() for k in range(4)], float)
    if counts.sum() < 20:
        return None
    bark = counts / counts.sum() > 0.08
    bark_colour = np.average(centres, axis=0, weights=np.where(bark, counts, 0))
    wood = np.array([not bark[k] and _looks_like_wood(centres[k], centres[bark]) for k in range(4)])
    if not wood.any():
        return None
    bare = np.isin(labels, np.flatnonzero(wood)).astype(np.uint8)
    bare = cv2.morphologyEx(bare, cv2.MORPH_CLOSE, np.ones((5, 5)))
    count, parts, stats, centroids = cv2.connectedComponentsWithStats(bare)
    across_mm = float(np.linalg.norm(high - low, axis=1).mean()) / view.scale
    cell_mm2 = across_mm / COLUMNS / view.scale
    best: Candidate | None = None
    for part in range(1, count):
        area = stats[part, cv2.CC_STAT_AREA] * cell_mm2
        top, tall = stats[part, cv2.CC_STAT_TOP], stats[part, cv2.CC_STAT_HEIGHT]
        if area < LEAST_AREA or top == 0 or top + tall == len(free):
            continue
        mask = parts == part
        if tap is not None:
            apart = np.linalg.norm(grid[mask] - tap, axis=1).min() / view.scale
            if apart > 6:
                continue
        band = slice(top, top + tall)
        left_out, right_out = free[band, :2], free[band, -2:]
        wide = colour[band]
        patch_colour = np.median(colour[mask], axis=0)
        leak = 0.0
        for outside, edge, at in ((left_out, mask[band, 3], slice(0, 2)), (right_out, mask[band, -4], slice(-2, None))):
            same = (np.abs(wide[:, at] - patch_colour).max(axis=2) < 0.15) & outside
            leak += float((same.any(axis=1) & edge).mean())
        plain = inner & ~cv2.dilate(mask.astype(np.uint8), np.ones((9, 5))).astype(bool)
        columns = [np.median(colour[plain[:, k], k, :2], axis=0) for k in np.flatnonzero(stem) if plain[:, k].sum() > 12]
        mixed = float(np.std(np.array(columns), axis=0).max()) if len(columns) > 3 else 1.0
        contrast = float(np.linalg.norm(patch_colour - bark_colour))
        score = (
            np.log(min(pair[0].strength, pair[1].strength))
            + 0.5 * np.log(min(area, 200.0))
            + np.log(min(contrast, 0.6))
            - 4 * leak
            - 6 * mixed
        )
        centre = grid[mask].mean(axis=0)
        span = (float(grid[band][0, 0, run]), float(grid[band][-1, 0, run]))
        if best is None or score > best.score:
            best = Candidate(pair, float(score), centre, span)
    return best


def _looks_like_wood(colour: np.ndarray, bark: np.ndarray) -> bool:
    """Whether a mean colour (red/green, green/blue, 0.35 green; all ln) could be bare wood on such bark (n, 3)."""
    red, blue, green = (float(value) for value in colour)
    in_box = WOOD_RED[0] < red < WOOD_RED[1] and WOOD_BLUE[0] < blue < WOOD_BLUE[1] and green / 0.35 > WOOD_DARKEST
    return in_box and float(np.linalg.norm(bark - colour, axis=1).min()) > 0.15


@dataclass(frozen=True, eq=False)
class Patch:
    """The bare patch of a stem.

    outline_px : (n, 2) closed outline. up : (n,) its height along the stem [mm] above the stem's foot point beside
    the card's middle; turn : (n,) round the stem [radian], 0 to the camera. bare : (h, w) bool on the strip whose
    rows are `rows_up` [mm], downwards, and whose columns are `columns_right` [mm] in the plane through the axis.
    hidden : (h, w) bool, where the card or the picture's edge hides the strip.
    """

    stem: Stem
    outline_px: np.ndarray
    up: np.ndarray
    turn: np.ndarray
    bare: np.ndarray
    hidden: np.ndarray
    rows_up: np.ndarray
    columns_right: np.ndarray


def find_patch(picture: Picture, plane: Plane, taps: Sequence[tuple[float, float]] = ()) -> Patch | None:
    """The stem beside the card that carries a bare patch, and the patch; None where there is none."""
    view = view_of_card(picture, plane)
    tap = None
    if taps:
        tap = (plane.to_mm(np.array([taps[0]], float))[0] + MARGIN) * view.scale
    for candidate in candidates(view, straight_edges(view), tap)[:3]:
        centre_px = plane.to_px(view.to_mm(candidate.centre[None]))[0]
        stem = fit_stem(picture, plane, view, candidate.pair, centre_px, candidate.rows)
        if stem is None:
            continue
        patch = outline_patch(picture, plane, stem, view, candidate)
        if patch is not None:
            return patch
    return None


def outline_patch(picture: Picture, plane: Plane, stem: Stem, view: View, candidate: Candidate) -> Patch | None:
    """The patch's outline on a stem, by a graph cut between the colours of its bark and of the patch."""
    run = int(abs(candidate.pair[0].along[1]) > abs(candidate.pair[0].along[0]))
    ends = np.array([candidate.centre, candidate.centre])
    ends[:, run] = candidate.rows
    low, high = np.sort(stem.place(plane.to_px(view.to_mm(ends)))[0])
    centre_px = plane.to_px(view.to_mm(candidate.centre[None]))[0]
    native = stem.camera.K[0, 0] / stem.distance
    step = 1 / min(native, max(3.5, 70 / (2 * stem.radius)))
    beyond = max(12.0, 0.25 * (high - low))
    rows = np.arange(high + beyond, low - beyond, -step)
    columns = np.arange(-1.2 * stem.radius - 3 * step, 1.2 * stem.radius + 3 * step, step)
    grid = stem.on_middle(*np.meshgrid(rows, columns, indexing="ij"))
    width, height = picture.size
    outside = (grid < 1).any(axis=2) | (grid > (width - 2, height - 2)).any(axis=2)
    assert plane.layout is not None
    card = plane.to_mm(grid.reshape(-1, 2)).reshape(grid.shape)
    sheet = np.array(plane.layout.size_mm) * plane.print_scale
    hidden = outside | ((card > -0.7) & (card < sheet + 0.7)).all(axis=2)
    bgr = sampled(picture.bgr, grid) * 255
    light = log_light(cv2.GaussianBlur(bgr, (0, 0), max(0.5, 0.12 / step)), white_of_card(picture.bgr, plane, 1))
    edge = stem.radius * np.sqrt(1 - (stem.radius / stem.distance) ** 2) * stem.distance / (
        stem.distance - stem.radius**2 / stem.distance
    )
    on_stem = np.broadcast_to(np.abs(columns) < edge, hidden.shape)
    middle = np.broadcast_to(np.abs(columns) < 0.8 * stem.radius, hidden.shape)
    bark_rows = (rows > high + 5) | (rows < low - 5)
    bark = bark_rows[:, None] & on_stem & ~hidden
    if bark.sum() < 50:
        return None
    for column in np.flatnonzero(on_stem[0]):  # the stem's shading, from its bark
        own = light[bark[:, column], column, 1]
        if len(own) > 5:
            light[:, column] -= np.clip(np.median(own) - np.median(light[bark][:, 1]), -1.2, 1.2)
    features = np.dstack(
        [
            (light[..., 2] - light[..., 1]) * 160 + 100,
            (light[..., 1] - light[..., 0]) * 110 + 60,
            light[..., 1] * 45 + 210,
        ]
    )
    features = np.clip(features, 0, 255).astype(np.uint8)
    features[hidden] = np.median(features[bark], axis=0).astype(np.uint8)
    spot = np.linalg.norm(grid - centre_px, axis=2) * step
    seed = (spot < max(2.0, 0.15 * stem.radius)) & on_stem & ~hidden
    if seed.sum() < 10:
        return None
    wood_colour = np.median(features[seed].astype(float), axis=0)
    bark_colour = np.median(features[bark].astype(float), axis=0)
    toward = wood_colour - bark_colour
    share = ((features - bark_colour) @ toward) / max(float(toward @ toward), 1.0)
    mask = np.full(hidden.shape, cv2.GC_PR_BGD, np.uint8)
    inner_rows = ~bark_rows[:, None] & on_stem & ~hidden
    mask[inner_rows & (share > 0.5)] = cv2.GC_PR_FGD
    mask[~inner_rows] = cv2.GC_BGD
    if (mask == cv2.GC_PR_FGD).sum() < 30:
        return None
    cv2.setRNGSeed(1)
    cv2.grabCut(features, mask, None, np.zeros((1, 65)), np.zeros((1, 65)), 4, cv2.GC_INIT_WITH_MASK)
    bare = np.isin(mask, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)
    return _patch_of(stem, bare, hidden, rows, columns, grid, centre_px, middle)


def _patch_of(
    stem: Stem,
    bare: np.ndarray,
    hidden: np.ndarray,
    rows: np.ndarray,
    columns: np.ndarray,
    grid: np.ndarray,
    centre_px: np.ndarray,
    middle: np.ndarray,
) -> Patch | None:
    count, parts, stats, _ = cv2.connectedComponentsWithStats(bare, connectivity=4)
    if count < 2:
        return None
    largest = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    whole = (parts == largest).astype(np.uint8)
    outlines, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = cv2.drawContours(np.zeros_like(whole), outlines, -1, 1, cv2.FILLED)
    if filled.sum() * (rows[0] - rows[1]) ** 2 < LEAST_AREA:
        return None
    soft = cv2.GaussianBlur(np.pad(filled.astype(np.float32), 1), (0, 0), 0.8)
    from skimage.measure import find_contours

    line = max(find_contours(soft, 0.5), key=len) - 1
    r = np.interp(line[:, 0], np.arange(len(rows)), rows)
    c = np.interp(line[:, 1], np.arange(len(columns)), columns)
    outline = stem.on_middle(r, c)
    up, turn = stem.place(outline)
    return Patch(stem, outline, up, turn, filled.astype(bool), hidden, rows, columns)
