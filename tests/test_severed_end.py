"""A severed end on the card is measured as its exact truth says.

The photographs in reference_cases/photos are ray-traced renderings with exact truth, not made by this tool; the
simulator's pictures are made here, from settings that no measurement was fitted to.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import cv2
import numpy as np
import pytest

from diagnose.diagnosis import measure_picture
from diagnose.eye.pieces import sheet_matrix
from diagnose.eye.see import CloseView, Glance
from diagnose.measure import card_stems, severed_end
from diagnose.measure.end_figures import HALF_ELLIPSE_LEANS, seen_slope, told_diameter
from diagnose.measure.end_outline import SeenEnd, _Patch, _take_patch, _twig_mask, outlined
from diagnose.measure.end_shape import find_end
from diagnose.measure.record import Measurement
from diagnose.measure.severed_end import measure_end_on_card
from diagnose.photo.picture import Picture, read_picture
from diagnose.photo.plane import Plane, find_card
from diagnose.report.overlay import annotate
from diagnose.signs import Bounded, Measured
from diagnose.simulate.twig import Truth, TwigSetting, any_setting, as_jpeg, picture_of, raster_of
from tests.conftest import PHOTOS

ON_CARD = sorted((PHOTOS / "twig_on_card").glob("*.jpg"))


@cache
def _photo(path: Path) -> tuple[Measurement, dict[str, Any]]:
    picture = read_picture(path)
    truth = json.loads(path.with_suffix(".json").read_text())
    return measure_end_on_card(picture, find_card(picture)), truth


@cache
def _simulated(setting: TwigSetting) -> tuple[Measurement, Truth]:
    data, truth = picture_of(setting)
    picture = read_picture(data, "simulated.jpg")
    return measure_end_on_card(picture, find_card(picture)), truth


def test_clean_ends_on_the_card_are_read_to_five_degrees_in_the_middle_and_fifteen_at_worst() -> None:
    errors = []
    for path in ON_CARD:
        found, truth = _photo(path)
        if truth["truth"]["kind"] == "clean":
            errors.append(abs(found.measured["seen_slope_deg"].value - truth["twig"]["apparent_deg"]))
    assert len(errors) >= 5
    assert np.median(errors) <= 5 and np.percentile(errors, 90) <= 15


def test_diameters_on_the_card_are_read_to_five_per_cent_in_the_middle_and_twelve_at_worst() -> None:
    errors = []
    for path in ON_CARD:
        found, truth = _photo(path)
        told, true = found.measured["end_diameter_mm"], truth["twig"]["diameter_view_mm"]
        if isinstance(told, Bounded):  # where a shadow may be part of what was read
            assert told.low <= true <= told.high
        else:
            errors.append(abs(told.value / true - 1))
    assert len(errors) >= 0.7 * len(ON_CARD)
    assert np.median(errors) <= 0.05 and np.percentile(errors, 90) <= 0.12


@pytest.mark.parametrize("path", ON_CARD, ids=lambda path: path.stem)
def test_the_end_that_is_measured_is_the_severed_one(path: Path) -> None:
    found, truth = _photo(path)
    middle = found.shapes["face_line"].mean(axis=0)
    assert np.linalg.norm(middle - truth["twig"]["end_centre_px"]) < 1.5 * truth["twig"]["diameter_px"] + 5


@pytest.mark.parametrize("path", ON_CARD, ids=lambda path: path.stem)
def test_nothing_is_measured_without_an_uncertainty(path: Path) -> None:
    found, _ = _photo(path)
    for name, sign in found.measured.items():
        if name == "end_form":
            assert sum(sign.shares.values()) == pytest.approx(1)
        elif isinstance(sign, Bounded):
            assert sign.low < sign.high
        else:
            assert sign.sigma > 0


@pytest.mark.parametrize("path", ON_CARD, ids=lambda path: path.stem)
def test_a_clean_end_is_never_surely_torn_nor_a_torn_one_surely_clean(path: Path) -> None:
    found, truth = _photo(path)
    other = {"clean": "torn", "torn": "clean"}.get(truth["truth"]["kind"])
    if other is not None:
        assert found.measured["end_form"].shares[other] <= 0.9


PLAIN = TwigSetting(seed=5, theta=30.0, roll=0.0, diameter=6.0, buds=0, dirt=5, tilt=12.0, heading=200.0)


@pytest.mark.parametrize("theta", [0.0, 15.0, 30.0, 45.0, 55.0])
def test_a_cut_in_profile_is_read_at_its_slope(theta: float) -> None:
    found, _ = _simulated(replace(PLAIN, theta=theta))
    seen = found.measured["seen_slope_deg"]
    assert seen.value == pytest.approx(theta, abs=max(3.0, 3 * seen.sigma))


@pytest.mark.parametrize("theta", [0.0, 15.0, 30.0, 45.0, 55.0])
def test_a_cut_in_profile_is_read_well_in_the_shade(theta: float) -> None:
    found, _ = _simulated(replace(PLAIN, theta=theta, sun=0.0))
    assert found.measured["seen_slope_deg"].value == pytest.approx(theta, abs=2.5)


def test_rolling_the_twig_lowers_the_seen_slope_as_the_cosine_of_the_roll() -> None:
    """tan(seen) = tan(true) cos(roll) for a flat face, the definition's own identity."""
    found, _ = _simulated(replace(PLAIN, theta=45.0, roll=50.0))
    expected = np.degrees(np.arctan(np.tan(np.radians(45)) * np.cos(np.radians(50))))
    assert found.measured["seen_slope_deg"].value == pytest.approx(expected, abs=6)


