"""`diagnose survey`: how much is browsed, how surely, from tallies in files or in the log."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, TypeVar

import click

from diagnose.cli import machine, options, words
from diagnose.cli.progress import Progress
from diagnose.cli.streams import Read, Verb, Written, said, say_refused

if TYPE_CHECKING:
    import pandas as pd

    from diagnose.survey.tally import RefusedRow

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


def _estimating(verb: Decorated) -> Decorated:
    """The options of every estimate, from wherever its tallies come."""
    for option in reversed((
        click.option("--before", type=Read(), metavar="FILE", help="The tally of an earlier visit to the same plots."),
        click.option("--target", multiple=True, metavar="WANTED",
                     help="Your own target: 1100/ha, 450/acre, '70% plots', '10% browsed', or the name of a published one; "
                     "may be given several times."),
        click.option("--targets", type=Read(), metavar="FILE", help="Your own targets as records, YAML or JSON."),
        click.option("--country", metavar="NAME", default="", help="Whose published targets hold; see: survey targets."),
        click.option("--plan", type=Read(), metavar="FILE", help="The plan that survey design wrote before the first plot."),
        click.option("--boundary", type=Read(), metavar="FILE", help="The planting, for map and distance to its edge."),
        click.option("--cost-per-tree", type=words.positive, metavar="MONEY",
                     help="Of the protection of one tree, to see what a saved tree cost."),
        click.option("--redraw", type=click.IntRange(0, 100_000), default=0, metavar="TIMES",
                     help="Redraw the plots so often for the difference that protection makes, e.g. 2000."),
        click.option("--pdf", type=Written(".pdf"), metavar="OUT", help="Write the report as PDF."),
        click.option("--html", type=Written(".html"), metavar="OUT", help="Write the report as HTML."),
        click.option("--csv", type=Written(".csv"), metavar="OUT", help="Write every figure as a row."),
        options.paper,
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
@click.option("--country", metavar="NAME", default="", help="Only this country's.")
@options.as_json
def targets(country: str, as_json: bool) -> None:
    """List the published targets, each with its source."""
    from diagnose.survey.target import asked_for, of_country, published

    found = of_country(country) if country.strip() else published()
    if as_json:
        machine.say("survey targets", {"targets": [one.as_json() for one in found]})
    else:
        print("\n".join(f"{one.key}: {one.words}" for one in found) or asked_for("", country))


@survey.command(cls=Verb)
@click.argument("boundary", type=Read())
@click.option("--site", metavar="NAME", default="", help="Name of the planting.")
@click.option("--strata", metavar="PROPERTY", help="Property of the polygons that names the part each belongs to.")
@click.option("--radius", type=words.positive, metavar="M", help="Of a round plot [m]; 3.99 m is 50 m².  [default: 3.99]")
@click.option("--transect", metavar="LONGxWIDE", help="A strip in place of a round plot, e.g. 25x2 [m].")
@click.option("--target", metavar="WANTED",
              help="What is to be decided: 1100/ha, '70% plots', '10% browsed', or the name of a published target.")
@click.option("--country", metavar="NAME", default="", help="In place of --target: its published one; see: survey targets.")
@click.option("--species", metavar="NAME", default="", help="Of which the country's published target is taken.")
@click.option("--rule", type=click.Choice(["one look", "one addition", "many looks"]), default="one addition",
              show_default=True, help="When the survey may be looked at; chosen now, printed on every sheet.")
@click.option("--plots", type=click.IntRange(2, 5000), metavar="N", help="So many plots, whatever the target needs.")
@click.option("--spacing", type=words.positive, metavar="M", help="Square grid of this side, not a number of plots.")
@click.option("--expect", type=words.share, metavar="SHARE", help="Share browsed you expect, for --margin and --change.")
@click.option("--margin", type=words.share, metavar="SHARE", help="Plus or minus how much it is to be known.")
@click.option("--change", type=words.share, metavar="SHARE", help="Smallest change between two visits that is to be seen.")
@click.option("--earlier", type=Read(), metavar="TALLY", help="An earlier visit: tells likeness and variation.")
@click.option("--likeness", type=words.share, metavar="SHARE", help="How alike trees of a plot are.  [default: 0.1]")
@click.option("--variation", type=words.positive, metavar="CV",
              help="How much trees a plot vary: their coefficient of variation.  [default: 0.8]")
@click.option("--trees-a-plot", type=words.positive, metavar="N", help="About so many trees on a plot.  [default: 10]")
@click.option("--buffer", "buffer_m", type=words.depth, default=0.0, metavar="M", help="Strip along the edge left out [m].")
@click.option("--hours", type=words.positive, metavar="H", help="Hours that there are to walk and tally.")
@click.option("--start", type=click.IntRange(0), metavar="N", help="Of the random start; another number is another start.")
@click.option("--grid", is_flag=True, help="Square grid instead of plots spread evenly.")
@click.option("--plan", type=Written(".yaml"), metavar="OUT", help="Write the plan, to be given back with the tally.")
@click.option("--gpx", type=Written(".gpx"), metavar="OUT", help="Write the numbered plots for a receiver.")
@click.option("--map", type=Written(".pdf"), metavar="OUT", help="Write the map as PDF.")
@click.option("--sheets", type=Written(".pdf"), metavar="OUT", help="Write a tally sheet for each plot as PDF.")
@click.option("--tally", type=Written(".csv"), metavar="OUT",
              help="Write the tally to be filled, with a row for each plot; one without a day counts as not visited.")
@options.paper
@options.as_json
def design(boundary: str, **given: Any) -> None:
    """Lay out a survey: how many plots, where, looked at when."""
    from diagnose.cannot_use import CannotUse
    from diagnose.report.layout_map import layout_pdf
    from diagnose.report.tally_sheet import tally_sheet_pdf
    from diagnose.survey.boundary import read_ground
    from diagnose.survey.choosing import chosen_target, target_of_country
    from diagnose.survey.design import as_gpx
    from diagnose.survey.layout import lay_out, start_of
    from diagnose.survey.plan import Asked, asked_plots, made, planned_plots, seen_before, size_of
    from diagnose.survey.tally import template
    from diagnose.whole_file import write_whole

    asked = SimpleNamespace(**given)
    ground = read_ground(boundary, asked.strata)
    strip = None if asked.transect is None else words.strip(asked.transect)
    size = size_of(asked.radius if asked.radius or strip else 3.99, strip)
    if asked.target is not None and (asked.country or asked.species):
        raise CannotUse("give --target, or --country and --species: one of the two")
    target = (chosen_target(asked.target) if asked.target is not None else
              target_of_country(asked.country, asked.species) if asked.country or asked.species else None)
    known = seen_before(None if asked.earlier is None else _read(asked.earlier)[0], target, asked.likeness, asked.variation,
                        asked.trees_a_plot)
    number, why = (None, "") if asked.spacing else asked_plots(
        target, asked.rule, size, known, asked.plots, asked.expect, asked.margin, asked.change)
    if number is None and not asked.spacing:
        raise CannotUse("say what the survey is for: --target, --expect with --margin or --change, --plots or --spacing")
    start = asked.start if asked.start is not None else start_of(asked.site, number)
    laid = lay_out(ground, number, asked.spacing, asked.buffer_m, start, not asked.grid, size, asked.hours,
                   None if strip is None else max(strip))
    plan = made(asked.site, laid, size, target, asked.rule, start, tuple(part for part in (why, known.words) if part),
                Asked(number, asked.buffer_m, asked.spacing, asked.grid, asked.strata or "", asked.hours))
    names = tuple(str(at) for at in range(1, len(laid.points) + 1))
    degrees = tuple(ground.degrees(*map(float, point)) for point in laid.points)
    parts = laid.parts or ("",) * len(names)
    for place, written in (
        (asked.plan, plan.as_yaml), (asked.gpx, lambda: as_gpx(ground, laid.points, asked.site, laid.parts)),
        (asked.map, lambda: layout_pdf(ground, laid.points, asked.site, asked.paper, plan)),
        (asked.sheets, lambda: tally_sheet_pdf(asked.site, names, asked.paper, plan, laid.parts, degrees)),
        (asked.tally, lambda: template(planned_plots(plan, ground, laid))),
    ):
        if place:
            write_whole(place, written())
    if asked.as_json:
        places = [{"plot": name, "part": part, "lat": lat, "lon": lon}
                  for name, part, (lat, lon) in zip(names, parts, degrees, strict=True)]
        machine.say("survey design", {
            "site": plan.site, "plots": plan.plots, "plot_m2": plan.plot_m2, "hectares": ground.area_m2 / 1e4,
            "apart_m": laid.apart_m,
            "walk_m": laid.walk_m, "hours": laid.hours, "rule": plan.rule.kind, "strata": dict(plan.strata),
            "target": None if plan.target is None else plan.target.as_json(), "asked": asdict(plan.asked),
            "notes": list(plan.notes), "places": places,
        })  # fmt: skip
        return
    print("\n".join([
        f"{plan.plots} plots of {plan.plot_m2:g} m² on {ground.area_m2 / 1e4:.2f} ha, the two nearest {laid.apart_m:.0f} m "
        f"apart; the walk is {laid.walk_m:,.0f} m, about {laid.hours:.1f} hours with the tally.", plan.asked.words,
        plan.rule.words,
        *([] if plan.target is None else [f"Target: {plan.target.words}."]),
        *(f"{name}: {many} plots" for name, many in plan.strata.items()), *plan.notes]))


@survey.command(cls=Verb)
@click.argument("files", type=Read(), nargs=-1, required=True, metavar="FILE...")
@click.option("--refused", type=Written(".csv"), metavar="OUT", help="Write the rows that were refused, to be mended.")
@_estimating
def estimate(files: tuple[str, ...], refused: str | None, **given: Any) -> int:
    """Estimate from a filled tally, a CSV file.

    Rows of later files join those of the first: give the mended rows so. Where a row was refused the exit code is 1.
    """
    from diagnose.survey.tally import joined, to_mend
    from diagnose.whole_file import write_whole

    asked = SimpleNamespace(**given)
    trees, rows = joined(list(map(_taken, files)))
    say_refused(map(str, rows))
    if refused:
        write_whole(refused, to_mend(rows))
    _say(asked, [trees], refused=rows)
    return 1 if rows else 0


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
@click.option("--refused", "refused_to", type=Written(".csv"), metavar="OUT",
              help="Write the rows that were refused, to be mended.")
@options.by
@options.in_log
def keep(file: str, refused_to: str | None, by: str, log: str) -> int:
    """Keep a filled tally's entries in the log."""
    from diagnose.fieldlog.load import is_there
    from diagnose.fieldlog.store import saving_in
    from diagnose.survey.from_log import import_tally
    from diagnose.survey.tally import to_mend
    from diagnose.whole_file import write_whole

    is_there(file)
    with saving_in(log) as opened:
        done = import_tally(opened, file, by)
    if refused_to:
        write_whole(refused_to, to_mend(done.refused))
    return said(done)


