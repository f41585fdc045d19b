"""`diagnose sources KEY` says in full where a figure was read, and in words how surely."""

import pytest

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.protect.requirement import SEEN, short_source, source_words, sources


def test_a_key_is_told_in_full_with_what_the_tags_mean(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sources", "FRORG", "ME382"]) == 0
    told = capsys.readouterr().out
    assert "forestandrange.org" in told and "NRCS Maine" in told
    assert all(words in told for words in SEEN.values())


def test_an_unknown_key_is_refused_in_one_line_with_those_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sources", "YETI"]) == 2
    told = capsys.readouterr().err
    assert "'YETI' is no source" in told and "FRORG" in told and told.count("\n") == 1
    with pytest.raises(CannotUse):
        source_words("")


def test_each_of_several_sources_that_stand_together_names_its_own_page() -> None:
    assert source_words("BC4").endswith("bc4-tree-guard-post-and-wire")
    assert all(source_words(key).startswith(f"{short_source(key)}: ") for key in sources())
