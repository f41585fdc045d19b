"""The published worked examples of reference_cases/survey, each within the tolerance that its printing allows."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from diagnose.knowledge import read_yaml, reference_cases
from diagnose.survey import change, compare, density, design, plan, proportion, quality, stopping
from diagnose.survey.decide import decide, decided
from diagnose.survey.estimate import Estimate
from diagnose.survey.ratio import ratio_of_totals
from diagnose.survey.stopping import ONE, StoppingRule
from diagnose.survey.target import BROWSED, PER_HA, STOCKED, Target, own_target, published

CASES = {case["id"]: case for case in read_yaml(reference_cases("survey") / "cases.yaml")["cases"]}
SINGLE = {"wilson": proportion.wilson, "clopper_pearson": proportion.clopper_pearson, "jeffreys": proportion.jeffreys,
          "mid_p": proportion.mid_p, "wilson_cc": lambda x, n, level: proportion.wilson(x, n, level, corrected=True)}
TWO = {"wald": compare.wald, "agresti_caffo": compare.agresti_caffo, "newcombe": compare.newcombe, "score": compare.score}
PAIRED = {"tango": compare.paired_tango, "method8": lambda *cells: compare.paired_newcombe(*cells, method=8),
          "method10": compare.paired_newcombe}


def near(case: str, found: object, expected: object) -> None:
    assert np.asarray(found, float) == pytest.approx(np.asarray(expected, float), abs=CASES[case]["tolerance"]), case


def limits(interval: object) -> tuple[float, float]:
    return interval.low, interval.high  # type: ignore[attr-defined]


def single() -> list[tuple[str, str]]:
    return [(key, name) for key in ("W02", "W03", "W04", "W05", "W07", "W79") for name in CASES[key]["expected"]]


@pytest.mark.parametrize(("key", "name"), single())
def test_a_single_share_has_its_published_limits(key: str, name: str) -> None:
    given = CASES[key]["inputs"]
    near(key, limits(SINGLE[name](given["x"], given["n"], given["conf"])), CASES[key]["expected"][name])


@pytest.mark.parametrize("name", ["clopper_pearson", "wilson", "wilson_cc"])
def test_shares_have_the_limits_that_another_library_prints(name: str) -> None:
    given = CASES["W63"]["inputs"]
    found = [limits(SINGLE[name](x, n, 0.95)) for x, n in zip(given["x"], given["n"], strict=True)]
    near("W63", found, CASES["W63"]["expected"][name])


def test_seeds_germinate_within_the_limits_of_the_foresters_table() -> None:
    given, told = CASES["W65"]["inputs"], CASES["W65"]["expected"]
    found = [limits(proportion.clopper_pearson(x, n)) for x, n in zip(given["x"], given["n"], strict=True)]
    near("W65", 100 * np.array(found), told["clopper_pearson_percent"])
    # the book divides by n - 1, as drawing the 1,000 seeds as clusters of one does
    many = ratio_of_totals(np.arange(given["n"][1]) < given["x"][1], np.ones(given["n"][1]))
    assert round(many.sigma, 4) == told["se_of_480"]


def test_a_sample_of_a_fifth_of_all_plots_has_the_published_error() -> None:
    given, told = CASES["W64"]["inputs"], CASES["W64"]["expected"]
    found = density.trees_per_ha(given["y"], density.HECTARE_M2, plots_in_all=given["N"])
    assert found.sigma is not None
    near("W64", [found.value, found.sigma], [told["mean"], told["se"]])
    assert [round(found.value * given["N"]), round(found.sigma * given["N"], 1)] == [told["total"], told["se_total"]]


def test_a_rare_share_has_its_published_exact_limits() -> None:
    found = [100 * x for x in limits(proportion.clopper_pearson(4, 200))]
    near("W08", found, CASES["W08"]["expected"]["clopper_pearson_percent"])


def test_seedlings_of_ten_mother_trees_have_the_cluster_error() -> None:
    given, told = CASES["W09"]["inputs"], CASES["W09"]["expected"]
    found = proportion.clustered(given["survived_1994"], given["alive_1992"])
    near("W09", [found.value, found.sigma], [told["ratio"], told["se"]])
    assert found.design_effect == pytest.approx(13.1, abs=0.05)  # the note of the case


def test_a_ratio_of_farm_acres_has_the_published_error() -> None:
    given, told = CASES["W10"]["inputs"], CASES["W10"]["expected"]
    # two farms stand for the published sums: their residuals have the published sum of squares
    half = math.sqrt(given["sum_squared_residuals"] / 2)
    x, ratio = given["sum_x"] / 2, given["sum_y"] / given["sum_x"]
    found = ratio_of_totals([ratio * x + half, ratio * x - half], [x, x])
    plots = given["n"]
    scale = math.sqrt(plots / (plots - 1) / 2)  # n/(n-1) of 300 in place of that of 2
    near("W10", [found.value, found.sigma * scale, found.sigma * scale * math.sqrt(1 - plots / given["N"])],
         [told["ratio"], told["se_no_fpc"], told["se_fpc"]])


def litters() -> tuple[Estimate, Estimate]:
    given = CASES["W13"]["inputs"]
    return (proportion.clustered(given["control_y"], given["control_n"]),
            proportion.clustered(given["treated_y"], given["treated_n"]))


def test_two_groups_of_litters_differ_by_less_than_the_naive_test_says() -> None:
    given, told = CASES["W13"]["inputs"], CASES["W13"]["expected"]
    control, treated = litters()
    near("W13", [control.value, treated.value, control.sigma, treated.sigma, control.design_effect, treated.design_effect],
         [told[name] for name in ("p_control", "p_treated", "se_control", "se_treated", "deff_control", "deff_treated")])
    found = compare.difference(control, treated, "t")
    near("W13", [found.value, found.low, found.high], [told["diff"], *told["diff_ci_t30"]])
    groups = ([given["control_y"], given["treated_y"]], [given["control_n"], given["treated_n"]])
    near("W13", compare.rao_scott(*groups).statistic, told["rao_scott_chi2"])
    naive = compare.homogeneity([sum(part) for part in groups[0]], [sum(part) for part in groups[1]])
    near("W13", naive.statistic, told["naive_chi2"])


def test_weighted_cluster_means_and_ratios_have_their_published_limits() -> None:
    given, told = CASES["W14"]["inputs"], CASES["W14"]["expected"]
    ones, y, x, weights = np.ones(len(given["y"])), given["y"], given["x"], given["weight"]
    drawn = 1 - given["fpc_unstratified"]
    mean = ratio_of_totals(y, ones, given["psu"], weights, drawn_share=drawn)
    near("W14", [mean.value, mean.sigma, *mean.limits, mean.df], [told["mean"], told["se"], *told["ci"], told["df"]])
    ratio = ratio_of_totals(y, x, given["psu"], weights, drawn_share=drawn)
    near("W14", [ratio.value, ratio.sigma, *ratio.limits], [told["ratio"], told["ratio_se"], *told["ratio_ci"]])
    strata = ratio_of_totals(y, ones, given["psu"], weights, given["stratum"],
                             {key: 1 - left for key, left in given["fpc_by_stratum"].items()})
    near("W14", [strata.value, strata.sigma, *strata.limits, strata.df],
         [told["mean_strat"], told["se_strat"], *told["ci_strat"], told["df_strat"]])


def test_strata_and_clusters_in_strata_have_their_published_limits() -> None:
    given, told = CASES["W71"]["inputs"], CASES["W71"]["expected"]

    def mean(of: dict[str, list[int]], in_all: dict[int, int] | None, clusters: np.ndarray | None = None) -> list[float]:
        grade, spent = np.array(of["grade"]), np.array(of["spent"], float)
        units = np.arange(len(grade)) if clusters is None else clusters
        if in_all is None:
            found = ratio_of_totals(spent, np.ones(len(spent)), drawn_share=len(spent) / sum(given["students"].values()))
        else:
            drawn = {key: len(set(units[grade == key])) / many for key, many in in_all.items()}
            weights = [1 / drawn[key] for key in grade]
            found = ratio_of_totals(spent, np.ones(len(spent)), clusters, weights, grade, drawn)
        return [found.value, found.sigma, *found.limits]

    near("W71", mean(given, None), told["random"])
    near("W71", mean(given, given["students"]), told["stratified"])
    in_groups = given["clustered"]
    clusters = 1000 * np.array(in_groups["grade"]) + np.array(in_groups["group"])
    near("W71", mean(in_groups, in_groups["groups"], clusters), told["stratified_clusters"])


def test_persons_of_a_household_are_alike() -> None:
    given, told = CASES["W72"]["inputs"], CASES["W72"]["expected"]
    found = proportion.clustered(given["seen"], given["persons"])
    assert found.sigma is not None
    assert round(found.value, 4) == told["p"]
    near("W72", [found.sigma**2, found.value * (1 - found.value) / sum(given["persons"])],
         [told["variance"], told["binomial_variance"]])


def test_a_mean_count_has_the_published_error() -> None:
    given, told = CASES["W15"]["inputs"], CASES["W15"]["expected"]
    found = density.trees_per_ha(given["y"], 10_000.0)
    near("W15", [found.value, found.sigma, found.value * given["weight"] * len(given["y"])],
         [told["mean"], told["se"], told["total"]])


def test_sample_sizes_are_the_published_ones() -> None:
    for wanted, n in zip(CASES["W16"]["inputs"]["cases"], CASES["W16"]["expected"]["n"], strict=True):
        assert design.trees_needed(wanted["p"], wanted["d"], wanted.get("deff", 1.0), wanted.get("N")) == n
    assert design.trees_needed(0.2, 0.05) == CASES["W17"]["expected"]["n"]
    given, told = CASES["W18"]["inputs"], CASES["W18"]["expected"]
    effect = design.design_effect(given["m"], given["rho"])
    assert design.trees_needed(given["p"], given["d"]) == told["n"]
    near("W18", effect, told["deff"])
    assert math.ceil(given["crude_n_imperfect_test"] * effect) == told["n_clustered"]
    given, told = CASES["W20"]["inputs"], CASES["W20"]["expected"]
    found = design.plots_needed(given["p"], given["d"], given["b"], given["rho"], with_t=False)
    assert found.plots == told["clusters"]
    near("W20", found.design_effect, told["deff"])
    near("W21", [design.design_effect(*pair) for pair in CASES["W21"]["inputs"]["cases"]], CASES["W21"]["expected"]["deff"])
    assert design.allocation(CASES["W23"]["inputs"]["n"], CASES["W23"]["inputs"]["N_h"]) == CASES["W23"]["expected"]["n_h"]


def test_an_assumed_likeness_widens_the_limits_as_published() -> None:
    given, told = CASES["W22"]["inputs"], CASES["W22"]["expected"]
    effect = design.design_effect(given["m"], given["rho"])
    near("W22", [given["x"] / given["n"], effect], [told["p"], told["deff"]])
    near("W22", limits(proportion.wilson(given["x"] / effect, given["n"] / effect)), told["ci"])
    near("W22", limits(proportion.wilson(given["x"], given["n"])), told["ci_if_srs"])


@pytest.mark.parametrize("key", ["W29", "W30", "W31", "W80"])
def test_a_difference_of_two_shares_has_its_published_limits(key: str) -> None:
    given = CASES[key]["inputs"]
    for name, expected in CASES[key]["expected"].items():
        near(key, limits(TWO[name](given["x1"], given["n1"], given["x2"], given["n2"])), expected)


def test_a_ratio_of_two_shares_has_its_published_limits() -> None:
    given, told = CASES["W68"]["inputs"], CASES["W68"]["expected"]
    near("W68", limits(compare.ratio_score(given["x1"], given["n1"], given["x2"], given["n2"])), told["score"])


def test_the_corrected_score_limits_are_those_noted_with_the_case() -> None:
    # quoted in the note of W30, from the manual of an R package
    assert limits(compare.score(7, 34, 1, 34, corrected=True)) == pytest.approx((0.0270416, 0.3452912), abs=2e-6)


@pytest.mark.parametrize("key", ["W33", "W34"])
def test_sites_pool_to_the_published_odds_ratio(key: str) -> None:
    told = CASES[key]["expected"]
    found = compare.mantel_haenszel(CASES[key]["inputs"]["tables"])
    near(key, [found.odds_ratio, *limits(found.odds_interval), found.test.statistic, found.test.p_value],
         [told["or_mh"], *told["ci"], told["cmh_cc"], told["p"]])


@pytest.mark.parametrize("key", ["W35", "W36", "W37", "W38", "W39"])
def test_pairs_have_their_published_limits(key: str) -> None:
    given = CASES[key]["inputs"]
    for name, expected in CASES[key]["expected"].items():
        near(key, limits(PAIRED[name](given["a"], given["b"], given["c"], given["d"])), expected)


def test_mcnemar_and_trend_are_the_published_ones() -> None:
    given, told = CASES["W40"]["inputs"], CASES["W40"]["expected"]
    near("W40", compare.mcnemar(given["b"], given["c"]).statistic, told["chi2"])
    given, told = CASES["W41"]["inputs"], CASES["W41"]["expected"]
    even, trend = compare.homogeneity(given["x"], given["n"]), change.trend_of_independent(given["x"], given["n"])
    near("W41", [even.statistic, even.p_value, trend.statistic, trend.p_value],
         [told["homogeneity"], told["p_hom"], told["trend"], told["p_trend"]])


def test_an_imperfect_observer_is_corrected_as_published_and_a_negative_share_is_flagged() -> None:
    given, told = CASES["W42"]["inputs"]["cases"], CASES["W42"]["expected"]["percent"]
    for (x, n, sensitivity, specificity), percent in zip(given, told, strict=True):
        found = quality.true_share(proportion.independent(x, n), sensitivity, specificity)
        near("W42", 100 * found.value, percent)
        assert bool(found.note) == (percent < 0)


def test_kappa_has_its_published_error() -> None:
    told = CASES["W43"]["expected"]
    found = quality.agreement(CASES["W43"]["inputs"]["table"], few_too=True)
    _, sigma = quality.kappa(CASES["W43"]["inputs"]["table"])
    _, weighted_sigma = quality.kappa(CASES["W43"]["inputs"]["table"], quality.linear_weights(3))
    near("W43", [found.kappa, sigma, *limits(found.kappa_interval), found.weighted, weighted_sigma,
                 *limits(found.weighted_interval)],
         [told["kappa"], told["ase"], *told["ci"], told["wkappa"], told["wase"], *told["wci"]])
    found, told = quality.agreement(CASES["W44"]["inputs"]["table"]), CASES["W44"]["expected"]
    near("W44", [found.kappa, *limits(found.kappa_interval), found.adjusted], [told["kappa"], *told["ci"], told["pabak"]])
    near("W69", quality.many_crews(CASES["W69"]["inputs"]["counts"]), CASES["W69"]["expected"]["kappa"])


def test_slope_radius_bound_and_fix_have_their_published_figures() -> None:
    near("W47", density.on_slope(100, 30), CASES["W47"]["expected"]["corrected"])
    near("W48", [density.HECTARE_M2 / (math.pi * r**2) for r in CASES["W48"]["inputs"]["radius_m"]],
         CASES["W48"]["expected"]["trees_per_ha"])
    near("W50", [proportion.none_seen_bound(n) for n in CASES["W50"]["inputs"]["n"]], CASES["W50"]["expected"]["exact"])
    told = CASES["D03"]["expected"]
    near("D03", [density.plot_radius(density.ACRE_M2 / 1000), density.plot_radius(density.ACRE_M2 / 300)],
         [told["milacre_radius_m"], told["three_hundredth_radius_m"]])
    given = CASES["D04"]["inputs"]
    found = [[density.within_fix(r, rmse) for r in given["r_m"]] for rmse in given["rmse_m"]]
    near("D04", found, CASES["D04"]["expected"]["p"])


def test_looking_again_and_again_errs_as_published() -> None:
    looks = CASES["W51"]["inputs"]["looks"]
    found = [stopping.chance_to_cross([1.959964] * many, two_sided=True) for many in looks]
    near("W51", found, CASES["W51"]["expected"]["overall"])
    given = CASES["W52"]["inputs"]
    for limit, many in zip(given["limits"], given["looks"], strict=True):
        near("W52", stopping.chance_to_cross([limit] * many, two_sided=True), CASES["W52"]["expected"]["overall"])
    for limits in CASES["W60"]["inputs"]["limits"]:
        near("W60", stopping.chance_to_cross(limits, two_sided=True), CASES["W60"]["expected"]["overall"])


def test_the_chance_to_stop_at_each_look_is_the_one_of_another_library() -> None:
    told = np.cumsum(CASES["W62"]["expected"]["each_side_at_look"])
    found = [stopping.chance_to_cross([1.6448536] * many, two_sided=True) / 2 for many in CASES["W62"]["inputs"]["looks"]]
    near("W62", found, told)


def test_the_error_is_spent_over_three_looks_as_another_library_prints() -> None:
    limits, told = CASES["W66"]["inputs"]["limits"], CASES["W66"]["expected"]["spent"]
    near("W66", [stopping.chance_to_cross(limits[:many]) for many in (1, 2, 3)], told)


def test_a_difference_that_is_there_stops_as_another_library_prints() -> None:
    given = CASES["W67"]["inputs"]
    drift = [-math.log(given["hazard_ratio"]) * math.sqrt(known) for known in given["information"]]
    crossed = [stopping.chance_to_cross(given["limits"][:many], False, drift[many - 1]) for many in (1, 2, 3)]
    near("W67", np.diff([0.0, *crossed]), CASES["W67"]["expected"]["stops_at_look"])


def test_four_looks_cost_on_average_what_is_printed() -> None:
    given, told = CASES["W73"]["inputs"], CASES["W73"]["expected"]
    whole = math.sqrt(given["percent_of_fixed"] / 100) * (1.959964 + 1.281552)
    for name, drift in (("none_there", 0.0), ("there", whole)):
        early = [stopping.chance_to_cross([given["limit"]] * many, True, drift * math.sqrt(many / given["looks"]))
                 for many in range(1, given["looks"])]
        near("W73", given["percent_of_fixed"] * (1 + sum(1 - each for each in early)) / given["looks"], told[name])


def test_clusters_of_even_and_uneven_size_are_as_many_as_printed() -> None:
    given = CASES["W74"]["inputs"]
    found = [design.plots_needed(given["p"], given["relative"] * given["p"], given["m"], given["rho"], level=given["level"],
                                 with_t=False, **more).plots
             for more in ({}, {"spread": given["sd"] / given["m"]},
                          {"spread": given["sd"] / given["m"], "plots_in_all": given["N"]})]
    assert found == CASES["W74"]["expected"]["clusters"]


def test_a_share_of_which_none_was_seen_is_bounded_as_printed() -> None:
    given = CASES["W75"]["inputs"]
    near("W75", proportion.none_seen_bound(given["n"]) / given["sensitivity"], CASES["W75"]["expected"]["most"])


def test_an_exact_decision_turns_at_the_printed_chance() -> None:
    given, told = CASES["W76"]["inputs"], CASES["W76"]["expected"]
    wanted, plots = Target(STOCKED, given["limit"]), np.arange(given["n"])[None] < given["x"]
    for error, enough in ((told["p_value"] * 1.000001, True), (told["p_value"] * 0.999999, False)):
        assert bool(decided(wanted, plots, np.ones(plots.shape), error)[1][0]) is enough
    found = decide(replace(wanted, sureness=given["sureness"]), plots[0], np.ones(given["n"]), StoppingRule(ONE))
    near("W76", found.low, told["low"])
    given, told = CASES["W77"]["inputs"], CASES["W77"]["expected"]
    plots = np.arange(given["n"])[None] < given["x"]
    for error, acts in ((told["chance"] * 1.00001, True), (told["chance"] * 0.99999, False)):
        assert bool(decided(Target(STOCKED, given["p"]), plots, np.ones(plots.shape), error)[0][0]) is acts


def test_so_many_trees_tell_a_share_above_its_limit_with_the_published_power() -> None:
    given = CASES["W78"]["inputs"]
    many, limit = given["n"], Target(BROWSED, given["limit"])
    counts = np.arange(1370, 1520)
    acts = decided(limit, (np.arange(many)[None] < counts[:, None]).astype(float), np.ones((len(counts), many)),
                   given["error"])[0]
    least = int(counts[int(np.argmax(acts))])
    assert not acts[0] and acts[least - counts[0]:].all()
    near("W78", stats.binom.sf(least - 1, many, given["truth"]), CASES["W78"]["expected"]["power"])


def test_few_asked_are_judged_as_wrongly_as_the_table_of_lots_prints() -> None:
    given, told = CASES["W61"]["inputs"], CASES["W61"]["expected"]
    for n, d, provider, consumer in list(zip(given["n"], given["d"], told["provider_risk"], told["consumer_risk"],
                                             strict=True))[1:]:
        wanted, plots = Target(STOCKED, given["good"]), np.ones((1, n))
        # the rule of the table as the decision makes it: act where more than d are without
        error = (stats.binom.cdf(n - d - 1, n, given["good"]) + stats.binom.cdf(n - d, n, given["good"])) / 2
        acts = [bool(decided(wanted, np.arange(n)[None] < x, plots, error)[0][0]) for x in range(n + 1)]
        chance = stats.binom.pmf(np.arange(n + 1), n, given["good"]), stats.binom.pmf(np.arange(n + 1), n, given["poor"])
        near("W61", [chance[0][acts].sum(), 1 - chance[1][acts].sum()], [provider, consumer])


def test_several_looks_need_as_much_more_as_published() -> None:
    given = CASES["W53"]["inputs"]
    drift = math.sqrt(given["percent_of_fixed"] / 100) * (1.959964 + 1.281552)
    near("W53", stopping.chance_to_cross([given["limit"]] * given["looks"], True, drift), CASES["W53"]["expected"]["power"])
    given = CASES["W70"]["inputs"]
    for at, (limit, looks) in enumerate(zip(given["limits"], given["looks"], strict=True)):
        near("W70", stopping.chance_to_cross([limit] * looks, True), CASES["W70"]["expected"]["overall"])
        for power, factors in zip(given["power"], given["factor"], strict=True):
            drift = math.sqrt(factors[at]) * (1.959964 + float(stats.norm.ppf(power)))
            near("W70", stopping.chance_to_cross([limit] * looks, True, drift), power)


def test_plots_of_stocking_surveys_hold_what_their_guides_print() -> None:
    near("W54", density.plot_radius(CASES["W54"]["inputs"]["area_m2"]), CASES["W54"]["expected"]["radius_m"])
    given = CASES["W55"]["inputs"]
    capped = Target(PER_HA, 1000.0, plot_m2=given["plot_m2"], most_per_plot=given["most_per_plot"])
    full = density.trees_per_ha([min(capped.most_per_plot or 0, 40)] * 2, given["plot_m2"]).value
    near("W55", full / 10, CASES["W55"]["expected"]["on_1000_m2"])
    given = CASES["W56"]["inputs"]
    near("W56", [math.floor(per_ha * plan.size_of(given["radius_m"]) / 10_000) for per_ha in given["per_ha"]],
         CASES["W56"]["expected"]["on_plot"])


def test_legal_numbers_an_acre_are_those_a_hectare() -> None:
    given, by_key = CASES["W57"]["inputs"], {one.key: one for one in published()}
    near("W57", [own_target(f"{per_acre}/acre").value for per_acre in given["per_acre"]], CASES["W57"]["expected"]["per_ha"])
    near("W57", [by_key[key].value for key in given["target"]], CASES["W57"]["expected"]["per_ha"])


def test_stocked_plots_are_decided_by_the_published_numbers() -> None:
    given = CASES["W58"]["inputs"]
    wanted, plots = Target(STOCKED, given["wanted"]), np.ones((1, given["n"]))
    acts = [bool(decided(wanted, np.arange(given["n"])[None] < x, plots, given["error"])[0][0])
            for x in range(given["n"] + 1)]
    assert acts == [x < given["rule"] for x in range(given["n"] + 1)]
    near("W58", stats.binom.cdf(given["rule"] - 1, given["n"], given["wanted"]), CASES["W58"]["expected"]["wrong_to_act"])
    near("W58", stats.binom.sf(given["rule"] - 1, given["n"], given["poor"]), CASES["W58"]["expected"]["wrong_not_to"])
    given = CASES["W59"]["inputs"]
    for wanted, error, n in zip(given["wanted"], given["error"], CASES["W59"]["expected"]["n"], strict=True):
        for many, enough in ((n, True), (n - 1, False)):
            found = decided(Target(STOCKED, wanted), np.ones((1, many)), np.ones((1, many)), error)
            assert bool(found[1][0]) is enough
