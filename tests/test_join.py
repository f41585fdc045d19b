"""Several photographs of one wound. Truth: statistics by formula and by drawing at random."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.measure.join import SHARED, join, two_wounds
from diagnose.measure.record import Measurement
from diagnose.signs import Bounded, Measured, Shares


def _photos(sign: str, values: list[float], sigma: float) -> list[Measurement]:
    return [Measurement({sign: Measured(value, sigma)}) for value in values]


def test_one_photograph_stays_as_it_is() -> None:
    alone = _photos("end_diameter_mm", [5.0], 0.2)
    assert join(alone) is alone[0]


def test_averaging_reduces_only_what_the_photographs_do_not_share() -> None:
    """By formula: s^2 (f + (1 - f) / n) for equal photographs that agree."""
    joined = join(_photos("end_diameter_mm", [5.0] * 4, 0.2)).measured["end_diameter_mm"]
    shared = SHARED["end_diameter_mm"][0]
    assert joined.value == pytest.approx(5.0)
    assert joined.sigma == pytest.approx(0.2 * np.sqrt(shared + (1 - shared) / 4))
    many = join(_photos("end_diameter_mm", [5.0] * 1000, 0.2)).measured["end_diameter_mm"]
    assert many.sigma > 0.99 * 0.2 * np.sqrt(shared)


def test_joined_uncertainties_are_honest_where_the_shared_part_is_as_stated() -> None:
    """Drawn at random, fixed seed: 60 to 76 % within one sigma, 90 to 98 % within two."""
    random, shared, away = np.random.default_rng(5), SHARED["wound_height_mm"][0], []
    for _ in range(1500):
        off = random.normal(0, 10 * np.sqrt(shared)) + random.normal(0, 10 * np.sqrt(1 - shared), 4)
        found = join(_photos("wound_height_mm", list(700 + off), 10.0)).measured["wound_height_mm"]
        away.append(abs(found.value - 700) / found.sigma)
    assert 0.60 < np.mean(np.array(away) < 1) < 0.76
    assert 0.90 < np.mean(np.array(away) < 2) < 0.98


def test_an_outlier_is_named_and_counts_for_less() -> None:
    joined = join(_photos("wound_height_mm", [700, 705, 698, 900], 10.0), ["a.jpg", "b.jpg", "c.jpg", "d.jpg"])
    assert abs(joined.measured["wound_height_mm"].value - 701) < 15  # the plain mean is 751
    (told,) = joined.remarks
    assert told.startswith("d.jpg stands apart") and "height above the ground: " in told and "900 ± 10 mm in d.jpg" in told


def test_of_two_that_differ_neither_is_believed_and_the_uncertainty_spans_them() -> None:
    joined = join(_photos("wound_height_mm", [700, 900], 10.0))
    found = joined.measured["wound_height_mm"]
    assert found.value == pytest.approx(800) and found.sigma > 90
    (told,) = joined.remarks
    assert "700 ± 10 mm in photo 1, 900 ± 10 mm in photo 2" in told and "differ" in told and "one wound?" in told


def test_the_order_of_the_photographs_does_not_matter() -> None:
    values = [700.0, 712.0, 695.0, 760.0]
    one = join(_photos("wound_height_mm", values, 10.0)).measured["wound_height_mm"]
    other = join(_photos("wound_height_mm", values[::-1], 10.0)).measured["wound_height_mm"]
    assert one.value == pytest.approx(other.value) and one.sigma == pytest.approx(other.sigma)


def test_shares_are_averaged_and_never_grow_surer_than_the_surest_photograph() -> None:
    first = Measurement({"end_form": Shares({"clean": 0.9, "half": 0.08, "torn": 0.02})})
    second = Measurement({"end_form": Shares({"clean": 0.8, "half": 0.1, "torn": 0.1})})
    shares = join([first, second]).measured["end_form"].shares
    assert sum(shares.values()) == pytest.approx(1.0)
    assert shares["clean"] == pytest.approx(0.85)


def test_intervals_meet_in_their_common_part() -> None:
    views = [Measurement({"bark_loss": Bounded(0.3, 0.8)}), Measurement({"bark_loss": Bounded(0.45, 0.95)})]
    assert join(views).measured["bark_loss"] == Bounded(0.45, 0.8)


def test_intervals_that_do_not_meet_are_spanned_and_said_so() -> None:
    views = [Measurement({"bark_loss": Bounded(0.1, 0.3)}), Measurement({"bark_loss": Bounded(0.5, 0.6)})]
    joined = join(views)
    assert joined.measured["bark_loss"] == Bounded(0.1, 0.6)
    assert any("do not agree" in line for line in joined.remarks)


def test_what_one_photograph_shows_is_not_missing_from_the_whole() -> None:
    shown = Measurement({"end_diameter_mm": Measured(5.0, 0.2)})
    hidden = Measurement(not_measured={"end_diameter_mm": "blurred", "raggedness": "blurred"})
    joined = join([shown, hidden])
    assert joined.measured["end_diameter_mm"] == Measured(5.0, 0.2)
    assert joined.not_measured == {"raggedness": "blurred"}


def test_nothing_cannot_be_joined() -> None:
    with pytest.raises(ValueError, match="at least one"):
        join([])


def test_photographs_whose_thickness_differs_beyond_doubt_may_be_of_two_wounds() -> None:
    told = two_wounds(_photos("end_diameter_mm", [6.9, 11.7], 0.1), ["a.jpg", "b.jpg"])
    assert told == ["diameter at the end: 6.90 ± 0.10 mm in a.jpg, 11.70 ± 0.10 mm in b.jpg"]
    assert two_wounds(_photos("end_diameter_mm", [6.9, 7.2], 0.1), ["a.jpg", "b.jpg"]) == []


def test_a_slope_that_differs_says_nothing_of_two_wounds_as_a_twig_may_be_rolled() -> None:
    assert two_wounds(_photos("seen_slope_deg", [10.0, 45.0], 1.0), ["a.jpg", "b.jpg"]) == []


def test_chance_alone_parts_photographs_of_one_wound_in_fewer_than_one_in_a_thousand() -> None:
    """By drawing: five photographs of one wound whose errors share half their variance."""
    rng = np.random.default_rng(3)
    errors = 0.1 * np.sqrt(0.5) * (rng.standard_normal((4_000, 1)) + rng.standard_normal((4_000, 5)))
    parted = sum(bool(two_wounds(_photos("end_diameter_mm", (5.0 + row).tolist(), 0.1), list("abcde"))) for row in errors)
    assert parted < 4
