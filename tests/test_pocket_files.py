"""What a phone handed over is taken in like anybody's: checked, once, with what disagrees told."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.handed_over import disagreements
from diagnose.fieldlog.merge import merge
from diagnose.fieldlog.store import open_log
from diagnose.signs import Answer, Measured, Shares
from tests.conftest import PHOTOS

ID = "7b0e5d53-5a0e-4c5e-9b4b-3a9ad3f5a0{:02d}"


def _wound(number: int, photos: list[dict[str, Any]], **signs: str) -> dict[str, Any]:
    values = {"site": "north", "plot": "", "plant": f"T{number}", "note": "", "grid": "NT 251 733", "position": None,
              "taken_at": "2026-11-28T10:00:00.000+00:00",
              "signs": {name: {"choice": choice} for name, choice in signs.items()},
              "passed": [], "snow_mm": None, "place": "GB", "photos": photos, "told": {}}
    return {"id": ID.format(number), "record": ID.format(number), "kind": "wound", "at": "2026-11-28T10:00:00.000+00:00",
            "by": "AB", "seen": [], "values": values}


def _file(place: Path, kept: list[dict[str, Any]], photos: dict[str, bytes] | None = None) -> Path:
    with zipfile.ZipFile(place, "w") as packed:
        packed.writestr("format", "browse pocket 1")
        packed.writestr("kept.jsonl", "".join(json.dumps(one) + "\n" for one in kept))
        for name, data in (photos or {}).items():
            packed.writestr(f"photos/{name}", data)
    return place


def test_a_photo_is_measured_at_the_merge_and_what_it_says_otherwise_is_told(tmp_path: Path) -> None:
    twig = (PHOTOS / "twig_on_card" / "IMG_0016.jpg").read_bytes()  # a clean cut at 38 degrees, by the rendering's own truth
    about = [{"id": "p1", "name": "a.jpg", "sha256": None}, {"id": "p2", "name": "b.jpg", "sha256": None}]
    kept = [_wound(1, about, cut_form="torn", cut_slant="square")]
    log = open_log(tmp_path / "log")
    merged = merge(log, _file(tmp_path / "a.zip", kept, {"p1": twig, "p2": b"no picture"}))
    told = "\n".join(merged.remarks)
    assert "look of the cut: answered torn, frayed or splintered, measured clean" in told
    assert "slant of the cut: answered about square across" in told
    assert "b.jpg was kept but not measured" in told
    row = log.observation(ID.format(1))
    assert row["signs"]["cut_form"] == "torn" and abs(row["signs"]["end_diameter_mm"]["value"] - 7) < 0.5
    assert "NT 251 733" in row["note"] and len(row["pictures"]) == 1
    assert merge(log, tmp_path / "a.zip").records == 0


def test_photos_of_two_twigs_are_not_joined_unasked_and_it_is_told_in_millimetres_what_differs(tmp_path: Path) -> None:
    # twigs that were drawn 7 and 12 mm thick
    twigs = {f"p{number}": (PHOTOS / "twig_on_card" / f"IMG_00{number}.jpg").read_bytes() for number in (16, 20)}
    about = [{"id": name, "name": f"{name}.jpg", "sha256": None} for name in twigs]
    log = open_log(tmp_path / "log")
    merged = merge(log, _file(tmp_path / "a.zip", [_wound(1, about, wound="severed_shoot")], twigs))
    told = "\n".join(merged.remarks)
    assert "mm in p16.jpg" in told and "mm in p20.jpg" in told and "are they of one wound? Only p16.jpg is judged" in told
    row = log.observation(ID.format(1))
    assert abs(row["signs"]["end_diameter_mm"]["value"] - 7) < 0.5 and row["signs"]["end_diameter_mm"]["sigma"] < 0.5


def test_what_agrees_is_not_told() -> None:
    answers = {"cut_form": Answer("clean"), "cut_slant": Answer("slanting"), "position": Answer("low")}
    measured = {"end_form": Shares({"clean": 0.9, "half": 0.08, "torn": 0.02}), "seen_slope_deg": Measured(37, 1),
                "wound_height_mm": Measured(320, 10)}
    assert disagreements(answers, measured) == []
    assert len(disagreements(answers, {"wound_height_mm": Measured(900, 10)})) == 1


@pytest.mark.parametrize("spoilt", ["sign", "kind", "id", "photo", "another photo", "time", "no entries"])
def test_a_file_that_makes_no_sense_is_refused_in_one_line_and_nothing_of_it_is_taken_in(
    tmp_path: Path, spoilt: str
) -> None:
    good, bad = _wound(1, [], wound="severed_shoot"), _wound(2, [], wound="severed_shoot")
    photos: dict[str, bytes] = {}
    if spoilt == "sign":
        bad["values"]["signs"] = {"wound": {"choice": "eaten by a dragon"}}
    elif spoilt == "kind":
        bad["kind"] = "sender"
    elif spoilt == "id":
        bad["id"] = "../../etc"
    elif spoilt == "photo":
        bad["values"]["photos"] = [{"id": "p1", "name": "a.jpg", "sha256": None}]
    elif spoilt == "another photo":
        bad["values"]["photos"], photos = [{"id": "p1", "name": "a.jpg", "sha256": "0" * 64}], {"p1": b"x"}
    elif spoilt == "time":
        bad["at"] = "yesterday"
    else:
        del bad["values"]
    log = open_log(tmp_path / "log")
    with pytest.raises(CannotUse) as refused:
        merge(log, _file(tmp_path / "a.zip", [good, bad], photos))
    assert len(str(refused.value).splitlines()) == 1
    assert log.observations().empty


def test_a_correction_that_comes_before_what_it_corrects_stands_all_the_same(tmp_path: Path) -> None:
    def tree(number: int, height: str, seen: list[str]) -> dict[str, Any]:
        entry = {"site": "north", "visit": "2026-11-28", "plot": "P1", "tree": "7", "species": "oak", "height_cm": height}
        return {"id": ID.format(number), "record": ID.format(1), "kind": "tree", "by": "AB", "seen": seen,
                "at": f"2026-11-28T10:0{number}:00.000+00:00", "values": {"entry": entry}}

    first = _file(tmp_path / "first.zip", [tree(1, "40", [])])
    second = _file(tmp_path / "second.zip", [tree(2, "44", [ID.format(1)])])
    for name, order in (("a", (first, second)), ("b", (second, first)), ("c", (second, first, second))):
        log = open_log(tmp_path / name)
        for each in order:
            merge(log, each)
        rows = log.records("tally")
        assert [entry["height_cm"] for entry in rows["entry"]] == ["44"] and not rows["disputed"].any()
