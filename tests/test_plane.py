"""The printed card is found as a metric plane, and where it cannot be trusted it is refused.

The pictures are drawn here from the layout by an exact camera (a flat sheet by a homography, a curled one by
meeting each ray with a cylinder), independent of the code under test. Ray-traced photographs come on top.
"""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from skimage.transform import ProjectiveTransform

from diagnose.photo.exif import Taken
from diagnose.photo.layouts import CARD, STAFF, Layout
from diagnose.photo.picture import CannotUse, Picture, read_picture
from diagnose.photo.plane import Plane, find_card, find_staff
from tests.conftest import PHOTOS

SIZE = (1200, 900)
FINE = 12  # pixels a millimetre of the drawn sheet: a card's module is 28 of them


def drawn(layout: Layout) -> np.ndarray:
    """The sheet seen square on, white with black markers, FINE pixels a millimetre; grey 230 and 25."""
    fine = FINE if layout.size_mm[1] < 500 else 3
    sheet = np.full((round(layout.size_mm[1] * fine), round(layout.size_mm[0] * fine)), 230, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    side = round(layout.side_mm * fine)
    for marker, (x, y) in layout.markers.items():
        left, top = round(x * fine - side / 2), round(y * fine - side / 2)
        square = cv2.aruco.generateImageMarker(dictionary, marker, side)
        sheet[top : top + side, left : left + side] = np.where(square > 0, 230, 25)
    return sheet


def pose(
    turn: float = 0.0, tilt: float = 0.0, about: float = 0.0, distance: float = 200.0, layout: Layout = CARD
) -> tuple[np.ndarray, np.ndarray]:
    """Rotation and translation that look at the sheet's middle, tilted about an axis in it [degree]."""

    def around(axis: tuple[float, float, float], angle: float) -> np.ndarray:
        return cv2.Rodrigues(np.radians(angle) * np.array(axis))[0]

    lean = around((np.cos(np.radians(about)), np.sin(np.radians(about)), 0.0), tilt)
    R = around((0, 0, 1), turn) @ lean
    middle = np.array([layout.size_mm[0] / 2, layout.size_mm[1] / 2, 0.0])
    return R, np.array([0.0, 0.0, distance]) - R @ middle


def lens(size: tuple[int, int] = SIZE) -> np.ndarray:
    """A 26 mm lens (35 mm equivalent) on a picture of this size, without distortion."""
    focal = 26 * float(np.hypot(*size)) / 43.267
    return np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1.0]])


def project(xyz: np.ndarray, R: np.ndarray, t: np.ndarray, K: np.ndarray) -> np.ndarray:
    seen = (xyz @ R.T + t) @ K.T
    return seen[:, :2] / seen[:, 2:]


def picture_of(grey: np.ndarray, f35: float | None = 26.0) -> Picture:
    bgr = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR) if grey.ndim == 2 else grey
    size = (bgr.shape[1], bgr.shape[0])
    return Picture("drawn.png", size, b"", 1, Taken(focal_35mm=f35), bgr)


def photograph(
    R: np.ndarray,
    t: np.ndarray,
    layout: Layout = CARD,
    size: tuple[int, int] = SIZE,
    blur: float = 0.7,
    sheet: np.ndarray | None = None,
) -> np.ndarray:
    """What the camera sees of the flat sheet on dark mottled ground, uint8 grey, blurred in linear light."""
    fine = FINE if layout.size_mm[1] < 500 else 3
    over = 3
    H = lens(size=size) @ np.column_stack([R[:, 0], R[:, 1], t])
    to_sheet = np.array(
        [[1 / fine, 0, 0.5 / fine], [0, 1 / fine, 0.5 / fine], [0, 0, 1]]
    )  # pixel centre to mm
    to_big = np.array([[over, 0, (over - 1) / 2], [0, over, (over - 1) / 2], [0, 0, 1.0]])
    ground = np.random.default_rng(5).integers(40, 120, (size[1], size[0]), dtype=np.uint8)
    big = cv2.resize(ground, (size[0] * over, size[1] * over), interpolation=cv2.INTER_NEAREST)
    cv2.warpPerspective(
        drawn(layout) if sheet is None else sheet,
        to_big @ H @ to_sheet,
        big.shape[::-1],
        big,
        cv2.INTER_LINEAR,
        cv2.BORDER_TRANSPARENT,
    )
    light = cv2.resize((big / 255.0) ** 2.2, size, interpolation=cv2.INTER_AREA)
    return seen_light(cv2.GaussianBlur(light, (0, 0), blur))


