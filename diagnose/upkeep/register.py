"""Which barriers were put up, found, checked and taken away?

Everything is kept in the log: a barrier is corrected, never overwritten, and its checks stand beside it.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.fields import checked
from diagnose.knowledge import knowledge
from diagnose.upkeep.outlook import trait

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log
    from diagnose.protect.plan import Plan

FORMS: tuple[str, ...] = tuple(knowledge("diagnose.upkeep", "forms.yaml")["forms"])
# a part of the plan's catalogue -> the form that its upkeep follows
_FORM_OF = knowledge("diagnose.upkeep", "forms.yaml")["form_of_part"]
EMBEDDED = (
    "Cut away what is free; never pull at wire in a living stem and never dig into it. Mark the tree; the metal stays "
    "on the map for good, and no saw goes near its height."
)


def register(log: Log, form: str, by: str = "", **fields: Any) -> str:
    """Registers one barrier; returns its id. fields : columns of the log's barriers.

    figures may hold `culprits` (keys), `vigour`, `snow_mm`, `vented` and what else is known of it.
    """
    if form not in FORMS:
        raise CannotUse(f"'{form}' is no form of barrier; choose one of {', '.join(FORMS)}")
    return log.save("barrier", form=form, by=by, **fields)


def found_by_chance(log: Log, form: str, embedded: bool, by: str = "", **fields: Any) -> str:
    """Registers a barrier of unknown age and owner, as it was met."""
    return register(log, form, by, **{"built": None, "found": True, "embedded": embedded, **fields})


def register_plan(log: Log, plan: Plan, site: str, built: date, tags: tuple[str, ...] = (), by: str = "",
                  species: str = "") -> list[str]:
    """Registers what the plan chose as standing since a day: a record a tree where tags are given, else one a kind."""
    culprits = [key for key, _ in plan.place.threats]
    rows: list[dict[str, Any]] = []
    for part in plan.chosen.parts:
        if part.key not in _FORM_OF:
            continue
        form = _FORM_OF[part.key]
        told = plan.as_json()["dimensions_mm"][part.key]
        row = {"site": site, "form": form, "material": part.name, "built": built.isoformat(), "by": by, "species": species,
               "inner_mm": told.get("across"), "height_mm": told.get("top") or None,
               "figures": {"culprits": culprits, "snow_mm": plan.place.snow_mm, "part": part.key, "plan_mm": told}}
        if tags and not part.round_the_planting:
            rows += [{**row, "plant": tag, "label": tag, "pieces": 1} for tag in tags]
        else:
            rows.append({**row, "pieces": plan.place.ground.fence_m if part.round_the_planting else plan.place.trees})
    return log.save_many("barrier", rows)


@dataclass
class Registered:
    """What a CSV file brought. refused : line, and why."""

    saved: int = 0
    refused: list[tuple[int, str]] = field(default_factory=list)

    def __str__(self) -> str:
        return "\n".join([f"{self.saved} barriers registered, {len(self.refused)} lines refused"]
                         + [f"line {line}: {why}" for line, why in self.refused])


_COLUMNS = ("site", "plant", "label", "form", "material", "species", "built", "removed", "left_behind", "lat", "lon",
            "error_m", "pieces", "inner_mm", "height_mm", "found", "embedded", "note", "by")
_YES = {"yes", "true", "1", "x"}


def register_csv(log: Log, place: str | Path, by: str = "") -> Registered:
    """Registers a CSV file's good rows in one transaction and reports the others. A column a field; `culprits` are
    separated by blanks, `snow_mm` and `vigour` belong to the figures.

    Raises CannotUse, and saves nothing, for a file that is no such CSV.
    """
    try:
        with Path(place).open(encoding="utf-8-sig", newline="") as file:
            table = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error):
        raise CannotUse(f"{place} cannot be read as CSV; save it as CSV in UTF-8, with a first line of column names") from None
    if not table or "form" not in table[0]:
        raise CannotUse(f"{place} has no column 'form'; its columns may be {', '.join(_COLUMNS)}, culprits, snow_mm, vigour")
    done, rows = Registered(), []
    for line, cells in enumerate(table, 2):
        try:
            rows.append(_row(cells, by))
        except CannotUse as reason:
            done.refused.append((line, str(reason)))
    done.saved = len(log.save_many("barrier", rows))
    return done


def _row(cells: Mapping[str | None, Any], by: str) -> dict[str, Any]:
    if None in cells:
        raise CannotUse("more cells than columns")
    told = {str(name).strip(): (value or "").strip() for name, value in cells.items()}
    if told.get("form") not in FORMS:
        raise CannotUse(f"'{told.get('form')}' is no form of barrier; choose one of {', '.join(FORMS)}")
    row: dict[str, Any] = {name: told[name] for name in _COLUMNS if told.get(name)}
    row |= {name: row[name].lower() in _YES for name in ("found", "embedded") if name in row}
    figures: dict[str, Any] = {}
    if told.get("culprits"):
        figures["culprits"] = told["culprits"].split()
    if told.get("snow_mm"):
        figures["snow_mm"] = _number(told["snow_mm"], "snow_mm")
    if told.get("vigour"):
        figures["vigour"] = told["vigour"]
    row = {"by": by, **row, "figures": figures}
    checked("barrier", row)
    return row


def _number(text: str, name: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise CannotUse(f"'{text}' is no number for {name}") from None


def check(log: Log, barrier: str, finding: str, day: date, by: str = "", photo: bytes | None = None,
          photo_name: str = "", **fields: Any) -> str:
    """Enters one look at a barrier; returns the check's id. barrier : its id, or the start of it.

    fields : stem_diameter_mm, height_mm, stands_alone, bark_safe, note. Raises CannotUse for an unknown barrier.
    """
    whole = str(log.record("barrier", barrier)["id"])
    return log.save("check", photo, photo_name, barrier=whole, finding=finding, day=day.isoformat(), by=by, **fields)


def take_away(log: Log, barrier: str, day: date, left_behind: str = "", by: str = "") -> str:
    """Marks a barrier as removed on a day. left_behind : what stayed in the ground or in the stem; empty for nothing."""
    return log.correct(barrier, by=by, kind="barrier", removed=day.isoformat(), left_behind=left_behind)


def is_metal(form: str, material: str) -> bool:
    """Would it ruin a saw or a mower? By its form, and by words of its material."""
    words = material.lower()
    if any(word in words for word in ("wire", "weld", "steel", "metal", "hardware", "staple", "barbed", "rebar", "mesh of iron")):
        return True
    return bool(trait(form, "metal")) and "plastic" not in words
