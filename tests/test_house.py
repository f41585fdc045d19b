"""The house is built one way: each room knows those before it and none after, and no two modules know each other."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

from tests.conftest import TOP

HOUSE = TOP / "diagnose"
# from the ground up; what stands in one entry are rooms, or single modules, of one storey
STOREYS = (
    ("terminal", "cannot_use", "extras", "whole_file", "texts", "archives", "knowledge", "settings", "progress",
     "given", "certificate"),
    ("signs",), ("figures",), ("photo",), ("simulate",), ("eye",), ("measure",), ("places",), ("culprits",), ("protect",),
    ("diagnosis",), ("fieldlog",), ("survey",), ("upkeep",), ("inbox",), ("report",), ("guide", "demo"), ("validation",),
    ("pocket",), ("library",), ("screens",), ("cli",),
)
MOST_LINES = 450
# longer files, each with why it is one: a new one is split, or has a reason as good
LONG = {
    "culprits/ask.py": "the next question, how many are left and when to stop are one look at the same table of answers",
    "culprits/check.py": "one check on published cases, with the plain judges that it is held against",
    "culprits/verdict.py": "one verdict with all that it can be asked",
    "diagnosis.py": "the spine calls every room in order, for one photo, many, and answers",
    "eye/train/stems.py": "one stem: its body, its end and its shading are drawn on the same canvas",
    "fieldlog/log.py": "the log is one object, and all that asks it stands with it",
    "photo/plane.py": "card and staff are found by the same steps and tried by the same checks",
    "protect/barriers.py": "one catalogue, what it must hold, and how each entry is sized",
    "protect/materials.py": "one bill, from posts and wire to insulators, whose parts share the same lengths",
    "protect/options.py": "all combinations as one table, and each way to choose from it",
    "protect/plan.py": "one plan from what is asked to what is bought; its parts share the same figures",
    "report/answer_drawings.py": "one set of drawings, an answer each, made of the same few strokes",
    "report/barrier_drawing.py": "one drawing: every barrier is drawn with the same strokes, words and dimensions",
    "simulate/twig.py": "one picture: every part of it draws from the same random numbers in a fixed order",
    "survey/compare.py": "one question, are two groups browsed alike, once for each way in which trees are drawn",
    "survey/design.py": "one plan of plots: how many there are settles where they lie, and that how they are walked",
    "survey/summary.py": "one survey: each figure stands in the record and in the one function that fills it",
    "upkeep/forecast.py": "one forecast, of growth and of what it does to a guard, and how it is told",
}
HEIGHT = {name: storey for storey, names in enumerate(STOREYS) for name in names}


def _module(file: Path) -> str:
    parts = file.relative_to(TOP).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def _files() -> dict[str, Path]:
    return {_module(file): file for file in HOUSE.rglob("*.py")}


@cache
def _imported(module: str) -> frozenset[str]:
    """Modules of the house that a module names in an import anywhere in it, inside a function or for types alone too."""
    found = set()
    for node in ast.walk(ast.parse(_files()[module].read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "diagnose":
            for each in node.names:
                whole = f"{node.module}.{each.name}"
                found.add(whole if whole in _files() else str(node.module))
        elif isinstance(node, ast.Import):
            found |= {each.name for each in node.names if each.name.split(".")[0] == "diagnose"}
    return frozenset(found - {module})


def _room(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def test_every_room_has_its_storey() -> None:
    assert {_room(module) for module in _files()} - {""} <= set(HEIGHT)


def _run_back() -> list[str]:
    return [f"{module} -> {other}" for module in sorted(_files()) for other in sorted(_imported(module))
            if HEIGHT.get(_room(other), -1) > HEIGHT.get(_room(module), len(STOREYS))]


def test_a_module_knows_rooms_before_its_own_and_none_after() -> None:
    assert _run_back() == []


def _circles(module: str, way: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    for other in _imported(module):
        if other == way[0]:
            yield (*way, other)
        elif other > way[0] and other not in way and HEIGHT.get(_room(other), -1) == HEIGHT.get(_room(way[0])):
            # storeys are in order already
            yield from _circles(other, (*way, other))


def test_a_file_is_short_or_there_is_a_reason_for_its_length() -> None:
    long = {str(file.relative_to(HOUSE)) for ending in ("*.py", "*.js") for file in HOUSE.rglob(ending)
            if file.read_text("utf-8").count("\n") > MOST_LINES}
    assert long == set(LONG)


def test_every_import_names_its_module_whole() -> None:
    """What is imported from "." or by a call would be passed over here; only the command loads its verbs by their names."""
    found = {module for module in _files() for node in ast.walk(ast.parse(_files()[module].read_text("utf-8")))
             if (isinstance(node, ast.ImportFrom) and node.level)
             or (isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("import_module", "__import__"))}
    assert found == {"diagnose.cli"}


def test_no_module_is_known_by_one_that_it_knows() -> None:
    circles = {circle for module in sorted(_files()) for circle in _circles(module, (module,))}
    assert circles == set()


def test_an_import_that_runs_back_and_a_circle_are_seen(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    drawn = {"diagnose.photo.a": "def f():\n    from diagnose.photo import b\n", "diagnose.photo.b":
             "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from diagnose.photo.a import f\n",
             "diagnose.signs": "import diagnose.cli\n", "diagnose.cli": "", "diagnose.settings": "import diagnose.texts\n",
             "diagnose.texts": "def f():\n    from diagnose.settings import g\n"}
    for name, source in drawn.items():
        (tmp_path / name).write_text(source)
    monkeypatch.setitem(globals(), "_files", lambda: {name: tmp_path / name for name in drawn})
    _imported.cache_clear()
    try:
        assert list(_circles("diagnose.photo.a", ("diagnose.photo.a",))) == [
            ("diagnose.photo.a", "diagnose.photo.b", "diagnose.photo.a")]
        assert list(_circles("diagnose.settings", ("diagnose.settings",))) == [
            ("diagnose.settings", "diagnose.texts", "diagnose.settings")]
        assert _run_back() == ["diagnose.signs -> diagnose.cli"]
    finally:
        _imported.cache_clear()


def test_the_storeys_are_those_of_the_developers_page() -> None:
    page = (TOP / "DEVELOPERS.md").read_text("utf-8")
    rooms = ("photo", "simulate", "eye", "measure", "culprits", "protect", "fieldlog", "survey", "upkeep", "inbox", "report",
             "validation", "pocket")
    at = [page.find(f"`diagnose/{name}/`") for name in rooms]
    assert -1 not in at and all(first < second for first, second in pairwise(at))
