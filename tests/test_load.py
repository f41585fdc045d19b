"""Rows and photos of any sort come in whole, or are refused one by one with the reason."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.load import import_csv, import_photos
from diagnose.fieldlog.merge import disputes, merge
from diagnose.fieldlog.store import open_log
from diagnose.fieldlog.verify import verify


def _file(folder: Path, text: str | bytes) -> Path:
    file = folder / "rows.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return file


def test_columns_are_mapped_and_bad_rows_refused_with_their_line(place: Callable[[str], str], tmp_path: Path) -> None:
    file = _file(tmp_path, "Lat,Lon,When,Tree,Cut,Weather\n"
                           "46.81,-71.2,2026-03-09,17,severed_shoot,sun\n"
                           "96.81,-71.2,2026-03-09,18,severed_shoot,sun\n"
                           "46.82,-71.3,soon,19,,rain\n"
                           "46.82,-71.3,2026-03-10,20,eaten by wolves,rain\n"
                           "46.82,-71.3\n"
                           "46.83,-71.4,2026-03-11,21,,rain\n")
    mapping = {"Lat": "lat", "Lon": "lon", "When": "taken_at", "Tree": "plant", "Cut": "sign.wound"}
    log = open_log(place("log"))
    trial = import_csv(log, file, mapping, by="AB", dry_run=True)
    assert log.observations().empty
    loaded = import_csv(log, file, mapping, by="AB")
    assert (trial.saved, trial.refused) == (loaded.saved, loaded.refused)
    assert loaded.saved == 2 and loaded.ignored == ["Weather"]
    assert [where for where, _ in loaded.refused] == ["line 3", "line 4", "line 5", "line 6"]
    rows = log.observations().set_index("plant")
    assert rows.loc["17", "signs"] == {"wound": "severed_shoot"} and rows.loc["21", "lat"] == 46.83
    assert [change["by"] for change in log.observation(rows.loc["17", "id"])["history"]] == ["AB"]


def test_a_file_taken_in_twice_brings_rows_with_ids_once(tmp_path: Path) -> None:
    log = open_log(tmp_path / "log")
    file = _file(tmp_path, "id,site\n5c7a2f64-9f4c-4a7e-8f5c-0d9a3a1b2c3d,a\n5c7a2f64-9f4c-4a7e-8f5c-0d9a3a1b2c3d,b\nx,c\n")
    assert import_csv(log, file).saved == 1
    again = import_csv(log, file)
    assert again.saved == 0 and len(again.refused) == 3
    assert len(log.observations()) == 1


def test_a_file_without_ids_brings_each_row_once_however_often_it_is_taken_in(tmp_path: Path) -> None:
    log, head = open_log(tmp_path / "log"), "site,plant,taken_at,note\n"
    rows = "north,1,2026-03-09,bitten\nnorth,,2026-03-09,bitten\nnorth,,2026-03-09,bitten\n"  # two plants without a tag
    assert import_csv(log, _file(tmp_path, head + rows), by="AB").saved == 3
    again = import_csv(log, _file(tmp_path, head + rows), by="CD")
    assert (again.saved, again.already, again.refused) == (0, 3, [])
    longer = import_csv(log, _file(tmp_path, head + "north,2,2026-03-10,\n" + rows))  # the crew went on writing
    assert (longer.saved, longer.already) == (1, 3) and len(log.observations()) == 4
    other = open_log(tmp_path / "other")  # a second crew took the same file in
    import_csv(other, _file(tmp_path, head + rows))
    merge(log, tmp_path / "other")
    assert len(log.observations()) == 4 and disputes(log) == []


def test_a_latitude_without_a_longitude_is_no_place(tmp_path: Path) -> None:
    loaded = import_csv(open_log(tmp_path / "log"), _file(tmp_path, "site,lat,lon\na,47.1,\na,,8.2\na,47.1,8.2\na,,\n"))
    assert loaded.saved == 2 and [where for where, _ in loaded.refused] == ["line 2", "line 3"]


def test_nothing_was_seen_on_a_day_that_is_still_to_come(tmp_path: Path) -> None:
    loaded = import_csv(open_log(tmp_path / "log"), _file(tmp_path, "site,taken_at\na,2199-01-01\na,2026-01-01\n"))
    assert loaded.saved == 1 and loaded.refused[0][0] == "line 2" and "to come" in loaded.refused[0][1]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_letters_of_other_languages_survive(tmp_path: Path, encoding: str) -> None:
    log = open_log(tmp_path / "log")
    loaded = import_csv(log, _file(tmp_path, "site;lat;lon\nForêt d'Äpfel;46,5;-71,25\n".encode(encoding)))
    assert (loaded.saved, loaded.refused) == (1, [])
    (row,) = log.observations().to_dict("records")
    assert (row["site"], row["lat"], row["lon"]) == ("Forêt d'Äpfel", 46.5, -71.25)
    assert ("cp1252" in loaded.note) == (encoding == "cp1252")


@pytest.mark.parametrize("content", [b"", b"\n", b"colour,shape\nred,round\n", b"site,site\na,b\n", b"\xff\xfe\x00",
                                     b"site\n\"unclosed" + b"x" * 200_000])
def test_what_is_no_list_of_observations_is_refused_in_one_line(tmp_path: Path, content: bytes) -> None:
    log = open_log(tmp_path / "log")
    with pytest.raises(CannotUse) as said:
        import_csv(log, _file(tmp_path, content))
    assert "\n" not in str(said.value)
    assert log.observations().empty


def test_a_formula_stays_text(tmp_path: Path) -> None:
    log = open_log(tmp_path / "log")
    import_csv(log, _file(tmp_path, "site,note\na,\"=cmd|' /C calc'!A0\"\n"))
    assert log.observations()["note"][0] == "=cmd|' /C calc'!A0"


@given(st.binary(max_size=300))
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_file_breaks_the_import(tmp_path: Path, content: bytes) -> None:
    log = open_log(tmp_path / "log")
    try:
        import_csv(log, _file(tmp_path, b"site,lat,signs,taken_at\n" + content), dry_run=True)
    except CannotUse as problem:
        assert "\n" not in str(problem)


def _photo(file: Path, seed: int, lat: float | None = None) -> None:
    chance = np.random.default_rng(seed)
    exif = Image.Exif()
    if lat is not None:
        exif.get_ifd(0x8825).update({1: "N", 2: (float(int(lat)), (lat % 1) * 60, 0.0), 3: "W", 4: (71.0, 12.0, 0.0)})
        exif.get_ifd(0x8769)[0x9003] = "2026:03:09 14:05:00"
    Image.fromarray(chance.integers(0, 255, (48, 64, 3), dtype=np.uint8)).save(file, exif=exif)


def test_a_folder_of_geotagged_photos_becomes_observations(place: Callable[[str], str], tmp_path: Path) -> None:
    photos = tmp_path / "photos"
    (photos / "day 2").mkdir(parents=True)
    _photo(photos / "a.jpg", 1, 46.5)
    _photo(photos / "day 2" / "b.JPG", 2, 46.75)
    _photo(photos / "c.png", 3)
    (photos / "spoilt.jpg").write_bytes((photos / "a.jpg").read_bytes()[:300])
    (photos / "notes.txt").write_text("no picture")
    log, steps = open_log(place("log")), []
    loaded = import_photos(log, photos, site="north", by="AB", progress=lambda done, of: steps.append((done, of)))
    assert (loaded.saved, loaded.already) == (3, 0)
    assert [name for name, _ in loaded.refused] == ["spoilt.jpg"]
    assert steps == [(1, 4), (2, 4), (3, 4), (4, 4)]
    rows = log.observations()
    assert sorted(rows["lat"].dropna()) == pytest.approx([46.5, 46.75]) and set(rows["site"]) == {"north"}
    again = import_photos(log, photos, site="north")
    assert (again.saved, again.already) == (0, 3)


# Hostile files: the header claims 20,000 x 20,000 pixels (ISO/IEC 15948, chunk IHDR), the rest is missing or huge
def test_spoilt_and_oversized_pictures_are_refused_one_by_one(tmp_path: Path) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    header = struct.pack(">IIBBBBB", 20_000, 20_000, 8, 2, 0, 0, 0)
    chunk = b"IHDR" + header
    body = struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk))
    (photos / "huge.png").write_bytes(b"\x89PNG\r\n\x1a\n" + body + struct.pack(">I", 0) + b"IDAT" + bytes(4))
    _photo(photos / "whole.jpg", 4, 46.5)
    whole = (photos / "whole.jpg").read_bytes()
    for number, cut in enumerate((1, 2, 20, 200, len(whole) // 2)):
        (photos / f"cut {number}.jpg").write_bytes(whole[:cut])
    (photos / "empty.jpg").write_bytes(b"")
    log = open_log(tmp_path / "log")
    loaded = import_photos(log, photos)
    assert loaded.saved == 1
    assert {name for name, _ in loaded.refused} == {each.name for each in photos.iterdir()} - {"whole.jpg"}
    assert all("\n" not in why for _, why in loaded.refused)
    assert verify(log).good


@given(st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_damage_to_a_pictures_exif_breaks_the_import(tmp_path: Path, data: st.DataObject) -> None:
    photos = tmp_path / "photos"
    photos.mkdir(exist_ok=True)
    _photo(photos / "a.jpg", 5, 46.5)
    spoilt = bytearray((photos / "a.jpg").read_bytes())
    for _ in range(data.draw(st.integers(1, 8))):
        spoilt[data.draw(st.integers(2, 300))] = data.draw(st.integers(0, 255))
    (photos / "a.jpg").write_bytes(spoilt)
    loaded = import_photos(open_log(tmp_path / "log"), photos)
    assert loaded.saved + loaded.already + len(loaded.refused) == 1
