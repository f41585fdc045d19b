"""One's own map lies under the places where it says it lies, and no other file is ever opened by it."""

from __future__ import annotations

import json
import sqlite3
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest

from diagnose.cannot_use import CannotUse
from diagnose.report.underlay import Underlay, cut_underlay, from_kept, room_round

PIL = pytest.importorskip("PIL.Image")
rasterio = pytest.importorskip("rasterio")
BOX = (-71.60, 46.10, -71.59, 46.107)


def _seen(cut: Underlay, lon: float, lat: float) -> tuple[int, ...]:
    """The colour under a place, as another library reads the kept picture."""
    picture = PIL.open(BytesIO(cut.picture)).convert("RGBA")
    west, south, east, north = cut.box
    return tuple(picture.getpixel((int((lon - west) / (east - west) * picture.width),
                                   int((north - lat) / (north - south) * picture.height))))


def _geotiff(file: Path, epsg: int, spot: tuple[float, float], **more: object) -> Path:
    """A green sheet with a red square of 40 m on a place [degree], in a projection; pixels of 2 m."""
    from rasterio.crs import CRS
    from rasterio.transform import from_origin
    from rasterio.warp import transform

    (x,), (y,) = transform("EPSG:4326", f"EPSG:{epsg}", [spot[0]], [spot[1]])
    bands = np.zeros((3, 1000, 1000), np.uint8)
    bands[1] = 120
    bands[:, 490:510, 490:510] = np.array([220, 0, 0], np.uint8)[:, None, None]
    with rasterio.open(file, "w", driver="GTiff", width=1000, height=1000, count=3, dtype="uint8", crs=CRS.from_epsg(epsg),
                       transform=from_origin(x - 1000, y + 1000, 2, 2), **more) as out:
        out.write(bands)
    return file


@pytest.mark.parametrize("epsg", [32619, 3857, 2949])  # UTM 19 N, web Mercator, MTM 7
def test_a_spot_of_a_geotiff_in_any_projection_lies_at_its_own_degrees(tmp_path: Path, epsg: int) -> None:
    spot = (-71.597, 46.105)
    cut = cut_underlay(_geotiff(tmp_path / "sheet.tif", epsg, spot), BOX)
    red, green, blue, _ = _seen(cut, *spot)
    assert red > 180 and green < 60 and blue < 60
    red, green, blue, _ = _seen(cut, spot[0] + 0.0015, spot[1])  # 116 m east of it
    assert red < 40 and green > 90


def test_ground_that_the_sheet_does_not_reach_is_clear_and_a_sheet_elsewhere_is_refused(tmp_path: Path) -> None:
    sheet = _geotiff(tmp_path / "sheet.tif", 32619, (-71.61, 46.1035))  # ends within the box
    cut = cut_underlay(sheet, BOX)
    assert _seen(cut, -71.5902, 46.1035)[3] == 0 and _seen(cut, -71.5998, 46.1035)[3] == 255
    with pytest.raises(CannotUse, match="does not reach the planting"):
        cut_underlay(sheet, (10.0, 46.0, 10.01, 46.01))


def test_a_picture_without_coordinates_and_a_file_that_is_none_get_one_line(tmp_path: Path) -> None:
    PIL.new("RGB", (20, 20)).save(tmp_path / "plain.tif")
    with pytest.raises(CannotUse, match="does not say where it lies"):
        cut_underlay(tmp_path / "plain.tif", BOX)
    (tmp_path / "none.tif").write_bytes(b"no picture")
    with pytest.raises(CannotUse, match=r"none\.tif cannot be read"):
        cut_underlay(tmp_path / "none.tif", BOX)
    with pytest.raises(CannotUse, match="maps are read from"):
        cut_underlay(tmp_path / "map.pdf", BOX)


def test_a_file_that_names_another_file_as_its_picture_is_not_followed(tmp_path: Path) -> None:
    _geotiff(tmp_path / "secret.tif", 32619, (-71.597, 46.105))
    vrt = tmp_path / "trap.tif"  # a virtual raster under another name
    vrt.write_text('<VRTDataset rasterXSize="1000" rasterYSize="1000"><VRTRasterBand dataType="Byte" band="1"><SimpleSource>'
                   f'<SourceFilename>{tmp_path / "secret.tif"}</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>')
    with pytest.raises(CannotUse, match="cannot be read"):
        cut_underlay(vrt, BOX)


