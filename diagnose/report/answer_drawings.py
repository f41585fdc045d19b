"""What does each answer of the key look like? One plain line drawing an answer, for the page and for paper.

Drawn from memory of what is common knowledge of each look, by our own code, in black lines only. Droppings, but for the
heap, are drawn at true size; everything else is not to scale.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from functools import cache, partial
from itertools import pairwise

import numpy as np

from diagnose.report.barrier_drawing import HEAVY, PLAIN, THIN, Drawing, Stroke, Words
from diagnose.signs import vocabulary

WIDE, TALL = 30.0, 24.0  # of every drawing [mm]
Point = tuple[float, float]
Lines = list[Stroke]


def drawing_of(sign: str, choice: str) -> str | None:
    """The drawing of an answer as SVG for a screen, which shows nothing at its true size; None where it has none.

    Parameters
    ----------
    sign
        Name of the sign, of signs.yaml [no unit].
    choice
        One of the sign's choices [no unit].
    """
    drawn = draw_answer(sign, choice, on_paper=False)
    return None if drawn is None else drawn.as_svg()


@cache
def draw_answer(sign: str, choice: str, on_paper: bool = True) -> Drawing | None:
    """The drawing of an answer, WIDE x TALL mm; None where it has none.

    Parameters
    ----------
    sign
        Name of the sign, of signs.yaml [no unit].
    choice
        One of the sign's choices [no unit].
    on_paper
        Is it for print, in black on white? [no unit]
    """
    draw = _DRAWN.get(sign, {}).get(choice)
    if draw is None:
        return None
    true = on_paper and sign == "droppings" and choice != "heap_below_tree"
    words = (Words(WIDE - 1, TALL - 0.6, "true size", "end", size=1.8),) if true else ()
    return Drawing(vocabulary()[sign].choices[choice], 1, WIDE, TALL, tuple(draw()), words, ())


def drawn_signs() -> list[str]:
    """The questions whose answers are drawn."""
    return list(_DRAWN)


def _path(points: Sequence[Point], width: float = PLAIN, closed: bool = False) -> Lines:
    ends = [*points[1:], points[0]] if closed else points[1:]
    return [Stroke(*a, *b, width) for a, b in zip(points, ends, strict=False)]


def _oval(x: float, y: float, a: float, b: float, turn: float = 0.0, width: float = PLAIN, start: float = 0.0,
          end: float = 360.0) -> Lines:
    """An ellipse, or the arc of one, with half axes a and b [mm], turned [degree]."""
    angles = np.radians(np.linspace(start, end, max(8, round((end - start) / 15))))
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    across, along = a * np.cos(angles), b * np.sin(angles)
    return _path(list(zip((x + across * c - along * s).tolist(), (y + across * s + along * c).tolist(), strict=True)), width)


def _ground(y: float = 21.0) -> Lines:
    return [Stroke(1, y, 29, y, HEAVY)]


# the cut end of a shoot, held upright: the bark's two sides, then the outline between them from left to right
def _shoot(end: Sequence[Point]) -> Lines:
    left, right = end[0], end[-1]
    return [*_path([(left[0], 23), *end, (right[0], 23)], 2 * PLAIN),
            Stroke(left[0], 17, left[0] - 5, 12, 2 * PLAIN), *_oval(left[0] - 6, 10.8, 1.9, 0.9, 50)]


def _clean() -> Lines:
    return [*_shoot([(11, 12), (19, 6)]), *_oval(15, 9, 5, 1.1, -37, THIN)]


def _half() -> Lines:
    return [*_shoot([(11, 11), (15, 8.5), (16, 10), (17, 6), (17.6, 9), (18.4, 2.5), (19, 8)]),
            *_path([(18.4, 2.5), (20.5, 1.5), (19.6, 4)], THIN)]


def _torn() -> Lines:
    jags = [(11, 11), (11.8, 6), (12.6, 10), (13.6, 4), (14.4, 9.5), (15.4, 5.5), (16.2, 10.5), (17.2, 3), (18, 9),
            (19, 7)]
    tips = ((11.8, 6, -1), (13.6, 4, 0.8), (15.4, 5.5, -0.6), (17.2, 3, 1))
    fibres = [Stroke(x, y, x + dx, y - 3, THIN) for x, y, dx in tips]
    return [*_shoot(jags), *fibres]


def _rough() -> Lines:
    bumps = [(11, 9), (12, 8), (12.8, 9.2), (13.8, 7.6), (14.8, 8.8), (15.8, 7.4), (16.8, 8.9), (17.8, 7.8), (19, 9.2)]
    return _shoot(bumps)


def _gnawed() -> Lines:
    cone = [(11, 14), (12, 11.5), (13, 9), (14.2, 6.5), (15, 5.4), (15.8, 6.5), (17, 9), (18, 11.5), (19, 14)]
    facets = [stroke for x, y in ((12.6, 12.4), (14.2, 10), (15.8, 12.6), (17.2, 11), (15, 7.8), (13.6, 14.2), (16.6, 14.6))
              for stroke in _oval(x, y, 0.8, 1.3, 0, THIN, 200, 340)]
    return [*_shoot(cone), *facets]


def _snapped() -> Lines:
    return _shoot([(11, 13), (12, 3), (12.8, 12), (14, 1.5), (14.8, 11), (16, 6), (16.6, 13), (18, 2.5), (19, 12)])


def _slant(degrees: float) -> Lines:
    rise = 8 * math.tan(math.radians(degrees))
    square = [Stroke(8, 9 + rise / 2, 22, 9 + rise / 2, THIN, True)] if degrees else []
    return [*_shoot([(11, 9 + rise / 2), (19, 9 - rise / 2)]), *square]


def _plant() -> Lines:
    """A small tree on the ground."""
    lines = [*_ground(19), Stroke(15, 19, 15, 2, 2 * PLAIN)]
    for y, reach in ((13, 5), (10, 4.5), (7, 3.5), (4.5, 2.2)):
        lines += [Stroke(15, y, 15 - reach, y - 2.2), Stroke(15, y - 0.8, 15 + reach, y - 3)]
    return lines


def _roots() -> Lines:
    return [Stroke(15, 19, x, y) for x, y in ((11, 22.5), (13.5, 23.4), (16.5, 23.4), (19, 22.5))]


def _ring(y: float) -> Lines:
    arrow = [Stroke(22, y, 27, y, THIN), Stroke(22, y, 23.4, y - 0.8, THIN), Stroke(22, y, 23.4, y + 0.8, THIN)]
    return [*_plant(), *_roots(), *_oval(15, y, 5.5, 1.7, 0, HEAVY), *arrow]


def _many(shape: Callable[[float, float], Lines], places: Iterable[Point]) -> Lines:
    return [stroke for x, y in places for stroke in shape(x, y)]


_SPREAD = ((6, 7), (14, 5), (22, 8), (9, 14), (18, 13), (25, 15), (14, 19))


def _rod(long: float, thick: float, x: float, y: float, pointed: bool = False) -> Lines:
    turn = (37 * x + 53 * y) % 180
    body = _oval(x, y, long / 2, thick / 2, turn)
    if not pointed:
        return body
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    return [*body, Stroke(x + long / 2 * c, y + long / 2 * s, x + (long / 2 + 1) * c, y + (long / 2 + 1) * s)]


def _below_tree() -> Lines:
    trunk = [*_ground(20), Stroke(11, 20, 12, 1, 2 * PLAIN), Stroke(18, 20, 17, 1, 2 * PLAIN)]
    return [*trunk, *_many(partial(_oval, a=1.1, b=0.8), [(20 + 2.3 * n + 1.15 * row, 19 - 1.6 * row)
                                                          for row in range(3) for n in range(4 - row)])]


def _hoof(x: float, y: float, size: float) -> Lines:
    return [*_path([(x - 0.3, y - size), (x - 0.5 * size, y - 0.2 * size), (x - 0.45 * size, y + 0.6 * size),
                    (x - 0.15 * size, y + 0.7 * size), (x - 0.1 * size, y), (x - 0.3, y - size)], 2 * PLAIN),
            *_path([(x + 0.3, y - size), (x + 0.5 * size, y - 0.2 * size), (x + 0.45 * size, y + 0.6 * size),
                    (x + 0.15 * size, y + 0.7 * size), (x + 0.1 * size, y), (x + 0.3, y - size)], 2 * PLAIN)]


def _large_hoof() -> Lines:
    dew = [stroke for x in (11.5, 18.5) for stroke in _oval(x, 21, 1.2, 0.8)]
    return [*_hoof(15, 11.5, 9.5), *dew]


def _hops() -> Lines:
    lines: Lines = []
    for x in (2, 17):
        lines += [*_oval(x + 8, 8.5, 3, 1.1, 0, 2 * PLAIN), *_oval(x + 8, 15, 3, 1.1, 0, 2 * PLAIN),
                  *_oval(x + 1.5, 11, 1, 0.8), *_oval(x + 4, 12.6, 1, 0.8)]
    return lines


def _paw(x: float, y: float, size: float) -> Lines:
    toes = [(x + size * dx, y + size * dy) for dx, dy in ((1.1, -1), (1.6, -0.35), (1.6, 0.35), (1.1, 1))]
    return [*_oval(x, y, 0.7 * size, 0.8 * size), *_many(lambda a, b: _oval(a, b, 0.35 * size, 0.25 * size), toes)]


def _tiny_paws() -> Lines:
    grass = [Stroke(x, 4 if top else 22, x + 0.8, 1 if top else 19, THIN) for x in range(2, 29, 2) for top in (True, False)]
    return [*grass, *_many(lambda x, y: _paw(x, y, 0.9), [(4, 10), (9, 14), (14, 10), (19, 14), (24, 10)])]


def _dragging() -> Lines:
    drag = _path([(1, 12), (6, 11.3), (12, 12.6), (18, 11.4), (24, 12.6), (29, 12)], HEAVY)
    return [*drag, *_many(lambda x, y: _paw(x, y, 1.7), [(4, 6), (11, 18), (17, 6), (24, 18)])]


def _patch(marks: Lines) -> Lines:
    """A piece of stem with a bare patch and the marks in it."""
    edge = [(9, 4), (11, 3), (15, 3.6), (19, 3), (21, 4.4), (20.4, 10), (21.2, 16), (20, 20.6), (15, 20), (10, 20.8),
            (8.8, 15), (9.4, 9)]
    sides = [Stroke(x, 0.5, x, 23.5, 2 * PLAIN) for x in (6, 24)]
    return [*sides, *_path(edge, PLAIN, closed=True), *marks]


def _fine() -> Lines:
    chance = np.random.default_rng(4)
    lines: Lines = []
    places = chance.uniform((10.5, 5, 0), (18.5, 18.5, 180), (34, 3))
    for x, y, turn in places.tolist():
        dx, dy = 1.1 * math.cos(math.radians(turn)), 1.1 * math.sin(math.radians(turn))
        lines.append(Stroke(x, y, x + dx, y + dy, PLAIN))
    return _patch(lines)


def _pairs() -> Lines:
    rows = [(11, 6), (14.5, 9.5), (10.8, 13), (15, 16.5), (15.5, 5), (11.5, 17.6)]
    return _patch([Stroke(x, y + side, x + 4, y - 1 + side, 2 * PLAIN) for x, y in rows for side in (0, 1.1)])


def _scratches() -> Lines:
    strips = [Stroke(x, 21.5, x + dx, 23.6, PLAIN) for x, dx in ((12, -2), (15, 0.5), (18, 2))]
    return [*_patch([Stroke(x, 5, x + 0.5, 19, THIN) for x in np.arange(10.5, 20, 1.0).tolist()]), *strips]


def _upward() -> Lines:
    tatters = _path([(9, 4), (10.5, 1), (12, 3.4), (14, 0.6), (16, 3.4), (18, 0.8), (20, 3.6)], PLAIN)
    return [*_patch([Stroke(x, 19, x + 0.4, 5, HEAVY) for x in (11, 13.4, 16, 18.6)]), *tatters]


def _crossing() -> Lines:
    rows = ((6, 1), (9.5, -0.8), (12, 1), (15.6, -1), (15, 0.9))
    return _patch([Stroke(10.4, y, 19.4, y + way * 4, HEAVY) for y, way in rows])


def _cut_off(x: float, y: float) -> Lines:
    return [Stroke(x - 1.2, y - 1.4, x + 1.2, y - 0.2, HEAVY)]


def _severed() -> Lines:
    kept = [stroke for stroke in _plant() if stroke.y2 >= 6.8]
    return [*kept, Stroke(15, 19, 15, 6.5, 2 * PLAIN), *_cut_off(15, 6.8), *_path([(23, 18.4), (26, 17), (28, 18.2)]),
            Stroke(25, 17.5, 26, 15.5)]


def _buds() -> Lines:
    tips = ((10, 10.8), (20, 9.2), (10.5, 7.8), (19.5, 6.2), (15, 2))
    return [*_plant(), *_many(_crossed_out, tips)]


def _crossed_out(x: float, y: float) -> Lines:
    return [*_oval(x, y, 1.1, 1.1, 0, THIN), Stroke(x - 0.8, y - 0.8, x + 0.8, y + 0.8),
            Stroke(x - 0.8, y + 0.8, x + 0.8, y - 0.8)]


def _leafless() -> Lines:
    leaf = partial(_oval, a=1.6, b=0.8)
    return [*_plant(), *leaf(9.4, 10.6), *leaf(20.8, 9), Stroke(10.6, 7.6, 8.8, 7, THIN), Stroke(19.5, 6.2, 21, 5.4, THIN),
            *_path([(7.6, 10), (8.6, 10.6), (8, 11.2)], PLAIN)]


def _at_ground() -> Lines:
    return [*_ground(19), Stroke(12, 19, 12, 16.6, 2 * PLAIN), *_cut_off(12, 17), Stroke(15, 18, 27, 15.5, 2 * PLAIN),
            Stroke(19, 17.2, 20, 14), Stroke(23, 16.4, 24.6, 13.4)]


def _pulled() -> Lines:
    return [*_ground(19), *_path([(8, 19), (10, 21.6), (13, 19)]), Stroke(14, 16, 26, 8, 2 * PLAIN), Stroke(19, 12.7, 19, 9),
            *[Stroke(14, 16, x, y) for x, y in ((11, 15.6), (11.6, 18), (14.4, 18.4))]]


def _trodden() -> Lines:
    return [*_ground(19), *_path([(8, 19), (10, 17.6), (16, 18), (22, 16.8)], 2 * PLAIN), Stroke(13, 17.8, 14, 15.8),
            Stroke(18, 17.6, 20, 15.2), *_hoof(16, 8, 5)]


def _stem_with(marks: Lines) -> Lines:
    return [*_ground(22), Stroke(11, 22, 11.6, 0.6, 2 * PLAIN), Stroke(19, 22, 18.4, 0.6, 2 * PLAIN), *marks]


def _bark_gnawed() -> Lines:
    edge = [(12.4, 14), (14, 12.8), (16.4, 13.6), (17.6, 15), (17, 18.6), (17.8, 20.6), (14, 20.2), (12.4, 20.8), (13, 17.4)]
    return _stem_with([*_path(edge, PLAIN, closed=True), *[Stroke(x, y, x + 0.9, y - 0.5, THIN) for x in (13.6, 15, 16.2)
                                                          for y in (15.4, 17, 18.6)]])


def _bark_stripped() -> Lines:
    strips = [stroke for x in (13.4, 15.2) for stroke in _path([(x, 6), (x - 0.4, 14), (x - 1.8, 19), (x - 3.5, 20.4)])]
    return _stem_with([*_path([(13.2, 3), (17, 4), (17.2, 15), (13, 14.6)], PLAIN, closed=True), *strips])


def _bark_rubbed() -> Lines:
    starts = ((11.6, 6, -3), (11.4, 9, -3.6), (11.4, 12, -2.8), (18.6, 7, 3), (18.6, 10, 3.6), (18.8, 13, 3))
    shreds = [Stroke(x, y, x + dx, y + 3, THIN) for x, y, dx in starts]
    return _stem_with([*shreds, Stroke(13, 5, 13, 15, THIN), Stroke(15, 4.4, 15, 15.6, THIN), Stroke(17, 5, 17, 15, THIN)])


def _broken() -> Lines:
    return [*_ground(21), Stroke(12, 21, 12, 12, 2 * PLAIN), Stroke(15, 21, 15, 12, 2 * PLAIN),
            *_path([(12, 12), (12.6, 8), (13.4, 11.6), (14.2, 7), (15, 12)], 2 * PLAIN), Stroke(15, 11, 26, 17, 2 * PLAIN),
            Stroke(14.2, 8.6, 27, 14.6, 2 * PLAIN)]


def _root_cut() -> Lines:
    return [*_ground(11), Stroke(15, 11, 15, 2, 2 * PLAIN), Stroke(15, 7, 11, 5), Stroke(15, 6, 19, 4),
            Stroke(15, 11, 11, 15, 2 * PLAIN), Stroke(15, 11, 15.4, 16, 2 * PLAIN), Stroke(15, 11, 19, 14.6, 2 * PLAIN),
            *_cut_off(11, 15.8), *_cut_off(15.4, 16.8), *_cut_off(19, 15.4), Stroke(8, 18.6, 7, 20),
            Stroke(16, 19, 16.4, 22)]


def _gone() -> Lines:
    return [*_ground(19), *_path([(12, 19), (13.6, 20.6), (16.4, 20.6), (18, 19)]),
            *[Stroke(s.x1, s.y1, s.x2, s.y2, THIN, True) for s in _plant() if s.y1 < 19]]


def _shoots_taken(leader: bool, sides: bool) -> Lines:
    """A young tree; what was taken off it is dashed, and a heavy stroke crosses each cut."""
    lines = [*_ground(22), Stroke(15, 22, 15, 7.4, 2 * PLAIN)]
    lines += ([Stroke(15, 6.6, 15, 1, PLAIN, True), Stroke(13.6, 7, 16.4, 7, HEAVY)] if leader else
              [Stroke(15, 7.4, 15, 1, 2 * PLAIN)])
    for y, reach in ((18, 10.0), (14, 8.6), (10, 6.4)):
        for way in (-1, 1):
            x1, y1, y2 = 15 + way * 0.45 * reach, y - 0.45 * 3.6, y - 3.6
            if sides:
                lines += [Stroke(15, y, x1, y1), Stroke(x1 + way * 0.6, y1 - 0.25, 15 + way * reach, y2, THIN, True),
                          Stroke(x1 - way * 0.35, y1 - 1, x1 + way * 0.35, y1 + 1, HEAVY)]
            else:
                lines += [Stroke(15, y, 15 + way * reach, y2), Stroke(x1, y1, x1 + way * 2.6, y1 + 0.6, THIN)]
    return lines


def _three_kinds(taken: Collection[int]) -> Lines:
    """A conifer, a broadleaf and a shrub side by side; those that were taken are dashed, their tops cut off."""
    lines = [*_ground(20)]
    for number, x in enumerate((5.0, 15.0, 25.0)):
        gone = number in taken
        width = THIN if gone else PLAIN
        lines.append(Stroke(x, 20, x, 13 if gone else 4, 2 * PLAIN))
        shape = (_path([(x, 3), (x - 4, 16), (x + 4, 16)], width, closed=True) if number == 0 else
                 _path([(x + 4.2 * math.sin(a), 9 - 6.2 * math.cos(a)) for a in np.linspace(0, 5.5, 8).tolist()], width,
                       closed=True)
                 if number == 1 else
                 [stroke for dx in (-3.6, -1.8, 1.8, 3.6) for stroke in _path([(x, 18), (x + dx, 8 - abs(dx) / 2)], width)])
        lines += [Stroke(s.x1, s.y1, s.x2, s.y2, s.width, gone) for s in shape]
        if gone:
            lines.append(Stroke(x - 1.6, 13, x + 1.6, 13, HEAVY))
    return lines


def _person(x: float) -> Lines:
    """A grown-up on the ground at y = 22, for scale: the hip lies at y = 15.6."""
    return [*_oval(x, 10, 1.1, 1.2), Stroke(x, 11.2, x, 16), Stroke(x, 12.6, x - 1.8, 15.2), Stroke(x, 12.6, x + 1.8, 15.2),
            Stroke(x, 16, x - 1.4, 22), Stroke(x, 16, x + 1.4, 22)]


_LEAVES = ((0, 0.3), (-0.4, 0.55), (0.4, 0.6), (-0.1, 0.8), (0.5, 0.88), (-0.6, 0.86))  # in a crown, as shares of it


def _leaves_above(line: float | None) -> Lines:
    """Two trees in leaf, bare up to a line [mm from the top], or in leaf to the ground."""
    lines, foot = [*_ground(22), *_person(26.4)], 20.8 if line is None else line
    for x, top, wide in ((6, 2.6, 4.4), (16, 1, 4.8)):
        rise = np.linspace(foot, top, 7).tolist()
        left = [(x - wide * math.cos(0.5 * math.pi * n / 6) ** 0.6, y) for n, y in enumerate(rise)]
        outline = [*left[:-1], (x, top), *[(2 * x - a, b) for a, b in reversed(left[:-1])]]
        lines += [Stroke(x, 22, x, foot, 2 * PLAIN), *_path(outline, PLAIN, closed=True)]
        lines += _many(lambda a, b: _oval(a, b, 0.7, 0.35, 30, THIN), [(x + dx * wide, top + dy * (foot - top))
                                                                      for dx, dy in _LEAVES])
        if line is not None:
            lines += [Stroke(x, y, x + side * 2.6, y - 1, THIN) for y in (foot + 2, foot + 4, foot + 7) if y < 21
                      for side in (-1, 1)]
    return lines if line is None else [*lines, *_path([(0.8, foot), (22.8, foot)], HEAVY)]


def _hedged() -> Lines:
    """A low, dense and rounded plant, its twigs short and forked."""
    lines = [*_ground(19), Stroke(15, 19, 15, 15.5, 2 * PLAIN), *_oval(15, 12.2, 8.2, 6, 0, THIN)]
    for turn in range(-80, 81, 20):
        across, up = math.sin(math.radians(turn)), math.cos(math.radians(turn))
        x, y = 15 + 7.4 * across, 14.6 - 7.4 * up * (1 if abs(turn) < 70 else 0.8)
        lines.append(Stroke(15, 15.5, x, y))
        for part in (0.55, 0.8):
            xm, ym = 15 + part * (x - 15), 15.5 + part * (y - 15.5)
            lines += [Stroke(xm, ym, xm + 1.3 * math.sin(way), ym - 1.3 * math.cos(way))
                      for way in (math.radians(turn - 35), math.radians(turn + 35))]
    return lines


def _guard(lean: float = 0.0, gap: bool = False, ground: bool = True) -> Lines:
    """A mesh guard round a small plant, leaning by so much at its top [mm]; with a gap bitten into it."""
    left, right, top, foot = 10.0, 20.0, 7.0, 19.0

    def at(x: float, y: float) -> Point:
        return x + lean * (foot - y) / (foot - top), y + 0.12 * abs(lean) * (foot - y) / (foot - top)

    def wire(x1: float, y1: float, x2: float, y2: float, width: float = THIN) -> Stroke:
        return Stroke(*at(x1, y1), *at(x2, y2), width)

    def whole(x: float, y: float) -> bool:
        return not (gap and 11.5 <= x < 16.5 and 11 <= y < 17)

    ups, downs = np.arange(left, right + 0.1, 2.5).tolist(), np.arange(top, foot + 0.1, 3.0).tolist()
    mesh = [wire(x, y, x, y + 3) for x in ups[1:-1] for y in downs[:-1] if whole(x, y + 1.5)]
    mesh += [wire(x, y, x + 2.5, y) for y in downs[1:-1] for x in ups[:-1] if whole(x + 1.25, y)]
    frame = [wire(left, top, right, top), wire(left, top, left, foot, 2 * PLAIN), wire(right, top, right, foot, 2 * PLAIN)]
    plant = [wire(15, foot, 15, 2, 2 * PLAIN), wire(15, 6, 11.5, 4), wire(15, 5, 18.5, 3)]
    edge = [wire(x1, y1, x2, y2, PLAIN) for (x1, y1), (x2, y2) in pairwise(
        [(11.6, 13), (12.6, 11.2), (14.4, 11.8), (16.2, 11), (16.6, 13.4), (16, 15), (16.7, 16.6), (14.6, 16.2), (12.4, 17),
         (12.8, 15), (11.6, 13)])] if gap else []
    return [*(_ground(19) if ground else ()), *plant, *mesh, *frame, *edge]


def _dug_under() -> Lines:
    hole = [(4.5, 19), (6.5, 21.6), (9.5, 22.8), (13, 22.4), (14.4, 20.6), (14.6, 19)]
    heap = _path([(0.6, 19), (1.6, 17.2), (3, 16.8), (4.5, 19)], 2 * PLAIN)
    return [*_guard(ground=False), *_path(hole, 2 * PLAIN), *heap, Stroke(14.6, 19, 29, 19, HEAVY)]


def _over() -> Lines:
    """Snow up to the guard's top on one side, and the way over it."""
    snow = _path([(0.5, 9), (4, 8), (7, 7.6), (9.6, 7.4)], 2 * PLAIN)
    flakes = [stroke for x, y in ((3, 12), (6.4, 14.6), (3.6, 16.6), (7.6, 10.6)) for stroke in (
        Stroke(x - 0.6, y, x + 0.6, y, THIN), Stroke(x, y - 0.6, x, y + 0.6, THIN))]
    way = _path([(5, 5.4), (7.4, 3.8), (10, 3.6), (12, 4.8), (13, 6.4)], PLAIN)
    return [*_guard(), *snow, *flakes, *way, Stroke(13, 6.4, 11.6, 5.9), Stroke(13, 6.4, 13.3, 4.9)]


