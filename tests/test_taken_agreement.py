"""Place and time of the reference photographs agree with those that Pillow reads."""

from datetime import datetime
from pathlib import Path

import pytest
from PIL import Image

from diagnose.photo.picture import read_picture

PHOTOS = sorted((Path(__file__).parent.parent / "reference_cases" / "photos").rglob("*.jpg"))


def _degrees(gps: dict, number: int, negative: str) -> float | None:
    if number not in gps:
        return None
    degrees, minutes, seconds = (float(part) for part in gps[number])
    return (degrees + minutes / 60 + seconds / 3600) * (-1 if gps.get(number - 1) == negative else 1)


@pytest.mark.parametrize("file", PHOTOS, ids=lambda file: f"{file.parent.name}/{file.name}")
def test_an_independent_reader_finds_the_same_place_and_time(file: Path) -> None:
    exif = Image.open(file).getexif()
    gps, more = exif.get_ifd(0x8825), exif.get_ifd(0x8769)
    taken = read_picture(file).taken
    assert taken.lat == pytest.approx(_degrees(gps, 2, "S"), abs=1e-9)
    assert taken.lon == pytest.approx(_degrees(gps, 4, "W"), abs=1e-9)
    assert not taken.refused
    stated = more.get(0x9003)
    local = None if taken.time is None else taken.time.replace(tzinfo=None)
    assert local == (None if stated is None else datetime.strptime(stated, "%Y:%m:%d %H:%M:%S"))
    if 0x9011 in more and taken.time is not None:
        assert taken.time.isoformat().endswith(more[0x9011])
