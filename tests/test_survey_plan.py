"""A survey from nothing to the decision: laid out, planned, tallied, decided; by the command as by the library."""

from __future__ import annotations

import json
import math
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.fieldlog.store import open_log
from diagnose.survey.boundary import Ground, from_geojson, read_ground
from diagnose.survey.choosing import chosen_target
from diagnose.survey.design import walking_order
from diagnose.survey.from_log import import_tally, survey_table
from diagnose.survey.layout import lay_out, start_of
from diagnose.survey.plan import (
    Asked,
    Known,
    asked_plots,
    chosen_in,
    made,
    plan_of,
    planned_plots,
    read_plan,
    seen_before,
    size_of,
)
from diagnose.survey.position import on_one_grid
from diagnose.survey.stopping import ADDITION, MANY, StoppingRule
from diagnose.survey.tally import TALLY, read_tally
from diagnose.survey.target import own_target

EAST, NORTH = 0.0071, 0.0050  # degrees that make 30 ha at 47 degrees north


def ground_of(parts: bool = True) -> dict:
    def box(west: float, east: float) -> list:
        return [[[8 + west, 47], [8 + east, 47], [8 + east, 47 + NORTH], [8 + west, 47 + NORTH], [8 + west, 47]]]

    halves = [("slope", 0.0, 0.004), ("valley", 0.004, EAST)] if parts else [("all", 0.0, EAST)]
    return {"type": "FeatureCollection", "features": [
        {"type": "Feature", "properties": {"part": name}, "geometry": {"type": "Polygon", "coordinates": box(west, east)}}
        for name, west, east in halves]}


@pytest.fixture
def boundary(tmp_path: Path) -> Path:
    file = tmp_path / "ground.geojson"
    file.write_text(json.dumps(ground_of()))
    return file


def tally(places: list, mean: float, seed: int) -> pd.DataFrame:
    rng, rows = np.random.default_rng(seed), []
    for place in places:
        own = {"site": "Hang", "visit": "2026-03-31", "plot": place["plot"], "plot_area_m2": 50.01, "stratum": place["part"],
               "x": place["lon"], "y": place["lat"], "crs": "EPSG:4326"}
        trees = int(rng.poisson(rng.gamma(4, mean / 4)))
        rows += [{**own, "tree": str(at), "species": "oak", "browsed": int(rng.random() < 0.1)} for at in range(trees)]
        rows += [] if trees else [own]
    return pd.DataFrame(rows).reindex(columns=[field.name for field in TALLY])


