"""What does one photograph, or one list of answered signs, say: from the file to a verdict and a barrier?

This is the spine: every room is called once, in the order in which design flows, and the command, the app and
the reports show the object that comes out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.culprits.ask import question_of
from diagnose.culprits.here import Where
from diagnose.culprits.together import Together, judge_together
from diagnose.culprits.verdict import Verdict, judge
from diagnose.measure.bark_round import Turns
from diagnose.measure.record import END_SIGNS, Measurement
from diagnose.photo.picture import CannotUse, Picture, read_picture
from diagnose.photo.plane import Plane
from diagnose.protect.read import common_beside, likely_shares
from diagnose.protect.requirement import DIGITS, NEED_OF, Requirement, require
from diagnose.signs import Bounded, Measured, Shares, Sign, Signs, signs_as_json, vocabulary, within_range

Point = tuple[float, float]

_PATCH_SIGNS = (
    "groove_spacing_mm",
    "groove_direction_deg",
    "patch_height_mm",
    "patch_width_mm",
    "bark_loss",
    "stem_diameter_mm",
)
_HEIGHT_SIGNS = ("wound_height_mm",)
_ELSEWHERE = {
    END_SIGNS: "no severed end was measured here; lay the twig on the printed card, or tap its end",
    _PATCH_SIGNS: "no gnawed patch was measured here; hold the printed card beside the bare wood",
    _HEIGHT_SIGNS: "no height staff in this picture; stand the staff at the stem's foot, say how high above the ground the "
    "card is held, or answer the height",
}

LEAST_SIDE = 32  # of a picture that is measured; our choice [px]


@dataclass(frozen=True)
class Scale:
    """A length in the picture that the user knows: a coin's diameter, two points a known length apart, or a plain card.

    Parameters
    ----------
    coin_mm
        Diameter of a coin; None without [mm].
    known_mm, known_from, known_to
        Length between two points, and these; None without [mm, upright px].
    plain_card
        Is a card of the size ID-1 held beside the twig? [no unit]
    """

    coin_mm: float | None = None
    known_mm: float | None = None
    known_from: Point | None = None
    known_to: Point | None = None
    plain_card: bool = False

    def __post_init__(self) -> None:
        parts = (self.known_mm, self.known_from, self.known_to)
        if any(part is not None for part in parts) and None in parts:
            raise CannotUse("a known length needs all three: its millimetres and the two points it joins")
        if any(length is not None and not 0 < length < 1e5 for length in (self.coin_mm, self.known_mm)):
            raise CannotUse("a known length must be a number of millimetres above 0")
        if (self.coin_mm is not None) + (self.known_mm is not None) + self.plain_card > 1:
            raise CannotUse("give one scale: a coin, a plain card or a known length")

    @property
    def ends(self) -> tuple[Point, Point] | None:
        """The two points that are a known length apart [upright px]."""
        return None if self.known_from is None or self.known_to is None else (self.known_from, self.known_to)

    def plane(self, picture: Picture, near: Point | None) -> Plane | None:
        """The metric plane that the known length gives, or None when no length is known.

        Parameters
        ----------
        picture
            That shows the known length [no unit].
        near
            A place that a coin or a card lies beside; None for anywhere [upright px].
        """
        from diagnose.photo.plain_card import find_plain_card
        from diagnose.photo.scale import find_coin, known_length

        if self.plain_card:
            return find_plain_card(picture, near=near)

        if self.coin_mm is not None:
            return find_coin(picture, self.coin_mm, near=near)
        if self.known_mm is not None and self.ends is not None:
            return known_length(self.known_mm, *self.ends)
        return None


@dataclass(frozen=True)
class Ground:
    """Where the ground is, for the wound's height.

    Parameters
    ----------
    card_at_mm
        Height of the scale card's lower edge above it, 0 where the card stands on it; None where not known [mm].
    foot
        Where the plant's stem meets it; None where not known [upright px].
    """

    card_at_mm: float | None = None
    foot: Point | None = None


@dataclass(frozen=True)
class Circumstances:
    """What is known round the wound: place, month of finding, snow.

    Parameters
    ----------
    region
        Name or code of a country or a part of one, or a position (latitude, longitude) [degree]; None to take it from the
        photo's position.
    month
        1 to 12; None to take it from the photo [no unit].
    snow_mm
        Depth of the snow that lay when the wound was made; None where not known [mm].
    prior
        Own weights by culprit in place of the place's [no unit].
    confirmed
        Wounds here by culprit, confirmed from outside, that sharpen the prior [wounds].
    """

    region: Where = None
    month: int | None = None
    snow_mm: float | None = None
    prior: Mapping[str, float] | None = None
    confirmed: Mapping[str, float] | None = None


@dataclass(frozen=True)
class Diagnosis:
    """Everything that one photograph, or one list of answers, was found to say.

    Parameters
    ----------
    verdict, barrier
        Who made the wound, and what stops them [no unit].
    signs
        All that was weighed, each in its own unit.
    picture, plane, measurement
        The photo, the metric plane in it, and what was measured; None or empty for a list of answers [no unit].
    """

    verdict: Verdict
    barrier: Requirement
    signs: Signs
    picture: Picture | None = None
    plane: Plane | None = None
    measurement: Measurement = field(default_factory=Measurement)

    @property
    def _not_yet(self) -> str:
        """Why nothing should be bought yet; empty where the verdict carries a barrier."""
        if not self.signs:
            return "Do not buy yet: nothing was measured and nothing answered. "
        return "" if self.verdict.leading is not None else "Do not buy yet: it cannot be told yet what did it. "

    @property
    def find_out_first(self) -> str:
        """Why nothing should be bought yet, and what to find out first; empty where the verdict carries a barrier."""
        asked = self.verdict.next_question if self._not_yet else None
        return self.settle_first if asked is None else f"{self._not_yet}Find out first: {question_of(asked)}"

    @property
    def settle_first(self) -> str:
        """As `find_out_first` for somebody who has no more answers: the look that would settle it."""
        return self._not_yet and self._not_yet + self.verdict.settle

    @property
    def plan_against(self) -> dict[str, float]:
        """Animal -> probability that it is there, of those that a planting is to be planned against; empty where none is."""
        by_need = _by_need(self.verdict)
        animals = self.verdict.presence
        return likely_shares(animals, {key: by_need[key] for key in self.barrier.culprits if key in animals})

    @property
    def common_beside(self) -> tuple[str, ...]:
        """Animals about as likely there as not that what was seen hardly tells of: a plan only names them."""
        return common_beside(self.verdict.presence, self.plan_against)

    def as_json(self) -> dict[str, Any]:
        """The object that `diagnose photo --json` prints for one file."""
        judged = {"verdict": self.verdict.as_json(), "find_out_first": self.find_out_first or None,
                  "barrier": self.barrier.as_json(), "plan_against": _rounded(self.plan_against),
                  "common_beside": list(self.common_beside)}
        if self.picture is None:
            return {"signs": signs_as_json(self.signs), **judged}
        return {
            "file": self.picture.name,
            "sha256": self.picture.sha256,
            "taken": self.picture.taken.as_json(),
            "plane": None if self.plane is None else self.plane.as_json(),
            "measured": signs_as_json(self.measurement.measured),
            "not_measured": dict(self.measurement.not_measured),
            "remarks": list(self.measurement.remarks),
            **judged,
        }


@dataclass(frozen=True)
class Wounds:
    """Several wounds of one plant or site: each judged on its own, who is at work, and one barrier against them all.

    Parameters
    ----------
    each
        One a wound [no unit].
    together, barrier
        Who is at work, and what stops all of them [no unit].
    """

    each: tuple[Diagnosis, ...]
    together: Together
    barrier: Requirement

    @property
    def find_out_first(self) -> str:
        """As of a diagnosis, where no wound's verdict carries a barrier."""
        open_ones = [one.find_out_first for one in self.each]
        return open_ones[0] if all(open_ones) else ""

    @property
    def plan_against(self) -> dict[str, float]:
        """As of a diagnosis: whom any of the wounds tells of, as surely as the one that tells most."""
        found: dict[str, float] = {}
        for one in self.each:
            found |= {key: max(share, found.get(key, 0.0)) for key, share in one.plan_against.items()}
        return found

    @property
    def common_beside(self) -> tuple[str, ...]:
        """As of a diagnosis: those of which no wound tells."""
        return common_beside(self.together.presence, self.plan_against)

    def as_json(self) -> dict[str, Any]:
        """The object that `diagnose log together --json` prints, but for the number of its schema."""
        return {**self.together.as_json(), "find_out_first": self.find_out_first or None, "barrier": self.barrier.as_json(),
                "plan_against": _rounded(self.plan_against), "common_beside": list(self.common_beside)}


