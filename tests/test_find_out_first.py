"""Nothing is to be bought before something was measured or answered and it can be told what did it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from diagnose.cli import main
from diagnose.diagnosis import Diagnosis, diagnose_answers, diagnose_wounds
from diagnose.protect.requirement import require
from diagnose.report.letters import as_html, as_text, letter
from diagnose.report.plain import diagnosis_as_text, sized_line, wounds_as_text
from diagnose.signs import parse_signs

CLEAR = {"wound": "severed_shoot", "cut_form": "torn", "position": "middle"}
OPEN = {"wound": "severed_shoot"}


def _judged(answers: dict[str, str]) -> Diagnosis:
    return diagnose_answers(parse_signs(answers))


def test_with_nothing_known_or_nothing_told_apart_it_is_said_what_to_find_out() -> None:
    nothing = "Do not buy yet: nothing was measured and nothing answered. Find out first:"
    assert _judged({}).find_out_first.startswith(nothing)
    undecided = _judged(OPEN)
    assert undecided.verdict.leading is None
    assert "it cannot be told yet what did it" in undecided.find_out_first and "?" in undecided.find_out_first
    assert _judged(CLEAR).find_out_first == ""


@pytest.mark.parametrize("answers", [{}, OPEN])
def test_who_has_no_more_answers_is_told_which_look_would_settle_it_not_asked_again(answers: dict[str, str]) -> None:
    told = _judged(answers).settle_first
    assert told.startswith("Do not buy yet") and "would settle it" in told and "?" not in told
    assert _judged(CLEAR).settle_first == ""


def test_a_barrier_in_one_sentence_says_the_height_and_the_mesh_that_it_is_bought_by() -> None:
    moose = sized_line(require(["moose"]))  # 3 m, from memory; openings as against elk
    assert moose == "Barrier: cage, against moose: at least 3.00 m high, openings at most 100 mm."
    both = sized_line(require(["roe_deer", "field_vole"]))  # TE5: 1.2 m; EXT-VOLE: 1/4 in
    assert "at least 1.20 m high" in both and "finer mesh 457 mm high, at most 6.4 mm" in both
    assert "1/4 in" in sized_line(require(["field_vole"]), inches=True)
    assert sized_line(require(["grey_squirrel"])) == "Barrier: none helps against this."


@pytest.mark.parametrize("answers", [{}, OPEN])
def test_the_text_gives_no_size_before_there_is_evidence(answers: dict[str, str]) -> None:
    told = diagnosis_as_text(_judged(answers))
    assert "Do not buy yet" in told and "Barrier:" not in told and "largest opening" not in told
    assert "Barrier:" in diagnosis_as_text(_judged(CLEAR))
    assert "Do not buy yet" not in diagnosis_as_text(_judged(CLEAR))


def test_several_wounds_carry_a_barrier_as_soon_as_one_does() -> None:
    assert "Do not buy yet" in wounds_as_text(diagnose_wounds([_judged(OPEN), _judged({})]))
    assert "Do not buy yet" not in wounds_as_text(diagnose_wounds([_judged(OPEN), _judged(CLEAR)]))


def test_the_command_says_it_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number, answers in enumerate((OPEN, CLEAR)):
        (tmp_path / f"{number}.yaml").write_text(yaml.safe_dump(answers))
    assert main(["ask", "--signs", str(tmp_path / "0.yaml")]) == 0
    assert "Do not buy yet" in capsys.readouterr().out
    assert main(["ask", "--signs", str(tmp_path / "0.yaml"), "--json"]) == 0
    assert '"find_out_first": "Do not buy yet' in capsys.readouterr().out
    assert main(["ask", "--signs", str(tmp_path / "1.yaml"), "--json"]) == 0
    assert '"find_out_first": null' in capsys.readouterr().out


@pytest.mark.parametrize("answers", [{}, OPEN])
def test_a_letter_names_no_barrier_before_there_is_evidence(answers: dict[str, str]) -> None:
    row: dict[str, Any] = {"about": "oak", "pile": "ready", "photos": {}, "question": "", "received_at": None}
    for told in (as_text(letter(row, _judged(answers))), as_html(letter(row, _judged(answers)))):
        assert "do not buy anything yet" in told and "What to put up" not in told
    clear = as_text(letter(row, _judged(CLEAR)))
    assert "do not buy anything yet" not in clear and "What to put up" in clear
