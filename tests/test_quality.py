"""Faults of a picture are measured where the wound is, and told with what to do."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from diagnose.measure.quality import edge_width, remarks
from diagnose.measure.record import Measurement
from diagnose.measure.severed_end import measure_end_on_card
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card
from diagnose.signs import Shares
from diagnose.simulate.twig import TwigSetting, as_jpeg, picture_of, raster_of

GOOD = TwigSetting(seed=3, theta=30.0, diameter=7.0, buds=0, dirt=0, tilt=8.0, heading=150.0)


def _measured(setting: TwigSetting) -> Measurement:
    picture = read_picture(picture_of(setting)[0], "simulated.jpg")
    return measure_end_on_card(picture, find_card(picture))


@pytest.mark.parametrize("blur", [1.0, 2.0, 3.0])
def test_the_width_of_an_edge_is_that_of_its_blur(blur: float) -> None:
    """A Gaussian rises from a fifth to four fifths over 1.683 standard deviations (its own table)."""
    image = np.zeros((200, 200, 3), np.float32)
    image[:, 100:] = 1.0
    image = cv2.GaussianBlur(image, (0, 0), blur)
    outline = np.stack([np.full(160, 99.5), np.arange(20.0, 180.0)], axis=1)
    assert edge_width(image, outline[10:-10]) == pytest.approx(1.683 * blur, abs=0.3)


def test_a_good_picture_is_not_criticised() -> None:
    assert _measured(GOOD).remarks == ()


def test_a_blurred_picture_is_said_to_be_blurred() -> None:
    assert any("blurred" in line for line in _measured(replace(GOOD, blur_px=3.5)).remarks)


def test_where_the_hand_moved_no_form_is_sure() -> None:
    """Fibres vanish in a smear across them: rendered torn ends that were smeared over 15 px were called clean at 0.85."""
    setting = replace(GOOD, heading=0.0)
    raster, _ = raster_of(setting)
    smeared = cv2.blur(raster, (1, 10))
    picture = read_picture(as_jpeg(smeared, setting), "smeared.jpg")
    found = measure_end_on_card(picture, find_card(picture))
    form = found.measured["end_form"]
    assert isinstance(form, Shares) and max(form.shares.values()) < 0.8
    assert any("blurred" in line for line in found.remarks)


def test_a_torn_end_is_not_taken_for_a_blurred_one() -> None:
    assert not any("blurred" in line for line in _measured(replace(GOOD, kind="torn")).remarks)


def test_a_dark_picture_is_said_to_be_dark() -> None:
    assert any("dark" in line for line in _measured(replace(GOOD, exposure=0.07, noise=0.004)).remarks)


def test_a_far_twig_is_said_to_be_small() -> None:
    found = _measured(replace(GOOD, diameter=1.6, distance=380.0))
    assert "go closer" in found.not_measured["end_form"]


def test_paper_that_is_clipped_white_is_said_to_glare() -> None:
    light = np.full((100, 200, 3), 1.0, np.float32)
    assert any("overexposed" in line for line in remarks(light, 1.0, 0.02, 10.0))


def test_every_remark_says_what_to_do() -> None:
    light = np.full((100, 200, 3), 0.01, np.float32)
    told = remarks(light, 1.0, 0.2, 50.0)
    assert len(told) == 3 and all(":" in line for line in told)
