"""What does the catalogue know of each culprit, as arrays that signs can be weighed with?

A culprit does one or several things (acts: browsing, rubbing, stripping ...), each with tables of its own: an act of a
culprit is one cause that a wound may have. Presence and traces are the culprit's.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.culprits.fitted import FITTED, logs_of, scaled
from diagnose.culprits.tables import PUT_SO, Ranges, choice_table, kept, range_table, support, words
from diagnose.given import one_of
from diagnose.knowledge import knowledge
from diagnose.signs import Word, vocabulary

CULPRITS = ("hoofed.yaml", "gnawers.yaml", "elsewhere.yaml", "birds.yaml", "insects.yaml", "look_alikes.yaml")
FILES = (*CULPRITS, "shared.yaml", "classes.yaml", "words.yaml", "tree.yaml", "sources.yaml", FITTED)
LATENT = {"cut": "classes", "marks": "classes", "place": "zones"}
NOT_LISTED = "not_listed"
OF_THE_DEED = {"wound", "place", "site_kind", "special_mark"}  # what a deed is, where it is done, and what it alone leaves
TRACES = ("droppings", "tracks", "runs", "hair", "soil", "seen")


@dataclass(frozen=True, eq=False)  # one object for each: what is worked out of it is kept by it
class Catalogue:
    """The catalogue as read from its files: K culprits, C causes (acts of culprits).

    Parameters
    ----------
    keys
        (K) culprit keys, in file order [no unit].
    names, groups, parents, kinds
        Culprit key -> its name, its group at the top of the tree, its lowest one, and mammal, bird or another kind [no
        unit].
    causes
        (C) culprit key and act [no unit].
    of, share
        (C,) row of the cause's culprit, and share of the culprit's wounds, 0 to 1 [no unit].
    tables
        Sign or latent group -> (C, choices) probabilities given the cause, rows of nan where nothing is known; of a sign
        that tells another more finely, given that other one too [no unit].
    numbers
        Sign -> a density or None for each cause, in the sign's unit.
    reach_mm
        (K,) above what it stands on, inf for climbers and causes that do not stand [mm].
    severs_mm
        (K,) thickest shoot it bites through, inf where nothing is known [mm].
    bends, under_snow, animal
        (K,) yes or no [no unit].
    left
        Kind of trace (sign, choice) -> (3, K) chance of leaving it, low, middle and high [no unit].
    class_looks, raw
        What classes.yaml and the culprits' files hold [no unit].
    version
        Digest of all files [no unit].
    """

    keys: tuple[str, ...]
    names: Mapping[str, str]
    groups: Mapping[str, str]
    parents: Mapping[str, str]
    kinds: Mapping[str, str]
    causes: tuple[tuple[str, str], ...]
    of: np.ndarray
    share: np.ndarray
    tables: Mapping[str, np.ndarray]
    numbers: Mapping[str, tuple[Ranges | None, ...]]
    reach_mm: np.ndarray
    severs_mm: np.ndarray
    bends: np.ndarray
    under_snow: np.ndarray
    animal: np.ndarray
    left: Mapping[tuple[str, str], np.ndarray]
    class_looks: Mapping[str, Any]
    raw: Mapping[str, Any]
    version: str


def culprits_as_written() -> dict[str, Any]:
    """Culprit key -> its entry, as the files hold it."""
    found: dict[str, Any] = {}
    for name in CULPRITS:
        found.update(knowledge("diagnose.culprits", name))
    return found


def acts_as_written(entry: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """What a culprit does -> sign -> source -> what it says, shared tables among them.

    Parameters
    ----------
    entry
        Of one culprit, as `culprits_as_written` gives it [no unit].
    """
    return {act: _rows(act, tables, frozenset()) for act, tables in entry["acts"].items()}


def catalogue(
    without: str | None = None, without_sources: frozenset[str] = frozenset(), as_rows_say: bool = False
) -> Catalogue:
    """The catalogue.

    Parameters
    ----------
    without
        Culprit that is left out, as if nobody had ever described it; None for none [no unit].
    without_sources
        Keys of sources whose rows are left out, as if they had never been read [no unit].
    as_rows_say
        True for the rows alone, without the fitted factors [no unit].

    Raises
    ------
    CannotUse
        Where a file of the catalogue names a sign, a choice or a word that there is not.
    """
    return _read(without, without_sources, as_rows_say)


@cache
def _read(without: str | None, without_sources: frozenset[str], as_rows_say: bool) -> Catalogue:
    raw = {key: entry for key, entry in culprits_as_written().items() if key != without}
    looks = knowledge("diagnose.culprits", "classes.yaml")
    keys = tuple(raw)
    acts = [(key, act, rows) for key, entry in raw.items() for act, rows in entry["acts"].items()]
    rows = [_rows(f"{key}.{act}", tables, without_sources) for key, act, tables in acts]
    digest = hashlib.sha256()
    for name in FILES:
        digest.update((files("diagnose.culprits") / name).read_bytes())
    totals = {key: sum(act.get("share", 1) for act in entry["acts"].values()) for key, entry in raw.items()}
    tables: dict[str, np.ndarray] = {}
    numbers: dict[str, tuple[Ranges | None, ...]] = {}
    for sign in sorted({sign for each in rows for sign in each}):
        if sign in LATENT or vocabulary()[sign].kind == "choice":
            choices = choices_of(sign)
            tables[sign] = np.array([choice_table(each[sign], choices, f"{key}.{act}.{sign}") if sign in each
                                     else np.full(len(choices), np.nan)
                                     for (key, act, _), each in zip(acts, rows, strict=True)])
        else:
            word = vocabulary()[sign]
            numbers[sign] = tuple(range_table(each[sign], word.low, word.high, f"{key}.{act}.{sign}") if sign in each
                                  else None for (key, act, _), each in zip(acts, rows, strict=True))
    for sign in [sign for sign in tables if sign in vocabulary() and vocabulary()[sign].kind_of]:
        tables[vocabulary()[sign].kind_of], tables[sign] = _in_two_steps(vocabulary()[sign], tables)
    groups = {key: top_group(raw[key]["of"]) for key in keys}
    of_act = [groups[key] for key, _, _ in acts]
    shares = np.array([tables_.get("share", 1) / totals[key] for key, _, tables_ in acts], float)
    for sign in tables.keys() - OF_THE_DEED:
        put_so = np.array([sign in each and support(each[sign]).grade == PUT_SO for each in rows])
        tables[sign] = _with_its_group(tables[sign], of_act, shares, put_so)
    if not as_rows_say:
        tables = {sign: scaled(table, logs_of(sign, of_act, choices_of(sign)), kinds_of(sign))
                  for sign, table in tables.items()}
    return Catalogue(
        keys,
        {key: raw[key]["name"] for key in keys},
        groups,
        {key: raw[key]["of"] for key in keys},
        {key: raw[key]["kind"] for key in keys},
        tuple((key, act) for key, act, _ in acts),
        np.array([keys.index(key) for key, _, _ in acts]),
        shares,
        tables, numbers,
        np.array([raw[key].get("reach", {}).get("mm", np.inf) for key in keys], float),
        np.array([raw[key].get("severs", {}).get("mm", np.inf) for key in keys], float),
        np.array([bool(raw[key].get("reach", {}).get("bends", False)) for key in keys]),
        np.array([bool(raw[key].get("under_snow", False)) for key in keys]),
        np.array([raw[key]["kind"] in ("mammal", "bird") for key in keys]),
        _left(raw),
        looks, raw, digest.hexdigest()[:12],
    )


def choices_of(sign: str) -> list[str]:
    """The columns of a sign's table: its choices, or the classes behind a group of signs.

    Parameters
    ----------
    sign
        A sign with choices, or a group of LATENT [no unit].

    Raises
    ------
    CannotUse
        For a name that is neither.
    """
    one_of(sign, {*vocabulary(), *LATENT}, "The sign")
    looks = knowledge("diagnose.culprits", "classes.yaml")
    return list(looks[sign][LATENT[sign]]) if sign in LATENT else list(vocabulary()[sign].choices)


def kinds_of(sign: str) -> list[str]:
    """For each column of a sign's table the coarser choice that it is a kind of, within which it adds up to one.

    Parameters
    ----------
    sign
        A sign with choices, or a group of LATENT [no unit].

    Raises
    ------
    CannotUse
        For a name that is neither.
    """
    word = vocabulary().get(sign)
    return [word.kinds[choice] if word is not None and word.kind_of else "" for choice in choices_of(sign)]


def _in_two_steps(word: Word, tables: Mapping[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """(C, coarser choices) and (C, choices): chances of the coarser sign, and of the finer one given the coarser.

    So the two multiply to the finer one's chance, and what a culprit's own table of the coarser one says is kept.
    A culprit without one takes it from its table of the finer sign.
    """
    coarser = vocabulary()[word.kind_of]
    belongs = np.array([[word.kinds[choice] == one for one in coarser.choices] for choice in word.choices], float)
    summed = tables[word.name] @ belongs
    own = tables[word.kind_of]
    return np.where(np.isnan(own), summed, own), tables[word.name] / (summed @ belongs.T)


def _with_its_group(table: np.ndarray, groups: Sequence[str], shares: np.ndarray, own: np.ndarray) -> np.ndarray:
    """(C, choices) each cause's table mixed with the mean of its group's, in which each culprit counts as much.

    A culprit's deeds count by their shares.

    What is told of one deed of one animal is mostly told by few, and the next reader may well put it under another deed
    or name another animal of the group. Tables that follow from how the question is put (`own`) stay as they are.
    """
    found, ids = table.copy(), np.array(groups)
    for group in set(groups):
        here = (ids == group) & ~np.isnan(table[:, 0])
        if here.sum() > 1:
            mean = shares[here] @ table[here] / shares[here].sum()
            here &= ~own
            found[here] = (1 - words()["from_group"]) * table[here] + words()["from_group"] * mean
    return found


def _rows(where: str, act: Mapping[str, Any], without: frozenset[str]) -> dict[str, Any]:
    """Sign -> rows of one act: its own over the shared ones that it is like; a sign without a row left out."""
    shared = knowledge("diagnose.culprits", "shared.yaml")
    found: dict[str, Any] = {}
    for name in act.get("like", ()):
        found.update(shared[name])
    found.update({sign: rows for sign, rows in act.items() if sign not in ("share", "like")})
    unknown = [sign for sign in found if sign not in vocabulary() and sign not in LATENT]
    if unknown:
        raise CannotUse(f"the catalogue's {where} has a table of '{unknown[0]}', which is no sign")
    left = {sign: kept(rows, without) for sign, rows in found.items()}
    return {sign: rows for sign, rows in left.items() if rows}


def _left(raw: Mapping[str, Any]) -> dict[tuple[str, str], np.ndarray]:
    """Kind of trace -> (3, K) chance that a culprit which is about left it and it is found."""
    worth = words()["left"]
    found = {(sign, choice): np.zeros((3, len(raw))) for sign in TRACES for choice in vocabulary()[sign].choices
             if choice != "none"}
    for row, (key, entry) in enumerate(raw.items()):
        for sign, kinds in entry.get("traces", {}).items():
            if sign != "from":
                for choice, word in kinds.items():
                    if (sign, choice) not in found or word not in worth:
                        raise CannotUse(f"the catalogue's {key} leaves '{sign}: {choice}: {word}', which there is not")
                    found[sign, choice][:, row] = worth[word]
        for choice in vocabulary()["seen"].choices:
            if choice in (key, *lineage_of(entry["of"])):
                found["seen", choice][:, row] = worth["sometimes"]
    return found


def tree() -> Mapping[str, Any]:
    """Group -> its name in words and, where it has one, the group it belongs to."""
    return knowledge("diagnose.culprits", "tree.yaml")


def lineage_of(group: str) -> tuple[str, ...]:
    """The group and all groups above it, lowest first.

    Parameters
    ----------
    group
        Key of a group of tree.yaml [no unit].

    Raises
    ------
    CannotUse
        For a key that is none.
    """
    return _lineages()[one_of(group, tree(), "The group")]


@cache
def _lineages() -> Mapping[str, tuple[str, ...]]:
    """Group -> itself and all groups above it, lowest first: asked some thousand times for a verdict."""
    found: dict[str, tuple[str, ...]] = {}
    for group, entry in tree().items():
        chain = [group]
        while "of" in entry:
            chain.append(entry["of"])
            entry = tree()[chain[-1]]
        found[group] = tuple(chain)
    return found


def top_group(group: str) -> str:
    """The group at the top of the tree that holds this one.

    Parameters
    ----------
    group
        Key of a group of tree.yaml [no unit].

    Raises
    ------
    CannotUse
        For a key that is none.
    """
    return lineage_of(group)[-1]


def members(name: str) -> tuple[str, ...]:
    """Culprit keys that a culprit's or a group's key stands for.

    Parameters
    ----------
    name
        Key of a culprit or a group; any other stands for none [no unit].
    """
    known = catalogue()
    if name in known.names:
        return (name,)
    return tuple(key for key in known.keys if name in lineage_of(known.parents[key]))


def group_words() -> Mapping[str, str]:
    """Group key -> its name in words, of every level."""
    return {key: entry["name"] for key, entry in tree().items()}
