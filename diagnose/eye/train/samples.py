"""Which pieces of a training picture does each network learn from?

The finder sees a picture, or a scale card laid flat, at 448 x 320 pixels; the close network sees a stem's end turned so
that the stem comes from the left, 36 pixels wide. Pieces are cut a little larger, so that they can be moved, turned and
stretched anew each time they are learnt from.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from diagnose.eye.pieces import CLASSES, FINDER_SIZE, close_matrix, cut, sheet_matrix, whole_matrix
from diagnose.eye.see import Glance, find, settle_on
from diagnose.eye.train.shown import FORMS, UNKNOWN, Shown, ShownEnd

WIDE = (384, 512)  # rows and columns of a piece that the finder learns from
TO_FINDER = np.array([[1, 0, -(WIDE[1] - FINDER_SIZE[1]) / 2], [0, 1, -(WIDE[0] - FINDER_SIZE[0]) / 2], [0, 0, 1.0]])
NEAR = 224  # side of a piece that the close network learns from
NEAR_AT = (136.0, 111.5)  # where the end lies in it
ENDS = 3  # at most, in one piece
# what the eye as it stands takes for an end counts as the true one within so many widths, cosine and ratio of widths, and as
# none beyond the last distance
SAME, SAME_WAY, SAME_WIDTH, ELSEWHERE = 0.8, 0.7, 1.7, 2.0
TAKEN, LEAST_TAKEN = 3, 0.05  # pieces of such places, at most, from one picture and kind; their least score
SHAPES = {"hand": 4, "plant": 5, "shadow": 6}  # of what may be taken for a stem


@dataclass(frozen=True)
class Wide:
    """A piece for the finder.

    Parameters
    ----------
    bgr, labels
        (384, 512, 3) uint8 [0 to 255], and (384, 512) indices of CLASSES.
    ends
        (3, 5) x, y [px], direction (2), width [px]; NaN is none.
    known
        Are there surely no other ends? [no unit]
    """

    bgr: np.ndarray
    labels: np.ndarray
    ends: np.ndarray
    known: bool


@dataclass(frozen=True)
class Near:
    """A piece for the close network.

    Parameters
    ----------
    bgr, labels
        (224, 224, 3) uint8 [0 to 255], and (224, 224) indices of CLASSES.
    end
        (5,) x, y [px], direction (2), width [px]; NaN where none is.
    form
        Index of FORMS, or -1 [no unit].
    is_end
        1, 0, or -1 where it is not known [no unit].
    slope
        Of the end's edge, as in `ShownEnd`; NaN where it is not known [rad].
    """

    bgr: np.ndarray
    labels: np.ndarray
    end: np.ndarray
    form: int
    is_end: int
    slope: float


def _moved(end: ShownEnd, matrix: np.ndarray) -> np.ndarray:
    """x, y, direction (2) and width of an end in a piece. matrix : from the piece's pixels to the picture's."""
    back = np.linalg.inv(matrix)
    points = np.stack([end.at, end.at - end.outward * end.width])
    own = np.column_stack([points, np.ones(2)]) @ back.T
    own = own[:, :2] / own[:, 2:]
    along = own[0] - own[1]
    length = float(np.linalg.norm(along))
    return np.array([*own[0], *(along / max(length, 1e-6)), length])


def _wide(shown: Shown, matrix: np.ndarray) -> Wide:
    ends = np.full((ENDS, 5), np.nan, np.float32)
    inside = [_moved(end, matrix) for end in shown.ends]
    inside = [end for end in inside if -40 < end[0] < WIDE[1] + 40 and -40 < end[1] < WIDE[0] + 40][:ENDS]
    for k, end in enumerate(inside):
        ends[k] = end
    return Wide(
        cut(shown.bgr, matrix, WIDE), cut(shown.labels, matrix, WIDE, nearest=True, beyond=UNKNOWN), ends,
        shown.all_ends and len(shown.ends) <= ENDS,
    )  # fmt: skip


def wide_pieces(shown: Shown, rng: np.random.Generator, zooms: int = 2) -> Iterator[Wide]:
    """What the finder learns from one picture: the card laid flat, the whole picture, and pieces of it.

    Parameters
    ----------
    shown
        The picture with its truth [no unit].
    rng
        Of the draws [no unit].
    zooms
        How many closer pieces, twice as many where the picture shows no end [no unit].
    """
    if shown.sheet is not None:
        yield _wide(shown, sheet_matrix(shown.sheet, WIDE))
    yield _wide(shown, whole_matrix(shown.bgr.shape) @ TO_FINDER)
    yield from (_wide(shown, matrix) for matrix in _zoomed(shown, rng, zooms if shown.ends else 2 * zooms))


def _zoomed(shown: Shown, rng: np.random.Generator, looks: int) -> Iterator[np.ndarray]:
    """Matrices from pieces for the finder to the picture, closer, turned, mostly with an end or bare wood in them."""
    inner = FINDER_SIZE
    rows, columns = shown.bgr.shape[:2]
    bare = np.argwhere(shown.labels == CLASSES.index("wood")) if not shown.ends else np.zeros((0, 2))
    for _ in range(looks):
        if shown.ends and rng.random() < 0.75:
            end = shown.ends[rng.integers(len(shown.ends))]
            fit = end.width / float(np.exp(rng.uniform(np.log(6), np.log(42))))
            centre = end.at + rng.uniform(-0.35, 0.35, 2) * np.array([inner[1], inner[0]]) * fit
        elif not shown.ends and len(bare) and rng.random() < 0.75:
            fit = max(rows, columns) / 448 * float(np.exp(rng.uniform(np.log(0.15), np.log(0.7))))
            centre = bare[rng.integers(len(bare))][::-1] + rng.uniform(-0.3, 0.3, 2) * np.array([inner[1], inner[0]]) * fit
        else:
            fit = max(rows, columns) / 448 * float(np.exp(rng.uniform(np.log(0.2), 0)))
            centre = rng.uniform(0.15, 0.85, 2) * (columns, rows)
        yield _round(centre, fit, rng)


def _round(centre: np.ndarray, fit: float, rng: np.random.Generator) -> np.ndarray:
    """Matrix of a piece round a place, turned at random; fit : picture's pixels a pixel of the piece."""
    turn = rng.uniform(-np.pi, np.pi)
    cos, sin = fit * np.cos(turn), fit * np.sin(turn)
    here = np.array([[1, 0, -WIDE[1] / 2], [0, 1, -WIDE[0] / 2], [0, 0, 1.0]])
    return np.array([[cos, -sin, centre[0]], [sin, cos, centre[1]], [0, 0, 1.0]]) @ here


