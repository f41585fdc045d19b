"""The plan reads the same as text, PDF and CSV."""

import io
import re

import pandas as pd

from diagnose.protect.ground import square_ground
from diagnose.protect.plan import Plan, plan_for
from diagnose.protect.planting import planting
from diagnose.report.plan_sheet import drawings, materials_csv, plan_as_text, plan_pdf

VERDICT = {"deer_browsing": 0.6, "vole_surface": 0.4}


def _plan() -> Plan:
    return plan_for(planting(square_ground(5_000), 100, VERDICT, snow_mm=200))


def test_the_text_names_choice_cost_cautions_and_basis() -> None:
    plan = _plan()
    told = re.sub(r"\s+", " ", plan_as_text(plan))
    assert plan.chosen.name in told and "expected, not diagnosed" in told
    assert f"{plan.chosen.total:,.0f}" in told
    assert all(re.sub(r"\s+", " ", line) in told for line in (*plan.cautions, *plan.steps, *plan.fails))


def test_inches_and_feet_are_shown_on_demand() -> None:
    assert "acres" in plan_as_text(_plan(), inches=True) and " ha" in plan_as_text(_plan())


def test_the_pdf_is_one_and_shows_each_barrier_with_a_shape() -> None:
    plan = _plan()
    assert plan_pdf(plan).startswith(b"%PDF") and plan_pdf(plan, inches=True).startswith(b"%PDF")
    assert {drawing.title for drawing in drawings(plan)} >= {part.name for part in plan.chosen.parts if part.top_mm > 0}


def test_the_csv_is_the_buying_list() -> None:
    plan = _plan()
    assert list(pd.read_csv(io.StringIO(materials_csv(plan)))["item"]) == [line.item for line in plan.lines]
