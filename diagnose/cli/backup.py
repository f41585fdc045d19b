"""`diagnose backup`: a copy of the log, or an earlier copy brought up to date."""

from __future__ import annotations

import click

from diagnose.cli import options
from diagnose.cli.progress import Progress
from diagnose.cli.streams import Verb


@click.command(cls=Verb)
@click.argument("folder", type=click.Path(file_okay=False))
@options.in_log
def backup(folder: str, log: str) -> int:
    """Copy the log into a folder.

    FOLDER is best on another disk; an earlier backup in it is brought up to date.
    """
    from diagnose.fieldlog.backup import back_up
    from diagnose.fieldlog.store import open_log

    done = back_up(open_log(log, make=False), folder, Progress().of_step("copying photos"))
    print(done)
    return 1 if done.bad else 0
