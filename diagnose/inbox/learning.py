"""How often do the adviser and the tool agree, and what may the tool learn of it?

For a fifth of the submissions the adviser names the culprit before the verdict is shown: only those count, since who
has seen a verdict leans towards it. Nothing is learned from agreement itself: only what was confirmed from outside
sharpens the local prior (culprits/prior.py), or the tool would teach itself.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import group_of, is_known, nameable
from diagnose.survey.quality import agreement

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

BLIND_SHARE = 0.2
LEAST_PAIRS = 50  # below it counts only, no kappa: the same rule as for re-measured plots
CANNOT_TELL = "cannot tell"
ANSWERS = ("agree", "change", "later")


def is_blind(submission: str) -> bool:
    """Is this one of the fifth that is named before its verdict is shown? Always the same ones, by their id.

    Parameters
    ----------
    submission
        Its id [no unit].
    """
    return int(hashlib.sha256(submission.encode()).hexdigest()[:8], 16) < BLIND_SHARE * 2**32


def answer(log: Log, submission: str, what: str, named: str | None = None, letter: str = "",
           by: str = "") -> None:
    """Stores what the adviser did: agree, change (with their own naming) or later.

    Parameters
    ----------
    log
        That is written to [no unit].
    submission
        Its id [no unit].
    what
        Agree, change or later [no unit].
    named
        Key of a culprit, where the adviser changed it [no unit].
    letter
        The reply as it was left [no unit].
    by
        Initials of the adviser [no unit].

    Raises
    ------
    CannotUse
        For anything else, and for a culprit that is not listed.
    """
    if what not in ANSWERS:
        raise CannotUse(f"'{what}' is no answer; choose one of {', '.join(ANSWERS)}")
    if named is not None and not is_known(named):
        raise CannotUse(f"'{named}' is no culprit; the culprits are {', '.join(nameable())}")
    if what == "change" and named is None:
        raise CannotUse("a change needs the culprit that you name")
    row = log.record("submission", submission)
    fields: dict[str, Any] = {"answer": what, "letter": letter or row["letter"],
                              "answered_at": None if what == "later" else datetime.now(UTC).isoformat(timespec="seconds")}
    if what == "agree":
        first = max(row["verdict"]["culprits"], key=row["verdict"]["culprits"].get)
        fields["named"] = row["named"] or named or first
    elif named is not None:
        fields["named"] = named
    log.correct(submission, by, "submission", **fields)


def name_blind(log: Log, submission: str, named: str | None, by: str = "") -> None:
    """Stores what the adviser named before the verdict was shown.

    Parameters
    ----------
    log
        That is written to [no unit].
    submission
        Its id [no unit].
    named
        Key of a culprit; None for "cannot tell" [no unit].
    by
        Initials of the adviser [no unit].

    Raises
    ------
    CannotUse
        For what is no culprit.
    """
    if named is not None and not is_known(named):
        raise CannotUse(f"'{named}' is no culprit; the culprits are {', '.join(nameable())}")
    log.correct(submission, by, "submission", named_blind=named or CANNOT_TELL)


def undo(log: Log, submission: str, by: str = "") -> None:
    """Takes the last answer back: the submission waits again.

    What stood before stays in its history, and what was named blind stays named: the verdict has been seen since.

    Parameters
    ----------
    log
        That is written to [no unit].
    submission
        Its id [no unit].
    by
        Initials of the adviser [no unit].
    """
    log.correct(submission, by, "submission", answer="", answered_at=None, named=None)


@dataclass(frozen=True)
class Together:
    """How often the adviser's blind naming and the verdict agree.

    Parameters
    ----------
    pairs, agreed
        How many there are, and how many agree [pairs].
    table
        Rows the adviser's kind, columns the tool's [pairs].
    kappa, low, high
        With limits; None below 50 pairs [no unit].
    by_month
        Month -> agreed, and of how many [pairs].
    """

    pairs: int
    agreed: int
    table: pd.DataFrame
    kappa: float | None
    low: float | None
    high: float | None
    by_month: dict[str, tuple[int, int]]

    @property
    def words(self) -> str:
        """The agreement in one line or two, with its interval where there are pairs enough."""
        line = f"You and the tool named the same kind in {self.agreed} of {self.pairs} that you named before you saw it"
        if self.kappa is None:
            return f"{line}; from {LEAST_PAIRS} on, kappa is given."
        return f"{line}; kappa {self.kappa:.2f} ({self.low:.2f} to {self.high:.2f})."


def together(log: Log) -> Together:
    """The agreement so far, by kinds of culprit, over the submissions that were named blind.

    Parameters
    ----------
    log
        That is read [no unit].
    """
    rows = log.records("submission")
    if len(rows):
        rows = rows[rows["named_blind"].map(is_known) & (rows["verdict"].map(len) > 0)]
    if rows.empty:
        return Together(0, 0, pd.DataFrame(), None, None, None, {})
    mine = rows["named_blind"].map(lambda name: group_of(name) or name)
    tool = rows["verdict"].map(lambda told: max(told["groups"], key=told["groups"].get)).map(
        lambda name: group_of(name) or name)
    same = (mine == tool).to_numpy()
    months = rows["answered_at"].fillna(rows["saved_at"]).str[:7]
    by_month = {str(month): (int(same[(months == month).to_numpy()].sum()), int((months == month).sum()))
                for month in sorted(set(months))}
    named = sorted({*mine, *tool})
    table = pd.crosstab(mine, tool).reindex(index=named, columns=named, fill_value=0)
    table.index.name, table.columns.name = "you", "tool"
    found = agreement(table.to_numpy()) if len(named) > 1 and len(rows) >= LEAST_PAIRS else None
    if found is None or found.kappa is None or found.kappa_interval is None:
        return Together(len(rows), int(same.sum()), table, None, None, None, by_month)
    within = found.kappa_interval
    return Together(len(rows), int(same.sum()), table, found.kappa, within.low, within.high, by_month)
