"""Which options do several verbs share, and what do they make of them?"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from diagnose.cli import words
from diagnose.cli.streams import Read

if TYPE_CHECKING:
    from diagnose.diagnosis import Circumstances

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


class Works(click.Group):
    """A verb with several works, listed in the order in which they are defined."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


DEFAULT_LOG = Path.home() / "browse-log"

in_log = click.option("--log", metavar="PLACE", default=str(DEFAULT_LOG), envvar="DIAGNOSE_LOG", show_default=True,
                      show_envvar=True, help="Log folder, or address of a database.")
by = click.option("--by", metavar="INITIALS", default="", envvar="DIAGNOSE_INITIALS", show_envvar=True,
                  help="Your initials, for the history.")
region = click.option("--region", metavar="NAME", envvar="DIAGNOSE_REGION", show_envvar=True,
                      help="Where the planting is (default: from the photo's position, else not known).")
inches = click.option("--inches", is_flag=True, help="Show lengths in inches and feet.")
paper = click.option("--paper", type=click.Choice(["A4", "Letter"], case_sensitive=False), default="A4", show_default=True,
                     envvar="DIAGNOSE_PAPER", show_envvar=True, help="Size of the sheets.")
as_json = click.option("--json", "as_json", is_flag=True, help="Print it for machines.")


def circumstances(verb: Decorated) -> Decorated:
    """The options that tell what is known beside the wound itself: where, when, how deep the snow."""
    for option in reversed((
        region,
        click.option("--month", type=words.month, metavar="MONTH", help="Month in which the wound was found, 1 to 12."),
        click.option("--snow-mm", type=words.depth, metavar="MM", help="Depth of the snow that lay when it was made [mm]."),
        click.option("--prior", type=Read(), metavar="FILE", help="Your own weights, YAML or JSON: culprit: weight."),
        click.option("--learn-from", metavar="LOG", help="Sharpen the prior by this log's namings that were confirmed from "
                                                         "outside (field 'confirmed')."),
        inches,
    )):
        verb = option(verb)
    return verb


def circumstances_of(
    region: str | None, month: int | None, snow_mm: float | None, prior: str | None, learn_from: str | None
) -> Circumstances:
    """What `circumstances` took in, as the rooms know it. Raises CannotUse."""
    from diagnose.culprits.prior import read_prior
    from diagnose.diagnosis import Circumstances

    learnt = None
    if learn_from is not None:
        from diagnose.fieldlog.judged import confirmed_in
        from diagnose.fieldlog.store import open_log

        learnt = confirmed_in(open_log(learn_from, make=False))
    return Circumstances(region, month, snow_mm, None if prior is None else read_prior(prior), learnt)
