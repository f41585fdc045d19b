"""Along which line does a fence run, where are its gates and braces, and how far off must a mower or a saw stay?

A fence is walked with a receiver: its track is the line, its marks named gate, brace or corner are what they say. Kept as
the line's longitudes and latitudes in the barrier's figures; it leaves as lines in GeoPackage, GPX and GeoJSON.

References
----------
RFC 7946 (GeoJSON), the GPX 1.1 schema documentation (topografix.com/GPX/1/1); GeoPackage through GDAL (pyogrio).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from pyproj import CRS, Geod, Transformer
from shapely import LineString, Point, transform
from shapely.geometry import mapping, shape

from diagnose.cannot_use import CannotUse
from diagnose.extras import lacking
from diagnose.texts import from_json, read_text
from diagnose.upkeep.register import register
from diagnose.upkeep.rules import trait

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

BUFFER_M = 2.0  # that a mower or a saw stays off a fence beyond the error of its place; our choice, no source
UNNOTED_ERROR_M = 15.0  # taken where nobody noted how well a place is known; our choice
MARKS = ("gate", "brace")
_BRACES = ("brace", "corner", "strainer", "end post", "strut")  # words for a braced post
MOST_POINTS = 20_000  # of one line; our choice
_EARTH = Geod(ellps="WGS84")


@dataclass(frozen=True)
class FenceLine:
    """Where a fence runs.

    Parameters
    ----------
    line : tuple of (float, float)
        Its corners in order, longitude and latitude [degree].
    gates, braces : tuple of (float, float)
        Longitude and latitude of each [degree].

    Raises
    ------
    CannotUse
        For a line of less than two places, or what is no place on earth.
    """

    line: tuple[tuple[float, float], ...]
    gates: tuple[tuple[float, float], ...] = ()
    braces: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        for lon, lat in (*self.line, *self.gates, *self.braces):
            if not (-180 <= lon <= 180 and -90 <= lat <= 90):
                raise CannotUse(f"{lat}, {lon} is no place on earth; a fence's line is given in degrees (WGS 84)")
        if len(set(self.line)) < 2:
            raise CannotUse("a fence's line takes two places or more: walk along it with the receiver's track on")
        if len(self.line) > MOST_POINTS:
            raise CannotUse(f"a fence's line of more than {MOST_POINTS} places is not kept: let the receiver thin its track")

    @property
    def length_m(self) -> float:
        """Along the ellipsoid [m]."""
        lon, lat = zip(*self.line, strict=True)
        return float(_EARTH.line_length(lon, lat))

    @property
    def middle(self) -> tuple[float, float]:
        """Latitude and longitude halfway along the line [degree]."""
        at = LineString(self.line).interpolate(0.5, normalized=True)
        return at.y, at.x

    def as_figures(self) -> dict[str, Any]:
        """As a barrier's figures keep it."""
        return {"line": [list(place) for place in self.line], "gates": [list(place) for place in self.gates],
                "braces": [list(place) for place in self.braces]}

    def keep_off(self, metres: float) -> Any:
        """The area within so many metres of it, as a shapely polygon in degrees.

        Parameters
        ----------
        metres : float
            How far the area reaches on each side of the line [m].

        Returns
        -------
        shapely.Polygon
            Longitude and latitude, WGS 84 [degree].

        Raises
        ------
        CannotUse
            For a distance of nought or less, or above 10,000 m.
        """
        if not 0 < metres <= 1e4:
            raise CannotUse(f"'{metres}' m cannot be kept off a fence; choose more than 0 and at most 10,000")
        lat, lon = self.middle
        flat = CRS.from_proj4(f"+proj=aeqd +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m")
        there = Transformer.from_crs(4326, flat, always_xy=True).transform
        back = Transformer.from_crs(flat, 4326, always_xy=True).transform
        return transform(transform(LineString(self.line), there, interleaved=False).buffer(metres), back, interleaved=False)


