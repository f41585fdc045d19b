"""How do observations become a map layer that any GIS opens?

A GeoPackage is an SQLite file with a few agreed tables; it is written with Python's own SQLite, so no GIS library is
needed. Reference: OGC 12-128, GeoPackage Encoding Standard, core 1.4 (file and contents tables, geometry blob).
"""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from diagnose.fieldlog.exchange import _plain, beside, flattened, utc

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
"""


def write_geopackage(rows: pd.DataFrame, place: str | Path) -> Path:
    """One layer of points, `observation`, with every field as an attribute; moments also in UTC, as `taken_utc`."""
    flat = flattened(rows)
    columns = [name for name in flat.columns if name != "id"]
    sorts = {name: "REAL" if name in _REAL else "BOOLEAN" if name in _YES_NO else "TEXT" for name in columns}
    target = Path(place)
    with beside(target) as temporary, closing(sqlite3.connect(temporary)) as file, file:
        file.executescript(_TABLES)
        file.executemany("insert into gpkg_spatial_ref_sys values (?,?,?,?,?,?)", [
            ("WGS 84", 4326, "EPSG", 4326, _WGS84, "longitude and latitude in degrees"),
            ("Undefined Cartesian", -1, "NONE", -1, "undefined", None),
            ("Undefined geographic", 0, "NONE", 0, "undefined", None),
        ])
        described = "".join(f', "{name}" {sort}' for name, sort in sorts.items())
        file.execute(f'create table {_LAYER} (fid integer primary key autoincrement not null, geom POINT, '
                     f'id TEXT not null unique, taken_utc DATETIME{described})')
        file.executemany(
            f"insert into {_LAYER} values ({','.join('?' * (len(columns) + 4))})",
            ((None, _point(row), row["id"], utc(row.get("taken_at"), bool(row.get("taken_local"))),
              *(_cell(sorts[name], row[name]) for name in columns)) for row in _plain(flat)),
        )
        moment = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        extent = (rows["lon"].min(), rows["lat"].min(), rows["lon"].max(), rows["lat"].max())
        file.execute("insert into gpkg_contents values (?,?,?,?,?,?,?,?,?,?)", (
            _LAYER, "features", _LAYER, "browse damage as it was observed", moment,
            *(None if pd.isna(side) else float(side) for side in extent), 4326))
        file.execute("insert into gpkg_geometry_columns values (?,?,?,?,?,?)", (_LAYER, "geom", "POINT", 4326, 0, 0))
    return target


def _point(row: dict[str, Any]) -> bytes | None:
    """The geometry blob: 'GP', version 0, little-endian without envelope, srs 4326, then the point as WKB."""
    if row["lat"] is None or row["lon"] is None:
        return None
    return b"GP\x00\x01" + struct.pack("<i", 4326) + struct.pack("<BIdd", 1, 1, row["lon"], row["lat"])


def _cell(sort: str, value: Any) -> Any:
    return None if value is None else int(bool(value)) if sort == "BOOLEAN" else value
