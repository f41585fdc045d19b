"""When is bark thick and corky enough? Three stems to hold beside the real one, since no thickness was ever published."""

from __future__ import annotations

import numpy as np

from diagnose.report.barrier_drawing import PLAIN, THIN, Drawing, Stroke, Words

STAGES = (
    ("smooth, thin", "is gnawed and rubbed"),
    ("first cracks", "not safe yet"),
    ("corky, ridged all round", "safe, where all of it is so"),
)
_STEM, _TALL, _APART = 26.0, 42.0, 56.0  # of the drawn stems [mm]


def draw_bark() -> Drawing:
    """Three stems from smooth to corky bark, drawn from memory of common trees; not to scale."""
    strokes: list[Stroke] = []
    words: list[Words] = []
    for stage, (look, means) in enumerate(STAGES):
        left = 8 + stage * _APART
        strokes += _stem(stage, left)
        words += [Words(left + _STEM / 2, _TALL + 9, look, size=3.0), Words(left + _STEM / 2, _TALL + 13.5, means)]
    return Drawing("Bark, from smooth to corky", 1, 3 * _APART, _TALL + 17, tuple(strokes), tuple(words), ())


def _stem(stage: int, left: float) -> list[Stroke]:
    """Outline and marks of one stem: lenticels, then short cracks, then ridges that run into each other."""
    chance = np.random.default_rng(stage)
    rough = (0.0, 0.25, 0.9)[stage]  # how far the outline steps in and out [mm]
    strokes = []
    for side in (left, left + _STEM):
        steps = side + chance.uniform(-rough, rough, 22)
        heights = np.linspace(2, 2 + _TALL, 22)
        strokes += [Stroke(float(steps[n]), float(heights[n]), float(steps[n + 1]), float(heights[n + 1]), 2 * PLAIN)
                    for n in range(21)]
    if stage == 0:
        return strokes + [Stroke(x, y, x + 2.2, y, THIN) for x, y in
                          zip(left + chance.uniform(2, _STEM - 5, 16), chance.uniform(4, _TALL, 16), strict=True)]
    if stage == 1:
        places = zip(left + chance.uniform(2, _STEM - 2, 18), chance.uniform(3, _TALL - 7, 18), chance.uniform(3, 7, 18),
                     strict=True)
        return strokes + [Stroke(x, y, x + chance.uniform(-0.6, 0.6), y + long, PLAIN) for x, y, long in places]
    return strokes + [part for furrow in range(6) for part in _furrow(left + 3 + furrow * (_STEM - 6) / 5, furrow, chance)]


def _furrow(middle: float, number: int, chance: np.random.Generator) -> list[Stroke]:
    """A deep furrow that wanders to its neighbours and back, never twice alike, with cracks across the ridge beside it."""
    rows = 8
    heights = np.clip(np.linspace(3, 1 + _TALL, rows) + chance.uniform(-1.6, 1.6, rows), 2.5, 1.5 + _TALL)
    across = middle + 1.7 * (-1.0) ** (np.arange(rows) + number) * chance.uniform(0.3, 1.1, rows)
    strokes = []
    for n in range(rows - 1):
        bend_x, bend_y = (across[n] + across[n + 1]) / 2 + chance.uniform(-0.7, 0.7), (heights[n] + heights[n + 1]) / 2
        for x1, y1, x2, y2 in ((across[n], heights[n], bend_x, bend_y), (bend_x, bend_y, across[n + 1], heights[n + 1])):
            strokes.append(Stroke(float(x1), float(y1), float(x2), float(y2), PLAIN * chance.uniform(1.6, 5.0)))
        if chance.random() < 0.6 and number < 5:
            strokes.append(Stroke(float(bend_x), float(bend_y), float(bend_x + chance.uniform(1.2, 2.6)),
                                  float(bend_y + chance.uniform(-0.8, 0.8)), PLAIN))
    return strokes
