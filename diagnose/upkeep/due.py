"""What is due here, now, and in which order is it walked?

Alarms stand on top: a barrier that touches or strangles a stem, or has less than 25 mm left; wire grown in. Then what is
overdue: barriers that must be made wider, replaced or off before the stem fills them, findings that nobody mended,
barriers that nobody looked at for their time. Then what comes up, what may come off, and the work of the season. A
barrier that went up today asks for nothing today.
"""

from __future__ import annotations

from datetime import date
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from diagnose.protect.requirement import caution_text
from diagnose.upkeep.outlook import FAR
from diagnose.upkeep.rules import forms, known_form, trait, waits_for
from diagnose.upkeep.season import of_month
from diagnose.upkeep.standing import Register, standing
from diagnose.upkeep.walk import row_of, walk_order

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

LOOK_EVERY_MONTHS = 12  # every barrier is looked at once a year (SALEM: check yearly); electric ones: forms.yaml
SOON_MONTHS = 3  # what must be done before the coming season is told a quarter of a year ahead; our choice
MEASURE_WITHIN_DAYS = 31  # a stem of any size is measured within so long of its guard going up; our choice
IN_SIGHT_YEARS = 30  # a cage that closes later than so long after its plant is safe is not spoken of; our choice
CLASSES = ("alarm", "overdue", "soon", "may come off", "season")
UNMENDED = ("leaning", "damaged", "gnawed", "missing")
TIGHT = ("too tight", "touching the stem")


class Item(NamedTuple):
    """One thing to do.

    Parameters
    ----------
    kind : str
        Of CLASSES [no unit].
    site, barrier, label : str
        Where; the barrier's id is empty for work of a whole site [no unit].
    what, why : str
        In words [no unit].
    act_by : str
        ISO day, or empty [no unit].
    caution : str
        What to mind [no unit].
    lat, lon, error_m : float or None
        [degree], [degree] and [m]; None when not known.
    pieces : float
        Barriers [barriers], or length of a fence [m].
    row : str
        The row that it stands in, or empty [no unit].
    reason : str
        The short reason that equal works are counted by, such as `found leaning` [no unit].
    """

    kind: str
    site: str
    barrier: str
    label: str
    what: str
    why: str
    act_by: str
    caution: str
    lat: float | None
    lon: float | None
    error_m: float | None
    pieces: float
    row: str = ""
    reason: str = ""

    def as_json(self) -> dict[str, Any]:
        """For machines."""
        return self._asdict()


def due(log: Log, on: date, climate: str = "mild", south: bool | None = None, site: str | None = None,
        start: tuple[float, float] | None = None) -> list[Item]:
    """What is due on a day: alarms and what is overdue first, each class in walking order.

    Parameters
    ----------
    log : Log
        The log whose barriers are listed [no unit].
    on : date
        The day [no unit].
    climate, south, site
        As for `standing.standing` [no unit].
    start : (float, float) or None
        Latitude and longitude where the walk begins [degree]; None for the south-westernmost barrier.

    Returns
    -------
    list of Item

    Raises
    ------
    CannotUse
        For another climate.
    """
    return due_of(standing(log, climate, south, site), on, start)


def due_of(register: Register, on: date, start: tuple[float, float] | None = None) -> list[Item]:
    """What is due on a day of a register that was read.

    Parameters
    ----------
    register : Register
        The barriers that stand [no unit].
    on : date
        The day [no unit].
    start : (float, float) or None
        Where the walk begins, as for `due` [degree].

    Returns
    -------
    list of Item
    """
    rows = register.rows
    if rows.empty:
        return []
    today = np.datetime64(on)
    soon = (np.datetime64(on, "M") + SOON_MONTHS + 1).astype("datetime64[D]")
    look, seen = next_looks(rows), _last_seen(rows)
    fresh = (seen >= today) & rows["found_on"].isna().to_numpy() & rows["built"].notna().to_numpy()
    tight_by_growth = (rows["tight_likely"].to_numpy("datetime64[D]") <= today) & ~fresh
    alarm = rows["finding"].isin(TIGHT).to_numpy() | rows["embedded"].to_numpy(bool) | tight_by_growth
    rest = ~alarm & ~fresh
    unmended = rows["finding"].isin(UNMENDED).to_numpy() & rest
    by = rows["act_by"].to_numpy("datetime64[D]")
    late, nearly = (by <= today) & rest, (by < soon) & rest
    unmeasured = ~rows["measured"].to_numpy(bool) & np.array([_closes(form) for form in rows["form"]]) & rest
    lately = unmeasured & rows["built"].notna().to_numpy() & (seen + MEASURE_WITHIN_DAYS > today)
    to_look, comes_up = _looks_due(look, today, rows["form"])
    overdue = unmended | late | (unmeasured & ~lately) | (to_look & rest)
    coming = (nearly | comes_up | lately) & rest & ~overdue
    off = (rows["safe_likely"].to_numpy("datetime64[D]") <= today) & rest & ~unmended
    items: list[Item] = []
    for kind, chosen in (("alarm", alarm), ("overdue", overdue), ("soon", coming), ("may come off", off & ~late)):
        places = walk_order(rows, np.flatnonzero(chosen), start)
        reasons = {name: flag[places].tolist() for name, flag in (
            ("late", nearly), ("unmended", unmended), ("unmeasured", unmeasured), ("off", off))}
        items += _items(kind, rows, places, reasons)
    return items + _season(register, on)


