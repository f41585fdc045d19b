"""How do the scale card and the height staff get onto paper at their true size?

Everything is drawn as vectors in millimetres: a marker is the rectangles of its black modules, never a
picture of them. What a printer then makes of the millimetres is measured on the check bars and given back to
the tool.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cannot_use import CannotUse
from diagnose.photo.layouts import CARD, MODULES_A_SIDE, STAFF, Layout
from diagnose.photo.markers import marker_picture
from diagnose.whole_file import write_whole

if TYPE_CHECKING:
    from os import PathLike

    from reportlab.pdfgen.canvas import Canvas

MM = 72 / 25.4  # points
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1 size A [mm]
CHECK_BAR_MM = 100.0
GREYS = (0.9, 0.7, 0.45, 0.2)  # of full white, as printed
CARD_TOP_MM = 44.0  # where on its page the card begins
EDGE_MM = 8.0  # no printer of an office leaves more unprinted; common practice, no source
LINE, FAINT = 0.2, 0.55  # line width [mm], grey of what is not part of the measurement
TICK_MM = 50.0
FONT, BOLD = "Helvetica", "Helvetica-Bold"

Rectangle = tuple[float, float, float, float]  # x, y of the top left corner, width, height [mm]


def modules(layout: Layout, marker: int) -> Iterator[Rectangle]:
    """The marker's black rectangles in the sheet's own frame (y down) [mm], runs of a row drawn as one.

    Parameters
    ----------
    layout
        Which marker lies where [mm].
    marker
        Number of the marker [no unit].
    """
    pattern = marker_picture(marker, 1) < 128
    size = layout.side_mm / MODULES_A_SIDE
    left, top = (centre - layout.side_mm / 2 for centre in layout.markers[marker])
    for row in range(MODULES_A_SIDE):
        column = 0
        while column < MODULES_A_SIDE:
            run = column
            while run < MODULES_A_SIDE and pattern[row, run]:
                run += 1
            if run > column:
                yield left + column * size, top + row * size, (run - column) * size, size
            column = max(run, column + 1)


class Sheet:
    """A page on which places are given in mm from its top left corner, y down."""

    def __init__(self, canvas: Canvas, paper: tuple[float, float]):
        self.canvas, self.paper = canvas, paper

    def _y(self, y: float) -> float:
        return (self.paper[1] - y) * MM

    def box(self, x: float, y: float, width: float, height: float, grey: float = 0.0) -> None:
        """A filled rectangle.

        Parameters
        ----------
        x, y, width, height
            Of its upper left corner, and its sides [mm].
        grey
            0 is black, 1 white [no unit].
        """
        self.canvas.setFillGray(grey)
        self.canvas.rect(x * MM, self._y(y + height), width * MM, height * MM, stroke=0, fill=1)

    def line(
        self, x0: float, y0: float, x1: float, y1: float, width: float = LINE, grey: float = 0.0
    ) -> None:
        """A straight line.

        Parameters
        ----------
        x0, y0, x1, y1, width
            Of its start and its end, and how thick it is [mm].
        grey
            0 is black, 1 white [no unit].
        """
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(width * MM)
        self.canvas.line(x0 * MM, self._y(y0), x1 * MM, self._y(y1))

    def frame(self, x: float, y: float, width: float, height: float) -> None:
        """The faint outline of a rectangle.

        Parameters
        ----------
        x, y, width, height
            Of its upper left corner, and its sides [mm].
        """
        corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
        for start, end in zip(corners, corners[1:] + corners[:1], strict=True):
            self.line(*start, *end, grey=FAINT)

    def text(
        self, x: float, y: float, words: str, size: float = 9, font: str = FONT, anchor: str = "left"
    ) -> None:
        """One line of words.

        Parameters
        ----------
        x, y
            Of the place that the anchor names, on the line that the letters stand on [mm].
        words, font
            What is written, and the font's name [no unit].
        size
            Of the letters [point].
        anchor
            Which end of the words is there: left, middle or right [no unit].
        """
        self.canvas.setFillGray(0.1)
        self.canvas.setFont(font, size)
        draw = {
            "left": self.canvas.drawString,
            "middle": self.canvas.drawCentredString,
            "right": self.canvas.drawRightString,
        }[anchor]
        draw(x * MM, self._y(y), words)

    def upright_text(self, x: float, y: float, words: str, size: float = 8) -> None:
        """Text that reads upwards, centred on the place.

        Parameters
        ----------
        x
            From the page's left edge [mm].
        y
            From the page's top edge [mm].
        words
            What is written [no unit].
        size
            Of the letters [point].
        """
        self.canvas.saveState()
        self.canvas.translate(x * MM, self._y(y))
        self.canvas.rotate(90)
        self.canvas.setFillGray(0.1)
        self.canvas.setFont(FONT, size)
        self.canvas.drawCentredString(0, 0, words)
        self.canvas.restoreState()


def _check_bar(sheet: Sheet, x: float, y: float, upright: bool) -> None:
    """A line between two thin end strokes, to be measured from stroke to stroke."""
    length, stroke = CHECK_BAR_MM, 2.0
    if upright:
        sheet.line(x, y, x, y + length)
        for end in (y, y + length):
            sheet.line(x - stroke, end, x + stroke, end)
        sheet.upright_text(x - 3.0, y + length / 2, f"{length:.0f} mm")
    else:
        sheet.line(x, y, x + length, y)
        for end in (x, x + length):
            sheet.line(end, y - stroke, end, y + stroke)
        sheet.text(x + length / 2, y + 4.5, f"{length:.0f} mm", 8, anchor="middle")


def _markers(sheet: Sheet, layout: Layout, x: float, y: float, top: float = 0.0, bottom: float = 1e9) -> None:
    """The markers that lie wholly between `top` and `bottom`, the layout's origin at x, y of the page."""
    half = layout.side_mm / 2
    for marker, (_, centre) in layout.markers.items():
        if top <= centre - half and centre + half <= bottom:
            for left, upper, width, height in modules(layout, marker):
                sheet.box(x + left, y + upper, width, height)


