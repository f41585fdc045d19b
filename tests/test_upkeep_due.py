"""What is due is on the list, the dangerous on top, in the order of a walk, with what to mind."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from diagnose.fieldlog.store import Log, open_log
from diagnose.protect.sources import sources_named
from diagnose.report.due_list import due_as_text
from diagnose.upkeep.due import CLASSES, Item, due
from diagnose.upkeep.growth import default_rate, group_of
from diagnose.upkeep.register import FORMS, check, found_by_chance, register
from diagnose.upkeep.rounds import answer, jobs
from diagnose.upkeep.rules import trait
from diagnose.upkeep.season import of_month, tasks
from diagnose.upkeep.standing import standing
from diagnose.upkeep.walk import walk_order


@pytest.fixture
def log(tmp_path: Path) -> Log:
    return open_log(tmp_path / "log")


def _of(items: list[Item], own: str) -> list[Item]:
    return [item for item in items if item.barrier == own]


def test_alarms_stand_on_top_then_what_is_overdue(log: Log) -> None:
    register(log, "cage", site="b", inner_mm=900, built="2019-04-01")
    tight = register(log, "cage", site="z", inner_mm=900, built="2026-04-01")
    check(log, tight, "touching the stem", date(2026, 5, 1))
    kinds = [CLASSES.index(item.kind) for item in due(log, date(2026, 5, 2))]
    assert kinds == sorted(kinds) and due(log, date(2026, 5, 2))[0].barrier == tight


@pytest.mark.parametrize(("stem", "alarm"), [(69.0, False), (70.0, True), (71.0, True)])
def test_less_than_25_mm_on_each_side_is_an_alarm(log: Log, stem: float, alarm: bool) -> None:
    own = register(log, "cage", site="s", inner_mm=120, built="2020-04-01")
    check(log, own, "sound", date(2026, 11, 1), stem_diameter_mm=stem)
    assert ({item.kind for item in _of(due(log, date(2026, 11, 2)), own)} == {"alarm"}) is alarm


def test_what_next_season_would_close_is_due_in_the_winter_before(log: Log) -> None:
    own = register(log, "cage", site="s", inner_mm=120, built="2020-04-01", species="oak")
    check(log, own, "sound", date(2026, 10, 15), stem_diameter_mm=65)  # 5 mm to go; an oak grows up to 9 in a season
    said = _of(due(log, date(2027, 1, 15)), own)
    assert (said[0].kind, said[0].act_by) == ("soon", "2027-04-01")
    assert _of(due(log, date(2027, 4, 2)), own)[0].kind == "overdue"


def test_nothing_is_guessed_of_a_tree_of_any_size_and_what_is_guessed_is_said(log: Log) -> None:
    grown = register(log, "trunk guard", site="s", inner_mm=300, built="2020-04-01")
    seedling = register(log, "vented tree shelter", site="s", inner_mm=89, built="2018-04-01", species="maple")
    items = due(log, date(2026, 6, 1))
    assert "nobody measured how thick" in _of(items, grown)[0].why
    assert standing(log).rows.set_index("id").loc[grown, "tight_early"].year > 2190
    assert "reckoned from a planted seedling" in _of(items, seedling)[0].why


def test_a_finding_stays_due_until_a_later_look_finds_it_sound(log: Log) -> None:
    own = register(log, "mesh tube", site="s", inner_mm=125, built="2026-04-01", species="spruce")
    check(log, own, "gnawed", date(2026, 5, 1))
    assert "Mend" in _of(due(log, date(2026, 6, 1)), own)[0].what
    check(log, own, "sound", date(2026, 6, 2), stem_diameter_mm=12)
    assert _of(due(log, date(2026, 6, 3)), own) == []


def test_a_barrier_comes_off_only_when_all_its_conditions_hold_and_they_are_said(log: Log) -> None:
    own = register(log, "vented tree shelter", site="s", inner_mm=150, built="2015-04-01", species="oak",
                   figures={"culprits": ["deer_browsing"]})
    check(log, own, "sound", date(2026, 6, 1), stem_diameter_mm=80, height_mm=1000)
    assert not any(item.kind == "may come off" for item in _of(due(log, date(2026, 6, 2)), own))  # in reach of deer
    check(log, own, "sound", date(2026, 6, 3), stem_diameter_mm=80, height_mm=2500, stands_alone=False)
    assert not any(item.kind == "may come off" for item in _of(due(log, date(2026, 6, 4)), own))  # it does not stand
    check(log, own, "sound", date(2026, 6, 5), stem_diameter_mm=80, height_mm=2500, stands_alone=True)
    off = next(item for item in _of(due(log, date(2026, 6, 6)), own) if item.kind == "may come off")
    assert "leader above 1.5 m" in off.what and "wasps" in off.caution


def test_a_tube_that_tightens_before_the_stem_stands_is_swapped(log: Log) -> None:
    own = register(log, "vented tree shelter", site="s", inner_mm=89, built="2020-04-01", species="oak")
    check(log, own, "sound", date(2026, 10, 15), stem_diameter_mm=36, height_mm=2500)
    said = _of(due(log, date(2027, 1, 15)), own)[0]
    assert "lit or replace" in said.what and "iden" not in said.what and "Sources disagree" in said.caution


def test_plants_own_measurements_move_the_dates(log: Log) -> None:
    """Two trees of the same size now: the one that grew faster closes its cage first."""
    ids = {}
    for name, before in (("fast", 20.0), ("slow", 52.0)):
        ids[name] = register(log, "cage", site=name, inner_mm=200, built="2020-04-01", species="oak")
        check(log, ids[name], "sound", date(2023, 11, 1), stem_diameter_mm=before)
        check(log, ids[name], "sound", date(2026, 11, 1), stem_diameter_mm=56)
    rows = standing(log).rows.set_index("id")
    assert (rows.loc[ids["fast"], ["tight_early", "tight_likely", "tight_late"]]
            < rows.loc[ids["slow"], ["tight_early", "tight_likely", "tight_late"]]).all()


def test_species_and_size_come_from_the_plant_that_the_tag_names(log: Log) -> None:
    log.save("plant", site="s", tag="7", species="Populus tremula", stem_diameter_mm=40, height_mm=2000)
    own = register(log, "cage", site="s", plant="7", inner_mm=200, built="2020-04-01")
    row = standing(log).rows.set_index("id").loc[own]
    assert row["species"] == "Populus tremula" and row["stem_mm"] == 40 and row["leader_mm"] == 2000


def test_the_southern_half_is_told_from_the_latitude(log: Log) -> None:
    register(log, "tree shelter", site="north", lat=46, lon=-71, built="2026-01-01", inner_mm=100)
    register(log, "tree shelter", site="south", lat=-41, lon=172, built="2026-01-01", inner_mm=100)
    spring = {item.site for item in due(log, date(2026, 4, 3)) if item.what.startswith("Straighten")}
    autumn = {item.site for item in due(log, date(2026, 10, 3)) if item.what.startswith("Straighten")}
    assert (spring, autumn) == ({"north"}, {"south"})


def test_unvented_tubes_are_raised_in_late_summer_but_only_with_a_collar_where_voles_are(log: Log) -> None:
    for site, form, voles in (("open", "tree shelter", []), ("vented", "vented tree shelter", []),
                              ("voles", "tree shelter", ["vole_surface"])):
        register(log, form, site=site, inner_mm=100, built="2026-01-01", figures={"culprits": ["deer_browsing", *voles]})
    said = {item.site: item.what for item in due(log, date(2026, 9, 3)) if "50 to 75 mm" in item.what}
    assert set(said) == {"open", "voles"} and "collar" in said["voles"] and "collar" not in said["open"]
    assert all("disputed" in item.why for item in due(log, date(2026, 9, 3)) if "50 to 75 mm" in item.what)


def test_an_electric_fence_is_measured_weekly_with_the_energiser_off_before_touching(log: Log) -> None:
    own = register(log, "electric fence", site="s", built="2026-01-01", pieces=300)
    check(log, own, "sound", date(2026, 3, 1))
    kinds = {day: [item.kind for item in _of(due(log, date(2026, 3, day)), own)] for day in (1, 7, 8, 9, 20)}
    assert kinds == {1: [], 7: [], 8: ["soon"], 9: ["overdue"], 20: ["overdue"]}
    volts = _of(due(log, date(2026, 3, 9)), own)[0]
    assert "energiser off" in volts.caution and all(limit in volts.why for limit in ("5 kV", "4 kV", "3 kV"))
    check(log, own, "sound", date(2026, 3, 9))
    assert _of(due(log, date(2026, 3, 10)), own) == []


def test_the_year_has_work_for_every_form_and_every_task_a_source_and_a_month() -> None:
    for task in tasks():
        assert task.source and all(set(months) <= set(range(1, 13)) for months in task.months.values())
        assert any(task.months.values()) and set(task.forms) <= set(FORMS)
    assert all(of_month(month, climate) for month in range(1, 13) for climate in ("cold", "mild", "warm")
               if (climate, month) not in {("warm", 12)})


def test_at_least_six_groups_of_species_grow_at_three_vigours_in_order() -> None:
    groups = ["oak", "maple", "poplar", "apple", "pine", "spruce"]
    assert len({group_of(name) for name in groups}) == 6
    for name in groups:
        for what in ("stem", "leader"):
            slow, usual, fast = (default_rate(what, name, vigour) for vigour in ("slow", "usual", "fast"))
            assert slow.least < usual.least < fast.least and slow.middle < usual.middle < fast.middle
            assert slow.most < usual.most < fast.most


@pytest.mark.parametrize("name", ["red oak", "Quercus rubra", "White Oaks", "QUERCUS alba"])
def test_species_are_known_by_common_and_scientific_names(name: str) -> None:
    assert group_of(name) == "oak_beech"


def test_an_unknown_species_gets_a_wider_range_than_any_known_one() -> None:
    unknown = default_rate("stem", "gumbo limbo")
    assert group_of("gumbo limbo") is None
    assert unknown.least <= default_rate("stem", "oak").least and unknown.most >= default_rate("stem", "poplar").most


@pytest.mark.parametrize("count", [2, 9, 41, 300])
def test_the_list_is_walked_in_less_than_half_the_way_of_the_register(log: Log, count: int) -> None:
    chance = np.random.default_rng(count)
    log.save_many("barrier", [{"site": "s", "form": "fence", "lat": 46 + chance.random() / 100,
                               "lon": -71 + chance.random() / 100} for _ in range(count)])
    rows = standing(log).rows
    order = walk_order(rows, np.arange(count))
    assert sorted(order) == list(range(count))

    def way(places: np.ndarray) -> float:
        lat, lon = rows["lat"].to_numpy(float)[places], rows["lon"].to_numpy(float)[places] * 0.7
        return float(np.hypot(np.diff(lat), np.diff(lon)).sum())

    if count > 2:
        assert way(order) < way(np.arange(count)) * (0.5 if count > 20 else 1.0)


def test_a_walk_starts_where_the_walker_stands(log: Log) -> None:
    ids = [register(log, "fence", site="s", lat=46 + n / 1000, lon=-71.0, built="2019-01-01") for n in range(4)]
    said = [item.barrier for item in due(log, date(2026, 1, 1), start=(46.0031, -71.0)) if item.kind == "overdue"]
    assert said == ids[::-1]


def test_a_barrier_that_a_newer_tool_wrote_does_not_stop_the_list(log: Log) -> None:
    log.save("barrier", site="s", form="force field", figures={"vigour": "giant", "snow_mm": "deep", "culprits": 5})
    assert any("force field" in item.what for item in due(log, date(2030, 1, 1)))


def test_cautions_stand_where_work_can_hurt(log: Log) -> None:
    found_by_chance(log, "old wire", True, site="s")
    for form in FORMS:
        register(log, form, site="s", built="2019-01-01", inner_mm=300)
    told = due_as_text(due(log, date(2026, 4, 2)), date(2026, 4, 2))
    for words in ("never pull", "gloves", "wasps", "Dust of droppings", "energiser off", "no saw", "when driving stakes"):
        assert words in told, words
    assert all(item.caution for item in due(log, date(2026, 4, 2)) if trait("electric fence", "live") and
               "electric fence" in item.what)


def test_the_same_list_comes_from_a_folder_and_from_a_server(place: Callable[[str], str]) -> None:
    log = open_log(place("one"))
    own = register(log, "cage", site="s", inner_mm=120, built="2019-01-01", figures={"culprits": ["rabbit"]})
    check(log, own, "leaning", date(2026, 1, 5), stem_diameter_mm=30.0, bark_safe=True)
    items = due(log, date(2026, 3, 1), site="s")
    assert items[0].kind == "overdue" and "found leaning" in items[0].why and due(log, date(2026, 3, 1), site="other") == []


def test_the_years_work_names_its_sources_by_who_never_by_a_key() -> None:
    assert not any(sources_named(task.source) for task in tasks())


def test_the_sentence_of_many_plantings_counts_all_that_is_due_also_where_it_names_only_some() -> None:
    items = [Item("alarm", f"field {number}", f"b{number}{each}", "B", "take it off", "", "", "", None, None, None, 1.0)
             for number in range(1, 8) for each in range(number)]
    told = answer(items, date(2026, 11, 28))
    assert sum(int(many) for many in re.findall(r"(\d+) at ", told)) == len(items) == 28
    assert "7 at field 7; 6 at field 6; 5 at field 5; 10 at 4 others" in told


def test_the_same_work_of_many_whole_plantings_is_one_line_that_says_how_many(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    for number in range(6):
        register(log, "cage", site=f"field {number}", label="C1", inner_mm=600, built="2026-04-01")
    told = [job for job in jobs(due(log, date(2026, 11, 29))) if job.kind == "season"]
    assert told and len({job.what for job in told}) == len(told)
    assert all(not job.site and "6 plantings" in job.where and len(job.items) == 6 for job in told)
    alone = [job for job in jobs(due(log, date(2026, 11, 29), site="field 2")) if job.kind == "season"]
    assert [job.site for job in alone] == ["field 2"] * len(told)
