"""No text that somebody gives stops the program: it is read, or refused in one line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.culprits.prior import read_prior
from diagnose.fieldlog.load import import_csv
from diagnose.fieldlog.store import open_log
from diagnose.protect.read import read_boundary, read_settings, read_verdict
from diagnose.signs import read_signs
from diagnose.survey.boundary import read_ground
from diagnose.survey.plan import read_plan
from diagnose.survey.tally import read_tally
from diagnose.survey.target import read_targets
from diagnose.texts import from_yaml
from diagnose.upkeep.fence import read_line
from diagnose.upkeep.from_csv import register_csv
from diagnose.validation.own_truth import read_truth

VALUES = {
    "nested lists": "[" * 100_000, "closed nested lists": "[" * 5000 + "]" * 5000,
    "nested names": '{"a":' * 5000 + "1" + "}" * 5000, "nested a little": '{"a":' * 90 + "1" + "}" * 90,
    "a number of 5,000 digits": '{"wound_height_mm": ' + "9" * 5000 + "}",
    "of 400": '{"wound_height_mm": ' + "9" * 400 + "}",
    "not finite": '{"wound_height_mm": 1e999}', "200,000 names": json.dumps({f"k{n}": n for n in range(200_000)}),
    "values that stand for others": "a: &a [x, x]\nb: &b [*a, *a]\nwound: [*b, *b]\n", "a date": "wound: 2025-13-45\n",
    "a long answer": json.dumps({"wound": "x" * 400_000}),
    "no text": "\ud800".encode("utf-8", "surrogatepass").decode("latin-1"),
    "a tag": "wound: !!python/object/apply:os.system ['true']", "a list as a name": "? [a, b]\n: c\n", "zeros": "\0\0\0",
}
READERS: dict[str, Callable[[Path], object]] = {
    "signs": read_signs, "prior": read_prior, "settings": read_settings, "boundary": read_boundary, "verdict": read_verdict,
    "ground": read_ground, "tally": read_tally, "plan": read_plan, "targets": read_targets, "truth": read_truth,
    "line": read_line,
}
OWN_ENDING = {read_truth: ".csv", read_tally: ".csv", read_line: ".geojson"}  # others are refused by name


@pytest.mark.parametrize("ending", [".json", ".yaml"])
@pytest.mark.parametrize("text", VALUES.values(), ids=VALUES)
@pytest.mark.parametrize("reader", READERS.values(), ids=READERS)
def test_a_text_meant_to_harm_gets_one_line(
    tmp_path: Path, reader: Callable[[Path], object], text: str, ending: str
) -> None:
    if reader is read_settings and "k0" in text and ending == ".json":
        pytest.skip("names and values are what settings hold; which ones is checked where they are used")
    file = tmp_path / f"given{ending if ending == '.yaml' else OWN_ENDING.get(reader, ending)}"
    file.write_text(text, encoding="utf-8")
    try:
        reader(file)
    except CannotUse as said:
        assert "\n" not in str(said) and len(str(said)) < 2000
    else:
        assert reader is read_settings, "nonsense was taken"


@pytest.mark.parametrize(("text", "mm"), [("010", 10.0), ("10", 10.0), ("1e1", 10.0), ("1_0", None), ("1:30", None),
                                          ("0x10", None), (".inf", None)])
def test_a_height_is_read_as_people_write_numbers(tmp_path: Path, text: str, mm: float | None) -> None:
    """YAML 1.2.2, section 10.3.2: whole numbers are decimal, also with noughts before them, and 1:30 is a text."""
    file = tmp_path / "signs.yaml"
    file.write_text(f"wound_height_mm: {text}\n")
    if mm is None:
        with pytest.raises(CannotUse):
            read_signs(file)
    else:
        assert read_signs(file)["wound_height_mm"].value == mm  # type: ignore[union-attr]


def test_yes_and_no_and_plain_numbers_are_read_as_before() -> None:
    assert from_yaml("a: yes\nb: 1.5\nc: -3\nd: text\ne: null\nf: [1, 2]", "x") == {
        "a": True, "b": 1.5, "c": -3, "d": "text", "e": None, "f": [1, 2]}


@pytest.mark.parametrize(("name", "text"), [
    ("a.json", '{"wound": "severed_shoot", "wound": "bark_gnawed"}'),
    ("a.yaml", "wound: severed_shoot\nwound: bark_gnawed\n"),
    ("a.yaml", "wound_height_mm: {value: 300, value: 3000}\n"), ("a.json", '{"cut_form": {"clean": 1, "clean": 1}}')])
def test_of_two_answers_to_one_question_neither_is_taken(tmp_path: Path, name: str, text: str) -> None:
    """YAML 1.2.2, section 3.2.1.3: the keys of a mapping are unique; RFC 8259, section 4: names should be."""
    file = tmp_path / name
    file.write_text(text)
    with pytest.raises(CannotUse, match="twice"):
        read_signs(file)


@pytest.mark.parametrize(("name", "text"), [
    ("a.json", '{"wound": "severed_shoot",\n "cut_form" "torn"}'), ("a.yaml", "wound: severed_shoot\ncut_form: [torn\n")])
def test_where_a_text_breaks_off_the_line_is_told(tmp_path: Path, name: str, text: str) -> None:
    file = tmp_path / name
    file.write_text(text)
    with pytest.raises(CannotUse, match=r"line [23]"):
        read_signs(file)


@pytest.mark.parametrize("text", ["site,visit,plot\n" + "x" * 200_000 + ",2025-01-01,1\n", "site,visit,plot\n\"" +
                                  "x" * 200_000, "file,end_diameter_mm\n" + "x" * 200_000 + ",1\n",
                                  "site,visit,plot\na,b\nc,d,e,f,g\n", "site,visit,plot,form\n\0,\0,\0,\0\n"])
def test_a_table_meant_to_harm_gets_a_line(tmp_path: Path, text: str) -> None:
    file, log = tmp_path / "table.csv", open_log(tmp_path / "log")
    file.write_text(text)
    for read in (read_tally, read_truth, lambda file: import_csv(log, file), lambda file: register_csv(log, file)):
        try:
            read(file)
        except CannotUse as said:
            assert "\n" not in str(said)


def test_a_register_that_is_too_large_is_refused_and_never_read_in_part(tmp_path: Path) -> None:
    file, log = tmp_path / "table.csv", open_log(tmp_path / "log")
    file.write_text("site,form,note\n" + f"north,cage,{'x' * 100}\n" * 50_000)
    with pytest.raises(CannotUse, match="in parts"):
        register_csv(log, file)
    assert log.records("barrier").empty


@pytest.mark.parametrize(("told", "kept"), [
    ("2025-W10-1", "2025-03-03"), ("20250303", "2025-03-03"), ("2025-03-03", "2025-03-03"),
    ("2025-W10-1T10:00", "2025-03-03T10:00:00"), ("0001-01-01", None), ("9999-12-31", None)])
def test_a_day_is_kept_in_one_form_however_it_was_written(tmp_path: Path, told: str, kept: str | None) -> None:
    """ISO 8601-1:2019, 5.2.2 and 5.2.4: the Monday of week 10 of 2025 is 3 March."""
    log = open_log(tmp_path / "log")
    if kept is None:
        with pytest.raises(CannotUse):
            log.save_observation(site="a", taken_at=told)
    else:
        log.save_observation(site="a", taken_at=told)
        assert log.observations()["taken_at"][0] == kept
