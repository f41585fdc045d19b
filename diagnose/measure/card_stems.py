"""Where on the scale card does a stem end? The eye looks at the sheet laid flat, then closely at each end that it sees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.eye.pieces import moved, nearer, sheet_matrix
from diagnose.eye.see import CloseView, Glance, find, settle_on
from diagnose.measure.card_view import bare_paper
from diagnose.measure.geometry import Point
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane

AROUND_MIDDLE = 2.0  # an end may lie this far outside it [mm]
FIRST_LOOK = 1.5  # by which a first look may be off [mm]
SLACK = 6.0  # by which the eye's first glance at the whole sheet may be off [mm]
SAME_WAY, SPLINTER = 0.8, 8.0  # cosine between a splinter and its stem; how far it reaches, in diameters
THINNER = 0.8  # of another's diameter: what ends beside that one's stem is a side stub or a splinter
BESIDE_STEM, BEHIND_END = 6.0, 12.0  # of the thicker one's diameters: how far a side stub reaches aside and lies behind
LESS_LIKELY = 0.85  # of the likeliest end's score: what has less is a shadow's end
OPPOSITE, PLAINLY = 0.8, 0.99  # unless it points the other way and is as plainly an end: the same piece's other end
CLOSER, PLAIN_SCORE = 0.6, 0.9  # share of the usual view that a closer glance sees; from which score on it is not needed
LEAST_CELLS_OF_STEM = 4  # of the finder's map, in the plain middle
WORTH_A_LOOK = 0.25  # of the highest score in the plain middle
MOST_ENDS = 4  # that are looked at closely
# of 450 true ends, of calibration and spent test pictures, all had 0.986, and all but one, whose piece's other end was
# measured, 0.296 or more; of three stubs and fibres all had less than 0.986; of eight smears two had 0.71 and 0.75 of the
# first, and six under 0.05 of the second
LEAST_SURE = 0.985  # probability that an end is one
LEAST_LIKELY = 0.15  # of that times the first glance's score
FROM_WIDTHS = (2.0, 4.0, 8.0)  # of a stem, from which close looks at a tap begin [mm]
SURE_AT_TAP, AGREEING = 0.97, 2  # probability that what such a look settles on is an end, and how many settle on it


@dataclass(frozen=True, eq=False)
class Stem:
    """A stem found on the sheet.

    Parameters
    ----------
    tip, back, diameter
        (2,) its end and a point farther back, in the plane, and how thick it is, roughly [mm].
    score, view
        Higher is likelier; what the eye saw of its end [no unit].
    """

    tip: np.ndarray
    back: np.ndarray
    diameter: float
    score: float
    view: CloseView


def stems_meant(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> list[Stem]:
    """Stems whose end is to be measured: those at the tap, the nearest first, or else those that plainly lie there.

    Parameters
    ----------
    picture, plane, taps
        That is measured, and the sheet's plane in it [no unit]; the severed end first [upright px].
    """
    if taps:
        return _tapped(find_stems(picture, plane), plane, taps) or _seen_at(picture, plane, taps)
    stems = [] if bare_paper(picture, plane, _bare_mm(plane)) else find_stems(picture, plane)
    own = [stem for stem in stems if not any(_splinter_of(stem, other) or _side_stub_of(stem, other) for other in stems)]
    return [stem for stem in own if stem.score > LESS_LIKELY * own[0].score or _other_end_of(stem, own[0])]


def find_stems(picture: Picture, plane: Plane) -> list[Stem]:
    """Stems whose end lies in the sheet's plain middle, the likeliest first: what the eye takes for one, closely too.

    Where the glance at the whole sheet sees no end plainly, the eye glances at its middle more closely as well.

    Parameters
    ----------
    picture, plane
        That is measured, and the sheet's plane in it [no unit].
    """
    stems: list[Stem] = []
    for closer in (1.0, CLOSER):
        stems = _settled(picture, plane, find(picture, _to_sheet(plane, closer), flat=True).ends, stems)
        if stems and stems[0].score > PLAIN_SCORE:
            break
    return stems


def _settled(picture: Picture, plane: Plane, glances: Sequence[Glance], stems: list[Stem]) -> list[Stem]:
    """Stems that were found, and those on which close looks at further glances settle, the likeliest first."""
    inside = [glance for glance in glances if in_plain_middle(plane.to_mm(glance.at[None])[0], plane, SLACK)]
    stems = stems.copy()
    for glance in inside[:MOST_ENDS]:
        if glance.score < WORTH_A_LOOK * inside[0].score:
            break
        seen = settle_on(picture, glance)
        stem = _stem_of(seen, plane)
        sure = seen.is_end > LEAST_SURE and stem.score > LEAST_LIKELY
        same = [other for other in stems if np.hypot(*(stem.tip - other.tip)) < stem.diameter]
        likelier = all(stem.score > other.score for other in same)
        if sure and likelier and in_plain_middle(stem.tip, plane, AROUND_MIDDLE + FIRST_LOOK):
            stems = [other for other in stems if other not in same] + [stem]
    return sorted(stems, key=lambda stem: -stem.score)


def looks_for_an_end(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> bool:
    """Whether the photographer is after a severed end on the card and not after a wound beside it.

    Parameters
    ----------
    picture, plane
        That is measured, and the card's plane in it [no unit].
    taps
        The first one tells by where it lies. Without any, wood or bark in the plain middle tells [upright px].
    """
    if taps:
        return bool(plane.is_on_sheet(plane.to_mm(np.array([taps[0]], float)))[0])
    if bare_paper(picture, plane, _bare_mm(plane)):
        return False
    found = find(picture, _to_sheet(plane), flat=True)
    cells = np.argwhere(found.stem > 0.5)[:, ::-1].astype(float)
    on_sheet = plane.to_mm(moved(cells, found.to_px)) if len(cells) else cells
    return sum(in_plain_middle(place, plane, 0.0) for place in on_sheet) >= LEAST_CELLS_OF_STEM


def in_plain_middle(mm: np.ndarray, plane: Plane, slack: float) -> bool:
    """Whether a place lies in the sheet's plain middle.

    Parameters
    ----------
    mm, plane, slack
        (2,) the place on the sheet's plane, and how far outside it may lie [mm].
    """
    low, high = np.array(_bare_mm(plane)).reshape(2, 2) * plane.print_scale
    return bool((mm >= low - slack).all() and (mm <= high + slack).all())


def _to_sheet(plane: Plane, closer: float = 1.0) -> np.ndarray:
    """From the finder's pixels, the sheet laid flat, to the picture's, (3, 3); closer : share of the usual view."""
    return nearer(sheet_matrix(plane.H @ np.diag([plane.print_scale, plane.print_scale, 1.0])), closer)


def _bare_mm(plane: Plane) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of the sheet's plain middle, as printed [mm]."""
    return plane.layout.bare_mm if plane.layout and plane.layout.bare_mm else (20.0, 20.0, 130.0, 80.0)