def _ruler(sheet: Sheet, x: float, y: float, length: float) -> None:
    """Ticks each millimetre along a lower edge at y, longer ones each 5 and 10."""
    for step in range(1, int(length)):
        tick = 3.0 if step % 10 == 0 else 2.2 if step % 5 == 0 else 1.4
        sheet.line(x + step, y - tick, x + step, y, width=0.12)


def _card(sheet: Sheet, layout: Layout, x: float, y: float) -> None:
    width, height = layout.size_mm
    sheet.frame(x, y, width, height)
    _markers(sheet, layout, x, y)
    _ruler(sheet, x, y + height, width)
    for step, grey in enumerate(GREYS):
        sheet.box(x + 22 + 9 * step, y + 85, 7, 7, grey)
    sheet.text(x + 112, y + height - 6, "millimetres", 6, anchor="middle")


CARD_LINES = (
    "Lay the severed end in the white middle, the stem leading off the card.",
    "Roll the twig until the slope of the cut shows at its steepest.",
    "Photograph from straight above, card filling half the picture or more, in even light, in focus.",
    "Keep the markers in view: at least three are needed, more make the measure surer.",
    "Take two or three photos, lifting the camera between them.",
    "For gnawed bark hold the card upright beside the wound, touching the stem, facing the camera.",
)


def _print_sentence(bars: str) -> str:
    return (
        f"{bars} must measure exactly {CHECK_BAR_MM:.0f} mm. "
        'Print at 100 % ("actual size"), not "fit to page".'
    )


GIVE_BACK = (
    "If a bar measures otherwise, print again, or give its length to the tool: diagnose photo --bar-mm LENGTH"
)


def _card_page(canvas: Canvas, paper: tuple[float, float], layout: Layout) -> None:
    sheet = Sheet(canvas, paper)
    width, height = layout.size_mm
    x, y = (paper[0] - width) / 2, CARD_TOP_MM
    sheet.text(x, 20, "Scale card", 15, BOLD)
    sheet.text(x, 27, _print_sentence("Both check bars"))
    sheet.text(x, 32, GIVE_BACK)
    sheet.text(x, 37, "Use stiff matte white paper or glue it to a board, and cut along the grey line.")
    _card(sheet, layout, x, y)
    below = y + height
    _check_bar(sheet, x, below + 10, upright=False)
    _check_bar(sheet, x - 14, y, upright=True)
    _lines(sheet, x, below + 26, "How to use the card", CARD_LINES)
    _lines(sheet, x, below + 74, "How to use the height staff on the last pages", STAFF_LINES)
    canvas.showPage()


