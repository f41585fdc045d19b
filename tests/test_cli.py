"""The command says what the tool found, for people and for machines, and refuses in one line."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import pytest
import yaml

from diagnose.cli import main, words
from tests.conftest import PHOTOS

CARD = PHOTOS / "twig_on_card" / "IMG_0016.jpg"


def _json(capsys: pytest.CaptureFixture[str], *arguments: str) -> Any:
    assert main([*arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_photos_come_out_as_one_json_list_in_the_order_given(capsys: pytest.CaptureFixture[str]) -> None:
    other = PHOTOS / "gnawed_bark" / "IMG_0003.jpg"
    first, second = _json(capsys, "photo", str(other), str(CARD))
    assert (first["file"], second["file"]) == (other.name, CARD.name)
    assert set(second) >= {"file", "sha256", "taken", "plane", "measured", "not_measured", "verdict", "barrier"}
    assert set(second["taken"]) >= {"time", "lat", "lon", "error_m", "refused"}
    assert set(second["plane"]) == {"kind", "markers", "residual_px", "view_angle_deg"}
    assert set(second["measured"]["seen_slope_deg"]) == {"value", "sigma"}
    assert set(second["measured"]["end_form"]) == {"clean", "half", "torn"}
    assert sum(second["verdict"]["culprits"].values()) == pytest.approx(1, abs=0.01)
    assert second["verdict"]["next_question"]
    assert "groove_spacing_mm" in second["not_measured"] and "groove_spacing_mm" in first["measured"]


def test_place_and_time_are_those_that_another_reader_finds(capsys: pytest.CaptureFixture[str]) -> None:
    """Pillow's own EXIF reader."""
    from PIL import Image

    taken = _json(capsys, "photo", str(CARD))[0]["taken"]
    exif = Image.open(CARD).getexif()
    gps = exif.get_ifd(0x8825)
    degrees, minutes, seconds = (float(part) for part in gps[2])
    assert taken["lat"] == pytest.approx((degrees + minutes / 60 + seconds / 3600) * (1 if gps[1] == "N" else -1), abs=1e-6)
    assert taken["time"][:10] == exif.get_ifd(0x8769)[0x9003][:10].replace(":", "-")


def test_a_file_that_cannot_be_read_is_named_and_the_others_go_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(b"no picture")
    assert main(["photo", str(bad), str(CARD), "--json"]) == 1
    shown = capsys.readouterr()
    assert [one["file"] for one in json.loads(shown.out)] == ["bad.jpg", CARD.name]
    assert shown.err.count("\n") == 1


@pytest.mark.parametrize("arguments", [
    ["photo", "missing.jpg"], ["photo", str(CARD), "--tap", "9999,9999"], ["photo", str(CARD), "--known-mm", "50"],
    ["photo", str(CARD), "--region", "atlantis"], ["photo", str(CARD), "--bar-mm", "20"],
    ["photo", str(CARD), "--turns", "0"], ["photo", str(CARD), str(CARD), "--one-wound"],
    ["photo", str(CARD), "other.jpg", "--one-wound", "--turns", "0,90,180"],
    ["photo", str(CARD), "--card-at", "300", "--foot", "9999,9999"],
    ["photo", str(CARD), "--signs", "missing.yaml"], ["ask", "--signs", "missing.yaml"],
    ["photo", str(CARD), "--picture", "/nonexistent/folder/out.jpg"], ["card", "--out", "/nonexistent/folder/card.pdf"],
    ["photo", str(CARD), str(CARD), "--picture", "out.jpg"], ["key", "--out", "/nonexistent/folder/key.pdf"],
    ["protect", "--trees", "9", "--hectares", "1", "--culprit", "deer", "--pdf", "/nonexistent/folder/plan.pdf"],
])  # fmt: skip
def test_bad_input_gets_one_line_and_no_traceback(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) != 0
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "Traceback" not in said


