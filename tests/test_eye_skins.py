"""Barks of several colours, and what is what in a traced picture, as the eye learns from them."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2xyz

from diagnose.eye.pieces import CLASSES
from diagnose.eye.train.material import load
from diagnose.eye.train.skins import PATTERNS, patterned, worn
from diagnose.eye.train.traced import bark, floor, labels, linear

BROWN, GREEN, DARK = (np.float32(colour) for colour in ((50, 80, 110), (60, 160, 90), (15, 20, 25)))


def plain(rows=300, columns=120):
    return np.ones((rows, columns, 3), np.float32) * BROWN


@pytest.mark.parametrize("kind", PATTERNS)
@pytest.mark.parametrize("seed", range(6))
def test_a_pattern_covers_a_part_of_the_bark_and_stays_between_its_colours(kind, seed):
    tile, relief = patterned(np.random.default_rng(seed), plain(), GREEN, DARK, 6.0, 4.0, kind)
    changed = np.abs(tile - BROWN).max(2) > 3
    assert relief.shape == changed.shape and np.abs(relief).max() <= 1.5
    # green and dark darkened or lightened by no more than the tile is, whose tone is 1 everywhere
    assert tile.min() >= min(c.min() for c in (BROWN, GREEN, DARK)) - 1 and tile.max() <= 161
    assert changed.mean() < 1


@pytest.mark.parametrize("kind", PATTERNS)
def test_each_pattern_is_seen_on_most_barks(kind):
    seen = [np.abs(patterned(np.random.default_rng(seed), plain(), GREEN, DARK, 6.0, 4.0, kind)[0] - BROWN).max(2) > 3
            for seed in range(12)]  # fmt: skip
    assert sum(one.mean() > 0.005 for one in seen) >= 9


@pytest.mark.parametrize("kind", PATTERNS)
def test_round_the_stem_the_last_column_joins_the_first(kind):
    steps = []
    for seed in range(6):
        tile = patterned(np.random.default_rng(seed), plain(), GREEN, DARK, 6.0, 4.0, kind)[0]
        beside = np.abs(np.diff(tile, axis=1)).mean((0, 2))
        steps.append((np.abs(tile[:, 0] - tile[:, -1]).mean(), np.quantile(beside, 0.98) + 0.5))
    assert sum(joint <= 1.6 * usual for joint, usual in steps) >= 5


def test_a_pattern_that_is_none_is_refused():
    with pytest.raises(ValueError, match="is no pattern"):
        patterned(np.random.default_rng(0), plain(), GREEN, DARK, 6.0, 4.0, "tartan")


def test_a_third_of_drawn_barks_bear_a_pattern():
    tile = np.ones((256, 200, 3), np.float32) * BROWN
    changed = [np.abs(worn(np.random.default_rng(seed), tile, 40.0) - tile).max() > 3 for seed in range(200)]
    assert 0.25 < np.mean(changed) < 0.45  # 0.35, less what is hardly seen; sd of 200 draws 0.034


def test_colours_become_linear_as_a_reference_library_says():
    grey = np.uint8([[[value] * 3 for value in (0, 8, 40, 128, 200, 255)]])
    assert linear(grey)[..., 1] == pytest.approx(rgb2xyz(grey)[..., 1], abs=2e-4)  # skimage.color, sRGB
    assert linear(np.float32([10, 20, 200]))[0] > linear(np.float32([10, 20, 200]))[2]  # BGR becomes RGB


def test_a_tracers_bark_and_ground_are_light_that_things_can_give():
    rng = np.random.default_rng(4)
    tile, relief = bark(rng, linear(plain()), np.zeros((300, 120), np.float32), 6.0, 4.0)
    assert tile.shape == (300, 120, 3) and tile.min() > 0 and tile.max() <= 0.9 and np.abs(relief).max() <= 2
    ground = floor(rng, 64, load(None, "train"))
    assert ground.shape == (64, 64, 3) and ground.min() > 0 and ground.max() <= 0.93


def scene(dim=0.5):
    """A card of 150 x 100 mm at 4 px/mm with a printed square and a stripe of less light, beside it a stem with a wound."""
    shows = np.zeros((480, 800), int)
    shows[40:440, 20:620], shows[:, 660:740] = 1, 2
    paper = np.full((400, 600), 255, np.uint8)
    paper[50:110, 50:110] = 0
    light = np.ones((480, 800))
    light[40:440, 20:620] = np.where(paper == 0, 0.05, 1.0)
    light[200:260, 20:620] *= dim
    sheet = np.array([[4.0, 0, 20], [0, 4.0, 40], [0, 0, 1]])
    wound = np.array([(640, 150), (760, 150), (760, 300), (640, 300)])
    return labels(shows, {1: "card", 2: "bark"}, light, wound, sheet, paper)


def test_bare_wood_is_what_lies_in_the_wound_and_on_the_stem():
    found = scene()
    wood = found == CLASSES.index("wood")
    assert wood[151:300, 660:740].all() and wood.sum() <= 152 * 80 and (found[:100, 660:740] == CLASSES.index("bark")).all()


def test_paper_in_half_the_light_is_shadow_and_print_is_not():
    found = scene()
    shadow = found == CLASSES.index("shadow")
    assert shadow[204:256, 30:600].mean() > 0.98 and shadow.sum() < 1.15 * 60 * 600
    assert not shadow[85:155, 65:135].any()


def test_paper_in_nearly_all_the_light_is_no_shadow():
    assert not (scene(dim=0.85) == CLASSES.index("shadow")).any()
