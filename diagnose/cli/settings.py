"""`diagnose settings`: what is settled once for command and app, shown and changed."""

from __future__ import annotations

import click

from diagnose.cli import words
from diagnose.cli.streams import Verb


@click.command(cls=Verb)
@click.argument("change", nargs=-1, type=words.setting, metavar="[NAME=VALUE]...")
def settings(change: tuple[tuple[str, str], ...]) -> None:
    """Show what is settled for command and app, or settle it.

    NAME is log, place, units (mm or inches), paper (A4 or Letter) or initials; an empty VALUE takes it back.
    """
    from diagnose.culprits.here import country_of
    from diagnose.settings import NAMES, change_settings, environment_name, settings, settings_file, settings_made

    words.once_each("NAME=VALUE", [name for name, _ in change])
    if change:
        country_of(dict(change).get("place"))  # a name that is none is refused now, not by every verb after it
        print(f"Settled in {change_settings(dict(change))}.")
        return
    stands, where = settings(), settings_made()
    for name in NAMES:
        source = where[name][1] if name in where else f"usual; change it here or with {environment_name(name)}"
        print(f"{name:<10}{getattr(stands, name) or 'not settled'}  ({source})")
    print(f"Settings lie in {settings_file()}.")
