"""How do observations become a map layer that any GIS opens?

A GeoPackage is an SQLite file with a few agreed tables; it is written with Python's own SQLite, so no GIS library is
needed. References: OGC 12-128, GeoPackage Encoding Standard, core 1.4 (file and contents tables, geometry blob, annex F.3
for the spatial index); OGC 18-000, GeoPackage Related Tables Extension (photos as related media; from memory).
"""

from __future__ import annotations

import errno
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from diagnose.fieldlog.exchange import Rows, _plain, each_part, flattened, utc
from diagnose.fieldlog.fields import names
from diagnose.fieldlog.layer_style import write_style
from diagnose.whole_file import beside

_LAYER = "observation"
_REAL = ("lat", "lon", "error_m")
_YES_NO = ("taken_local", "deleted", "disputed")
_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],'
    'AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,'
    'AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]]'
)
_TABLES = """
pragma application_id = 0x47504B47;
pragma user_version = 10400;
create table gpkg_spatial_ref_sys (srs_name text not null, srs_id integer not null primary key,
  organization text not null, organization_coordsys_id integer not null, definition text not null, description text);
create table gpkg_contents (table_name text not null primary key, data_type text not null, identifier text unique,
  description text default '', last_change datetime not null default (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x double, min_y double, max_x double, max_y double, srs_id integer,
  constraint fk_gc_r_srs_id foreign key (srs_id) references gpkg_spatial_ref_sys(srs_id));
create table gpkg_geometry_columns (table_name text not null, column_name text not null,
  geometry_type_name text not null, srs_id integer not null, z tinyint not null, m tinyint not null,
  constraint pk_geom_cols primary key (table_name, column_name), constraint uk_gc_table_name unique (table_name),
  constraint fk_gc_tn foreign key (table_name) references gpkg_contents(table_name),
  constraint fk_gc_srs foreign key (srs_id) references gpkg_spatial_ref_sys (srs_id));
create table gpkg_extensions (table_name text, column_name text, extension_name text not null, definition text not null,
  scope text not null, constraint ge_tce unique (table_name, column_name, extension_name));
"""
_INDEX = f"rtree_{_LAYER}_geom"
_RTREE = ("gpkg_rtree_index", "http://www.geopackage.org/spec140/#extension_rtree", "write-only")
_RELATED = ("related_tables", "http://www.geopackage.org/18-000.html", "read-write")
_EXTENT = 'ST_MinX(NEW."geom"), ST_MaxX(NEW."geom"), ST_MinY(NEW."geom"), ST_MaxY(NEW."geom")'
_SET = ('minx = ST_MinX(NEW."geom"), maxx = ST_MaxX(NEW."geom"), '
        'miny = ST_MinY(NEW."geom"), maxy = ST_MaxY(NEW."geom")')
_PUT, _DROP = f'VALUES (NEW."fid", {_EXTENT});', f'DELETE FROM "{_INDEX}" WHERE id'
_SAME, _MOVED = 'OLD."fid" = NEW."fid" AND', 'OLD."fid" != NEW."fid" AND'
_OLD, _NEW = ('(OLD."geom" NOTNULL AND NOT ST_IsEmpty(OLD."geom"))', '(NEW."geom" NOTNULL AND NOT ST_IsEmpty(NEW."geom"))')
_NO_OLD, _NO_NEW = ('(OLD."geom" ISNULL OR ST_IsEmpty(OLD."geom"))', '(NEW."geom" ISNULL OR ST_IsEmpty(NEW."geom"))')
# what keeps the index right while a GIS edits the layer, by the standard's annex F.3: name, event, condition, work
_TRIGGERS = (
    ("insert", "INSERT", '(new."geom" NOT NULL AND NOT ST_IsEmpty(NEW."geom"))',
     f'INSERT OR REPLACE INTO "{_INDEX}" {_PUT}'),
    ("update2", 'UPDATE OF "geom"', f"{_SAME} {_NO_NEW}", f'{_DROP} = OLD."fid";'),
    ("update4", "UPDATE", f"{_MOVED} {_NO_NEW}", f'{_DROP} IN (OLD."fid", NEW."fid");'),
    ("update5", "UPDATE", f"{_MOVED} {_NEW}", f'{_DROP} = OLD."fid"; INSERT OR REPLACE INTO "{_INDEX}" {_PUT}'),
    ("update6", 'UPDATE OF "geom"', f"{_SAME} {_NEW} AND {_OLD}", f'UPDATE "{_INDEX}" SET {_SET} WHERE id = NEW."fid";'),
    ("update7", 'UPDATE OF "geom"', f"{_SAME} {_NEW} AND {_NO_OLD}", f'INSERT INTO "{_INDEX}" {_PUT}'),
    ("delete", "DELETE", 'old."geom" NOT NULL', f'{_DROP} = OLD."fid";'),
)
_PHOTOS = """
create table gpkgext_relations (id integer primary key autoincrement, base_table_name text not null,
  base_primary_column text not null default 'id', related_table_name text not null,
  related_primary_column text not null default 'id', relation_name text not null, mapping_table_name text not null unique);
create table photo (id integer primary key autoincrement not null, data blob not null, content_type text not null,
  observation text not null, role text not null, sha256 text not null);
create table observation_photo (base_id integer not null, related_id integer not null);
insert into gpkgext_relations values (1, 'observation', 'fid', 'photo', 'id', 'media', 'observation_photo');
"""


