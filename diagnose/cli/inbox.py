"""`diagnose inbox`: what people sent in is taken in, judged, ranked and answered; nothing is sent."""

from __future__ import annotations

import sys

import click

from diagnose.cli import machine, options
from diagnose.cli.progress import Progress
from diagnose.cli.streams import Read, Verb

_pile = click.option("--pile", metavar="NAME", help="Only this pile: ready, 'ask back', 'look yourself', 'seen before'.")
_workers = click.option("--workers", type=click.IntRange(min=1), metavar="NUMBER",
                        help="Processes that measure (all cores).")
_scheduler = click.option("--scheduler", metavar="TCP", help="Address of a Dask scheduler, to measure on its workers.")


@click.group(cls=options.Works, subcommand_metavar="WORK ...")
def inbox() -> None:
    """What people sent: take in, judge, rank, write the replies."""


@inbox.command(cls=Verb)
@click.argument("place", nargs=-1, required=True, type=click.Path())
@click.option("--later", is_flag=True, help="Only take in; measure and judge later, with inbox judge.")
@_workers
@_scheduler
@options.region
@options.by
@options.in_log
def take(
    place: tuple[str, ...], later: bool, workers: int | None, scheduler: str | None, region: str | None, by: str, log: str
) -> int:
    """Take in what was sent, measure, judge and rank it.

    PLACE is a folder, a ZIP or saved mail (.eml, .mbox).
    """
    from diagnose.fieldlog.store import saving_in
    from diagnose.inbox.intake import sent_in
    from diagnose.inbox.queue import queue_as_text, waiting
    from diagnose.inbox.work import judge, measure, take_in

    sources, progress = list(map(sent_in, place)), Progress()
    code = 0
    with saving_in(log) as kept:
        for each in sources:
            taken = take_in(kept, each, by, progress)
            progress.end()
            print(f"{each}: {taken}", file=sys.stderr)
            code = 1 if taken.refused else code
        if not later:
            measure(kept, workers, scheduler, progress)
            judge(kept, region, by, False, progress, workers, scheduler)
            print(queue_as_text(waiting(kept)))
    return code


@inbox.command(cls=Verb)
@click.option("--again", is_flag=True, help="Judge everything anew, e.g. after the catalogue changed.")
@_workers
@_scheduler
@options.region
@options.by
@options.in_log
def judge(again: bool, workers: int | None, scheduler: str | None, region: str | None, by: str, log: str) -> None:
    """Measure and judge what still waits for it."""
    from diagnose.fieldlog.store import open_log
    from diagnose.inbox.queue import queue_as_text, waiting
    from diagnose.inbox.work import judge, measure

    kept, progress = open_log(log, make=False), Progress()
    measure(kept, workers, scheduler, progress)
    judge(kept, region, by, again, progress, workers, scheduler)
    print(queue_as_text(waiting(kept)))


@inbox.command("list", cls=Verb)
@_pile
@options.as_json
@options.in_log
def queue(pile: str | None, as_json: bool, log: str) -> None:
    """List what waits, what is worth most attention first.

    As JSON without who sent it.
    """
    from diagnose.fieldlog.store import open_log
    from diagnose.inbox.queue import queue_as_text, waiting

    rows = waiting(open_log(log, make=False), pile)
    if as_json:
        shown = rows.drop(columns=["sender"], errors="ignore")  # who sent it is nobody else's business
        machine.say_parts("inbox list", "submissions", [shown.to_json(orient="records", indent=1)[1:-1].strip("\n")])
    else:
        print(queue_as_text(rows))


@inbox.command(cls=Verb)
@click.argument("folder", type=click.Path(file_okay=False))
@_pile
@click.option("--format", "style", type=click.Choice(["txt", "html", "pdf"]), default="txt", show_default=True,
              help="Of the letters.")
@click.option("--template", type=Read(), metavar="FILE", help="Your own letter, a jinja2 template.")
@click.option("--signature", metavar="TEXT", default="", help="What stands at the end of a letter.")
@options.region
@options.inches
@options.in_log
def letters(
    folder: str, pile: str | None, style: str, template: str | None, signature: str, region: str | None, inches: bool,
    log: str,
) -> None:
    """Write the replies into a folder; nothing is sent.

    Those of the ready pile, or of --pile.
    """
    from diagnose.fieldlog.store import open_log
    from diagnose.inbox.queue import waiting
    from diagnose.report.letters import write_letters

    kept = open_log(log, make=False)
    written = write_letters(kept, folder, waiting(kept, pile or "ready"), style, region, template, signature, inches)
    print(f"{len(written)} letters are in {folder}; read each before you send it.")


@inbox.command(cls=Verb)
@options.in_log
def agreement(log: str) -> None:
    """How often you and the tool named the same."""
    from diagnose.fieldlog.store import open_log
    from diagnose.inbox.learning import together

    print(together(open_log(log, make=False)).words)
