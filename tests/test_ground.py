"""The boundary's length and area are those of geodesy."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod
from shapely.geometry import Polygon

from diagnose.cannot_use import CannotUse
from diagnose.protect.ground import ground_from, ground_from_geojson, square_ground

SQUARE = [(-76.5, 42.4), (-76.498, 42.4), (-76.498, 42.4015), (-76.5, 42.4015)]


# pyproj's geodesics on a shapely polygon (Geod.geometry_area_perimeter)
@given(st.floats(-179, 178), st.floats(-80, 80), st.floats(1e-4, 0.05), st.floats(1e-4, 0.05))
def test_perimeter_and_area_are_the_geodesic_ones(lon: float, lat: float, wide: float, tall: float) -> None:
    corners = [(lon, lat), (lon + wide, lat), (lon + wide * 0.8, lat + tall), (lon, lat + tall * 0.7)]
    land = ground_from(corners)
    area, perimeter = Geod(ellps="WGS84").geometry_area_perimeter(Polygon(corners))
    assert land.area_m2 == pytest.approx(abs(area), rel=1e-9, abs=1e-6)
    assert land.perimeter_m == pytest.approx(perimeter, rel=1e-9)
    assert sum(land.sides_m) == pytest.approx(perimeter, rel=1e-9)
    assert Polygon(land.corners_m).area == pytest.approx(land.area_m2, rel=1e-3)


def test_a_boundary_may_be_given_either_way_round_closed_or_open() -> None:
    land = ground_from(SQUARE)
    for same in (SQUARE[::-1], [*SQUARE, SQUARE[0]], SQUARE[2:] + SQUARE[:2]):
        assert ground_from(same).area_m2 == pytest.approx(land.area_m2)
        assert ground_from(same).corners == 4
    told = {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [[*SQUARE, SQUARE[0]]]}}
    assert ground_from_geojson(told).perimeter_m == pytest.approx(land.perimeter_m)


def test_a_line_on_a_slope_is_longer_than_on_the_map() -> None:
    assert square_ground(10_000).fence_m == pytest.approx(400)
    assert square_ground(10_000, 100).fence_m == pytest.approx(400 * math.sqrt(2))


@pytest.mark.parametrize("corners", [
    [(0, 0), (1, 1), (1, 0), (0, 1)],
    [(0, 0), (1, 1)],
    [(0, 0), (1, 0), (2, 0)],
    [(0, 0), (1, float("nan")), (1, 1)],
    [(500_000, 4_000_000), (500_100, 4_000_000), (500_100, 4_000_100)],
    [("a", 1), (1, 2), (3, 4)],
])
def test_an_impossible_boundary_is_refused_in_one_line(corners: list) -> None:
    with pytest.raises(CannotUse) as said:
        ground_from(corners)
    assert "\n" not in str(said.value)