def test_a_cut_that_looks_at_the_camera_has_its_true_slope_as_an_interval_down_to_the_seen_one() -> None:
    """What turned it is the pale face's length, and a pale strip may be no face."""
    found, _ = _simulated(replace(PLAIN, theta=50.0, roll=75.0))
    seen, true = found.measured["seen_slope_deg"], found.measured["true_slope_deg"]
    assert isinstance(true, Bounded)
    assert true.low <= seen.value and true.low <= 50 <= true.high


def test_print_scale_multiplies_diameters() -> None:
    setting = replace(PLAIN, print_scale=0.95)
    picture = read_picture(picture_of(setting)[0], "small.jpg")
    told = measure_end_on_card(picture, find_card(picture, print_scale=0.95)).measured["end_diameter_mm"].value
    untold = measure_end_on_card(picture, find_card(picture)).measured["end_diameter_mm"].value
    assert told == pytest.approx(6.0, rel=0.03)
    assert told / untold == pytest.approx(0.95, rel=0.01)


def test_a_sun_shadow_beside_the_stem_does_not_widen_it() -> None:
    dull, _ = _simulated(replace(PLAIN, sun=0.0))
    sunny, _ = _simulated(replace(PLAIN, sun=0.7, sun_from=(60.0, 40.0)))
    assert sunny.measured["end_diameter_mm"].value == pytest.approx(dull.measured["end_diameter_mm"].value, rel=0.03)


def test_a_card_without_a_twig_yields_no_measurement() -> None:
    found, _ = _simulated(replace(PLAIN, kind="none"))
    assert found.measured == {} and found.not_measured


@pytest.mark.parametrize("tone", [(0.84, 0.69, 0.62), (0.5, 0.45, 0.42), (0.3, 0.3, 0.3)], ids=["sky", "shade", "lamp"])
@pytest.mark.parametrize("tapped", [False, True])
def test_the_end_of_a_shadow_on_bare_paper_is_not_measured(tone: tuple[float, float, float], tapped: bool) -> None:
    picture = read_picture(picture_of(replace(PLAIN, kind="none"))[0], "bare.jpg")
    plane = find_card(picture)
    strip = plane.to_px(np.array([(60.0, -4.0), (63.0, -4.0), (69.0, 45.0), (66.0, 47.0)]))
    shade = np.zeros(picture.bgr.shape[:2], np.float32)
    cv2.fillPoly(shade, [np.round(strip * 8).astype(int)], 1.0, cv2.LINE_AA, 3)
    light = (picture.bgr / 255) ** 2.2 * (1 - cv2.GaussianBlur(shade, (0, 0), 1.5)[..., None] * (1 - np.array(tone)))
    shaded = read_picture(cv2.imencode(".png", np.uint8(np.round(255 * light ** (1 / 2.2))))[1].tobytes(), "shaded.png")
    taps = [tuple(plane.to_px(np.array([place]))[0]) for place in ((67.5, 45.0), (64.5, 20.0))] if tapped else []
    assert measure_end_on_card(shaded, find_card(shaded), taps).measured == {}


