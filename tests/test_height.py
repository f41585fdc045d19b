"""The height of a wound is read off the staff. Truth: ray-traced renderings in reference_cases/photos."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from skimage.transform import ProjectiveTransform

from diagnose.measure.height import fit_height, measure_height, measure_height_by_marks, staff_plane
from diagnose.photo.picture import Picture, read_picture
from diagnose.photo.plane import StaffMarkers, find_staff
from diagnose.simulate.staff import StaffSetting, on_staff, random_setting, simulate_staff
from tests.conftest import PHOTOS


def blank(size: tuple[int, int]) -> Picture:
    """An empty picture of a size (width, height), with a phone's usual focal length."""
    exif, out = Image.Exif(), io.BytesIO()
    exif.get_ifd(0x8769)[0xA405] = 27
    Image.new("RGB", size).save(out, "JPEG", exif=exif)
    return read_picture(out.getvalue(), "blank")


SCENES = sorted((PHOTOS / "staff_scene").glob("*.jpg"))


@pytest.mark.parametrize("path", SCENES, ids=lambda path: path.stem)
def test_with_wound_and_foot_tapped_the_height_is_right_to_thirty_millimetres(path: Path) -> None:
    truth = json.loads(path.with_suffix(".json").read_text())["seedling"]
    picture = read_picture(path)
    found = measure_height(picture, find_staff(picture), [tuple(truth["browsed_px"]), tuple(truth["base_px"])])
    height = found.measured["wound_height_mm"]
    assert height.value == pytest.approx(truth["browsed_height_mm"], abs=30)
    assert abs(height.value - truth["browsed_height_mm"]) < 3 * height.sigma


def test_without_a_tap_nothing_is_measured_and_the_line_says_what_to_tap() -> None:
    picture = read_picture(SCENES[0])
    found = measure_height(picture, find_staff(picture))
    assert found.measured == {} and "tap" in found.not_measured["wound_height_mm"]


def test_a_tap_far_from_the_staff_is_not_taken_for_the_plant_beside_it() -> None:
    picture = read_picture(SCENES[0])
    found = measure_height(picture, find_staff(picture), [(5.0, 700.0)])
    assert found.measured == {} and "side of the staff" in found.not_measured["wound_height_mm"]


def test_taps_in_the_wrong_order_are_told() -> None:
    picture = read_picture(SCENES[0])
    found = measure_height(picture, find_staff(picture), [(740.0, 700.0), (740.0, 300.0)])
    assert found.measured == {} and "tap the wound first" in found.not_measured["wound_height_mm"]


def _staff_in_view(heights: list[float]) -> tuple[StaffMarkers, np.ndarray]:
    """Markers of an upright staff seen by a pitched pinhole camera, and its matrix; drawn by formula."""
    pitch, focal = np.radians(20.0), 3000.0
    R = np.array([[1, 0, 0], [0, -np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), -np.cos(pitch)]])
    centre = np.array([0.0, 1500.0, 2500.0])

    def seen(points: np.ndarray) -> np.ndarray:
        camera = (points - centre) @ R.T
        return camera[:, :2] / camera[:, 2:] * focal + (1500, 2000)

    half = 25.0
    square = np.array([(-half, half), (half, half), (half, -half), (-half, -half)])
    corners = np.array([seen(np.hstack([square + (0, h), np.zeros((4, 1))])) for h in heights])
    markers = StaffMarkers(np.arange(len(heights)) + 20, corners, np.array(heights), 50.0,
                           np.ones((len(heights), 4), bool))
    return markers, seen(np.array([(0.0, 730.0, 0.0)]))[0]


def test_a_pitched_camera_does_not_change_the_height() -> None:
    """The pinhole model itself (cross-ratio is invariant; Criminisi, Reid & Zisserman 2000): tip at 730 mm."""
    markers, tip = _staff_in_view([100.0, 350.0, 600.0, 850.0, 1100.0])
    plane = staff_plane(markers)
    assert plane is not None
    assert np.linalg.inv(plane.H) @ (*tip, 1.0) / (np.linalg.inv(plane.H) @ (*tip, 1.0))[2] == pytest.approx(
        (0.0, 730.0, 1.0), abs=0.01)


