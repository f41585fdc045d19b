"""What is what in a picture, and where are severed ends?

Small networks, run by OpenCV's network module: a finder looks at a whole picture, another at a card laid flat, the close one
at what a finder, or a tap, points to. What they say is no measurement: it tells where edges are to be looked for.
"""

from __future__ import annotations

import gzip
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, partial
from importlib import resources

import cv2
import numpy as np

from diagnose.eye.pieces import (
    CLASSES,
    CLOSE_AT,
    CLOSE_SIZE,
    CLOSE_STRIDE,
    CLOSE_WIDTH,
    FINDER_SIZE,
    FINDER_STRIDE,
    FORMS,
    HANDED,
    Shown,
    close_matrix,
    cut,
    moved,
    scaling,
)
from diagnose.photo.picture import Picture

STEM = [CLASSES.index("bark"), CLASSES.index("wood")]
LEAST_SCORE = 0.2  # of an end that is looked at closely
BEHIND = np.linspace(0.7, 4.0, 8)  # widths behind an end where a stem must be seen
BESIDE = slice(10, 44)  # columns of the close map that show the stem's sides
NEAR_ENOUGH = 0.2  # widths, radians and logarithm of the width by which a first look may be off
APART = 6  # cells of the finder's map between two ends
WIDTH_UNIT = 16.0  # pixels in which the finder tells a stem's width
# the forms' scores are divided by this before they become probabilities: 1.1 fits pieces of rendered calibration pictures
# best, 1.3 those of drawn ones; more, so that few of the wrong ones are sure
TEMPERATURE = 1.6
# Of the stem's width, at which form and slope are looked at again, and mirrored about the stem: of 480 ends, 260 drawn and
# the others rendered, 144 of them such as had failed, 380 are then named rightly, mean logarithm -0.519; not mirrored
# 379, -0.533
NARROWER = 0.6
MIRRORED = np.array([[1.0, 0.0, 0.0], [0.0, -1.0, CLOSE_SIZE[0] - 1.0], [0.0, 0.0, 1.0]])

_own = threading.local()  # a network object is not shared between threads


@dataclass(frozen=True)
class Glance:
    """A place where an end may be.

    Parameters
    ----------
    at, width, outward
        (2,) the place, and the stem's width [px]; (2,) unit vector away from the stem [no unit].
    score
        0 to 1, no probability: of an end, times how surely a stem is seen behind it [no unit].
    """

    at: np.ndarray
    outward: np.ndarray
    width: float
    score: float


@dataclass(frozen=True)
class Map:
    """What is what in a piece of a picture.

    Parameters
    ----------
    to_px
        (3, 3) from the map's cells to the picture's pixels [px].
    reckoned
        Gives `shares`, reckoned when they are first asked for: of most places that are looked at closely they never are
        [no unit].
    """

    to_px: np.ndarray
    reckoned: Callable[[], np.ndarray] = field(repr=False)

    @property
    def shares(self) -> np.ndarray:
        """Probability of each class in each cell, (rows, columns, classes)."""
        return self.reckoned()

    @cached_property
    def stem(self) -> np.ndarray:
        """Probability, in each cell, that it shows a stem, bark or wood, (rows, columns)."""
        return np.ascontiguousarray(self.shares[..., STEM].sum(axis=-1), np.float32)

    def at(self, px: np.ndarray, name: str = "stem") -> np.ndarray:
        """Probability that each pixel of the picture shows a stem, or another class, (n,); 0 outside of what was seen.

        Parameters
        ----------
        px, name
            The pixels, (n, 2) [upright px]; "stem", or one of CLASSES [no unit].
        """
        shown = self.stem if name == "stem" else np.ascontiguousarray(self.shares[..., CLASSES.index(name)])
        return _looked_up(shown, moved(px, np.linalg.inv(self.to_px)), cv2.BORDER_CONSTANT)


@dataclass(frozen=True)
class Found(Map):
    """What the finder saw.

    Parameters
    ----------
    ends
        The likeliest first [px].
    """

    ends: tuple[Glance, ...]


