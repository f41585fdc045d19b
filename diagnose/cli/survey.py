"""`diagnose survey`: how much is browsed, how surely, from tallies in files or in the log."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, TypeVar

import click

from diagnose.cli import machine, options, words
from diagnose.cli.progress import Progress
from diagnose.cli.streams import Read, Verb, Written

if TYPE_CHECKING:
    import pandas as pd

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


def _estimating(verb: Decorated) -> Decorated:
    """The options of every estimate, from wherever its tallies come."""
    for option in reversed((
        click.option("--before", type=Read(), metavar="FILE", help="The tally of an earlier visit to the same plots."),
        click.option("--target", type=words.share, metavar="SHARE", help="Your own tolerable share, 0 to 1."),
        click.option("--cost-per-tree", type=words.positive, metavar="MONEY",
                     help="Of the protection of one tree, to see what a saved tree cost."),
        click.option("--redraw", type=int, default=0, metavar="TIMES",
                     help="Redraw the plots so often for the difference that protection makes, e.g. 2000."),
        click.option("--pdf", type=Written(".pdf"), metavar="OUT", help="Write the report as PDF."),
        click.option("--html", type=Written(".html"), metavar="OUT", help="Write the report as HTML."),
        options.as_json,
    )):
        verb = option(verb)
    return verb


@click.group(cls=options.Works, subcommand_metavar="WORK ...")
def survey() -> None:
    """Estimate how much is browsed, how surely."""


@survey.command(cls=Verb)
def template() -> None:
    """Print an empty tally as CSV."""
    from diagnose.survey.tally import template

    print(template(), end="")


@survey.command(cls=Verb)
@click.argument("file", type=Read())
@_estimating
def estimate(file: str, **given: Any) -> None:
    """Estimate from a filled tally, a CSV file."""
    asked = SimpleNamespace(**given)
    _say(asked, [_read(file)])


@survey.command("from-log", cls=Verb)
@click.option("--site", metavar="NAME", help="Only this planting.")
@click.option("--day", type=words.iso_day, metavar="DAY",
              help="Only this visit, YYYY-MM-DD (default: the last, and its change).")
@click.option("--own-figures", type=Written(".yaml"), metavar="OUT",
              help="Write how long your barriers lasted, for protect --prices.")
@_estimating
@options.in_log
def from_log(**given: Any) -> None:
    """Estimate from the log's entries, with the wounds' verdicts."""
    from diagnose.fieldlog.store import open_log
    from diagnose.survey.from_log import survey_table
    from diagnose.survey.lasting import lasting_of, own_lives_file, watched
    from diagnose.whole_file import write_whole

    asked = SimpleNamespace(**given)
    log = open_log(asked.log, make=False)
    table = survey_table(log, asked.site, asked.day)
    seen = watched(log, asked.site)
    lasting = lasting_of(seen)
    if asked.own_figures:
        write_whole(asked.own_figures, own_lives_file(seen))
    _say(asked, [table], lasting=lasting)


@survey.command(cls=Verb)
@click.argument("file", type=Read())
@options.by
@options.in_log
def keep(file: str, by: str, log: str) -> None:
    """Keep a filled tally's entries in the log."""
    from diagnose.fieldlog.load import is_there
    from diagnose.fieldlog.store import open_log
    from diagnose.survey.from_log import import_tally

    is_there(file)
    kept, refused = import_tally(open_log(log), file, by)
    print("\n".join([f"{kept} entries of {file} are kept in the log, {len(refused)} refused", *refused]))


def _read(file: str) -> pd.DataFrame:
    """A tally's trees; what is refused of it is said."""
    from diagnose.survey.tally import read_tally

    trees, refused = read_tally(file)
    for line in refused:
        print(f"{file}: {line}", file=sys.stderr)
    return trees


def _say(asked: SimpleNamespace, visits: list[pd.DataFrame], **more: Any) -> None:
    """Estimates from one visit, or two, and writes and says what was asked for."""
    from diagnose.report.survey_report import survey_html, survey_pdf
    from diagnose.survey.summary import summarise
    from diagnose.whole_file import write_whole

    if asked.before is not None:
        visits = [*visits, _read(asked.before)]
    step = Progress().of_step("redrawing plots")
    found = summarise(visits[0], visits[1] if len(visits) > 1 else None, asked.target, cost_per_tree=asked.cost_per_tree,
                      redraw=asked.redraw, progress=lambda share: step(round(100 * share), 100), **more)
    if asked.pdf:
        write_whole(asked.pdf, survey_pdf(found))
    if asked.html:
        write_whole(asked.html, survey_html(found))
    if asked.as_json:
        machine.say("survey", found.as_json())
    else:
        print(f"{found.headline}\n{found.caution}")
