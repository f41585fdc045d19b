"""Which values may stand in a record, and what is wrong with the others?"""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, Boolean, Float

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.tables import KINDS

_RANGES = {
    "lat": (-90.0, 90.0), "lon": (-180.0, 180.0), "error_m": (0.0, 1e6), "area_m2": (0.0, 1e9),
    "height_mm": (0.0, 1e5), "stem_diameter_mm": (0.0, 1e4), "bearing_deg": (0.0, 360.0), "distance_m": (0.0, 1e4),
}
_CHOICES = {
    "photo_role": ("close-up", "whole plant", "height", "context"),
    "role": ("close-up", "whole plant", "height", "context", "primary", "check"),
}
_FIXED = {"id", "saved_at", "disputed"}
_COLUMNS = {kind: {column.key: column for column in table.__table__.columns} for kind, table in KINDS.items()}  # type: ignore[attr-defined]
_OPTIONAL = {kind: {name for name, column in columns.items() if column.nullable} for kind, columns in _COLUMNS.items()}
_SORTS = {
    kind: {
        name: next((sort for sort in (JSON, Boolean, Float) if isinstance(column.type, sort)), str)
        for name, column in columns.items()
    }
    for kind, columns in _COLUMNS.items()
}


def names(kind: str) -> tuple[str, ...]:
    """The fields of a kind of record, in their order."""
    if kind not in _COLUMNS:
        raise CannotUse(f"the log keeps no '{kind}'; it keeps {', '.join(_COLUMNS)}")
    return tuple(_COLUMNS[kind])


def checked(kind: str, given: Mapping[str, Any], fixed: frozenset[str] = frozenset()) -> dict[str, Any]:
    """The given fields as they are stored: numbers in range, dates as ISO 8601, missing ones None or empty.

    Raises CannotUse, naming the field, for one that does not exist, may not be changed, or makes no sense.
    """
    names(kind)
    return {name: _checked(kind, name, value, fixed) for name, value in given.items()}


def _checked(kind: str, name: str, value: Any, fixed: frozenset[str]) -> Any:
    sort = _SORTS[kind].get(name)
    if sort is None or name in _FIXED or name in fixed:
        raise CannotUse(f"{_article(kind)} has no field '{name}' that can be set")
    missing = value is None or value is Ellipsis or (isinstance(value, float) and math.isnan(value))
    if missing or (value == "" and name in _OPTIONAL[kind]):
        if name in _OPTIONAL[kind]:
            return None
        return {} if sort is JSON else False if sort is Boolean else ""
    if sort is Float:
        return _number(name, value)
    if sort is JSON:
        return _plain(name, value)
    if sort is Boolean:
        if not isinstance(value, bool | int):
            raise CannotUse(f"'{value}' is neither yes nor no for '{name}'")
        return bool(value)
    return _text(name, value)


def _text(name: str, value: Any) -> str:
    text = str(value).replace("\x00", "")
    if name in _CHOICES and text not in _CHOICES[name]:
        raise CannotUse(f"'{text}' is no {name.replace('_', ' ')}; choose one of {', '.join(_CHOICES[name])}")
    if name in ("taken_at", "day", "built", "removed"):
        return moment(text) if name == "taken_at" else _day(name, text)
    return text


def moment(text: str) -> str:
    """A time as ISO 8601; a day alone stays a day."""
    try:
        parsed = datetime.fromisoformat(text.strip())
    except ValueError:
        raise CannotUse(f"'{text}' is no date or time; write it as 2026-03-09 or 2026-03-09T14:05") from None
    return text.strip()[:10] if len(text.strip()) == 10 else parsed.isoformat()


def _day(name: str, text: str) -> str:
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError:
        raise CannotUse(f"'{text}' is no date for '{name}'; write it as 2026-03-09") from None


def _number(name: str, value: Any) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    low, high = _RANGES[name]
    if not low <= number <= high:
        raise CannotUse(f"'{value}' cannot be {name}: it must be a number from {low:g} to {high:g}")
    return number


def _plain(name: str, value: Any) -> Any:
    try:
        json.dumps(value, allow_nan=False)
    except (TypeError, ValueError):
        raise CannotUse(f"'{name}' holds something that is not plain text and numbers; it was not saved") from None
    return value


def is_id(text: str) -> bool:
    """Is this an identifier as the log makes them (a UUID in its plain form)?"""
    try:
        return str(uuid.UUID(text)) == text
    except ValueError:
        return False


def _article(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"
