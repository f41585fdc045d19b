"""Which shape and size has the severed end of the twig that lies on the scale card?

A patch around the end that the eye found is laid into the plane that holds the stem's axis and faces the camera, where the
outline is drawn to a fraction of a pixel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np

from diagnose.eye.see import CloseView, told_again
from diagnose.measure.card_stems import AROUND_MIDDLE, FIRST_LOOK, Stem, stems_meant
from diagnose.measure.end_figures import (
    GROWS,
    form_of,
    seen_slope,
    slope_sigma,
    told_diameter,
    width_by_both,
    width_sigma,
    widths_agree,
)
from diagnose.measure.end_form import Look
from diagnose.measure.end_outline import Outlined, light_in, outlined, shadow_by_map, shapes_of, widths_by_map
from diagnose.measure.end_shape import End, clean_part
from diagnose.measure.quality import remarks
from diagnose.measure.record import Measurement
from diagnose.measure.true_slope import true_slope
from diagnose.photo.picture import Picture
from diagnose.photo.plane import Plane, on_sheet
from diagnose.signs import Bounded, Measured, Shares, Sign

Point = tuple[float, float]
COARSE = 4.0  # pixels a millimetre on the sheet's coarse map
INSET = 2.0  # the sheet's edge, left out [mm]
THICKEST = 14.0  # a stem wider than this is a finger, a leaf or a shadow [mm]
COARSEST_FACE = 0.1  # pixel, in diameters, beyond which the wood face is not measured
LONGEST_FACE = 2.2  # diameters: a slope of 65 degrees, seen face on
# by which the true slope may look steeper than the seen one, and how unsure it may be, and still be a value [degree]
TURNED, UNSURE_SLOPE = 8.0, 6.0
FACE_LINES_AGREE = 0.08  # diameters: lines on torn wood differ by more
PLAIN_MIDDLE = (110.0, 60.0)  # of the sheet [mm]
# least shadow beside a stem, and most on it, on the eye's map; else a shadow may be part of it, which adds so much,
# relative; of 38 rendered ends kept for calibration half are so, and wrong by 2.5 / 5.1 %, the others by 0.8 / 3.0 %
BESIDE_SHADOW, WITHIN_SHADOW, SHADOWED = 0.2, 0.01, 0.02
# least range of tone across a round stem, logarithm of a ratio: 142 rendered ends had 0.23 or more, a shadow's end 0.02; and
# how much darker than the paper about it shade is at least, in the channel where it is so least
EVEN_TONE, SHADE = 0.12, 0.08
GROWS_SLOPE = 15.0  # what a stem that is much thicker behind its end adds [degree]; calibration


@dataclass(frozen=True)
class Facing:
    """The plane that holds the stem's axis and faces the camera; x outwards along the axis, y across.

    Parameters
    ----------
    origin, along, across
        (3,) a point of it, and its unit vectors, in the sheet's coordinates [mm].
    plane
        The sheet's [no unit].
    lean
        By how much x runs towards the camera, as sine [no unit].
    """

    origin: np.ndarray
    along: np.ndarray
    across: np.ndarray
    plane: Plane
    lean: float

    def to_px(self, xy: np.ndarray) -> np.ndarray:
        """Points of the plane in the picture, (n, 2) [upright px].

        Parameters
        ----------
        xy
            (n, 2) or (2,) [mm].
        """
        assert self.plane.camera is not None
        xy = np.atleast_2d(xy)
        return self.plane.camera.project(self.origin + xy[:, :1] * self.along + xy[:, 1:] * self.across)


def _paper(plane: Plane) -> np.ndarray:
    """Mask, on the coarse map, of the paper without ink: no markers, no ruler, no grey patches, no sheet's edge."""
    width, height = plane.sheet_mm
    mask = np.zeros((int(height * COARSE), int(width * COARSE)), np.uint8)
    inset = int(INSET * COARSE)
    mask[inset:-inset, inset:-inset] = 1
    if plane.layout is None:
        return mask
    half = (plane.layout.side_mm / 2 + 0.8) * plane.print_scale
    for centre in plane.layout.markers.values():
        x, y = np.array(centre) * plane.print_scale
        mask[int((y - half) * COARSE) : int((y + half) * COARSE), int((x - half) * COARSE) : int((x + half) * COARSE)] = 0
    if plane.layout.bare_mm is not None:
        mask[int((plane.layout.bare_mm[3] + 8.0) * plane.print_scale * COARSE) :] = 0
    return mask


