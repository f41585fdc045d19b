"""`diagnose app`: the app in the browser."""

from __future__ import annotations

import os
from typing import NoReturn

import click

from diagnose.cli import options
from diagnose.cli.streams import Verb


@click.command(cls=Verb)
@click.option("--port", type=click.IntRange(1, 65535), default=8501, show_default=True, metavar="NUMBER",
              help="Port that the app listens at.")
@click.option("--share", is_flag=True, help="Let phones on this network in, each with a one-time code.")
@click.option("--https", is_flag=True, help="Serve it over https, with a certificate that this computer makes for itself.")
@options.in_log
def app(port: int, share: bool, https: bool, log: str) -> NoReturn:
    """Open the app in the browser."""
    from diagnose.screens.start import start

    os.environ["DIAGNOSE_LOG"] = log
    start(port=port, share=share, https=https)
