"""By which factors on its tables does the catalogue explain published descriptions best? `python -m diagnose.culprits.fit`

Rows in words are coarse, and most come from memory. Published descriptions of damage whose culprit the source names, read
into signs (`reference_cases/signs/held_out_*.yaml` and `own_reading*.yaml`; never the 51 cases of `cases.yaml`), tell how
each group's wounds are described. Fitted is a factor on each choice of each sign for each group, all drawn towards 1; how
common a group is is not, since pages are written about what is told most, not about what happens most. `fitted.yaml` holds
the factors; no hand changes it. `--folds 5` writes nothing and prints how pages are named that they were not fitted on.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize

from diagnose.culprits import likelihood
from diagnose.culprits.catalogue import catalogue, choices_of, kinds_of, members
from diagnose.culprits.check import CASES
from diagnose.culprits.fitted import FITTED, scaled
from diagnose.culprits.here import place_from
from diagnose.culprits.tables import words
from diagnose.culprits.weighing import Bench, Case
from diagnose.knowledge import read_yaml
from diagnose.signs import parse_signs, vocabulary, with_what_follows

# Weight of the squared logarithms of the factors, as of a normal prior of standard deviation 0.5. Of five sets, each judged
# by the tables of before it, 12 names 527 of 692 first instead of 531 and loses 0.05 of log score; with 1 seven are surely
# wrong instead of five.
PULL = 2.0
LEAST = 0.03  # a factor's logarithm nearer to 0 than this is left out [nat]
SURE = 0.8
WORST = 1e-6  # probability below which the log score is no longer punished
HEAD = """\
# Factors on the tables of the catalogue, fitted on {number} published descriptions by `python -m diagnose.culprits.fit`,
# which writes this file; no hand changes it, and factors of 1 are left out. Sign: group: choice: factor.\
"""


@dataclass(frozen=True)
class Told:
    """What descriptions tell of one sign that has a table.

    Parameters
    ----------
    rows
        (m,) which descriptions tell of it [no unit].
    choices
        (m, n) likelihood of what was read, given each choice [no unit].
    beside
        (m, C) what multiplies a cause's likelihood besides its table, to the power of the model [no unit].
    inside
        (m, C) how much of it each cause can reach, 0 to 1 [no unit].
    weights
        (m, C) shares of the causes, with which those without a table are filled [no unit].
    """

    rows: np.ndarray
    choices: np.ndarray
    beside: np.ndarray
    inside: np.ndarray
    weights: np.ndarray


class Fit:
    """How likely each cause is in N descriptions, as a function of the factors.

    The factors are a vector of logarithms [nat]: (G, n) of each sign's table in turn. How wounds of several kinds told side
    by side are weighed, and the shares with which causes without a table are filled, stay as the rows say, which moves no
    group's probability by 0.05.

    known : the catalogue as its rows say. groups : (G,) keys. of : (C,) the causes' groups. base : (N, C) logarithm of the
    prior, the traces and the signs without tables [nat]. named : (N, G) does the source name this group? told : sign -> what
    descriptions tell of it.
    """

    def __init__(self, cases: Sequence[Mapping[str, Any]]) -> None:
        self.known = catalogue(as_rows_say=True)
        self.groups = tuple(dict.fromkeys(self.known.groups.values()))
        self.of = np.array([self.groups.index(self.known.groups[key]) for key, _ in self.known.causes])
        self.power = float(words()["strength"])
        readings: dict[str, list[tuple[int, np.ndarray, np.ndarray, np.ndarray, np.ndarray]]] = {}
        base = []
        for row, told in enumerate(cases):
            bench = self._bench(told)
            rest = np.log(np.maximum(bench.prior, 1e-300)) + np.log(np.maximum(bench.traces[self.known.of], 1e-300))
            for group, part in bench.parts.items():
                if likelihood.has_choices(self.known, group):
                    readings.setdefault(group, []).append((row, *self._read(bench, group)))
                else:
                    rest = rest + np.log(np.maximum(part, 1e-300))
            base.append(rest)
        self.base = np.array(base)
        named = [{self.known.groups[one] for key in told["named_by"] for one in members(key)} for told in cases]
        self.named = np.array([[group in some for group in self.groups] for some in named])
        self.told = {sign: Told(*map(np.array, zip(*rows, strict=True))) for sign, rows in readings.items()}
        ends = np.cumsum([0, *(len(self.groups) * len(choices_of(sign)) for sign in self.told)])
        self.size = int(ends[-1])
        self._spans = {sign: slice(a, b) for sign, a, b in zip(self.told, ends, ends[1:], strict=False)}

    @staticmethod
    def _bench(told: Mapping[str, Any]) -> Bench:
        place = told.get("place")
        return Bench(Case(parse_signs(told["signs"]), None if place is None else place_from((place["lat"], place["lon"])),
                          told.get("month"), told.get("snow_mm"), as_rows_say=True))

    def _read(self, bench: Bench, group: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """One description's entry in each column of `Told`."""
        signs = with_what_follows(bench.signs)
        alike = {name: sign for name, sign in signs.items()
                 if name in vocabulary() and likelihood.group_of_sign(vocabulary()[name]) == group}
        choices = likelihood.choices_told(self.known, group, alike)
        raw, inside = likelihood.raw_group(self.known, group, alike, signs, bench.case.snow_mm, bench.winters) or (None, 1.0)
        beside = np.nan_to_num(raw / (self.known.tables[group] @ choices), nan=1.0) ** self.power
        coarser = bench.parts.get(likelihood.coarser_group(group), 1.0)
        return choices, beside, np.broadcast_to(inside, self.of.shape), bench.prior * coarser

    def logs(self, x: np.ndarray, sign: str) -> np.ndarray:
        """(G, n) logarithms of the factors on a sign's table [nat].

        Parameters
        ----------
        x
            (size,) logarithms of all factors [nat].
        sign
            One that some description tells of [no unit].
        """
        return x[self._spans[sign]].reshape(len(self.groups), -1)

    def _posterior(self, x: np.ndarray) -> tuple[np.ndarray, dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]]:
        """(N, C) posterior of the causes; and for each sign its scaled table, what it gives, and that times the weights."""
        logs, steps = self.base.copy(), {}
        for sign, told in self.told.items():
            table = scaled(self.known.tables[sign], self.logs(x, sign)[self.of], kinds_of(sign))
            raw = told.choices @ table.T
            has = ~np.isnan(raw)
            lifted = np.where(has, np.nan_to_num(raw) ** self.power * told.beside, 0.0)
            share = told.weights * lifted
            mean = share.sum(axis=1, keepdims=True) / np.maximum((told.weights * has).sum(axis=1, keepdims=True), 1e-300)
            logs[told.rows] += np.log(np.maximum(np.where(has, lifted, mean) * told.inside, 1e-300))
            steps[sign] = table, raw, share
        weights = np.exp(logs - logs.max(axis=1, keepdims=True))
        return np.asarray(weights / weights.sum(axis=1, keepdims=True)), steps

    def of_groups(self, x: np.ndarray) -> np.ndarray:
        """(N, G) posterior of the groups.

        Parameters
        ----------
        x
            (size,) logarithms of the factors [nat].
        """
        return np.asarray(self._posterior(x)[0] @ np.eye(len(self.groups))[self.of])

    def loss(self, x: np.ndarray, counted: np.ndarray) -> tuple[float, np.ndarray]:
        """Minus the penalised log likelihood of the groups that the sources name, and its gradient by the factors.

        Parameters
        ----------
        x
            (size,) logarithms of the factors [nat].
        counted
            (N,) which descriptions count [no unit].
        """
        made, steps = self._posterior(x)
        right = made * self.named[:, self.of]
        chance = np.maximum(right.sum(axis=1), WORST)
        more = np.where(counted[:, None], made - right / chance[:, None], 0.0)  # the loss's slope by the log of each weight
        slope = 2 * PULL * x
        for sign, (table, raw, share) in steps.items():
            told, has = self.told[sign], ~np.isnan(raw)
            here = more[told.rows]
            filled = np.where(has, 0.0, here).sum(axis=1) / np.maximum(share.sum(axis=1), 1e-300)
            through = np.where(has, (here + share * filled[:, None]) * self.power / np.where(has, raw, 1.0), 0.0)
            table, kinds = np.nan_to_num(table), kinds_of(sign)
            by_entry = through.T @ told.choices
            by_log = table * (by_entry - (table * by_entry) @ np.equal.outer(kinds, kinds).astype(float))
            by_group = np.zeros((len(self.groups), table.shape[1]))
            np.add.at(by_group, self.of, by_log)
            slope[self._spans[sign]] += by_group.ravel()
        return float(PULL * (x**2).sum() - np.log(chance[counted]).sum()), slope

    def fitted(self, counted: np.ndarray) -> np.ndarray:
        """(size,) logarithms of the factors that explain the counted descriptions best [nat].

        Parameters
        ----------
        counted
            (N,) which descriptions count [no unit].

        References
        ----------
        .. [1] Conditional likelihood with a normal prior on its weights: Chen, S. F. & Rosenfeld, R. (1999). A Gaussian
           prior for smoothing maximum entropy models. CMU-CS-99-108 (from memory).
        """
        return np.asarray(minimize(self.loss, np.zeros(self.size), (counted,), jac=True, method="L-BFGS-B",
                                   options={"maxiter": 200}).x)


