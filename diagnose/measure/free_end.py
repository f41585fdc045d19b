"""Which shape has the severed end of a twig photographed where it grew, without a card?

The eye finds the end: in the whole picture, or near a tap, which is a hint and no proof. Slope, raggedness, longest fibre
and form need no scale; the diameter needs one.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from diagnose.eye.pieces import FINDER_SIZE, moved, nearer, scaling, whole_matrix
from diagnose.eye.see import CloseView, Found, Glance, find, look_close, settle_on, told_again
from diagnose.measure.end_figures import Figures, seen_slope
from diagnose.measure.end_outline import SeenEnd, outlined
from diagnose.measure.geometry import Places, Point, facing
from diagnose.measure.quality import BLURRED, BLURRED_TOLD
from diagnose.measure.record import END_SIGNS, Measurement
from diagnose.measure.which_end import is_part_of
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane
from diagnose.photo.scale import TAP_SHARE, px_per_mm
from diagnose.signs import Measured, Sign

THINNEST = 20.0  # a stem narrower than this is not measured [px]
LOOKS = (110.0, 45.0)  # pixels of the finder that lie between two taps, first and second look
ONE_TAP = (1.0, 0.4, 0.16)  # shares of the picture that are looked at round a single tap
WIDTHS = 0.35, 0.18, 0.1  # of stems, over the distance between two taps, that are looked at where the finder saw no end
OFF_TAP = 1.2, 3.0  # how far an end may lie from its tap: widths, or standard errors of a finger if that is more
SAME_WAY = 0.6  # least cosine between the way the taps go and the stem that the eye sees there
WIDEST, NARROWEST = 0.9, 0.03  # width of the stem over the distance between two taps
# Probability of an end that somebody tapped, and that below which it must be an end to LEAST_ELSE at other looks too.
# A drawn finger is one to 0.976, at others to 0.65; real ends nowhere below 0.94.
LEAST_SURE, PLAINLY, LEAST_ELSE = 0.95, 0.985, 0.9
LEAST_OTHERWISE = 0.995  # the same at every other look, of an end which the finder did not see, and of one taken at once
# An end that nobody tapped must stand out plainly. How plainly is the logarithm of the odds that it is one and nothing else,
# by logistic regression on the ends in 37 rendered pictures (families C) and 120 drawn ones against what the finder took
# for one in 840 pictures of other things, a third of them enlarged to a phone's size. What is shown lies near the middle: of
# 360 other rendered ends none lay farther from it than 0.29. Within FARTHEST_OFF of it LEAST_PLAIN lies by 0.6 above all
# that 408 photographs of other things, 250 drawn ones and 700 pieces cut at random from the former give.
PLAIN = -3.19  # of which each of the following is worth so much:
FOUND, FOUND_AGAIN = 0.566, 0.458  # log-odds of the finder in the whole picture, and in a closer look
IS_END, WOOD = 0.441, 0.675  # log-odds that the close network sees an end, and of wood at it
ONE_FORM, DOUBT = 3.37, -1.2  # probability of its likeliest form; share of doubt
OFF_CENTRE = -2.93  # its distance from the middle, in widths and heights of the picture
LEAST_PLAIN, LEAST_WIDTH, LEAST_CONTRAST = 0.9, 24.0, 0.02  # the latter two: [px], contrast of its sides
FARTHEST_OFF = 0.4  # from the middle, in widths and heights of the picture
# as many of what the finder sees are looked at, none that it sees more faintly, once where an end is less likely
MOST_GLANCES, FAINTEST, UNLIKELY = 8, 0.1, 0.5
# share of the picture that the finder sees where nothing plainly stands out in the whole of it, and how plainly an end must
# stand out there: more by 0.15 than all, and by 0.86 than all but one, that 300 drawn scenes and 900 photographs of other
# things or pieces of such give
MIDDLE, LEAST_NEARER = 0.6, 2.3
CLOSER = 0.4  # share of the picture in the finder's closer look
EXTREME, EXTREME_END = 0.98, 0.998  # beyond it no share counts for more; of the close network's end
PLAINEST, NEARER, AHEAD = 4.6, 2.0, 1.0  # plainer ones are equal; worth of a logarithm of width; the least lead over another
AT_END = np.stack(np.meshgrid(np.linspace(-1.2, 0.3, 12), np.linspace(-0.4, 0.4, 7), indexing="ij"), -1).reshape(-1, 2)
NEAR_END, FAR_BEHIND, BREAKS_OFF = np.arange(1.0, 5.0), np.arange(7.0, 12.0), 0.45  # widths behind; least loss of stem seen
QUARREL = 0.08  # median distance between the eye's border and the edges, in diameters, beyond which neither is believed
UNTAPPED = 3.0  # added in quadrature to the slope's uncertainty where nobody pointed at the end [degree] (our choice)
# Share of hand on the eye's map, before the end or beside it, from which on a finger may hide a part of it, and what that
# adds to the slope's uncertainty [degree]: of 33 rendered ends three had 0.25 or more, whose slopes were wrong by 9, 10 and
# 29 degrees, the others at most 0.14, and clean ones were wrong by 4 at most
HAND, HIDDEN = 0.2, 15.0
AHEAD_OF_END, ACROSS_END = np.arange(0.25, 0.8, 0.05), np.arange(-0.4, 0.4, 0.05)  # [diameters]
BESIDE_END, BESIDE_STEM = np.arange(-1.5, 0.0, 0.05), np.arange(0.0, 0.4, 0.05)
# The stem's lean towards the camera is not known without a card: its cosine on average and how that varies (our choice, a
# normal spread of 14 degrees).
LEAN, LEAN_SIGMA = 0.97, 0.03
# what backgrounds add to the uncertainty of an outline's slope, and to that of outline and eye together [degree]: of 44
# rendered clean ends, calibration and spent test pictures, 61 and 89 % lie within one and two of what is stated so, of 78
# drawn ones 76 and 97
OUTDOORS, WHERE_IT_GREW = 0.6, 0.7

_NO_TAP = (
    "no severed end plainly stands out in this picture: tap the end, better a point farther back on the stem too; or lay "
    "the twig on the printed card"
)
_SEVERAL = "several severed ends stand out in this picture: tap the one that you mean, better a point farther back on it too"
_NOT_AT_TAP = ("no end of a stem is seen where you tapped: tap on the severed end itself, and a second time on the same "
               "stem, or go closer")
_TOO_NEAR = "the second tap is too near the first for a stem so wide: tap at least three stem widths farther back"
_NO_SIDES = "the stem's two sides are not plainly seen below its end: go closer, or photograph it before a plain background"
_FINGER = "a finger lies at the end: where it hides a part of it, hold the stem farther back"
_UNTAPPED = "the severed end was found without a tap: see that the outline lies on it, or tap it"


def measure_free_end(picture: Picture, taps: Sequence[Point] = (), scale: Plane | None = None) -> Measurement:
    """Measure the severed end of a twig where it grew.

    Parameters
    ----------
    picture
        That is measured [no unit].
    taps
        The severed end first, then a point farther back on the same stem. Without any only an end that plainly stands out is
        measured, since the wrong twig measured is worse than none [upright px].
    scale
        Plane of a coin or a known length; None without, and then no diameter is told [no unit].
    """
    tips = [np.array(tap, float) for tap in taps[:2]]
    view, why = _tapped(picture, tips) if tips else _untapped(picture)
    if view is None:
        return _nothing(why)
    if view.end.width < THINNEST:
        return _nothing(_closer(view))
    if len(tips) == 2 and np.linalg.norm(tips[1] - tips[0]) < view.end.width / WIDEST:
        return _nothing(_TOO_NEAR)
    seen = _outlined(picture, told_again(picture, view))
    if seen is None or seen.off_border > QUARREL:
        return _nothing(_NO_SIDES if tips else _NO_TAP)
    if not tips and seen.contrast < LEAST_CONTRAST:
        return _nothing(_NO_TAP)
    return _measurement(seen, scale, tapped=bool(tips))


# --- where is it? ----------------------------------------------------------------------------------------------


def _untapped(picture: Picture) -> tuple[CloseView | None, str]:
    """The one severed end that plainly stands out in the picture, or in its middle seen closer, or why there is none."""
    whole = whole_matrix(picture.size[::-1])
    found = find(picture, whole)
    plain = _plain_ends(picture, found, found.ends, LEAST_PLAIN)
    if not plain:
        plain = _plain_ends(picture, found, find(picture, nearer(whole, MIDDLE)).ends, LEAST_NEARER)
    if not plain:
        return None, _NO_TAP
    best, view = max(plain, key=lambda one: one[0])
    for rank, other in plain:
        if rank > best - AHEAD and np.linalg.norm(other.end.at - view.end.at) > view.end.width:
            return None, _SEVERAL
    return view, ""


def _plain_ends(
    picture: Picture, found: Found, glances: Sequence[Glance], least: float
) -> list[tuple[float, CloseView]]:
    """Ends near the middle that stand out at least so plainly, each with its rank; found : of the whole picture."""
    plain: list[tuple[float, CloseView]] = []
    likely = [glance for glance in glances[:MOST_GLANCES] if glance.score > FAINTEST]
    for glance in sorted(likely, key=lambda glance: -glance.width):
        at_most = PLAINEST + NEARER * float(np.log(glance.width))  # thinner ones belong to what grows farther off
        if glance.width < THINNEST or at_most <= max((rank for rank, _ in plain), default=-np.inf) - AHEAD:
            continue
        view = settle_on(picture, glance, least=UNLIKELY)
        if view.is_end <= LEAST_SURE or view.end.width < LEAST_WIDTH or _off_centre(picture, view) > FARTHEST_OFF:
            continue
        how = _plainness(picture, found, view)
        if how >= least:
            plain.append((min(how, PLAINEST) + NEARER * float(np.log(view.end.width)), view))
    return plain


def _plainness(picture: Picture, found: Found, view: CloseView) -> float:
    """How plainly an end that nobody tapped stands out, a logarithm of odds; see PLAIN."""
    end = view.end
    if _is_short(found, end, picture.size):
        return -np.inf
    across = np.array([-end.outward[1], end.outward[0]])
    wood = view.at(end.at + end.width * AT_END @ np.stack([end.outward, across]), "wood")
    how = PLAIN + OFF_CENTRE * _off_centre(picture, view) + DOUBT * min(view.doubt, 1.0)
    how += FOUND * _log_odds(end.score) + IS_END * _log_odds(view.is_end, EXTREME_END)
    how += WOOD * _log_odds(float(wood.mean())) + ONE_FORM * float(view.forms.max())
    if how + FOUND_AGAIN * _log_odds(EXTREME) < LEAST_PLAIN:
        return -np.inf  # nothing will make it plain
    closer = find(picture, _look_at(end.at, CLOSER * max(picture.size) / FINDER_SIZE[1]))
    if any(_has_as_part(picture, other, end) for other in closer.ends if other.score > FAINTEST):
        return -np.inf
    return how + FOUND_AGAIN * _log_odds(max((one.score for one in closer.ends if _same(one, end)), default=0.0))


def _has_as_part(picture: Picture, other: Glance, end: Glance) -> bool:
    """Whether an end is but a splinter or a side stub of the stem that ends at another glance."""
    if not is_part_of(end, other):
        return False
    view = settle_on(picture, other, least=UNLIKELY)
    return view.is_end > LEAST_SURE and is_part_of(end, view.end)


def _off_centre(picture: Picture, view: CloseView) -> float:
    """Distance of an end from the picture's middle, in widths and heights of the picture."""
    return float(np.linalg.norm(view.end.at / picture.size - 0.5))


