"""What is the work of this month, for these barriers, in this climate and on this half of the earth?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge
from diagnose.protect.requirement import caution_text
from diagnose.protect.sources import called_by_name
from diagnose.upkeep.growth import CLIMATES


@dataclass(frozen=True)
class Task:
    """A work of the year's round.

    Parameters
    ----------
    key, what
        Its name in year.yaml, and in words [no unit].
    months
        Climate -> months of the northern half of the earth, 1 to 12 [no unit].
    forms
        Barriers it is for, none for all [no unit].
    against, without
        Only where one, or none, of these culprits is stopped [no unit].
    caution, source
        What to mind, and where it is known from [no unit].
    urgent
        Can it not wait for the next month? [no unit]
    for_the_whole
        Is it of the planting, not of each barrier? [no unit]
    by_looks
        Does the due list ask for it where the last look is too old? Only the calendar lists it as a task [no unit].
    """

    key: str
    what: str
    months: Mapping[str, tuple[int, ...]]
    forms: tuple[str, ...]
    against: tuple[str, ...]
    without: tuple[str, ...]
    caution: str
    source: str
    urgent: bool
    for_the_whole: bool
    by_looks: bool = False

    def is_for(self, form: str, culprits: tuple[str, ...]) -> bool:
        """Is it for a barrier of this form, which stops these culprits?

        Parameters
        ----------
        form : str
            As in forms.yaml [no unit].
        culprits : tuple of str
            What the barrier is there against, keys of the catalogue [no unit].
        """
        return ((not self.forms or form in self.forms) and (not self.against or bool({*self.against} & {*culprits}))
                and not {*self.without} & {*culprits})


@cache
def tasks() -> tuple[Task, ...]:
    """The year's round as data: year.yaml."""
    return tuple(_task(key, entry) for key, entry in knowledge("diagnose.upkeep", "year.yaml").items())


def _task(key: str, entry: Mapping[str, Any]) -> Task:
    months = entry["months"]
    by_climate = months if isinstance(months, Mapping) else dict.fromkeys(CLIMATES, months)
    named = {name: tuple(entry.get(name, ())) for name in ("forms", "against", "without")}
    care = [entry["caution"]] if "caution" in entry else []
    care += [caution_text(name) for name in entry.get("care", ())]
    return Task(key, entry["what"], {climate: tuple(by_climate[climate]) for climate in CLIMATES}, **named,
                caution=" ".join(care), source=called_by_name(entry["source"]), urgent=bool(entry.get("urgent")),
                for_the_whole=bool(entry.get("for_the_whole")), by_looks=bool(entry.get("by_looks")))


def of_month(month: int, climate: str = "mild", south: bool = False) -> list[Task]:
    """The tasks of a month.

    Parameters
    ----------
    month : int
        1 to 12 [no unit].
    climate : {'cold', 'mild', 'warm'}
        Length of the winter [no unit].
    south : bool
        South of the equator, where they are those of the month half a year away [no unit].

    Returns
    -------
    list of Task

    Raises
    ------
    CannotUse
        For another climate, or no month.
    """
    if climate not in CLIMATES:
        raise CannotUse(f"'{climate}' is no climate; choose one of {', '.join(CLIMATES)}")
    if not 1 <= month <= 12:
        raise CannotUse(f"'{month}' is no month; give 1 to 12")
    northern = (month + 5) % 12 + 1 if south else month
    return [task for task in tasks() if northern in task.months[climate]]
