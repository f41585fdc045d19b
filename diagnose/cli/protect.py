"""`diagnose protect`: the barriers of a planting are planned."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import click

from diagnose.cli import machine, options, words
from diagnose.cli.streams import Read, Verb, Written


@click.command(cls=Verb)
@click.option("--trees", type=int, required=True, metavar="NUMBER", help="Number of trees.")
@click.option("--verdict", type=Read(), metavar="FILE",
              help="Who is there: the JSON that photo, ask or log together print.")
@click.option("--planted-on", type=words.day, metavar="DAY", help="Day of planting, YYYY-MM-DD.")
@click.option("--culprit", type=words.culprit, multiple=True, metavar="NAME[=PROBABILITY]",
              help="What lives there, each with a probability of its own; may be repeated.")
@click.option("--must", multiple=True, metavar="NAME", help="What must be kept out whatever it costs; may be repeated.")
@click.option("--alive-per-ha", type=float, metavar="NUMBER",
              help="Trees alive a hectare at the end [default: 70 % of the planted].")
@click.option("--sure", type=float, default=0.8, show_default=True, metavar="SHARE", help="How surely that is reached.")
@click.option("--diagnosed", is_flag=True, help="It was diagnosed there, not only expected.")
@click.option("--owned", type=Read(), metavar="FILE",
              help="What is in stock, YAML or JSON: barrier, stakes, line_posts ...: pieces or metres.")
@click.option("--boundary", type=Read(), metavar="FILE", help="GeoJSON polygon of the planting.")
@click.option("--hectares", type=words.positive, metavar="HA", help="Area of the planting, when there is no boundary.")
@click.option("--slope", type=float, default=0.0, metavar="PERCENT", help="Mean slope of the ground [per cent].")
@click.option("--years", type=int, default=6, show_default=True, metavar="YEARS",
              help="Years until the trees are out of reach.")
@click.option("--height-mm", type=words.depth, metavar="MM", help="Height at which they are, in place of the years [mm].")
@click.option("--growth-mm", type=float, default=300.0, show_default=True, metavar="MM", help="Growth a year [mm].")
@click.option("--stock-mm", type=words.depth, default="0", metavar="MM", help="Height of the planted stock [mm].")
@click.option("--large-trees", is_flag=True, help="The trees are large enough for trunk bands.")
@click.option("--gates", type=int, default=1, show_default=True, metavar="NUMBER", help="Gates in a fence.")
@click.option("--damage", default="moderate", show_default=True, type=click.Choice(["light", "moderate", "heavy", "severe"]),
              help="How much the animals take, without protection.")
@click.option("--snow-mm", type=words.depth, metavar="MM", help="Deepest snow, drifts included [mm].")
@click.option("--frost-mm", type=words.depth, default="0", metavar="MM", help="Depth to which the ground freezes [mm].")
@click.option("--soil", default="normal", show_default=True, type=click.Choice(["normal", "sand", "rock"]),
              help="What the posts stand in.")
@click.option("--site", multiple=True, metavar="WORD",
              help="What else the place is like: dry_ground, flood, grouse, badger, path, buildings, dogs, cavity_birds, "
                   "neighbour_fence, grazed, road; may be repeated.")
@options.region
@click.option("--power-line-kv", type=float, default=0.0, metavar="KV", help="Voltage of an overhead line on the way [kV].")
@click.option("--wind", is_flag=True, help="Strong wind.")
@click.option("--carry-m", type=words.depth, default="0", metavar="M", help="Way from the track [m].")
@click.option("--budget", type=float, metavar="MONEY", help="Money for the first year, in the currency of the prices.")
@click.option("--conifers", is_flag=True, help="The trees are conifers.")
@click.option("--prices", type=Read(), metavar="FILE", help="Your own prices, YAML or JSON.")
@click.option("--currency", metavar="CODE",
              help="Money of prices and budget, such as EUR or GBP [default: USD, or the file's].")
@click.option("--spec", type=Read(), metavar="FILE", help="A programme's demands, YAML or JSON.")
@click.option("--pdf", type=Written(".pdf"), metavar="OUT", help="Write the plan with its drawings.")
@options.paper
@click.option("--csv", type=Written(".csv"), metavar="OUT", help="Write the buying list.")
@options.inches
@options.as_json
def protect(**given: Any) -> None:
    """Plan the barriers of a planting.

    Which kind, which size, what it costs, what to buy, how to build it.
    """
    from diagnose.cannot_use import CannotUse
    from diagnose.culprits.here import country_of
    from diagnose.protect.ground import square_ground
    from diagnose.protect.plan import plan_for
    from diagnose.protect.planting import planting
    from diagnose.protect.read import read_boundary, read_common, read_settings, read_verdict
    from diagnose.report.due_list import planned_as_text
    from diagnose.report.plan_sheet import materials_csv, plan_as_text, plan_pdf
    from diagnose.whole_file import write_whole

    asked = SimpleNamespace(**given)
    if (asked.boundary is None) == (asked.hectares is None):
        raise CannotUse("give the ground as --boundary FILE (GeoJSON) or as --hectares NUMBER, one of them")
    if asked.boundary is not None:
        ground = read_boundary(asked.boundary, asked.slope)
    else:
        ground = square_ground(asked.hectares * 10_000, asked.slope)
    presence = {} if asked.verdict is None else read_verdict(asked.verdict)
    if not (presence or asked.culprit or asked.must):
        raise CannotUse("say what bites there with --culprit NAME, or give a verdict with --verdict FILE")
    words.once_each("--culprit", [name for name, _ in asked.culprit])
    named = {**presence, **dict(asked.culprit)} or dict.fromkeys(asked.must, 1.0)
    place = planting(
        ground, asked.trees, named, damage=asked.damage, years=asked.years, snow_mm=asked.snow_mm or 0.0,
        strong_wind=asked.wind, carry_m=asked.carry_m, budget=asked.budget, conifers=asked.conifers,
        diagnosed=asked.diagnosed or bool(presence), planted_on=asked.planted_on, must=asked.must,
        target_per_ha=asked.alive_per_ha, sureness=asked.sure, height_mm=asked.height_mm, growth_mm=asked.growth_mm,
        stock_mm=asked.stock_mm, large_trees=asked.large_trees, gates=asked.gates, site=asked.site,
        power_line_kv=asked.power_line_kv, soil=asked.soil, frost_mm=asked.frost_mm,
        country=country_of(asked.region), common=() if asked.verdict is None else read_common(asked.verdict),
        prices={**({} if asked.prices is None else read_settings(asked.prices)),
                **({} if asked.currency is None else {"currency": asked.currency})},
        spec=None if asked.spec is None else read_settings(asked.spec),
        owned=None if asked.owned is None else read_settings(asked.owned),
    )
    plan = plan_for(place)
    if asked.pdf:
        write_whole(asked.pdf, plan_pdf(plan, asked.inches, asked.paper))
    if asked.csv:
        write_whole(asked.csv, materials_csv(plan, asked.inches))
    if asked.as_json:
        machine.say("protect", plan.as_json())
    else:
        print(plan_as_text(plan, asked.inches))
        print(planned_as_text(plan, asked.planted_on or date.today()))
