"""Boundaries from files."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from shapely import box
from shapely.geometry import mapping

from diagnose.cannot_use import CannotUse
from diagnose.survey.boundary import from_geojson, read_ground

SQUARE = box(8.0, 47.0, 8.005, 47.004)


def test_a_square_in_degrees_has_its_area_in_square_metres() -> None:
    ground = from_geojson(mapping(SQUARE))
    degree = math.radians(1) * 6_371_000  # a sphere: good to half a percent
    assert ground.area_m2 == pytest.approx(0.004 * degree * 0.005 * degree * math.cos(math.radians(47.002)), rel=0.006)
    middle = ground.metres.centroid
    assert ground.degrees(middle.x, middle.y) == pytest.approx((47.002, 8.0025), abs=1e-6)


def test_the_same_boundary_comes_from_geojson_gpx_and_geopackage(tmp_path: Path) -> None:
    plain = tmp_path / "a.geojson"
    plain.write_text(json.dumps({"type": "FeatureCollection", "features": [
        {"type": "Feature", "properties": {}, "geometry": mapping(SQUARE)}]}))
    track = tmp_path / "a.gpx"
    points = "".join(f'<trkpt lat="{y}" lon="{x}"/>' for x, y in SQUARE.exterior.coords)
    track.write_text(f'<gpx xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{points}</trkseg></trk></gpx>')
    area = read_ground(plain).area_m2
    assert read_ground(track).area_m2 == pytest.approx(area)
    pyogrio = pytest.importorskip("pyogrio")
    import numpy as np
    import shapely

    package = tmp_path / "a.gpkg"
    pyogrio.raw.write(package, np.array([shapely.to_wkb(SQUARE)]), [], [], geometry_type="Polygon", crs="EPSG:4326",
                      driver="GPKG")
    assert read_ground(package).area_m2 == pytest.approx(area)


@pytest.mark.parametrize(("name", "text", "told"), [
    ("a.geojson", "{", "cannot be read"),
    ("a.geojson", '{"type": "Point", "coordinates": [8, 47]}', "no area"),
    ("a.geojson", json.dumps(mapping(box(500_000, 0, 500_100, 100))), "not in degrees"),
    ("a.gpx", "<!DOCTYPE a><gpx/>", "entities"),
    ("a.gpx", "<gpx", "cannot be read"),
    ("a.kml", "", "read from .geojson"),
    ("a.shp", "", "cannot be read as a boundary"),
])
def test_a_boundary_that_cannot_be_used_is_told_in_one_line(tmp_path: Path, name: str, text: str, told: str) -> None:
    (tmp_path / name).write_text(text)
    with pytest.raises(CannotUse, match=told) as refused:
        read_ground(tmp_path / name)
    assert "\n" not in str(refused.value)


def test_a_missing_file_is_told() -> None:
    for name in ("no.geojson", "no.gpx", "no.gpkg"):
        with pytest.raises(CannotUse, match="not there"):
            read_ground(name)
