"""`diagnose card`: the scale card and the height staff, to print."""

from __future__ import annotations

import click

from diagnose.cli import options
from diagnose.cli.streams import Verb, Written


@click.command(cls=Verb)
@click.option("--out", type=Written(".pdf"), metavar="OUT", default="scale-card.pdf", show_default=True,
              help="File to write.")
@options.paper
def card(out: str, paper: str) -> None:
    """Write the scale card and the height staff as PDF at true size."""
    from diagnose.report.card_sheet import write_card_sheet

    print(write_card_sheet(out, paper=paper))
