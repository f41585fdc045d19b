"""Barriers are registered one by one, from a plan and from CSV; checked; taken away; nothing gets lost."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.fieldlog.merge import merge, pack
from diagnose.fieldlog.store import Log, open_log
from diagnose.protect.barriers import catalogue
from diagnose.protect.ground import square_ground
from diagnose.protect.plan import Plan, plan_for
from diagnose.protect.planting import planting
from diagnose.protect.requirement import NEED_OF
from diagnose.upkeep.due import due
from diagnose.upkeep.from_csv import register_csv
from diagnose.upkeep.register import GROWN_IN, check, check_many, found_by_chance, register, register_plan, take_away
from diagnose.upkeep.standing import standing
from tests.conftest import PHOTOS


@pytest.fixture
def log(tmp_path: Path) -> Log:
    return open_log(tmp_path / "log")


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_for(planting(square_ground(3000), 200, ["deer_browsing", "vole_surface"], snow_mm=300))


def test_a_plan_is_registered_in_one_step_with_its_sizes_culprits_and_snow(log: Log, plan: Plan) -> None:
    register_plan(log, plan, "slope", date(2026, 4, 10), species="Quercus rubra", lat=46.1, lon=-71.6, error_m=20)
    rows = log.records("barrier", site="slope")
    assert len(rows) == len(plan.chosen.parts)
    for part, row in zip(plan.chosen.parts, rows.to_dict("records"), strict=True):
        assert row["material"] == part.name and row["built"] == "2026-04-10" and row["pieces"] == 200
        opens = catalogue()[part.key].get("opens_to_mm", [plan.as_json()["dimensions_mm"][part.key]["across"]])
        assert row["inner_mm"] == opens[0]
        assert {NEED_OF[one] for one in row["figures"]["culprits"]} <= {need for need, _ in part.holds}
        assert row["figures"]["snow_mm"] == 300
        assert row["figures"]["part"] == part.key and row["lat"] == 46.1


def test_a_printed_plan_registers_the_same_as_the_plan_itself(log: Log, plan: Plan) -> None:
    for site, told in (("a", plan), ("b", json.loads(json.dumps(plan.as_json())))):
        register_plan(log, told, site, date(2026, 4, 10))
    columns = ["form", "material", "inner_mm", "height_mm", "pieces", "figures"]
    first, second = (log.records("barrier", site=site)[columns].to_dict("records") for site in "ab")
    assert first == second


def test_a_plan_for_tagged_trees_gives_a_record_a_tree(log: Log, plan: Plan) -> None:
    ids = register_plan(log, plan, "slope", date(2026, 4, 10), tags=("1", "2", "3"))
    assert len(ids) == 3 * len(plan.chosen.parts)
    assert set(log.records("barrier")["plant"]) == {"1", "2", "3"}


def test_what_is_no_plan_is_refused_in_one_line(log: Log) -> None:
    with pytest.raises(CannotUse, match="no plan"):
        register_plan(log, {"planting": 3}, "slope", date(2026, 4, 10))


@pytest.mark.parametrize(("between", "comma"), [(",", "."), (";", ","), ("\t", ".")])
def test_good_rows_of_a_csv_come_in_and_the_others_are_told_with_their_line(
    log: Log, tmp_path: Path, between: str, comma: str,
) -> None:
    rows = [["site", "label", "form", "built", "lat", "lon", "inner_mm", "culprits", "snow_mm", "colour"],
            ["slope", "A1", "cage", "2024-04-01", "46.5", "-71.5", "900", "deer_browsing rabbit", "300", "red"],
            ["slope", "A2", "castle", "2024-04-01", "", "", "", "", "", ""],
            ["slope", "A3", "cage", "soon", "", "", "", "", "", ""],
            ["slope", "A4", "cage", "2024-04-01", "146.5", "-71.5", "", "", "", ""],
            ["slope", "A5", "cage", "2024-04-01", "", "", "", "dragon", "", ""],
            ["slope", "A6"]]
    file = tmp_path / "rows.csv"
    file.write_text("\n".join(between.join(cell.replace(".", comma) for cell in row) for row in rows), encoding="utf-8")
    done = register_csv(log, file, by="AB")
    assert done.saved == 1 and [line for line, _ in done.refused] == [3, 4, 5, 6, 7]
    assert done.ignored == ["colour"] and "castle" in done.refused[0][1] and "dragon" in str(done)
    one = log.records("barrier").to_dict("records")[0]
    assert (one["lat"], one["inner_mm"], one["figures"]["culprits"]) == (46.5, 900.0, ["deer_browsing", "rabbit"])


def test_a_guard_too_tight_for_its_stem_is_refused_by_every_way_in(log: Log, tmp_path: Path) -> None:
    """25 mm are left on each side: 62 mm are too tight for a stem of 12 mm, 63 are not."""
    file = tmp_path / "rows.csv"
    file.write_text("site,label,form,built,inner_mm,stem_mm\nslope,A1,cage,2026-04-01,63,12\nslope,A2,cage,2026-04-01,62,12\n"
                    "slope,A3,cage,2026-04-01,900,thick\n")
    done = register_csv(log, file)
    assert done.saved == 1 and [line for line, _ in done.refused] == [3, 4] and "too tight" in done.refused[0][1]
    assert log.records("check")["stem_diameter_mm"].tolist() == [12.0]
    place = str(tmp_path / "own")
    for inner, code in (("62", 2), ("63", 0)):
        assert main(["upkeep", "register", "cage", "--log", place, "--on", "2026-04-01", "--inner-mm", inner, "--stem-mm",
                     "12"]) == code
    assert len(open_log(place).records("barrier")) == 1


def test_culprits_are_known_by_the_names_that_planning_knows(log: Log) -> None:
    own = register(log, "cage", figures={"culprits": ["deer", "vole", "hare"]})
    assert log.record("barrier", own)["figures"]["culprits"] == ["deer_browsing", "vole_surface", "hare"]


def test_a_barrier_needs_no_more_than_its_form(log: Log, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("form\ncage\n")
    assert register_csv(log, tmp_path / "a.csv").saved == 1
    found_by_chance(log, "old wire", embedded=False)
    assert len(due(log, date(2030, 1, 1))) >= 2


def test_a_csv_without_forms_or_that_is_not_there_is_refused(log: Log, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("site,built\nslope,2024-04-01\n")
    for file in ("a.csv", "none.csv"):
        with pytest.raises(CannotUse):
            register_csv(log, tmp_path / file)


def test_a_barrier_found_by_chance_has_no_age_and_is_to_be_measured(log: Log) -> None:
    own = found_by_chance(log, "cage", embedded=False, site="wood", inner_mm=200, built="2020-01-01")
    row = log.record("barrier", own)
    assert row["built"] is None and row["found"] is True and row["embedded"] is False
    item = next(item for item in due(log, date(2027, 1, 1)) if item.barrier == own)
    assert item.kind == "overdue" and "easure the stem" in item.what and "nobody knows how old" in item.why
    assert standing(log).rows["tight_early"].iloc[0].year > 2190  # nothing is guessed of a stem that nobody saw
    check(log, own, "sound", date(2027, 1, 1), stem_diameter_mm=120)
    assert standing(log).rows["tight_early"].iloc[0].year < 2040


def test_embedded_wire_is_an_alarm_that_says_never_to_pull_it(log: Log) -> None:
    own = found_by_chance(log, "old wire", embedded=True, site="wood")
    item = next(item for item in due(log, date(2027, 1, 1)) if item.barrier == own)
    assert item.kind == "alarm" and "never pull" in item.caution and "never dig" in item.caution
    take_away(log, own, date(2027, 1, 2))
    assert log.record("barrier", own)["left_behind"] == GROWN_IN


def test_a_check_keeps_its_photo_and_the_history_what_stood_before(log: Log) -> None:
    photo = (PHOTOS / "twig_on_card" / "IMG_0016.jpg").read_bytes()
    own = register(log, "cage", site="slope", inner_mm=120, built="2020-04-01")
    look = check(log, own[:8], "touching the stem", date(2026, 5, 1), "AB", photo, "cage.jpg", 400.0, stem_diameter_mm=118)
    assert log.original(log.record("check", look)["photo"]) == photo
    history = log.record("barrier", own)["history"]
    assert history[-1]["before"] == {"inner_mm": 120.0} and log.record("barrier", own)["inner_mm"] == 400.0


@pytest.mark.parametrize("wrong", [
    lambda log, own: check(log, own, "lovely", date(2026, 5, 1)),
    lambda log, own: check(log, "ffffffff", "sound", date(2026, 5, 1)),
    lambda log, own: check(log, own, "sound", date(2026, 5, 1), stem_diameter_mm=-3),
    lambda log, own: take_away(log, own, date(2019, 1, 1)),
    lambda log, own: register(log, "castle"),
    lambda log, own: register(log, "cage", figures={"vigour": "giant"}),
    lambda log, own: register(log, "cage", figures={"snow_mm": "deep"}),
    lambda log, own: (take_away(log, own, date(2026, 1, 1)), check(log, own, "sound", date(2026, 5, 1))),
])
def test_nonsense_gets_one_line_and_changes_nothing(log: Log, wrong: Callable[[Log, str], object]) -> None:
    own = register(log, "cage", site="slope", built="2020-04-01")
    with pytest.raises(CannotUse) as refused:
        wrong(log, own)
    assert "\n" not in str(refused.value)
    assert len(log.records("check")) == 0 and len(log.records("barrier")) == 1


def test_two_crews_registers_merge_with_their_checks(tmp_path: Path, place: Callable[[str], str]) -> None:
    here, there = open_log(place("here")), open_log(tmp_path / "there")
    own = register(there, "cage", site="slope", inner_mm=120, built="2020-04-01")
    check(there, own, "too tight", date(2026, 5, 1))
    merge(here, pack(there, tmp_path / "there.pack"))
    assert [item.barrier for item in due(here, date(2026, 6, 1)) if item.kind == "alarm"] == [own]


def test_the_command_registers_checks_removes_and_lists(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def said(*words: str) -> str:
        assert main(["upkeep", *words, "--log", str(tmp_path / "log")]) == 0
        return capsys.readouterr().out

    own = said("register", "cage", "--site", "slope", "--plant", "A1", "--inner-mm", "900", "--on", "2020-04-01",
               "--culprit", "deer_browsing", "--place", "46.1,-71.6").split()[1]
    assert "Look at the cage" in said("list", "--on", "2026-05-01")
    said("check", own, "too tight", "--stem-mm", "60", "--bark-safe", "yes", "--on", "2026-05-01")
    assert "ALARM" in said("list", "--on", "2026-05-02")
    said("check", own, "sound", "--inner-mm", "1200", "--on", "2026-05-03")
    assert "ALARM" not in said("list", "--on", "2026-05-04")
    listed = json.loads(said("list", "--on", "2027-07-01", "--json"))["items"]
    assert {"kind", "what", "why", "act_by", "caution"} <= set(listed[0])
    assert "two stakes" in said("removed", own, "--left-behind", "two stakes", "--on", "2026-07-01")
    assert own not in said("list", "--on", "2027-08-01")
    assert main(["upkeep", "check", "sound", "--log", str(tmp_path / "log")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_the_command_registers_a_printed_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["protect", "--trees", "20", "--hectares", "0.1", "--culprit", "deer_browsing", "--json"]) == 0
    (tmp_path / "plan.json").write_text(capsys.readouterr().out)
    log = ["--log", str(tmp_path / "log")]
    assert main(["upkeep", "register-plan", str(tmp_path / "plan.json"), *log, "--site", "slope", "--on", "2026-04-10"]) == 0
    assert len(open_log(tmp_path / "log").records("barrier", site="slope")) >= 1


def test_several_that_are_widened_at_once_no_longer_alarm_and_what_cannot_be_widened_refuses_all(log: Log) -> None:
    day = date(2026, 4, 10)
    own = [register(log, "cage", label=label, built="2020-04-10", inner_mm=100.0, species="oak") for label in ("C1", "C2")]
    tube = register(log, "mesh tube", label="T1", built="2026-04-01", inner_mm=125.0)
    check_many(log, own, "too tight", day)
    assert {item.barrier for item in due(log, day) if item.kind == "alarm"} == set(own)
    with pytest.raises(CannotUse, match="cannot be widened"):
        check_many(log, [*own, tube], "sound", day, widened_to_mm=900.0)
    assert set(log.records("barrier")["inner_mm"]) == {100.0, 125.0}
    check_many(log, own, "sound", day, widened_to_mm=900.0)
    assert [item.kind for item in due(log, day) if item.barrier in own and item.kind == "alarm"] == []
    assert set(log.records("barrier")["inner_mm"]) == {900.0, 125.0}
