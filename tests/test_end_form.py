"""A severed end is called clean, half clean or torn by what its edges and its face show.

The ends here are drawn in their own frame: outline and light are known exactly, and nothing was fitted to them.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from diagnose.measure.end_form import Look, end_form, features, form_shares, mirrored
from diagnose.measure.end_form import _model as model
from diagnose.measure.end_shape import End, find_end
from diagnose.measure.severed_end import measure_end_on_card
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card
from tests.conftest import PHOTOS

WIDTH = 30.0  # of the stem, in the outline's own unit
ACROSS = np.linspace(-0.5, 0.5, 121)
PAPER, WOOD, BARK = (np.array(rgb) for rgb in ((0.8, 0.8, 0.8), (0.35, 0.5, 0.6), (0.08, 0.12, 0.2)))


def _splinters(seed: int) -> np.ndarray:
    """Heights, in diameters, of a dozen bundles of fibres that broke each at its own place."""
    heights = np.random.default_rng(seed).normal(0, 0.3, 13)
    return heights[((ACROSS + 0.5) * 12.99).astype(int)]


def _seen(torn: np.ndarray, seed: int, fibres: bool = False) -> tuple[End, Look]:
    """An end cut at 30 degrees whose near rim and far outline are splintered where `torn`, and what is seen there."""
    cut = np.tan(np.radians(30.0)) * ACROSS
    oval = 0.3 * np.sqrt(0.25 - np.minimum(ACROSS**2, 0.25))
    outline = cut + oval + np.where(torn, _splinters(seed), 0.0)
    rim = np.minimum(cut - oval + np.where(torn, _splinters(seed + 1), 0.0), outline)
    edge = np.stack([outline, ACROSS], axis=1) * WIDTH
    end = find_end(np.vstack([edge, [(-6 * WIDTH, WIDTH / 2), (-6 * WIDTH, -WIDTH / 2)]]), float(edge[:, 0].min()), WIDTH)
    assert end is not None
    noise = np.random.default_rng(seed + 2)
    streak = np.where(torn, noise.normal(0, 0.3, len(ACROSS)), 0.0)

    def look(points: np.ndarray) -> np.ndarray:
        at = end.to_outline(points) / WIDTH
        x, y = at.T
        wood = np.exp(np.interp(y, ACROSS, streak) + noise.normal(0, 0.03, len(y)))[:, None] * WOOD
        bark = np.exp(noise.normal(0, 0.1, len(y)))[:, None] * BARK
        light = np.where((x > np.interp(y, ACROSS, rim))[:, None], wood, bark)
        bare = np.exp(noise.normal(0, 0.01, len(y)))[:, None] * PAPER
        strand = fibres & (np.abs((y * 9) % 1 - 0.5) < 0.08) & (x < np.interp(y, ACROSS, outline) + 0.6)
        bare = np.where(strand[:, None], 0.6 * bare, bare)
        on_stem = (x < np.interp(y, ACROSS, outline)) & (np.abs(y) < 0.5)
        return np.where(on_stem[:, None], light, bare)

    return end, look


@pytest.mark.parametrize("seed", [1, 11, 21])
def test_a_smooth_face_is_clean_and_splinters_all_over_are_torn(seed: int) -> None:
    nowhere, everywhere = np.zeros(len(ACROSS), bool), np.ones(len(ACROSS), bool)
    smooth, splintered = (end_form(*_seen(torn, seed)).shares for torn in (nowhere, everywhere))
    assert smooth["clean"] > 0.8 and splintered["torn"] > 0.6
    assert splintered["clean"] < 0.02 and smooth["torn"] < 0.02


@pytest.mark.parametrize("seed", [1, 11, 21])
@pytest.mark.parametrize("side", [-1, 1])
def test_a_face_that_is_smooth_on_one_side_and_splintered_on_the_other_is_half_clean(seed: int, side: int) -> None:
    shares = end_form(*_seen(side * ACROSS > 0.0, seed)).shares
    assert shares["half"] > 0.6


def test_the_form_is_the_same_in_a_mirror() -> None:
    seen = features(*_seen(ACROSS > 0.1, 3))[None]
    assert not np.allclose(seen, mirrored(seen))
    assert form_shares(model(), seen) == pytest.approx(form_shares(model(), mirrored(seen)))


def test_fibres_before_a_smooth_face_make_it_less_surely_clean() -> None:
    nowhere = np.zeros(len(ACROSS), bool)
    bare, fringed = (end_form(*_seen(nowhere, 5, fibres)).shares["clean"] for fibres in (False, True))
    assert fringed < bare - 0.1


def test_before_a_natural_ground_what_lies_ahead_of_the_end_says_nothing() -> None:
    nowhere = np.zeros(len(ACROSS), bool)
    bare, fringed = (end_form(*_seen(nowhere, 5, fibres), plain=False).shares["clean"] for fibres in (False, True))
    assert fringed == pytest.approx(bare, abs=1e-6)


def test_most_ends_of_the_ray_traced_photographs_are_named_rightly_and_none_is_surely_taken_for_its_contrary() -> None:
    right = []
    for path in sorted((PHOTOS / "twig_on_card").glob("*.jpg")):
        picture = read_picture(path)
        shares = measure_end_on_card(picture, find_card(picture)).measured["end_form"].shares
        form = json.loads(path.with_suffix(".json").read_text())["truth"]["kind"]
        right.append(max(shares, key=lambda name: shares[name]) == form)
        assert not (form == "clean" and shares["torn"] > 0.9) and not (form == "torn" and shares["clean"] > 0.9)
    assert len(right) >= 8 and np.mean(right) > 0.7
