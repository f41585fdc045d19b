"""What is what in a picture, and where are severed ends?

Small networks, run by OpenCV's network module: a finder looks at a whole picture, another at a card laid flat, the close one
at what a finder, or a tap, points to. What they say is no measurement: it tells where edges are to be looked for.
"""

from __future__ import annotations

import gzip
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from importlib import resources

import cv2
import numpy as np

from diagnose.eye.parts import halves
from diagnose.eye.pieces import (
    CLASSES,
    CLOSE_AT,
    CLOSE_SIZE,
    CLOSE_STRIDE,
    CLOSE_WIDTH,
    FINDER_SIZE,
    FINDER_STRIDE,
    FORMS,
    Shown,
    close_matrix,
    cut,
    moved,
)
from diagnose.photo.picture import Picture

STEM = [CLASSES.index("bark"), CLASSES.index("wood")]
LEAST_SCORE = 0.2  # of an end that is looked at closely
BEHIND = np.linspace(0.7, 4.0, 8)  # widths behind an end where a stem must be seen
BESIDE = slice(10, 44)  # columns of the close map that show the stem's sides
NEAR_ENOUGH = 0.12  # widths, radians and logarithm of the width by which a first look may be off
APART = 6  # cells of the finder's map between two ends
WIDTH_UNIT = 16.0  # pixels in which the finder tells a stem's width
# the forms' scores are divided by this before they become probabilities: 1.1 fits pieces of rendered calibration pictures
# best, 1.3 those of drawn ones; more, so that few of the wrong ones are sure
TEMPERATURE = 1.6
SLOPE, SLOPE_SPREAD = 8, 9  # where the close network tells these
OTHER_WIDTHS = (0.6, 1.6)  # of the stem's, at which the form is looked at again
DISAGREE = np.radians(5.0)  # slopes by two looks, from which on more are taken; of 3, 5, 8 and 12 degrees the best

_own = threading.local()  # a network object is not shared between threads


@dataclass(frozen=True)
class Glance:
    """A place where an end may be.

    Parameters
    ----------
    at, width
        (2,) the place, and the stem's width [px].
    outward
        (2,) unit vector away from the stem [no unit].
    score
        0 to 1, no probability: of an end, times how surely a stem is seen behind it [no unit].
    """

    at: np.ndarray
    outward: np.ndarray
    width: float
    score: float


@dataclass(frozen=True)
class Found:
    """What the finder saw.

    Parameters
    ----------
    shares
        (rows, columns, classes) probability of each class in each cell of the map [no unit].
    to_px
        (3, 3) from the map's cells to the picture's pixels [px].
    ends
        The likeliest first [px].
    """

    shares: np.ndarray
    to_px: np.ndarray
    ends: tuple[Glance, ...]

    @property
    def stem(self) -> np.ndarray:
        """Probability, in each cell, that it shows a stem, bark or wood, (rows, columns)."""
        return np.asarray(self.shares[..., STEM].sum(axis=-1), np.float32)

    def stem_at(self, px: np.ndarray) -> np.ndarray:
        """Probability that each pixel of the picture shows a stem, (n,); 0 outside of what was seen.

        Parameters
        ----------
        px
            The pixels, (n, 2) [px].
        """
        return _read(self.stem, self.to_px, px)


@dataclass(frozen=True)
class CloseMap:
    """What is what in one place seen closely, reckoned when it is first asked for: most places are no end.

    Parameters
    ----------
    handed
        What the close network's first half leaves to its second, by name [no unit].
    """

    handed: Mapping[str, np.ndarray] = field(repr=False)

    @cached_property
    def shares(self) -> np.ndarray:
        """Probability of each class in each cell, (rows, columns, classes)."""
        net = _networks("close")[1]
        for name, values in self.handed.items():
            net.setInput(values, name)
        return _softmax(net.forward()[0], 0).transpose(1, 2, 0)

    @cached_property
    def stem(self) -> np.ndarray:
        """Probability, in each cell, that it shows the stem, bark or wood, (rows, columns)."""
        return np.ascontiguousarray(self.shares[..., STEM].sum(axis=-1), np.float32)


