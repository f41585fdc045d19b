"""The figures that stand beside the kinds of protection are the plan's own."""

from __future__ import annotations

import pytest

from diagnose.protect.ground import square_ground
from diagnose.protect.plan import Plan, plan_for
from diagnose.protect.planting import planting
from diagnose.report.kinds_figures import LABEL, alive_in_words, as_saved, costs_in_words, kinds_figures, labelled


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_for(planting(square_ground(5_000), 100, {"deer_browsing": 0.6, "vole_surface": 0.4}))


def test_each_kind_that_holds_something_has_a_row_and_the_cheapest_stands_first(plan: Plan) -> None:
    figures = kinds_figures(plan)
    held = sorted(row.option.total for row in plan.kinds if row.option is not None)
    assert figures["total"].tolist() == held and 1 < len(held) <= len(plan.kinds)
    assert (figures["barriers"] + figures["trees lost"]).tolist() == pytest.approx(held)
    assert ((figures["low"] <= figures["high"]) & (figures["high"] <= plan.place.trees)).all()


def test_a_name_on_a_chart_is_broken_into_short_lines_and_whole_where_it_is_saved(plan: Plan) -> None:
    figures = kinds_figures(plan)
    on_chart, saved = labelled(figures), as_saved(figures, plan.currency)
    assert all(len(line) <= LABEL for name in on_chart["kind"] for line in name.split("\n"))
    assert [" ".join(name.split()) for name in on_chart["kind"]] == saved["kind"].tolist()
    assert f"total [{plan.currency}]" in saved


def test_who_does_not_see_the_charts_is_told_every_kind(plan: Plan) -> None:
    figures = kinds_figures(plan)
    for told in (costs_in_words(figures, plan.place.years), alive_in_words(figures, plan.place.years, 80)):
        assert all(name in told for name in figures["kind"]) and f"{plan.place.years} years" in told
