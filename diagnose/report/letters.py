"""What does the reply to a submission say, in words for somebody who knows nothing of statistics?

The facts of the letter are one object, made from the submission's own photos and verdict; the template only sets them
in words and is the adviser's to change. Nothing is sent by the tool.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from functools import cache
from importlib.resources import files
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.cannot_use import CannotUse
from diagnose.culprits.catalogue import NOT_LISTED, group_words
from diagnose.diagnosis import Diagnosis
from diagnose.figures import figure, length
from diagnose.inbox.ranking import CARD, CHOOSE
from diagnose.inbox.work import diagnosis_of, looked
from diagnose.protect.sources import called_by_name
from diagnose.report.plain import barrier_line
from diagnose.signs import Bounded, Sign, vocabulary
from diagnose.texts import read_text
from diagnose.whole_file import write_whole

if TYPE_CHECKING:
    import pandas as pd
    from jinja2 import Environment
    from reportlab.pdfgen.canvas import Canvas

    from diagnose.fieldlog.store import Log

_MOST_FRAME = 8  # lines of a letter's head or foot; our choice
_FRAME_PT, _FRAME_ROW_PT, _SIDE_PT = 9.0, 12.0, 68.0  # of head and foot: type, row, and the paper's margin [pt]
ENDINGS = ("txt", "html", "pdf")
HOW_TO = ("Lay the bitten end in the white middle of the printed scale card, roll the twig until the slope of the cut "
          "shows, and photograph from straight above, in the shade, the whole card in the picture.")
NOT_SHOWN = ("Some letters of this message belong to a script that this paper's font does not have; the letter as text or "
             "as a web page shows them.")
# what is told of the measurements to somebody who asks why an animal: sign -> words before it
_TOLD = {"seen_slope_deg": "slope of the cut", "end_diameter_mm": "thickness of the twig at the cut", "wound_height_mm":
         "height of the damage above the ground", "groove_spacing_mm": "tooth marks from middle to middle",
         "patch_height_mm": "height of the bare patch", "patch_width_mm": "width of the bare patch",
         "stem_diameter_mm": "thickness of the stem"}


@dataclass(frozen=True)
class Letter:
    """The facts that a template sets in words.

    Parameters
    ----------
    greeting, about, day, signature
        Head and foot of the letter [no unit].
    kind, share
        Likeliest kind of culprit, and its probability, 0 to 1 [no unit].
    answer, photos_words, measured, decided, against
        The verdict, what came, and what speaks for it and against, in words [no unit].
    find_out_first, question, choices, help, how_to_photograph
        What to find out, what is asked, and what to mind when answering [no unit].
    barrier, sizes, instead, leaves_open, cautions, settle
        What to do, in words [no unit].
    """

    greeting: str
    about: str
    day: str
    kind: str
    share: float
    answer: str
    photos_words: str
    measured: tuple[str, ...]
    decided: tuple[str, ...]
    against: tuple[str, ...]
    find_out_first: str
    question: str
    choices: tuple[str, ...]
    help: str
    how_to_photograph: str
    barrier: str
    sizes: tuple[str, ...]
    instead: tuple[str, ...]
    leaves_open: str
    cautions: tuple[str, ...]
    settle: str
    signature: str


def letter(row: Mapping[str, Any], found: Diagnosis, sender: str = "", signature: str = "", inches: bool = False) -> Letter:
    """The letter's facts.

    Parameters
    ----------
    row
        Of the submission, as the log keeps it [no unit].
    found
        Its diagnosis, as `work.diagnosis_of` returns it [no unit].
    sender
        Name of who sent it; may be empty [no unit].
    signature
        Of the adviser; may be empty [no unit].
    inches
        Whether lengths are given in inches and feet [no unit].
    """
    verdict, barrier = found.verdict, found.barrier
    kind = max(verdict.groups, key=lambda key: verdict.groups[key])
    share = verdict.groups[kind]
    clear = row["pile"] in ("ready", "seen before") or share >= 0.8
    better = CARD in str(row["question"]) or not found.measurement.measured
    helps = clear and barrier.kind is not None and not found.find_out_first
    sizes = [f"{name}: {length(what.value_mm, inches)}" for name, what in barrier.figures().items()]
    if barrier.base:
        sizes.append(f"at the ground: {barrier.base}")
    speaks = [_plain(reason.words) for reason in verdict.reasons if reason.weight > 0.05 and clear]
    against = [_plain(reason.words) for reason in verdict.reasons if reason.weight < -0.3 and clear]
    photos = len(row["photos"])
    question, _, choices = ("" if row["pile"] in ("ready", "seen before") else str(row["question"])).partition(CHOOSE)
    return Letter(
        greeting=f"Dear {sender}," if sender else "Hello,",
        about=str(row["about"]), day=_day(row.get("received_at")), kind=kind, share=round(share, 4),
        answer=_answer(kind, share, found, clear),
        photos_words="your photo" if photos == 1 else f"your {photos} photos", measured=tuple(_measured(found, inches)),
        decided=tuple(speaks[:4]), against=tuple(against[:2]),
        find_out_first=_not_yet(found), question=question, choices=tuple(choices.rstrip(".").split("; ")) if choices else (),
        help=next((word.help for word in vocabulary().values()  # what an older version asked begins alike
                   if question and word.question and word.question.startswith(question)), ""),
        how_to_photograph=HOW_TO if better else "",
        barrier=barrier_line(barrier).removeprefix("Barrier: ") if helps else "", sizes=tuple(sizes) if helps else (),
        instead=tuple(map(called_by_name, barrier.instead)) if clear and not found.find_out_first else (),
        leaves_open=", ".join(barrier.leaves_open) if helps else "",
        cautions=tuple(map(called_by_name, barrier.cautions)) if helps else (),
        settle=verdict.settle if share < 0.9 else "", signature=signature or "With kind regards",
    )


def _answer(kind: str, share: float, found: Diagnosis, clear: bool) -> str:
    """How likely, in words that mean the number beside them."""
    name = "something that is not on our list" if kind == NOT_LISTED else group_words()[kind]
    often = f"about {max(1, min(9, round(10 * share)))} times out of 10"
    if share >= 0.95:
        return f"This is almost certainly the work of {name}."
    if clear and share >= 0.75:
        return f"This is very likely the work of {name}. In cases that look like yours it is {often}."
    others = sorted((key for key in found.verdict.groups if key != kind), key=lambda key: -found.verdict.groups[key])
    if not found.signs:
        return "From this we cannot tell yet what did it."  # how common each is says nothing of this plant
    second = group_words()[others[0]]
    if clear or share >= 0.6:
        return (f"This is more likely than not the work of {name} ({often} in cases that look like yours); "
                f"next in line comes {second}. We would not spend money on it yet.")
    return f"From this we cannot tell yet what did it. The likeliest is {name}, then {second}."


def _not_yet(found: Diagnosis) -> str:
    """Why the writer should wait before they spend money; the question itself stands elsewhere in the letter."""
    if not found.find_out_first:
        return ""
    why = "it cannot be told yet what did it" if found.signs else "we know too little of the damage"
    return f"Please do not buy anything yet: {why}. What is worth finding out first stands in this letter."


def _plain(words: str) -> str:
    """A reason without shares and uncertainties."""
    return re.sub(r"\s*\(\d+ %\)|\s*±\s*[\d.]+", "", words)


def _measured(found: Diagnosis, inches: bool) -> list[str]:
    told = {**found.signs}
    return [f"{words}: {_about(told[name], figure(name, told[name], inches))}" for name, words in _TOLD.items()
            if name in told and name in found.measurement.measured]


def _about(sign: Sign, figure: str) -> str:
    """A figure without its uncertainty, to two digits; "between" where only bounds are known."""
    words = re.sub(r"\d+\.\d+", lambda hit: f"{float(hit[0]):.2g}", _plain(figure))
    return f"between {words.replace(' to ', ' and ')}" if isinstance(sign, Bounded) else f"about {words}"


def _day(received_at: Any) -> str:
    try:
        at = datetime.fromisoformat(str(received_at))
    except ValueError:
        return ""
    return f"{at.day} {at:%B %Y}"


@cache
def _environment(html: bool) -> Environment:
    from jinja2 import StrictUndefined
    from jinja2.sandbox import SandboxedEnvironment

    return SandboxedEnvironment(autoescape=html, undefined=StrictUndefined, trim_blocks=False, keep_trailing_newline=True)


def as_text(told: Letter, template: str | Path | None = None) -> str:
    """The letter as plain text.

    Parameters
    ----------
    told
        The letter's facts [no unit].
    template
        The adviser's own jinja2 file; None for the one that comes with the tool [no unit].
    """
    return re.sub(r"\n{3,}", "\n\n", _rendered(told, template, "letter.txt.jinja", html=False)).strip() + "\n"


def as_html(told: Letter, template: str | Path | None = None) -> str:
    """The letter as one HTML page; what the sender wrote is escaped.

    Parameters
    ----------
    told
        The letter's facts [no unit].
    template
        The adviser's own jinja2 file; None for the one that comes with the tool [no unit].
    """
    return _rendered(told, template, "letter.html.jinja", html=True)


def _rendered(told: Letter, template: str | Path | None, own: str, html: bool) -> str:
    source = (files("diagnose.report") / own).read_text("utf-8") if template is None else read_text(template)
    try:
        return _environment(html).from_string(source).render(asdict(told))
    except Exception as problem:  # a template's own reckoning raises what it likes
        raise CannotUse(f"the template has a fault ({problem}); see letter.txt.jinja for the names it may use") from None


def framed(text: str, head: str = "", foot: str = "") -> str:
    """A letter's text between the head and the foot of whoever writes it.

    Parameters
    ----------
    text
        The letter [no unit].
    head
        Lines that stand above it, such as the office's name and address; may be empty [no unit].
    foot
        Lines that stand below it; may be empty [no unit].
    """
    return "\n\n".join(part for part in (head.strip(), text.strip(), foot.strip()) if part) + "\n"


def as_pdf(text: str, title: str = "Reply", paper: str = "A4", head: str = "", foot: str = "") -> bytes:
    """A letter's text on paper.

    Lines that begin with "- " are set as a list, those that end with ":" as headings. Letters that the font lacks are
    said to be missing.

    Parameters
    ----------
    text
        The letter [no unit].
    title
        Of the document [no unit].
    paper
        "A4" or "Letter" [no unit].
    head
        Lines at the top of the first page, as they stand; may be empty [no unit].
    foot
        Lines at the bottom of every page, as they stand; may be empty [no unit].

    Raises
    ------
    CannotUse
        When head or foot has more lines or longer ones than fit.
    """
    from reportlab.lib import pagesizes
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.pdfbase.pdfmetrics import stringWidth
    from reportlab.platypus import Paragraph, SimpleDocTemplate

    from diagnose.report.lettering import BOLD, FONT, all_settable, load_fonts, marked, settable

    load_fonts()
    width, _ = size = pagesizes.A4 if paper == "A4" else pagesizes.letter
    above, below = ([settable(line.strip()) for line in lines.strip().splitlines()] for lines in (head, foot))
    for name, lines in (("head", above), ("foot", below)):
        if len(lines) > _MOST_FRAME or any(stringWidth(line, FONT, _FRAME_PT) > width - 2 * _SIDE_PT for line in lines):
            raise CannotUse(f"the {name} of letters does not fit the paper: at most {_MOST_FRAME} lines, none longer than "
                            "the page is wide")
    plain = ParagraphStyle("plain", fontName=FONT, fontSize=10.5, leading=14.5, spaceAfter=7)
    heading = ParagraphStyle("head", parent=plain, fontName=BOLD, spaceBefore=6, spaceAfter=2, keepWithNext=1)
    item = ParagraphStyle("item", parent=plain, leftIndent=14, bulletIndent=3, spaceAfter=2)
    after_list = ParagraphStyle("after list", parent=plain, spaceBefore=7)
    flow: list[Paragraph] = []
    for block in re.split(r"\n\s*\n", text.strip()):
        run: list[str] = []
        for line in [*block.splitlines(), ""]:
            heads = line.rstrip().endswith(":") and len(line) < 70
            starts = line.strip().startswith("- ") or heads or not line.strip()
            if starts and run:
                listed = bool(flow) and flow[-1].style is item
                flow.append(Paragraph(marked(" ".join(run)), after_list if listed else plain))
                run = []
            if line.strip().startswith("- "):
                flow.append(Paragraph(marked(line.strip()[2:]), item, bulletText="•"))
            elif starts and line.strip():
                flow.append(Paragraph(marked(line.strip()), heading))
            elif line.strip():
                run.append(line.strip())
    if not all_settable(text + head + foot):
        small = ParagraphStyle("small", parent=plain, fontSize=8.5, leading=11, spaceBefore=10)
        flow.append(Paragraph(NOT_SHOWN, small))

    def stand_below(canvas: Canvas, document: SimpleDocTemplate) -> None:
        canvas.setFont(FONT, _FRAME_PT)
        for row, line in enumerate(reversed(below)):
            canvas.drawCentredString(width / 2, 30 + row * _FRAME_ROW_PT, line)

    out = BytesIO()
    top = [Paragraph(marked(line) or "&nbsp;", ParagraphStyle("top", fontName=FONT, fontSize=_FRAME_PT, alignment=2,
                                                              leading=_FRAME_ROW_PT)) for line in above]
    if top:
        top[-1].style.spaceAfter = 20
    SimpleDocTemplate(out, pagesize=size, title=title, author="", leftMargin=_SIDE_PT, rightMargin=_SIDE_PT, topMargin=62,
                      bottomMargin=58 + _FRAME_ROW_PT * max(len(below) - 1, 0)).build(
                          top + flow, onFirstPage=stand_below, onLaterPages=stand_below)
    return out.getvalue()


def senders_name(log: Log, sender: str | None) -> str:
    """What a letter greets with: the sender's name, empty where there is none.

    Parameters
    ----------
    log
        That keeps the submissions [no unit].
    sender
        Key of who sent one [no unit].
    """
    if not isinstance(sender, str):
        return ""
    try:
        return str(log.record("sender", sender)["name"])
    except CannotUse:  # a pack leaves the senders out
        return ""


def reply_to(log: Log, row: dict[str, Any], region: str | None = None, template: str | Path | None = None,
             signature: str = "", inches: bool = False) -> str:
    """The letter that answers a submission, as the adviser left it, else as the tool writes it.

    Parameters
    ----------
    log
        That keeps the submission [no unit].
    row
        Of the submission [no unit].
    region
        Where it is taken to be from, where it says nothing [no unit].
    template
        The adviser's own jinja2 file; None for the tool's [no unit].
    signature
        Of the adviser; may be empty [no unit].
    inches
        Whether lengths are given in inches and feet [no unit].
    """
    if row["letter"]:
        return str(row["letter"])
    found = diagnosis_of(row, looked(log, row["photos"]), region)
    return as_text(letter(row, found, senders_name(log, row["sender"]), signature, inches), template)


def write_letters(log: Log, folder: str | Path, rows: pd.DataFrame, ending: str = "txt", region: str | None = None,
                  template: str | Path | None = None, signature: str = "", inches: bool = False) -> list[Path]:
    """Writes a letter for each row into a folder, one file each; nothing is sent.

    Parameters
    ----------
    log
        That keeps the submissions [no unit].
    folder
        Where the letters are written [no unit].
    rows
        Of the submissions [no unit].
    ending
        Of the files: txt, html or pdf [no unit].
    region
        Where they are taken to be from, where they say nothing [no unit].
    template
        The adviser's own jinja2 file; None for the tool's [no unit].
    signature
        Of the adviser; may be empty [no unit].
    inches
        Whether lengths are given in inches and feet [no unit].

    Raises
    ------
    CannotUse
        For another ending, and for a folder that cannot be made.
    """
    if ending not in ENDINGS:
        raise CannotUse(f"letters are written as {', '.join(ENDINGS)}, not as {ending}")
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise CannotUse(f"{place} cannot be made a folder ({problem.strerror}); choose another") from None
    written = []
    for row in rows.to_dict("records"):
        file = place / file_of(row["id"], row["about"], ending)
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


def file_of(submission: str, about: object, ending: str) -> str:
    """What a letter's file is called: by the submission, and by what was written about, in plain letters and figures.

    Parameters
    ----------
    submission
        Its id [no unit].
    about
        Its subject, or None [no unit].
    ending
        One of ENDINGS [no unit].
    """
    words = re.sub(r"[^a-z0-9]+", "-", str(about or "").lower()).strip("-")[:40]
    return f"{submission[:8]}{'-' if words else ''}{words}.{ending}"


def _page(told: str) -> str:
    """An edited letter as a page: its words, escaped, as they stand."""
    from html import escape

    return f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Reply</title><pre>{escape(told)}</pre></html>\n'
