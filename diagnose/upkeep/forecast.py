"""In which winter does each barrier come off, and if none is safe, by when must it be widened or replaced?

The work is done in winter. A winter is safe for both where the plant is sure to be out of reach before it (95th
percentile) and the barrier is sure not to cut in before the next one (5th percentile).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from diagnose.cannot_use import CannotUse
from diagnose.upkeep.due import IN_SIGHT_YEARS, next_looks, room
from diagnose.upkeep.growth import Rate, grown_from, measured_rates, season_count
from diagnose.upkeep.outlook import FAR, Days, Standing, dates_of, when
from diagnose.upkeep.register import parts_that_stand
from diagnose.upkeep.rules import bark_safe_mm, forms, known_form, trait, usual
from diagnose.upkeep.standing import CALIPER_MM, Register
from diagnose.upkeep.walk import row_of

YEARS_APART = 10  # farther ahead the years are not told apart; our choice
WORKS = ("look", "take off", "widen or replace")


@dataclass(frozen=True)
class Forecast:
    """What is ahead of one barrier, and what follows from it.

    Parameters
    ----------
    safe, tight : Days
        When the plant needs it no more, and when the barrier cuts in [no unit].
    tenth : date
        A tenth of such stems are cut into by then [no unit].
    winter, latest : date or None
        Start of the first and of the last winter in which it may come off; None where none is safe for both [no unit].
    make_room_by : date or None
        The last day to widen or replace it, where no winter is safe; None otherwise [no unit].
    asks : str
        What the plant must be, such as `out of reach` [no unit].
    room : str
        How room is made in such a barrier [no unit].
    known : bool
        Is the stem's size known? [no unit]
    guessed : bool
        Is it reckoned from a seedling that nobody measured? [no unit]
    on : date
        The day that it is told on [no unit].
    south : bool
        South of the equator, where winters lie within one year [no unit].

    Raises
    ------
    CannotUse
        Where both a winter and a day to make room are given.
    """

    safe: Days
    tight: Days
    tenth: date
    winter: date | None
    latest: date | None
    make_room_by: date | None
    asks: str
    room: str
    known: bool
    guessed: bool
    on: date
    south: bool = False

    def __post_init__(self) -> None:
        if self.winter is not None and self.make_room_by is not None:
            raise CannotUse("a barrier comes off in a winter or is made wider by a day, not both")

    @property
    def words(self) -> str:
        """One sentence."""
        if not self.known:
            return "nobody knows how thick the stem is: measure it, then this can be told"
        return f"{self.reach}; {self.cuts}: {self.advice}"

    @property
    def advice(self) -> str:
        """What to do, in which winter or by when."""
        if self.make_room_by is not None:
            if self.make_room_by <= self.on:
                return f"{self.room} it now, no winter is safe for both"
            return f"no winter is safe for both, {self.room} it by {self.make_room_by:%B %Y}"
        if self.winter is None or self.winter.year - self.on.year > IN_SIGHT_YEARS:
            return "leave it, look every year"
        first = "it may come off now" if self.winter <= self.on else f"take it off in the {self._winter(self.winter)}"
        ahead = self.latest is not None and self.latest.year - self.winter.year
        if self.latest is not None and 0 < ahead < IN_SIGHT_YEARS:
            return f"{first}, at the latest in the {self._winter(self.latest)}"
        return first

    def _winter(self, start: date) -> str:
        if self.south:
            return f"winter {start.year}"
        return f"winter {start.year}/{(start.year + 1) % 100:02d}"

    @property
    def reach(self) -> str:
        """When the plant needs it no more."""
        if self.safe.early >= FAR:
            return f"never {self.asks} while the animal lives near"
        if self.safe.late <= self.on:
            return f"{self.asks} now"
        return f"{self.asks} {self._years(self.safe)}"

    @property
    def cuts(self) -> str:
        """When it cuts in."""
        if self.tight.early >= FAR:
            return "does not close round the stem"
        if self.tight.early.year - self.on.year > IN_SIGHT_YEARS:
            return f"does not cut in within {IN_SIGHT_YEARS} years"
        if self.tight.likely <= self.on:
            return "is likely to cut in now"
        tenth = f" (10 % by {self.tenth:%b %Y})" if self.tight.early < self.tight.late else ""
        return f"cuts in {self._years(self.tight)}{tenth}"

    def _years(self, days: Days) -> str:
        """The range; what lies out of sight is not told to the year."""
        far = days.late.year - self.on.year > IN_SIGHT_YEARS
        return f"from {days.early.year} on at the earliest" if far else days.years

    def as_json(self) -> dict[str, Any]:
        """For machines: ISO days, None for never."""
        days = {name: None if day is None or day >= FAR else day.isoformat() for name, day in (
            ("tenth_cut_in", self.tenth), ("take_off_from", self.winter), ("take_off_until", self.latest),
            ("make_room_by", self.make_room_by))}
        return {"out_of_reach": self.safe.as_json(), "cuts_in": self.tight.as_json(), **days, "asks": self.asks,
                "known": self.known, "guessed": self.guessed, "words": self.words}


def forecast_of(one: Standing, on: date, climate: str = "mild", south: bool = False, guessed: bool = False) -> Forecast:
    """The forecast of one barrier.

    Parameters
    ----------
    one : Standing
        The barrier and the plant in it; its record tells each unit.
    on : date
        The day that it is told on [no unit].
    climate : {'cold', 'mild', 'warm'}
        Length of the winter [no unit].
    south : bool
        South of the equator? [no unit]
    guessed : bool
        Is its stem's size reckoned, not measured? [no unit]

    Returns
    -------
    Forecast

    Raises
    ------
    CannotUse
        For another climate.

    Examples
    --------
    >>> from diagnose.upkeep.growth import Rate
    >>> cage = Standing("cage", date(2026, 11, 1), 40.0, Rate(8, 10, 12), Rate(100, 300, 500), 3000.0, 200.0)
    >>> forecast_of(cage, date(2026, 11, 2)).advice
    'take it off in the winter 2031/32, at the latest in the winter 2035/36'
    """
    outlook = when(one, climate, south)
    winters = _winters(np.array([outlook.safe.late]), np.array([outlook.tight.early]), on, climate, np.array([south]))
    first, last, any_safe = (winters[0][0], winters[1][0], winters[2][0])
    return _forecast(outlook.safe, outlook.tight, outlook.tenth, first, last, any_safe, outlook.widen_by.early, one.form,
                     one.culprits, one.bark_safe, one.stands_alone, True, guessed, on, south)


def forecasts(register: Register, on: date) -> list[Forecast]:
    """The forecast of each barrier of a register, in its order.

    Parameters
    ----------
    register : Register
        The barriers that stand [no unit].
    on : date
        The day that it is told on [no unit].

    Returns
    -------
    list of Forecast
    """
    rows = register.rows
    if rows.empty:
        return []
    days = {name: [one.item() for one in rows[name].to_numpy("datetime64[D]")] for name in (
        *(f"{what}_{part}" for what in ("safe", "tight") for part in ("early", "likely", "late")), "tight_tenth", "act_by")}
    south = rows["south"].to_numpy(bool)
    first, last, any_safe = _winters(np.array(days["safe_late"]), np.array(days["tight_early"]), on, register.climate, south)
    ranges = [zip(*(days[f"{what}_{part}"] for part in ("early", "likely", "late")), strict=True)
              for what in ("safe", "tight")]
    columns = zip(*ranges, days["tight_tenth"], first, last, any_safe, days["act_by"], rows["form"], rows["culprits"],
                  rows["bark_safe"], rows["stands_alone"], rows["measured"], rows["guessed"], south, strict=True)
    return [_forecast(Days(*safe), Days(*tight), tenth, one, other, any_one, by, form, culprits, bark, alone, bool(known),
                      bool(guessed), on, bool(there))
            for safe, tight, tenth, one, other, any_one, by, form, culprits, bark, alone, known, guessed, there in columns]


def _winters(safe_late: np.ndarray, tight_early: np.ndarray, on: date, climate: str,
             south: np.ndarray) -> tuple[list[date], list[date], list[bool]]:
    """Start of the first and of the last winter that is safe for both, and whether there is one."""
    done = np.ceil(np.maximum(season_count(safe_late, climate, south), season_count(on, climate, south)) - 1e-9)
    before = np.ceil(season_count(tight_early, climate, south) - 1e-9) - 1
    first, last = (dates_of(count, climate, south).tolist() for count in (done, before))
    never = safe_late.astype("datetime64[D]") >= np.datetime64(FAR)
    return first, last, (~never & (done <= before)).tolist()


def _forecast(safe: Days, tight: Days, tenth: date, first: date, last: date, any_safe: bool, by: date, form: str,
              culprits: tuple[str, ...], bark_safe: Any, stands_alone: Any, known: bool, guessed: bool, on: date,
              south: bool) -> Forecast:
    own, asks = known_form(form), ["out of reach"]
    if not bark_safe and bark_safe_mm(culprits) > 0 and not trait(own, "leader_only"):
        asks.append("its bark safe")
    if trait(own, "tube") and not stands_alone:
        asks.append("standing alone")
    told = asks[0] if len(asks) == 1 else f"{', '.join(asks[:-1])} and {asks[-1]}"
    near = tight.early.year - on.year <= IN_SIGHT_YEARS
    return Forecast(safe, tight, tenth, first if any_safe else None, last if any_safe and near else None,
                    None if any_safe or not near else by, told, room(own), known, guessed, on, south)


def forecast_lines(register: Register, on: date) -> list[dict[str, Any]]:
    """The forecasts as people read them: barriers of one kind and planting together, those near by their year.

    Parameters
    ----------
    register : Register
        The barriers that stand [no unit].
    on : date
        The day that it is told on [no unit].

    Returns
    -------
    list of dict
        site, name, count, labels (the barriers'), words, told (the Forecast that holds them all), grown (where the growth
        is from), by (the day that it turns on; FAR for none), the most pressing first.
    """
    groups: dict[tuple[Any, ...], list[tuple[Forecast, str, str]]] = {}
    rows = register.rows
    for told, site, name, species, label in zip(forecasts(register, on), rows["site"], rows["name"], rows["species"],
                                                labels_of(rows), strict=True):
        turns = told.make_room_by or told.winter
        near = max(turns.year, on.year) if turns and turns.year - on.year <= YEARS_APART else 0  # what is past is due now
        key = (site, name, told.known, told.asks, bool(told.make_room_by), bool(told.winter), near)
        groups.setdefault(key, []).append((told, label, grown_from(species)))
    lines = []
    for (site, name, *_), some in groups.items():
        whole = _together([told for told, _, _ in some])
        grown = "; ".join(dict.fromkeys(grown for _, _, grown in some))
        lines.append({"site": site, "name": name, "count": len(some), "labels": [label for _, label, _ in some],
                      "words": whole.words, "told": whole, "by": min(whole.make_room_by or FAR, whole.latest or FAR),
                      "grown": grown + ("; stems reckoned from seedlings" if whole.known and whole.guessed else "")})
    return sorted(lines, key=lambda one: (one["by"], one["site"], one["name"]))


def _together(some: list[Forecast]) -> Forecast:
    """One forecast that holds all of them."""
    def spanned(days: list[Days]) -> Days:
        return Days(min(one.early for one in days), sorted(one.likely for one in days)[len(days) // 2],
                    max(one.late for one in days))

    def first(days: list[date | None]) -> date | None:
        return min((day for day in days if day is not None), default=None)

    return replace(some[0], safe=spanned([one.safe for one in some]), tight=spanned([one.tight for one in some]),
                   tenth=min(one.tenth for one in some), winter=first([one.winter for one in some]),
                   latest=first([one.latest for one in some]), make_room_by=first([one.make_room_by for one in some]),
                   guessed=any(one.guessed for one in some))


def labels_of(rows: pd.DataFrame) -> list[str]:
    """What each barrier of a register is called by: its label, else its plant, else the start of its id.

    Parameters
    ----------
    rows : DataFrame
        Of a Register [no unit].

    Returns
    -------
    list of str
    """
    return [label or plant or key[:8] for label, plant, key in zip(rows["label"], rows["plant"], rows["id"], strict=True)]


def by_row(labels: list[str], most: int = 30) -> str:
    """Labels with their row said once: `U1: 06, 07, 13; U2: 08`.

    Parameters
    ----------
    labels : list of str
        As the barriers bear them [no unit].
    most : int
        So many are listed at most [no unit].

    Returns
    -------
    str

    Raises
    ------
    CannotUse
        For less than one.

    Examples
    --------
    >>> by_row(["U1-06", "U1-07", "U2-08", "gate"])
    'U1: 06, 07; U2: 08; gate'
    """
    if not 1 <= most < math.inf:
        raise CannotUse("at least one label is listed")
    most = int(most)
    rows: dict[str, list[str]] = {}
    for label in labels[:most]:
        row, own = row_of(label)
        rows.setdefault(row, []).append(own)
    told = [(f"{row}: " if row and not own[0].startswith(row) else "") + ", ".join(own) for row, own in rows.items()]
    return "; ".join(told) + (f"; and {len(labels) - most} more" if len(labels) > most else "")


def due_months(register: Register, on: date, years: int = 3) -> pd.DataFrame:
    """How many barriers are to be looked at, taken off, widened or replaced in each month to come.

    Parameters
    ----------
    register : Register
        The barriers that stand [no unit].
    on : date
        The first day; what was due before falls into its month [no unit].
    years : int
        How far ahead [year].

    Returns
    -------
    DataFrame
        month (first day), work (of WORKS), count [barriers]; the next yearly looks only, and no weekly ones.

    Raises
    ------
    CannotUse
        For no such time.
    """
    if not 1 <= years <= 100:
        raise CannotUse(f"'{years}' years cannot be shown; choose 1 to 100")
    rows, first = register.rows, np.datetime64(on, "M")
    told = forecasts(register, on)
    looks = next_looks(rows) if len(rows) else np.array([], "datetime64[D]")
    yearly = np.array([not trait(known_form(form), "look_days") for form in rows["form"]], bool)
    when_due = {"look": looks[yearly],
                "take off": np.array([one.winter for one in told if one.known and one.winter], "datetime64[D]"),
                "widen or replace": np.array([one.make_room_by for one in told if one.known and one.make_room_by],
                                             "datetime64[D]")}
    counted = []
    for work, days in when_due.items():
        months = np.maximum(days.astype("datetime64[M]"), first)
        ahead = months[months < first + 12 * years]
        for month, count in zip(*np.unique(ahead, return_counts=True), strict=True):
            counted.append({"month": month.astype("datetime64[D]").item(), "work": work, "count": int(count)})
    return pd.DataFrame(counted, columns=["month", "work", "count"])


def narrowing_of(form: str, species: str, built: date, inner_mm: float, sizes_mm: list[tuple[date, float]],
                 climate: str = "mild", south: bool = False) -> list[Days]:
    """How the day of cutting in narrows with each measured stem.

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].
    species : str
        Of the plant, or empty [no unit].
    built : date
        The day on which it went up [no unit].
    inner_mm : float
        Clear width inside [mm].
    sizes_mm : list of (date, float)
        The stem's diameter at each look, the oldest first [mm].
    climate : {'cold', 'mild', 'warm'}
        Length of the winter [no unit].
    south : bool
        South of the equator? [no unit]

    Returns
    -------
    list of Days
        Before the first measurement, after it, after the second and so on.

    Raises
    ------
    CannotUse
        For another climate, an unknown form, or a size that is none.
    """
    thin, stem, stout = (float(one) for one in forms()["planted"]["stem_mm"])
    rate, leader = usual(known_form(form), species)
    one = Standing(known_form(form), built, stem, rate, leader, 0.0, inner_mm)
    told = [Days(when(replace(one, stem_mm=stout), climate, south).tight.early, when(one, climate, south).tight.likely,
                 when(replace(one, stem_mm=thin), climate, south).tight.late)]
    usual_rate = np.array([[rate.least, rate.middle, rate.most]])
    for seen in range(1, len(sizes_mm) + 1):
        days, sizes = zip(*sizes_mm[:seen], strict=True)
        seasons = season_count(np.array(days, "datetime64[D]"), climate, south)
        own = measured_rates(usual_rate, np.zeros(seen, int), seasons, np.array(sizes, float), CALIPER_MM)[0]
        now = replace(one, measured_on=days[-1], stem_mm=float(sizes[-1]), stem_rate=Rate(*map(float, own)))
        told.append(when(now, climate, south).tight)
    return told


def forecast_of_plan(plan: Any, planted_on: date, species: str = "", climate: str = "mild",
                     south: bool = False) -> list[tuple[str, Forecast]]:
    """What is ahead of the barriers of a plan, before they are bought.

    Parameters
    ----------
    plan : Plan or mapping
        A plan, or what `diagnose protect --json` printed of it [no unit].
    planted_on : date
        The day on which they go up round seedlings [no unit].
    species : str
        Of the seedlings, or empty [no unit].
    climate : {'cold', 'mild', 'warm'}
        Length of the winter [no unit].
    south : bool
        South of the equator? [no unit]

    Returns
    -------
    list of (str, Forecast)
        The plan's name of each barrier that closes round a stem, and its forecast.

    Raises
    ------
    CannotUse
        For what is no plan.
    """
    stem, leader = (float(forms()["planted"][name][1]) for name in ("stem_mm", "leader_mm"))
    found = []
    for part in parts_that_stand(plan):
        if trait(part["form"], "closed"):
            one = Standing(part["form"], planted_on, stem, *usual(part["form"], species), leader, part["mm"].get("across"),
                           tuple(part["culprits"]), float(part["snow_mm"]))
            found.append((part["name"], forecast_of(one, planted_on, climate, south, guessed=True)))
    return found
