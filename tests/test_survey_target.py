"""Targets are records with their sources; where none is published it is said, and none is borrowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.survey.choosing import chosen_target, target_of_country, told_and_open
from diagnose.survey.proportion import independent
from diagnose.survey.target import (
    BROWSED,
    PER_HA,
    STOCKED,
    Target,
    asked_for,
    band,
    caution,
    countries,
    country_named,
    counts_species,
    fitting,
    of_country,
    own_target,
    published,
    read_targets,
)


def test_every_published_target_has_a_source_and_says_whether_it_was_read() -> None:
    assert len(published()) >= 20 and "not harm" in caution()
    for one in published():
        assert one.source and one.tag in ("read", "quoted", "memory") and one.country
        assert ("from memory" in one.words) == (one.tag == "memory")


def test_silver_fir_is_judged_by_its_belt_and_sycamore_by_a_range() -> None:
    assert [one.value for one in fitting("silver fir", "Switzerland")] == [0.19, 0.09, 0.052]  # Eiberle & Nigg 1987, by belt
    sycamore = fitting("Acer pseudoplatanus", "switzerland")[0]
    assert (sycamore.value, sycamore.to) == (0.20, 0.40)  # Eiberle & Nigg 1987


@pytest.mark.parametrize("words", ["1100/ha", "450/acre", "70% plots", "10% browsed", "8.5% browsed"])
def test_a_target_comes_back_from_the_few_words_that_stand_for_it(words: str) -> None:
    for one in (own_target(words), *published(), Target(PER_HA, 700, least_distance_m=2.0, most_per_plot=6)):
        assert chosen_target(one.short) == one
    assert chosen_target("ch_silver_fir_montane").value == 0.09  # Eiberle & Nigg 1987
    for wrong in ("ch_silver_fur", "{", '{"kind": "x"}', "[]"):
        with pytest.raises(CannotUse):
            chosen_target(wrong)


def test_of_targets_that_exclude_each_other_none_is_taken_unasked() -> None:
    told, left = told_and_open("silver fir", "Switzerland")
    assert told == [] and [one.value for one in left] == [0.19, 0.09, 0.052]
    montane = chosen_target("ch_silver_fir_montane")
    assert told_and_open("silver fir", "Switzerland", [montane]) == ([], [])
    assert [one.key for one in told_and_open("ash", "Switzerland")[0]] == ["ch_ash"]
    # what one state or province publishes is not chosen by the country's name, even where it stands alone
    assert told_and_open("oak", "Austria")[0] == [] and told_and_open("oak", "United States")[0] == []
    oregon = chosen_target("us_oregon")
    assert told_and_open("oak", "United States", [oregon]) == ([], [])
    with pytest.raises(CannotUse, match=r"Say which published target of Switzerland for silver fir .*ch_silver_fir_montane"):
        target_of_country("Switzerland", "silver fir")
    with pytest.raises(CannotUse, match="Bavaria"):
        target_of_country("Germany", "oak")
    assert target_of_country("Ireland", "alder").value == 2250  # Teagasc: nine tenths of 2,500


def test_latin_and_german_names_and_broadleaves_get_an_answer() -> None:
    silver_fir = fitting("silver fir", "Switzerland")
    assert fitting("Abies alba", "Switzerland") == fitting("Wei\u00dftanne", "Switzerland") == silver_fir
    standing = [one.value for one in fitting("Quercus petraea", "Great Britain") if one.kind == PER_HA]
    assert standing == [1100]  # the restocking condition of a felling licence
    assert counts_species(Target(PER_HA, 1100, species=("broadleaves",)), "Fagus sylvatica")
    assert not counts_species(Target(PER_HA, 1100, species=("broadleaves",)), "Fichte")


def test_no_neighbours_target_is_borrowed() -> None:
    assert fitting("hornbeam", "Switzerland") == []
    assert "hornbeam" in asked_for("hornbeam", "Switzerland")
    assert not [one for one in fitting("Picea mariana", "Switzerland") if "Norway spruce" in one.species]
    assert fitting("oak", "Germany") == [] and "Bavaria" in asked_for("oak", "Germany")
    assert "Peru" in asked_for("oak", "Peru") and "Germany" in countries()


@pytest.mark.parametrize(("words", "kind", "value"), [
    ("1100/ha", PER_HA, 1100), ("1,100 trees/ha", PER_HA, 1100), ("450/acre", PER_HA, 1111.97), ("70% plots", STOCKED, 0.7),
    ("10% browsed", BROWSED, 0.1), ("0.1", BROWSED, 0.1), (0.25, BROWSED, 0.25)])
def test_a_target_is_typed_in_a_few_words(words: object, kind: str, value: float) -> None:
    found = own_target(words)
    assert found.kind == kind and found.value == pytest.approx(value, abs=0.01)


@pytest.mark.parametrize("words", ["10", "1100", "110% plots", "much", "", "-5/ha", "0/ha", "nan", "1e9e9/ha"])
def test_a_target_that_could_be_anything_is_refused(words: str) -> None:
    with pytest.raises(CannotUse):
        own_target(words)


def test_own_targets_come_from_a_file_with_the_fields_of_a_record(tmp_path: Path) -> None:
    file = tmp_path / "targets.yaml"
    file.write_text("kind: trees_per_ha\nvalue: 700\nspecies: conifers\nleast_distance_m: 2.0\nmost_per_plot: 6\n")
    assert read_targets(file)[0].what == "well-spaced trees free to grow"
    for text, told in (("kind: trees_per_ha\nvalue: 70\nheight: 3", "no field"), ("value: 3", "needs"), ("[]", "no target"),
                       ("kind: stocked_plots\nvalue: 70", "0.1 for 10"), ("kind: trees_per_ha\nvalue: many", "number"),
                       ("kind: trees_per_ha\nvalue: 700\nsureness: 95", "0.95"), ("- 3", "record")):
        file.write_text(text)
        with pytest.raises(CannotUse, match=told):
            read_targets(file)


def test_all_bands_that_the_interval_touches_are_named() -> None:
    assert band(independent(0, 500)) == ("level 0",)
    assert band(independent(60, 400)) == ("level 1",)  # 11.8 to 18.8 %
    assert band(independent(10, 40)) == ("level 1", "level 2")  # 14 to 40 %


@pytest.mark.parametrize(("told", "country"), [("DE", "Germany"), ("deutschland", "Germany"), ("Schweiz", "Switzerland"),
                                               ("USA", "United States"), (" germany ", "Germany")])
def test_a_country_is_known_by_its_code_and_its_other_names_too(told: str, country: str) -> None:
    """Codes of ISO 3166-1; names as the country writes them."""
    assert of_country(told) == of_country(country) and asked_for("oak", told) == asked_for("oak", country)
    assert country_named("Bavaria") == "Bavaria"  # a part is not its country