@dataclass(frozen=True)
class CloseView(Map):
    """One place seen closely.

    Parameters
    ----------
    forms, is_end, end
        Probabilities of FORMS, and that a severed end is here [no unit]; where it is, corrected [px].
    slope, slope_spread
        Angle of the end's edge to square across the stem in the picture, positive where it reaches farther out on the
        side to which `outward` turns clockwise; and how far off it may be, a mean absolute error [rad].
    """

    forms: np.ndarray
    is_end: float
    end: Glance
    slope: float
    slope_spread: float

    @property
    def doubt(self) -> float:
        """Share of the cells along the stem that are surely neither stem nor anything else, 0 to 1."""
        behind = self.stem[:, BESIDE]
        return float(((behind > 0.1) & (behind < 0.9)).sum() / max(int((behind > 0.5).sum()), 1))


def _looked_up(shown: np.ndarray, cells: np.ndarray, border: int) -> np.ndarray:
    """What a map shows at cells, (n, 2): (n,)."""
    column, row = cells.astype(np.float32).T[:, None]
    return np.asarray(cv2.remap(shown, column, row, cv2.INTER_LINEAR, borderMode=border, borderValue=0.0)[0])


def _network(name: str) -> cv2.dnn.Net:
    """The network of that name, this thread's own.

    OpenCV's classic engine runs it in three quarters of the time that the newer one takes; for a network that is no file
    OpenCV 5.0 heeds this variable alone, at the first one that a process reads.
    """
    if not hasattr(_own, name):
        os.environ.setdefault("OPENCV_FORCE_DNN_ENGINE", str(cv2.dnn.ENGINE_CLASSIC))
        weights = gzip.decompress((resources.files("diagnose.eye") / f"{name}.onnx.gz").read_bytes())
        setattr(_own, name, cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8)))
    net: cv2.dnn.Net = getattr(_own, name)
    return net


def _softmax(scores: np.ndarray) -> np.ndarray:
    odds = np.exp(scores - scores.max(axis=0))
    return np.asarray(odds / odds.sum(axis=0))


def _sigmoid(score: np.ndarray | float) -> np.ndarray:
    return np.asarray(1 / (1 + np.exp(-score)))


def _glance(own: np.ndarray, way: np.ndarray, width: float, matrix: np.ndarray, score: float) -> Glance:
    """A place of a piece, with the way out and the width there, in the picture."""
    at, back = moved(np.stack([own, own - way * width]), matrix)
    length = float(np.linalg.norm(at - back))
    return Glance(at, (at - back) / max(length, 1e-6), length, score)


def _to_px(matrix: np.ndarray, stride: int) -> np.ndarray:
    """From a map's cells to the picture's pixels, where `matrix` leads there from the piece's."""
    return matrix @ scaling(stride, stride / 2 - 0.5, stride / 2 - 0.5)


def find(picture: Shown, matrix: np.ndarray, flat: bool = False, size: tuple[int, int] = FINDER_SIZE) -> Found:
    """What the finder sees in a piece of a picture; the same piece of one picture is looked at once.

    Parameters
    ----------
    picture, matrix
        That is looked at [0 to 255], and (3, 3) from the finder's pixels to the picture's [px].
    flat
        Does it look at the plane of a scale card? There the finder that learnt longest on cards and gnawed bark sees best;
        elsewhere that one sees ends in pictures of other things [no unit].
    size
        Rows and columns of the piece, multiples of 32 [px].
    """
    kept = picture.kept if isinstance(picture, Picture) else {}
    what = ("finder", flat, *size, matrix.tobytes())
    if what not in kept:
        kept[what] = _found(picture, matrix, "flat" if flat else "finder", size)
    found: Found = kept[what]
    return found


