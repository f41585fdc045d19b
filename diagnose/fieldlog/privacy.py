"""What of a log may strangers see: which places, people and files must be made vaguer first?

Positions are moved to the middle of a grid cell, never at random: a repeated export must not let the true place be
averaged out. Reference: GBIF, Current Best Practices for Generalizing Sensitive Species Occurrence Data (2020).
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from sqlalchemy import select

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.darwin_core import write_archive
from diagnose.fieldlog.data_package import write_data_package
from diagnose.fieldlog.exchange import Rows, each_part, write_gpx
from diagnose.fieldlog.formats import writer
from diagnose.fieldlog.geopackage import Shown, write_geopackage
from diagnose.fieldlog.log import Log
from diagnose.fieldlog.query import EARTH_M
from diagnose.fieldlog.tables import About
from diagnose.fieldlog.wide import wide
from diagnose.photo.picture import read_picture

GRID_DEG = 0.01  # of the public copy: about 1.1 km, the finest but one that the reference names
REDUCED_PX = 1280  # longer side of a photo in a map layer: large enough to see a wound, small enough to carry
_WITHHELD = ("by", "note", "plant", "visit", "photo", "saved_at")


def export(
    log: Log, rows: Rows, place: str | Path, exact: bool = False, photos: bool = False, plain: bool = False
) -> str:
    """Writes observations to a file in the format that its name says; returns the line that tells what it holds.

    Parameters
    ----------
    log
        That the rows come from [no unit].
    rows
        A frame, or frames one after the other as `Log.parts` gives them [no unit].
    place
        File to write; its ending names the format [no unit].
    exact
        Whether exact places, people, notes and tags are given out [no unit].
    photos
        Of a GeoPackage with exact places: whether reduced photos go along, in a related table [no unit].
    plain
        Whether nested fields become one column a quantity, its sigma and each probability (see `wide`) [no unit].

    Raises
    ------
    CannotUse
        For a name or place that cannot be written.
    """
    write = writer(str(place))
    plain = plain or write is write_data_package
    if plain and write in (write_gpx, write_archive):
        raise CannotUse("one column a quantity goes into .csv, .geojson, .gpkg or a data package, not into this format")
    if photos and (write is not write_geopackage or not exact):
        raise CannotUse("photos go only into a GeoPackage (.gpkg) with exact places; pack the log for the originals")
    count = 0
    named: list[tuple[str, str, str]] = []
    seen: set[str] = set()

    def passing() -> Iterator[pd.DataFrame]:
        nonlocal count
        for part in each_part(rows):
            count += len(part)
            if photos:
                own = part[part["photo"].notna()]
                seen.update(part["id"])
                named.extend(zip(own["id"], own["photo_role"], own["photo"], strict=True))
            shown = part if exact else coarsened(log, part)
            yield wide(shown) if plain else shown

    file = write_geopackage(passing(), place, _reduced(log, named, seen)) if photos else write(passing(), place)
    held = (
        "with exact places, people and notes: keep it among yourselves" if exact
        else f"for the public: places moved to the middle of {GRID_DEG:g} degree cells; people, notes, tags and photos "
        "left out"
    )
    return f"{count} observations written to {file}, {held}."


def _reduced(log: Log, named: list[tuple[str, str, str]], known: set[str]) -> Iterator[Shown]:
    """The photos named (observation, role, digest) and further ones of the known observations.

    Smaller, and without what their files say. Those that are gone are left out.
    """
    more = log.records("picture")
    further = [each for each in zip(more["observation"], more["role"], more["photo"], strict=True) if each[0] in known]
    for observation, role, digest in [*named, *further]:
        try:
            yield Shown(observation, role, digest, stripped_photo(log.original(digest), 80, REDUCED_PX))
        except CannotUse:
            continue


def coarsened(log: Log, rows: pd.DataFrame, grid_deg: float = GRID_DEG) -> pd.DataFrame:
    """The rows as strangers may see them, with columns that say what was done.

    Positions go to the middle of their cell and their error grows to hold the whole cell; ids are replaced by
    others that stay the same from export to export but cannot be joined with exact copies; initials, notes, tags
    and photos' digests are withheld; times are cut to the day.

    Parameters
    ----------
    log
        That the rows come from [no unit].
    rows
        Observations [no unit].
    grid_deg
        Side of the cells [degree].
    """
    with log.reading() as session:
        salt = uuid.UUID(session.scalars(select(About.salt)).one())
    public = rows.copy()
    public["id"] = [str(uuid.uuid5(salt, name)) for name in rows["id"]]
    public = public.drop(columns=[name for name in _WITHHELD if name in public])
    lat, lon = rows["lat"].astype(float), rows["lon"].astype(float)
    public["lat"], public["lon"] = _middle(lat, grid_deg, 90.0), _middle(lon, grid_deg, 180.0)
    half = math.radians(grid_deg / 2) * EARTH_M
    reach = half * np.sqrt(1 + np.cos(np.radians(lat)) ** 2)
    public["error_m"] = np.ceil(reach + rows["error_m"].astype(float).fillna(0.0))
    if "taken_at" in public:
        public["taken_at"] = rows["taken_at"].str[:10]
    public["generalised"] = f"position moved to the middle of a {grid_deg:g} degree cell; time cut to the day"
    public["withheld"] = "people, notes, plant tags and original photographs"
    return public


def _middle(degrees: pd.Series, grid: float, most: float) -> pd.Series:
    middle = (np.floor(degrees / grid) + 0.5) * grid
    return middle.clip(-most + grid / 2, most - grid / 2).round(10)


def stripped_photo(data: bytes, quality: int = 90, longest_px: int | None = None) -> bytes:
    """The upright picture as a new JPEG that holds pixels and nothing else: no place, time, maker or thumbnail.

    The original stays as it is.

    Parameters
    ----------
    data
        A picture file's bytes [no unit].
    quality
        Of the JPEG, 1 to 100 [no unit].
    longest_px
        Reduced until its longer side is no longer than this; None for its own size [px].

    Raises
    ------
    CannotUse
        When the bytes are no picture.
    """
    shown = read_picture(data).bgr
    shrink = 1.0 if longest_px is None else min(1.0, longest_px / max(shown.shape[:2]))
    if shrink < 1:
        shown = cv2.resize(shown, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    return bytes(cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, quality])[1])
