"""How do the dates of upkeep get into the calendar that a person has anyway?

One file in iCalendar (RFC 5545): all-day events, which no time zone moves, with a warning before; one event a round, not
one a tree, and what comes back is one recurring event. Each event's identifier follows from its log and what it is
about, so that a file taken in again replaces the events and doubles none, and the files of two logs do not replace each
other's.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.upkeep.due import Item, look_days, next_looks
from diagnose.upkeep.forecast import by_row, forecasts, labels_of
from diagnose.upkeep.rounds import Job, jobs
from diagnose.upkeep.rules import forms, trait
from diagnose.upkeep.season import Task, of_month
from diagnose.upkeep.standing import Register

if TYPE_CHECKING:
    from icalendar import Calendar

MONTHS = 12  # the calendar goes so far ahead
FEW_SITES = 3  # with more plantings than so many, a round is one event for all of them; our choice
_WARN, _WARN_LONG = timedelta(days=-7), timedelta(days=-30)  # our choice


@dataclass(frozen=True)
class Entry:
    """One event.

    Parameters
    ----------
    about : str
        What makes it the same event when the file is written again [no unit].
    day : date
        Its first day [no unit].
    title, told : str
        What the calendar shows, and more about it [no unit].
    warn : timedelta
        When it is called, from the start of the day; not after it [no unit].
    again : mapping
        Recurrence rule as RFC 5545 writes it, empty for once [no unit].

    Raises
    ------
    CannotUse
        For a warning after the event.
    """

    about: str
    day: date
    title: str
    told: str
    warn: timedelta = _WARN
    again: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.warn > timedelta(0):
            raise CannotUse("an event is called before it, not after")


def calendar_file(items: Sequence[Item], register: Register, on: date, made: datetime | None = None) -> bytes:
    """The calendar of the coming twelve months: what is due, what must be wider or off, looks, the year's round.

    Parameters
    ----------
    items : sequence of Item
        Of due.due_of the same register [no unit].
    register : Register
        The barriers that stand [no unit].
    on : date
        Its first day [no unit].
    made : datetime or None
        When the file is written, UTC; None for now [no unit].

    Returns
    -------
    bytes
        The file, as RFC 5545 has it.
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
    """The events in no order.

    Parameters
    ----------
    items, register, on
        As for `calendar_file` [no unit].

    Yields
    ------
    Entry
    """
    few = len({item.site for item in items}) <= FEW_SITES
    rounds: dict[tuple[str, str], list[Job]] = {}
    for job in jobs([item for item in items if item.kind in ("alarm", "overdue")]):
        rounds.setdefault((job.kind, job.site if few else "all plantings"), []).append(job)
    for (kind, site), some in rounds.items():
        title = some[0].what if len(some) == 1 else f"{'ALARM, act today' if kind == 'alarm' else 'Overdue'}"
        many = f": {sum(job.many for job in some)}" if len(some) > 1 or some[0].many > 1 else f": {some[0].items[0].label}"
        told = " ".join(f"{job.what}: {job.where} ({job.why})." for job in some)
        care = " ".join(dict.fromkeys(job.caution for job in some if job.caution))
        yield Entry(f"{kind} {site}", on, f"{title}{many}{_at(site)}", f"{site}. {told} {care}".strip(". "), timedelta(0))
    if len(register):
        yield from _ahead(register, on)
        yield from _weekly(register, on)
        yield from _round(register, on)


def _at(site: str) -> str:
    return f" at {site}" if site else ""