@pytest.mark.parametrize("path", sorted((PHOTOS / "gnawed_bark").glob("*.jpg")), ids=lambda path: path.stem)
def test_a_finger_that_holds_the_card_is_not_a_twig(path: Path) -> None:
    picture = read_picture(path)
    assert measure_end_on_card(picture, find_card(picture)).measured == {}


@pytest.mark.slow
def test_simulated_ends_of_every_size_are_found_where_they_are() -> None:
    settings = [any_setting(seed) for seed in range(40_000, 40_010)]
    found = [_simulated(setting) for setting in settings]
    measured = [(m, truth) for m, truth in found if m.measured]
    assert len(measured) >= 0.9 * len(settings)
    for m, truth in measured:
        assert np.linalg.norm(m.shapes["face_line"].mean(axis=0) - truth.tip_px) < 60


def test_slope_and_width_of_an_outline_agree_with_region_measures() -> None:
    """Against scikit-image's regionprops and a polygon of known slope."""
    from skimage.draw import polygon2mask
    from skimage.measure import find_contours, regionprops

    slope, width, length = np.tan(np.radians(35)), 80.0, 480.0
    corners = np.array([(40, 60), (40 + width, 60), (40 + width, 60 + length + slope * width), (40, 60 + length)])
    mask = polygon2mask((160, 700), corners)
    outline = max(find_contours(mask.astype(float), 0.5), key=len)[:, ::-1] - (60 + length, 80.0)
    end = find_end(outline, 0.0, 78.0)
    assert end is not None
    assert np.degrees(np.arctan(abs(end.slope))) == pytest.approx(35, abs=1.0)
    minor = regionprops(mask[:, 100:400].astype(int))[0].axis_minor_length * np.sqrt(3) / 2  # of a rectangle's width
    assert end.diameter == pytest.approx(minor, rel=0.02)


def test_width_and_axis_on_a_simulated_picture_agree_with_region_measures() -> None:
    """Against scikit-image's regionprops of the simulator's own exact outline, 1 to 3 diameters below the end."""
    from skimage.draw import polygon2mask
    from skimage.measure import regionprops

    found, truth = _simulated(replace(PLAIN, sun=0.0))
    mask = polygon2mask((1500, 2000), truth.outline_px[:, ::-1])
    axis = found.shapes["axis"]
    out = (axis[1] - axis[0]) / np.linalg.norm(axis[1] - axis[0])
    wide = float(np.linalg.norm(np.diff(found.shapes["diameter_line"], axis=0)))
    rows, columns = np.mgrid[0:1500, 0:2000]
    behind = (truth.tip_px - np.stack([columns, rows], axis=-1)) @ out
    region = regionprops((mask & (behind > wide) & (behind < 3 * wide)).astype(int))[0]
    # twice as long as wide, hence the major axis runs along the stem; of a rectangle's side, sqrt(3) / 2
    assert region.axis_minor_length * np.sqrt(3) / 2 == pytest.approx(wide, rel=0.04)
    along = np.array([np.sin(region.orientation), np.cos(region.orientation)])
    assert np.degrees(np.arccos(abs(along @ out))) < 2


@pytest.mark.parametrize("what", ["blank", "text", "noise"])
def test_a_picture_of_something_else_yields_no_measurement(what: str) -> None:
    image = np.full((900, 1200, 3), 235, np.uint8)
    if what == "text":
        for row in range(60, 880, 50):
            cv2.putText(image, "THE FOLLOWING LINES SAY NOTHING OF TREES", (30, row), 0, 1.3, (20, 20, 20), 2)
    if what == "noise":
        image = np.random.default_rng(1).integers(0, 255, image.shape, np.uint8)
    picture = read_picture(cv2.imencode(".png", image)[1].tobytes(), f"{what}.png")
    plane, found = measure_picture(picture)
    assert plane is None and found.measured == {}
    assert all(reason for reason in found.not_measured.values())


