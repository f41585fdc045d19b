"""A strip of another colour along a stem's sides is no stem; shade, a pale face and many colours are nothing strange."""

import cv2
import numpy as np
import pytest

from diagnose.measure.rim import without_rim

WIDE, LONG, REST = 60, 260, 40  # of the stem [cells]; cells of the patch beyond it


def _stem(bark: tuple[float, float, float], seed: int, sky: float = 0.0, low: float = 0.25) -> tuple[np.ndarray, np.ndarray]:
    """A round stem from the left on black, lit from above, its shaded side a little bluer by `sky`; and where it lies."""
    draw = np.random.default_rng(seed)
    h, w = WIDE + 2 * REST, LONG + REST
    y = (np.arange(h) - REST + 0.5) / WIDE
    bright = np.clip(low + 0.9 * np.sqrt(np.clip(1 - (2 * y - 0.7) ** 2, 0, None)), 0, 1)
    tint = np.array([1 + sky, 1.0, 1 - sky])
    rows = bright[:, None] * np.array(bark) * np.where(bright[:, None] < 0.6, tint, 1.0)
    light = np.repeat(rows[:, None], w, axis=1)
    where = np.zeros((h, w), np.uint8)
    where[REST : REST + WIDE, :LONG] = 1
    light[where == 0] = 0.004
    light *= draw.normal(1.0, 0.04, light.shape)
    return light, where


def _seen(light: np.ndarray) -> np.ndarray:
    return np.clip(cv2.GaussianBlur(light, (0, 0), 1.0), 0, 1).astype(np.float32)


def _rim(light: np.ndarray, where: np.ndarray, thick: int, paint: tuple[float, float, float]) -> np.ndarray:
    """What the eye takes for stem: the stem and a strip of paint round it."""
    wider = cv2.dilate(where, np.ones((2 * thick + 1, 2 * thick + 1), np.uint8))
    light[(wider > 0) & (where == 0)] = paint
    return wider


def _overlap(one: np.ndarray, other: np.ndarray) -> float:
    return float(((one > 0) & (other > 0)).sum() / ((one > 0) | (other > 0)).sum())


@pytest.mark.parametrize("bark", [(0.55, 0.6, 0.65), (0.12, 0.2, 0.28), (0.1, 0.25, 0.12)])
@pytest.mark.parametrize("paint", [(0.35, 0.08, 0.04), (0.03, 0.05, 0.4)])
def test_a_strip_of_blue_or_red_round_a_stem_is_left_out_at_its_sides_and_end(
    bark: tuple[float, float, float], paint: tuple[float, float, float]
) -> None:
    light, where = _stem(bark, seed=3)
    wider = _rim(light, where, 7, paint)
    assert _overlap(wider, where) < 0.82
    assert _overlap(without_rim(_seen(light), wider), where) > 0.94


@pytest.mark.parametrize("seed", range(4))
def test_a_shaded_side_that_the_sky_makes_bluer_stays_stem(seed: int) -> None:
    light, where = _stem((0.15, 0.22, 0.3), seed, sky=0.15, low=0.08)
    assert without_rim(_seen(light), where) is where


def test_a_pale_face_at_the_end_and_bark_of_two_colours_stay_stem() -> None:
    light, where = _stem((0.1, 0.2, 0.12), seed=5)
    light[REST : REST + WIDE, LONG - 30 : LONG] *= np.array([2.5, 3.0, 5.0])  # wood of another colour
    assert without_rim(_seen(light), where) is where
    light, where = _stem((0.1, 0.2, 0.12), seed=6)
    light[REST : REST + WIDE // 2] *= np.array([0.5, 0.6, 1.8])  # a stem that is brown on top and green below
    assert without_rim(_seen(light), where) is where


def test_a_mask_too_small_to_tell_a_colour_stays_as_it_is() -> None:
    light, where = _stem((0.3, 0.3, 0.3), seed=1)
    empty = np.zeros_like(where)
    assert without_rim(_seen(light), empty) is empty
    few = empty.copy()
    few[REST : REST + 4, :6] = 1
    assert without_rim(_seen(light), few) is few
