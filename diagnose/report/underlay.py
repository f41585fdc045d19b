"""What lies under the map of a planting: a picture or lines of one's own, cut to the site once.

No map server is ever asked: what is drawn is a file that somebody has, with the credit that its licence asks for.
"""

from __future__ import annotations

import json
import math
from base64 import b64decode, b64encode
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.extras import lacking
from diagnose.fieldlog.store import METRES_PER_DEGREE

PICTURES = (".tif", ".tiff", ".mbtiles")
LINES = (".geojson", ".json", ".gpkg", ".gpx", ".kml")
_LONGEST_PX = 1200  # of the picture that is kept; our choice
_ROOM = 0.25  # of the site's extent that is kept round it on each side; our choice
_LEAST_ROOM_M = 40.0
_MOST_POINTS = 20_000  # of lines: more of them slow a phone down
_DRIVERS = {".tif": "GTiff", ".tiff": "GTiff", ".mbtiles": "MBTiles"}

_BEGINS: dict[str, Callable[[bytes], bool]] = {
    ".geojson": lambda begins: begins.startswith(b"{"), ".json": lambda begins: begins.startswith(b"{"),
    ".gpkg": lambda begins: begins.startswith(b"SQLite format 3"),
    ".gpx": lambda begins: b"<gpx" in begins, ".kml": lambda begins: b"<kml" in begins}

Box = tuple[float, float, float, float]
Line = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Underlay:
    """A picture or lines under a map.

    Parameters
    ----------
    box
        West, south, east and north of what was cut out [degree, WGS 84].
    picture
        PNG or JPEG whose sides run along meridians and parallels; empty where there are only lines [no unit].
    lines
        Each as its points, longitude and latitude [degree, WGS 84].
    credit
        What the licence of the file wants to stand beside it [no unit].

    Raises
    ------
    CannotUse
        When it shows nothing, or its box is none.
    """

    box: Box
    picture: bytes = b""
    lines: tuple[Line, ...] = ()
    credit: str = ""

    def __post_init__(self) -> None:
        west, south, east, north = self.box
        if not (all(map(math.isfinite, self.box)) and west < east and south < north and south >= -90 and north <= 90):
            raise CannotUse("the box of a map must be west, south, east and north in degrees")
        if not self.picture and not self.lines:
            raise CannotUse("this file shows nothing where the planting is")

    def as_url(self) -> str:
        """The picture as a data address; empty where there is none."""
        kind = "png" if self.picture.startswith(b"\x89PNG") else "jpeg"
        return f"data:image/{kind};base64,{b64encode(self.picture).decode()}" if self.picture else ""

    def as_json(self) -> str:
        """The same as JSON, to be kept."""
        return json.dumps({"box": self.box, "picture": b64encode(self.picture).decode(), "lines": self.lines,
                           "credit": self.credit})


def from_kept(told: str) -> Underlay:
    """What `Underlay.as_json` wrote.

    Parameters
    ----------
    told
        JSON [no unit].

    Raises
    ------
    CannotUse
        When it is no such thing.
    """
    try:
        kept = json.loads(told)
        west, south, east, north = (float(side) for side in kept["box"])
        lines = tuple(tuple((float(x), float(y)) for x, y in line) for line in kept["lines"])
        return Underlay((west, south, east, north), b64decode(kept["picture"]), lines, str(kept["credit"]))
    except (AttributeError, KeyError, TypeError, ValueError):
        raise CannotUse("the kept map cannot be read; give its file again") from None


def room_round(lon: Sequence[float], lat: Sequence[float]) -> Box:
    """The box round places with room on every side, west, south, east, north [degree].

    Parameters
    ----------
    lon, lat
        Of the places, at least one [degree, WGS 84].

    Raises
    ------
    CannotUse
        When no place is given.
    """
    if not len(lon) or not len(lat):
        raise CannotUse("no place of this planting is known, so no map can be cut to it; save places or a boundary first")
    shrink = max(math.cos(math.radians(max(map(abs, lat)))), 0.01)
    high = max(_ROOM * (max(lat) - min(lat)), _LEAST_ROOM_M / METRES_PER_DEGREE)
    wide = max(_ROOM * (max(lon) - min(lon)), _LEAST_ROOM_M / METRES_PER_DEGREE / shrink)
    # what a map shows is as wide as it is high, or wider: the ground reaches as far
    return min(lon) - 2 * wide, min(lat) - high, max(lon) + 2 * wide, max(lat) + high


def cut_underlay(file: str | Path, box: Box, credit: str = "") -> Underlay:
    """What a file shows within a box, to lie under a map.

    Parameters
    ----------
    file
        A GeoTIFF or MBTiles picture, or lines and areas as GeoJSON, GeoPackage, GPX or KML [no unit].
    box
        West, south, east, north [degree, WGS 84].
    credit
        What the file's licence wants to stand beside it [no unit].

    Raises
    ------
    CannotUse
        When the file cannot be read, says no coordinates, or shows nothing there.
    """
    place = Path(file)
    ending = place.suffix.lower()
    if ending in PICTURES:
        return Underlay(box, _picture(place, box), credit=credit.strip())
    if ending in LINES:
        return Underlay(box, lines=_lines(place, box), credit=credit.strip())
    raise CannotUse(f"{place.name}: maps are read from {', '.join((*PICTURES, *LINES))} files")