def test_a_layer_list_under_the_name_of_lines_is_not_followed(tmp_path: Path) -> None:
    line = {"type": "LineString", "coordinates": [[-71.6, 46.1], [-71.59, 46.107]]}
    (tmp_path / "secret.geojson").write_text(json.dumps(line))
    for ending in (".gpx", ".kml", ".geojson", ".gpkg"):
        trap = tmp_path / f"trap{ending}"  # a virtual layer under another name
        trap.write_text(f'<OGRVRTDataSource><OGRVRTLayer name="secret"><SrcDataSource>{tmp_path / "secret.geojson"}'
                        "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>")
        with pytest.raises(CannotUse, match="is not what its ending says"):
            cut_underlay(trap, BOX)


def test_tiles_of_an_mbtiles_file_lie_where_their_numbers_say(tmp_path: Path) -> None:
    # MBTiles 1.3: rows count from the south (TMS); tile numbers as the OpenStreetMap wiki "Slippy map tilenames" gives them
    zoom = 14
    lon, lat = -71.595, 46.1035
    across = int((lon + 180) / 360 * 2**zoom)
    down = int((1 - np.arcsinh(np.tan(np.radians(lat))) / np.pi) / 2 * 2**zoom)
    blue = BytesIO()
    PIL.new("RGB", (256, 256), (10, 20, 200)).save(blue, "PNG")
    file = tmp_path / "tiles.mbtiles"
    with sqlite3.connect(file) as store:
        store.execute("create table metadata (name text, value text)")
        store.execute("create table tiles (zoom_level integer, tile_column integer, tile_row integer, tile_data blob)")
        store.executemany("insert into metadata values (?, ?)", [("name", "own"), ("format", "png"), ("minzoom", str(zoom)),
                                                                 ("maxzoom", str(zoom)), ("type", "baselayer")])
        store.execute("insert into tiles values (?, ?, ?, ?)", (zoom, across, 2**zoom - 1 - down, blue.getvalue()))
    red, green, blue_seen, opaque = _seen(cut_underlay(file, BOX), lon, lat)
    assert opaque == 255 and blue_seen > 150 and red < 60 and green < 70


def test_lines_and_areas_are_cut_to_the_box_and_keep_their_degrees(tmp_path: Path) -> None:
    track = {"type": "Feature", "properties": {}, "geometry": {"type": "LineString", "coordinates": [
        [-71.7, 46.103], [-71.5, 46.103]]}}
    field = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [[
        [-71.598, 46.101], [-71.596, 46.101], [-71.596, 46.102], [-71.598, 46.102], [-71.598, 46.101]]]}}
    file = tmp_path / "own.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [track, field]}))
    cut = cut_underlay(file, BOX, "© the parish, CC BY 4.0")
    assert len(cut.lines) == 2 and cut.credit == "© the parish, CC BY 4.0"
    ends = sorted(x for line in cut.lines for x, y in line if y == 46.103)
    assert ends == pytest.approx([BOX[0], BOX[2]])
    assert from_kept(cut.as_json()) == cut
    with pytest.raises(CannotUse, match="no line or area where the planting is"):
        cut_underlay(file, (10.0, 46.0, 10.01, 46.01))


def test_the_room_round_one_place_is_never_nothing_and_no_place_is_refused() -> None:
    west, south, east, north = room_round([-71.6], [46.1])
    assert (east - west) * 111_195 * np.cos(np.radians(46.1)) > 60 and (north - south) * 111_195 > 60
    with pytest.raises(CannotUse):
        room_round([], [])


@pytest.mark.parametrize("told", ["", "[]", '{"box": [1, 2, 3]}',
                                  '{"box": [0, 0, 1, 1], "picture": 3, "lines": [], "credit": ""}'])
def test_a_kept_map_that_was_spoilt_is_told_in_one_line(told: str) -> None:
    with pytest.raises(CannotUse):
        from_kept(told)
