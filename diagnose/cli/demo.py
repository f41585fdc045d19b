"""`diagnose demo`: an invented planting to look round in."""

from __future__ import annotations

import sys

import click

from diagnose.cli.streams import Verb


@click.command(cls=Verb)
@click.argument("folder", default="browse-demo", type=click.Path(file_okay=False))
def demo(folder: str) -> None:
    """Make an invented planting to look round in.

    It lies in a log of its own, the folder browse-demo or FOLDER.
    """
    from diagnose.demo import lay

    print(lay(folder, progress=lambda said: print(f"{said} ...", file=sys.stderr)))
