"""Which shape and size has the severed end of the twig that lies on the scale card?

It is outlined in the plane that holds the stem's axis and faces the camera.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from diagnose.eye.see import CloseView, told_again
from diagnose.measure.card_stems import AROUND_MIDDLE, in_plain_middle, stems_meant
from diagnose.measure.end_figures import GROWS, Figures, seen_slope, told_diameter
from diagnose.measure.end_outline import SeenEnd, outlined
from diagnose.measure.end_shape import longest_stretch
from diagnose.measure.geometry import Places, Point
from diagnose.measure.quality import remarks
from diagnose.measure.record import END_SIGNS, Measurement
from diagnose.measure.true_slope import true_slope
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane, on_sheet
from diagnose.signs import Bounded, Measured, Sign

SQUARE, SMOOTH = 8.0, 0.03  # slope [degree] and raggedness below which an end is cut as for a sample (our choice)
THICKEST = 14.0  # a stem wider than this is a finger, a leaf or a shadow [mm]
THINNEST = 9.0  # of 229 rendered ends the two that were narrower were single fibres, the next had 9.6 [px]
COARSEST_FACE = 0.1  # pixel, in diameters, beyond which the wood face is not measured
LONGEST_FACE = 2.2  # diameters: a slope of 65 degrees, seen face on
# by which the true slope may look steeper than the seen one, and how unsure it may be, and still be a value [degree]
TURNED, UNSURE_SLOPE = 8.0, 6.0
FACE_LINES_AGREE = 0.08  # diameters: lines on torn wood differ by more
# least shadow beside a stem on the eye's map; else a shadow may be part of it, which adds so much, relative; of 38 rendered
# ends kept for calibration half are so, or have one on them, and are wrong by 2.5 / 5.1 %, the others by 0.8 / 3.0 %
BESIDE_SHADOW, SHADOWED = 0.2, 0.02
# most shadow on it, and what more adds, which makes it an interval: of 123 rendered ends for calibration, 76 of them chosen
# since something had failed, 13 have more, nine of these wrong by 9 to 24 %; of the others 22
WITHIN_SHADOW, SHADOW_ON_IT = 0.01, 0.09
# least range of tone across a round stem, logarithm of a ratio: 142 rendered ends had 0.23 or more, a shadow's end 0.02; and
# how much darker than the paper about it shade is at least, in the channel where it is so least
EVEN_TONE, SHADE = 0.12, 0.08
# what the stated uncertainty of a slope on the card is multiplied by: of 176 rendered clean ends, calibration and spent test
# pictures, 59 and 88 % lay within one and two of what it was without it, 67 and 94 with it
ON_CARD = 1.15
GROWS_SLOPE = 15.0  # what a stem that is much thicker behind its end adds [degree]; calibration
NONE_FOUND = ("no severed end was found in the card's plain middle: lay the twig's end there, the stem over the card's "
              "edge, and tap the end")
NO_SIDES = ("the sides of the stem at the tap are not seen well enough to measure its end: go closer, hold still, keep "
            "shadows off, and tap the end itself")
OTHER_END = ("two ends lie on the card, and the sides of the one that was not cut square and smooth are not seen well: "
             "shade the card, go closer, and tap the end that you mean")
TOO_THIN = ("what looks like an end on the card is only {:.0f} px across: go closer, or send the photo in full size; if a "
            "fibre was taken for the stem, tap the stem's end")


def measure_end_on_card(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> Measurement:
    """Measure the severed end that lies in the plain middle of the scale card.

    Parameters
    ----------
    picture, plane, taps
        That is measured, and the card's plane in it [no unit]; the severed end first, then a point farther back on the
        same stem [upright px].
    """
    ends, stems, why = [], stems_meant(picture, plane, taps), NONE_FOUND
    for view in stems:
        seen = _see_end(picture, plane, view)
        if seen is None:
            why = NO_SIDES if taps else why
        elif seen.width_px < THINNEST:
            why = TOO_THIN.format(seen.width_px)
        elif (taps or in_plain_middle(_tip_on_sheet(seen, plane), plane, AROUND_MIDDLE)) and not _only_shade(seen):
            ends.append(seen)
        if ends and taps:
            break
    if not ends:
        return Measurement(not_measured=dict.fromkeys(END_SIGNS, why))
    chosen = _likely_bitten(ends, plane)
    if not taps and len(ends) < len(stems) and _as_cut_for_a_sample(chosen):
        return Measurement(not_measured=dict.fromkeys(END_SIGNS, OTHER_END))
    found = _measurement(replace(chosen, view=told_again(picture, chosen.view)), plane)
    if len(ends) == 1:
        return found
    others = ", ".join(_in_words(seen) for seen in ends if seen is not chosen)
    told = f"more than one end lies on the card: the other, {others}, looks less bitten or lies farther out; tap it if it is"
    return replace(found, remarks=(told, *found.remarks))


def _see_end(picture: Picture, plane: Plane, view: CloseView) -> SeenEnd | None:
    """The outline of one stem's end and its shape; None where no outline is found."""
    width = view.end.width / plane.px_per_mm(tuple(plane.to_mm(view.end.at)[0]))
    seen = outlined(picture, partial(_facing, plane), view, width)
    return None if seen is None or seen.end.diameter > THICKEST else seen


