"""Which barriers were put up, found, checked and taken away?

Everything is kept in the log: a barrier is corrected, never overwritten, and its checks stand beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.fields import checked
from diagnose.protect.barriers import catalogue
from diagnose.protect.requirement import NEED_OF, other_names
from diagnose.texts import MOST_BYTES, rows
from diagnose.upkeep.growth import VIGOURS
from diagnose.upkeep.outlook import forms, trait

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log
    from diagnose.protect.plan import Plan

FORMS: tuple[str, ...] = tuple(forms()["forms"])
EMBEDDED: str = forms()["cautions"]["embedded"]
GROWN_IN = "wire grown into the stem"


def register(log: Log, form: str, by: str = "", photo: bytes | None = None, photo_name: str = "", **fields: Any) -> str:
    """Registers one barrier; returns its id. fields : columns of the log's barriers.

    figures may hold `culprits` (keys), `vigour`, `snow_mm` and what else is known of it. Raises CannotUse.
    """
    trait(form, "closed")
    if "figures" in fields:
        fields["figures"] = figures_of(**fields["figures"])
    return log.save("barrier", photo, photo_name, form=form, by=by, **{"site": "", **fields})


def found_by_chance(log: Log, form: str, embedded: bool, by: str = "", photo: bytes | None = None, photo_name: str = "",
                    **fields: Any) -> str:
    """Registers a barrier of unknown age and owner, as it was met."""
    return register(log, form, by, photo, photo_name, **{**fields, "built": None, "found": True, "embedded": embedded})


def figures_of(culprits: Any = (), vigour: str = "", snow_mm: Any = None, **more: Any) -> dict[str, Any]:
    """A barrier's figures as they are kept. Raises CannotUse for an unknown culprit or vigour, or no depth of snow."""
    culprits = [other_names().get(each, each) for each in culprits]
    for culprit in culprits:
        if culprit not in NEED_OF:
            raise CannotUse(f"'{culprit}' is no culprit that barriers are built against; there is {', '.join(NEED_OF)}")
    if vigour and vigour not in VIGOURS:
        raise CannotUse(f"'{vigour}' is no vigour; choose one of {', '.join(VIGOURS)}")
    kept: dict[str, Any] = {"culprits": list(culprits)} if culprits else {}
    kept |= {"vigour": vigour} if vigour else {}
    if snow_mm not in (None, ""):
        try:
            depth = float(snow_mm)
        except (TypeError, ValueError):
            depth = -1.0
        if not 0 <= depth < 1e5:
            raise CannotUse(f"'{snow_mm}' is no depth of snow in mm")
        kept["snow_mm"] = depth
    return kept | more


def register_plan(log: Log, plan: Plan | Mapping[str, Any], site: str, built: date, tags: tuple[str, ...] = (),
                  by: str = "", species: str = "", **place: Any) -> list[str]:
    """Registers what a plan chose as standing since a day: a record a tree where tags are given, else one a kind.

    plan : a plan, or what `diagnose protect --json` printed of it. place : lat, lon, error_m. Raises CannotUse.
    """
    told = plan if isinstance(plan, Mapping) else plan.as_json()
    try:
        planting, sizes, parts = told["planting"], told["dimensions_mm"], told["chosen"]["sizes"]
        culprits, snow_mm = list(planting["culprits"]), planting["snow_mm"]
        rows: list[dict[str, Any]] = []
        for part in parts:
            key = part["barrier"]
            form = forms()["form_of_part"].get(key)
            if form is None:
                continue
            area = catalogue()[key]["where"].startswith("area")
            row = {"site": site, "form": form, "material": part["name"], "built": built.isoformat(), "by": by,
                   "species": species, "inner_mm": sizes[key].get("across"), "height_mm": sizes[key].get("top") or None,
                   "figures": figures_of(culprits, snow_mm=snow_mm, part=key, plan_mm=sizes[key]), **place}
            if tags and not area:
                rows += [{**row, "plant": tag, "label": tag, "pieces": 1} for tag in tags]
            else:
                rows.append({**row, "pieces": planting["fence_m"] if area else planting["trees"]})
    except (KeyError, TypeError, AttributeError):
        raise CannotUse("this is no plan; give what was printed by: diagnose protect ... --json") from None
    if not rows:
        raise CannotUse("the plan puts up nothing that stands; there is nothing to register")
    return log.save_many("barrier", rows)


@dataclass
class Registered:
    """What a CSV file brought. refused : line, and why. ignored : columns that are no fields."""

    saved: int = 0
    refused: list[tuple[int, str]] = field(default_factory=list)
    ignored: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        lines = [f"{self.saved} barriers registered, {len(self.refused)} lines refused"]
        lines += [f"ignored columns: {', '.join(self.ignored)}"] if self.ignored else []
        return "\n".join(lines + [f"line {line}: {why}" for line, why in self.refused])


