"""From barrier to proof: what was seen inside and outside, how long kinds lasted, and what it says of published figures."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.fieldlog.store import Log, open_log
from diagnose.protect.read import read_settings
from diagnose.report.proof_sheet import proof_pdf
from diagnose.upkeep.held import (
    HOLDS_WEIGHT,
    LIFE_WEIGHT,
    effective,
    holds_updated,
    life_updated,
    outside_less_inside,
    share_of,
)
from diagnose.upkeep.proof import own_figures, proof, proof_as_text
from diagnose.upkeep.register import check, register
from tests.conftest import words_of

laws = settings(deadline=None, max_examples=60)
counts = st.lists(st.tuples(st.integers(0, 200), st.floats(0, 1)).map(lambda x: (round(x[0] * x[1]), x[0])), max_size=6)


@pytest.fixture
def log(tmp_path: Path) -> Log:
    """Invented: three plantings of 20 guarded and 20 bare trees; 1 of 20 inside and 10 of 20 outside are browsed."""
    log = open_log(tmp_path / "log")
    for number, site in enumerate("abc"):
        rows = []
        for tree in range(40):
            inside = tree < 20
            rows.append({"site": site, "day": "2026-04-01", "plot": f"P{tree // 10}", "tree": f"{tree}", "entry": {
                "browsed": "1" if tree % 20 < (1 if inside else 10) else "0", "alive": "0" if tree in (0, 30) else "1",
                "protection": "rigid mesh tube" if inside else ""}})
            if inside:
                own = register(log, "mesh tube", site=site, plant=f"{tree}", label=f"{tree}", inner_mm=125,
                               built="2022-04-01", figures={"part": "mesh_tube", "culprits": ["deer_browsing"]})
                check(log, own, "damaged" if tree < number else "sound", date(2026, 4, 1))
        log.save_many("tally", rows)
    return log


def test_a_planting_of_many_trees_counts_for_few() -> None:
    """Kish's design effect 1 + (m - 1) rho: 21 trees at rho 0.1 are 7, worked by hand: 21 / (1 + 20 x 0.1)."""
    assert effective([(7, 21)]) == pytest.approx((7 / 3, 7.0))
    assert effective([(7, 21), (7, 21)]) == pytest.approx((14 / 3, 14.0))
    one, three = share_of([(30, 60)]), share_of([(10, 20)] * 3)
    assert one is not None and three is not None and three.high - three.low < one.high - one.low


@laws
@given(counts)
def test_a_share_lies_within_its_limits_and_more_plantings_narrow_it(given_counts: list[tuple[int, int]]) -> None:
    told = share_of(given_counts)
    if told is None:
        assert sum(of for _, of in given_counts) == 0
        return
    assert 0 <= told.low <= told.value <= told.high <= 1
    more = share_of(list(given_counts) * 3)
    assert more is not None and more.high - more.low <= told.high - told.low + 1e-9


def test_a_published_share_is_updated_by_its_weight_as_worked_by_hand() -> None:
    """0.75 as 20 trees are 15 and 5. 21 trees inside of which half would have been damaged are 10.5, of which 2.1 were;
    that planting's design effect is 1.95 (10.5 trees): (15 + 8.4 / 1.95) / (20 + 10.5 / 1.95) = 0.7606."""
    told = holds_updated("mesh_tube", 0.75, [(2.1, 21, 0.5)])
    assert told.value == pytest.approx((15 + 8.4 / 1.95) / (20 + 10.5 / 1.95)) == pytest.approx(0.7606, abs=1e-4)
    assert told.weight == pytest.approx(20 / (20 + 10.5 / 1.95)) and HOLDS_WEIGHT == 20
    assert holds_updated("mesh_tube", 0.75, []).weight == 1.0


