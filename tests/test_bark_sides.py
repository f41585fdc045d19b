"""Where a stem's fitted sides lie off the borders that the eye's map shows, an interval is told."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from diagnose.measure.bark_map import BarkMap, bark_map
from diagnose.measure.bark_patch import BESIDE_BOTH
from diagnose.measure.bark_sides import agreed, seen_closely
from diagnose.measure.bark_strip import Candidate, levels, stems_with_patch
from diagnose.measure.card_view import Line, View, apart, view_of_card
from diagnose.measure.stem import Stem, fit_stem
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card
from diagnose.simulate.bark import any_setting, picture_of

Scene = tuple[View, Candidate, float]


@pytest.fixture(scope="module")
def scene() -> Scene:
    """A simulated stem as it is found, the strip it was found on, and its true diameter [mm]."""
    data, truth = picture_of(any_setting(1000))
    picture = read_picture(data, "simulated")
    view = view_of_card(picture, find_card(picture))
    _, candidate = next(iter(stems_with_patch(view, bark_map(view))))
    assert truth.stem_diameter
    return view, candidate, truth.stem_diameter


def _agreed_with(scene: Scene, moved_mm: float) -> Stem | None:
    """What comes of a stem one of whose sides was taken so much too far out."""
    view, candidate, _ = scene
    low, high = candidate.pair
    out = np.array([1.0, 0.0] if low.run else [0.0, 1.0])
    wrong = (low, Line(high.middle + out * moved_mm * view.scale, high.along))
    stem = fit_stem(view, wrong, near=candidate.centre)
    assert stem is not None
    return agreed(stem, candidate.pair, view, float(candidate.centre[low.run]))


def test_sides_on_the_maps_borders_are_left_as_they_are(scene: Scene) -> None:
    stem = _agreed_with(scene, 0.0)
    assert stem is not None and stem.eye_wider == 0.0
    assert 2 * stem.radius == pytest.approx(scene[-1], rel=0.03)


@pytest.mark.parametrize("too_far", [7.0, 12.0])
def test_a_side_that_was_taken_too_far_out_does_not_pass_for_a_thicker_stem(scene: Scene, too_far: float) -> None:
    stem = _agreed_with(scene, too_far)
    if stem is not None:  # another stem than the map's is refused
        low, high = sorted((2 * stem.radius, 2 * stem.radius + stem.eye_wider))
        assert low * (1 - BESIDE_BOTH) <= scene[-1] <= high * (1 + BESIDE_BOTH)


def _closely(scene: Scene, times: float) -> Stem:
    """The stem as two close looks back it, fitted so many times as thick."""
    view, candidate, _ = scene
    stem = fit_stem(view, candidate.pair, near=candidate.centre)
    assert stem is not None
    wrong = replace(stem, radius=stem.radius * times)
    return seen_closely(wrong, view, *levels(wrong, view, candidate, candidate.wide))


def test_close_looks_back_a_stem_that_was_fitted_rightly(scene: Scene) -> None:
    assert _closely(scene, 1.0).eye_wider == 0.0


@pytest.mark.parametrize("times", [0.75, 1.35])
def test_close_looks_notice_a_stem_that_was_fitted_too_thin_or_too_thick(scene: Scene, times: float) -> None:
    doubted = _closely(scene, times)
    assert (doubted.eye_wider > 0) == (times < 1) and doubted.eye_wider != 0.0


def _map_of_a_stem(width_mm: float, bare_share: float = 0.0) -> BarkMap:
    """A stem that runs along x, half behind a card that hides all below its axis but for what stands beyond its ends."""
    scale, columns, middle = 1.6, 420, 150
    y, x = np.indices((300, columns))
    across = np.abs(y - middle) / scale
    along = np.abs(x - columns / 2) / scale
    stem = (across < width_mm / 2).astype(np.float32)
    wood = stem * (across < bare_share * width_mm / 2) * (along < 15)
    hidden = (y > middle + 2) & (along < 75)
    shown = [cv2.GaussianBlur(np.float32(one), (0, 0), scale) for one in (stem * ~hidden, wood)]  # a map is coarse
    return BarkMap(*shown, np.float32(~hidden), scale)


@pytest.mark.parametrize("width", [12.0, 25.0, 45.0])
def test_a_side_that_the_card_hides_is_read_where_the_stem_stands_beyond_the_card(width: float) -> None:
    seen = _map_of_a_stem(width)
    pair = seen.sides(np.array([210, 148]))
    assert pair is not None
    assert apart(pair, 210.0) / seen.scale == pytest.approx(width, abs=1.0)


def test_a_patch_narrower_than_a_third_of_its_stem_is_seen_along_its_whole_height() -> None:
    seen = _map_of_a_stem(30.0, bare_share=0.3)
    pair = seen.sides(np.array([210, 148]))
    assert pair is not None
    first, last, share = seen.patch(pair) or (0.0, 0.0, 0.0)
    assert (last - first) / seen.scale == pytest.approx(30.0, abs=3.0)
    assert share > 0.5
