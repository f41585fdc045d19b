"""What a file says of place and time is taken where it can be true and refused where it cannot."""

from __future__ import annotations

import io
import sys
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from diagnose.photo.exif import Taken, read_taken
from diagnose.photo.picture import read_picture
from tests.conftest import PHOTOS

EXIF, GPS = 0x8769, 0x8825
PLACE: dict[int, Any] = {1: "N", 2: (54.0, 30.0, 36.0), 3: "W", 4: (3.0, 15.0, 9.0)}


def exif_bytes(exif: dict[int, Any] | None = None, gps: dict[int, Any] | None = None, **main: Any) -> bytes:
    """EXIF as Pillow writes it: an independent writer."""
    made = Image.Exif()
    made[0x110] = "Test"
    made.get_ifd(EXIF).update(exif or {})
    made.get_ifd(GPS).update(gps or {})
    return made.tobytes()


def taken(exif: dict[int, Any] | None = None, gps: dict[int, Any] | None = None) -> Taken:
    return read_taken(exif_bytes(exif, gps))


def test_a_picture_without_exif_says_nothing_and_refuses_nothing() -> None:
    assert read_taken(b"") == Taken()


def test_place_altitude_error_direction_lens_and_focal_length_are_read() -> None:
    seen = taken(
        {0xA434: "Main lens", 0x920A: 5.1, 0xA405: 26},
        PLACE | {5: b"\x00", 6: 123.5, 31: 4.8, 16: "T", 17: 271.25},
    )
    assert seen.lat == pytest.approx(54.51) and seen.lon == pytest.approx(-(3 + 15 / 60 + 9 / 3600))
    assert seen.altitude_m == 123.5 and seen.error_m == pytest.approx(4.8)
    assert seen.direction_deg == 271.25 and seen.direction_is_magnetic is False
    assert seen.lens == "Main lens" and seen.focal_mm == pytest.approx(5.1) and seen.focal_35mm == 26
    assert seen.refused == ()


def test_every_reference_photo_agrees_with_pillows_own_reader() -> None:
    photos = sorted(PHOTOS.rglob("*.jpg"))
    assert photos
    for path in photos:
        picture = read_picture(path)
        exif = Image.open(path).getexif()
        main, gps = exif.get_ifd(EXIF), exif.get_ifd(GPS)
        seen = picture.taken
        if 2 in gps:
            assert seen.lat is not None and seen.lon is not None
            for size, value in ((gps[2], seen.lat), (gps[4], seen.lon)):
                degrees = float(size[0]) + float(size[1]) / 60 + float(size[2]) / 3600
                assert abs(value) == pytest.approx(degrees, abs=1e-9)
            assert (seen.lat > 0, seen.lon > 0) == (gps[1] == "N", gps[3] == "E")
        if 0x9003 in main:
            assert seen.time is not None
            assert seen.time.strftime("%Y:%m:%d %H:%M:%S") == main[0x9003]
            if 0x9011 in main:
                assert seen.time.isoformat()[-6:] == main[0x9011]
        assert seen.focal_35mm == main.get(0xA405)
        assert seen.refused == ()


def test_a_stated_offset_makes_the_time_aware() -> None:
    seen = taken({0x9003: "2024:06:01 10:00:00", 0x9011: "-05:00"})
    assert seen.time == datetime(2024, 6, 1, 15, tzinfo=UTC)
    assert not seen.time_is_local and not seen.offset_inferred


def test_a_time_without_offset_is_local_and_says_so() -> None:
    seen = taken({0x9003: "2024:06:01 10:00:00"})
    assert seen.time == datetime(2024, 6, 1, 10) and seen.time_is_local


def test_an_offset_is_worked_out_from_the_satellites_clock_and_flagged() -> None:
    """Nepal keeps UTC+05:45, so a quarter of an hour matters."""
    clock = {7: (4.0, 13.0, 20.0), 29: "2024:06:01"}
    seen = taken({0x9003: "2024:06:01 10:00:00"}, clock)
    assert seen.time is not None and seen.time.utcoffset() == timedelta(hours=5, minutes=45)
    assert seen.offset_inferred and not seen.time_is_local