def facing_plane(plane: Plane, tip_px: np.ndarray, back_px: np.ndarray, lift: float) -> Facing:
    """The plane through the stem's axis, turned to the camera about that axis.

    Parameters
    ----------
    plane
        The sheet's [no unit].
    tip_px, back_px
        (2,) the stem's end, and a point farther back on it [upright px].
    lift
        Height of the axis above the sheet [mm].
    """
    assert plane.camera is not None
    ends = plane.to_mm(np.stack([tip_px, back_px]), lift)
    tip, back = on_sheet(ends, plane.curl, plane.centre_mm, lift)
    along = (tip - back) / np.linalg.norm(tip - back)
    view = tip - plane.camera.centre_mm
    view /= np.linalg.norm(view)
    across = np.cross(view, along)
    across /= np.linalg.norm(across)
    return Facing(tip, along, across, plane, float(-view @ along))


@dataclass(frozen=True)
class SeenEnd:
    """A severed end as it was seen.

    Parameters
    ----------
    outlined, facing, view
        Its outline, the plane it lies in, and what the eye saw [no unit].
    per_mm
        Pixels a millimetre there [px/mm].
    """

    outlined: Outlined
    facing: Facing
    per_mm: float
    view: CloseView

    @property
    def end(self) -> End:
        """The end that the outline shows."""
        return self.outlined.end

    @property
    def pixel(self) -> float:
        """One pixel of the picture, in diameters."""
        return 1.0 / (self.per_mm * self.end.diameter)


def see_end(picture: Picture, plane: Plane, stem: Stem, anywhere: bool = True) -> SeenEnd | None:
    """Draw the outline of one stem's end and read its shape; None where no outline is found.

    It is done again, in the frame of the time before, until that is the end's own.

    Parameters
    ----------
    picture, plane
        That is measured, and the sheet's plane in it [no unit].
    stem
        As found on the sheet [mm].
    anywhere
        Also where the first time tells that the end lies outside the sheet's plain middle? [no unit]
    """
    tip_px, back_px = plane.to_px(np.stack([stem.tip, stem.back]))
    diameter = stem.diameter
    paper = _paper(plane)
    seen = None
    for _ in range(3):
        facing = facing_plane(plane, tip_px, back_px, diameter / 2)
        step = facing.to_px(np.array([(0.0, 0.0), (0.0, 1.0)]))
        per_mm = float(np.linalg.norm(step[1] - step[0]))
        on_paper = partial(_on_paper, _to_paper(facing, plane, diameter), paper)
        found = outlined(picture, facing, stem.view, diameter, per_mm, on_paper)
        if found is None or found.end.diameter > THICKEST:
            return seen
        end = found.end
        seen = SeenEnd(found, facing, per_mm, stem.view)
        settled = abs(end.turn) < 0.025 and abs(end.diameter / diameter - 1) < 0.05
        frame = end.to_outline(np.array([(0.0, 0.0), (-3.0, 0.0)]))
        tip_px, back_px = facing.to_px(frame)
        diameter = end.diameter
        if settled or not (anywhere or _in_the_middle(seen, plane, AROUND_MIDDLE + FIRST_LOOK)):
            break
    return seen


def _to_paper(facing: Facing, plane: Plane, diameter: float) -> np.ndarray:
    """(3, 3) from the facing plane round the end to what lies behind it on the coarse map; the stem's lift is neglected."""
    corners = diameter * np.array([(-5.5, -1.5), (3, -1.5), (3, 1.5), (-5.5, 1.5)])
    behind = plane.to_mm(facing.to_px(corners)) * COARSE
    return cv2.getPerspectiveTransform(corners.astype(np.float32), behind.astype(np.float32))