def _last_seen(rows: pd.DataFrame) -> np.ndarray:
    """The day on which each was last looked at, else put up, else registered; (n,) datetime64[D]."""
    return np.array([look or built or saved[:10] for look, built, saved in
                     zip(rows["found_on"], rows["built"], rows["saved_at"], strict=True)], "datetime64[D]")


def next_looks(rows: pd.DataFrame) -> np.ndarray:
    """From when on each barrier is to be looked at again.

    Parameters
    ----------
    rows : DataFrame
        Of a Register [no unit].

    Returns
    -------
    (n,) array of datetime64[D]
        For those looked at once a year the first day of the month; for electric fences the day.
    """
    seen = _last_seen(rows)
    days = np.array([look_days(form) for form in rows["form"]])
    yearly = (seen.astype("datetime64[M]") + LOOK_EVERY_MONTHS).astype("datetime64[D]")
    looks: np.ndarray = np.where(days > 0, seen + days, yearly)
    return looks


@cache
def look_days(form: str) -> int:
    """How many days may pass between two looks at such a barrier; 0 for a look a year [day].

    Parameters
    ----------
    form : str
        As in forms.yaml, or one that a newer tool wrote [no unit].
    """
    return int(trait(known_form(form), "look_days"))


def _looks_due(look: np.ndarray, today: np.datetime64, form: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Which looks are overdue, and which are due now: a yearly one within its month, a weekly one on its day."""
    days = np.array([look_days(one) for one in form])
    ends = np.where(days > 0, look + 1, (look.astype("datetime64[M]") + 1).astype("datetime64[D]"))
    return ends <= today, (look <= today) & (today < ends)


_TOLD = ("id", "site", "plant", "plot", "label", "form", "name", "built", "embedded", "finding", "found_on", "guessed",
         "swap", "lat", "lon", "error_m", "pieces", "stands_alone", "bark_safe", "culprits", "snow_mm")


def _items(kind: str, rows: pd.DataFrame, places: np.ndarray, reasons: dict[str, list[bool]]) -> list[Item]:
    """An item for each of the places, in their order."""
    if not len(places):
        return []
    some = rows.iloc[places]
    columns = [some[name].tolist() for name in _TOLD]
    days = [some[name].to_numpy("datetime64[D]").tolist() for name in ("tight_early", "tight_likely", "act_by",
                                                                       "safe_likely")]
    items = []
    for number, (values, dates) in enumerate(zip(zip(*columns, strict=True), zip(*days, strict=True), strict=True)):
        row = dict(zip(_TOLD, values, strict=True))
        why_now = {name: flags[number] for name, flags in reasons.items()}
        what, why, act_by, caution, reason = _words(kind, row, why_now, *dates)
        label = row["label"] or row["plant"] or row["id"][:8]
        items.append(Item(kind, row["site"], row["id"], label, what, why,
                          "" if act_by is None or act_by >= FAR else act_by.isoformat(), caution, _known(row["lat"]),
                          _known(row["lon"]), _known(row["error_m"]), _known(row["pieces"]) or 1.0,
                          row_of(label, row["plot"])[0], reason))
    return items


def _known(value: Any) -> float | None:
    return None if value is None or value != value else float(value)


@cache
def _month(day: date) -> str:
    return f"{day:%b %Y}"


def _words(kind: str, row: dict[str, Any], now: dict[str, bool], tight: date, tight_likely: date, act_by: date,
           safe: date) -> tuple[str, str, date | None, str, str]:
    """What is to be done, why, by when, what to mind, and the reason in short."""
    form, name, said = known_form(row["form"]), row["name"], forms()["cautions"]
    care = _cautions(form)
    if kind == "alarm":
        if row["embedded"]:
            return (f"Grown into the stem: leave the embedded {name}, free the rest, mark the tree",
                    "registered as embedded; once that is done, mark it removed", None,
                    f"{said['embedded']} {said['saw']}", "grown in")
        seen = row["finding"] in TIGHT
        why = f"found {row['finding']} on {row['found_on']}" if seen else \
            f"by its growth less than 25 mm are likely left since {_month(tight_likely)}{_reckoned(row)}"
        return (f"{room(form).capitalize()} the {name} today, or take it off", why, None, care,
                f"found {row['finding']}" if seen else "by its growth")
    if kind == "may come off":
        in_sight = tight.year - safe.year < IN_SIGHT_YEARS
        closes = f"; it may be tight by {_month(tight)}" if in_sight else ""
        return (f"Try whether the {name} may come off: {_conditions(row)}", f"likely safe since {_month(safe)}{closes}",
                act_by if in_sight else None, care, "likely safe")
    told = []
    if now["unmended"]:
        found = f"found {row['finding']}"
        told.append((f"mend or replace the {name}", f"{found} on {row['found_on']}", found))
    if now["late"]:
        how = f"{room(form)} the {name}" if row["swap"] else f"take the {name} off"
        told.append((how.replace(f"the {name}", "it") if now["unmended"] else how,
                     f"growth may close it from {_month(tight)} on, likely by {_month(tight_likely)}{_reckoned(row)}",
                     "growth may close it"))
    if now["unmeasured"]:
        unknown = "nobody knows how old it is or" if row["built"] is None else "nobody measured"
        told.append((f"measure the stem in the {name}", f"{unknown} how thick the stem was", "never measured"))
    if not told:
        last = row["found_on"] or row["built"] or "it was registered"
        if trait(form, "live"):
            told.append((f"measure the volts of the {name}, walk along it", f"nobody looked since {last}; weekly, and the "
                         "same day after storms; 5 kV is the design, under 4 kV is an alarm, under 3 kV it has failed",
                         f"not measured since {last}"))
        else:
            measure = " and measure the stem" if _closes(form) else ""
            told.append((f"look at the {name}{measure}", f"nobody looked since {last}", f"not looked at since {last}"))
    what, why, reason = ("; ".join(parts) for parts in zip(*told, strict=True))
    return what[0].upper() + what[1:], why, act_by if now["late"] else None, care, reason


def room(form: str) -> str:
    """How room is made for a stem in such a barrier: what cannot be widened is replaced.

    Parameters
    ----------
    form : str
        As in forms.yaml [no unit].

    Returns
    -------
    str
        A verb, such as `widen or replace`.

    Examples
    --------
    >>> room("cage"), room("tree shelter")
    ('widen or replace', 'slit or replace')
    """
    return "widen or replace" if trait(form, "widens") else "slit or replace" if trait(form, "tube") else "replace"


def _reckoned(row: dict[str, Any]) -> str:
    return "; nobody measured the stem, this is reckoned from a planted seedling" if row["guessed"] else ""


@cache
def _closes(form: str) -> bool:
    return bool(trait(known_form(form), "closed"))


@cache
def _cautions(form: str) -> str:
    """What to mind at a barrier of this form."""
    said = forms()["cautions"]
    lines = [said["live"]] if trait(form, "live") else []
    lines += [said["tube"], caution_text("hantavirus"), said["tube_width"]] if trait(form, "tube") else []
    lines += [said["wire"]] if "wire" in (trait(form, "hard") or "") else []
    return " ".join(lines)


def _conditions(row: dict[str, Any]) -> str:
    lines = waits_for(known_form(row["form"]), row["culprits"], row["snow_mm"], row["stands_alone"], row["bark_safe"])
    return "only when " + " and ".join(lines) if lines else "nothing more is asked of the plant"


def _season(register: Register, on: date) -> list[Item]:
    """The month's work, an item a site and task, urgent work first."""
    rows = register.rows
    counts: dict[tuple[str, bool], dict[tuple[str, tuple[str, ...]], float]] = {}
    pieces = np.nan_to_num(rows["pieces"].to_numpy(float), nan=1.0)
    for site, south, form, culprits, many in zip(rows["site"], rows["south"], rows["form"], rows["culprits"], pieces,
                                                 strict=True):
        kinds = counts.setdefault((site, south), {})
        kinds[form, culprits] = kinds.get((form, culprits), 0.0) + float(many)
    items = []
    for (site, south), kinds in sorted(counts.items()):
        for task in of_month(on.month, register.climate, bool(south)):
            fits = {kind: many for kind, many in kinds.items() if task.is_for(*kind)}
            if not fits or task.by_looks:  # what its own looks ask for stands there already
                continue
            guards = sum(many for (form, _), many in fits.items() if not trait(known_form(form), "line"))
            which = f"{guards:.0f} barriers" if guards and not task.for_the_whole else ""
            why = f"{'cannot wait; ' if task.urgent else ''}{task.source}"
            items.append(Item("season", site, "", which, task.what, why, "", task.caution, None, None, None, guards))
    return sorted(items, key=lambda item: (item.site, not item.why.startswith("cannot")))