def diagnose_photo(
    source: str | Path | bytes,
    name: str | None = None,
    taps: Sequence[Point] = (),
    scale: Scale | None = None,
    print_scale: float = 1.0,
    answers: Signs | None = None,
    circumstances: Circumstances | None = None,
    ground: Ground | None = None,
) -> Diagnosis:
    """The diagnosis of one photograph.

    Parameters
    ----------
    source
        Path of a picture file, or its bytes [no unit].
    name
        How the file is called, where bytes are given [no unit].
    taps
        The wound first, then a point farther back on the same stem [upright px].
    scale
        A length in the picture that is known; None for none [no unit].
    print_scale
        Measured over stated length of the card's check bar [no unit].
    answers
        Signs that a person answered; they stand over measured ones of the same name [no unit].
    circumstances
        What is known round the wound [no unit].
    ground
        What is known of it, for the wound's height [no unit].

    Raises
    ------
    CannotUse
        When the file holds no picture.
    """
    picture = read_picture(source, name)
    plane, measurement = measure_picture(picture, taps, scale, print_scale, circumstances, ground)
    return diagnose_measured(picture, plane, measurement, answers, circumstances)


def diagnose_measured(
    picture: Picture | None,
    plane: Plane | None,
    measurement: Measurement,
    answers: Signs | None = None,
    circumstances: Circumstances | None = None,
) -> Diagnosis:
    """The diagnosis of what was measured already: cheap, so that each answer can be judged anew.

    Parameters
    ----------
    picture
        That was measured; None for none [no unit].
    plane
        That was found in it; None for none [no unit].
    measurement
        What was measured [no unit].
    answers
        Signs that a person answered; they stand over measured ones of the same name [no unit].
    circumstances
        What is known round the wound [no unit].
    """
    signs: dict[str, Sign] = {**_wound_seen(measurement), **measurement.measured, **(answers or {})}
    return _judged(signs, circumstances, picture, plane, measurement)