def seen_light(light: np.ndarray) -> np.ndarray:
    noise = np.random.default_rng(6).normal(0, 1.0, light.shape)
    return np.clip(255 * light ** (1 / 2.2) + noise, 0, 255).astype(np.uint8)


def grid(layout: Layout = CARD) -> np.ndarray:
    x, y = np.meshgrid(np.linspace(0, layout.size_mm[0], 7), np.linspace(0, layout.size_mm[1], 5))
    return np.column_stack([x.ravel(), y.ravel()])


def miss(plane: Plane, R: np.ndarray, t: np.ndarray, lift: float = 0.0) -> np.ndarray:
    """Distance [px] between where the plane says the grid lies and where it does."""
    mm = grid()
    truth = project(np.column_stack([mm, np.full(len(mm), -lift)]), R, t, lens())
    return np.linalg.norm(plane.to_px(mm, lift) - truth, axis=1)


@pytest.mark.parametrize("turn", range(0, 360, 45))
def test_the_card_is_found_whatever_way_it_is_turned(turn: int) -> None:
    R, t = pose(turn=turn, tilt=12, about=30)
    plane = find_card(picture_of(photograph(R, t)))
    assert plane.markers == 8 and plane.residual_px < 0.15
    assert np.median(miss(plane, R, t)) < 0.1 and miss(plane, R, t).max() < 0.3


@pytest.mark.parametrize("tilt", [0, 20, 40, 50])
@pytest.mark.parametrize("about", [0, 60])
def test_the_view_angle_is_the_tilt_of_the_sheet(tilt: int, about: int) -> None:
    R, t = pose(turn=20, tilt=tilt, about=about, distance=230)
    plane = find_card(picture_of(photograph(R, t)))
    assert np.median(miss(plane, R, t)) < 0.12
    # near square on, a small tilt hardly changes the picture: the angle is told to some degrees only
    assert plane.view_angle_deg == pytest.approx(tilt, abs=5.0 if tilt < 15 else 1.5)


def test_homography_agrees_with_scikit_images_estimator_and_with_the_camera() -> None:
    R, t = pose(turn=33, tilt=30, about=70)
    picture = picture_of(photograph(R, t))
    plane = find_card(picture)
    mm = np.concatenate([CARD.corners_mm(marker) for marker in plane.seen])
    px = np.concatenate(list(plane.seen.values()))
    theirs = ProjectiveTransform.from_estimate(mm, px)
    ours = cv2.perspectiveTransform(grid()[None], plane.H)[0]
    assert np.linalg.norm(theirs(grid()) - ours, axis=1).max() < 0.4
    truth = lens() @ np.column_stack([R[:, 0], R[:, 1], t])
    assert np.linalg.norm(cv2.perspectiveTransform(grid()[None], truth)[0] - ours, axis=1).max() < 0.3


@pytest.mark.parametrize("hidden", [(10, 12, 14, 16), (11, 13, 15, 17), (10, 11, 12, 13), (12, 14, 17, 15)])
def test_up_to_four_markers_may_be_hidden(hidden: tuple[int, ...]) -> None:
    R, t = pose(turn=10, tilt=25, about=20)
    grey = photograph(R, t)
    for marker in hidden:
        where = project(np.array([(*CARD.markers[marker], 0.0)]), R, t, lens())[0]
        cv2.circle(grey, (round(where[0]), round(where[1])), 30, 90, -1)
    plane = find_card(picture_of(grey))
    assert plane.markers == 4
    assert np.median(miss(plane, R, t)) < 0.3


def test_a_half_covered_corner_does_not_pull_the_card() -> None:
    R, t = pose(turn=5, tilt=10)
    grey = photograph(R, t)
    corner = project(np.array([(4.0, 4.0, 0.0)]), R, t, lens())[0]
    cv2.circle(
        grey, (round(corner[0]), round(corner[1])), 8, 25, -1
    )  # dark dirt that touches marker 10's corner
    plane = find_card(picture_of(grey))
    assert np.median(miss(plane, R, t)) < 0.1


