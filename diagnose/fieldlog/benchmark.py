"""How fast is the log beside the plainest way of doing the same?

Run as `python -m diagnose.fieldlog.benchmark [IMPORTED] [MAPPED]`: imports a CSV file with as many observations
as said and compares with pandas' to_sql of the same rows (same columns, same indexes, same syncing); then asks map
windows of a log of MAPPED observations and compares with the same question in raw SQL on the same file.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import create_engine, event, text

from diagnose.fieldlog.load import import_csv
from diagnose.fieldlog.store import DATABASE, FIELDS, _durable, open_log
from diagnose.fieldlog.tables import Base

_SHOWN = "id, lat, lon, error_m, taken_at, leading, site, plant"


def rows(number: int, seed: int = 1) -> pd.DataFrame:
    """Invented observations, evenly spread over one degree square, a column a field."""
    chance = np.random.default_rng(seed)
    culprits = np.array(["rabbit", "deer_browsing", "vole_surface", "hare"])
    days = pd.to_datetime("2024-01-01") + pd.to_timedelta(chance.integers(0, 700 * 86400, number), unit="s")
    signs = json.dumps({"wound": "severed_shoot", "seen_slope_deg": {"value": 41.0, "sigma": 2.5}})
    verdict = json.dumps({"culprits": {"rabbit": 0.81, "hare": 0.19}, "leading": "rabbit"})
    return pd.DataFrame({
        "taken_at": days.strftime("%Y-%m-%dT%H:%M:%S"), "taken_local": True,
        "lat": (46 + chance.random(number)).round(7), "lon": (-72 + chance.random(number)).round(7),
        "error_m": chance.uniform(3, 12, number).round(1), "site": chance.choice(["north", "south"], number),
        "plant": chance.integers(1, 9999, number).astype(str), "species": "Quercus rubra", "by": "AB",
        "signs": signs, "verdict": verdict, "leading": chance.choice(culprits, number), "catalogue": "1",
    })


def importing(number: int, folder: Path) -> tuple[float, float]:
    """Seconds for to_sql of a CSV file's rows, and for the log's import of the file."""
    source = folder / "rows.csv"
    rows(number).to_csv(source, index=False)
    return _timed(lambda: _to_sql(source, folder / "plain.sqlite")), _timed(
        lambda: import_csv(open_log(folder / "log"), source))


def _to_sql(source: Path, file: Path) -> None:
    engine = create_engine(f"sqlite:///{file}")
    event.listen(engine, "connect", _durable)
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
    with engine.begin() as connection:
        Base.metadata.create_all(connection)
    table = pd.read_csv(source)
    table["id"] = [f"00000000-0000-4000-8000-{number:012x}" for number in np.random.permutation(len(table))]
    for name in FIELDS:
        if name not in table:
            table[name] = {"barrier": "{}", "saved_at": "2026-01-01", "deleted": False, "disputed": False}.get(name)
    table = table.fillna({"note": "", "plot": "", "photo_role": "close-up"})
    with engine.begin() as connection:
        table.to_sql("observation", connection, if_exists="append", index=False)
    engine.dispose()


def windows(number: int, folder: Path) -> list[tuple[int, float, float]]:
    """For windows of about 10, 1,000 and 50,000 hits: the hits, seconds of raw SQL, seconds of the log."""
    log = open_log(folder / "mapped")
    for start in range(0, number, 100_000):
        some = rows(min(100_000, number - start), seed=start + 2)
        some["signs"], some["verdict"] = [{}] * len(some), [{}] * len(some)
        log.save_observations(some.to_dict("records"))
    with log.engine.connect() as connection:
        connection.execute(text("analyze"))
    found = []
    for hits in (10, 1_000, 50_000):
        wide = (min(1.0, hits / number)) ** 0.5
        box = (46.5 - wide / 2, 46.5 + wide / 2, -71.5 - wide / 2, -71.5 + wide / 2)
        with closing(sqlite3.connect(folder / "mapped" / DATABASE)) as raw:
            ours, plain = log.window(*box), _raw(raw, box)
            if sorted(row[0] for row in plain) != sorted(row.id for row in ours):
                raise AssertionError("the log and raw SQL found different observations")
            times = [(_timed(lambda r=raw, b=box: _raw(r, b)), _timed(lambda b=box: log.window(*b)))  # type: ignore[misc]
                     for _ in range(7 if hits > 10_000 else 40)]
        found.append((len(ours), *(float(np.median(each)) for each in zip(*times, strict=True))))
    return found  # type: ignore[return-value]


def _raw(connection: sqlite3.Connection, box: tuple[float, ...]) -> list[Any]:
    asked = f"select {_SHOWN} from observation where lat between ? and ? and lon between ? and ? and deleted = 0"
    return connection.execute(asked, box).fetchall()


def _timed(work: Callable[[], Any]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def main(imported: int = 100_000, mapped: int = 1_000_000) -> None:
    with tempfile.TemporaryDirectory(dir=".") as folder:
        plain, ours = importing(imported, Path(folder))
        print(f"import of {imported} observations: {ours:.1f} s, {ours / plain:.2f} times to_sql ({plain:.1f} s)")
        for hits, raw, asked in windows(mapped, Path(folder)):
            print(f"window with {hits} hits: {asked * 1e3:.2f} ms, {asked / raw:.2f} times raw SQL ({raw * 1e3:.2f} ms)")


if __name__ == "__main__":
    main(*(int(each) for each in sys.argv[1:3]))