@pytest.mark.parametrize("path", ON_CARD[:3], ids=lambda path: path.stem)
def test_the_annotated_picture_shows_the_wound_enlarged(path: Path) -> None:
    picture = read_picture(path)
    plane = find_card(picture)
    found = measure_end_on_card(picture, plane)
    shown = annotate(picture, found, found.px_per_mm(plane))
    assert max(shown.shape[:2]) == 1100 and shown.dtype == np.uint8
    yellow = (np.abs(shown.astype(int) - (66, 228, 240)).sum(axis=2) < 40).sum()
    assert yellow > 200


def test_a_half_ellipse_seen_off_its_axis_leans_as_its_integral_says() -> None:
    """The least-squares line through the middle 80 % of sqrt(1/4 - y^2), set off to one side, by numpy's own fit."""
    y = np.linspace(-0.4, 0.4, 4001)
    leaned = np.polyfit(y, np.sqrt(0.25 - (y + 0.005) ** 2), 1)[0] / 0.005
    assert -leaned == pytest.approx(HALF_ELLIPSE_LEANS, rel=0.01)


def _piece(left: float, right: float) -> Measurement:
    """A piece of 50 mm that lies on the card with both its ends, cut with these slopes [degree]."""
    plain = replace(PLAIN, tilt=0.0, dirt=0, sun=0.0)
    one, _ = raster_of(replace(plain, tip=(50.0, 50.0), heading=180.0, theta=left))
    other, _ = raster_of(replace(plain, tip=(100.0, 50.0), heading=0.0, theta=right))
    middle = one.shape[1] // 2
    picture = read_picture(as_jpeg(np.hstack([one[:, :middle], other[:, middle:]]), plain), "piece.jpg")
    return measure_end_on_card(picture, find_card(picture))


@pytest.mark.parametrize(("left", "right"), [(35.0, 1.0), (1.0, 35.0)])
def test_of_a_piece_with_both_ends_on_the_card_the_slanting_one_is_measured_and_the_other_told(
    left: float, right: float
) -> None:
    found = _piece(left, right)
    seen = found.measured["seen_slope_deg"]
    assert isinstance(seen, Measured) and abs(seen.value - 35.0) < 5.0
    assert any("tap it if" in line and "clean at" in line for line in found.remarks)


def test_of_a_piece_whose_ends_look_alike_one_is_measured_and_the_other_told_and_asked_for() -> None:
    found = _piece(40.0, 25.0)
    seen = found.measured["seen_slope_deg"]
    other = 25.0 if abs(seen.value - 40.0) < 5.0 else 40.0
    assert abs(seen.value - (65.0 - other)) < 5.0
    told = next(line for line in found.remarks if "tap it if" in line)
    assert abs(float(told.split("clean at ")[1].split()[0]) - other) < 5.0


def test_of_a_piece_that_lies_wholly_on_the_card_the_end_is_looked_for_that_the_first_glance_missed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The square end of a twig was measured, since the glance at the whole sheet had not seen the slanting one."""
    find, glances = card_stems.find, []

    def only_the_right_one(picture: Picture, matrix: np.ndarray, flat: bool = False) -> Any:
        found = find(picture, matrix, flat=flat)
        glances.append(matrix)
        right = tuple(end for end in found.ends if end.outward[0] > 0)
        return replace(found, ends=right) if len(glances) == 1 else found

    monkeypatch.setattr(card_stems, "find", only_the_right_one)
    seen = _piece(35.0, 1.0).measured["seen_slope_deg"]
    assert len(glances) == 2
    assert isinstance(seen, Measured) and abs(seen.value - 35.0) < 5.0


def test_a_stem_that_runs_off_the_card_is_looked_at_in_one_glance(monkeypatch: pytest.MonkeyPatch) -> None:
    picture = read_picture(picture_of(replace(PLAIN, theta=20.0))[0], "simulated.jpg")
    find, glances = card_stems.find, []
    monkeypatch.setattr(card_stems, "find", lambda *what, **how: glances.append(what) or find(*what, **how))
    assert len(card_stems.find_stems(picture, find_card(picture))) == len(glances) == 1


def test_where_the_slanting_end_has_no_outline_the_square_one_is_not_measured_in_its_stead(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A pale end beside a shadow had no outline, and the one that the photographer had cut was read as the bitten one."""
    see_end = severed_end._see_end

    def square_ones_only(picture: Picture, plane: Plane, view: CloseView) -> SeenEnd | None:
        seen = see_end(picture, plane, view)
        return seen if seen is not None and severed_end._as_cut_for_a_sample(seen) else None

    monkeypatch.setattr(severed_end, "_see_end", square_ones_only)
    found = _piece(35.0, 1.0)
    assert not found.measured and "tap the end that you mean" in found.not_measured["end_form"]


