"""How does the key fit on one page for the field, where no machine asks the next question?

The order of the questions is fixed: the wound first, then what tells most for the least trouble on average. Beside
each answer stand the kinds of culprit whose odds it at least doubles. The back of the sheet holds the drawn answers.
"""

from __future__ import annotations

import math
import textwrap
from io import BytesIO
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import NOT_LISTED, group_words
from diagnose.culprits.on_paper import printed_key
from diagnose.culprits.verdict import judge
from diagnose.report.answer_drawings import draw_answer, drawn_signs
from diagnose.report.card_sheet import BOLD, FONT, MM, PAPERS
from diagnose.signs import Answer, Word, vocabulary
from diagnose.whole_file import write_whole

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

EDGE_MM, GAP_MM, LINE_MM = 9.0, 5.0, 3.55
SIZE, HEAD_SIZE, TITLE_SIZE = 6.6, 7.4, 12.0  # points
RAISED = 2.0  # how much an answer must raise a kind's odds for it to be printed beside the answer; our choice
NAMED = 2  # kinds beside an answer at most
_COLUMNS, _SMALLER, _WRAP, _CAPTION = 6, 0.85, 34, 5.0  # of the back: drawings a row, their size, letters, points
_FOOT = (
    "Signs overlap: one sign never names a culprit for sure. Droppings show who passed by, not who bit, and are "
    "misread in up to 41 % of cases. Do not touch droppings with bare hands."
)


def points_to(word: Word, choice: str) -> list[str]:
    """Kinds of culprit whose odds an answer raises at least RAISED times, likeliest first, in words.

    Parameters
    ----------
    word
        A sign with its choices [no unit].
    choice
        One of the sign's choices [no unit].
    """
    before, after = judge({}).groups, judge({word.name: Answer(choice)}).groups
    raised = {kind: _odds(after[kind]) / _odds(before[kind]) for kind in before if kind != NOT_LISTED}
    ranked = sorted((kind for kind in raised if raised[kind] >= RAISED), key=lambda kind: -after[kind])
    return [group_words()[kind] for kind in ranked[:NAMED]]


def _odds(share: float) -> float:
    return share / (1 - share)


def field_key(paper: str = "A4") -> bytes:
    """The key as PDF, one page with the answers' drawings on its back.

    Parameters
    ----------
    paper
        "A4" or "Letter" [no unit].

    Raises
    ------
    CannotUse
        For an unknown paper.
    """
    from reportlab.pdfgen.canvas import Canvas

    sizes = {name.lower(): size for name, size in PAPERS.items()}
    if paper.lower() not in sizes:
        raise CannotUse(f"'{paper}' is no paper; choose one of {', '.join(PAPERS)}")
    width, height = sizes[paper.lower()]
    out = BytesIO()
    canvas = Canvas(out, pagesize=(width * MM, height * MM), invariant=1)
    canvas.setTitle("What bit this plant? A key for the field")
    _text(canvas, height, EDGE_MM, EDGE_MM + 3, "What bit this plant? Tick what you see; leave out what you cannot tell.",
          BOLD, TITLE_SIZE)
    column = (width - 2 * EDGE_MM - GAP_MM) / 2
    blocks = [_block(word) for word in printed_key()]
    half = sum(len(block) + 0.8 for block in blocks) / 2
    x, y, told = EDGE_MM, EDGE_MM + 10.0, 0.0
    for block in blocks:
        if told + len(block) / 2 >= half and x == EDGE_MM:
            x, y = EDGE_MM + column + GAP_MM, EDGE_MM + 10.0
        y = _draw(canvas, height, x, y, column, block)
        told += len(block) + 0.8
    _text(canvas, height, EDGE_MM, height - EDGE_MM, _FOOT, FONT, SIZE)
    canvas.showPage()
    _back(canvas, width, height)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def write_field_key(path: str | PathLike[str], paper: str = "A4") -> str:
    """Write the one-page key and return the line that says where it is.

    Parameters
    ----------
    path
        The PDF file [no unit].
    paper
        "A4" or "Letter" [no unit].
    """
    write_whole(Path(path), field_key(paper))
    return f"{path}: one page with every question, best asked from top left to bottom right; drawings on the back"


def _back(canvas: Canvas, width: float, height: float) -> None:
    """The drawn answers in rows, each question before its own; droppings at true size, the others smaller."""
    cells: list[tuple[str, str]] = [cell for name in drawn_signs()
                                    for cell in ((name, ""), *((name, choice) for choice in vocabulary()[name].choices))
                                    if not cell[1] or draw_answer(*cell)]
    wide, tall = (width - 2 * EDGE_MM) / _COLUMNS, (height - 2 * EDGE_MM) / math.ceil(len(cells) / _COLUMNS)
    for number, (name, choice) in enumerate(cells):
        x, y = EDGE_MM + number % _COLUMNS * wide, EDGE_MM + number // _COLUMNS * tall
        word, drawing = vocabulary()[name], draw_answer(name, choice)
        if drawing is None:
            for line, words in enumerate(textwrap.wrap(str(word.question), 20)):
                _text(canvas, height, x, y + tall / 2 + 3.2 * line, words, BOLD, HEAD_SIZE)
            continue
        size = 1.0 if name == "droppings" else _SMALLER
        canvas.saveState()
        canvas.translate(x * MM, (height - y - drawing.height * size) * MM)
        canvas.scale(size, size)
        drawing.put_on(canvas, 0, 0)
        canvas.restoreState()
        for line, words in enumerate(textwrap.wrap(word.choices[choice], _WRAP)):
            _text(canvas, height, x, y + drawing.height * size + 1.6 + 1.9 * line, words, FONT, _CAPTION)


def _block(word: Word) -> list[tuple[str, str]]:
    """The question, then each answer with what it points to."""
    assert word.question is not None
    return [(word.question, ""), *((words, ", ".join(points_to(word, key))) for key, words in word.choices.items())]


def _draw(canvas: Canvas, height: float, x: float, y: float, column: float, block: list[tuple[str, str]]) -> float:
    (question, _), *answers = block
    _text(canvas, height, x, y, question, BOLD, HEAD_SIZE)
    for words, kinds in answers:
        y += LINE_MM
        canvas.rect(x * MM, (height - y) * MM, 1.9 * MM, 1.9 * MM, stroke=1, fill=0)
        _text(canvas, height, x + 3.2, y, words, FONT, SIZE)
        if kinds:
            canvas.setFont(FONT, SIZE - 0.6)
            canvas.setFillGray(0.35)
            canvas.drawRightString((x + column) * MM, (height - y) * MM, kinds)
            canvas.setFillGray(0.0)
    return y + 1.8 * LINE_MM


def _text(canvas: Canvas, height: float, x: float, y: float, words: str, font: str, size: float) -> None:
    canvas.setFont(font, size)
    canvas.drawString(x * MM, (height - y) * MM, words)
