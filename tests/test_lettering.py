"""Papers hold other people's words in the letters in which they were written, and say so where they cannot.

The words are pangrams and names of each language, from memory; the PDFs are read back by an independent reader. The
alphabets are those of Unicode's common locale data, from memory.
"""

from __future__ import annotations

from datetime import date
from io import BytesIO
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from reportlab.pdfbase.pdfmetrics import stringWidth
from shapely import box

from diagnose.fieldlog.store import open_log
from diagnose.report.due_list import due_pdf
from diagnose.report.layout_map import layout_pdf
from diagnose.report.lettering import BOLD, load_fonts, settable
from diagnose.report.letters import NOT_SHOWN, as_pdf
from diagnose.report.metal_sheet import metal_pdf
from diagnose.report.proof_sheet import proof_pdf
from diagnose.report.survey_report import survey_html, survey_pdf
from diagnose.report.tag_labels import labels_pdf
from diagnose.report.tally_sheet import tally_sheet_pdf
from diagnose.survey.boundary import from_degrees
from diagnose.survey.summary import summarise
from diagnose.upkeep.due import due
from diagnose.upkeep.metal import metal
from diagnose.upkeep.proof import proof
from diagnose.upkeep.register import register
from tests.conftest import words_of
from tests.test_survey_summary import invented

WORDS = {
    "Polish": "Zażółć gęślą jaźń, Łukasz",
    "Czech": "Příliš žluťoučký kůň úpěl ďábelské ódy",
    "Hungarian": "Árvíztűrő tükörfúrógép",
    "Romanian": "Ștefan și Țuțuianu, înălțime",
    "Turkish": "Iğdır’da şık çağdaş",
    "Icelandic": "Þórður sæði ögn",
    "Latvian": "Ģirts Ķēniņš, mežaudžu",
    "Vietnamese": "Nguyễn Thị Hường trồng rừng",
    "Russian": "Съешь же ещё этих мягких французских булок",
    "Ukrainian": "Щастя, ґанок, їжак, єнот",
    "Serbian": "Љубазни фењерџија чађавог лица",
    "Kazakh": "Әріптес қаңғыған өңір ұлы",
    "Greek": "Ξεσκεπάζω τὴν ψυχοφθόρα βδελυγμία",
}


@pytest.mark.parametrize("language", WORDS)
def test_a_letter_greets_in_the_letters_of_the_name(language: str) -> None:
    told = words_of(as_pdf(f"Dear {WORDS[language]},\n\nWhat did it:\n  - {WORDS[language]}\n", WORDS[language]))
    assert told.count(WORDS[language]) == 2 and "not shown" not in told and "■" not in told


@pytest.mark.parametrize("words, instead", [
    ("山田太郎", "[4 Han letters not shown]"), ("שלום", "[4 Hebrew letters not shown]"),
    ("مرحبا", "[5 Arabic letters not shown]"),
    ("ไทย", "[3 Thai letters not shown]"), ("한국", "[2 Korean letters not shown]"),
    ("🦌", "[1 sign not shown]"),
])  # fmt: skip
def test_letters_that_cannot_be_set_are_said_to_be_missing(words: str, instead: str) -> None:
    told = words_of(as_pdf(f"Dear {words} Bo,\n\nThank you.\n"))
    assert f"Dear {instead} Bo," in told and "■" not in told
    assert NOT_SHOWN in told.replace("\n", " ")


def test_a_name_that_came_in_pieces_is_put_together_and_marks_of_direction_leave_nothing() -> None:
    assert settable("e\u0301 C\u030c") == "\u00e9 \u010c"
    assert settable("a\u202eb\u200dc\x07") == "abc"


def test_every_alphabet_of_latin_cyrillic_and_greek_scripts_is_in_both_fonts() -> None:
    ranges = ((0x20, 0x7E), (0xA0, 0x17F), (0x218, 0x21B), (0x386, 0x3CE), (0x400, 0x4FF), (0x1EA0, 0x1EF9))
    lacking = [chr(code) for low, high in ranges for code in range(low, high + 1)
               if code not in load_fonts() and code not in (0x38B, 0x38D, 0x3A2)]  # three places that hold no letter
    assert not lacking
    assert all(ord(sign) in load_fonts() for sign in "–—“”„‘’…•±°×²³€£§−≤≥")


def test_every_paper_with_other_peoples_words_shows_them(tmp_path: Path) -> None:
    wood, tree = "Żubrowa Góra, Дубрава", "Δρυς 12, 山"
    log = open_log(tmp_path)
    register(log, "cage", site=wood, label=tree, inner_mm=120, built="2019-04-01", lat=46.1, lon=-71.6, note="Příkop")
    on = date(2026, 11, 25)
    ground = from_degrees(box(8.0, 47.0, 8.005, 47.004))
    trees = invented().assign(site=wood)
    trees["species"] = trees["species"].map({"oak": "дуб", "silver fir": "jodła 山"})
    survey = summarise(trees)
    papers = {
        "due list": (due_pdf(due(log, on), on, wood), (wood, "Δρυς 12")),
        "metal": (metal_pdf(metal(log)), (wood, "Δρυς 12", "Příkop", "[1 Han letter not shown]")),
        "tally": (tally_sheet_pdf(wood, ("Ł1",)), (wood, "Ł1")),
        "layout": (layout_pdf(ground, np.array([[0.0, 0.0]]), wood), (wood,)),
        "survey": (survey_pdf(survey), (wood, "дуб", "jodła [1 Han letter not shown]")),
        "labels": (labels_pdf((tree,), wood), (wood, "Δρυς 12, [1 Han letter not shown]")),
        "proof": (proof_pdf(proof(log), wood), (wood,)),
        "head and foot": (as_pdf("Dear Bo,", head=wood, foot=tree), (wood, "Δρυς 12, [1 Han letter not shown]")),
    }
    for name, (paper, expected) in papers.items():
        told = words_of(paper).replace("\n", " ")
        assert all(words in told for words in expected), name
        assert "■" not in told
    assert "jodła 山" in survey_html(survey)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_long_name_leaves_the_next_word_of_the_tally_sheets_head_free(paper: str) -> None:
    wood = "Żubrowa Góra, Дубрава"
    (page,) = PdfReader(BytesIO(tally_sheet_pdf(wood, ("Poletko 17, górne",), paper, parts=(wood,),
                                                degrees=((46.81234, -71.20567),)))).pages
    lines: dict[float, list[tuple[float, float, str]]] = {}

    def took(words: str, _matrix: object, at: list[float], _font: object, size: float) -> None:
        if words.strip():
            end = at[4] + stringWidth(words.strip(), BOLD, size)
            lines.setdefault(round(at[5]), []).append((at[4], end, words.strip()))

    page.extract_text(visitor_text=took)
    for line in sorted(lines, reverse=True)[:2]:
        told = sorted(lines[line])
        assert len(told) > 4
        for (_, end, words), (start, _, following) in pairwise(told):
            assert end <= start + 0.5, (words, following)


def test_the_fonts_are_small_and_their_licence_lies_beside_them() -> None:
    folder = Path(__file__).parent.parent / "diagnose" / "report" / "fonts"
    assert sum(file.stat().st_size for file in folder.iterdir()) < 1_500_000
    assert "SIL OPEN FONT LICENSE Version 1.1" in (folder / "LICENSE.txt").read_text(encoding="utf-8")
