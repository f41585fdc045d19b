"""What older logs, tallies, letters and answer files call a culprit still opens, and means what it meant."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from diagnose.culprits.catalogue import catalogue
from diagnose.culprits.old_names import group_of, is_known, name_of, nameable, old_names, spread
from diagnose.culprits.prior import read_prior
from diagnose.culprits.verdict import judge
from diagnose.fieldlog.judged import confirmed_in
from diagnose.fieldlog.store import open_log
from diagnose.signs import parse_signs

# the culprits of the version before places and presence, with the group that each stood in, as its logs hold them
STORED = {
    "deer_browsing": "deer", "deer_rubbing": "deer", "elk_browsing": "deer", "elk_stripping": "deer",
    "moose_browsing": "deer", "moose_stripping": "deer", "livestock_browsing": "livestock",
    "livestock_stripping": "livestock",
    "rabbit": "rabbit_or_hare", "hare": "rabbit_or_hare", "vole_surface": "vole", "vole_below": "vole", "vole_bank": "vole",
    "mouse_or_rat": "mouse_or_rat", "tree_squirrel": "tree_squirrel", "porcupine": "porcupine", "beaver": "beaver",
    "pocket_gopher": "pocket_gopher", "woodchuck": "burrower", "mountain_beaver": "mountain_beaver", "trampling": None,
    "grouse": "bird", "sapsucker": "bird", "perching_bird": "bird", "twig_girdler": "insect", "twig_pruner": "insect",
    "weevil": "insect", "cicada": "insect", "cutworm_or_caterpillar": "insect", "hail": "weather", "frost": "weather",
    "ice_or_wind": "weather", "sunscald": "weather", "shears": "tool", "mower": "tool", "herbicide": "chemical",
    "not_listed": "not_listed",
}  # fmt: skip


@pytest.mark.parametrize("name", STORED)
def test_a_stored_name_stands_for_culprits_of_the_group_it_stood_in(name: str) -> None:
    assert is_known(name) and set(spread(name)) <= set(catalogue().keys)
    assert group_of(name) == STORED[name]
    assert name_of(name) and "_" not in name_of(name)


def test_deer_browsing_means_the_deer_it_meant() -> None:
    """It was described as white-tailed, mule, roe, fallow or muntjac deer."""
    assert set(spread("deer_browsing")) == {"white_tailed_deer", "mule_deer", "roe_deer", "fallow_deer", "muntjac"}
    assert set(spread("elk_browsing")) == {"elk", "red_deer", "sika"}


def test_a_log_with_older_namings_still_teaches(tmp_path: Path) -> None:
    log = open_log(str(tmp_path))
    for number in range(3):
        log.save_observation(site="b", plant=f"P{number}", visit="may", named="deer_browsing", confirmed="camera",
                             taken_at="2025-05-05T10:00:00")
    counts = confirmed_in(log)
    assert counts == {"deer_browsing": 3.0}
    told = parse_signs({"wound": "severed_shoot"})
    assert judge(told, "DE", confirmed=counts).groups["deer"] > judge(told, "DE").groups["deer"]
    assert "deer (browsing) 3" in judge(told, "DE", confirmed=counts).moved_by[0]


def test_older_weights_and_regions_of_an_answer_file_still_open(tmp_path: Path) -> None:
    path = tmp_path / "own.json"
    path.write_text(json.dumps({"deer_browsing": 3, "vole_surface": 1, "cutworm_or_caterpillar": 1}))
    own = read_prior(path)
    verdict = judge({}, "central", prior=own)
    assert verdict.groups["deer"] == pytest.approx(0.95 * 3 / 5, abs=0.01)
    assert verdict.culprits["roe_deer"] > verdict.culprits["white_tailed_deer"]
    for region in ("east", "west", "north", "isles", "central", "nordic", "south"):
        assert judge({}, region).place is not None


def test_what_a_person_may_name_holds_groups_and_culprits_by_todays_names() -> None:
    names = nameable()
    assert {"deer", "small_deer", "roe_deer", "rabbit_or_hare"} <= set(names)
    assert not set(names) & (set(old_names()) - {"mouse_or_rat"})
