"""What strangers get tells them neither where exactly nor who, and the originals stay."""

import io
import math
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from diagnose.fieldlog.privacy import GRID_DEG, _middle, coarsened, export, stripped_photo
from diagnose.fieldlog.query import EARTH_M
from diagnose.fieldlog.store import Log, open_log

# with the day: a file written at five past two holds that time of its own
TIMES = ("2026-03-09T14:05", "2026-03-09 14:05")


@pytest.fixture
def log(tmp_path: Path) -> Log:
    log = open_log(tmp_path / "log")
    log.save_observation(site="a", by="AB", plant="17", note="behind the farm house", lat=46.81394, lon=-71.20803,
                         error_m=8.0, taken_at="2026-03-09T14:05:33", photo=b"x")
    log.save_observation(site="b", lat=-89.9999, lon=179.9999)
    log.save_observation(site="c")
    return log


def test_the_public_copy_holds_no_exact_place_person_or_note(log: Log) -> None:
    text = coarsened(log, log.observations()).to_json()
    for secret in ("46.8139", "71.208", "AB", "farm house", *TIMES, '"17"', log.observations()["photo"].dropna().iloc[0],
                   *log.observations()["id"]):
        assert secret not in text
    assert "generalised" in text and "withheld" in text


@pytest.mark.parametrize("name", ["a.csv", "a.geojson", "a.gpkg", "a.gpx", "a.zip"])
def test_every_format_leaves_coarse_unless_asked_otherwise(log: Log, tmp_path: Path, name: str) -> None:
    said = export(log, log.observations(), tmp_path / name)
    assert "public" in said and "exact places" in export(log, log.observations(), tmp_path / f"exact-{name}", exact=True)
    data = (tmp_path / name).read_bytes()
    if name.endswith(".zip"):
        with zipfile.ZipFile(tmp_path / name) as archive:
            data = b"".join(map(archive.read, archive.namelist()))
    packed = [struct.pack("<d", degrees) for degrees in (46.81394, -71.20803)]
    for secret in (b"46.8139", b"71.2080", b"farm house", *map(str.encode, TIMES), *packed,
                   *map(str.encode, log.observations()["id"])):
        assert secret not in data


def test_the_true_place_lies_within_the_stated_error(log: Log) -> None:
    exact = log.observations().dropna(subset=["lat"])
    public = coarsened(log, exact)
    for (_, true), (_, shown) in zip(exact.iterrows(), public.iterrows(), strict=True):
        north = math.radians(true["lat"] - shown["lat"]) * EARTH_M
        east = math.radians(true["lon"] - shown["lon"]) * EARTH_M * math.cos(math.radians(true["lat"]))
        known = 0.0 if math.isnan(true["error_m"]) else true["error_m"]
        assert math.hypot(north, east) + known <= shown["error_m"] + 1e-6
        assert -90 <= shown["lat"] <= 90 and -180 <= shown["lon"] <= 180


def test_two_exports_agree_so_that_nothing_can_be_averaged_out(log: Log) -> None:
    assert coarsened(log, log.observations()).equals(coarsened(log, log.observations()))


@given(st.floats(-90, 90), st.sampled_from([GRID_DEG, 0.1, 1.0]))
def test_every_place_of_a_cell_is_shown_at_the_same_point(degrees: float, grid: float) -> None:
    import pandas as pd

    cell = math.floor(degrees / grid)
    shown = _middle(pd.Series([degrees, (cell + 0.25) * grid, (cell + 0.75) * grid]), grid, 90.0)
    assert shown.nunique() == 1


def test_a_stripped_photo_holds_pixels_only_and_the_original_stays(log: Log) -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = "Maker", 6  # turned a quarter
    exif.get_ifd(0x8825).update({1: "N", 2: (46.0, 48.0, 50.0), 3: "W", 4: (71.0, 12.0, 29.0)})
    file = io.BytesIO()
    Image.fromarray(np.full((40, 60, 3), 90, np.uint8)).save(file, "jpeg", exif=exif, comment=b"my home")
    saved = log.save_observation(photo=file.getvalue())
    digest = log.observation(saved.id)["photo"]
    copy = stripped_photo(log.original(digest))
    shown = Image.open(io.BytesIO(copy))
    assert shown.size == (40, 60)  # upright without being told
    assert dict(shown.getexif()) == {} and "comment" not in shown.info
    for secret in (b"Maker", b"my home", b"Exif", b"GPS"):
        assert secret not in copy
    assert log.original(digest) == file.getvalue()
