"""A drawing shows the plan's own dimensions at its stated scale."""

import math
import re

import pytest

from diagnose.figures import length
from diagnose.protect.barriers import buildable, sized
from diagnose.protect.ground import ground_from
from diagnose.protect.materials import dimensions
from diagnose.protect.planting import planting
from diagnose.protect.requirement import NEED_OF
from diagnose.report.barrier_drawing import draw_barrier, draw_boundary

LAND = ground_from([(-76.5, 42.4), (-76.498, 42.4), (-76.4975, 42.4015), (-76.5, 42.4012)])
BUILT_AS = {"stake": "stake length", "post": "post length", "post spacing, at most": "post spacing"}


@pytest.mark.parametrize("snow", [0.0, 200.0])
@pytest.mark.parametrize("key", buildable())
def test_dimensions_on_a_drawing_are_the_plans_at_its_scale(key: str, snow: float) -> None:
    place = planting(LAND, 100, list(NEED_OF), snow_mm=snow, large_trees=True)
    part = sized(key, place.needs, snow)
    if part is None:
        return
    drawing, built = draw_barrier(place, part), dimensions(place, part)
    if drawing is None:
        assert part.top_mm == 0
        return
    assert drawing.dimensions
    svg = drawing.as_svg()
    for shown in drawing.dimensions:
        assert shown.world_mm == pytest.approx(built[BUILT_AS.get(shown.name, shown.name)], abs=0.1)
        s = shown.stroke
        assert math.hypot(s.x2 - s.x1, s.y2 - s.y1) * drawing.scale == pytest.approx(shown.world_mm, rel=1e-6)
        assert f"{shown.name} {length(shown.world_mm)}" in svg
    for stroke in drawing.all_strokes():
        assert min(stroke.x1, stroke.x2) >= -1 and max(stroke.x1, stroke.x2) <= drawing.width + 1
        assert min(stroke.y1, stroke.y2) >= -1 and max(stroke.y1, stroke.y2) <= drawing.height + 1


def test_the_fence_line_has_the_geodesic_length_of_each_side() -> None:
    drawing = draw_boundary(LAND)
    assert [shown.world_mm / 1000 for shown in drawing.dimensions] == pytest.approx(list(LAND.sides_m))
    for shown in drawing.dimensions:
        s = shown.stroke
        assert math.hypot(s.x2 - s.x1, s.y2 - s.y1) * drawing.scale == pytest.approx(shown.world_mm, rel=1e-3)
    assert re.search(r"scale 1 : \d+", drawing.as_svg())


def test_each_gate_stands_on_a_side_of_the_drawn_boundary() -> None:
    assert not [words for words in draw_boundary(LAND).words if words.text == "gate"]
    for gates in (1, 3, 9):
        drawing = draw_boundary(LAND, gates=gates)
        named = [words for words in drawing.words if words.text == "gate"]
        assert len(named) == gates and any(f"{gates} gate" in words.text for words in drawing.words)
        sides = [shown.stroke for shown in drawing.dimensions]
        for words in named:
            assert min(_off(words.x, words.y - 0.9, side) for side in sides) < 4.5
        assert len({(round(words.x, 2), round(words.y, 2)) for words in named}) == gates


def _off(x: float, y: float, side: object) -> float:
    x1, y1, x2, y2 = (getattr(side, name) for name in ("x1", "y1", "x2", "y2"))
    share = max(0.0, min(1.0, ((x - x1) * (x2 - x1) + (y - y1) * (y2 - y1)) / ((x2 - x1) ** 2 + (y2 - y1) ** 2)))
    return math.hypot(x - x1 - share * (x2 - x1), y - y1 - share * (y2 - y1))


def test_a_fence_of_plain_wires_is_drawn_with_its_wires_and_without_a_mesh() -> None:
    place = planting(LAND, 100, ["cattle"])
    part = sized("plain_strands", place.needs)
    assert part is not None
    drawing = draw_barrier(place, part)
    assert drawing is not None
    assert any("4 wires, 300 mm, 600 mm, 900 mm, 1.20 m up" in words.text for words in drawing.words)
    assert not any("true opening" in words.text for words in drawing.words)
    level = [s for s in drawing.strokes if abs(s.y1 - s.y2) < 1e-6 and s.x2 - s.x1 > 20]
    upright = [s for s in drawing.strokes if abs(s.x1 - s.x2) < 1e-6]
    assert len(level) >= 4 and len(upright) < 12  # posts and the lines of dimensions, no mesh
