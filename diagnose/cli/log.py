"""`diagnose log`: what the log holds is listed, shown, corrected, given out, handed over and taken in."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, TypeVar

import click

from diagnose.cli import machine, options, words
from diagnose.cli.progress import Progress
from diagnose.cli.streams import Read, Verb, Written, said

if TYPE_CHECKING:
    import pandas as pd

    from diagnose.fieldlog.store import Log

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


def _filters(verb: Decorated) -> Decorated:
    """The options that choose observations."""
    for option in reversed((
        click.option("--site", metavar="NAME", help="Only this planting."),
        click.option("--culprit", metavar="NAME", help="Only this verdict."),
        click.option("--since", type=words.iso_day, metavar="DATE", help="Taken on this day or later, YYYY-MM-DD."),
        click.option("--until", type=words.iso_day, metavar="DATE", help="Taken on this day or earlier."),
        click.option("--box", type=words.box, metavar="S,N,W,E", help="Taken inside this box [degree]."),
        click.option("--near", type=words.near, metavar="LAT,LON,M", help="Taken at most so many metres from a point."),
        click.option("--deleted", is_flag=True, help="What is marked as deleted."),
    )):
        verb = option(verb)
    return verb


@click.group(cls=options.Works, subcommand_metavar="WORK ...")
def log() -> None:
    """What was observed: list, correct, give out, hand over, take in."""


@log.command("list", cls=Verb)
@_filters
@options.as_json
@options.in_log
def observations(**given: Any) -> None:
    """List the observations.

    With --deleted what is marked as deleted, of every kind.
    """
    from diagnose.fieldlog.deleted import deleted, other_kinds
    from diagnose.fieldlog.rebuild import unnamed_photos
    from diagnose.fieldlog.store import open_log
    from diagnose.report.plain import LISTED, deleted_lines, observation_lines

    asked = SimpleNamespace(**given)
    kept = open_log(asked.log, make=False)
    if asked.as_json:
        parts = (part.to_json(orient="records", indent=1)[1:-1].strip("\n") for part in _parts(kept, asked))
        machine.say_parts("log list", "observations", parts)
        return
    for line in observation_lines(_parts(kept, asked, columns=(*LISTED, "deleted"), as_text=True)):
        print(line)
    if beside := unnamed_photos(kept):
        print(f"diagnose: {beside}", file=sys.stderr)
    if asked.deleted:
        for line in deleted_lines(deleted(kept, *other_kinds())):
            print(line)


@log.command(cls=Verb)
@click.argument("record")
@options.in_log
def show(record: str, log: str) -> None:
    """Print one observation whole, with its history.

    RECORD is its id or the start of it.
    """
    from diagnose.fieldlog.store import open_log

    machine.say("log show", open_log(log, make=False).observation(record))


@log.command(cls=Verb)
@click.argument("record")
@click.argument("field", nargs=-1, required=True, type=words.correction, metavar="FIELD=VALUE...")
@options.by
@options.in_log
def correct(record: str, field: tuple[tuple[str, str], ...], by: str, log: str) -> None:
    """Correct fields of a record of any kind.

    RECORD is its id or the start of it; FIELD=VALUE is e.g. plant=17 or note='seen again'. What stood there before is kept.
    """
    from diagnose.fieldlog.deleted import kind_of
    from diagnose.fieldlog.store import open_log

    words.once_each("FIELD=VALUE", [name for name, _ in field])
    kept = open_log(log, make=False)
    kind = kind_of(kept, record)
    own = kept.correct(record, by=by, kind=kind, **dict(field))
    print(f"{kind.capitalize()} {own[:8]} is corrected; what stood there before is kept.")


@log.command(cls=Verb)
@click.argument("record")
@options.by
@options.in_log
def delete(record: str, by: str, log: str) -> None:
    """Mark a record of any kind as deleted.

    RECORD is its id or the start of it.
    """
    from diagnose.fieldlog.deleted import kind_of
    from diagnose.fieldlog.store import open_log

    kept = open_log(log, make=False)
    kind = kind_of(kept, record)
    own = kept.delete(record, by=by, kind=kind)
    print(f"{kind.capitalize()} {own[:8]} is marked as deleted; take the mark away with: diagnose log undelete {own[:8]}")


@log.command(cls=Verb)
@click.argument("record")
@options.by
@options.in_log
def undelete(record: str, by: str, log: str) -> None:
    """Take the mark of deletion away again.

    RECORD is its id or the start of it.
    """
    from diagnose.fieldlog.deleted import kind_of
    from diagnose.fieldlog.store import open_log

    kept = open_log(log, make=False)
    kind = kind_of(kept, record)
    print(f"{kind.capitalize()} {kept.restore(record, by=by, kind=kind)[:8]} stands again.")


@log.command(cls=Verb)
@click.option("--site", metavar="NAME", required=True, help="Whose wounds are judged together.")
@click.option("--plant", metavar="TAG", help="Only this plant's.")
@options.as_json
@options.in_log
def together(site: str, plant: str | None, as_json: bool, log: str) -> None:
    """Judge all wounds of a planting, or of one plant, together."""
    from diagnose.fieldlog.judged import wounds_of
    from diagnose.fieldlog.store import open_log
    from diagnose.report.plain import wounds_as_text

    wounds = wounds_of(open_log(log, make=False), site, plant)
    if as_json:
        machine.say("log together", wounds.as_json())
    else:
        print(wounds_as_text(wounds))


@log.command(cls=Verb)
@click.argument("out", type=Written(".csv"))
@_filters
@click.option("--exact", is_flag=True, help="Give out exact places, people and notes (default: coarse).")
@click.option("--photos", is_flag=True, help="With --exact to .gpkg: reduced photos too, as a related table.")
@click.option("--wide", is_flag=True, help="One column a quantity, one its sigma, one each probability (p_deer, ...).")
@options.in_log
def export(out: str, exact: bool, photos: bool, wide: bool, **given: Any) -> None:
    """Give observations out as a file.

    OUT ends with .csv, .geojson, .gpkg, .gpx or .zip (Darwin Core), or is datapackage.json: then observations.csv
    is written beside it, as with --wide, and each of its columns is described.
    """
    from diagnose.fieldlog.exchange import takes_text
    from diagnose.fieldlog.privacy import export
    from diagnose.fieldlog.store import open_log

    asked = SimpleNamespace(**given)
    kept = open_log(asked.log, make=False)
    print(export(kept, _parts(kept, asked, as_text=takes_text(out)), out, exact, photos, wide))


@log.command(cls=Verb)
@click.argument("folder", type=click.Path(file_okay=False))
@options.in_log
def sidecars(folder: str, log: str) -> None:
    """Write position and verdict beside photos, as XMP files.

    FOLDER holds the photos, which are known by their bytes and stay untouched.
    """
    from diagnose.fieldlog.sidecars import write_sidecars
    from diagnose.fieldlog.store import open_log

    print(write_sidecars(open_log(log, make=False), folder, Progress().of_step("looking at photos")))


@log.command(cls=Verb)
@click.argument("tags", nargs=-1, metavar="[TAG ...]")
@click.option("--site", metavar="NAME", help="The planting; without a TAG the tags that it has in the log.")
@click.option("--out", type=Written(".pdf"), metavar="FILE", default="labels.pdf", show_default=True, help="The sheets.")
@options.paper
@options.in_log
def labels(tags: tuple[str, ...], site: str | None, out: str, paper: str, log: str) -> None:
    """Print tags of plants and barriers as labels with a QR code.

    TAG is a tag, or a run of new ones such as T001..T040.
    """
    from diagnose.fieldlog.store import open_log
    from diagnose.report.tag_labels import labels_pdf, run_of, tags_of
    from diagnose.whole_file import write_whole

    told = [each for text in tags for each in run_of(text)] or tags_of(open_log(log, make=False), site)
    print(write_whole(out, labels_pdf(told, site or "", paper)))


@log.command("import", cls=Verb)
@click.argument("file", type=Read())
@click.option("--column", type=words.column, multiple=True, metavar="COLUMN=FIELD",
              help="What a column holds; may be repeated.")
@click.option("--dry-run", is_flag=True, help="Only say what importing would do.")
@options.by
@options.in_log
def from_csv(file: str, column: tuple[tuple[str, str], ...], dry_run: bool, by: str, log: str) -> int:
    """Take in a CSV file's rows."""
    from diagnose.fieldlog.load import import_csv, is_there
    from diagnose.fieldlog.store import saving_in

    source = is_there(file)
    with saving_in(log) as opened:
        return said(import_csv(opened, source, dict(column), by=by, dry_run=dry_run))