def _on_paper(to_paper: np.ndarray, paper: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Whether paper without ink lies behind each point, (n, 2), of the facing plane."""
    u, v = cv2.perspectiveTransform(xy[None], to_paper)[0].astype(int).T
    h, w = paper.shape
    inside = (u >= 0) & (u < w) & (v >= 0) & (v < h)
    return np.asarray(inside & (paper[v.clip(0, h - 1), u.clip(0, w - 1)] > 0))


def measure_end_on_card(picture: Picture, plane: Plane, taps: Sequence[Point] = ()) -> Measurement:
    """Measure the severed end that lies in the plain middle of the scale card.

    Parameters
    ----------
    picture, plane
        That is measured, and the card's plane in it [no unit].
    taps
        The severed end first, then a point farther back on the same stem [upright px].
    """
    ends = []
    stems = stems_meant(picture, plane, taps)
    for stem in stems:
        seen = see_end(picture, plane, stem, anywhere=bool(taps))
        if seen is not None and (taps or _in_the_middle(seen, plane)) and not only_shade(seen):
            ends.append(replace(seen, view=told_again(picture, seen.view)))
        if ends and taps:
            break
    if not ends and stems and taps:
        return _nothing("the sides of the stem at the tap are not seen well enough to measure its end: go closer, hold "
                        "still, keep shadows off, and tap the end itself")
    if not ends:
        return _nothing("no severed end was found in the card's plain middle: lay the twig's end there, the stem over the "
                        "card's edge, and tap the end")
    if len(ends) > 1:
        return _of_both(ends, plane)
    return _measurement(ends[0], plane)


def _of_both(ends: list[SeenEnd], plane: Plane) -> Measurement:
    """The end of several on the card that looks bitten, with a remark that tells of the others and asks."""
    chosen = _likely_bitten(ends, plane)
    others = ", ".join(_in_words(_measurement(seen, plane)) for seen in ends if seen is not chosen)
    told = f"more than one end lies on the card: the other, {others}, looks less bitten or lies farther out; tap it if it is"
    found = _measurement(chosen, plane)
    return replace(found, remarks=(told, *found.remarks))


def _in_words(found: Measurement) -> str:
    """One end in a few words: its likeliest form and how steep it is."""
    form, slope = found.measured["end_form"], found.measured["seen_slope_deg"]
    assert isinstance(form, Shares) and isinstance(slope, Measured)
    likeliest = max(form.shares, key=lambda name: form.shares[name])
    return f"{likeliest} at {slope.value:.0f} ± {slope.sigma:.0f}°"


def _likely_bitten(ends: list[SeenEnd], plane: Plane) -> SeenEnd:
    """Of several ends the one that is not cut square and smooth, as who takes a twig for a sample cuts it.

    Where that does not tell, the one nearest to the sheet's middle.
    """
    square = [abs(seen.end.slope) < np.tan(np.radians(8)) and seen.end.raggedness < 0.03 for seen in ends]
    left = [seen for seen, cut in zip(ends, square, strict=True) if not cut] or ends
    middle = plane.sheet_mm / 2
    return min(left, key=lambda seen: float(np.hypot(*(_tip_on_sheet(seen, plane) - middle))))


def _tip_on_sheet(seen: SeenEnd, plane: Plane) -> np.ndarray:
    tip: np.ndarray = plane.to_mm(seen.facing.to_px(seen.end.to_outline(np.array([[seen.end.offset, 0.0]]))))[0]
    return tip


def _in_the_middle(seen: SeenEnd, plane: Plane, around: float = AROUND_MIDDLE) -> bool:
    """Whether the end lies in the sheet's plain middle: what only reaches in from the edge is a finger or a leaf."""
    off = np.abs(_tip_on_sheet(seen, plane) - plane.sheet_mm / 2)
    return bool(np.all(off <= np.array(PLAIN_MIDDLE) / 2 + around))


def _nothing(reason: str) -> Measurement:
    names = ("seen_slope_deg", "true_slope_deg", "end_diameter_mm", "raggedness", "longest_fibre", "end_form")
    return Measurement(not_measured=dict.fromkeys(names, reason))


def _measurement(seen: SeenEnd, plane: Plane) -> Measurement:
    """The signs of one end with their uncertainty.

    The fibres' law was fitted to 400 simulated pictures (from 10000). A torn end's slope says little, and its thinnest
    fibres are not seen.
    """
    end, pixel, contrast = seen.end, seen.pixel, seen.outlined.contrast
    form = form_of(end, light_at(seen), seen.view)
    clean = form.shares["clean"]
    across = seen.facing.to_px(end.to_outline(np.array([(end.lip - 1.0, -0.5), (end.lip - 1.0, 0.5)])))
    wide_px = float(np.hypot(*(across[1] - across[0])))
    by_map, behind = widths_by_map(seen.outlined, seen.facing, seen.view)
    beside, within = shadow_by_map(seen.outlined, seen.facing, seen.view)
    grows, shadow = behind > GROWS, beside < BESIDE_SHADOW or within > WITHIN_SHADOW
    by_edges = width_sigma(end, pixel, contrast, seen.view, wide_px, by_map)
    relative = float(np.linalg.norm([by_edges, plane.print_scale_sigma, SHADOWED * shadow]))
    agree = widths_agree(seen.view, wide_px)
    by_outline = float(np.hypot(slope_sigma(end, pixel, form, contrast), GROWS_SLOPE if grows else 0.0))
    slope = seen_slope(end.slope, by_outline, seen.view, clean, float(np.sqrt(1 - seen.facing.lean**2)))
    fibre_sigma = min(4.6 * pixel**0.525 * float(np.exp(-4.07 * clean)), 1.0)
    measured: dict[str, Sign] = {
        "seen_slope_deg": Measured(slope.degrees, slope.sigma),
        "true_slope_deg": _true_slope(seen, slope.degrees, slope.sigma),
        "end_diameter_mm": told_diameter(
            end.diameter * width_by_both(by_map), relative, behind, None if agree else seen.view.end.width / wide_px
        ),
        "raggedness": Measured(end.raggedness, 0.2 * end.raggedness + 0.3 * pixel + 0.005),
        "longest_fibre": Measured(end.longest_fibre, fibre_sigma + 0.02),
        "end_form": form,
    }
    reasons = {}
    if clean < max(form.shares["half"], form.shares["torn"]):
        del measured["true_slope_deg"]
        reasons["true_slope_deg"] = "the end is not surely clean, so it has no one slope; photograph a clean cut"
    if form.shares["half"] > 0.3:
        part = clean_part(end)
        if part.share > 0.25:
            steep = float(np.degrees(np.arctan(abs(part.slope))))
            measured["clean_part_slope_deg"] = Measured(steep, by_outline / part.share**1.5)
    patch, outline = seen.outlined.patch, seen.outlined.outline
    near = (outline * patch.scale + (patch.x0, patch.y0))[outline[:, 0] > -3 * end.diameter]
    told = remarks(patch.light, near, patch.scale / seen.per_mm, pixel, plane.view_angle_deg)
    if isinstance(measured.get("true_slope_deg"), Bounded):
        told += ("the true slope is known as an interval only: roll the twig until its cut looks steepest",)
    if end.swelling:
        told += (end.swelling,)
    if shadow and not agree:
        told += ("a shadow may have been taken for part of the stem: shade the card, for its diameter",)
    if slope.quarrel:
        told += (slope.quarrel,)
    if grows:
        told += ("behind the end the stem looks much thicker: perhaps a splinter or a shadow is outlined; shade it and tap",)
    return Measurement(measured, reasons, shapes_of(seen.outlined, seen.facing, slope.tangent), told)


def _true_slope(seen: SeenEnd, slope: float, sigma: float) -> Sign:
    """The true slope; an interval down to the seen one where it is unsure, or owes much to the pale face, perhaps no face.

    Chosen on 318 rendered clean ends, wrong by 2.9 degrees in the middle and 21 at the 90th percentile; the 195 left, by
    1.7 and 6.0.
    """
    lean = seen.facing.lean
    shear = -lean / float(np.sqrt(1 - lean**2))
    found = true_slope(slope, sigma, seen.end.bulge, seen.pixel, face_tone(seen), shear, face_length(seen))
    if isinstance(found, Measured) and (found.value - slope > TURNED or found.sigma > UNSURE_SLOPE):
        return Bounded(max(slope - 2 * sigma, 0.0), min(found.value + 2 * found.sigma, 90.0))
    return found


def light_at(seen: SeenEnd) -> Look:
    """What tells the linear light, (n, 3), at points, (n, 2), of the end's own frame.

    Parameters
    ----------
    seen
        The end as it was seen [no unit].
    """
    return light_in(seen.outlined)


def only_shade(seen: SeenEnd) -> bool:
    """Whether what was outlined is as even in tone as a shadow that lies on the paper; a round stem is lit unevenly.

    Parameters
    ----------
    seen
        The end as it was seen [no unit].
    """
    x, y = seen.end.lip - np.linspace(0.35, 2.0, 24), np.linspace(-0.36, 0.36, 19)
    beside = np.concatenate([-y[:6] - 0.6, y[:6] - 0.6])

    def tone(across: np.ndarray) -> np.ndarray:
        at = np.stack(np.meshgrid(x, across, indexing="ij"), axis=-1).reshape(-1, 2)
        return np.log(light_at(seen)(at).reshape(len(x), -1, 3) + 0.004)

    own, paper = tone(y).mean(axis=0), np.percentile(tone(beside), 85, axis=(0, 1))
    return bool(np.ptp(own, axis=0).mean() < EVEN_TONE and (paper - own.mean(axis=0)).min() > SHADE)


def face_tone(seen: SeenEnd) -> float:
    """By how much the strip just inside the end is lighter than the bark below it, as logarithm of a ratio.

    A wood face that is seen is paler than bark; where the cut faces away, the strip is bark too.

    Parameters
    ----------
    seen
        The end as it was seen [no unit].
    """
    end, look = seen.end, light_at(seen)
    strip = max(end.bulge, 1.2 * seen.pixel)
    y = np.linspace(-0.3, 0.3, 15)
    edge, dome = np.interp(y, end.y, end.x), 2 * np.sqrt(0.25 - y**2)
    tones = []
    for near, far in ((0.15 * strip, 0.85 * strip), (strip + 0.15, strip + 0.6)):
        x = edge[None, :] - np.linspace(near, far, 9)[:, None] * dome
        light = look(np.stack([x.ravel(), np.tile(y, 9)], axis=1))
        tones.append(np.log(np.median(light, axis=0) + 0.01))
    return float((tones[0] - tones[1]).mean())


def face_length(seen: SeenEnd) -> tuple[float, float] | None:
    """Length of the pale wood face along the axis through its middle, and the spread of its readings, in diameters.

    On each of some lines along the axis the border between face and bark is where two even tones explain the light
    best; a face is an ellipse, so that every line tells the length through the middle. None where the lines disagree,
    as with torn wood, or where a picture is too coarse.

    Parameters
    ----------
    seen
        The end as it was seen [no unit].
    """
    end, start = seen.end, 0.5 * seen.pixel
    if seen.pixel > COARSEST_FACE:
        return None
    y = np.linspace(-0.3, 0.3, 13)
    behind = np.linspace(start, LONGEST_FACE, 90)
    x = np.interp(y, end.y, end.x)[:, None] - behind
    tone = np.log(light_at(seen)(np.stack([x.ravel(), np.repeat(y, len(behind))], axis=1)) + 0.01)
    total = np.cumsum(tone.reshape(len(y), len(behind), 3), axis=1)
    count = np.arange(1, len(behind) + 1)[:, None]
    before = (total / count)[:, 1:-8]
    after = ((total[:, -1:] - total)[:, 1:-8]) / (len(behind) - count[1:-8])
    apart = before - after
    gain = (apart**2).sum(axis=2) * (count * (len(behind) - count))[1:-8, 0]  # how much two tones explain over one
    gain = np.where(apart.mean(axis=2) > 0.15, gain, 0.0)
    found = gain.max(axis=1) > 0
    if found.sum() < 9:
        return None
    length = (behind[1 + gain.argmax(axis=1)] / (2 * np.sqrt(0.25 - y**2)))[found]
    middle = float(np.median(length))
    spread = 1.4826 * float(np.median(np.abs(length - middle)))
    return None if spread > FACE_LINES_AGREE else (middle, spread)