@dataclass(frozen=True)
class CloseView:
    """One place seen closely.

    Parameters
    ----------
    map
        What is what there [no unit].
    to_px
        (3, 3) from the map's cells to the picture's pixels [px].
    forms, is_end
        Probabilities of FORMS, and that a severed end is here [no unit].
    end
        Where it is, corrected [px].
    slope, slope_spread
        Angle of the end's edge to square across the stem in the picture, positive where it reaches farther out on the side
        to which `outward` turns clockwise; and how far off it may be, a mean absolute error [rad].
    """

    map: CloseMap
    to_px: np.ndarray
    forms: np.ndarray
    is_end: float
    end: Glance
    slope: float = 0.0
    slope_spread: float = np.inf

    @property
    def shares(self) -> np.ndarray:
        """Probability of each class in each cell, (rows, columns, classes)."""
        return self.map.shares

    @property
    def stem(self) -> np.ndarray:
        """Probability, in each cell, that it shows the stem, bark or wood, (rows, columns)."""
        return self.map.stem

    @property
    def doubt(self) -> float:
        """Share of the cells along the stem that are surely neither stem nor anything else, 0 to 1."""
        behind = self.stem[:, BESIDE]
        return float(((behind > 0.1) & (behind < 0.9)).sum() / max(int((behind > 0.5).sum()), 1))

    def stem_at(self, px: np.ndarray) -> np.ndarray:
        """Probability that each pixel of the picture shows the stem, (n,); 0 outside of what was seen.

        Parameters
        ----------
        px
            The pixels, (n, 2) [upright px].
        """
        return _read(self.stem, self.to_px, px)

    def at(self, px: np.ndarray, name: str) -> np.ndarray:
        """Probability that each pixel of the picture shows one of CLASSES, (n,); 0 outside of what was seen.

        Parameters
        ----------
        px
            The pixels, (n, 2) [upright px].
        name
            Of the class [no unit].
        """
        return _read(np.ascontiguousarray(self.shares[..., CLASSES.index(name)]), self.to_px, px)


def _read(shown: np.ndarray, to_px: np.ndarray, px: np.ndarray) -> np.ndarray:
    """What a map shows at pixels of the picture, (n,); 0 outside of it."""
    cells = moved(px, np.linalg.inv(to_px)).astype(np.float32)
    return np.asarray(cv2.remap(shown, cells[None, :, 0], cells[None, :, 1], cv2.INTER_LINEAR, borderValue=0.0)[0])


def _networks(name: str) -> tuple[cv2.dnn.Net, ...]:
    """The network of this thread; of the close one two halves: what it tells, and its map."""
    if not hasattr(_own, name):
        weights = gzip.decompress((resources.files("diagnose.eye") / f"{name}.onnx.gz").read_bytes())
        models = [weights]
        if name == "close":
            *models, _own.handed = halves(weights, "told", "map")
        setattr(_own, name, tuple(cv2.dnn.readNetFromONNX(np.frombuffer(model, np.uint8)) for model in models))
    nets: tuple[cv2.dnn.Net, ...] = getattr(_own, name)
    return nets


def _softmax(scores: np.ndarray, axis: int) -> np.ndarray:
    odds = np.exp(scores - scores.max(axis=axis, keepdims=True))
    return np.asarray(odds / odds.sum(axis=axis, keepdims=True))


def _input(piece: np.ndarray) -> np.ndarray:
    return cv2.dnn.blobFromImage(piece, 1 / 255)


def find(picture: Shown, matrix: np.ndarray, flat: bool = False) -> Found:
    """What the finder sees in a piece of a picture; the same piece of one picture is looked at once.

    Parameters
    ----------
    picture
        That is looked at [0 to 255].
    matrix
        (3, 3) from the finder's pixels (320, 448) to the picture's [px].
    flat
        Does it look at the plane of a scale card? There the finder that learnt longest on cards and gnawed bark sees best;
        elsewhere that one sees ends in pictures of other things [no unit].
    """
    if not isinstance(picture, Picture):
        return _found(picture, matrix, flat)
    what = ("finder", flat, matrix.tobytes())
    if what not in picture.kept:
        picture.kept[what] = _found(picture, matrix, flat)
    found: Found = picture.kept[what]
    return found


