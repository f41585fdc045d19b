"""How does the plan for a planting read: as text on a terminal or in a letter, and as a PDF with its drawings?"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from io import BytesIO
from typing import Any

from diagnose.figures import in_inches, length, percent
from diagnose.protect.materials import Line, dimensions
from diagnose.protect.plan import Plan
from diagnose.protect.planting import Option
from diagnose.report.barrier_drawing import POINT, Drawing, draw_barrier, draw_boundary
from diagnose.report.lettering import BOLD, FONT, load_fonts, marked

_WIDTH = 96
M2_PER_ACRE = 4046.8564224  # international acre, exact
_GREY = (0.88, 0.88, 0.88)


def plan_as_text(plan: Plan, inches: bool = False) -> str:
    """The plan as lines of text: what, why, how much, what to buy, how to build, what to mind."""
    blocks = []
    for heading, lines in sections(plan, inches):
        block = [heading]
        for line in lines:
            block += textwrap.wrap(line, _WIDTH, initial_indent="  ", subsequent_indent="    ")
        blocks.append("\n".join(block))
    return "\n\n".join(blocks)


def sections(plan: Plan, inches: bool = False) -> Iterator[tuple[str, list[str]]]:
    """Heading and lines of each section of the plan that has any."""
    told = (
        (f"Plan ({plan.basis}): {plan.chosen.name}", _planting(plan, inches)),
        ("Not stopped", list(plan.unstopped)),
        ("Sizes", _sizes(plan, inches)),
        (f"Cost over {plan.place.years} years, in today's money ({plan.currency})", _costs(plan)),
        ("If the animal is not certain", _doubt(plan)),
        ("To buy", [_bought(line) for line in plan.lines] + _carried(plan)),
        ("Steps", [f"{number}. {step}" for number, step in enumerate(plan.steps, start=1)]),
        ("How it fails, and how one sees it", list(plan.fails)),
        ("Take care", list(plan.cautions)),
        ("Where sources disagree", _disagreements(plan)),
    )
    return ((heading, [in_inches(line) for line in lines] if inches else lines) for heading, lines in told if lines)


def plan_pdf(plan: Plan, inches: bool = False) -> bytes:
    """The plan as a PDF: its sections, the drawing of each barrier, and the boundary with the fence line."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Flowable, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table

    load_fonts()
    plain = ParagraphStyle("plain", fontName=FONT, fontSize=9, leading=12, leftIndent=8, firstLineIndent=-8)
    head = ParagraphStyle("head", fontName=BOLD, fontSize=11, leading=15, spaceBefore=9)
    small = ParagraphStyle("small", fontName=FONT, fontSize=7.5, leading=9)

    class Drawn(Flowable):
        def __init__(self, drawing: Drawing):
            super().__init__()
            self.drawing, self.width, self.height = drawing, drawing.width * POINT, drawing.height * POINT

        def draw(self) -> None:
            self.drawing.put_on(self.canv, 0, 0)

    flow: list[Any] = []
    for heading, lines in sections(plan, inches):
        if heading == "To buy":
            flow.append(Paragraph(heading, head))
            flow.append(_table(plan, inches, Table, Paragraph, small))
            flow += [Paragraph(marked(line), plain) for line in lines[len(plan.lines):]]
            continue
        texts = [Paragraph(marked(line), plain) for line in lines]
        flow += [KeepTogether([Paragraph(marked(heading), head), *texts[:2]]), *texts[2:]]
        if heading == "Sizes":
            for drawing in drawings(plan, inches):
                flow.append(KeepTogether([Spacer(1, 6), Paragraph(marked(drawing.title), head), Drawn(drawing)]))
    kept = BytesIO()
    SimpleDocTemplate(kept, title="Barrier plan", author="", leftMargin=18 * POINT, rightMargin=18 * POINT,
                      topMargin=15 * POINT, bottomMargin=15 * POINT).build(flow)
    return kept.getvalue()


def drawings(plan: Plan, inches: bool = False) -> list[Drawing]:
    """The drawing of each barrier that has a shape, then the boundary where something stands round the planting."""
    drawn = [draw_barrier(plan.place, part, inches) for part in plan.chosen.parts]
    told = [drawing for drawing in drawn if drawing is not None]
    if any(part.round_the_planting for part in plan.chosen.parts):
        told.append(draw_boundary(plan.place.ground, inches))
    return told


def materials_csv(plan: Plan, inches: bool = False) -> str:
    """The buying list as CSV with a heading line."""
    rows = plan.as_frame()
    if inches:
        rows = rows.assign(**{name: rows[name].map(in_inches) for name in ("item", "specification", "check")})
    return rows.to_csv(index=False)


