"""Where does a round stem stand beside the scale card, and how thick is it?"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from diagnose.measure.gaze import lab_of, shrinking
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Camera, Plane

MARGIN = 90.0  # how far beyond the card stems are looked for [mm]
VIEW_SCALE = 1.6  # of the coarse view on the card's plane [px/mm]
ALONG = 4  # pixels along an edge that are read as one; 1 and 4 measured the same within a tenth of a sigma
BLOCK = 8  # such readings are shifted as one for directions within two degrees: half a pixel off at most
UPRIGHT, LEVEL = range(-20, 21, 5), range(70, 111, 5)  # by which a view is turned, so that edges stand upright [degree]
WIDTHS = (4.0, 110.0)  # stems that a card of 150 x 100 mm is held beside [mm]
REACH = 45.0  # farthest stem from the card that still counts as beside it [mm]
LINES = 26  # strongest lines that are paired
CARD_RIM = 1.3  # round the card, where its own edge would be found [mm]
LEAST_LENGTH = 22.0  # of a straight edge [mm]
LAB_UNITS = 2.5  # grey levels for a unit of CIELAB
LARGEST_STEP = 12.0  # across an edge that counts, in each of CIELAB's units
STEP_UNITS = 127 / LARGEST_STEP
WHOLLY_OPEN = 253  # of 255: what is turned mixes open places with hidden ones

FRONT_SIGMA = 2.5  # how far the stem's front stands off the card's plane [mm]; common practice, no source
BEHIND = (1.5, 1.2)  # the same for a card that covers the stem: this much farther away, with sigma [mm]
TAPER = 0.012  # by how much the two sides of a stem may converge [mm/mm]
VOTE_CELL = 0.1  # of the offsets that straight sides are sought among [mm]
VOTE_LOW = -6.0  # the innermost of them [mm]
TAPER_CELLS = 9  # by how many of the slopes tried, 0.00125 each, the sides may differ
FAINT, FAINT_SIGMA = 2.5, 0.035  # a side of this strength leaves the radius unsure by so much, relative; simulated
EDGE_SIGMA = 0.7  # by which a fitted side may be off [px]
NODES = 6  # cells of a strip between those whose place is worked out

Place = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True, eq=False)
class View:
    """The card's surroundings as seen flat on the card's plane.

    light : (h, w, 3) float32 natural logarithm of blue, green, red light, the card's white at zero.
    lab : (h, w, 3) uint8 CIELAB, LAB_UNITS to the unit, a and b from the middle on. open : (h, w) bool, in the picture
    and not on the card. scale [px/mm].
    """

    light: np.ndarray
    lab: np.ndarray
    open: np.ndarray
    scale: float

    def to_mm(self, xy: np.ndarray) -> np.ndarray:
        return np.asarray(xy, float) / self.scale - MARGIN


@dataclass(frozen=True, eq=False)
class Line:
    """A straight edge in a view: through `middle` (2,) along the unit vector `along` (2,), both in view pixels.

    strength : mean step across it [CIELAB units] times the share of its length that agrees.
    """

    middle: np.ndarray
    along: np.ndarray
    strength: float

    def at(self, coordinate: int, value: float | np.ndarray) -> np.ndarray:
        """The point of the line whose x (0) or y (1) is `value`: (2,), or (n, 2) for (n,) values."""
        way = (np.asarray(value, float)[..., None] - self.middle[coordinate]) / self.along[coordinate]
        return np.asarray(self.middle + self.along * way)


@dataclass(frozen=True, eq=False)
class Stem:
    """A round stem as a cylinder in the plane's coordinates [mm].

    camera : what saw it. foot : (3,) point of the axis nearest the card's middle. axis : (3,) unit vector that runs
    up the picture. toward : (3,) unit vector square to the axis, to the camera. across : (3,) to the right where the
    axis runs up. radius [mm]. distance : axis to camera [mm]. scale_sigma : relative standard uncertainty that
    all lengths on the stem share, since its front stands off the card's plane by an unknown bit.
    radius_sigma : relative standard uncertainty of the radius, that included. sides_px : where its left and
    right sides were seen, (n, 2) each.
    """

    camera: Camera
    foot: np.ndarray
    axis: np.ndarray
    toward: np.ndarray
    across: np.ndarray
    radius: float
    distance: float
    scale_sigma: float
    radius_sigma: float
    sides_px: tuple[np.ndarray, ...]

    def on_surface(self, up: np.ndarray, turn: np.ndarray, radius: float | None = None) -> np.ndarray:
        """Picture of surface points `up` the axis [mm] and `turn` round it [radian, 0 to the camera]: (..., 2) px."""
        r = self.radius if radius is None else radius
        out = np.cos(turn)[..., None] * self.toward + np.sin(turn)[..., None] * self.across
        xyz = self.foot + up[..., None] * self.axis + r * out
        return self.camera.project(xyz.reshape(-1, 3)).reshape(*xyz.shape[:-1], 2)

    def on_middle(self, up: np.ndarray, right: np.ndarray) -> np.ndarray:
        """Picture of points of the plane through the axis that faces the camera: (..., 2) px."""
        xyz = self.foot + up[..., None] * self.axis + right[..., None] * self.across
        return self.camera.project(xyz.reshape(-1, 3)).reshape(*xyz.shape[:-1], 2)

    def place(self, px: np.ndarray, radius: float | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Where pixels (n, 2) meet the surface: up the axis [mm] and turn round it [radian].

        Pixels beside the cylinder are placed where their rays pass nearest to it.
        """
        r = self.radius if radius is None else radius
        ray = rays(self.camera, px)
        along = ray @ self.axis
        flat = ray - along[:, None] * self.axis
        square = (flat**2).sum(axis=1)
        eye = self.camera.centre_mm - self.foot
        eye_flat = self.distance * self.toward
        dot = flat @ eye_flat
        root = np.sqrt(np.maximum(dot**2 - square * (self.distance**2 - r**2), 0.0))
        reach = (-dot - root) / square
        hit = eye + ray * reach[:, None]
        return hit @ self.axis, np.arctan2(hit @ self.across, hit @ self.toward)


