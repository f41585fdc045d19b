"""What can be known of a wound, and how is it written down?

A sign is one thing known of a wound or seen beside it. It is measured from a photo, answered by a person,
or unknown; an unknown sign is simply absent. Every measured sign carries its standard uncertainty. The
vocabulary (`signs.yaml`) names every sign, its choices or unit, and the question that asks for it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.texts import meant, read_values, shown

How = Literal["photo", "answer", "default"]
# A number read off by eye is good to about a tenth, a height or length by tape to a twentieth (our choice, no source).
_READING = {False: 0.10, True: 0.05}
# what is narrower than this share of a patch's width at its ends is a fray, and no height of it; that takes 0.25 % of an
# ellipse's height
FRAY = 0.07
_UNKNOWN = {"", "unknown", "don't know", "dont know", "?"}


@dataclass(frozen=True)
class Measured:
    """A number with its standard uncertainty.

    Parameters
    ----------
    value, sigma
        In the unit that the sign's name ends with.
    how
        How it is known: photo, answer or default [no unit].
    """

    value: float
    sigma: float
    how: How = "photo"

    def as_json(self) -> dict[str, float]:
        """The sign as the command prints it."""
        return {"value": round(float(self.value), 4), "sigma": round(float(self.sigma), 4)}


@dataclass(frozen=True)
class Bounded:
    """An interval that holds the number, where no single value can be stated.

    Parameters
    ----------
    low, high
        In the unit that the sign's name ends with.
    level
        Probability that it lies between them, 0 to 1 [no unit].
    how
        How it is known: photo, answer or default [no unit].
    """

    low: float
    high: float
    level: float = 0.95
    how: How = "photo"

    def as_json(self) -> dict[str, float]:
        """The sign as the command prints it."""
        return {"low": round(float(self.low), 4), "high": round(float(self.high), 4), "level": self.level}


@dataclass(frozen=True)
class Shares:
    """Probabilities over the choices of a sign.

    Parameters
    ----------
    shares
        Choice -> probability; they add up to 1 [no unit].
    how
        How it is known: photo, answer or default [no unit].
    """

    shares: Mapping[str, float]
    how: How = "photo"

    def __hash__(self) -> int:
        return hash((frozenset(self.shares.items()), self.how))

    def as_json(self) -> dict[str, float]:
        """The sign as the command prints it."""
        return {choice: round(float(share), 4) for choice, share in self.shares.items()}


@dataclass(frozen=True)
class Answer:
    """One choice of a sign, as a person answered it.

    Parameters
    ----------
    choice
        Its key [no unit].
    how
        How it is known: photo, answer or default [no unit].
    """

    choice: str
    how: How = "answer"

    def as_json(self) -> str:
        """The sign as the command prints it."""
        return self.choice


@dataclass(frozen=True)
class Several:
    """Choices of a sign that hold together, as kinds of droppings found side by side.

    Parameters
    ----------
    found
        Keys of the choices, in any order [no unit].
    complete
        Was everything else looked for and is not there? [no unit]
    how
        How it is known: photo, answer or default [no unit].
    """

    found: tuple[str, ...]
    complete: bool = False
    how: How = "answer"

    def __post_init__(self) -> None:
        if not self.found or "none" in self.found:
            raise CannotUse("several choices that hold together need at least one that was found")

    def as_json(self) -> list[str]:
        """The choices as a list, with "none" where nothing else was there."""
        return [*self.found, *(["none"] if self.complete else [])]


Sign = Measured | Bounded | Shares | Answer | Several
Signs = Mapping[str, Sign]


def signs_as_json(signs: Signs) -> dict[str, Any]:
    """The signs as plain JSON values, in the shapes that the command prints.

    Parameters
    ----------
    signs
        Name -> sign [no unit].
    """
    return {name: sign.as_json() for name, sign in signs.items()}


@dataclass(frozen=True)
class Word:
    """One sign of the vocabulary.

    Parameters
    ----------
    name, label
        Its key, and what it is called [no unit].
    group, about
        Signs that hang together, and signs that tell of one thing and count once share a word [no unit].
    kind, choices
        choice or number, and key -> words of the choices [no unit].
    unit, low, high
        Name of the unit, and the plausible range in it.
    question, help
        None for signs that only a photo gives [no unit].
    effort
        Of answering, 1 a glance to 3 a search [no unit].
    asked_of
        Wounds that the question makes sense for, empty for all [no unit].
    several
        May more than one choice hold at once? [no unit]
    asked_where
        Sign -> the answers to it after which the question makes sense; empty where it hangs on none [no unit].
    void_where
        Sign -> the answers to it after which this one says nothing any more [no unit].
    kind_of, kinds
        The sign that this one tells more finely, empty for none, and each choice here -> the choice there that it is a kind
        of [no unit].
    folded
        Words -> choices that a screen shows under them once they are pressed; empty where all are shown [no unit].
    """

    name: str
    label: str
    group: str
    about: str
    kind: str
    choices: Mapping[str, str] = field(default_factory=dict)
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    question: str | None = None
    help: str = ""
    effort: int = 1
    asked_of: tuple[str, ...] = ()
    several: bool = False
    asked_where: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    void_where: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    kind_of: str = ""
    kinds: Mapping[str, str] = field(default_factory=dict)
    folded: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@cache
def vocabulary() -> dict[str, Word]:
    """Every sign by its name, in the order of `signs.yaml`."""
    loaded = knowledge("diagnose", "signs.yaml")
    return {name: _word(name, entry, loaded) for name, entry in loaded.items()}


def _word(name: str, entry: Mapping[str, Any], loaded: Mapping[str, Any]) -> Word:
    low, high = entry.get("range", (-math.inf, math.inf))
    choices = entry.get("choices", {})
    if "choices_of" in entry:
        choices = {key: words for key, words in loaded[entry["choices_of"]]["choices"].items() if key != "none"}
    kind_of, kinds = next(iter(entry.get("kinds_of", {}).items()), ("", {}))
    return Word(
        name, entry["label"], entry["group"], entry.get("about", name), entry["kind"], choices,
        entry.get("unit", ""), low, high, entry.get("question"), entry.get("help", ""), entry.get("effort", 1),
        tuple(entry.get("asked_of", ())), bool(entry.get("several", False)),
        _answers(entry, "asked_where"), _answers(entry, "void_where"),
        kind_of, {kind: choice for choice, some in kinds.items() for kind in some}, _answers(entry, "folded"),
    )


def _answers(entry: Mapping[str, Any], key: str) -> dict[str, tuple[str, ...]]:
    """Sign, or words -> the answers that an entry names under a key."""
    return {sign: tuple(told) for sign, told in entry.get(key, {}).items()}


def answered_so(signs: Signs, answers: Mapping[str, tuple[str, ...]]) -> bool:
    """Was one of these answers given, more likely than not?

    Parameters
    ----------
    signs
        What is known of the wound, each sign in its own unit.
    answers
        Sign -> keys of choices, as `asked_where` and `void_where` of a `Word` hold them [no unit].
    """
    for name, choices in answers.items():
        sign = signs.get(name)
        if isinstance(sign, Answer) and sign.choice in choices:
            return True
        if isinstance(sign, Shares) and sum(sign.shares.get(choice, 0.0) for choice in choices) > 0.5:
            return True
    return False


def with_what_follows(signs: Signs) -> Signs:
    """The signs, and what the finer among them tell of the coarser: who knows a pine has told of a conifer.

    Parameters
    ----------
    signs
        What is known of the wound, each sign in its own unit; a coarser sign that was told too gives way.
    """
    words = {name: vocabulary()[name] for name in signs if name in vocabulary()}
    return {**signs, **{word.kind_of: _coarser(word, signs[name]) for name, word in words.items() if word.kind_of}}


def _coarser(word: Word, sign: Sign) -> Sign:
    if isinstance(sign, Answer):
        return Answer(word.kinds[sign.choice], sign.how)
    if not isinstance(sign, Shares):
        raise TypeError(f"{word.name} is an answer or shares")
    found: dict[str, float] = {}
    for choice, share in sign.shares.items():
        found[word.kinds[choice]] = found.get(word.kinds[choice], 0.0) + share
    return Shares(found, sign.how)


def read_signs(path: str | Path) -> dict[str, Sign]:
    """The signs in a YAML or JSON file that maps names to answers; unknown ones are left out.

    Parameters
    ----------
    path
        Of the file [no unit].

    Raises
    ------
    CannotUse
        In one line, for a file that cannot be read or a sign that makes no sense.
    """
    loaded = read_values(path)
    if isinstance(loaded, dict) and isinstance(loaded.get("signs"), dict):
        loaded = loaded["signs"]
    if not isinstance(loaded, dict):
        raise CannotUse(f"{path} holds no signs; write one `sign: answer` a line")
    return parse_signs(loaded)


def parse_signs(answers: Mapping[str, Any]) -> dict[str, Sign]:
    """Signs from plain values: a choice, a list of choices, a number, {value, sigma}, {low, high} or {choice: share, ...}.

    In a list of choices, which only traces take, "none" says that nothing else was there though it was looked for.

    Parameters
    ----------
    answers
        Sign -> plain value, each in the unit that the sign's name ends with.

    Raises
    ------
    CannotUse
        For a sign that there is not, or a value that makes no sense for it.
    """
    parsed = {str(name): _parse(str(name), value) for name, value in answers.items()}
    return {name: sign for name, sign in parsed.items() if sign is not None}


def _parse(name: str, value: Any) -> Sign | None:
    word = vocabulary().get(name)
    if word is None:
        raise CannotUse(f"'{shown(name)}' is not a sign; {meant(name, vocabulary(), 'the signs are')}")
    if value is None or (isinstance(value, str) and value.strip().lower() in _UNKNOWN):
        return None
    return _parse_choice(word, value) if word.kind == "choice" else _parse_number(word, value)


def _parse_choice(word: Word, value: Any) -> Sign:
    if isinstance(value, bool) and set(word.choices) == {"crushed", "whole"}:
        value = "crushed" if value else "whole"
    if isinstance(value, dict):
        shares = {str(choice): _number(word, share) for choice, share in value.items()}
        unknown = set(shares) - set(word.choices)
        total = sum(shares.values())
        if unknown or min(shares.values(), default=-1.0) < 0 or not math.isclose(total, 1.0, abs_tol=0.02):
            raise CannotUse(f"'{word.name}' needs shares of {', '.join(word.choices)} that add up to 1")
        return Shares({choice: share / total for choice, share in shares.items()}, "answer")
    if isinstance(value, list | tuple):
        return _parse_several(word, value)
    return Answer(_choice(word, value))


def _choice(word: Word, value: Any) -> str:
    choice = str(value).strip().lower().replace(" ", "_").replace("-", "_")
    if choice not in word.choices:
        raise CannotUse(f"'{shown(value)}' is no answer for '{word.name}'; choose one of {', '.join(word.choices)}")
    return choice


def _parse_several(word: Word, values: Any) -> Sign:
    if not word.several or not values:
        raise CannotUse(f"'{word.name}' takes one answer, not a list" if not word.several else
                        f"'{word.name}' holds an empty list; say what was found, or none")
    choices = list(dict.fromkeys(_choice(word, value) for value in values))
    found = tuple(choice for choice in choices if choice != "none")
    if not found:
        return Answer("none")
    return Answer(found[0]) if len(choices) == 1 else Several(found, "none" in choices)


def _parse_number(word: Word, value: Any) -> Sign:
    if isinstance(value, dict) and {"low", "high"} <= set(value):
        low, high = _number(word, value["low"]), _number(word, value["high"])
        level = _number(word, value.get("level", 0.95))
        if low > high or not 0 < level < 1:
            raise CannotUse(f"'{word.name}' needs low below high and a level between 0 and 1")
        cut = within_range(Bounded(low, high, level, "answer"), word)
        if cut is None:
            raise CannotUse(_range_of(word))
        return cut
    if isinstance(value, dict):
        if "value" not in value:
            raise CannotUse(f"'{word.name}' needs a number, or value and sigma, or low and high")
        number = _number(word, value["value"])
        sigma = _number(word, value.get("sigma", 0.0))
    else:
        number, sigma = _number(word, value), 0.0
    if not word.low <= number <= word.high:
        raise CannotUse(_range_of(word))
    if sigma < 0:
        raise CannotUse(f"the sigma of '{word.name}' must not be negative")
    share, least = reading_of(word)
    return Measured(number, sigma or max(share * abs(number), least), "answer")


def reading_of(word: Word) -> tuple[float, float]:
    """How well a number is read off by eye or tape: its standard uncertainty as a share of it, and at least [its unit].

    Parameters
    ----------
    word
        A sign that is a number [no unit].
    """
    return _READING[word.unit == "mm" and word.high >= 1000], 1e-3 * (word.high - word.low)


def _number(word: Word, value: Any) -> float:
    try:
        number = float("" if isinstance(value, str) and "_" in value else value)  # 1_000 is Python's, not people's
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not math.isfinite(number) or isinstance(value, bool):
        raise CannotUse(f"'{shown(value)}' is not a number for '{word.name}' [{word.unit}]")
    return number


def _range_of(word: Word) -> str:
    return f"'{word.name}' must lie between {word.low:g} and {word.high:g} {word.unit}".rstrip()


def within_range(interval: Bounded, word: Word) -> Bounded | None:
    """The part of an interval that can be: a width from below nothing to 4 mm is one of up to 4 mm. None where none can be.

    Parameters
    ----------
    interval
        In the sign's unit.
    word
        The sign, a number [no unit].
    """
    low, high = max(interval.low, word.low), min(interval.high, word.high)
    return replace(interval, low=low, high=high) if low <= high else None
