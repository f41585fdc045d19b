"""How does the key fit on one page for the field, where no machine asks the next question?

The order of the questions is fixed: the wound first, then what tells most for the least trouble on average. Beside
each answer stand the kinds of culprit whose odds it at least doubles. The back of the sheet holds the drawn answers.
"""

from __future__ import annotations

import textwrap
from io import BytesIO
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import NOT_LISTED, group_words
from diagnose.culprits.on_paper import printed_key
from diagnose.culprits.verdict import judge
from diagnose.report.answer_drawings import TALL, draw_answer, drawn_signs
from diagnose.report.card_sheet import BOLD, FONT, MM, PAPERS
from diagnose.signs import Answer, Word, vocabulary
from diagnose.whole_file import write_whole

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

EDGE_MM, GAP_MM, LINE_MM = 9.0, 5.0, 3.2
SIZE, HEAD_SIZE, TITLE_SIZE = 6.6, 7.4, 12.0  # points
RAISED = 1.7  # how much an answer must raise a kind's odds for it to be printed beside the answer; our choice
LEAST = 0.01  # probability from which a kind is printed there; our choice
NAMED = 2  # kinds beside an answer at most
_COLUMNS, _SMALLER, _WRAP, _CAPTION = 7, 0.72, 31, 5.0  # of the back: drawings a row, their size, letters, points
_UNDER = 4.6  # under a drawing, for two lines of words [mm]
_FOOT = (
    "Signs overlap: one sign never names a culprit for sure. Droppings show who passed by, not who bit, and are "
    "misread in up to 41 % of cases. Do not touch droppings with bare hands."
)


def points_to(word: Word, choice: str) -> list[str]:
    """Kinds of culprit whose odds an answer raises at least RAISED times, and to LEAST or more, likeliest first, in words.

    Parameters
    ----------
    word
        A sign with its choices [no unit].
    choice
        One of the sign's choices [no unit].
    """
    before, after = judge({}).groups, judge({word.name: Answer(choice)}).groups
    raised = {kind: _odds(after[kind]) / _odds(before[kind]) for kind in before if kind != NOT_LISTED}
    ranked = sorted((kind for kind in raised if raised[kind] >= RAISED and after[kind] >= LEAST), key=lambda kind: -after[kind])
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
    rows = [cells[start:start + _COLUMNS] for start in range(0, len(cells), _COLUMNS)]
    tall = [max(_size(name) for name, _ in row) * TALL + _UNDER for row in rows]
    spare = (height - 2 * EDGE_MM - sum(tall)) / len(rows)
    wide, y = (width - 2 * EDGE_MM) / _COLUMNS, EDGE_MM
    for row, high in zip(rows, tall, strict=True):
        for number, (name, choice) in enumerate(row):
            x, word, drawing = EDGE_MM + number * wide, vocabulary()[name], draw_answer(name, choice)
            if drawing is None:
                for line, words in enumerate(textwrap.wrap(str(word.question), 19)):
                    _text(canvas, height, x, y + high / 3 + 3.2 * line, words, BOLD, HEAD_SIZE)
                continue
            size, foot = _size(name), y + high - _UNDER
            canvas.saveState()
            canvas.translate(x * MM, (height - foot) * MM)
            canvas.scale(size, size)
            drawing.put_on(canvas, 0, 0)
            canvas.restoreState()
            for line, words in enumerate(textwrap.wrap(word.choices[choice], _WRAP)):
                _text(canvas, height, x, foot + 1.6 + 1.9 * line, words, FONT, _CAPTION)
        y += high + spare


def _size(name: str) -> float:
    """How large the answers of a question are drawn: droppings at true size, the others smaller."""
    return 1.0 if name == "droppings" else _SMALLER


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
        taken = 3.2 * MM + canvas.stringWidth(words, FONT, SIZE) + 2 * MM
        while kinds and taken + canvas.stringWidth(kinds, FONT, SIZE - 0.6) > column * MM:
            kinds = kinds.rpartition(", ")[0]  # what does not fit beside a long answer is left out, the least likely first
        if kinds:
            canvas.setFont(FONT, SIZE - 0.6)
            canvas.setFillGray(0.35)
            canvas.drawRightString((x + column) * MM, (height - y) * MM, kinds)
            canvas.setFillGray(0.0)
    return y + 1.8 * LINE_MM


def _text(canvas: Canvas, height: float, x: float, y: float, words: str, font: str, size: float) -> None:
    canvas.setFont(font, size)
    canvas.drawString(x * MM, (height - y) * MM, words)
