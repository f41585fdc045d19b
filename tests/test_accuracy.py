"""How good the measurements are is told with what so few pictures can show.

Intervals are checked against Clopper and Pearson's closed form for none of n; errors against sums done by hand.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from diagnose.photo.picture import read_picture
from diagnose.signs import Measured, Shares
from diagnose.simulate.large import SCENE, write_large
from diagnose.validation.accuracy import form_rows, misses_as_text, row_of, rows_by_size, table_as_text
from diagnose.validation.coverage import coverage

CASES = [("a", 10.0, Measured(11.0, 1.0)), ("b", 10.0, Measured(9.0, 0.4)), ("c", 20.0, Measured(20.0, 1.0)),
         ("d", 5.0, None)]


def test_errors_shares_and_pulls_are_those_worked_by_hand() -> None:
    row = row_of("length", True, CASES)
    assert (row.pictures, row.measured) == (4, 3)
    assert row.errors == {"a": pytest.approx(0.1), "b": pytest.approx(-0.1), "c": 0.0, "d": None}
    assert row.pulls["b"] == pytest.approx(2.5) and row.pulls["d"] is None
    assert row.median == pytest.approx(0.1)
    assert row.within_1 == pytest.approx(2 / 3) and row.within_2 == pytest.approx(2 / 3)
    assert row.sigma == pytest.approx(0.05)


def test_a_share_carries_its_exact_interval() -> None:
    """None of 10: the upper bound is 1 - 0.025 ^ (1 / 10) = 30.8 % (Clopper and Pearson 1934)."""
    row = row_of("length", False, [(str(k), 0.0, Measured(5.0, 1.0)) for k in range(10)])
    assert round(100 * (1 - 0.025**0.1)) == 31
    assert "0% (0-31)" in table_as_text([row])


def test_a_percentile_lies_in_its_bootstrap_interval_and_more_pictures_narrow_it() -> None:
    errors = np.random.default_rng(3).normal(0, 1, 400)
    few, many = (row_of("length", False, [(str(k), 0.0, Measured(float(e), 1.0)) for k, e in enumerate(part)])
                 for part in (errors[:20], errors))
    for row in (few, many):
        assert row.median_range[0] <= row.median <= row.median_range[1]
        assert row.p90_range[0] <= row.p90 <= row.p90_range[1]
    assert np.ptp(many.p90_range) < np.ptp(few.p90_range)


def test_what_was_missed_is_named_picture_by_picture() -> None:
    told = misses_as_text([row_of("length", True, CASES)])
    assert "d not measured" in told and "b off by -10 %, 2.5 sigmas" in told and "a off" not in told


def test_every_case_counts_in_one_size_class() -> None:
    rows = list(rows_by_size("length", True, [(case, size) for case, size in zip(CASES, (1.0, 2.5, 6.0, 7.0), strict=True)]))
    assert [row.pictures for row in rows] == [4, 1, 1, 2]


def test_a_clean_end_surely_called_torn_is_counted() -> None:
    forms = [("a", "clean", Shares({"clean": 0.02, "half": 0.03, "torn": 0.95})),
             ("b", "half", Shares({"clean": 0.02, "half": 0.9, "torn": 0.08})), ("c", "torn", None)]
    wrong, sure = form_rows(forms)
    assert wrong.median == 0.5 and sure.median == 1.0
    assert wrong.errors["c"] is None


def test_simulated_pictures_give_a_table() -> None:
    rows = coverage(range(90_001, 90_007, 2))
    assert {"end diameter", "end form named wrongly"} <= {row.quantity for row in rows}
    assert len(table_as_text(rows).splitlines()) == len(rows) + 1


def test_a_picture_for_timing_is_drawn_at_its_size_and_compressed_to_the_megabytes_asked(tmp_path: Path) -> None:
    files = write_large(tmp_path, (0.1, 0.3), replace(SCENE, size=(1000, 750)))
    for file, wanted in zip(files, (0.1e6, 0.3e6), strict=True):
        assert file.stat().st_size == pytest.approx(wanted, rel=0.15)
        assert read_picture(file).size == (1000, 750)
