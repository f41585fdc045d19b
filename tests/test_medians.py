"""Quick medians are medians. Truth: NumPy's, and for nine values every case there is."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.measure.smooth import median
from diagnose.measure.two_sides import _middle_of_nine


def test_the_middle_of_nine_is_right_for_every_order() -> None:
    """By the 0-1 principle (Knuth, The Art of Computer Programming 3, 5.3.4) zeros and ones stand for all values."""
    cases = ((np.arange(512)[:, None] >> np.arange(9)) & 1).T.astype(np.float32)
    assert (_middle_of_nine(cases[..., None])[:, 0] == np.median(cases, axis=0)).all()


@pytest.mark.parametrize("many", [1, 2, 3, 100, 101])
def test_a_quick_median_is_the_median(many: int) -> None:
    values = np.random.default_rng(many).normal(size=many)
    assert median(values) == pytest.approx(np.median(values), abs=1e-12)
