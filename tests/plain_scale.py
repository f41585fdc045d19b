"""How far wrong is the scale of a coin or of a plain card beside a twig? `python -m tests.plain_scale --n 60`.

On drawn pictures with exact truth: coin and card are nearer or farther than the twig by 3 % (one standard deviation), tilted
by up to 35 degrees, and held by a finger that hides part of the rim.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.photo.picture import read_picture
from diagnose.photo.plain_card import find_plain_card
from diagnose.photo.plane import Plane
from diagnose.photo.scale import find_coin, px_per_mm
from diagnose.simulate.free import any_surroundings, picture_of, with_card


@dataclass(frozen=True)
class Judged:
    """One drawn picture. own : scale found over the true scale at the thing itself, less 1; at_twig : over that at the
    twig's end, less 1; sigma : as stated, relative."""

    own: float
    at_twig: float
    sigma: float


def coin(seed: int) -> Judged | None:
    """A coin of known diameter; None where none was found."""
    around = any_surroundings(seed, coin=True)
    data, truth = picture_of(around)
    assert around.coin_mm is not None and truth.coin_long_px is not None
    try:
        plane = find_coin(read_picture(data, "coin.jpg"), around.coin_mm, near=tuple(truth.twig.tip_px))
    except CannotUse:
        return None
    return _judged(plane, truth.coin_long_px / around.coin_mm, around.coin_depth)


def card(seed: int) -> Judged | None:
    """A card of the size ID-1; None where none was found."""
    around = with_card(any_surroundings(seed, coin=False), seed)
    data, truth = picture_of(around)
    assert around.card is not None and truth.card_px_per_mm is not None
    try:
        plane = find_plain_card(read_picture(data, "card.jpg"), near=tuple(truth.twig.tip_px))
    except CannotUse:
        return None
    return _judged(plane, truth.card_px_per_mm, around.card.depth)


def _judged(plane: Plane, true: float, depth: float) -> Judged:
    found = px_per_mm(plane)
    return Judged(found / true - 1, found / (true * depth) - 1, plane.scale_sigma)


def told(name: str, found: list[Judged | None]) -> str:
    """One line of figures."""
    there = [one for one in found if one is not None]
    own, at_twig = (np.array([getattr(one, each) for one in there]) for each in ("own", "at_twig"))
    within = np.mean([abs(one.at_twig) <= 2 * one.sigma for one in there])
    return (f"{name}: found in {len(there)} of {len(found)}; its own scale is wrong by {100 * np.median(abs(own)):.1f} % in "
            f"the middle, {100 * np.quantile(abs(own), 0.9):.1f} % at the 90th percentile, {100 * abs(own).max():.1f} % at "
            f"most, leaning {100 * np.mean(own):+.1f} %; at the twig by {100 * np.median(abs(at_twig)):.1f} and "
            f"{100 * np.quantile(abs(at_twig), 0.9):.1f} %, {100 * within:.0f} % within two of the stated uncertainties")


def main() -> None:
    """Prints a line each for coins and cards."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--n", type=int, default=60)
    number = asked.parse_args().n
    print(told("plain card", [card(seed) for seed in range(number)]), flush=True)
    print(told("coin", [coin(seed) for seed in range(number)]))


if __name__ == "__main__":
    main()
