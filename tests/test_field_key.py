"""The printed key holds every question on one page."""

import re

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.culprits.ask import printed_key
from diagnose.report.card_sheet import PAPERS
from diagnose.report.field_key import field_key, points_to
from diagnose.signs import vocabulary
from tests.test_card_sheet import pages


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_question_and_answer_stands_on_one_page(paper: str) -> None:
    (page,) = pages(field_key(paper))
    placed = re.findall(r"1 0 0 1 ([-\d.]+) ([-\d.]+) Tm \((.*?)(?<!\\)\) Tj", page)
    printed = {words.replace("\\(", "(").replace("\\)", ")") for _, _, words in placed}
    for word in printed_key():
        assert word.question in printed
        assert set(word.choices.values()) <= printed
    width, height = (size * 72 / 25.4 for size in PAPERS[paper])
    assert all(0 < float(x) < width and 20 < float(y) < height for x, y, _ in placed)


# common practice, no source
def test_the_key_points_where_common_practice_does() -> None:
    form = vocabulary()["cut_form"]
    assert points_to(form, "torn")[0] == "deer"
    assert points_to(form, "clean")[0] == "rabbit or hare"
    assert points_to(vocabulary()["groove_look"], "fine_many_angles")[0] == "voles"


def test_an_unknown_paper_is_refused() -> None:
    with pytest.raises(CannotUse, match="A4"):
        field_key("napkin")
