"""How do the dates of upkeep get into the calendar that a person has anyway?

One file in iCalendar (RFC 5545): all-day events, which no time zone moves, with an alarm a week before. Each event's
identifier follows from what it is about, so that a file taken in again replaces the events and doubles none.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import pandas as pd

from diagnose.upkeep.season import Task, of_month

if TYPE_CHECKING:
    from diagnose.upkeep.due import Item

WARN = timedelta(days=-7)  # our choice


def calendar_file(items: Sequence[Item], rows: pd.DataFrame, on: date, climate: str = "mild", south: bool = False,
                  made: datetime | None = None) -> bytes:
    """The calendar of the coming twelve months: what is due, what must be widened or off, the year's round.

    items : of due.due; rows : of due.outlooks. made : when the file is written, UTC.
    """
    from icalendar import Calendar

    calendar = Calendar()
    calendar.add("prodid", "-//browse-diagnose//upkeep//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    stamp = made or datetime.now(UTC)
    for item in items:
        if item.kind in ("alarm", "overdue") and item.barrier:
            _add(calendar, f"{item.barrier}-{item.kind}", on, f"{item.what}: {item.label}", f"{item.site}. {item.why}. "
                 f"{item.caution}", stamp)
    year_on = pd.Timestamp(on + timedelta(days=366))
    if len(rows):
        ahead = rows[(rows["widen_early"] > pd.Timestamp(on)) & (rows["widen_early"] <= year_on)]
        for row in ahead.itertuples():
            what = "Widen or swap" if row.swap else "Take off"
            _add(calendar, f"{row.id}-tight", row.widen_early.date(), f"{what} the {row.form}: {row.label or row.plant}",
                 f"{row.site}. Growth may close it by {row.tight_early:%b %Y}, likely {row.tight_likely:%b %Y}.", stamp)
    for start, task in _round(on, rows, climate, south):
        _add(calendar, f"{task.key}-{start:%Y%m}", start, task.what, f"{task.caution} ({task.source})".strip(), stamp)
    whole: bytes = calendar.to_ical()
    return whole


def _round(on: date, rows: pd.DataFrame, climate: str, south: bool) -> list[tuple[date, Task]]:
    """The year's tasks that these barriers call for, on the first day of each month from this one on."""
    kinds = set() if rows.empty else set(zip(rows["form"], rows["culprits"].map(tuple), strict=True))
    found = []
    for ahead in range(12):
        month = (on.month - 1 + ahead) % 12 + 1
        first = date(on.year + (on.month - 1 + ahead) // 12, month, 1)
        found += [(first, task) for task in of_month(month, climate, south)
                  if (task.for_the_whole and not task.forms) or any(task.is_for(*kind) for kind in kinds)]
    return found


def _add(calendar, name: str, day: date, title: str, told: str, stamp: datetime) -> None:  # type: ignore[no-untyped-def]
    from icalendar import Alarm, Event

    event = Event()
    event.add("uid", f"{name}@browse-diagnose")
    event.add("dtstamp", stamp)
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))
    event.add("summary", title)
    event.add("description", told)
    event.add("transp", "TRANSPARENT")
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", title)
    alarm.add("trigger", WARN)
    event.add_component(alarm)
    calendar.add_component(event)