_DRAWN: Mapping[str, Mapping[str, Callable[[], Lines]]] = {
    "wound": {
        "severed_shoot": _severed, "buds_or_needles_eaten": _buds, "leaves_stripped": _leafless, "cut_at_ground": _at_ground,
        "pulled_out": _pulled, "trampled": _trodden, "bark_gnawed": _bark_gnawed, "bark_stripped": _bark_stripped,
        "bark_rubbed": _bark_rubbed, "stem_broken": _broken, "root_cut": _root_cut, "plant_gone": _gone,
        "none_found": _plant,
    },
    "cut_form": {"clean": _clean, "half": _half, "torn": _torn, "rough": _rough, "gnawed": _gnawed, "snapped": _snapped},
    "cut_slant": {"square": partial(_slant, 0), "between": partial(_slant, 22), "slanting": partial(_slant, 50)},
    "position": {
        "below_ground": partial(_ring, 21.6), "base": partial(_ring, 17.8), "low": partial(_ring, 14.6),
        "middle": partial(_ring, 11), "high": partial(_ring, 7), "crown": partial(_ring, 3.2),
    },
    "groove_look": {
        "none": lambda: _patch([]), "fine_many_angles": _fine, "even_pairs": _pairs, "narrow_scratches": _scratches,
        "broad_upward": _upward, "broad_crossing": _crossing,
    },
    "which_shoots": {
        "leader": partial(_shoots_taken, True, False), "sides": partial(_shoots_taken, False, True),
        "both": partial(_shoots_taken, True, True),
    },
    "plants_taken": {"one_kind": partial(_three_kinds, (1,)), "all_kinds": partial(_three_kinds, (0, 1, 2))},
    "browse_line": {
        "none": partial(_leaves_above, None), "low": partial(_leaves_above, 16.6), "high": partial(_leaves_above, 10.4),
    },
    "plant_shape": {"not_hedged": _plant, "hedged": _hedged},
    "guard_state": {
        "whole": _guard, "bitten": partial(_guard, gap=True), "pushed": partial(_guard, 8.0), "dug_under": _dug_under,
        "over": _over,
    },
    "droppings": {
        "round_pea": lambda: _many(lambda x, y: _oval(x, y, 3.5, 3.5), ((5, 6), (14, 4.6), (23, 7), (9, 15), (19, 16))),
        "round_larger": lambda: _many(lambda x, y: [*_oval(x, y, 6, 4.6), *_oval(x, y, 3.6, 2.4, 20, THIN, 20, 160)],
                                      ((8, 7), (21, 13))),
        "oval_pellets": lambda: _many(partial(_rod, 14, 8, pointed=True), ((7, 6), (22, 6), (13, 17))),
        "large_pellets": lambda: _many(partial(_rod, 26, 17), ((14.5, 11),)),
        "tiny_rods": lambda: _many(partial(_rod, 4.5, 1.8), _SPREAD),
        "rods_12mm": lambda: _many(partial(_rod, 12, 4.5, pointed=True), ((6, 7), (15, 8), (23, 7), (15, 17))),
        "heap_below_tree": _below_tree,
    },
    "tracks": {
        "small_hoof": lambda: [*_hoof(9, 13, 5), *_hoof(21, 10, 5)], "large_hoof": _large_hoof, "hopping": _hops,
        "tiny_paws": _tiny_paws, "dragging": _dragging,
    },
}