def taken_pieces(shown: Shown, rng: np.random.Generator) -> tuple[list[Wide], list[Near]]:
    """Pieces round what the eye as it stands takes for an end, rightly or not; most of what it errs in is among them.

    Parameters
    ----------
    shown
        The picture with its truth [no unit].
    rng
        Of the draws [no unit].

    Returns
    -------
    wides, nears : list of Wide, list of Near
        For the finder, round what is no end; and for the close network, round both, as it would be asked there.
    """
    wides: list[Wide] = []
    nears: list[Near] = []
    whole, to_wide = whole_matrix(shown.bgr.shape), np.linalg.inv(TO_FINDER)
    looks = [(whole, False), *((own @ to_wide, False) for own in _zoomed(shown, rng, 2))]
    if shown.sheet is not None:
        looks.append((sheet_matrix(shown.sheet, FINDER_SIZE), True))
    for matrix, flat in looks:
        for glance in find(shown.bgr, matrix, flat).ends[: 2 * TAKEN]:
            if glance.score < LEAST_TAKEN:
                continue
            true = min(shown.ends, key=lambda end: float(np.hypot(*(glance.at - end.at))), default=None)
            seen = settle_on(shown.bgr, glance, least=0.5).end
            width = seen.width * float(np.exp(rng.normal(0, 0.06)))
            here = close_matrix(seen.at + rng.normal(0, 0.06, 2) * width, seen.outward, width, NEAR_AT)
            if true is not None and _same(seen, true):
                nears.append(_near(shown, here, true))
            elif shown.all_ends and (true is None or (_away(seen, true) and _away(glance, true))):
                if sum(not one.is_end for one in nears) < TAKEN:
                    nears.append(_near(shown, here, None))
                if len(wides) < TAKEN:
                    fit = glance.width / float(np.exp(rng.uniform(np.log(6), np.log(24))))
                    wides.append(_wide(shown, _round(glance.at + rng.uniform(-60, 60, 2) * fit, fit, rng)))
    return wides, nears


def _same(seen: Glance, true: ShownEnd) -> bool:
    near = np.hypot(*(seen.at - true.at)) < SAME * true.width and seen.outward @ true.outward > SAME_WAY
    return bool(near and 1 / SAME_WIDTH < seen.width / true.width < SAME_WIDTH)


def _away(seen: Glance, true: ShownEnd) -> bool:
    return bool(np.hypot(*(seen.at - true.at)) > ELSEWHERE * max(seen.width, true.width))


