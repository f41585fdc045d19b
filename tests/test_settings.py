"""What is settled once holds for command and app alike; an option goes before the environment, and that before the file."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
import yaml

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.fieldlog.store import open_log
from diagnose.settings import NAMES, change_settings, environment_name, settings, settings_file
from tests.conftest import TOP

SIGNS = "wound: severed_shoot\ncut_form: torn\nposition: middle\n"


@pytest.fixture(autouse=True)
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A settings file of the test's own, not there yet."""
    monkeypatch.setenv("DIAGNOSE_SETTINGS", str(tmp_path / "own" / "settings.yaml"))
    for name in NAMES:
        monkeypatch.delenv(environment_name(name), raising=False)
    return tmp_path / "own" / "settings.yaml"


def test_an_option_goes_before_the_environment_and_that_before_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("in_file", "in_environment", "in_option"):
        open_log(tmp_path / name).save_observation(site=name)

    def listed(*option: str) -> str:
        assert main(["log", "list", "--json", *option]) == 0
        return str(json.loads(capsys.readouterr().out)["observations"][0]["site"])

    assert main(["settings", f"log={tmp_path / 'in_file'}"]) == 0
    capsys.readouterr()
    assert listed() == "in_file"
    monkeypatch.setenv("DIAGNOSE_LOG", str(tmp_path / "in_environment"))
    assert listed() == "in_environment"
    assert listed("--log", str(tmp_path / "in_option")) == "in_option"


def test_units_place_and_initials_are_taken_by_every_verb(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    change_settings({"units": "inches", "place": "atlantis", "initials": "AB", "log": str(tmp_path / "log")})
    (tmp_path / "signs.yaml").write_text(SIGNS)
    ask = ["ask", "--signs", str(tmp_path / "signs.yaml")]
    assert main(ask) == 2 and "atlantis" in capsys.readouterr().err
    assert main([*ask, "--region", "east"]) == 0 and " mm " not in capsys.readouterr().out
    assert main([*ask, "--region", "east", "--mm"]) == 0 and " mm " in capsys.readouterr().out
    one = open_log(tmp_path / "log").save_observation(site="a").id
    assert main(["log", "correct", one[:8], "plant=7"]) == 0
    assert open_log(tmp_path / "log").observation(one)["history"][-1]["by"] == "AB"


@pytest.mark.parametrize(("name", "value"), [
    ("units", "cubits"), ("paper", "A3"), ("initials", "ABCDEFGHI"), ("colour", "red")])
def test_a_setting_that_cannot_be_is_refused_in_one_line_and_not_written(
    file: Path, name: str, value: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["settings", f"{name}={value}"]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and name in said and not file.exists()
    monkeypatch.setenv(environment_name(name), value)
    if name in NAMES:
        with pytest.raises(CannotUse, match=name):
            settings()


@pytest.mark.parametrize("held", ["units", "[1, 2]", "units: 7", "colour: red", "a: [", "units: {mm: yes}"])
def test_a_file_that_holds_no_settings_is_named_in_one_line(
    file: Path, held: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file.parent.mkdir()
    file.write_text(held)
    assert main(["card", "--out", str(file.parent / "card.pdf")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_an_empty_value_takes_a_setting_back_and_leaves_the_others(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings", "units=inches", "paper=Letter"]) == 0 and main(["settings", "units="]) == 0
    assert yaml.safe_load(file.read_text()) == {"paper": "Letter"} and settings().units == "mm"
    capsys.readouterr()
    assert main(["settings"]) == 0
    shown = capsys.readouterr().out
    assert all(name in shown for name in NAMES) and str(file) in shown and "Letter" in shown


def test_settings_lie_where_the_platform_keeps_them(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """On Linux below XDG_CONFIG_HOME (XDG Base Directory Specification 0.8)."""
    monkeypatch.delenv("DIAGNOSE_SETTINGS")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    if settings_file().parts[0] == "/" and Path("/proc").exists():
        assert settings_file() == tmp_path / "browse-diagnose" / "settings.yaml"


def test_the_app_starts_from_the_same_settings(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from diagnose.screens import log_folder, preferences

    monkeypatch.setattr(preferences, "_chosen", dict)
    monkeypatch.setattr(preferences, "logins", dict)
    monkeypatch.delenv("DIAGNOSE_SHARE", raising=False)
    change_settings({"units": "inches", "place": "east", "initials": "AB", "paper": "Letter", "log": str(tmp_path / "log")})
    assert preferences.inches() and preferences.region() == "east" and preferences.paper() == "Letter"
    assert preferences.initials() == "AB" and log_folder.where() == str(tmp_path / "log")
    monkeypatch.setenv("DIAGNOSE_SHARE", "code")  # somebody else's phone
    assert preferences.initials() == ""


def test_every_setting_and_every_exit_code_is_written_down() -> None:
    page = (TOP / "diagnose" / "guide" / "command.md").read_text("utf-8")
    assert all(f"`{environment_name(name)}`" in page and f"`{name}`" in page for name in NAMES)
    from diagnose import cli

    for code in (cli.DONE, cli.PARTLY, cli.REFUSED, cli.STOPPED, cli.LEFT):
        assert f"| {code} |" in page


def test_what_is_printed_for_machines_has_the_number_of_its_schema(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from diagnose.cli.machine import SCHEMAS

    log = open_log(tmp_path / "log")
    one = log.save_observation(site="a", signs={"wound": "severed_shoot"}).id
    monkeypatch.setenv("DIAGNOSE_LOG", str(tmp_path / "log"))
    tally = "site,visit,plot,tree,species,browsed\n" + "".join(
        f"s,2026-04-01,P{plot},{tree},oak,{(plot + tree) % 2}\n" for plot in range(6) for tree in range(5))
    (tmp_path / "tally.csv").write_text(tally)
    (tmp_path / "planting.json").write_text(
        '{"type": "Polygon", "coordinates": '
        '[[[-71.6, 46.1], [-71.594, 46.1], [-71.594, 46.104], [-71.6, 46.104], [-71.6, 46.1]]]}')
    asked = {"survey design": [str(tmp_path / "planting.json"), "--site", "a", "--target", "1100/ha"],
             "protect": ["--trees", "9", "--hectares", "1", "--culprit", "deer"],
             "survey": ["estimate", str(tmp_path / "tally.csv")], "log show": [one[:8]], "log together": ["--site", "a"]}
    for verb, schema in SCHEMAS.items():
        how = [] if verb == "log show" else ["--json"]
        monkeypatch.setattr("sys.stdin", io.StringIO(""))
        assert main([*verb.split(), *asked.get(verb, []), *how]) == 0, verb
        assert json.loads(capsys.readouterr().out)["schema"] == schema, verb