def diagnose_together(
    found: Sequence[Diagnosis],
    answers: Signs | None = None,
    circumstances: Circumstances | None = None,
    turns: Turns = None,
) -> Diagnosis:
    """One diagnosis from several photographs of the same wound; place and time are those of the first.

    The shapes are those of the first photograph.

    Parameters
    ----------
    found
        Of each photograph [no unit].
    answers
        Signs that a person answered; they stand over measured ones of the same name [no unit].
    circumstances
        What is known round the wound [no unit].
    turns
        How far round the stem each was taken, counterclockwise from above [degree], or "all-round".
    """
    from diagnose.measure.join import join

    names = [one.picture.name for one in found if one.picture is not None]
    joined = _with_reasons(join([one.measurement for one in found], names, turns))
    joined = replace(joined, shapes=found[0].measurement.shapes)
    return diagnose_measured(found[0].picture, found[0].plane, joined, answers, circumstances)


def _wound_seen(measurement: Measurement) -> dict[str, Sign]:
    """What a measured picture says of the kind of wound; how often it is of another kind is our own guess."""
    if "end_form" in measurement.measured:
        return {"wound": Shares({"severed_shoot": 0.93, "cut_at_ground": 0.05, "stem_broken": 0.02})}
    if "patch_height_mm" in measurement.measured:
        return {"wound": Shares({"bark_gnawed": 0.75, "bark_stripped": 0.20, "bark_rubbed": 0.05})}
    return {}


def diagnose_answers(answers: Signs, circumstances: Circumstances | None = None) -> Diagnosis:
    """The diagnosis from answered signs alone.

    Parameters
    ----------
    answers
        Signs that a person answered [no unit].
    circumstances
        What is known round the wound [no unit].
    """
    return _judged(dict(answers), circumstances)


def diagnose_wounds(each: Sequence[Diagnosis], snow_mm: float = 0.0) -> Wounds:
    """Several wounds judged together: the barrier stops every culprit that the barrier of any one of them must stop.

    Parameters
    ----------
    each
        Of each wound [no unit].
    snow_mm
        Deepest snow at the plants [mm].

    Raises
    ------
    CannotUse
        Without a wound.
    """
    together = judge_together([one.verdict for one in each])
    union = dict.fromkeys(culprit for one in each for culprit in one.barrier.culprits)
    return Wounds(tuple(each), together, require(list(union), snow_mm=snow_mm))


