"""What must a barrier be to stop these culprits: kind, opening, height, base, stand-off, and with which cautions?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.given import one_of
from diagnose.knowledge import knowledge
from diagnose.protect.sources import called_by_name
from diagnose.texts import meant

LIKELY = 0.20  # a culprit at least this probable sizes a guard for one plant; our choice, no source
DIGITS = 9  # decimals to which probabilities are compared: what differs by the rounding of a sum alone is equal
MM_PER_INCH = 25.4  # exact by definition
SNOW_LIMIT_MM = 6000.0

NEED_OF: Mapping[str, str] = knowledge("diagnose.protect", "need_of.yaml")
NOTHING_BUILT = "none"
# the stoutest kind that any culprit calls for is built; a finer mesh goes round the base of it
STOUTNESS = ("none", "root basket", "wire cylinder", "closed cage", "cage", "stock guard")
STAKED = ("cage", "closed cage", "wire cylinder")
STAKES = (
    called_by_name("stake past the upper tie and below the lip, at least 300 mm in the ground (FGS-shelter)"),
    "metal stakes where wind is strong: a short wooden stake fails (common practice, no source)",
)
FINE_KINDS = ("wire cylinder", "root basket")
# who is named when a barrier does not stop them; the rarer ones would make the line too long to be read
COMMON = (
    "deer_small", "deer_large", "elk", "moose", "livestock", "rabbit", "hare", "vole", "vole_below", "mouse_or_rat",
)


@dataclass(frozen=True)
class Figure:
    """One length of a barrier.

    Parameters
    ----------
    value_mm
        The length [mm].
    source, tag, note, disagreement
        Source key, how the source is known, what is to be said of it, and what disagrees [no unit].
    """

    value_mm: float
    source: str
    tag: str
    note: str
    disagreement: str = ""  # key in disagreements.yaml

    def as_json(self) -> dict[str, Any]:
        """In mm and inches, with its source, and with the disagreement of sources where there is one."""
        told = {"mm": round(self.value_mm, 1), "inches": round(self.value_mm / MM_PER_INCH, 2),
                "source": self.source, "tag": self.tag, "note": self.note}
        if self.disagreement:
            told["disagreement"] = disagreements()[self.disagreement]
        return told


@dataclass(frozen=True)
class Requirement:
    """What a barrier at the single plant must be.

    Parameters
    ----------
    kind, stops, culprits
        None where no barrier helps; needs that it meets, in words; and whose they are [no unit].
    opening, height, stand_off, wire
        Largest mesh opening, least top above the ground, snow included, least distance from the stem, least wire [mm].
    fine_opening, fine_top, burial
        Of a finer mesh round the base, where small animals are there too, and how deep the mesh goes [mm].
    base, area, stakes
        How it ends at the ground, what stops them round the whole planting, and how it is staked, in words [no unit].
    leaves_open, unstopped, instead
        Common biters that still get past it; likely culprits that no barrier at the plant stops; what to do about them [no
        unit].
    fails, also, cautions
        How it fails, what else helps, what to mind [no unit].
    snow_mm
        Deepest snow that it is sized for [mm].
    """

    kind: str | None
    culprits: tuple[str, ...]
    stops: tuple[str, ...]
    opening: Figure | None
    height: Figure | None
    fine_opening: Figure | None
    fine_top: Figure | None
    burial: Figure | None
    base: str
    stand_off: Figure | None
    wire: Figure | None
    area: tuple[str, ...]
    leaves_open: tuple[str, ...]
    unstopped: tuple[str, ...]
    instead: tuple[str, ...]
    fails: tuple[str, ...]
    also: tuple[str, ...]
    cautions: tuple[str, ...]
    snow_mm: float
    stakes: tuple[str, ...] = ()

    def figures(self) -> dict[str, Figure]:
        """The figures that apply, by name, in the order of building."""
        named = {"largest opening": self.opening, "least height": self.height,
                 "finer mesh at the base": self.fine_opening, "height of the finer mesh": self.fine_top,
                 "depth in the ground": self.burial, "stand-off from the stem": self.stand_off,
                 "wire at least": self.wire}
        return {name: figure for name, figure in named.items() if figure is not None}

    def as_json(self) -> dict[str, Any]:
        """The object that the command prints under `barrier`."""
        return {
            "kind": self.kind,
            "stops": list(self.stops),
            "culprits": list(self.culprits),
            "figures": {name.replace(" ", "_").replace("-", "_"): f.as_json() for name, f in self.figures().items()},
            "base": self.base,
            "snow_mm": self.snow_mm,
            "instead_of_single_guards": list(self.area),
            "leaves_open": list(self.leaves_open),
            "unstopped": list(self.unstopped),
            "do_instead": list(self.instead),
            "fails": list(self.fails),
            "also": list(self.also),
            "stakes": list(self.stakes),
            "cautions": list(self.cautions),
        }


def disagreements() -> dict[str, Any]:
    """Topic -> every published value, its source, the chosen one and why, as `disagreements.yaml` holds it."""
    return knowledge("diagnose.protect", "disagreements.yaml")


def other_names() -> dict[str, str]:
    """Other name of an animal -> its key in the catalogue of culprits, as `names.yaml` holds them."""
    return knowledge("diagnose.protect", "names.yaml")


def nameable() -> tuple[str, ...]:
    """Every name that `culprit_of` finds a need for, the plain ones first."""
    return tuple(dict.fromkeys((*other_names(), *NEED_OF)))


def culprit_of(name: str) -> str:
    """The key of a culprit that somebody named; the name itself where none is known.

    A name with a need of its own keeps it; `names.yaml` holds the others.

    Parameters
    ----------
    name
        As somebody typed it [no unit].
    """
    told = name.strip().lower().replace(" ", "_").replace("-", "_")
    one = f"{told[:-3]}y" if told.endswith("ies") else told.removesuffix("s")
    for key in (told, one):  # as it was typed, then one of several
        for _ in range(2):  # a name may stand for another name
            if key in NEED_OF:
                return key
            key = other_names().get(key, key)
        if key in NEED_OF:
            return key
    return told


@cache
def needs() -> dict[str, Any]:
    """Need key -> what stops it, as `needs.yaml` holds it, with sources by name in the words that people read."""
    found: dict[str, Any] = _read_by_people(knowledge("diagnose.protect", "needs.yaml"))
    return found


def _read_by_people(told: Any, name: str = "") -> Any:
    """The same with `called_by_name` for every text but the keys of sources themselves."""
    if isinstance(told, dict):
        return {key: _read_by_people(value, key) for key, value in told.items()}
    return called_by_name(told) if isinstance(told, str) and name not in ("source", "tag") else told


def built_of() -> dict[str, str]:
    """Culprit -> what is built against it at one plant, the same words for the same kind, opening, height and depth.

    Voles and mice need one barrier; where none helps, or the culprit is not listed, nothing is built.
    """
    built = {key: NOTHING_BUILT if need["kind"] == "none" else
             f"{need['kind']} {need['opening']['value']} {need['top']['value']} {need['base']['value']}"
             for key, need in needs().items()}
    return {**{culprit: built[need] for culprit, need in NEED_OF.items()}, "not_listed": NOTHING_BUILT}


def cautions() -> dict[str, Any]:
    """Name of a caution -> its text and when it is due, as `cautions.yaml` holds them."""
    return knowledge("diagnose.protect", "cautions.yaml")


def caution_text(name: str) -> str:
    """A caution in full.

    Parameters
    ----------
    name
        Its key in `cautions.yaml` [no unit].

    Raises
    ------
    CannotUse
        For a key that is none.
    """
    return str(cautions()[one_of(name, cautions(), "The caution")]["text"])


def in_few_words(caution: str) -> str:
    """A caution as it is told where there is little room; as it stands where it has no shorter form.

    Parameters
    ----------
    caution
        In full, as `caution_text` gives it [no unit].
    """
    return next((str(one["short"]) for one in cautions().values() if one["text"] == caution and "short" in one), caution)


def protected_animals() -> dict[str, Any]:
    """Animal -> its culprits, the words that name it, where it is protected, and the source: `protected.yaml`."""
    return knowledge("diagnose.protect", "protected.yaml")


def protected_culprits() -> frozenset[str]:
    """Culprits that are protected or have a close season somewhere."""
    return frozenset(culprit for entry in protected_animals().values() for culprit in entry["culprits"])


def cautions_for(called: Iterable[str], culprits: Iterable[str] = (), short: bool = False) -> tuple[str, ...]:
    """What to mind, a line each.

    Parameters
    ----------
    called
        Barrier kinds, places, needs or works, see `cautions.yaml` [no unit].
    culprits
        That are likely; those protected somewhere add their caution [no unit].
    short
        True for few words, where there are any [no unit].
    """
    wanted = {*called} | ({"protected"} if protected_culprits() & {*culprits} else set())
    return tuple(entry["short"] if short and "short" in entry else entry["text"]
                 for entry in cautions().values() if wanted & set(entry["when"]))


def require(culprits: Mapping[str, float] | Iterable[str], snow_mm: float = 0.0) -> Requirement:
    """What a barrier must be against these culprits.

    Parameters
    ----------
    culprits
        Probability by culprit key (those of at least LIKELY count, and always the likeliest), or plain names, which all
        count [no unit].
    snow_mm
        Deepest snow, drifts included, 0 to 6000 [mm].

    Raises
    ------
    CannotUse
        For a name that is no culprit and a depth that is no depth.

    References
    ----------
    .. [1] `needs.yaml`: each length with its source.
    """
    if not (math.isfinite(snow_mm) and 0 <= snow_mm <= SNOW_LIMIT_MM):
        raise CannotUse(f"the snow depth must lie between 0 and {SNOW_LIMIT_MM:.0f} mm")
    counted = _counted(culprits)
    keys = sorted({NEED_OF[key] for key in counted}, key=list(needs()).index)
    met = {key: needs()[key] for key in keys if needs()[key]["kind"] != "none"}
    likeliest_first = dict.fromkeys(NEED_OF[key] for key in counted)  # so is what is told to be done instead
    helpless = [needs()[key] for key in likeliest_first if needs()[key]["kind"] == "none"]
    kind = max((need["kind"] for need in met.values()), key=STOUTNESS.index, default=None)
    coarse = {key: need for key, need in met.items() if need["kind"] not in FINE_KINDS}
    fine = {key: need for key, need in met.items() if need["kind"] in FINE_KINDS} if coarse else {}
    main = coarse or met
    figures = (_least(main, "opening"), _top(main, snow_mm), _least(fine, "opening"), _top(fine, snow_mm))
    return Requirement(
        kind=kind,
        culprits=tuple(counted),
        stops=tuple(need["name"] for need in met.values()),
        opening=figures[0],
        height=figures[1],
        fine_opening=figures[2],
        fine_top=figures[3],
        burial=_most(met, "base"),
        base=_base(met),
        stand_off=_most(met, "stand_off"),
        wire=_most(main, "wire"),
        area=tuple(need["area"] for need in met.values() if "area" in need),
        leaves_open=_left_open(met, figures, snow_mm),
        unstopped=tuple(need["name"] for need in helpless),
        instead=tuple(need["advice"] for need in helpless),
        fails=tuple(need["fails"] for need in met.values() if need.get("fails")),
        also=tuple(dict.fromkeys(need["also"] for need in met.values() if "also" in need)),
        cautions=cautions_for(["any", *([] if kind is None else [kind]), *keys], counted),
        snow_mm=float(snow_mm),
        stakes=STAKES if kind in STAKED else (),
    )


def _counted(culprits: Mapping[str, float] | Iterable[str]) -> list[str]:
    """Culprit keys that the barrier must stop, likeliest first."""
    if not isinstance(culprits, Mapping):
        names = [str(name).strip().lower().replace(" ", "_") for name in culprits]
        keys = [culprit_of(name) for name in names]
        if "rabbit_or_hare" in keys:
            keys = [key for key in keys if key != "rabbit_or_hare"] + ["rabbit", "hare"]
        unknown = [key for key in keys if key not in NEED_OF]
        if unknown:
            raise CannotUse(f"'{unknown[0]}' is no culprit; {meant(unknown[0], nameable())}")
        return sorted(set(keys), key=list(NEED_OF).index)
    known = {key: share for key, share in culprits.items() if key in NEED_OF}
    ranked = sorted(known, key=lambda key: (-round(known[key], DIGITS), key))
    return [key for place, key in enumerate(ranked) if known[key] >= LIKELY or place == 0]


def _left_open(
    met: Mapping[str, Any], figures: tuple[Figure | None, ...], snow_mm: float
) -> tuple[str, ...]:
    """Common biters that still get past: through the mesh, over the top, below it, or by pushing it over."""
    opening, height, fine_opening, fine_top = figures
    if opening is None or height is None:
        return ()
    kinds = {need["kind"] for need in met.values()}
    depth = max(need["base"]["value"] for need in met.values())
    left = []
    for key in COMMON:
        if key in met:
            continue
        need = needs()[key]
        top = _top({key: need}, snow_mm)
        assert top is not None
        reached = fine_opening is not None and fine_top is not None and fine_top.value_mm >= top.value_mm
        mesh = fine_opening if reached and fine_opening is not None else opening
        stops = (
            mesh.value_mm <= need["opening"]["value"] and height.value_mm >= top.value_mm
            and depth >= need["base"]["value"] and (need["kind"] in FINE_KINDS or need["kind"] in kinds)
        )
        if not stops:
            left.append(need["name"])
    return tuple(left)


def _figure(entry: Mapping[str, Any], value: float | None = None, note: str | None = None) -> Figure:
    return Figure(float(entry["value"]) if value is None else value, entry["source"], entry["tag"],
                  entry["note"] if note is None else note, entry.get("disagreement", ""))


def _least(met: Mapping[str, Any], name: str) -> Figure | None:
    entries = [need[name] for need in met.values() if name in need]
    return _figure(min(entries, key=lambda entry: entry["value"])) if entries else None


def _most(met: Mapping[str, Any], name: str) -> Figure | None:
    entries = [need[name] for need in met.values() if name in need]
    return _figure(max(entries, key=lambda entry: entry["value"])) if entries else None


def _top(met: Mapping[str, Any], snow_mm: float) -> Figure | None:
    """The highest top asked for: the height without snow, or snow plus margin, whichever is more."""
    tops = []
    for need in met.values():
        margin = need["snow_margin"]
        over_snow = snow_mm + margin["value"] if snow_mm > 0 and margin["value"] > 0 else 0.0
        if over_snow > need["top"]["value"]:
            tops.append(_figure(margin, over_snow, f"{margin['value']:.0f} mm above {snow_mm:.0f} mm of snow; "
                                                   f"{need['top']['note']}".rstrip("; ")))
        else:
            tops.append(_figure(need["top"]))
    return max(tops, key=lambda figure: figure.value_mm, default=None)


def _base(met: Mapping[str, Any]) -> str:
    deepest = max(met.values(), key=lambda need: need["base"]["value"], default=None)
    return "" if deepest is None else str(deepest["base"]["treatment"])
