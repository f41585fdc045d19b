"""The guided key asks what is worth asking, ends, and saves questions against a printed list."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.culprits.ask import (
    BUILT_STAYS,
    CLEAR,
    HANDFUL,
    HANDFUL_STAYS,
    LATER_STAYS,
    PLACE,
    SURE,
    SURE_STAYS,
    answerable,
    askable,
    fits,
    gains,
    next_step,
    place_changes,
    question_of,
    questions,
    questions_left,
    stays,
    would_change,
)
from diagnose.culprits.catalogue import group_words
from diagnose.culprits.check import read_cases
from diagnose.culprits.observers import PLACES, class_of, questions_saved, seen_by
from diagnose.culprits.on_paper import ON_PAPER, printed_key
from diagnose.culprits.verdict import judge
from diagnose.culprits.worlds import draw_wounds
from diagnose.protect.requirement import NEED_OF, built_of
from diagnose.signs import Answer, Measured, parse_signs, vocabulary

CLEAN = parse_signs({"wound": "severed_shoot", "cut_form": "clean", "cut_slant": "slanting", "position": "low"})


def test_the_chances_of_the_answers_to_a_question_sum_to_one() -> None:
    for answers in judge(CLEAN, place="DE").turns:
        assert sum(one.chance for one in answers) == pytest.approx(1.0)


def test_what_an_answer_would_do_is_what_it_then_does() -> None:
    verdict = judge(CLEAN, place="DE")
    for answers in verdict.turns:
        for one in answers:
            if one.word.name == "seen":
                continue  # an animal that was seen where it does not live is read as doubtful there, which is not foreseen
            then = verdict.with_sign(one.word.name, Answer(one.choice)).culprits
            assert one.culprits == pytest.approx(np.array(list(then.values())), abs=1e-11)  # each is held up to 1e-12


def test_a_clear_culprit_ends_the_asking() -> None:
    clear = judge({**CLEAN, **parse_signs({"end_diameter_mm": 4, "severed_piece": "left", "plant_stage": "seedling",
                                           "guard": "none", "season": "winter", "crushed": "whole",
                                           "setting": "cover_near"})}, place="US-NY")
    assert max(clear.groups.values()) >= CLEAR
    assert next_step(clear).question is None


def test_culprits_that_need_the_same_barrier_are_not_told_apart() -> None:
    verdict = judge(CLEAN, place="DE")
    assert max(verdict.groups.values()) < CLEAR
    step = next_step(verdict, (), dict.fromkeys(verdict.culprits, "wire cylinder"))
    assert step.question is None and "same barrier" in step.reason
    differing = {key: key for key in verdict.culprits}
    assert "same barrier" not in next_step(verdict, (), differing).reason


def test_real_barriers_can_end_the_asking_without_an_error() -> None:
    for case in read_cases():
        assert next_step(judge(case.signs, place=case.place), (), NEED_OF).reason


def test_a_question_that_was_passed_is_not_asked_again() -> None:
    verdict, passed = judge({"wound": Answer("severed_shoot")}, place="US-NY"), set()
    while (asked := next_step(verdict, passed).question) is not None:
        assert asked not in passed
        passed.add(asked)
    assert passed


def test_answers_that_would_change_the_verdict_do_change_it() -> None:
    verdict = judge(parse_signs({"wound": "severed_shoot"}), place="US-NY")
    now = max(verdict.groups, key=lambda key: verdict.groups[key])
    assert would_change(verdict)
    for cut, kind in (("clean", "rabbit_or_hare"), ("torn", "deer")):
        then = verdict.with_sign("cut_form", Answer(cut))
        assert max(then.groups, key=lambda key: then.groups[key]) == kind
        assert kind == now or any(group_words()[kind] in words for words in would_change(verdict, most=40))


def test_who_told_the_kind_of_tree_is_not_asked_for_conifer_or_broadleaf_and_who_cannot_tell_it_may_be() -> None:
    def open_for(signs: dict) -> set[str]:
        return {word.name for word in askable(parse_signs(signs))}

    assert {"foliage", "tree_kind"} <= open_for({"wound": "bark_gnawed"})
    assert not {"foliage", "tree_kind"} & open_for({"wound": "bark_gnawed", "tree_kind": "larch"})
    assert {"setting", "site_kind"} - open_for({"setting": "mown"}) == {"setting"}
    passed, verdict = {"tree_kind"}, judge({"wound": Answer("bark_stripped")}, place="DE")
    while (asked := next_step(verdict, passed).question) is not None and asked != "foliage":
        passed.add(asked)
    assert asked == "foliage"


def test_a_measured_sign_that_is_told_but_not_weighed_does_not_stop_the_asking() -> None:
    edge = Measured(-20.0, 1.0)
    verdict = judge({"wound": Answer("bark_gnawed"), "patch_lower_edge_mm": edge})
    assert {turn.word.group for one in verdict.turns for turn in one} >= {"marks"}


def test_the_snow_line_is_not_asked_where_no_snow_lay() -> None:
    known = judge(parse_signs({"wound": "bark_gnawed"}), place="DE", snow_mm=0.0)
    assert gains(known)["snow_line"] == 0
    deep = judge(parse_signs({"wound": "bark_gnawed", "past_snow": "deep"}), place="DE")
    assert gains(deep)["snow_line"] > 0.02


def test_the_printed_key_asks_first_what_was_hurt_and_each_question_once() -> None:
    names = [word.name for word in printed_key()]
    assert names[0] == "wound"
    assert len({word.about for word in printed_key()}) == len(names) > 12
    assert sum(1 + len(word.choices) for word in printed_key()) <= ON_PAPER
    assert set(names) <= {word.name for word in questions()}


def test_every_question_says_how_likely_it_is_answered_and_why() -> None:
    assert set(answerable()) == {word.name for word in questions()}
    assert all(0 < chance < 1 for chance in answerable().values())


def test_a_question_that_is_hardly_ever_answered_waits_for_the_others() -> None:
    verdict = judge({"wound": Answer("severed_shoot")}, place="US-NY")
    asked = next_step(verdict).question
    assert asked is not None
    assert next_step(verdict, told={**answerable(), asked: 1e-6}).question != asked


def test_asking_is_over_where_no_more_answers_change_what_to_buy() -> None:
    verdict = judge({"wound": Answer("severed_shoot")}, place="US-NY")
    step = next_step(verdict, (), dict.fromkeys(verdict.culprits, "cage"))
    assert step.question is None


def test_what_nothing_is_left_to_ask_of_stays() -> None:
    verdict = judge({"wound": Answer("severed_shoot")}, place="DE")
    assert stays(verdict, tuple(word.name for word in askable(verdict.signs)), NEED_OF) == 1.0


def test_a_barrier_is_likelier_to_stay_once_the_telling_answers_are_in() -> None:
    open_ = judge({"wound": Answer("severed_shoot")}, place="DE")
    told = open_.with_sign("cut_form", Answer("clean")).with_sign("cut_slant", Answer("slanting"))
    told = told.with_sign("position", Answer("low"))
    assert 0 < stays(open_, (), NEED_OF) < stays(told, (), NEED_OF) <= 1


def test_answers_that_nobody_can_give_leave_what_is_named_as_it_is() -> None:
    verdict = judge({"wound": Answer("bark_gnawed")}, place="SE")
    assert stays(verdict, (), NEED_OF, dict.fromkeys(answerable(), 0.0)) == 1.0
    assert stays(verdict, (), NEED_OF, dict.fromkeys(answerable(), 1.0)) < 0.9


def test_asking_goes_on_while_what_is_built_may_still_change() -> None:
    verdict = judge({"wound": Answer("bark_gnawed")}, place="SE")
    assert stays(verdict, (), built_of()) < BUILT_STAYS
    assert next_step(verdict, (), NEED_OF, None, built_of()).question is not None


def test_a_group_that_is_told_as_sure_is_asked_about_until_it_would_stay_so() -> None:
    felled = judge(parse_signs({"wound": "cut_at_ground", "setting": "waterside", "pattern": "single"}), place="FI")
    assert max(felled.groups.values()) >= SURE and stays(felled, (), built_of()) >= BUILT_STAYS
    assert stays(felled) < SURE_STAYS and next_step(felled, (), NEED_OF, None, built_of()).question is not None
    assert next_step(felled, (), NEED_OF, dict.fromkeys(answerable(), 1e-3), built_of()).question is None


def test_after_a_handful_of_questions_asking_ends_only_where_what_is_built_is_likelier_to_stay() -> None:
    bitten = parse_signs({"wound": "severed_shoot", "position": "low", "cut_form": "clean", "setting": "forest"})
    verdict = judge(bitten, place="CA-BC")
    passed = [word.name for word in askable(verdict.signs) if word.name in ("hair", "runs", "tracks", "past_snow", "soil")]
    fewer = ({name: scale * one for name, one in answerable().items()} for scale in np.linspace(1.0, 0.0, 101))
    told = next(each for each in fewer if stays(verdict, passed, built_of(), each) >= BUILT_STAYS)
    assert stays(verdict, passed, built_of(), told) < LATER_STAYS and max(verdict.groups.values()) < SURE
    assert len(verdict.signs) + len(passed) > HANDFUL
    assert next_step(verdict, passed, NEED_OF, told, built_of()).question is not None
    early = dict.fromkeys(passed, 0.0)  # the same outlook, with the same questions not asked
    assert next_step(verdict, (), NEED_OF, {**told, **early}, built_of()).question is None


def test_at_the_handful_itself_asking_ends_sooner_than_before_and_after_it() -> None:
    """Who is asked a sixth question is asked until what is built is nearly certain."""
    bitten = parse_signs({"wound": "severed_shoot", "position": "low", "cut_form": "clean", "setting": "forest"})
    verdict = judge(bitten, place="US-OR")
    fewer = [{name: scale * one for name, one in answerable().items()} for scale in np.linspace(1.0, 0.0, 201)]
    open_ = [word.name for word in askable(verdict.signs) if word.name in ("hair", "runs")]
    for count, ends in ((0, False), (1, True), (2, False)):
        passed = open_[:count]
        between = [told for told in fewer if HANDFUL_STAYS <= stays(verdict, passed, built_of(), told) < BUILT_STAYS]
        assert between and len(verdict.signs) + count == HANDFUL - 1 + count
        assert (next_step(verdict, passed, NEED_OF, between[0], built_of()).question is None) == ends


def test_how_likely_it_is_to_stay_comes_true_on_drawn_wounds() -> None:
    """Few, to be quick: of the steps at which it is held likely to stay, nearly all do."""
    kept = []
    for number, wound in enumerate(draw_wounds(10, PLACES, 4)):
        seen = seen_by(wound, number)
        every = {name: sign for name, sign in seen.items() if fits(vocabulary()[name], seen)}
        end = class_of(judge(every, wound.place), NEED_OF)
        verdict = judge({}, wound.place)
        for name in ("wound", *(name for name in seen if name != "wound")):
            if name in seen and fits(vocabulary()[name], verdict.signs):
                verdict = verdict.with_sign(name, seen[name])
                if stays(verdict, (), NEED_OF) >= 0.8:
                    kept.append(class_of(verdict, NEED_OF) == end)
    assert len(kept) >= 20 and sum(kept) >= 0.8 * len(kept)


def test_fewer_questions_are_left_once_some_are_answered() -> None:
    open_ = judge({"wound": Answer("severed_shoot")}, place="US-NY")
    told = open_.with_sign("cut_form", Answer("clean")).with_sign("position", Answer("low"))
    assert 1 <= questions_left(open_) <= 8 and questions_left(told) <= questions_left(open_)


def test_a_person_answers_only_what_can_be_seen_there() -> None:
    wound = draw_wounds(1, ("DE",), 3)[0]
    assert set(seen_by(wound, 1)) <= set(wound.answers)


def test_drawn_wounds_seldom_stop_at_a_surely_wrong_group() -> None:
    """Few, to be quick; `python -m tests.believed` draws more. Of 2,000 the median was 5, 95 % kept what is built."""
    found = questions_saved(60, shuffle=False, barrier_of=NEED_OF, built_of=built_of())
    assert found["median"] <= 8 and found["surely_wrong"] <= 0.15 and found["stays"] >= 0.85
    assert 0 <= found["regret"] <= 1 - found["stays"]  # nothing is lost where what is named stays


def test_where_no_place_is_known_the_country_is_asked_for_first_where_it_would_change_the_verdict() -> None:
    """Possums live in New Zealand and not in Germany: stripped leaves are theirs here, and others' there."""
    stripped = parse_signs({"wound": "leaves_stripped", "position": "crown"})
    nowhere = judge(stripped)
    there = [max(each.groups, key=lambda key: each.groups[key]) for each in (judge(stripped, "NZ"), judge(stripped, "DE"))]
    assert there[0] == "marsupial" != there[1] and place_changes(nowhere)
    assert next_step(nowhere).question == next_step(judge({})).question == PLACE
    assert next_step(nowhere, (PLACE,)).question not in (PLACE, None)
    assert next_step(judge(stripped, "NZ")).question != PLACE


