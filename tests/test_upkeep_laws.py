"""What must hold of upkeep whatever the barrier, the plant and the place."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose.fieldlog.store import Log, open_log
from diagnose.protect.requirement import NEED_OF, other_names
from diagnose.upkeep.due import due
from diagnose.upkeep.growth import CLIMATES, VIGOURS, Rate, day_of_season, default_rate, measured_rates, season_count
from diagnose.upkeep.metal import metal
from diagnose.upkeep.outlook import FAR, Outlook, Standing, when
from diagnose.upkeep.register import FORMS, check, register, take_away
from diagnose.upkeep.rules import bark_safe_mm, forms, reach_mm

settings.register_profile("laws", deadline=None)  # how long a law takes says nothing of it
settings.load_profile("laws")
CULPRITS = ("deer_browsing", "elk_browsing", "rabbit", "hare", "deer_rubbing", "vole_surface")
sizes = st.floats(1, 400)
rates = st.tuples(st.floats(0.5, 10), st.floats(1, 3), st.floats(1, 3)).map(
    lambda x: Rate(x[0], x[0] * x[1], x[0] * x[1] * x[2]))
looks = st.sampled_from([None, True, False])
days = st.dates(date(1990, 1, 1), date(2060, 12, 31))
standings = st.builds(
    Standing, form=st.sampled_from(FORMS), measured_on=days, stem_mm=sizes, stem_rate=rates, leader_rate=rates,
    leader_mm=st.floats(50, 6000), inner_mm=st.none() | st.floats(30, 2000),
    culprits=st.lists(st.sampled_from(CULPRITS), min_size=1, max_size=3, unique=True).map(tuple),
    snow_mm=st.floats(0, 2500), stands_alone=looks, bark_safe=looks)
climates, halves = st.sampled_from(CLIMATES), st.booleans()


def _all(outlook: Outlook) -> list[date]:
    return [day for days in (outlook.tight, outlook.widen_by, outlook.safe) for day in (days.early, days.likely, days.late)]


@given(standings, st.floats(1, 5), climates, halves)
def test_a_faster_stem_never_moves_a_removal_later(one: Standing, faster: float, climate: str, south: bool) -> None:
    rate = one.stem_rate
    quick = replace(one, stem_rate=Rate(rate.least * faster, rate.middle * faster, rate.most * faster))
    assert all(after <= before for after, before in zip(_all(when(quick, climate, south)), _all(when(one, climate, south)),
                                                        strict=True))


@given(standings, st.floats(0, 200), climates, halves)
def test_a_thicker_stem_never_moves_a_removal_later(one: Standing, more: float, climate: str, south: bool) -> None:
    thick = replace(one, stem_mm=one.stem_mm + more)
    assert all(after <= before for after, before in zip(_all(when(thick, climate, south)), _all(when(one, climate, south)),
                                                        strict=True))


@given(st.lists(st.tuples(st.floats(50, 60), st.floats(5, 100)), min_size=1, max_size=6), st.floats(0, 40),
       st.sampled_from(VIGOURS), st.sampled_from(["oak", "poplar", "spruce", ""]))
def test_a_plant_that_grew_more_is_never_said_to_grow_less(
    seen: list[tuple[float, float]], more: float, vigour: str, species: str,
) -> None:
    seasons, sizes_mm = np.array(sorted(season for season, _ in seen)), np.array([size for _, size in seen])
    usual = default_rate("stem", species, vigour)
    default = np.array([[usual.least, usual.middle, usual.most]])
    last = np.where(np.arange(len(seasons)) == len(seasons) - 1, more, 0.0)
    plant = np.zeros(len(seasons), int)
    before = measured_rates(default, plant, seasons, sizes_mm, 1.5)
    after = measured_rates(default, plant, seasons, sizes_mm + last, 1.5)
    assert (after >= before - 1e-9).all()
    assert (after[:, 0] > 0).all() and (np.diff(after, axis=1) >= 0).all()


@given(standings, st.floats(0, 2000), climates, halves)
def test_more_snow_never_makes_a_plant_safe_earlier(one: Standing, more: float, climate: str, south: bool) -> None:
    deep = when(replace(one, snow_mm=one.snow_mm + more), climate, south).safe
    shallow = when(one, climate, south).safe
    assert deep.early >= shallow.early and deep.likely >= shallow.likely and deep.late >= shallow.late


@given(standings, climates, halves)
def test_dates_are_ranges_in_order_and_widening_comes_before_closing(one: Standing, climate: str, south: bool) -> None:
    found = when(one, climate, south)
    for range_ in (found.tight, found.widen_by, found.safe):
        assert range_.early <= range_.likely <= range_.late <= FAR
    assert found.widen_by.early <= found.tight.early and found.widen_by.late <= found.tight.late


@given(standings, climates, halves)
def test_with_nothing_asked_of_the_plant_it_is_safe_from_the_start(one: Standing, climate: str, south: bool) -> None:
    found = when(replace(one, leader_mm=9000.0, stands_alone=True, bark_safe=True), climate, south)
    assert found.safe.late <= one.measured_on


@given(days, climates, halves)
def test_a_day_and_its_season_lead_back_to_each_other(day: date, climate: str, south: bool) -> None:
    count = season_count(day, climate, south)
    back = day_of_season(count, climate, south).astype("datetime64[D]").item()
    assert back <= day and season_count(back, climate, south) == pytest.approx(float(count), abs=1e-6)


@given(st.integers(1990, 2090), climates, halves)
def test_leap_years_move_no_date(year: int, climate: str, south: bool) -> None:
    """A season ends on the same day of every year, and no day of February counts differently after a leap day."""
    ends = {day_of_season(float(year - 1970 + more), climate, south).astype("datetime64[D]").item().strftime("%m-%d")
            for more in range(8)}
    assert len(ends) == 1
    first_of_march = [float(season_count(date(year + more, 3, 1), climate, south)) - (year + more) for more in range(8)]
    assert max(first_of_march) - min(first_of_march) < 1e-9


@given(st.sampled_from(FORMS), st.floats(30, 2000), st.floats(0, 500))
def test_a_wider_barrier_never_closes_earlier(form: str, inner: float, more: float) -> None:
    one = Standing(form, date(2026, 11, 1), 20.0, Rate(2, 5, 9), Rate(100, 300, 500), 500.0, inner)
    assert when(replace(one, inner_mm=inner + more)).tight.early >= when(one).tight.early


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Log:
    return open_log(tmp_path_factory.mktemp("laws"))


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(FORMS), st.floats(70, 400), st.sampled_from(["too tight", "leaning", "sound"]), st.booleans(),
       st.sampled_from(["", "two steel stakes"]), st.integers(0, 4000))
def test_a_removed_barrier_is_never_due_but_what_it_left_stays_on_the_map(
    log: Log, form: str, inner: float, finding: str, embedded: bool, left: str, later: int,
) -> None:
    own = register(log, form, site="s", inner_mm=inner, built="2015-04-01", embedded=embedded)
    check(log, own, finding, date(2026, 5, 1))
    assert own in {item.barrier for item in due(log, date(2028, 6, 1))}
    take_away(log, own, date(2026, 6, 1), left)
    assert own not in {item.barrier for item in due(log, date(2026, 6, 1) + timedelta(later))}
    assert (own in set(metal(log)["id"])) is bool(left or embedded)


def test_no_time_zone_moves_a_due_date(log: Log) -> None:
    register(log, "cage", site="zone", inner_mm=120, built="2019-04-01", species="oak")
    said, before = [], os.environ.get("TZ")
    try:
        for zone in ("UTC", "Pacific/Kiritimati", "Pacific/Pago_Pago", "America/St_Johns"):
            os.environ["TZ"] = zone
            time.tzset()
            said.append([item.as_json() for day in (date(2024, 2, 28), date(2024, 2, 29), date(2024, 3, 1))
                         for item in due(log, day, site="zone")])
    finally:
        os.environ.pop("TZ") if before is None else os.environ.update(TZ=before)
        time.tzset()
    assert said[0] and all(each == said[0] for each in said)


def test_a_check_on_a_leap_day_is_due_again_in_february(log: Log) -> None:
    own = register(log, "fence", site="leap", built="2020-01-10")
    check(log, own, "sound", date(2024, 2, 29))
    kinds = {day: {item.kind for item in due(log, day, site="leap") if item.barrier == own and "Look" in item.what}
             for day in (date(2025, 1, 31), date(2025, 2, 1), date(2025, 2, 28), date(2025, 3, 1))}
    assert list(kinds.values()) == [set(), {"soon"}, {"soon"}, {"overdue"}]


def test_every_form_says_what_it_needs(tmp_path: Path) -> None:
    known = {"closed", "snug", "tube", "any_size", "hard", "live", "widens", "metal", "line", "look_days", "leader_only"}
    assert all(set(traits) <= known for traits in forms()["forms"].values())
    assert set(forms()["form_of_part"].values()) <= set(FORMS)


def test_a_barrier_put_up_today_against_whatever_animal_is_not_due_today(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    for culprit in sorted(set(NEED_OF)):
        for form in ("cage", "tree shelter", "fence"):
            register(log, form, site="s", label=f"{culprit} {form}", built="2026-06-01", figures={"culprits": [culprit]})
    told = [item for item in due(log, date(2026, 6, 1)) if item.barrier and item.kind != "ahead"]
    assert [(item.label, item.what, item.why) for item in told] == []


@pytest.mark.parametrize(("culprit", "like"), [("red_deer", "elk_browsing"), ("fallow_deer", "elk_browsing"),
                                               ("brown_hare", "hare"), ("wood_mouse", "mouse_or_rat")])
def test_a_named_animal_hurts_bark_until_stems_are_as_thick_as_for_its_kind(culprit: str, like: str) -> None:
    assert bark_safe_mm((culprit,)) == bark_safe_mm((like,)) > 0


def test_whoever_browses_leaders_must_be_outgrown() -> None:
    for culprit in ("red_deer", "roe_deer", "sika", "sheep", "goat", "cattle", "horse", "brown_hare", "mouflon", "muntjac"):
        assert reach_mm((other_names().get(culprit, culprit),)) >= 600, culprit
    for culprit in ("wild_boar", "pocket_gopher", "tree_squirrel"):  # no size is known from which they do no harm
        assert bark_safe_mm((culprit,)) == float("inf")
