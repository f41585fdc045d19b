"""How does a plant or a barrier bear its tag so that a phone reads it? Sheets of labels, each with tag and QR code."""

from __future__ import annotations

import re
from collections.abc import Sequence
from io import BytesIO
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.store import Log
from diagnose.report.barrier_drawing import POINT
from diagnose.report.lettering import BOLD, FONT, fitted, load_fonts

ACROSS, DOWN = 3, 8
MARGIN_MM = 10.0  # that printers leave white; our choice
QUIET = 4  # modules of white round the code, as ISO/IEC 18004 asks
LONGEST_TAG = 40  # letters; longer ones make codes too fine to print so small
MOST_LABELS = 5_000


def run_of(text: str) -> list[str]:
    """The tags that a text names: itself, or all of a run such as "T001..T040".

    Parameters
    ----------
    text
        A tag, or the first and the last of a run, which differ in their last number alone [no unit].

    Raises
    ------
    CannotUse
        For a run that counts down or whose ends differ otherwise, and for more than 5,000 tags.
    """
    if ".." not in text:
        return [text]
    ends = [re.fullmatch(r"(.*?)(\d{1,9})", end.strip()) for end in text.split("..", 1)]
    first, last = ends
    if first is None or last is None or first[1] != last[1] or int(last[2]) < int(first[2]):
        raise CannotUse(f"{text} is no run of tags; write the first and the last, e.g. T001..T040")
    if int(last[2]) - int(first[2]) >= MOST_LABELS:
        raise CannotUse(f"{text} names more than {MOST_LABELS} tags; print them in parts")
    return [f"{first[1]}{number:0{len(first[2])}d}" for number in range(int(first[2]), int(last[2]) + 1)]


def tags_of(log: Log, site: str | None = None) -> list[str]:
    """Tags of plants and labels of standing barriers that a log knows, each once, sorted.

    Parameters
    ----------
    log
        The log [no unit].
    site
        One planting; None for all [no unit].
    """
    only: dict[str, Any] = {} if site is None else {"site": site}
    told: set[str] = set()
    for kind, column in (("plant", "tag"), ("tally", "tree"), ("barrier", "label"), ("barrier", "plant")):
        told |= set(log.records(kind, **only)[column].dropna())
    seen = log.observations(columns=("site", "plant"))
    told |= set(seen.loc[(seen["site"] == site) if site is not None else seen.index, "plant"].dropna())
    return sorted(told - {""})


def labels_pdf(tags: Sequence[str], site: str = "", paper: str = "A4") -> bytes:
    """Sheets of 24 labels: the planting, the tag in large letters, and the tag as QR code for any scanner.

    Parameters
    ----------
    tags
        One label each, in this order [no unit].
    site
        Written above each tag [no unit].
    paper
        "A4" or "Letter" [no unit].

    Raises
    ------
    CannotUse
        For no tag, an empty one, one of more than 40 letters, and more than 5,000 of them.

    References
    ----------
    .. [1] ISO/IEC 18004, QR code: error correction Q, which withstands a quarter of the code soiled; four modules of white.
    """
    import segno
    from reportlab.lib import pagesizes
    from reportlab.lib.utils import ImageReader
    from reportlab.pdfgen.canvas import Canvas

    if not tags:
        raise CannotUse("there is no tag to print; name them, e.g. T001..T040")
    if len(tags) > MOST_LABELS:
        raise CannotUse(f"{len(tags)} labels are more than {MOST_LABELS}; print them in parts")
    for tag in tags:
        if not tag.strip() or len(tag) > LONGEST_TAG:
            raise CannotUse(f"a tag of {len(tag)} letters cannot be printed; take 1 to {LONGEST_TAG}")
    load_fonts()
    out = BytesIO()
    wide, high = pagesizes.A4 if paper == "A4" else pagesizes.letter
    canvas = Canvas(out, pagesize=(wide, high))
    canvas.setTitle("Tags")
    edge = MARGIN_MM * POINT
    width, height = (wide - 2 * edge) / ACROSS, (high - 2 * edge) / DOWN
    for place, tag in enumerate(tags):
        if place and place % (ACROSS * DOWN) == 0:
            canvas.showPage()
        row, column = divmod(place % (ACROSS * DOWN), ACROSS)
        left, bottom = edge + column * width, high - edge - (row + 1) * height
        code = BytesIO()
        segno.make_qr(tag, error="q").save(code, kind="png", scale=8, border=QUIET)
        side = 0.5 * width
        canvas.drawImage(ImageReader(code), left, bottom + (height - side) / 2, side, side)
        fitted(canvas, tag, BOLD, 16, left + side, bottom + height / 2 - 6, width - side - 6)
        fitted(canvas, site, FONT, 8, left + side, bottom + height / 2 + 14, width - side - 6)
        canvas.setLineWidth(0.3)
        canvas.setStrokeGray(0.7)
        canvas.rect(left, bottom, width, height)  # where it is cut
    canvas.save()
    return out.getvalue()