def curled_photograph(R: np.ndarray, t: np.ndarray, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """The sheet rolled about its short middle line, bulging to the camera; and its markers' corners.

    Each pixel's ray meets the cylinder exactly; the paper's length along the arc is the sheet's x.
    """
    K, centre_x = lens(), CARD.size_mm[0] / 2
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    rays = np.stack([x, y, np.ones_like(x)], axis=-1).reshape(-1, 3) @ np.linalg.inv(K).T @ R
    eye = -R.T @ t
    # (px - centre_x)^2 + (pz - radius)^2 = radius^2, the axis behind the sheet; the nearer meeting is seen
    a = rays[:, 0] ** 2 + rays[:, 2] ** 2
    b = rays[:, 0] * (eye[0] - centre_x) + rays[:, 2] * (eye[2] - radius)
    c = (eye[0] - centre_x) ** 2 + (eye[2] - radius) ** 2 - radius**2
    depth = b**2 - a * c
    meet = eye + rays * ((-b - np.sqrt(np.maximum(depth, 0))) / a)[:, None]
    along = centre_x + radius * np.arctan2(meet[:, 0] - centre_x, radius - meet[:, 2])
    at = [(each.reshape(SIZE[::-1]) * FINE - 0.5).astype(np.float32) for each in (along, meet[:, 1])]
    grey = cv2.remap(drawn(CARD), *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=80)
    light = cv2.GaussianBlur((grey / 255.0) ** 2.2, (0, 0), 0.9)
    mm = np.concatenate([CARD.corners_mm(marker) for marker in CARD.markers])
    angle = (mm[:, 0] - centre_x) / radius
    xyz = np.column_stack([centre_x + radius * np.sin(angle), mm[:, 1], radius * (1 - np.cos(angle))])
    return seen_light(light), project(xyz, R, t, K)


@pytest.mark.parametrize("radius", [400.0, 800.0])
@pytest.mark.parametrize("tilt", [8, 30])
def test_a_curled_card_is_followed(radius: float, tilt: int) -> None:
    R, t = pose(turn=15, tilt=tilt, about=80)
    grey, truth = curled_photograph(R, t, radius)
    plane = find_card(picture_of(grey))
    mm = np.concatenate([CARD.corners_mm(marker) for marker in CARD.markers])
    assert np.linalg.norm(plane.to_px(mm) - truth, axis=1).max() < 0.35
    flat = cv2.perspectiveTransform(mm[None], plane.H)[0]
    if radius == 400.0:
        assert np.linalg.norm(flat - truth, axis=1).max() > 1.0  # no homography can do it
    if tilt == 30:
        assert plane.curl[0, 0] == pytest.approx(1 / radius, rel=0.1)


@pytest.mark.parametrize("lift", [0.0, 2.5, 8.0])
def test_a_lifted_point_is_followed_through_the_camera(lift: float) -> None:
    R, t = pose(turn=70, tilt=35, about=15)
    plane = find_card(picture_of(photograph(R, t)))
    truth = project(np.array([(60.0, 45.0, -lift)]), R, t, lens())
    assert np.abs(plane.to_mm(truth, lift) - (60.0, 45.0)).max() < 0.05
    if lift:
        assert np.linalg.norm(plane.to_mm(truth, 0.0) - (60.0, 45.0)) > 0.5 * lift * np.tan(np.radians(35))


def test_millimetres_and_pixels_are_each_others_inverse() -> None:
    R, t = pose(turn=200, tilt=40, about=45)
    plane = find_card(picture_of(photograph(R, t)))
    lifts = np.linspace(0, 6, len(grid()))
    assert np.abs(plane.to_mm(plane.to_px(grid(), lifts), lifts) - grid()).max() < 1e-6
    bare = dataclasses.replace(plane, camera=None)
    assert np.abs(bare.to_mm(bare.to_px(grid())) - grid()).max() < 1e-6


def test_without_exif_an_oblique_card_tells_the_focal_length_itself() -> None:
    R, t = pose(turn=10, tilt=40, about=30, distance=220)
    plane = find_card(picture_of(photograph(R, t), f35=None))
    assert plane.camera is not None
    assert plane.camera.K[0, 0] == pytest.approx(lens()[0, 0], rel=0.03)
    R, t = pose()
    assert find_card(picture_of(photograph(R, t), f35=None)).focal_sigma > 0.05  # square on it cannot


def test_the_focal_length_from_exif_places_the_camera() -> None:
    R, t = pose(turn=10, tilt=20, about=30, distance=240)
    plane = find_card(picture_of(photograph(R, t)))
    assert plane.camera is not None
    assert np.linalg.norm(plane.camera.centre_mm - (-R.T @ t)) < 5.0


def test_a_measured_print_scale_stretches_every_length() -> None:
    R, t = pose(tilt=10)
    picture = picture_of(photograph(R, t))
    plain, shrunk = find_card(picture), find_card(picture, print_scale=0.96)
    ends = np.array([(40.0, 50.0), (110.0, 50.0)])
    across = plain.to_px(ends)
    assert np.linalg.norm(np.diff(shrunk.to_mm(across), axis=0)) == pytest.approx(70.0 * 0.96, rel=1e-3)
    assert shrunk.print_scale == 0.96


def test_a_larger_print_carries_what_lies_beyond_the_sheet_as_it_was_meant() -> None:
    plane, at = Plane("card", np.eye(3), 8, 0.0, 0.0, layout=CARD), np.array([(75.0, 50.0), (150.5, 50.0), (75.0, -0.5)])
    assert plane.is_on_sheet(at).tolist() == [True, False, False]
    assert plane.is_on_sheet(at, 0.7).all()
    assert dataclasses.replace(plane, print_scale=1.01).is_on_sheet(at).tolist() == [True, True, False]


@pytest.mark.parametrize("blur", [1.5, 3.0])
def test_a_blurred_card_keeps_its_size(blur: float) -> None:
    R, t = pose(turn=25, tilt=15, about=10)
    plane = find_card(picture_of(photograph(R, t, blur=blur)))
    assert np.median(miss(plane, R, t)) < 0.2


def test_marks_that_are_printed_thin_are_told_from_a_card_that_is_far_away() -> None:
    """Each mark loses a quarter millimetre on every side, as if glare ate it; the plane does not shrink."""
    R, t = pose(turn=25, tilt=15, about=10)
    thin = cv2.dilate(drawn(CARD), np.ones((7, 7), np.uint8))  # 3 of 12 pixels a millimetre
    plane = find_card(picture_of(photograph(R, t, sheet=thin)))
    assert np.median(miss(plane, R, t)) < 0.15
    assert plane.creep_px == pytest.approx(0.25 * plane.px_per_mm((75, 50)), rel=0.2)


def test_a_false_reading_elsewhere_is_dropped() -> None:
    R, t = pose(tilt=15)
    grey = photograph(R, t)
    side = 70
    false = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), 12, side)
    grey[20 : 40 + side, 20 : 40 + side] = 235
    grey[30 : 30 + side, 30 : 30 + side] = false
    plane = find_card(picture_of(grey))
    assert plane.markers == 8 and np.median(miss(plane, R, t)) < 0.1


