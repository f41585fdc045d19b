"""What finds markers, straight edges and patches does so where the answer is known: drawn noise, steps and ellipses."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from diagnose.measure.bark_patch import _cut_out
from diagnose.measure.stem import LEVEL, UPRIGHT, VIEW_SCALE, View, likelier_first, straight_edges
from diagnose.photo import camera
from diagnose.photo.markers import _grain
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card
from tests.conftest import PHOTOS


@pytest.mark.parametrize("sigma", [3.0, 6.0])
def test_grain_is_the_noise_of_a_plain_surface_whatever_its_slope(sigma: float) -> None:
    rng = np.random.default_rng(4)
    surface = 60 + 0.05 * np.arange(1000) + rng.normal(0, sigma, (400, 1000))
    assert _grain(np.clip(surface, 0, 255).astype(np.uint8)) == pytest.approx(sigma, rel=0.15)


@pytest.mark.parametrize("angle", [-22, -13.5, -8, 0, 3, 11.5, 22, 68, 83, 90, 112])
def test_the_strongest_edge_of_a_view_is_the_one_that_was_drawn(angle: float) -> None:
    """A step of 15 in lightness under noise of 6, through a known point; angles from upright, as the view is turned."""
    height, width = 300, 360
    through = np.array([190.0, 140.0])
    along = np.array([np.sin(np.radians(angle)), np.cos(np.radians(angle))])
    y, x = np.mgrid[0:height, 0:width]
    beside = (x - through[0]) * along[1] - (y - through[1]) * along[0]
    lab = np.full((height, width, 3), 128.0)
    lab += np.random.default_rng(2).normal(0, 15, lab.shape)
    lab[..., 0] += np.where(beside > 0, 37.5, 0)
    inner = np.zeros((height, width), bool)
    inner[4:-4, 4:-4] = True  # the picture's own edge is no edge of a thing
    view = View(np.zeros(lab.shape, np.float32), np.clip(lab, 0, 255).astype(np.uint8), inner, VIEW_SCALE)
    assert list(likelier_first(view)[0]) == list(UPRIGHT if abs(angle) < 45 else LEVEL)
    line = straight_edges(view, UPRIGHT if abs(angle) < 45 else LEVEL)[0]
    assert abs(line.along @ along) > np.cos(np.radians(0.8))
    away = through - line.middle
    assert abs(away[0] * line.along[1] - away[1] * line.along[0]) < 2.0


def test_a_patch_parted_through_wider_cells_is_the_ellipse_that_was_drawn_to_half_a_cell_or_so() -> None:
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:201, 0:151]
    round_ = np.hypot((x - 75) / 45, (y - 100) / 70)
    drawn = round_ < 1
    colours = np.where(drawn[..., None], (150, 120, 200), (110, 100, 140)) + rng.normal(0, 18, (*drawn.shape, 3))
    mask = np.where(round_ < 0.8, cv2.GC_PR_FGD, np.where(round_ > 1.5, cv2.GC_BGD, cv2.GC_PR_BGD)).astype(np.uint8)
    found = _cut_out(np.clip(colours, 0, 255).astype(np.uint8), mask)
    rim = np.pi * (45 + 70)  # about the length of its border [cells]
    assert (found != drawn).sum() < 0.9 * rim
    assert abs(int(found.sum()) - int(drawn.sum())) < 0.6 * rim


def test_a_patch_too_small_for_wider_cells_is_none() -> None:
    mask = np.full((40, 40), cv2.GC_PR_BGD, np.uint8)
    mask[::2, 1] = cv2.GC_PR_FGD
    assert not _cut_out(np.full((40, 40, 3), 100, np.uint8), mask).any()


def test_slopes_kept_from_step_to_step_fit_the_same_card(monkeypatch: pytest.MonkeyPatch) -> None:
    """Truth: the fit that takes them anew at every step."""
    corners = np.array([(10.0, 10.0), (140.0, 10.0), (140.0, 90.0), (10.0, 90.0)])
    for path in sorted((PHOTOS / "twig_on_card").glob("*.jpg"))[:3]:
        kept = find_card(read_picture(path)).to_px(corners)
        with monkeypatch.context() as always:
            always.setattr(camera, "SAME_SLOPES", 0.0)
            anew = find_card(read_picture(path)).to_px(corners)
        assert kept == pytest.approx(anew, abs=0.01)
