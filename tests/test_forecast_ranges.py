"""What is drawn of forecasts is what their sentences tell, and nothing out of sight."""

from __future__ import annotations

from datetime import date
from typing import Any

from diagnose.report.forecast_ranges import SAFE, TIGHT, forecast_ranges, ranges_in_words
from diagnose.screens.ahead import ranges_of
from diagnose.upkeep.due import IN_SIGHT_YEARS
from diagnose.upkeep.forecast import forecast_of
from diagnose.upkeep.growth import Rate
from diagnose.upkeep.outlook import FAR, Standing

DAY = date(2026, 11, 2)
USUAL, SLOW = Rate(100, 300, 500), Rate(5, 8, 200)  # of a leader, mm a season


def _line(leader: Rate = USUAL, inner_mm: float | None = 200.0, **more: Any) -> dict[str, Any]:
    cage = Standing("cage", date(2026, 11, 1), 40.0, Rate(8, 10, 12), leader, 1000.0, inner_mm)
    told = forecast_of(cage, DAY)
    return {"name": "cage", "count": 3, "told": told, "by": told.make_room_by or told.latest or FAR, **more}


def test_a_range_reaches_over_the_years_that_the_sentence_tells() -> None:
    line = _line()
    ranges = forecast_ranges([line], DAY).set_index("what")
    for what in (SAFE, TIGHT):
        row = ranges.loc[what]
        assert row["early"] <= row["likely"] <= row["late"]
    first, last = ranges.loc[TIGHT, "early"].year, ranges.loc[TIGHT, "late"].year
    assert line["told"].cuts.startswith(f"cuts in between {first} and {last}")
    assert str(ranges.loc[SAFE, "early"].year) in line["told"].reach
    words = ranges_in_words(forecast_ranges([line], DAY))
    assert f"{SAFE} {ranges.loc[SAFE, 'early'].year}" in words and "3 × cage" in words


def test_what_lies_out_of_sight_is_drawn_to_the_end_of_sight_without_a_likely_day() -> None:
    slow = forecast_ranges([_line(leader=SLOW)], DAY).set_index("what").loc[SAFE]
    assert slow["late"].year == DAY.year + IN_SIGHT_YEARS and slow["likely"] is None


def test_what_does_not_close_round_a_stem_has_no_range() -> None:
    assert forecast_ranges([_line(inner_mm=None)], DAY).empty


def test_groups_of_one_name_keep_rows_of_their_own() -> None:
    drawn = ranges_of(forecast_ranges([_line(), _line()], DAY)).to_dict()
    rows = next(iter(drawn["datasets"].values()))
    assert {row["group"] for row in rows} == {0, 1} and len(rows) == 4
