"""How do tables, script and style become one file that a browser opens anywhere?"""

from __future__ import annotations

import json
from base64 import b64encode
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any

from diagnose.culprits.here import Where
from diagnose.culprits.on_paper import printed_key
from diagnose.fieldlog.named import plantings
from diagnose.fieldlog.store import open_log
from diagnose.pocket.tables import tables_of
from diagnose.pocket.work import position_of, work_of
from diagnose.report.field_key import points_to
from diagnose.signs import Word
from diagnose.whole_file import write_whole

MODEL = ("numbers.js", "readings.js", "reach.js", "likelihood.js", "traces.js", "model.js", "asking.js", "barrier.js")
PHONE = ("keep.js", "pack.js", "tally.js")
STEPS = ("elements.js", "wound_steps.js", "keep_steps.js", "hand_steps.js", "round_steps.js", "steps.js")
SELF = "'self'"
KEEPER_POLICY = "default-src 'none'; connect-src 'self'"  # of what keeps the page: it fetches that, nothing else


@dataclass(frozen=True)
class Page:
    """A planting's page.

    Parameters
    ----------
    html, place
        The file, and where it is for [no unit].
    due, trees
        Barriers due, and trees of the last visit [barriers, trees].
    """

    html: str
    place: str
    due: int
    trees: int


def pocket_page(tables: dict[str, Any], work: dict[str, Any], served: bool = False) -> str:
    """The page as HTML: nothing outside it is needed or asked for, and nothing but its own script and style runs in it.

    Parameters
    ----------
    tables
        Of `tables.tables_of` [no unit].
    work
        Of `work.work_of` [no unit].
    served
        Whether it comes from the app, whose `keeper.js` may keep it then [no unit].

    References
    ----------
    .. [1] W3C, Content Security Policy Level 3: a script is let in by the SHA-256 of its text.
    """
    script = '"use strict";\n' + "\n".join(_part(name) for name in (*MODEL, *PHONE, *STEPS))
    style = _part("page.css")
    policy = (f"default-src 'none'; script-src '{_digest(script)}'; style-src '{_digest(style)}'; img-src data: blob:; "
              f"form-action 'none'; base-uri 'none'{'; worker-src ' + SELF if served else ''}")
    parts = {
        "POLICY": policy, "STYLE": style, "SCRIPT": script, "SITE": escape(str(work["site"])),
        "TABLES": _as_data(tables), "WORK": _as_data(work), "PAPER": paper_key(),
    }
    page = _part("page.html")
    head, *rest = page.split("{{")
    return head + "".join(parts[name] + text for name, text in (each.split("}}", 1) for each in rest))


def page_of(site: str, region: Where = None, log: str | None = None, on: date | None = None, climate: str = "mild",
            served: bool = False) -> Page:
    """The page of a planting.

    Parameters
    ----------
    site
        Name of the planting [no unit].
    region
        Where it is; None to take it from what the log holds of it [no unit].
    log
        Folder or address of the log that knows it; where there is none, the page goes without [no unit].
    on
        Day on which the barriers are due; None for today [no unit].
    climate
        Length of the winter: cold, mild or warm [no unit].
    served
        Whether it comes from the app, whose `keeper.js` may keep it then [no unit].

    Raises
    ------
    CannotUse
        For a planting without a name, and a name that is no place.
    """
    opened = open_log(log, make=False) if log is not None and _is_there(log) else None
    work = work_of(opened, site, on or date.today(), climate)
    tables = tables_of(region if region is not None or opened is None else position_of(opened, site))
    return Page(pocket_page(tables, work, served), tables["where"]["name"] or "a place that is not known",
                sum(bool(one["barrier"]) for one in work["due"]), len(work["trees"]))


def write_pocket(out: str | Path, site: str, region: Where = None, log: str | None = None, on: date | None = None,
                 climate: str = "mild") -> str:
    """Writes the page of a planting; returns the line that says what it is.

    Parameters
    ----------
    out
        File to write [no unit].
    site, region, log, on, climate
        As for `page_of` [no unit].

    Raises
    ------
    CannotUse
        For a planting without a name, a name that is no place, and a file that cannot be written.
    """
    page = page_of(site, region, log, on, climate)
    file = write_whole(out, page.html)
    return (f"{file}: one page for {site} in {page.place}, {file.stat().st_size / 1e6:.2f} MB, {page.due} barriers due, "
            f"{page.trees} trees of the last visit; copy it to the phone and open it there{_without(log, site)}")


def _without(log: str | None, site: str) -> str:
    """Why nothing that a log tells stands on the page; empty where a log names the planting."""
    if log is None or not _is_there(log):
        return f". There is no log in {log}, so it goes without barriers and earlier trees" if log else ""
    known = plantings(open_log(log, make=False))
    return "" if site in known else f". The log names no planting '{site}', so it goes without barriers and earlier trees"


def _is_there(log: str) -> bool:
    return "://" in log or Path(log).expanduser().exists()


def keeper_script() -> str:
    """The script that keeps the page on the phone where the app serves it over https."""
    return _part("keeper.js")


def model_script() -> str:
    """The script that judges: the model, asking and the barrier."""
    return "\n".join(_part(name) for name in MODEL)


def phone_script() -> str:
    """The script that keeps and hands over, without what shows."""
    return "\n".join(_part(name) for name in PHONE)


def paper_key() -> str:
    """The key as it is printed: every question with its answers and what each points to."""
    return "\n".join(map(_on_paper, printed_key()))


def _on_paper(word: Word) -> str:
    answers = "".join(f"<li>{escape(words)}<i>{escape(', '.join(points_to(word, choice)))}</i></li>"
                      for choice, words in word.choices.items())
    return f"<section><h3>{escape(word.question or word.label)}</h3><ul>{answers}</ul></section>"


def _as_data(values: dict[str, Any]) -> str:
    """JSON that cannot end the element that it stands in."""
    return json.dumps(values, ensure_ascii=False, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _digest(text: str) -> str:
    return "sha256-" + b64encode(sha256(text.encode()).digest()).decode()


def _part(name: str) -> str:
    return (files("diagnose.pocket") / "page" / name).read_text(encoding="utf-8")