_COLUMNS = ("site", "plant", "label", "form", "material", "species", "built", "removed", "left_behind", "lat", "lon",
            "error_m", "pieces", "inner_mm", "height_mm", "found", "embedded", "note", "by")
_FIGURES = ("culprits", "snow_mm", "vigour")
COLUMNS = (*_COLUMNS, *_FIGURES)  # that a CSV file of barriers may have
_YES, _NO = {"yes", "true", "1", "x"}, {"no", "false", "0", ""}
_NUMBERS = ("lat", "lon", "error_m", "pieces", "inner_mm", "height_mm", "snow_mm")


def register_csv(log: Log, place: str | Path, by: str = "") -> Registered:
    """Registers a CSV file's good rows in one transaction and reports the others. A column a field; `culprits` are
    separated by blanks, `snow_mm` and `vigour` belong to the figures.

    Raises CannotUse, and saves nothing, for a file that is no such CSV.
    """
    try:
        with Path(place).open("rb") as file:
            raw = file.read(MOST_BYTES)
    except OSError as problem:
        raise CannotUse(f"{place} cannot be read ({problem.strerror})") from None
    try:
        told = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        told = raw.decode("cp1252", errors="replace")  # Windows' western letters
    first = told.partition("\n")[0]
    between = max(",;\t", key=first.count)
    table = [(line, cells) for line, cells in rows(told, str(place), between) if cells]
    columns = [name.strip() for name in (table[0][1] if table else ())]
    if "form" not in columns:
        raise CannotUse(f"{place} has no column 'form'; its columns may be {', '.join(COLUMNS)}")
    done, good = Registered(ignored=[name for name in columns if name not in COLUMNS]), []
    for line, cells in table[1:]:
        try:
            if len(cells) != len(columns):
                raise CannotUse("it has more or fewer cells than the first line has columns")
            good.append(_row(dict(zip(columns, cells, strict=True)), by, comma=between == ";"))
        except CannotUse as reason:
            done.refused.append((line, str(reason)))
    done.saved = len(log.save_many("barrier", good))
    return done


def _row(cells: Mapping[str, str], by: str, comma: bool) -> dict[str, Any]:
    told = {name: value.strip() for name, value in cells.items()}
    trait(told["form"], "closed")
    if comma:
        told |= {name: told[name].replace(",", ".") for name in _NUMBERS if name in told}
    row: dict[str, Any] = {name: told[name] for name in _COLUMNS if told.get(name)}
    row |= {name: _yes(row[name], name) for name in ("found", "embedded") if name in row}
    figures = figures_of(told.get("culprits", "").split(), told.get("vigour", ""), told.get("snow_mm"))
    row = {"by": by, "site": "", **row, "figures": figures}
    _in_order(row.get("built"), row.get("removed"))
    return checked("barrier", row)


def _yes(word: str, name: str) -> bool:
    if word.lower() not in _YES | _NO:
        raise CannotUse(f"'{word}' is neither yes nor no for '{name}'")
    return word.lower() in _YES


def _in_order(built: str | None, removed: str | None) -> None:
    if built and removed and removed < built:
        raise CannotUse(f"it cannot be removed on {removed} when it was put up on {built}")


def check(log: Log, barrier: str, finding: str, day: date, by: str = "", photo: bytes | None = None,
          photo_name: str = "", widened_to_mm: float | None = None, **fields: Any) -> str:
    """Enters one look at a barrier; returns the check's id. barrier : its id, or the start of it.

    widened_to_mm : the new clear width, where it was widened at this look [mm]. fields : stem_diameter_mm, height_mm,
    stands_alone, bark_safe, note. Raises CannotUse for an unknown barrier, or one that was removed before.
    """
    found = log.record("barrier", barrier)
    if found["removed"] and found["removed"] < day.isoformat():
        raise CannotUse(f"barrier {barrier} was removed on {found['removed']}; there is nothing to check on {day}")
    own = log.save("check", photo, photo_name, barrier=found["id"], finding=finding, day=day.isoformat(), by=by, **fields)
    if widened_to_mm is not None:
        log.correct(found["id"], by=by, kind="barrier", inner_mm=widened_to_mm)
    return own


def take_away(log: Log, barrier: str, day: date, left_behind: str = "", by: str = "") -> str:
    """Marks a barrier as removed on a day; returns its id.

    left_behind : what stayed in the ground or in the stem; empty for nothing. What is grown in stays in any case.
    """
    found = log.record("barrier", barrier)
    _in_order(found["built"], day.isoformat())
    stays = left_behind or (GROWN_IN if found["embedded"] else "")
    return log.correct(found["id"], by=by, kind="barrier", removed=day.isoformat(), left_behind=stays)
