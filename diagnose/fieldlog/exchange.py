"""How do a log's observations leave for a spreadsheet, a map, a satellite receiver or a table in memory?

Each function writes observations, exact or coarsened (see privacy), in one open format. They come as a frame, or as
frames one after the other, of which only one is held at a time.
"""

from __future__ import annotations

import codecs
import json
import math
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, TypeAlias
from xml.sax.saxutils import escape

import pandas as pd

from diagnose.extras import lacking
from diagnose.fieldlog.query import NESTED
from diagnose.whole_file import beside

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

Rows: TypeAlias = pd.DataFrame | Iterable[pd.DataFrame]
_RISKY = ("=", "+", "-", "@", "\t", "\r")  # spreadsheets run cells that begin so
_MARKED = frozenset((*_RISKY, "'"))
# in JSON: an escape that is no letter beyond ASCII by itself
_NOT_A_LETTER = re.compile(r"\\(?:[^u]|u00[01]|u[dD][89a-fA-F])")
# numbers, JSON objects and what the log writes itself: none of them begins so
_HARMLESS = frozenset(("lat", "lon", "error_m", *NESTED, "id", "saved_at", "taken_at", "taken_local", "photo", "deleted",
                       "disputed", "generalised", "withheld"))


def each_part(rows: Rows) -> Iterator[pd.DataFrame]:
    """The frames, one after the other.

    Parameters
    ----------
    rows
        A frame, or frames one after the other [no unit].
    """
    yield from [rows] if isinstance(rows, pd.DataFrame) else rows


def write_csv(rows: Rows, place: str | Path) -> Path:
    """UTF-8 with a mark that spreadsheets know, a column a field, nested ones as JSON.

    Text that a spreadsheet would run as a formula gets an apostrophe before it; import takes it away again.

    Parameters
    ----------
    rows
        Observations [no unit].
    place
        File to write [no unit].
    """
    with _whole(place) as file:
        file.write(codecs.BOM_UTF8)
        for number, part in enumerate(each_part(rows)):
            flat = flattened(part)
            columns = [flat[name] if name in _HARMLESS else _harmless(flat[name]) for name in flat.columns]
            if number == 0:
                file.write((",".join(map(_cell, flat.columns)) + "\n").encode())
            lines = map(",".join, zip(*([_cell(value) for value in column.tolist()] for column in columns), strict=True))
            file.write("".join(f"{line}\n" for line in lines).encode())
    return Path(place)


def _cell(value: Any) -> str:
    """A cell of a CSV file, quoted where RFC 4180 asks for it; empty where nothing is known.

    csv and pandas look at one letter after the other for quotation marks, of which JSON is full: that takes twice as long.
    """
    if not isinstance(value, str):
        return "" if value is None or value != value else str(value)
    if '"' in value:
        return '"' + value.replace('"', '""') + '"'
    return f'"{value}"' if "," in value or "\n" in value or "\r" in value else value


def flattened(rows: pd.DataFrame) -> pd.DataFrame:
    """The same rows with nested fields as JSON text, for formats that know only plain columns.

    Parameters
    ----------
    rows
        Observations [no unit].
    """
    flat = rows.copy()
    for name in set(NESTED) & set(flat.columns):
        flat[name] = pd.Series(list(map(_as_text, flat[name])), flat.index, dtype=object)
    return flat


def _as_text(value: Any) -> str:
    """A nested field, or the text that it is stored as, as text that people can read; nothing where it is empty."""
    if isinstance(value, str):
        if "\\" not in value:
            return "" if value == "{}" else value
        if not _NOT_A_LETTER.search(value):
            first, *others = value.split("\\u")  # letters beyond ASCII are stored as numbers
            return first + "".join([chr(int(part[:4], 16)) + part[4:] for part in others])
        value = json.loads(value)
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")) if value else ""


def write_geojson(rows: Rows, place: str | Path) -> Path:
    """RFC 7946: WGS 84, longitude first, a feature an observation; those without a position have no geometry.

    Parameters
    ----------
    rows
        Observations [no unit].
    place
        File to write [no unit].

    References
    ----------
    .. [1] RFC 7946, The GeoJSON Format.
    """
    with _whole(place) as file:
        file.write(b'{"type":"FeatureCollection","features":[')
        for number, row in enumerate(_plain(rows)):
            file.write(b",\n" * bool(number) + _feature(row).encode())
        file.write(b"]}\n")
    return Path(place)


def _feature(row: dict[str, Any]) -> str:
    """An observation as GeoJSON. Nested fields are JSON already where they were not read: they go in as they are stored."""
    place = None if row["lat"] is None or row["lon"] is None else {"type": "Point", "coordinates": [row["lon"], row["lat"]]}
    head = _json({"type": "Feature", "id": row["id"], "geometry": place})
    plain = _json({name: value for name, value in row.items() if name not in ("id", "lat", "lon", *NESTED)})
    nested = [f'"{name}": {_as_text(row[name]) or "{}"}' for name in NESTED if name in row]
    properties = ", ".join([plain[1:-1]] * (plain != "{}") + nested)
    return f'{head[:-1]}, "properties": {{{properties}}}}}'


