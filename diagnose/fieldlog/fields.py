"""Which values may stand in a record, and what is wrong with the others?"""

from __future__ import annotations

import math
import uuid
from collections.abc import Callable, Mapping
from datetime import date, datetime
from functools import cache
from typing import Any

from sqlalchemy import JSON, Boolean, Column, Float

from diagnose.cannot_use import CannotUse
from diagnose.culprits.prior import CONFIRMED_BY
from diagnose.fieldlog.tables import KINDS
from diagnose.texts import shown

FIRST_YEAR, LAST_YEAR = 1800, 2200  # of anything that is logged; our choice

_RANGES = {
    "lat": (-90.0, 90.0), "lon": (-180.0, 180.0), "error_m": (0.0, 1e6), "area_m2": (0.0, 1e9),
    "height_mm": (0.0, 1e5), "stem_diameter_mm": (0.0, 1e4), "bearing_deg": (0.0, 360.0), "distance_m": (0.0, 1e4),
    "pieces": (0.0, 1e7), "inner_mm": (1.0, 1e5), "worth": (0.0, 1e6),
}
FINDINGS = ("sound", "leaning", "damaged", "gnawed", "too tight", "touching the stem", "missing")
_CHOICES = {
    "photo_role": ("close-up", "whole plant", "height", "context"),
    "role": ("close-up", "whole plant", "height", "context", "primary", "check"),
    "finding": FINDINGS,
    "confirmed": CONFIRMED_BY,
}
_FIXED = {"id", "saved_at", "disputed"}
_COLUMNS = {kind: {column.key: column for column in table.__table__.columns} for kind, table in KINDS.items()}  # type: ignore[attr-defined]


def names(kind: str) -> tuple[str, ...]:
    """The fields of a kind of record, in their order.

    Parameters
    ----------
    kind
        Of KINDS [no unit].

    Raises
    ------
    CannotUse
        For another kind.
    """
    if kind not in _COLUMNS:
        raise CannotUse(f"the log keeps no '{kind}'; it keeps {', '.join(_COLUMNS)}")
    return tuple(_COLUMNS[kind])


def checked(kind: str, given: Mapping[str, Any], fixed: frozenset[str] = frozenset()) -> dict[str, Any]:
    """The given fields as they are stored: numbers in range, dates as ISO 8601, missing ones None or empty.

    Parameters
    ----------
    kind
        Of KINDS [no unit].
    given
        Field -> value, each in the field's unit.
    fixed
        Fields that may not be changed [no unit].

    Raises
    ------
    CannotUse
        Naming the field, for one that does not exist, may not be changed, or makes no sense.
    """
    names(kind)
    checks = _checks(kind)
    stored = {}
    for name, value in given.items():
        if name not in checks or name in fixed:
            raise CannotUse(f"{_article(kind)} has no field '{name}' that can be set")
        stored[name] = checks[name](value)
    return stored


@cache
def _checks(kind: str) -> dict[str, Callable[[Any], Any]]:
    """Field -> the function that turns a given value into the stored one or refuses it."""
    return {name: _check(name, column) for name, column in _COLUMNS[kind].items() if name not in _FIXED}


def _check(name: str, column: Column[Any]) -> Callable[[Any], Any]:
    sort = column.type
    by_sort: Callable[[str, Any], Any] = (
        _number if isinstance(sort, Float) else _object if isinstance(sort, JSON) else
        _yes_no if isinstance(sort, Boolean) else _choice if name in _CHOICES else
        _moment if name == "taken_at" else _day if name in ("day", "built", "removed") else _text
    )
    empty: Any = None if column.nullable else {} if by_sort is _object else False if by_sort is _yes_no else ""

    def check(value: Any) -> Any:
        if value is None or value == "" or value != value:  # missing, empty, not a number
            return empty
        return by_sort(name, value)

    return check


def _text(_name: str, value: Any) -> str:
    return str(value).replace("\x00", "").encode("utf-8", "replace").decode()


def _choice(name: str, value: Any) -> str:
    if value not in _CHOICES[name]:
        raise CannotUse(f"'{value}' is no {name.replace('_', ' ')}; choose one of {', '.join(_CHOICES[name])}")
    return str(value)


def _yes_no(name: str, value: Any) -> bool:
    if value not in (True, False):
        raise CannotUse(f"'{value}' is neither yes nor no for '{name}'")
    return bool(value)


def _object(name: str, value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise CannotUse(f"'{name}' must map names to values")
    if not _is_plain(value):
        raise CannotUse(f"'{name}' holds something that is no plain text or number; it was not saved")
    return value


def _is_plain(value: Any) -> bool:
    """Can the value be written as JSON and read back the same?"""
    if isinstance(value, dict):
        return all(isinstance(key, str) and _is_plain(each) for key, each in value.items())
    if isinstance(value, list | tuple):
        return all(map(_is_plain, value))
    return value is None or isinstance(value, str | int) or (isinstance(value, float) and math.isfinite(value))


def _moment(_name: str, value: Any) -> str:
    """A time as ISO 8601; a day alone stays a day."""
    text = str(value).strip()
    try:
        day = date.fromisoformat(text)  # weeks and days without strokes too, which are kept in the usual form
    except ValueError:
        day = None
    try:
        parsed = datetime.fromisoformat(text)
    except ValueError:
        parsed = None
    if parsed is None or not FIRST_YEAR <= parsed.year <= LAST_YEAR:
        raise CannotUse(f"'{shown(text)}' is no date or time; write it as 2026-03-09 or 2026-03-09T14:05")
    return parsed.isoformat() if day is None else day.isoformat()


def _day(name: str, value: Any) -> str:
    try:
        return date.fromisoformat(str(value).strip()).isoformat()
    except ValueError:
        raise CannotUse(f"'{shown(value)}' is no date for '{name}'; write it as 2026-03-09") from None


def _number(name: str, value: Any) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    low, high = _RANGES[name]
    if not low <= number <= high:
        raise CannotUse(f"'{shown(value)}' cannot be {name}: it must be a number from {low:g} to {high:g}")
    return number


def is_id(text: str) -> bool:
    """Is this an identifier as the log makes them (a UUID in its plain form)?

    Parameters
    ----------
    text
        What might be one [no unit].
    """
    try:
        return str(uuid.UUID(text)) == text
    except ValueError:
        return False


def _article(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"
