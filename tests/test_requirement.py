"""A barrier is sized by the culprits that it must stop."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import NOT_LISTED, catalogue
from diagnose.protect.barriers import catalogue as catalogue_of_barriers
from diagnose.protect.requirement import NEED_OF, NOTHING_BUILT, built_of, culprit_of, needs, require
from diagnose.protect.sources import sources

INCH = 25.4
ANIMALS = [key for key, need in NEED_OF.items() if needs()[need]["kind"] != "none"]


# eXtension, How can I protect my apple trees from vole feeding damage (2011): 1/4 inch, 18 inches, above the snow
def test_a_vole_guard_is_quarter_inch_mesh_and_stands_above_the_snow() -> None:
    guard = require(["vole"])
    assert guard.opening is not None and guard.opening.value_mm <= 6.4
    assert guard.height is not None and guard.height.value_mm == pytest.approx(457, abs=10)
    deep = require(["vole"], snow_mm=800)
    assert deep.height is not None and deep.height.value_mm > 800


def test_one_thing_is_built_against_whatever_needs_the_same_barrier() -> None:
    built = built_of()
    assert built["vole_surface"] == built["mouse"] != built["rabbit"] != built["hare"]
    assert {built[key] for key in ("frost", "weevil", "shears", NOT_LISTED)} == {NOTHING_BUILT}
    for one in ANIMALS:
        same = [other for other in ANIMALS if built[other] == built[one]]
        sizes = [(require([key]).opening, require([key]).height) for key in same]
        assert len({tuple(None if size is None else size.value_mm for size in each) for each in sizes}) == 1


# S. Vantassel, University of Nebraska: 18 inches plus expected snow; 6 inches of snow make 24 inches
def test_a_rabbit_guard_is_at_least_eighteen_inches_above_the_snow() -> None:
    guard = require(["rabbit"], snow_mm=6 * INCH)
    assert guard.height is not None and guard.height.value_mm >= 24 * INCH - 1


# Marquis 1977, NE-RN-243: five feet at least against white-tailed deer under heavy pressure
def test_a_deer_cage_is_at_least_five_feet_tall() -> None:
    cage = require(["deer"])
    assert cage.kind == "cage"
    assert cage.height is not None and cage.height.value_mm >= 5 * 12 * INCH - 25


# Saskatchewan Environment 2005: 2.1 m at least, 2.4 m recommended, ground gap at most 50 mm
def test_elk_need_a_barrier_of_eight_feet() -> None:
    cage = require(["elk"])
    assert cage.height is not None and cage.height.value_mm >= 2400


# BC4 tree guard for beaver (RPA 2024): 50 mm mesh, wire 1.8 to 2.5 mm, 0.9 m, gap of 0.25 m, flush
def test_a_beaver_guard_is_as_the_published_specification() -> None:
    guard = require(["beaver"])
    assert guard.opening is not None and guard.opening.value_mm <= 50
    assert guard.wire is not None and 1.8 <= guard.wire.value_mm <= 2.5
    assert guard.height is not None and guard.height.value_mm >= 900
    assert guard.stand_off is not None and guard.stand_off.value_mm >= 250


# finer mesh only round the base when small animals are there too: common practice, no source
def test_deer_and_voles_together_get_a_tall_cage_with_fine_mesh_at_the_base() -> None:
    both = require(["deer", "vole"])
    assert both.kind == "cage"
    assert both.fine_opening is not None and both.fine_opening.value_mm <= 6.4
    assert both.opening is not None and both.opening.value_mm > 6.4
    assert both.height is not None and both.height.value_mm >= 1500
    assert "voles" not in both.leaves_open


# Extension, K-State and Nebraska: 6 mm against voles; 13 mm hardware cloth is for cottontails only
def test_a_rabbit_guard_does_not_claim_to_stop_voles() -> None:
    assert {"voles", "mice or rats"} <= set(require(["rabbit"]).leaves_open)
    assert {"voles", "mice or rats"} <= set(require(["rabbit", "deer"]).leaves_open)
    assert "voles" not in require(["rabbit", "vole"]).leaves_open


def test_a_vole_guard_does_not_claim_to_stop_what_reaches_over_it() -> None:
    assert {"small and medium deer", "rabbit", "hare"} <= set(require(["vole"]).leaves_open)
    assert "elk (wapiti)" in require(["deer"]).leaves_open


def test_no_barrier_is_sold_to_someone_whose_trees_were_mown_or_frozen() -> None:
    for cause in ("mower", "frost", "herbicide", "twig_girdler"):
        advice = require([cause])
        assert advice.kind is None and advice.instead and advice.unstopped


def test_an_unlikely_culprit_does_not_size_the_barrier_but_a_likely_one_does() -> None:
    assert require({"deer_browsing": 0.95, "vole_surface": 0.05}).fine_opening is None
    assert require({"deer_browsing": 0.80, "vole_surface": 0.20}).fine_opening is not None


def test_every_culprit_of_the_catalogue_has_a_need_and_every_figure_a_source_that_resolves() -> None:
    assert set(NEED_OF) >= set(catalogue().keys) - {NOT_LISTED}
    for key, need in needs().items():
        if need["kind"] == "none":
            assert need["source"] in sources(), key
            continue
        for part in ("opening", "top", "snow_margin", "stand_off", "base"):
            assert need[part]["source"] in sources(), (key, part)


def test_every_barrier_comes_with_the_caution_that_local_rules_go_first() -> None:
    for animal in ANIMALS:
        assert any("Local codes" in caution for caution in require([animal]).cautions)
    assert any("gloves" in caution for caution in require(["deer"]).cautions)


def _mesh(found) -> float:
    figures = [f.value_mm for f in (found.opening, found.fine_opening) if f is not None]
    return min(figures)


@given(st.sets(st.sampled_from(ANIMALS), min_size=1), st.sampled_from(ANIMALS), st.floats(0, 3000))
def test_one_more_culprit_never_loosens_the_mesh_or_lowers_the_top(some: set[str], more: str, snow: float) -> None:
    before, after = require(some, snow), require(some | {more}, snow)
    assert _mesh(after) <= _mesh(before)
    assert before.height is not None and after.height is not None
    assert after.height.value_mm >= before.height.value_mm or after.fine_top is not None
    highest = max(f.value_mm for f in (after.height, after.fine_top) if f is not None)
    assert highest >= before.height.value_mm
    assert not {needs()[NEED_OF[one]]["name"] for one in some} & set(after.leaves_open)


@given(st.sets(st.sampled_from(ANIMALS), min_size=1), st.floats(0, 3000), st.floats(0, 3000))
def test_more_snow_never_lowers_a_barrier(some: set[str], snow: float, more: float) -> None:
    low, high = sorted((snow, snow + more))
    before, after = require(some, low).height, require(some, high if high <= 6000 else 6000).height
    assert before is not None and after is not None and after.value_mm >= before.value_mm


@given(st.lists(st.sampled_from(ANIMALS), min_size=1, unique=True), st.randoms())
def test_the_order_of_culprits_changes_nothing(some: list[str], random) -> None:
    shuffled = some[:]
    random.shuffle(shuffled)
    assert require(some) == require(shuffled)


def test_nonsense_is_refused_in_one_line() -> None:
    for wrong in (lambda: require(["unicorn"]), lambda: require(["deer"], -1), lambda: require(["deer"], float("nan"))):
        with pytest.raises(CannotUse) as said:
            wrong()
        assert "\n" not in str(said.value)


# Strathcona County (Alberta), hares: hardware cloth 1 m above the snow, 7 to 10 cm into the ground
def test_a_hare_guard_stands_a_metre_above_the_snow() -> None:
    guard = require(["hare"], snow_mm=500)
    assert guard.height is not None and guard.height.value_mm >= 1500
    assert guard.burial is not None and guard.burial.value_mm >= 70


# Government of Tasmania, wallaby fencing: they go beneath, so a footer on the ground; Bennett's jump 1.15 m downhill
def test_a_barrier_against_wallabies_is_no_deer_fence() -> None:
    guard = require(["wallaby"])
    assert guard.stops == ("wallabies and pademelons",) and guard.height is not None and guard.height.value_mm > 1150
    assert "out_turn_mm" in catalogue_of_barriers()["rabbit_netting"]
    assert "wallaby" in catalogue_of_barriers()["rabbit_netting"]["against"]


@pytest.mark.parametrize(("said", "meant"), [
    ("rabbits", "rabbit"), ("Wallabies", "wallaby"), ("mice", "mouse_or_rat"), ("white-tails", "white_tailed_deer"),
    ("whitetail", "white_tailed_deer"), ("grey squirrels", "grey_squirrel"), ("gophers", "pocket_gopher"),
    ("cows", "cattle"),
    ("water voles", "water_vole"), ("elk", "elk"), ("chamois", "chamois"), ("pine vole", "pine_vole"),
])
def test_an_animal_is_known_by_the_name_that_people_call_it_one_or_many(said: str, meant: str) -> None:
    assert culprit_of(said) == meant
    assert culprit_of("yetis") == "yetis"