def _stem_of(seen: CloseView, plane: Plane) -> Stem:
    end = seen.end
    aside = end.at + end.width * end.outward[::-1] * (-1, 1)
    tip, back, side = plane.to_mm(np.stack([end.at, end.at - 3 * end.width * end.outward, aside]))
    return Stem(tip, back, float(np.hypot(*(side - tip))), seen.is_end * end.score, seen)


def _tapped(stems: list[Stem], plane: Plane, taps: Sequence[Point]) -> list[Stem]:
    """The stems whose end was tapped, the nearest first."""
    (at,) = plane.to_mm(np.array(taps[:1], float))
    off = [(float(np.hypot(*(stem.tip - at))), stem) for stem in stems]
    return [stem for away, stem in sorted(off, key=lambda one: one[0]) if away < max(6.0, 2.5 * stem.diameter)]


def _seen_at(picture: Picture, plane: Plane, taps: Sequence[Point]) -> list[Stem]:
    """The stem at the tap that the glance at the whole sheet missed: where close looks begun apart settle on one end."""
    tip, *back = np.array(taps, float)
    turns = np.arange(0, 2 * np.pi, np.pi / 4)
    ways = [tip - back[0]] if back else np.column_stack([np.cos(turns), np.sin(turns)])
    per_mm = plane.px_per_mm(tuple(plane.to_mm(tip[None])[0]))
    begun = [Glance(tip, way / np.linalg.norm(way), wide * per_mm, 1.0) for way in ways for wide in FROM_WIDTHS]
    looks = [settle_on(picture, glance) for glance in begun]
    near = _tapped([_stem_of(seen, plane) for seen in looks if seen.is_end > SURE_AT_TAP], plane, taps)
    same = [[np.hypot(*(stem.tip - other.tip)) < 0.5 * stem.diameter for other in near] for stem in near]
    return [stem for stem, others in zip(near, same, strict=True) if sum(others) >= AGREEING][:1]


def _beside(stem: Stem, other: Stem) -> tuple[float, float, float]:
    """Where a stem's end lies from another's: before it and aside of it, in its diameters; and the cosine between both."""
    along = (other.tip - other.back) / np.linalg.norm(other.tip - other.back)
    own = (stem.tip - stem.back) / np.linalg.norm(stem.tip - stem.back)
    ahead = (stem.tip - other.tip) / other.diameter
    return float(along @ ahead), abs(float(along[0] * ahead[1] - along[1] * ahead[0])), float(along @ own)


def _splinter_of(stem: Stem, other: Stem) -> bool:
    """Whether a stem is but a splinter of another's end: thinner, before that end, and pointing the same way."""
    ahead, aside, alike = _beside(stem, other)
    return stem.diameter < THINNER * other.diameter and alike > SAME_WAY and 0 < ahead < SPLINTER and aside < 1.5


def _side_stub_of(stem: Stem, other: Stem) -> bool:
    """Whether a stem is but a stub at another's side: thinner, and ending close beside it behind its end."""
    ahead, aside, alike = _beside(stem, other)
    return stem.diameter < THINNER * other.diameter and alike > -OPPOSITE and -BEHIND_END < ahead < 0 and aside < BESIDE_STEM


def _other_end_of(stem: Stem, other: Stem) -> bool:
    """Whether a stem is plainly the other end of the same piece, which points away from it."""
    return stem.view.is_end > PLAINLY and _beside(stem, other)[2] < -OPPOSITE
