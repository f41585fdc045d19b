"""Position and verdict stand beside a photo, a reader of its own finds them, and no photo is touched."""

from __future__ import annotations

import shutil
from pathlib import Path

import exiv2
import pytest

from diagnose.cli import main
from diagnose.diagnosis import diagnose_answers
from diagnose.fieldlog.sidecars import as_xmp
from diagnose.fieldlog.store import Log, open_log
from diagnose.signs import parse_signs
from tests.conftest import PHOTOS

STATEMENT = "Most likely <deer> & nothing else: 90 %."
ROW = {"lat": 46.1075, "lon": -71.6, "leading": "deer", "named": None, "site": "north & south", "plant": "T7",
       "verdict": {"statement": STATEMENT}}


def _read(xmp: str) -> dict[str, str]:
    """The packet's properties as exiv2 reads them, a library that knows XMP."""
    image = exiv2.ImageFactory.open(xmp.encode())
    image.readMetadata()
    return {one.key(): one.toString() for one in image.xmpData()}


@pytest.fixture
def log(tmp_path: Path) -> Log:
    log = open_log(tmp_path / "log")
    verdict = diagnose_answers(parse_signs({"wound": "severed_shoot", "cut_form": "torn"})).verdict.as_json()
    log.save_observation(photo=(PHOTOS / "twig_on_card" / "IMG_0016.jpg").read_bytes(), lat=46.1, lon=-71.6, verdict=verdict,
                         leading="deer")
    return log


def test_a_reader_of_xmp_finds_position_verdict_and_keywords() -> None:
    told = _read(as_xmp(ROW))
    assert told["Xmp.exif.GPSLatitude"] == "46,6.450000N"  # 0.1075 degrees are 6.45 minutes
    assert told["Xmp.exif.GPSLongitude"] == "71,36.000000W"
    assert told["Xmp.dc.description"] == f'lang="x-default" {STATEMENT}'
    assert told["Xmp.dc.subject"] == "browse damage, deer, north & south, T7"


@pytest.mark.parametrize(("degrees", "told"), [
    (0.0, "0,0.000000N"), (-0.5, "0,30.000000S"), (45.99999999999, "46,0.000000N"), (90.0, "90,0.000000N")])
def test_minutes_stay_below_sixty(degrees: float, told: str) -> None:
    assert _read(as_xmp({**ROW, "lat": degrees}))["Xmp.exif.GPSLatitude"] == told


def test_without_a_position_none_is_told() -> None:
    assert not [name for name in _read(as_xmp({**ROW, "lat": float("nan")})) if "GPS" in name]


def test_photos_are_known_by_their_bytes_and_stay_untouched(
    log: Log, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "mine" / "deep"
    folder.mkdir(parents=True)
    shutil.copy(PHOTOS / "twig_on_card" / "IMG_0016.jpg", folder / "renamed.JPG")
    shutil.copy(PHOTOS / "twig_on_card" / "IMG_0003.jpg", folder / "other.jpg")
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    assert main(["log", "sidecars", str(tmp_path / "mine"), "--log", log.where]) == 0
    assert capsys.readouterr().out == "1 sidecars written; 1 photos are not in the log.\n"
    assert {file.name for file in folder.iterdir()} - set(before) == {"renamed.JPG.xmp"}
    assert all((folder / name).read_bytes() == data for name, data in before.items())
    assert "Xmp.exif.GPSLatitude" in _read((folder / "renamed.JPG.xmp").read_text("utf-8"))


def test_another_programs_sidecar_is_left_alone_and_our_own_is_written_anew(
    log: Log, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("a.jpg", "b.jpg"):
        shutil.copy(PHOTOS / "twig_on_card" / "IMG_0016.jpg", tmp_path / name)
    (tmp_path / "a.jpg.xmp").write_text("<x:xmpmeta>theirs</x:xmpmeta>")
    for _ in range(2):
        assert main(["log", "sidecars", str(tmp_path), "--log", log.where]) == 0
    told = capsys.readouterr().out.splitlines()[-1]
    assert "another program wrote were left as they are" in told
    assert (tmp_path / "a.jpg.xmp").read_text() == "<x:xmpmeta>theirs</x:xmpmeta>"
    assert "browse-diagnose" in (tmp_path / "b.jpg.xmp").read_text("utf-8")
