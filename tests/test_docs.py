"""The documentation is made of what stands in the code and the guides, whole and with a source for each formula."""

from __future__ import annotations

import re
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType

import pytest

from diagnose.cli import VERBS
from diagnose.culprits.catalogue import culprits_as_written
from diagnose.fieldlog.wide import columns
from diagnose.guide import GUIDES
from diagnose.signs import vocabulary
from tests.conftest import TOP


@pytest.fixture(scope="module")
def docs() -> ModuleType:
    loader = SourceFileLoader("docs", str(TOP / ".ci" / "docs"))
    spec = spec_from_loader("docs", loader)
    assert spec is not None
    made = module_from_spec(spec)
    loader.exec_module(made)
    return made


@pytest.fixture(scope="module")
def source(docs: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("source")
    docs.lay(folder)
    return folder


def test_every_page_is_listed_once_and_every_guide_is_a_page(docs: ModuleType, source: Path) -> None:
    listed = [page for pages in docs.CONTENTS.values() for page in pages]
    assert len(listed) == len(set(listed)) and set(GUIDES) <= set(listed)
    referred = set(re.findall(r"^ref_\w+$", (source / "reference.md").read_text("utf-8"), re.MULTILINE))
    assert {file.stem for file in source.glob("*.md")} == {*listed, *referred, "index"}


def test_every_verb_sign_and_column_has_its_entry(source: Path) -> None:
    verbs, signs, told = ((source / f"{name}.md").read_text("utf-8") for name in ("verbs", "signs", "columns"))
    assert all(f" diagnose {verb}\n" in verbs for verb in VERBS)
    assert all(f"`{name}`" in signs for name in vocabulary())
    assert all(f"| `{name}` |" in told for name in columns())


def test_what_a_culprit_leaves_stands_with_who_says_so(source: Path) -> None:
    page = (source / "culprits.md").read_text("utf-8")
    for entry in culprits_as_written().values():
        assert f"## {entry['name']}\n" in page
    rabbit = page.split("## rabbit\n")[1].split("\n## ")[0]
    key = re.search(r"^\| tooth marks \| .*\((\w+)\)", rabbit, re.MULTILINE)
    assert key and f"\n- {key[1]}: " in page


def test_no_page_tells_whose_computer_made_it(source: Path) -> None:
    assert [file.name for file in source.glob("*.md") if str(Path.home()) + "/" in file.read_text("utf-8")] == []


def test_a_formula_is_found_with_its_function_and_its_source(source: Path) -> None:
    page = (source / "formulas.md").read_text("utf-8")
    assert re.search(r"`survey\.proportion\.clustered` \| .*\d{4}", page)  # the interval of a share of clustered trees
    assert "Karney" in page and "ISO 16684-1" in page
    names = ("expected information gain", "posterior", "half-maximum crossing", "autocorrelation", "homography",
             "Net present value", "value of perfect information", "Horvitz-Thompson", "Intraclass correlation", "MOVER",
             "Relative risk reduction", "Kaplan-Meier", "right-censored", "perceptual hash", "Wilson", "Brier", "McNemar")
    rows = [row for row in page.splitlines() if row.startswith("| ")]
    assert [name for name in names if not any(name.lower() in row.lower() for row in rows)] == []
    assert all(row.count(" | ") >= 2 for row in page.splitlines() if row.startswith("| "))


def test_links_between_pages_lead_to_pages(source: Path) -> None:
    for file in source.glob("*.md"):
        for link in re.findall(r"\]\(([^)#\s]+)", file.read_text("utf-8")):
            assert "://" in link or (source / link).exists(), f"{file.name}: {link}"


@pytest.mark.slow
def test_the_pages_are_built_without_a_warning_and_hold_what_is_looked_for(
    docs: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.argv", ["docs", str(tmp_path)])
    assert docs.main() == 0
    assert "judge_photo" in (tmp_path / "ref_library.html").read_text("utf-8")
    assert not re.search(r'(src|href)="(https?:)?//', (tmp_path / "index.html").read_text("utf-8").split("<footer")[0])
