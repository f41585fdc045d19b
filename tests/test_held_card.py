"""A card held upright tells the wound's height. Truth: pinhole geometry, as OpenCV computes it, and drawn stems."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.diagnosis import Ground, measure_picture
from diagnose.measure.held_card import height_by_card
from diagnose.measure.record import Measurement
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import Plane
from diagnose.signs import Measured
from diagnose.simulate import bark
from diagnose.simulate.held_card import SIZE, Setting, View, random_setting, simulate_held_card
from tests.conftest import PHOTOS

STILL = Setting(corner_noise=0, tap_noise=0)


def seen(setting: Setting) -> View:
    view = simulate_held_card(setting)
    assert view is not None
    return view


def height(found: Measurement) -> Measured:
    sign = found.measured["wound_height_mm"]
    assert isinstance(sign, Measured), found.not_measured
    return sign


@settings(max_examples=40, deadline=None)
@given(quarter=st.integers(0, 3), face=st.floats(-25, 25), at=st.floats(0, 900), above=st.floats(-200, 250))
def test_a_card_held_upright_gives_the_height_whichever_side_is_up_and_wherever_it_faces(
    quarter: int, face: float, at: float, above: float
) -> None:
    """No noise, the wound in the card's own plane: only the fit's millimetres are left."""
    wound = max(10.0, at + 50 + above)
    side = (110 * np.cos(np.radians(face)), wound, -110 * np.sin(np.radians(face)))
    view = seen(replace(STILL, quarter=quarter, face=face, card_at=at, wound=side, foot=(side[0], 0, side[2]),
                        camera_height=at + 250, pitch=18.0))
    found = height(height_by_card(view.plane, SIZE, view.wound_px, at))
    assert found.value == pytest.approx(wound, abs=5)


def test_the_camera_may_look_down() -> None:
    for camera_height, pitch in ((300.0, 0.0), (600.0, 26.0), (850.0, 40.0)):
        view = seen(replace(STILL, camera_height=camera_height, pitch=pitch, wound=(110.0, 420.0, 0.0)))
        assert height(height_by_card(view.plane, SIZE, view.wound_px, 300.0)).value == pytest.approx(420, abs=4)


def test_the_height_agrees_with_opencvs_pose_of_the_card() -> None:
    """cv2.solvePnP of the card's four outer corners, and the tap's ray cut with the card's plane."""
    view = seen(replace(STILL, wound=(110.0, 430.0, 0.0), quarter=0))
    mm = np.array([(0, 0, 0), (150, 0, 0), (150, 100, 0), (0, 100, 0)], float)
    focal = 27.0 * np.hypot(*SIZE) / 43.267
    K = np.array([[focal, 0, (SIZE[0] - 1) / 2], [0, focal, (SIZE[1] - 1) / 2], [0, 0, 1]])
    _, turn, shift = cv2.solvePnP(mm, view.plane.to_px(mm[:, :2]), K, None)
    R = cv2.Rodrigues(turn)[0]
    eye, ray = -R.T @ shift.ravel(), R.T @ np.linalg.inv(K) @ (*view.wound_px, 1.0)
    by_pose = 300 + 100 - (eye - ray * eye[2] / ray[2])[1]
    assert by_pose == pytest.approx(430, abs=2)
    assert height(height_by_card(view.plane, SIZE, view.wound_px, 300.0)).value == pytest.approx(by_pose, abs=3)


@pytest.mark.parametrize("by_foot", [False, True])
def test_stated_uncertainties_of_heights_by_the_card_are_honest(by_foot: bool) -> None:
    """Some 130 simulated views: within binomial limits of 60 to 76 % in one sigma and 90 to 98 % in two."""
    off, sigma = [], []
    for seed in range(20_000, 20_130):
        setting = random_setting(seed)
        view = simulate_held_card(setting)
        if view is None or (not (0 < view.foot_px[0] < SIZE[0] and 0 < view.foot_px[1] < SIZE[1]) and by_foot):
            continue
        told = None if by_foot else setting.told_at
        found = height_by_card(view.plane, SIZE, view.wound_px, told, view.foot_px if by_foot else None)
        if found.measured:
            off.append(abs(height(found).value - view.height_mm))
            sigma.append(height(found).sigma)
    away = np.array(off) / np.array(sigma)
    assert len(away) > 90
    assert 0.52 < np.mean(away < 1) < 0.86
    assert np.mean(away < 2) > 0.87
    assert np.median(off) < 20


def test_farther_from_the_card_the_height_is_less_sure() -> None:
    sigmas = []
    for above in (30.0, 130.0, 330.0):
        view = seen(replace(STILL, wound=(110.0, 350.0 + above, 0.0), camera_height=350.0 + above, pitch=0.0))
        sigmas.append(height(height_by_card(view.plane, SIZE, view.wound_px, 300.0)).sigma)
    assert sigmas == sorted(sigmas)


def test_a_card_held_askew_is_not_read_and_the_line_says_how_to_hold_it() -> None:
    view = seen(replace(STILL, askew=35.0))
    found = height_by_card(view.plane, SIZE, view.wound_px, 300.0)
    assert not found.measured and "level" in found.not_measured["wound_height_mm"]


def test_without_the_cards_height_and_without_the_foot_nothing_is_measured() -> None:
    view = seen(STILL)
    assert "lower edge" in height_by_card(view.plane, SIZE, view.wound_px).not_measured["wound_height_mm"]


def test_a_wound_below_the_ground_is_not_believed() -> None:
    view = seen(replace(STILL, wound=(110.0, 60.0, 0.0)))
    found = height_by_card(view.plane, SIZE, view.wound_px, 0.0)  # told to stand on the ground, while it hangs at 300
    assert not found.measured and "below the ground" in found.not_measured["wound_height_mm"]


def test_a_plane_without_a_camera_is_refused_with_advice() -> None:
    plane = Plane("coin", np.eye(3), 0, 0.1, 0.0)
    assert "scale card" in height_by_card(plane, SIZE, (5, 5), 300.0).not_measured["wound_height_mm"]


@pytest.mark.parametrize(("along", "half"), [("x", 75.0), ("y", 50.0)])
def test_the_upper_edge_of_a_drawn_patch_stands_as_high_as_the_card_says(along: str, half: float) -> None:
    data, truth = bark.picture_of(replace(bark.any_setting(1000), along=along, turn=90.0, size=(1200, 1600)))
    picture = read_picture(data, "drawn")
    _, found = measure_picture(picture, ground=Ground(400.0))
    assert truth.upper is not None and "patch_height_mm" in found.measured
    assert height(found).value == pytest.approx(400 + half + truth.upper, abs=8)


def test_a_stem_that_lies_across_the_picture_gets_no_height() -> None:
    data, _ = bark.picture_of(bark.any_setting(1000))
    _, found = measure_picture(read_picture(data, "drawn"), ground=Ground(400.0))
    assert "patch_height_mm" in found.measured and "wound_height_mm" not in found.measured
    assert "turn it upright" in found.not_measured["wound_height_mm"]


def test_a_card_height_without_a_card_in_the_picture_is_told_in_one_line() -> None:
    picture = read_picture(PHOTOS / "twig_free" / "IMG_0005.jpg")
    _, found = measure_picture(picture, ground=Ground(400.0))
    assert "wound_height_mm" not in found.measured
    assert "scale card" in found.not_measured["wound_height_mm"] and "\n" not in found.not_measured["wound_height_mm"]