def measure_picture(
    picture: Picture,
    taps: Sequence[Point] = (),
    scale: Scale | None = None,
    print_scale: float = 1.0,
    circumstances: Circumstances | None = None,
    ground: Ground | None = None,
) -> tuple[Plane | None, Measurement]:
    """What the picture shows, by what stands in it: a card (severed end or gnawed patch), a staff, or neither.

    Parameters
    ----------
    picture
        That is measured [no unit].
    taps
        The wound first, then a point farther back on the same stem [upright px].
    scale
        A length in the picture that is known; None for none [no unit].
    print_scale
        Measured over stated length of the card's check bar [no unit].
    circumstances
        What is known round the wound [no unit].
    ground
        What is known of it, for the wound's height [no unit].

    Raises
    ------
    CannotUse
        For a picture of too few pixels, and for what was pointed at outside of it.
    """
    from diagnose.photo.plane import find_card

    width, height = picture.size
    if min(width, height) < LEAST_SIDE:
        raise CannotUse(f"{picture.name} has {width} x {height} pixels, too few to measure: give the photo itself")
    known = (scale.ends if scale is not None else None) or ()
    foot = () if ground is None or ground.foot is None else (ground.foot,)
    for x, y in (*taps, *known, *foot):
        if not (0 <= x < width and 0 <= y < height):
            raise CannotUse(f"the tap {x:.0f},{y:.0f} lies outside the picture of {width} x {height} pixels")
    try:
        plane: Plane | None = find_card(picture, print_scale=print_scale)
    except CannotUse as no_card:
        plane, why_no_card = None, str(no_card)
    if plane is not None:
        measurement = _beside_card(picture, plane, taps)
        if ground is not None:
            measurement = measurement.with_more(_height_beside_card(picture, plane, taps, measurement, ground))
    else:
        plane, measurement = _without_card(picture, taps, scale, circumstances, why_no_card, ground)
    if len(taps):
        measurement = replace(measurement, shapes={**measurement.shapes, "taps": np.asarray(taps, dtype=float)})
    return plane, _with_reasons(_possible(measurement))


def _beside_card(picture: Picture, plane: Plane, taps: Sequence[Point]) -> Measurement:
    from diagnose.measure.bark_patch import measure_patch
    from diagnose.measure.card_stems import looks_for_an_end
    from diagnose.measure.severed_end import measure_end_on_card

    end = measure_end_on_card(picture, plane, taps)
    if end.measured:
        return end
    patch = measure_patch(picture, plane, taps)
    return end if not patch.measured and looks_for_an_end(picture, plane, taps) else patch


def _height_beside_card(
    picture: Picture, plane: Plane, taps: Sequence[Point], measurement: Measurement, ground: Ground
) -> Measurement:
    """The wound's height by the card, of the tap or else of what was measured: a cut's end, a patch's upper edge."""
    from diagnose.measure.held_card import height_by_card

    shapes = measurement.shapes
    if taps:
        wound = taps[0]
    elif "face_line" in shapes:
        wound = tuple(shapes["face_line"].mean(axis=0))
    elif "patch" in shapes:
        run = np.ptp(shapes["axis"], axis=0)
        if run[0] > run[1]:
            return Measurement(not_measured={"wound_height_mm": "the stem lies across the picture: turn it upright"})
        wound = tuple(shapes["patch"][shapes["patch"][:, 1].argmin()])
    else:
        return Measurement(not_measured={"wound_height_mm": "tap the wound, for its height by the card"})
    return height_by_card(plane, picture.size, wound, ground.card_at_mm, ground.foot)


