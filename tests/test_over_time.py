"""Shares of verdicts over time are counts out of what was saved in that time."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.report.over_time import how_many, most_often_first, shares_in_words, shares_over_time
from diagnose.screens.over_time import over_time


def test_each_months_shares_are_its_own_counts() -> None:
    taken = pd.Series(["2025-04-01", "2025-04-30T23:59:00", "2025-05-02T10:00:00", "2025-05-03", "2025-05-04", "?", None])
    found = shares_over_time(taken, pd.Series(["deer", "vole", "deer", "deer", "vole", "deer", "deer"]))
    told = {(row["when"], row["verdict"]): (row["count"], row["of"]) for row in found.to_dict("records")}
    assert told == {("2025-04", "deer"): (1, 2), ("2025-04", "vole"): (1, 2), ("2025-05", "deer"): (2, 3),
                    ("2025-05", "vole"): (1, 3)}


def test_the_chart_s_words_are_those_of_the_counts() -> None:
    shares = shares_over_time(pd.Series(["2025-04-01", "2025-05-02", "2025-05-03"]), pd.Series(["deer", "vole", "vole"]))
    assert most_often_first(shares) == ["vole", "deer"]
    assert how_many(shares).to_numpy().tolist() == [["2025-04", "n = 1"], ["2025-05", "n = 2"]]
    assert shares_in_words(shares) == "Verdicts over time: 2025-04: deer 100%; 2025-05: vole 100%"


def test_observations_of_one_month_have_no_course() -> None:
    assert shares_over_time(pd.Series(["2025-04-01", "2025-04-02"]), pd.Series(["deer", "vole"])).empty
    assert shares_over_time(pd.Series([], dtype=str), pd.Series([], dtype=str)).empty


def test_over_more_than_two_years_whole_years_are_counted() -> None:
    found = shares_over_time(pd.Series(["2023-01-05", "2023-12-05", "2025-06-01"]), pd.Series(["deer", "vole", "deer"]))
    assert set(found["when"]) == {"2023", "2025"}


def test_numbers_stand_above_few_bars_only_since_above_many_they_would_lie_over_each_other() -> None:
    days = [f"2025-{month:02d}-01" for month in range(1, 13)]
    for months, numbers in ((4, 4), (12, 0)):
        shares = shares_over_time(pd.Series(days[:months]), pd.Series(["deer"] * months))
        told = over_time(shares).to_dict()
        text = next(layer for layer in told["layer"] if layer["mark"]["type"] == "text")
        assert len(told["datasets"][text["data"]["name"]]) == numbers


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(st.dates(), st.sampled_from(["deer", "vole", "hare"])), min_size=1, max_size=40))
def test_the_shares_of_a_time_sum_to_one_and_no_observation_is_lost(told: list[tuple[object, str]]) -> None:
    found = shares_over_time(pd.Series([str(day) for day, _ in told]), pd.Series([what for _, what in told]))
    if found.empty:
        assert len({str(day)[:7] for day, _ in told}) == 1 or len({str(day)[:4] for day, _ in told}) == 1
        return
    assert found["count"].sum() == len(told)
    assert found.groupby("when")["share"].sum().tolist() == pytest.approx([1.0] * found["when"].nunique())