def _taken(file: str) -> tuple[pd.DataFrame, list[RefusedRow]]:
    """A tally's trees, and what is refused of it, with its file's name."""
    from dataclasses import replace

    from diagnose.survey.tally import read_tally

    trees, refused = read_tally(file)
    return trees, [replace(row, file=file) for row in refused]


def _read(file: str) -> tuple[pd.DataFrame, list[RefusedRow]]:
    """A tally's trees, and what is refused of it, which is said too."""
    trees, refused = _taken(file)
    say_refused(map(str, refused))
    return trees, refused


def _say(asked: SimpleNamespace, visits: list[pd.DataFrame], refused: Sequence[RefusedRow] = (), **more: Any) -> None:
    """Estimates from one visit, or two, and writes and says what was asked for."""
    from diagnose.report.survey_report import survey_html, survey_pdf, table_text
    from diagnose.survey.boundary import read_ground
    from diagnose.survey.choosing import chosen_target
    from diagnose.survey.plan import read_plan
    from diagnose.survey.summary import summarise
    from diagnose.survey.target import read_targets
    from diagnose.whole_file import write_whole

    if asked.before is not None:
        visits = [*visits, _read(asked.before)[0]]
    plan = None if asked.plan is None else read_plan(asked.plan)
    wanted = [*map(chosen_target, asked.target), *(read_targets(asked.targets) if asked.targets else ())]
    if not wanted and plan is not None and plan.target is not None:
        wanted = [plan.target]
    step = Progress().of_step("redrawing plots")
    found = summarise(visits[0], visits[1] if len(visits) > 1 else None, wanted, asked.country,
                      None if plan is None else plan.rule, None if asked.boundary is None else read_ground(asked.boundary),
                      cost_per_tree=asked.cost_per_tree, refused=[str(row) for row in refused], redraw=asked.redraw,
                      progress=lambda share: step(round(100 * share), 100), **more)
    if asked.pdf:
        write_whole(asked.pdf, survey_pdf(found, asked.paper))
    if asked.html:
        write_whole(asked.html, survey_html(found))
    if asked.csv:
        write_whole(asked.csv, found.long().to_csv(index=False))
    if asked.as_json:
        machine.say("survey", found.as_json())
    else:
        print(table_text(found))
