"""Which animal lives where, against published lists."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import catalogue, members
from diagnose.culprits.here import lives_where, living_elsewhere, place_from, winters_of
from diagnose.culprits.ranges import covered, is_covered, ranges, residence, residents, spread
from diagnose.knowledge import knowledge, read_yaml
from diagnose.places import place_named, place_of
from diagnose.places.place import areas
from diagnose.signs import vocabulary

HERE = Path(__file__).parent.parent
LISTS = read_yaml(HERE / "reference_cases" / "places" / "animals.yaml")
TOLD = knowledge("diagnose.culprits", "ranges.yaml")


def pairs(kind):
    """(species, place, source) of what the published lists say."""
    return [(one["species"], other, one["source"]) if "species" in one else (other, one["place"], one["source"])
            for one in LISTS for other in one.get(kind, [])]


@pytest.mark.parametrize(("species", "place", "source"), pairs("here"))
def test_an_animal_that_a_published_list_names_lives_there(species, place, source):
    in_a_corner = (species, place) == ("reindeer", "Iceland")  # of the east alone
    assert residence(species, place_named(place)) == ("doubtful" if in_a_corner else "resident"), source


@pytest.mark.parametrize(("species", "place", "source"), pairs("spreading"))
def test_an_animal_that_lives_in_a_corner_or_is_new_is_doubtful(species, place, source):
    assert residence(species, place_named(place)) == "doubtful", source


@pytest.mark.parametrize(("species", "place", "source"), pairs("recorded"))
def test_where_an_animal_is_recorded_it_is_not_absent(species, place, source):
    assert residence(species, place_named(place)) in ("resident", "doubtful"), source


@pytest.mark.parametrize("told", [one for one in LISTS if "whole" in one], ids=lambda told: told["species"])
def test_where_a_list_names_every_part_of_a_country_an_animal_is_resident_in_no_other(told):
    named = {*told["recorded"], *told.get("spreading", [])}
    others = [area.code for area in areas().values() if area.inside in told["whole"] and area.code not in named]
    assert others and not [code for code in others if residence(told["species"], place_named(code)) == "resident"]


@pytest.mark.parametrize(("species", "place", "source"), pairs("not_here"))
def test_an_animal_that_a_published_list_leaves_out_is_absent(species, place, source):
    assert residence(species, place_named(place)) == "absent", source


def test_outside_the_covered_countries_and_at_sea_nothing_is_claimed_but_by_a_whole_range_or_a_line_that_names_the_country():
    assert set(residents(place_of(57.0, -30.0)).values()) == {"not covered"}
    for place, code in ((place_named("Brazil"), "BR"), (place_named("Samoa"), "WS")):
        assert {key for key, lives in residents(place).items() if lives != "not covered"} == {
            key for key, line in ranges().items() if line.world or code in line.status}


# Bhutan Broadcasting Service (teak uprooted at Sibsoo); Tropical Pest Management 37:169-174 (blue monkeys on Mount Meru);
# Forest Systems, Pulido et al. (Tierra del Fuego); Khan et al. 2000 (all over Pakistan); abstracts
@pytest.mark.parametrize(("species", "code"), [("elephant", "BT"), ("monkey", "TZ"), ("guanaco", "AR"),
                                               ("crested_porcupine", "PK"), ("coypu", "US-LA"), ("serow", "JP-21")])
def test_an_animal_whose_whole_range_is_told_lives_where_its_damage_was_described_and_not_in_norway(species, code):
    assert residence(species, place_named(code)) == "resident"
    assert residence(species, place_named("NO")) == "absent"


def test_every_covered_area_has_an_answer_for_every_species():
    for code in areas():
        inside = any(one in covered() for one in place_named(code).chains[0])
        assert inside == is_covered(place_named(code))
        assert not inside or "not covered" not in residents(place_named(code)).values()


@pytest.mark.parametrize("code", ["AR", "BR", "CL", "CN", "CO", "EG", "ET", "ID", "IN", "IR", "KE", "KZ", "MA", "MX",
                                  "PE", "PH", "SA", "TH", "UY", "VN", "ZA"])
def test_a_large_country_is_judged_by_its_own_animals_and_not_by_the_mean_of_places_far_away(code):
    place = place_named(code)
    assert [one for one, _ in lives_where(catalogue(), place)] == [place]


def test_near_a_border_the_animals_of_both_sides_count():
    derry, donegal = place_of(55.00, -7.32), place_named("IE")
    assert residence("field_vole", donegal) == "absent"
    assert residence("field_vole", derry) == "doubtful"
    strasbourg = place_of(48.58, 7.75)
    assert residence("beaver", strasbourg) == "resident"


@settings(max_examples=60, deadline=None)
@given(st.floats(-90, 90), st.floats(-180, 180), st.sampled_from(sorted(TOLD["species"])))
def test_every_animal_has_a_residence_at_any_position_on_earth(latitude, longitude, species):
    place = place_of(latitude, longitude)
    found = residence(species, place)
    assert found in ("resident", "doubtful", "absent", "not covered")
    sides = [residence(species, place_named(chain[0])) for chain in place.chains]
    assert found == "not covered" if not sides else found in sides


def test_an_island_goes_before_its_province():
    assert residence("porcupine", place_named("CA-NL")) == "resident"
    assert residence("porcupine", place_named("Newfoundland")) == "absent"


def test_of_a_country_named_without_a_part_an_animal_of_half_its_parts_is_resident():
    assert residence("white_tailed_deer", place_named("US")) == "resident"
    assert residence("mountain_beaver", place_named("US")) == "doubtful"
    assert residence("possum", place_named("US")) == "absent"


def test_an_unknown_species_is_refused_with_the_nearest():
    with pytest.raises(CannotUse, match="roe_deer"):
        residence("row_deer", place_named("DE"))


def test_each_line_names_its_sources_and_no_code_twice():
    for key, line in TOLD["species"].items():
        assert set(ranges()[key].sources) <= set(TOLD["sources"]) and line["sources"], key
        own = [code for kind in ("resident", "doubtful", "absent") for code in line.get(kind, [])]
        assert len(own) == len(set(own)), key
        assert set(line) <= {"name", "resident", "doubtful", "absent", "world", "sources"}, key


def test_each_list_is_used_and_holds_known_codes():
    kinds = ("resident", "doubtful", "absent")
    used = {code for line in TOLD["species"].values() for kind in kinds for code in line.get(kind, [])}
    used |= {code for members in (*(one["areas"] for one in TOLD["lists"].values()), TOLD["covered"])
             for code in members}
    assert set(TOLD["lists"]) <= used
    assert set(spread(TOLD["lists"])) <= set(areas())
    assert set(TOLD["sources"]) == {key for line in TOLD["species"].values() for key in line["sources"]}


@pytest.mark.parametrize(("code", "there", "elsewhere"), [
    ("US-VT", {"none", "deer", "white_tailed_deer", "moose", "woodchuck"}, {"kangaroo", "roe_deer", "mule_deer", "serow"}),
    ("DE", {"none", "deer", "roe_deer", "sika", "chamois"}, {"kangaroo", "white_tailed_deer", "woodchuck"}),
    ("AU-TAS", {"none", "wallaby", "possum"}, {"roe_deer", "woodchuck", "serow"}),
])
def test_who_is_asked_for_first_lives_there_and_who_does_not_may_still_be_named(code, there, elsewhere):
    place, choices = place_from(code), set(vocabulary()["seen"].choices)
    last = set(living_elsewhere(place))
    assert there <= choices - last and elsewhere <= last <= choices
    for choice in last:  # a sighting outweighs the range: escapes, new arrivals
        named = members(choice)
        assert {lives_where(catalogue(), place, seen=named)[0][1][key] for key in named} == {"doubtful"}


def test_where_the_place_is_not_known_any_animal_may_live_there():
    assert living_elsewhere(None) == []


# Pretorius, Garaï & Bates 2018, Oryx (78 reserves, most in and beside the Kruger park); Julius-Kühn-Archiv 2011 (nilgai);
# International Elephant Project (Sumatra, and a corner of Kalimantan)
@pytest.mark.parametrize(("species", "here", "not_there"), [
    ("elephant", "ZA-LP", "ZA-WC"), ("elephant", "IN-KL", "IN-PB"), ("elephant", "ID-SM", "ID-JW"),
    ("nilgai", "IN-RJ", "IN-KL"), ("roe_deer", "CN-NM", "CN-GD"), ("muntjac", "CN-FJ", "CN-XJ"),
    ("monkey", "IN-HP", "ID-PP"),
])
def test_in_a_large_country_an_animal_lives_in_some_parts_and_not_in_others(species, here, not_there):
    assert residence(species, place_named(here)) == "resident"
    assert residence(species, place_named(not_there)) == "absent"


@pytest.mark.parametrize(("position", "code"), [
    ((10.0, 76.5), "IN-KL"), ((-33.9, 18.9), "ZA-WC"), ((-1.6, 103.6), "ID-SM"), ((36.06, 103.8), "CN-GS"),
])
def test_a_position_in_a_large_country_is_known_by_its_part(position, code):
    """Palakkad, Stellenbosch, Jambi, Lanzhou."""
    assert code in place_of(*position).subdivisions


@pytest.mark.parametrize("code", ["KE", "ID", "IN-KL", "BR", "ZA"])
def test_no_snow_is_reckoned_with_where_none_falls(code):
    assert winters_of(place_named(code)) == {"mild": 1.0}


def test_in_the_mountains_of_a_warm_country_snow_may_lie():
    assert winters_of(place_named("IN-HP")) == {"changing": 1.0}
