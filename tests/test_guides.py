"""Every command that README and guides show runs, and every picture they show is one that the script draws."""

from __future__ import annotations

import io
import re
import shlex
import shutil
from email.message import EmailMessage
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path

import pytest

from diagnose.cli import main
from diagnose.culprits.ranges import ranges
from diagnose.fieldlog.merge import pack
from diagnose.fieldlog.store import open_log
from diagnose.guide import GUIDES, counted_at, guide_text
from diagnose.places import place_named
from tests.conftest import PHOTOS, TOP

PAGES = [TOP / "README.md", *(TOP / "diagnose" / "guide" / f"{name}.md" for name in GUIDES)]
COMMANDS = [(page.name, line) for page in PAGES
            for block in re.findall(r"```sh\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
            for line in block.splitlines() if line.startswith("diagnose ")]
PICTURES = [(page, name) for page in PAGES for name in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", page.read_text("utf-8"))]
TALLY = "site,visit,plot,tree,species,browsed\n" + "".join(
    f"s,2026-04-01,P{plot},{tree},oak,{(plot + tree) % 2}\n" for plot in range(6) for tree in range(5))

BOUNDARY = ('{"type": "Polygon", "coordinates": '
            '[[[-71.6, 46.1], [-71.594, 46.1], [-71.594, 46.104], [-71.6, 46.104], [-71.6, 46.1]]]}')


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the commands need: a photo, photos with a table of their truth, saved mail, a tally, another log's pack."""
    folder = tmp_path_factory.mktemp("guides")
    photo = PHOTOS / "twig_on_card" / "IMG_0016.jpg"
    shutil.copy(photo, folder / "my-photo.jpg")
    (folder / "photos").mkdir()
    shutil.copy(photo, folder / "photos" / "a.jpg")
    (folder / "my.csv").write_text("file,end_diameter_mm,seen_slope_deg\na.jpg,7.0,37\n")
    (folder / "mail-folder").mkdir()
    mail = EmailMessage()
    mail["From"], mail["Subject"] = "Ada <ada@example.org>", "oak"
    mail.set_content("Bitten off, knee high.")
    (folder / "mail-folder" / "a.eml").write_bytes(mail.as_bytes())
    (folder / "tally.csv").write_text(TALLY)
    (folder / "planting.geojson").write_text(BOUNDARY)
    pack(open_log(folder / "other"), folder / "monday.pack")
    shutil.copy(folder / "monday.pack", folder / "north.zip")  # a phone's file is merged like a pack, see test_pocket.py
    open_log(folder / "log")
    return folder


@pytest.mark.parametrize(("page", "line"), COMMANDS, ids=[f"{page} {line}" for page, line in COMMANDS])
def test_every_shown_command_runs(
    page: str, line: str, place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(place)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))  # nobody answers: every question is passed
    shown, _, _ = line.removeprefix("diagnose ").partition(" > ")
    words = shlex.split(shown)
    if words[0] == "app":
        return  # served and driven by the app's own tests
    monkeypatch.setenv("DIAGNOSE_LOG", str(place / "log"))
    monkeypatch.setenv("DIAGNOSE_SETTINGS", str(tmp_path / "settings.yaml"))
    assert main(words) == 0, capsys.readouterr().err


@pytest.mark.parametrize(("page", "name"), PICTURES, ids=[name for _, name in PICTURES])
def test_every_shown_picture_is_there_and_is_drawn_by_the_script(page: Path, name: str) -> None:
    file = page.parent / name
    assert file.exists()
    loader = SourceFileLoader("pictures", str(TOP / ".ci" / "pictures"))
    spec = spec_from_loader("pictures", loader)
    assert spec is not None
    drawn = module_from_spec(spec)
    loader.exec_module(drawn)
    assert file.stem in {*drawn.PAGES, *drawn.POCKET, "inbox", "wound"}


def test_every_guide_can_be_read_and_links_lead_somewhere() -> None:
    for name in GUIDES:
        assert len(guide_text(name)) > 500
    for page in PAGES:
        for link in re.findall(r"\]\(([^)#]+)\)", page.read_text("utf-8")):
            assert "://" in link or (page.parent / link).exists(), f"{page.name}: {link}"


def test_the_guide_tells_of_every_animal_where_it_is_counted_and_what_from() -> None:
    told = [line for line in guide_text("animals").splitlines() if line.startswith("**")]
    assert [line.removeprefix("**").split(".** ")[0] for line in told] == [one.name for one in ranges().values()]
    assert all(" *Known from* " in line for line in told)


def test_the_guide_tells_what_is_counted_at_a_place_and_where_it_knows_nothing() -> None:
    here = counted_at(place_named("Newfoundland"))
    assert "moose" in here and "porcupine" not in here
    assert "nothing is told" in counted_at(place_named("Brazil"))


def test_the_examples_of_the_program_reference_are_true(monkeypatch: pytest.MonkeyPatch) -> None:
    import doctest

    monkeypatch.chdir(TOP)
    found = doctest.testfile(str(TOP / "diagnose" / "guide" / "api.md"), module_relative=False, verbose=False)
    assert found.attempted > 25
    assert found.failed == 0


def test_the_questions_end_with_what_keeps_each_animal_off() -> None:
    """1.5 m: Marquis 1977, white-tailed deer, heavy pressure; 6.4 mm: five extension sources on voles; see needs.yaml."""
    told = {line.split("|")[1].strip(): line for line in guide_text("questions").splitlines() if line.startswith("| ")}
    assert "| 1.5 m |" in told["small and medium deer"] and "Marquis" in told["small and medium deer"]
    assert "| 6.4 mm |" in told["voles"] and "| 12.7 mm |" in told["rabbit"]
    assert "from memory" in told["moose"]
