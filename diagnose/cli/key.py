"""`diagnose key`: the questions on paper, for the field."""

from __future__ import annotations

import click

from diagnose.cli import options
from diagnose.cli.streams import Verb, Written


@click.command(cls=Verb)
@click.option("--out", type=Written(".pdf"), metavar="OUT", default="field-key.pdf", show_default=True,
              help="File to write.")
@options.paper
def key(out: str, paper: str) -> None:
    """Write the questions as a one-page key for the field, as PDF."""
    from diagnose.report.field_key import write_field_key

    print(write_field_key(out, paper=paper))
