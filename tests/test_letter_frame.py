"""An office's letters carry its own head and foot, and figures that are only bounded read so."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO

import pytest
from pypdf import PdfReader

from diagnose.cannot_use import CannotUse
from diagnose.diagnosis import diagnose_photo
from diagnose.report.letters import as_pdf, framed, letter
from diagnose.signs import Bounded
from tests.conftest import PHOTOS

HEAD = "Forest office of the Long Valley\n12 Mill Lane, Hollow\nTel. 01 23 45"
FOOT = "Open on Tuesdays from 8 to 12"


def test_head_and_foot_stand_round_a_letter_and_an_empty_one_leaves_no_gap() -> None:
    assert framed("Dear Ada,\n", HEAD, FOOT) == f"{HEAD}\n\nDear Ada,\n\n{FOOT}\n"
    assert framed("Dear Ada,\n") == "Dear Ada,\n"


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_head_stands_on_the_first_page_line_by_line_and_the_foot_on_every_page(paper: str) -> None:
    pages = [page.extract_text() for page in PdfReader(BytesIO(as_pdf(
        "Dear Ada,\n\n" + "\n\n".join(["Something ate it."] * 120), paper=paper, head=HEAD, foot=FOOT))).pages]
    assert len(pages) > 1
    for line in HEAD.splitlines():
        assert [line in [one.strip() for one in page.splitlines()] for page in pages] == [True] + [False] * (len(pages) - 1)
    assert all(FOOT in page for page in pages)


def test_a_head_that_does_not_fit_the_paper_is_refused_in_one_line() -> None:
    with pytest.raises(CannotUse, match="head of letters"):
        as_pdf("Dear Ada,", head="word " * 60)
    with pytest.raises(CannotUse, match="foot of letters"):
        as_pdf("Dear Ada,", foot="\n".join("123456789"))


def test_a_thickness_of_which_only_bounds_are_known_is_told_as_between_two_figures() -> None:
    found = diagnose_photo(PHOTOS / "twig_on_card" / "IMG_0000.jpg")
    found = replace(found, signs={**found.signs, "end_diameter_mm": Bounded(3.7, 4.8)})
    row = {"pile": "ask back", "question": "", "photos": {"": "IMG_0000.jpg"}, "about": "", "received_at": None}
    told = [line for line in letter(row, found).measured if line.startswith("thickness of the twig")]
    assert told == ["thickness of the twig at the cut: between 3.7 and 4.8 mm"]
