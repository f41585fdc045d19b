"""Which options do several verbs share, and what do they make of them?"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from diagnose.cli import words
from diagnose.cli.streams import Read
from diagnose.settings import DEFAULT_LOG

if TYPE_CHECKING:
    from diagnose.diagnosis import Circumstances

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


class Works(click.Group):
    """A verb with several works, listed in the order in which they are defined."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The works' names, in that order.

        Parameters
        ----------
        ctx
            Of click [no unit].
        """
        return list(self.commands)





def _settled(name: str) -> Callable[[], Any]:
    """The default of an option: what the settings say when the command runs."""

    def default() -> Any:
        from diagnose.settings import settings

        return getattr(settings(), name)

    return default


in_log = click.option("--log", metavar="PLACE", default=_settled("log"),
                      help=f"Log folder, or address of a database (else DIAGNOSE_LOG, your settings, {DEFAULT_LOG}).")
by = click.option("--by", metavar="INITIALS", default=_settled("initials"),
                  help="Your initials, for the history (else DIAGNOSE_INITIALS, your settings).")
region = click.option("--region", metavar="NAME", default=_settled("place"),
                      help="Where the planting is (else DIAGNOSE_PLACE, your settings, the photo's position).")
inches = click.option("--inches/--mm", default=_settled("inches"),
                      help="Show lengths in inches and feet, or in millimetres (else DIAGNOSE_UNITS, your settings, mm).")
paper = click.option("--paper", type=click.Choice(["A4", "Letter"], case_sensitive=False), default=_settled("paper"),
                     help="Size of the sheets (else DIAGNOSE_PAPER, your settings, A4).")
as_json = click.option("--json", "as_json", is_flag=True, help="Print it for machines.")


def circumstances(verb: Decorated) -> Decorated:
    """The options that tell what is known beside the wound itself: where, when, how deep the snow.

    Parameters
    ----------
    verb
        A command that takes them [no unit].
    """
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
    """What `circumstances` took in, as the rooms know it; None where it was not given.

    Parameters
    ----------
    region
        Where the planting is [no unit].
    month
        1 to 12 [no unit].
    snow_mm
        Depth of the snow that lay when the wound was made [mm].
    prior
        File with weights of one's own [no unit].
    learn_from
        Log whose confirmed namings sharpen the prior [no unit].

    Raises
    ------
    CannotUse
        For a file or a log that cannot be read.
    """
    from diagnose.culprits.prior import read_prior
    from diagnose.diagnosis import Circumstances

    learnt = None
    if learn_from is not None:
        from diagnose.fieldlog.judged import confirmed_in
        from diagnose.fieldlog.store import open_log

        learnt = confirmed_in(open_log(learn_from, make=False))
    return Circumstances(region, month, snow_mm, None if prior is None else read_prior(prior), learnt)
