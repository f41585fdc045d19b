"""How does it read on paper whether the barriers held: damage inside and outside, failures by kind, lives, cost?"""

from __future__ import annotations

import math
from typing import Any

from diagnose.report.interval_drawing import interval_drawing
from diagnose.report.lasting_drawing import lasting_story
from diagnose.report.lettering import marked
from diagnose.report.paper import lettered, numbered_pages, paper_styles, ruled_table
from diagnose.survey.estimate import Estimate
from diagnose.upkeep.held import LEVEL, Share
from diagnose.upkeep.proof import INTERVALS, Proof

TAKE_NOTE = (
    "Trees of which nobody wrote down whether they were bitten are left out. A planting tells of the difference only where "
    "trees inside and outside were tallied at one visit.",
    "A published figure is updated by what was seen here; how much it still weighs stands beside it. How much it weighs at "
    "first is our own choice.",
)


def proof_pdf(told: Proof, site: str = "", paper: str = "A4") -> bytes:
    """The proof as a PDF, the answer first.

    Parameters
    ----------
    told : Proof
        What the register and the tallies say [no unit].
    site : str
        For the heading [no unit].
    paper : {'A4', 'Letter'}
        "A4" or "Letter" [no unit].

    Returns
    -------
    bytes
    """
    from reportlab.platypus import KeepTogether, Paragraph

    styles = paper_styles()
    title = f"Did the barriers hold?{f' {site}' if site else ''}"
    story: list[Any] = [Paragraph(marked(title), styles["top"]), Paragraph(marked(told.answer), styles["answer"])]

    def part(heading: str, *parts: Any) -> None:
        story.append(KeepTogether([Paragraph(heading, styles["heading"]), *parts]))

    def table(rows: list[list[str]], *widths: float) -> Any:
        return ruled_table([[Paragraph(marked(each), styles["cell"]) for each in row] for row in rows], widths, repeatRows=1)

    if told.shares:
        limits = f"{100 * LEVEL:.0f} % limits"
        drawn = {name: _estimate(one) for name, one in told.shares.items()}
        if told.less is not None:
            drawn["damaged outside less inside"] = Estimate(*told.less, LEVEL, "", 0, 0)
        rows = [["", "share", limits, "trees", "plantings"], *(
            [name, f"{100 * one.value:.0f} %", f"{100 * one.low:.0f} to {100 * one.high:.0f} %", str(one.trees),
             str(one.plantings)] for name, one in told.shares.items())]
        if told.less is not None:
            less, low, high = (100 * one for one in told.less)
            rows.append(["damaged outside less inside", f"{less:.0f} points", f"{low:.0f} to {high:.0f} points", "", ""])
        part("Trees inside and outside", lettered(interval_drawing(drawn)), table(rows, 150, 70, 100, 60, 60))
    if told.cost is not None:
        value, low, high = told.cost
        most = "without an upper limit" if math.isinf(high) else f"to {high:.2f}"
        part("What a living tree cost", Paragraph(marked(
            f"{value:.2f} ({low:.2f} {most}), in the money in which the cost of a tree's protection was given: that cost "
            "over the share of guarded trees that live."), styles["words"]))
    if told.failures:
        story += lasting_story(told.failures, styles)
    if told.updates:
        part("What that says of published figures", *(Paragraph(marked(f"{one.words}."), styles["words"])
                                                      for one in told.updates))
    part("Take note", *(Paragraph(f"• {marked(line)}", styles["words"]) for line in (INTERVALS, *TAKE_NOTE)))
    return numbered_pages(story, title, paper)


def _estimate(one: Share) -> Estimate:
    return Estimate(one.value, one.low, one.high, LEVEL, "", one.trees, one.plantings)
