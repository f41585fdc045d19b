"""Simulated gnawed stems state a truth that other programs read off the same picture."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage.measure import label, regionprops

from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card
from diagnose.simulate.bark import Setting, any_setting, picture_of

SQUARE_ON = Setting(seed=4, lean=0, tilt=0, turn=0, ragged=0.0, front=-12.0, bark_share=0.05)


def test_the_card_is_found_in_every_simulated_picture() -> None:
    for seed in range(3):
        data, _ = picture_of(any_setting(seed))
        assert find_card(read_picture(data, "simulated")).residual_px < 0.5


def test_patch_size_agrees_with_regionprops_on_the_mask() -> None:
    """Independent computation: scikit-image's bounding box of the bare mask, at the pixel scale of the stem's front."""
    _, truth = picture_of(SQUARE_ON)
    box = max(regionprops(label(truth.bare)), key=lambda region: region.area).bbox
    focal = SQUARE_ON.focal_35mm * np.hypot(*SQUARE_ON.size) / 43.267
    # the stem's front is 12 mm nearer than the card: its scale is the focal length over that distance
    scale = (SQUARE_ON.distance - 12) / focal
    assert truth.patch_height == pytest.approx((box[3] - box[1]) * scale, rel=0.03)
    assert truth.patch_width == pytest.approx((box[2] - box[0]) * scale, rel=0.04)


def test_the_same_setting_gives_the_same_picture() -> None:
    small = replace(SQUARE_ON, size=(800, 600))
    assert picture_of(small)[0] == picture_of(small)[0]


def test_an_unwounded_stem_has_no_truth_but_its_diameter() -> None:
    _, truth = picture_of(replace(SQUARE_ON, patch=False, size=(800, 600)))
    assert truth.stem_diameter == SQUARE_ON.diameter
    assert truth.patch_height is truth.patch_width is truth.spacing is None
    assert not truth.bare.any()


def test_bare_wood_is_brighter_than_bark() -> None:
    data, truth = picture_of(SQUARE_ON)
    grey = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    inside = cv2.erode(truth.bare, np.ones((9, 9))) > 0
    around = (cv2.dilate(truth.bare, np.ones((25, 3))) > 0) & (cv2.dilate(truth.bare, np.ones((7, 7))) == 0)
    assert np.median(grey[inside]) > np.median(grey[around]) + 20