def _found(picture: Shown, matrix: np.ndarray, flat: bool) -> Found:
    (net,) = _networks("flat" if flat else "finder")
    net.setInput(_input(cut(picture, matrix, FINDER_SIZE)))
    out = net.forward()[0]
    shares = _softmax(out[: len(CLASSES)], 0).transpose(1, 2, 0)
    stem = np.ascontiguousarray(shares[..., STEM].sum(axis=-1), np.float32)
    score = 1 / (1 + np.exp(-out[len(CLASSES)]))
    highest = cv2.dilate(score, np.ones((2 * APART + 1, 2 * APART + 1), np.uint8))
    ends = []
    for row, column in np.argwhere((score >= highest) & (score >= LEAST_SCORE)):
        around = np.s_[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
        weight = score[around]
        place = np.array([(weight * index[around]).sum() for index in np.indices(score.shape)[::-1]]) / weight.sum()
        way = out[len(CLASSES) + 1 : len(CLASSES) + 3, row, column]
        way = way / max(float(np.linalg.norm(way)), 1e-6)
        width = WIDTH_UNIT * float(np.exp(np.clip(out[len(CLASSES) + 3, row, column], -3, 3)))
        own = (place + 0.5) * FINDER_STRIDE - 0.5
        behind = (own - np.outer(BEHIND * max(width, FINDER_STRIDE), way) + 0.5) / FINDER_STRIDE - 0.5
        column_of, row_of = behind.astype(np.float32).T[:, None]
        on_stem = cv2.remap(stem, column_of, row_of, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        at, back = moved(np.stack([own, own - way * width]), matrix)
        length = float(np.linalg.norm(at - back))
        ends.append(Glance(at, (at - back) / max(length, 1e-6), length, float(score[row, column] * np.mean(on_stem))))
    step = np.array([[FINDER_STRIDE, 0, FINDER_STRIDE / 2 - 0.5], [0, FINDER_STRIDE, FINDER_STRIDE / 2 - 0.5], [0, 0, 1.0]])
    return Found(shares, matrix @ step, tuple(sorted(ends, key=lambda end: -end.score)))


def told_again(picture: Shown, seen: CloseView) -> CloseView:
    """A close view whose forms and slope are the means of its own look and of a narrower one.

    Where the two name another form, or slopes that lie DISAGREE apart, a mirrored and a wider look are taken too. Of 238
    rendered ends 52 % needed no more; forms (likelihood, surely wrong ones) and slopes were as good as by four always.

    Parameters
    ----------
    picture
        That was looked at [0 to 255].
    seen
        What was seen there [no unit].
    """
    end = seen.end
    straight, narrower, wider = (close_matrix(end.at, end.outward, fit * end.width) for fit in (1.0, *OTHER_WIDTHS))
    mirrored = straight @ np.array([[1, 0, 0], [0, -1, CLOSE_SIZE[0] - 1], [0, 0, 1.0]])
    told = [(seen.forms, seen.slope, seen.slope_spread)]
    for side, matrix in ((1, narrower), (-1, mirrored), (1, wider)):
        one = _told(picture, matrix)[0]
        told.append((_forms(one), side * float(one[SLOPE]), float(np.exp(one[SLOPE_SPREAD]))))
        (one_form, one_slope, _), (other_form, other_slope, _) = told[:2]
        if one_form.argmax() == other_form.argmax() and abs(one_slope - other_slope) < DISAGREE:
            break
    forms, slopes, spreads = (np.array(each) for each in zip(*told, strict=True))
    spread = float(np.sqrt((spreads**2).mean() + slopes.var()))
    return replace(seen, forms=forms.mean(axis=0), slope=float(slopes.mean()), slope_spread=spread)


def _told(picture: Shown, matrix: np.ndarray) -> tuple[np.ndarray, CloseMap]:
    """What the close network tells of a piece, and its map; matrix : (3, 3) from its pixels to the picture's."""
    net = _networks("close")[0]
    net.setInput(_input(cut(picture, matrix, CLOSE_SIZE)))
    told, *handed = net.forward(["told", *_own.handed])
    return told[0], CloseMap(dict(zip(_own.handed, handed, strict=True)))


def _forms(told: np.ndarray) -> np.ndarray:
    return _softmax(told[: len(FORMS)] / TEMPERATURE, 0)


def look_close(picture: Shown, end: Glance) -> CloseView:
    """What the close network sees where an end may be.

    Parameters
    ----------
    picture
        That is looked at [0 to 255].
    end
        Where it may be [px].
    """
    matrix = close_matrix(end.at, end.outward, end.width)
    told, shown = _told(picture, matrix)
    own = np.array(CLOSE_AT) + told[4:6] * CLOSE_WIDTH
    way = np.array([np.cos(told[6]), np.sin(told[6])])
    at, back = moved(np.stack([own, own - way * CLOSE_WIDTH * float(np.exp(np.clip(told[7], -1, 1)))]), matrix)
    width = float(np.linalg.norm(at - back))
    step = np.array([[CLOSE_STRIDE, 0, CLOSE_STRIDE / 2 - 0.5], [0, CLOSE_STRIDE, CLOSE_STRIDE / 2 - 0.5], [0, 0, 1.0]])
    return CloseView(
        shown, matrix @ step, _forms(told), float(1 / (1 + np.exp(-told[3]))),
        Glance(at, (at - back) / max(width, 1e-6), width, end.score),
        float(told[SLOPE]), float(np.exp(told[SLOPE_SPREAD])),
    )  # fmt: skip


def settle_on(picture: Shown, end: Glance, looks: int = 2, least: float = 0.0) -> CloseView:
    """The close view of an end after some looks, each from where the one before saw it; fewer where nothing moved.

    Parameters
    ----------
    picture
        That is looked at [0 to 255].
    end
        Where it may be [px].
    looks
        How many at most, one or more [no unit].
    least
        Probability of an end below which no further look is taken [no unit].
    """
    seen = look_close(picture, end)
    for _ in range(looks - 1):
        if seen.is_end < least:
            break
        off = float(np.linalg.norm(seen.end.at - end.at)) / seen.end.width
        turn = float(seen.end.outward @ end.outward)
        if off < NEAR_ENOUGH and turn > 1 - NEAR_ENOUGH**2 and abs(np.log(seen.end.width / end.width)) < NEAR_ENOUGH:
            break
        end, seen = seen.end, look_close(picture, seen.end)
    return seen
