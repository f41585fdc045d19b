"""What do the papers of survey and upkeep share: letters, tables, numbered pages, drawings in the paper's font?"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from io import BytesIO
from typing import TYPE_CHECKING, Any

from diagnose.report.lettering import BOLD, FONT, load_fonts, settable

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Table

WIDTH = 480.0  # of drawings and tables [point]
INK, FAINT, GRID = "#222222", "#555555", "#c4c4c4"


def paper_styles() -> dict[str, ParagraphStyle]:
    """The letters of a report on paper, by what they are for: top, heading, words, lead, answer, cell and tight."""
    from reportlab.lib import colors
    from reportlab.lib.enums import TA_LEFT
    from reportlab.lib.styles import ParagraphStyle, getSampleStyleSheet

    load_fonts()
    usual = getSampleStyleSheet()
    words = ParagraphStyle("words", parent=usual["BodyText"], fontName=FONT, fontSize=9, leading=12)
    cell = ParagraphStyle("cell", parent=words, fontSize=8, leading=10)
    return {
        "top": ParagraphStyle("top", parent=usual["Title"], fontName=BOLD, alignment=TA_LEFT),
        "heading": ParagraphStyle("heading", parent=usual["Heading3"], fontName=BOLD),
        "words": words, "lead": ParagraphStyle("lead", parent=words, fontSize=12, leading=16, spaceAfter=6),
        "answer": ParagraphStyle("answer", parent=words, fontName=BOLD, fontSize=14, leading=18, spaceBefore=10,
                                 spaceAfter=14, leftIndent=7, rightIndent=7, borderWidth=1,
                                 borderColor=colors.HexColor(INK), borderPadding=6),
        "cell": cell, "tight": ParagraphStyle("tight", parent=cell, fontSize=7.5, leading=9),
    }


def ruled_table(rows: list[list[Any]], widths: Sequence[float], **letters: Any) -> Table:
    """A table with a line under its heading and thin ones between its rows.

    Parameters
    ----------
    rows
        The heading first: words, or paragraphs [no unit].
    widths
        Of the columns [point].
    **letters
        Further arguments of reportlab's Table [no unit].
    """
    from reportlab.lib import colors
    from reportlab.platypus import Table, TableStyle

    style = TableStyle([("FONT", (0, 0), (-1, -1), FONT, 8), ("VALIGN", (0, 0), (-1, -1), "TOP"),
                        ("LINEBELOW", (0, 0), (-1, 0), 0.6, colors.HexColor(FAINT)),
                        ("LINEBELOW", (0, 1), (-1, -1), 0.25, colors.HexColor(GRID)),
                        ("TOPPADDING", (0, 0), (-1, -1), 2), ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
                        ("LEFTPADDING", (0, 0), (-1, -1), 3), ("RIGHTPADDING", (0, 0), (-1, -1), 3)])
    return Table(rows, colWidths=list(widths), style=style, hAlign="LEFT", **letters)


def numbered_pages(story: list[Any], title: str, paper: str) -> bytes:
    """A report's pages as PDF, each with its number at the foot.

    Parameters
    ----------
    story
        What stands on them, as reportlab's flowables [no unit].
    title
        Of the file [no unit].
    paper
        "A4" or "Letter" [no unit].
    """
    from reportlab.lib import pagesizes
    from reportlab.platypus import SimpleDocTemplate

    out = BytesIO()
    size = pagesizes.A4 if paper == "A4" else pagesizes.letter
    margin = (size[0] - WIDTH - 12) / 2
    with_page_numbers(SimpleDocTemplate(out, pagesize=size, leftMargin=margin, rightMargin=margin, topMargin=48,
                                        bottomMargin=48, title=title), story)
    return out.getvalue()


def with_page_numbers(document: Any, flow: list[Any]) -> None:
    """Builds a document whose pages bear their number at the foot; who hears it read, hears the number last.

    Parameters
    ----------
    document
        SimpleDocTemplate of reportlab [no unit].
    flow
        What stands on its pages, as reportlab's flowables [no unit].
    """
    document.afterPage = lambda: page_number(document.canv, document.page, document.pagesize[0] - document.rightMargin)
    document.build(flow)


def page_number(canvas: Any, page: int, right: float) -> None:
    """Writes a page's number at its foot.

    Parameters
    ----------
    canvas
        Of reportlab, drawn on [no unit].
    page
        Its number [no unit].
    right
        Where it ends [point].
    """
    canvas.setFont(FONT, 8)
    canvas.drawRightString(right, 28, f"{page}")


def lettered(drawing: Drawing) -> Drawing:
    """The drawing with every word in the letters of the paper's font.

    Parameters
    ----------
    drawing
        Whose words are set anew, in place [no unit].
    """
    from reportlab.graphics.shapes import String

    for shape in drawing.contents:
        if isinstance(shape, String):
            shape.fontName, shape.text = FONT, settable(shape.text)
    return drawing


def svg(drawing: Drawing, label: str) -> str:
    """A drawing as a picture in HTML.

    Parameters
    ----------
    drawing
        That is shown [no unit].
    label
        Says in words what it shows [no unit].
    """
    from reportlab.graphics import renderSVG

    text = renderSVG.drawToString(drawing)
    own = "clip-" + "".join(letter if letter.isalnum() else "-" for letter in label)  # else all share the first one's clip
    text = text[text.index("<svg"):].replace('id="clip"', f'id="{own}"').replace("url(#clip)", f"url(#{own})")
    return f'<div role="img" aria-label="{escape(label)}">{text}</div>'
