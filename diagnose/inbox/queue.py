"""In which order does the adviser look at what waits, and how do all letters leave at once?"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from diagnose.cannot_use import CannotUse
from diagnose.inbox.ranking import PILES
from diagnose.inbox.reply import as_html, as_pdf, as_text, letter
from diagnose.inbox.work import diagnosis_of, looked
from diagnose.whole_file import write_whole

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

ENDINGS = ("txt", "html", "pdf")


def waiting(log: Log, pile: str | None = None, answered: bool = False) -> pd.DataFrame:
    """Submissions that wait, pile by pile, the one that is worth most attention first. answered : those too."""
    rows = log.records("submission")
    if rows.empty:
        return rows
    if not answered:
        rows = rows[rows["answered_at"].isna()]
    if pile is not None:
        if pile not in PILES:
            raise CannotUse(f"'{pile}' is no pile; the piles are {', '.join(PILES)}")
        rows = rows[rows["pile"] == pile]
    order = {name: place for place, name in enumerate(PILES)}
    ranked = rows.assign(place=rows["pile"].map(order).fillna(len(PILES)))
    # what was put off comes last in its pile
    ranked["off"] = ranked["answer"].eq("later")
    found: pd.DataFrame = ranked.sort_values(["place", "off", "worth", "saved_at"], ascending=[True, True, False, True])
    return found.drop(columns=["place", "off"]).reset_index(drop=True)


def senders_name(log: Log, sender: str | None) -> str:
    """What a letter greets with: the sender's name, empty where there is none."""
    if not isinstance(sender, str):
        return ""
    try:
        return str(log.record("sender", sender)["name"])
    except CannotUse:  # a pack leaves the senders out
        return ""


def reply_to(log: Log, row: dict[str, Any], region: str | None = None, template: str | Path | None = None,
             signature: str = "", inches: bool = False) -> str:
    """The letter that answers a submission, as the adviser left it, else as the tool writes it."""
    if row["letter"]:
        return str(row["letter"])
    found = diagnosis_of(row, looked(log, row["photos"]), region)
    return as_text(letter(row, found, senders_name(log, row["sender"]), signature, inches), template)


def write_letters(log: Log, folder: str | Path, rows: pd.DataFrame, ending: str = "txt", region: str | None = None,
                  template: str | Path | None = None, signature: str = "", inches: bool = False) -> list[Path]:
    """Writes a letter for each row into a folder, one file each; nothing is sent. Raises CannotUse."""
    if ending not in ENDINGS:
        raise CannotUse(f"letters are written as {', '.join(ENDINGS)}, not as {ending}")
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise CannotUse(f"{place} cannot be made a folder ({problem.strerror}); choose another") from None
    written = []
    for row in rows.to_dict("records"):
        about = re.sub(r"[^a-z0-9]+", "-", str(row["about"]).lower()).strip("-")[:40]
        file = place / f"{row['id'][:8]}{'-' if about else ''}{about}.{ending}"
        if ending == "html" and not row["letter"]:
            found = diagnosis_of(row, looked(log, row["photos"]), region)
            facts = letter(row, found, senders_name(log, row["sender"]), signature, inches)
            write_whole(file, as_html(facts, template))
        else:
            told = reply_to(log, row, region, template, signature, inches)
            if ending == "pdf":
                write_whole(file, as_pdf(told, row["about"] or "Reply"))
            else:
                write_whole(file, told if ending == "txt" else _page(told))
        written.append(file)
    return written


def _page(told: str) -> str:
    """An edited letter as a page: its words, escaped, as they stand."""
    from html import escape

    return f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Reply</title><pre>{escape(told)}</pre></html>\n'


def queue_as_text(rows: pd.DataFrame) -> str:
    """A line a submission: pile, what it is about, likeliest kind, why it lies there."""
    if rows.empty:
        return "Nothing waits."
    lines = []
    for row in rows.itertuples():
        told = row.verdict.get("statement", "not judged yet")
        lines.append(f"{row.id[:8]}  {row.pile:<13}  {(row.about or 'no subject')[:32]:<32}  {told}  ({row.why})")
    return "\n".join(lines)
