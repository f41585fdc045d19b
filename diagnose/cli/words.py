"""What do the words mean that stand behind an option? Each function reads one, or says how to write it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

from click import BadParameter

from diagnose.given import latest_day

if TYPE_CHECKING:
    from diagnose.measure.bark_round import Turns


def point(text: str) -> tuple[float, ...]:
    """X,Y in pixels of the upright picture.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    return _numbers(text, 2, "is not a point; write X,Y in pixels, e.g. 812,430")


def positive(text: str) -> float:
    """A number above 0.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    return _within(text, "must be a number above 0 and below 10 million", above=0.0, below=1e7)


def depth(text: str) -> float:
    """A depth, height or way, 0 or more.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    return _within(text, "must be a depth, height or way from 0 to 100,000", above=-1e-12, below=1e5)


def nought_or_more(text: str) -> float:
    """A price or another number, 0 or more.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    return _within(text, "must be a number from 0 to 10 million", above=-1e-12, below=1e7)


def share(text: str) -> float:
    """A share, 0 to 1, or 0 to 100 with a per cent sign.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    wanted = "must be a share, as 0.2 or 20%"
    if text.rstrip().endswith("%"):
        return _within(text.rstrip()[:-1], wanted, above=-1e-10, below=100 + 1e-10) / 100
    return _within(text, wanted, above=-1e-12, below=1 + 1e-12)


def strip(text: str) -> tuple[float, float]:
    """LONGxWIDE of a transect [m].

    Parameters
    ----------
    text
        What was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    long, _, wide = text.lower().partition("x")
    try:
        return float(long), float(wide)
    except ValueError:
        raise BadParameter(f"'{text}' is no strip; write LONGxWIDE in metres, e.g. 25x2") from None


def month(text: str) -> int:
    """A month, 1 to 12.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    if text.isdigit() and 1 <= int(text) <= 12:
        return int(text)
    raise BadParameter(f"'{text}' must be a month, 1 to 12")


def day(text: str | date) -> date:
    """A day as YYYY-MM-DD, or any other form of ISO 8601.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    if isinstance(text, date):
        return text
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadParameter(f"'{text}' is no day; write YYYY-MM-DD") from None


def past_day(text: str | date) -> date:
    """A day on which something was done: today's or an earlier one, or tomorrow's, for places that are ahead.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For a later one, and for anything else; it says how to write it.
    """
    told = day(text)
    if told > latest_day():
        raise BadParameter(f"{told} is still to come; enter it once it is done")
    return told


def iso_day(text: str) -> str:
    """A day, as YYYY-MM-DD.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    return day(text).isoformat()


def box(text: str) -> tuple[float, ...]:
    """South, north, west, east [degree].

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    return _numbers(text, 4, "is no box; write south,north,west,east in degrees")


def near(text: str) -> tuple[float, ...]:
    """Latitude, longitude [degree] and distance [m].

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    return _numbers(text, 3, "is no place; write latitude,longitude,metres")


def place(text: str) -> tuple[float, float]:
    """Latitude and longitude [degree].

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    lat, lon = _numbers(text, 2, "is no place; write latitude,longitude in degrees")
    if not (abs(lat) <= 90 and abs(lon) <= 180):
        raise BadParameter(f"'{text}' is no place on earth; write latitude,longitude in degrees")
    return lat, lon


def turns(text: str) -> Turns:
    """How far round the stem each photo was taken [degree], or that they show every side.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    from diagnose.cannot_use import CannotUse
    from diagnose.measure.bark_round import read_turns

    try:
        return read_turns(text)
    except CannotUse as reason:
        raise BadParameter(str(reason)) from None


def correction(text: str) -> tuple[str, str]:
    """FIELD=VALUE.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    name, found, value = text.partition("=")
    if not found:
        raise BadParameter(f"'{text}' is no correction; write FIELD=VALUE")
    return name.strip(), value


def setting(text: str) -> tuple[str, str]:
    """NAME=VALUE of a setting.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    name, found, value = text.partition("=")
    if not found:
        raise BadParameter(f"'{text}' settles nothing; write NAME=VALUE, e.g. units=inches")
    return name.strip(), value


def column(text: str) -> tuple[str, str]:
    """COLUMN=FIELD.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    name, found, field = text.partition("=")
    if not found:
        raise BadParameter(f"'{text}' gives no column its field; write COLUMN=FIELD")
    return name, field


def once_each(option: str, names: Sequence[str]) -> None:
    """Refuses a name that was given twice: which of its values was meant cannot be told.

    Parameters
    ----------
    option
        How the refusal calls what was typed [no unit].
    names
        In the order in which they were typed [no unit].

    Raises
    ------
    BadParameter
        For such a name.
    """
    for name in names:
        if names.count(name) > 1:
            raise BadParameter(f"'{name}' is given twice with {option}; give it once")


def culprit(text: str) -> tuple[str, float]:
    """NAME, or NAME=PROBABILITY.

    Parameters
    ----------
    text
        As it was typed [no unit].

    Raises
    ------
    BadParameter
        For anything else; it says how to write it.
    """
    name, _, probability = text.partition("=")
    if not name.strip():
        raise BadParameter(f"'{text}' names no culprit; write NAME or NAME=PROBABILITY")
    try:
        return name, float(probability) if probability else 1.0
    except ValueError:
        raise BadParameter(f"'{text}' is no culprit; write NAME or NAME=PROBABILITY") from None


def _within(text: str, wrong: str, above: float, below: float) -> float:
    number = _or(text, above)
    if not above < number < below:
        pointed = text.replace(",", ".", 1)
        hint = f"; write {pointed}" if pointed != text and above < _or(pointed, above) < below else ""
        raise BadParameter(f"'{text}' {wrong}{hint}")
    return max(number, 0.0)


def _or(text: str, otherwise: float) -> float:
    try:
        return float(text)
    except ValueError:
        return otherwise


def _numbers(text: str, count: int, wrong: str) -> tuple[float, ...]:
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != count:
        raise BadParameter(f"'{text}' {wrong}")
    return numbers
