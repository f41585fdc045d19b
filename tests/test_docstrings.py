"""A reader learns from the docstring alone what each parameter means, and in which unit it is."""

from __future__ import annotations

import ast
import doctest
import importlib
import pkgutil
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from tests.conftest import TOP

HOUSE = TOP / "diagnose"
# parameters not yet named, by room (`python -m tests.test_docstrings` counts them): a room that is rewritten leaves this
# list, and no number grows
STANDING = {
    "culprits": 224, "eye": 292, "measure": 231, "protect": 178, "screens": 68, "survey": 446, "upkeep": 176,
}
Function = ast.FunctionDef | ast.AsyncFunctionDef


def public_functions(tree: ast.Module) -> Iterator[Function]:
    """Functions, and methods of public classes, that no name marks as private."""
    for node in tree.body:
        if isinstance(node, Function) and not node.name.startswith("_"):
            yield node
        elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from (each for each in node.body if isinstance(each, Function) and not each.name.startswith("_"))


def parameters(function: Function) -> list[str]:
    """Names of what is given to a function; those that a leading underline says are passed over are left out."""
    given = function.args
    named = [each.arg for each in (*given.posonlyargs, *given.args, *given.kwonlyargs) if each.arg not in ("self", "cls")]
    more = [star + each.arg for star, each in (("*", given.vararg), ("**", given.kwarg)) if each is not None]
    return [name for name in (*named, *more) if not name.startswith("_")]


def described(docstring: str) -> dict[str, str]:
    """Each parameter that a docstring in the form of numpydoc describes, and how."""
    section = re.search(r"^Parameters\n-{10}\n(.*?)(?=^\S[^\n]*\n-{3,}$|\Z)", docstring, re.MULTILINE | re.DOTALL)
    found: dict[str, str] = {}
    names: list[str] = []
    for line in section[1].splitlines() if section else ():
        if line and not line.startswith(" "):
            names = [name.strip() for name in line.split(":")[0].split(",")]
            found |= dict.fromkeys(names, "")
        else:
            found |= {name: found[name] + line + "\n" for name in names}
    return found


def has_unit(description: str) -> bool:
    """Does it say the unit in brackets, that there is none, or that each has its own?"""
    return bool(re.search(r"\[[^\]]+\]|\bunit\b", description))


def unnamed(function: Function) -> list[str]:
    """Parameters that the docstring does not name with their unit."""
    told = described(ast.get_docstring(function) or "")
    return [name for name in parameters(function) if not has_unit(told.get(name, ""))]


def _is_command(function: Function) -> bool:
    """Is it a command, whose parameters its --help tells?"""
    made = [each.func for each in function.decorator_list if isinstance(each, ast.Call)]
    return any(isinstance(each, ast.Attribute) and each.attr in ("command", "group") for each in made)


def _room(file: Path) -> str:
    parts = file.relative_to(HOUSE).parts
    return parts[0] if len(parts) > 1 else ""


def missing() -> dict[str, list[str]]:
    """Room -> `file function: parameter`, one for each parameter that is not named with its unit."""
    found: dict[str, list[str]] = {}
    for file in sorted(HOUSE.rglob("*.py")):
        for function in public_functions(ast.parse(file.read_text("utf-8"))):
            if "versions" not in file.parts and not _is_command(function):
                where = f"{file.relative_to(HOUSE)} {function.name}"
                found.setdefault(_room(file), []).extend(f"{where}: {name}" for name in unnamed(function))
    return found


def test_every_public_parameter_is_named_with_its_unit() -> None:
    found = missing()
    more = {room for room, lines in found.items() if len(lines) > STANDING.get(room, 0)}
    assert more == set(), "\n".join(line for room in more for line in found[room])


def test_a_parameter_without_a_line_or_without_a_unit_is_seen() -> None:
    source = '''
def area(width, height, _seed, *more, **options):
    """The area [m2].

    Parameters
    ----------
    width
        Of the plot [m].
    height, *more
        Of it.

    Raises
    ------
    options
        Never [no unit].
    """
'''
    (function,) = public_functions(ast.parse(source))
    assert unnamed(function) == ["height", "*more", "**options"]


def _commands(group: click.Group, ctx: click.Context, way: str) -> Iterator[tuple[str, click.Command]]:
    for name in group.list_commands(ctx):
        command = group.get_command(ctx, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from _commands(command, ctx, f"{way} {name}")
        yield f"{way} {name}", command


def test_every_option_of_every_command_says_what_it_is_for() -> None:
    from diagnose.cli import diagnose

    for name, command in _commands(diagnose, click.Context(diagnose), "diagnose"):
        assert command.help, name
        silent = [each.opts[0] for each in command.params if isinstance(each, click.Option) and not each.help]
        assert silent == [], name
        for each in command.params:
            if isinstance(each, click.Argument):  # told in the command's own words, or clear from its first line
                assert each.make_metavar(click.Context(command)), name


@pytest.mark.parametrize("room", ["survey", "upkeep"])
def test_the_examples_in_docstrings_give_what_they_show(room: str) -> None:
    package = importlib.import_module(f"diagnose.{room}")
    names = [one.name for one in pkgutil.iter_modules(package.__path__) if one.name not in ("benchmark", "coverage")]
    tried = [doctest.testmod(importlib.import_module(f"diagnose.{room}.{name}")) for name in names]
    assert sum(one.failed for one in tried) == 0 and sum(one.attempted for one in tried) >= 10


if __name__ == "__main__":
    print("\n".join(f"{room or 'ground floor'}: {len(lines)}" for room, lines in missing().items() if lines))
