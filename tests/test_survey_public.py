"""Every public function of survey answers within its limits and never with nan, or says why it cannot."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from shapely import box

import diagnose.survey as room
from diagnose.fieldlog.store import open_log
from diagnose.survey.boundary import Ground
from diagnose.survey.decide import decide
from diagnose.survey.from_log import import_tally
from diagnose.survey.lasting import Survival, survival
from diagnose.survey.layout import lay_out
from diagnose.survey.plan import Known, made
from diagnose.survey.proportion import independent
from diagnose.survey.stopping import StoppingRule
from diagnose.survey.tally import RefusedRow
from diagnose.survey.target import BROWSED, PER_HA, Target
from diagnose.survey.where import RateMap
from tests.nonsense import answers_or_refuses, good_for, public

PUBLIC = public(room)
# not called: what prints the table of coverage, for minutes
PRINTS = {"coverage.main", "coverage.table"}
# given good values only: the arrays that they work on were checked before by the function that calls them
INNER = {"clumped.too_few", "clumped.enough", "clumped.moments", "decide.decided", "proportion.logit_limits",
         "sure.sure_limits", "design.pivotal", "tally.joined"}


FIELD = {"type": "Polygon", "coordinates": [[[9, 47], [9.01, 47], [9.01, 47.01], [9, 47]]]}
# limits of a curve where nothing failed yet, and ground without a plot near, are empty (nan) in these
EMPTY = (Survival, RateMap)


def trees_of(plots: int = 6) -> pd.DataFrame:
    """An invented visit: eight trees on each plot."""
    rng = np.random.default_rng(5)
    return pd.DataFrame([{
        "site": "wood", "visit": "2026-03-31", "plot": str(plot), "plot_area_m2": 50.0, "reached": 1.0, "x": 20.0 * plot,
        "y": float(37 * plot % 100), "tree": str(tree), "protection": "mesh tube" if tree % 4 == 0 else "", "species": "oak",
        "height_class": "under 50 cm", "height_cm": 40.0, "alive": 1.0, "severity": 1.0,
        "browsed": float(rng.random() < 0.4),
        "protected": float(tree % 4 == 0), "share_deer": 0.8, "share_hare": 0.2,
    } for plot in range(plots) for tree in range(8)])


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A good value for each name that a parameter of survey has."""
    folder = tmp_path_factory.mktemp("public")
    trees, ground = trees_of(), Ground(box(0, 0, 200, 100), 32632)
    target, rule = Target(PER_HA, 1100.0), StoppingRule()
    (folder / "wood.geojson").write_text(json.dumps(FIELD))
    (folder / "tally.csv").write_text("site,visit,plot,tree,species,browsed\nwood,2026-03-31,1,1,oak,1\n")
    (folder / "targets.yaml").write_text("- {kind: trees_per_ha, value: 1100}\n")
    log = open_log(folder / "log")
    import_tally(log, folder / "tally.csv")
    layout = lay_out(ground, 6, seed=1)
    (folder / "plan.yaml").write_text(PUBLIC["plan.made"]("wood", layout, 50.0, target).as_yaml())
    counts, areas = np.array([5.0, 7.0, 3.0, 9.0, 6.0]), np.array([50.0, 50.0, 50.0, 25.0, 50.0])
    few, lots = [1, 2, 0, 3], [8, 7, 6, 9]
    xy = np.array([(10.0 * at, float(37 * at % 100)) for at in range(12)])
    lasted = pd.DataFrame({"site": "wood", "kind": ["tube"] * 6, "part": ["mesh_tube"] * 6, "years": [1.0, 2, 3, 4, 5, 5],
        "failed": [1, 0, 1, 0, 0, 1]})
    return {
        "trees": trees, "level": 0.95, "doubt": 0.1, "plots_in_all": 400, "boundary": box(0, 0, 200, 100), "lon": 9.0,
        "lat": 47.0, "browsed1": few, "trees1": lots, "browsed2": [2, 2, 1, 4], "trees2": lots, "reach_cm": 180.0,
        "y1": few, "m1": lots, "y2": [2, 2, 1, 4], "m2": lots, "plots": 6, "target": target, "counts": counts,
        "areas": areas,
        "areas_m2": areas, "error": 0.05, "x1": 5, "n1": 20, "x2": 9, "n2": 22, "a": 5, "b": 4, "c": 2, "d": 9, "x": 5,
        "n": 20, "share": 0.3, "likeness": 0.1, "uneven": 0.3, "rng": np.random.default_rng(1), "runs": 20, "rule": rule,
        "seed": 1, "refused": [RefusedRow(2, "no plot", {})], "plot_area_m2": 50.0, "distances_m": [1.0, 2.5, 3.0, 0.5],
        "within_m": 3.0, "k": 3,
        "kth_distance_m": [3.0, 4.5, 2.0, 6.0], "heights_by_plot": [[40.0, 50.0], [30.0, 45.0, 60.0]], "tallest": 2,
        "per_ha": 1100.0, "slope_percent": 20.0, "radius_m": 4.0, "area_m2": 50.0, "centre": (5.0, 5.0), "tree": (6.0, 5.0),
        "rmse_m": 3.0, "width_m": 20.0, "height_m": 10.0, "trees_a_plot": 10.0, "spread": 0.3, "half_width": 0.1,
        "effect": 1.5, "of_all": 4000, "power": 0.8, "sizes": [1.0, 2.0, 3.0], "area": box(0, 0, 200, 100), "count": 5,
        "points": xy, "chances": np.full(12, 0.25), "ground": ground, "distance_m": 5.0, "order": list(range(12)),
        "note": "no plot", "unit": "share", "frame": trees, "every_visit": trees, "targets": [target],
        "country": "Switzerland",
        "found": (decide(target, counts, areas),), "mean": 5.5, "clumped": 0.5, "shape": (3, 4), "kind": "gamma clumps",
        "leader_browsed": 1.0, "laterals_seen": 6.0, "laterals_browsed": 2.0, "name": "species", "log": log,
        "entries": [], "planned": [], "file": folder / "tally.csv", "path": folder / "wood.geojson",
        "years": [1.0, 2.0, 3.0], "failed": [1, 0, 1],
        "table": np.array([[20.0, 5.0], [4.0, 30.0]]), "cost_per_tree": 5.0, "saved": independent(5, 20),
        "text": "site: wood",
        "known": Known(), "plot_m2": 50.0, "layout": layout, "site": "wood", "browsed": few, "unsure": 0.2,
        "browsed_plots": 3, "classes": 3, "seen": independent(5, 20), "sensitivity": 0.9, "specificity": 0.95,
        "y": counts, "looks": 3, "limits": [2.0, 2.1, 2.2],
        "entry": {"plot": "1", "tree": "1", "browsed": 1}, "source": folder / "tally.csv", "words": "1100/ha",
        "row": target.as_json(),
        "species": "oak", "estimate": independent(5, 20), "xy": xy, "rates": np.linspace(0.1, 0.6, 12), "neighbours": 4,
        "draws": 20, "part": few, "whole": lots, "values": [1.0, 2.0], "what": "Trees", "value": 3.0, "visited": 6,
        "age": 2.0,
        "first": trees, "second": trees.assign(visit="2027-03-31"), "verdicts": [{"deer": 1.0}] * len(trees),
        "height_cm": trees["height_cm"], "epsg": 32632, "lasted": lasted, "most": 60, "variation": 0.8, "difference": 0.3,
        "protected": independent(3, 20), "unprotected": independent(9, 22), "by": ("species",),
        "among": [target], "chosen": [target], "survey": PUBLIC["summary.summarise"](trees), "asked": None,
    }


