"""A reader learns from the docstring alone what each parameter means, and in which unit it is."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from collections.abc import Iterator
from pathlib import Path

import click

from tests.conftest import TOP

HOUSE = TOP / "diagnose"
Function = ast.FunctionDef | ast.AsyncFunctionDef


def public_functions(tree: ast.Module) -> Iterator[Function]:
    """Functions, and methods of public classes, that no name marks as private."""
    for node in tree.body:
        if isinstance(node, Function) and not node.name.startswith("_"):
            yield node
        elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from (each for each in node.body if isinstance(each, Function) and not each.name.startswith("_"))


def public_records(tree: ast.Module) -> Iterator[ast.ClassDef]:
    """Classes with fields, that no name marks as private."""
    classes = (each for each in tree.body if isinstance(each, ast.ClassDef))
    yield from (each for each in classes if not each.name.startswith("_") and fields(each))


def fields(record: ast.ClassDef) -> list[str]:
    """Names of what a record holds; those that a leading underline says are passed over are left out."""
    named = [each.target.id for each in record.body if isinstance(each, ast.AnnAssign) and isinstance(each.target, ast.Name)]
    return [name for name in named if not name.startswith("_")]


def parameters(function: Function) -> list[str]:
    """Names of what is given to a function; those that a leading underline says are passed over are left out."""
    given = function.args
    named = [each.arg for each in (*given.posonlyargs, *given.args, *given.kwonlyargs) if each.arg not in ("self", "cls")]
    more = [star + each.arg for star, each in (("*", given.vararg), ("**", given.kwarg)) if each is not None]
    return [name for name in (*named, *more) if not name.startswith("_")]


def sections(docstring: str) -> dict[str, str]:
    """Heading -> what stands under it, of a docstring in the form of numpydoc."""
    return dict(re.findall(r"^(\S[^\n]*)\n-{3,}\n(.*?)(?=^\S[^\n]*\n-{3,}$|\Z)", docstring, re.MULTILINE | re.DOTALL))


def described(docstring: str) -> dict[str, str]:
    """Each parameter that a docstring describes, and how."""
    found: dict[str, str] = {}
    names: list[str] = []
    for line in sections(docstring).get("Parameters", "").splitlines():
        if line and not line.startswith(" "):
            names = [name.strip() for name in line.split(":")[0].split(",")]
            found |= dict.fromkeys(names, "")
        else:
            found |= {name: found[name] + line + "\n" for name in names}
    return found


def has_unit(description: str) -> bool:
    """Does it say the unit in brackets, that there is none, or that each has its own?"""
    return bool(re.search(r"\[[^\]]+\]|\bunit\b", description))


def unnamed(told_of: Function | ast.ClassDef) -> list[str]:
    """Parameters of a function, or fields of a record, that the docstring does not name with their unit."""
    told = described(ast.get_docstring(told_of) or "")
    names = fields(told_of) if isinstance(told_of, ast.ClassDef) else parameters(told_of)
    return [name for name in names if not has_unit(told.get(name, ""))]


def errors(function: Function) -> set[str]:
    """Names of the errors that a function raises itself: not what it calls, nor a function inside it."""
    found, left = set(), list[ast.AST](function.body)
    while left:
        node = left.pop()
        if isinstance(node, ast.Raise) and node.exc is not None:
            raised = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
            found.add(ast.unparse(raised).rpartition(".")[2])
        if not isinstance(node, Function | ast.ClassDef | ast.Lambda):
            left += ast.iter_child_nodes(node)
    return found


def unsaid(function: Function) -> list[str]:
    """Errors that a function raises itself and its docstring does not name; one that a function makes may be any."""
    told = sections(ast.get_docstring(function) or "").get("Raises", "")
    return sorted(name for name in errors(function) if (name not in told if name[0].isupper() else not told))


def _is_command(function: Function) -> bool:
    """Is it a command, whose parameters its --help tells?"""
    made = [each.func for each in function.decorator_list if isinstance(each, ast.Call)]
    return any(isinstance(each, ast.Attribute) and each.attr in ("command", "group") for each in made)


def _room(file: Path) -> str:
    parts = file.relative_to(HOUSE).parts
    return parts[0] if len(parts) > 1 else ""


def missing() -> dict[str, list[str]]:
    """Room -> `file function: parameter`, one for each parameter or field that is not named with its unit."""
    found: dict[str, list[str]] = {}
    for file in sorted(HOUSE.rglob("*.py")):
        tree = ast.parse(file.read_text("utf-8"))
        asked = [function for function in public_functions(tree) if not _is_command(function)]
        for each in (*asked, *public_records(tree)) if "versions" not in file.parts else ():
            where = f"{file.relative_to(HOUSE)} {each.name}"
            found.setdefault(_room(file), []).extend(f"{where}: {name}" for name in unnamed(each))
    return found


def test_every_public_parameter_and_field_is_named_with_its_unit() -> None:
    lines = [line for room in missing().values() for line in room]
    assert lines == [], "\n".join(lines)


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


def test_a_field_without_a_line_or_without_a_unit_is_seen() -> None:
    source = '''
class Plot:
    """A plot.

    Parameters
    ----------
    width, height
        Of it [m].
    name
        Of it.
    """

    width: float
    height: float
    name: str
    trees: int = 0
    _seen: bool = False


class _Hidden:
    width: float


class Empty:
    """It holds nothing."""
'''
    (record,) = public_records(ast.parse(source))
    assert unnamed(record) == ["name", "trees"]


def test_every_error_that_a_public_function_raises_itself_is_named() -> None:
    lines = [f"{file.relative_to(HOUSE)} {function.name}: {', '.join(found)}" for file in sorted(HOUSE.rglob("*.py"))
             for function in public_functions(ast.parse(file.read_text("utf-8")))
             if "versions" not in file.parts and not _is_command(function) and (found := unsaid(function))]
    assert lines == [], "\n".join(lines)


def test_every_example_in_a_docstring_gives_what_it_says() -> None:
    files = [file for file in sorted(HOUSE.rglob("*.py")) if re.search(r"^ +>>> ", file.read_text("utf-8"), re.MULTILINE)]
    found = {}
    for file in files:
        parts = file.relative_to(TOP).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        if name != "diagnose.library":  # tests/test_library.py runs those with a frame of their own
            found[name] = doctest.testmod(importlib.import_module(name))
    assert sum(each.attempted for each in found.values()) > 50
    assert [name for name, each in found.items() if each.failed] == []


ESTIMATES = re.compile(r"\b(Estimate|Interval|Test|Pooled|Ratio|Survival|Agreement|Needed|Size|Clustering|RateMap|Share"
                       r"|Updated|Decision|More)\b")


def _unsourced(files: dict[str, str]) -> list[str]:
    """File and name of each function that returns an estimate and neither has References nor names a function that has."""
    functions = [(file, function) for file, source in files.items() for function in public_functions(ast.parse(source))]
    told = {(file, function.name): ast.get_docstring(function) or "" for file, function in functions}
    sourced = {name for (_, name), docstring in told.items() if "References" in sections(docstring)}
    # what joins, keeps or reads estimates takes them from the functions that its own words name
    return [f"{file} {function.name}" for file, function in functions
            if parameters(function) and function.returns is not None and ESTIMATES.search(ast.unparse(function.returns))
            and not sourced & {function.name, *re.findall(r"`(?:\w+\.)*(\w+)`", told[file, function.name])}]


def test_every_estimator_names_its_source_or_says_that_it_is_our_own() -> None:
    survey = [file for file in sorted((HOUSE / "survey").glob("*.py")) if file.stem != "estimate"]  # which holds the records
    files = {str(file.relative_to(HOUSE)): file.read_text("utf-8") for file in (*survey, HOUSE / "upkeep" / "held.py")}
    assert _unsourced(files) == []


def test_an_estimator_without_a_source_is_seen() -> None:
    source = '''
def share(x) -> Estimate:
    """A share.

    References
    ----------
    .. [1] Our own.
    """


def shares(x) -> dict[str, Estimate]:
    """Several, each as of `a.share`."""


def half(x) -> Interval | None:
    """Half of it, see `shares`."""


def words(x) -> str:
    """In words."""
'''
    assert _unsourced({"a": source}) == ["a half"]


def test_an_error_without_a_line_is_seen() -> None:
    source = '''
def area(width):
    """The area [m2].

    Raises
    ------
    ValueError
        For no width.
    """
    def inside():
        raise RuntimeError
    if width is None:
        raise ValueError("give a width")
    try:
        return float(width) ** 2
    except TypeError:
        raise errors.CannotUse(f"{width} is none") from None
'''
    (function,) = public_functions(ast.parse(source))
    assert unsaid(function) == ["CannotUse"]
    (silent,) = public_functions(ast.parse(source.replace("Raises", "Notes").replace("errors.CannotUse", "lacking")))
    assert unsaid(silent) == ["ValueError", "lacking"]


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


if __name__ == "__main__":
    print("\n".join(f"{room or 'ground floor'}: {len(lines)}" for room, lines in missing().items() if lines))
