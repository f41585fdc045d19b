"""Where a position lies, against positions and facts that we did not make."""

import csv
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.cannot_use import CannotUse
from diagnose.places import Place, place_named, place_of, places, season_of
from diagnose.places.outlines import outlines
from diagnose.places.place import areas, within

HERE = Path(__file__).parent.parent
ZONES = HERE / "reference_cases" / "places" / "zone.tab"

# rows of the table that we place otherwise, each with its reason
OTHERWISE = {
    "Africa/Bangui": "on a river that is the border; the other side comes first, both are named",
    "Europe/Busingen": "a piece of Germany within Switzerland, 7 km2; both are named",
    "Asia/Jerusalem": "on the line of 1949; both are named",
    "America/Lower_Princes": "8 km from the other half of its island; both are named",
    "Africa/El_Aaiun": "held by Morocco, and the outlines go by who holds what",
    "Pacific/Kwajalein": "an atoll too small for the outlines",
    "Europe/Vatican": "too small for the outlines",
}


def degrees(text: str) -> float:
    sign, whole, minutes, seconds = re.fullmatch(r"([+-])(\d{2,3})(\d\d)(\d\d)?", text).groups()
    return (-1 if sign == "-" else 1) * (int(whole) + int(minutes) / 60 + int(seconds or 0) / 3600)


def zones():
    """(country, latitude, longitude, zone) of the largest town of each time zone of each country.

    Source: zone.tab of the IANA time zone database, public domain.
    """
    with ZONES.open(encoding="ascii") as file:
        for country, where, zone, *_ in csv.reader((line for line in file if not line.startswith("#")), delimiter="\t"):
            latitude, longitude = re.fullmatch(r"([+-]\d+)([+-]\d+)", where).groups()
            yield country, degrees(latitude), degrees(longitude), zone


def test_towns_of_every_time_zone_lie_in_the_country_that_the_zone_table_names():
    wrong = {zone for country, latitude, longitude, zone in zones()
             if (place_of(latitude, longitude).countries or ("",))[0] != country}
    assert wrong == set(OTHERWISE)


def test_where_a_town_on_a_border_is_placed_across_it_both_sides_are_named():
    for country, latitude, longitude, zone in zones():
        if "both are named" in OTHERWISE.get(zone, ""):
            assert country in place_of(latitude, longitude).countries


# towns of the zone table and the state, province or prefecture that holds them: common knowledge, any atlas
@pytest.mark.parametrize(("zone", "part"), [
    ("America/New_York", "US-NY"), ("America/Chicago", "US-IL"), ("America/Denver", "US-CO"),
    ("America/Los_Angeles", "US-CA"),
    ("America/Detroit", "US-MI"), ("America/Boise", "US-ID"), ("America/Phoenix", "US-AZ"), ("America/Juneau", "US-AK"),
    ("Pacific/Honolulu", "US-HI"), ("America/Kentucky/Louisville", "US-KY"), ("America/Halifax", "CA-NS"),
    ("America/Moncton", "CA-NB"), ("America/Toronto", "CA-ON"), ("America/Winnipeg", "CA-MB"), ("America/Regina", "CA-SK"),
    ("America/Edmonton", "CA-AB"), ("America/Vancouver", "CA-BC"), ("America/Whitehorse", "CA-YT"),
    ("America/Iqaluit", "CA-NU"), ("America/St_Johns", "CA-NL-newfoundland"), ("America/Goose_Bay", "CA-NL"),
    ("Australia/Hobart", "AU-TAS"), ("Australia/Melbourne", "AU-VIC"), ("Australia/Sydney", "AU-NSW"),
    ("Australia/Brisbane", "AU-QLD"), ("Australia/Adelaide", "AU-SA"), ("Australia/Perth", "AU-WA"),
    ("Australia/Darwin", "AU-NT"), ("Asia/Tokyo", "JP-13"), ("Europe/London", "GB-ENG"), ("Europe/Kaliningrad", "RU-KGD"),
    ("Europe/Moscow", "RU-MOW"), ("Asia/Vladivostok", "RU-PRI"), ("Asia/Yekaterinburg", "RU-SVE"),
    ("Asia/Kamchatka", "RU-KAM"), ("Asia/Anadyr", "RU-CHU"), ("Atlantic/Azores", "PT-20"), ("Atlantic/Madeira", "PT-30"),
    ("Atlantic/Canary", "ES-CN"),
])
def test_towns_lie_in_the_part_of_their_country_that_an_atlas_gives(zone, part):
    latitude, longitude = next((north, east) for _, north, east, name in zones() if name == zone)
    assert place_of(latitude, longitude).subdivisions[0] == part