def special(given: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Good values where a name means something else than elsewhere."""
    xy, trees, one, two = given["xy"], given["trees"], independent(5, 20), independent(9, 22)
    shares = {"x": [5, 9], "n": [20, 22]}
    by_count = {"browsed": given["browsed1"], "trees": given["trees1"]}
    by_plot = {"xy": xy, "browsed": np.ones(12), "trees": np.full(12, 8.0)}
    return {
        "boundary.from_geojson": {"given": FIELD},
        "boundary.from_degrees": {"boundary": box(9, 47, 9.01, 47.01)},
        "change.state": {"tree": trees.iloc[0]}, "change.trend_of_independent": shares,
        "change.trend_on_plots": {"trees": pd.concat([trees, trees.assign(visit="2027-03-31")])},
        "compare.difference": {"first": one, "second": two, "method": "square and add"},
        "compare.rao_scott": {"browsed": [given["browsed1"], given["browsed2"]], "trees": [given["trees1"],
            given["trees2"]]},
        "compare.homogeneity": {**shares, "method": "chi-square"}, "compare.mcnemar": {"b": 5, "c": 2},
        "compare.bootstrap_of_plots": {"protected": "protected"},
        "compare.mantel_haenszel": {"tables": np.array([[[5.0, 15.0], [9.0, 13.0]], [[2.0, 8.0], [4.0, 6.0]]])},
        "coverage.planting": {"plots": 5, "trees": 8}, "coverage.covered": {"plots": 5, "trees": 8},
        "decide.decide": {"first": given["counts"], "second": given["areas"]},
        "decide.decided": {"y": given["counts"][None], "w": given["areas"][None]},
        "decide.plots_more": {"y": given["counts"], "w": given["areas"], "most": 20},
        "clumped.too_few": {"mean": np.array([5.5]), "variance": np.array([7.0]), "target": 6.0},
        "clumped.enough": {"mean": np.array([5.5]), "variance": np.array([7.0]), "target": 6.0},
        "density.inside_area": {"x": 1.0, "y": 1.0}, "density.tally_twice": {"boundary": box(0, 0, 200, 100)},
        "design.trees_to_see_a_change": {"first": 0.3, "second": 0.5}, "design.grid": {"step_m": 30.0},
        "design.walking_order": {"start": (0.0, 0.0)},
        "follows.by_part": {"found": []}, "forests.browsed_trees": {"trees": np.full((3, 4), 8.0)},
        "from_log.import_tally": {"by": "AB"}, "from_log.enter": {"by": "AB"}, "from_log.survey_table": {"day": None},
        "lasting.survival": {"kind": "tube"}, "lasting.lasting_of": {"table": given["lasted"], "by": "kind"},
        "lasting.own_lives": {"table": given["lasted"]}, "lasting.own_lives_file": {"table": given["lasted"]},
        "lasting.watched": {"site": None},
        "plan.read_plan": {"path": given["file"].with_name("plan.yaml")}, "layout.lay_out": {"seed": 1, "plots": 6},
        "plan.plan_of": {"text": given["file"].with_name("plan.yaml").read_text()}, "plan.made": {"kind": "one addition"},
        "plan.planned_plots": {"plan": made("wood", given["layout"], 50.0, None)},
        "plan.asked_plots": {"kind": "one addition", "expect": 0.3, "margin": 0.1, "change": 0.2},
        "plan.size_of": {"transect": None}, "plan.seen_before": {"target": None},
        "planning.plots_to_decide": {"most": 600}, "proportion.likeness": by_count, "proportion.by_likeness": by_count,
        "proportion.clustered": by_count,
        "proportion.share_browsed": {"value": "browsed"}, "proportion.independent": {"method": "Wilson"},
        "sure.sure_limits": {"browsed": np.array([[1.0, 2, 0]]), "trees": np.array([[8.0, 8, 8]])},
        "choosing.target_of_country": {"species": "ash"},
        "proportion.logit_limits": {"browsed": np.array([[1.0, 2, 0]]), "trees": np.array([[8.0, 8, 8]])},
        "frame.plot_totals": {"value": "browsed", "by": ()}, "quality.many_crews": {"counts": np.array([[3, 1], [2, 2], [0,
            4]])},
        "tally.joined": {"tallies": [(trees, []), (trees.assign(plot="9"), [])]},
        "ratio.ratio_of_totals": {"y": given["browsed1"], "x": given["trees1"]},
        "stopping.chance_to_cross": {"drift": 0.0}, "stopping.nominal": {"plots": 6},
        "summary.summarise": {"targets": [given["target"]], "by": None, "redraw": 0, "lasting": {"tube": survival([1, 2,
            3], [1, 0, 1])}},
        "tally.doubts": {"before": None}, "tally.framed": {"frame": trees}, "tally.grid_of": {"name": "EPSG:32632"},
        "target.read_targets": {"path": given["file"].with_name("targets.yaml")}, "target.from_record": {"name": "own"},
        "target.band": {"estimate": one}, "position.on_one_grid": {"trees": trees},
        "where.rate_map": {**by_plot, "bandwidth_m": 30.0, "cells": 8}, "where.distance_to_edge": {"xy": xy},
        "where.rate_by_distance": {"distance_m": np.arange(12.0), "rates": given["rates"]},
        "given.numbers": {"values": [1.0, 2.0]}, "given.a_share": {"what": "A share"},
        "attribution.with_shares": {"trees": trees.drop(columns=["share_deer", "share_hare"])},
    }


@pytest.mark.parametrize("name", sorted(set(PUBLIC) - PRINTS))
def test_a_public_function_answers_within_its_limits_or_says_why_it_cannot(name: str, given: dict[str, Any]) -> None:
    good = good_for(name, PUBLIC[name], given, special(given))
    answers_or_refuses(PUBLIC[name], good, name, times=0 if name in INNER else None, passing=EMPTY)


def test_what_is_passed_over_is_there() -> None:
    assert set(PUBLIC) >= PRINTS | INNER and Path(room.__path__[0]).is_dir() and BROWSED