PROTRACTOR_LINES = (
    "Cut along the grey line and fold the strip below the dashed line upwards, so that it stands as a low wall.",
    "Lay the stem along the wall, its end's lip at the short stroke; roll the twig until the slope of the cut is steepest.",
    "Lay a taut thread, or the edge of a strip of paper, along the cut face and through the stroke's foot.",
    "Read the thread on the arc: 0 is cut square. Turn the twig over, read again, and take the mean.",
)
ARC_MM, WALL_MM = 80.0, 16.0  # radius of the protractor's arc; height of the strip that is folded up


def _protractor_page(canvas: Canvas, paper: tuple[float, float], below_card: float) -> None:
    """The back of the card's page: a protractor behind its instructions, which are no part of the card.

    below_card : where on the page the card ends [mm from the top].
    """
    sheet = Sheet(canvas, paper)
    x, y = paper[0] / 2, below_card + 12 + ARC_MM
    sheet.text(x - 75, 30, "Protractor for the slope of a cut", 15, BOLD)
    sheet.text(x - 75, 37, "Stands on the back of the card's page, below the card; or print this page alone.")
    _lines(sheet, x - 75, 50, "How to use it", PROTRACTOR_LINES)
    for degree in range(-90, 91):
        toothed = 9.0 if degree % 10 == 0 else 6.0 if degree % 5 == 0 else 3.5
        if abs(degree) <= 85:
            across, up = math.sin(math.radians(degree)), math.cos(math.radians(degree))
            inner = ARC_MM - toothed
            sheet.line(x + inner * across, y - inner * up, x + ARC_MM * across, y - ARC_MM * up, width=0.15)
            if degree % 10 == 0:
                sheet.text(x + (inner - 5) * across, y - (inner - 5) * up + 1.1, f"{abs(degree)}", 8, anchor="middle")
    sheet.line(x, y - 4, x, y, width=0.15)
    for start in range(int(-ARC_MM - 4), int(ARC_MM + 4), 4):
        sheet.line(x + start, y, x + start + 2, y, width=0.3)
    sheet.text(x - ARC_MM + 2, y + 5, "fold up along the dashed line: the stem lies against it", 7)
    sheet.frame(x - ARC_MM - 4, y - ARC_MM - 4, 2 * ARC_MM + 8, ARC_MM + 4 + WALL_MM)
    canvas.showPage()


STAFF_LINES = (
    "Cut the pieces along the grey lines and tape them to a straight stake, the foot lowest.",
    "At each joint the half ticks of both pieces meet; from there the next tick is 50 mm away.",
    "Stand the stake upright beside the plant's foot, on the uphill side, its lower end on the ground.",
    "Photograph from 2 to 3 m, staff and plant whole in the picture, the camera level.",
    "Snow or grass may hide the lowest markers: leave them as they are.",
)


