"""On which pile does a submission lie, and how much is the adviser's attention to it worth?

ready : the verdict is clear, or every likely culprit needs the same barrier. ask back : one fact or one better photo
would make it clear. look yourself : something here is not for a program. seen before : the photos came in already.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from diagnose.culprits.ask import PLACE, next_step
from diagnose.culprits.catalogue import group_words
from diagnose.culprits.old_names import name_of
from diagnose.diagnosis import Diagnosis
from diagnose.inbox.told import look_yourself
from diagnose.protect.requirement import NEED_OF, built_of, protected_culprits
from diagnose.signs import Answer, Shares, parse_signs, vocabulary

READY, ASK, LOOK, SEEN = "ready", "ask back", "look yourself", "seen before"
PILES = (LOOK, READY, ASK, SEEN)  # in the order in which an adviser's hour is best spent
CLEAR = 0.80  # probability of the leading kind from which an answer goes out; our choice
SAME_BARRIER = 0.85  # probability of all kinds that need the same barrier, from which that is enough; our choice
AGAIN = "We could not open your photo. Could you send it once more, as it lies on the phone or the camera?"
CHOOSE = " Please choose: "  # between a question and its choices, which semicolons part
CARD = "Could you photograph it once more, laid on the printed scale card, from straight above?"


@dataclass(frozen=True)
class Placed:
    """Where a submission lies.

    Parameters
    ----------
    pile, why, question
        One of PILES, why in words, and what to ask back [no unit].
    worth
        Of the adviser's attention, 0 to 1 [no unit].
    """

    pile: str
    why: str
    worth: float
    question: str = ""


def rank(row: Mapping[str, Any], found: Diagnosis, looked: Sequence[Mapping[str, Any]], twin: str = "") -> Placed:
    """Where a submission lies.

    Parameters
    ----------
    row
        Of the submission [no unit].
    found
        Its diagnosis [no unit].
    looked
        What each photo yielded (work.look_at) [no unit].
    twin
        Id of the submission whose photos it repeats; empty for none [no unit].
    """
    if twin:
        return Placed(SEEN, f"its photos came in before, with submission {twin[:8]}", 0.05)
    open_matters = _for_the_adviser(row, found, looked)
    worth = stake(found)
    question = _question(row, found, looked)
    if open_matters:
        return Placed(LOOK, "; ".join(open_matters), min(1.0, 0.3 + worth), question)
    clear = _clear(found)
    if clear:
        return Placed(READY, clear, worth)
    if question:
        return Placed(ASK, "it cannot be told yet, and an answer would help", worth, question)
    return Placed(LOOK, "it cannot be told, and nothing that could be asked would help", min(1.0, 0.3 + worth))


def stake(found: Diagnosis) -> float:
    """The probability that the barrier which would be advised stops the wrong animal: what attention can mend.

    Parameters
    ----------
    found
        The submission's diagnosis [no unit].
    """
    by_need: dict[str, float] = {}
    for key, share in found.verdict.culprits.items():
        need = NEED_OF.get(key, key)
        by_need[need] = by_need.get(need, 0.0) + share
    return round(1.0 - max(by_need.values(), default=0.0), 4)


def _clear(found: Diagnosis) -> str:
    verdict = found.verdict
    kind = max(verdict.groups, key=lambda key: verdict.groups[key])
    if verdict.leading is not None and verdict.groups[kind] >= CLEAR:
        return f"it is clear: {group_words()[kind]} {100 * verdict.groups[kind]:.0f} %"
    if 1.0 - stake(found) >= SAME_BARRIER:
        return f"whatever of the likely ones did it, the same barrier stops it ({100 * (1 - stake(found)):.0f} %)"
    return ""


def _question(row: Mapping[str, Any], found: Diagnosis, looked: Sequence[Mapping[str, Any]]) -> str:
    """The one thing to ask back: a better photo where none was measured, else the fact most worth knowing."""
    # letters ask for one sign; the place comes with the photo, or is settled for the whole pile
    step = next_step(found.verdict, (PLACE, *_written(row)), NEED_OF, None, built_of())
    if looked and all("error" in told for told in looked):
        return AGAIN
    if not any(told.get("measured") for told in looked) and looked:
        return CARD
    if step.question is not None:
        word = vocabulary()[step.question]
        choices = "; ".join([*word.choices.values(), "I do not know"])
        return f"{word.question}{CHOOSE}{choices}."
    return CARD if not looked else ""


def _written(row: Mapping[str, Any]) -> list[str]:
    """Signs of which the words told already, whether or not the adviser has ticked them: nobody is asked what they wrote."""
    told = {vocabulary()[name].about for name in (row.get("told") or {}).get("proposed", {}) if name in vocabulary()}
    return [name for name, word in vocabulary().items() if word.about in told]


def _for_the_adviser(row: Mapping[str, Any], found: Diagnosis, looked: Sequence[Mapping[str, Any]]) -> list[str]:
    """What is not for a program, a line each."""
    reasons = look_yourself(f"{row['about']}\n{row['words']}")
    if looked and all("error" in told for told in looked):
        reasons.append(f"no photo can be used: {looked[0]['error']}")
    reasons += _conflicts(row, looked)
    likely = [key for key in sorted(protected_culprits()) if found.verdict.culprits.get(key, 0.0) >= 0.5]
    reasons += [f"{name_of(key)} is protected in places" for key in likely]
    if found.verdict.warning:
        reasons.append("the signs fit nothing in the catalogue well")
    apart = [line for line in found.measurement.remarks if "stands apart" in line or "apart from" in line]
    reasons += apart[:1]
    if not looked and not row["told"].get("proposed") and not reasons:
        reasons.append("there is no photo, and the words tell no sign")
    return reasons


def _conflicts(row: Mapping[str, Any], looked: Sequence[Mapping[str, Any]]) -> list[str]:
    """Where the words say one thing and a photo surely another."""
    proposed = {name: one["value"] for name, one in row["told"].get("proposed", {}).items()}
    said = parse_signs(proposed).get("cut_form")
    for told in looked:
        seen = parse_signs(told.get("measured", {})).get("end_form")
        if isinstance(said, Answer) and isinstance(seen, Shares) and said.choice in seen.shares:
            other = max(seen.shares, key=lambda key: seen.shares[key])
            if other != said.choice and seen.shares[other] > 0.7 and "half" not in (other, said.choice):
                return [f"the words say {said.choice}, the photo says {other}"]
    return []