def _is_short(found: Found, end: Glance, size: tuple[int, int]) -> bool:
    """Whether what lies behind an end stops within the picture before a stem would; True of a rocket on its pad."""
    near, far = (end.at - np.outer(behind * end.width, end.outward) for behind in (NEAR_END, FAR_BEHIND))
    far = far[((far >= 0) & (far <= np.array(size) - 1)).all(axis=1)]
    if len(far) < len(FAR_BEHIND) / 2:
        return False
    return float(found.at(near).mean() - found.at(far).mean()) > BREAKS_OFF


def _same(one: Glance, end: Glance) -> bool:
    return bool(np.linalg.norm(one.at - end.at) < max(end.width, 8.0) and one.outward @ end.outward > 0.7)


def _log_odds(share: float, extreme: float = EXTREME) -> float:
    share = float(np.clip(share, 1 - extreme, extreme))
    return float(np.log(share / (1 - share)))


def _also_otherwise(picture: Picture, view: CloseView, least: float = LEAST_OTHERWISE) -> bool:
    """Whether the end is one too when it is looked at wider, narrower, from either side and from farther out."""
    end, width = view.end, view.end.width
    aside = 0.2 * width * np.array([-end.outward[1], end.outward[0]])
    others = [Glance(end.at, end.outward, fit * width, 1.0) for fit in (1.25, 0.8)]
    others += [Glance(end.at + off, end.outward, width, 1.0) for off in (aside, -aside, 0.3 * width * end.outward)]
    return all(look_close(picture, other).is_end >= least for other in others)


