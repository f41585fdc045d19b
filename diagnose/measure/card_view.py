"""What lies round the scale card, seen flat on its plane, and which straight edges run there?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from diagnose.eye.pieces import scaling
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane

CARD_EDGE = 0.7  # beyond the card, where its own edge would be taken for bark [mm]
MARGIN = 90.0  # how far beyond the card stems are looked for [mm]
VIEW_SCALE = 1.6  # of the coarse view on the card's plane [px/mm]
FLAT, STANDS_OUT, ABOUT = 0.05, 0.005, 9.0  # of bare paper: tone about a place [nat], share that may differ, how far [mm]
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


@dataclass(frozen=True, eq=False)
class View:
    """The card's surroundings as seen flat on the card's plane.

    Parameters
    ----------
    picture, plane, bgr
        The picture, and the card's plane in it [no unit]; (h, w, 3) uint8 blue, green, red [0 to 255].
    open, scale
        (h, w) bool, in the picture and not on the card [no unit]; of the view [px/mm].
    """

    picture: Picture
    plane: Plane
    bgr: np.ndarray
    open: np.ndarray
    scale: float

    def to_mm(self, xy: np.ndarray) -> np.ndarray:
        """Places of the view on the card's plane, of the same shape [mm].

        Parameters
        ----------
        xy
            (..., 2) [view px].
        """
        return np.asarray(xy, float) / self.scale - MARGIN

    def to_px(self, xy: np.ndarray) -> np.ndarray:
        """Places of the view in the picture, (n, 2) [upright px].

        Parameters
        ----------
        xy
            (n, 2) [view px].
        """
        return self.plane.to_px(self.to_mm(xy))

    def from_px(self, px: np.ndarray) -> np.ndarray:
        """Places of the picture on the view, (n, 2) [view px].

        Parameters
        ----------
        px
            (n, 2) [upright px].
        """
        return (self.plane.to_mm(np.asarray(px, float)) + MARGIN) * self.scale

    @cached_property
    def lab(self) -> np.ndarray:
        """(h, w, 3) uint8 CIELAB, a and b from the middle on [LAB_UNITS to the unit]."""
        lab = cv2.cvtColor(np.float32(self.bgr) / 255, cv2.COLOR_BGR2LAB) * np.float32(LAB_UNITS)
        return cv2.add(lab, (0, 128, 128, 0), dtype=cv2.CV_8U)

    @cached_property
    def _white(self) -> np.ndarray:
        """Linear blue, green, red of the card's white, (3,), the median of its plain middle; ones where it is not seen."""
        width, height = self.plane.sheet_mm / self.plane.print_scale
        x, y = np.meshgrid(np.linspace(0.2, 0.8, 25) * width, np.linspace(0.25, 0.75, 15) * height)
        at = np.round(self.plane.to_px(np.column_stack([x.ravel(), y.ravel()]))).astype(int)
        column, row = at[((at >= 0) & (at < self.picture.size)).all(axis=1)].T
        if len(column) < 10:
            return np.ones(3)
        return np.maximum(np.median(_linear(self.picture.bgr[row, column]), axis=0), 0.02)

    def log_light(self, bgr: np.ndarray, channel: int | slice = slice(None)) -> np.ndarray:
        """Natural logarithm of light against the card's white, of the same shape [nat]; black is kept finite.

        Parameters
        ----------
        bgr, channel
            Pixel values, (..., 3) blue, green, red, or (...) of one of these channels [0 to 255].
        """
        few = bgr.dtype == np.uint8  # then each of the 256 values is worked out once
        values = np.arange(256, dtype=np.float32).reshape(1, 256, 1) if few else bgr
        light = np.log(_linear(values) / np.float32(self._white[channel]) + np.float32(0.004))
        return cv2.LUT(bgr, light) if few else light


def _linear(values: np.ndarray) -> np.ndarray:
    """Pixel values 0 to 255 as light, 0 to 1 (power 2.2, near enough to every phone's tone curve)."""
    return (np.asarray(values, np.float32) / 255) ** 2.2


@dataclass(frozen=True, eq=False)
class Line:
    """A straight edge in a view.

    Parameters
    ----------
    middle, along
        (2,) a point of it, and (2,) the unit vector along it [view px].
    strength
        Mean step across it times the share of its length that agrees [CIELAB units].
    """

    middle: np.ndarray
    along: np.ndarray
    strength: float

    @property
    def run(self) -> int:
        """The coordinate that it mostly runs along, x (0) or y (1)."""
        return int(abs(self.along[1]) > abs(self.along[0]))

    def at(self, coordinate: int, value: float | np.ndarray) -> np.ndarray:
        """The point of the line at a value of one coordinate: (2,), or (n, 2) for (n,) values [view px].

        Parameters
        ----------
        coordinate, value
            Which one, x (0) or y (1), and its value, one or (n,) [view px].
        """
        way = (np.asarray(value, float)[..., None] - self.middle[coordinate]) / self.along[coordinate]
        return np.asarray(self.middle + self.along * way)


def apart(pair: tuple[Line, Line], value: float) -> float:
    """How far two lines lie from one another, square to the first [view px].

    Parameters
    ----------
    pair, value
        The two lines, and the coordinate that the first mostly runs along, where it is asked for [view px].
    """
    one, two = (line.at(pair[0].run, value) for line in pair)
    return abs(float((two - one) @ (-pair[0].along[1], pair[0].along[0])))


