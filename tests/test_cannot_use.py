"""A refusal is one line that no terminal obeys, whatever it quotes."""

from __future__ import annotations

import pickle

import pytest

from diagnose.cannot_use import CannotUse


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