# towns on islands; positions from memory, to a tenth of a degree
@pytest.mark.parametrize(("town", "latitude", "longitude", "code"), [
    ("Kirkwall", 58.98, -2.96, "GB-ORK"), ("Lerwick", 60.15, -1.15, "GB-ZET"), ("Stornoway", 58.21, -6.39, "GB-ELS"),
    ("Portree", 57.41, -6.19, "GB-SCT-skye"), ("Newport", 50.70, -1.29, "GB-IOW"), ("Llangefni", 53.26, -4.31, "GB-AGY"),
    ("Belfast", 54.60, -5.93, "GB-NIR"), ("Cardiff", 51.48, -3.18, "GB-WLS"), ("Edinburgh", 55.95, -3.19, "GB-SCT"),
    ("Visby", 57.64, 18.30, "SE-I"), ("Ajaccio", 41.92, 8.74, "FR-20R"), ("Cagliari", 39.22, 9.12, "IT-88"),
    ("Palermo", 38.12, 13.36, "IT-82"), ("Messina, 3 km from the mainland", 38.19, 15.55, "IT-82"),
    ("Heraklion", 35.34, 25.13, "GR-M"), ("Palma", 39.57, 2.65, "ES-IB"),
    ("Victoria", 48.43, -123.37, "CA-BC-vancouver-island"), ("Sydney", 46.14, -60.19, "CA-NS-cape-breton"),
    ("Charlottetown", 46.24, -63.13, "CA-PE"), ("Kingscote", -35.66, 137.64, "AU-SA-kangaroo-island"),
    ("Sapporo", 43.06, 141.35, "JP-01"), ("Hakodate", 41.77, 140.73, "JP-01"), ("Douglas", 54.15, -4.48, "IM"),
    ("Saint Helier", 49.19, -2.11, "JE"), ("Mariehamn", 60.10, 19.94, "AX"), ("Tórshavn", 62.01, -6.77, "FO"),
    ("Longyearbyen", 78.22, 15.65, "SJ"), ("Cayenne", 4.94, -52.33, "GF"), ("Rønne", 55.10, 14.70, "DK-84-bornholm"),
])
def test_an_island_has_a_code_of_its_own_where_its_animals_differ(town, latitude, longitude, code):
    assert place_of(latitude, longitude).code == code


def test_within_ten_kilometres_of_a_border_on_land_both_sides_count_and_its_own_comes_first():
    assert place_of(48.58, 7.75).countries == ("FR", "DE")  # Strasbourg lies on the Rhine
    assert place_of(55.00, -7.32).countries == ("GB", "IE")  # Derry, 5 km from Donegal
    assert place_of(48.86, 2.35).countries == ("FR",)  # Paris
    assert set(place_of(45.0, -74.7).subdivisions) >= {"CA-ON", "US-NY"}  # Cornwall, on the Saint Lawrence


def test_across_water_only_the_side_that_it_stands_on_counts():
    assert place_of(56.03, 12.61).countries == ("DK",)  # Helsingør, 4 km across the sound from Sweden
    assert place_of(38.19, 15.55).chains == (("IT-82", "IT"),)  # Messina, 3 km from Calabria


