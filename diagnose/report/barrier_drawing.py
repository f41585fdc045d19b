"""How does a barrier look to scale, with its dimensions, and where on the boundary does its fence line run?

A drawing is a list of lines and words in millimetres of paper (x right, y down), so that the same drawing becomes
SVG and PDF. A dimension keeps the length that it states, in millimetres of the world, beside the one it is drawn at.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from diagnose.figures import length
from diagnose.protect.barriers import LIP_MM, RAIL_MM, Part, catalogue, is_live, wires
from diagnose.protect.fence import posts_of
from diagnose.protect.ground import Ground
from diagnose.protect.materials import dimensions
from diagnose.protect.planting import Planting

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

POINT = 72 / 25.4  # points in a millimetre
THIN, PLAIN, HEAVY = 0.13, 0.25, 0.5  # line widths [mm], a series of ISO 128
TEXT_MM = 2.5  # height of letters, of the series of ISO 3098
GATE_MM = 3.0  # between the two posts of a gate on the drawn boundary, on paper; our choice
ROOM_MM = (170.0, 105.0)
SCALES = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000)  # of ISO 5455
BARE_STEM_MM = 40.0  # how wide a wrap without a width of its own is drawn
HALO_MM = 0.8  # of white round letters; our choice
WIDE_LETTER = 0.45  # width of a letter in its height, about
MOST_HEIGHTS = 8  # of wires that one line of words has room for
LEAST_MESH_MM = 0.8  # closer lines on paper would run together


@dataclass(frozen=True)
class Stroke:
    """A straight line on paper, x right, y down.

    Parameters
    ----------
    x1, y1, x2, y2, width
        Its ends, and how thick it is [mm].
    dash
        Is it dashed? [no unit]
    """

    x1: float
    y1: float
    x2: float
    y2: float
    width: float = PLAIN
    dash: bool = False


@dataclass(frozen=True)
class Words:
    """Words on paper, x right, y down.

    Parameters
    ----------
    x, y, size
        Where they stand, and the size of type [mm].
    text, anchor, turned
        The words; start, middle or end; do they run upwards? [no unit]
    """

    x: float
    y: float
    text: str
    anchor: str = "middle"  # start, middle, end
    turned: bool = False
    size: float = TEXT_MM


@dataclass(frozen=True)
class Dimension:
    """A length of the world and the stroke that shows it.

    Parameters
    ----------
    name
        What it is called [no unit].
    world_mm
        The length [mm].
    stroke
        On paper [mm].
    """

    name: str
    world_mm: float
    stroke: Stroke


@dataclass(frozen=True)
class Drawing:
    """A drawing to scale.

    Parameters
    ----------
    title, scale
        What is drawn, and 1 to this [no unit].
    width, height
        Of the paper that it needs [mm].
    strokes, words, dimensions
        On paper [mm].
    """

    title: str
    scale: int
    width: float
    height: float
    strokes: tuple[Stroke, ...]
    words: tuple[Words, ...]
    dimensions: tuple[Dimension, ...]

    def as_svg(self) -> str:
        """The drawing as SVG, sized in millimetres."""
        lines = [f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width:g}mm" height="{self.height:g}mm" '
                 f'viewBox="0 0 {self.width:g} {self.height:g}" font-family="Helvetica, Arial, sans-serif">',
                 f"<title>{escape(self.title)}</title>"]
        for s in self.all_strokes():
            dash = ' stroke-dasharray="2 1"' if s.dash else ""
            lines.append(f'<line x1="{s.x1:.3f}" y1="{s.y1:.3f}" x2="{s.x2:.3f}" y2="{s.y2:.3f}" stroke="black" '
                         f'stroke-width="{s.width:g}"{dash}/>')
        for w in self.words:
            turn = f' transform="rotate(-90 {w.x:.3f} {w.y:.3f})"' if w.turned else ""
            lines.append(f'<text x="{w.x:.3f}" y="{w.y:.3f}" font-size="{w.size:g}" text-anchor="{w.anchor}" stroke="white" '
                         f'stroke-width="{HALO_MM:g}" paint-order="stroke"{turn}>{escape(w.text)}</text>')
        return "\n".join([*lines, "</svg>"])

    def put_on(self, canvas: Canvas, left_mm: float, bottom_mm: float) -> None:
        """Draws it on a PDF page, its lower left corner at this place [mm].

        Parameters
        ----------
        canvas
            Of reportlab, drawn on [no unit].
        left_mm
            Left edge on the page [mm].
        bottom_mm
            Lower edge on the page [mm].
        """
        canvas.saveState()
        canvas.translate(left_mm * POINT, (bottom_mm + self.height) * POINT)
        for s in self.all_strokes():
            canvas.setLineWidth(s.width * POINT)
            canvas.setDash([2 * POINT, POINT] if s.dash else [])
            canvas.line(s.x1 * POINT, -s.y1 * POINT, s.x2 * POINT, -s.y2 * POINT)
        for w in self.words:
            canvas.saveState()
            canvas.setFont("Helvetica", w.size * POINT)
            canvas.translate(w.x * POINT, -w.y * POINT)
            canvas.rotate(90 if w.turned else 0)
            write = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}[w.anchor]
            canvas.setStrokeGray(1)
            canvas.setLineWidth(HALO_MM * POINT)
            canvas.setDash([])
            for mode in (1, 0):  # white round the letters, so that no line runs through them
                write(0, 0, w.text, mode=mode)
            canvas.restoreState()
        canvas.restoreState()

    def all_strokes(self) -> Iterator[Stroke]:
        """The drawing's own strokes, then those of the dimensions with their ticks."""
        yield from self.strokes
        for dimension in self.dimensions:
            yield dimension.stroke
            yield from _ticks(dimension.stroke)