class Shown(NamedTuple):
    """A photo of an observation, to go with it.

    Parameters
    ----------
    observation, role
        Id of the observation, and what the photo shows [no unit].
    sha256, data
        Of the untouched original, and a JPEG [no unit].
    """

    observation: str
    role: str
    sha256: str
    data: bytes


def write_geopackage(rows: Rows, place: str | Path, photos: Iterable[Shown] = ()) -> Path:
    """One layer of points, `observation`, with every field as an attribute; moments also in UTC, as `taken_utc`.

    The layer has a spatial index, and a style that marks each verdict.

    Parameters
    ----------
    rows
        Observations [no unit].
    place
        File to write, .gpkg [no unit].
    photos
        Each becomes a row of the related table `photo`; taken one by one after the rows, so that memory does not grow
        with them [no unit].
    """
    parts = each_part(rows)
    first = next(parts, pd.DataFrame(columns=list(names("observation"))))
    columns = [name for name in first.columns if name != "id"]
    numbers = {*_REAL, *(name for name in columns if first[name].dtype.kind == "f")}
    sorts = {name: "REAL" if name in numbers else "BOOLEAN" if name in _YES_NO else "TEXT" for name in columns}
    target = Path(place)
    with beside(target) as temporary, _as_a_file(), closing(sqlite3.connect(temporary)) as file, file:
        file.executescript(_TABLES)
        file.executemany("insert into gpkg_spatial_ref_sys values (?,?,?,?,?,?)", [
            ("WGS 84", 4326, "EPSG", 4326, _WGS84, "longitude and latitude in degrees"),
            ("Undefined Cartesian", -1, "NONE", -1, "undefined", None),
            ("Undefined geographic", 0, "NONE", 0, "undefined", None),
        ])
        described = "".join(f', "{name}" {sort}' for name, sort in sorts.items())
        file.execute(f'create table {_LAYER} (fid integer primary key autoincrement not null, geom POINT, '
                     f'id TEXT not null unique, taken_utc DATETIME{described})')
        file.execute(f'create virtual table "{_INDEX}" using rtree(id, minx, maxx, miny, maxy)')
        start = 1
        for part in chain([first], parts):
            _fill(file, part, sorts, start)
            start += len(part)
        for name, event, condition, work in _TRIGGERS:
            file.execute(f'CREATE TRIGGER "{_INDEX}_{name}" AFTER {event} ON "{_LAYER}" WHEN {condition} BEGIN {work} END')
        file.execute("insert into gpkg_extensions values (?,?,?,?,?)", (_LAYER, "geom", *_RTREE))
        moment = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        extent = file.execute(f"select min(lon), min(lat), max(lon), max(lat) from {_LAYER}").fetchone()
        file.execute("insert into gpkg_contents values (?,?,?,?,?,?,?,?,?,?)", (
            _LAYER, "features", _LAYER, "browse damage as it was observed", moment, *extent, 4326))
        file.execute("insert into gpkg_geometry_columns values (?,?,?,?,?,?)", (_LAYER, "geom", "POINT", 4326, 0, 0))
        if "leading" in columns:
            write_style(file, _LAYER, "geom", moment)
        _photos(file, photos, moment)
    return target


@contextmanager
def _as_a_file() -> Iterator[None]:
    """What SQLite cannot write is told as for any other file."""
    try:
        yield
    except sqlite3.OperationalError as problem:
        raise OSError(errno.ENOSPC, str(problem)) from None


def _fill(file: sqlite3.Connection, part: pd.DataFrame, sorts: Mapping[str, str], start: int) -> None:
    """Some rows, from this feature number on, with their entries in the index."""
    told = list(_plain(flattened(part)))
    file.executemany(
        f"insert into {_LAYER} values ({','.join('?' * (len(sorts) + 4))})",
        ((number, _point(row), row["id"], utc(row.get("taken_at"), bool(row.get("taken_local"))),
          *(_cell(sort, row[name]) for name, sort in sorts.items())) for number, row in enumerate(told, start)))
    placed = [(number, row["lon"], row["lat"]) for number, row in enumerate(told, start)
              if row["lon"] is not None and row["lat"] is not None]
    file.executemany(f'insert into "{_INDEX}" values (?1, ?2, ?2, ?3, ?3)', placed)


def _photos(file: sqlite3.Connection, photos: Iterable[Shown], moment: str) -> None:
    for number, photo in enumerate(photos, 1):
        if number == 1:
            for statement in filter(str.strip, _PHOTOS.split(";")):
                file.execute(statement)
            file.executemany("insert into gpkg_extensions values (?,?,?,?,?)", [
                ("gpkgext_relations", None, *_RELATED), ("observation_photo", None, *_RELATED)])
            file.execute("insert into gpkg_contents values ('photo','attributes','photo','photographs, reduced',?,"
                         "null,null,null,null,null)", (moment,))
        file.execute("insert into photo values (?,?,'image/jpeg',?,?,?)",
                     (number, photo.data, photo.observation, photo.role, photo.sha256))
        file.execute(f"insert into observation_photo select fid, ? from {_LAYER} where id = ?", (number, photo.observation))


def _point(row: dict[str, Any]) -> bytes | None:
    """The geometry blob: 'GP', version 0, little-endian without envelope, srs 4326, then the point as WKB."""
    if row["lat"] is None or row["lon"] is None:
        return None
    return b"GP\x00\x01" + struct.pack("<i", 4326) + struct.pack("<BIdd", 1, 1, row["lon"], row["lat"])


def _cell(sort: str, value: Any) -> Any:
    return None if value is None else int(bool(value)) if sort == "BOOLEAN" else value