def refused(grey: np.ndarray) -> str:
    with pytest.raises(CannotUse) as refusal:
        find_card(picture_of(grey))
    message = str(refusal.value)
    assert "\n" not in message and "drawn.png" in message
    return message


def test_a_picture_without_the_card_is_refused() -> None:
    ground = np.random.default_rng(2).integers(0, 255, (900, 1200), dtype=np.uint8)
    assert "not found" in refused(ground) and "not found" in refused(np.full((900, 1200), 128, np.uint8))


def test_two_markers_are_too_few() -> None:
    R, t = pose(tilt=10)
    grey = photograph(R, t)
    for marker in (10, 11, 12, 13, 14, 17):
        where = project(np.array([(*CARD.markers[marker], 0.0)]), R, t, lens())[0]
        cv2.circle(grey, (round(where[0]), round(where[1])), 40, 90, -1)
    assert "only 2 of its 8 markers" in refused(grey)


def test_a_staff_is_no_card_and_a_card_is_no_staff() -> None:
    R, t = pose(layout=STAFF, distance=2200)
    assert "not found" in refused(photograph(R, t, STAFF))
    with pytest.raises(CannotUse, match="staff was not found"):
        find_staff(picture_of(photograph(*pose())))


def test_a_card_that_is_almost_edge_on_is_refused() -> None:
    R, t = pose(tilt=72, distance=180)
    assert refused(photograph(R, t))


def test_a_card_with_markers_in_other_places_is_refused() -> None:
    moved = {10: (24.0, 12.0), 12: (130.0, 22.0), 14: (120.0, 88.0), 16: (30.0, 80.0)}
    R, t = pose(tilt=10)
    assert refused(photograph(R, t, dataclasses.replace(CARD, markers=moved, name="other")))


