"""Plans obey laws of arithmetic and safety; `python -m tests.plan_laws` tries 500 plantings."""

import random

import pytest

from tests.plan_laws import LAWS, drawn


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.__name__)
def test_a_law_holds_over_drawn_plantings(law) -> None:
    for number in range(3):
        rng = random.Random(number)
        law(drawn(rng), rng)