def _facing(plane: Plane, tip_px: np.ndarray, back_px: np.ndarray, diameter: float) -> tuple[Places, float]:
    """The plane through the axis of a stem that lies on the sheet, turned to the camera about that axis.

    From its millimetres, x outwards from the tip, y across, to pixels; and by how much x runs towards the camera, as sine.
    """
    camera, lift = plane.camera, diameter / 2
    assert camera is not None
    tip, back = on_sheet(plane.to_mm(np.stack([tip_px, back_px]), lift), plane.curl, plane.centre_mm, lift)
    along = (tip - back) / np.linalg.norm(tip - back)
    view = tip - camera.centre_mm
    view /= np.linalg.norm(view)
    across = np.cross(view, along)
    across /= np.linalg.norm(across)
    return lambda xy: camera.project(tip + xy[:, :1] * along + xy[:, 1:] * across), float(-view @ along)


def _only_shade(seen: SeenEnd) -> bool:
    """Whether what was outlined is as even in tone as a shadow that lies on the paper; a round stem is lit unevenly."""
    x, y = seen.end.lip - np.linspace(0.35, 2.0, 24)[:, None], np.linspace(-0.36, 0.36, 19)
    own, paper = (_tone(seen, x, across) for across in (y, np.concatenate([-y[:6] - 0.6, y[:6] - 0.6])))
    darker = np.percentile(paper, 85, axis=(0, 1)) - own.mean(axis=(0, 1))
    return bool(np.ptp(own.mean(axis=0), axis=0).mean() < EVEN_TONE and darker.min() > SHADE)


def _in_words(seen: SeenEnd) -> str:
    """One end in a few words: its likeliest form and how steep it is."""
    shares = Figures(seen).form.shares
    return f"{max(shares, key=lambda form: shares[form])} at {abs(np.degrees(np.arctan(seen.end.slope))):.0f} degrees"


def _likely_bitten(ends: list[SeenEnd], plane: Plane) -> SeenEnd:
    """Of several ends the one that is not cut as for a sample.

    Where that does not tell, the one nearest to the sheet's middle.
    """
    left = [seen for seen in ends if not _as_cut_for_a_sample(seen)] or ends
    return min(left, key=lambda seen: float(np.linalg.norm(_tip_on_sheet(seen, plane) - plane.sheet_mm / 2)))


def _as_cut_for_a_sample(seen: SeenEnd) -> bool:
    """Whether an end may be cut square and smooth, as who takes a twig for a sample cuts it."""
    steep = float(np.degrees(np.arctan(abs(seen.end.slope)))) - Figures(seen).slope_sigma
    return steep < SQUARE and seen.end.raggedness - _ragged_sigma(seen) < SMOOTH


def _ragged_sigma(seen: SeenEnd) -> float:
    """Standard uncertainty of the raggedness [diameters]; fitted with the fibres' law."""
    return 0.2 * seen.end.raggedness + 0.3 * seen.pixel + 0.005


def _tip_on_sheet(seen: SeenEnd, plane: Plane) -> np.ndarray:
    tip: np.ndarray = plane.to_mm(seen.places(np.array([[seen.end.offset, 0.0]])))[0]
    return tip


