"""What may be written down, and what a filled tally becomes."""

from __future__ import annotations

import datetime
import io

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.survey.frame import checked, severity
from diagnose.survey.proportion import share_browsed
from diagnose.survey.summary import summarise
from diagnose.survey.tally import TALLY, doubts, joined, problems, read_tally, template, to_mend

GOOD = {"site": "a", "visit": "2026-03-31", "plot": "1", "tree": "7", "species": "oak", "browsed": "1"}
DAY = datetime.date(2026, 6, 1)


def test_a_sound_entry_has_no_problems() -> None:
    assert problems(GOOD, DAY) == [] and doubts(GOOD) == []


@pytest.mark.parametrize(("change", "told"), [
    ({"plot": ""}, "missing"), ({"visit": "31.3.2026"}, "no day"), ({"visit": "2027-01-01"}, "still to come"),
    ({"browsed": "yes"}, "none of"), ({"height_cm": "tall"}, "no number"), ({"height_cm": "-3"}, "outside"),
    ({"laterals_seen": "4", "laterals_browsed": "5"}, "cannot be bitten"), ({"laterals_browsed": "2"}, "how many"),
    ({"laterals_seen": "2.5"}, "whole number"), ({"tree": ""}, "tag or a number"), ({"species": ""}, "species"),
    ({"reached": "0"}, "not reached"), ({"alive": "0"}, "dead tree"), ({"height_cm": "nan"}, "no number"),
])
def test_an_impossible_entry_is_told_in_one_line(change: dict, told: str) -> None:
    found = problems(GOOD | change, DAY)
    assert any(told in line for line in found) and not any("\n" in line for line in found)


def test_an_unlikely_entry_is_asked_about_not_refused() -> None:
    high = GOOD | {"height_cm": "230"}
    assert problems(high, DAY) == [] and doubts(high)
    assert doubts(GOOD | {"protection": "cage", "protection_state": "whole"})
    assert doubts(GOOD | {"height_cm": "40", "browsed": "0"}, GOOD | {"height_cm": "60"})


def test_a_filled_template_becomes_a_survey_and_bad_rows_are_named() -> None:
    rows = ["a,2026-03-31,1,10,,1,oak,60,1,,4,1,,,,1,", "a,2026-03-31,1,10,,2,oak,50,0,,,,,,,1,",
            "a,2026-03-31,2,10,,,,,,,,,,,,,", "a,2026-03-31,1,10,,2,oak,50,0,,,,,,,1,",
            "a,2026-03-31,1,10,,3,oak,50,9,,,,,,,1,"]
    frame, refused = read_tally(io.StringIO(template() + "\r\n".join(rows)))
    assert len(frame) == 3 and share_browsed(checked(frame))[()].value == 0.5
    assert [row.line for row in refused] == [5, 6] and "twice" in refused[0].why
    assert list(frame["severity"].iloc[:2]) == [3, 1]


def test_a_table_without_its_first_line_is_refused() -> None:
    with pytest.raises(CannotUse, match="first line"):
        read_tally(io.StringIO("1,2,3\n4,5,6\n"))


def test_semicolons_are_read_as_well() -> None:
    frame, refused = read_tally(io.StringIO("site;visit;plot;tree;species;browsed\na;2026-03-31;1;1;oak;1\n"))
    assert len(frame) == 1 and not refused


def test_the_template_names_every_field_once() -> None:
    assert template().strip().split(",") == [field.name for field in TALLY]


def test_a_planned_plot_counts_from_when_a_day_stands_in_its_row() -> None:
    planned = [{"site": "a", "plot": str(number), "plot_area_m2": 50.0, "stratum": "slope", "x": 9.2, "y": 47.5,
                "crs": "EPSG:4326"} for number in (1, 2, 3)]
    lines = template(planned).splitlines()
    assert len(lines) == 4
    frame, refused = read_tally(io.StringIO("\n".join(lines)))
    assert frame.empty and not refused  # nobody was there: no plot without trees
    visited = [lines[0], lines[1].replace("a,,1", "a,2026-03-31,1"), *lines[2:]]
    frame, refused = read_tally(io.StringIO("\n".join(visited)))
    assert frame["plot"].tolist() == ["1"] and frame["tree"].isna().all() and not refused
    half = [lines[0], lines[1], lines[2].replace("50.0,,,", "50.0,,1,oak", 1)]
    frame, refused = read_tally(io.StringIO("\n".join(half)))
    assert frame.empty and [row.why for row in refused] == ["Day: it is missing."]  # a tree, and no day


def test_severity_follows_from_what_was_counted() -> None:
    cases = [((0, 10, 0), 1), ((0, 10, 4), 2), ((1, 10, 4), 3), ((0, 10, 5), 3), ((1, 10, 5), 4)]
    assert [severity(*given) for given, _ in cases] == [told for _, told in cases]
    assert severity(0, 10, 0, died_back=True) == 5 and severity(float("nan"), 1, 1) is None


def test_heights_written_down_become_classes() -> None:
    text = "site,visit,plot,tree,species,browsed,height_cm\n" + "".join(
        f"a,2026-03-31,1,{tree},oak,0,{height}\n" for tree, height in enumerate(("49", "50", "130", "")))
    frame, refused = read_tally(io.StringIO(text))
    found = [None if word != word else word for word in checked(frame)["height_class"]]
    assert not refused and found == ["under 50 cm", "50 to 130 cm", "over 130 cm", None]