def line_of(figures: Mapping[str, Any]) -> FenceLine | None:
    """The line that a barrier's figures keep.

    Parameters
    ----------
    figures : mapping
        What the log keeps as a barrier's figures [no unit].

    Returns
    -------
    FenceLine or None
        None where there is none, or one that cannot be read.
    """
    try:
        parts = [tuple((float(lon), float(lat)) for lon, lat in figures.get(name) or ())
                 for name in ("line", "gates", "braces")]
        return FenceLine(*parts) if parts[0] else None
    except (CannotUse, TypeError, ValueError):
        return None


def read_line(path: str | Path) -> FenceLine:
    """A fence as it was walked or drawn.

    Parameters
    ----------
    path : str or Path
        .gpx (the longest track or route; marks whose name, symbol or kind says gate, brace or corner), .geojson (a
        LineString; points with `kind` or `name`) or .gpkg (the same) [no unit].

    Returns
    -------
    FenceLine

    Raises
    ------
    CannotUse
        For a file that holds no line.
    """
    file = Path(path)
    readers = {".gpx": _from_gpx, ".geojson": _from_geojson, ".json": _from_geojson, ".gpkg": _from_geopackage}
    if (ending := file.suffix.lower()) not in readers:
        raise CannotUse(f"{file.name}: a fence's line is read from .gpx, .geojson and .gpkg files")
    try:
        lines, marks = readers[ending](file)
    except CannotUse:
        raise
    except FileNotFoundError:
        raise CannotUse(f"{file} is not there: check the name") from None
    except Exception:  # the libraries of shapes and tables raise what they like on broken ones
        raise CannotUse(f"{file.name} cannot be read as a fence's line: save it again as GPX or GeoJSON") from None
    if not lines:
        raise CannotUse(f"{file.name} holds no line: walk along the fence with the receiver's track on")
    longest = max(lines, key=lambda line: float(_EARTH.line_length([x for x, _ in line], [y for _, y in line])))
    told = {kind: tuple(place for place, words in marks if _sort(words) == kind) for kind in MARKS}
    return FenceLine(tuple(longest), told["gate"], told["brace"])


def _sort(words: str) -> str:
    said = words.lower()
    return "gate" if "gate" in said else "brace" if any(word in said for word in _BRACES) else ""


def _from_gpx(file: Path) -> tuple[list[list[tuple[float, float]]], list[tuple[tuple[float, float], str]]]:
    data = read_text(file).encode()
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        raise CannotUse("the GPX file declares entities: save it again without them")
    lines, marks = [], []
    for element in ElementTree.fromstring(data).iter():
        tag = element.tag.rpartition("}")[2]
        if tag in ("trkseg", "rte"):
            line = [(float(one.get("lon", "")), float(one.get("lat", ""))) for one in element if one.get("lat") is not None]
            lines += [line] if len(line) > 1 else []
        elif tag == "wpt":
            words = " ".join(part.text or "" for part in element if part.tag.rpartition("}")[2] in ("name", "sym", "type"))
            marks.append(((float(element.get("lon", "")), float(element.get("lat", ""))), words))
    return lines, marks


def _from_geojson(file: Path) -> Any:
    told = from_json(read_text(file), file.name)
    features = told["features"] if told.get("type") == "FeatureCollection" else [
        told if told.get("type") == "Feature" else {"geometry": told, "properties": {}}]
    return _sorted([(shape(one["geometry"]), one.get("properties") or {}) for one in features if one.get("geometry")])


def _from_geopackage(file: Path) -> Any:
    if not file.exists():
        raise FileNotFoundError(file)
    geopandas = _geopandas()
    shapes = []
    for layer in geopandas.list_layers(file)["name"]:
        frame = geopandas.read_file(file, layer=layer)
        if hasattr(frame, "geometry") and frame.crs is not None:
            frame = frame.to_crs(4326)
            rows = frame.drop(columns="geometry").to_dict("records")
            shapes += [(one, row) for one, row in zip(frame.geometry, rows, strict=True) if one is not None]
    return _sorted(shapes)


