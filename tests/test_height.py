"""The height of a wound is read off the staff. Truth: ray-traced renderings in reference_cases/photos."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from skimage.transform import ProjectiveTransform

from diagnose.measure.height import measure_height, staff_plane
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import StaffMarkers, find_staff
from tests.conftest import PHOTOS

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