def _picture(place: Path, box: Box) -> bytes:
    """The pixels within the box, resampled to degrees, as JPEG; as PNG where some are missing."""
    import cv2

    try:
        import rasterio
        from rasterio.enums import ColorInterp, Resampling
        from rasterio.errors import RasterioError
        from rasterio.transform import from_bounds
        from rasterio.vrt import WarpedVRT
    except ModuleNotFoundError:
        raise lacking("gis", "a picture under the map") from None
    wide, high = _size(box)
    try:
        # only the driver of its ending: other formats may name further files
        with rasterio.open(place, driver=_DRIVERS[place.suffix.lower()]) as source:
            if source.crs is None:
                raise CannotUse(f"{place.name} does not say where it lies: export it as a GeoTIFF with its coordinates")
            palette = source.colormap(1) if source.colorinterp[0] == ColorInterp.palette else None
            with WarpedVRT(source, crs="EPSG:4326", transform=from_bounds(*box, wide, high), width=wide, height=high,
                           resampling=Resampling.nearest if palette else Resampling.bilinear,
                           add_alpha=ColorInterp.alpha not in source.colorinterp) as cut:
                bands = cut.read()
    except (RasterioError, ValueError) as problem:
        raise CannotUse(f"{place.name} cannot be read as a map ({str(problem).splitlines()[0][:80]})") from None
    there = bands[-1] > 0
    if not there.any():
        raise CannotUse(f"{place.name} does not reach the planting; look whether it is the right sheet")
    rgb = _coloured(bands[:-1], palette, there)
    if there.all():
        return bytes(cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes())
    return bytes(cv2.imencode(".png", np.dstack([rgb[..., ::-1], np.where(there, 255, 0).astype(np.uint8)]))[1].tobytes())


def _coloured(bands: np.ndarray, palette: dict[int, tuple[int, ...]] | None, there: np.ndarray) -> np.ndarray:
    """(h, w, 3) uint8 of a picture's bands (n, h, w): palette, grey or coloured; stretched where no bytes."""
    if palette is not None:
        table = np.zeros((256, 3), np.uint8)
        for index, colour in palette.items():
            table[index % 256] = colour[:3]
        return np.asarray(table[bands[0].astype(np.uint8)])
    some = bands[:3] if len(bands) >= 3 else np.repeat(bands[:1], 3, axis=0)
    if some.dtype != np.uint8:
        low, high = np.percentile(some[:, there], (2, 98))
        some = np.clip((some.astype(float) - low) / max(high - low, 1e-9) * 255, 0, 255).astype(np.uint8)
    return np.ascontiguousarray(some.transpose(1, 2, 0))


def _size(box: Box) -> tuple[int, int]:
    """Width and height of the kept picture [px], its pixels about as high as wide on the ground."""
    west, south, east, north = box
    across = (east - west) * math.cos(math.radians((south + north) / 2))
    longest = max(across, north - south)
    return max(1, round(_LONGEST_PX * across / longest)), max(1, round(_LONGEST_PX * (north - south) / longest))


def _lines(place: Path, box: Box) -> tuple[Line, ...]:
    """Lines and outlines of areas within the box [degree]; those of every layer of the file."""
    import shapely
    from pyproj import Transformer

    try:
        import pyogrio
        from pyogrio.errors import DataSourceError
    except ModuleNotFoundError:
        raise lacking("gis", "lines under the map") from None
    with place.open("rb") as opened:
        begins = opened.read(2_000).lstrip(b"\xef\xbb\xbf \t\r\n")
    if not _BEGINS[place.suffix.lower()](begins):  # what only bears the name may be of a kind that names further files
        raise CannotUse(f"{place.name} is not what its ending says; save it again as GeoJSON")
    found: list[Any] = []
    try:
        for name, _ in pyogrio.list_layers(place):
            about, _, wkb, _ = pyogrio.raw.read(place, layer=name, columns=[])
            if wkb is None or not len(wkb):
                continue
            if about["crs"] is None:
                raise CannotUse(f"{place.name} does not say where it lies: save it as GeoJSON")
            project = Transformer.from_crs(about["crs"], 4326, always_xy=True).transform
            found += list(shapely.transform(shapely.force_2d(shapely.from_wkb(wkb)), project, interleaved=False))
    except (DataSourceError, ValueError) as problem:
        raise CannotUse(f"{place.name} cannot be read as a map ({str(problem).splitlines()[0][:80]})") from None
    outlines = [shapely.boundary(one) if one.geom_type.endswith("Polygon") else one for one in found if one is not None]
    within = shapely.clip_by_rect(np.array(outlines, object), *box) if outlines else np.array([], object)
    parts = [part for part in shapely.get_parts(within[~shapely.is_empty(within)])
             if part.geom_type.endswith(("String", "Ring"))]
    if not parts:
        raise CannotUse(f"{place.name} holds no line or area where the planting is")
    if sum(len(part.coords) for part in parts) > _MOST_POINTS:
        west, south, east, north = box
        parts = list(shapely.simplify(parts, max(east - west, north - south) / _LONGEST_PX))
    return tuple(tuple((float(x), float(y)) for x, y in part.coords) for part in parts)
