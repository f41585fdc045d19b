"""How surely are an end's figures known, and which form has it: on the card, and where the twig grew?"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from diagnose.eye.pieces import FORMS
from diagnose.eye.see import CloseView
from diagnose.measure.end_outline import SeenEnd
from diagnose.measure.quality import BLURRED
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
# by how much the eye reads slopes too flat, beyond so much [degree]: of 302 rendered clean ends on the card by 1.5 in the
# middle, of 44 where they grew by 2.0, steep or not; the outlines of the first by 0.1, of the others not at all. With 2.0
# slopes by both leant by +0.1 of 527 fresh ends, and by +0.4 of 55 drawn ones
EYE_FLAT, FLAT_FROM = 1.7, 10.0
QUARREL = 2.5  # standard uncertainties by which outline and eye differ when it is said
# beside a dark stem a narrow shadow is as dark as its bark: contrast of the sides at which half of the following is added.
# Of 537 ends, of calibration and spent test pictures, 136 had sides of over 0.35, of which 57 % lay within one standard
# uncertainty and 77 % within two, of the others 73 and 92 %; with it 68 and 83, 73 and 92
DARK, DARK_WIDTH = 0.5, 0.04
DOUBTFUL, NO_DOUBT = 0.4, 0.1  # relative, for each share of the sides' cells that the eye doubts, beyond so many
EYE_WIDTH, MOST_APART = 0.05, 0.1  # relative: how closely the eye reads widths; the most that its disagreement adds
MAP_FAT, MAP_WIDER = 1.02, 0.4  # of the width: by how much the map is too fat, and what its disagreement adds, relative
# share of the map in the diameter, and the most that it moves it, logarithm: on 46 rendered ends kept for calibration errors
# were 1.9 / 5.7 % by the edges, 2.0 / 5.7 by the map, 1.4 / 4.3 by both; on 58 drawn ones 0.7 / 3.0, 1.2 / 3.5 and 1.1 / 2.4
MAP_SHARE, MAP_MOVES = 0.5, 0.06
# logarithm of the widths by which the eye's own reading may differ, and the most doubt, for a value: of 160 rendered ends
# kept for calibration 119 pass, of which one is over 15 % wrong, and nine of the 41 others
WIDTHS_AGREE, LITTLE_DOUBT = 0.08, 0.3
LEAST_APART = 0.06  # relative uncertainty at least where the eye reads another width than the edges
BOTH_SURER = 0.85  # of the law, where edges and map make the diameter together; on 37 of the former and 33 others
# One view shows a half end from its clean side, its torn side or both, so that half or torn is never told surely: what each
# has of the two comes so much nearer to one half. Of 2,010 rendered ends, calibration and spent test pictures, 3 are then
# named wrongly at 0.8 or more, without it 34, all but 3 of them half ends for torn ones or the reverse
NEARER_HALF = 0.4
HIDES_FIBRES = 0.5  # power of the forms' probabilities where the stem's sides are blurred; our choice
GROWS = 1.22  # a stem so many times as thick behind its end
DOUBTFUL_WIDTH = 0.09  # relative standard uncertainty of a diameter beyond which it is an interval


@dataclass(frozen=True)
class Figures:
    """What is told of one end, as the outline and the eye tell it.

    Parameters
    ----------
    seen
        The end as it was outlined [no unit].
    """

    seen: SeenEnd

    @cached_property
    def form(self) -> Shares:
        """Probabilities of the forms by the eye; less sure between half and torn, and where blur may hide fibres."""
        forms = self.seen.view.forms ** (HIDES_FIBRES if self.seen.blur > BLURRED else 1.0)
        forms[1:] += NEARER_HALF * (forms[1:].mean() - forms[1:])
        return Shares(dict(zip(FORMS, (forms / forms.sum()).tolist(), strict=True)))

    @property
    def slope_sigma(self) -> float:
        """Standard uncertainty of the seen slope by the outline [degree].

        The law in pixel, chance of a clean end and raggedness was fitted to 1797 simulated ends (seeds 60000 to 61799), a
        third of each form, outlined without the eye; of 330 rendered clean ends 85 % lay within two of it, 88 % as widened.
        """
        end, pixel, clean = self.seen.end, self.seen.pixel, self.form.shares["clean"]
        coarse = max(pixel / 0.04, 1.0)  # blur takes more of a thin twig than the pixels' count tells
        grain = 134.0 * pixel**0.77 * (end.raggedness + 0.02) ** 0.144 * coarse ** (0.594 * clean) * np.exp(-2.04 * clean)
        grain *= 1 - CLEAN_SURER * clean
        # a bulging outline leans when the axis is set off to one side, by half a pixel and a hundredth of the diameter
        leaning = HALF_ELLIPSE_LEANS * min(max(end.bulge, 0.0), 1.5) * (0.01 + 0.5 * pixel) / (1 + end.slope**2)
        uneven = sum(spread * self.form.shares[name] for name, spread in UNEVEN_SLOPE.items()) * min(1.0, 2 * (1 - clean))
        parts = [float(np.clip(grain, 0.2, 40.0)), float(np.degrees(leaning)), uneven, PALE_SLOPE * self._pale]
        return float(np.hypot(WIDER_SLOPE * np.linalg.norm(parts), BESIDES_SLOPE))

    @property
    def width_sigma(self) -> float:
        """Standard uncertainty of the diameter, relative, without that of the scale.

        The law in pixel and the sides' own roughness was fitted to 900 simulated ends (seeds 60000 to 60899). What the eye's
        own, coarse reading of the width adds, and its map's, is nothing as long as they agree as closely as the eye reads.
        """
        end, pixel = self.seen.end, self.seen.pixel
        crooked = float(end.sides.rms.max()) / end.diameter + 0.002
        by_edge = 3.49 * pixel**0.718 * crooked**0.667 * max(pixel / 0.04, 1.0) ** 0.482
        apart = min(0.5 * float(np.sqrt(max(self._eye_off**2 - EYE_WIDTH**2, 0.0))), MOST_APART)
        beside = MAP_WIDER * max(abs(self._map_wider) - EYE_WIDTH, 0.0)
        doubt = DOUBTFUL * max(self.seen.view.doubt - NO_DOUBT, 0.0)
        dark = DARK_WIDTH * (1 - 1 / (1 + (self.seen.contrast / DARK) ** 2))
        parts = [by_edge, PALE_WIDTH * self._pale, dark, apart, beside, doubt, end.diameter_doubt]
        return BOTH_SURER * float(np.linalg.norm(parts))

    @property
    def width_by_both(self) -> float:
        """What the diameter by the edges is multiplied by, so that the eye's map has its share in it."""
        return float(np.exp(np.clip(MAP_SHARE * self._map_wider, -MAP_MOVES, MAP_MOVES)))

    @property
    def widths_agree(self) -> bool:
        """Whether the eye's own reading of the width is that of the edges, and its map leaves little doubt."""
        return self._eye_off < WIDTHS_AGREE and self.seen.view.doubt < LITTLE_DOUBT

    @property
    def _eye_off(self) -> float:
        """By how much the eye reads another width than the edges, logarithm."""
        return abs(float(np.log(self.seen.view.end.width / self.seen.width_px)))

    @property
    def _map_wider(self) -> float:
        """By how much the stem is wider on the eye's map than between the edges, logarithm."""
        return float(np.log(max(self.seen.widths_by_map[0], 0.1) / MAP_FAT))

    @property
    def _pale(self) -> float:
        """How hard the stem's sides are to see before what lies behind, 0 to 1."""
        return 1 / (1 + (self.seen.contrast / HARDLY_SEEN) ** 2)