def test_a_stem_of_few_pixels_is_not_measured_and_the_photographer_sent_closer() -> None:
    """A single fibre of 8 px was read as a twig of 0.9 mm; the stem had 4."""
    setting = replace(PLAIN, diameter=3.0)
    raster, _ = raster_of(setting)
    small = cv2.resize(raster, None, fx=0.4, fy=0.4, interpolation=cv2.INTER_AREA)
    picture = read_picture(as_jpeg(small, setting), "small.jpg")
    found = measure_end_on_card(picture, find_card(picture))
    assert not found.measured and "px across: go closer" in found.not_measured["end_form"]


# a stem 50 px wide that ends at 700, 500 and comes from the left; then what else the eye takes for an end, with its score
@pytest.mark.parametrize(
    ("what", "at", "way", "width", "score", "measured"),
    [
        ("a side stub that the eye likes better", (580, 600), (0.3, 0.95), 30.0, 0.99, [50.0]),
        ("a splinter that the eye likes better", (850, 520), (1.0, 0.1), 20.0, 0.99, [50.0]),
        ("the other end of the piece, seen less plainly", (200, 510), (-1.0, 0.0), 52.0, 0.4, [50.0, 52.0]),
        ("a shadow's end beside it, seen less plainly", (720, 620), (1.0, 0.0), 50.0, 0.4, [50.0]),
        ("another twig as thick", (1000, 300), (0.0, -1.0), 48.0, 0.8, [48.0, 50.0]),
    ],
)
def test_of_what_the_eye_takes_for_ends_those_are_measured_that_somebody_may_mean(
    monkeypatch: pytest.MonkeyPatch,
    what: str,
    at: tuple[float, float],
    way: tuple[float, float],
    width: float,
    score: float,
    measured: list[float],
) -> None:
    def seen(place: tuple[float, float], outward: tuple[float, float], wide: float, likely: float) -> Any:
        out = np.array(outward) / np.linalg.norm(outward)
        return SimpleNamespace(is_end=0.999, end=Glance(np.array(place, float), out, wide, likely))

    both = sorted([seen((700, 500), (1.0, 0.0), 50.0, 0.85), seen(at, way, width, score)], key=lambda one: -one.end.score)
    monkeypatch.setattr(card_stems, "bare_paper", lambda *_: False)
    monkeypatch.setattr(card_stems, "find_stems", lambda *_: both)
    plane: Any = SimpleNamespace(layout=None)
    meant = card_stems.stems_meant(cast(Picture, None), plane)
    assert sorted(one.end.width for one in meant) == measured, what


