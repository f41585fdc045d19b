"""Every public function of culprits answers within its limits and never with nan, or says why it cannot."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import diagnose.culprits as room
from diagnose.cannot_use import CannotUse
from diagnose.culprits import ask, believe, check, fit, observers, reach, tables, verdict, worlds
from diagnose.culprits import catalogue as tree
from diagnose.culprits import ranges as known_ranges
from diagnose.culprits.catalogue import Catalogue, catalogue
from diagnose.culprits.check import CASES, read_cases, score
from diagnose.culprits.ranges import ranges
from diagnose.culprits.readings import choice_reading
from diagnose.culprits.verdict import judge
from diagnose.culprits.weighing import Bench
from diagnose.culprits.worlds import THE_MODELS, draw_wounds
from diagnose.signs import Answer, Measured, parse_signs, vocabulary
from tests.nonsense import answers_or_refuses, good_for, public

PUBLIC = public(room)
# not called: what judges hundreds of drawn wounds or every published case, for half a minute each
PRINTS = {"believe.believe", "believe.fitted_strength", "check.check", "check.left_out", "check.camera_gain",
          "observers.questions_saved", "fit.main"}
# given good values only: parts of the weighing, whose arrays are made of the catalogue by those that call them
INNER = {"likelihood.filled", "likelihood.pooled_where_known", "likelihood.group_likelihoods", "likelihood.one_group",
         "likelihood.raw_group", "likelihood.choices_told", "fitted.logs_of", "fitted.scaled", "fit.as_yaml", "fit.figures",
         "fit.folds", "traces.weigh_traces", "traces.weigh_ways", "traces.weigh_choices", "readings.misread",
         "readings.misread_near", "readings.misread_within",
         "readings.pooled", "readings.number_reading", "readings.bin_reading", "tables.within", "verdict.by_culprit"}
# rows of the catalogue's tables of which nothing is known are empty (nan); a bench holds them
EMPTY_ROWS = {"likelihood.raw_group"}
EMPTY: tuple[type, ...] = (Catalogue, Bench)


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A good value for each name that a parameter of culprits has."""
    folder = tmp_path_factory.mktemp("public")
    (folder / "prior.yaml").write_text("roe_deer: 2\n")
    signs = parse_signs({"wound": "severed_shoot", "cut_form": "torn"})
    told, known = judge(signs, "DE"), catalogue()
    bench, cases = Bench(told.case), read_cases()[:3]
    scored = score(cases)
    wound = draw_wounds(1, ("DE",), 1)[0]
    word = vocabulary()["cut_form"]
    return {
        "signs": signs, "word": word, "bench": bench, "case": told.case, "verdict": told, "barrier_of": None,
        "built_of": None, "class_of": None, "passed": (), "most": 3, "cases": cases, "wounds": 2,
        "world": THE_MODELS, "seed": 1, "scored": scored,
        "known": known, "fit": fit.Fit(fit.cases()[:3]),
        "group": "deer", "name": "roe_deer", "entry": known.raw["roe_deer"], "folder": CASES,
        "judged": lambda case: judge(case.signs).culprits,
        "k": 3, "n": 10, "level": 0.95, "edges": (0, 0.5, 1.0), "ours": scored, "theirs": scored, "draws": 50, "start": 1,
        "where": "DE", "region": "DE", "place": told.place, "seen": frozenset(), "prior": bench.prior,
        "snow_mm": 300.0, "winters": bench.winters, "strength": None, "told": choice_reading(word, Answer("torn")),
        "share": 0.1, "sign": Answer("torn"), "x": np.linspace(1.0, 20.0, 8), "step": 2.0, "low": 1.0, "high": 20.0,
        "readings": [choice_reading(word, Answer("torn")), choice_reading(word, Answer("clean"))], "key": "roe_deer",
        "wound": wound,
        "own": {"roe_deer": 2.0}, "confirmed": {"roe_deer": 3.0}, "path": folder / "prior.yaml",
        "species": next(iter(ranges())),
        "codes": ["DE"], "source": "MEM", "rows": {"MEM": {"clean": "many", "torn": "few"}}, "without": None,
        "choices": ["clean", "torn"], "upper": 10.0, "edge": 2.0, "verdicts": [told, told], "month": 5,
        "without_sources": frozenset(), "made_by": bench.made_by(bench.parts, bench.traces), "culprits": dict(told.culprits),
        "moved_by": (), "number": 2, "places": ("DE", "US-NY"), "traces": ("droppings",), "records": [], "power": 0.5,
        "raw": np.ones(len(bench.prior)), "vocabulary": vocabulary(), "shuffle": True, "kinds": False,
    }