def _planting(plan: Plan, inches: bool) -> list[str]:
    place, land = plan.place, plan.place.ground
    size = (f"{land.area_m2 / M2_PER_ACRE:.3g} acres, {land.perimeter_m / 0.3048:.0f} ft round" if inches
            else f"{land.area_m2 / 10_000:.3g} ha, {land.perimeter_m:.0f} m round")
    snow = f"snow to {length(place.snow_mm, inches)}" if place.snow_mm else "no snow"
    lines = [f"{place.trees} trees on {size}; {snow}; {place.years} years until out of reach."]
    lines += [f"{culprit.replace('_', ' ')}: probability {percent(threat.probability)}, takes "
              f"{percent(threat.yearly_loss)} of bare trees a year where it is at work"
              for culprit, threat in place.threats]
    if not plan.place.diagnosed:
        lines.append("Protection goes on on the day of planting: order before it. Look at neighbouring growth, tracks and "
                     "droppings (do not touch them) before you rely on what is expected here.")
    if place.order_by is not None:
        lines.append(f"Order by {place.order_by}, so that everything lies there on the day of planting, {place.planted_on}.")
    if not plan.pays:
        lines.append("At these prices the barriers cost more than the losses that they avert: doing nothing would cost "
                     f"{plan.nothing.total:,.0f}. They pay only if a saved tree is worth more than planting another.")
    return lines


def _sizes(plan: Plan, inches: bool) -> list[str]:
    lines = []
    for part in plan.chosen.parts:
        built = "; ".join(f"{name} {length(mm, inches)}" for name, mm in dimensions(plan.place, part).items() if mm > 0)
        sources = ", ".join(f"{name}: {source}" for name, source in part.sources)
        lines.append(f"{part.name}: {built or 'no fixed size'} (sources: {sources})")
    return lines


def _costs(plan: Plan) -> list[str]:
    lines = ["chosen: " + _cost(plan.chosen)]
    lines += [_cost(option) for option in plan.others]
    lines.append(_cost(plan.nothing))
    if plan.break_even:
        even = plan.break_even
        lines.append(f"A fence ({even.fence}) costs less than guards ({even.guards}) above {even.area_ha:.2g} ha at this "
                     f"shape and spacing; this planting has {even.here_ha:.2g} ha. "
                     "Published: 3 ha (GOVUK-MAM) and 0.2 ha (FNR486).")
    return lines


def _cost(option: Option) -> str:
    each = f", {option.per_survivor:,.2f} a surviving tree" if option.survivors >= 0.5 else ""
    return (f"{option.name}: {option.total:,.0f} (first {option.first:,.0f}, barriers {option.barriers:,.0f}, "
            f"losses {option.losses:,.0f}; about {option.survivors:.0f} trees alive{each})")


def _doubt(plan: Plan) -> list[str]:
    if plan.doubt is None:
        return []
    doubt = plan.doubt
    return [f"least expected cost over what the animal may be: {doubt.best.name}, {doubt.expected:,.0f} "
            f"(the plan above: {doubt.chosen_expected:,.0f}); at worst {doubt.regret:,.0f} more than the best "
            "for that animal",
            f"knowing the animal for certain would save {doubt.worth_knowing:,.0f} on average: "
            "look further only while that costs less"]


def _bought(line: Line) -> str:
    stock = f", {line.from_stock:g} from stock" if line.from_stock else ""
    what = line.item if line.unit in line.item.split() else f"{line.unit} {line.item}"
    return f"{line.to_buy:g} {what} ({line.specification}){stock}. On delivery: {line.check}."


def _carried(plan: Plan) -> list[str]:
    kg, trees = sum(line.kg for line in plan.lines), plan.place.trees
    return [f"about {kg:,.0f} kg, {kg / trees:.2g} kg a tree, {plan.loads} loads to carry from the track"]


def _disagreements(plan: Plan) -> list[str]:
    lines = []
    for topic in plan.as_json()["disagreements"].values():
        values = "; ".join(f"{value['value'] if value['value'] is not None else 'no value'}"
                           f"{' (' + value['of'] + ')' if 'of' in value else ''} {value['source']} [{value['tag']}]"
                           for value in topic["values"])
        chosen = topic["chosen"]
        taken = "worked out here" if chosen["value"] is None else f"{chosen['value']} ({chosen['source']})"
        lines.append(f"{topic['about']} [{topic['unit']}]: {values}. Taken: {taken}; {topic['why']}.")
    return lines


def _table(plan: Plan, inches: bool, table: Any, paragraph: Any, style: Any) -> Any:
    rows: list[list[Any]] = [["to buy", "unit", "item", "specification", "stock", "check on delivery"]]
    for line in plan.lines:
        item, specification, check = (paragraph(marked(in_inches(text) if inches else text), style)
                                     for text in (line.item, line.specification, line.check))
        rows.append([f"{line.to_buy:g}", line.unit, item, specification, f"{line.from_stock:g}", check])
    widths = [14, 16, 32, 56, 12, 44]
    return table(rows, colWidths=[width * POINT for width in widths], repeatRows=1, style=[
        ("FONT", (0, 0), (-1, -1), FONT, 7.5), ("FONT", (0, 0), (-1, 0), BOLD, 7.5),
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LINEBELOW", (0, 0), (-1, -1), 0.25, _GREY)])
