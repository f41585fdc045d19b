"""One sentence, as sure as it says: judged in forests whose truth is known (a small form of tests/drawn_forests.py)."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest

from diagnose.cannot_use import CannotUse
from diagnose.report.survey_report import decision_lines
from diagnose.survey.clumped import bounds, enough, too_few
from diagnose.survey.counted import sample_of
from diagnose.survey.decide import ACT, CANNOT, MORE, NOT_NEEDED, OPEN, WAIT, decide, decided, plots_more
from diagnose.survey.density import stocking
from diagnose.survey.forests import KINDS, browsed_trees, drawn
from diagnose.survey.planning import plots_to_decide
from diagnose.survey.stopping import ADDITION, MANY, ONE, StoppingRule, nominal
from diagnose.survey.summary import summarise
from diagnose.survey.sure import sure_limits
from diagnose.survey.target import BROWSED, PER_HA, STOCKED, Target, own_target
from tests.drawn_forests import AREA, looked, looked_always, survey, wants

DRAWS, ERROR = 2500, 3 * 0.0048  # three standard errors of 6 % in so many draws


@pytest.mark.parametrize("kind", KINDS)
def test_a_forest_exactly_on_target_is_seldom_told_to_be_off_it(kind: str) -> None:
    rng = np.random.default_rng(51)
    for plots, mean, clumped in ((10, 5.5, 1.0), (30, 1.0, 2.0), (60, 5.5, 0.2)):
        target = wants(PER_HA, mean)
        y, w = survey(target, kind, clumped, 1.0, rng, (DRAWS, 2 * plots))
        act, calm = looked(target, y, w, plots, plots)
        assert act <= 0.06 + ERROR and calm <= 0.06 + ERROR, (plots, mean, clumped, act, calm)


def test_shares_exactly_on_target_are_seldom_told_to_be_off_it() -> None:
    rng = np.random.default_rng(52)
    for target, alike in ((wants(BROWSED, 0.2), 0.1), (wants(STOCKED, 0.7), 0.0)):
        y, w = survey(target, "shares", alike, 1.0, rng, (DRAWS, 40))
        assert max(looked(target, y, w, 20, 20)) <= 0.06 + ERROR


def test_a_look_after_every_plot_needs_the_rule_that_allows_it() -> None:
    rng = np.random.default_rng(53)
    y, w = survey(wants(PER_HA, 5.5), "gamma clumps", 0.0, 1.0, rng, (1500, 40))
    assert max(looked_always(wants(PER_HA, 5.5), y, w, 30)) <= 0.06
    said = np.zeros(len(y), bool)
    for n in range(10, 41):  # the error of one look, taken again and again
        said |= decided(wants(PER_HA, 5.5), y[:, :n], w[:, :n], nominal(StoppingRule(ONE), n))[1]
    assert said.mean() > 0.1


@pytest.mark.parametrize("kind", ["families", "bare patches", "gamma clumps"])
def test_few_plots_that_miss_the_clumps_are_no_proof_that_trees_are_too_few(kind: str) -> None:
    rng = np.random.default_rng(57)
    for mean, plots in ((2.5, 10), (12.0, 10), (1.0, 15)):  # a fifth of the ground holds all trees, or as much variance
        y, w = survey(wants(PER_HA, mean), kind, 4.0, 1.0, rng, (DRAWS, 2 * plots))
        for added in (3, plots):
            assert looked(wants(PER_HA, mean), y, w, plots, added)[0] <= 0.06, (mean, plots, added)
    empty = decide(own_target("1100/ha"), [0] * 10, [50] * 10)
    assert empty.verdict == MORE and empty.high is None and empty.as_json()["high"] is None
    assert "(0 to no upper limit)" in empty.sentence and "inf" not in empty.sentence
    # 0.8 ** 16 = 0.028 and 0.8 ** 17 = 0.023: so seldom are all plots empty where a fifth of the ground holds trees
    assert decide(own_target("1100/ha"), [0] * 14, [50] * 14).verdict == MORE
    bare = decide(own_target("1100/ha"), [0] * 17, [50] * 17)
    assert bare.verdict == ACT and "None of 17 plots holds such trees" in bare.notes[0]
    assert "where at least 20 % of the ground holds trees" in bare.notes[0]
    assert decide(own_target("1100/ha"), [0] * 16 + [1], [50] * 17, plots_in_all=17).notes == ()  # nothing was missed
    assert decide(own_target("1100/ha"), [1, 0, 2] * 8, [50] * 24).notes == ()
    # and many empty plots are as sure as can be
    assert decide(own_target("1100/ha"), [0] * 400, [50] * 400).verdict == ACT


def test_few_plots_that_miss_bare_ground_are_no_proof_that_trees_suffice() -> None:
    rng = np.random.default_rng(58)
    for mean, clumped, plots in ((50.0, 0.05, 10), (50.0, 0.2, 12), (25.0, 0.05, 15)):  # a 20th, a sixth of the ground bare
        y, w = survey(wants(PER_HA, mean), "bare patches", clumped, 1.0, rng, (DRAWS, 2 * plots))
        for added in (3, plots):
            assert looked(wants(PER_HA, mean), y, w, plots, added)[1] <= 0.06, (mean, plots, added)
    # 0.77 ** 14 = 0.026 and 0.76 ** 14 = 0.021: so seldom do 14 plots miss bare ground that would bring the mean to target
    target, fifty = own_target("10000/ha"), [50.0] * 14
    assert decide(target, [64.5, 65.5] * 7, fifty).verdict == MORE
    assert decide(target, [65.5, 66.5] * 7, fifty).verdict == NOT_NEEDED


def test_few_browsed_trees_are_no_proof_and_few_plots_may_miss_those_where_all_is_browsed() -> None:
    rng = np.random.default_rng(59)
    for trees, share, alike, plots in ((3, 0.05, 0.0, 60), (10, 0.05, 0.0, 16), (30, 0.05, 0.2, 12), (30, 0.1, 0.4, 10)):
        target, m = wants(BROWSED, share), 1.0 + rng.poisson(trees - 1, (DRAWS, 2 * plots))
        y = browsed_trees(rng, share, alike, m)
        for added in (3, plots):
            assert max(looked(target, y, m, plots, added)) <= 0.06, (trees, share, alike, plots)


def test_strewn_trees_get_no_narrower_limits_than_the_exact_ones() -> None:
    for x, n in ((1, 30), (4, 60), (12, 200)):  # one tree a plot: Clopper and Pearson as scipy works them out
        y = (np.arange(n) < x).astype(float)
        low, high = sure_limits(y, np.ones(n), 0.025)
        exact = binomtest(x, n).proportion_ci(0.95, "exact")
        assert low <= exact.low + 1e-9 and high >= exact.high - 1e-9


@pytest.mark.parametrize(("kind", "clumped"), [("gamma clumps", 0.2), ("families", 1.0), ("bare patches", 0.2)])
def test_the_planned_number_says_the_right_thing_four_times_of_five(kind: str, clumped: float) -> None:
    target = wants(PER_HA, 5.5)
    plots = plots_to_decide(target, AREA, float(np.sqrt(clumped + 1 / 5.5))).plots
    rng = np.random.default_rng(54)
    for factor, side in ((0.7, 0), (1.3, 1)):
        y, w = survey(target, kind, clumped, factor, rng, (1000, plots))
        assert decided(target, y, w, nominal(StoppingRule(ADDITION, plots), plots))[side].mean() >= 0.8


def test_the_planned_number_of_a_share_and_of_stocked_plots_does_too() -> None:
    rng = np.random.default_rng(55)
    for target, alike in ((wants(BROWSED, 0.3), 0.1), (wants(STOCKED, 0.7), 0.0)):
        plots = plots_to_decide(target, AREA, trees_a_plot=10.0, likeness=alike).plots
        for factor in (0.7, 1.3):
            y, w = survey(target, "shares", alike, factor, rng, (800, plots))
            side = 0 if (factor < 1) != (target.kind == BROWSED) else 1
            assert decided(target, y, w, nominal(StoppingRule(ADDITION, plots), plots))[side].mean() >= 0.8


def test_the_range_of_further_plots_holds_what_was_needed() -> None:
    rng, target, held, asked = np.random.default_rng(56), wants(PER_HA, 5.5), 0, 0
    rule = StoppingRule(ADDITION, 15)
    for turn in range(60):
        y, w = survey(target, "gamma clumps", 0.3, (0.6, 1.5)[turn % 2], rng, (1, 15 + 80))
        if any(side[0] for side in decided(target, y[:, :15], w[:, :15], nominal(rule, 15))):
            continue
        needed = next((m for m in range(1, 81) if any(side[0] for side in decided(
            target, y[:, :15 + m], w[:, :15 + m], nominal(rule, 15 + m)))), 81)
        found = plots_more(target, y[0, :15], w[0, :15], rule, turn, 80)
        held, asked = held + (found.low <= needed <= (found.high or 81)), asked + 1
    assert asked >= 15 and held / asked >= 0.75  # 0.8 less the error of so few


def test_the_bounds_are_where_the_test_turns() -> None:
    y = np.array([3, 9, 4, 1, 3, 12, 3, 0, 2, 3, 2, 10.0])
    low, high = bounds(y, np.ones(12), 0.025)
    at = np.asarray(y.mean()), np.asarray(y.var(ddof=1)), 12
    quantile = 2.200985  # t of 11 degrees of freedom at 0.975, any table
    assert float(enough(*at, np.asarray(low))) == pytest.approx(quantile, abs=1e-3)
    assert float(too_few(*at, np.asarray(high))) == pytest.approx(-quantile, abs=1e-3)


def test_the_three_sentences() -> None:
    target, fifty = own_target("1100/ha"), [50.0] * 12
    assert decide(target, [1, 2, 1, 0, 2, 1, 2, 0, 1, 2, 1, 1], fifty).sentence.startswith("Act: at most ")
    calm = decide(target, [8, 7, 9, 8, 6, 9, 8, 7, 9, 10, 8, 9], fifty)
    assert calm.verdict == NOT_NEEDED and calm.sentence.startswith("Not needed yet: at least ")
    assert "95 % sure" in calm.sentence
    open_ = decide(target, [4, 7, 5, 8, 6, 3, 8, 7, 4, 6, 5, 6], fifty)
    assert open_.verdict == MORE and open_.sentence.startswith("Not enough plots: ")
    assert "if they go on alike" in open_.sentence


def test_the_rule_says_when_a_look_is_allowed() -> None:
    target, y = own_target("1100/ha"), [4, 7, 5, 8, 6, 3, 8, 7, 4, 6, 5, 6]
    assert decide(target, y, [50] * 12, StoppingRule(ADDITION, 20)).verdict == WAIT
    assert decide(target, y, [50] * 12, StoppingRule(ADDITION, 12)).verdict == MORE
    assert decide(target, y, [50] * 12, StoppingRule(ADDITION, 9)).verdict == OPEN  # the addition is used
    assert decide(target, y, [50] * 12, StoppingRule(ONE, 12)).verdict == OPEN
    assert decide(target, y, [50] * 12, StoppingRule(MANY, 30)).verdict == MORE
    assert decide(target, y[:9], [50] * 9, StoppingRule(MANY, 30)).verdict == WAIT
    assert decide(target, y[:1], [50]).verdict == CANNOT


def test_the_offices_rule_is_told_beside_the_decision() -> None:
    bc = Target(PER_HA, 1000, passes="lower limit", sureness=0.9, tag="read", country="Canada", source="x", unbitten=False)
    found = decide(bc, [8, 7, 9, 8, 6, 9, 8, 7, 9, 10], [50] * 10)
    assert "90 % sure" in found.sentence and "are there" in found.sentence and "passed" in found.office
    assert found.error == pytest.approx(0.05)  # 10 % shared by two looks


def trees_of(**more: object) -> pd.DataFrame:
    rows = [{"site": "s", "plot": str(plot), "plot_area_m2": 50.0, "tree": str(tree), "species": ("oak", "Fichte")[tree % 2],
             "height_cm": 60.0 + 20 * tree, "browsed": int(tree == 0), **more} for plot in range(12) for tree in range(6)]
    return pd.DataFrame(rows)


def test_only_what_the_target_counts_is_counted() -> None:
    trees = trees_of()
    assert sample_of(Target(PER_HA, 1000), trees).first.tolist() == [5] * 12  # one of six is bitten
    assert sample_of(Target(PER_HA, 1000, unbitten=False), trees).first.tolist() == [6] * 12
    assert sample_of(Target(PER_HA, 1000, species=("broadleaves",)), trees).first.tolist() == [2] * 12
    assert sample_of(Target(PER_HA, 1000, least_height_cm=120), trees).first.tolist() == [3] * 12
    weeds = sample_of(Target(PER_HA, 1000, free_of_weeds=True), trees)
    assert weeds.first.tolist() == [5] * 12 and "not written down" in weeds.notes[0]
    half = trees.assign(free_of_weeds=[1.0, 0.0] * 36)
    assert sample_of(Target(PER_HA, 1000, free_of_weeds=True), half).first.tolist() == [2] * 12
    capped = decide(Target(PER_HA, 1000, most_per_plot=4), [5] * 12, [50] * 12)
    assert capped.estimate.value == pytest.approx(800)


@pytest.mark.parametrize(("target", "change", "told"), [
    (Target(PER_HA, 1000, least_distance_m=2.0), {}, "well-spaced trees are not the same"),
    (Target(PER_HA, 1000, least_height_cm=50), {"height_cm": float("nan")}, "no height"),
    (Target(STOCKED, 0.7, plot_m2=4.05), {}, "another size"),
    (Target(PER_HA, 1000), {"plot_area_m2": float("nan")}, "areas were not written down"),
])
def test_what_the_tally_lacks_is_said_and_nothing_is_mixed(target: Target, change: dict, told: str) -> None:
    with pytest.raises(CannotUse, match=told):
        sample_of(target, trees_of(**change))
    found = summarise(trees_of(**change), targets=[target])
    assert found.decisions[0].verdict == CANNOT and told in found.answer


def test_plots_without_such_trees_count_as_visited() -> None:
    trees = pd.concat([trees_of(), pd.DataFrame([{"site": "s", "plot": "bare", "plot_area_m2": 50.0, "tree": None}])])
    rule = StoppingRule(ADDITION, 13)
    sample = sample_of(own_target("10% browsed"), trees)
    assert decide(own_target("10% browsed"), sample.first, sample.second, rule).verdict != WAIT
    assert len(sample_of(own_target("1100/ha"), trees).first) == 13


def test_a_mean_of_three_years_takes_the_visits_of_three_years() -> None:
    target = Target(BROWSED, 0.05, years=3, species=("any",))
    once = sample_of(target, trees_of(visit="2026-04-01"))
    assert "this is 1 of them" in once.notes[0]
    years = pd.concat([trees_of(visit=f"{year}-04-01") for year in (2024, 2025, 2026)])
    all_ = sample_of(target, years)
    assert all_.second.tolist() == [18] * 12 and not all_.notes


def test_a_browsed_share_is_told_against_its_limit() -> None:
    rng = np.random.default_rng(3)
    many = drawn("gamma clumps", rng, 10, 0.1, (30,)) + 1
    assert decide(own_target("10% browsed"), np.round(many * 0.5), many).verdict == ACT
    sycamore = Target(BROWSED, 0.2, 0.4, species=("sycamore",), tag="read", source="x")
    assert decide(sycamore, np.round(many * 0.3), many).verdict == MORE  # within the range nothing is decided
    assert decide(sycamore, many * 0, many).verdict == NOT_NEEDED


def test_a_ground_of_which_every_plot_was_visited_is_decided_by_the_count_itself() -> None:
    target, plots = own_target("1100/ha"), [5, 6, 7, 5, 6, 7, 5, 6, 7, 4]
    sampled, whole = (decide(target, plots, [50] * 10, plots_in_all=many) for many in (None, 10))
    assert sampled.verdict == MORE and whole.verdict == NOT_NEEDED  # 1,160 stand, 1,100 are wanted
    assert (whole.low, whole.high) == (whole.estimate.value, whole.estimate.value)
    nearly = decide(target, plots, [50] * 10, plots_in_all=13)
    assert nearly.more is not None and nearly.more.most == 3
    with pytest.raises(CannotUse, match="holds 5"):
        decide(target, plots, [50] * 10, plots_in_all=5)
    assert decide(own_target("10% browsed"), [0] * 10, [8] * 10, plots_in_all=10).verdict == NOT_NEEDED


def test_each_part_of_the_ground_says_for_itself_whether_to_act() -> None:
    rows = [{"site": "S", "plot": f"{part}{plot}", "tree": str(tree) if trees else None, "browsed": 0.0 if trees else None,
             "plot_area_m2": 50.0, "stratum": part}
            for part, plots, trees in (("crest", 40, 10), ("hollow", 18, 0)) for plot in range(plots)
            for tree in range(max(1, trees))]
    found = summarise(pd.DataFrame(rows), None, [own_target("1100/ha")])
    assert found.decisions[0].verdict == NOT_NEEDED  # pooled plot by plot
    assert {part: told[0].verdict for part, told in found.by_part.items()} == {"crest": NOT_NEEDED, "hollow": ACT}
    assert "In part hollow though: Act: at most" in found.answer
    assert any("crest 40, hollow 18" in line for line in found.not_covered)
    assert re.search("Part hollow.*None of 18 plots holds such trees", " ".join(decision_lines(found)))
    assert len(found.as_json()["by_part"]["hollow"]) == 1
    assert set(found.long()["group"]) >= {"part_crest", "part_hollow"}


def test_the_share_of_stocked_plots_has_the_exact_limits_of_its_source() -> None:
    # Clopper and Pearson's limits of 1 of 12 and of 12 of 16, as scipy.stats.binomtest works them out
    for x, n in ((1, 12), (12, 16)):
        found, exact = stocking([1] * x + [0] * (n - x), 50), binomtest(x, n).proportion_ci(0.95, "exact")
        assert (found.low, found.high) == pytest.approx((exact.low, exact.high), abs=1e-9)


def test_plots_that_cannot_be_reached_are_not_waited_for() -> None:
    target, y = own_target("1100/ha"), [1] * 19
    assert decide(target, y, [50] * 19, StoppingRule(ADDITION, 20)).verdict == WAIT
    assert decide(target, y, [50] * 19, StoppingRule(ADDITION, 20), unreached=1).verdict == ACT
    # a rule of many looks asks for plots that tell something
    assert decide(target, y[:9], [50] * 9, StoppingRule(MANY, 30), unreached=5).verdict == WAIT
    rows = pd.concat([trees_of(), pd.DataFrame([{"site": "s", "plot": "cliff", "reached": 0.0, "tree": None}])])
    assert summarise(rows, targets=[target], rule=StoppingRule(ADDITION, 13)).decisions[0].verdict != WAIT


def test_no_part_of_the_ground_is_decided_before_the_whole_may_be_looked_at() -> None:
    trees = trees_of()
    trees["stratum"] = ["crest" if int(plot) < 6 else "hollow" for plot in trees["plot"]]
    found = summarise(trees, targets=[own_target("1100/ha")], rule=StoppingRule(ADDITION, 20), refused=["line 3: x"])
    assert found.decisions[0].verdict == WAIT and not found.by_part
    assert "1 rows were refused" not in found.answer and "1 row was refused" in found.answer
