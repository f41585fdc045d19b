"""`diagnose sources KEY` says in full where a figure was read, and in words how surely."""

import re
from collections import Counter
from pathlib import Path

import pytest

import diagnose
from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.protect.sources import SEEN, called_by_name, source_words, sources


def test_a_key_is_told_in_full_with_what_the_tags_mean(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sources", "FRORG", "ME382"]) == 0
    told = capsys.readouterr().out
    assert "forestandrange.org" in told and "NRCS Maine" in told
    assert all(words in told for words in SEEN.values())


def test_an_unknown_key_is_refused_in_one_line_with_those_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sources", "YETI"]) == 2
    told = capsys.readouterr().err
    assert "'YETI' is no source" in told and "diagnose sources" in told and told.count("\n") == 1
    with pytest.raises(CannotUse):
        source_words("")


def test_each_of_several_sources_that_stand_together_names_its_own_page() -> None:
    assert source_words("BC4").endswith("bc4-tree-guard-post-and-wire")
    assert all(source_words(key).startswith(f"{told['called']}: ") for key, told in sources().items())


def test_each_source_has_a_name_of_its_own_that_is_no_key() -> None:
    names = [told["called"] for told in sources().values()]
    assert len(set(names)) == len(names) == len(sources())
    assert all(called_by_name(name) == name and name not in sources() for name in names)


def test_a_source_is_found_by_what_a_plan_calls_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sources", "natural england"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("TIN003: Natural England 2007: ") and "UNL-" not in told


def test_how_a_figure_was_seen_is_said_where_it_was_not_read_in_the_source() -> None:
    told = called_by_name("top: PORC [2] plus snow, opening: ME382 [R], foot: MEM [M]")
    assert told == ("top: Schemnitz 1994 (seen in a copy or a summary) plus snow, opening: US conservation service, Maine "
                    "2014, foot: from memory")


def test_no_key_of_a_file_of_sources_is_written_twice() -> None:
    """A second one would stand in silence for the first, and its rows would cite another page."""
    for file in Path(diagnose.__file__).parent.rglob("sources.yaml"):
        keys = Counter(re.findall(r"^(\w+):", file.read_text(encoding="utf-8"), re.MULTILINE))
        assert keys and max(keys.values()) == 1, [key for key, times in keys.items() if times > 1]