@dataclass(frozen=True)
class Slope:
    """The seen slope.

    Parameters
    ----------
    tangent, degrees, sigma
        Signed, of the end's own frame [no unit]; its size and standard uncertainty [degree].
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
    outline, sigma, view, clean
        Slope along the end's outline, a signed tangent [no unit], and its standard uncertainty [degree]; what the eye
        sees of the end closely; probability that it is clean [no unit].
    shortened
        By how much lengths along the stem look shorter in the picture than the outline's frame has them [no unit].

    References
    ----------
    Birge 1932, The calculation of errors by the method of least squares, Physical Review 40, 207 (from memory).
    """
    one = float(np.degrees(np.arctan(outline)))
    read = float(np.degrees(view.slope))
    read += EYE_FLAT * float(np.tanh(read / FLAT_FROM))
    other = float(np.degrees(np.arctan(np.tan(np.radians(read)) / shortened)))
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


def told_diameter(diameter: float, relative: float, behind: float, otherwise: float | None) -> Sign:
    """The diameter, as an interval where it is doubtful.

    That is where it is not known to DOUBTFUL_WIDTH, where the stem looks much thicker behind its end, or where the eye reads
    another width. DOUBTFUL_WIDTH was chosen on 455 rendered ends: of 62 known less well 12 were wrong by over 15 %, of the
    others seven.

    Parameters
    ----------
    diameter, relative, behind, otherwise
        As it was read, in any unit of length, and its standard uncertainty as a share of it [no unit]; the most that the
        stem is wide behind the end; what the eye reads, where it does not agree, else None [diameters].
    """
    if behind > GROWS:
        return Bounded(diameter * (1 - 2 * relative), diameter * behind * (1 + 2 * relative))
    if otherwise is None and relative <= DOUBTFUL_WIDTH:
        return Measured(diameter, diameter * relative)
    if otherwise is not None:
        relative = max(relative, LEAST_APART)
    low, high = min(otherwise or 1.0, 1.0), max(otherwise or 1.0, 1.0)
    return Bounded(diameter * low * max(1 - 2.5 * relative, 0.3), diameter * high * (1 + 2.5 * relative))
