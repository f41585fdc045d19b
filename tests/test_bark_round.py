"""Views round a stem are joined. Truth: arcs on a circle, seen through windows, by geometry alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from diagnose.measure.bark_round import SeenRound, arcs_of, share_round
from diagnose.measure.join import join
from diagnose.measure.record import Measurement
from diagnose.signs import Bounded, Measured

LIMB, WELL = 84.0, 65.0


def view(middle: float, width: float, stood: float, border: float = 2.0) -> SeenRound:
    """What a camera at `stood` sees of an arc `width` wide about `middle` [degree], without any error."""
    grid = np.arange(-180, 180, 0.5) + 0.25
    bare = np.abs((grid + stood - middle + 180) % 360 - 180) < width / 2
    arcs = arcs_of(grid, bare & (np.abs(grid) < LIMB))
    first = max(arcs, key=lambda arc: arc[1] - arc[0], default=(0.0, 0.0))
    also = tuple(arc for arc in arcs if arc != first)
    shown = sum(b - a for a, b in arcs) / 360
    well = arcs_of(grid, (np.abs(grid) < WELL) & ~np.any([(grid > a) & (grid < b) for a, b in also or [(0, 0)]], axis=0))
    low = max(0.0, (first[1] - first[0]) / 360 - 0.02)
    return SeenRound((first,), also, well, border, Bounded(low, min(1.0, shown + 0.02 + (360 - 2 * LIMB) / 360)))


def bounds(share: Measured | Bounded) -> tuple[float, float]:
    if isinstance(share, Bounded):
        return share.low, share.high
    return share.value - 2 * share.sigma, share.value + 2 * share.sigma


ARC = st.tuples(st.floats(-180, 180), st.floats(20, 340))
STOOD = st.lists(st.floats(0, 359), min_size=1, max_size=4)


@settings(max_examples=30, deadline=None)
@given(arc=ARC, stood=STOOD, told=st.booleans())
def test_the_joined_lower_bound_is_never_under_the_largest_single_one(
    arc: tuple[float, float], stood: list[float], told: bool
) -> None:
    views = [view(*arc, at) for at in stood]
    low, _ = bounds(share_round(views, stood if told else None))
    assert low >= max(one.alone.low for one in views) - 1e-9


@settings(max_examples=30, deadline=None)
@given(arc=ARC, stood=STOOD, told=st.booleans())
def test_the_same_view_twice_changes_nothing(arc: tuple[float, float], stood: list[float], told: bool) -> None:
    views = [view(*arc, at) for at in stood]
    once = share_round(views, stood if told else None)
    assert share_round(views + views[:1], stood + stood[:1] if told else None) == once


@settings(max_examples=30, deadline=None)
@given(arc=ARC, stood=STOOD, told=st.sampled_from(["turns", "all-round", "nothing"]), seed=st.integers(0, 99))
def test_the_order_of_the_views_does_not_matter(
    arc: tuple[float, float], stood: list[float], told: str, seed: int
) -> None:
    order = np.random.default_rng(seed).permutation(len(stood))
    views = [view(*arc, at) for at in stood]
    turns = {"turns": stood, "all-round": "all-round", "nothing": None}[told]
    other = [stood[k] for k in order] if told == "turns" else turns
    assert bounds(share_round([views[k] for k in order], other)) == pytest.approx(bounds(share_round(views, turns)))


@settings(max_examples=30, deadline=None)
@example(arc=(0.0, 20.0), stood=[2.0, 0.0, 0.0, 1.0], seed=0)
@given(arc=ARC, stood=STOOD, seed=st.integers(0, 99))
def test_the_truth_lies_within_the_bounds_whatever_the_turns_are(
    arc: tuple[float, float], stood: list[float], seed: int
) -> None:
    """Turns told up to 8 degrees off; a hundredth of the circumference is left for the borders."""
    views = [view(*arc, at) for at in stood]
    told = [at + off for at, off in zip(stood, np.random.default_rng(seed).uniform(-8, 8, len(stood)), strict=True)]
    for turns in (None, told):
        low, high = bounds(share_round(views, turns))
        assert low - 0.01 <= arc[1] / 360 <= high + 0.01


def test_one_side_told_three_times_at_turns_that_are_off_is_not_made_wider() -> None:
    told = np.random.default_rng(79).uniform(-8, 8, 3)
    low, _ = bounds(share_round([view(0.0, 20.0, 0.0)] * 3, list(told)))
    assert low - 0.01 <= 20 / 360


def test_joined_bounds_hold_the_truth_nineteen_times_in_twenty() -> None:
    """200 arcs seen from three or four sides, turns off by 8 degrees and borders by theirs, drawn at random."""
    random, held, widths = np.random.default_rng(3), [], []
    for _ in range(200):
        sides = int(random.choice([3, 4]))
        told = np.arange(sides) * 360 / sides
        middle, width = random.uniform(-180, 180), random.uniform(30, 330)
        views = [view(middle, width + random.normal(0, 2.8), at, 2.0) for at in told + random.normal(0, 8, sides)]
        low, high = bounds(share_round(views, list(told)))
        held.append(low - 1e-9 <= width / 360 <= high + 1e-9)
        widths.append(high - low)
    assert np.mean(held) > 0.91
    assert np.median(widths) < 0.2


def test_views_round_the_stem_say_more_than_their_intervals_alone() -> None:
    stood = [0.0, 120.0, 240.0]
    views = [view(0.0, 200.0, at) for at in stood]
    alone, joined = bounds(share_round(views)), bounds(share_round(views, stood))
    assert joined[1] - joined[0] < 0.8 * (alone[1] - alone[0])
    assert joined[0] < 200 / 360 < joined[1]


def test_all_round_the_share_is_at_most_the_sum_of_what_the_views_show() -> None:
    views = [view(0.0, 120.0, at) for at in (10.0, 130.0, 250.0)]
    low, high = bounds(share_round(views, "all-round"))
    assert low < 120 / 360 < high
    assert high < min(one.alone.high for one in views) - 0.03


def test_two_views_are_not_all_round() -> None:
    views = [view(0.0, 40.0, at) for at in (10.0, 190.0)]
    assert share_round(views, "all-round") == share_round(views)


def test_each_view_needs_its_turn() -> None:
    with pytest.raises(ValueError, match="as many turns"):
        share_round([view(0, 90, 0), view(0, 90, 90)], [0.0])
    with pytest.raises(ValueError, match="at least one"):
        share_round([])


def _photo(seen: SeenRound | None) -> Measurement:
    return Measurement({} if seen is None else {"bark_loss": seen.alone}, {}, {}, (), seen)


def test_joined_photographs_of_gnawed_bark_use_their_turns_and_ask_for_them_where_they_are_not_told() -> None:
    stood = [0.0, 120.0, 240.0]
    photos = [_photo(view(0.0, 200.0, at)) for at in stood]
    without, with_turns = join(photos), join(photos, turns=stood)
    assert any("how far round the stem" in line for line in without.remarks)
    assert not with_turns.remarks
    told, untold = bounds(with_turns.measured["bark_loss"]), bounds(without.measured["bark_loss"])  # type: ignore[arg-type]
    assert told[1] - told[0] < untold[1] - untold[0]


def test_a_photograph_without_a_patch_is_neither_bark_nor_bare() -> None:
    stood = [0.0, 120.0, 240.0]
    photos = [_photo(view(0.0, 100.0, at)) for at in stood[:2]]
    both = join(photos, turns=stood[:2]).measured["bark_loss"]
    assert join([*photos, _photo(None)], turns=stood).measured["bark_loss"] == both
    assert join([*photos, _photo(None)], turns="all-round").measured["bark_loss"] == join(photos).measured["bark_loss"]


def test_photographs_that_show_more_than_others_allow_are_told() -> None:
    photos = [_photo(SeenRound(((-60.0, 60.0),), (), ((-65.0, 65.0),), 2.0, Bounded(0.5, 1.0))),
              _photo(SeenRound(((-5.0, 5.0),), (), ((-65.0, 65.0),), 2.0, Bounded(0.02, 0.4)))]  # fmt: skip
    joined = join(photos, turns=[0.0, 90.0])
    assert any("do not agree in bark_loss" in line for line in joined.remarks)
    assert joined.measured["bark_loss"] == Bounded(0.4, 0.5)


def test_from_several_sides_the_patch_is_as_wide_as_the_side_that_shows_most_of_it() -> None:
    stood = [0.0, 90.0]
    photos = [_photo(view(0.0, 100.0, at)) for at in stood]
    for photo, width in zip(photos, (40.0, 22.0), strict=True):
        photo.measured["patch_width_mm"] = Measured(width, 0.5)
    joined = join(photos, turns=stood)
    assert joined.measured["patch_width_mm"] == Measured(40.0, 0.5)
    assert not [line for line in joined.remarks if "differ" in line]
    assert any("differ" in line for line in join(photos).remarks)  # from one side they would have to agree
