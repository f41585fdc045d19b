"""How fast is the log beside the plainest way of doing the same?

Run as `python -m diagnose.validation.log_speed [--whole] [IMPORTED] [MAPPED] [HELD ...]`: imports a CSV file with as many
observations as said and compares with pandas' to_sql of the same rows (same columns, same indexes, same syncing); then asks
map windows of a log of MAPPED observations and compares with the same question in raw SQL on the same file, warm and cold;
then gives all of them out as CSV, as a list and a filtered list, and compares with pandas' read_sql and to_csv of the same.
The log is as real ones are: with signs and verdicts, and never analysed.
Cold: a process of its own asks once, after the system was told to drop the file's pages (posix_fadvise DONTNEED). HELD:
sizes of logs for which the most memory held by importing, listing and exporting is measured, each in its own process.
--whole: each row carries all that the tool itself saves of a wound, some 8 kB, in place of the gist of it in 150 bytes;
pandas then holds ten times as much memory, so that 100,000 rows are enough.
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import create_engine, event

from diagnose.fieldlog.engines import durable
from diagnose.fieldlog.load import import_csv
from diagnose.fieldlog.privacy import export
from diagnose.fieldlog.query import EVERY, FIELDS, NESTED, Query
from diagnose.fieldlog.rows import DEFAULTS
from diagnose.fieldlog.store import DATABASE, open_log
from diagnose.fieldlog.tables import Base
from diagnose.report.plain import LISTED, observation_lines

WHOLE = False
_SHOWN = "id, lat, lon, error_m, taken_at, leading, site, plant"


def rows(number: int, seed: int = 1) -> pd.DataFrame:
    """Invented observations, evenly spread over one degree square, a column a field.

    Parameters
    ----------
    number
        Observations [no unit].
    seed
        Of the random draw [no unit].
    """
    chance = np.random.default_rng(seed)
    culprits = np.array(["rabbit", "deer_browsing", "vole_surface", "hare"])
    days = pd.to_datetime("2024-01-01") + pd.to_timedelta(chance.integers(0, 700 * 86400, number), unit="s")
    nested = _saved() if WHOLE else {
        "signs": {"wound": "severed_shoot", "seen_slope_deg": {"value": 41.0, "sigma": 2.5}},
        "verdict": {"culprits": {"rabbit": 0.81, "hare": 0.19}, "leading": "rabbit"}}
    return pd.DataFrame({
        "taken_at": days.strftime("%Y-%m-%dT%H:%M:%S"), "taken_local": True,
        "lat": (46 + chance.random(number)).round(7), "lon": (-72 + chance.random(number)).round(7),
        "error_m": chance.uniform(3, 12, number).round(1), "site": chance.choice(["north", "south"], number),
        "plant": chance.integers(1, 9999, number).astype(str), "species": "Quercus rubra", "by": "AB",
        **{name: json.dumps(told) for name, told in nested.items()}, "leading": chance.choice(culprits, number),
        "catalogue": "1",
    })


@cache
def _saved() -> dict[str, Any]:
    """The nested fields of an observation as the tool saves it."""
    from diagnose.diagnosis import diagnose_answers
    from diagnose.fieldlog import fields_of
    from diagnose.signs import parse_signs

    seen = {"wound": "severed_shoot", "position": "low", "seen_slope_deg": {"value": 41.0, "sigma": 2.5},
            "end_diameter_mm": {"value": 5.2, "sigma": 0.2}, "end_form": {"clean": 0.9, "half": 0.08, "torn": 0.02}}
    told = fields_of(diagnose_answers(parse_signs(seen)))
    return {name: told[name] for name in NESTED}


def importing(number: int, folder: Path) -> tuple[float, float]:
    """Seconds for to_sql of a CSV file's rows, and for the log's import of the file.

    Parameters
    ----------
    number
        Observations [no unit].
    folder
        That is written to [no unit].
    """
    source = folder / "rows.csv"
    rows(number).to_csv(source, index=False)
    return _timed(lambda: _to_sql(source, folder / "plain.sqlite")), _timed(
        lambda: import_csv(open_log(folder / "log"), source))


def _to_sql(source: Path, file: Path) -> None:
    engine = create_engine(f"sqlite:///{file}")
    event.listen(engine, "connect", durable)
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
    with engine.begin() as connection:
        Base.metadata.create_all(connection)
    table = pd.read_csv(source)
    table["id"] = [f"00000000-0000-4000-8000-{number:012x}" for number in np.random.permutation(len(table))]
    others = {**DEFAULTS, "saved_at": "2026-01-01"}
    for name in FIELDS:
        if name not in table:
            table[name] = "{}" if others[name] == {} else others[name]
    with engine.begin() as connection:
        table.to_sql("observation", connection, if_exists="append", index=False)
    engine.dispose()


def windows(number: int, folder: Path) -> list[tuple[int, float, float, float, float]]:
    """For windows of about 10, 1,000 and 50,000 hits: the hits, seconds of raw SQL and of the log, warm, then cold.

    Parameters
    ----------
    number
        Observations [no unit].
    folder
        That is written to [no unit].

    Raises
    ------
    AssertionError
        Where the log and raw SQL find different observations.
    """
    log = open_log(folder / "mapped")
    for start in range(0, number, 100_000):
        some = rows(min(100_000, number - start), seed=start + 2)
        for name in set(NESTED) & set(some.columns):
            some[name] = some[name].map(json.loads)
        log.save_observations(some.to_dict("records"))
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
        cold = [(_cold("raw", folder, box), _cold("log", folder, box)) for _ in range(5)]
        warm_and_cold = [*zip(*times, strict=True), *zip(*cold, strict=True)]
        found.append((len(ours), *(float(np.median(each)) for each in warm_and_cold)))
    return found  # type: ignore[return-value]


def _cold(which: str, folder: Path, box: tuple[float, ...]) -> float:
    """Seconds of one question by a fresh process, the file's pages dropped from the system's memory before."""
    with (folder / "mapped" / DATABASE).open("rb") as file:
        os.fsync(file.fileno())  # only pages that are on the disk can be dropped
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    own = [sys.executable, "-m", "diagnose.validation.log_speed"]
    asked = [*own, f"--cold-{which}", str(folder / "mapped"), *map(str, box)]
    return float(subprocess.run(asked, check=True, capture_output=True, text=True).stdout)


def _asked_cold(which: str, folder: str, box: tuple[float, ...]) -> None:
    if which == "--cold-raw":
        with closing(sqlite3.connect(Path(folder) / DATABASE)) as raw:
            print(_timed(lambda: _raw(raw, box)))
    else:
        log = open_log(folder)
        print(_timed(lambda: log.window(*box)))


_FILTER: dict[str, Any] = {"site": "north", "leading": "rabbit", "since": "2024-06-01", "until": "2024-07-01"}
_LIST = "select id, taken_at, site, plant, leading, lat, lon from observation where deleted = 0"
_SOME = f"{_LIST} and site = ? and leading = ? and taken_at >= ? and taken_at <= ? || 'T23:59:59.999999'"


def giving_out(folder: Path) -> list[tuple[str, float, float, float, float]]:
    """For CSV, list and filtered list of the mapped log: seconds of plain pandas and of the log, then of the processor.

    The processor's seconds tell the same while other programs share the machine. Each way reads the file once before.

    Parameters
    ----------
    folder
        Where `windows` left its log [no unit].
    """
    log, out = open_log(folder / "mapped"), folder / "out.csv"

    def lines(query: Query = EVERY) -> None:
        with out.open("w", encoding="utf-8") as file:
            for line in observation_lines(log.parts(query, LISTED, as_text=True)):
                print(line, file=file)

    with closing(sqlite3.connect(folder / "mapped" / DATABASE)) as raw:
        whole = "select * from observation where deleted = 0"
        works: list[tuple[str, Callable[[], Any], Callable[[], Any]]] = [
            ("CSV", lambda: pd.read_sql_query(whole, raw).to_csv(out, index=False),
             lambda: export(log, log.parts(as_text=True), out)),
            ("list", lambda: pd.read_sql_query(_LIST, raw).to_csv(out, index=False), lines),
            ("filtered list", lambda: pd.read_sql_query(_SOME, raw, params=tuple(_FILTER.values())).to_csv(out, index=False),
             lambda: lines(Query(**_FILTER))),
        ]
        _raw(raw, (0.0, 90.0, -180.0, 180.0))
        found = []
        for name, plain, ours in works:
            (one, one_cpu), (two, two_cpu) = _both(plain), _both(ours)
            found.append((name, one, two, one_cpu, two_cpu))
    return found


def _both(work: Callable[[], Any]) -> tuple[float, float]:
    begun = time.process_time()
    return _timed(work), time.process_time() - begun


# the command in a process of its own, which says its own peak: getrusage would tell the parent's too; Linux only
_HELD = """
import pathlib, sys
from diagnose.cli import main
main(sys.argv[1:])
print(int(pathlib.Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) // 1024, file=sys.stderr)
"""


def held(number: int, folder: Path) -> dict[str, int]:
    """Most memory that a process holds that imports so many rows, lists them, or exports them [MB].

    Parameters
    ----------
    number
        Observations [no unit].
    folder
        That is written to [no unit].
    """
    source, log = folder / f"{number}.csv", folder / f"held{number}"
    for start in range(0, number, 50_000):
        some = rows(min(50_000, number - start), seed=start + 3)
        some.to_csv(source, mode="a" if start else "w", header=start == 0, index=False)
    work = {"import": ["import", str(source)], "list": ["list"], "export as CSV": ["export", str(folder / "out.csv")],
            "filtered list": ["list", "--site", "north", "--culprit", "rabbit", "--since", "2024-06-01",
                              "--until", "2024-07-01"],
            "export as GeoPackage": ["export", str(folder / "out.gpkg")]}
    most = {}
    for name, arguments in work.items():
        asked = [sys.executable, "-c", _HELD, "log", *arguments, "--log", str(log)]
        most[name] = int(subprocess.run(asked, check=True, capture_output=True, text=True).stderr.split()[-1])
    return most


def _raw(connection: sqlite3.Connection, box: tuple[float, ...]) -> list[Any]:
    asked = f"select {_SHOWN} from observation where lat between ? and ? and lon between ? and ? and deleted = 0"
    return connection.execute(asked, box).fetchall()


def _timed(work: Callable[[], Any]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def main(imported: int = 100_000, mapped: int = 1_000_000, *sizes: int) -> None:
    """Prints every figure.

    Parameters
    ----------
    imported, mapped, *sizes
        Observations that are imported, that lie on the map, and of each log whose memory is measured [no unit].
    """
    with tempfile.TemporaryDirectory(dir=".") as folder:
        plain, ours = importing(imported, Path(folder))
        print(f"import of {imported} observations: {ours:.1f} s, {ours / plain:.2f} times to_sql ({plain:.1f} s)")
        for hits, raw, asked, raw_cold, asked_cold in windows(mapped, Path(folder)):
            print(f"window with {hits} hits: {asked * 1e3:.2f} ms, {asked / raw:.2f} times raw SQL ({raw * 1e3:.2f} ms); "
                  f"cold {asked_cold * 1e3:.1f} ms, {asked_cold / raw_cold:.2f} times raw SQL ({raw_cold * 1e3:.1f} ms)")
        for name, plain, ours, plain_cpu, ours_cpu in giving_out(Path(folder)):
            print(f"{name} of {mapped} observations: {ours:.1f} s, {ours / plain:.2f} times pandas ({plain:.1f} s); "
                  f"processor {ours_cpu:.1f} s, {ours_cpu / plain_cpu:.2f} times ({plain_cpu:.1f} s)")
        for size in sizes:
            told = ", ".join(f"{name} {most}" for name, most in held(size, Path(folder)).items())
            print(f"most memory held with {size} observations [MB]: {told}")


if __name__ == "__main__":
    if len(sys.argv) > 1 and sys.argv[1].startswith("--cold-"):
        _asked_cold(sys.argv[1], sys.argv[2], tuple(map(float, sys.argv[3:])))
    else:
        WHOLE = "--whole" in sys.argv
        main(*(int(each) for each in sys.argv[1:] if each != "--whole"))
