"""The page for the pocket judges as Python does; `python -m tests.pocket_equal` asks both about 2,000 cases."""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np

from diagnose.pocket.page import phone_script
from diagnose.pocket.work import work_of
from diagnose.signs import vocabulary
from diagnose.survey.tally import TALLY, problems
from tests.pocket_equal import ANYWHERE, answered_cases, any_cases, by_page, differences


def test_drawn_cases_hold_every_choice_of_every_sign_and_every_kind_of_place() -> None:
    cases = any_cases(1000)
    seen = {(name, choice) for one in cases for name, sign in one.signs.items()
            for choice in [getattr(sign, "choice", None), *getattr(sign, "found", ()), *getattr(sign, "shares", ())]}
    assert {(word.name, choice) for word in vocabulary().values() for choice in word.choices} <= seen
    assert {word.name for word in vocabulary().values()} <= {name for one in cases for name in one.signs}
    assert {one.where for one in cases} == set(range(len(ANYWHERE)))
    assert {one.month for one in cases} == {None, *range(1, 13)}
    assert any(one.passed for one in cases) and any(one.snow_mm for one in cases)


def test_page_and_python_find_the_same_probabilities_barrier_and_next_question(browser: Any) -> None:
    # 20 with everything that is asked of them, 180 without the slow part: which question comes next
    cases = [*answered_cases(10), *any_cases(1000)[::5][:190]]
    told = by_page(cases, browser, whole=20)
    found = {at: lines for at, (case, one) in enumerate(zip(cases, told, strict=True)) if (lines := differences(case, one))}
    assert found == {}


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