@log.command("import-photos", cls=Verb)
@click.argument("folder", type=click.Path(file_okay=False))
@click.option("--site", metavar="NAME", default="", help="Name of the planting.")
@options.by
@options.in_log
def from_photos(folder: str, site: str, by: str, log: str) -> int:
    """Take in a folder of photos, with place and time."""
    from diagnose.fieldlog.load import import_photos, is_there
    from diagnose.fieldlog.store import saving_in

    source = is_there(folder)
    with saving_in(log) as opened:
        return said(import_photos(opened, source, site, by, progress=Progress().of_step("taking in photos")))


@log.command(cls=Verb)
@click.argument("out", type=Written(".pack"))
@click.option("--with-senders", is_flag=True, help="Pack who sent things in, too (default: left out).")
@options.in_log
def pack(out: str, with_senders: bool, log: str) -> None:
    """Pack the whole log into one file for handing over."""
    from diagnose.fieldlog.merge import pack
    from diagnose.fieldlog.store import open_log

    packed = pack(open_log(log, make=False), out, with_senders, Progress().of_step("packing photos"))
    print(f"The whole log is packed into {packed}; hand it over and take it in with diagnose log merge.")


@log.command(cls=Verb)
@click.argument("other", type=Read())
@click.option("--passphrase-file", type=Read(), metavar="FILE",
              help="File whose first line opens a phone's locked file (else asked).")
