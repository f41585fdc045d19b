"""How fast are a large register's due works listed, beside the plain SQL that fetches the same rows?

Run as `python -m diagnose.upkeep.benchmark [BARRIERS]`: fills a log in a temporary folder with invented barriers, each
with two checks, and times due.due against the same rows fetched by SQLite alone, the better of three runs each.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
import uuid
from collections.abc import Callable
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import insert

from diagnose.fieldlog.store import DATABASE, Log, open_log
from diagnose.fieldlog.tables import Barrier, Check
from diagnose.upkeep.due import due

ON = date(2026, 11, 25)
_MAKES = (("cage", 900.0, 1500.0, "Quercus rubra"), ("vented tree shelter", 89.0, 1200.0, "Acer rubrum"),
          ("mesh tube", 125.0, 1200.0, "Pinus strobus"), ("wire cylinder", 200.0, 600.0, "Malus"))
_FETCHES = (
    "select id, site, plant, label, form, material, species, built, lat, lon, error_m, pieces, inner_mm, figures, found, "
    "embedded, saved_at from barrier where deleted = 0 and removed is null order by site, label, id",
    'select barrier, day, finding, stem_diameter_mm, height_mm, stands_alone, bark_safe from "check" where deleted = 0 '
    "order by barrier, day, saved_at",
)


def fill(log: Log, barriers: int, seed: int = 1) -> None:
    """Invented barriers built since 2019 on fifty sites, each checked in the two last autumns; most are sound.

    Parameters
    ----------
    log
        A log that holds no barriers yet [no unit].
    barriers
        How many are made up [barriers].
    seed
        Of the random numbers: the same seed gives the same register, but for the identifiers of the log itself [no unit].
    """
    chance = np.random.default_rng(seed)
    rows, looks = [], []
    for number in range(barriers):
        form, inner, height, species = _MAKES[number % len(_MAKES)]
        year, stem = 2019 + int(chance.integers(0, 6)), float(chance.uniform(10, 40))
        own, saved = str(uuid.UUID(int=int(chance.integers(0, 2**62)) << 64 | number, version=4)), "2026-01-01T10:00:00"
        rows.append({"id": own, "saved_at": saved, "site": f"field {number % 50:02d}", "plant": str(number),
                     "label": f"B{number}", "form": form, "built": f"{year}-04-01", "species": species,
                     "lat": 46 + float(chance.random()), "lon": -72 + float(chance.random()), "error_m": 5.0,
                     "pieces": 1.0, "inner_mm": inner, "height_mm": height,
                     "figures": {"culprits": ["deer_browsing"], "snow_mm": 300.0}})
        for look, (day, more) in enumerate((("2025-10-01", 0.0), ("2026-10-01", float(chance.uniform(2, 10))))):
            looks.append({"id": str(uuid.UUID(int=int(chance.integers(0, 2**62)) << 64 | 2 * number + look, version=4)),
                          "saved_at": saved, "barrier": own, "day": day, "stem_diameter_mm": round(stem + more, 1),
                          "height_mm": 800.0 + 100 * look, "finding": "leaning" if chance.random() < 0.05 else "sound"})
    with log.writing() as session:
        session.execute(insert(Barrier), rows)
        session.execute(insert(Check), looks)


def plain_sql(folder: Path) -> int:
    """Fetches the rows by SQLite alone; returns how many.

    Parameters
    ----------
    folder
        The log's folder [no unit].

    Returns
    -------
    int
        Barriers and checks together [rows].
    """
    with closing(sqlite3.connect(folder / DATABASE)) as connection:
        return sum(len(connection.execute(query).fetchall()) for query in _FETCHES)


def _timed(work: Callable[[], Any], times: int = 3) -> float:
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def main(barriers: int = 50_000) -> None:
    """Prints both times and their ratio.

    Parameters
    ----------
    barriers
        How many are made up [barriers].
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "log"
        log = open_log(folder)
        fill(log, barriers)
        plain = _timed(lambda: plain_sql(folder))
        listed = _timed(lambda: due(log, ON))
        print(f"{barriers} barriers, {2 * barriers} checks: plain SQL {plain:.2f} s, due list of {len(due(log, ON))} "
              f"works {listed:.2f} s, {listed / plain:.1f} times as long")


if __name__ == "__main__":
    main(*(int(each) for each in sys.argv[1:2]))
