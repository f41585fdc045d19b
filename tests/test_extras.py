"""The base installation is light: what an optional part needs is asked for by name, and nothing heavy is read unasked."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.extras import EXTRAS, need
from tests.conftest import TOP

PROJECT = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]
# libraries that take a noticeable part of a second to load, or that not every installation has
HEAVY = {"altair", "cv2", "geopandas", "numpy", "pandas", "PIL", "pyproj", "reportlab", "scipy", "shapely", "skimage",
         "sqlalchemy", "streamlit"}


def _loaded(code: str) -> set[str]:
    """Which heavy libraries a fresh Python has loaded after the code."""
    ask = f"{code}\nimport sys\nprint(*sorted({{name.partition('.')[0] for name in sys.modules}}), sep=chr(10))"
    done = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True, cwd=TOP)
    return set(done.stdout.split("\n")) & HEAVY


@pytest.mark.parametrize("code", [
    "import diagnose", "import diagnose; dir(diagnose)",
    *(f"from diagnose.cli import main; main({words!r})" for words in (
        ["--help"], ["--version"], ["photo", "--help"], ["log", "export", "--help"], ["survey", "--help"])),
])
def test_nothing_heavy_is_loaded_before_it_is_needed(code: str) -> None:
    assert _loaded(code) == set()


def test_what_is_looked_for_here_is_seen_when_it_is_loaded() -> None:
    assert {"numpy", "cv2"} <= _loaded("import diagnose.photo.picture")


def test_measuring_judging_and_keeping_need_no_streamlit(tmp_path: Path) -> None:
    photo = TOP / "reference_cases" / "photos" / "twig_on_card" / "IMG_0016.jpg"
    without = ("altair", "distributed", "geopandas", "httpx", "pyogrio", "streamlit")
    blocked = f"import sys; sys.modules.update(dict.fromkeys({without}))\n"
    words = ["photo", str(photo), "--region", "DE", "--month", "2", "--save", "--log", str(tmp_path)]
    done = subprocess.run([sys.executable, "-c", f"{blocked}from diagnose.cli import main; sys.exit(main({words!r}))"],
                          capture_output=True, text=True, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Most likely" in done.stdout


def test_every_extra_is_known_by_the_libraries_that_it_installs() -> None:
    extras = {name: tuple(re.match(r"[\w\[\]-]+", line)[0] for line in lines)  # type: ignore[index]
              for name, lines in PROJECT["optional-dependencies"].items() if name not in ("docs", "test")}
    assert extras == EXTRAS


def test_the_versions_that_figures_were_written_with_are_allowed_ones() -> None:
    lines = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]]
    asked = [Requirement(line) for line in lines]
    held = [Requirement(line) for line in (TOP / ".ci" / "constraints.txt").read_text("utf-8").splitlines() if "==" in line]
    for one in held:
        (own,) = (each for each in asked if each.name == one.name)
        assert own.specifier.contains(next(iter(one.specifier)).version), one.name


def test_no_message_or_guide_names_a_package_that_no_index_has() -> None:
    files = [file for end in ("py", "md") for file in (TOP / "diagnose").rglob(f"*.{end}")]
    for file in (*files, TOP / "README.md", TOP / "DEVELOPERS.md"):
        assert not re.search(r"pip install[^\n]*browse-diagnose", file.read_text("utf-8")), file


@pytest.mark.parametrize("extra", EXTRAS)
def test_a_part_whose_libraries_are_missing_names_the_command_that_installs_them(
    extra: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, EXTRAS[extra][0].partition("[")[0], None)  # as if it were not installed
    with pytest.raises(CannotUse) as told:
        need(extra, "this")
    named = str(told.value).partition("pip install ")[2]
    assert set(named.replace('"', "").split()) == set(EXTRAS[extra])


def test_the_app_without_its_libraries_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "streamlit", None)
    assert main(["app"]) == 2
    assert capsys.readouterr().err == ("diagnose: the app needs more than the base installation: "
                                       "pip install altair streamlit\n")