def test_an_end_beside_the_plain_middle_hides_none_within_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A twig laid the wrong way round, or a rim with a shadow, was seen so plainly that nothing within was looked at."""
    path = next(path for path in ON_CARD if "clean" in path.with_suffix(".json").read_text())
    picture = read_picture(path)
    plane = find_card(picture)
    stems = card_stems.find_stems(picture, plane)
    seen = card_stems.find(picture, sheet_matrix(plane.H), flat=True)
    beside = replace(seen.ends[0], at=plane.to_px(np.array([[4.0, 4.0]]))[0], score=1.0)
    faint = tuple(replace(end, score=0.35 * end.score / seen.ends[0].score) for end in seen.ends)
    monkeypatch.setattr(card_stems, "find", lambda *_, **__: replace(seen, ends=(beside, *faint)))
    assert len(stems) >= 1
    assert np.hypot(*(card_stems.find_stems(picture, plane)[0].end.at - stems[0].end.at)) < plane.px_per_mm((75.0, 50.0))


def test_a_diameter_that_is_hardly_known_is_an_interval() -> None:
    assert isinstance(told_diameter(4.0, 0.05, 1.0, None), Measured)
    unsure = told_diameter(4.0, 0.12, 1.0, None)
    assert isinstance(unsure, Bounded) and unsure.low < 3.04 < 4.96 < unsure.high  # two standard uncertainties to each side


def test_a_diameter_of_which_the_eye_reads_half_as_much_is_an_interval_that_holds_both() -> None:
    told = told_diameter(4.0, 0.03, 1.0, 0.5)
    assert isinstance(told, Bounded) and told.low < 2.0 and told.high > 4.0


@pytest.mark.parametrize("sign", [-1, 1])
def test_the_eye_tells_a_slope_s_side_as_the_outline_does(sign: int) -> None:
    seen = SimpleNamespace(slope=np.radians(30.0 * sign), slope_spread=np.radians(2.0))
    both = seen_slope(np.tan(np.radians(32.0 * sign)), 2.0, seen, 1.0, 1.0)
    assert 30 < both.degrees < 32 and np.sign(both.tangent) == sign and not both.quarrel and both.sigma < 2.0


def test_where_outline_and_eye_disagree_the_slope_is_as_unsure_as_they_are_apart_and_it_is_said() -> None:
    seen = SimpleNamespace(slope=np.radians(50.0), slope_spread=np.radians(2.0))
    both = seen_slope(np.tan(np.radians(10.0)), 2.0, seen, 1.0, 1.0)
    assert both.quarrel and both.degrees - 2 * both.sigma < 10 and both.degrees + 2 * both.sigma > 50


def test_a_stem_that_runs_away_from_the_camera_looks_cut_less_steeply_than_it_is() -> None:
    """Lengths along it look shorter: of a slope's tangent, shortened by half, half is seen."""
    seen = SimpleNamespace(slope=np.arctan(0.5), slope_spread=np.radians(1.0))
    whole, shortened = (np.tan(np.radians(seen_slope(1.0, 500.0, seen, 1.0, by).degrees)) for by in (1.0, 0.5))
    assert 0.5 * shortened == pytest.approx(whole, rel=0.003) and whole == pytest.approx(0.5, rel=0.1)


def test_two_readings_of_torn_wood_are_no_surer_than_the_better_of_them() -> None:
    seen = SimpleNamespace(slope=np.radians(20.0), slope_spread=np.radians(20.0))
    outline = np.tan(np.radians(21.0))
    assert seen_slope(outline, 18.0, seen, 0.0, 1.0).sigma == pytest.approx(18.0)
    assert seen_slope(outline, 18.0, seen, 1.0, 1.0).sigma < 14.0


@pytest.mark.parametrize("side", [1, 2, 5])
def test_a_speck_that_looks_like_a_stem_has_no_outline(side: int) -> None:
    """One picture in many damaged ones left two cells of a stem, and reading it ended in an error."""
    stem = np.zeros((60, 80), np.float32)
    stem[30 : 30 + side, 40 : 40 + side] = 1.0
    end = SimpleNamespace(at=np.zeros(2), outward=np.array([1.0, 0.0]), width=6.0)
    view = SimpleNamespace(stem=stem, to_px=np.eye(3), end=end)
    patch = _Patch(np.full((60, 80, 3), 0.5, np.float32), scale=1.0, origin=(0.0, 0.0), to_px=np.eye(3))
    assert _twig_mask(patch, view) is None
    picture = np.full((60, 80, 3), 128, np.uint8)
    assert outlined(picture, lambda *_: (np.asarray, 0.0), view, 6.0) is None


@pytest.mark.parametrize("away", [(500.0, 0.0), (0.0, 500.0), (-500.0, -500.0)])
@pytest.mark.parametrize("per_mm", [1.0, 40.0])
def test_round_an_end_beside_the_picture_lies_what_its_edge_shows(away: tuple[float, float], per_mm: float) -> None:
    """One damaged picture in thousands has a stem that ends outside of it, and reading it ended in an error."""
    picture = np.full((60, 80, 3), 255, np.uint8)
    patch = _take_patch(picture, lambda xy: xy * per_mm + away, 6.0, per_mm)
    assert patch.light.min() == patch.light.max() == 1.0
