"""What a crew wrote down comes out of the log as the survey it is, with the verdicts of the wounds beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.store import open_log
from diagnose.survey.from_log import enter, import_tally, keep_plots, survey_table, visits
from diagnose.survey.position import on_one_grid
from diagnose.survey.summary import summarise
from diagnose.survey.tally import read_tally

HEAD = "site,visit,plot,plot_area_m2,reached,tree,species,height_cm,browsed,protection,alive,note\n"


def _file(folder: Path) -> Path:
    rows = [f"slope,2026-04-01,P{plot},100,1,P{plot}-{tree},oak,{50 + tree},{int((plot + tree) % 3 == 0)},,1,"
            for plot in range(9) for tree in range(6)]
    file = folder / "tally.csv"
    file.write_text(HEAD + "\n".join([*rows, "slope,2026-04-01,P9,100,1,,,,,,,empty plot"]) + "\n")
    return file


def test_a_tally_through_the_log_gives_the_same_survey_as_the_file(tmp_path: Path) -> None:
    file = _file(tmp_path)
    log = open_log(tmp_path / "log")
    kept, refused = import_tally(log, file)
    assert (kept, refused) == (55, [])
    straight, through = summarise(read_tally(file)[0]), summarise(survey_table(log, "slope"))
    assert through.unprotected == straight.unprotected
    assert (through.plots, through.empty_plots, through.trees) == (straight.plots, straight.empty_plots, straight.trees)


def test_writing_an_entry_again_corrects_it_and_keeps_what_stood_before(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    entry = {"site": "s", "visit": "2026-04-01", "plot": "1", "tree": "7", "species": "oak", "browsed": "0"}
    assert enter(log, [entry], "AB") == (1, [])
    assert enter(log, [entry], "AB") == (0, [])
    assert enter(log, [{**entry, "browsed": "1"}], "CD") == (1, [])
    (row,) = log.records("tally").itertuples()
    assert row.entry["browsed"] == "1"
    history = log.record("tally", row.id)["history"]
    assert [change["by"] for change in history] == ["AB", "CD"]


def test_an_impossible_entry_is_refused_and_the_others_are_kept(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    good = {"site": "s", "visit": "2026-04-01", "plot": "1", "tree": "1", "species": "oak", "browsed": "0"}
    bad = [{**good, "tree": "2", "height_cm": "tall"}, {**good, "tree": "3", "visit": "2999-01-01"}]
    kept, refused = enter(log, [good, *bad])
    assert kept == 1
    assert [row.line for row in refused] == [2, 3]


def test_a_browsed_tree_counts_for_the_culprits_of_its_wound_and_an_unhurt_one_for_none(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    base = {"site": "s", "visit": "2026-04-01", "plot": "1", "species": "oak"}
    enter(log, [{**base, "tree": "1", "browsed": "1"}, {**base, "tree": "2", "browsed": "0"},
                {**base, "tree": "3", "browsed": "1"}])
    log.save_observation(site="s", plant="1", taken_at="2026-04-01T10:00:00", verdict={"groups": {"deer": 0.7, "vole": 0.3}})
    log.save_observation(site="s", plant="2", taken_at="2026-04-01T10:00:00", verdict={"groups": {"deer": 1.0}})
    log.save_observation(site="s", plant="3", taken_at="2025-04-01T10:00:00", verdict={"groups": {"deer": 1.0}})
    table = survey_table(log).set_index("tree")
    assert table.loc["1", ["share_deer", "share_vole"]].tolist() == [0.7, 0.3]
    assert table.loc["2", "share_deer"] == 0
    assert table.loc["3", "share_deer"] == 0  # last year's wound is not this year's


def test_plots_give_their_area_and_place(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    log.save("plot", site="s", name="1", area_m2=50.0, lat=46.0, lon=-71.0)
    log.save("plot", site="s", name="2", area_m2=50.0, lat=46.001, lon=-71.0)
    base = {"site": "s", "visit": "2026-04-01", "species": "oak", "browsed": "1"}
    enter(log, [{**base, "plot": "1", "tree": "1"}, {**base, "plot": "2", "tree": "1"}])
    table = survey_table(log)
    assert table["plot_area_m2"].tolist() == [50.0, 50.0]
    placed, epsg, said = on_one_grid(table)
    assert (epsg, said) == (32619, ())
    assert placed["y"].max() - placed["y"].min() == pytest.approx(111.2, abs=0.5)  # a minute of latitude is 1,853 m


def _planned(*plots: tuple[str, str]) -> list[dict[str, object]]:
    return [{"site": "s", "plot": plot, "plot_area_m2": 50.0, "x": x, "y": "46.0"} for plot, x in plots]


def test_trees_written_down_without_area_and_place_have_those_of_the_plan_that_was_kept_before(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    log.save("plot", site="s", name="our stake")
    keep_plots(log, _planned(("1", "8.1"), ("2", "8.2"), ("3", "8.3")), "AB")
    enter(log, [{"site": "s", "visit": "2026-04-01", "plot": "1", "tree": "1", "species": "oak", "browsed": "0"}])
    table = survey_table(log, "s")
    assert table[["plot_area_m2", "x", "y", "crs"]].values.tolist() == [[50.0, 8.1, 46.0, "EPSG:4326"]]
    # another plan with fewer plots: nobody has been at 2 and 3, and where somebody was the plot stays, as does a crew's own
    assert keep_plots(log, _planned(("1", "8.6"), ("2", "8.7")), "CD") == ["1"]
    plots = log.records("plot", site="s")
    assert dict(zip(plots["name"], plots["lon"].fillna(0.0), strict=True)) == {"our stake": 0.0, "1": 8.1, "2": 8.7}
    assert keep_plots(log, []) == [] and len(log.records("plot", site="s")) == 3
    assert keep_plots(log, _planned(("1", "8.1"), ("2", "8.7")), "CD") == []  # just as they are


def test_a_plan_leaves_plots_that_no_plan_laid_and_gives_no_place_to_what_was_tallied_before(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    log.save("plot", site="s", name="1", area_m2=20.0, lat=45.0, lon=7.0)
    log.save("plot", site="s", name="9")
    enter(log, [{"site": "s", "visit": "2026-04-01", "plot": "2", "tree": "1", "species": "oak", "browsed": "0"}])
    assert keep_plots(log, _planned(("1", "8.1"), ("2", "8.2"), ("3", "8.3")), "AB") == ["1", "2"]
    plots = log.records("plot", site="s").set_index("name")
    assert sorted(plots.index) == ["1", "3", "9"] and plots.loc["1", "area_m2"] == 20.0
    assert survey_table(log, "s")["plot_area_m2"].isna().all()


def test_a_plot_on_which_something_was_seen_stays_when_the_next_plan_has_fewer(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    keep_plots(log, _planned(("1", "8.1"), ("2", "8.2"), ("3", "8.3")), "AB")
    log.save("observation", site="s", plot="3")
    keep_plots(log, _planned(("1", "8.1")), "CD")
    assert sorted(log.records("plot", site="s")["name"]) == ["1", "3"]


def test_a_log_without_entries_says_what_to_do(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    assert visits(log).empty
    with pytest.raises(CannotUse, match="no tally"):
        survey_table(log)
