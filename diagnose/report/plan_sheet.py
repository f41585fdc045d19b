"""How does the plan for a planting read: as text on a terminal or in a letter, and as a PDF with its drawings?"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from dataclasses import replace
from io import BytesIO
from typing import Any

from diagnose.culprits.old_names import name_of
from diagnose.figures import in_inches, length, percent
from diagnose.protect.barriers import catalogue
from diagnose.protect.kinds import KINDS, Row
from diagnose.protect.materials import Line, carried_by, dimensions
from diagnose.protect.options import Option
from diagnose.protect.plan import Plan
from diagnose.protect.sources import SAID_ONCE, called_by_name, source_words, sources_named
from diagnose.report.barrier_drawing import POINT, Drawing, draw_barrier, draw_boundary, draw_brace
from diagnose.report.kinds_drawing import draw_kinds
from diagnose.report.kinds_figures import kinds_rows
from diagnose.report.lettering import BOLD, FONT, load_fonts, marked
from diagnose.report.paper import with_page_numbers
from diagnose.report.plan_grounds import disagreements_told, prices_told

_WIDTH = 96
M2_PER_ACRE = 4046.8564224  # international acre, exact
_GREY = (0.88, 0.88, 0.88)
AT_MOST = ("opening", "bottom gap", "post spacing")
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # [mm]
BUYING, KINDS_HEADING = "To buy", "The kinds side by side"
METRES_PER_FOOT, KG_PER_POUND = 0.3048, 0.45359237  # exact
_COUNTED = {"gates", "pieces", "posts", "ties", "stakes", "signs", "rods", "pins", "pegs", "nets", "rails", "staples"}
_SAID_TWICE = re.compile(r"(\d[\d/ ]* (?:ft|in)(?: \d+ in)?)((?: \w+)?) \((?:sold as )?\1\)")
_ROLLS = re.compile(r"(rolls? of )\S+ ft \((\d+ ft)\)")  # the trade's length in place of the other's, turned


def plan_as_text(plan: Plan, inches: bool = False) -> str:
    """The plan as lines of text: what, why, how much, what to buy, how to build, what to mind.

    Parameters
    ----------
    plan
        Whose barriers are told [no unit].
    inches
        Whether lengths are given in inches and feet [no unit].
    """
    blocks = []
    for heading, lines in sections(plan, inches):
        block = [heading]
        for line in lines:
            block += textwrap.wrap(line, _WIDTH, initial_indent="  ", subsequent_indent="    ")
        blocks.append("\n".join(block))
    return "\n\n".join(blocks)


def sections(plan: Plan, inches: bool = False) -> Iterator[tuple[str, list[str]]]:
    """Heading and lines of each section of the plan that has any: the answer first, then what it rests on.

    Parameters
    ----------
    plan
        Whose barriers are told [no unit].
    inches
        Whether lengths are given in inches and feet [no unit].
    """
    told = (
        (f"Plan ({plan.basis}): {plan.chosen.name}", answer(plan, inches)),
        ("What is wanted, and what was taken for granted", _aim(plan, inches)),
        (KINDS_HEADING, [_kind(plan, row) for row in plan.kinds] + list(_even(plan, inches))),
        ("If the animals are not certain", _doubt(plan)),
        ("Not kept out", list(plan.unstopped)),
        ("Trees alive, year by year (10, 50 and 90 %)", _years(plan)),
        ("Sizes", _sizes(plan, inches)),
        (BUYING, [_bought(in_their_units(line, inches)) for line in plan.lines] + _carried(plan, inches)),
        ("Tools", list(plan.tools)),
        ("Steps", [f"{number}. {step}" for number, step in enumerate(plan.steps, start=1)]),
        ("Check list", [f"{one['at']}, then every {one['every']}: {one['name']} - {one['what']}" if one["at"] != "end"
                        else f"at the end: {one['name']} - {one['what']}" for one in plan.checks]),
        ("What this place changes", list(plan.site)),
        ("Without barriers: known, but nothing is reckoned for it", list(plan.measures)),
        ("What it needs, how it fails, how one sees it", list(plan.fails)),
        ("Take care", list(plan.cautions)),
        ("Prices", prices_told(plan, inches)),
        ("Other ways that do it too", [_cost(option) for option in plan.others]),
        ("Where sources disagree", disagreements_told(plan)),
    )
    named = " ".join(line for _, lines in told for line in lines)
    for heading, lines in told:
        if lines:
            yield heading, [called_by_name(in_inches(line) if inches else line) for line in lines]
    yield "Sources", [SAID_ONCE, *(source_words(key) for key in sources_named(named))]


def answer(plan: Plan, inches: bool = False) -> list[str]:
    """What to build, what it costs, what it leaves alive and what breaks it: the first thing read.

    Parameters
    ----------
    plan
        Whose barriers are told [no unit].
    inches
        Whether lengths are given in inches and feet [no unit].
    """
    chosen, place, money = plan.chosen, plan.place, plan.currency
    lines = [f"Act: {_built(plan, inches)}."]
    lines += [f"It does not do all that is wanted. {plan.broken}"] if plan.broken else []
    area, hectares = ("an acre", M2_PER_ACRE / 10_000) if inches else ("a hectare", 1.0)
    lines += [
        f"First year {chosen.first:,.0f}, over {place.years} years {chosen.barriers:,.0f} for the barriers and "
        f"{chosen.losses:,.0f} for trees lost ({money}); {_hours(chosen.hours)} of work, then {_hours(chosen.yearly_hours)} "
        f"a year.",
        f"Alive after {place.years} years: at least {chosen.surely_alive:.0f} of {place.trees} trees with "
        f"{100 * place.sureness:.0f} % sureness ({hectares * chosen.surely_alive / place.hectares:.0f} {area}; wanted "
        f"{place.target_trees:.0f}, {hectares * place.target_per_ha:.0f} {area}); without barriers "
        f"{plan.nothing.surely_alive:.0f}.",
    ]
    if (unlikely := plan.unlikely) is not None:
        names, there = ", ".join(name_of(key) for key in unlikely.about), f"{100 * unlikely.chance:.0f} %"
        who = (f"An animal that is hardly there makes it dearer: {names}, with {there}" if len(unlikely.about) == 1 else
               f"{len(unlikely.about)} animals that are hardly there make it dearer: {names}; each is unlikely, but with "
               f"{there} at least one of them is there")
        lines.append(f"{who}, and {100 * place.sureness:.0f} % sureness counts that. Without, {unlikely.without.name} would "
                     f"do, at {unlikely.without.first:,.0f} in the first year: find out first, or ask for less sureness.")
    lines += [line for line in plan.site if line.startswith("The fence shuts stock out")]
    if chosen.parts and not plan.pays:
        if plan.tree_value == float("inf"):
            lines.append("It averts no loss that can be reckoned.")
        else:
            lines.append(f"At {place.price('tree'):,.2f} a lost tree, planting again would cost less "
                         f"({plan.nothing.total:,.0f}) but "
                         f"leave fewer trees; the plan pays from {plan.tree_value:,.2f} a tree on.")
    return lines


def _built(plan: Plan, inches: bool) -> str:
    """What is built, and where: round the planting or at each tree."""
    land, trees = plan.place.ground, plan.place.trees
    line = f"{land.fence_m / METRES_PER_FOOT:,.0f} ft" if inches else f"{land.fence_m:,.0f} m"
    where = {True: f"round the planting ({line})", False: f"at each of the {trees:,} trees" if trees > 1 else "at the tree"}
    told: dict[bool, list[str]] = {True: [], False: []}
    for part in plan.chosen.parts:
        deep = _tall(part.burial_mm, inches) + " in the ground" if part.where == "root" and part.burial_mm else ""
        told[part.round_the_planting].append(f"{part.name}{deep or _tall(part.top_mm, inches)}")
    built = "; ".join(f"{' and '.join(parts)} {where[round_it]}" for round_it, parts in told.items() if parts)
    return f"build {built}" if built else "build nothing; bear the losses and plant again"


def _hours(hours: float) -> str:
    return "less than an hour" if 0 < hours < 0.5 else f"{hours:.0f} hour{'' if round(hours) == 1 else 's'}"


def _tall(top_mm: float, inches: bool) -> str:
    return f" of {length(top_mm, inches, 'least')}" if top_mm > 0 else ""


def plan_pdf(plan: Plan, inches: bool = False, paper: str = "A4") -> bytes:
    """The plan as a PDF: its sections, the chart of kinds, and the drawings.

    Parameters
    ----------
    plan
        Whose barriers are told [no unit].
    inches
        Whether lengths are given in inches and feet [no unit].
    paper
        A4 or Letter [no unit].
    """
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table

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
        if heading == BUYING:
            flow += [CondPageBreak(45 * POINT), Paragraph(heading, head), _table(plan, inches, Table, Paragraph, small)]
            flow += [Paragraph(marked(line), plain) for line in lines[len(plan.lines):]]
            continue
        if heading == KINDS_HEADING:
            flow.append(KeepTogether([Paragraph(heading, head), _kinds_table(plan, Table, Paragraph, small)]))
            flow.append(KeepTogether([Spacer(1, 6), Drawn(draw_kinds(plan))]))
            flow += [Paragraph(marked(line), plain) for line in lines[len(plan.kinds):]]
            continue
        style = small if heading in ("Sources", "Where sources disagree") else plain
        texts = [Paragraph(marked(line), style) for line in lines]
        flow += [KeepTogether([Paragraph(marked(heading), head), *texts[:2]]), *texts[2:]]
        if heading == "Sizes":
            for drawing in drawings(plan, inches):
                flow.append(KeepTogether([Spacer(1, 6), Paragraph(marked(drawing.title), head), Drawn(drawing)]))
    kept = BytesIO()
    width, height = PAPERS[paper]
    with_page_numbers(SimpleDocTemplate(
        kept, pagesize=(width * POINT, height * POINT), title="Barrier plan", author="", leftMargin=18 * POINT,
        rightMargin=18 * POINT, topMargin=15 * POINT, bottomMargin=15 * POINT), flow)
    return kept.getvalue()


def drawings(plan: Plan, inches: bool = False) -> list[Drawing]:
    """The drawing of each barrier that has a shape, its brace, then the boundary where something stands round it.

    Parameters
    ----------
    plan
        Whose barriers are told [no unit].
    inches
        Whether lengths are given in inches and feet [no unit].
    """
    drawn = []
    for part in plan.chosen.parts:
        drawn.append(draw_barrier(plan.place, part, inches))
        if carried_by(part, plan.chosen.parts) is None:  # what hangs on another fence stands by that one's braces
            drawn.append(draw_brace(plan.place, part, inches))
    told = [drawing for drawing in drawn if drawing is not None]
    if any(part.round_the_planting for part in plan.chosen.parts):
        told.append(draw_boundary(plan.place.ground, inches, gates=plan.place.gates))
    return told


def materials_csv(plan: Plan, inches: bool = False) -> str:
    """The buying list as CSV with a heading line.

    Parameters
    ----------
    plan
        Whose barriers are told [no unit].
    inches
        Whether lengths are given in inches and feet [no unit].
    """
    import pandas as pd

    return pd.DataFrame([in_their_units(line, inches).as_json() for line in plan.lines]).to_csv(index=False)


def _aim(plan: Plan, inches: bool) -> list[str]:
    place, land = plan.place, plan.place.ground
    size = (f"{land.area_m2 / M2_PER_ACRE:.3g} acres, {land.perimeter_m / 0.3048:.0f} ft round" if inches
            else f"{land.area_m2 / 10_000:.3g} ha, {land.perimeter_m:.0f} m round")
    snow = f"snow to {length(place.snow_mm, inches)}" if place.snow_mm else "no snow"
    per_acre = f" ({place.target_per_ha * M2_PER_ACRE / 10_000:.0f} an acre)" if inches else ""
    lines = [
        f"{place.trees} trees on {size}; {snow}; slope {land.slope_percent:.0f} %; {place.years} years until out of reach"
        f"{f' ({place.years_why})' if place.years_why else ''}; {place.gates} gate{'' if place.gates == 1 else 's'}.",
        f"Wanted: {place.target_per_ha:.0f} trees alive a hectare{per_acre} after {place.years} years with "
        f"{100 * place.sureness:.0f} % sureness; budget "
        f"{'not limited' if place.budget is None else f'{place.budget:,.0f}'}; must be kept out: "
        f"{', '.join(map(name_of, place.must)) or 'nothing by name'}; in stock: "
        f"{', '.join(f'{count:g} {key}' for key, count in place.owned.items()) or 'nothing'}.",
        "Who is there, each by itself: " + "; ".join(
            f"{name_of(culprit)} {percent(threat.probability)}, takes {percent(threat.yearly_loss)} of bare "
            f"trees a year" for culprit, threat in place.threats) +
        ". Bad years come as drawn outbreaks with the same mean. Deaths from drought, weeds and other causes are not "
        "reckoned.",
    ]
    if place.common:
        lines.append(f"Common there, but not reckoned with, since what was seen hardly tells of them: "
                     f"{', '.join(map(name_of, place.common))}. Name those that you expect.")
    if not place.diagnosed:
        lines.append("Protection goes on on the day of planting: order before it. Look at neighbouring growth, tracks and "
                     "droppings (do not touch them) before you rely on what is expected here.")
    if place.order_by is not None:
        lines.append(f"Order by {place.order_by}, so that everything lies there on the day of planting, {place.planted_on}.")
    return lines


def _kind(plan: Plan, row: Row) -> str:
    option = row.option
    if option is None:
        return f"{KINDS[row.kind]}: {row.fails}"
    name = f" ({option.name})" if option.parts else ""
    does = "does it" if row.reaches else "does not do it"
    return (f"{KINDS[row.kind]}{name}: {option.total:,.0f} over {plan.place.years} years (first year {option.first:,.0f}); "
            f"surely alive {option.surely_alive:.0f} (10 to 90 %: {option.alive_range[0]:.0f} to "
            f"{option.alive_range[1]:.0f}); "
            f"{option.hours:.0f} h; {does}{': ' + row.fails if row.fails else ''}")


def _even(plan: Plan, inches: bool) -> Iterator[str]:
    if plan.break_even:
        even = plan.break_even
        area, here = ((f"{one * 10_000 / M2_PER_ACRE:.2g} acres" if inches else f"{one:.2g} ha") for one in
                      (even.area_ha, even.here_ha))
        yield (f"Break-even: a fence ({even.fence}) costs less than guards ({even.guards}) above {area} at this shape and "
               f"spacing, "
               f"or above {even.trees:.0f} trees on this land; here are {here} and {plan.place.trees} trees. Published: 3 "
               f"ha (GOVUK-MAM), 0.5 ha, or 1 ha on a long strip (KLIMA-AT), and 0.2 ha (FNR486).")
    if plan.chosen.parts and plan.pays and plan.tree_value != float("inf"):  # where it does not, the answer says so
        yield (f"The plan costs less than planting again from {plan.tree_value:,.2f} a lost tree on; "
               f"{plan.place.price('tree'):,.2f} is reckoned.")


def _years(plan: Plan) -> list[str]:
    def three(told: tuple[float, ...]) -> str:
        return ", ".join(f"{one:.0f}" for one in told)

    return [f"year {year}: with the plan {three(mine)}; without "
            f"{three(bare)}" for year, mine, bare in plan.alive_by_year if year]


def _sizes(plan: Plan, inches: bool) -> list[str]:
    lines = []
    for part in plan.chosen.parts:
        carried = carried_by(part, plan.chosen.parts)
        built = "; ".join(f"{name} {length(mm, inches, 'most' if name in AT_MOST else '')}"
                          for name, mm in dimensions(plan.place, part).items()
                          if mm > 0 and not (carried and name.startswith(("end post", "brace"))))
        built += f"; hangs on the {carried.name}" if carried else ""
        sources = ", ".join(f"{name}: {source}" for name, source in part.sources if f"{name} " in built)
        lines.append(f"{part.name}: {built or 'no fixed size'}" + (f" (sources: {sources})" if sources else ""))
        if note := catalogue()[part.key].get("wires_note"):
            lines.append(f"{part.name}, layout: {note}")
    return lines


def _cost(option: Option) -> str:
    each = f", {option.per_survivor:,.2f} a surviving tree" if option.survivors >= 0.5 else ""
    return (f"{option.name}: {option.total:,.0f} (first {option.first:,.0f}, barriers {option.barriers:,.0f}, "
            f"losses {option.losses:,.0f}; surely alive {option.surely_alive:.0f}{each})")


def _doubt(plan: Plan) -> list[str]:
    if plan.doubt is None:
        return []
    doubt = plan.doubt
    about = ", ".join(name_of(key) for key in doubt.about)
    return [f"if money alone counted, without target and list, over all who may be here: {doubt.best.name}, "
            f"{doubt.expected:,.0f} (the plan above: {doubt.chosen_expected:,.0f}); at worst the plan costs "
            f"{doubt.regret:,.0f} more than the cheapest for those that turn out to be here",
            f"knowing for certain which of them are here ({about}) would save {doubt.worth_knowing:,.0f} of that money on "
            "average: look further only while that costs less"]


def in_their_units(line: Line, inches: bool) -> Line:
    """A line of the buying list as it is told: sources by name; metres and millimetres, or feet and inches in their place.

    Parameters
    ----------
    line
        Of the buying list, in its own unit.
    inches
        Whether lengths are given in inches and feet [no unit].
    """
    texts: dict[str, Any] = {name: called_by_name(getattr(line, name)) for name in ("item", "specification", "check")}
    if not inches:
        return replace(line, **texts)
    texts = {name: _ROLLS.sub(r"\1\2", _SAID_TWICE.sub(r"\1\2", in_inches(told))) for name, told in texts.items()}
    unit, metric = {"m": ("ft", METRES_PER_FOOT), "kg": ("lb", KG_PER_POUND)}.get(line.unit, (line.unit, 1.0))
    return replace(line, unit=unit, price=line.price * metric, quantity=line.quantity / metric,
                   from_stock=line.from_stock / metric, to_buy=line.to_buy / metric,
                   pack=line.pack if line.pack == 1 else line.pack / metric, **texts)


def _bought(line: Line) -> str:
    stock = f", {line.from_stock:g} from stock" if line.from_stock else ""
    unit, item = (_one(text) if round(line.to_buy) == 1 else text for text in (line.unit, line.item))
    what = item if unit in item.split() else f"{unit} {item}"
    return (f"{line.to_buy:,.0f} {what} ({line.specification}){stock}: {line.cost:,.2f}. On delivery: {line.check}.")


def _one(words: str) -> str:
    """The unit or item of a single piece: 1 gate, 1 piece."""
    return words[:-1] if words in _COUNTED else words


def _carried(plan: Plan, inches: bool) -> list[str]:
    kg, trees = sum(line.kg for line in plan.lines), plan.place.trees
    goods = sum(line.cost for line in plan.lines)
    carried = "" if not plan.place.carry_m else (
        f", {plan.loads} loads of {plan.place.price('load_kg'):g} kg to carry {plan.place.carry_m:.0f} m from the track")
    weight = f"{kg / KG_PER_POUND:,.0f} lb" if inches else f"{kg:,.0f} kg"
    return [f"goods {goods:,.2f} and {plan.chosen.hours:,.1f} hours at {plan.place.price('wage'):,.2f} make "
            f"{plan.chosen.first:,.2f} in the first year ({plan.currency})",
            f"about {weight} to deliver, {_weight_each(kg / trees, inches)} a tree{carried}"] if plan.lines else []


def _weight_each(kg: float, inches: bool) -> str:
    amount = kg / KG_PER_POUND if inches else kg
    return f"{amount:,.0f} {'lb' if inches else 'kg'}" if amount >= 10 else f"{amount:.2g} {'lb' if inches else 'kg'}"


def _each(line: Line) -> str:
    """Price of a unit, in as many digits as it takes for quantity times price to be the cost to the unit of money."""
    told = [f"{line.price:,.{digits}f}" for digits in (2, 3, 4, 6)]
    return next((one for one in told if abs(float(one.replace(",", "")) * line.to_buy - line.cost) < 0.5), told[-1])


def _table(plan: Plan, inches: bool, table: Any, paragraph: Any, style: Any) -> Any:
    rows: list[list[Any]] = [["to buy", "unit", "item", "specification", "each", "cost", "check on delivery"]]
    for line in (in_their_units(line, inches) for line in plan.lines):
        unit, named = (_one(text) if round(line.to_buy) == 1 else text for text in (line.unit, line.item))
        item, specification, check = (paragraph(marked(text), style) for text in (named, line.specification, line.check))
        stock = f"\n({line.from_stock:,.0f} in stock)" if line.from_stock else ""
        rows.append([f"{line.to_buy:,.0f}{stock}", unit, item, specification, _each(line), f"{line.cost:,.2f}",
                     check])
    widths = [17, 13, 29, 56, 13, 16, 30]
    return table(rows, colWidths=[width * POINT for width in widths], repeatRows=1, style=[
        ("FONT", (0, 0), (-1, -1), FONT, 7.5), ("FONT", (0, 0), (-1, 0), BOLD, 7.5), ("ALIGN", (4, 0), (5, -1), "RIGHT"),
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LINEBELOW", (0, 0), (-1, -1), 0.25, _GREY)])


def _kinds_table(plan: Plan, table: Any, paragraph: Any, style: Any) -> Any:
    rows: list[list[Any]] = [["kind", "best of it", "cost", "first year", "surely alive", "10-90 %", "hours",
        "does it", "fails"]]
    for row in kinds_rows(plan):
        numbers = [f"{row[name]:,.0f}" if row[name] is not None else "-" for name in
                   ("cost over the years", "first year", "alive, surely")]
        hours = "-" if row["hours to build"] is None else f"{row['hours to build']:,.0f}"
        rows.append([paragraph(marked(row["kind"]), style), paragraph(marked(row["best of it"]), style), *numbers,
                     row["alive, 10 to 90 %"], hours, row["does it"], paragraph(marked(row["what it fails"]), style)])
    widths = [27, 33, 14, 14, 16, 21, 10, 10, 29]
    return table(rows, colWidths=[width * POINT for width in widths], repeatRows=1, style=[
        ("FONT", (0, 0), (-1, -1), FONT, 7), ("FONT", (0, 0), (-1, 0), BOLD, 7), ("ALIGN", (2, 0), (4, -1), "RIGHT"),
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LINEBELOW", (0, 0), (-1, -1), 0.25, _GREY)])