def rays(camera: Camera, px: np.ndarray) -> np.ndarray:
    """Directions (n, 3), plane coordinates, of the rays through pixels (n, 2)."""
    seen = (np.asarray(px, float) - camera.K[:2, 2]) / np.diag(camera.K)[:2]
    flat = seen.copy()
    for _ in range(6):  # fixed point of x' = x (1 + k1 r^2); k1 r^2 is a few per cent
        flat = seen / (1 + camera.k1 * (flat**2).sum(axis=1, keepdims=True))
    ray = np.column_stack([flat, np.ones(len(flat))]) @ camera.R
    return ray / np.linalg.norm(ray, axis=1, keepdims=True)


def view_of_card(picture: Picture, plane: Plane) -> View:
    """The picture round the card, drawn on the card's plane."""
    assert plane.layout is not None
    width, height = (side * plane.print_scale for side in plane.layout.size_mm)
    factor = 8
    while factor > 1 and plane.px_per_mm((width / 2, height / 2)) / factor < VIEW_SCALE:
        factor //= 2
    small = picture.smaller(factor)
    from_view = np.array([[1 / VIEW_SCALE, 0, -MARGIN], [0, 1 / VIEW_SCALE, -MARGIN], [0, 0, 1]])
    size = (int((width + 2 * MARGIN) * VIEW_SCALE), int((height + 2 * MARGIN) * VIEW_SCALE))
    warp = shrinking(factor) @ plane.H @ from_view
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    bgr = cv2.warpPerspective(small, warp, size, flags=flags)
    whole = np.full(small.shape[:2], 255, np.uint8)
    there = cv2.warpPerspective(whole, warp, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    free = cv2.erode(there, np.ones((7, 7)), borderType=cv2.BORDER_CONSTANT, borderValue=0.0) > 0
    low, right, bottom = ((MARGIN + edge) * VIEW_SCALE for edge in (-CARD_RIM, width + CARD_RIM, height + CARD_RIM))
    free[int(low) : int(bottom) + 1, int(low) : int(right) + 1] = False
    light = log_light(bgr, white_of_card(small, plane, factor))
    lab = lab_of(bgr) * np.float32(LAB_UNITS)
    return View(light, cv2.add(lab, (0, 128, 128, 0), dtype=cv2.CV_8U), free, VIEW_SCALE)


def white_of_card(small: np.ndarray, plane: Plane, factor: int) -> np.ndarray:
    """Linear blue, green, red of the card's white, (3,): the median of its plain middle."""
    assert plane.layout is not None
    width, height = plane.layout.size_mm
    x, y = np.meshgrid(np.linspace(0.2, 0.8, 25) * width, np.linspace(0.25, 0.75, 15) * height)
    at = (plane.to_px(np.column_stack([x.ravel(), y.ravel()])) + 0.5) / factor - 0.5
    at = np.round(at).astype(int)
    inside = (at >= 0).all(axis=1) & (at[:, 0] < small.shape[1]) & (at[:, 1] < small.shape[0])
    if inside.sum() < 10:
        return np.ones(3)
    return np.maximum(np.median(linear(small[at[inside, 1], at[inside, 0]]), axis=0), 0.02)


def linear(bgr: np.ndarray) -> np.ndarray:
    """Pixel values 0 to 255 as light, 0 to 1 (power 2.2, near enough to every phone's tone curve)."""
    return (np.asarray(bgr, np.float32) / 255) ** 2.2


def log_light(bgr: np.ndarray, white: np.ndarray) -> np.ndarray:
    """ln of light against the card's white, float32; the small addend keeps black finite."""
    if bgr.dtype == np.uint8:
        every = log_light(np.arange(256, dtype=np.float32)[:, None], np.atleast_1d(white))
        return cv2.LUT(bgr, every[None] if bgr.ndim == 3 else every)
    return np.log(linear(bgr) / np.float32(white) + np.float32(0.004))


def likelier_first(view: View) -> tuple[Sequence[int], Sequence[int]]:
    """UPRIGHT and LEVEL, first the one across which a view changes more: steps [degree] by which to turn it."""
    across, down = (float(np.abs(cv2.Sobel(view.lab[..., 0], cv2.CV_16S, dx, 1 - dx)[view.open]).mean()) for dx in (1, 0))
    return (UPRIGHT, LEVEL) if across >= down else (LEVEL, UPRIGHT)


def straight_edges(view: View, turned_by: Sequence[int]) -> list[Line]:
    """The strongest long straight edges about along two of the card's sides, strongest first.

    turned_by : UPRIGHT or LEVEL.

    For each direction the signed colour step across it is averaged along it: texture cancels, the sides of a stem add
    up. The view is turned by every fifth degree and its steps are summed in short blocks along; for the degrees between
    the blocks are shifted. Steps are kept as bytes, STEP_UNITS to the unit about 128, which also cuts off what is beyond
    LARGEST_STEP.
    """
    height, width = view.open.shape
    side = int(np.hypot(width, height)) + 1
    blocks = -(-side // (ALONG * BLOCK))
    shown = cv2.merge([*cv2.split(view.lab), view.open.astype(np.uint8) * 255])
    centre = ((width - 1) / 2, (height - 1) / 2)
    to_row = np.array([[1, 0, 0], [0, ALONG * BLOCK, (ALONG * BLOCK - ALONG) / 2], [0, 0, 1]])  # of a block's middle
    angles, turns, sums, counts = [], [], [], []
    for angle in turned_by:
        turn = cv2.getRotationMatrix2D(centre, angle, 1.0)
        turn[:, 2] += (side - 1) / 2 - np.array(centre)
        steps, seen = _block_sums(shown, turn, (side, blocks))
        for between in range(-2, 3):
            lean = float(np.tan(np.radians(between)))
            shear = np.array([[1, lean, -lean * (side - 1) / 2], [0, 1, 0]])
            shift = np.array([(shear @ to_row)[0], (0, 1, 0)])
            sums.append(cv2.reduce(cv2.warpAffine(steps, shift, (side, blocks)), 0, cv2.REDUCE_SUM)[0])
            counts.append(cv2.reduce(cv2.warpAffine(seen, shift, (side, blocks)), 0, cv2.REDUCE_SUM)[0])
            angles.append(angle + between)
            turns.append(shear @ np.vstack([turn, (0, 0, 1)]))
    total, squares, count = np.array(sums)[..., :3], np.array(sums)[..., 3], np.array(counts)
    many = np.maximum(count, 1)
    mean = np.sqrt(np.einsum("ijk,ijk->ij", total, total)) / STEP_UNITS / many
    spread = np.sqrt(squares / many) / STEP_UNITS
    strength = np.where(count * ALONG > LEAST_LENGTH * view.scale, mean**2 / (spread + 0.5), 0)
    return list(_peaks(strength, np.array(angles), turns, side))


def _block_sums(shown: np.ndarray, turn: np.ndarray, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """In blocks of BLOCK rows along, ALONG pixels apart, of a turned view, (h, w, 4) CIELAB and whether it is open:
    sums of the steps across and of their squares, (blocks, side, 4), and how many were seen, (blocks, side); float32."""
    short = turn.copy()
    short[1] /= ALONG  # an edge is averaged along itself anyway
    turned = cv2.warpAffine(shown, short, (size[0], size[1] * BLOCK))
    seen = cv2.threshold(cv2.extractChannel(turned, 3), WHOLLY_OPEN - 1, 255, cv2.THRESH_BINARY)[1]
    step = cv2.Sobel(turned, cv2.CV_8U, 1, 0, ksize=3, scale=0.25 * STEP_UNITS / LAB_UNITS, delta=128)
    # a byte with its highest bit turned is, read as a signed one, by 128 less
    step = cv2.bitwise_and(cv2.bitwise_xor(step, (128.0,) * 4), cv2.merge([seen] * 4))
    signed = step.view(np.int8).astype(np.int16)
    squared = cv2.split((signed * signed).view(np.uint16))  # three of them together still fit
    sums = _added(signed).astype(np.float32)
    sums[..., 3] = _added(cv2.add(cv2.add(squared[0], squared[1]), squared[2]), cv2.CV_32F)
    return sums, _added(cv2.min(seen, 1.0)).astype(np.float32)


def _added(rows: np.ndarray, kind: int = -1) -> np.ndarray:
    """The sum of each BLOCK rows, by pairs. kind : OpenCV's of the sums, where they do not fit into that of the rows."""
    parts = [rows[k::BLOCK] for k in range(BLOCK)]
    while len(parts) > 1:
        parts = [cv2.add(one, other, dtype=kind) for one, other in zip(parts[::2], parts[1::2], strict=True)]
    return parts[0]


def _peaks(strength: np.ndarray, angles: np.ndarray, turns: list[np.ndarray], side: int) -> Iterator[Line]:
    left = strength.copy()
    for _ in range(LINES):
        row, column = np.unravel_index(int(left.argmax()), left.shape)
        best = float(left[row, column])
        if best < 0.5:
            return
        back = cv2.invertAffineTransform(turns[row])
        ends = cv2.transform(np.array([[[column, 0.0], [column, side]]], float), back)[0]
        along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        yield Line(ends.mean(axis=0), along, best)
        apart = np.abs((angles - angles[row] + 90) % 180 - 90)
        for other in np.flatnonzero(apart <= 4):  # its neighbours are the same edge
            near = 2 + int(3 * apart[other])
            left[other, max(0, column - near) : column + near + 1] = 0


def likely_pairs(view: View, lines: list[Line]) -> list[tuple[Line, Line]]:
    """Pairs of lines that could be the two sides of a stem beside the card."""
    height, width = view.open.shape
    card = np.array([MARGIN, width / view.scale - MARGIN, MARGIN, height / view.scale - MARGIN]) * view.scale
    middle = np.array([width, height]) / 2
    ways = np.array([line.along for line in lines]).reshape(-1, 2)
    along_y = np.abs(ways[:, 1]) > np.abs(ways[:, 0])
    places = [float(line.at(int(run), middle[int(run)])[1 - int(run)]) for line, run in zip(lines, along_y, strict=True)]
    parallel = np.abs(ways @ ways.T) > np.cos(np.radians(2.2))
    pairs = []
    for i, j in np.argwhere(np.triu(parallel & (along_y == along_y[:, None]), 1)):
        one, two, run, first, second = lines[i], lines[j], int(along_y[i]), places[i], places[j]
        low, high = sorted((first, second))
        thick = (high - low) / view.scale
        near, far = card[2 * (1 - run)], card[2 * (1 - run) + 1]
        if not WIDTHS[0] <= thick <= WIDTHS[1]:
            continue
        if max(low - far, near - high) > REACH * view.scale or (low > near and high < far):
            continue
        pairs.append((one, two) if first < second else (two, one))
    return pairs


def fit_stem(
    picture: Picture,
    plane: Plane,
    view: View,
    pair: tuple[Line, Line],
    near_px: np.ndarray | None = None,
    skip: tuple[float, float] = (0.0, 0.0),
) -> Stem | None:
    """The cylinder between two straight edges; None where the edges do not hold up in the full picture.

    Each side of a cylinder is seen along a plane through the camera. The axis runs along both planes; that it
    also runs along the card's plane is taken for granted, since the sides of a stem that tapers converge just as
    those of one that leans. The angle between the planes gives radius / distance, and the front, which stands
    about in the card's plane, gives the distance. The radius is read beside `near_px` (2,), or beside the card.
    skip : from where to where along the running view coordinate the sides are left out, as where bark is gone.
    """
    camera = plane.camera
    if camera is None or plane.layout is None:
        return None
    sides = _sides(picture, plane, view, pair, skip)
    if any(len(side) < 12 for side in sides):
        return None
    (one, two), (one_px, two_px) = _planes_through(plane, sides)
    middle = one + (two if one @ two > 0 else -two)
    axis = np.cross(middle, (0.0, 0.0, 1.0))
    if np.linalg.norm(axis) < 1e-9:
        return None
    axis /= np.linalg.norm(axis)
    width, height = (side * plane.print_scale for side in plane.layout.size_mm)
    sheet_middle = np.array([width / 2, height / 2, 0.0])
    low, high = camera.project(np.array([sheet_middle - 20 * axis, sheet_middle + 20 * axis]))
    if high[1] > low[1] or (high[1] == low[1] and high[0] > low[0]):
        axis = -axis
    toward = np.cross(axis, middle / np.linalg.norm(middle))
    toward *= -np.sign(toward[2])  # the camera is on the sheet's front, where z is negative
    across = np.cross(axis, toward)
    eye = camera.centre_mm
    behind, front_sigma = BEHIND if _card_covers(plane, pair, view) else (0.0, FRONT_SIGMA)
    reach = behind - eye[2]
    up = (sheet_middle - eye) @ axis
    if near_px is not None:
        ray = rays(camera, near_px[None])[0]
        up = float(ray @ axis / -(ray @ toward) * reach)
    ahead = up * axis - toward * reach
    section = np.cross(ahead, across)
    halves = []
    for side in (one, two):
        along = np.cross(side, section)
        halves.append(abs(float(np.arctan((along @ across) / (along @ toward)))))
    half = float(np.mean(halves))
    distance = reach / (-toward[2] - np.sin(half))
    radius = float(distance * np.sin(half))
    on_axis = eye - distance * toward
    scale_sigma = float(np.hypot(front_sigma / distance, plane.print_scale_sigma))
    edge_sigma = EDGE_SIGMA * distance / camera.K[0, 0] / radius / np.sqrt(2)
    weaker = min(pair[0].strength, pair[1].strength)
    wrong_sigma = FAINT_SIGMA * min(1.5, FAINT / weaker)  # that a faint side is another line than the one taken
    return Stem(
        camera=camera,
        foot=on_axis + ((sheet_middle - on_axis) @ axis) * axis,
        axis=axis,
        toward=toward,
        across=across,
        radius=radius,
        distance=float(distance),
        scale_sigma=scale_sigma,
        radius_sigma=float(np.sqrt(scale_sigma**2 + edge_sigma**2 + wrong_sigma**2)),
        sides_px=tuple(sorted((one_px, two_px), key=lambda px: float((rays(camera, px) @ across).mean()))),
    )


def _sides(
    picture: Picture, plane: Plane, view: View, pair: tuple[Line, Line], skip: tuple[float, float]
) -> list[np.ndarray]:
    """Where the two sides of a stem are seen in the full picture, (n, 2) px each, every millimetre off the card."""
    run = int(abs(pair[0].along[1]) > abs(pair[0].along[0]))
    along = sum(line.along * np.sign(line.along[run]) for line in pair)
    along /= np.linalg.norm(along)
    middle = sum(skip) / 2 if skip[1] > skip[0] else view.open.shape[1 - run] / 2
    starts = [line.at(run, middle) for line in pair]
    between = starts[1] - starts[0]
    normal = np.array([-along[1], along[0]])
    normal *= np.sign(normal @ between)
    thick = float(normal @ between) / view.scale
    reach = np.arange(-0.8 * max(view.open.shape), 0.8 * max(view.open.shape), view.scale) / view.scale
    found = []
    for start, outward in zip(starts, (-normal, normal), strict=True):
        at = start + (reach * view.scale)[:, None] * along
        cell = np.round(at).astype(int)
        inside = (cell >= 0).all(axis=1) & (cell[:, 0] < view.open.shape[1]) & (cell[:, 1] < view.open.shape[0])
        free = inside.copy()
        free[inside] = view.open[cell[inside, 1], cell[inside, 0]]
        off_patch = free & ((at[:, run] < skip[0]) | (at[:, run] > skip[1]))
        kept = off_patch if off_patch.sum() >= 30 else free
        found.append(_side_steps(picture, plane, view, at[kept], reach[kept], outward, thick))
    slopes = np.linspace(-0.03, 0.03, 49)
    votes = [_votes(one.along, one.across, slopes * sign) for one, sign in zip(found, (-1, 1), strict=True)]
    if any(table.max() < 8 for table in votes):
        return [np.zeros((0, 2))] * 2
    heights = [cv2.dilate(table.max(axis=1), np.ones(TAPER_CELLS)).ravel() for table in votes]
    shared = int(np.argmax(heights[0] + heights[1]))
    width, height = picture.size
    sides = []
    for one, table, sign in zip(found, votes, (-1, 1), strict=True):
        slope, start = _best_line(table, slopes * sign, shared)
        close = np.abs(one.across - slope * one.along - start) < 0.35
        mm = view.to_mm(one.base[close] + (one.across[close] * view.scale)[:, None] * one.outward)
        px = plane.to_px(mm)
        sides.append(px[((px > 2) & (px < (width - 3, height - 3))).all(axis=1)])
    return sides


@dataclass(frozen=True, eq=False)
class _Steps:
    """Colour steps near a coarse side: along it and outward from it [mm], and the view points they start from."""

    along: np.ndarray
    across: np.ndarray
    base: np.ndarray
    outward: np.ndarray


def _side_steps(
    picture: Picture,
    plane: Plane,
    view: View,
    at: np.ndarray,
    reach: np.ndarray,
    outward: np.ndarray,
    thick: float,
) -> _Steps:
    if len(at) < 8:
        return _Steps(np.zeros(0), np.zeros(0), np.zeros((0, 2)), outward)
    per_mm = plane.px_per_mm(tuple(view.to_mm(at.mean(axis=0))))
    inner, outer = float(np.clip(0.2 * thick, 1.5, 3.0)), float(np.clip(0.15 * thick, 2.0, 4.0))
    offset = np.arange(-int(inner * per_mm), int(outer * per_mm) + 1) / per_mm
    grid = at[:, None, :] + (offset[::NODES] * view.scale)[None, :, None] * outward
    nodes = plane.to_px(view.to_mm(grid.reshape(-1, 2))).reshape(grid.shape).astype(np.float32)
    px = np.stack([nodes[..., k] @ _between(len(offset)).T for k in (0, 1)], axis=2)
    lab = lab_of(sampled(picture.bgr, px))
    lab = cv2.GaussianBlur(lab, (0, 0), sigmaX=max(0.8, 0.1 * per_mm), sigmaY=2.0)
    row, across = _steps(lab, offset)
    return _Steps(reach[row], across, at[row], outward)


def _steps(lab: np.ndarray, offset: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every clear colour step of each row (n, m, 3): its row and its offset [mm]."""
    size = np.linalg.norm(np.gradient(lab, axis=1), axis=2)
    size[:, [0, -1]] = 0
    floor = np.maximum(0.3 * size.max(axis=1, keepdims=True), 0.3)
    middle = size[:, 1:-1]
    row, column = np.nonzero((middle >= size[:, :-2]) & (middle > size[:, 2:]) & (middle > floor))
    column += 1
    before, here, after = (size[row, column + shift] for shift in (-1, 0, 1))
    fine = 0.5 * (before - after) / (before - 2 * here + after)
    return row, offset[column] + fine * (offset[1] - offset[0])


def _votes(along: np.ndarray, across: np.ndarray, slopes: np.ndarray) -> np.ndarray:
    """How many steps lie on each straight line: (slopes, offsets in cells from VOTE_LOW)."""
    votes = np.zeros((len(slopes), int(-2 * VOTE_LOW / VOTE_CELL)), np.float32)
    for k, slope in enumerate(slopes):
        place = ((across - slope * along - VOTE_LOW) / VOTE_CELL).astype(int)
        inside = (place >= 0) & (place < votes.shape[1])
        votes[k] = np.convolve(np.bincount(place[inside], minlength=votes.shape[1]), (1, 1, 1), "same")
    return votes


def _best_line(votes: np.ndarray, slopes: np.ndarray, shared: int) -> tuple[float, float]:
    """The line (slope, offset) on which most rows have a step, or one farther out with nearly as many.

    Beside the card the stem's side is dark in the card's shadow: the border of the shadow is the stronger step
    there, but only there, while the side itself is a step of some kind all along. The slope stays near the one
    that both sides share.
    """
    near = np.abs(np.arange(len(slopes)) - shared) <= TAPER_CELLS // 2
    votes = np.where(near[:, None], votes, 0)
    best = np.unravel_index(int(votes.argmax()), votes.shape)
    outer = votes.copy()
    outer[:, : int(best[1]) + int(0.4 / VOTE_CELL)] = 0
    rival = np.unravel_index(int(outer.argmax()), outer.shape)
    if outer[rival] > 0.75 * votes[best]:
        best = rival
    return float(slopes[best[0]]), VOTE_LOW + (float(best[1]) + 0.5) * VOTE_CELL


def _straight(x: np.ndarray, y: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Slope and offset of the straight line through most of the points, and each point's weight, 0 to 1."""
    weight = np.ones(len(x))
    slope = offset = 0.0
    for _ in range(12):
        total = weight.sum()
        mean_x, mean_y = weight @ x / total, weight @ y / total
        weighted = weight * (x - mean_x)
        slope = weighted @ (y - mean_y) / (weighted @ (x - mean_x))
        offset = mean_y - slope * mean_x
        miss = np.abs(y - slope * x - offset)
        spread = max(0.06, 1.5 * float(np.median(miss)))
        weight = np.clip(1 - (miss / (3 * spread)) ** 2, 0, None) ** 2 + 1e-6
    return float(slope), float(offset), weight


def sampled(bgr: np.ndarray, px: np.ndarray, channel: int | None = None) -> np.ndarray:
    """Colours, or one channel of them, at pixels (h, w, 2), bilinear, uint8."""
    x, y = px[..., 0], px[..., 1]
    low = np.maximum(np.floor((x.min(), y.min())).astype(int) - 2, 0)
    high = np.ceil((x.max(), y.max())).astype(int) + 3
    part = bgr[low[1] : max(high[1], low[1] + 1), low[0] : max(high[0], low[0] + 1)]
    part = part if channel is None else np.ascontiguousarray(part[..., channel])
    here = (px - low).astype(np.float32)
    return cv2.remap(part, here, None, cv2.INTER_LINEAR)


def laid_between(place: Place, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """What `place` makes of each pair of evenly spaced values, (n, m, 2).

    Worked out for one in NODES of either and laid straight between: perspective and a stem's roundness bend far less
    than a pixel there.
    """
    nodes = place(*np.meshgrid(one[::NODES], other[::NODES], indexing="ij"))
    by_one, by_other = _between(len(one)), _between(len(other))
    return np.stack([by_one @ nodes[..., k].astype(np.float32) @ by_other.T for k in (0, 1)], axis=2)


def _between(many: int) -> np.ndarray:
    """What every one in NODES of so many values counts for all of them, (many, nodes): straight between and beyond."""
    nodes = (many - 1) // NODES + 1
    place = np.arange(many) / NODES
    first = np.clip(place.astype(int), 0, max(nodes - 2, 0))
    weight = np.zeros((many, nodes), np.float32)
    weight[np.arange(many), first] = 1 - (place - first)
    if nodes > 1:
        weight[np.arange(many), first + 1] = place - first
    return weight


def _planes_through(plane: Plane, sides: list[np.ndarray]) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Unit normals of the planes through the camera and each side (n, 2) px, and the pixels that agree.

    The sides are fitted as straight lines on the card's plane. They should run within TAPER of each other there;
    where they do not, the less certain one is laid along the other.
    """
    assert plane.camera is not None
    on_card = [plane.to_mm(side) for side in sides]
    run = int(np.ptp(on_card[0][:, 1]) > np.ptp(on_card[0][:, 0]))
    fits, doubts, kept = [], [], []
    for mm in on_card:
        slope, offset, weight = _straight(mm[:, run], mm[:, 1 - run])
        good = weight > 0.1
        spread = float(np.sqrt((weight * (mm[:, 1 - run] - slope * mm[:, run] - offset) ** 2).sum() / weight.sum()))
        doubts.append(spread / np.sqrt(good.sum()) / (np.std(mm[good, run]) + 1) / float(good.mean()))
        fits.append((slope, offset))
        kept.append(good)
    if abs(fits[0][0] - fits[1][0]) > TAPER:
        worse = int(np.argmax(doubts))
        slope = fits[1 - worse][0]
        rest = on_card[worse][:, 1 - run] - slope * on_card[worse][:, run]
        crowd = np.exp(-0.5 * ((rest[:, None] - rest) / 0.3) ** 2).sum(axis=1)
        near = np.abs(rest - rest[crowd.argmax()]) < 0.6
        fits[worse] = (slope, float(np.median(rest[near])))
        kept[worse] = near
    eye = plane.camera.centre_mm
    normals = []
    for slope, offset in fits:
        ends = np.zeros((2, 3))
        ends[:, run] = (0.0, 100.0)
        ends[:, 1 - run] = (offset, offset + 100 * slope)
        normal = np.cross(ends[0] - eye, ends[1] - eye)
        normals.append(normal / np.linalg.norm(normal))
    return normals, [side[good] for side, good in zip(sides, kept, strict=True)]


def _card_covers(plane: Plane, pair: tuple[Line, Line], view: View) -> bool:
    """Whether the card hides part of the strip between two lines, so that the stem stands behind it."""
    height, width = view.open.shape
    run = int(abs(pair[0].along[1]) > abs(pair[0].along[0]))
    across = (width, height)[1 - run]
    near, far = MARGIN * view.scale, across - MARGIN * view.scale
    along = (width, height)[run]
    for place in (MARGIN * view.scale, along / 2, along - MARGIN * view.scale):
        low, high = (line.at(run, place)[1 - run] for line in pair)
        if min(high, far) - max(low, near) > max(1.5 * view.scale, 0.1 * (high - low)):
            return True
    return False