def _closer(view: CloseView) -> str:
    wide = f"{view.end.width:.0f} px wide at its end"
    return f"the stem is only {wide}: go closer, until it is {THINNEST:.0f} px or more across"


def _tapped(picture: Picture, tips: list[np.ndarray]) -> tuple[CloseView | None, str]:
    """The severed end that lies at a tap, or why there is none and what to do."""
    slack = OFF_TAP[1] * TAP_SHARE * float(np.hypot(*picture.size))
    best: CloseView | None = None
    thin: CloseView | None = None  # what would be an end, if there were more of it to see
    for matrix in (*_looks_at(picture, tips), None):
        glances = find(picture, matrix).ends[:4] if matrix is not None else _along(tips)
        for glance in glances:
            if np.linalg.norm(glance.at - tips[0]) > max(1.5 * OFF_TAP[0] * glance.width, slack):
                continue
            view = settle_on(picture, glance)
            if not _at_taps(view, tips, slack):
                continue
            if view.end.width < THINNEST and view.is_end > LEAST_SURE:
                thin = view
            if matrix is None and not _also_otherwise(picture, view):
                continue
            if best is None or view.is_end > best.is_end:
                best = view
        if best is not None and best.is_end >= LEAST_OTHERWISE:
            break
    if best is not None and best.is_end < PLAINLY and not _also_otherwise(picture, best, LEAST_ELSE):
        best = None
    if best is None or best.is_end < LEAST_SURE:
        if thin is not None:
            return None, _closer(thin)
        return None, _NOT_AT_TAP
    return best, ""


