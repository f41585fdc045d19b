"""Several wounds are judged each and together, and confirmed culprits teach the prior once a plant and visit."""

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import catalogue
from diagnose.culprits.here import place_from
from diagnose.culprits.prior import confirmed_counts, start_of
from diagnose.culprits.together import judge_together
from diagnose.culprits.verdict import judge
from diagnose.protect.requirement import require
from diagnose.signs import parse_signs

TOP = judge(parse_signs({"wound": "severed_shoot", "cut_form": "torn", "position": "high"}), place="east")
FOOT = judge(parse_signs({"wound": "bark_gnawed", "position": "base", "groove_look": "fine_many_angles"}), place="east")


# common practice, no source
def test_deer_on_the_tops_and_voles_at_the_base_are_both_at_work() -> None:
    both = judge_together([TOP, FOOT])
    assert set(both.at_work) == {"deer", "vole"}
    assert "must stop each" in both.statement


def test_the_barrier_against_both_is_fine_at_the_foot_and_tall() -> None:
    barrier = require(judge_together([TOP, FOOT]).culprits)
    assert barrier.height is not None and barrier.height.value_mm >= 1400
    openings = [figure.value_mm for figure in (barrier.opening, barrier.fine_opening) if figure is not None]
    assert min(openings) <= 6.4


def test_one_wound_together_is_that_wound() -> None:
    assert judge_together([TOP]).culprits == dict(TOP.culprits)
    with pytest.raises(CannotUse, match="no wound"):
        judge_together([])


def test_a_second_wound_never_makes_a_culprit_less_likely_to_be_about() -> None:
    both = judge_together([TOP, FOOT])
    assert all(both.culprits[key] >= TOP.culprits[key] for key in both.culprits)


def _record(culprit: str, by: str, plant: str = "", visit: str = "") -> dict[str, object]:
    return {"culprit": culprit, "confirmed_by": by, "plant": plant, "visit": visit}


def test_wounds_of_one_plant_on_one_visit_teach_once() -> None:
    many = [_record("hare", "camera", "A7", "may")] * 9
    assert confirmed_counts(many) == {"hare": 1.0}
    assert confirmed_counts([*many, _record("hare", "DNA", "A8", "may")]) == {"hare": 2.0}


def test_a_verdict_that_was_merely_accepted_teaches_nothing() -> None:
    assert confirmed_counts([_record("hare", "accepted"), _record("hare", "")]) == {}


def test_taking_a_confirmation_back_undoes_what_it_taught() -> None:
    known, place = catalogue(), place_from("US-NY")
    records = [_record("hare", "camera", str(n)) for n in range(5)]
    taught = start_of(known, place, {}, confirmed=confirmed_counts(records)).rates
    undone = start_of(known, place, {}, confirmed=confirmed_counts([])).rates
    assert taught[known.keys.index("hare")] > undone[known.keys.index("hare")]
    assert undone == pytest.approx(start_of(known, place, {}).rates)


def test_who_is_about_on_a_plant_is_never_less_likely_for_a_second_wound() -> None:
    both = judge_together([TOP, FOOT])
    assert all(both.presence[key] >= TOP.presence[key] for key in both.presence)
