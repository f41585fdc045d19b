"""The plan reads the same as text, PDF and CSV."""

import io
import re

import pandas as pd
import pytest
from pypdf import PdfReader

from diagnose.knowledge import read_yaml, reference_cases
from diagnose.protect.ground import square_ground
from diagnose.protect.plan import Plan, plan_for
from diagnose.protect.planting import planting
from diagnose.protect.sources import SAID_ONCE, sources, sources_named
from diagnose.report.kinds_drawing import draw_kinds
from diagnose.report.plan_grounds import prices_told
from diagnose.report.plan_sheet import answer, drawings, in_their_units, materials_csv, plan_as_text, plan_pdf

VERDICT = {"deer_browsing": 0.6, "vole_surface": 0.4}


def _plan() -> Plan:
    return plan_for(planting(square_ground(5_000), 100, VERDICT, snow_mm=200))


def test_the_text_names_choice_cost_cautions_and_basis() -> None:
    plan = _plan()
    told = re.sub(r"\s+", " ", plan_as_text(plan))
    assert plan.chosen.name in told and "expected, not diagnosed" in told
    assert f"{plan.chosen.total:,.0f}" in told
    assert all(re.sub(r"\s+", " ", line) in told for line in (*plan.cautions, *plan.steps, *plan.fails))


@pytest.mark.parametrize("price", [8.0, 80.0])
def test_from_what_a_tree_is_worth_a_plan_pays_is_told_once(price: float) -> None:
    plan = plan_for(planting(square_ground(5_000), 100, {"deer_browsing": 1.0}, prices={"tree": price}))
    assert plan.pays == (price > plan.tree_value)
    assert plan_as_text(plan).count(f" from {plan.tree_value:,.2f} a ") == 1


def test_inches_and_feet_are_shown_on_demand() -> None:
    assert "acres" in plan_as_text(_plan(), inches=True) and " ha" in plan_as_text(_plan())


def test_the_pdf_is_one_and_shows_each_barrier_with_a_shape() -> None:
    plan = _plan()
    assert plan_pdf(plan).startswith(b"%PDF") and plan_pdf(plan, inches=True).startswith(b"%PDF")
    assert {drawing.title for drawing in drawings(plan)} >= {part.name for part in plan.chosen.parts if part.top_mm > 0}


def test_the_csv_is_the_buying_list() -> None:
    plan = _plan()
    assert list(pd.read_csv(io.StringIO(materials_csv(plan)))["item"]) == [line.item for line in plan.lines]


PLANTINGS = read_yaml(reference_cases("protection") / "plantings.yaml")


def _of(told: dict) -> Plan:
    more = {name: value for name, value in told.items() if name not in ("words", "hectares", "trees", "culprits", "slope")}
    ground = square_ground(10_000 * told["hectares"], told.get("slope", 0.0))
    return plan_for(planting(ground, told["trees"], told["culprits"], **more))


@pytest.mark.parametrize("name", PLANTINGS)
def test_a_planting_is_planned_and_printed_in_both_measures_on_both_papers(name: str) -> None:
    plan = _of(PLANTINGS[name])
    assert plan.reaches, plan.broken
    metric, american = plan_as_text(plan), plan_as_text(plan, inches=True)
    american = american[:american.index("\nSources")]  # titles of sources stand as they are
    assert not re.search(r"\d mm\b", american) and not re.search(r"\d m\b", american)
    assert not re.search(r" -0\b(?!\.)", metric) and "nan" not in metric.split()
    for inches, paper, size in ((False, "A4", (595.3, 841.9)), (True, "Letter", (612.0, 792.0))):
        page = PdfReader(io.BytesIO(plan_pdf(plan, inches, paper))).pages[0]
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(size, abs=0.5)


def test_every_source_named_stands_in_full_at_the_end() -> None:
    told = plan_as_text(_plan())
    end = told[told.index("\nSources"):]
    before = " ".join(told[:told.index("\nSources")].split())
    named = [key for key, source in sources().items() if source["called"] in before]
    assert len(named) > 5 and all(f"\n  {sources()[key]['called']}:" in end for key in named)
    assert SAID_ONCE in " ".join(end.split())


@pytest.mark.parametrize("name", PLANTINGS)
@pytest.mark.parametrize("inches", [False, True])
def test_no_key_of_a_source_is_printed_in_a_plan(name: str, inches: bool) -> None:
    plan = _of(PLANTINGS[name])
    pages = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(plan_pdf(plan, inches))).pages)
    for words in (plan_as_text(plan, inches), pages):
        assert sources_named(re.sub(r"https?://\S+(\n +\S+)*", "", words[:words.index("Sources\n")])) == []
        assert not re.search(r"\[(R|2|D|M|weak)\]", words)


