"""`diagnose check`: how good the tool is, on pictures and cases with known truth."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from diagnose.cli import words
from diagnose.cli.progress import Progress
from diagnose.cli.streams import Read, Verb
from diagnose.validation.check import PARTS


@click.command(cls=Verb)
@click.argument("folder", required=False, type=click.Path())
@click.option("--photos", metavar="FOLDER", type=click.Path(),
              help="A folder of scenes with truth (default: the bundled ones).")
@click.option("--truth", type=click.Path(), metavar="CSV",
              help="Your own twigs, measured by hand: file, end_diameter_mm, seen_slope_deg, ... a photo a line, with "
                   "FOLDER, where their photos are; see the guide on your own twigs.")
@click.option("--bar-mm", type=words.positive, metavar="MM",
              help="With --truth: what the card's 100 mm check bar measured [mm].")
@click.option("--part", type=click.Choice(PARTS), multiple=True, help="Only this part; may be repeated.")
@click.option("--speed", type=Read(), metavar="FILE", multiple=True, help="A picture to time; may be repeated.")
def check(
    folder: str | None, photos: str | None, truth: str | None, bar_mm: float | None, part: tuple[str, ...],
    speed: tuple[str, ...],
) -> int:
    """Measure how good the tool is, where the truth is known."""
    from diagnose.cannot_use import CannotUse
    from diagnose.validation.check import check_parts

    if truth is not None:
        if photos or part or speed:
            raise CannotUse("--truth is checked by itself; leave --photos, --part and --speed out")
        return _check_own(truth, folder, bar_mm)
    if folder is not None or bar_mm is not None:
        raise CannotUse("FOLDER and --bar-mm belong to --truth; a folder of scenes is given with --photos")
    own = photos is not None  # a folder of one's own says nothing of the rest
    wanted = part or (("measurements", *(("speed",) if speed else ())) if own else PARTS)
    failed = False
    progress = Progress().of_step("measuring")
    parts = check_parts(wanted, None if photos is None else Path(photos), [Path(name) for name in speed], progress)
    for number, (name, said) in enumerate(parts):
        if isinstance(said, CannotUse):
            print(f"diagnose check: {name} left out: {said}", file=sys.stderr)
            failed = True
        else:
            print(("\n" if number else "") + said, flush=True)
    return 1 if failed else 0


def _check_own(truth: str, folder: str | None, bar_mm: float | None) -> int:
    from diagnose.cannot_use import CannotUse
    from diagnose.report.card_sheet import print_scale
    from diagnose.validation.own_truth import compare, own_as_text, own_rows

    if folder is None:
        raise CannotUse("say in which folder the photos are: diagnose check --truth my.csv FOLDER")
    scale = 1.0 if bar_mm is None else print_scale(bar_mm)
    print(own_as_text(own_rows(compare(truth, folder, scale))))
    return 0
