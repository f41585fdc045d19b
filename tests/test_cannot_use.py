"""A refusal is one line that no terminal obeys, whatever it quotes."""

from __future__ import annotations

import pickle
import zipfile
from pathlib import Path

import pytest

from diagnose.archives import unpacked
from diagnose.cannot_use import LONGEST, CannotUse


@pytest.mark.parametrize(("quoted", "told"), [
    ("a.jpg", "a.jpg"),
    ("a\nb", "a b"), ("a\r\n\n  b", "a b"), ("a\rb", "a b"), ("a\u2028b\u2029c", "a b c"),
    ("\x1b[2Ja", "a"), ("\x1b]0;taken over\x07a", "a"), ("\x9b31ma", "a"), ("a\u202eb", "ab"), ("a\x00\x07b", "ab"),
    ("\x1b]0;never ended\nb", " b"),
])
def test_what_a_refusal_quotes_neither_breaks_its_line_nor_commands_a_terminal(quoted: str, told: str) -> None:
    assert str(CannotUse(f"<{quoted}> is no photo")) == f"<{told}> is no photo"


def test_a_refusal_travels_between_processes_as_it_is() -> None:
    assert str(pickle.loads(pickle.dumps(CannotUse("a\nb")))) == "a b"


def test_a_refusal_that_quotes_very_much_still_says_what_to_do() -> None:
    told = str(CannotUse(f"<{'x' * 1_000_000}> is no photo"))
    assert len(told) <= LONGEST and told.startswith("<xxx") and told.endswith("xxx> is no photo")


def test_a_zip_whose_header_states_an_endless_name_is_refused_in_one_line_that_says_what_to_do(tmp_path: Path) -> None:
    # the library's own words quote the whole name as the header states it, up to 64 kB of the file's bytes
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as out:
        out.writestr("format", bytes(range(256)) * 200)
    data = bytearray((tmp_path / "a.zip").read_bytes())
    data[26:28] = (40_000).to_bytes(2, "little")  # the local header's length of the name (APPNOTE.TXT 4.3.7)
    (tmp_path / "a.zip").write_bytes(data)
    with zipfile.ZipFile(tmp_path / "a.zip") as packed, pytest.raises(CannotUse, match=r"without a password$") as refused:
        unpacked(packed, "format", 10**6)
    assert len(str(refused.value)) <= LONGEST
