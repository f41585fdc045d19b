"""`diagnose upkeep`: what to check, mend, widen or take off, and when; barriers and looks are entered."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, TypeVar

import click

from diagnose.cli import machine, options, words
from diagnose.cli.streams import Read, Verb, Written, said

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

Decorated = TypeVar("Decorated", bound=Callable[..., Any])

_site = click.option("--site", metavar="NAME", help="Only this planting; for an entry, where the barrier is.")
_on = click.option("--on", type=words.day, default=date.today, metavar="DAY", help="The day, YYYY-MM-DD (default: today).")
_on_past = click.option("--on", type=words.past_day, default=date.today, metavar="DAY",
                        help="The day, YYYY-MM-DD (default: today).")
_climate = click.option("--climate", default="mild", show_default=True, type=click.Choice(["cold", "mild", "warm"]),
                        help="Length of the winter.")
_south = click.option("--south", is_flag=True, help="South of the equator.")
_place = click.option("--place", type=words.place, metavar="LAT,LON", help="Where the barrier is [degree].")
_error_m = click.option("--error-m", type=words.positive, default="10", show_default=True, metavar="M",
                        help="How well --place is known [m].")
_species = click.option("--species", metavar="NAME", default="", help="The plant's species.")
_inner_mm = click.option("--inner-mm", type=words.positive, metavar="MM",
                         help="Clear width inside the barrier; at a check, what it was widened to [mm].")
_photo = click.option("--photo", type=Read(), metavar="FILE", help="A picture that belongs to the entry.")
_stem_mm = click.option("--stem-mm", type=words.positive, metavar="MM", help="The stem's diameter [mm].")
_note = click.option("--note", metavar="TEXT", default="", help="A note.")


def _of_a_barrier(verb: Decorated) -> Decorated:
    """The options that describe one barrier."""
    for option in reversed((
        _site,
        click.option("--plant", metavar="TAG", default="", help="The plant's tag."),
        _species,
        click.option("--culprit", metavar="NAME", multiple=True, help="What the barrier is against; may be repeated."),
        click.option("--material", metavar="TEXT", default="", help="What the barrier is made of."),
        _inner_mm,
        click.option("--vigour", type=click.Choice(["slow", "usual", "fast"]), help="How well the plant grows (usual)."),
        click.option("--snow-mm", type=words.depth, metavar="MM", help="Deepest snow at the barrier [mm]."),
        _place, _error_m, _photo, _note, options.by, options.in_log,
    )):
        verb = option(verb)
    return verb


@click.group(cls=options.Works, subcommand_metavar="WORK ...")
def upkeep() -> None:
    """What to check, mend or take off, and when; register barriers."""


@upkeep.command("list", cls=Verb)
@_site
@_on
@_climate
@_south
@click.option("--start", type=words.place, metavar="LAT,LON", help="Where the walk begins.")
@click.option("--calendar", type=Written(".ics"), metavar="OUT", help="Write the coming year as iCalendar file (.ics).")
@click.option("--pdf", type=Written(".pdf"), metavar="OUT", help="Write the list for the walk.")
@options.paper
@options.as_json
@options.in_log
def due_list(**given: Any) -> None:
    """What is due on a day, in the order of the walk."""
    from diagnose.report.due_list import due_as_text, due_pdf
    from diagnose.upkeep.calendar import calendar_file
    from diagnose.upkeep.due import due_of
    from diagnose.upkeep.standing import standing
    from diagnose.whole_file import write_whole

    asked = SimpleNamespace(**given)
    register = standing(_holding(asked.log, asked.site), asked.climate, True if asked.south else None, asked.site)
    items = due_of(register, asked.on, asked.start)
    if asked.calendar:
        write_whole(asked.calendar, calendar_file(items, register, asked.on))
    if asked.pdf:
        write_whole(asked.pdf, due_pdf(items, asked.on, asked.site or "", asked.paper, register))
    if asked.as_json:
        machine.say("upkeep list", {"items": [item.as_json() for item in items]})
    else:
        print(due_as_text(items, asked.on, register))


@upkeep.command(cls=Verb)
@_site
@_on
@_climate
@_south
@options.as_json
@options.in_log
def forecast(**given: Any) -> None:
    """In which winter each barrier comes off.

    Where no winter is safe for both: by when it must be widened or replaced.
    """
    from diagnose.report.due_list import ahead_as_text
    from diagnose.upkeep.forecast import forecasts
    from diagnose.upkeep.standing import standing

    asked = SimpleNamespace(**given)
    register = standing(_holding(asked.log, asked.site), asked.climate, True if asked.south else None, asked.site)
    if asked.as_json:
        names = register.rows.reindex(columns=["id", "site", "label", "plant", "name", "species"]).to_dict("records")
        told = [{**name, **one.as_json()} for name, one in zip(names, forecasts(register, asked.on), strict=True)]
        machine.say("upkeep forecast", {"barriers": told})
    else:
        print(ahead_as_text(register, asked.on) if len(register) else "No barrier stands here; register one first.")


@upkeep.command(cls=Verb)
@_site
@click.option("--cost-per-tree", type=words.nought_or_more, metavar="MONEY",
              help="What the protection of one tree has cost.")
@click.option("--lots-drawn", is_flag=True, help="Lots were drawn for which trees were guarded: it is a trial.")
@click.option("--own-figures", type=Written(".yaml"), metavar="OUT",
              help="Write the lives as the register changes them, for protect --prices.")
@click.option("--pdf", type=Written(".pdf"), metavar="OUT", help="Write it as PDF.")
@click.option("--csv", type=Written(".csv"), metavar="OUT", help="Write every figure as a row.")
@options.paper
@options.as_json
@options.in_log
def proof(**given: Any) -> None:
    """Did the barriers hold?

    Damage inside and outside, failures by kind, what a living tree cost, and what that says of published figures.
    """
    from diagnose.report.proof_sheet import proof_pdf
    from diagnose.upkeep.proof import own_figures, proof, proof_as_text
    from diagnose.whole_file import write_whole

    asked = SimpleNamespace(**given)
    told = proof(_holding(asked.log, asked.site), asked.site, asked.cost_per_tree, asked.lots_drawn)
    if asked.own_figures:
        write_whole(asked.own_figures, own_figures(told))
    if asked.pdf:
        write_whole(asked.pdf, proof_pdf(told, asked.site or "", asked.paper))
    if asked.csv:
        write_whole(asked.csv, told.long().to_csv(index=False))
    if asked.as_json:
        machine.say("upkeep proof", told.as_json())
    else:
        print(proof_as_text(told))


@upkeep.command(cls=Verb)
@click.argument("out", type=Written(".gpx"))
@click.option("--buffer-m", type=words.depth, default="2", show_default=True, metavar="M",
              help="To stay off, beyond the error of each place [m].")
@_site
@options.paper
@options.in_log
def metal(out: str, buffer_m: float, site: str | None, paper: str, log: str) -> None:
    """Write all metal left standing or behind; fences as lines.

    OUT ends with .gpx, .geojson, .gpkg or .pdf.
    """
    from diagnose.report.metal_sheet import metal_pdf
    from diagnose.upkeep.metal import metal, write_metal
    from diagnose.whole_file import write_whole

    rows = metal(_holding(log, site), site)
    if out.endswith(".pdf"):
        write_whole(out, metal_pdf(rows, site or "", paper, buffer_m))
    else:
        write_metal(rows, out, buffer_m)
    print(f"{len(rows)} places with metal, posts or stakes are written to {out}; there may be more, not noted.")


@upkeep.command(cls=Verb)
@click.argument("form")
@_on_past
@_stem_mm
@_of_a_barrier
def register(form: str, **given: Any) -> None:
    """Register a barrier that was put up on the day of --on.

    FORM is what stands there, e.g. cage.
    """
    from diagnose.fieldlog.store import saving_in
    from diagnose.upkeep.register import register

    asked = SimpleNamespace(**given)
    with saving_in(asked.log) as log:
        own = register(log, form, asked.by, stem_mm=asked.stem_mm, built=asked.on.isoformat(), **_described(asked))
    print(f"Barrier {own[:8]} is registered.")


@upkeep.command(cls=Verb)
@click.argument("form")
@click.option("--embedded", is_flag=True, help="It is grown into the stem.")
@_of_a_barrier
def found(form: str, embedded: bool, **given: Any) -> None:
    """Register a barrier met by chance.

    FORM is what stands there, e.g. cage; its age and owner are unknown.
    """
    from diagnose.fieldlog.store import saving_in
    from diagnose.upkeep.register import EMBEDDED, found_by_chance

    asked = SimpleNamespace(**given)
    with saving_in(asked.log) as log:
        own = found_by_chance(log, form, embedded, asked.by, **_described(asked))
    print(f"Barrier {own[:8]} is registered as found." + (f" {EMBEDDED}" if embedded else ""))


@upkeep.command("register-fence", cls=Verb)
@click.argument("form")
@click.argument("line", type=Read())
@_site
@_on_past
@click.option("--label", metavar="TEXT", default="", help="What the fence is called.")
@click.option("--culprit", metavar="NAME", multiple=True, help="What it is against; may be repeated.")
@click.option("--material", metavar="TEXT", default="", help="What it is made of.")
@click.option("--error-m", type=words.positive, metavar="M", help="How well its places are known [m].")
@_note
@options.by
@options.in_log
def fence(form: str, line: str, **given: Any) -> None:
    """Register a fence along the line that was walked.

    FORM is fence, plastic fence or electric fence. LINE is a GPX track, GeoJSON or GeoPackage; marks named gate, brace or
    corner are kept with it.
    """
    from diagnose.fieldlog.store import saving_in
    from diagnose.upkeep.fence import read_line, register_fence

    asked = SimpleNamespace(**given)
    walked = read_line(line, asked.error_m)
    with saving_in(asked.log) as log:
        own = register_fence(log, form, walked, asked.error_m, site=asked.site or "", label=asked.label,
                             material=asked.material, note=asked.note, by=asked.by, built=asked.on.isoformat(),
                             figures={"culprits": list(asked.culprit)} if asked.culprit else {})
    print(f"Fence {own[:8]} is registered: {walked.length_m:.0f} m, {len(walked.gates)} gates, {len(walked.braces)} braces.")


@upkeep.command("register-csv", cls=Verb)
@click.argument("file", type=Read())
@options.by
@options.in_log
def from_csv(file: str, by: str, log: str) -> int:
    """Register a CSV file's barriers."""
    from diagnose.fieldlog.load import is_there
    from diagnose.fieldlog.store import saving_in
    from diagnose.upkeep.from_csv import register_csv

    source = is_there(file)
    with saving_in(log) as opened:
        return said(register_csv(opened, source, by))


