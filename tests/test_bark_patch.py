"""Gnawed patches on ray-traced stems with exact truth, and on simulated ones over their range."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from diagnose.measure import bark_outline
from diagnose.measure.bark_map import bark_map
from diagnose.measure.bark_patch import _diameter, _end_hidden, _sizes, _spacing, find_patch, measure_patch
from diagnose.measure.bark_round import SeenRound, share_round
from diagnose.measure.bark_strip import COLUMNS, _bare_of, stems_with_patch
from diagnose.measure.card_view import view_of_card
from diagnose.measure.grooves import Grooves
from diagnose.measure.record import Measurement
from diagnose.photo.picture import Picture, read_picture
from diagnose.photo.plane import Plane, find_card
from diagnose.signs import Bounded, Measured
from diagnose.simulate.bark import BarkSetting, Truth, any_setting, picture_of, true_share
from diagnose.simulate.large import enlarged

PHOTOS = Path(__file__).parent.parent / "reference_cases" / "photos"


def seen(setting: BarkSetting) -> tuple[Picture, Plane, Truth]:
    data, truth = picture_of(setting)
    picture = read_picture(data, "simulated")
    return picture, find_card(picture), truth


def value(found: Measurement, name: str) -> float:
    sign = found.measured[name]
    assert isinstance(sign, Measured), f"{name} is {sign}"
    return sign.value


@pytest.fixture(scope="module", params=["IMG_0003", "IMG_0006"])
def ray_traced(request: pytest.FixtureRequest) -> tuple[Measurement, dict]:
    picture = read_picture(PHOTOS / "gnawed_bark" / f"{request.param}.jpg")
    truth = json.loads((PHOTOS / "gnawed_bark" / f"{request.param}.json").read_text())["truth"]
    return measure_patch(picture, find_card(picture)), truth


def test_a_ray_traced_patch_is_as_large_as_it_was_made(ray_traced: tuple[Measurement, dict]) -> None:
    found, truth = ray_traced
    assert value(found, "patch_height_mm") == pytest.approx(truth["wound_height_mm"], rel=0.06)
    assert value(found, "patch_width_mm") == pytest.approx(truth["wound_width_mm"], rel=0.10)
    assert value(found, "stem_diameter_mm") == pytest.approx(truth["stem_diameter_mm"], rel=0.05)


def test_ray_traced_grooves_have_their_spacing_and_direction(ray_traced: tuple[Measurement, dict]) -> None:
    found, truth = ray_traced
    assert value(found, "groove_spacing_mm") == pytest.approx(truth["groove_mm"], rel=0.12)
    off = value(found, "groove_direction_deg") - truth["groove_angle_deg"]
    assert abs((off + 90) % 180 - 90) < 5


def test_the_bark_lost_lies_in_the_interval_from_one_view(ray_traced: tuple[Measurement, dict]) -> None:
    found, truth = ray_traced
    loss = found.measured["bark_loss"]
    assert isinstance(loss, Bounded)
    assert loss.low <= truth["fraction_circumference"] <= loss.high


@pytest.mark.parametrize("apart", [12.0, None])
def test_where_a_strict_cut_does_not_see_the_same_patch_its_height_and_width_are_intervals(apart: float | None) -> None:
    picture, plane, truth = seen(any_setting(2000))
    patch = find_patch(picture, plane)
    assert patch is not None
    low, high = float(patch.up.min()), float(patch.up.max())
    agreed = _sizes(replace(patch, strict=(low, high)), stem_unsure=False)
    assert isinstance(agreed["patch_height_mm"], Measured) and isinstance(agreed["patch_width_mm"], Measured)
    told = _sizes(replace(patch, strict=None if apart is None else (low + apart, high)), stem_unsure=False)
    for name, true in (("patch_height_mm", truth.patch_height), ("patch_width_mm", truth.patch_width)):
        sign = told[name]
        assert true is not None and isinstance(sign, Bounded) and sign.low < true < sign.high, name


def test_a_stem_whose_patch_a_strict_cut_does_not_see_is_at_least_as_wide_as_the_patch_and_no_surer() -> None:
    """Two stems side by side were read as one, twice as thick, and sure."""
    picture, plane, truth = seen(any_setting(2000))
    patch = find_patch(picture, plane)
    assert patch is not None
    doubted = replace(patch, strict=None)
    width, told = _sizes(doubted, stem_unsure=True)["patch_width_mm"], _diameter(doubted)
    assert isinstance(width, Bounded) and isinstance(told, Bounded)
    assert told.low < truth.stem_diameter < told.high
    assert told.low < (width.low + width.high) / 2
    thick = replace(doubted, stem=replace(patch.stem, radius=2 * patch.stem.radius))
    low = _diameter(thick)
    # read twice as thick, its patch too; it may yet be little more than half of that
    assert isinstance(low, Bounded) and low.low < 0.6 * 2 * thick.stem.radius


def test_a_patch_that_ends_under_the_card_is_none() -> None:
    picture, plane, _ = seen(any_setting(2000))
    patch = find_patch(picture, plane)
    assert patch is not None and not _end_hidden(patch)
    top = np.flatnonzero(patch.bare.any(axis=1))[0]
    covered, beside = patch.hidden.copy(), patch.hidden.copy()
    covered[: top + 20] = True
    assert _end_hidden(replace(patch, hidden=covered))
    beside[:, patch.columns_right < 0] = True  # the card along one half of the stem hides no end
    assert not _end_hidden(replace(patch, hidden=beside))


def test_a_patch_that_goes_on_where_bark_was_believed_to_begin_is_mostly_outlined_whole() -> None:
    whole = []
    for seed in range(2002, 2010):
        picture, plane, truth = seen(any_setting(seed))
        view = view_of_card(picture, plane)
        shown = bark_map(view)
        stem, candidate = next(iter(stems_with_patch(view, shown)))
        first, last = candidate.wide
        patch = bark_outline.outline_patch(stem, view, replace(candidate, wide=(first, (first + last) / 2)), shown)
        whole.append(patch is not None and not any(patch.cut) and abs(np.ptp(patch.up) / truth.patch_height - 1) < 0.06)
    assert sum(whole) >= 6


def test_a_patch_half_under_the_card_gets_intervals_and_a_remark() -> None:
    picture = read_picture(PHOTOS / "gnawed_bark" / "IMG_0000.jpg")
    truth = json.loads((PHOTOS / "gnawed_bark" / "IMG_0000.json").read_text())["truth"]
    found = measure_patch(picture, find_card(picture))
    width = found.measured["patch_width_mm"]
    assert isinstance(width, Bounded) and width.low <= truth["wound_width_mm"] <= width.high
    assert any("beside the stem" in remark for remark in found.remarks)


@pytest.mark.slow
def test_simulated_patches_are_measured_well_over_their_range() -> None:
    """Bars: height and width 3 % at the median, spacing 8 %; a few pictures only, so with some room for width."""
    heights, widths, spacings = [], [], []
    for seed in (1000, 1002, 1006, 1008, 1046):
        picture, plane, truth = seen(any_setting(seed))
        found = measure_patch(picture, plane)
        assert truth.patch_height and truth.patch_width and truth.spacing
        heights.append(abs(value(found, "patch_height_mm") / truth.patch_height - 1))
        widths.append(abs(value(found, "patch_width_mm") / truth.patch_width - 1))
        spacings.append(abs(value(found, "groove_spacing_mm") / truth.spacing - 1))
    assert np.median(heights) < 0.03
    assert np.median(widths) < 0.05
    assert np.median(spacings) < 0.08


def test_a_patch_is_found_in_many_pixels_through_few_cells(monkeypatch: pytest.MonkeyPatch) -> None:
    """The wood that it is recognised by is as large in millimetres whatever the pixels and the cells are."""
    monkeypatch.setattr(bark_outline, "MOST_CELLS", 5_000)
    truth = json.loads((PHOTOS / "gnawed_bark" / "IMG_0003.json").read_text())["truth"]
    picture = read_picture(enlarged((PHOTOS / "gnawed_bark" / "IMG_0003.jpg").read_bytes(), 12), "large.jpg")
    found = measure_patch(picture, find_card(picture))
    assert value(found, "patch_height_mm") == pytest.approx(truth["wound_height_mm"], rel=0.06)


def test_smooth_wood_has_no_groove_spacing_and_says_why() -> None:
    picture, plane, _ = seen(replace(any_setting(2001), spacing=None))
    found = measure_patch(picture, plane)
    assert "patch_height_mm" in found.measured
    assert "groove_spacing_mm" not in found.measured
    assert "grooves" in found.not_measured["groove_spacing_mm"]


def test_a_stem_with_all_its_bark_is_not_measured() -> None:
    picture, plane, _ = seen(replace(any_setting(2013), patch=False))
    found = measure_patch(picture, plane)
    assert not found.measured
    assert found.not_measured["patch_height_mm"]


def test_a_tap_beside_the_stem_finds_no_patch_there() -> None:
    picture, plane, _ = seen(any_setting(1000))
    width, height = picture.size
    assert not measure_patch(picture, plane, taps=[(width - 20.0, height - 20.0)]).measured


def test_a_tap_on_the_patch_finds_the_same_patch() -> None:
    picture, plane, truth = seen(any_setting(1000))
    y, x = np.nonzero(truth.bare)
    tapped = measure_patch(picture, plane, taps=[(float(x.mean()), float(y.mean()))])
    untapped = measure_patch(picture, plane)
    assert value(tapped, "patch_height_mm") == pytest.approx(value(untapped, "patch_height_mm"), rel=0.01)


def test_a_plane_without_a_camera_is_refused_with_advice() -> None:
    picture, plane, _ = seen(any_setting(1000))
    found = measure_patch(picture, replace(plane, camera=None))
    assert not found.measured and "beside" in found.not_measured["patch_height_mm"]


def _round(setting: BarkSetting) -> SeenRound:
    picture, plane, _ = seen(setting)
    found = measure_patch(picture, plane).round
    assert found is not None
    return found


def test_views_from_three_sides_close_the_interval() -> None:
    setting = replace(any_setting(1000), turned=0.0, share=0.3, diameter=30.0, tilt=5.0)
    one = share_round([_round(setting)])
    assert isinstance(one, Bounded) and one.low < 0.3 < one.high
    # a view that sees a ring of bare wood from each of three sides sees it all
    rings = [_round(replace(setting, share=1.0, turn=turn)) for turn in (0.0, 3.0, -3.0)]
    three = share_round(rings, [0.0, 120.0, 240.0])
    assert isinstance(three, Measured) and three.value > 0.93


def test_a_patch_over_half_the_stem_is_measured_from_four_sides() -> None:
    """The truth is the outline's own geometry; the camera really stood up to 8 degrees off the quarter turns told."""
    # of others the view from behind, which shows a strip of bare wood at either side, may be refused
    setting = replace(any_setting(1010), share=0.7, diameter=40.0, tilt=6.0)
    views = [_round(replace(setting, turned=(20.0 - stood + 180) % 360 - 180)) for stood in (0.0, 84.0, 187.0, 266.0)]
    joined = share_round(views, [0.0, 90.0, 180.0, 270.0])
    truth = true_share(setting)
    assert isinstance(joined, Measured) and abs(joined.value - truth) < 2.5 * joined.sigma
    alone = [view.alone for view in views]
    assert all(one.low <= truth <= one.high for one in alone)
    assert 4 * joined.sigma < 0.5 * min(one.high - one.low for one in alone)