def _along(tips: list[np.ndarray]) -> tuple[Glance, ...]:
    """Where an end may be by the taps alone, for stems of some widths; none where only one was made."""
    if len(tips) < 2:
        return ()
    along = tips[0] - tips[1]
    length = max(float(np.linalg.norm(along)), 1.0)
    return tuple(Glance(tips[0], along / length, share * length, 0.0) for share in WIDTHS)


def _looks_at(picture: Picture, tips: list[np.ndarray]) -> list[np.ndarray]:
    """Matrices from the finder's pixels to the picture's, for the looks that are taken round the taps."""
    if len(tips) > 1:
        length = float(np.linalg.norm(tips[1] - tips[0]))
        fits = [max(length, 8.0) / apart for apart in LOOKS]
    else:
        fits = [max(picture.size) / FINDER_SIZE[1] * share for share in ONE_TAP]
    return [_look_at(tips[0], fit) for fit in fits]


def _look_at(at: np.ndarray, fit: float) -> np.ndarray:
    """Matrix from the finder's pixels to the picture's, for a look round a place; fit : picture's px a pixel."""
    return scaling(fit, *(at - fit * (np.array(FINDER_SIZE[::-1]) - 1) / 2))


def _at_taps(view: CloseView, tips: list[np.ndarray], slack: float) -> bool:
    """Whether an end lies where it was tapped, on a stem that runs back to the second tap."""
    end = view.end
    if np.linalg.norm(end.at - tips[0]) > max(OFF_TAP[0] * end.width, slack):
        return False
    if len(tips) < 2:
        return True
    along = tips[0] - tips[1]
    length = float(np.linalg.norm(along))
    return float(along @ end.outward) > SAME_WAY * length and NARROWEST * length < end.width


