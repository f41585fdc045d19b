"""Each barrier's forecast is in order, moves with growth as it must, and narrows as stems are measured."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.fieldlog.store import Log, open_log
from diagnose.knowledge import knowledge, read_yaml, reference_cases
from diagnose.protect.barriers import buildable
from diagnose.protect.ground import square_ground
from diagnose.protect.plan import plan_for
from diagnose.protect.planting import planting
from diagnose.report.due_list import ahead_as_text, due_as_text, due_pdf
from diagnose.upkeep.calendar import entries
from diagnose.upkeep.due import due, due_of
from diagnose.upkeep.forecast import (
    due_months,
    forecast_lines,
    forecast_of,
    forecast_of_plan,
    forecasts,
    narrowing_of,
)
from diagnose.upkeep.growth import CLIMATES, Rate, default_rate, measured_rates, rates_of_kin
from diagnose.upkeep.outlook import FAR, Standing
from diagnose.upkeep.register import FORMS, check, register
from diagnose.upkeep.rounds import answer, jobs
from diagnose.upkeep.rules import bark_safe_mm, reach_mm, trait
from diagnose.upkeep.standing import standing

CASES = read_yaml(reference_cases("upkeep") / "cases.yaml")
laws = settings(deadline=None, max_examples=60)
rates = st.tuples(st.floats(0.5, 10), st.floats(1, 3), st.floats(1, 3)).map(
    lambda x: Rate(x[0], x[0] * x[1], x[0] * x[1] * x[2]))
standings = st.builds(
    Standing, form=st.sampled_from(FORMS), measured_on=st.dates(date(2010, 1, 1), date(2030, 12, 31)),
    stem_mm=st.floats(1, 200), stem_rate=rates, leader_rate=rates, leader_mm=st.floats(50, 6000),
    inner_mm=st.none() | st.floats(30, 1500), culprits=st.sampled_from([("deer_browsing",), ("rabbit",), ("beaver",)]),
    snow_mm=st.floats(0, 1500), stands_alone=st.sampled_from([None, True, False]))


@pytest.fixture
def log(tmp_path: Path) -> Log:
    return open_log(tmp_path / "log")


@pytest.mark.parametrize("case", CASES["winters"], ids=[case["id"] for case in CASES["winters"]])
def test_winters_agree_with_those_worked_by_hand(case: dict[str, Any]) -> None:
    told = dict(case["given"])
    climate, south, on = told.pop("climate"), told.pop("south", False), told.pop("told_on")
    pair = {f"{what}_rate": Rate(*told.pop(f"{what}_rate")) for what in ("stem", "leader")}
    one = forecast_of(Standing(**{**told, "culprits": tuple(told["culprits"])}, **pair), on, climate, south)
    assert one.words == case["words"]


@laws
@given(standings, st.sampled_from(CLIMATES), st.booleans())
def test_a_forecast_is_in_order_and_its_winter_is_safe_for_both(one: Standing, climate: str, south: bool) -> None:
    on = one.measured_on
    told = forecast_of(one, on, climate, south)
    for days in (told.safe, told.tight):
        assert days.early <= days.likely <= days.late
    assert told.tight.early <= told.tenth <= max(told.tight.likely, told.tight.early)
    assert told.winter is None or told.make_room_by is None
    if told.winter is not None and told.winter.year < 2150:
        assert told.winter >= told.safe.late or told.safe.late <= on
        assert told.tight.early >= FAR or told.winter < told.tight.early
        assert told.latest is None or told.winter <= told.latest
    if told.make_room_by is not None:
        assert told.make_room_by <= told.tight.early


@laws
@given(standings, st.floats(1, 4), st.sampled_from(CLIMATES), st.booleans())
def test_faster_growth_never_puts_cutting_in_or_being_out_of_reach_off(
    one: Standing, faster: float, climate: str, south: bool,
) -> None:
    def sped(rate: Rate) -> Rate:
        return Rate(rate.least * faster, rate.middle * faster, rate.most * faster)

    slow = forecast_of(one, one.measured_on, climate, south)
    fast = forecast_of(replace(one, stem_rate=sped(one.stem_rate), leader_rate=sped(one.leader_rate)), one.measured_on,
                       climate, south)
    for quick, before in ((fast.safe, slow.safe), (fast.tight, slow.tight)):
        assert quick.early <= before.early and quick.likely <= before.likely and quick.late <= before.late
    assert fast.tenth <= slow.tenth


@laws
@given(st.sampled_from(["oak", "poplar", "spruce", ""]), st.lists(st.floats(0, 30), min_size=1, max_size=5))
def test_rates_narrow_with_each_measurement(species: str, steps: list[float]) -> None:
    usual = default_rate("stem", species)
    default = np.array([[usual.least, usual.middle, usual.most]])
    before = np.inf
    for seen in range(1, len(steps) + 1):
        seasons = 50.0 + np.arange(seen + 1)
        sizes = 12.0 + np.cumsum([0.0, *steps[:seen]])
        now = measured_rates(default, np.zeros(seen + 1, int), seasons, sizes, 1.5)[0]
        assert now[0] <= now[1] <= now[2] and now[2] - now[0] < usual.most - usual.least
        assert now[2] - now[1] < before + 1e-9  # how much faster it may still be; below, no rate is under 0
        before = now[2] - now[1]


@laws
@given(st.sampled_from(["oak", "poplar", "spruce"]), st.lists(st.floats(0, 30), min_size=1, max_size=6))
def test_other_measured_trees_of_the_planting_narrow_the_rate_of_one_that_nobody_measured(
    species: str, grown: list[float],
) -> None:
    usual = default_rate("stem", species)
    default = np.tile([[usual.least, usual.middle, usual.most]], (len(grown) + 1, 1))
    widths = [usual.most - usual.least]
    for told in range(1, len(grown) + 1):
        plant = np.repeat(np.arange(told), 2)
        sizes = np.column_stack([np.full(told, 12.0), 12.0 + 2 * np.array(grown[:told])]).ravel()
        rate = rates_of_kin(default, np.zeros(len(default), int), plant, np.tile([50.0, 52.0], told), sizes, 1.5)[-1]
        assert 0 < rate[0] <= rate[1] <= rate[2]
        widths.append(rate[2] - rate[0])
    assert all(width < widths[0] for width in widths[1:])


@pytest.mark.parametrize("species", ["oak", "maple", "pine"])
def test_the_day_of_cutting_in_narrows_with_each_stem_that_grows_as_usual(species: str) -> None:
    rate = default_rate("stem", species)
    sizes = [(date(2026 + year, 11, 1), 12 + rate.middle * (year + 1)) for year in range(4)]
    told = narrowing_of("cage", species, date(2026, 3, 1), 300.0, sizes)
    widths = [(days.late - days.early).days for days in told]
    assert widths == sorted(widths, reverse=True) and widths[-1] < 0.8 * widths[0]


def test_growth_holds_the_published_means_of_its_groups() -> None:
    """growth.yaml: each mean as its source gives it lies within the range of the vigour that is said."""
    told, checked = knowledge("diagnose.upkeep", "growth.yaml"), 0
    for group in told["groups"].values():
        for row in group["published"]:
            rate = default_rate(row["what"], group["species"][0], row["vigour"], row.get("in_tube", False))
            scale = 10.0 if row["what"] == "leader" else 1.0
            assert rate.least <= scale * row["mean"] <= rate.most, row
            assert row["source"] in told["sources"]
            checked += 1
    assert checked >= 15


# ------------------------------------------------------------------ rules that agree


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("built", ["2026-01-15", "2026-04-01", "2026-07-10", "2026-11-28"])
def test_a_guard_built_today_is_not_due_today_in_any_form(log: Log, form: str, built: str) -> None:
    day = date.fromisoformat(built)
    own = register(log, form, site="s", label="new one", inner_mm=75, built=built, species="poplar",
                   figures={"culprits": ["deer_browsing", "vole_surface"]})
    there = standing(log)
    items = due_of(there, day)
    assert [item for item in items if item.barrier == own] == []
    assert not any(entry.day <= day and "new one" in entry.told for entry in entries(items, there, day))
    assert "new one" not in due_as_text(items, day) and "Nothing is due" in answer(items, day)
    tomorrow = [item for item in due(log, date.fromordinal(day.toordinal() + 1)) if item.barrier == own]
    assert not any(item.kind == "overdue" for item in tomorrow)


@pytest.mark.parametrize(("form", "inner", "stem", "fits"), [
    ("cage", 62.0, 12.0, False), ("cage", 63.0, 12.0, True), ("vole guard", 15.0, 12.0, False),
    ("vole guard", 16.0, 12.0, True),
    ("tree shelter", 89.0, 39.0, False), ("tree shelter", 89.0, 38.0, True), ("trunk guard", 300.0, 260.0, False),
    ("fence", 10.0, 300.0, True)])
def test_a_guard_too_tight_for_its_stem_is_refused_when_it_is_entered(
    log: Log, form: str, inner: float, stem: float, fits: bool,
) -> None:
    """25 mm are left on each side, of a close-fitting guard a tenth of its width: worked by hand."""
    if fits:
        own = register(log, form, site="s", inner_mm=inner, stem_mm=stem, built="2026-04-01")
        assert log.records("check", barrier=own)["stem_diameter_mm"].tolist() == [stem]
    else:
        with pytest.raises(CannotUse, match="too tight"):
            register(log, form, site="s", inner_mm=inner, stem_mm=stem, built="2026-04-01")
        assert len(log.records("barrier")) == 0


def test_what_cannot_be_done_is_not_asked_and_not_entered(log: Log) -> None:
    tube = register(log, "tree shelter", site="s", inner_mm=89, built="2020-04-01")
    cage = register(log, "cage", site="s", inner_mm=900, built="2020-04-01")
    with pytest.raises(CannotUse, match="cannot be widened"):
        check(log, tube, "sound", date(2026, 5, 1), widened_to_mm=150.0)
    with pytest.raises(CannotUse, match="does not hold its stem up"):
        check(log, cage, "sound", date(2026, 5, 1), stands_alone=True)
    for form in FORMS:
        register(log, form, site="all", inner_mm=80, built="2016-04-01")
    asked = [item.what.lower() for item in due(log, date(2026, 5, 1), site="all") if item.kind in ("alarm", "overdue")]
    assert asked and not any("widen" in what for what in asked if "shelter" in what or "mesh tube" in what)
    assert not any("stem" in what for what in asked if "fence" in what)


def test_one_height_is_out_of_reach_by_animal_and_snow() -> None:
    """The heights of protect/needs.yaml: 1.5 m against small deer, 2.4 m against elk, snow counted in (MARQ77, SK05)."""
    assert reach_mm(("deer_browsing",)) == 1500 and reach_mm(("elk_browsing",)) == 2400
    assert reach_mm(("deer_browsing",), 400.0) == 1900 and reach_mm(("deer_browsing", "elk_browsing"), 400.0) == 2800


def test_a_barrier_is_called_what_the_plan_called_it(log: Log) -> None:
    register(log, "mesh tube", site="s", built="2019-04-01", inner_mm=125, figures={"part": "mesh_tube"})
    assert any("rigid mesh tube" in item.what for item in due(log, date(2026, 5, 1)))


def test_a_plan_says_already_what_is_ahead_of_its_barriers() -> None:
    plan = plan_for(planting(square_ground(3000), 200, ["deer_browsing", "vole_surface"], snow_mm=300))
    told = dict(forecast_of_plan(plan, date(2027, 4, 1), "oak"))
    assert len(told) >= 2 and all(one.guessed for one in told.values())
    assert told == dict(forecast_of_plan(plan.as_json(), date(2027, 4, 1), "oak"))
    assert any("no winter is safe for both" in one.words for one in told.values())
    with pytest.raises(CannotUse, match="no plan"):
        forecast_of_plan({"planting": 3}, date(2027, 4, 1))


# ------------------------------------------------------------------ as it is told


def _many(log: Log, count: int) -> None:
    for number in range(count):
        own = register(log, "mesh tube", site="s", label=f"R{number % 3 + 1}-{number:02d}", inner_mm=125, built="2024-04-01",
                       lat=46 + number / 1e5, lon=-71.0)
        check(log, own, "leaning", date(2026, 4, 1), stem_diameter_mm=20)


def test_equal_works_are_one_line_with_their_count_by_row_and_reason(log: Log) -> None:
    _many(log, 23)
    items = due(log, date(2026, 5, 1))
    told = [job for job in jobs(items) if job.kind == "overdue"]
    assert len(told) == 1 and told[0].many == 23 and told[0].why == "found leaning"
    assert all(f"R{row}: " in told[0].where for row in (1, 2, 3))
    text = due_as_text(items, date(2026, 5, 1))
    assert text.count("Mend or replace") == 1 and text.splitlines()[0] == "On 01 May 2026 at s: 23 overdue."


def test_the_printed_list_answers_first_has_a_box_for_each_and_a_map_on_both_papers(log: Log) -> None:
    _many(log, 23)
    there, on = standing(log), date(2026, 5, 1)
    for paper in ("A4", "Letter"):
        pdf = due_pdf(due_of(there, on), on, "s", paper, there)
        Path(log.where).joinpath("list.pdf").write_bytes(pdf)
        words = [page.extract_text() for page in PdfReader(Path(log.where) / "list.pdf").pages]
        assert "23 overdue" in words[0].splitlines()[1] and words[0].count("□") == 23
        whole = " ".join(words)
        assert "Map: s" in whole and "Ahead" in whole and "How many are due in which month" in whole
        assert "what to do" in whole and all(page.splitlines()[-1] == f"{number}" for number, page in enumerate(words, 1))


def test_forecasts_stand_in_text_and_months_and_say_what_is_from_memory(log: Log) -> None:
    own = register(log, "cage", site="s", label="A-1", inner_mm=200, built="2020-04-01", species="oak")
    check(log, own, "sound", date(2026, 11, 1), stem_diameter_mm=60, height_mm=2500, bark_safe=True)
    there, on = standing(log), date(2026, 11, 2)
    text = ahead_as_text(there, on)
    text = " ".join(text.split())
    assert "it may come off now" in text and "cuts in from 20" in text and "10 % by" in text and "from memory" in text
    months = due_months(there, on)
    assert dict(zip(months["work"], months["count"], strict=True)) == {"look": 1, "take off": 1}
    assert [one["count"] for one in forecast_lines(there, on)] == [1] and len(forecasts(there, on)) == 1


def test_the_command_tells_forecasts_and_enters_several_looks_by_label(
    log: Log, capsys: pytest.CaptureFixture[str],
) -> None:
    _many(log, 4)
    place = ["--log", log.where]
    assert main(["upkeep", "forecast", "--on", "2026-05-01", *place]) == 0
    assert "no winter is safe for both" in " ".join(capsys.readouterr().out.split())
    assert main(["upkeep", "check", "R1-00,R2-01,R3-02", "sound", "--on", "2026-05-02", *place]) == 0
    left = [item.label for item in due(log, date(2026, 5, 3)) if item.kind == "overdue"]
    assert left == ["R1-03"]
    assert main(["upkeep", "check", "R1-03,none", "sound", "--on", "2026-05-02", *place]) == 2
    assert len(log.records("check")) == 7 and all(trait("mesh tube", name) for name in ("closed",))


@pytest.mark.parametrize(("kind", "lumped"), [("field_vole", "vole_surface"), ("mule_deer", "deer_browsing"),
                                              ("european_rabbit", "rabbit"), ("brown_hare", "hare")])
def test_a_guard_against_a_kind_of_animal_stays_as_long_as_one_against_all_of_them(kind: str, lumped: str) -> None:
    assert reach_mm((kind,)) == reach_mm((lumped,)) and bark_safe_mm((kind,)) == bark_safe_mm((lumped,)) > 0


def test_no_guard_of_a_plan_is_due_on_the_day_it_is_put_up() -> None:
    planted, seen = date(2026, 4, 1), 0
    for key in buildable():
        for animal in ("vole", "rabbit", "deer", "cattle", "beaver", "pocket_gopher", "porcupine"):
            try:
                plan = plan_for(planting(square_ground(3000), 40, [animal], years=8, spec={"barrier": [key]}))
            except CannotUse:
                continue
            for name, one in forecast_of_plan(plan, planted):
                seen += 1
                assert one.make_room_by is None or one.make_room_by > planted, (name, one.words)
    assert seen > 8