def _measurement(seen: SeenEnd, plane: Plane) -> Measurement:
    """The signs of one end with their uncertainty.

    The fibres' law was fitted to 400 simulated pictures (from 10000). A torn end's slope says little, and its thinnest
    fibres are not seen.
    """
    end, pixel = seen.end, seen.pixel
    told_of = Figures(seen)
    form = told_of.form
    clean = form.shares["clean"]
    behind = seen.widths_by_map[1]
    beside, within = seen.shadow_by_map
    grows, shadow = behind > GROWS, beside < BESIDE_SHADOW or within > WITHIN_SHADOW
    shaded = SHADOW_ON_IT if within > WITHIN_SHADOW else SHADOWED * shadow
    relative = float(np.linalg.norm([told_of.width_sigma, plane.print_scale_sigma, shaded]))
    agree = told_of.widths_agree
    by_outline = float(np.hypot(told_of.slope_sigma, GROWS_SLOPE if grows else 0.0))
    slope = seen_slope(end.slope, by_outline, seen.view, clean, float(np.sqrt(1 - seen.lean**2)))
    slope = replace(slope, sigma=ON_CARD * slope.sigma)
    otherwise = None if agree else seen.view.end.width / seen.width_px
    measured: dict[str, Sign] = {
        "seen_slope_deg": Measured(slope.degrees, slope.sigma),
        "end_diameter_mm": told_diameter(end.diameter * told_of.width_by_both, relative, behind, otherwise),
        "raggedness": Measured(end.raggedness, _ragged_sigma(seen)),
        "longest_fibre": Measured(end.longest_fibre, min(4.6 * pixel**0.525 * float(np.exp(-4.07 * clean)), 1.0) + 0.02),
        "end_form": form,
    }
    reasons = {}
    if clean < max(form.shares["half"], form.shares["torn"]):
        reasons["true_slope_deg"] = "the end is not surely clean, so it has no one slope; photograph a clean cut"
    else:
        measured["true_slope_deg"] = _true_slope(seen, slope.degrees, slope.sigma)
    some = np.flatnonzero(np.abs(end.y) <= 0.47)
    some = some[:: max(1, len(some) // 40)]
    share, steep = longest_stretch(end.y[some], end.x[some], 0.02, 4.0)  # the part that is clean
    if form.shares["half"] > 0.3 and share > 0.25:
        measured["clean_part_slope_deg"] = Measured(float(np.degrees(np.arctan(abs(steep)))), by_outline / share**1.5)
    told = remarks(seen.patch.light, seen.blur, pixel, plane.view_angle_deg)
    further = (
        (isinstance(measured.get("true_slope_deg"), Bounded),
         "the true slope is known as an interval only: roll the twig until its cut looks steepest"),
        (end.swelling, end.swelling),
        (shadow and not agree, "a shadow may have been taken for part of the stem: shade the card, for its diameter"),
        (slope.quarrel, slope.quarrel),
        (grows, "behind the end the stem looks much thicker: perhaps a splinter or a shadow is outlined; shade it and tap"),
    )  # fmt: skip
    told += tuple(line for so, line in further if so)
    return Measurement(measured, reasons, seen.shapes(slope.tangent), told)


def _true_slope(seen: SeenEnd, slope: float, sigma: float) -> Sign:
    """The true slope; an interval down to the seen one where it is unsure, or owes much to the pale face, perhaps no face.

    Chosen on 318 rendered clean ends, wrong by 2.9 degrees in the middle and 21 at the 90th percentile; the 195 left, by
    1.7 and 6.0.
    """
    shear = -seen.lean / float(np.sqrt(1 - seen.lean**2))
    found = true_slope(slope, sigma, seen.end.bulge, seen.pixel, _face_tone(seen), shear, _face_length(seen))
    if isinstance(found, Measured) and (found.value - slope > TURNED or found.sigma > UNSURE_SLOPE):
        return Bounded(max(slope - 2 * sigma, 0.0), min(found.value + 2 * found.sigma, 90.0))
    return found


def _tone(seen: SeenEnd, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Logarithm of blue, green and red at places of the end's own frame, (n, m, 3) [nat]; x (n, m) or (n, 1), y (m,)."""
    return np.asarray(np.log(seen.look(np.stack(np.broadcast_arrays(x, y), axis=-1)) + 0.01))


def _face_tone(seen: SeenEnd) -> float:
    """By how much the strip just inside the end is lighter than the bark below it, as logarithm of a ratio [nat].

    A wood face that is seen is paler than bark; where the cut faces away, the strip is bark too.
    """
    strip, y = max(seen.end.bulge, 1.2 * seen.pixel), np.linspace(-0.3, 0.3, 15)
    edge, dome = np.interp(y, seen.end.y, seen.end.x), 2 * np.sqrt(0.25 - y**2)
    spans = (0.15 * strip, 0.85 * strip), (strip + 0.15, strip + 0.6)
    face, bark = (np.median(_tone(seen, edge - np.linspace(*span, 9)[:, None] * dome, y), axis=(0, 1)) for span in spans)
    return float((face - bark).mean())


def _face_length(seen: SeenEnd) -> tuple[float, float] | None:
    """Length of the pale wood face along the axis through its middle, and the spread of its readings, in diameters.

    On each of some lines along the axis the border between face and bark is where two even tones explain the light best; a
    face is an ellipse, so that every line tells the length through the middle. None where the lines disagree, as with torn
    wood, or where a picture is too coarse.
    """
    if seen.pixel > COARSEST_FACE:
        return None
    y, many = np.linspace(-0.3, 0.3, 13), np.arange(1, 91)[:, None]
    behind = np.linspace(0.5 * seen.pixel, LONGEST_FACE, len(many))
    total = np.cumsum(_tone(seen, np.interp(y, seen.end.y, seen.end.x) - behind[:, None], y), axis=0)
    rest = len(many) - many[1:-8]
    apart = (total / many[..., None])[1:-8] - (total[-1] - total[1:-8]) / rest[..., None]
    gain = (apart**2).sum(axis=2) * many[1:-8] * rest  # how much two tones explain over one
    gain = np.where(apart.mean(axis=2) > 0.15, gain, 0.0)
    found = gain.max(axis=0) > 0
    if found.sum() < 9:
        return None
    length = (behind[1 + gain.argmax(axis=0)] / (2 * np.sqrt(0.25 - y**2)))[found]
    middle = float(np.median(length))
    spread = 1.4826 * float(np.median(np.abs(length - middle)))
    return None if spread > FACE_LINES_AGREE else (middle, spread)
