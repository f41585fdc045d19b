"""Is the decision sentence right in forests whose truth is known? `python -m tests.drawn_forests --draws 4000` prints it.

Forests are drawn with clumps of several kinds, 10 to 60 plots each, with seeds that nothing was chosen on, and looked at as
the stopping rule allows: once at the planned number, once more after an addition of a third or of as many plots again.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from itertools import product

import numpy as np
import pandas as pd

from diagnose.cannot_use import CannotUse
from diagnose.survey.decide import decided, plots_more
from diagnose.survey.forests import KINDS, browsed_trees, drawn
from diagnose.survey.planning import plots_to_decide
from diagnose.survey.stopping import ADDITION, MANY, StoppingRule, nominal
from diagnose.survey.target import BROWSED, PER_HA, STOCKED, Target

PLOTS, ODD_PLOTS = (10, 20, 30, 60), (10, 12, 15, 20, 30)
MEANS = (1.0, 5.5)  # trees a plot: few and some
CLUMPED = (0.2, 1.0, 2.0)  # variance beyond chance over mean^2
LIKENESS = (0.0, 0.1, 0.2)
SHARES = (0.1, 0.3)
TREES = {"browsed, few trees": 3, "browsed, many trees": 30}  # on a plot; else ten
AREA = 50.0


def wants(kind: str, value: float) -> Target:
    return Target(kind, value * 10_000 / AREA if kind == PER_HA else value)


def survey(target: Target, kind: str, clumped: float, factor: float, rng: np.random.Generator,
           shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Plots of many surveys of a forest whose truth is so many times the target."""
    if target.kind == PER_HA:
        return drawn(kind, rng, target.value * AREA / 10_000 * factor, clumped, shape), np.full(shape, AREA)
    if target.kind == STOCKED:
        return rng.binomial(1, min(0.95, target.value * factor), shape).astype(float), np.full(shape, AREA)
    trees = 1.0 + rng.poisson(TREES.get(kind, 10) - 1, shape)
    return browsed_trees(rng, target.value * factor, clumped, trees), trees


def looked(target: Target, y: np.ndarray, w: np.ndarray, planned: int, added: int) -> tuple[float, float]:
    """Share of surveys that say "act" and that say "not needed", at the first look or after the addition."""
    rule = StoppingRule(ADDITION, planned)
    act, calm = decided(target, y[:, :planned], w[:, :planned], nominal(rule, planned, target.sureness))
    still = ~(act | calm)
    more = decided(target, y[:, :planned + added], w[:, :planned + added], nominal(rule, planned + added, target.sureness))
    return float((act | still & more[0]).mean()), float((calm | still & more[1]).mean())


def looked_always(target: Target, y: np.ndarray, w: np.ndarray, planned: int) -> tuple[float, float]:
    """The same with a look after every plot from the tenth on, by the rule that allows it."""
    rule, waiting = StoppingRule(MANY, planned), np.ones(len(y), bool)
    said = np.zeros((2, len(y)), bool)
    for n in range(10, y.shape[1] + 1):
        found = decided(target, y[:, :n], w[:, :n], nominal(rule, n, target.sureness))
        for side in (0, 1):
            said[side] |= waiting & found[side]
        waiting &= ~(found[0] | found[1])
    return float(said[0].mean()), float(said[1].mean())


def forests() -> Iterator[tuple[str, Target, float]]:
    """Kind of forest, target, and how clumped or alike."""
    for mean, kind, clumped in product(MEANS, KINDS, CLUMPED):
        if kind != "rows" or clumped == CLUMPED[0]:
            yield kind, wants(PER_HA, mean), clumped
    for share, alike in product(SHARES, LIKENESS):
        yield "browsed", wants(BROWSED, share), alike
    yield "stocked", wants(STOCKED, 0.7), 0.0


def odd_forests() -> Iterator[tuple[str, Target, float]]:
    """Forests outside the others: more clumped, down to a fifth of the ground that holds all trees; with few to many trees;
    shares from few to most, with few or many trees a plot, strewn to very alike; and stocked plots few or many."""
    for mean, kind, clumped in product((1.0, 2.5, 5.5, 12.0, 25.0, 50.0), KINDS, (0.05, 0.2, 3.0, 4.0)):
        if kind != "rows" or clumped == 0.2:
            yield kind, wants(PER_HA, mean), clumped
    for share, alike, kind in product((0.05, 0.1, 0.3, 0.5, 0.7), (0.0, 0.05, 0.2, 0.4), ("browsed", *TREES)):
        yield kind, wants(BROWSED, share), alike
    for share in (0.3, 0.5, 0.9):
        yield "stocked", wants(STOCKED, share), 0.0