def cases() -> list[Mapping[str, Any]]:
    """The descriptions that the factors are fitted on, as their files hold them."""
    names = [*sorted(CASES.glob("held_out_*.yaml")), *sorted(CASES.glob("own_reading*.yaml"))]
    return [told for name in names for told in read_yaml(name)["cases"]]


def folds(cases: Sequence[Mapping[str, Any]], number: int, seed: int = 0) -> np.ndarray:
    """(N,) fold of each case, 0 to number - 1; cases of one page fall into one fold.

    Parameters
    ----------
    cases
        Each with its `url` [no unit].
    number
        How many folds, 2 or more [no unit].
    seed
        Of the draw [no unit].
    """
    pages = sorted({str(told["url"]) for told in cases})
    fold = dict(zip(pages, np.random.default_rng(seed).permutation(len(pages)) % number, strict=True))
    return np.array([fold[str(told["url"])] for told in cases])


def figures(groups: np.ndarray, named: np.ndarray) -> str:
    """First and within two, log score and how many are wrong at 0.8 or more, in a line.

    Parameters
    ----------
    groups
        (N, G) posterior [no unit].
    named
        (N, G) does the source name this group? [no unit]
    """
    ranked = np.take_along_axis(named, np.argsort(-groups, axis=1), axis=1)
    chance = np.maximum((groups * named).sum(axis=1), WORST)
    sure, first = groups.max(axis=1) >= SURE, ranked[:, 0]
    two = ranked[:, :2].any(axis=1)
    return (f"first {first.sum()} of {len(groups)} ({first.mean():.1%}), within two {two.sum()}, log score "
            f"{np.log(chance).mean():.3f}, wrong at {SURE} or more {(sure & ~first).sum()} of {sure.sum()}")


