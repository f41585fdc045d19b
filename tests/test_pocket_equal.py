"""The page for the pocket judges as Python does, in some 900 drawn cases."""

from __future__ import annotations

import datetime
import json
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np

from diagnose.culprits.ask import PLACE, questions
from diagnose.culprits.catalogue import catalogue
from diagnose.culprits.here import place_from
from diagnose.diagnosis import _by_need
from diagnose.pocket.page import model_script, phone_script
from diagnose.pocket.tables import tables_of, where_of
from diagnose.pocket.work import work_of
from diagnose.protect.requirement import NEED_OF, require
from diagnose.signs import vocabulary
from diagnose.survey.tally import TALLY, problems
from tests.pocket_equal import ANYWHERE, Drawn, answered_cases, any_cases, by_page, differences


@cache
def _cases() -> list[Drawn]:
    """Drawn when first asked for: every worker collects this file, one runs it."""
    # any signs once at every place; `python -m tests.pocket_equal` draws more of both
    return [*answered_cases(330), *any_cases(len(ANYWHERE))]


def test_drawn_cases_hold_every_choice_of_every_sign_and_every_kind_of_place() -> None:
    cases = _cases()
    assert len(cases) >= 900
    seen = {(name, choice) for one in cases for name, sign in one.signs.items()
            for choice in [getattr(sign, "choice", None), *getattr(sign, "found", ()), *getattr(sign, "shares", ())]}
    assert {(word.name, choice) for word in vocabulary().values() for choice in word.choices} <= seen
    assert {word.name for word in vocabulary().values()} <= {name for one in cases for name in one.signs}
    assert {one.where for one in cases} == set(range(len(ANYWHERE)))
    assert {one.month for one in cases} == {None, *range(1, 13)}
    assert {question for one in cases for question in one.passed} == {PLACE, *(word.name for word in questions())}
    assert {one.snow_mm for one in cases} >= {None, 0.0, 1250.0}
    known = catalogue()  # a table that some cause lacks, and one that each has
    lacking = {name: bool(np.isnan(table[:, 0]).any()) for name, table in known.tables.items()} | {
        name: None in each for name, each in known.numbers.items()}
    assert set(lacking.values()) == {True, False}


def test_page_and_python_find_the_same_probabilities_barrier_and_next_question(browser: Any) -> None:
    cases = _cases()
    told = list(by_page(cases, browser))
    found = {at: differences(case, one) for at, (case, one) in enumerate(zip(cases, told, strict=True))}
    assert {at: lines for at, lines in found.items() if lines} == {}
    ends = [one["leading"] is None for one in told], [one["step"]["question"] is None for one in told]
    assert all(0.05 < np.mean(each) < 0.95 for each in ends)  # clear and "cannot tell", asked on and done


def test_a_place_chosen_on_the_page_is_what_python_makes_of_it(browser: Any) -> None:
    page, tables = browser.new_page(), tables_of()
    page.evaluate("source => { window.eval(source); }", model_script() + "; window.makeModel = makeModel;")
    page.evaluate("tables => { window.model = makeModel(tables); }", tables)
    chosen = [one["code"] for one in tables["places"]["all"]]
    assert len(chosen) > 400 and {"NZ", "US-VT", "BR", "GB-SCT"} <= set(chosen)
    told = json.loads(page.evaluate("codes => JSON.stringify(codes.map(model.whereOf))", chosen))
    page.close()
    for code, one in zip(chosen, told, strict=True):
        assert one == {**where_of(place_from(code)), "given": code}, code


def test_page_and_python_refuse_the_same_entries_of_the_tally(browser: Any) -> None:
    draw = np.random.default_rng(4)
    fields = {field.name: field for field in TALLY}
    entries = []
    for _ in range(400):
        entry = {"site": "s", "visit": "2026-05-04", "plot": "P1", "tree": "7", "species": "oak"}
        for name in draw.choice(list(fields), size=5, replace=False):
            field = fields[name]
            if name in ("x", "y", "crs"):
                continue  # the page never asks for them
            if field.kind == "choice":
                entry[name] = str(draw.choice([*field.choices, "maybe"]))
            elif field.kind in ("whole", "number"):
                entry[name] = str(draw.choice(["", "0", "3", "9", "2.5", "70", "60000", "-1", "x"]))
            elif field.kind == "day":
                entry[name] = str(draw.choice(["2026-05-04", "2031-01-01", "4 May"]))
            else:
                entry[name] = str(draw.choice(["", "a"]))
        entries.append(entry)
    page = browser.new_page()
    page.evaluate("source => { window.eval(source); }", phone_script() + ";window.tallyProblems = tallyProblems;")
    refused = page.evaluate("([entries, fields]) => entries.map(one => tallyProblems(one, fields, '2026-11-28').length > 0)",
                            [entries, work_of(None, "s", datetime.date(2026, 11, 28))["fields"]])
    page.close()
    ours = [bool(problems(one, datetime.date(2026, 11, 28))) for one in entries]
    assert [entry for entry, a, b in zip(entries, ours, refused, strict=True) if a != b] == []
    assert 0.2 < np.mean(ours) < 0.9


def test_equal_gains_go_by_the_order_of_the_vocabulary() -> None:
    from diagnose.culprits import ask

    worth = {"runs": 0.3, "foliage": 0.3 + 5e-10, "season": 0.1}
    best = next(name for name in worth if worth[name] >= max(worth.values()) - ask.ALIKE)
    assert best == "runs"


def test_of_culprits_that_are_equally_likely_the_barrier_names_the_first_whatever_rounding_leaves_of_their_shares() -> None:
    alike = [key for key in catalogue().keys if NEED_OF.get(key) == NEED_OF["termite"]]
    assert len(alike) > 1
    for a_little in (0.0, 1e-17, 5e-12):
        verdict = SimpleNamespace(culprits={key: 0.1 + a_little * place for place, key in enumerate(alike)})
        assert list(_by_need(verdict)) == alike[:1]
    both = {"rabbit": 0.1 + 1e-17, "hare": 0.1 + 1e-15}
    assert require(both).culprits == require(dict(reversed(both.items()))).culprits == ("hare",)