def test_a_fix_that_is_too_old_gives_no_offset() -> None:
    seen = taken({0x9003: "2024:06:01 10:00:00"}, {7: (4.0, 22.0, 0.0), 29: "2024:06:01"})
    assert seen.time_is_local and not seen.offset_inferred


@pytest.mark.parametrize(
    "text",
    ["2023:02:30 10:00:00", "1904:01:01 00:00:00", "2024:06:01 25:00:00", "yesterday", "2999:01:01 00:00:00"],
)
def test_an_impossible_date_is_refused(text: str) -> None:
    seen = taken({0x9003: text})
    assert seen.time is None and any(reason.startswith("time: ") for reason in seen.refused)


@pytest.mark.parametrize("text", ["0000:00:00 00:00:00", "    :  :     :  :  "])
def test_a_clock_that_was_never_set_gives_no_time(text: str) -> None:
    assert taken({0x9003: text}).time is None


def test_a_nonsense_offset_leaves_the_time_local() -> None:
    for offset in ("+25:00", "+02:75", "CET", "   :  "):
        assert taken({0x9003: "2024:06:01 10:00:00", 0x9011: offset}).time_is_local


NOTHING = IFDRational(0, 0)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({2: (NOTHING, NOTHING, NOTHING)}, "division by zero"),
        ({4: (IFDRational(3, 0), 15.0, 9.0)}, "division by zero"),
        ({2: (91.0, 0.0, 0.0)}, "does not exist"),
        ({2: (54.0, 75.0, 0.0)}, "does not exist"),
        ({4: (180.0, 0.0, 1.0)}, "does not exist"),
        ({1: ""}, "hemisphere"),
        ({3: "X"}, "hemisphere"),
        ({2: (0.0, 0.0, 0.0), 4: (0.0, 0.0, 0.0)}, "exactly 0, 0"),
        ({9: "V"}, "no fix"),
        ({4: (3.0, 15.0)}, "incomplete"),
        ({18: "TOKYO"}, "datum"),
    ],
)
def test_a_position_that_cannot_be_true_is_refused_whole_with_a_reason(
    change: dict[int, Any], word: str
) -> None:
    seen = taken(gps=PLACE | {6: 50.0, 5: b"\x00"} | change)
    assert seen.lat is None and seen.lon is None
    assert any(reason.startswith("position: ") and word in reason for reason in seen.refused)
    if 9 not in change:
        assert seen.altitude_m == 50.0  # each value for itself


@pytest.mark.parametrize("missing", [1, 2, 3, 4])
def test_half_a_position_is_none(missing: int) -> None:
    seen = taken(gps={tag: value for tag, value in PLACE.items() if tag != missing})
    assert seen.lat is None and seen.lon is None and len(seen.refused) == 1


def test_a_longitude_of_zero_at_a_real_latitude_is_a_place() -> None:
    assert taken(gps=PLACE | {4: (0.0, 0.0, 0.0)}).lon == 0.0


def test_degrees_with_decimals_and_no_minutes_are_understood() -> None:
    assert taken(gps=PLACE | {2: (54.51, 0.0, 0.0)}).lat == pytest.approx(54.51)


def test_a_datum_that_agrees_with_wgs_84_is_accepted() -> None:
    for datum in ("WGS-84", "WGS84", "wgs 84", "NAD83", "ETRS89", ""):
        assert taken(gps=PLACE | {18: datum}).lat is not None


@pytest.mark.parametrize("reference", [b"\x01", 1, b"1"])
def test_an_altitude_below_the_sea_is_negative_however_the_reference_is_written(reference: Any) -> None:
    assert taken(gps={5: reference, 6: 3.5}).altitude_m == -3.5