class _Sheet:
    """Collects what is drawn, in millimetres of the world; y is up from the ground, x from the drawing's left edge."""

    def __init__(self, scale: int, left: float, ground: float, inches: bool):
        self.scale, self.left, self.ground, self.inches = scale, left, ground, inches
        self.strokes: list[Stroke] = []
        self.words: list[Words] = []
        self.dimensions: list[Dimension] = []

    def at(self, x: float, y: float) -> tuple[float, float]:
        return self.left + x / self.scale, self.ground - y / self.scale

    def line(self, x1: float, y1: float, x2: float, y2: float, width: float = PLAIN, dash: bool = False) -> None:
        self.strokes.append(Stroke(*self.at(x1, y1), *self.at(x2, y2), width, dash))

    def say(self, x: float, y: float, text: str, anchor: str = "start") -> None:
        self.words.append(Words(*self.at(x, y), text, anchor))

    def fits(self, name: str, low: float, high: float) -> bool:
        """Is a dimension long enough on paper for its words?"""
        return (high - low) / self.scale > WIDE_LETTER * TEXT_MM * len(f"{name} {length(high - low, self.inches)}")

    def upright(self, name: str, x: float, low: float, high: float, off_mm: float) -> None:
        """A dimension from low to high, drawn off_mm of paper to the right of x."""
        (x1, y1), (_, y2) = self.at(x, low), self.at(x, high)
        self.dimensions.append(Dimension(name, high - low, Stroke(x1 + off_mm, y1, x1 + off_mm, y2, THIN)))
        for y in (y1, y2):
            self.strokes.append(Stroke(x1 + 1, y, x1 + off_mm + 1.5, y, THIN))
        text = f"{name} {length(high - low, self.inches)}"
        if self.fits(name, low, high):
            self.words.append(Words(x1 + off_mm - 1, (y1 + y2) / 2, text, turned=True))
        else:  # too short for its words, which stand beside it
            self.words.append(Words(x1 + off_mm + math.copysign(2, off_mm), (y1 + y2) / 2 + 0.9, text,
                                    "start" if off_mm > 0 else "end"))

    def level(self, name: str, left: float, right: float, y: float, off_mm: float) -> None:
        """A dimension from left to right, drawn off_mm of paper below y."""
        (x1, y1), (x2, _) = self.at(left, y), self.at(right, y)
        self.dimensions.append(Dimension(name, right - left, Stroke(x1, y1 + off_mm, x2, y1 + off_mm, THIN)))
        for x in (x1, x2):
            self.strokes.append(Stroke(x, y1 + 1, x, y1 + off_mm + 1.5, THIN))
        text = f"{name} {length(right - left, self.inches)}"
        if x2 - x1 > WIDE_LETTER * TEXT_MM * len(text):
            self.words.append(Words((x1 + x2) / 2, y1 + off_mm - 1, text))
        else:
            self.words.append(Words(x2 + 2.5, y1 + off_mm + 0.9, text, "start"))

    def mesh(self, left: float, right: float, low: float, high: float, opening: float) -> None:
        """Mesh lines at their true opening, or as close as paper can show."""
        step = max(opening, LEAST_MESH_MM * self.scale)
        for count in range(1, math.ceil((right - left) / step)):
            self.line(left + count * step, low, left + count * step, high, THIN)
        for count in range(1, math.ceil((high - low) / step)):
            self.line(left, low + count * step, right, low + count * step, THIN)

    def box(self, left: float, right: float, low: float, high: float, width: float = HEAVY) -> None:
        self.line(left, low, left, high, width)
        self.line(right, low, right, high, width)
        self.line(left, high, right, high, width)
        self.line(left, low, right, low, width)

    def done(self, title: str, width: float, height: float) -> Drawing:
        return Drawing(title, self.scale, width, height, tuple(self.strokes), tuple(self.words), tuple(self.dimensions))


