"""The true slope follows from the seen slope and the face's half ellipse, by the geometry of a plane and a cylinder."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.measure.card_stems import find_stems
from diagnose.measure.severed_end import _face_length, _see_end, measure_end_on_card
from diagnose.measure.true_slope import true_slope
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card
from diagnose.signs import Bounded, Measured
from diagnose.simulate.twig import TwigSetting, picture_of


def _seen(theta: float, roll: float, shear: float) -> tuple[float, float, float]:
    """Seen slope [degree], bulge and tone of a flat face, from points on a real cylinder cut by a real plane."""
    around = np.linspace(0, 2 * np.pi, 2001)
    y, depth = np.cos(around), np.sin(around)  # radii; depth towards the camera
    steep = np.tan(np.radians(theta))
    x = steep * (np.cos(np.radians(roll)) * y + np.sin(np.radians(roll)) * depth) + shear * depth
    near, far = x[depth > 0], x[depth < 0][::-1]
    y, near, far = y[depth > 0], near[:1000], far[:1000]
    y = y[:1000]
    outermost = np.maximum(near, far)
    middle = np.abs(y) < 0.8
    basis = np.stack([np.ones_like(y), y, np.sqrt(1 - y**2)], axis=1)[middle]
    _, slope, bulge = np.linalg.lstsq(basis, outermost[middle], rcond=None)[0]
    face_seen = far[500] > near[500]
    return float(np.degrees(np.arctan(abs(slope)))), float(bulge), 0.9 if face_seen else 0.0


@pytest.mark.parametrize("shear", [-0.5, 0.0, 0.4])
@pytest.mark.parametrize("theta", [10.0, 30.0, 50.0])
@pytest.mark.parametrize("roll", [0.0, 25.0, -25.0, 60.0, 150.0, -120.0])
def test_a_plane_through_a_cylinder_gives_its_slope_back(theta: float, roll: float, shear: float) -> None:
    slope, bulge, tone = _seen(theta, roll, shear)
    found = true_slope(slope, 0.5, bulge, pixel=0.01, tone=tone, shear=shear)
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(theta, abs=3.0 + found.sigma)


def test_a_face_that_cannot_be_told_to_look_here_or_away_gives_an_interval_that_holds_both() -> None:
    found = true_slope(5.0, 1.0, bulge=0.8, pixel=0.01, tone=0.35, shear=0.6)
    assert isinstance(found, Bounded)
    assert found.low < np.degrees(np.arctan(0.22)) + 3 and found.high > np.degrees(np.arctan(1.4)) - 3


def test_a_coarser_picture_makes_the_true_slope_less_sure() -> None:
    sigmas = []
    for pixel in (0.01, 0.04, 0.07):
        found = true_slope(35.0, 1.0, bulge=0.3, pixel=pixel, tone=0.9, shear=0.0)
        assert isinstance(found, Measured)
        sigmas.append(found.sigma)
    assert sigmas[0] < sigmas[1] < sigmas[2]


# at -35 degrees the shadow that sun throws from the stem onto the sheet before the end is read as face: 6 degrees low
@pytest.mark.parametrize("roll", [0.0, 35.0, -35.0])
def test_rolling_the_twig_does_not_change_its_true_slope(roll: float) -> None:
    setting = TwigSetting(seed=9, theta=40.0, roll=roll, diameter=8.0, buds=0, dirt=0, tilt=20.0, heading=70.0)
    picture = read_picture(picture_of(setting)[0], "simulated.jpg")
    found = measure_end_on_card(picture, find_card(picture)).measured["true_slope_deg"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(40.0, abs=5.0)


def test_the_length_of_the_pale_face_tells_the_slope_of_a_cut_that_looks_at_the_camera() -> None:
    """An ellipse tan(50) as long as it is wide; a section that is not quite round bends the outline too much."""
    long = float(np.tan(np.radians(50.0)))
    by_outline = true_slope(2.0, 1.0, bulge=1.2 * long, pixel=0.02, tone=0.9, shear=0.0)
    by_face = true_slope(2.0, 1.0, bulge=1.2 * long, pixel=0.02, tone=0.9, shear=0.0, face=(long + 0.024, 0.01))
    assert isinstance(by_outline, Measured) and isinstance(by_face, Measured)
    assert by_face.value == pytest.approx(50.0, abs=2.0)
    assert by_face.sigma < by_outline.sigma
    assert abs(by_outline.value - 50.0) < 2 * by_outline.sigma


@pytest.mark.parametrize("theta", [25.0, 40.0, 55.0])
def test_the_pale_face_is_as_long_as_the_plane_through_the_cylinder_makes_it(theta: float) -> None:
    setting = TwigSetting(seed=5, theta=theta, roll=-90.0, diameter=8.0, buds=0, dirt=0, tilt=2.0, heading=70.0)
    picture = read_picture(picture_of(setting)[0], "simulated.jpg")
    plane = find_card(picture)
    seen = _see_end(picture, plane, find_stems(picture, plane)[0])
    assert seen is not None
    face = _face_length(seen)
    assert face is not None
    assert face[0] == pytest.approx(np.tan(np.radians(theta)), rel=0.12)


def test_where_bark_looks_at_the_camera_no_face_is_believed() -> None:
    away = true_slope(30.0, 1.0, bulge=0.8, pixel=0.02, tone=0.0, shear=0.0, face=(0.04, 0.01))
    assert away == true_slope(30.0, 1.0, bulge=0.8, pixel=0.02, tone=0.0, shear=0.0)