def test_a_position_off_the_coast_belongs_to_the_nearest_land_within_25_km():
    assert place_of(50.07, -5.90).countries == ("GB",)  # 13 km west of Land's End
    assert place_of(50.07, -6.75).countries == ()  # 74 km, and 40 from Scilly
    assert place_of(57.0, -30.0) == Place((), (), "north", "open sea")


def test_the_crimea_is_placed_as_iso_3166_2_lists_it():
    assert place_of(44.95, 34.10).countries == ("UA",)  # Simferopol; UA-43 in ISO 3166-2


@settings(max_examples=150, deadline=None)
@given(st.floats(-90, 90), st.floats(-180, 180))
def test_any_position_on_earth_is_a_place(latitude, longitude):
    place = place_of(latitude, longitude)
    assert place.hemisphere == ("north" if latitude >= 0 else "south")
    assert {code[:2] for code in place.subdivisions} <= set(place.countries)
    assert {chain[-1] for chain in place.chains} == set(place.countries)


@settings(max_examples=50, deadline=None)
@given(st.floats(-90, 90))
def test_longitudes_180_and_minus_180_are_the_same_place(latitude):
    assert place_of(latitude, 180.0) == place_of(latitude, -180.0)


@settings(deadline=None)
@given(st.floats(allow_nan=True, allow_infinity=True), st.floats(allow_nan=True, allow_infinity=True))
def test_anything_else_is_no_position(latitude, longitude):
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        with pytest.raises(CannotUse, match="latitude goes from"):
            place_of(latitude, longitude)


def test_every_place_that_can_be_chosen_can_be_typed_as_its_code():
    for place in places():
        assert place_named(place.code) == place


def test_names_are_found_in_any_writing():
    assert place_named(" ireland ").code == place_named("IE").code == "IE"
    assert place_named("maine").code == place_named("us-me").code == "US-ME"
    assert place_named("Québec").code == place_named("quebec").code == "CA-QC"
    assert place_named("Newfoundland, Canada").chains == (("CA-NL-newfoundland", "CA-NL", "CA"),)
    assert place_named("UK").code == "GB"


def test_a_slip_of_typing_gets_the_nearest_names():
    with pytest.raises(CannotUse, match=r"Ireland \(IE\)"):
        place_named("Irland")
    with pytest.raises(CannotUse, match="type a country"):
        place_named("xyzzyx")


def test_a_name_that_two_places_share_asks_for_the_code():
    with pytest.raises(CannotUse, match=r"GE .* or US-GA"):
        place_named("Georgia")


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=40))
def test_any_text_is_a_place_or_refused_in_one_line(text):
    try:
        assert place_named(text).countries
    except CannotUse as told:
        assert "\n" not in str(told)


def test_july_is_summer_in_norway_and_winter_in_new_zealand():
    assert season_of(7, place_named("NO")) == "summer" and season_of(1, place_named("NO")) == "winter"
    assert season_of(7, place_named("NZ")) == "winter" and season_of(1, place_named("NZ")) == "summer"
    assert [season_of(month, place_named("AU-TAS")) for month in (4, 10)] == ["autumn", "spring"]
    with pytest.raises(CannotUse, match="no month"):
        season_of(13, place_named("NO"))


def test_nonsense_makes_no_place():
    with pytest.raises(CannotUse, match="no code"):
        Place(("ZZ",), (), "north", "nowhere")
    with pytest.raises(CannotUse, match="half of the earth"):
        Place(("IE",), (), "up", "Ireland")


def test_each_area_lies_in_one_that_has_a_code_up_to_a_country():
    assert all(len(within(code)[-1]) == 2 for code in areas())


def test_the_outlines_are_sound_and_smaller_than_a_megabyte():
    known = outlines()
    assert all(shape.is_valid and not shape.is_empty for shape in (*known.land, *known.parts))
    assert np.all(np.diff([shape.area for shape in known.land]) <= 1e-9)
    files = HERE / "diagnose" / "places"
    assert sum((files / name).stat().st_size for name in ("outlines.npz", "areas.csv")) < 1_000_000