def test_what_is_the_same_everywhere_is_judged_without_asking_for_the_country() -> None:
    """A clean slanting cut low down, the piece left: rabbits and hares, by field guides of three countries (G1, F1, U1)."""
    clean = judge(parse_signs({"wound": "severed_shoot", "cut_form": "clean", "cut_slant": "slanting", "position": "low",
                               "severed_piece": "left"}))
    assert not place_changes(clean) and next_step(clean).question != PLACE


def test_asking_for_the_country_counts_as_a_question_that_is_left() -> None:
    nowhere = judge(parse_signs({"wound": "bark_stripped"}))
    assert questions_left(nowhere) >= 1 and "country" in question_of(PLACE)


def test_whether_a_guard_stands_whole_is_asked_right_after_the_guard_and_never_without_one() -> None:
    bitten = parse_signs({"wound": "severed_shoot", "guard": "mesh"})
    assert next_step(judge(bitten, place="DE")).question == "guard_state"
    assert next_step(judge(bitten, place="DE"), ("guard_state",)).question != "guard_state"
    for signs in ({"wound": "severed_shoot"}, {"wound": "severed_shoot", "guard": "none"}):
        assert "guard_state" not in {word.name for word in askable(parse_signs(signs))}


def test_a_guard_that_was_pushed_over_says_nothing_of_what_fits_through_a_whole_one() -> None:
    told = {"wound": "severed_shoot", "cut_form": "torn", "position": "middle"}
    kinds = {guard: judge(parse_signs({**told, "guard": guard, "guard_state": "pushed"}), "DE").culprits
             for guard in ("mesh", "fence")}
    assert kinds["mesh"] == pytest.approx(kinds["fence"])
    whole = judge(parse_signs({**told, "guard": "fence", "guard_state": "whole"}), "DE").culprits
    assert kinds["fence"]["roe_deer"] / kinds["fence"]["rabbit"] > 3 * whole["roe_deer"] / whole["rabbit"]


def test_an_answer_that_voids_another_does_what_was_foreseen_of_it() -> None:
    verdict = judge(parse_signs({"wound": "severed_shoot", "guard": "mesh", "position": "low"}), place="US-NY")
    answers = next(each for each in verdict.turns if each[0].word.name == "guard_state")
    for one in answers:
        then = verdict.with_sign("guard_state", Answer(one.choice)).culprits
        assert one.culprits == pytest.approx(np.array(list(then.values())), abs=1e-11)


def test_a_question_that_an_answer_made_void_is_not_asked() -> None:
    told = parse_signs({"wound": "severed_shoot", "guard_state": "bitten"})
    assert "guard" not in {word.name for word in askable(told)}