def on_target(draws: int, seed: int, kinds: Iterable[tuple[str, Target, float]], plots: tuple[int, ...]) -> pd.DataFrame:
    """How often each forest exactly on target is told to be off it."""
    rng = np.random.default_rng(seed)
    rows = []
    for (kind, target, clumped), n in product(kinds, plots):
        y, w = survey(target, kind, clumped, 1.0, rng, (draws, 2 * n))
        for added in (max(1, n // 3), n):
            act, calm = looked(target, y, w, n, added)
            rows.append({"forest": kind, "target": target.wanted, "clumped": clumped, "plots": n, "added": added, "act": act,
                         "not needed": calm})
    return pd.DataFrame(rows)


def off_target(draws: int, seed: int) -> pd.DataFrame:
    """How often the planner's own number of plots says the right thing at 70 and at 130 % of the target."""
    rng = np.random.default_rng(seed)
    rows = []
    for kind, target, clumped in forests():
        mean = target.value * AREA / 10_000
        variation = 0.4 if kind == "rows" else float(np.sqrt(clumped + 1 / mean)) if target.kind == PER_HA else 1.0
        try:
            n = plots_to_decide(target, AREA, variation, 10.0, clumped).plots
        except CannotUse as refused:
            rows.append({"forest": kind, "target": target.wanted, "clumped": clumped, "plots": str(refused)[:40]})
            continue
        said = {}
        for factor in (0.7, 1.3):
            y, w = survey(target, kind, clumped, factor, rng, (draws, n))
            act, calm = decided(target, y, w, nominal(StoppingRule(ADDITION, n), n))
            said[factor] = float((act if (factor < 1) != (target.kind == BROWSED) else calm).mean())
        rows.append({"forest": kind, "target": target.wanted, "clumped": clumped, "plots": n, "at 70 %": said[0.7],
                     "at 130 %": said[1.3]})
    return pd.DataFrame(rows)


def further(draws: int, seed: int, factors: tuple[float, ...] = (0.6, 0.8, 1.2, 1.5), most: int = 200) -> pd.DataFrame:
    """How often the range of "more would tell" holds the number that was needed, where the first look left it open."""
    rng = np.random.default_rng(seed)
    rows = []
    for (kind, target, clumped), n in product(forests(), (12, 30)):
        rule = StoppingRule(ADDITION, n)
        parts = [survey(target, kind, clumped, factor, rng, (-(-draws // len(factors)), n + most)) for factor in factors]
        y, w = (np.concatenate(part) for part in zip(*parts, strict=True))
        open_ = ~np.logical_or(*decided(target, y[:, :n], w[:, :n], nominal(rule, n)))
        y, w, needed = y[open_], w[open_], np.full(open_.sum(), most + 1)
        for m in range(1, most + 1):
            waiting = np.flatnonzero(needed > most)
            if not len(waiting):
                break
            found = np.logical_or(*decided(target, y[waiting, :n + m], w[waiting, :n + m], nominal(rule, n + m)))
            needed[waiting[found]] = m
        held = 0
        for turn, (first, second, real) in enumerate(zip(y, w, needed, strict=True)):
            range_ = plots_more(target, first[:n], second[:n], rule, turn, most)
            held += range_.low <= real <= (range_.high or most + 1)
        if len(y):
            rows.append({"forest": kind, "target": target.wanted, "clumped": clumped, "plots": n, "asked": len(y),
                         "held": held / len(y)})
    return pd.DataFrame(rows)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--draws", type=int, default=4000)
    asked.add_argument("--carried-on", type=int, default=100)
    asked.add_argument("--seed", type=int, default=20261128)
    asked.add_argument("--only-carried-on", action="store_true")
    given = asked.parse_args()
    with pd.option_context("display.max_rows", None, "display.width", 150):
        if given.only_carried_on:
            print(further(given.carried_on, given.seed + 2).round(3).to_string())
            return
        for words, kinds, plots in (("exactly on target", forests(), PLOTS),
                                    ("the same, outside of these", odd_forests(), ODD_PLOTS)):
            wrong = on_target(given.draws, given.seed + 4 * (plots != PLOTS), kinds, plots)
            print(wrong.round(4).to_string())
            print(f"{words}: {len(wrong)} kinds, 'act' in at most {wrong['act'].max():.4f}, 'not needed' in at most "
                  f"{wrong['not needed'].max():.4f} of {given.draws} draws a row", flush=True)
        right = off_target(given.draws, given.seed + 1)
        print(right.round(4).to_string())
        print(f"planner's own number: right at 70 % in {right['at 70 %'].min():.4f} or more, at 130 % in "
              f"{right['at 130 %'].min():.4f} or more")
        if given.carried_on:
            held = further(given.carried_on, given.seed + 2)
            print(held.round(3).to_string())
            print(f"the range of further plots held what was needed in {held['held'].min():.3f} or more, "
                  f"{np.average(held['held'], weights=held['asked']):.3f} over all")
        rng = np.random.default_rng(given.seed + 3)
        for kind in KINDS:
            y, w = survey(wants(PER_HA, 5.5), kind, 1.0, 1.0, rng, (given.draws, 60))
            print(f"looked at after every plot, {kind}:", *(f"{x:.4f}" for x in looked_always(wants(PER_HA, 5.5), y, w, 30)))


if __name__ == "__main__":
    main()
