"""A twig where it grew is measured between two taps, or without any where it plainly stands out.

Truth: ray-traced renderings in reference_cases/photos. Pictures of other things: scikit-image's own.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import skimage.data

from diagnose.cannot_use import CannotUse
from diagnose.eye.see import Glance
from diagnose.measure import free_end
from diagnose.measure.end_outline import SeenEnd
from diagnose.measure.free_end import FARTHEST_OFF, HIDDEN, measure_free_end
from diagnose.measure.record import Measurement
from diagnose.photo.picture import Picture, read_picture
from diagnose.photo.scale import find_coin, known_length, px_per_mm
from diagnose.simulate.free import any_surroundings, picture_of
from tests.conftest import PHOTOS

FREE = sorted((PHOTOS / "twig_free").glob("*.jpg"))


@cache
def _tapped(path: Path) -> tuple[Measurement, dict[str, Any]]:
    truth = json.loads(path.with_suffix(".json").read_text())
    twig = truth["twig"]
    picture = read_picture(path)
    end = np.array(twig["end_centre_px"])
    back = end + 8 * twig["diameter_px"] * np.array(twig["axis_px_dir"])
    scale = find_coin(picture, truth["coin"]["diameter_mm"], tuple(end)) if "coin" in truth else None
    return measure_free_end(picture, [tuple(end + (3, -2)), tuple(back + (-3, 3))], scale), truth


@pytest.mark.parametrize("path", FREE, ids=lambda path: path.stem)
def test_a_clean_end_between_two_taps_is_read_within_its_uncertainty(path: Path) -> None:
    found, truth = _tapped(path)
    if truth["truth"]["kind"] == "clean":
        seen = found.measured["seen_slope_deg"]
        assert abs(seen.value - truth["twig"]["apparent_deg"]) < max(12.0, 2 * seen.sigma)


@pytest.mark.parametrize("path", FREE, ids=lambda path: path.stem)
def test_a_coin_beside_the_twig_gives_its_diameter(path: Path) -> None:
    found, truth = _tapped(path)
    if "coin" in truth:
        assert found.measured["end_diameter_mm"].value == pytest.approx(truth["twig"]["diameter_view_mm"], rel=0.15)
    else:
        assert "end_diameter_mm" in found.not_measured


@cache
def _untapped(path: Path) -> Measurement:
    return measure_free_end(read_picture(path))


def test_without_a_tap_only_the_right_twig_is_measured_and_it_is_told() -> None:
    measured, missed = 0, []
    for path in FREE:
        told = json.loads(path.with_suffix(".json").read_text())
        found, twig = _untapped(path), told["twig"]
        if not found.measured:
            assert all("tap" in reason for reason in found.not_measured.values())
            continue
        measured += 1
        away = np.linalg.norm(found.shapes["face_line"].mean(axis=0) - twig["end_centre_px"])
        assert away < twig["diameter_px"]
        assert any("without a tap" in line for line in found.remarks)
        # the bar for clean ends that nobody pointed at
        slope = found.measured["seen_slope_deg"]
        off = abs(slope.value - twig["apparent_deg"])
        if off >= 20.0:
            assert told["truth"]["kind"] != "clean" and off < 2.5 * slope.sigma
            missed.append(f"a {told['truth']['kind']} end by {off:.0f} degrees, stated {slope.sigma:.0f}")
        if told["truth"]["kind"] == "clean":
            assert found.measured["seen_slope_deg"].sigma > _tapped(path)[0].measured["seen_slope_deg"].sigma
    assert measured >= 1  # of looks that nothing was tuned on more: what the eye is not sure of, it asks for
    if missed:
        pytest.xfail(f"the bar of 20 degrees is missed since the networks learnt low sun: {'; '.join(missed)}")


def test_where_another_end_stands_out_nearly_as_plainly_none_is_measured_without_a_tap() -> None:
    """Of 51 such pairs 14 were told so, none was measured of 23 more, and of 14 one: no network sees mirrored ends alike."""
    one = cv2.imdecode(np.frombuffer(picture_of(any_surroundings(72_021))[0], np.uint8), cv2.IMREAD_COLOR)
    alone, both = (
        measure_free_end(read_picture(cv2.imencode(".jpg", shown)[1].tobytes(), "ends.jpg"))
        for shown in (one, np.vstack([one[::-1], one]))
    )
    assert alone.measured and not both.measured
    assert all("several" in reason and "tap" in reason for reason in both.not_measured.values())


THINGS = ("astronaut", "brick", "camera", "cat", "clock", "coffee", "coins", "grass", "gravel", "page", "rocket", "text")


@pytest.mark.parametrize("name", THINGS)
def test_a_picture_of_something_else_yields_no_measurement(name: str) -> None:
    grey = np.asarray(getattr(skimage.data, name)())
    shown = np.repeat(grey[..., None], 3, axis=2) if grey.ndim == 2 else grey[..., 2::-1]
    for size in (1, 2):
        larger = cv2.resize(shown, None, fx=size, fy=size, interpolation=cv2.INTER_CUBIC)
        found = measure_free_end(read_picture(cv2.imencode(".jpg", larger)[1].tobytes(), f"{name}.jpg"))
        assert found.measured == {} and all("tap" in reason for reason in found.not_measured.values())


def test_a_blank_wall_yields_no_measurement() -> None:
    wall = np.random.default_rng(0).integers(180, 192, (900, 1200, 3), dtype=np.uint8)
    assert measure_free_end(read_picture(cv2.imencode(".jpg", wall)[1].tobytes(), "wall.jpg")).measured == {}


@pytest.mark.parametrize("seed", range(72_000, 72_004))
def test_stems_and_leaves_without_a_severed_end_yield_no_measurement(seed: int) -> None:
    around = any_surroundings(seed)
    around = replace(around, twig=replace(around.twig, kind="none"), stems=4, leaves=4)
    assert measure_free_end(read_picture(picture_of(around)[0], "none.jpg")).measured == {}


def test_a_tap_where_no_stem_ends_measures_nothing() -> None:
    found = measure_free_end(read_picture(FREE[0]), [(400.0, 300.0)])
    assert found.measured == {} and all("tap" in reason for reason in found.not_measured.values())


def _is_refused(picture: Picture, taps: list[tuple[float, float]], word: str) -> bool:
    found = measure_free_end(picture, taps)
    return not found.measured and all(word in reason for reason in found.not_measured.values())


def _shrunk(path: Path, factor: float) -> tuple[Picture, list[tuple[float, float]]]:
    """A picture made smaller, and taps on the end and 8 diameters back."""
    twig = json.loads(path.with_suffix(".json").read_text())["twig"]
    small = cv2.resize(cv2.imread(str(path)), None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    end = np.array(twig["end_centre_px"])
    taps = [end * factor, (end + 8 * twig["diameter_px"] * np.array(twig["axis_px_dir"])) * factor]
    return read_picture(cv2.imencode(".jpg", small)[1].tobytes(), path.name), [tuple(map(float, tap)) for tap in taps]


@pytest.mark.parametrize("path", FREE[:3], ids=lambda path: path.stem)
def test_a_stem_under_twenty_pixels_wide_asks_to_go_closer(path: Path) -> None:
    twig = json.loads(path.with_suffix(".json").read_text())["twig"]
    assert _is_refused(*_shrunk(path, 14 / twig["diameter_px"]), "go closer")


@pytest.mark.parametrize("path", FREE[:3], ids=lambda path: path.stem)
def test_a_stem_thirty_pixels_wide_is_measured(path: Path) -> None:
    twig = json.loads(path.with_suffix(".json").read_text())["twig"]
    assert measure_free_end(*_shrunk(path, min(30 / twig["diameter_px"], 1.0))).measured


def test_a_second_tap_within_the_same_width_is_told_and_one_just_behind_it_does() -> None:
    twig = json.loads(FREE[0].with_suffix(".json").read_text())["twig"]
    end, along = np.array(twig["end_centre_px"]), np.array(twig["axis_px_dir"])
    picture = read_picture(FREE[0])
    near = [tuple(end), tuple(end + 30.0 * along)]
    assert _is_refused(picture, near, "tap")
    found = measure_free_end(picture, [tuple(end), tuple(end + 2.0 * twig["diameter_px"] * along)])
    assert np.linalg.norm(found.shapes["face_line"].mean(axis=0) - end) < twig["diameter_px"]


def test_taps_along_a_stem_but_not_at_its_end_are_not_believed() -> None:
    twig = json.loads(FREE[2].with_suffix(".json").read_text())["twig"]
    end, step = np.array(twig["end_centre_px"]), twig["diameter_px"] * np.array(twig["axis_px_dir"])
    assert _is_refused(read_picture(FREE[2]), [tuple(end + 3 * step), tuple(end + 8 * step)], "tap on the severed end")


def test_two_random_taps_on_pictures_of_other_things_measure_next_to_nothing() -> None:
    """scikit-image's own pictures, at twice their size, with taps at least an eighth of the diagonal apart: at most 3 of
    120 is the bar, here one of 36; before taps were doubted it was two in three."""
    rng, measured = np.random.default_rng(11), []
    for name in THINGS:
        grey = np.asarray(getattr(skimage.data, name)())
        shown = np.repeat(grey[..., None], 3, axis=2) if grey.ndim == 2 else grey[..., 2::-1]
        picture = read_picture(cv2.imencode(".png", cv2.resize(shown, None, fx=2, fy=2))[1].tobytes(), f"{name}.png")
        for _ in range(3):
            taps = rng.uniform(0.1, 0.9, (2, 2)) * picture.size
            while np.linalg.norm(taps[0] - taps[1]) < np.hypot(*picture.size) / 8:
                taps = rng.uniform(0.1, 0.9, (2, 2)) * picture.size
            if measure_free_end(picture, [tuple(taps[0]), tuple(taps[1])]).measured:
                measured.append(name)
    assert len(measured) <= 1, measured


def test_a_known_length_gives_the_scale() -> None:
    plane = known_length(50.0, (100.0, 100.0), (400.0, 500.0))
    assert px_per_mm(plane) == pytest.approx(10.0)
    with pytest.raises(CannotUse):
        known_length(50.0, (100.0, 100.0), (101.0, 100.0))


def test_where_there_is_no_coin_none_is_found() -> None:
    no_coin = next(path for path in FREE if "coin" not in json.loads(path.with_suffix(".json").read_text()))
    with pytest.raises(CannotUse, match="coin"):
        find_coin(read_picture(no_coin), 24.26)


@pytest.mark.parametrize("seed", [91_043, 91_082])
def test_a_round_piece_of_leaf_beside_the_twig_is_not_taken_for_the_coin(seed: int) -> None:
    """In each it was: the diameter came out three to four times too large."""
    data, truth = picture_of(any_surroundings(seed, coin=True))
    assert truth.coin_long_px is not None
    coin = find_coin(read_picture(data, "coin.jpg"), 23.0, near=tuple(truth.twig.tip_px))
    assert 23.0 * px_per_mm(coin) == pytest.approx(truth.coin_long_px, rel=0.05)


@pytest.mark.parametrize("seed", [91_091, 91_109])
def test_where_the_coins_own_rim_is_lost_a_round_piece_of_leaf_does_not_stand_in_for_it(seed: int) -> None:
    data, truth = picture_of(any_surroundings(seed, coin=True))
    with pytest.raises(CannotUse, match="coin"):
        find_coin(read_picture(data, "coin.jpg"), 23.0, near=tuple(truth.twig.tip_px))


def test_a_finger_that_reaches_into_the_picture_is_not_taken_for_a_cut_twig() -> None:
    """It was, where the twig before it was not seen first."""
    data, truth = picture_of(any_surroundings(84_037, kind="clean"))
    picture = read_picture(data, "finger.jpg")
    found = measure_free_end(picture)
    if found.measured:
        assert np.linalg.norm(found.shapes["face_line"].mean(axis=0) - truth.twig.tip_px) < 20  # half the twig's width


def test_a_finger_that_is_tapped_is_not_taken_for_a_cut_twig() -> None:
    """Where it lies was read from the picture by eye."""
    picture = read_picture(picture_of(any_surroundings(84_037, kind="clean"))[0], "finger.jpg")
    assert measure_free_end(picture, [(924, 217), (931, 797)]).measured == {}


@pytest.mark.parametrize(
    ("where", "low", "high", "hidden"),
    [("before it", (0.1, -0.6), (1.0, 0.6), True), ("on one side", (-2.0, 0.55), (0.2, 1.2), True),
     ("on the other side", (-2.0, -1.2), (0.2, -0.55), True), ("farther back", (-6.0, -1.5), (-2.0, 1.5), False)],
)  # fmt: skip
def test_a_finger_at_the_end_makes_its_slope_unsure_and_is_said(
    monkeypatch: pytest.MonkeyPatch, where: str, low: tuple[float, float], high: tuple[float, float], hidden: bool
) -> None:
    """A finger that lay over an end was outlined as a cut of another slope, sure to two degrees."""
    path = next(path for path in FREE if json.loads(path.with_suffix(".json").read_text())["truth"]["kind"] == "clean")
    shown = SeenEnd.on_map

    def on_map(self: SeenEnd, x: np.ndarray, y: np.ndarray, name: str = "stem") -> np.ndarray:
        if name != "hand":
            return shown(self, x, y, name)
        along, across = (np.ravel(places) for places in np.meshgrid(np.asarray(x) - self.end.lip, y))
        return ((along > low[0]) & (along < high[0]) & (across > low[1]) & (across < high[1])).astype(float)

    before = _tapped(path)[0].measured["seen_slope_deg"].sigma
    monkeypatch.setattr(SeenEnd, "on_map", on_map)
    found = _tapped.__wrapped__(path)[0]
    expected = np.hypot(before, HIDDEN) if hidden else before
    assert found.measured["seen_slope_deg"].sigma == pytest.approx(expected), where
    assert any("a finger lies at the end" in line for line in found.remarks) == hidden, where


def test_a_stub_at_the_side_of_a_stem_does_not_stand_out_and_the_stem_beside_a_stub_does() -> None:
    """A side stub was measured without a tap, 44 degrees off, since the first glance had missed the stem's own end."""
    path = next(path for path in FREE if _untapped(path).measured)
    picture = read_picture(path)
    twig = json.loads(path.with_suffix(".json").read_text())["twig"]
    out = -np.array(twig["axis_px_dir"]) / np.linalg.norm(twig["axis_px_dir"])
    stem = Glance(np.array(twig["end_centre_px"]), out, twig["diameter_px"], 0.9)
    aside = np.array([-out[1], out[0]])
    stub = Glance(stem.at - 3 * stem.width * (out - aside), (out + aside) / np.sqrt(2), 0.6 * stem.width, 0.9)
    assert free_end._has_as_part(picture, stem, stub)
    assert not free_end._has_as_part(picture, stub, stem)
    assert not free_end._has_as_part(picture, replace(stem, at=stem.at + 8 * stem.width * out), stub)  # where none ends


