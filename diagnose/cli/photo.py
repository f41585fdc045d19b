"""`diagnose photo`: photos of a wound are measured and judged, and the barrier is named."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import click

from diagnose.cli import options, words
from diagnose.cli.progress import Progress
from diagnose.cli.streams import Read, Verb, Written
from diagnose.progress import counted, silent

if TYPE_CHECKING:
    from diagnose.diagnosis import Circumstances, Diagnosis, Ground, Scale
    from diagnose.signs import Signs


@click.command(cls=Verb)
@click.argument("file", nargs=-1, required=True, type=Read())
@click.option("--json", "as_json", is_flag=True, help="Print one JSON list, an object a file.")
@click.option("--tap", type=words.point, multiple=True, metavar="X,Y",
              help="The wound in pixels; a second --tap is a point farther back on the same stem.")
@click.option("--one-wound", is_flag=True, help="The photos show one wound: join them into one estimate.")
@click.option("--turns", type=words.turns, metavar="DEG,DEG,...",
              help="With --one-wound, of gnawed bark: how far round the stem each photo was taken, counterclockwise from "
                   "above, e.g. 0,90,180,270; or all-round, where they show every side.")
@click.option("--coin-mm", type=words.positive, metavar="MM", help="Diameter of a coin in the picture [mm].")
@click.option("--plain-card", is_flag=True,
              help="A blank or membership card, 85.60 x 53.98 mm, is held beside the twig; never a bank or identity card.")
@click.option("--known-mm", type=words.positive, metavar="MM", help="A known length in the picture [mm].")
@click.option("--known-from", type=words.point, metavar="X,Y", help="One end of the known length [px].")
@click.option("--known-to", type=words.point, metavar="X,Y", help="Its other end [px].")
@click.option("--foot", type=words.point, metavar="X,Y",
              help="Where the stem meets the ground, for the height by staff, card or known upright length [px].")
@click.option("--card-at", type=words.depth, metavar="MM",
              help="Height of the upright card's lower edge above the ground, 0 where it stands on it [mm].")
@click.option("--bar-mm", type=words.positive, metavar="MM", help="What the card's 100 mm check bar measured [mm].")
@click.option("--signs", type=Read(), metavar="FILE",
              help="YAML or JSON file of answered signs to judge together with the photo.")
@click.option("--picture", type=Written(".jpg"), metavar="OUT", help="Write the annotated picture to this file.")
@click.option("--save", is_flag=True, help="Save the observation in the log.")
@click.option("--site", metavar="NAME", default="", help="Name of the planting, for the log.")
@click.option("--plant", metavar="TAG", default="", help="The plant's tag, for the log.")
@options.by
@options.in_log
@options.circumstances
def photo(**given: Any) -> int:
    """Measure photos of a wound, judge it, name the barrier.

    FILE is a picture: JPEG, PNG, WebP, TIFF, HEIC or AVIF.
    """
    from diagnose.cannot_use import CannotUse
    from diagnose.diagnosis import diagnose_photo
    from diagnose.report.card_sheet import print_scale
    from diagnose.signs import read_signs

    asked = SimpleNamespace(**given)
    _photos_go_together(asked)
    answers = {} if asked.signs is None else read_signs(asked.signs)
    around = options.circumstances_of(asked.region, asked.month, asked.snow_mm, asked.prior, asked.learn_from)
    scale, ground = _scale(asked), _ground(asked)
    printed: list[dict[str, Any]] = []
    failed, together = False, {}
    tells_itself = not (asked.as_json or asked.one_wound)  # each photo's lines appear as soon as it is judged
    for file in counted(asked.file, silent if tells_itself else Progress().of_step("measuring photos")):
        try:
            found = diagnose_photo(
                file, taps=asked.tap, scale=scale, answers=answers, circumstances=around, ground=ground,
                print_scale=1.0 if asked.bar_mm is None else print_scale(asked.bar_mm),
            )
        except CannotUse as reason:
            print(f"{file}: {reason}", file=sys.stderr)
            printed.append({"file": Path(file).name, "error": str(reason)})
            failed = True
            continue
        if asked.one_wound:
            together[file] = found
        else:
            printed.append(found.as_json())
            failed |= not _said_and_kept(found, asked)
    if together:
        joined, files = _one_wound(together, asked, answers, around), list(together)
        printed.append({"files": [Path(file).name for file in files], **joined.as_json()})
        failed |= not _said_and_kept(joined, asked, files[1:])
    if asked.as_json:
        print(json.dumps(printed, indent=1))
    return 1 if failed else 0


def _scale(asked: SimpleNamespace) -> Scale | None:
    from diagnose.diagnosis import Scale

    given = (asked.coin_mm, asked.known_mm, asked.known_from, asked.known_to)
    return None if not asked.plain_card and all(one is None for one in given) else Scale(*given, plain_card=asked.plain_card)


def _ground(asked: SimpleNamespace) -> Ground | None:
    from diagnose.diagnosis import Ground

    return None if asked.card_at is None and asked.foot is None else Ground(asked.card_at, asked.foot)


def _said_and_kept(found: Diagnosis, asked: SimpleNamespace, further: Sequence[str] = ()) -> bool:
    """Says and keeps a diagnosis; whether it could be kept. further : more photos of the same wound."""
    from diagnose.cannot_use import CannotUse
    from diagnose.report.plain import diagnosis_as_text

    if not asked.as_json:
        if further:
            print(f"One wound, joined with {', '.join(Path(file).name for file in further)}:")
        print(diagnosis_as_text(found, inches=asked.inches))
    try:
        _keep(found, asked, further)
    except CannotUse as reason:
        print(f"{found.picture.name if found.picture else ''}: {reason}", file=sys.stderr)
        return False
    return True


def _photos_go_together(asked: SimpleNamespace) -> None:
    """Raises CannotUse where options that belong to one photo, or to several, do not fit the files given."""
    from diagnose.cannot_use import CannotUse

    if len(asked.file) > 1 and (asked.tap or asked.known_from or asked.foot or asked.picture):
        raise CannotUse("points and an annotated picture belong to one photo; give one file with --tap or --picture")
    if len(asked.tap) > 2:
        raise CannotUse(f"{len(asked.tap)} taps were given; give one on the wound, and at most one farther back on the stem")
    if asked.turns is not None and not asked.one_wound:
        raise CannotUse("--turns tells how photos of one wound were taken round the stem; give --one-wound too")
    if isinstance(asked.turns, list) and len(asked.turns) != len(asked.file):
        raise CannotUse(f"{len(asked.file)} photos need as many turns, not {len(asked.turns)}, e.g. 0,120,240 for three")
    if asked.one_wound and len(set(asked.file)) < len(asked.file):
        raise CannotUse("the same file is given twice; give each photo of the wound once")


def _one_wound(
    found: dict[str, Diagnosis], asked: SimpleNamespace, answers: Signs, around: Circumstances
) -> Diagnosis:
    """The diagnosis of photos of one wound; the turn of a photo that could not be read is left out."""
    from diagnose.diagnosis import diagnose_together

    turns = asked.turns
    if isinstance(turns, list):
        turns = [turn for file, turn in zip(asked.file, turns, strict=True) if file in found]
    elif turns is not None and len(found) < len(asked.file):
        turns = None
    return diagnose_together(list(found.values()), answers, around, turns)


def _keep(found: Diagnosis, asked: SimpleNamespace, further: Sequence[str] = ()) -> None:
    """Writes the annotated picture and the observation, where they were asked for. further : photos of the same wound."""
    if asked.picture:
        from diagnose.report.overlay import write_annotated

        print(f"picture: {write_annotated(found, asked.picture)}", file=sys.stderr)
    if asked.save:
        from diagnose.fieldlog import save_diagnosis
        from diagnose.fieldlog.store import saving_in

        with saving_in(asked.log) as log:
            saved = save_diagnosis(log, found, site=asked.site, plant=asked.plant, by=asked.by)
            print(saved.message, file=sys.stderr)
            for file in further if saved.new else ():
                log.add_photo(saved.id, Path(file).read_bytes(), Path(file).name, "close-up", asked.by)
