"""Before the wound is looked at, how often does each culprit make such wounds here, and how likely is each about?

Both follow from where animals live. What was confirmed from outside sharpens the first.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from os import PathLike
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import NOT_LISTED, Catalogue, catalogue, group_words
from diagnose.culprits.here import ABSENT, DOUBTFUL, RESIDENT, lives_where, residences
from diagnose.culprits.old_names import spread
from diagnose.culprits.ranges import is_covered
from diagnose.culprits.tables import words
from diagnose.places import Place
from diagnose.signs import Answer, Shares, Signs
from diagnose.texts import meant, read_values, shown

CONFIRMED_BY = ("animal seen", "camera", "DNA")
PSEUDO_CAP = 20.0  # confirmed wounds never count for more than this many observations; our choice


@dataclass(frozen=True)
class Start:
    """What is held before the wound is looked at.

    Parameters
    ----------
    rates
        (K,) share of such wounds that each culprit makes; they add up to 1 [share].
    about
        (3, K) chance that it is about without having made this wound, low, middle and high, 0 to 1 [no unit].
    """

    rates: np.ndarray
    about: np.ndarray


def start_of(
    known: Catalogue,
    place: Place | None,
    signs: Signs,
    seen: frozenset[str] = frozenset(),
    own: Mapping[str, float] | None = None,
    confirmed: Mapping[str, float] | None = None,
) -> Start:
    """Rates and presence at a place.

    Parameters
    ----------
    known
        The catalogue [no unit].
    place
        None where it is not known [no unit].
    signs
        What is known of the wound; the setting among them makes some animals surer to be about [no unit].
    seen
        Culprits that were seen there, see `residences` [no unit].
    own
        The user's weights by culprit or group, in place of the place's rates; who has a weight is about [no unit].
    confirmed
        Wounds by culprit whose culprit was confirmed from outside (animal seen, camera, DNA) [wounds].
    about. seen : culprits that were seen there, see `residences`.

    Raises
    ------
    CannotUse
        For weights that are no weights.

    Notes
    -----
    What was confirmed is a conjugate update of a Dirichlet prior worth PSEUDO_CAP observations, the confirmed ones scaled
    down to at most as many.

    References
    ----------
    .. [1] Gelman, A. et al. (2013). Bayesian Data Analysis, 3rd ed., section 3.4: multinomial counts with a Dirichlet prior
       (from memory).
    """
    from_place = _mean_start(known, place, _setting(signs), seen)
    rates, about = from_place.rates, from_place.about
    if own is not None:
        weights = _own(known, own, rates)
        rates = weights / weights.sum()
        least = np.array(words()["about"]["scattered"])[:, None]
        about = np.where((weights > 1e-4) & known.animal, np.maximum(about, least), about)
    if confirmed:
        sure = _own(known, confirmed, rates, least=0.0)
        if sure.sum() > 0:
            sure = sure * min(1.0, PSEUDO_CAP / sure.sum())
            rates = (PSEUDO_CAP * rates + sure) / (PSEUDO_CAP + sure.sum())
            there = (sure >= 0.5) & known.animal
            about = np.where(there, np.maximum(about, np.array(words()["about"]["widespread"])[:, None]), about)
    rates = _with_not_listed(known, rates, not_listed_share(place))
    return Start(rates, about)


def not_listed_share(place: Place | None) -> float:
    """Share of such wounds that something makes which is not in the catalogue, before the wound is looked at [0 to 1].

    Parameters
    ----------
    place
        None where it is not known [no unit].
    """
    return float(words()["not_listed" if place is None or is_covered(place) else "not_listed_elsewhere"])


def _setting(signs: Signs) -> tuple[tuple[str, float], ...]:
    """The setting that was told of, each with its share; empty where nobody told of it."""
    told = signs.get("setting")
    shares = {told.choice: 1.0} if isinstance(told, Answer) else told.shares if isinstance(told, Shares) else {}
    return tuple(shares.items())


@lru_cache(maxsize=1024)
def _mean_start(
    known: Catalogue, place: Place | None, setting: tuple[tuple[str, float], ...], seen: frozenset[str]
) -> Start:
    """The mean over the places whose animals count, see `lives_where`; not to be changed."""
    starts = [_at(known, each, setting, lives) for each, lives in lives_where(known, place, seen)]
    rates = np.mean([one.rates for one in starts], axis=0) ** rates_power(place)
    return Start(rates / rates.sum(), np.mean([one.about for one in starts], axis=0))


def rates_power(place: Place | None) -> float:
    """Power to which rates are raised: where no place is known, how common each culprit is tells less.

    Parameters
    ----------
    place
        None where it is not known [no unit].
    """
    return float(words()["no_place"]) if place is None else 1.0


def _at(known: Catalogue, place: Place, setting: tuple[tuple[str, float], ...], lives: Mapping[str, str]) -> Start:
    worth = words()
    rates, about = [], []
    for row, key in enumerate(known.keys):
        entry, status = known.raw[key], lives[key]
        if key == NOT_LISTED:
            rates.append(0.0)
            about.append([0.0, 0.0, 0.0])
            continue
        rates.append(common_of(entry, place) * worth["residence"][status])
        if not known.animal[row]:
            about.append([0.0, 0.0, 0.0])
        elif status in (ABSENT, DOUBTFUL):
            about.append(worth["about"][status])
        else:
            about.append(_in_setting(entry, worth["about"][entry["about"]], setting))
    table = np.array(rates)
    return Start(table / table.sum(), np.array(about, float).T)


def common_of(entry: Mapping[str, Any], place: Place) -> float:
    """How many wounds on young trees a culprit makes in a place where it lives, beside the others.

    Parameters
    ----------
    entry
        The culprit's, of the catalogue's `raw` [no unit].
    place
        Whose country or subdivision may have a word of its own [no unit].
    """
    worth, words_in = words()["common"], entry.get("common_in", {})
    for codes in (place.subdivisions, place.countries):  # a part's word stands over its country's
        told = [worth[words_in[code]] for code in codes if code in words_in]
        if told:
            return float(max(told))
    return float(worth[entry["common"]])


def _in_setting(
    entry: Mapping[str, object], usual: list[float], setting: tuple[tuple[str, float], ...]
) -> list[float]:
    """Chance of being about, where the setting makes it surer (livestock on its pasture)."""
    surer = entry.get("about_where", {})
    assert isinstance(surer, dict)
    return [sum(share * max(one, surer.get(where, 0.0)) for where, share in setting) if setting else one
            for one in usual]


def _with_not_listed(known: Catalogue, rates: np.ndarray, share: float) -> np.ndarray:
    here = known.keys.index(NOT_LISTED)
    rates = rates.copy()
    rates[here] = 0.0
    rates *= (1 - share) / rates.sum()
    rates[here] = share
    return rates


def place_words(known: Catalogue, place: Place | None) -> str:
    """What is known of who lives there, in one line.

    Parameters
    ----------
    known
        The catalogue [no unit].
    place
        None where it is not known [no unit].
    """
    if place is None:
        return "No place is known: the wound alone is judged, by what makes such wounds in far-apart countries."
    lives = residences(known, place)
    if not is_covered(place):
        told = [known.names[key] for key in known.keys if known.kinds[key] == "mammal" and lives[key] == RESIDENT]
        if not told:
            return f"{place.name}: not covered. Which animals live there is not known here; the wound alone is judged."
        return (f"{place.name}: only roughly known, from memory. Of the catalogue's mammals there live {', '.join(told)}; "
                "others may do such damage too.")
    doubtful = [known.names[key] for key in known.keys if lives[key] == DOUBTFUL and known.kinds[key] == "mammal"]
    living = sum(lives[key] == RESIDENT and known.kinds[key] == "mammal" for key in known.keys)
    return (f"{place.name}: {living} kinds of mammals of the catalogue live there"
            + (f"; doubtful: {', '.join(doubtful)}." if doubtful else "."))


def read_prior(path: str | PathLike[str]) -> dict[str, float]:
    """Own weights by culprit or group from a file; culprits left out become next to impossible.

    Parameters
    ----------
    path
        YAML or JSON, a mapping of names to weights of 0 or more [no unit].

    Raises
    ------
    CannotUse
        For a file that cannot be read and for weights that are none.
    """
    loaded = read_values(path)
    if not isinstance(loaded, dict) or not loaded:
        raise CannotUse(f"{path} holds no weights; write one `culprit: weight` a line, e.g. `hare: 3`")
    weights = {}
    for key, weight in loaded.items():
        if isinstance(weight, bool) or not isinstance(weight, int | float):
            raise CannotUse(f"'{shown(weight)}' is no weight for '{shown(key)}' in {path}; write a number, 0 or more")
        weights[str(key)] = float(weight)
    known = catalogue()
    if not sum(_own(known, weights, np.ones(len(known.keys)), least=0.0)) > 0:
        raise CannotUse(f"{path} makes every culprit impossible; give at least one a weight above 0")
    return weights


def prior_words(own: Mapping[str, float] | None, confirmed: Mapping[str, float] | None) -> tuple[str, ...]:
    """What moved the start away from the place's, a line each; empty where nothing did.

    Parameters
    ----------
    own, confirmed
        As for `start_of` [no unit, wounds].
    """
    from diagnose.culprits.old_names import name_of

    told = []
    if own is not None:
        ranked = sorted((key for key in own if own[key] > 0), key=lambda key: -own[key])
        told.append("started from your own weights: " + ", ".join(f"{name_of(key)} {own[key]:g}" for key in ranked))
    if confirmed and sum(confirmed.values()) > 0:
        seen = ", ".join(f"{name_of(key)} {confirmed[key]:g}" for key in sorted(confirmed, key=lambda key: -confirmed[key]))
        told.append(f"sharpened by what was confirmed here from outside: {seen} (all together count as {PSEUDO_CAP:g} at "
                    "most)")
    return tuple(told)


def confirmed_counts(records: Iterable[Mapping[str, object]]) -> dict[str, float]:
    """Confirmed wounds by culprit key, for `start_of`; the wounds of one plant on one visit count once.

    Parameters
    ----------
    records
        Mappings with `culprit`, `confirmed_by`, `plant` and `visit` [no unit].

    Returns
    -------
    dict of str to float
        [wounds]

    Notes
    -----
    Only what was confirmed from outside counts (CONFIRMED_BY); a verdict that somebody merely accepted does not, or the tool
    would teach itself. Two culprits confirmed on one plant and visit share its one count. Leaving a record out undoes what
    it taught.
    """
    seen: dict[tuple[object, object], set[str]] = {}
    for number, record in enumerate(records):
        if record.get("confirmed_by") in CONFIRMED_BY:
            plant, visit = record.get("plant"), record.get("visit")
            alone = plant in (None, "") and visit in (None, "")
            seen.setdefault((number, None) if alone else (plant, visit), set()).add(str(record["culprit"]))
    counts: dict[str, float] = {}
    for culprits in seen.values():
        for culprit in culprits:
            counts[culprit] = counts.get(culprit, 0.0) + 1 / len(culprits)
    return counts


def _own(known: Catalogue, weights: Mapping[str, float], beside: np.ndarray, least: float = 1e-4) -> np.ndarray:
    """(K,) weights by culprit; a group's or an older name's weight is spread over what it stands for, as `beside` is."""
    values = np.zeros(len(known.keys))
    for name, weight in weights.items():
        if not np.isfinite(weight) or weight < 0:
            raise CannotUse("a prior's weights must be numbers, 0 or more")
        keys = [key for key in spread(name) if key in known.keys]
        if not keys:
            if name in group_words() or spread(name):
                continue
            raise CannotUse(f"'{shown(name)}' is no culprit; {meant(str(name), known.keys)}")
        rows = [known.keys.index(key) for key in keys]
        among = beside[rows] if beside[rows].sum() > 0 else np.ones(len(rows))
        values[rows] += weight * among / among.sum()
    return np.maximum(values, least)
