"""The published cases for barriers that an outsider read: what is met stays met, what is not is told with its reason."""

from __future__ import annotations

from typing import Any

import pytest

from tests.held_out_plans import FILES, cases_of, met

CASES = [case for path in FILES for case in cases_of(path).values()]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_a_case_read_by_an_outsider_is_met_but_for_what_it_says(case: dict[str, Any]) -> None:
    declared = case.get("not_met", {})
    assert {key for key, one in met(case).items() if one is not True} == set(declared)
    assert all(declared.values())