def _sorted(shapes: list[tuple[Any, Mapping[str, Any]]]) -> Any:
    lines: list[list[tuple[float, float]]] = []
    marks = []
    for one, about in shapes:
        for part in getattr(one, "geoms", [one]):
            if isinstance(part, LineString):
                lines.append([(x, y) for x, y, *_ in part.coords])
            elif isinstance(part, Point):
                marks.append(((part.x, part.y), f"{about.get('kind') or ''} {about.get('name') or ''}"))
    return lines, marks


def _geopandas() -> Any:
    try:
        import geopandas
        import pyogrio  # noqa: F401 - what reads and writes for it
    except ModuleNotFoundError:
        raise lacking("gis", "a line in a GeoPackage, unlike one in GeoJSON,") from None
    return geopandas


def register_fence(log: Log, form: str, line: FenceLine, error_m: float | None = None, **fields: Any) -> str:
    """Registers a fence along its line.

    Parameters
    ----------
    log : Log
        The log that keeps it [no unit].
    form : str
        A form that runs along a line, as in forms.yaml [no unit].
    line : FenceLine
        Where it runs, longitude and latitude [degree]; its length is taken as `pieces` unless that is given.
    error_m : float or None
        How well its places are known [m]; None when nobody noted it.
    **fields
        As for `register.register`, each in its own unit.

    Returns
    -------
    str
        Its id.

    Raises
    ------
    CannotUse
        For a form that does not run along a line, and as `register.register`.
    """
    if not trait(form, "line"):
        raise CannotUse(f"a {form} runs along no line; register it where it stands")
    lat, lon = line.middle
    figures = {**fields.pop("figures", {}), **line.as_figures()}
    return register(log, form, **{"pieces": round(line.length_m, 1), **fields, "lat": lat, "lon": lon, "error_m": error_m,
                                  "figures": figures})


def keep_off_m(error_m: Any, buffer_m: float = BUFFER_M) -> float:
    """How far a mower or a saw stays off: the buffer and the error of the place.

    Parameters
    ----------
    error_m : float or None
        How well the place is known [m]; UNNOTED_ERROR_M is taken for None and NaN.
    buffer_m : float
        To stay off beyond that [m], 0 to 1,000.

    Returns
    -------
    float
        The sum [m].

    Raises
    ------
    CannotUse
        For a buffer or an error that is no such distance.

    Examples
    --------
    >>> keep_off_m(5.0), keep_off_m(None, 3.0)
    (7.0, 18.0)
    """
    error = UNNOTED_ERROR_M if error_m is None or error_m != error_m else float(error_m)
    if not (0 <= buffer_m <= 1000 and error >= 0 and math.isfinite(error)):
        raise CannotUse(f"'{buffer_m}' m is no buffer round a fence; choose 0 to 1,000")
    return error + buffer_m


def shapes_of(row: Mapping[str, Any], buffer_m: float = BUFFER_M) -> list[dict[str, Any]]:
    """What a barrier is on a map: its line with gates, braces and the area to keep off, or its place.

    Parameters
    ----------
    row : mapping
        A barrier with figures, lat, lon [degree] and error_m [m].
    buffer_m : float
        Beyond the error of the place [m].

    Returns
    -------
    list of dict
        kind (`fence`, `gate`, `brace`, `keep off` or `place`) and geometry (GeoJSON, or None where no place is known).

    Raises
    ------
    CannotUse
        For no buffer.
    """
    off = keep_off_m(row.get("error_m"), buffer_m)
    fence = line_of(row.get("figures") or {})
    if fence is None:
        known = all(row.get(name) is not None and row[name] == row[name] for name in ("lat", "lon"))
        return [{"kind": "place", "geometry": {"type": "Point", "coordinates": [row["lon"], row["lat"]]} if known else None}]
    points = [{"kind": kind, "geometry": {"type": "Point", "coordinates": list(place)}}
              for kind, places in (("gate", fence.gates), ("brace", fence.braces)) for place in places]
    area = [{"kind": "keep off", "geometry": mapping(fence.keep_off(off))}] if off > 0 else []
    return [{"kind": "fence", "geometry": {"type": "LineString", "coordinates": [list(place) for place in fence.line]}},
            *points, *area]