def _json(value: dict[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def write_gpx(rows: Rows, place: str | Path) -> Path:
    """GPX 1.1 waypoints, one for each observation that has a position; times in UTC, left out where only local.

    Parameters
    ----------
    rows
        Observations [no unit].
    place
        File to write [no unit].

    References
    ----------
    .. [1] GPX 1.1 Schema Documentation, topografix.com/GPX/1/1.
    """
    with _whole(place) as file:
        file.write(b'<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="browse-diagnose" '
                   b'xmlns="http://www.topografix.com/GPX/1/1">\n')
        for row in _plain(rows):
            if row["lat"] is not None and row["lon"] is not None:
                file.write(_waypoint(row).encode())
        file.write(b"</gpx>\n")
    return Path(place)


def _waypoint(row: dict[str, Any]) -> str:
    lon = row["lon"] if row["lon"] < 180 else -180.0  # the schema's longitudes end below 180
    when = utc(row.get("taken_at"), bool(row.get("taken_local")))
    name = " ".join(filter(None, (row.get("site"), row.get("plant")))) or row["id"][:8]
    told = [f"error {row['error_m']:g} m" if row.get("error_m") is not None else "", row.get("species") or "",
            row.get("note") or ""]
    parts = [f'<wpt lat="{row["lat"]:.7f}" lon="{lon:.7f}">', f"<time>{when}</time>" if when else "",
             f"<name>{_xml(name)}</name>", f"<desc>{_xml('; '.join(filter(None, told)))}</desc>",
             f"<type>{_xml(row.get('named') or row.get('leading') or 'cannot tell')}</type>", "</wpt>\n"]
    return "".join(parts)


def frame(rows: pd.DataFrame) -> GeoDataFrame:
    """The rows as a GeoPandas frame of WGS 84 points.

    Parameters
    ----------
    rows
        Observations [no unit].

    Raises
    ------
    CannotUse
        When geopandas is not installed.
    """
    try:
        import geopandas
    except ModuleNotFoundError:
        raise lacking("gis", "a frame with geometry") from None
    points = geopandas.points_from_xy(rows["lon"].astype(float), rows["lat"].astype(float))
    return geopandas.GeoDataFrame(rows.copy(), geometry=points, crs="EPSG:4326")


def utc(taken_at: str | None, local: bool) -> str | None:
    """The moment in UTC with a Z, or None where only the camera's local clock is known.

    Parameters
    ----------
    taken_at
        Moment in ISO 8601; None where it is not known [no unit].
    local
        Whether only the camera's local clock is known [no unit].
    """
    if not taken_at or local or len(taken_at) == 10:
        return None
    moment = datetime.fromisoformat(taken_at)
    if moment.tzinfo is None:
        return None
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _plain(rows: Rows) -> Iterator[dict[str, Any]]:
    """Each row as plain values, NaN as None."""
    for part in each_part(rows):
        columns = list(part.columns)
        for values in part.itertuples(index=False, name=None):
            yield {name: _none(value) for name, value in zip(columns, values, strict=True)}


def _none(value: Any) -> Any:
    if isinstance(value, float) and math.isnan(value):
        return None
    if isinstance(value, dict | list | str) or value is None:
        return value
    return value.item() if hasattr(value, "item") else value


def _harmless(column: pd.Series) -> pd.Series:
    """The column with an apostrophe before each text that a spreadsheet would run."""
    cells = column.tolist()
    if not any(isinstance(cell, str) and cell[:1] in _MARKED for cell in cells):
        return column
    return pd.Series([f"'{cell}" if isinstance(cell, str) and cell[:1] in _MARKED else cell for cell in cells],
                     column.index, dtype=object)


def unharmed(cell: str) -> str:
    """A cell as it was before the apostrophe that keeps spreadsheets from running it.

    Parameters
    ----------
    cell
        Of a CSV file [no unit].
    """
    return cell[1:] if cell.startswith("'") and cell[1:].startswith((*_RISKY, "'")) else cell


def _xml(text: str) -> str:
    """Text that XML 1.0 can carry: control characters left out, marks escaped."""
    return escape("".join(sign for sign in text if sign in "\t\n\r" or 0x20 <= ord(sign) < 0xD800 or
                          0xE000 <= ord(sign) <= 0xFFFD or ord(sign) >= 0x10000))


@contextmanager
def _whole(place: str | Path) -> Iterator[BinaryIO]:
    """A file that appears under its name only when it is written to its end."""
    target = Path(place)
    with beside(target) as temporary, open(temporary, "wb") as file:
        yield file


def takes_text(name: str) -> bool:
    """Does the format of files of this name take nested fields as the JSON that is stored? Then they need not be read.

    Parameters
    ----------
    name
        Of the file that is written [no unit].
    """
    return Path(name).suffix.lower() in (".csv", ".geojson", ".gpkg", ".gpx")
