"""Quick medians are medians. Truth: NumPy's."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.measure.smooth import median


@pytest.mark.parametrize("many", [1, 2, 3, 100, 101])
def test_a_quick_median_is_the_median(many: int) -> None:
    values = np.random.default_rng(many).normal(size=many)
    assert median(values) == pytest.approx(np.median(values), abs=1e-12)
