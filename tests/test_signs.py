"""Signs are read as people write them, or refused in one line."""

from pathlib import Path

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.signs import Answer, Bounded, Measured, Shares, parse_signs, read_signs, vocabulary, with_what_follows


def test_choices_numbers_intervals_and_shares_are_read() -> None:
    read = parse_signs({
        "wound": "severed shoot", "end_diameter_mm": 4, "true_slope_deg": {"low": 30, "high": 60},
        "seen_slope_deg": {"value": 41, "sigma": 2}, "end_form": {"clean": 0.9, "half": 0.1, "torn": 0.0},
    })  # fmt: skip
    assert read["wound"] == Answer("severed_shoot")
    assert isinstance(read["end_diameter_mm"], Measured) and read["end_diameter_mm"].sigma > 0
    assert read["true_slope_deg"] == Bounded(30, 60, 0.95, "answer")
    assert read["seen_slope_deg"] == Measured(41, 2, "answer")
    assert isinstance(read["end_form"], Shares)


@pytest.mark.parametrize("wrong", [
    {"colour": "red"}, {"wound": "eaten by a dragon"}, {"end_diameter_mm": "thick"}, {"end_diameter_mm": -3},
    {"seen_slope_deg": 400}, {"true_slope_deg": {"low": 60, "high": 30}}, {"end_form": {"clean": 0.2}},
    {"end_diameter_mm": float("nan")}, {"seen_slope_deg": {"sigma": 3}},
])  # fmt: skip
def test_a_sign_that_makes_no_sense_is_refused_in_one_line(wrong: dict) -> None:
    with pytest.raises(CannotUse) as said:
        parse_signs(wrong)
    assert "\n" not in str(said.value)


def test_an_interval_counts_as_far_as_it_can_be_and_is_refused_where_none_of_it_can() -> None:
    # a width cannot lie below nothing, though its uncertainty may reach there
    assert parse_signs({"patch_width_mm": {"low": -0.2, "high": 4.1}})["patch_width_mm"] == Bounded(1, 4.1, 0.95, "answer")
    assert parse_signs({"bark_loss": {"low": 0.8, "high": 1.2}})["bark_loss"] == Bounded(0.8, 1, 0.95, "answer")
    for low, high in ((-9, -2), (2000, 3000)):
        with pytest.raises(CannotUse, match="must lie between"):
            parse_signs({"patch_width_mm": {"low": low, "high": high}})


def test_files_of_signs_are_yaml_or_json(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text("wound: bark_gnawed\nseason: unknown\n")
    (tmp_path / "b.json").write_text('{"signs": {"wound": "bark_gnawed"}}')
    assert read_signs(tmp_path / "a.yaml") == read_signs(tmp_path / "b.json") == {"wound": Answer("bark_gnawed")}
    for name, text in (("c.yaml", "- just\n- a list"), ("d.json", "{broken"), ("e.yaml", "a: [")):
        (tmp_path / name).write_text(text)
        with pytest.raises(CannotUse):
            read_signs(tmp_path / name)
    with pytest.raises(CannotUse, match="cannot be read"):
        read_signs(tmp_path / "missing.yaml")


def test_every_sign_has_a_label_and_every_question_its_help() -> None:
    for word in vocabulary().values():
        assert word.label and word.kind in ("choice", "number")
        assert word.kind == "number" or word.choices
        assert word.question is None or word.help
        assert set(word.asked_of) <= set(vocabulary()["wound"].choices)


def test_every_choice_of_a_finer_sign_is_a_kind_of_one_choice_of_the_coarser() -> None:
    finer = [word for word in vocabulary().values() if word.kind_of]
    assert [word.name for word in finer] == ["tree_kind"]
    for word in finer:
        coarser = vocabulary()[word.kind_of]
        assert set(word.kinds) == set(word.choices) and set(word.kinds.values()) == set(coarser.choices)
        assert word.about == coarser.about


def test_shares_of_kinds_of_tree_are_shares_of_conifer_and_broadleaf() -> None:
    told = with_what_follows(parse_signs({"tree_kind": {"pine": 0.25, "larch": 0.5, "nut": 0.25}, "foliage": "broadleaf"}))
    assert told["foliage"] == Shares({"conifer": 0.75, "broadleaf": 0.25}, "answer")
    assert with_what_follows(parse_signs({"wound": "trampled"})) == {"wound": Answer("trampled")}


def test_what_is_folded_under_a_few_words_holds_each_choice_once_but_those_that_say_there_is_none() -> None:
    for word in vocabulary().values():
        folded = [choice for some in word.folded.values() for choice in some]
        assert len(folded) == len(set(folded)) and set(folded) <= set(word.choices)
        if folded:
            assert set(word.choices) - set(folded) <= {"none", "no_such_mark", "shrub"}


def test_no_question_after_the_first_shows_more_words_at_once_than_leave_room_for_verdict_and_caution() -> None:
    for word in vocabulary().values():
        folded = {choice for some in word.folded.values() for choice in some}
        shown = [words for key, words in word.choices.items() if key not in folded]
        seen = [word.question or "", word.help, *word.folded, *shown]
        assert word.name == "wound" or word.question is None or len(" ".join(seen).split()) <= 70