def test_a_survey_of_30_ha_goes_from_nothing_to_the_decision_by_the_command(
        boundary: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    names = ("yaml", "gpx", "map.pdf", "sheets.pdf", "csv", "pdf", "empty.csv")
    out = {name: str(tmp_path / f"out.{name}") for name in names}
    assert main(["survey", "design", str(boundary), "--site", "Hang", "--strata", "part", "--target", "1100/ha",
                 "--variation", "0.6", "--buffer", "10", "--plan", out["yaml"], "--gpx", out["gpx"], "--map", out["map.pdf"],
                 "--sheets", out["sheets.pdf"], "--tally", out["empty.csv"], "--json"]) == 0
    laid = json.loads(capsys.readouterr().out)
    assert laid["hectares"] == pytest.approx(30, abs=0.1)
    assert len(laid["places"]) == laid["plots"] == sum(laid["strata"].values())
    assert any("10 m of the edge" in note for note in laid["notes"])
    assert Path(out["gpx"]).read_text().count("<wpt") == laid["plots"]
    empty = pd.read_csv(out["empty.csv"], dtype={"plot": str})
    assert empty[["plot", "x", "y"]].to_dict("list") == {
        "plot": [place["plot"] for place in laid["places"]],
        "x": pytest.approx([place["lon"] for place in laid["places"]], abs=1e-6),
        "y": pytest.approx([place["lat"] for place in laid["places"]], abs=1e-6)}
    assert empty["visit"].isna().all() and read_tally(out["empty.csv"])[0].empty  # none of them visited yet
    frame = tally(laid["places"], 2.0, 1)
    bad = {"site": "Hang", "visit": "2026-03-31", "plot": "1", "tree": "99", "species": "oak", "browsed": 7}
    file = tmp_path / "tally.csv"
    pd.concat([frame, pd.DataFrame([bad])]).to_csv(file, index=False)
    mend = tmp_path / "mend.csv"
    assert main(["survey", "estimate", str(file), "--plan", out["yaml"], "--boundary", str(boundary), "--refused", str(mend),
                 "--csv", out["csv"], "--pdf", out["pdf"], "--paper", "Letter"]) == 1  # all but the refused row
    said = capsys.readouterr().out
    assert said.startswith("Act: at most ") and "By part of the ground:" in said
    assert "1 row of the tally was refused" in said
    long = pd.read_csv(out["csv"])
    assert long.loc[long["group"] == "decision_1", "note"].item() in " ".join(said.split())
    again = pd.read_csv(mend, dtype=str)
    assert "none of 1, 0" in again["why"][0]
    again["browsed"] = "1"
    again.to_csv(mend, index=False)
    mended, refused = read_tally(mend)
    assert len(mended) == 1 and not refused


def test_a_published_target_is_chosen_before_the_first_plot_and_decides_by_the_tally_alone(
        boundary: Path, tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    empty, plan = tmp_path / "empty.csv", tmp_path / "plan.yaml"
    design = ["survey", "design", str(boundary), "--site", "Hang", "--strata", "part", "--plots", "30", "--buffer", "15"]
    assert main([*design, "--country", "Switzerland", "--species", "Weisstanne"]) == 2
    said = capsys.readouterr().err
    assert all(key in said for key in ("ch_silver_fir_submontane", "ch_silver_fir_montane", "ch_silver_fir_subalpine"))
    assert main([*design, "--target", "ch_silver_fir_montane", "--country", "Switzerland"]) == 2
    assert "one of the two" in capsys.readouterr().err
    assert main([*design, "--target", "ch_silver_fir_montane", "--plan", str(plan), "--tally", str(empty)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Eiberle & Nigg 1987" in said and "15 m of the edge left out, parts by 'part'" in said
    kept = read_plan(plan)
    assert kept.target is not None and kept.target.value == 0.09  # Eiberle & Nigg 1987
    assert (kept.asked.edge_m, kept.asked.parts_by, kept.asked.plots) == (15, "part", 30)

    rows = pd.read_csv(empty, dtype=str)
    filled = pd.concat([rows.assign(visit="2026-03-31", tree=str(tree), species="Abies alba", browsed="0")
                        for tree in range(8)])
    file = tmp_path / "tally.csv"
    filled.to_csv(file, index=False)
    assert main(["survey", "estimate", str(file), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [one["target"]["key"] for one in told["decisions"]] == ["ch_silver_fir_montane"]
    assert told["decisions"][0]["stopping_rule"] == {"kind": ADDITION, "planned": 30}
    assert told["decisions"][0]["verdict"] == "not needed"
    # the rule of the plan holds too, without its file: nobody looks before the planned number is in
    filled[filled["plot"].astype(int) < 20].to_csv(file, index=False)
    assert main(["survey", "estimate", str(file)]) == 0
    assert capsys.readouterr().out.startswith("Not yet: 19 plots are in, and the plan allows the first look at 30.")
    # and a target that is chosen afterwards is said to be so
    assert main(["survey", "estimate", str(file), "--target", "30% browsed"]) == 0
    assert "another target was chosen after that" in " ".join(capsys.readouterr().out.split())
    # a country alone names no belt: the answer asks
    filled.drop(columns="plan").to_csv(file, index=False)
    assert main(["survey", "estimate", str(file), "--country", "Switzerland"]) == 0
    assert capsys.readouterr().out.startswith("Say which published target of Switzerland for Abies alba holds")


def test_a_tally_through_the_log_keeps_its_plan(tmp_path: Path) -> None:
    ground = from_geojson(ground_of(), "part")
    plan = made("Hang", lay_out(ground, 12, seed=5), 50.0, chosen_target("ie_alder"))
    rows = pd.DataFrame(planned_plots(plan, ground, lay_out(ground, 12, seed=5))).assign(visit="2026-03-31")
    file = tmp_path / "tally.csv"
    rows.to_csv(file, index=False)
    log = open_log(tmp_path / "log")
    assert import_tally(log, file)[0] == 12
    assert chosen_in(survey_table(log, "Hang")) == ((chosen_target("ie_alder"),), StoppingRule(ADDITION, 12), ())
    two = rows.assign(plan=["1100/ha; one look; 12 plots"] + list(rows["plan"])[1:])
    assert chosen_in(two)[:2] == ((), None) and "none is used" in chosen_in(two)[2][0]
    assert "cannot be read" in chosen_in(rows.assign(plan="as we go"))[2][0]
    assert chosen_in(rows.drop(columns="plan")) == ((), None, ())


def test_what_is_asked_and_what_is_laid_out_agree_or_the_difference_is_told() -> None:
    ground = from_geojson(ground_of())
    even = lay_out(ground, 30, seed=3)
    assert len(even.points) == 30 and not even.notes
    square = lay_out(ground, 30, seed=3, even=False)
    assert len(square.points) == 30 or "30 plots were asked for" in square.notes[0]
    wide = lay_out(ground, spacing_m=100.0, seed=3)
    assert 24 <= len(wide.points) <= 36
    parts = lay_out(from_geojson(ground_of(), "part"), 30, seed=3)
    assert sorted(set(parts.parts)) == ["slope", "valley"] and parts.parts.count("slope") == 17  # 0.004 of 0.0071 degrees
    short = lay_out(ground, 30, seed=3, hours=2.0)
    assert "2 were given" in short.notes[-1]
    assert np.array_equal(lay_out(ground, 30, seed=3).points, even.points)  # the random start can be drawn again
    assert start_of("Hang", 30) == start_of("Hang", 30) != start_of("Hang", 30, 1)
    for wrong in ({"plots": None}, {"plots": 30, "spacing_m": 10.0}, {"plots": 30, "buffer_m": 5000.0}):
        with pytest.raises(CannotUse):
            lay_out(ground, **wrong)


def test_a_plan_comes_back_as_it_was_written(tmp_path: Path) -> None:
    ground = from_geojson(ground_of(), "part")
    plan = made("Hang", lay_out(ground, 24, seed=5), size_of(3.99), own_target("70% plots"), MANY, 5, ("a note",),
                Asked(None, 10.0, 50.0, True, "part", 8.0))
    (tmp_path / "plan.yaml").write_text(plan.as_yaml())
    assert read_plan(tmp_path / "plan.yaml") == plan
    told = yaml.safe_load(plan.as_yaml())
    for name, value in (("plots", 1), ("plot_m2", -1), ("stopping_rule", {"kind": "when it suits"}), ("stopping_rule", 3),
                        ("target", {"kind": "x"}), ("strata", {"a": "b"}), ("asked", {"edge_m": -1}), ("asked", {"moon": 1}),
                        ("asked", 3)):
        with pytest.raises(CannotUse):
            plan_of(yaml.safe_dump({**told, name: value}))
    with pytest.raises(CannotUse, match="no plan"):
        plan_of("- 3")


def test_an_earlier_visit_tells_how_plots_vary() -> None:
    trees = pd.DataFrame([{"site": "s", "plot": str(plot), "plot_area_m2": 50.0, "tree": str(tree), "species": "oak",
                           "browsed": float(plot % 2)} for plot in range(10) for tree in range(2 + plot)])
    found = seen_before(trees, own_target("10% browsed"))
    assert found.likeness == pytest.approx(0.95) and found.trees_a_plot == pytest.approx(6.5) and "10 plots" in found.words
    assert "common practice" in seen_before(None).words
    # 95 % limits of a standard deviation from 3 plots: 0.52 and 6.28 of what is seen (chi-square, 2 degrees of freedom)
    equal = trees[trees["tree"].astype(int) < 2].assign(browsed=0.0)
    for plots, lowest in ((3, Known().variation), (9, Known().variation), (10, 0.05)):
        some = seen_before(equal[equal["plot"].astype(int) < plots], own_target("1100/ha"))
        assert some.variation == lowest and ("So few plots" in some.words) == (plots < 10)
    wide = pd.concat([trees[trees["plot"] == "0"], trees[trees["plot"] == "1"].head(1),
                      pd.concat([trees[trees["plot"] == "9"].assign(tree=f"{n}", plot="9") for n in range(20)])])
    assert seen_before(wide, own_target("1100/ha")).variation > Known().variation  # but more may be learned from three
    number, why = asked_plots(own_target("1100/ha"), ADDITION, 50.0, Known(variation=0.5), 10)
    assert number == 10 and "10 are fewer" in why
    with pytest.raises(CannotUse, match="expected"):
        asked_plots(None, ADDITION, 50.0, Known(), margin=0.1)


def test_parts_that_overlap_or_have_no_name_are_refused() -> None:
    ground = ground_of()
    ground["features"][1]["geometry"] = ground["features"][0]["geometry"]
    with pytest.raises(CannotUse, match="overlap"):
        from_geojson(ground, "part")
    with pytest.raises(CannotUse, match="no property"):
        from_geojson(ground_of(), "stand")


def test_a_shapefile_gives_the_same_ground(boundary: Path, tmp_path: Path) -> None:
    geopandas = pytest.importorskip("geopandas")
    geopandas.read_file(boundary).to_crs(25832).to_file(tmp_path / "ground.shp")
    found, same = read_ground(tmp_path / "ground.shp", "part"), read_ground(boundary, "part")
    assert isinstance(found, Ground) and found.area_m2 == pytest.approx(same.area_m2, rel=1e-4)
    assert [name for name, _ in found.strata] == ["slope", "valley"]


def test_positions_on_named_grids_come_onto_one_and_others_are_told() -> None:
    rows = [{"site": "s", "plot": "1", "x": 8.0, "y": 47.0, "crs": "EPSG:4326"},
            {"site": "s", "plot": "2", "x": 424023.0, "y": 5205652.0, "crs": "EPSG:32632"},
            {"site": "s", "plot": "3", "x": 5.0, "y": 5.0, "crs": ""}]
    found, epsg, notes = on_one_grid(pd.DataFrame(rows))
    assert epsg == 32632 and "name no grid" in notes[0] and np.isnan(found["x"][2])
    # the first is the second to within metres: 8 E, 47 N in zone 32 is 424,0 km east, 5,205.6 km north
    assert np.hypot(found["x"][0] - found["x"][1], found["y"][0] - found["y"][1]) < 300
    assert "look like degrees" in on_one_grid(pd.DataFrame(rows[:1]).assign(crs="", x=8.25, y=47.5))[2][0]
    metres, none, said = on_one_grid(pd.DataFrame(rows[1:2]).assign(crs=""))
    assert none is None and metres["x"].tolist() == [424023.0] and "distances between plots" in said[0]


def test_plots_nearer_than_they_are_wide_are_said_to_overlap_and_how_to_count_there() -> None:
    ground = from_geojson(ground_of())
    small, large = lay_out(ground, 30, seed=3), lay_out(ground, 30, seed=3, plot_m2=math.pi * 30**2)
    centres = small.points
    apart = [float(np.hypot(*(a - b))) for at, a in enumerate(centres) for b in centres[:at]]
    assert small.apart_m == pytest.approx(min(apart))
    assert not any("overlap" in note for note in small.notes) and min(apart) > 7.98
    told = next(note for note in large.notes if "overlap" in note)
    assert told.startswith(f"{sum(between < 60 for between in apart)} pairs") and "on both" in told
    assert any("overlap" in note for note in lay_out(ground, 30, seed=3, across_m=min(apart) + 0.1).notes)


def test_a_grid_of_more_plots_than_anybody_walks_is_refused_at_once() -> None:
    with pytest.raises(CannotUse, match="take a wider one"):
        lay_out(from_geojson(ground_of()), spacing_m=1.0)


def test_a_walk_through_thousands_of_plots_is_found_within_seconds() -> None:
    places = np.random.default_rng(5).random((1000, 2)) * 500
    began = time.process_time()
    order = walking_order(places)
    assert time.process_time() - began < 5 and sorted(order.tolist()) == list(range(1000))