def test_a_published_life_is_updated_with_the_time_of_those_still_whole() -> None:
    """5 years as 2 failures are 10 years; one barrier that stood 8 years whole: (10 + 8) / 2 = 9 years."""
    told = life_updated("mesh_tube", 5.0, [(0, 8.0, 1)])
    assert told.value == pytest.approx(9.0) and told.weight == pytest.approx(10 / 18) and LIFE_WEIGHT == 2
    limits = 18 / stats.gamma.ppf([0.975, 0.025], 2)
    assert (told.low, told.high) == pytest.approx(tuple(limits))
    failed = life_updated("mesh_tube", 5.0, [(1, 8.0, 1)])
    assert failed.value == pytest.approx(6.0)


@laws
@given(st.floats(0.01, 1), st.lists(st.tuples(st.floats(0, 1), st.integers(0, 300), st.floats(0, 1)), max_size=5))
def test_an_updated_share_lies_within_its_limits_and_between_what_was_published_and_seen(
    published: float, seen: list[tuple[float, int, float]],
) -> None:
    plantings = [(share * inside, float(inside), outside) for share, inside, outside in seen]
    told = holds_updated("mesh_tube", published, plantings)
    assert 0 <= told.low <= told.value <= told.high <= 1 and 0 < told.weight <= 1
    if all(damaged == 0 for damaged, _, _ in plantings):
        assert told.value >= published - 1e-9


def test_inside_beside_outside_is_a_comparison_and_no_trial_unless_lots_were_drawn(log: Log) -> None:
    told = proof(log)
    assert told.inside is not None and told.outside is not None and told.less is not None
    assert (told.inside.value, told.outside.value) == (0.05, 0.5) and told.less[0] == pytest.approx(0.45)
    assert "held" in told.answer and "no trial" in told.answer
    assert "a trial, lots were drawn" in proof(log, lots_drawn=True).answer
    one = proof(log, site="a")
    assert one.less is not None and one.less[2] - one.less[1] > told.less[2] - told.less[1]


def test_cost_failures_and_updates_are_told_from_the_register(log: Log) -> None:
    told = proof(log, cost_per_tree=9.5)
    assert told.alive is not None and told.alive.value == pytest.approx(0.95)
    assert told.cost is not None and told.cost[0] == pytest.approx(10.0) and told.cost[1] <= 10.0 <= told.cost[2]
    curve = told.failures["mesh tube"]
    assert (curve.barriers, sum(curve.failed)) == (60, 3)
    assert {one.what for one in told.updates} == {"holds", "life"} and all(one.part == "mesh_tube" for one in told.updates)
    text = proof_as_text(told)
    assert text.startswith("The barriers held") and "the published figure still weighs" in text and "3 of 60 failed" in text


def test_a_tree_of_which_nobody_could_tell_is_left_out(log: Log) -> None:
    before = proof(log, site="a").inside
    log.save("tally", site="a", day="2026-04-01", plot="P9", tree="unsure", entry={"browsed": "", "protection": "cage"})
    assert proof(log, site="a").inside == before


