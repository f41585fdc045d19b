"""How do observations become a plain table, with one column a quantity and one its sigma?

The columns are the same for every log: those of the observation itself, four for each number that can be known of a wound
(value, standard uncertainty, and the limits where only an interval is known), one for each choice and one for each of its
shares, and the probability of each kind of culprit and of each culprit.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import pandas as pd

from diagnose.culprits.catalogue import catalogue, group_words
from diagnose.culprits.old_names import spread
from diagnose.fieldlog.query import FIELDS, NESTED
from diagnose.knowledge import knowledge
from diagnose.signs import Word, vocabulary

P = "p_"  # begins the name of every column that holds a probability


@dataclass(frozen=True)
class Column:
    """One column of the plain table.

    Parameters
    ----------
    name
        As it stands in the heading [no unit].
    kind
        string, number, boolean, date or datetime, as Table Schema names types [no unit].
    words
        What it holds [no unit].
    unit
        Of its numbers; empty where they have none, or where it holds none [no unit].
    """

    name: str
    kind: str
    words: str
    unit: str = ""


@cache
def columns() -> dict[str, Column]:
    """Every column of the plain table by its name, in order; each is described here and nowhere else."""
    own = knowledge("diagnose.fieldlog", "columns.yaml")
    found = [Column(name, own[name]["kind"], own[name]["words"], own[name].get("unit", ""))
             for name in (*FIELDS, "generalised", "withheld") if name not in NESTED]
    for word in vocabulary().values():
        found += _of_number(word) if word.kind == "number" else _of_choice(word)
    found += [Column(P + key, "number", f"probability that the culprit is of this kind: {words}")
              for key, words in _kinds().items()]
    found += [Column(P + key, "number", f"probability that the culprit is: {words}")
              for key, words in catalogue().names.items() if key not in _kinds()]
    return {column.name: column for column in found}


def _kinds() -> dict[str, str]:
    """Groups at the top of the tree of culprits; each culprit is in one of them."""
    tops = dict.fromkeys(catalogue().groups.values())
    return {key: group_words().get(key) or catalogue().names[key] for key in tops}


def _of_number(word: Word) -> Iterator[Column]:
    yield Column(word.name, "number", word.label, word.unit)
    yield Column(f"{word.name}_sigma", "number", f"standard uncertainty of: {word.label}", word.unit)
    yield Column(f"{word.name}_low", "number", f"lower limit, where only an interval is known: {word.label}", word.unit)
    yield Column(f"{word.name}_high", "number", f"upper limit, where only an interval is known: {word.label}", word.unit)


def _of_choice(word: Word) -> Iterator[Column]:
    several = "; several, joined by +, hold at once" if word.several else ""
    yield Column(word.name, "string", f"{word.label}: the choice that was answered, or the likeliest{several}")
    if word.name in ("wound", "end_form"):  # what a photo tells as shares
        for choice, told in word.choices.items():
            yield Column(f"{P}{word.name}_{choice}", "number", f"probability of this choice of {word.label}: {told}")


def wide(rows: pd.DataFrame) -> pd.DataFrame:
    """The observations as a plain table: a column a quantity and one its sigma, and a column a probability.

    Shares that a person gave of a choice that photos do not measure become its likeliest choice alone. A culprit that an
    older catalogue knew under another name counts for what that name means now, in equal parts where it means several.

    Parameters
    ----------
    rows
        Observations as `Log.observations` gives them [no unit].

    Returns
    -------
    pandas.DataFrame
        As many rows, in the same order, with the columns of `columns()`; those of the observation itself that the given rows
        lack are left out. Numbers are floats, NaN where nothing is known.
    """
    signs = [_signs(_read(one)) for one in rows["signs"]] if "signs" in rows else [{}] * len(rows)
    chances = [_chances(_read(one)) for one in rows["verdict"]] if "verdict" in rows else [{}] * len(rows)
    found: dict[str, Any] = {}
    for name, column in columns().items():
        if name in FIELDS or name in ("generalised", "withheld"):
            if name in rows:
                found[name] = rows[name].to_numpy()
        else:
            told = [sign.get(name, chance.get(name)) for sign, chance in zip(signs, chances, strict=True)]
            found[name] = pd.Series(told, dtype=float if column.kind == "number" else object).to_numpy()
    return pd.DataFrame(found, index=rows.index)


def _read(nested: Any) -> Mapping[str, Any]:
    return json.loads(nested) if isinstance(nested, str) else nested or {}


def _signs(signs: Mapping[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in signs.items():
        if not isinstance(value, Mapping):
            found[name] = "+".join(map(str, value)) if isinstance(value, list) else value
        elif "value" in value:
            found |= {name: value["value"], f"{name}_sigma": value.get("sigma")}
        elif "low" in value:
            found |= {f"{name}_low": value["low"], f"{name}_high": value["high"]}
        elif value:
            found[name] = max(value, key=lambda choice: value[choice])
            found |= {f"{P}{name}_{choice}": share for choice, share in value.items()}
    return found


def _chances(verdict: Mapping[str, Any]) -> dict[str, float]:
    found: dict[str, float] = {}
    groups = catalogue().groups
    for key, share in verdict.get("culprits", {}).items():
        now = (key,) if key in groups else spread(key)
        for one in now:
            for name in dict.fromkeys((P + one, P + groups[one])):
                found[name] = found.get(name, 0.0) + share / len(now)
    return found