# --- which shape has it? ---------------------------------------------------------------------------------------


def _outlined(picture: Picture, view: CloseView) -> SeenEnd | None:
    """The end as a camera sees it that is turned to look straight at it; None where it is not outlined."""
    def frame(tip: np.ndarray, back: np.ndarray, _width: float) -> tuple[Places, float]:
        return partial(moved, matrix=facing(picture, tip, back)), 0.0

    return outlined(picture, frame, view, view.end.width)


def _measurement(seen: SeenEnd, scale: Plane | None, tapped: bool) -> Measurement:
    """The signs of an end with their uncertainty; one that nobody pointed at is told and doubted a little more."""
    end, pixel = seen.end, seen.pixel
    told_of = Figures(seen)
    form = told_of.form
    leaning = float(np.degrees(LEAN_SIGMA * np.sin(2 * np.arctan(end.slope / LEAN)) / 2))
    by_outline = float(np.linalg.norm([told_of.slope_sigma, leaning, OUTDOORS]))
    slope = seen_slope(end.slope / LEAN, by_outline, seen.view, form.shares["clean"], LEAN)
    finger = _finger_at(seen)
    unsure = float(np.linalg.norm([slope.sigma, WHERE_IT_GREW, 0.0 if tapped else UNTAPPED, HIDDEN if finger else 0.0]))
    measured: dict[str, Sign] = {
        "seen_slope_deg": Measured(slope.degrees, unsure),
        "raggedness": Measured(end.raggedness, 0.25 * end.raggedness + 0.3 * pixel + 0.01),
        "longest_fibre": Measured(end.longest_fibre, 0.3 * end.longest_fibre + pixel + 0.03),
        "end_form": form,
    }
    reasons = {"true_slope_deg": "without the card it is not known how the twig is turned: lay it on the card"}
    if scale is None:
        reasons["end_diameter_mm"] = "no length is known in this picture: give a coin's diameter or a known length"
    else:
        diameter = seen.width_px / px_per_mm(scale) * told_of.width_by_both
        measured["end_diameter_mm"] = Measured(diameter, diameter * float(np.hypot(scale.scale_sigma, told_of.width_sigma)))
    blurred = BLURRED_TOLD if seen.blur > BLURRED else ""
    remarks = (blurred, end.swelling, slope.quarrel, _FINGER if finger else "", "" if tapped else _UNTAPPED)
    shapes = seen.shapes(slope.tangent * LEAN)
    return Measurement(measured, reasons, shapes, tuple(line for line in remarks if line))


def _finger_at(seen: SeenEnd) -> bool:
    """Whether the eye's map shows a hand before the end or beside it, which may hide a part of it."""
    near = ((AHEAD_OF_END, ACROSS_END), (BESIDE_END, 0.6 + BESIDE_STEM), (BESIDE_END, -0.6 - BESIDE_STEM))
    return max(float(seen.on_map(seen.end.lip + x, y, "hand").mean()) for x, y in near) > HAND


def _nothing(reason: str) -> Measurement:
    return Measurement(not_measured=dict.fromkeys(END_SIGNS, reason))