def test_the_staffs_plane_agrees_with_scikit_image() -> None:
    markers, _ = _staff_in_view([100.0, 350.0, 600.0, 850.0])
    square = np.array([(-25, 25), (25, 25), (25, -25), (-25, -25)], float)
    mm = np.vstack([square + (0, h) for h in markers.heights_mm])
    other = ProjectiveTransform.from_estimate(mm, np.vstack(list(markers.corners_px)))
    plane = staff_plane(markers)
    assert plane is not None
    assert plane.to_px(mm) == pytest.approx(other(mm), abs=0.02)


def test_two_markers_are_not_enough() -> None:
    markers, _ = _staff_in_view([100.0, 350.0])
    assert staff_plane(markers) is None


# Worked example, derived from the pinhole model: marks at 0, 50, 100 cm and a tip at 73.0 cm, seen from 1.5 m up and
# 2.5 m away, pitched 20 degrees, f = 3000 px; with the outer two marks alone a linear rule gives 70.42 cm.
MARKS_PX, TIP_PX = (2581.1718, 2094.3527, 1541.4677), 1849.0151


def test_two_marks_state_an_error_that_covers_a_tilt_of_twenty_degrees_and_are_nearer_than_a_linear_rule() -> None:
    low, _, high = MARKS_PX
    picture = blank((2700, 3977))  # f = 3000 px
    found = measure_height_by_marks(picture, 1000.0, ((500, low), (500, high)), (500, TIP_PX), (500, low))
    height = found.measured["wound_height_mm"]
    assert abs(height.value - 730.0) < min(2 * height.sigma, 730.0 - 704.2)


def test_an_upright_staff_gives_the_height_that_opencvs_pose_gives() -> None:
    """cv2.solvePnP and the tip's ray cut with the staff's plane: an independent way to the same height."""
    view = simulate_staff(StaffSetting(foot=(0, 0, 0), tip=(60, 640, 0), corner_noise=0, tap_noise=0, roll=0))
    staff, (width, height) = view.scene.staff, view.scene.size
    K = np.array([[view.scene.focal_px, 0, (width - 1) / 2], [0, view.scene.focal_px, (height - 1) / 2], [0, 0, 1]])
    square = np.array([(-25, 25), (25, 25), (25, -25), (-25, -25)], float)
    mm = np.vstack([np.hstack([square + (0, h), np.zeros((4, 1))]) for h in staff.heights_mm])
    _, turn, shift = cv2.solvePnP(mm, np.vstack(list(staff.corners_px)), K, None)
    R = cv2.Rodrigues(turn)[0]
    centre, ray = -R.T @ shift.ravel(), R.T @ np.linalg.inv(K) @ (*view.tip_px, 1.0)
    by_pose = (centre - ray * centre[2] / ray[2])[1]
    found = fit_height(view.scene, view.tip_px, view.foot_px)
    assert by_pose == pytest.approx(640, abs=0.5)
    assert found.height.value == pytest.approx(by_pose, abs=2)


def test_a_tapped_foot_tells_how_far_the_staff_leans_aside() -> None:
    leaning = StaffSetting(lean=(5, 0), roll=0, foot=(120, 0, 0), tip=(120, 900, 0), corner_noise=0, tap_noise=0)
    view = simulate_staff(leaning)
    found = fit_height(view.scene, view.tip_px, view.foot_px)
    assert abs(found.height.value - view.height_mm) < 2 * found.height.sigma < 40


