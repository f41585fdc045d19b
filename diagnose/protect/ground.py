"""How long is the boundary of a planting, how much land does it hold, and where does the fence line turn?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from diagnose.cannot_use import CannotUse

CORNER_DEG = 15.0  # a turn sharper than this needs a braced post; our choice


@dataclass(frozen=True)
class Ground:
    """The land of a planting.

    Parameters
    ----------
    corners_m
        Corners on a plane round the middle, x east, y north, first corner not repeated [m].
    sides_m, perimeter_m
        Length of each side, and of all; geodesic where corners were longitude and latitude [m].
    area_m2
        Geodesic where corners were longitude and latitude [m2].
    slope_percent
        Steepest slope across which the line runs [%].
    """

    corners_m: tuple[tuple[float, float], ...]
    sides_m: tuple[float, ...]
    perimeter_m: float
    area_m2: float
    slope_percent: float = 0.0

    @property
    def fence_m(self) -> float:
        """Length of a line along the ground [m]: the map length over the cosine of the slope, the longest it can be."""
        return self.perimeter_m * math.hypot(1.0, self.slope_percent / 100)

    @property
    def corners(self) -> int:
        """Corners that a fence must brace."""
        return max(3, sum(turn > CORNER_DEG for turn in _turns(self.corners_m)))


def ground_from(corners: Iterable[Iterable[float]], slope_percent: float = 0.0, lonlat: bool = True) -> Ground:
    """The land inside corners, in order round it; its area and sides are geodesic where they are longitudes and latitudes.

    Parameters
    ----------
    corners
        Longitude and latitude, WGS 84 [degree], or x and y [m] where `lonlat` is False; three or more.
    slope_percent
        Steepest slope across which the line runs, 0 to 150 [%].
    lonlat
        Are the corners longitude and latitude? [no unit]

    Raises
    ------
    CannotUse
        For fewer than three corners, a boundary that crosses itself and coordinates or a slope that are none.

    References
    ----------
    .. [1] Karney 2013, Algorithms for geodesics (through pyproj.Geod).
    """
    from pyproj import Geod
    from shapely.geometry import Polygon

    points = _pairs(corners)
    points = [point for place, point in enumerate(points) if point != points[place - 1]]
    if len(points) < 3:
        raise CannotUse("the boundary needs at least three different corners")
    if lonlat and any(abs(x) > 180 or abs(y) > 90 for x, y in points):
        raise CannotUse("longitude must lie within 180 and latitude within 90 degrees; are the corners in metres?")
    _check_slope(slope_percent)
    shape = Polygon(points)
    if not shape.is_valid or shape.area == 0:
        raise CannotUse("the boundary crosses or touches itself; give its corners in order, once round")
    flat = _on_a_plane(points) if lonlat else points
    if lonlat:
        geod = Geod(ellps="WGS84")
        lons, lats = zip(*[*points, points[0]], strict=True)
        sides = [float(side) for side in geod.line_lengths(lons, lats)]
        area, perimeter = geod.polygon_area_perimeter(lons[:-1], lats[:-1])
        return Ground(tuple(flat), tuple(sides), float(perimeter), abs(float(area)), slope_percent)
    sides = [math.dist(a, b) for a, b in zip(flat, [*flat[1:], flat[0]], strict=True)]
    return Ground(tuple(flat), tuple(sides), sum(sides), float(shape.area), slope_percent)


def ground_from_geojson(told: Mapping[str, Any], slope_percent: float = 0.0) -> Ground:
    """The land of the first polygon in a GeoJSON object; holes in it are not left out.

    Parameters
    ----------
    told
        The object as RFC 7946 has it, longitude before latitude [degree].
    slope_percent
        Steepest slope across which the line runs, 0 to 150 [%].

    Raises
    ------
    CannotUse
        Where it holds no polygon, and as `ground_from`.
    """
    shape: Any = told
    if told.get("type") == "FeatureCollection":
        shape = next(iter(told.get("features") or []), None)
    if isinstance(shape, Mapping) and shape.get("type") == "Feature":
        shape = shape.get("geometry")
    rings = shape.get("coordinates") if isinstance(shape, Mapping) and shape.get("type") == "Polygon" else None
    if not isinstance(rings, list) or not rings or not isinstance(rings[0], list):
        raise CannotUse("the boundary file must hold one GeoJSON polygon")
    return ground_from(rings[0], slope_percent)


def square_ground(area_m2: float, slope_percent: float = 0.0) -> Ground:
    """A square, for a planting whose outline is not known.

    Parameters
    ----------
    area_m2
        Its area, above 0 [m2].
    slope_percent
        Steepest slope across which the line runs, 0 to 150 [%].

    Raises
    ------
    CannotUse
        For no area, or a slope that is none.
    """
    if not (math.isfinite(area_m2) and area_m2 > 0):
        raise CannotUse("the area of the planting must be above zero")
    side = math.sqrt(area_m2)
    return ground_from([(0, 0), (side, 0), (side, side), (0, side)], slope_percent, lonlat=False)


def _pairs(corners: Iterable[Iterable[float]]) -> list[tuple[float, float]]:
    try:
        points = [tuple(float(x) for x in corner) for corner in corners]
    except (TypeError, ValueError):
        points = [()]
    if any(len(point) < 2 or not all(math.isfinite(x) for x in point) for point in points):
        raise CannotUse("every corner of the boundary needs two numbers: longitude and latitude, or x and y in metres")
    return [(point[0], point[1]) for point in points]


def _check_slope(slope_percent: float) -> None:
    if not (math.isfinite(slope_percent) and 0 <= slope_percent <= 150):
        raise CannotUse("the slope must lie between 0 and 150 percent")


def _on_a_plane(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Longitude, latitude -> metres east and north of the middle (azimuthal equidistant)."""
    from pyproj import Transformer

    lon = sum(x for x, _ in points) / len(points)
    lat = sum(y for _, y in points) / len(points)
    plane = f"+proj=aeqd +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m"
    to_plane = Transformer.from_crs("EPSG:4326", plane, always_xy=True)
    return [to_plane.transform(x, y) for x, y in points]


def _turns(corners: tuple[tuple[float, float], ...]) -> list[float]:
    """Change of direction at each corner [degrees]."""
    turns = []
    for before, here, after in zip([corners[-1], *corners[:-1]], corners, [*corners[1:], corners[0]], strict=True):
        came = math.atan2(here[1] - before[1], here[0] - before[0])
        goes = math.atan2(after[1] - here[1], after[0] - here[0])
        turns.append(abs(math.degrees((goes - came + math.pi) % (2 * math.pi) - math.pi)))
    return turns
