"""A letter names nobody where nothing is known, and asks nobody for what they wrote. The mails are ours, in plain words."""

from __future__ import annotations

from email.message import EmailMessage
from pathlib import Path

import pytest

from diagnose.diagnosis import Circumstances, diagnose_answers
from diagnose.fieldlog.store import Log, open_log
from diagnose.inbox.work import judge, measure, take_in
from diagnose.report.letters import reply_to
from diagnose.signs import parse_signs, vocabulary

OAKS = ("I planted 200 oaks on a hill in Wales. Something tears off the shoots at hip height, ragged ends. No snow. "
        "What do I buy?")


def _reply(folder: Path, words: str) -> tuple[Log, str]:
    message = EmailMessage()
    message["From"], message["To"], message["Subject"] = "Gwen <gwen@example.org>", "adviser@example.org", "trees"
    message["Date"], message["Message-ID"] = "Mon, 13 Apr 2026 09:01:00 +0000", "<1@example.org>"
    message.set_content(words)
    (folder / "mail").mkdir()
    (folder / "mail" / "1.eml").write_bytes(bytes(message))
    log = open_log(folder / "log")
    take_in(log, folder / "mail")
    measure(log, workers=1)
    judge(log, "GB", workers=1)
    return log, reply_to(log, log.record("submission", log.records("submission").iloc[0]["id"]), "GB")


def test_nobody_is_asked_for_what_they_wrote(tmp_path: Path) -> None:
    log, told = _reply(tmp_path, OAKS)
    proposed = log.records("submission").iloc[0]["told"]["proposed"]
    assert proposed["wound"]["value"] == "severed_shoot" and proposed["cut_form"]["value"] == "torn"
    for name in ("wound", "position", "cut_form", "past_snow"):
        asked = vocabulary()[name].question
        assert asked and asked not in told, name


@pytest.mark.parametrize("words", ["hi what is this", "My neighbour sprayed his field and now leaves are twisted."])
def test_where_nothing_is_known_of_a_wound_no_animal_is_named_and_both_looks_are_advised(words: str, tmp_path: Path) -> None:
    _, told = _reply(tmp_path, words)
    assert "cannot tell yet what did it" in told and "The likeliest is" not in told and "do not buy anything yet" in told
    assert "trail camera" in told and "spraying or machine work" in told


def test_a_look_is_advised_for_what_it_may_be() -> None:
    def settle(**told: str) -> str:
        return diagnose_answers(parse_signs(told), Circumstances("GB")).verdict.settle

    torn = settle(wound="severed_shoot", cut_form="torn", position="middle")
    assert "trail camera" in torn and "Look for the cause itself" not in torn
    assert "trail camera" in settle() and "Look for the cause itself too" in settle()
