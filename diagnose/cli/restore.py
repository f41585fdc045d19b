"""`diagnose restore`: a backup takes the place of a log that was lost or damaged."""

from __future__ import annotations

import click

from diagnose.cli import options
from diagnose.cli.progress import Progress
from diagnose.cli.streams import Verb


@click.command(cls=Verb)
@click.argument("backup", type=click.Path())
@options.in_log
def restore(backup: str, log: str) -> None:
    """Put a backup in the place of a log that was lost.

    BACKUP is the folder that diagnose backup wrote, or the copy made before an upgrade (.sqlite).
    """
    from diagnose.fieldlog.backup import restore

    print(restore(backup, log, Progress().of_step("copying photos")))
