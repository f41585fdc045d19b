"""Which observations are asked for, and how do they come out of the database as a frame?"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from sqlalchemy import ColumnElement, Select, Text, and_, cast, or_, select

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.fields import names
from diagnose.fieldlog.tables import Observation

FIELDS = names("observation")
NESTED = ("signs", "verdict", "barrier")
EARTH_M = 6_371_008.8  # mean radius of GRS 80, Moritz 2000, J. Geodesy 74 [m]
METRES_PER_DEGREE = 111_320.0  # of latitude, mean; good to 0.6 %: enough to look at places, not to measure land
_YES_NO = ("taken_local", "deleted", "disputed")
_FLATTENED = 1 / 298.257223563  # of WGS 84's ellipsoid [no unit]


class Placed(NamedTuple):
    """What a map shows of an observation.

    Parameters
    ----------
    id, site, plant
        Which it is [no unit].
    lat, lon
        WGS 84 [degree].
    error_m
        How well the place is known; None where nobody noted it [m].
    taken_at, leading
        When (ISO 8601), and what leads clearly; None where not known [no unit].
    """

    id: str
    lat: float
    lon: float
    error_m: float | None
    taken_at: str | None
    leading: str | None
    site: str
    plant: str


@dataclass(frozen=True)
class Query:
    """Which observations are asked for; all that are not marked as deleted unless something narrows it.

    Parameters
    ----------
    site
        Name of the planting; None for every one [no unit].
    leading
        Likeliest culprit of the verdict; None for every one [no unit].
    since, until
        First and last day on which the photo was taken, as ISO 8601 writes days [no unit].
    box
        South, north, west, east; west above east crosses the 180th meridian [degree].
    near
        Latitude and longitude of a point [degree], and how far from it at most [m].
    deleted
        Whether those marked as deleted are asked for too [no unit].

    Raises
    ------
    CannotUse
        For what is no day, no box or no place, and for a last day before the first.
    """

    site: str | None = None
    leading: str | None = None
    since: str | None = None
    until: str | None = None
    box: tuple[float, ...] | None = None
    near: tuple[float, ...] | None = None
    deleted: bool = False

    def __post_init__(self) -> None:
        for name in ("since", "until"):
            if (given := getattr(self, name)) is not None:
                object.__setattr__(self, name, _a_day(given))
        if self.since is not None and self.until is not None and self.since > self.until:
            raise CannotUse(f"{self.since} is after {self.until}, so nothing was taken between; change the two days")
        if self.box is not None and not (len(self.box) == 4 and _is_box(*self.box)):
            raise CannotUse("a box needs south,north,west,east in degrees, as in 46.7,46.9,-71.3,-71.1")
        if self.near is not None and not (len(self.near) == 3 and _is_near(*self.near)):
            raise CannotUse("near needs latitude,longitude,metres, as in 46.81,-71.21,500")


EVERY = Query()


def statement(query: Query, columns: Sequence[str], newest: int | None = None) -> Select[Any]:
    """The SQL that asks, newest observation first.

    Parameters
    ----------
    query
        Which observations [no unit].
    columns
        Fields that are wanted, of FIELDS [no unit].
    newest
        At most so many, the latest saved; None for all [no unit].

    Raises
    ------
    CannotUse
        Where a distance is asked for without the columns that tell it.
    """
    if query.near is not None and not {"lat", "lon"} <= set(columns):
        raise CannotUse("what lies near a point needs the columns lat and lon")
    wanted = [cast(getattr(Observation, name), Text) if name in NESTED else getattr(Observation, name) for name in columns]
    return select(*wanted).where(*_conditions(query)).order_by(Observation.saved_at.desc(), Observation.id).limit(newest)


def _conditions(query: Query) -> list[ColumnElement[bool]]:
    asked: list[ColumnElement[bool]] = []
    if not query.deleted:
        asked.append(Observation.deleted.is_(False))
    if query.site is not None:
        asked.append(Observation.site == query.site)
    if query.leading is not None:
        asked.append(Observation.leading == query.leading)
    if query.since is not None:
        asked.append(Observation.taken_at >= query.since)
    if query.until is not None:
        asked.append(Observation.taken_at <= f"{query.until}T23:59:59.999999")
    if query.box is not None:
        asked.append(_inside(*query.box))
    if query.near is not None:
        asked.append(_inside(*_box_about(*query.near)))
    return asked


def _a_day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise CannotUse(f"'{text}' is no day; write YYYY-MM-DD") from None


def _is_box(south: float, north: float, west: float, east: float) -> bool:
    return -90 <= south <= north <= 90 and -180 <= west <= 180 and -180 <= east <= 180


def _is_near(lat: float, lon: float, far_m: float) -> bool:
    return -90 <= lat <= 90 and -180 <= lon <= 180 and 0 <= far_m < math.inf


def _inside(south: float, north: float, west: float, east: float) -> ColumnElement[bool]:
    lon = Observation.lon
    between = lon.between(west, east) if west <= east else or_(lon >= west, lon <= east)
    return and_(Observation.lat.between(south, north), between)


def _box_about(lat: float, lon: float, far_m: float) -> tuple[float, float, float, float]:
    """A box that holds every point at most so far away: south, north, west, east [degree].

    Reckoned on a sphere, with as much to spare as WGS 84's ellipsoid may differ from it: what is in the box is measured
    afterwards.
    """
    far = far_m / EARTH_M * (1 + 3 * _FLATTENED)
    south, north = lat - math.degrees(far), lat + math.degrees(far)
    if south <= -90 or north >= 90 or far >= math.pi / 2:
        return max(south, -90.0), min(north, 90.0), -180.0, 180.0
    wide = math.degrees(math.asin(min(1.0, math.sin(far) / math.cos(math.radians(lat))))) + 1e-9
    if wide >= 179:
        return south, north, -180.0, 180.0
    return south, north, (lon - wide + 180) % 360 - 180, (lon + wide + 180) % 360 - 180


def frame(rows: Sequence[Any], columns: Sequence[str], as_text: bool = False) -> pd.DataFrame:
    """Rows as a frame, built column by column.

    A missing text is None: pandas' own text columns make it NaN, which is true and no text.

    Parameters
    ----------
    rows
        What the database answered, a tuple a row [no unit].
    columns
        Names of the fields in each row [no unit].
    as_text
        Whether nested fields stay as they were read [no unit].
    """
    if not rows:
        return pd.DataFrame(columns=list(columns))
    by_name = dict(zip(columns, zip(*rows, strict=True), strict=True))
    found = {}
    for name, values in by_name.items():
        if name in NESTED:
            found[name] = pd.Series(values if as_text else list(map(_nested, values)), dtype=object)
        elif name in _YES_NO:
            found[name] = pd.Series(np.array(values, dtype=bool))
        else:
            texts = isinstance(next((value for value in values if value is not None), None), str)
            found[name] = pd.Series(values, dtype=object if texts else None)
    return pd.DataFrame(found)


def _nested(text: str) -> Any:
    return {} if text == "{}" else json.loads(text)


def within_reach(found: pd.DataFrame, query: Query) -> pd.DataFrame:
    """Those rows that lie at most as far from the query's point as it says; all where it names none.

    Parameters
    ----------
    found
        Observations, with columns lat and lon [degree].
    query
        Which observations [no unit].
    """
    if query.near is None or found.empty:
        return found
    lat, lon, far_m = query.near
    return found[distance_m(lat, lon, found["lat"], found["lon"]) <= far_m]


def distance_m(lat: float, lon: float, lats: pd.Series, lons: pd.Series) -> pd.Series:
    """Distances from one point to others along the WGS 84 ellipsoid [m]; NaN where a place is missing.

    These are geodesics, which a sphere's great circle (haversine) misses by up to half a per cent.

    Parameters
    ----------
    lat, lon
        Of the one point [degree].
    lats, lons
        Of the others, as many of each [degree].

    References
    ----------
    .. [1] Karney, C. F. F. (2013), Algorithms for geodesics, J. Geodesy 87 (through pyproj.Geod).
    """
    from pyproj import Geod

    count = len(lats)
    _, _, far = Geod(ellps="WGS84").inv(np.full(count, lon), np.full(count, lat), lons.to_numpy(float), lats.to_numpy(float))
    return pd.Series(far, lats.index)


@cache
def window_sql(dialect: str) -> str:
    """The SQL behind a map's window, as the driver takes it.

    Parameters
    ----------
    dialect
        SQLAlchemy's name of the database: "sqlite" or "postgresql" [no unit].
    """
    mark, no = ("%s", "false") if dialect == "postgresql" else ("?", "0")
    fields = ", ".join(f'"{name}"' for name in Placed._fields)
    return (f"select {fields} from observation where lat between {mark} and {mark} "
            f"and lon between {mark} and {mark} and deleted = {no}")