def _without_card(
    picture: Picture,
    taps: Sequence[Point],
    scale: Scale | None,
    circumstances: Circumstances | None,
    why_no_card: str,
    ground: Ground | None,
) -> tuple[Plane | None, Measurement]:
    from diagnose.measure.free_end import measure_free_end
    from diagnose.measure.height import measure_height, measure_height_by_marks, staff_plane
    from diagnose.photo.plane import find_staff

    try:
        staff = find_staff(picture)
    except CannotUse:
        staff = None
    foot = None if ground is None else ground.foot
    if staff is not None:
        snow_mm = circumstances.snow_mm if circumstances else None
        taps = (taps[0], foot) if taps and foot is not None else taps
        return staff_plane(staff), measure_height(picture, staff, taps, snow_mm=snow_mm)
    plane, why_no_scale = None, None
    try:
        plane = scale.plane(picture, taps[0] if taps else None) if scale else None
    except CannotUse as no_scale:  # slope and form need no scale: only the diameter is lost
        why_no_scale = str(no_scale)
    measurement = measure_free_end(picture, taps, scale=plane)
    if why_no_scale is not None and "end_diameter_mm" in measurement.not_measured:
        measurement.not_measured["end_diameter_mm"] = why_no_scale
    if foot is not None and taps and scale is not None and scale.ends is not None and scale.known_mm is not None:
        measurement = measurement.with_more(measure_height_by_marks(picture, scale.known_mm, scale.ends, taps[0], foot))
    elif foot is not None or (ground is not None and ground.card_at_mm is not None):
        measurement.not_measured["wound_height_mm"] = (
            "for a height without the staff show the scale card upright beside the wound, or mark the wound, the plant's "
            f"foot and the two ends of something upright whose length you know ({why_no_card})"
        )
    if not measurement.measured:
        reasons = {name: f"{reason} (card: {why_no_card})" for name, reason in measurement.not_measured.items()}
        measurement = Measurement({}, reasons, measurement.shapes, measurement.remarks)
    return plane, measurement


def _possible(measurement: Measurement) -> Measurement:
    """The measurement without what cannot be: what reaches past a sign's range is cut there, what lies beyond it is told."""
    measured, reasons = dict(measurement.measured), dict(measurement.not_measured)
    for name, sign in measurement.measured.items():
        word = vocabulary()[name]
        if isinstance(sign, Measured) and not word.low <= sign.value <= word.high:
            sign = Bounded(sign.value - 2 * sign.sigma, sign.value + 2 * sign.sigma, how=sign.how)
        cut = within_range(sign, word) if isinstance(sign, Bounded) else sign
        if cut is None:
            del measured[name]
            reasons[name] = (f"it came out beyond {word.low:g} to {word.high:g} {word.unit}".rstrip()
                             + ": tap the wound, or take the photo anew")
        else:
            measured[name] = cut
    return replace(measurement, measured=measured, not_measured=reasons)


def _with_reasons(measurement: Measurement) -> Measurement:
    """The measurement with a reason for every quantity it lacks, so that nothing is silently missing."""
    reasons = dict(measurement.not_measured)
    for names, reason in _ELSEWHERE.items():
        for name in names:
            if name not in measurement.measured:
                reasons.setdefault(name, reason)
    return replace(measurement, not_measured=reasons)


def _judged(
    signs: Signs,
    circumstances: Circumstances | None,
    picture: Picture | None = None,
    plane: Plane | None = None,
    measurement: Measurement | None = None,
) -> Diagnosis:
    around = circumstances or Circumstances()
    place = around.region
    month = around.month
    if picture is not None:
        taken = picture.taken
        if place is None and taken.lat is not None and taken.lon is not None:
            place = (taken.lat, taken.lon)
        if month is None and taken.time is not None:
            month = taken.time.month
    verdict = judge(signs, place, month, around.prior, around.snow_mm, around.confirmed)
    barrier = require(_by_need(verdict), snow_mm=around.snow_mm or 0.0)
    return Diagnosis(verdict, barrier, signs, picture, plane, measurement or Measurement())


def _rounded(shares: Mapping[str, float]) -> dict[str, float]:
    """Shares to four places, the largest first."""
    return {key: round(share, 4) for key, share in sorted(shares.items(), key=lambda item: -item[1])}


def _by_need(verdict: Verdict) -> dict[str, float]:
    """The likeliest culprit of each need of a barrier, with what all culprits of that need have together.

    Eight kinds of deer that cannot be told apart ask for one barrier, and none of them alone would. Of equally likely ones
    the first of the catalogue is named.
    """
    found: dict[str, dict[str, float]] = {}
    for key, share in verdict.culprits.items():
        if key in NEED_OF:
            found.setdefault(NEED_OF[key], {})[key] = share
    return {max(shares, key=lambda key: round(shares[key], DIGITS)): sum(shares.values()) for shares in found.values()}
