"""Files of a plan are read, or refused in one line."""

import json
from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.diagnosis import Circumstances, diagnose_answers
from diagnose.protect.barriers import sized
from diagnose.protect.ground import ground_from
from diagnose.protect.materials import costed
from diagnose.protect.options import compare
from diagnose.protect.planting import Planting, planting
from diagnose.protect.read import read_boundary, read_common, read_settings, read_verdict
from diagnose.signs import parse_signs

CORNERS = [[-76.5, 42.4], [-76.498, 42.4], [-76.498, 42.4015], [-76.5, 42.4015], [-76.5, 42.4]]


def test_a_boundary_file_holds_the_land_it_draws(tmp_path: Path) -> None:
    file = tmp_path / "field.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [
        {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [CORNERS]}}]}))
    assert read_boundary(file) == ground_from(CORNERS)


def test_a_price_file_changes_the_cost(tmp_path: Path) -> None:
    file = tmp_path / "prices.yaml"
    file.write_text("wage: 40\nwelded_cage: {material: 9}\n")
    land = ground_from(CORNERS)
    dear, own = (planting(land, 50, ["deer"], prices=prices) for prices in ({}, read_settings(file)))
    first = [next(option.first for option in compare(place) if option.keys == ("welded_cage",)) for place in (dear, own)]
    cages = 53  # a twentieth of 50 spare
    mesh = next(option for option in compare(own) if option.keys == ("welded_cage",))
    assert own.prices["welded_cage"] == {"material": 9} and mesh.first == first[1]
    hours = mesh.hours
    assert first[1] - first[0] == pytest.approx(hours * (40 - 25) + cages * 9 - _cages(dear))



def _cages(place: Planting) -> float:
    part = sized("welded_cage", place.needs)
    assert part is not None
    return costed(place, part).lines[0].cost


@pytest.mark.parametrize("content", [b"", b"[1, 2]", b"{", b"\xff\xfe\x00", b'{"type": "Point", "coordinates": [1, 2]}',
                                     b'{"type": "Feature", "geometry": null}',
                                     b'{"type": "Polygon", "coordinates": [[1, 2], [3, 4]]}',
                                     b'{"type": "Polygon", "coordinates": [5]}',
                                     b'{"type": "FeatureCollection", "features": [7]}'])
def test_a_broken_boundary_is_refused_in_one_line(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "field.geojson"
    file.write_bytes(content)
    with pytest.raises(CannotUse) as said:
        read_boundary(file)
    assert "\n" not in str(said.value)


@pytest.mark.parametrize("content", [b"", b"- 1", b"a: [", b"\xff\xfe\x00", b"1: 2"])
def test_broken_settings_are_refused_in_one_line(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "prices.yaml"
    file.write_bytes(content)
    for path in (file, tmp_path / "missing.yaml"):
        with pytest.raises(CannotUse) as said:
            read_settings(path)
        assert "\n" not in str(said.value)


def test_a_plan_is_made_against_who_is_there_and_never_against_the_shares_of_one_wound(tmp_path: Path) -> None:
    found = diagnose_answers(parse_signs({"wound": "severed_shoot", "cut_form": "torn"}), Circumstances("east"))
    file, told = tmp_path / "verdict.json", found.as_json()
    told["verdict"]["presence"] = {"deer_browsing": 0.9, "field_vole": 0.7, "hare": 0.001, "not_listed": 0.2}
    file.write_text(json.dumps(told))
    del told["plan_against"]  # as earlier versions printed it
    file.write_text(json.dumps(told))
    assert read_verdict(file) == {"deer_browsing": 0.9, "field_vole": 0.7}
    del told["verdict"]["presence"]
    file.write_text(json.dumps(told))
    with pytest.raises(CannotUse, match="who made one wound"):
        read_verdict(file)
    file.write_text(json.dumps({"culprits": {"deer_browsing": 0.8, "rabbit": 0.7}, "at_work": ["deer"]}))
    assert read_verdict(file) == {"deer_browsing": 0.8, "rabbit": 0.7}
    for text in ("", "[]", "{}", '{"verdict": {"presence": {"herbicide": "much"}}}', '{"presence": {"not_listed": 1}}',
                 '{"presence": {"yeti": 0.5}}'):
        file.write_text(text)
        with pytest.raises(CannotUse):
            read_verdict(file)


@pytest.mark.parametrize("place", ["Finland", "Norway", "Sweden", "Germany", "Scotland", "New Zealand", "US-VT", "China"])
@pytest.mark.parametrize("told", [
    {"wound": "severed_shoot"}, {"wound": "severed_shoot", "cut_form": "clean", "position": "low"},
    {"wound": "severed_shoot", "cut_form": "torn", "position": "high"},
    {"wound": "bark_stripped"}, {"wound": "cut_at_ground"},
], ids=lambda told: " ".join(told.values()))
def test_whom_the_guard_of_one_plant_stops_the_plan_of_its_planting_is_made_against(
    place: str, told: dict[str, str], tmp_path: Path
) -> None:
    found = diagnose_answers(parse_signs(told), Circumstances(place))
    file = tmp_path / "verdict.json"
    file.write_text(json.dumps(found.as_json()))
    guarded = [key for key in found.barrier.culprits if key in found.verdict.presence]
    planned = found.plan_against
    assert set(guarded) <= set(planned) and all(planned[key] >= found.verdict.culprits[key] for key in guarded)
    if planned:
        assert read_verdict(file) == pytest.approx(planned, abs=1e-4)
        assert not set(read_common(file)) & set(planned)
    else:
        with pytest.raises(CannotUse):
            read_verdict(file)


@pytest.mark.parametrize("place", ["US-GA", "Germany", "Finland"])
def test_a_shoot_torn_by_deer_is_no_reason_to_guard_every_tree_against_mice(place: str) -> None:
    found = diagnose_answers(parse_signs({"wound": "severed_shoot", "cut_form": "torn", "position": "high"}),
                             Circumstances(place))
    assert "mouse" in found.common_beside and "mouse" not in found.plan_against
    gnawed = diagnose_answers(parse_signs({"wound": "bark_gnawed", "position": "base", "groove_look": "fine_many_angles"}),
                              Circumstances("Germany"))
    assert "vole_surface" in gnawed.plan_against