def test_a_second_tap_on_the_snow_leaves_the_height_above_the_ground() -> None:
    view = simulate_staff(StaffSetting(foot=(100, 300, 0), tip=(100, 900, 0), hidden_below=300, tap_noise=0))
    found = fit_height(view.scene, view.tip_px, view.foot_px)
    assert found.surface is not None and found.surface.value == pytest.approx(300, abs=40)
    assert abs(found.height.value - 900) < 2 * found.height.sigma
    assert abs(found.above_surface.value - 600) < 2 * found.above_surface.sigma


@pytest.mark.slow
def test_stated_uncertainties_of_heights_are_honest() -> None:
    """120 simulated views: within binomial limits of 60 to 76 % in one sigma and 90 to 98 % in two."""
    off, sigma = [], []
    for seed in range(1000, 1120):
        view = simulate_staff(random_setting(seed))
        if len(view.scene.staff.ids) >= 3:
            found = fit_height(view.scene, view.tip_px, view.foot_px)
            off.append(abs(found.height.value - view.height_mm))
            sigma.append(found.height.sigma)
    away = np.array(off) / np.array(sigma)
    assert 0.52 < np.mean(away < 1) < 0.82
    assert np.mean(away < 2) > 0.87
    assert np.median(off) < 10 and np.percentile(off, 90) < 30


def test_two_blurred_markers_state_larger_errors_that_hold_the_truth() -> None:
    """30 simulated views: at least 80 % within two sigma (95 % expected, less the chance of so few)."""
    wider, held = [], []
    for seed in range(3000, 3030):
        view = simulate_staff(replace(random_setting(seed), corner_noise=1.0))
        staff = view.scene.staff
        if len(staff.ids) < 3:
            continue
        two = replace(staff, ids=staff.ids[:2], corners_px=staff.corners_px[:2], heights_mm=staff.heights_mm[:2],
                      sharp=np.zeros((2, 4), bool))
        full = fit_height(view.scene, view.tip_px, view.foot_px)
        short = fit_height(replace(view.scene, staff=two), view.tip_px, view.foot_px)
        wider.append(short.height.sigma / full.height.sigma)
        held.append(abs(short.height.value - view.height_mm) < 2 * short.height.sigma)
    assert np.median(wider) > 1.1
    assert np.mean(held) > 0.8


def test_two_marks_on_the_staff_give_heights_whose_stated_errors_hold_the_truth() -> None:
    """120 simulated views: within binomial limits of 60 to 76 % in one sigma and 90 to 98 % in two."""
    off, sigma = [], []
    for seed in range(5000, 5120):
        setting = random_setting(seed)
        view, noise = simulate_staff(setting), np.random.default_rng([seed, 9])
        known = noise.uniform(300, 2000)
        ends = on_staff(setting, [0.0, known]) + noise.normal(0, 3, (2, 2))
        found = measure_height_by_marks(blank(setting.size), known, (tuple(ends[0]), tuple(ends[1])), view.tip_px,
                                        view.foot_px)
        height = found.measured["wound_height_mm"]
        off.append(height.value - view.height_mm)
        sigma.append(height.sigma)
    away = np.abs(off) / np.array(sigma)
    assert 0.52 < np.mean(away < 1) < 0.82
    assert np.mean(away < 2) > 0.87
    assert np.median(np.abs(off)) < 30


def test_of_two_marks_it_does_not_matter_which_is_named_first() -> None:
    low, high, wound, foot = (500.0, 1500.0), (510.0, 700.0), (600.0, 900.0), (590.0, 1490.0)
    one = measure_height_by_marks(blank((1512, 2016)), 1000.0, (low, high), wound, foot)
    other = measure_height_by_marks(blank((1512, 2016)), 1000.0, (high, low), wound, foot)
    assert one.measured["wound_height_mm"] == other.measured["wound_height_mm"]


def test_two_marks_side_by_side_are_no_measure_of_height() -> None:
    found = measure_height_by_marks(blank((1512, 2016)), 500.0, ((300, 700), (700, 690)), (600, 500), (600, 900))
    assert not found.measured and "upright" in found.not_measured["wound_height_mm"]
