"""Where does a planting end, in metres?

Boundaries come in degrees (GeoJSON, GPX) or in any projection (GeoPackage); plots are laid out in metres, in the
UTM zone of the planting's middle.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

from pyproj import Transformer
from shapely import MultiPolygon, Polygon, transform, union_all
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry
from shapely.validation import make_valid

from diagnose.cannot_use import CannotUse
from diagnose.extras import lacking
from diagnose.texts import from_json, read_text


@dataclass(frozen=True)
class Ground:
    """A planting's area.

    Parameters
    ----------
    metres
        Its polygon [m].
    epsg
        EPSG number of its projection; None where only metres are known [no unit].
    strata
        Named parts of it, empty where it has none [m].
    """

    metres: BaseGeometry
    epsg: int | None
    strata: tuple[tuple[str, BaseGeometry], ...] = ()

    @property
    def area_m2(self) -> float:
        """Area of the polygon [m^2]."""
        return float(self.metres.area)

    def degrees(self, x: float, y: float) -> tuple[float, float]:
        """Latitude and longitude of a point, WGS 84 [degree].

        Parameters
        ----------
        x, y
            Easting and northing in the ground's own projection [m].

        Raises
        ------
        CannotUse
            Where only metres are known, and no projection.
        """
        if self.epsg is None:
            raise CannotUse("The boundary has no place on earth: give it in degrees, or a GeoPackage with its projection.")
        lon, lat = Transformer.from_crs(self.epsg, 4326, always_xy=True).transform(x, y)
        return lat, lon


def read_ground(path: str | Path, strata: str | None = None) -> Ground:
    """A planting's area from a file.

    Parameters
    ----------
    path : path
        A .geojson, .json, .gpx, .gpkg or .shp file (the last two need the GIS extra) [no unit].
    strata : str or None
        Property that names the part each polygon belongs to [no unit].

    Returns
    -------
    Ground

    Raises
    ------
    CannotUse
        With what to do.
    """
    file = Path(path)
    try:
        if file.suffix.lower() in (".geojson", ".json"):
            return from_geojson(from_json(read_text(file), file.name), strata)
        if file.suffix.lower() == ".gpx":
            if strata is not None:
                raise CannotUse("A GPX track has no parts: give strata as polygons in GeoJSON.")
            return from_degrees(_gpx_polygons(read_text(file).encode()))
        if file.suffix.lower() in (".gpkg", ".shp"):
            return _with_strata(*_layer(file, strata))
    except FileNotFoundError:
        raise CannotUse(f"{file} is not there: check the name.") from None
    except CannotUse:
        raise
    except Exception:  # the libraries of shapes, projections and tables raise what they like on broken ones
        raise CannotUse(f"{file.name} cannot be read as a boundary: save it again as GeoJSON.") from None
    raise CannotUse(f"{file.name}: boundaries are read from .geojson, .gpx, .gpkg and .shp files.")


def from_geojson(given: dict, strata: str | None = None) -> Ground:
    """A planting's area from a GeoJSON object: Polygon, MultiPolygon or features of them.

    Parameters
    ----------
    given
        The object as RFC 7946 has it, longitude before latitude [degree].
    strata
        Property of the features that names the part each belongs to; None where the ground has no parts [no unit].

    Raises
    ------
    CannotUse
        Where there is no area, a polygon names no part, parts overlap, or corners are no degrees.
    """
    features = given["features"] if given.get("type") == "FeatureCollection" else [
        given if given.get("type") == "Feature" else {"geometry": given}]
    shapes, names = [], []
    for feature in features:
        one = shape(feature["geometry"]) if feature.get("geometry") else None
        if isinstance(one, Polygon | MultiPolygon):
            shapes.append(one)
            names.append(_part((feature.get("properties") or {}).get(strata), strata))
    return _with_strata(shapes, names)


def _part(told: object, strata: str | None) -> str | None:
    if strata is not None and told in (None, ""):
        raise CannotUse(f"A polygon has no property '{strata}': name the part that each belongs to.")
    return None if strata is None else str(told)


def _with_strata(shapes: list[BaseGeometry], names: list[str | None]) -> Ground:
    """The ground of all polygons [degree], with the named parts among them."""
    whole = from_degrees(union_all(shapes))
    assert whole.epsg is not None
    project = Transformer.from_crs(4326, whole.epsg, always_xy=True).transform

    def part(name: str) -> BaseGeometry:
        own = union_all([one for one, its in zip(shapes, names, strict=True) if its == name])
        return _areas(make_valid(transform(own, project, interleaved=False)))

    parts = [(name, part(name)) for name in dict.fromkeys(names) if name is not None]
    for at, (name, one) in enumerate(parts):
        for other, second in parts[at + 1:]:
            if one.intersection(second).area > 0.001 * min(one.area, second.area):
                raise CannotUse(f"The parts {name} and {other} overlap: mend their polygons, a plot belongs to one.")
    return Ground(whole.metres, whole.epsg, tuple(parts))


def from_degrees(boundary: BaseGeometry) -> Ground:
    """A planting's area from a polygon, projected to its UTM zone.

    Parameters
    ----------
    boundary
        Polygon or several, longitude before latitude, WGS 84 [degree].

    Raises
    ------
    CannotUse
        Where it holds no area or its corners are no degrees.
    """
    if boundary.is_empty or boundary.area == 0:
        raise CannotUse("The boundary holds no area: draw it as a closed line with three corners or more.")
    west, south, east, north = boundary.bounds
    if min(west + 180, 180 - east, south + 90, 90 - north) < 0:
        raise CannotUse("The boundary is not in degrees: save it as GeoJSON in WGS 84 (longitude, latitude).")
    epsg = utm_of(boundary.centroid.x, boundary.centroid.y)
    project = Transformer.from_crs(4326, epsg, always_xy=True).transform
    return Ground(_areas(make_valid(transform(boundary, project, interleaved=False))), epsg)


def utm_of(lon: float, lat: float) -> int:
    """EPSG number of the UTM zone (WGS 84) of a place.

    Parameters
    ----------
    lon, lat
        Of the place [degree], -180 to 180 and -90 to 90.

    Returns
    -------
    int
        32601 to 32660 north of the equator and on it, 32701 to 32760 south of it; the wider zones of Norway and Svalbard are
        not made.

    Raises
    ------
    CannotUse
        For what is no place on earth.
    """
    if not (-180 <= lon <= 180 and -90 <= lat <= 90):
        raise CannotUse(f"{lat}, {lon} is no place on earth.")
    zone = max(1, min(60, int((lon + 180) // 6) + 1))
    return (32600 if lat >= 0 else 32700) + zone


def _areas(geometry: BaseGeometry) -> BaseGeometry:
    parts = [part for part in getattr(geometry, "geoms", [geometry]) if isinstance(part, Polygon | MultiPolygon)]
    return union_all(parts)


def _gpx_polygons(data: bytes) -> BaseGeometry:
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        raise CannotUse("The GPX file declares entities: save it again without them.")
    rings = []
    for element in ElementTree.fromstring(data).iter():
        if element.tag.rpartition("}")[2] in ("trkseg", "rte"):
            marks = [point.attrib for point in element if "lat" in point.attrib]
            corners = [(float(mark["lon"]), float(mark["lat"])) for mark in marks]
            if len(corners) >= 3:
                rings.append(make_valid(Polygon(corners)))
    return union_all(rings)


def _layer(file: Path, strata: str | None) -> tuple[list[BaseGeometry], list[str | None]]:
    """Polygons [degree] of a GeoPackage or shapefile, and the part that each belongs to."""
    if not file.exists():
        raise FileNotFoundError(file)
    try:
        import pyogrio
    except ModuleNotFoundError:
        raise lacking("gis", "a boundary in a GeoPackage or shapefile, unlike one in GeoJSON,") from None
    import shapely

    about, _, wkb, columns = pyogrio.raw.read(file, columns=[] if strata is None else [strata])
    if about["crs"] is None:
        raise CannotUse(f"{file.name} names no grid: save it with its .prj file, or as GeoJSON.")
    if strata is not None and not len(columns):
        raise CannotUse(f"{file.name} has no column '{strata}' that names parts.")
    project = Transformer.from_crs(about["crs"], 4326, always_xy=True).transform
    names = [None] * len(wkb) if strata is None else list(columns[0])
    shapes: list[BaseGeometry] = []
    parts: list[str | None] = []
    for one, name in zip(shapely.from_wkb(wkb), names, strict=True):
        if isinstance(one, Polygon | MultiPolygon):
            shapes.append(transform(one, project, interleaved=False))
            parts.append(_part(name, strata))
    return shapes, parts
