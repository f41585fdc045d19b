"""Typical damage of each group, made up by us before it was first run, is read as its kind.

It proves that the tables make sense together, not that verdicts are right. On the first run, before any change, 62 of 67
agreed; it missed pigs in longleaf, a boar's rubbing tree, mice at sown beech nuts, a woodchuck at seedlings and a
capercaillie on pine. All of them have been mended since. Of 34 more, from far away, 31 agreed when they were first run; the
rats at palms, which passed for termites, are read since the tables are scaled. Since a seventeenth set is fitted on,
drought in pines, which nothing but season and place tells from weevils, passes for insects (43 to 38 %), and a boar's
rubbing tree at a wallow for a deer's (43 to 43).
"""

from __future__ import annotations

import pytest

from diagnose.culprits.catalogue import catalogue
from diagnose.knowledge import read_yaml
from tests.situations import SITUATIONS, read_situation

VIGNETTES = read_yaml(SITUATIONS.parent / "vignettes.yaml")
STAYS = {"drought in pines of Aragon", "boar rubbing at a wallow in France"}


def test_every_group_but_the_unlisted_has_its_typical_damage_with_at_least_four_signs() -> None:
    assert len(VIGNETTES) >= 60 and len({told["name"] for told in VIGNETTES}) == len(VIGNETTES)
    without = set(catalogue().groups.values()) - {"not_listed"} - {group for told in VIGNETTES for group in told["expect"]}
    assert not without, f"reference_cases/signs/vignettes.yaml has no typical damage of {without}: add one, with its reason"
    assert {group for told in VIGNETTES for group in told["expect"]} <= set(catalogue().groups.values())
    assert all(len(told["signs"]) >= 4 for told in VIGNETTES)


@pytest.mark.parametrize("told", VIGNETTES, ids=lambda told: told["name"])
def test_typical_damage_is_read_as_its_kind(told: dict[str, object]) -> None:
    found = read_situation(told)
    assert found.agrees != (found.name in STAYS), f"{found.first} {found.share:.2f}, expected {found.expected:.2f}"