def _found(picture: Shown, matrix: np.ndarray, name: str, size: tuple[int, int]) -> Found:
    net = _network(name)
    net.setInput(cv2.dnn.blobFromImage(cut(picture, matrix, size), 1 / 255))
    out = net.forward()[0]
    shares = _softmax(out[: len(CLASSES)]).transpose(1, 2, 0)
    score, across, down, wide = out[len(CLASSES) :]
    found = Found(_to_px(matrix, FINDER_STRIDE), partial(np.asarray, shares), ())  # it goes from process to process
    score = _sigmoid(score)
    highest = cv2.dilate(score, np.ones((2 * APART + 1, 2 * APART + 1), np.uint8))
    ends = []
    for row, column in np.argwhere((score >= highest) & (score >= LEAST_SCORE)):
        around = np.s_[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
        weight = score[around]
        place = np.array([(weight * index[around]).sum() for index in np.indices(score.shape)[::-1]]) / weight.sum()
        way = np.array([across[row, column], down[row, column]])
        way = way / max(float(np.linalg.norm(way)), 1e-6)
        width = WIDTH_UNIT * float(np.exp(np.clip(wide[row, column], -3, 3)))
        behind = place - np.outer(BEHIND * max(width, FINDER_STRIDE), way) / FINDER_STRIDE
        on_stem = float(_looked_up(found.stem, behind, cv2.BORDER_REPLICATE).mean())
        own = (place + 0.5) * FINDER_STRIDE - 0.5
        ends.append(_glance(own, way, width, matrix, float(score[row, column] * on_stem)))
    return replace(found, ends=tuple(sorted(ends, key=lambda end: -end.score)))


def told_again(picture: Shown, seen: CloseView) -> CloseView:
    """A close view whose forms and slope are the means of its own look and of a narrower, mirrored one.

    Parameters
    ----------
    picture, seen
        That was looked at [0 to 255], and what was seen there [no unit].
    """
    other = _close(picture, close_matrix(seen.end.at, seen.end.outward, NARROWER * seen.end.width) @ MIRRORED, 0.0)
    spread = np.sqrt((seen.slope_spread**2 + other.slope_spread**2) / 2 + (seen.slope + other.slope) ** 2 / 4)
    return replace(seen, forms=(seen.forms + other.forms) / 2, slope=(seen.slope - other.slope) / 2,
                   slope_spread=float(spread))


def look_close(picture: Shown, end: Glance) -> CloseView:
    """What the close network sees where an end may be.

    Parameters
    ----------
    picture, end
        That is looked at [0 to 255], and where the end may be [px].
    """
    return _close(picture, close_matrix(end.at, end.outward, end.width), end.score)


def _close(picture: Shown, matrix: np.ndarray, score: float) -> CloseView:
    """What the close network sees in a piece; matrix : (3, 3) from its pixels to the picture's."""
    net = _network("close")
    net.setInput(cv2.dnn.blobFromImage(cut(picture, matrix, CLOSE_SIZE), 1 / 255))
    (told,), *handed = net.forward(["told", *HANDED])

    def shares() -> np.ndarray:
        rest = _network("close_map")
        for name, values in zip(HANDED, handed, strict=True):
            rest.setInput(values, name)
        return _softmax(rest.forward()[0]).transpose(1, 2, 0)

    is_end, right, down, turn, wider, slope, spread = map(float, told[len(FORMS) :])
    own = np.array(CLOSE_AT) + np.array([right, down]) * CLOSE_WIDTH
    width = CLOSE_WIDTH * float(np.exp(np.clip(wider, -1, 1)))
    end = _glance(own, np.array([np.cos(turn), np.sin(turn)]), width, matrix, score)
    forms = _softmax(told[: len(FORMS)] / TEMPERATURE)
    to_px = _to_px(matrix, CLOSE_STRIDE)
    return CloseView(to_px, cache(shares), forms, float(_sigmoid(is_end)), end, slope, float(np.exp(spread)))


def settle_on(picture: Shown, end: Glance, least: float = 0.0) -> CloseView:
    """The close view of an end, looked at again from where the first look saw it, unless that is where it was thought to be.

    Parameters
    ----------
    picture, end, least
        That is looked at [0 to 255], and where the end may be [px]; probability of an end below which no second look is
        taken [no unit].
    """
    seen = look_close(picture, end)
    off = float(np.linalg.norm(seen.end.at - end.at)) / seen.end.width
    turn = float(seen.end.outward @ end.outward)
    settled = off < NEAR_ENOUGH and turn > 1 - NEAR_ENOUGH**2 and abs(np.log(seen.end.width / end.width)) < NEAR_ENOUGH
    return seen if settled or seen.is_end < least else look_close(picture, seen.end)