@upkeep.command("register-plan", cls=Verb)
@click.argument("file", type=Read())
@_site
@_on_past
@_species
@_place
@_error_m
@options.by
@options.in_log
def from_plan(
    file: str, site: str | None, on: date, species: str, place: tuple[float, float] | None, error_m: float, by: str, log: str
) -> None:
    """Register what a plan chose.

    FILE is the output of protect --json; it counts as put up on the day of --on.
    """
    from diagnose.fieldlog.store import saving_in
    from diagnose.protect.read import read_settings
    from diagnose.upkeep.register import register_plan

    plan = read_settings(file)
    where: dict[str, Any] = _placed(place, error_m)
    with saving_in(log) as opened:
        new = register_plan(opened, plan, site or "", on, by=by, species=species, **where)
    print(f"Kinds of barrier of the plan registered as put up on {on}: {len(new)}.")


@upkeep.command(cls=Verb)
@click.argument("barrier")
@click.argument("finding")
@_on_past
@_inner_mm
@_stem_mm
@click.option("--height-mm", type=words.positive, metavar="MM", help="The plant's height [mm].")
@click.option("--stands-alone", type=click.Choice(["yes", "no"]), help="Does the stem stand when the tube is lifted?")
@click.option("--bark-safe", type=click.Choice(["yes", "no"]), help="Is the bark thick and corky?")
@_photo
@_note
@options.by
@options.in_log
def check(barrier: str, finding: str, **given: Any) -> None:
    """Enter what was found at a barrier, or at several.

    BARRIER is its label, its id or the start of it; several are separated by commas. FINDING is
    sound, leaning, damaged, gnawed, too tight, touching the stem or missing.
    """
    from diagnose.cannot_use import CannotUse
    from diagnose.fieldlog.store import open_log
    from diagnose.upkeep.register import check, check_many

    asked = SimpleNamespace(**given)
    seen = {"stem_diameter_mm": asked.stem_mm, "height_mm": asked.height_mm, "note": asked.note,
            "stands_alone": _yes_or_none(asked.stands_alone), "bark_safe": _yes_or_none(asked.bark_safe)}
    photo = None if asked.photo is None else _bytes(asked.photo)
    kept = open_log(asked.log, make=False)
    if "," in barrier:
        several = [one.strip() for one in barrier.split(",") if one.strip()]
        if photo or any(value not in (None, "") for name, value in seen.items() if name != "note"):
            raise CannotUse("a photo and what was measured belong to one barrier; enter them one by one")
        check_many(kept, several, finding, asked.on, asked.by, asked.note, widened_to_mm=asked.inner_mm)
        print(f"{len(several)} barriers were found {finding}.")
        return
    check(kept, barrier, finding, asked.on, asked.by, photo, asked.photo or "", asked.inner_mm, **seen)
    print(f"Barrier {barrier} was found {finding}.")