def test_a_crumpled_card_is_refused_or_its_residual_says_so() -> None:
    R, t = pose(turn=10, tilt=10)
    grey = photograph(R, t)
    x, y = np.meshgrid(np.arange(SIZE[0], dtype=np.float32), np.arange(SIZE[1], dtype=np.float32))
    wave = 9 * np.sin(x / 60) * np.cos(y / 45)
    crumpled = cv2.remap(grey, x + wave.astype(np.float32), y + wave.astype(np.float32), cv2.INTER_LINEAR)
    try:
        plane = find_card(picture_of(crumpled))
    except CannotUse:
        return
    assert plane.residual_px > 0.5


@pytest.mark.parametrize("far", [2200, 5000])
def test_the_staffs_markers_are_found_small_too(far: int) -> None:
    R, t = pose(turn=4, tilt=6, layout=STAFF, distance=far)
    size = (1512, 2016)
    K = lens(size=size)
    staff = find_staff(picture_of(photograph(R, t, STAFF, size)))
    middles = np.array([(*STAFF.markers[marker], 0.0) for marker in staff.ids])
    truth = project(middles, R, t, K)
    inside = [
        m
        for m, (x, y) in STAFF.markers.items()
        if 30 < project(np.array([(x, y, 0.0)]), R, t, K)[0, 1] < 1985
    ]
    assert set(inside) <= set(staff.ids.tolist())
    assert np.linalg.norm(staff.centres_px - truth, axis=1).max() < 0.4
    assert staff.heights_mm.tolist() == [STAFF.height_mm(marker) for marker in staff.ids]


def truths(folder: str) -> list[dict[str, Any]]:
    return [json.loads(path.read_text()) for path in sorted((PHOTOS / folder).glob("*.json"))]


@pytest.mark.parametrize("folder", ["twig_on_card", "gnawed_bark"])
def test_on_ray_traced_photographs_corners_are_right_to_a_quarter_of_a_pixel(folder: str) -> None:
    """Truth from the renderer: where each marker's corners lie, hidden ones too; k1 is not told."""
    off: list[float] = []
    for truth in truths(folder):
        plane = find_card(read_picture(PHOTOS / folder / truth["file"]))
        for marker, corners in truth["markers"].items():
            gap = plane.to_px(CARD.corners_mm(int(marker))) - np.array(corners["corners_px"])
            off.extend(np.linalg.norm(gap, axis=1))
    assert len(off) >= 64
    assert np.median(off) < 0.1 and np.percentile(off, 95) < 0.25


def test_on_ray_traced_photographs_lifted_twig_ends_are_where_they_are() -> None:
    for truth in truths("twig_on_card"):
        plane = find_card(read_picture(PHOTOS / "twig_on_card" / truth["file"]))
        twig = truth["twig"]
        found = plane.to_mm(np.array([twig["end_centre_px"]]), twig["end_height_above_card_mm"])[0]
        assert np.linalg.norm(found - twig["end_centre_card_mm"]) < 0.25


def test_on_ray_traced_photographs_without_a_card_none_is_found() -> None:
    for folder in ("twig_free", "staff_scene"):
        for path in (PHOTOS / folder).glob("*.jpg"):
            with pytest.raises(CannotUse):
                find_card(read_picture(path))


def test_a_cropped_photograph_still_measures(tmp_path: Path) -> None:
    """The middle of the lens is then no longer the middle of the picture."""
    truth = truths("twig_on_card")[0]
    whole = find_card(read_picture(PHOTOS / "twig_on_card" / truth["file"]))
    upright = Image.fromarray(read_picture(PHOTOS / "twig_on_card" / truth["file"]).bgr[:, :, ::-1])
    corners = np.array(truth["card"]["corners_px"])
    (left, top), (right, bottom) = corners.min(axis=0) - 15, corners.max(axis=0) + 15
    box = (
        max(int(left), 0),
        max(int(top), 0),
        min(int(right), upright.width),
        min(int(bottom), upright.height),
    )
    upright.crop(box).save(tmp_path / "crop.png")
    part = find_card(read_picture(tmp_path / "crop.png"))
    ends = np.array([(50.0, 50.0), (90.0, 50.0)])
    across = whole.to_px(ends)
    length = np.linalg.norm(np.diff(part.to_mm(across - box[:2]), axis=0))
    assert length == pytest.approx(40.0, rel=0.004)
