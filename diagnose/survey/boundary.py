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
from diagnose.texts import from_json, read_text


@dataclass(frozen=True)
class Ground:
    """A planting's area. metres : polygon in metres; epsg : its projection, None where only metres are known."""

    metres: BaseGeometry
    epsg: int | None

    @property
    def area_m2(self) -> float:
        return float(self.metres.area)

    def degrees(self, x: float, y: float) -> tuple[float, float]:
        """lat, lon [degree, WGS 84] of a point [m]."""
        if self.epsg is None:
            raise CannotUse("The boundary has no place on earth: give it in degrees, or a GeoPackage with its projection.")
        lon, lat = Transformer.from_crs(self.epsg, 4326, always_xy=True).transform(x, y)
        return lat, lon


def read_ground(path: str | Path) -> Ground:
    """A planting's area from a .geojson, .json, .gpx or .gpkg file. Raises CannotUse with what to do."""
    file = Path(path)
    try:
        if file.suffix.lower() in (".geojson", ".json"):
            return from_geojson(from_json(read_text(file), file.name))
        if file.suffix.lower() == ".gpx":
            return from_degrees(_gpx_polygons(read_text(file).encode()))
        if file.suffix.lower() == ".gpkg":
            return from_degrees(_geopackage(file))
    except FileNotFoundError:
        raise CannotUse(f"{file} is not there: check the name.") from None
    except CannotUse:
        raise
    except Exception:  # the libraries of shapes, projections and tables raise what they like on broken ones
        raise CannotUse(f"{file.name} cannot be read as a boundary: save it again as GeoJSON.") from None
    raise CannotUse(f"{file.name}: boundaries are read from .geojson, .gpx and .gpkg files.")


def from_geojson(given: dict) -> Ground:
    """A planting's area from a GeoJSON object (degrees, as RFC 7946 has it): Polygon, MultiPolygon or features of them."""
    if given.get("type") == "FeatureCollection":
        shapes = [shape(feature["geometry"]) for feature in given["features"] if feature.get("geometry")]
    else:
        shapes = [shape(given["geometry"] if given.get("type") == "Feature" else given)]
    return from_degrees(union_all([one for one in shapes if isinstance(one, Polygon | MultiPolygon)]))


def from_degrees(boundary: BaseGeometry) -> Ground:
    """A planting's area from a polygon in degrees (lon, lat), projected to its UTM zone."""
    if boundary.is_empty or boundary.area == 0:
        raise CannotUse("The boundary holds no area: draw it as a closed line with three corners or more.")
    west, south, east, north = boundary.bounds
    if min(west + 180, 180 - east, south + 90, 90 - north) < 0:
        raise CannotUse("The boundary is not in degrees: save it as GeoJSON in WGS 84 (longitude, latitude).")
    middle = boundary.centroid
    zone = min(60, int((middle.x + 180) // 6) + 1)
    epsg = (32600 if middle.y >= 0 else 32700) + zone
    project = Transformer.from_crs(4326, epsg, always_xy=True).transform
    return Ground(_areas(make_valid(transform(boundary, project, interleaved=False))), epsg)


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


def _geopackage(file: Path) -> BaseGeometry:
    if not file.exists():
        raise FileNotFoundError(file)
    try:
        import pyogrio
    except ImportError:
        raise CannotUse("GeoPackage files need `pip install pyogrio`; or save the boundary as GeoJSON.") from None
    import shapely

    about, _, wkb, _ = pyogrio.raw.read(file, columns=[])
    project = Transformer.from_crs(about["crs"], 4326, always_xy=True).transform
    areas = [one for one in shapely.from_wkb(wkb) if isinstance(one, Polygon | MultiPolygon)]
    return union_all([transform(one, project, interleaved=False) for one in areas])


