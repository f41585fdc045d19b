"""The printed key holds every question on one page."""

import re

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.culprits.on_paper import printed_key
from diagnose.report.answer_drawings import TALL, WIDE, draw_answer, drawing_of, drawn_signs
from diagnose.report.card_sheet import PAPERS
from diagnose.report.field_key import field_key, points_to
from diagnose.signs import vocabulary
from tests.test_card_sheet import pages


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_question_and_answer_stands_on_one_page(paper: str) -> None:
    page, _ = pages(field_key(paper))
    placed = re.findall(r"1 0 0 1 ([-\d.]+) ([-\d.]+) Tm \((.*?)(?<!\\)\) Tj", page)
    printed = {words.replace("\\(", "(").replace("\\)", ")") for _, _, words in placed}
    for word in printed_key():
        assert word.question in printed
        assert set(word.choices.values()) <= printed
    width, height = (size * 72 / 25.4 for size in PAPERS[paper])
    assert all(0 < float(x) < width and 20 < float(y) < height for x, y, _ in placed)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_drawn_answers_stand_on_the_back_inside_the_paper(paper: str) -> None:
    _, back = pages(field_key(paper))
    placed = re.findall(r"1 0 0 1 ([-\d.]+) ([-\d.]+) Tm \((.*?)(?<!\\)\) Tj", back)
    width, height = (size * 72 / 25.4 for size in PAPERS[paper])
    assert {"droppings", "cut_form"} <= set(drawn_signs())
    captions = [(float(x), float(y)) for x, y, words in placed if words != "true size"]
    assert len(captions) > 50 and all(0 < x < width and 0 < y < height for x, y in captions)


def test_every_answer_of_a_drawn_question_has_a_drawing_of_its_own() -> None:
    for name in drawn_signs():
        drawn = {choice: drawing_of(name, choice) for choice in vocabulary()[name].choices if choice != "none"}
        assert None not in drawn.values(), name
        assert len({svg.split("</title>")[1] for svg in drawn.values() if svg}) == len(drawn)
    assert drawing_of("season", "winter") is None


def test_a_drawing_stays_inside_its_frame_and_is_black() -> None:
    for name in drawn_signs():
        for choice in vocabulary()[name].choices:
            drawing = draw_answer(name, choice)
            for s in drawing.strokes if drawing else ():
                assert min(s.x1, s.x2) >= -0.5 and max(s.x1, s.x2) <= WIDE + 0.5, (name, choice)
                assert min(s.y1, s.y2) >= -0.5 and max(s.y1, s.y2) <= TALL + 0.5, (name, choice)


# common practice, no source
def test_the_key_points_where_common_practice_does() -> None:
    form = vocabulary()["cut_form"]
    assert points_to(form, "torn")[0] == "deer"
    assert points_to(form, "clean")[0] == "rabbit or hare"
    assert points_to(vocabulary()["groove_look"], "fine_many_angles")[0] == "voles"


def test_an_unknown_paper_is_refused() -> None:
    with pytest.raises(CannotUse, match="A4"):
        field_key("napkin")
