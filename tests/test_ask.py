"""The guided key asks what is worth asking, ends, and saves questions against a printed list."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.culprits.ask import (
    CLEAR,
    gains,
    next_step,
    printed_key,
    questions,
    share_told,
    turns,
    usually_told,
    would_change,
)
from diagnose.culprits.check import read_cases
from diagnose.culprits.observers import DONT_KNOW, Observer, guided, questions_saved, told_counts
from diagnose.culprits.verdict import judge
from diagnose.protect.requirement import NEED_OF
from diagnose.signs import Answer, Measured, parse_signs, vocabulary

CLEAN = parse_signs({"wound": "severed_shoot", "cut_form": "clean", "cut_slant": "slanting", "position": "low"})


def test_the_chances_of_the_answers_to_a_question_sum_to_one() -> None:
    for answers in turns(judge(CLEAN, place="central")):
        assert sum(one.chance for one in answers) == pytest.approx(1.0)


def test_what_an_answer_would_do_is_what_it_then_does() -> None:
    verdict = judge(CLEAN, place="central")
    for answers in turns(verdict):
        for one in answers:
            then = verdict.with_sign(one.word.name, Answer(one.choice)).culprits
            assert one.culprits == pytest.approx(np.array(list(then.values())), abs=1e-12)


def test_a_clear_culprit_ends_the_asking() -> None:
    clear = judge({**CLEAN, **parse_signs({"droppings": "round_pea", "severed_piece": "left"})}, place="east")
    assert max(clear.groups.values()) >= CLEAR
    assert next_step(clear).question is None


def test_culprits_that_need_the_same_barrier_are_not_told_apart() -> None:
    verdict = judge(CLEAN, place="central")
    assert max(verdict.groups.values()) < CLEAR
    step = next_step(verdict, (), dict.fromkeys(verdict.culprits, "wire cylinder"))
    assert step.question is None and "same barrier" in step.reason
    differing = {key: key for key in verdict.culprits}
    assert "same barrier" not in next_step(verdict, (), differing).reason


def test_real_barriers_can_end_the_asking_without_an_error() -> None:
    for case in read_cases():
        assert next_step(judge(case.signs, place=case.place), (), NEED_OF).reason


def test_a_question_that_was_passed_is_not_asked_again() -> None:
    verdict, passed = judge({"wound": Answer("severed_shoot")}, place="east"), set()
    while (asked := next_step(verdict, passed).question) is not None:
        assert asked not in passed
        passed.add(asked)
    assert passed


def test_the_snow_line_is_not_asked_where_no_snow_lay() -> None:
    known = judge(parse_signs({"wound": "bark_gnawed", "past_snow": "none"}), place="east")
    assert gains(known)["snow_line"] == 0
    deep = judge(parse_signs({"wound": "bark_gnawed", "past_snow": "deep"}), place="east")
    assert gains(deep)["snow_line"] > 0.02


def test_the_printed_key_asks_first_what_was_hurt_and_each_question_once() -> None:
    names = [word.name for word in printed_key()]
    assert names[0] == "wound"
    assert len(names) == len(set(names))
    askable = {word.name for word in vocabulary().values() if word.kind == "choice" and word.question}
    assert set(names) == askable


def test_answers_that_would_change_the_verdict_do_change_it() -> None:
    verdict = judge(parse_signs({"wound": "severed_shoot"}), place="east")
    named = would_change(verdict)
    assert named and any("rabbit or hare" in words for words in named)
    then = verdict.with_sign("cut_form", Answer("clean"))
    assert max(then.groups, key=lambda key: then.groups[key]) == "rabbit_or_hare"


def test_an_observer_never_tells_what_the_case_does_not_say() -> None:
    for case in read_cases():
        about = {vocabulary()[name].about for name in case.signs}
        assert {vocabulary()[name].about for name in Observer(case, 1).answers} <= about


def test_observers_pass_questions_as_often_as_stated() -> None:
    case = next(case for case in read_cases() if case.name == "sd-rabbit-shelterbelts")
    told = [len(Observer(case, seed).answers) for seed in range(400)]
    most = max(told)
    assert np.mean(told) / most == pytest.approx(1 - DONT_KNOW, abs=0.03)


def test_the_guided_key_ends_for_every_case() -> None:
    for case in read_cases()[::5]:
        assert guided(case, Observer(case, 3)).asked <= len(printed_key())


def test_how_often_a_question_is_answered_is_the_count_over_the_published_cases() -> None:
    counts = told_counts(read_cases())
    assert usually_told() == share_told(counts)
    page = read_cases()[0].page
    assert told_counts(read_cases(), page)["wound"][1] == counts["wound"][1] - sum(c.page == page for c in read_cases())


def test_a_question_that_is_hardly_ever_answered_waits_for_the_others() -> None:
    verdict = judge({"wound": Answer("severed_shoot")}, place="east")
    asked = next_step(verdict).question
    assert asked is not None
    hardly = {**usually_told(), asked: 1e-6}
    assert next_step(verdict, told=hardly).question != asked
    others = [word.name for word in questions() if word.name != asked]
    assert next_step(verdict, others, told=hardly).question == asked  # it is still asked


def test_the_verdict_is_final_after_a_third_fewer_questions_than_down_the_best_fixed_order() -> None:
    """A third of the cases only, to be quick; `diagnose check` prints all."""
    found = questions_saved(read_cases()[::3], people=2)
    assert found["saved"] >= 0.30
    assert found["guided_asked"] < found["fixed_asked"]
    assert found["log_difference"] > -2 * found["log_difference_error"] - 0.01


def test_a_measured_sign_that_is_told_but_not_weighed_does_not_stop_the_asking() -> None:
    edge = Measured(-20.0, 1.0)
    verdict = judge({"wound": Answer("bark_gnawed"), "patch_lower_edge_mm": edge})
    assert {turn.word.group for one in turns(verdict) for turn in one} >= {"marks"}
