"""Which culprits are at work on one plant or site, when several wounds were judged each on its own?

Deer on the tops and voles at the base is an everyday finding: the barrier must stop both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import NOT_LISTED, group_words
from diagnose.culprits.verdict import Verdict

AT_WORK = 0.5  # probability from which a kind is said to be at work; our choice


@dataclass(frozen=True)
class Together:
    """The wounds of one plant or site, each with its own verdict.

    Parameters
    ----------
    verdicts
        One a wound [no unit].
    culprits, groups
        Culprit, or kind -> the least probability that it made at least one of the wounds; they do not add up to 1 [no unit].
    presence
        Animal -> the least probability that it is about [no unit].
    at_work
        Kinds that are likelier than not to be at work [no unit].
    """

    verdicts: tuple[Verdict, ...]
    culprits: dict[str, float]
    groups: dict[str, float]
    presence: dict[str, float]
    at_work: tuple[str, ...]

    @property
    def statement(self) -> str:
        """Who is at work, in one sentence."""
        if not self.at_work:
            return "Cannot tell yet which animals are at work here."
        names = " and ".join(group_words()[kind] for kind in self.at_work)
        more = "; the barrier must stop each of them" if len(self.at_work) > 1 else ""
        return f"At work here: {names}{more}."

    def as_json(self) -> dict[str, Any]:
        """As plain values, with the statement; shares to four places."""
        return {
            "wounds": [verdict.as_json() for verdict in self.verdicts],
            "culprits": {key: round(share, 4) for key, share in self.culprits.items()},
            "groups": {key: round(share, 4) for key, share in self.groups.items()},
            "presence": {key: round(share, 4) for key, share in self.presence.items()},
            "at_work": list(self.at_work),
            "statement": self.statement,
        }


def judge_together(verdicts: Sequence[Verdict]) -> Together:
    """The culprits at work, from the verdicts of several wounds.

    Parameters
    ----------
    verdicts
        Of the wounds of one plant or site, one or more [no unit].

    Raises
    ------
    CannotUse
        Without a verdict.

    Notes
    -----
    That a culprit made at least one wound is at least as likely as that it made the wound it fits best, however the wounds
    hang together: this bound is what is stated.
    """
    if not verdicts:
        raise CannotUse("there is no wound to judge; add one first")
    culprits = {key: max(v.culprits.get(key, 0.0) for v in verdicts) for key in verdicts[0].culprits}
    groups = {kind: max(v.groups.get(kind, 0.0) for v in verdicts) for kind in verdicts[0].groups}
    ranked = sorted(groups, key=lambda kind: -groups[kind])
    at_work = tuple(kind for kind in ranked if groups[kind] >= AT_WORK and kind != NOT_LISTED)
    presence = {key: max(v.presence.get(key, 0.0) for v in verdicts) for key in verdicts[0].presence}
    return Together(tuple(verdicts), culprits, groups, presence, at_work)
