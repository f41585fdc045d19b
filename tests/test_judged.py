"""What was confirmed from outside teaches the prior, visibly and reversibly; the wounds of a site are judged together."""

import json
from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.culprits.catalogue import NOT_LISTED
from diagnose.culprits.prior import read_prior
from diagnose.diagnosis import Circumstances, diagnose_answers, diagnose_wounds
from diagnose.fieldlog import save_diagnosis
from diagnose.fieldlog.judged import confirmed_in, wounds_of
from diagnose.fieldlog.store import Log, open_log
from diagnose.signs import parse_signs

CLEAN = parse_signs({"wound": "severed_shoot", "cut_form": "clean"})
TOP = parse_signs({"wound": "severed_shoot", "cut_form": "torn", "position": "high"})
FOOT = parse_signs({"wound": "bark_gnawed", "position": "base", "groove_look": "fine_many_angles", "runs": "grass_runs"})


def _log(tmp_path: Path) -> Log:
    return open_log(tmp_path / "log")


def test_only_namings_confirmed_from_outside_teach_and_each_plant_and_visit_once(tmp_path: Path) -> None:
    log = _log(tmp_path)
    common = {"site": "Home", "plant": "A7", "taken_at": "2026-03-09", "named": "hare"}
    for _ in range(3):
        log.save_observation(**common, confirmed="camera")
    log.save_observation(**{**common, "plant": "A8"}, confirmed="DNA")
    log.save_observation(**{**common, "plant": "A9"})  # accepted, not confirmed
    assert confirmed_in(log) == {"hare": 2.0}
    assert confirmed_in(log, site="Elsewhere") == {}


def test_taking_a_confirmation_back_undoes_what_it_taught(tmp_path: Path) -> None:
    log = _log(tmp_path)
    seen = log.save_observation(site="Home", named="hare", confirmed="animal seen")
    assert confirmed_in(log) == {"hare": 1.0}
    log.correct(seen.id, confirmed="")
    assert confirmed_in(log) == {}


def test_a_confirmation_that_is_none_is_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(CannotUse, match="animal seen, camera, DNA"):
        _log(tmp_path).save_observation(site="Home", named="hare", confirmed="I accepted it")


def test_confirmed_wounds_sharpen_the_verdict_and_say_so() -> None:
    plain = diagnose_answers(CLEAN, Circumstances("east")).verdict
    taught = diagnose_answers(CLEAN, Circumstances("east", confirmed={"hare": 8.0})).verdict
    assert taught.culprits["hare"] > plain.culprits["hare"]
    assert not plain.moved_by
    assert any("confirmed" in words and "8" in words for words in taught.as_json()["prior"])
    assert taught.with_sign("position", parse_signs({"position": "low"})["position"]).moved_by == taught.moved_by


def test_an_own_prior_moves_the_verdict_and_never_silences_what_is_not_listed(tmp_path: Path) -> None:
    (tmp_path / "prior.yaml").write_text("hare: 3\nrabbit: 1\n")
    own = read_prior(tmp_path / "prior.yaml")
    verdict = diagnose_answers({}, Circumstances("east", prior=own)).verdict
    assert verdict.culprits["hare"] == pytest.approx(3 * verdict.culprits["rabbit"])
    assert verdict.culprits[NOT_LISTED] >= 0.05
    assert "your own weights" in verdict.moved_by[0]


@pytest.mark.parametrize("text", ["", "unicorn: 3", "hare: much", "hare: -1", "hare: 0", "- hare", "hare: [", "hare: .nan"])
def test_a_prior_that_is_none_gets_one_line(tmp_path: Path, text: str) -> None:
    (tmp_path / "prior.yaml").write_text(text)
    with pytest.raises(CannotUse) as refused:
        read_prior(tmp_path / "prior.yaml")
    assert "\n" not in str(refused.value)


# common practice, no source
def test_the_barrier_of_several_wounds_stops_the_culprits_of_each() -> None:
    each = [diagnose_answers(signs, Circumstances("east")) for signs in (TOP, FOOT)]
    both = diagnose_wounds(each)
    assert set(both.together.at_work) == {"deer", "vole"}
    assert set(both.barrier.culprits) == set(each[0].barrier.culprits) | set(each[1].barrier.culprits)
    for one in each:
        for name, figure in one.barrier.figures().items():
            if name == "least height":
                assert both.barrier.height is not None and both.barrier.height.value_mm >= figure.value_mm


def test_the_wounds_of_a_site_in_the_log_are_judged_together(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = _log(tmp_path)
    for plant, signs in (("A1", TOP), ("A2", FOOT)):
        save_diagnosis(log, diagnose_answers(signs, Circumstances("east")), site="Home", plant=plant,
                       taken_at="2026-03-09")
    assert set(wounds_of(log, "Home", region="east").together.at_work) == {"deer", "vole"}
    assert set(wounds_of(log, "Home", plant="A2").together.at_work) == {"vole"}
    with pytest.raises(CannotUse, match="no wound"):
        wounds_of(log, "Nowhere")
    assert main(["log", "together", "--log", str(tmp_path / "log"), "--site", "Home", "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)["at_work"]) == {"deer", "vole"}


def test_the_command_takes_several_wounds_a_prior_and_a_log_to_learn_from(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = _log(tmp_path)
    log.save_observation(site="Home", named="hare", confirmed="camera")
    (tmp_path / "top.yaml").write_text("wound: severed_shoot\ncut_form: torn\nposition: high\n")
    (tmp_path / "foot.yaml").write_text("wound: bark_gnawed\nposition: base\ngroove_look: fine_many_angles\n")
    files = ["--signs", str(tmp_path / "top.yaml"), "--signs", str(tmp_path / "foot.yaml")]
    assert main(["ask", *files, "--region", "east"]) == 0
    shown = capsys.readouterr().out
    assert "Wound 2" in shown and "At work here: deer and voles" in shown
    assert main(["ask", *files[:2], "--region", "east", "--learn-from", str(tmp_path / "log")]) == 0
    assert "prior: sharpened by what was confirmed here" in capsys.readouterr().out
