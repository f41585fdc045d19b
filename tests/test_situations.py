"""Expected readings that were written down before running stand as they were written."""

from __future__ import annotations

import math
from collections import Counter

import yaml

from diagnose.culprits.verdict import judge
from diagnose.signs import parse_signs
from tests.situations import HELD_OUT, LAST, LATER, SITUATIONS, read_case, read_situation

TOLD = yaml.safe_load(SITUATIONS.read_text(encoding="utf-8"))
CASES = [case for file in (HELD_OUT, LATER, LAST) for case in yaml.safe_load(file.read_text(encoding="utf-8"))["cases"]]


def test_there_are_sixty_situations_with_fifteen_that_nobody_could_tell_and_fifteen_look_alikes() -> None:
    kinds = Counter(told["kind"] for told in TOLD)
    assert sum(kinds.values()) >= 60
    assert kinds["cannot_tell"] >= 15
    assert kinds["look_alike"] >= 15
    assert len({told["name"] for told in TOLD}) == len(TOLD)


def test_every_sign_of_a_situation_or_case_is_in_the_vocabulary() -> None:
    for told in [*TOLD, *CASES]:
        assert parse_signs(told["signs"])


def test_none_of_the_further_cases_is_one_of_the_first_fifty_one() -> None:
    old = yaml.safe_load((HELD_OUT.parent / "cases.yaml").read_text(encoding="utf-8"))["cases"]
    assert not {case["url"] for case in CASES} & {case["url"] for case in old}


def test_an_expectation_is_met_by_the_group_that_leads_and_an_open_one_by_none_that_does() -> None:
    shown = {"name": "one", "kind": "bite", "place": None, "month": None, "must_not_be": [],
             "signs": {"wound": "bark_rubbed", "position": "middle"}}
    assert read_situation({**shown, "expect": ["deer"]}).agrees
    assert not read_situation({**shown, "expect": ["vole"]}).agrees
    assert not read_situation({**shown, "expect": ["deer"], "must_not_be": ["deer"]}).agrees
    nothing = read_situation({**shown, "signs": {}, "expect": "cannot_tell"})
    assert nothing.agrees == (nothing.share < 0.6 or not nothing.told)
    assert math.isnan(nothing.expected)


def test_a_case_counts_when_the_group_that_its_source_names_comes_first() -> None:
    shown = {"id": "one", "url": "no page", "place": None, "month": None, "signs": {"wound": "bark_rubbed"}}
    assert read_case({**shown, "named_by": ["deer"]}).agrees
    assert not read_case({**shown, "named_by": ["weather"]}).agrees
    assert not read_case({**shown, "named_by": ["no such animal", "not_listed"]}).known


def test_a_published_case_is_hardly_ever_surely_given_to_the_wrong_animal() -> None:
    read = [read_case(case) for case in CASES]
    assert len(read) >= 100
    assert sum(one.told and not one.agrees and one.share >= 0.8 for one in read) <= 0.03 * len(read)


def test_where_nobody_wrote_down_which_animals_live_the_unlisted_are_the_likeliest_before_the_wound_is_seen() -> None:
    unknown, known = judge({}, "ZA"), judge({}, "DE")
    assert max(unknown.culprits, key=unknown.culprits.__getitem__) == "not_listed" and unknown.leading is None
    assert known.culprits["not_listed"] < 0.1