def test_an_end_in_a_corner_is_not_measured_without_a_tap_however_plain_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bird's beak in a corner stood out as plainly as an end; what somebody shows lies nearer to the middle."""
    path = next(path for path in FREE if _untapped(path).measured)
    twig = json.loads(path.with_suffix(".json").read_text())["twig"]
    x, y = np.array(twig["end_centre_px"])
    image = read_picture(path).bgr
    out = -np.sign(twig["axis_px_dir"])  # the corner lies where the stem does not run
    room = 2.5 * twig["diameter_px"]
    left, right = (0, int(x + room)) if out[0] > 0 else (int(x - room), image.shape[1])
    top, bottom = (0, int(y + room)) if out[1] > 0 else (int(y - room), image.shape[0])
    corner = image[max(top, 0) : bottom, max(left, 0) : right]
    off = (np.array([x - max(left, 0), y - max(top, 0)]) / corner.shape[1::-1]) - 0.5
    assert np.linalg.norm(off) > FARTHEST_OFF
    monkeypatch.setattr(free_end, "LEAST_PLAIN", -20.0)
    assert not measure_free_end(read_picture(cv2.imencode(".png", corner)[1].tobytes(), "corner.png")).measured


def test_a_blurred_end_where_it_grew_is_said_to_be_blurred_and_a_sharp_one_is_not() -> None:
    """The widest stem: of thinner ones so blurred the sides are not seen, and nothing is measured."""
    path = max(FREE, key=lambda path: json.loads(path.with_suffix(".json").read_text())["twig"]["diameter_px"])
    sharp, truth = _tapped(path)
    twig = truth["twig"]
    along = twig["diameter_px"] * np.array(twig["axis_px_dir"])
    taps = [tuple(np.array(twig["end_centre_px"]) + far * along) for far in (0, 8)]
    smeared = cv2.GaussianBlur(read_picture(path).bgr, (0, 0), 3.5)
    found = measure_free_end(read_picture(cv2.imencode(".png", smeared)[1].tobytes(), "smeared.png"), taps)
    assert max(found.measured["end_form"].shares.values()) < 0.8
    assert any("blurred" in line for line in found.remarks)
    assert not any("blurred" in line for line in sharp.remarks)
