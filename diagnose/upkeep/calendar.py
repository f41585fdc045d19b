"""How do the dates of upkeep get into the calendar that a person has anyway?

One file in iCalendar (RFC 5545): all-day events, which no time zone moves, with a warning before. Each event's identifier
follows from its log and what it is about, so that a file taken in again replaces the events and doubles none, and the
files of two logs do not replace each other's.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from diagnose.upkeep.due import Item, next_looks
from diagnose.upkeep.outlook import forms
from diagnose.upkeep.season import of_month
from diagnose.upkeep.standing import Register

if TYPE_CHECKING:
    from icalendar import Calendar

MONTHS = 12  # the calendar goes so far ahead
_WARN, _WARN_LONG = timedelta(days=-7), timedelta(days=-30)  # our choice
_NAMED = 30  # labels that one event lists at most


class Entry(NamedTuple):
    """One event. about : what makes it the same event when the file is written again."""

    about: str
    day: date
    title: str
    told: str
    warn: timedelta = _WARN


def calendar_file(items: Sequence[Item], register: Register, on: date, made: datetime | None = None) -> bytes:
    """The calendar of the coming twelve months: what is due, what must be widened or off, looks, the year's round.

    items : of due.due_of the same register. made : when the file is written, UTC.
    """
    from icalendar import Calendar

    calendar = Calendar()
    calendar.add("prodid", "-//browse-diagnose//upkeep//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    stamp = made or datetime.now(UTC)
    for entry in entries(items, register, on):
        _add(calendar, entry, stamp, register.log)
    whole: bytes = calendar.to_ical()
    return whole


def entries(items: Sequence[Item], register: Register, on: date) -> Iterator[Entry]:
    """The events in no order."""
    for item in items:
        if item.kind in ("alarm", "overdue"):
            yield Entry(f"{item.barrier} {item.kind}", on, f"{item.what}: {item.label}",
                        f"{item.site}. {item.why}. {item.caution}".strip(), timedelta(0))
    if len(register):
        yield from _ahead(register, on)
        yield from _round(register, on)


def _ahead(register: Register, on: date) -> Iterator[Entry]:
    """What comes up within the year: an event a site, day and work."""
    rows, last = register.rows, np.datetime64(on, "M") + MONTHS
    said = forms()["cautions"]
    dates = {"widen": rows["widen_early"].to_numpy("datetime64[D]"), "off": rows["safe_likely"].to_numpy("datetime64[D]"),
             "look": next_looks(rows).astype("datetime64[M]").astype("datetime64[D]")}
    works = {
        "widen": ("Widen, swap or take off before growth closes it",
                  f"The season that begins here may close it. {said['wire']}"),
        "off": ("Try whether it may come off", f"Look at each: leader out of reach, bark firm, stem alone. {said['saw']}"),
        "look": ("Yearly look, measure the stems", ""),
    }
    for work, (title, told) in works.items():
        coming = (dates[work] > np.datetime64(on)) & (dates[work].astype("datetime64[M]") < last)
        some = pd.DataFrame({"site": rows["site"][coming], "day": dates[work][coming], "label": _labels(rows[coming])})
        for (site, day), group in some.groupby(["site", "day"], sort=True):
            names = group["label"].tolist()
            more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
            yield Entry(f"{work} {site} {day:%Y-%m-%d}", day.date(), f"{title}: {len(names)} at {site or 'no named site'}",
                        f"{', '.join(names[:_NAMED])}{more}. {told}".strip(), _WARN if work == "look" else _WARN_LONG)


def _labels(rows: pd.DataFrame) -> list[str]:
    return [label or plant or key[:8] for label, plant, key in zip(rows["label"], rows["plant"], rows["id"], strict=True)]


def _round(register: Register, on: date) -> Iterator[Entry]:
    """The year's tasks that these barriers call for, on the first day of each month from this one on."""
    rows = register.rows
    kinds = set(zip(rows["south"], rows["form"], rows["culprits"], strict=True))
    for ahead in range(MONTHS):
        month = np.datetime64(on, "M") + ahead
        first = month.astype("datetime64[D]").tolist()
        for south in sorted({bool(south) for south, _, _ in kinds}):
            for task in of_month(first.month, register.climate, south):
                if any(task.is_for(form, culprits) for there, form, culprits in kinds if bool(there) == south):
                    half = " south" if south else ""
                    yield Entry(f"{task.key}{half} {first:%Y-%m}", first, task.what,
                                f"{task.caution} ({task.source})".strip())


def _add(calendar: Calendar, entry: Entry, stamp: datetime, log: uuid.UUID) -> None:
    from icalendar import Alarm, Event

    event: Any = Event()
    event.add("uid", f"{uuid.uuid5(log, entry.about)}@browse-diagnose")
    event.add("dtstamp", stamp)
    event.add("dtstart", entry.day)
    event.add("dtend", entry.day + timedelta(days=1))
    event.add("summary", entry.title)
    event.add("description", entry.told)
    event.add("transp", "TRANSPARENT")
    alarm: Any = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", entry.title)
    alarm.add("trigger", entry.warn)
    event.add_component(alarm)
    calendar.add_component(event)