def draw_barrier(place: Planting, part: Part, inches: bool = False,
                 room_mm: tuple[float, float] = ROOM_MM) -> Drawing | None:
    """The barrier from the side, to scale, with the plan's own dimensions; None for what has no shape, as a spray.

    room_mm : paper that it may take, width and height [mm].

    Parameters
    ----------
    place
        The planting [no unit].
    part
        The part of the plan that is drawn [no unit].
    inches
        Are lengths told in inches and feet, else in millimetres? [no unit]
    room_mm
        Width and height that there is on the page [mm].
    """
    built = dimensions(place, part)
    if wires(part) and not part.width_mm and is_live(part):
        return _draw_section(part, built, inches, room_mm)
    if part.round_the_planting:
        return _draw_line(part, built, inches, room_mm)
    return _draw_at_tree(part, built, inches, room_mm) if part.top_mm > 0 else None


def draw_boundary(ground: Ground, inches: bool = False, room_mm: tuple[float, float] = ROOM_MM, gates: int = 0) -> Drawing:
    """The boundary from above, north up, each side with its length, and its gates.

    Nobody says where the gates are: they are drawn on the longest sides in turn, a third along, to be moved.

    Parameters
    ----------
    ground
        The planting's boundary [m].
    inches
        Are lengths told in inches and feet, else in millimetres? [no unit]
    room_mm
        Width and height that there is on the page [mm].
    gates
        Gates in the fence [no unit].
    """
    xs, ys = zip(*ground.corners_m, strict=True)
    wide, tall = (max(xs) - min(xs)) * 1000, (max(ys) - min(ys)) * 1000
    scale = _scale(wide / (room_mm[0] - 50), tall / (room_mm[1] - 28))
    sheet = _Sheet(scale, 25.0, 10.0 + tall / scale, inches)
    spots = [((x - min(xs)) * 1000, (y - min(ys)) * 1000) for x, y in ground.corners_m]
    for number, ((x1, y1), (x2, y2)) in enumerate(zip(spots, [*spots[1:], spots[0]], strict=True)):
        sheet.line(x1, y1, x2, y2, HEAVY)
        side = ground.sides_m[number] * 1000
        sheet.dimensions.append(Dimension(f"side {number + 1}", side, Stroke(*sheet.at(x1, y1), *sheet.at(x2, y2), THIN)))
        (px, py) = sheet.at((x1 + x2) / 2, (y1 + y2) / 2)
        out = _outward(spots, x1, y1, x2, y2)
        anchor = "middle" if abs(out[0]) < 0.5 else ("start" if out[0] > 0 else "end")
        sheet.words.append(Words(px + 2 * out[0], py - 3.5 * out[1] + 0.9, _ground_length(side, inches), anchor))
    sides = sorted(range(len(spots)), key=lambda number: -ground.sides_m[number])
    for gate in range(gates):
        side = sides[gate % len(sides)]
        along = (gate // len(sides) + 1) / (2 + math.ceil(gates / len(sides)))
        (x1, y1), (x2, y2) = spots[side], spots[(side + 1) % len(spots)]
        (px, py), out = sheet.at(x1 + along * (x2 - x1), y1 + along * (y2 - y1)), _outward(spots, x1, y1, x2, y2)
        for way in (-GATE_MM / 2, GATE_MM / 2):  # two posts across the line; y of the paper runs down, that of the land up
            at_x, at_y = px + way * abs(out[1]), py + way * abs(out[0])
            sheet.strokes.append(Stroke(at_x - 1.2 * out[0], at_y + 1.2 * out[1], at_x + 1.2 * out[0], at_y - 1.2 * out[1],
                                        HEAVY))
        anchor = "middle" if abs(out[0]) < 0.5 else ("end" if out[0] > 0 else "start")
        sheet.words.append(Words(px - 2.5 * out[0], py + 3.5 * out[1] + 0.9, "gate", anchor))
    foot = 10.0 + tall / scale + 12
    round_it = _ground_length(ground.perimeter_m * 1000, inches)
    note = f"north is up; scale 1 : {scale}; {round_it} round" + (
        f"; {gates} gate{'s' * (gates > 1)}, to be set where the way comes in" if gates else "")
    sheet.words.append(Words(25.0, foot, note, "start"))
    return sheet.done("The fence line on the boundary", room_mm[0], foot + 3)


def draw_brace(place: Planting, part: Part, inches: bool = False, room_mm: tuple[float, float] = ROOM_MM) -> Drawing | None:
    """A corner or gate post with its brace, one direction of pull, to scale; None for a fence without braces.

    The tie runs from the foot of the anchor to the head of the brace post, against the pull of the fence (BRACE-8, ME382).

    Parameters
    ----------
    place
        The planting [no unit].
    part
        The part of the plan that is drawn [no unit].
    inches
        Are lengths told in inches and feet, else in millimetres? [no unit]
    room_mm
        Width and height that there is on the page [mm].
    """
    if not part.round_the_planting:
        return None
    posts, built = posts_of(place, part), dimensions(place, part)
    if not posts.pulls:
        return None
    head, depth, across = posts.end_length_mm - posts.end_depth_mm, posts.end_depth_mm, posts.cross_mm
    scale = _scale((across + 1500) / (room_mm[0] - 90), (head + depth) / (room_mm[1] - 30))
    sheet = _Sheet(scale, 45.0, 8.0 + head / scale, inches)
    sheet.line(-25 * scale, 0, across + 1200, 0, HEAVY)
    thick = built.get("end post thickness", 60.0)
    sheet.box(-thick / 2, thick / 2, -depth, head)
    sheet.words.append(Words(*sheet.at(0, head + scale), "anchor", "middle"))
    if posts.brace_posts == 2:
        sheet.box(across - thick / 2, across + thick / 2, -depth, head)
        sheet.words.append(Words(*sheet.at(across, head + scale), "brace post", "middle"))
        up = posts.cross_at_mm
        sheet.box(thick / 2, across - thick / 2, up - 50, up + 50, PLAIN)
        sheet.line(thick / 2, 100, across - thick / 2, up, PLAIN, dash=True)
        sheet.say(across / 2, up + 80, "cross-member", "middle")
        sheet.say(across * 0.62, up * 0.42, "tie wire")
        sheet.upright("brace height", across, 0, up, 12)
    else:
        sheet.line(across, 0, 0, head * 0.75, 0.8)
        sheet.say(across * 0.55, head * 0.45, "strut")
    sheet.upright("end post", 0, -depth, head, -14)
    sheet.upright("end post depth", 0, -depth, 0, -24)
    sheet.level("brace length", 0, across, -depth, 7)
    (x1, y1), (x2, _) = sheet.at(across + 300, head * 0.9), sheet.at(across + 1100, head * 0.9)
    sheet.strokes += [Stroke(x1, y1, x2, y1, HEAVY), *(Stroke(x2 - 1.6, y1 + side, x2, y1, HEAVY) for side in (-0.9, 0.9))]
    sheet.words.append(Words(x2 + 1.5, y1 + 0.9, "pull of the fence", "start"))
    foot = sheet.ground + depth / scale + 14
    sheet.words.append(Words(8.0, foot, f"scale 1 : {scale}; one such brace against each of {posts.pulls} directions of "
                                        f"pull "
                                        "(corners, both sides of gates, long sides)", "start"))
    return sheet.done(f"Brace of the {part.name}", room_mm[0], foot + 3)


def _draw_at_tree(part: Part, built: dict[str, float], inches: bool, room_mm: tuple[float, float]) -> Drawing:
    top, across = built["top"], built.get("across", 0.0)
    below = max(built.get("in the ground", 0.0), built.get("stake depth", 0.0), built.get("post depth", 0.0))
    across_drawn = across or BARE_STEM_MM
    tall = max(top * 1.12, built.get("stake length", 0.0) - built.get("stake depth", 0.0)) + below
    scale = _scale(across_drawn / (room_mm[0] - 140), tall / (room_mm[1] - 24))
    sheet = _Sheet(scale, 55.0, 8.0 + (tall - below) / scale, inches)
    sheet.line(-35 * scale, 0, across_drawn + 75 * scale, 0, HEAVY)
    sheet.say(across_drawn + 75 * scale, scale, "ground", "end")
    middle = across_drawn / 2
    sheet.line(middle, 0, middle, top * 1.08, PLAIN)  # the stem
    burial = built.get("in the ground", 0.0)
    if not part.sides:
        sheet.box(0, across_drawn, -burial, top)
    if "opening" in built and (part.backed or not part.sides):
        sheet.mesh(0, across_drawn, -burial, top, built["opening"])
    sheet.upright("top", across_drawn, 0, top, 10)
    if burial:
        sheet.upright("in the ground", across_drawn, -burial, 0, 18)
    if "stake length" in built:
        head = built["stake length"] - built["stake depth"]
        for x in (0, across_drawn) if catalogue()[part.key]["stakes"][0] > 1 else (0,):
            sheet.line(x, -built["stake depth"], x, head, 0.8)
        for name in ("upper tie", "lower tie"):
            if name in built:
                sheet.line(-across_drawn * 0.4, built[name], across_drawn, built[name], HEAVY)
        sheet.upright("stake", 0, -built["stake depth"], head, -10)
        sheet.upright("stake depth", 0, -built["stake depth"], 0, -18)
    if part.sides:
        for x in (0, across):
            sheet.line(x, -built["post depth"], x, top, 0.8)
        for rail in range(1, part.rails + 1):
            up = top * rail / part.rails
            sheet.box(0, across, up - RAIL_MM, up, PLAIN)
        sheet.upright("post depth", 0, -built["post depth"], 0, -18)
    if across:
        sheet.level("across", 0, across, -below, 7)
    foot = sheet.ground + below / scale + 13
    notes = [f"scale 1 : {scale}"]
    notes += [f"true opening at most {length(built['opening'], inches, 'most')}"] if "opening" in built else []
    notes += [f"{part.sides} sides, {part.rails} rails each; posts {length(built['post thickness'], inches)} thick, "
              f"{length(built['post length'], inches)} long"
              ] if part.sides else []
    notes += [f"ties {length(built['lower tie'], inches)} and {length(built['upper tie'], inches)} up"
              ] if "upper tie" in built else []
    notes += [f"cut {length(built['cut length'], inches)} of mesh a piece"] if "cut length" in built else []
    if "stake length" in built and abs(built["stake length"] - built["stake depth"] - top + LIP_MM) < 1:
        notes.append(f"stakes end {length(LIP_MM, inches)} below the top")
    sheet.words.append(Words(8.0, foot, "; ".join(notes), "start"))
    return sheet.done(part.name, room_mm[0], foot + 3)


def _draw_line(part: Part, built: dict[str, float], inches: bool, room_mm: tuple[float, float]) -> Drawing:
    spacing, depth = built["post spacing"], max(built["post depth"], built.get("in the ground", 0.0))
    head = built["post length"] - built["post depth"]
    scale = _scale(spacing / (room_mm[0] - 90), (head + depth) / (room_mm[1] - 30))
    sheet = _Sheet(scale, 20.0, 8.0 + head / scale, inches)
    sheet.line(-10 * scale, 0, spacing + 3 * scale, 0, HEAVY)
    sheet.say(-1.5 * scale, scale, "ground", "end")
    for x in (0.0, spacing):
        sheet.line(x, -built["post depth"], x, head, 0.8)
    low = built.get("bottom gap", 0.0) - built.get("in the ground", 0.0)
    mesh = min(built["top"], built["mesh width"]) if "mesh width" in built and not built.get(
        "in the ground") else built["top"]
    strung = [] if "mesh width" in built else [wire["height_mm"] for wire in wires(part)]
    for height in strung:
        sheet.line(0, height, spacing, height, PLAIN)
    if not strung:
        sheet.box(0, spacing, low, mesh, PLAIN)
        sheet.mesh(0, spacing, low, mesh, built.get("opening", 0.0))
    plain = [(name, height) for name, height in built.items() if name.startswith("plain wire")]
    for _, height in plain:
        sheet.line(0, height, spacing, height, PLAIN)
    below = "in the ground" if "in the ground" in built else "post depth"
    told = [("top", 0.0, built["top"]), ("post", -built["post depth"], head), (below, -built[below], 0.0)]
    told += [("mesh width", 0.0, built["mesh width"])] if plain else []
    # those whose words stand beside them go outside, or the words would cross the next one's line
    outside = sorted(told, key=lambda one: (not sheet.fits(*one), one[0] == "top"))
    for place, (name, low, high) in enumerate(outside):
        sheet.upright(name, spacing, low, high, 10 + 8 * place)
    sheet.level("post spacing, at most", 0, spacing, -depth, 7)
    foot = sheet.ground + depth / scale + 13
    notes = [f"scale 1 : {scale}"]
    heights = [length(height, inches) for height in strung]
    up = ", ".join(heights) if len(heights) <= MOST_HEIGHTS else f"{heights[0]} to {heights[-1]}"
    notes += [f"{len(strung)} wires, {up} up"] if strung else []
    for name, words, bound in (("opening", "true opening at most", "most"), ("bottom gap", "bottom gap at most", "most"),
                               ("out-turn", "out-turn at the foot", "least"), ("post thickness", "posts thick", "")):
        if name in built and not (strung and name in ("opening", "bottom gap")):  # the wires' heights say both
            notes.append(f"{words} {length(built[name], inches, bound)}")
    notes += [f"{len(plain)} plain wires above the mesh"] if plain else []
    sheet.words.append(Words(8.0, foot, "; ".join(notes), "start"))
    return sheet.done(part.name, room_mm[0], foot + 3)


def _draw_section(part: Part, built: dict[str, float], inches: bool, room_mm: tuple[float, float]) -> Drawing:
    """A fence of wires seen along the line: posts, and each wire as a cross."""
    facts = catalogue()[part.key]
    apart, depth, head = built.get("between planes", 0.0), built["post depth"], built["post length"] - built["post depth"]
    lean = math.tan(math.radians(facts.get("slant_deg", [0])[0]))
    reach = max(wire["height_mm"] for wire in wires(part)) * lean
    scale = _scale((apart + reach) / (room_mm[0] - 120), (head + depth) / (room_mm[1] - 30))
    sheet = _Sheet(scale, 55.0, 8.0 + head / scale, inches)
    sheet.line(-45 * scale, 0, apart + reach + 20 * scale, 0, HEAVY)
    sheet.say(-44 * scale, scale, "ground")
    for x in {0.0, apart}:
        sheet.line(x - depth * lean, -depth, x + reach, reach / lean if lean else head, 0.8)
    last = {1: -math.inf, 2: -math.inf}  # height of each plane's last words [mm of paper]
    for wire in sorted(wires(part), key=lambda wire: wire["height_mm"]):
        up = wire["height_mm"]
        x = (apart if wire["plane"] == 2 else 0.0) + up * lean
        for way in (-1, 1):
            sheet.line(x - 1.2 * scale, up - way * 1.2 * scale, x + 1.2 * scale, up + way * 1.2 * scale, HEAVY)
        last[wire["plane"]] = words = max(up / scale - 0.9, last[wire["plane"]] + 1.25 * TEXT_MM)
        sheet.say(x - 2.5 * scale, words * scale, f"{wire['state']} {length(up, inches)}", "end")
    edge = apart + reach
    sheet.upright("top", edge, 0, built["top"], 32)
    if not lean:
        sheet.upright("post", edge, -depth, head, 40)
    sheet.upright("post depth", edge, -depth, 0, 48)
    if apart:
        sheet.level("between planes", 0, apart, -depth, 7)
        sheet.words.append(Words(*sheet.at(0, head + 2 * scale), "outer plane", "end"))
        sheet.words.append(Words(*sheet.at(apart, head + 2 * scale), "inner plane", "start"))
    foot = sheet.ground + depth / scale + 14
    note = f"scale 1 : {scale}; seen along the line; posts at most {length(built['post spacing'], inches, 'most')} apart"
    note += "; an insulator between each live wire and each post"
    note += "; off: under snow, on a switch of its own" if any(wire["state"] == "off" for wire in wires(part)) else ""
    sheet.words.append(Words(8.0, foot, note, "start"))
    return sheet.done(part.name, room_mm[0], foot + 3)


def _scale(*least: float) -> int:
    """The first standard scale at which everything fits."""
    return next((scale for scale in SCALES if scale >= max(least)), SCALES[-1])


def _ticks(line: Stroke) -> Iterator[Stroke]:
    """Slanting ticks at both ends of a dimension line."""
    for x, y in ((line.x1, line.y1), (line.x2, line.y2)):
        yield Stroke(x - 0.8, y + 0.8, x + 0.8, y - 0.8, PLAIN)


def _outward(spots: list[tuple[float, float]], x1: float, y1: float, x2: float, y2: float) -> tuple[float, float]:
    """Unit vector out of the boundary at this side; corners may run either way round."""
    turned = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(spots, [*spots[1:], spots[0]], strict=True))
    along = math.hypot(x2 - x1, y2 - y1) or 1.0
    sign = 1 if turned > 0 else -1
    return sign * (y2 - y1) / along, -sign * (x2 - x1) / along


def _ground_length(mm: float, inches: bool) -> str:
    return f"{mm / 304.8:.0f} ft" if inches else f"{mm / 1000:.1f} m"
