"""What finds markers, straight edges and patches does so where the answer is known: drawn noise, steps and ellipses."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from diagnose.measure.bark_outline import _cut_out
from diagnose.photo import camera
from diagnose.photo.markers import _grain
from diagnose.photo.picture import CannotUse, read_picture
from diagnose.photo.plane import find_card
from tests.conftest import PHOTOS


@pytest.mark.parametrize("sigma", [3.0, 6.0])
def test_grain_is_the_noise_of_a_plain_surface_whatever_its_slope(sigma: float) -> None:
    rng = np.random.default_rng(4)
    surface = 60 + 0.05 * np.arange(1000) + rng.normal(0, sigma, (400, 1000))
    assert _grain(np.clip(surface, 0, 255).astype(np.uint8)) == pytest.approx(sigma, rel=0.15)


def test_a_patch_parted_through_wider_cells_is_the_ellipse_that_was_drawn_to_half_a_cell_or_so() -> None:
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:201, 0:151]
    round_ = np.hypot((x - 75) / 45, (y - 100) / 70)
    drawn = round_ < 1
    colours = np.where(drawn[..., None], (150, 120, 200), (110, 100, 140)) + rng.normal(0, 18, (*drawn.shape, 3))
    mask = np.where(round_ < 0.8, cv2.GC_PR_FGD, np.where(round_ > 1.5, cv2.GC_BGD, cv2.GC_PR_BGD)).astype(np.uint8)
    found = _cut_out(np.clip(colours, 0, 255).astype(np.uint8), mask, 1)
    rim = np.pi * (45 + 70)  # about the length of its border [cells]
    assert (found != drawn).sum() < 0.9 * rim
    assert abs(int(found.sum()) - int(drawn.sum())) < 0.6 * rim


def test_a_patch_too_small_for_wider_cells_is_none() -> None:
    mask = np.full((40, 40), cv2.GC_PR_BGD, np.uint8)
    mask[::2, 1] = cv2.GC_PR_FGD
    assert not _cut_out(np.full((40, 40, 3), 100, np.uint8), mask, 1).any()


@pytest.mark.parametrize("side", [20, 300])
def test_a_finer_copy_is_searched_for_markers_only_where_a_coarser_one_shows_something_square(side: int) -> None:
    """A dark square of so many pixels in a picture of 3200 x 2400, whose other shapes are long."""
    rng = np.random.default_rng(1)
    grey = np.full((2400, 3200), 190.0)
    grey[200:2000, 400:430] = 40.0
    for square in (False, True):
        if square:
            grey[900 : 900 + side, 1500 : 1500 + side] = 30.0
        noisy = np.clip(grey + rng.normal(0, 3, grey.shape), 0, 255).astype(np.uint8)
        drawn = read_picture(cv2.imencode(".png", noisy)[1].tobytes(), "drawn.png")
        with pytest.raises(CannotUse):
            find_card(drawn)
        assert (("markers", 1, True) in drawn.kept or ("markers", 1, False) in drawn.kept) == square


def test_when_each_side_of_a_square_moves_inwards_its_corners_move_along_its_diagonals() -> None:
    """Truth: geometry, for a square and for one turned by 45 degrees."""
    square = np.array([(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)])
    turned = (square - 5) @ np.array([[1, 1], [-1, 1]]) / np.sqrt(2)
    moved = camera._inward(np.stack([square, turned]))
    assert moved[0] == pytest.approx(np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)]))
    assert moved[1] == pytest.approx(-turned / np.linalg.norm(turned, axis=1, keepdims=True) * np.sqrt(2))


def test_several_cameras_at_once_see_what_each_of_them_sees() -> None:
    rng = np.random.default_rng(5)
    K = np.array([[[900.0, 0, 400], [0, 900, 300], [0, 0, 1]], [[1200.0, 0, 410], [0, 1200, 305], [0, 0, 1]]])
    k1, R = np.array([0.02, -0.03]), np.array([cv2.Rodrigues(turn)[0] for turn in rng.normal(0, 0.3, (2, 3))])
    t, curl = np.array([[-70.0, -40, 300], [-60.0, -50, 350]]), np.array([np.diag([1e-3, 0]), np.diag([0, -1e-3])])
    mm = rng.uniform(0, 100, (7, 2))
    both = camera.Camera(K, k1, R, t).project(camera.on_sheet(mm, curl, (75.0, 50.0)))
    for n in range(2):
        alone = camera.Camera(K[n], float(k1[n]), R[n], t[n]).project(camera.on_sheet(mm, curl[n], (75.0, 50.0)))
        assert both[n] == pytest.approx(alone)


def test_slopes_kept_from_step_to_step_fit_the_same_card(monkeypatch: pytest.MonkeyPatch) -> None:
    """Truth: the fit that takes them anew at every step."""
    corners = np.array([(10.0, 10.0), (140.0, 10.0), (140.0, 90.0), (10.0, 90.0)])
    for path in sorted((PHOTOS / "twig_on_card").glob("*.jpg"))[:3]:
        kept = find_card(read_picture(path)).to_px(corners)
        with monkeypatch.context() as always:
            always.setattr(camera, "SAME_SLOPES", 0.0)
            anew = find_card(read_picture(path)).to_px(corners)
        assert kept == pytest.approx(anew, abs=0.01)
