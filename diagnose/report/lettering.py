"""In which letters are papers set that hold other people's words, and what becomes of those that the font lacks?

Liberation Sans (fonts/, with its licence) has the widths of Helvetica and the letters of all languages written in Latin,
Cyrillic or Greek. What it lacks, or what runs from right to left and would be set backwards, is said to be missing.
"""

from __future__ import annotations

import unicodedata
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

FONT, BOLD = "Liberation Sans", "Liberation Sans Bold"
_FILES = {FONT: "LiberationSans-Regular.ttf", BOLD: "LiberationSans-Bold.ttf"}
_NAMED = {"CJK": "Han", "HANGUL": "Korean"}  # Unicode's first word for a script, where readers know another


@cache
def load_fonts() -> frozenset[int]:
    """Makes both fonts known to reportlab; returns the code points of the letters that both have."""
    from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
    from reportlab.pdfbase.ttfonts import TTFont

    folder, both = Path(__file__).with_name("fonts"), []
    for name, file in _FILES.items():
        font = TTFont(name, folder / file)
        registerFont(font)
        both.append(frozenset(font.face.charToGlyph))
    registerFontFamily(FONT, normal=FONT, bold=BOLD, italic=FONT, boldItalic=BOLD)
    return both[0] & both[1]


def settable(text: str) -> str:
    """The text as it can be set, composed (NFC); a run of letters that cannot stands as "[2 Han letters not shown]".

    Parameters
    ----------
    text
        As somebody typed it [no unit].
    """
    whole = unicodedata.normalize("NFC", text)
    if whole.isascii() and whole.isprintable():
        return whole
    told = "".join(" " if char in "\t\v\f\r" else char for char in whole if char == "\n" or _prints(char))
    return "".join("".join(run) if fits else _missing("".join(run)) for fits, run in _runs(told))


def fitted(canvas: Any, text: str, font: str, size: float, left: float, bottom: float, width: float) -> None:
    """Draws one line of people's words, set smaller where it would not fit.

    Parameters
    ----------
    canvas
        Of reportlab [no unit].
    text
        As it was typed [no unit].
    font
        FONT or BOLD [no unit].
    size, left, bottom, width
        Of the letters at most, where the line begins, and its room [pt].
    """
    words = settable(text)
    own = canvas.stringWidth(words, font, size)
    canvas.setFont(font, size * min(1.0, width / own) if own else size)
    canvas.drawString(left, bottom, words)


def marked(text: str) -> str:
    """The text as it can be set, for a paragraph: nothing in it is read as markup.

    Parameters
    ----------
    text
        As somebody typed it [no unit].
    """
    return escape(settable(text))


def all_settable(text: str) -> bool:
    """Has the font every letter of the text?

    Parameters
    ----------
    text
        As somebody typed it [no unit].
    """
    return all(fits for fits, _ in _runs("".join(filter(_prints, unicodedata.normalize("NFC", text)))))


def _prints(char: str) -> bool:
    """Whether a character leaves ink or room: marks of direction and joining do not."""
    return char in "\t\v\f\r" or unicodedata.category(char) not in ("Cc", "Cf", "Cs")


def _runs(text: str) -> list[tuple[bool, list[str]]]:
    """The text in pieces that can be set and that cannot; marks and spaces go with the letters before them."""
    fits, told = True, []
    for char in text:
        if char == "\n":
            fits = True
        elif not (char.isspace() or unicodedata.combining(char)) or (fits and ord(char) not in load_fonts()):
            fits = ord(char) in load_fonts() and unicodedata.bidirectional(char) not in ("R", "AL", "AN")
        told.append((fits, char))
    return [(key, [char for _, char in run]) for key, run in groupby(told, key=lambda one: one[0])]


def _missing(run: str) -> str:
    """What stands for letters that cannot be set, with the space that followed them."""
    letters = [char for char in run if unicodedata.category(char)[0] in "LN"]
    ink = letters or [char for char in run if not char.isspace() and not unicodedata.combining(char)] or [run[0]]
    word = unicodedata.name(ink[0], "UNKNOWN").split()[0]
    script = f"{_NAMED.get(word, word.capitalize())} letter" if letters else "sign"
    return f"[{len(ink)} {script}{'' if len(ink) == 1 else 's'} not shown]{run[len(run.rstrip()):]}"