def test_a_photo_that_cannot_be_kept_is_still_judged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("no folder")
    assert main(["photo", str(CARD), "--json", "--save", "--log", str(tmp_path / "file")]) == 1
    shown = capsys.readouterr()
    assert json.loads(shown.out)[0]["verdict"]["culprits"]
    assert shown.err.count("\n") == 1


def test_where_no_coin_is_found_the_slope_is_measured_all_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    photo = PHOTOS / "twig_free" / "IMG_0005.jpg"
    twig = json.loads(photo.with_suffix(".json").read_text())["twig"]
    end, way, wide = twig["end_centre_px"], twig["axis_px_dir"], twig["diameter_px"]
    taps = [f"{end[0] + far * wide * way[0]:.0f},{end[1] + far * wide * way[1]:.0f}" for far in (0, 5)]
    found = _json(capsys, "photo", str(photo), "--coin-mm", "24.26", "--tap", taps[0], "--tap", taps[1])[0]
    assert "seen_slope_deg" in found["measured"]
    assert "coin" in found["not_measured"]["end_diameter_mm"]


def test_the_plants_foot_is_told_by_name_or_as_the_second_tap(capsys: pytest.CaptureFixture[str]) -> None:
    photo = next((PHOTOS / "staff_scene").glob("*.jpg"))
    plant = json.loads(photo.with_suffix(".json").read_text())["seedling"]
    wound, foot = (f"{x:.1f},{y:.1f}" for x, y in (plant["browsed_px"], plant["base_px"]))
    by_name = _json(capsys, "photo", str(photo), "--tap", wound, "--foot", foot)[0]
    by_tap = _json(capsys, "photo", str(photo), "--tap", wound, "--tap", foot)[0]
    assert by_name["measured"]["wound_height_mm"] == by_tap["measured"]["wound_height_mm"]


