"""A part of each table is the mean of its group's, in which culprits count alike, whatever their deeds are counted in."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
import pytest

from diagnose.culprits import catalogue as of_culprits
from diagnose.culprits.tables import words


def _with(part: float, monkeypatch: pytest.MonkeyPatch) -> of_culprits.Catalogue:
    monkeypatch.setattr(of_culprits, "words", lambda: MappingProxyType({**words(), "from_group": part}))
    return of_culprits._read.__wrapped__(None, frozenset(), True)


def test_each_culprit_of_a_group_counts_as_much_in_its_mean(monkeypatch: pytest.MonkeyPatch) -> None:
    own, mean = _with(0.0, monkeypatch), _with(1.0, monkeypatch)
    groups = np.array([own.groups[key] for key, _ in own.causes])
    tried = 0
    for sign in ("season", "foliage", "tree_kind", "plant_stage"):
        table = own.tables[sign]
        told = ~np.isnan(table[:, 0])
        for group in ("chemical", "tool", "weather", "insect"):
            here = told & (groups == group)
            if here.sum() < 2:
                continue
            # each culprit's own mean, in which its deeds count by how often it does them, and then the mean of culprits
            each = {key: np.flatnonzero(here & (own.of == key)) for key in set(own.of[here])}
            whole = sum(own.share[rows] @ table[rows] for rows in each.values())
            weight = sum(own.share[rows].sum() for rows in each.values())
            assert np.allclose(sum(own.share[own.of == key].sum() for key in each), len(each))
            mixed = mean.tables[sign][here & ~np.isclose(mean.tables[sign], table).all(axis=1)]
            tried += len(mixed)
            assert np.allclose(mixed, whole / weight, atol=1e-9)
    assert tried > 20


def test_what_a_deed_is_and_where_it_is_done_is_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    own, mean = _with(0.0, monkeypatch), _with(1.0, monkeypatch)
    for sign in ("wound", "place", "site_kind"):
        assert np.array_equal(own.tables[sign], mean.tables[sign], equal_nan=True)


def test_a_fifth_of_the_tables_in_use_is_their_groups() -> None:
    assert words()["from_group"] == 0.2