def test_own_lives_go_back_into_a_plan(log: Log, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "own.yaml"
    assert main(["upkeep", "proof", "--cost-per-tree", "8", "--own-figures", str(out), "--json", "--log", log.where]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["inside"]["value"] == 0.05 and told["lots_drawn"] is False
    life = read_settings(str(out))["mesh_tube"]["life_years"]
    assert life == pytest.approx(next(one["value"] for one in told["updates"] if one["what"] == "life"), abs=0.05)
    assert main(["protect", "--trees", "50", "--hectares", "0.2", "--culprit", "deer", "--prices", str(out)]) == 0
    assert "no trial" not in capsys.readouterr().out and own_figures(proof(log)).startswith("#")


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_page_and_the_table_say_what_the_command_says(log: Log, tmp_path: Path, paper: str) -> None:
    pdf, table = tmp_path / "held.pdf", tmp_path / "held.csv"
    asked = ["upkeep", "proof", "--cost-per-tree", "9.5", "--pdf", str(pdf), "--csv", str(table), "--paper", paper]
    assert main([*asked, "--log", log.where]) == 0
    told, page = proof(log, cost_per_tree=9.5), " ".join(words_of(pdf.read_bytes()).split())
    assert told.less is not None and told.cost is not None
    for word in (told.answer, "damaged inside 5 %", "damaged outside 50 %", "45 points", "mesh tube 60 3", "no trial",
                 f"{told.cost[0]:.2f} ({told.cost[1]:.2f} to {told.cost[2]:.2f})", *(one.words for one in told.updates)):
        assert word in page, word
    rows = pd.read_csv(table).set_index(["figure", "of"])
    assert rows.loc[("damaged inside", "trees"), "value"] == pytest.approx(0.05)
    assert rows.loc[("damaged outside less inside", "trees"), "value"] == pytest.approx(told.less[0])
    assert rows.loc[("failed", "mesh tube"), ["value", "count"]].tolist() == [3, 60]
    assert rows.loc[("cost of a living tree", "trees"), "low"] == pytest.approx(told.cost[1])
    assert len(rows) == len(told.shares) + 2 + 1 + len(told.failures["mesh tube"].times) + len(told.updates)


def test_what_a_few_were_watched_for_is_not_told_of_all(log: Log) -> None:
    """One more tube seen whole after eight years: three of 61 failed at four, which is when the share whole is told."""
    old = register(log, "mesh tube", site="a", plant="old", label="old", inner_mm=125, built="2018-04-01")
    check(log, old, "sound", date(2026, 4, 1))
    line = next(line for line in proof_as_text(proof(log)).splitlines() if "mesh tube  " in line)
    assert "3 of 61 failed; 95 %" in line and "whole at 4.0 years" in line and "watched for up to 8.0 years" in line


def test_an_empty_log_has_a_page_that_says_so(tmp_path: Path) -> None:
    told = proof(open_log(tmp_path / "empty"))
    assert "tally trees inside and outside" in " ".join(words_of(proof_pdf(told)).split()) and told.long().empty


def test_an_empty_log_says_what_to_do_and_nonsense_is_refused(tmp_path: Path) -> None:
    empty = open_log(tmp_path / "empty")
    assert "tally trees inside and outside" in proof(empty).answer
    for wrong in (lambda: effective([(3, 2)]), lambda: share_of([(float("nan"), 2)]), lambda: proof(empty, None, -1.0),
                  lambda: holds_updated("castle", 0.5, []), lambda: holds_updated("mesh_tube", 1.5, []),
                  lambda: life_updated("mesh_tube", float("nan"), []), lambda: life_updated("mesh_tube", 5, [(3, 1.0, 2)])):
        with pytest.raises(CannotUse):
            wrong()


def test_guards_at_the_worst_place_are_compared_with_bare_trees_of_the_same_place() -> None:
    # within either planting the guarded trees are hurt less, yet pooled they look worse
    worst, best = ((45.0, 100.0), (9.0, 10.0)), ((0.0, 10.0), (5.0, 100.0))
    pooled_inside, pooled_outside = 45 / 110, 14 / 110
    assert pooled_inside > pooled_outside
    difference, low, high = outside_less_inside([worst, best]) or (0.0, 0.0, 0.0)
    assert low < difference < high and 0.05 < difference < 0.45
    assert outside_less_inside([((3.0, 10.0), (0.0, 0.0)), ((0.0, 0.0), (4.0, 10.0))]) is None
    one = outside_less_inside([worst])
    assert one is not None and one[0] == pytest.approx(0.45)


def test_the_interval_of_the_comparison_holds_the_truth_where_plantings_differ() -> None:
    rng, hits, alarms = np.random.default_rng(7007), 0, 0
    for draw in range(300):
        held, site = 0.6 * (draw % 2), rng.beta(0.35 * 9, 0.65 * 9, 6)  # trees of a planting alike by 0.1
        inside, outside = rng.choice([10, 40, 120], 6), rng.choice([10, 40, 120], 6)
        told = outside_less_inside([
            ((float(rng.binomial(i, p * (1 - held))), float(i)), (float(rng.binomial(o, p)), float(o)))
            for i, o, p in zip(inside, outside, site, strict=True)])
        assert told is not None
        hits += told[1] <= 0.35 * held <= told[2]
        alarms += held == 0 and (told[1] > 0 or told[2] < 0)
    assert hits >= 0.93 * 300 and alarms <= 0.05 * 150
