"""Grooves drawn with known spacing and direction; the spacing is also computed by SciPy's periodogram."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks, periodogram

from diagnose.measure.bark_patch import ENOUGH_CONTRAST
from diagnose.measure.grooves import find_grooves

STEP = 0.15


def grooved(spacing: float, direction: float, jitter: float = 0.0, seed: int = 0, noise: float = 0.3):
    """A patch of 40 x 20 mm with grooves; rows run down, so that the first row is uppermost."""
    rng = np.random.default_rng(seed)
    up, right = np.meshgrid(np.arange(40, 0, -STEP), np.arange(0, 20, STEP), indexing="ij")
    angle = np.radians(direction)
    centres = np.cumsum(spacing * (1 + jitter * rng.normal(size=300)))
    place = right * np.cos(angle) + up * np.sin(angle) + 0.4 * centres[-1]
    phase = np.interp(place, centres, np.arange(300))
    between = np.searchsorted(centres, [place.min(), place.max()])
    image = np.cos(2 * np.pi * phase) + noise * rng.normal(size=up.shape)
    return 0.3 * image, float(np.diff(centres[between[0] : between[1]]).mean())


@pytest.mark.parametrize("direction", [-75.0, -30.0, 0.0, 20.0, 60.0, 90.0])
@pytest.mark.parametrize("spacing", [0.9, 2.0, 3.8])
def test_spacing_and_direction_of_even_grooves_come_back(spacing: float, direction: float) -> None:
    image, mean = grooved(spacing, direction)
    found = find_grooves(image, np.ones(image.shape, bool), STEP)
    assert found is not None
    assert found.spacing_mm == pytest.approx(mean, rel=0.03)
    assert abs((found.direction_deg - direction + 90) % 180 - 90) < 2
    assert found.regularity > 0.6


def test_wandering_grooves_keep_their_mean_spacing_within_its_uncertainty() -> None:
    off = []
    for seed in range(24):
        image, mean = grooved(2.2, -40.0 + 5 * seed, jitter=0.1, seed=seed)
        found = find_grooves(image, np.ones(image.shape, bool), STEP)
        assert found is not None
        off.append((found.spacing_mm - mean) / found.spacing_sigma)
    assert np.mean(np.abs(off) < 2) > 0.85
    assert abs(np.mean(off)) < 0.7


def test_uneven_grooves_are_less_regular_than_even_ones() -> None:
    even = find_grooves(*_whole(grooved(2.0, 30.0)[0]), STEP)
    uneven = find_grooves(*_whole(grooved(2.0, 30.0, jitter=0.3)[0]), STEP)
    assert even is not None and uneven is not None
    assert uneven.regularity < even.regularity - 0.1


def test_the_spacing_agrees_with_a_periodogram_across_the_grooves() -> None:
    """Independent computation: scipy.signal.periodogram of each row, for grooves that run along the stem."""
    for spacing in (1.2, 2.0, 3.1):
        image, _ = grooved(spacing, 0.0, jitter=0.04, seed=3)
        frequency, power = periodogram(image, fs=1 / STEP, window="hann", nfft=4096, axis=1)
        mean = power.mean(axis=0)
        peaks, _ = find_peaks(mean)
        strongest = frequency[peaks[np.argmax(mean[peaks])]]
        found = find_grooves(*_whole(image), STEP)
        assert found is not None
        assert found.spacing_mm == pytest.approx(1 / strongest, rel=0.06)


def test_noise_has_no_grooves_that_repeat() -> None:
    rng = np.random.default_rng(5)
    for _ in range(5):
        found = find_grooves(*_whole(rng.normal(size=(260, 130))), STEP)
        assert found is None or found.contrast < 6 or found.regularity < 0.42


def test_a_speck_of_wood_is_too_small_for_grooves() -> None:
    assert find_grooves(*_whole(np.zeros((15, 15))), STEP) is None


def _whole(image: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return image, np.ones(image.shape, bool)


@pytest.mark.parametrize(("step", "tall", "spacing"), [(0.08, 8, 1.5), (0.08, 12, 1.5), (0.12, 12, 2.0), (0.2, 8, 2.0)])
def test_on_a_strip_too_narrow_for_three_grooves_none_are_believed(step: float, tall: float, spacing: float) -> None:
    down, across = np.mgrid[0 : int(tall / step), 0 : int(2.0 / step)] * step
    rng = np.random.default_rng(7)
    for _ in range(4):
        image = np.sin(2 * np.pi * across / spacing) + 0.5 * rng.normal(size=down.shape)
        found = find_grooves(*_whole(image), step)
        assert found is None or abs(found.direction_deg) > 45 or found.contrast < ENOUGH_CONTRAST