def _ahead(register: Register, on: date) -> Iterator[Entry]:
    """What comes up within the year: an event a planting, round and work; yearly looks of one season are one round."""
    rows, end = register.rows, (np.datetime64(on, "M") + MONTHS).astype("datetime64[D]").item()
    said, told = forms()["cautions"], forecasts(register, on)
    labels, looks = labels_of(rows), next_looks(rows).tolist()
    sites = rows["site"].tolist() if rows["site"].nunique() <= FEW_SITES else ["all plantings"] * len(rows)
    works: dict[tuple[str, str, date], list[str]] = {}
    for one, site, label, look, form in zip(told, sites, labels, looks, rows["form"], strict=True):
        for work, day in (("widen", one.make_room_by), ("off", one.winter if one.known else None),
                          ("look", None if look_days(form) else _round_of(look, on))):
            if day is not None and on < day < end:
                works.setdefault((work, site, day), []).append(label)
    titles = {"widen": ("Widen or replace before growth closes it",
                        f"The season that begins here may close it. {said['wire']} {said['tube_width']}"),
              "off": ("Try whether it may come off",
                      f"Look at each: leader out of reach, bark firm, stem alone. {said['saw']}"),
              "look": ("Yearly look, measure the stems", "")}
    for (work, site, day), names in sorted(works.items()):
        title, more = titles[work]
        yield Entry(f"{work} {site} {day:%Y-%m-%d}", day, f"{title}: {len(names)}{_at(site)}",
                    f"{by_row(names)}. {more}".strip(), _WARN if work == "look" else _WARN_LONG)


def _round_of(look: date, on: date) -> date:
    """The first month of the quarter that a look falls into: one walk does them all."""
    first = date(look.year, 3 * ((look.month - 1) // 3) + 1, 1)
    return first if first > on else look


def _weekly(register: Register, on: date) -> Iterator[Entry]:
    """What is looked at again and again: one recurring event a form."""
    rows = register.rows
    looks = next_looks(rows)
    for form in sorted(set(rows["form"])):
        if not (every := look_days(form)):
            continue
        here = (rows["form"] == form).to_numpy()
        first = max(looks[here].min().item(), on + timedelta(days=1))
        names = [label for label, chosen in zip(labels_of(rows), here, strict=True) if chosen]
        again = {"freq": "weekly", "interval": every // 7} if every % 7 == 0 else {"freq": "daily", "interval": every}
        task = next((one for one in of_month(first.month, register.climate) if one.by_looks and one.is_for(form, ())), None)
        what = "Measure the volts" if trait(form, "live") else "Look"
        told = "" if task is None else f"{task.what} {task.caution}"
        yield Entry(f"again {form}", first, f"{what}: {form}", f"{by_row(names)}. {told}".strip(), timedelta(0),
                    {**again, "until": on + timedelta(days=366)})


def _round(register: Register, on: date) -> Iterator[Entry]:
    """The year's tasks that these barriers call for, an event a task that comes back in each of its months."""
    rows = register.rows
    kinds = set(zip(rows["south"], rows["form"], rows["culprits"], strict=True))
    months: dict[tuple[bool, str], tuple[Task, list[date]]] = {}
    for ahead in range(MONTHS):
        first = (np.datetime64(on, "M") + ahead).astype("datetime64[D]").item()
        for south in sorted({bool(south) for south, _, _ in kinds}):
            for task in of_month(first.month, register.climate, south):
                fits = any(task.is_for(form, culprits) for there, form, culprits in kinds if bool(there) == south)
                if fits and not task.by_looks:
                    months.setdefault((south, task.key), (task, []))[1].append(first)
    for (south, key), (task, days) in months.items():
        again = {} if len(days) == 1 else {"freq": "yearly", "bymonth": sorted(day.month for day in days), "bymonthday": 1,
                                           "until": days[-1]}
        yield Entry(f"{key}{' south' if south else ''}", days[0], task.what, f"{task.caution} ({task.source})".strip(),
                    _WARN, again)


def _add(calendar: Calendar, entry: Entry, stamp: datetime, log: uuid.UUID) -> None:
    from icalendar import Alarm, Event

    event: Any = Event()
    event.add("uid", f"{uuid.uuid5(log, entry.about)}@browse-diagnose")
    event.add("dtstamp", stamp)
    event.add("dtstart", entry.day)
    event.add("dtend", entry.day + timedelta(days=1))
    if entry.again:
        event.add("rrule", dict(entry.again))
    event.add("summary", entry.title)
    event.add("description", entry.told)
    event.add("transp", "TRANSPARENT")
    alarm: Any = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", entry.title)
    alarm.add("trigger", entry.warn)
    event.add_component(alarm)
    calendar.add_component(event)
