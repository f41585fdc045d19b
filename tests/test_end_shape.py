"""The diameter of an end is the stem's own one diameter below the lip, whatever the stem does farther back.

Outlines are drawn with known widths; truth is the definition of the quantity.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from diagnose.measure.end_shape import End, find_end


def stem(half_width: Callable[[np.ndarray], np.ndarray], bump: float = 0.0, noise: float = 0.002, seed: int = 0) -> End:
    """The end of a stem cut square at 0; half_width(x) at x below it. bump : height of a bud on one side, 1 below."""
    rng = np.random.default_rng(seed)
    x = np.linspace(-7.0, 0.0, 1400)
    rough = [np.convolve(rng.normal(0, noise, len(x) + 40), np.ones(41) / np.sqrt(41), "valid") for _ in range(2)]
    lower = -half_width(x) + rough[0]
    upper = half_width(x) + rough[1] + bump * np.sqrt(np.clip(1 - ((x + 1.0) / 0.35) ** 2, 0, None))
    outline = np.vstack([np.stack([x, lower], axis=1), np.stack([x[::-1], upper[::-1]], axis=1)])
    found = find_end(outline, 0.0, 1.0)
    assert found is not None
    return found


@pytest.mark.parametrize("seed", range(12))
def test_on_a_straight_stem_the_diameter_is_that_between_its_long_sides(seed: int) -> None:
    found = stem(lambda x: np.full_like(x, 0.5), seed=seed)
    assert found.diameter == pytest.approx(found.sides.width(found.origin[0] - 1.0), abs=1e-3)
    assert found.diameter_doubt == 0.0 and found.swelling == ""


@pytest.mark.parametrize("taper", [-0.03, 0.03, 0.06])
def test_a_stem_that_tapers_evenly_is_read_as_before(taper: float) -> None:
    found = stem(lambda x: 0.5 * (1 - taper * (x + 1)))
    assert found.diameter == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("flare", [-0.15, 0.12, 0.25])
def test_a_stem_that_slowly_swells_or_narrows_towards_its_end_has_the_width_there(flare: float) -> None:
    """Even up to 3 diameters below the end, from there wider or narrower: truth is its width one diameter below."""
    found = stem(lambda x: 0.5 * (1 + flare * np.clip((x + 3.0) / 2.0, 0, 1.5)))
    assert found.diameter == pytest.approx(1 + flare, abs=0.04)


@pytest.mark.parametrize("flare", [-0.15, 0.12, 0.25])
def test_a_node_just_below_the_end_is_measured_and_told(flare: float) -> None:
    """Wider or narrower from 2 diameters below the end on: truth is the least-squares line through its width from 0.5 to 1.5
    diameters below, which the long straight sides miss by the whole of it."""
    def half_width(x: np.ndarray) -> np.ndarray:
        return 0.5 * (1 + flare * np.clip(x + 2.0, 0, 1))

    found = stem(half_width)
    x = -np.linspace(0.5, 1.5, 200) * found.diameter
    truth = float(np.polyval(np.polyfit(x, 2 * half_width(x), 1), -found.diameter))
    assert found.diameter == pytest.approx(truth, abs=0.05)
    assert abs(found.diameter - truth) < 2 * found.diameter * found.diameter_doubt
    assert ("swells" if flare > 0 else "narrows") in found.swelling


def test_a_bud_on_one_side_where_the_diameter_is_read_is_left_out_and_told() -> None:
    found = stem(lambda x: np.full_like(x, 0.5), bump=0.2)
    assert found.diameter == pytest.approx(1.0, abs=0.02)
    assert "bud or stub" in found.swelling
