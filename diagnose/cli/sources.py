"""`diagnose sources`: where a figure was read, in full."""

from __future__ import annotations

import click

from diagnose.cli.streams import Verb


@click.command(cls=Verb)
@click.argument("asked", nargs=-1, metavar="[NAME ...]")
def sources(asked: tuple[str, ...]) -> None:
    """Say where figures of barriers and plans were read.

    A NAME is what a plan calls a source, some of its words, or its key in JSON, such as EXT-VOLE; without one all are told.
    """
    from diagnose.protect.sources import SEEN, keys_of, source_words
    from diagnose.protect.sources import sources as known

    wanted = [key for words in asked for key in keys_of(words)] if asked else list(known())
    for key in dict.fromkeys(wanted):
        print(f"{key}: {source_words(key)}")
    print("Beside a figure: " + "; ".join(f"[{tag}] {words}" for tag, words in SEEN.items()) + ".")