def test_bare_wood_at_both_sides_of_the_view_is_not_taken_for_one_narrow_patch() -> None:
    """Three quarters are bare: from behind, two strips are seen, and the interval must hold both and what is hidden."""
    setting = replace(any_setting(13), share=0.75, turned=180.0, tilt=5.0)
    view = _round(setting)
    assert view.also
    assert view.alone.low <= true_share(setting) <= view.alone.high + 0.01


@pytest.mark.parametrize(("regularity", "sharpness"), [(0.5, 20.0), (0.8, 2.0)])
def test_the_spacing_of_grooves_that_repeat_unevenly_or_faintly_is_an_interval(regularity: float, sharpness: float) -> None:
    sure = Grooves(2.0, 0.06, 0.0, 1.0, 0.8, 50.0, 20.0)
    assert isinstance(_spacing(sure), Measured)
    unsure = _spacing(replace(sure, regularity=regularity, sharpness=sharpness))
    assert isinstance(unsure, Bounded) and unsure.low < 1.5 < 2.6 < unsure.high


def test_wood_of_no_woods_colour_is_bare_where_it_is_pointed_at_but_bark_never_is() -> None:
    rng = np.random.default_rng(7)
    rows, columns = 120, COLUMNS
    colour = np.array([0.2, 0.4, -0.3]) + rng.normal(0, 0.02, (rows, columns, 3))  # ln of ratios, a brown bark
    patch = np.zeros((rows, columns), bool)
    patch[45:80, 8:18] = True
    colour[patch] += (-0.35, -0.55, 0.2)  # as blue as no wood in the box of wood's colours
    free = np.ones((rows, columns), bool)
    near_patch, near_bark = np.zeros_like(patch), np.zeros_like(patch)
    near_patch[55:60, 10:15] = near_bark[5:10, 10:15] = True
    assert _bare_of(colour, free, 14, np.zeros_like(patch)) is None and _bare_of(colour, free, 14, near_bark) is None
    told = _bare_of(colour, free, 14, near_patch)
    assert told is not None
    assert (told > 0)[patch].mean() > 0.95 and (told > 0)[~patch].mean() < 0.05


def test_a_stem_with_a_step_of_colour_along_it_may_be_two() -> None:
    picture, plane, truth = seen(any_setting(2000))
    patch = find_patch(picture, plane)
    assert patch is not None and isinstance(_diameter(patch), Measured)
    away = -1 if patch.columns_right[patch.bare.any(axis=0)].mean() > 0 else 1
    up = np.array([patch.up.min() - 60, patch.up.max() + 60])
    sides = away * np.array([0.5, 1.0]) * patch.stem.limb
    corners = patch.stem.on_middle(up[[0, 0, 1, 1]], sides[[0, 1, 1, 0]])
    shown = picture.bgr.copy()
    cv2.fillConvexPoly(shown, np.round(corners).astype(np.int32), (30, 60, 110))
    beside = read_picture(cv2.imencode(".png", shown)[1].tobytes(), "a neighbour beside it")
    told = _diameter(replace(patch, view=view_of_card(beside, plane)))
    assert isinstance(told, Bounded) and told.low < 0.75 * truth.stem_diameter < truth.stem_diameter < told.high