def special(given: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Good values where a name means something else than elsewhere."""
    k = 4
    few = {"found": [0], "missing": [1], "left": np.full((2, k), 0.4), "background": np.full(k, 0.3),
           "animal": np.array([True, True, True, False]), "stray": 0.05}
    told, few_told = {"wound": given["signs"]["wound"]}, given["fit"]
    group = {"group": "cut", "told": {"cut_form": Answer("torn")}, "power": 0.5}
    return {
        "ask.question_of": {"name": "cut_form"}, "likelihood.choices_told": group,
        "catalogue.choices_of": {"sign": "cut_form"}, "catalogue.kinds_of": {"sign": "tree_kind"},
        "fit.as_yaml": {"x": np.zeros(few_told.size)}, "fit.folds": {"cases": [{"url": "a"}, {"url": "b"}]},
        "fit.figures": {"groups": few_told.of_groups(np.zeros(few_told.size)), "named": few_told.named},
        "fitted.logs_of": {"sign": "wound", "groups": ["deer"]},
        "fitted.scaled": {"table": np.full((1, 2), 0.5), "logs": np.zeros((1, 2)), "kinds": ["", ""]},
        "ask.gains": {"told": None}, "ask.next_step": {"told": None}, "ask.stays": {"told": None},
        "check.clopper_pearson": {"n": 10},
        "ask.fits": {"signs": told}, "check.read_cases": {}, "catalogue.catalogue": {"without": None},
        "tables.range_table": {"rows": {"MEM": [2.0, 9.0]}}, "tables.kept": {"without": ["OURS"]},
        "tables.support": {}, "tables.within": {"upper": np.array([10.0]), "x": np.array([8.0]), "edge": np.array([2.0])},
        "traces.weigh_traces": few, "likelihood.one_group": group, "likelihood.raw_group": group,
        "traces.weigh_choices": {"name": "droppings", "kinds": [("droppings", choice)
                                 for choice in vocabulary()["droppings"].choices if choice != "none"],
                                 "rates": np.full((len(vocabulary()["droppings"].choices) - 1, k), 0.4),
                                 **{name: few[name] for name in ("background", "animal", "stray")}},
        "traces.weigh_ways": {"kinds": [("droppings", choice) for choice in vocabulary()["droppings"].choices],
                              "rates": np.full((len(vocabulary()["droppings"].choices), k), 0.4),
                              **{name: few[name] for name in ("background", "animal", "stray")}},
        "readings.number_reading": {"sign": Measured(6.0, 1.0)},
        "readings.bin_reading": {"low": np.array([1.0, 5.0]), "high": np.array([5.0, 9.0]), "sign": Measured(6.0, 1.0)},
        "verdict.sign_words": {"name": "cut_form"}, "verdict.share_of": {"name": "roe_deer"},
        "readings.misread_within": {"kinds": ["whole", "whole", "torn", "torn", "torn", "torn"]},
        "likelihood.misreading": {"name": "cut_form"}, "likelihood.is_weighed": {"name": "cut_form"},
        "check.by_rules": {"case": given["cases"][0]}, "check.verdict_of": {"case": given["cases"][0]},
        "check.own_sources": {"case": given["cases"][0]}, "check.without_own": {"case": given["cases"][0]},
        "observers.guided": {"seen": given["wound"].answers}, "observers.shuffled": {"seen": given["wound"].answers},
        "ranges.residence": {"place": given["place"]},
        "readings.choice_reading": {"sign": Answer("torn")}, "prior.prior_words": {"own": {"roe_deer": 2.0}},
        "prior.common_of": {"entry": given["entry"]},
        "verdict.judge": {"place": "DE", "prior": {"roe_deer": 2.0}}, "observers.class_of": {},
        "believe.summed": {"scored": given["scored"]}, "check.reliability": {"scored": given["scored"]},
        "here.seen_there": {}, "reach.depths_of": {},
    }


@pytest.mark.parametrize("name", sorted(set(PUBLIC) - PRINTS))
def test_a_public_function_answers_within_its_limits_or_says_why_it_cannot(name: str, given: dict[str, Any]) -> None:
    good = good_for(name, PUBLIC[name], given, special(given))
    answers_or_refuses(PUBLIC[name], good, name, times=0 if name in INNER else None, passing=(*EMPTY,
        np.ndarray) if name in EMPTY_ROWS else EMPTY)


def test_what_is_passed_over_is_there() -> None:
    assert set(PUBLIC) >= PRINTS | INNER


NAN = float("nan")
REFUSED = {
    "answers that are told are counted": lambda: ask.would_change(judge({}), NAN),  # type: ignore[arg-type]
    "the seed of drawn wounds is whole": lambda: worlds.draw_wounds(1, ("DE",), NAN),  # type: ignore[arg-type]
    "wounds are drawn somewhere": lambda: worlds.draw_wounds(1, (), 1),
    "the seed of a check is whole": lambda: believe.drawn(1, seed=NAN),  # type: ignore[arg-type]
    "the seed of a person is whole": lambda: observers.seen_by(worlds.Wound("roe_deer", "DE", {}), -1),
    "a group that there is not has no lineage": lambda: tree.lineage_of("castle"),
    "nor a top": lambda: tree.top_group("castle"),
    "a level lies below one": lambda: check.clopper_pearson(3, 10, 95.0),
    "a count is at most the number": lambda: check.clopper_pearson(11, 10),
    "no case has no difference": lambda: check.paired_difference([], []),
    "a list of areas that there is not holds none": lambda: known_ranges.spread(["castle"]),
    "snow has a depth": lambda: reach.depths_of({}, NAN, {}),
    "a source that there is not has no lineage": lambda: tables.lineage("castle"),
    "a range runs upwards": lambda: tables.range_table({"MEM": [2.0, 9.0]}, 1.0, 0.5, "roe deer's height"),
    "a probability is a number": lambda: verdict.by_group(catalogue(), {"roe_deer": NAN}),
    "a culprit that there is not has no group": lambda: verdict.by_group(catalogue(), {"castle": 0.5}),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_none_is_refused_in_one_line(what: str) -> None:
    with pytest.raises(CannotUse) as told:
        REFUSED[what]()
    assert "\n" not in str(told.value)
