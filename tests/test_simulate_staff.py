"""Simulated views of a staff. Truth: the pinhole model, as OpenCV computes it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_staff
from diagnose.simulate.staff import Setting, draw_staff, random_setting, simulate_staff


def test_a_level_camera_sees_the_markers_where_opencv_projects_them() -> None:
    setting = Setting(pitch=0, roll=0, distance=3000, camera_height=1000, k1=0.02, corner_noise=0, tap_noise=0)
    staff = simulate_staff(setting).scene.staff
    focal = 27.0 * np.hypot(1512, 2016) / 43.267
    K = np.array([[focal, 0, 755.5], [0, focal, 1007.5], [0, 0, 1]])
    first = staff.heights_mm[0]
    corner = np.array([[-25.0, -(first + 25.0 - 1000.0), 3000.0]])  # in the camera's frame: y down, z away
    seen = cv2.projectPoints(corner, np.zeros(3), np.zeros(3), K, np.array([0.02, 0, 0, 0]))[0].ravel()
    assert staff.corners_px[0, 0] == pytest.approx(seen, abs=1e-6)


def test_the_same_seed_gives_the_same_view() -> None:
    one, other = simulate_staff(random_setting(7)), simulate_staff(random_setting(7))
    assert (one.scene.staff.corners_px == other.scene.staff.corners_px).all() and one.tip_px == other.tip_px


def test_snow_hides_the_lowest_markers() -> None:
    assert min(simulate_staff(Setting(hidden_below=400, distance=3500)).scene.staff.heights_mm) > 400


def test_true_heights_count_from_the_stems_own_foot() -> None:
    assert simulate_staff(Setting(foot=(80, 30, 0), tip=(80, 530, 0))).height_mm == 500


def test_the_drawn_staffs_markers_stand_where_the_geometry_says() -> None:
    setting = Setting(distance=2800, lean=(3, -2), corner_noise=0)
    given = simulate_staff(setting).scene.staff
    found = find_staff(read_picture(draw_staff(setting)))
    assert list(found.ids) == list(given.ids)
    assert np.abs(found.centres_px - given.centres_px).max() < 0.5


def test_in_a_drawn_picture_snow_hides_the_lowest_markers_too() -> None:
    setting = Setting(distance=2800, hidden_below=400)
    assert 20 not in find_staff(read_picture(draw_staff(setting))).ids
