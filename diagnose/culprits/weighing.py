"""How are the signs of one case weighed: what was there before, the wound, and the traces?

Prior times wound times traces, normalised; the wound's groups of signs are weighed once, so that a further answer weighs
anew only what it touches.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from diagnose.culprits.catalogue import TRACES, Catalogue, catalogue
from diagnose.culprits.here import seen_there, winters_of
from diagnose.culprits.likelihood import group_likelihoods
from diagnose.culprits.prior import Start, start_of
from diagnose.culprits.tables import words
from diagnose.culprits.traces import Told, weigh_choices, weigh_ways
from diagnose.places import Place, season_of
from diagnose.signs import Shares, Signs

_SEASONS = ("winter", "spring", "summer", "autumn")
LOW, MIDDLE, HIGH = 0, 1, 2  # ends of what is held of presence, traces and strays


@dataclass(frozen=True)
class Case:
    """What a wound is judged from.

    Parameters
    ----------
    signs
        What is known of it, each sign in its own unit.
    place
        None where it is not known [no unit].
    month
        Of finding, 1 to 12; None where not known [no unit].
    snow_mm
        Depth of snow that lay; None where not known [mm].
    own
        Weights by culprit in place of the place's [no unit].
    confirmed
        Wounds by culprit, confirmed from outside [wounds].
    without, without_sources
        Culprit and sources that are left out of the catalogue [no unit].
    strength
        Power of the likelihoods; that of `words.yaml` where None [no unit].
    as_rows_say
        Do the catalogue's rows count alone, without the fitted factors? [no unit]
    """

    signs: Signs
    place: Place | None = None
    month: int | None = None
    snow_mm: float | None = None
    own: Mapping[str, float] | None = None
    confirmed: Mapping[str, float] | None = None
    without: str | None = None
    without_sources: frozenset[str] = frozenset()
    strength: float | None = None
    as_rows_say: bool = False

    @property
    def known(self) -> Catalogue:
        """The catalogue that the case is judged with."""
        return catalogue(self.without, self.without_sources, self.as_rows_say)

    @property
    def weighed(self) -> Signs:
        """The signs, with a soft guess of the season where only the month of finding is known."""
        if self.month is None or "season" in self.signs:
            return self.signs
        return {**self.signs, "season": season_guess(self.month, self.place)}


@dataclass(frozen=True)
class Weighed:
    """A case weighed.

    Parameters
    ----------
    made_by
        (C,) posterior of each cause; they add up to 1 [no unit].
    about
        (K,) chance that each culprit is about, 0 to 1 [no unit].
    """

    made_by: np.ndarray
    about: np.ndarray


class Bench:
    """A case with its wound weighed.

    start : what was held before; another place's may be given. prior : (C,) of the causes. parts : group of signs -> (C,)
    likelihood.
    """

    def __init__(self, case: Case, start: Start | None = None) -> None:
        self.case, self.known, self.signs = case, case.known, case.weighed
        self.winters = winters_of(case.place)
        self.power = float(words()["strength"]) if case.strength is None else case.strength
        self.start = start or start_of(self.known, case.place, self.signs, seen_there(self.signs), case.own, case.confirmed)
        self.prior = self.start.rates[self.known.of] * self.known.share
        self.parts = group_likelihoods(self.known, self.signs, self.prior, case.snow_mm, self.winters, self.power)

    @cached_property
    def traces(self) -> np.ndarray:
        """(K,) likelihood of the traces, given who made the wound."""
        return self.traces_of(self.signs, who=False).likelihood

    def traces_of(self, signs: Signs, end: int = MIDDLE, who: bool = True) -> Told:
        """What the traces among some signs tell, at one end of what is held of them.

        Parameters
        ----------
        signs
            What is known of the wound and round it [no unit].
        end
            LOW, MIDDLE or HIGH [no unit].
        who
            True to work out who is about too [no unit].
        """
        return weigh_ways(signs, tuple(self.known.left), self._rates[end], TRACES, self.start.about[end],
                          self.known.animal, words()["stray"][end], who)

    def traces_answered(self, name: str) -> np.ndarray:
        """(choices, K) likelihood of the traces with each answer to a question about them of which nothing is told yet.

        Parameters
        ----------
        name
            Of the sign that is asked for [no unit].
        """
        return weigh_choices(self.signs, name, tuple(self.known.left), self._rates[MIDDLE], TRACES, self.start.about[MIDDLE],
                             self.known.animal, words()["stray"][MIDDLE])

    @cached_property
    def _rates(self) -> np.ndarray:
        """(3, kinds, K) chance of leaving each kind of trace."""
        return np.array(list(self.known.left.values())).swapaxes(0, 1)

    def made_by(self, parts: Mapping[str, np.ndarray], traces: np.ndarray) -> np.ndarray:
        """(C,) posterior of the causes: prior times likelihoods, normalised.

        Parameters
        ----------
        parts
            Group of signs -> (C,) likelihood, in no absolute unit.
        traces
            (K,) likelihood of the traces, given who made the wound, in no absolute unit; or several at once
            (n, K), for which it gives (n, C).
        """
        weights = self.prior * traces[..., self.known.of] / np.maximum(traces.max(axis=-1, keepdims=True), 1e-300)
        for likelihood in parts.values():
            weights = weights * likelihood
            weights = weights / np.maximum(weights.sum(axis=-1, keepdims=True), 1e-300)
        return np.asarray(weights / weights.sum(axis=-1, keepdims=True))

    def weighed(self, end: int = MIDDLE) -> Weighed:
        """The posterior of every cause, and who is about, at one end of what is held of presence and traces.

        Parameters
        ----------
        end
            LOW, MIDDLE or HIGH [no unit].
        """
        told = self.traces_of(self.signs, end)
        made_by = self.made_by(self.parts, told.likelihood)
        maker = np.bincount(self.known.of, made_by, len(self.known.keys))
        return Weighed(made_by, np.where(self.known.animal, maker @ told.about, 0.0))


def season_guess(month: int, place: Place | None) -> Shares:
    """How likely a wound found in this month was made in each season; in the north's where no place is known.

    Parameters
    ----------
    month
        Of finding, 1 to 12 [no unit].
    place
        Whose half of the earth counts; None where it is not known [no unit].
    """
    now = _SEASONS.index(season_of(month, place if place is not None else Place((), (), "north", "")))
    order = [_SEASONS[(now - back) % 4] for back in range(4)]
    return Shares(dict(zip(order, words()["season_from_month"], strict=True)), "default")