def test_a_card_that_stands_on_the_ground_tells_the_wounds_height(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from diagnose.simulate import bark

    photo = tmp_path / "stem.jpg"
    data, truth = bark.picture_of(replace(bark.any_setting(1000), along="y", turn=90.0, size=(1200, 1600)))
    photo.write_bytes(data)
    found = _json(capsys, "photo", str(photo), "--card-at", "0")[0]["measured"]
    assert truth.upper is not None
    assert found["wound_height_mm"]["value"] == pytest.approx(50 + truth.upper, abs=8)


def test_photos_round_a_stem_are_joined_into_one_wound_and_kept_together(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from diagnose.fieldlog.store import open_log
    from diagnose.simulate import bark

    setting = replace(bark.any_setting(1006), share=0.5, diameter=36.0, tilt=6.0)
    files = []
    for stood in (0, 120, 240):
        files.append(str(tmp_path / f"side{stood}.jpg"))
        Path(files[-1]).write_bytes(bark.picture_of(replace(setting, turned=(10.0 - stood + 180) % 360 - 180))[0])
    alone = [one["measured"]["bark_loss"] for one in _json(capsys, "photo", *files) if "bark_loss" in one["measured"]]
    log = str(tmp_path / "log")
    (joined,) = _json(capsys, "photo", *files, "--one-wound", "--turns", "0,120,240", "--save", "--log", log)
    loss = joined["measured"]["bark_loss"]
    low, high = (loss.get("low", loss.get("value")), loss.get("high", loss.get("value")))
    assert joined["files"] == [Path(file).name for file in files]
    assert low - 2 * loss.get("sigma", 0) <= bark.true_share(setting) <= high + 2 * loss.get("sigma", 0)
    assert high - low < min(one["high"] - one["low"] for one in alone)
    kept = open_log(log).observations()
    assert len(kept) == 1 and len(open_log(log).observation(kept.iloc[0]["id"])["pictures"]) == 2


def test_turns_that_make_no_sense_are_refused_in_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["photo", str(CARD), "--one-wound", "--turns", "north"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_answered_signs_are_judged_without_a_photo(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    signs = tmp_path / "signs.yaml"
    signs.write_text(yaml.safe_dump({"wound": "severed_shoot", "cut_form": "torn", "position": "middle"}))
    assert main(["ask", "--signs", str(signs), "--json", "--region", "east"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert "deer" in found["verdict"]["leading"]
    assert found["barrier"]["kind"] == "cage"


def test_questions_are_asked_one_by_one_until_the_input_ends(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO("1\nnonsense\n3\n4\n"))
    assert main(["ask", "--region", "DE"]) == 0
    shown = capsys.readouterr()
    assert "What happened to the plant?" in shown.err
    assert "deer" in shown.out.splitlines()[0] and "Barrier:" in shown.out


def test_without_a_region_the_country_is_asked_for_first_by_its_name_and_a_name_that_is_none_is_asked_again(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO("narnia\nNew Zealand\n3\n"))
    assert main(["ask"]) == 0
    shown = capsys.readouterr()
    assert shown.err.index("In which country") < shown.err.index("narnia") < shown.err.index("What happened to the plant?")
    assert "New Zealand:" in shown.out
    monkeypatch.setattr("sys.stdin", io.StringIO("0\n3\n"))
    assert main(["ask"]) == 0
    shown = capsys.readouterr()
    assert shown.err.count("In which country") == 1 and "No place is known" in shown.out


def test_a_photo_is_kept_and_listed_and_marked_as_deleted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = ["--log", str(tmp_path / "log")]
    keep = ["photo", str(CARD), "--save", *log, "--site", "north slope", "--plant", "17", "--by", "AB"]
    assert main(keep) == 0 and main(keep) == 0
    assert "already" in capsys.readouterr().err
    assert main(["log", "list", *log, "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["observations"]
    assert [(row["site"], row["plant"]) for row in rows] == [("north slope", "17")]
    assert main(["log", "list", *log]) == 0 and "north slope" in capsys.readouterr().out
    assert main(["log", "show", rows[0]["id"][:8], *log]) == 0
    assert json.loads(capsys.readouterr().out)["history"]
    assert main(["log", "delete", rows[0]["id"][:8], *log]) == 0
    assert main(["log", "list", *log]) == 0 and "no such observation" in capsys.readouterr().out


def test_the_card_is_written_as_a_pdf(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["card", "--out", str(tmp_path / "card.pdf")]) == 0
    assert (tmp_path / "card.pdf").read_bytes().startswith(b"%PDF")
    assert "100 mm" in capsys.readouterr().out


def test_help_imports_nothing_heavy() -> None:
    code = "import sys; from diagnose.cli import main\nmain(['--help']); main(['log', 'list', '--help'])\n"
    code += "print([m for m in ('cv2', 'pandas', 'numpy', 'streamlit', 'sqlalchemy') if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert shown.strip().endswith("[]")


def test_an_observation_is_corrected_deleted_restored_and_found_near_a_point(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from diagnose.fieldlog.store import open_log

    at = ["--log", str(tmp_path / "log")]
    listed = ["log", "list", *at]
    kept = open_log(tmp_path / "log")
    one = kept.save_observation(lat=46.8, lon=-71.2, plant="7").id
    kept.save_observation(lat=46.9, lon=-71.2, plant="8")  # 11 km to the north
    rows = _json(capsys, *listed, "--near", "46.8005,-71.2,200")["observations"]
    assert [row["plant"] for row in rows] == ["7"]
    assert main(["log", "correct", one[:8], "plant=17", "note=a = b", *at, "--by", "AB"]) == 0
    assert kept.observation(one)["plant"] == "17" and kept.observation(one)["note"] == "a = b"
    assert kept.observation(one)["history"][-1]["before"]["plant"] == "7"
    assert main(["log", "delete", one[:8], *at]) == 0
    capsys.readouterr()
    assert [row["id"] for row in _json(capsys, *listed, "--deleted")["observations"]] == [one]
    assert main(["log", "undelete", one[:8], *at]) == 0
    capsys.readouterr()
    assert _json(capsys, *listed, "--deleted")["observations"] == []
    assert len(_json(capsys, *listed)["observations"]) == 2
    assert main(["log", "correct", one[:8], *at]) == 2 and "FIELD=VALUE" in capsys.readouterr().err
    assert main(["log", "correct", one[:8], "lat=95", *at]) == 2 and "lat" in capsys.readouterr().err


def test_a_log_is_exported_packed_merged_and_verified(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one, two = ["--log", str(tmp_path / "one")], ["--log", str(tmp_path / "two")]
    assert main(["photo", str(CARD), "--save", *one, "--plant", "17"]) == 0
    public, pack = tmp_path / "public.geojson", tmp_path / "handover.pack"
    assert main(["log", "export", str(public), *one]) == 0
    assert "for the public" in capsys.readouterr().out
    assert "17" not in json.loads(public.read_text())["features"][0]["properties"].values()
    assert main(["log", "pack", str(pack), *one]) == 0
    for _ in range(2):
        assert main(["log", "merge", str(pack), *two]) == 0
    assert main(["log", "verify", *two]) == 0
    assert "nothing lost" in capsys.readouterr().out
    assert main(["log", "list", *two, "--json"]) == 0
    assert [row["plant"] for row in json.loads(capsys.readouterr().out)["observations"]] == ["17"]


def test_a_planting_is_planned_and_an_impossible_one_gets_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["protect", "--trees", "100", "--hectares", "0.5", "--culprit", "deer", "--csv", str(tmp_path / "buy.csv")]
    assert main([*asked, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)
    assert (tmp_path / "buy.csv").read_text().count("\n") >= 2
    assert main(["protect", "--trees", "10000", "--hectares", "0.001", "--culprit", "deer"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_filled_tally_becomes_an_estimate_with_its_interval(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["survey", "template"]) == 0
    columns = capsys.readouterr().out.splitlines()[0].split(",")
    rows = [",".join(columns)]
    for plot in range(1, 21):
        for tree in range(1, 6):
            told = {"site": "invented", "visit": "2026-04-01", "plot": str(plot), "tree": str(tree), "species": "oak",
                    "browsed": str(int((plot + tree) % 3 == 0)), "plot_area_m2": "12.6", "height_cm": "60"}
            rows.append(",".join(told.get(name, "") for name in columns))
    tally = tmp_path / "tally.csv"
    tally.write_text("\n".join(rows))
    report = tmp_path / "report.pdf"
    assert main(["survey", "estimate", str(tally), "--json", "--pdf", str(report)]) == 0
    found = json.loads(capsys.readouterr().out)["unprotected"]
    assert found["low"] < 1 / 3 + 0.01 < found["high"] and found["plots"] == 20
    assert report.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(("typed", "worth"), [("0.2", 0.2), ("20%", 0.2), ("100 %", 1.0), ("0%", 0.0)])
def test_a_share_is_typed_as_a_number_or_with_a_per_cent_sign(typed: str, worth: float) -> None:
    assert words.share(typed) == pytest.approx(worth)


@pytest.mark.parametrize("typed", ["20", "120%", "-1%", "%", "a fifth"])
def test_what_is_no_share_is_refused(typed: str) -> None:
    with pytest.raises(click.BadParameter):
        words.share(typed)


@pytest.mark.parametrize("arguments", [
    ["log", "list", "--box", "1,2"], ["photo", "a.jpg", "--tap", "here"], ["photo", "a.jpg", "--month", "13"], ["protect"],
    ["photo", "a.jpg", "--coin-mm", "-1"], ["nonsense"],
])  # fmt: skip
def test_words_that_make_no_command_get_one_line(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    assert capsys.readouterr().err.count("\n") == 1
