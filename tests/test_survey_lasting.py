"""How long barriers last."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.store import Log, open_log
from diagnose.protect.ground import square_ground
from diagnose.protect.options import compare
from diagnose.protect.planting import planting
from diagnose.protect.read import read_settings
from diagnose.report.survey_report import survey_html, survey_pdf
from diagnose.survey.estimate import Estimate
from diagnose.survey.lasting import (
    cost_per_tree_saved,
    lasting_of,
    own_lives,
    own_lives_file,
    survival,
    watched,
)
from diagnose.survey.summary import summarise


def test_curves_and_errors_are_those_of_statsmodels() -> None:
    right = pytest.importorskip("statsmodels.duration.survfunc").SurvfuncRight
    rng = np.random.default_rng(0)
    years, failed = np.round(rng.exponential(3, 60), 1), rng.binomial(1, 0.6, 60)
    told, found = right(years, failed), survival(years, failed)
    mine = [found.at(time) for time in told.surv_times]
    assert [one.value for one in mine] == pytest.approx(list(told.surv_prob))
    # statsmodels gives Greenwood's error; the log(-log) limits follow from it
    for one, share, sigma in zip(mine, told.surv_prob, told.surv_prob_se, strict=True):
        if 0 < share < 1:
            spread = 1.959964 * sigma / (share * abs(math.log(share)))
            limits = sorted((share ** math.exp(spread), share ** math.exp(-spread)))
            assert (one.low, one.high) == pytest.approx(limits, rel=1e-5)


def test_dates_the_wrong_way_round_are_told() -> None:
    with pytest.raises(CannotUse, match="before it was built"):
        survival([-1, 2], [1, 0])


def test_a_tree_saved_costs_more_than_a_tree_protected() -> None:
    saved = Estimate(0.4, 0.25, 0.5, 0.95, "", 100, 20)
    found = cost_per_tree_saved(6, saved)
    assert (found.low, found.value, found.high) == pytest.approx((12, 15, 24))
    assert cost_per_tree_saved(6, Estimate(0.1, -0.1, 0.3, 0.95, "", 9, 3)).high == math.inf
    assert cost_per_tree_saved(6, Estimate(-0.1, -0.2, 0.1, 0.95, "", 9, 3)) is None


@pytest.fixture
def register(tmp_path: Path) -> Log:
    """Twelve cages put up in 2018, six of them found failed a year apart, and a tube that nobody looked at."""
    log = open_log(tmp_path / "log")
    for number in range(12):
        cage = log.save("barrier", site="slope", plant=str(number), form="cage", built="2018-01-01",
                        figures={"part": "welded_cage"})
        log.save("check", barrier=cage, day="2018-12-31", finding="leaning")
        if number < 6:
            log.save("check", barrier=cage, day=f"{2019 + number}-01-01", finding="gnawed")
            log.save("check", barrier=cage, day="2026-01-01", finding="sound")  # mended later: it had failed all the same
        else:
            log.correct(cage, kind="barrier", removed="2024-01-01")
    log.save("barrier", site="slope", form="mesh tube", built="2018-01-01")
    log.save("barrier", site="other", form="cage", built="2018-01-01", removed="2019-01-01")
    return log


def test_the_register_tells_how_long_barriers_were_watched(register: Log) -> None:
    seen = watched(register, "slope")
    assert set(seen["kind"]) == {"cage"} and len(seen) == 12 and seen["failed"].sum() == 6
    assert sorted(seen["years"].round()) == [1, 2, 3, 4, 5, *[6] * 7]
    curve = lasting_of(seen)["cage"]
    # counted by hand: of 12, one fails each year; in the sixth seven are watched and one of them fails
    assert [round(share, 6) for share in curve.share[:5]] == [round(x / 12, 6) for x in (11, 10, 9, 8, 7)]
    assert curve.share[-1] == pytest.approx(0.5)
    assert len(watched(register)) == 13 and watched(open_log(Path(register.where).parent / "empty")).empty


def test_own_lives_stand_in_a_plan_in_place_of_the_published_ones(register: Log, tmp_path: Path) -> None:
    own = tmp_path / "own.yaml"
    own.write_text(own_lives_file(watched(register)))
    prices = read_settings(own)
    assert prices == own_lives(watched(register)) == {"welded_cage": {"life_years": 6.0}}
    place = planting(square_ground(2_000), 40, ["deer_browsing"], years=20)
    less = planting(square_ground(2_000), 40, ["deer_browsing"], years=20, prices={"welded_cage": {"life_years": 3.0}})
    cost = {one.keys: one.barriers for one in compare(place)}
    mine = {one.keys: one.barriers for one in compare(less)}
    assert mine["welded_cage",] > cost["welded_cage",]  # a cage that lasts less long is renewed more often
    assert own_lives(watched(register).head(5)) == {} and "None yet" in own_lives_file(watched(register).head(5))


def test_the_report_shows_the_curves_and_what_a_saved_tree_cost(register: Log) -> None:
    rng = np.random.default_rng(3)
    trees = pd.DataFrame({"site": "slope", "plot": np.repeat(np.arange(20), 10).astype(str),
                          "tree": np.arange(200).astype(str), "protection": np.where(np.arange(200) % 2, "cage", "")})
    trees["browsed"] = rng.binomial(1, np.where(trees["protection"] == "cage", 0.05, 0.5))
    told: list[float] = []
    survey = summarise(trees, lasting=lasting_of(watched(register, "slope")), cost_per_tree=12.0, redraw=400,
                       progress=told.append)
    assert survey.saved_redrawn is not None and survey.saved_redrawn.value is not None and told[-1] == 1.0
    assert survey.cost is not None and survey.saved is not None and survey.saved.value is not None
    assert survey.saved_redrawn.value == pytest.approx(survey.saved.value)
    assert survey.cost.value == pytest.approx(12 / survey.saved.value)
    assert survey.as_json()["lasting"]["cage"]["barriers"] == 12
    page = survey_html(survey)
    assert "How long barriers last" in page and "What it cost" in page and "58 % (" in page  # 7 of 12 after five years
    assert survey_pdf(survey).startswith(b"%PDF")
