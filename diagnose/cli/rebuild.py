"""`diagnose rebuild`: a log from its photos alone."""

from __future__ import annotations

import click

from diagnose.cli import options
from diagnose.cli.progress import Progress
from diagnose.cli.streams import Verb


@click.command(cls=Verb)
@options.by
@options.in_log
def rebuild(by: str, log: str) -> None:
    """Make a log anew from its photos alone.

    Where the log is still there, those of its photos that no record names are taken in.
    """
    from diagnose.fieldlog.rebuild import rebuild

    print(rebuild(log, by, Progress().of_step("reading photos")))