def view_of_card(picture: Picture, plane: Plane) -> View:
    """The picture round the card, drawn on the card's plane.

    Parameters
    ----------
    picture, plane
        That is measured, and the card's plane in it [no unit].
    """
    width, height = plane.sheet_mm
    size = (int((width + 2 * MARGIN) * VIEW_SCALE), int((height + 2 * MARGIN) * VIEW_SCALE))
    bgr, there = _laid_flat(picture, plane, (-MARGIN, -MARGIN), size)
    free = cv2.erode(there, np.ones((7, 7)), borderType=cv2.BORDER_CONSTANT, borderValue=0.0) > 0
    low, right, bottom = ((MARGIN + edge) * VIEW_SCALE for edge in (-CARD_RIM, width + CARD_RIM, height + CARD_RIM))
    free[int(low) : int(bottom) + 1, int(low) : int(right) + 1] = False
    return View(picture, plane, bgr, free, VIEW_SCALE)


def _laid_flat(
    picture: Picture, plane: Plane, corner: tuple[float, float], size: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """The picture on the card's plane at VIEW_SCALE from a corner [mm] on, and where it is within the picture, not 0."""
    width, height = plane.sheet_mm
    scale = plane.px_per_mm((width / 2, height / 2)) / VIEW_SCALE
    factor = next((by for by in (8, 4, 2) if scale >= by), 1)  # by which a copy may be smaller
    small = picture.smaller(factor)
    warp = scaling(1 / factor, 0.5 / factor - 0.5, 0.5 / factor - 0.5) @ plane.H @ scaling(1 / VIEW_SCALE, *corner)
    inverse, whole = cv2.WARP_INVERSE_MAP, np.ones(small.shape[:2], np.uint8)
    bgr = cv2.warpPerspective(small, warp, size, flags=cv2.INTER_LINEAR | inverse, borderMode=cv2.BORDER_REPLICATE)
    return bgr, cv2.warpPerspective(whole, warp, size, flags=cv2.INTER_NEAREST | inverse)


def bare_paper(picture: Picture, plane: Plane, box_mm: tuple[float, float, float, float]) -> bool:
    """Whether nothing lies on a plain part of the card: no more than STANDS_OUT of it differs from the paper about it.

    In 138 rendered pictures of twigs on the card at least 0.11 nat did, in 46 of 86 of gnawed bark beside it less than FLAT.

    Parameters
    ----------
    picture, plane, box_mm
        That is measured, and the card's plane in it [no unit]; left, top, right and bottom of the part, as printed [mm].
    """
    left, top, right, bottom = np.array(box_mm) * plane.print_scale
    size = (int((right - left) * VIEW_SCALE), int((bottom - top) * VIEW_SCALE))
    tone = cv2.log(cv2.GaussianBlur(_laid_flat(picture, plane, (left, top), size)[0], (0, 0), 1.0).astype(np.float32) + 8)
    off = np.abs(tone - cv2.GaussianBlur(tone, (0, 0), ABOUT * VIEW_SCALE)).max(axis=2)
    return float(np.quantile(off, 1 - STANDS_OUT)) < FLAT


def likelier_first(view: View) -> tuple[Sequence[int], Sequence[int]]:
    """UPRIGHT and LEVEL, first the one across which a view changes more: steps [degree] by which to turn it.

    Parameters
    ----------
    view
        The card's surroundings [no unit].
    """
    across, down = (float(np.abs(cv2.Sobel(view.lab[..., 0], cv2.CV_16S, dx, 1 - dx)[view.open]).mean()) for dx in (1, 0))
    return (UPRIGHT, LEVEL) if across >= down else (LEVEL, UPRIGHT)


def straight_edges(view: View, turned_by: Sequence[int]) -> list[Line]:
    """The strongest long straight edges about along two of the card's sides, strongest first, at most LINES.

    For each direction the signed colour step across it is averaged along it: texture cancels, the sides of a stem add up.
    The view is turned by every fifth degree and its steps are summed in short blocks along; for the degrees between the
    blocks are shifted. Steps are kept as bytes, STEP_UNITS to the unit, which also cuts off what is beyond LARGEST_STEP.

    Parameters
    ----------
    view, turned_by
        The card's surroundings; UPRIGHT or LEVEL: by how much they are turned in turn [degree].

    References
    ----------
    .. [1] Our own.
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
    """Sums of the steps across and of their squares, (blocks, side, 4), and how many were seen, (blocks, side); float32.

    In blocks of BLOCK rows along, ALONG pixels apart, of a turned view, (h, w, 4) CIELAB and whether it is open.
    """
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
    """Pairs of lines that could be the two sides of a stem beside the card, low coordinate first.

    Parameters
    ----------
    view, lines
        The card's surroundings, and straight edges there [view px].
    """
    size, margin = np.array(view.open.shape[::-1]), MARGIN * view.scale
    ways = np.array([line.along for line in lines]).reshape(-1, 2)
    places = [float(line.at(line.run, size[line.run] / 2)[1 - line.run]) for line in lines]
    pairs = []
    for i, j in np.argwhere(np.triu(np.abs(ways @ ways.T) > np.cos(np.radians(2.2)), 1)):
        low, high = sorted((i, j), key=places.__getitem__)
        start, end, far = places[low], places[high], size[1 - lines[i].run] - margin
        thick = WIDTHS[0] <= (end - start) / view.scale <= WIDTHS[1]
        beside = max(start - far, margin - end) <= REACH * view.scale and not (start > margin and end < far)
        if lines[i].run == lines[j].run and thick and beside:
            pairs.append((lines[low], lines[high]))
    return pairs
