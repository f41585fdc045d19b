"""`diagnose pocket`: key, tally and record as one page for a phone without a signal."""

from __future__ import annotations

from datetime import date

import click

from diagnose.cli import options, words
from diagnose.cli.streams import Verb, Written


@click.command(cls=Verb)
@click.option("--site", required=True, metavar="NAME", help="Name of the planting that the page is for.")
@click.option("-o", "--out", type=Written(".html"), metavar="OUT", default="pocket.html", show_default=True,
              help="File to write.")
@click.option("--on", type=words.day, metavar="DAY", help="Day on which barriers are due, YYYY-MM-DD [default: today].")
@click.option("--climate", default="mild", show_default=True, type=click.Choice(["cold", "mild", "warm"]),
              help="Length of the winter, for what is due.")
@options.region
@options.in_log
def pocket(site: str, out: str, on: date | None, climate: str, region: str | None, log: str) -> None:
    """Write one page for a phone: key, barrier, record, tally, what is due; it needs no network."""
    from diagnose.pocket.page import write_pocket

    print(write_pocket(out, site, region, log, on, climate))
