"""`diagnose sources`: where a figure was read, in full."""

from __future__ import annotations

import click

from diagnose.cli.streams import Verb


@click.command(cls=Verb)
@click.argument("keys", nargs=-1, metavar="[KEY ...]")
def sources(keys: tuple[str, ...]) -> None:
    """Say where figures of barriers and plans were read.

    A KEY is what stands beside a figure, such as EXT-VOLE; without one all are listed.
    """
    from diagnose.protect.requirement import SEEN, source_words
    from diagnose.protect.requirement import sources as known

    for key in keys or known():
        known_by = key.strip().rstrip(",.;")
        print(f"{known_by}: {source_words(known_by)}")
    print("Beside a figure: " + "; ".join(f"[{tag}] {words}" for tag, words in SEEN.items()) + ".")
