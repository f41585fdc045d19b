"""What does a text hold that somebody gave: YAML, JSON or a table, read so that none can do harm?

Bytes, nesting, values and digits are bounded; what goes beyond, or is no such text, gets one line.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from difflib import get_close_matches
from os import PathLike
from pathlib import Path
from typing import Any

import yaml

from diagnose.cannot_use import CannotUse

# limits that no honest file meets; our choice
MOST_BYTES = 5_000_000  # of a file
MOST_YAML_BYTES = 500_000  # of YAML, which is read slowly
MOST_DEEP = 40  # levels of lists in lists
MOST_VALUES = 10_000  # of a YAML file
MOST_DIGITS = 30  # of one number
_ALIKE = 0.75  # of 1: a name and the same with a slip in it; our choice
MOST_OF_A_CELL = 100_000  # letters of one cell of a table


def read_text(path: str | PathLike[str], most: int = MOST_BYTES) -> str:
    """A file's text, UTF-8 with or without a mark.

    Parameters
    ----------
    path
        Of the file [no unit].
    most
        Bytes that it may have [byte].

    Raises
    ------
    CannotUse
        In one line, where it cannot be read, is no text or is too large.
    """
    file = Path(path)
    try:
        with file.open("rb") as opened:
            data = opened.read(most + 1)
    except FileNotFoundError:
        raise CannotUse(f"{file} cannot be read, it is not there; check the name") from None
    except (OSError, ValueError) as problem:
        raise CannotUse(f"{file} cannot be read ({getattr(problem, 'strerror', problem)}); check the name") from None
    if len(data) > most:
        raise CannotUse(f"{file.name} is larger than {most / 1e6:g} MB; is it the right file?")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise CannotUse(f"{file.name} cannot be read as text; save it in UTF-8") from None


def read_values(path: str | PathLike[str]) -> Any:
    """What a YAML or JSON file holds; JSON where its name ends so.

    Parameters
    ----------
    path
        Of the file [no unit].

    Raises
    ------
    CannotUse
        Where it cannot be read.
    """
    name = Path(path).name
    if name.lower().endswith((".json", ".geojson")):
        return from_json(read_text(path), name)
    return from_yaml(read_text(path, MOST_YAML_BYTES), name)


def from_json(text: str | bytes, name: str) -> Any:
    """What a JSON text holds.

    Parameters
    ----------
    text
        Of the file [no unit].
    name
        How it is named in a refusal [no unit].

    Raises
    ------
    CannotUse
        For a text that is none.
    """
    if len(text) > 4 * MOST_BYTES:
        raise CannotUse(f"{name} is larger than {4 * MOST_BYTES / 1e6:g} MB; is it the right file?")
    try:
        told = json.loads(text, parse_int=_whole, parse_float=_decimal, parse_constant=_decimal,
                          object_pairs_hook=_each_once)
    except CannotUse as reason:
        raise CannotUse(f"{name} holds {reason}") from None
    except RecursionError:
        raise CannotUse(f"{name} is nested too deeply; give plain names and values") from None
    except json.JSONDecodeError as problem:
        raise CannotUse(f"{name}, line {problem.lineno}, cannot be read as JSON; mend it there or export it again") from None
    except ValueError:  # bytes that are no UTF-8
        raise CannotUse(f"{name} cannot be read as JSON; export it again") from None
    _refuse_deep(told, name)
    return told


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """The object, where no name stands twice in it: which of two values was meant cannot be told."""
    told = dict(pairs)
    if len(told) < len(pairs):
        raise CannotUse(_twice(name for name, _ in pairs))
    return told


def _twice(names: Iterable[Any]) -> str:
    (name, _), *_ = Counter(names).most_common(1)
    return f"'{shown(name)}' twice in one place; leave one of them"


def _refuse_deep(told: Any, name: str) -> None:
    level, deep = [told], 0
    while level:
        deep += 1
        if deep > MOST_DEEP:
            raise CannotUse(f"{name} is nested more than {MOST_DEEP} levels deep; give plain names and values")
        level = [each for one in level if isinstance(one, dict | list)
                 for each in (one.values() if isinstance(one, dict) else one) if isinstance(each, dict | list)]


def _whole(digits: str) -> int:
    if len(digits) > MOST_DIGITS:
        raise CannotUse(f"a number of {len(digits)} digits; give up to {MOST_DIGITS}")
    return int(digits)


def _decimal(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise CannotUse(f"'{digits[:20]}', which is no number that can be reckoned with")
    return number


class _Plain(yaml.SafeLoader):
    """YAML with plain decimal numbers, without dates and without values that stand for others.

    The core schema of YAML 1.2.2, section 10.3.2: 010 is ten and 1:30 is a text. Not deeper and not larger than the limits.
    """

    deep = values = 0

    def compose_node(self, parent: Any, index: Any) -> Any:
        if self.check_event(yaml.AliasEvent):
            raise CannotUse("a value that stands for another (*name); write each out")
        self.deep, self.values = self.deep + 1, self.values + 1
        if self.deep > MOST_DEEP:
            raise CannotUse(f"more than {MOST_DEEP} levels of nesting; give plain names and values")
        if self.values > MOST_VALUES:
            raise CannotUse(f"more than {MOST_VALUES} names and values; is it the right file?")
        node = super().compose_node(parent, index)
        self.deep -= 1
        return node

    def construct_mapping(self, node: Any, deep: bool = False) -> dict[Any, Any]:
        names = [self.construct_object(name, deep) for name, _ in node.value]
        told: dict[Any, Any] = super().construct_mapping(node, deep)
        if len(told) < len(names):
            raise CannotUse(_twice(names))
        return told

    def construct_yaml_int(self, node: Any) -> int:
        return _whole(self.construct_scalar(node))

    def construct_yaml_float(self, node: Any) -> float:
        text = self.construct_scalar(node)
        return _decimal(re.sub(r"\.(inf|nan)", r"\1", text.lower()))


_Plain.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in known if tag.rpartition(":")[2] not in ("int", "float", "timestamp", "merge")]
    for first, known in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
_Plain.add_implicit_resolver("tag:yaml.org,2002:int", re.compile(r"[-+]?[0-9]+$"), list("-+0123456789"))
_Plain.add_implicit_resolver(
    "tag:yaml.org,2002:float",
    re.compile(r"(?:[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?|[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))$"),
    list("-+.0123456789"))
_Plain.add_constructor("tag:yaml.org,2002:int", _Plain.construct_yaml_int)
_Plain.add_constructor("tag:yaml.org,2002:float", _Plain.construct_yaml_float)


def from_yaml(text: str, name: str) -> Any:
    """What a YAML text holds.

    Parameters
    ----------
    text
        Of the file [no unit].
    name
        How it is named in a refusal [no unit].

    Raises
    ------
    CannotUse
        For a text that is none.
    """
    try:
        return yaml.load(text, _Plain)
    except CannotUse as reason:
        raise CannotUse(f"{name} holds {reason}") from None
    except yaml.MarkedYAMLError as problem:
        at = f", line {problem.problem_mark.line + 1}," if problem.problem_mark else ""
        raise CannotUse(f"{name}{at} is no YAML; write one 'name: value' a line") from None
    except (yaml.YAMLError, ValueError, TypeError, RecursionError, AttributeError, LookupError):
        raise CannotUse(f"{name} is no YAML; write one 'name: value' a line") from None


def rows(text: str, name: str, between: str) -> Iterator[tuple[int, list[str]]]:
    """The rows of a table as cells, each with the number of the line where it ends.

    Parameters
    ----------
    text
        Of the table [no unit].
    name
        How it is named in a refusal [no unit].
    between
        What stands between cells: a comma, a semicolon or a tab [no unit].

    Raises
    ------
    CannotUse
        For a table that cannot be read.
    """
    return rows_of(io.StringIO(text, newline=""), name, between)


def rows_of(file: Any, name: str, between: str) -> Iterator[tuple[int, list[str]]]:
    """The same of an open file, a row at a time.

    Parameters
    ----------
    file
        Open for reading [no unit].
    name
        How it is named in a refusal [no unit].
    between
        What stands between cells [no unit].

    Raises
    ------
    CannotUse
        For a line that cannot be read as CSV.
    """
    csv.field_size_limit(MOST_OF_A_CELL)
    table = csv.reader(file, delimiter=between)
    try:
        for cells in table:
            yield table.line_num, cells
    except csv.Error as problem:
        raise CannotUse(f"{name}, line {table.line_num}, cannot be read as CSV ({problem}); save it again as CSV in "
                        "UTF-8") from None


def once_each(columns: Sequence[str], name: str) -> None:
    """Refuses a table in whose first line a column stands twice: which of two cells was meant cannot be told.

    Parameters
    ----------
    columns
        As the first line names them; empty ones count not [no unit].
    name
        How the table is named in a refusal [no unit].

    Raises
    ------
    CannotUse
        For such a table.
    """
    twice = [column for column, many in Counter(filter(None, columns)).items() if many > 1]
    if twice:
        raise CannotUse(f"{name} has two columns '{shown(twice[0])}'; leave one of them, or give it another name")


def shown(value: Any) -> str:
    """A value as it is shown in a line: never more than a few letters of it.

    Parameters
    ----------
    value
        From elsewhere [no unit].
    """
    text = str(value) if isinstance(value, str | int | float | bool) or value is None else type(value).__name__
    return text if len(text) <= 60 else f"{text[:57]}..."


def meant(typed: str, known: Iterable[str], otherwise: str = "choose from", most: int | None = None) -> str:
    """What a name that is none was meant to be: those that are like it, else those that there are; empty for none.

    Parameters
    ----------
    typed
        What somebody wrote [no unit].
    known
        The names that there are [no unit].
    otherwise
        What stands before them where none is like it [no unit].
    most
        How many are told then; all where None [no unit].
    """
    there = list(known)
    small = {name.lower(): name for name in there}
    if near := get_close_matches(typed.lower(), small, 3, _ALIKE):
        return f"did you mean {' or '.join(small[name] for name in near)}?"
    more = f" and {len(there) - most} more" if most is not None and len(there) > most else ""
    return f"{otherwise} {', '.join(there[:most])}{more}" if there else ""


def says(letter: str, name: str) -> bool:
    """Whether a letter names a culprit by its whole name.

    Parameters
    ----------
    letter, name
        What is written, and the culprit's name in words [no unit].
    """
    return re.search(rf"\b{re.escape(name)}\b", letter, re.IGNORECASE) is not None