def as_yaml(fit: Fit, x: np.ndarray) -> str:
    """What `fitted.yaml` holds of some factors.

    Parameters
    ----------
    fit
        What they were fitted with [no unit].
    x
        (size,) their logarithms [nat].
    """
    tables = {sign: {group: {choice: log for choice, log in zip(choices_of(sign), row, strict=True) if abs(log) >= LEAST}
                     for group, row in zip(fit.groups, fit.logs(x, sign), strict=True)} for sign in fit.told}
    lines = [HEAD.format(number=len(fit.base))]
    for sign in sorted(tables):
        rows = [f"  {group}: {{{_pairs(row)}}}" for group, row in sorted(tables[sign].items()) if row]
        lines += [f"{sign}:", *rows] if rows else []
    return "\n".join(lines) + "\n"


def _pairs(logs: Mapping[str, float]) -> str:
    return ", ".join(f"{key}: {np.exp(log):.3g}" for key, log in logs.items())


def main() -> None:
    """Writes the factors, or prints how pages are named that they were not fitted on."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--folds", type=int, default=0, help="fit on all but one of so many parts in turn, and write nothing")
    number, told = asked.parse_args().folds, cases()
    if not told:
        asked.error("there are no descriptions; run it in a checkout, whose reference_cases/signs holds them")
    fit = Fit(told)
    print("as the rows say:", figures(fit.of_groups(np.zeros(fit.size)), fit.named), flush=True)
    if not number:
        x = fit.fitted(np.ones(len(told), bool))
        (Path(__file__).parent / FITTED).write_text(as_yaml(fit, x), "utf-8")
        print("fitted on all of them:", figures(fit.of_groups(x), fit.named))
        return
    part, found = folds(told, number), np.zeros(fit.named.shape)
    for one in range(number):
        found[part == one] = fit.of_groups(fit.fitted(part != one))[part == one]
    print(f"on pages not fitted on, {number} folds:", figures(found, fit.named))


if __name__ == "__main__":
    main()
