"""Where on the scale card does a stem end? The eye looks at the sheet laid flat, then closely at each end that it sees."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from diagnose.eye.pieces import nearer, sheet_matrix
from diagnose.eye.see import CloseView, Glance, Map, find, settle_on
from diagnose.measure.card_view import bare_paper
from diagnose.measure.geometry import Point
from diagnose.measure.which_end import is_part_of, points_away
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane

AROUND_MIDDLE = 2.0  # an end may lie this far outside it [mm]
FIRST_LOOK = 1.5  # by which a first look may be off [mm]
SLACK = 6.0  # by which the eye's first glance at the whole sheet may be off [mm]
LESS_LIKELY = 0.85  # of the likeliest end's score: what has less is a shadow's end
PLAINLY = 0.99  # unless it is as plainly the same piece's other end
CLOSER, PLAIN_SCORE = 0.6, 0.9  # share of the usual view that a closer glance sees; from which score on it is not needed
# how far out the eye's map must show a stem that leaves the plain middle [mm], with which probability
BEYOND, CROSSES = AROUND_MIDDLE + FIRST_LOOK, 0.3
WORTH_A_LOOK = 0.25  # of the highest score in the plain middle
MOST_ENDS = 4  # that are looked at closely
# of 450 true ends, of calibration and spent test pictures, all had 0.986, and all but one, whose piece's other end was
# measured, 0.296 or more; of three stubs and fibres all had less than 0.986; of eight smears two had 0.71 and 0.75 of the
# first, and six under 0.05 of the second
LEAST_SURE = 0.985  # probability that an end is one
LEAST_LIKELY = 0.15  # of that times the first glance's score
FAR_FROM_TAP = 6.0, 2.5  # an end may lie so far from its tap: the larger of [mm] and [widths]
FROM_WIDTHS = (2.0, 4.0, 8.0)  # of a stem, from which close looks at a tap begin [mm]
SURE_AT_TAP, AGREEING = 0.97, 2  # probability that what such a look settles on is an end, and how many settle on it


def stems_meant(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> list[CloseView]:
    """Ends of stems that are to be measured: those at the tap, the nearest first, or else those that plainly lie there.

    Parameters
    ----------
    picture, plane, taps
        That is measured, and the sheet's plane in it [no unit]; the severed end first [upright px].
    """
    if taps:
        return _tapped(find_stems(picture, plane), plane, taps) or _seen_at(picture, plane, taps)
    stems = [] if bare_paper(picture, plane, _bare_mm(plane)) else find_stems(picture, plane)
    own = [seen for seen in stems if not any(is_part_of(seen.end, other.end) for other in stems)]
    return [seen for seen in own if _score(seen) > LESS_LIKELY * _score(own[0]) or _other_end_of(seen, own[0])]


def find_stems(picture: Picture, plane: Plane) -> list[CloseView]:
    """Ends of stems in the sheet's plain middle, the likeliest first: what the eye takes for one, closely too.

    Where the glance at the whole sheet sees no end plainly, or one of two that a piece must have which lies wholly in the
    middle, the eye glances at that more closely as well.

    Parameters
    ----------
    picture, plane
        That is measured, and the sheet's plane in it [no unit].
    """
    whole = find(picture, _to_sheet(plane), flat=True)
    stems = _settled(picture, plane, whole.ends, [])
    if stems and _score(stems[0]) > PLAIN_SCORE and (len(stems) > 1 or _leaves_middle(whole, plane)):
        return stems
    return _settled(picture, plane, find(picture, _to_sheet(plane, CLOSER), flat=True).ends, stems)


def _leaves_middle(whole: Map, plane: Plane) -> bool:
    """Whether the eye's map shows a stem that reaches out of where an end may lie."""
    low, high = np.array(_bare_mm(plane)).reshape(2, 2) * plane.print_scale + [[-BEYOND], [BEYOND]]
    share = np.linspace(0, 1, 120)[:, None]
    corners = np.array([low, (low[0], high[1]), high, (high[0], low[1])])
    border = [a + share * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    return bool((whole.at(plane.to_px(np.concatenate(border))) > CROSSES).any())


def _settled(picture: Picture, plane: Plane, glances: Sequence[Glance], stems: list[CloseView]) -> list[CloseView]:
    """Ends that were found, and those on which close looks at further glances settle, the likeliest first."""
    inside = [glance for glance in glances if in_plain_middle(plane.to_mm(glance.at)[0], plane, SLACK)]
    stems = stems.copy()
    for glance in inside[:MOST_ENDS]:
        if glance.score < WORTH_A_LOOK * inside[0].score:
            break
        seen = settle_on(picture, glance)
        sure = seen.is_end > LEAST_SURE and _score(seen) > LEAST_LIKELY
        same = [other for other in stems if _apart(seen, other) < 1]
        likelier = all(_score(seen) > _score(other) for other in same)
        if sure and likelier and in_plain_middle(plane.to_mm(seen.end.at)[0], plane, AROUND_MIDDLE + FIRST_LOOK):
            stems = [other for other in stems if _apart(seen, other) >= 1] + [seen]
    return sorted(stems, key=_score, reverse=True)


def _score(seen: CloseView) -> float:
    return seen.is_end * seen.end.score


def _apart(one: CloseView, other: CloseView) -> float:
    """How far two ends lie apart [widths]."""
    return float(np.linalg.norm(one.end.at - other.end.at)) / one.end.width


def looks_for_an_end(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> bool:
    """Whether the photographer is after a severed end on the card and not after a wound beside it.

    Parameters
    ----------
    picture, plane
        That is measured, and the card's plane in it [no unit].
    taps
        The first one tells by where it lies. Without any, whether something lies in the plain middle [upright px].
    """
    if taps:
        return bool(plane.is_on_sheet(plane.to_mm(np.array([taps[0]], float)))[0])
    return not bare_paper(picture, plane, _bare_mm(plane))


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


def _tapped(stems: list[CloseView], plane: Plane, taps: Sequence[Point]) -> list[CloseView]:
    """The stems whose end was tapped, the nearest first."""
    at = np.array(taps[0], float)
    far = FAR_FROM_TAP[0] * plane.px_per_mm(tuple(plane.to_mm(at)[0]))
    off = [(float(np.linalg.norm(seen.end.at - at)), seen) for seen in stems]
    return [seen for away, seen in sorted(off, key=lambda one: one[0]) if away < max(far, FAR_FROM_TAP[1] * seen.end.width)]


def _seen_at(picture: Picture, plane: Plane, taps: Sequence[Point]) -> list[CloseView]:
    """The stem at the tap that the glance at the whole sheet missed: where close looks begun apart settle on one end."""
    tip, *back = np.array(taps, float)
    turns = np.arange(0, 2 * np.pi, np.pi / 4)
    ways = [tip - back[0]] if back else np.column_stack([np.cos(turns), np.sin(turns)])
    per_mm = plane.px_per_mm(tuple(plane.to_mm(tip)[0]))
    begun = [Glance(tip, way / np.linalg.norm(way), wide * per_mm, 1.0) for way in ways for wide in FROM_WIDTHS]
    looks = [settle_on(picture, glance) for glance in begun]
    near = _tapped([seen for seen in looks if seen.is_end > SURE_AT_TAP], plane, taps)
    return [seen for seen in near if sum(_apart(seen, other) < 0.5 for other in near) >= AGREEING][:1]


def _other_end_of(one: CloseView, other: CloseView) -> bool:
    """Whether an end is plainly the other one of the same piece, which points away from it."""
    return one.is_end > PLAINLY and points_away(one.end, other.end)