def test_the_wage_the_value_of_a_tree_and_the_rate_are_said_with_how_much_rests_on_memory() -> None:
    told = " ".join(plan_as_text(_plan()).split())
    assert "an hour's work 25.00" in told and "a lost tree: plant and planting again 8.00" in told
    assert "discount a year, as a share: 0.03" in told
    assert re.search(r"\d+ % of the first year's sum rests on prices from memory", told)


def test_the_chart_shows_each_kind_within_its_paper() -> None:
    drawing = draw_kinds(_plan())
    for stroke in drawing.strokes:
        assert min(stroke.x1, stroke.x2) >= -0.1 and max(stroke.x1, stroke.x2) <= drawing.width + 0.1
        assert min(stroke.y1, stroke.y2) >= -0.1 and max(stroke.y1, stroke.y2) <= drawing.height + 0.1


def test_the_first_thing_read_is_what_to_do_and_where() -> None:
    plan = _plan()
    assert re.match(r"Act: build .*(at each of the 100 trees|round the planting \(283 m\))", answer(plan)[0])
    told = answer(plan_for(planting(square_ground(5_000), 100, VERDICT, target_per_ha=199)))
    assert told[0].startswith("Act: build") and told[1].startswith("It does not do all that is wanted. The target breaks it")


@pytest.mark.parametrize("inches", [False, True])
def test_quantity_times_price_as_printed_is_the_cost_as_printed_to_the_unit(inches: bool) -> None:
    plan = plan_for(planting(square_ground(20_000), 1500, ["deer"], spec={"barrier": "electric_strands"}))
    pages = PdfReader(io.BytesIO(plan_pdf(plan, inches))).pages
    words = " ".join(page.extract_text() for page in pages)
    for line in (in_their_units(line, inches) for line in plan.lines):
        price = next(one for one in re.findall(r"[\d,]*\.\d{2,6}(?=\s+" + re.escape(f"{line.cost:,.2f}") + ")", words)
                     if abs(float(one.replace(",", "")) - line.price) < 0.01 * line.price + 0.005)
        assert abs(float(price.replace(",", "")) * line.to_buy - line.cost) < 0.5, line.item


def test_a_netting_that_hangs_on_a_fence_is_drawn_without_braces_of_its_own() -> None:
    plan = plan_for(planting(square_ground(10_000), 1500, {"red_deer": 1.0, "hare": 1.0}, must=["red_deer", "hare"],
                             spec={"barrier": "woven_wire"}, prices={"hex_mesh": 0.01, "solid_tube": 90.0}))
    assert plan.chosen.keys[:2] == ("woven_wire", "rabbit_netting")
    titles = [drawing.title for drawing in drawings(plan)]
    assert "Brace of the woven-wire fence" in titles and not any("Brace of the rabbit" in title for title in titles)
    assert "hangs on the woven-wire fence" in re.sub(r"\s+", " ", plan_as_text(plan))


def test_a_single_piece_is_not_told_as_several() -> None:
    told = re.sub(r"\s+", " ", plan_as_text(plan_for(planting(square_ground(5_000), 20, ["deer"],
                                                              spec={"barrier": "woven_wire"}))))
    assert " 1 gate (" in told and not re.search(r"\b1 (gates|pieces|rolls|bundles)\b", told)


def test_a_fence_that_shuts_stock_out_says_so_at_once_and_land_that_they_graze_gets_none() -> None:
    told = {"trees": 40, "culprits": {"sheep": 1.0, "horse": 0.6}, "must": ["sheep"], "damage": "heavy"}
    fenced = plan_for(planting(square_ground(40_000), spec={"barrier": "woven_wire"}, **told))
    assert any("shuts stock out" in line for line in answer(fenced))
    grazed = plan_for(planting(square_ground(40_000), site=["grazed"], **told))
    assert not any(part.round_the_planting for part in grazed.chosen.parts) and grazed.chosen.parts


def test_in_inches_prices_are_told_of_a_foot_and_a_pound() -> None:
    plan = plan_for(planting(square_ground(3000), 40, ["cattle", "vole"], prices={"hardware_cloth": 10.0}))
    metric, imperial = ("; ".join(prices_told(plan, inches)) for inches in (False, True))
    assert "a metre" in metric and "a kilogram" in metric and "a foot" not in metric
    assert "a metre" not in imperial and "a square metre" not in imperial and "a kilogram" not in imperial
    wire = plan.place.price("wire")
    assert f"wire, a metre {wire:.2f}" in metric and f"wire, a foot {wire * 0.3048:.2f}" in imperial