@pytest.mark.parametrize("gps", [{5: b"\x00", 6: NOTHING}, {5: b"\x07", 6: 3.0}, {5: b"\x00", 6: 45_000.0}])
def test_a_nonsense_altitude_is_refused(gps: dict[int, Any]) -> None:
    seen = taken(gps=PLACE | gps)
    assert seen.altitude_m is None and seen.refused[0].startswith("altitude: ")
    assert seen.lat is not None


@pytest.mark.parametrize(("tag", "value"), [(31, NOTHING), (31, 0.0), (17, 400.0), (17, NOTHING)])
def test_a_nonsense_error_or_direction_is_refused(tag: int, value: Any) -> None:
    seen = taken(gps=PLACE | {tag: value})
    assert seen.error_m is None and seen.direction_deg is None and len(seen.refused) == 1


def test_a_focal_length_of_zero_stands_for_unknown() -> None:
    seen = taken({0xA405: 0, 0x920A: IFDRational(Fraction(0, 1))})
    assert seen.focal_35mm is None and seen.focal_mm is None and seen.refused == ()


def test_taken_prints_as_plain_json() -> None:
    shown = taken({0x9003: "2024:06:01 10:00:00", 0x9011: "+02:00"}, PLACE).as_json()
    assert shown["time"] == "2024-06-01T10:00:00+02:00"
    assert shown["error_m"] is None and shown["refused"] == [] and shown["lat"] == pytest.approx(54.51)


def test_broken_exif_never_stops_the_picture() -> None:
    """Bytes of the header are overwritten at random; the picture must come out whole each time."""
    stream = io.BytesIO()
    exif = exif_bytes({0x9003: "2024:06:01 10:00:00", 0xA405: 26}, PLACE | {6: 3.0, 31: 4.0})
    Image.new("RGB", (32, 24)).save(stream, "JPEG", exif=exif)
    data = stream.getvalue()
    start = data.index(b"Exif") + 6
    rng = np.random.default_rng(3)
    for _ in range(300):
        broken = bytearray(data)
        for at in rng.integers(start, start + len(exif) - 10, rng.integers(1, 9)):
            broken[at] = rng.integers(0, 256)
        picture = read_picture(bytes(broken))
        assert {24, 32} == set(picture.size)
        seen = picture.taken
        assert seen.lat is None or -90 <= seen.lat <= 90
        assert seen.lon is None or -180 <= seen.lon <= 180


@pytest.mark.parametrize("where", ["first", "of Exif", "of GPS"])
def test_a_directory_that_states_65_535_entries_is_read_as_far_as_it_goes(where: str) -> None:
    """The reader alone goes round 65,535 times: up to a second for a picture of some kilobytes."""
    whole = bytearray(exif_bytes({0x9003: "2024:06:01 10:00:00"}, PLACE | {6: 3.0}).removeprefix(b"Exif\x00\x00"))
    order = "little" if whole[:2] == b"II" else "big"
    at = int.from_bytes(whole[4:8], order)
    if where != "first":
        tag = (0x8769 if where == "of Exif" else 0x8825).to_bytes(2, order)
        entry = next(at + 2 + 12 * n for n in range(20) if whole[at + 2 + 12 * n :][:2] == tag)
        at = int.from_bytes(whole[entry + 8 : entry + 12], order)
    right = read_taken(bytes(whole))
    whole[at : at + 2] = b"\xff\xff"
    calls = 0

    def count(_frame: object, event: str, _more: object) -> None:
        nonlocal calls
        calls += event == "call"

    sys.setprofile(count)
    try:
        found = read_taken(bytes(whole))
    finally:
        sys.setprofile(None)
    assert calls < 10_000  # at least 65,535 without a limit
    assert (found.time, found.lat, found.lon) == (right.time, right.lat, right.lon) and right.time and right.lat


def test_exif_that_is_no_exif_is_told() -> None:
    assert read_taken(b"Exif\x00\x00 nothing of the kind").lat is None