def tally(*rows: str) -> io.StringIO:
    return io.StringIO("site,visit,plot,tree,species,browsed,stem_damage,protection\n" + "\n".join(rows) + "\n")


def test_a_planting_that_takes_two_days_is_one_visit() -> None:
    spring = [f"a,2026-04-{14 + plot // 5:02},{plot},{tree},oak,0,," for plot in range(10) for tree in (1, 2)]
    both = summarise(read_tally(tally(*spring))[0])
    assert both.plots == 10 and both.visits == ("2026-04-14", "2026-04-15") and both.compared is None
    split = summarise(read_tally(tally(*spring, "a,2026-04-16,4,3,oak,0,,"))[0])  # the rest of a plot on the next day
    assert split.plots == 10 and split.trees == 21
    later = [row.replace("2026-04", "2026-05") for row in spring]  # the same trees a month later
    again = summarise(read_tally(tally(*spring, *later))[0])
    assert again.plots == 10 and again.visits == ("2026-05-14", "2026-05-15") and again.compared is not None
    assert again.compared.days == ("2026-04-15", "2026-05-15")
    other = [f"a,2025-04-14,{plot},1,oak,1,," for plot in range(20, 30)]  # other plots a year before are another visit
    assert summarise(read_tally(tally(*other, *spring))[0]).plots == 10


def test_what_crews_write_for_nothing_is_nothing() -> None:
    frame, refused = read_tally(tally("a,2026-04-14,1,1,oak,0,none,None", "a,2026-04-14,1,2,oak,0,-,no"))
    assert not refused and (frame["stem_damage"] == "").all() and (frame["protection"] == "").all()


def test_mended_rows_are_taken_in_and_no_longer_count_as_refused() -> None:
    first = read_tally(tally("a,2026-04-14,1,1,oak,0,,", "a,2026-04-14,1,2,oak,maybe,,", "a,14.4.2026,2,1,oak,1,,"))
    assert len(first[1]) == 2
    mended = to_mend(first[1]).replace("maybe", "1").replace("14.4.2026", "2026-04-14")
    trees, refused = joined([first, read_tally(io.StringIO(mended))])
    assert len(trees) == 3 and refused == []
    half = to_mend(first[1]).replace("maybe", "1")
    trees, refused = joined([first, read_tally(io.StringIO(half))])
    assert len(trees) == 2 and len(refused) == 1 and "no day" in refused[0].why


def test_a_table_of_the_first_line_alone_is_an_empty_tally() -> None:
    frame, refused = read_tally(io.StringIO(template()))
    assert frame.empty and refused == []


@pytest.mark.parametrize("second", ["browsed", "Browsed"])
def test_a_table_with_two_columns_of_one_name_tells_neither(second: str) -> None:
    with pytest.raises(CannotUse, match="two columns 'browsed'"):
        read_tally(io.StringIO(f"site,visit,plot,tree,species,browsed,{second}\na,2026-04-14,1,1,oak,1,0\n"))


def test_a_misspelt_column_is_asked_about_and_not_passed_over() -> None:
    with pytest.raises(CannotUse, match="is 'browsed' meant"):
        read_tally(io.StringIO("site,visit,plot,tree,species,browsd\na,2026-04-14,1,1,oak,1\n"))
    own = read_tally(io.StringIO("site,visit,plot,tree,species,browsed,observer\na,2026-04-14,1,1,oak,1,AB\n"))
    assert len(own[0]) == 1 and own[1] == []


def test_capitals_and_blanks_make_no_other_column_and_tabs_stand_between_cells_too() -> None:
    text = "Site,VISIT, plot,tree,species ,Browsed\na,2026-04-14,1,1,oak,1\n"
    frame, refused = read_tally(io.StringIO(text.replace(",", "\t")))
    assert frame["browsed"].tolist() == [1] and not refused


def test_between_semicolons_a_comma_is_a_decimal_point() -> None:
    """As spreadsheets write CSV where the comma is the decimal mark: the separator of lists is the semicolon there."""
    frame, refused = read_tally(io.StringIO("site;visit;plot;plot_area_m2;tree;species;browsed;height_cm\n"
                                            "a;2026-04-14;1;50,5;1;oak;1,0;62,5\n"))
    assert not refused
    assert frame[["plot_area_m2", "browsed", "height_cm"]].iloc[0].tolist() == [50.5, 1.0, 62.5]


@pytest.mark.parametrize(("name", "one", "other"), [("plot_area_m2", "50", "60"), ("stratum", "slope", "valley"),
                                                    ("reached", "1", "0")])
def test_a_plot_has_one_area_lies_in_one_part_and_was_reached_or_not(name: str, one: str, other: str) -> None:
    head = f"site,visit,plot,tree,species,note,{name}\n"
    rest = {"0": "a,2026-04-14,1,,,flooded,0\n"}.get(other, f"a,2026-04-14,1,2,oak,,{other}\n")
    frame, refused = read_tally(io.StringIO(f"{head}a,2026-04-14,1,1,oak,,{one}\n{rest}"))
    assert len(frame) == 1 and [row.line for row in refused] == [3] and "earlier line" in refused[0].why
    same, refused = read_tally(io.StringIO(f"{head}a,2026-04-14,1,1,oak,,{one}\na,2026-04-14,1,2,oak,,{one}\n"))
    assert len(same) == 2 and refused == []