@options.in_log
def merge(other: str, passphrase_file: str | None, log: str) -> None:
    """Take in a pack, a phone's file or another log."""
    from diagnose.fieldlog.merge import merge, taken_from
    from diagnose.fieldlog.store import saving_in
    from diagnose.texts import read_text

    def asked() -> str:
        return str(click.prompt("Passphrase", hide_input=True, err=True))

    def read() -> str:
        return read_text(str(passphrase_file), 10_000).split("\n", 1)[0].rstrip("\r")

    source = taken_from(other)
    progress = Progress()
    ask = read if passphrase_file is not None else asked if sys.stdin.isatty() else None
    with saving_in(log) as opened:
        merged = merge(opened, source, progress.of_step("taking in"), ask)
    progress.end()
    print(merged)


@log.command(cls=Verb)
@options.in_log
def verify(log: str) -> int:
    """Look for missing and changed photos and a damaged database."""
    from diagnose.fieldlog.verify import verify_at

    found = verify_at(log, Progress().of_step("reading photos"))
    print(found)
    return 0 if found.good else 1


@log.command(cls=Verb)
@options.in_log
def twins(log: str) -> None:
    """List observations that may be one."""
    from diagnose.fieldlog.duplicates import near_duplicates
    from diagnose.fieldlog.store import open_log

    found = near_duplicates(open_log(log, make=False))
    print("\n".join(f"{one.first[:8]}  {one.second[:8]}  {one.why}" for one in found) or "No twins.")


@log.command(cls=Verb)
@options.in_log
def disputes(log: str) -> None:
    """List what two people changed unseen by each other."""
    from diagnose.fieldlog.merge import disputes
    from diagnose.fieldlog.store import open_log

    lines = [f"{one.kind} {one.record[:8]}, {one.field}: {side.by or 'nobody named'} at {side.at[:19]} wrote "
             f"{side.after.get(one.field, dict(side.after))!r}"
             for one in disputes(open_log(log, make=False)) for side in one.sides]
    print("\n".join(lines) or "Nobody disagrees.")


def _parts(kept: Log, asked: SimpleNamespace, **how: Any) -> Iterator[pd.DataFrame]:
    """The observations that the filters choose, some at a time; only what is marked as deleted where that was asked for."""
    from diagnose.fieldlog.named import planting_named, verdict_named
    from diagnose.fieldlog.query import Query

    site, leading = planting_named(kept, asked.site), verdict_named(kept, asked.culprit)
    query = Query(site, leading, asked.since, asked.until, asked.box, asked.near, asked.deleted)
    parts = kept.parts(query, **how)
    return (part[part["deleted"].astype(bool)] if asked.deleted else part for part in parts)