@upkeep.command(cls=Verb)
@click.argument("barrier")
@_on_past
@click.option("--left-behind", metavar="TEXT", default="", help="What stayed when it was removed, e.g. 'two steel stakes'.")
@options.by
@options.in_log
def removed(barrier: str, on: date, left_behind: str, by: str, log: str) -> None:
    """Mark a barrier as removed.

    BARRIER is its label, its id or the start of it.
    """
    from diagnose.fieldlog.store import open_log
    from diagnose.upkeep.register import take_away

    kept = open_log(log, make=False)
    left = kept.record("barrier", take_away(kept, barrier, on, left_behind, by))["left_behind"]
    print(f"Barrier {barrier} is marked as removed{f'; {left} stays on the map.' if left else '.'}")


def _holding(log: str, site: str | None) -> Log:
    """The log, which names that planting: of another one nothing would ever be due."""
    from diagnose.fieldlog.named import planting_named
    from diagnose.fieldlog.store import open_log

    kept = open_log(log, make=False)
    planting_named(kept, site)
    return kept


def _described(asked: SimpleNamespace) -> dict[str, Any]:
    """What the options of one barrier say of it, as the register takes it."""
    return {
        "site": asked.site or "", "plant": asked.plant, "label": asked.plant, "note": asked.note, "material": asked.material,
        "species": asked.species, "inner_mm": asked.inner_mm, "photo": None if asked.photo is None else _bytes(asked.photo),
        "photo_name": asked.photo or "", **_placed(asked.place, asked.error_m),
        "figures": {"culprits": list(asked.culprit), "vigour": asked.vigour or "", "snow_mm": asked.snow_mm},
    }


def _placed(place: tuple[float, float] | None, error_m: float) -> dict[str, Any]:
    return {} if place is None else {"lat": place[0], "lon": place[1], "error_m": error_m}


def _bytes(file: str) -> bytes:
    from diagnose.cannot_use import CannotUse

    try:
        return Path(file).read_bytes()
    except OSError as problem:
        raise CannotUse(f"{file} cannot be read ({problem.strerror})") from None


def _yes_or_none(word: str | None) -> bool | None:
    return None if word is None else word == "yes"