def close_pieces(shown: Shown, rng: np.random.Generator, each: int = 2, others: int = 2) -> Iterator[Near]:
    """What the close network learns from one picture: its ends, seen from a little wrong places too, and what is none.

    Parameters
    ----------
    shown
        The picture with its truth [no unit].
    rng
        Of the draws [no unit].
    each
        Pieces of each end [no unit].
    others
        Pieces tried where no end is [no unit].
    """
    for end in shown.ends:
        for _ in range(each):
            width = end.width * float(np.exp(rng.normal(0, 0.12)))
            turn = np.arctan2(end.outward[1], end.outward[0]) + rng.normal(0, 0.1)
            matrix = close_matrix(
                end.at + rng.normal(0, 0.2, 2) * end.width, np.array([np.cos(turn), np.sin(turn)]), width, NEAR_AT
            )
            near = _near(shown, matrix, end)
            if (near.labels == UNKNOWN).mean() < 0.45:
                yield near
    for none in shown.alike:
        width = none.width * float(np.exp(rng.normal(0, 0.12)))
        yield _near(shown, close_matrix(none.at + rng.normal(0, 0.2, 2) * width, none.outward, width, NEAR_AT), None)
    for _ in range(others):
        place = _elsewhere(shown, rng)
        if place is not None:
            yield _near(shown, close_matrix(*place, NEAR_AT), None)


def _near(shown: Shown, matrix: np.ndarray, end: ShownEnd | None) -> Near:
    at = np.full(5, np.nan) if end is None else _moved(end, matrix)
    form = -1 if end is None or end.form is None else FORMS.index(end.form)
    size = (NEAR, NEAR)
    is_end = 1 if end is not None else (0 if shown.all_ends else -1)
    slope = np.nan if end is None or end.slope is None else end.slope
    return Near(
        cut(shown.bgr, matrix, size),
        cut(shown.labels, matrix, size, nearest=True, beyond=UNKNOWN),
        at.astype(np.float32),
        form,
        is_end,
        slope,
    )


def _elsewhere(shown: Shown, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, float] | None:
    """Where no end is: on a stem's middle, a hand, another plant, a shadow, or anywhere; a place, a direction, a width."""
    rows, columns = shown.bgr.shape[:2]
    width = float(np.exp(rng.uniform(np.log(8), np.log(min(rows, columns) / 5))))
    at = rng.uniform(0.05, 0.95, 2) * (columns, rows)
    turn = rng.uniform(-np.pi, np.pi)
    kind = rng.integers(6)
    if kind < 3 and shown.ends:  # along the stem, off its end
        end = shown.ends[rng.integers(len(shown.ends))]
        width = end.width * float(np.exp(rng.normal(0, 0.25)))
        at = end.at - end.outward * end.width * rng.uniform(3.5, 9) + rng.normal(0, 0.3, 2) * end.width
        turn = np.arctan2(end.outward[1], end.outward[0]) + rng.normal(0, 0.15) + np.pi * rng.integers(2)
    elif kind < 5:
        v, u = np.nonzero(shown.labels == rng.choice([*SHAPES.values(), 1, 2]))
        if len(v):
            k = rng.integers(len(v))
            at = np.array([u[k], v[k]], float)
    away = [float(np.hypot(*(at - end.at))) / max(width, end.width) for end in shown.ends]
    if min(away, default=9.0) < 2.5 or not (0 <= at[0] < columns and 0 <= at[1] < rows):
        return None
    return at, np.array([np.cos(turn), np.sin(turn)]), width


def packed(wides: Iterable[Wide], nears: Iterable[Near]) -> dict[str, np.ndarray]:
    """Arrays of all pieces by name, (pieces, ...), as training takes them.

    Parameters
    ----------
    wides, nears
        Pieces for the finder, and for the close network [no unit].
    """
    wides, nears = list(wides), list(nears)
    return {
        "wide": np.stack([one.bgr for one in wides]) if wides else np.zeros((0, *WIDE, 3), np.uint8),
        "wide_labels": np.stack([one.labels for one in wides]) if wides else np.zeros((0, *WIDE), np.uint8),
        "wide_ends": np.array([one.ends for one in wides], np.float32).reshape(-1, ENDS, 5),
        "wide_known": np.array([one.known for one in wides], bool),
        "near": np.stack([one.bgr for one in nears]) if nears else np.zeros((0, NEAR, NEAR, 3), np.uint8),
        "near_labels": np.stack([one.labels for one in nears]) if nears else np.zeros((0, NEAR, NEAR), np.uint8),
        "near_end": np.array([one.end for one in nears], np.float32).reshape(-1, 5),
        "near_form": np.array([one.form for one in nears], np.int32),
        "near_is_end": np.array([one.is_end for one in nears], np.int32),
        "near_slope": np.array([one.slope for one in nears], np.float32),
    }