def _staff_pieces(layout: Layout, longest: float) -> list[tuple[float, float]]:
    """(lower, upper) heights of the pieces, foot first [mm], cut at ticks that lie clear of the markers."""
    height = layout.size_mm[1]
    clear = layout.side_mm / 2 + layout.side_mm / MODULES_A_SIDE
    centres = [layout.height_mm(marker) for marker in layout.markers]
    pieces: list[tuple[float, float]] = []
    lower = 0.0
    while lower < height:
        upper = min(lower + longest // TICK_MM * TICK_MM, height)
        while upper > lower and any(abs(upper - centre) < clear for centre in centres):
            upper -= TICK_MM
        if upper <= lower:
            raise ValueError("the staff's markers stand too close together to be cut into pages")
        pieces.append((lower, upper))
        lower = upper
    return pieces


def _staff_piece(sheet: Sheet, layout: Layout, x: float, y: float, lower: float, upper: float) -> None:
    width, height = layout.size_mm
    sheet.frame(x, y, width, upper - lower)
    _markers(sheet, layout, x, y - (height - upper), top=height - upper, bottom=height - lower)
    for step in range(round(lower / TICK_MM), round(upper / TICK_MM) + 1):
        at = y + upper - step * TICK_MM
        thick = 0.6
        top, bottom = max(at - thick / 2, y), min(at + thick / 2, y + upper - lower)
        for start in (0.0, width - 3.5):
            sheet.box(x + start, top, 3.5, bottom - top)
        number = f"{step * TICK_MM:.0f}"
        if lower < step * TICK_MM < upper:
            sheet.upright_text(x + 3.0, at - 4.5, number, 6)
        elif 0 < step * TICK_MM < height:
            inside = 3.5 if step * TICK_MM == upper else -2.0
            sheet.text(x + width / 2, at + inside, f"joint at {number} mm", 6, anchor="middle")


def _staff_pages(canvas: Canvas, paper: tuple[float, float], layout: Layout) -> None:
    width = layout.size_mm[0]
    top = 20.0
    pieces = _staff_pieces(layout, paper[1] - top - EDGE_MM)
    first_x = EDGE_MM + 14
    abreast = max(1, int((paper[0] - first_x - EDGE_MM) // (width + 22)))
    for first in range(0, len(pieces), abreast):
        sheet = Sheet(canvas, paper)
        sheet.text(first_x, 12, f"Height staff, {layout.size_mm[1]:.0f} mm", 13, BOLD)
        sheet.text(first_x, 17, _print_sentence("The check bar"), 8)
        for slot, (lower, upper) in enumerate(pieces[first : first + abreast]):
            x = first_x + slot * (width + 30)
            _staff_piece(sheet, layout, x, top, lower, upper)
            sheet.text(x + width + 2, top + 4, f"piece {first + slot + 1} of {len(pieces)}:", 7)
            sheet.text(x + width + 2, top + 7.5, f"{lower:.0f} to {upper:.0f} mm", 7)
        _check_bar(sheet, EDGE_MM + 4, top + 10, upright=True)
        canvas.showPage()


def _lines(sheet: Sheet, x: float, y: float, title: str, lines: tuple[str, ...]) -> None:
    sheet.text(x, y, title, 11, BOLD)
    for step, words in enumerate(lines):
        sheet.text(x, y + 7 + 5.5 * step, f"{step + 1}.  {words}")


def card_and_staff(paper: str = "A4", card: Layout | None = CARD, staff: Layout | None = STAFF) -> bytes:
    """One PDF to print: the card's page, which also says how to use both, the protractor on its back, the staff's pages.

    Parameters
    ----------
    paper
        "A4" or "Letter" [no unit].
    card
        The scale card's layout; None to leave it out [mm].
    staff
        The height staff's layout; None to leave it out [mm].

    Raises
    ------
    CannotUse
        For other paper, and where a layout does not fit on it.
    """
    from reportlab.pdfgen.canvas import Canvas

    paper = {name.lower(): name for name in PAPERS}.get(paper.lower(), paper)
    if paper not in PAPERS:
        raise CannotUse(f"no paper called {paper}: use {' or '.join(PAPERS)}")
    size = PAPERS[paper]
    if card is not None and card.size_mm[0] > size[0] - 2 * EDGE_MM:
        raise CannotUse(f"a card {card.size_mm[0]:.0f} mm wide does not fit on {paper}")
    stream = BytesIO()
    canvas = Canvas(stream, pagesize=(size[0] * MM, size[1] * MM), invariant=1)
    canvas.setTitle("Scale card and height staff")
    if card is not None:
        _card_page(canvas, size, card)
        _protractor_page(canvas, size, CARD_TOP_MM + card.size_mm[1])
    if staff is not None:
        _staff_pages(canvas, size, staff)
    canvas.save()
    return stream.getvalue()


def write_card_sheet(path: str | PathLike[str], paper: str = "A4") -> str:
    """Write the printable PDF and return the line that says where it is and what to check on the print.

    Parameters
    ----------
    path
        The PDF file [no unit].
    paper
        "A4" or "Letter" [no unit].
    """
    write_whole(Path(path), card_and_staff(paper))
    return f"{path}: print it at 100 %; each check bar must then measure {CHECK_BAR_MM:.0f} mm"


def print_scale(measured_mm: float) -> float:
    """True length of a printed millimetre, from a check bar's measured length [mm].

    Parameters
    ----------
    measured_mm
        What the check bar of 100 mm measures on the print [mm].

    Raises
    ------
    CannotUse
        Where the print is so far off that the wrong bar or unit is more likely.
    """
    scale = measured_mm / CHECK_BAR_MM
    if not 0.8 <= scale <= 1.2:
        raise CannotUse(
            f"a check bar of {measured_mm:g} mm is too far from {CHECK_BAR_MM:.0f} mm: measure it again, "
            "in mm from stroke to stroke, or print at 100 %"
        )
    return scale
