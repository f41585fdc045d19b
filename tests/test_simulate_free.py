"""Simulated twigs where they grew: their truth is exact, and what is measured on them agrees with it.

The settings are those of the simulator; the error model was not fitted to these seeds.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from diagnose.measure.free_end import measure_free_end
from diagnose.measure.record import Measurement
from diagnose.photo.picture import read_picture
from diagnose.photo.scale import find_coin, px_per_mm
from diagnose.simulate.free import FreeTruth, any_surroundings, picture_of

SEEDS = range(70_000, 70_008)


@cache
def _tapped(seed: int) -> tuple[Measurement, FreeTruth]:
    data, truth = picture_of(any_surroundings(seed, kind="clean"))
    finger = np.random.default_rng(seed).normal(0, 4, (2, 2))
    taps = [tuple(truth.twig.tip_px + finger[0]), tuple(truth.twig.back_px + finger[1])]
    return measure_free_end(read_picture(data, "simulated.jpg"), taps), truth


@pytest.mark.slow
def test_most_clean_ends_between_two_taps_are_read_within_three_of_their_uncertainties() -> None:
    found = [_tapped(seed) for seed in SEEDS]
    measured = [(m.measured["seen_slope_deg"], truth.twig.seen_slope_deg) for m, truth in found if m.measured]
    assert len(measured) >= 0.75 * len(found)
    within = [abs(seen.value - true) < 3 * seen.sigma for seen, true in measured]
    assert np.mean(within) >= 0.75


def test_the_same_seed_gives_the_same_picture_and_another_seed_another() -> None:
    one, same, other = (picture_of(any_surroundings(seed))[0] for seed in (3, 3, 4))
    assert one == same and one != other


def test_a_simulated_coin_gives_the_scale_that_it_was_drawn_with() -> None:
    found = []
    for seed in range(71_000, 71_004):
        around = any_surroundings(seed, coin=True)
        data, truth = picture_of(around)
        assert truth.coin_px is not None and truth.coin_long_px is not None and around.coin_mm is not None
        picture = read_picture(data, "coin.jpg")
        width, height = picture.size
        if not (0 < truth.coin_px[0] < width and 0 < truth.coin_px[1] < height):
            continue
        plane = find_coin(picture, around.coin_mm, near=tuple(truth.coin_px))
        found.append(px_per_mm(plane) / (truth.coin_long_px / around.coin_mm))
    assert found and np.median(found) == pytest.approx(1.0, abs=0.03)
