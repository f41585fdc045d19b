"""Do the intervals hold what they promise?

Simulated plantings with a known share browsed, trees alike within plots, plots of even and uneven size; how often
does the interval cover the truth? Run as `python -m diagnose.survey.coverage` to print the table.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from itertools import product

import numpy as np
import pandas as pd

from diagnose.given import a_share, a_whole, above_nought
from diagnose.survey.forests import alike_rates
from diagnose.survey.proportion import MANY_BROWSED, MANY_PLOTS, logit_limits

SHARES = (0.02, 0.05, 0.1, 0.3, 0.5, 0.9)
PLOTS = (8, 15, 20, 30, 60)
LIKENESS = (0.0, 0.05, 0.2)
UNEVEN = (0.0, 0.8)
TREES = (5, 20)
Z95 = 1.96


def planting(rng: np.random.Generator, plots: int, share: float, likeness: float, uneven: float,
             trees: int) -> tuple[np.ndarray, np.ndarray]:
    """One invented survey: browsed and trees of each plot, beta-binomial.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    plots
        Plots of the survey, 1 to 100,000 [no unit].
    share
        True share browsed [share].
    likeness
        Intraclass correlation within plots, 0 to 1 [no unit].
    uneven
        Coefficient of variation of what plots hold on average, 0 to 10; at 0 every plot holds `trees`, else from 1 on [no
        unit].
    trees
        Mean trees of a plot [trees].

    Returns
    -------
    browsed, trees : numpy.ndarray, shape (plots,)
        [trees]
    """
    a_whole(plots, "Plots", 1, 100_000), a_whole(trees, "Trees a plot", 1, 100_000)
    a_share(uneven / 10, "A tenth of the spread")
    if uneven == 0:
        m = np.full(plots, trees)
    else:
        m = 1 + rng.poisson(rng.gamma(1 / uneven**2, (trees - 1) * uneven**2, plots))
    return rng.binomial(m, alike_rates(rng, share, likeness, (plots,))), m


def covered(rng: np.random.Generator, runs: int, plots: int, share: float, likeness: float, uneven: float,
            trees: int) -> dict:
    """How often the interval holds the truth, and how wide it is.

    Parameters
    ----------
    rng, plots, share, likeness, uneven, trees
        As for `planting` [no unit, no unit, share, no unit, no unit, trees].
    runs
        Surveys that are drawn, 1 to 1,000,000 [no unit].

    Returns
    -------
    dict
        The cell, `browsed expected` [trees], `many` (enough plots and browsed trees for the moved centre), `coverage` and
        its standard `error` [share], mean `width` [share].
    """
    a_whole(runs, "Runs", 1, 1_000_000)
    drawn = [planting(rng, plots, share, likeness, uneven, trees) for _ in range(runs)]
    y, m = (np.array(part, float) for part in zip(*drawn, strict=True))
    low, high, _ = logit_limits(y, m, 0.025)
    one_sided = logit_limits(y, m, 0.05)  # as `clustered` gives it where none or all are browsed
    p = y.sum(axis=1) / m.sum(axis=1)
    edge = (p <= 0) | (p >= 1)
    low, high = np.where(edge, one_sided[0], np.minimum(low, p)), np.where(edge, one_sided[1], np.maximum(high, p))
    hits = int(((low <= share) & (share <= high)).sum())
    expected = plots * trees * share
    return {"plots": plots, "trees a plot": trees, "share": share, "likeness": likeness, "uneven": uneven,
            "browsed expected": expected, "many": plots >= MANY_PLOTS and expected >= MANY_BROWSED,
            "coverage": hits / runs, "error": binomial_error(hits / runs, runs), "width": float((high - low).mean())}


def binomial_error(share: float, runs: int) -> float:
    """Standard error of a share of so many runs: the table itself is a simulation and no surer than this.

    Parameters
    ----------
    share
        Share of the runs [share].
    runs
        How many there were [no unit].
    """
    a_share(share), above_nought(runs, "The number of runs")
    return float(np.sqrt(max(share * (1 - share), 1e-12) / runs))


def table(runs: int = 2000, seed: int = 1) -> pd.DataFrame:
    """Coverage of every cell, a row each as `covered` gives it.

    Parameters
    ----------
    runs
        Surveys of each cell [no unit].
    seed
        Of the draws [no unit].
    """
    rng = np.random.default_rng(seed)
    return pd.DataFrame([covered(rng, runs, *cell) for cell in cells()])


def cells() -> Iterator[tuple[int, float, float, float, int]]:
    """plots, share, likeness, uneven, trees of every cell."""
    return product(PLOTS, SHARES, LIKENESS, UNEVEN, TREES)


def main() -> None:
    """Print the table of coverage, for as many runs as the command line asks."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--runs", type=int, default=2000)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    found = table(given.runs, given.seed)
    with pd.option_context("display.max_rows", None, "display.width", 140):
        print(found.round({"coverage": 4, "width": 3, "error": 4}))
    many, few = found[found["many"]], found[~found["many"]]
    outside = many[(many["coverage"] < 0.93) | (many["coverage"] > 0.97)]
    print(f"{len(outside)} of {len(many)} cells with many plots and browsed trees lie outside 93 to 97 % "
          f"(least {many['coverage'].min():.3f}, most {many['coverage'].max():.3f})")
    low = few[few["coverage"] < 0.93]
    sure = low[low["coverage"] + Z95 * low["error"] < 0.93]
    print(f"{len(low)} of {len(few)} other cells lie below 93 % (least {few['coverage'].min():.4f}), {len(sure)} of them by "
          f"more than the error of {given.runs} runs allows ({Z95 * binomial_error(0.93, given.runs):.3f} either way)")


if __name__ == "__main__":
    main()
