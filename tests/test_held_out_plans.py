"""The published cases for barriers that an outsider read: what is met stays met, what is not is told with its reason."""

from __future__ import annotations

import pytest

from tests.held_out_plans import CASES, met


@pytest.mark.parametrize("name", CASES)
def test_a_case_read_by_an_outsider_is_met_but_for_what_it_says(name: str) -> None:
    told, declared = met(CASES[name]), CASES[name].get("not_met", {})
    assert {key for key, one in told.items() if not one} == set(declared)
    assert all(declared.values())
