"""How surely are an end's figures known, and which form has it?

The same laws for the twig on the card and for the one where it grew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.eye.pieces import FORMS
from diagnose.eye.see import CloseView
from diagnose.measure.end_form import Look, end_form
from diagnose.measure.end_shape import End
from diagnose.signs import Bounded, Measured, Shares, Sign

HALF_ELLIPSE_LEANS = 2.62  # slope of the line through its middle 80 %, over the offset and its height: by integration
# What the laws of simple pictures miss, from 44 rendered ones of looks that the eye was not trained on:
UNEVEN_SLOPE = {"half": 14.0, "torn": 18.0}  # errors of the seen slope where torn wood is part of the edge [degree]
CLEAN_SURER = 0.45  # by which a clean end's slope is surer than that law, since the eye draws the outline
WIDER_SLOPE, BESIDES_SLOPE = 1.1, 0.6  # of the law, and besides [degree]: from 330 rendered clean ends
HARDLY_SEEN = 0.12  # contrast of the stem's sides, of white paper, at which half of the following is added
PALE_SLOPE, PALE_WIDTH = 2.0, 0.045  # of stems as bright as what lies behind [degree; relative]
# What the spread is multiplied by that the eye tells of its own slope, and what is added [degree]; it doubles where an end
# is not clean. Of 79 rendered clean ends for calibration errors were 1.4 / 7.1 degrees by the outline and 1.3 / 5.4 by both
EYE_SURER, EYE_SLOPE = 0.85, 0.5
QUARREL = 2.5  # standard uncertainties by which outline and eye differ when it is said
DOUBTFUL, NO_DOUBT = 0.4, 0.1  # relative, for each share of the sides' cells that the eye doubts, beyond so many
EYE_WIDTH, MOST_APART = 0.05, 0.1  # relative: how closely the eye reads widths; the most that its disagreement adds
OF_SHAPE = 0.2  # what outline and light weigh beside the eye: of 399 ends of calibration and spent test pictures 81 % are
# named rightly so and 5 wrongly at 0.8 or more; with equal weights and one look of the eye 78 % and 9
MAP_FAT, MAP_WIDER = 1.02, 0.4  # of the width: by how much the map is too fat, and what its disagreement adds, relative
# share of the map in the diameter, and the most that it moves it, logarithm: on 46 rendered ends kept for calibration errors
# were 1.9 / 5.7 % by the edges, 2.0 / 5.7 by the map, 1.4 / 4.3 by both; on 58 drawn ones 0.7 / 3.0, 1.2 / 3.5 and 1.1 / 2.4
MAP_SHARE, MAP_MOVES = 0.5, 0.06
# logarithm of the widths by which the eye's own reading may differ, and the most doubt, for a value: of 160 rendered ends
# kept for calibration 119 pass, of which one is over 15 % wrong, and nine of the 41 others
WIDTHS_AGREE, LITTLE_DOUBT = 0.08, 0.3
LEAST_APART = 0.06  # relative uncertainty at least where the eye reads another width than the edges
BOTH_SURER = 0.85  # of the law, where edges and map make the diameter together; on 37 of the former and 33 others
GROWS = 1.22  # a stem so many times as thick behind its end
DOUBTFUL_WIDTH = 0.09  # relative standard uncertainty of a diameter beyond which it is an interval


def form_of(end: End, look: Look, view: CloseView, plain: bool = True) -> Shares:
    """Probabilities of the forms: the weighted geometric mean of what outline and light tell and of what the eye tells.

    Parameters
    ----------
    end
        Its shape [diameters].
    look
        Tells the linear light at points of the end's own frame [no unit].
    view
        What the eye sees of the end closely [no unit].
    plain
        Is the background plain paper? [no unit]
    """
    by_shape = end_form(end, look, plain).shares
    eye = zip(FORMS, view.forms, strict=True)
    joint = {form: float(by_shape[form] ** OF_SHAPE * share ** (1 - OF_SHAPE)) for form, share in eye}
    return Shares({form: share / sum(joint.values()) for form, share in joint.items()})


def slope_sigma(end: End, pixel: float, form: Shares, contrast: float) -> float:
    """Standard uncertainty of the seen slope [degree].

    Parameters
    ----------
    end
        Its shape [diameters].
    pixel
        One pixel of the picture [diameters].
    form
        Probabilities of its forms [no unit].
    contrast
        Of the stem's sides, of white paper [no unit].

    Notes
    -----
    The law in pixel, chance of a clean end and raggedness was fitted to the errors of 1797 simulated ends (seeds 60000 to
    61799), a third of each form, outlined without the eye; of 330 rendered clean ends 85 % lay within two of it, and 88 % of
    what it is widened to.
    """
    clean = form.shares["clean"]
    coarse = max(pixel / 0.04, 1.0)  # blur takes more of a thin twig than the pixels' count tells
    grain = 134.0 * pixel**0.77 * (end.raggedness + 0.02) ** 0.144 * coarse ** (0.594 * clean) * np.exp(-2.04 * clean)
    grain *= 1 - CLEAN_SURER * clean
    # a bulging outline leans when the axis is set off to one side, by half a pixel and a hundredth of the diameter
    leaning = HALF_ELLIPSE_LEANS * min(max(end.bulge, 0.0), 1.5) * (0.01 + 0.5 * pixel) / (1 + end.slope**2)
    uneven = sum(spread * form.shares[name] for name, spread in UNEVEN_SLOPE.items()) * min(1.0, 2 * (1 - clean))
    parts = [float(np.clip(grain, 0.2, 40.0)), float(np.degrees(leaning)), uneven, PALE_SLOPE * _pale(contrast)]
    return float(np.hypot(WIDER_SLOPE * np.linalg.norm(parts), BESIDES_SLOPE))


@dataclass(frozen=True)
class Slope:
    """The seen slope.

    Parameters
    ----------
    tangent
        Signed, of the end's own frame [no unit].
    degrees, sigma
        Its size and standard uncertainty [degree].
    quarrel
        What is said where outline and eye disagree, else empty [no unit].
    """

    tangent: float
    degrees: float
    sigma: float
    quarrel: str


def seen_slope(outline: float, sigma: float, view: CloseView, clean: float, shortened: float) -> Slope:
    """The seen slope, by the outline and by the eye.

    It is their mean weighted by inverse variance, its uncertainty widened by the Birge ratio where the two differ by more.

    Parameters
    ----------
    outline
        Slope of the line along the end's outline, a signed tangent [no unit].
    sigma
        Its standard uncertainty [degree].
    view
        What the eye sees of the end closely [no unit].
    clean
        Probability that the end is clean [no unit].
    shortened
        By how much lengths along the stem look shorter in the picture than the outline's frame has them [no unit].

    References
    ----------
    Birge 1932, The calculation of errors by the method of least squares, Physical Review 40, 207 (from memory).
    """
    one = float(np.degrees(np.arctan(outline)))
    other = float(np.degrees(np.arctan(np.tan(view.slope) / shortened)))
    other_sigma = float(np.hypot(EYE_SURER * np.degrees(view.slope_spread) * (2.0 - clean), EYE_SLOPE))
    weights = np.array([sigma, other_sigma]) ** -2.0
    mean = float(weights @ (one, other) / weights.sum())
    apart = abs(one - other) / float(np.hypot(sigma, other_sigma))
    quarrel = ""
    if apart > QUARREL:
        quarrel = f"outline and eye disagree on the slope, {abs(one):.0f} and {abs(other):.0f}°: go closer and shade it"
    # what is torn has no one slope: there two readings are no surer than the better of them
    spread = max(max(1.0, apart) * float(weights.sum() ** -0.5), (1.0 - clean) * min(sigma, other_sigma))
    return Slope(float(np.tan(np.radians(mean))), abs(mean), spread, quarrel)


def width_sigma(end: End, pixel: float, contrast: float, view: CloseView, width_px: float, by_map: float) -> float:
    """Standard uncertainty of the diameter, relative, without that of the scale.

    The law in pixel and the sides' own roughness was fitted to 900 simulated ends (seeds 60000 to 60899). What the eye's
    own, coarse reading of the width adds, and its map's, is nothing as long as they agree as closely as the eye reads.

    Parameters
    ----------
    end
        Its shape [no unit].
    pixel
        One pixel of the picture [diameters].
    contrast
        Of the stem's sides, of white paper [no unit].
    view
        What the eye sees of the end closely [no unit].
    width_px
        The diameter in the picture [px].
    by_map
        The stem's width on the eye's map [fitted diameters].
    """
    coarse = max(pixel / 0.04, 1.0)
    crooked = max(end.sides.left_rms, end.sides.right_rms) / end.diameter + 0.002
    by_edge = 3.49 * pixel**0.718 * crooked**0.667 * coarse**0.482
    off = abs(float(np.log(view.end.width / width_px)))
    apart = min(0.5 * float(np.sqrt(max(off**2 - EYE_WIDTH**2, 0.0))), MOST_APART)
    beside = MAP_WIDER * max(abs(float(np.log(max(by_map, 0.1) / MAP_FAT))) - EYE_WIDTH, 0.0)
    doubt = DOUBTFUL * max(view.doubt - NO_DOUBT, 0.0)
    parts = [by_edge, PALE_WIDTH * _pale(contrast), apart, beside, doubt, end.diameter_doubt]
    return BOTH_SURER * float(np.linalg.norm(parts))


def width_by_both(by_map: float) -> float:
    """What the diameter by the edges is multiplied by, so that the eye's map has its share in it.

    Parameters
    ----------
    by_map
        The stem's width on the map [fitted diameters].
    """
    return float(np.exp(np.clip(MAP_SHARE * np.log(max(by_map, 0.1) / MAP_FAT), -MAP_MOVES, MAP_MOVES)))


def widths_agree(view: CloseView, width_px: float) -> bool:
    """Whether the eye's own reading of the width is that of the edges, and its map leaves little doubt.

    Parameters
    ----------
    view
        What the eye sees of the end closely [no unit].
    width_px
        The diameter in the picture, by the edges [px].
    """
    return abs(float(np.log(view.end.width / width_px))) < WIDTHS_AGREE and view.doubt < LITTLE_DOUBT


def told_diameter(diameter: float, relative: float, behind: float, otherwise: float | None) -> Sign:
    """The diameter, as an interval where it is doubtful.

    That is where it is not known to DOUBTFUL_WIDTH, where the stem looks much thicker behind its end, or where the eye reads
    another width. DOUBTFUL_WIDTH was chosen on 455 rendered ends: of 62 known less well 12 were wrong by over 15 %, of the
    others seven.

    Parameters
    ----------
    diameter
        As it was read, in any unit of length [no unit].
    relative
        Its standard uncertainty, as a share of it [no unit].
    behind
        The most that the stem is wide behind the end [diameters].
    otherwise
        What the eye reads, where it does not agree, else None [diameters].
    """
    if behind > GROWS:
        return Bounded(diameter * (1 - 2 * relative), diameter * behind * (1 + 2 * relative))
    if otherwise is not None:
        relative = max(relative, LEAST_APART)
        low, high = min(otherwise, 1.0), max(otherwise, 1.0)
        return Bounded(diameter * low * max(1 - 2.5 * relative, 0.3), diameter * high * (1 + 2.5 * relative))
    if relative > DOUBTFUL_WIDTH:
        return Bounded(diameter * max(1 - 2.5 * relative, 0.3), diameter * (1 + 2.5 * relative))
    return Measured(diameter, diameter * relative)


def _pale(contrast: float) -> float:
    return 1 / (1 + (contrast / HARDLY_SEEN) ** 2)
