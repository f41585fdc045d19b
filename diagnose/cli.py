"""The command `diagnose`: one thin function a subcommand, no computing here."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from diagnose import __version__
from diagnose.check import PARTS

if TYPE_CHECKING:
    import pandas as pd

    from diagnose.diagnosis import Circumstances, Diagnosis, Ground, Scale
    from diagnose.fieldlog.store import Log
    from diagnose.measure.bark_round import Turns
    from diagnose.signs import Sign, Signs

DEFAULT_LOG = Path.home() / "browse-log"


def _point(text: str) -> tuple[float, float]:
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a point; write X,Y in pixels, e.g. 812,430") from None
    return x, y


def _positive(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0 < number < 1e7:
        raise argparse.ArgumentTypeError(f"'{text}' must be a number above 0")
    return number


def _depth(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0 <= number < 1e5:
        raise argparse.ArgumentTypeError(f"'{text}' must be a depth or height in mm, 0 or more")
    return number


def _turns(text: str) -> Turns:
    from diagnose.cannot_use import CannotUse
    from diagnose.measure.bark_round import read_turns

    try:
        return read_turns(text)
    except CannotUse as reason:
        raise argparse.ArgumentTypeError(str(reason)) from None


def _month(text: str) -> int:
    if text.isdigit() and 1 <= int(text) <= 12:
        return int(text)
    raise argparse.ArgumentTypeError(f"'{text}' must be a month, 1 to 12")


def _box(text: str) -> tuple[float, float, float, float]:
    try:
        south, north, west, east = (float(part) for part in text.split(","))
        return south, north, west, east
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no box; write south,north,west,east in degrees") from None


def _near(text: str) -> tuple[float, float, float]:
    try:
        lat, lon, far = (float(part) for part in text.split(","))
        return lat, lon, far
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no place; write latitude,longitude,metres") from None


def _field(text: str) -> tuple[str, str]:
    name, found, value = text.partition("=")
    if not found:
        raise argparse.ArgumentTypeError(f"'{text}' is no correction; write FIELD=VALUE")
    return name.strip(), value


def _add_log(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--log", default=DEFAULT_LOG, help=f"log folder, or address of a database ({DEFAULT_LOG})")


def _add_circumstances(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--region", help="where the planting is (default: from the photo's position)")
    parser.add_argument("--month", type=_month, help="month in which the wound was found, 1 to 12")
    parser.add_argument("--snow-mm", type=_depth, help="depth of the snow that lay when it was made [mm]")
    parser.add_argument("--prior", metavar="FILE", help="your own weights, YAML or JSON: culprit: weight")
    parser.add_argument("--learn-from", metavar="LOG",
                        help="sharpen the prior by this log's namings that were confirmed from outside (field 'confirmed')")
    parser.add_argument("--inches", action="store_true", help="show lengths in inches and feet")


def _circumstances(args: argparse.Namespace) -> Circumstances:
    from diagnose.culprits.prior import read_prior
    from diagnose.diagnosis import Circumstances

    own = None if args.prior is None else read_prior(args.prior)
    return Circumstances(args.region, args.month, args.snow_mm, own, _learnt(args))


def _learnt(args: argparse.Namespace) -> dict[str, float] | None:
    if args.learn_from is None:
        return None
    from diagnose.fieldlog.judged import confirmed_in
    from diagnose.fieldlog.store import open_log

    return confirmed_in(open_log(args.learn_from, make=False))


def _answers(args: argparse.Namespace) -> Signs:
    from diagnose.signs import read_signs

    return {} if args.signs is None else read_signs(args.signs)


def _scale(args: argparse.Namespace) -> Scale | None:
    from diagnose.diagnosis import Scale

    if args.coin_mm is None and args.known_mm is None and args.known_from is None and args.known_to is None:
        return None
    return Scale(args.coin_mm, args.known_mm, args.known_from, args.known_to)


def _ground(args: argparse.Namespace) -> Ground | None:
    from diagnose.diagnosis import Ground

    return None if args.card_at is None and args.foot is None else Ground(args.card_at, args.foot)


def _photo(args: argparse.Namespace) -> int:
    from diagnose.diagnosis import diagnose_photo
    from diagnose.photo.picture import CannotUse
    from diagnose.report.card_sheet import print_scale

    _photos_go_together(args)
    answers, around, scale, ground = _answers(args), _circumstances(args), _scale(args), _ground(args)
    printed: list[dict[str, Any]] = []
    failed, together = False, {}
    for file in args.file:
        try:
            found = diagnose_photo(
                file, taps=args.tap or (), scale=scale, answers=answers, circumstances=around, ground=ground,
                print_scale=1.0 if args.bar_mm is None else print_scale(args.bar_mm),
            )
        except CannotUse as reason:
            print(f"{file}: {reason}", file=sys.stderr)
            printed.append({"file": Path(file).name, "error": str(reason)})
            failed = True
            continue
        if args.one_wound:
            together[file] = found
        else:
            printed.append(found.as_json())
            failed |= not _told(found, args)
    if together:
        joined, files = _one_wound(together, args, answers, around), list(together)
        printed.append({"files": [Path(file).name for file in files], **joined.as_json()})
        failed |= not _told(joined, args, files[1:])
    if args.json:
        print(json.dumps(printed, indent=1))
    return 1 if failed else 0


def _told(found: Diagnosis, args: argparse.Namespace, further: Sequence[str] = ()) -> bool:
    """Says and keeps a diagnosis; whether it could be kept. further : more photos of the same wound."""
    from diagnose.photo.picture import CannotUse
    from diagnose.report.plain import diagnosis_as_text

    if not args.json:
        if further:
            print(f"One wound, joined with {', '.join(Path(file).name for file in further)}:")
        print(diagnosis_as_text(found, inches=args.inches))
    try:
        _keep(found, args, further)
    except CannotUse as reason:
        print(f"{found.picture.name if found.picture else ''}: {reason}", file=sys.stderr)
        return False
    return True


def _photos_go_together(args: argparse.Namespace) -> None:
    """Raises CannotUse where options that belong to one photo, or to several, do not fit the files given."""
    from diagnose.cannot_use import CannotUse

    if len(args.file) > 1 and (args.tap or args.known_from or args.foot or args.picture):
        raise CannotUse("points and an annotated picture belong to one photo; give one file with --tap or --picture")
    if args.turns is not None and not args.one_wound:
        raise CannotUse("--turns tells how photos of one wound were taken round the stem; give --one-wound too")
    if isinstance(args.turns, list) and len(args.turns) != len(args.file):
        raise CannotUse(f"{len(args.file)} photos need as many turns, not {len(args.turns)}, e.g. 0,120,240 for three")
    if args.one_wound and len(set(args.file)) < len(args.file):
        raise CannotUse("the same file is given twice; give each photo of the wound once")


def _one_wound(
    found: dict[str, Diagnosis], args: argparse.Namespace, answers: Signs, around: Circumstances
) -> Diagnosis:
    """The diagnosis of photos of one wound; the turn of a photo that could not be read is left out."""
    from diagnose.diagnosis import diagnose_together

    turns = args.turns
    if isinstance(turns, list):
        turns = [turn for file, turn in zip(args.file, turns, strict=True) if file in found]
    elif turns is not None and len(found) < len(args.file):
        turns = None
    return diagnose_together(list(found.values()), answers, around, turns)


def _keep(found: Diagnosis, args: argparse.Namespace, further: Sequence[str] = ()) -> None:
    """Writes the annotated picture and the observation, where they were asked for. further : photos of the same wound."""
    if args.picture:
        from diagnose.measure.overlay import write_annotated

        print(f"picture: {write_annotated(found, args.picture)}", file=sys.stderr)
    if args.save:
        from diagnose.fieldlog import save_diagnosis
        from diagnose.fieldlog.store import open_log

        fields = {"site": args.site, "plant": args.plant, "by": args.by}
        log = open_log(args.log)
        saved = save_diagnosis(log, found, **fields)
        print(saved.message, file=sys.stderr)
        for file in further if saved.new else ():
            log.add_photo(saved.id, Path(file).read_bytes(), Path(file).name, "close-up", args.by)


def _ask(args: argparse.Namespace) -> int:
    from diagnose.diagnosis import diagnose_answers, diagnose_wounds
    from diagnose.report.plain import diagnosis_as_text, wounds_as_text
    from diagnose.signs import read_signs

    around = _circumstances(args)
    if len(args.signs) > 1:
        each = [diagnose_answers(read_signs(file), around) for file in args.signs]
        wounds = diagnose_wounds(each, around.snow_mm or 0.0)
        print(json.dumps(wounds.as_json(), indent=1) if args.json else wounds_as_text(wounds, args.inches))
        return 0
    found = diagnose_answers(read_signs(args.signs[0]), around) if args.signs else _asked(around)
    print(json.dumps(found.as_json(), indent=1) if args.json else diagnosis_as_text(found, inches=args.inches))
    return 0


def _asked(around: Circumstances) -> Diagnosis:
    """The diagnosis from the guided key on the terminal."""
    from diagnose.culprits.ask import next_step
    from diagnose.diagnosis import diagnose_answers
    from diagnose.protect.requirement import NEED_OF

    answers: dict[str, Sign] = {}
    passed: set[str] = set()
    found = diagnose_answers(answers, around)
    while (asked := (step := next_step(found.verdict, passed, NEED_OF)).question) is not None:
        answer = _ask_one(asked)
        if answer is None:
            passed.add(asked)
        else:
            answers[asked] = answer
            found = diagnose_answers(answers, around)
    print(f"\nNo more questions: {step.reason}.\n", file=sys.stderr)
    return found


def _ask_one(name: str) -> Sign | None:
    """One question on the terminal; None for "don't know"."""
    from diagnose.signs import Answer, vocabulary

    word = vocabulary()[name]
    choices = list(word.choices)
    print(f"\n{word.question}\n  ({word.help})", file=sys.stderr)
    for number, choice in enumerate(choices, 1):
        print(f"  {number}  {word.choices[choice]}", file=sys.stderr)
    print("  0  don't know", file=sys.stderr)
    while True:
        print("> ", end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not line or line.strip() in ("", "0"):
            return None
        if line.strip().isdigit() and 1 <= int(line) <= len(choices):
            return Answer(choices[int(line) - 1])
        print(f"give a number from 0 to {len(choices)}", file=sys.stderr)


def _log(args: argparse.Namespace) -> int:
    from diagnose.asked import log_makes_sense
    from diagnose.fieldlog.rebuild import unnamed_photos
    from diagnose.fieldlog.store import open_log
    from diagnose.fieldlog.verify import verify_at
    from diagnose.report.plain import LISTED, deleted_lines, observation_lines

    log_makes_sense(args)
    if args.verify:
        found = verify_at(args.log)
        print(found)
        return 0 if found.good else 1
    done = _log_work(args)
    if done is not None:
        print(done)
        return 0
    log = open_log(args.log, make=False)
    if args.show is not None:
        print(json.dumps(log.observation(args.show), indent=1))
        return 0
    if args.together:
        return _together(log, args)
    asked = (args.site, args.culprit, args.since, args.until, args.box, args.deleted, args.near)
    if args.export is not None:
        from diagnose.fieldlog.exchange import takes_text
        from diagnose.fieldlog.privacy import export

        rows = log.parts(2_000, *asked, as_text=takes_text(args.export))
        print(export(log, _only_deleted(rows, args), args.export, args.exact, args.photos))
        return 0
    if args.json:
        told = (part.to_json(orient="records", indent=1)[1:-1].strip("\n")
                for part in _only_deleted(log.parts(2_000, *asked), args))
        print("[", end="")
        for number, part in enumerate(filter(None, told)):
            print(("," if number else "") + "\n" + part, end="")
        print("\n]")
        return 0
    shown = log.parts(2_000, *asked, columns=(*LISTED, "deleted"), as_text=True)
    for line in observation_lines(_only_deleted(shown, args)):
        print(line)
    if beside := unnamed_photos(log):
        print(f"diagnose: {beside}", file=sys.stderr)
    if args.deleted:
        from diagnose.fieldlog.deleted import deleted, other_kinds

        for line in deleted_lines(deleted(log, *other_kinds())):
            print(line)
    return 0


def _only_deleted(parts: Iterator[pd.DataFrame], args: argparse.Namespace) -> Iterator[pd.DataFrame]:
    return (part[part["deleted"].astype(bool)] if args.deleted else part for part in parts)


def _together(log: Log, args: argparse.Namespace) -> int:
    from diagnose.fieldlog.judged import wounds_of
    from diagnose.photo.picture import CannotUse
    from diagnose.report.plain import wounds_as_text

    if args.site is None:
        raise CannotUse("say whose wounds are judged together: --together --site NAME, and --plant TAG for one plant")
    wounds = wounds_of(log, args.site, args.plant)
    print(json.dumps(wounds.as_json(), indent=1) if args.json else wounds_as_text(wounds))
    return 0


def _card(args: argparse.Namespace) -> int:
    from diagnose.report.card_sheet import write_card_sheet

    print(write_card_sheet(args.out, paper=args.paper))
    return 0


def _key(args: argparse.Namespace) -> int:
    from diagnose.report.field_key import write_field_key

    print(write_field_key(args.out, paper=args.paper))
    return 0


def _log_work(args: argparse.Namespace) -> str | None:
    """The line, or lines, that one piece of work on the log says; None where none was asked for."""
    from diagnose.fieldlog.duplicates import near_duplicates
    from diagnose.fieldlog.load import import_csv, import_photos, is_there
    from diagnose.fieldlog.merge import disputes, merge, pack, taken_from
    from diagnose.fieldlog.store import open_log

    # what is to be taken in is looked for first, so that a wrong name makes no new log
    if args.import_csv is not None:
        mapping = dict(pair.split("=", 1) for pair in args.column if "=" in pair)
        source = is_there(args.import_csv)
        return str(import_csv(open_log(args.log), source, mapping, by=args.by, dry_run=args.dry_run))
    if args.import_photos is not None:
        folder = is_there(args.import_photos)
        return str(import_photos(open_log(args.log), folder, args.site or "", args.by, progress=_progress))
    if args.merge is not None:
        other = taken_from(args.merge)
        return str(merge(open_log(args.log), other))
    log = open_log(args.log, make=False)
    if args.correct is not None or args.delete is not None or args.undelete is not None:
        return _marked(log, args)
    if args.pack is not None:
        packed = pack(log, args.pack, args.with_senders)
        return f"The whole log is packed into {packed}; hand it over and merge it with --merge."
    if args.twins:
        return "\n".join(f"{one.first[:8]}  {one.second[:8]}  {one.why}" for one in near_duplicates(log)) or "No twins."
    if args.disputes:
        lines = [f"{one.kind} {one.record[:8]}, {one.field}: {side.by or 'nobody named'} at {side.at[:19]} wrote "
                 f"{side.after.get(one.field, dict(side.after))!r}" for one in disputes(log) for side in one.sides]
        return "\n".join(lines) or "Nobody disagrees."
    return None


def _marked(log: Log, args: argparse.Namespace) -> str:
    """The line that a correction or a mark of deletion says."""
    from diagnose.cannot_use import CannotUse
    from diagnose.fieldlog.deleted import kind_of

    if args.correct is not None and not args.field:
        raise CannotUse("say what to correct with --field FIELD=VALUE; it may be repeated")
    start = args.correct or args.delete or args.undelete or ""
    kind = kind_of(log, start)
    if args.correct is not None:
        own = log.correct(start, by=args.by, kind=kind, **dict(args.field))
        return f"{kind.capitalize()} {own[:8]} is corrected; what stood there before is kept."
    if args.delete is not None:
        own = log.delete(start, by=args.by, kind=kind)
        return f"{kind.capitalize()} {own[:8]} is marked as deleted; take the mark away with --undelete {own[:8]}."
    return f"{kind.capitalize()} {log.restore(start, by=args.by, kind=kind)[:8]} stands again."


def _backup(args: argparse.Namespace) -> int:
    from diagnose.fieldlog.backup import back_up
    from diagnose.fieldlog.store import open_log

    done = back_up(open_log(args.log, make=False), args.folder)
    print(done)
    return 1 if done.bad else 0


def _restore(args: argparse.Namespace) -> int:
    from diagnose.fieldlog.backup import restore

    print(restore(args.backup, args.log))
    return 0


def _rebuild(args: argparse.Namespace) -> int:
    from diagnose.fieldlog.rebuild import rebuild

    print(rebuild(args.log, args.by, _progress))
    return 0


def _progress(done: int, of: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{done} of {of}", end="\n" if done == of else "", file=sys.stderr, flush=True)


def _check(args: argparse.Namespace) -> int:
    from diagnose.cannot_use import CannotUse
    from diagnose.check import check_parts

    if args.truth is not None:
        return _check_own(args)
    own = args.photos is not None  # a folder of one's own says nothing of the rest
    wanted = args.part or (("measurements", *(("speed",) if args.speed else ())) if own else PARTS)
    failed = False
    parts = check_parts(wanted, Path(args.photos) if own else None, [Path(name) for name in args.speed])
    for number, (part, told) in enumerate(parts):
        if isinstance(told, CannotUse):
            print(f"diagnose check: {part} left out: {told}", file=sys.stderr)
            failed = True
        else:
            print(("\n" if number else "") + told, flush=True)
    return 1 if failed else 0


def _check_own(args: argparse.Namespace) -> int:
    from diagnose.cannot_use import CannotUse
    from diagnose.measure.own_truth import compare, own_as_text, own_rows
    from diagnose.report.card_sheet import print_scale

    if args.folder is None:
        raise CannotUse("say in which folder the photos are: diagnose check --truth my.csv FOLDER")
    scale = 1.0 if args.bar_mm is None else print_scale(args.bar_mm)
    print(own_as_text(own_rows(compare(args.truth, args.folder, scale))))
    return 0


def _protect(args: argparse.Namespace) -> int:
    from diagnose.photo.picture import CannotUse
    from diagnose.protect.ground import square_ground
    from diagnose.protect.plan import plan_for
    from diagnose.protect.planting import planting
    from diagnose.protect.read import read_boundary, read_settings, read_verdict
    from diagnose.report.plan_sheet import materials_csv, plan_as_text, plan_pdf
    from diagnose.whole_file import write_whole

    if (args.boundary is None) == (args.hectares is None):
        raise CannotUse("give the ground as --boundary FILE (GeoJSON) or as --hectares NUMBER, one of them")
    if args.boundary is not None:
        ground = read_boundary(args.boundary, args.slope)
    else:
        ground = square_ground(args.hectares * 10_000, args.slope)
    verdict = {} if args.verdict is None else read_verdict(args.verdict)
    if not (verdict or args.culprit):
        raise CannotUse("say what bites there with --culprit NAME, or give a verdict with --verdict FILE")
    told = dict(args.culprit)
    place = planting(
        ground, args.trees, {**verdict, **told}, damage=args.damage, years=args.years, snow_mm=args.snow_mm or 0.0,
        strong_wind=args.wind, carry_m=args.carry_m, budget=args.budget, conifers=args.conifers,
        diagnosed=args.diagnosed or bool(verdict), planted_on=args.planted_on,
        prices=None if args.prices is None else read_settings(args.prices),
        spec=None if args.spec is None else read_settings(args.spec),
        owned=None if args.owned is None else read_settings(args.owned),
    )
    plan = plan_for(place, verdict or (told if min(told.values()) < 1 else None))
    if args.pdf:
        write_whole(args.pdf, plan_pdf(plan, args.inches))
    if args.csv:
        write_whole(args.csv, materials_csv(plan, args.inches))
    print(json.dumps(plan.as_json(), indent=1) if args.json else plan_as_text(plan, args.inches))
    return 0


def _culprit(text: str) -> tuple[str, float]:
    """A name, or NAME=PROBABILITY."""
    name, _, share = text.partition("=")
    try:
        return name, float(share) if share else 1.0
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no culprit; write NAME or NAME=PROBABILITY") from None


def _survey(args: argparse.Namespace) -> int:
    from diagnose.asked import not_with, only_with
    from diagnose.photo.picture import CannotUse
    from diagnose.report.survey_report import survey_html, survey_pdf
    from diagnose.survey.summary import summarise
    from diagnose.survey.tally import read_tally, template
    from diagnose.whole_file import write_whole

    written = ("pdf", "html", "own_figures", "json")
    not_with(args, ("template",), ("file", "from_log", "into_log", *written))
    not_with(args, ("into_log",), ("from_log", "before", *written))
    only_with(args, ("site", "day", "own_figures"), ("from_log",))
    if args.template:
        print(template(), end="")
        return 0
    if args.into_log or args.from_log:
        from diagnose.fieldlog.load import is_there
        from diagnose.fieldlog.store import open_log
        from diagnose.survey.from_log import import_tally, survey_table

        if args.into_log and args.file is not None:
            is_there(args.file)
        log = open_log(args.log, make=args.into_log and args.file is not None)
    if args.file is None and not args.from_log:
        raise CannotUse("give the filled tally as a CSV file, use --from-log, or print an empty one with --template")
    if args.into_log:
        kept, refused = import_tally(log, args.file, args.by)
        print("\n".join([f"{kept} entries of {args.file} are kept in the log, {len(refused)} refused", *refused]))
        return 0
    visits = [survey_table(log, args.site, args.day)] if args.from_log else []
    for file in [one for one in (args.file, args.before) if one is not None]:
        trees, refused = read_tally(file)
        visits.append(trees)
        for line in refused:
            print(f"{file}: {line}", file=sys.stderr)
    lasting = None
    if args.from_log:
        from diagnose.survey.lasting import lasting_of, own_lives_file, watched

        seen = watched(log, args.site)
        lasting = lasting_of(seen)
        if args.own_figures:
            write_whole(args.own_figures, own_lives_file(seen))
    survey = summarise(visits[0], visits[1] if len(visits) > 1 else None, args.target, lasting=lasting,
                       cost_per_tree=args.cost_per_tree, redraw=args.redraw,
                       progress=lambda share: _progress(round(100 * share), 100))
    if args.pdf:
        write_whole(args.pdf, survey_pdf(survey))
    if args.html:
        write_whole(args.html, survey_html(survey))
    print(json.dumps(survey.as_json(), indent=1) if args.json else f"{survey.headline}\n{survey.caution}")
    return 0


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no day; write YYYY-MM-DD") from None


def _iso_day(text: str) -> str:
    return _day(text).isoformat()


def _upkeep(args: argparse.Namespace) -> int:
    from diagnose.asked import upkeep_makes_sense
    from diagnose.fieldlog.store import open_log
    from diagnose.report.due_list import due_as_text, due_pdf, metal_pdf
    from diagnose.upkeep.calendar import calendar_file
    from diagnose.upkeep.due import due_of, read_place, standing
    from diagnose.upkeep.metal import metal, write_metal
    from diagnose.whole_file import write_whole

    upkeep_makes_sense(args)
    log = open_log(args.log, make=_given(args, "register", "register_csv", "from_plan", "found"))
    if (done := _upkeep_entry(log, args)) is not None:
        print(done)
        return 0
    if args.metal:
        rows = metal(log, args.site)
        if args.metal.endswith(".pdf"):
            write_whole(args.metal, metal_pdf(rows, args.site or "", args.paper))
        else:
            write_metal(rows, args.metal)
        print(f"{len(rows)} places with metal, posts or stakes are written to {args.metal}; there may be more, not noted.",
              file=sys.stderr if args.json else sys.stdout)
        if not _given(args, "calendar", "pdf", "json"):
            return 0
    register = standing(log, args.climate, True if args.south else None, args.site)
    items = due_of(register, args.on, None if args.start is None else read_place(args.start))
    if args.calendar:
        write_whole(args.calendar, calendar_file(items, register, args.on))
    if args.pdf:
        write_whole(args.pdf, due_pdf(items, args.on, args.site or "", args.paper))
    print(json.dumps([item.as_json() for item in items], indent=1) if args.json else due_as_text(items, args.on))
    return 0


def _given(args: argparse.Namespace, *names: str) -> bool:
    from diagnose.asked import is_given

    return any(is_given(args, name) for name in names)


def _upkeep_entry(log: Log, args: argparse.Namespace) -> str | None:
    """The line that one entry into the register says; None where none was asked for."""
    from diagnose.photo.picture import CannotUse
    from diagnose.upkeep import register as entry
    from diagnose.upkeep.due import read_place

    photo = None if args.photo is None else _bytes(args.photo)
    place = {} if args.place is None else {**dict(zip(("lat", "lon"), read_place(args.place), strict=True)),
                                           "error_m": args.error_m}
    if args.register_csv is not None:
        return str(entry.register_csv(log, args.register_csv, args.by))
    if args.from_plan is not None:
        from diagnose.protect.read import read_settings

        new = entry.register_plan(log, read_settings(args.from_plan), args.site or "", args.on, by=args.by,
                                  species=args.species, **place)
        return f"{len(new)} kinds of barrier of the plan are registered as put up on {args.on}."
    if args.register is not None or args.found is not None:
        what = {"site": args.site or "", "plant": args.plant, "label": args.plant, "note": args.note,
                "material": args.material, "species": args.species, "inner_mm": args.inner_mm, "photo": photo,
                "photo_name": args.photo or "", **place,
                "figures": {"culprits": args.culprit, "vigour": args.vigour, "snow_mm": args.snow_mm}}
        if args.register is not None:
            own = entry.register(log, args.register, args.by, built=args.on.isoformat(), **what)
            return f"Barrier {own[:8]} is registered."
        own = entry.found_by_chance(log, args.found, args.embedded, args.by, **what)
        return f"Barrier {own[:8]} is registered as found." + (f" {entry.EMBEDDED}" if args.embedded else "")
    if args.check is not None:
        barrier, _, finding = args.check.partition("=")
        if not finding:
            raise CannotUse("write what was found as --check ID=FINDING, e.g. --check 1a2b3c4d=sound")
        told = {"stem_diameter_mm": args.stem_mm, "height_mm": args.height_mm, "note": args.note,
                "stands_alone": _yes_or_none(args.stands_alone), "bark_safe": _yes_or_none(args.bark_safe)}
        entry.check(log, barrier, finding, args.on, args.by, photo, args.photo or "", args.inner_mm, **told)
        return f"Barrier {barrier} was found {finding}."
    if args.removed is not None:
        left = log.record("barrier", entry.take_away(log, args.removed, args.on, args.left_behind, args.by))["left_behind"]
        return f"Barrier {args.removed} is marked as removed{f'; {left} stays on the map.' if left else '.'}"
    return None


def _bytes(file: str) -> bytes:
    from diagnose.photo.picture import CannotUse

    try:
        return Path(file).read_bytes()
    except OSError as problem:
        raise CannotUse(f"{file} cannot be read ({problem.strerror})") from None


def _yes_or_none(word: str | None) -> bool | None:
    return None if word is None else word == "yes"


def _app(args: argparse.Namespace) -> NoReturn:
    from diagnose.screens.start import start

    os.environ["DIAGNOSE_LOG"] = str(args.log)
    start(port=args.port, share=args.share)


def _inbox(args: argparse.Namespace) -> int:
    from diagnose.asked import not_with
    from diagnose.fieldlog.store import open_log
    from diagnose.inbox.learning import together
    from diagnose.inbox.queue import queue_as_text, waiting, write_letters
    from diagnose.inbox.work import judge, measure, take_in

    not_with(args, ("taking_in_only",), ("letters", "agreement", "json", "pile", "again"))
    not_with(args, ("agreement",), ("json",))
    log = open_log(args.log, make=bool(args.place))
    steps = _Steps()
    for place in args.place:
        print(f"{place}: {take_in(log, place, args.by, steps)}", file=sys.stderr)
    if args.taking_in_only:
        return 0
    measure(log, args.workers, args.scheduler, steps)
    judge(log, args.region, args.by, args.again, steps, args.workers, args.scheduler)
    rows = waiting(log, args.pile)
    if args.letters is not None:
        some = rows if args.pile is not None else rows[rows["pile"] == "ready"] if len(rows) else rows
        style = (args.format, args.region, args.template, args.signature, args.inches)
        written = write_letters(log, args.letters, some, *style)
        print(f"{len(written)} letters are in {args.letters}; read each before you send it.", file=sys.stderr)
    if args.agreement:
        print(together(log).words)
        return 0
    shown = rows.drop(columns=["sender"], errors="ignore")  # who sent it is nobody else's business
    print(shown.to_json(orient="records", indent=1) if args.json else queue_as_text(rows))
    return 0


class _Steps:
    """Says on a terminal how far a step is, and how long it will still take."""

    def __init__(self) -> None:
        self._step, self._since = "", 0.0

    def __call__(self, step: str, done: int, of: int) -> None:
        from time import monotonic

        if step != self._step:
            self._step, self._since = step, monotonic()
        if not sys.stderr.isatty():
            return
        left = (monotonic() - self._since) / done * (of - done) if done and of else 0.0
        told = f"{step}: {done} of {of}, {left / 60:.0f} min {left % 60:.0f} s left" if of else f"{step}: {done}"
        print(f"\r{told:<60}", end="\n" if done == of else "", file=sys.stderr, flush=True)


def _demo(args: argparse.Namespace) -> int:
    from diagnose.demo import lay

    print(lay(args.folder, progress=lambda said: print(f"{said} ...", file=sys.stderr)))
    return 0


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """One line, as for every other input that cannot be used."""
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="diagnose", description=(
        "What ate this seedling, how sure is that, and which barrier stops it."))
    parser.add_argument("--version", action="version", version=f"diagnose {__version__}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="verb")

    def verb(name: str, run: Callable[[argparse.Namespace], int], help: str) -> argparse.ArgumentParser:
        sub = verbs.add_parser(name, help=help, description=help[0].upper() + help[1:] + ".")
        sub.set_defaults(run=run)
        return sub

    photo = verb("photo", _photo, "measure photos of a wound, judge it, name the barrier")
    photo.add_argument("file", nargs="+", help="picture file (JPEG, PNG, WebP, TIFF, HEIC or AVIF)")
    photo.add_argument("--json", action="store_true", help="print one JSON list, an object a file")
    photo.add_argument("--tap", type=_point, action="append", metavar="X,Y",
                       help="the wound in pixels; a second --tap is a point farther back on the same stem")
    photo.add_argument("--one-wound", action="store_true", help="the photos show one wound: join them into one estimate")
    photo.add_argument("--turns", type=_turns, metavar="DEG,DEG,...",
                       help="with --one-wound, of gnawed bark: how far round the stem each photo was taken, "
                            "counterclockwise from above, e.g. 0,90,180,270; or all-round, where they show every side")
    photo.add_argument("--coin-mm", type=_positive, help="diameter of a coin in the picture [mm]")
    photo.add_argument("--known-mm", type=_positive, help="a known length in the picture [mm]")
    photo.add_argument("--known-from", type=_point, metavar="X,Y", help="one end of the known length [px]")
    photo.add_argument("--known-to", type=_point, metavar="X,Y", help="its other end [px]")
    photo.add_argument("--foot", type=_point, metavar="X,Y",
                       help="where the stem meets the ground, for the height by staff, card or known upright length [px]")
    photo.add_argument("--card-at", type=_depth, metavar="MM",
                       help="height of the upright card's lower edge above the ground, 0 where it stands on it [mm]")
    photo.add_argument("--bar-mm", type=_positive, help="what the card's 100 mm check bar measured [mm]")
    photo.add_argument("--signs", help="YAML or JSON file of answered signs to judge together with the photo")
    photo.add_argument("--picture", metavar="OUT", help="write the annotated picture to this file")
    photo.add_argument("--save", action="store_true", help="save the observation in the log")
    photo.add_argument("--site", default="", help="name of the planting, for the log")
    photo.add_argument("--plant", default="", help="the plant's tag, for the log")
    photo.add_argument("--by", default="", help="your initials, for the log")
    _add_log(photo)
    _add_circumstances(photo)

    ask = verb("ask", _ask, "judge answered signs without a photo, or ask for them one by one")
    ask.add_argument("--signs", action="append", default=[], metavar="FILE",
                     help="YAML or JSON file of answered signs; several are wounds of one plant, judged together")
    ask.add_argument("--json", action="store_true", help="print the verdict as JSON")
    _add_circumstances(ask)

    card = verb("card", _card, "write the scale card and the height staff as PDF at true size")
    card.add_argument("--out", default="scale-card.pdf", help="file to write (scale-card.pdf)")
    card.add_argument("--paper", choices=("a4", "letter"), default="a4")

    protect = verb("protect", _protect, "plan the barriers of a planting: kind, size, cost, what to buy, how to build")
    protect.add_argument("--trees", type=int, required=True, help="number of trees")
    protect.add_argument("--verdict", metavar="FILE",
                         help="what was diagnosed there: the JSON that photo, ask or log --together print")
    protect.add_argument("--planted-on", type=_day, metavar="DAY", help="day of planting, YYYY-MM-DD")
    protect.add_argument("--culprit", type=_culprit, action="append", default=[], metavar="NAME[=PROBABILITY]",
                         help="what lives there or bit; may be repeated")
    protect.add_argument("--diagnosed", action="store_true", help="it was diagnosed there, not only expected")
    protect.add_argument("--owned", metavar="FILE",
                         help="what is in stock, YAML or JSON: barrier, stakes, line_posts ...: pieces or metres")
    protect.add_argument("--boundary", metavar="FILE", help="GeoJSON polygon of the planting")
    protect.add_argument("--hectares", type=_positive, help="area of the planting, when there is no boundary")
    protect.add_argument("--slope", type=float, default=0.0, help="mean slope of the ground [per cent]")
    protect.add_argument("--years", type=int, default=6, help="years until the trees are out of reach (6)")
    protect.add_argument("--damage", default="moderate", choices=("light", "moderate", "heavy", "severe"))
    protect.add_argument("--snow-mm", type=_depth, help="deepest snow, drifts included [mm]")
    protect.add_argument("--wind", action="store_true", help="strong wind")
    protect.add_argument("--carry-m", type=_depth, default=0.0, help="way from the track [m]")
    protect.add_argument("--budget", type=float, help="money there is, in the currency of the prices")
    protect.add_argument("--conifers", action="store_true", help="the trees are conifers")
    protect.add_argument("--prices", metavar="FILE", help="your own prices, YAML or JSON")
    protect.add_argument("--spec", metavar="FILE", help="a programme's demands, YAML or JSON")
    protect.add_argument("--pdf", metavar="OUT", help="write the plan with its drawings")
    protect.add_argument("--csv", metavar="OUT", help="write the buying list")
    protect.add_argument("--inches", action="store_true", help="show lengths in inches and feet")
    protect.add_argument("--json", action="store_true", help="print the plan as JSON")

    survey = verb("survey", _survey, "estimate how much is browsed, how surely, from a filled tally")
    survey.add_argument("file", nargs="?", help="filled tally, CSV")
    survey.add_argument("--template", action="store_true", help="print an empty tally as CSV")
    survey.add_argument("--from-log", action="store_true", help="take the entries of the log, with the wounds' verdicts")
    survey.add_argument("--into-log", action="store_true", help="keep the file's entries in the log")
    survey.add_argument("--site", help="with --from-log: only this planting")
    survey.add_argument("--day", type=_iso_day,
                        help="with --from-log: only this visit, YYYY-MM-DD (default: the last, and its change)")
    survey.add_argument("--by", default="", help="your initials, for the history")
    _add_log(survey)
    survey.add_argument("--before", metavar="FILE", help="the tally of an earlier visit to the same plots")
    survey.add_argument("--target", type=float, metavar="SHARE", help="your own tolerable share, 0 to 1")
    survey.add_argument("--cost-per-tree", type=_positive, metavar="MONEY",
                        help="of the protection of one tree, to see what a saved tree cost")
    survey.add_argument("--redraw", type=int, default=0, metavar="TIMES",
                        help="redraw the plots so often for the difference that protection makes, e.g. 2000")
    survey.add_argument("--own-figures", metavar="OUT",
                        help="with --from-log: write how long your barriers lasted, for protect --prices (.yaml)")
    survey.add_argument("--pdf", metavar="OUT", help="write the report as PDF")
    survey.add_argument("--html", metavar="OUT", help="write the report as HTML")
    survey.add_argument("--json", action="store_true", help="print all figures as JSON")

    upkeep = verb("upkeep", _upkeep, "what to check, mend, widen or take off, and when; register barriers and checks")
    _add_log(upkeep)
    upkeep.add_argument("--site", help="only this planting; for an entry, where the barrier is")
    upkeep.add_argument("--on", type=_day, default=date.today(), metavar="DAY", help="day that is asked for (today)")
    upkeep.add_argument("--climate", default="mild", choices=("cold", "mild", "warm"), help="length of the winter (mild)")
    upkeep.add_argument("--south", action="store_true", help="south of the equator")
    upkeep.add_argument("--start", metavar="LAT,LON", help="where the walk begins")
    upkeep.add_argument("--register", metavar="FORM", help="register a barrier that was put up on the day of --on")
    upkeep.add_argument("--register-csv", metavar="FILE", help="register a CSV file's barriers")
    upkeep.add_argument("--from-plan", metavar="FILE",
                        help="register what a plan chose, as put up on the day of --on: the output of protect --json")
    upkeep.add_argument("--found", metavar="FORM", help="register a barrier met by chance, of unknown age and owner")
    upkeep.add_argument("--embedded", action="store_true", help="it is grown into the stem")
    upkeep.add_argument("--check", metavar="ID=FINDING",
                        help="enter a look: sound, leaning, damaged, gnawed, too tight, touching the stem, missing")
    upkeep.add_argument("--removed", metavar="ID", help="mark a barrier as removed")
    upkeep.add_argument("--left-behind", default="", help="what stayed when it was removed, e.g. 'two steel stakes'")
    upkeep.add_argument("--plant", default="", help="the plant's tag")
    upkeep.add_argument("--species", default="", help="its species")
    upkeep.add_argument("--culprit", action="append", default=[], help="what the barrier is against; may be repeated")
    upkeep.add_argument("--material", default="", help="what the barrier is made of")
    upkeep.add_argument("--inner-mm", type=_positive,
                        help="clear width inside the barrier; at a check, what it was widened to [mm]")
    upkeep.add_argument("--stem-mm", type=_positive, help="the stem's diameter at a check [mm]")
    upkeep.add_argument("--height-mm", type=_positive, help="the plant's height at a check [mm]")
    upkeep.add_argument("--stands-alone", choices=("yes", "no"), help="does the stem stand when the tube is lifted?")
    upkeep.add_argument("--bark-safe", choices=("yes", "no"), help="is the bark thick and corky?")
    upkeep.add_argument("--photo", metavar="FILE", help="a picture that belongs to the entry")
    upkeep.add_argument("--vigour", default="", choices=("slow", "usual", "fast"), help="how well the plant grows (usual)")
    upkeep.add_argument("--snow-mm", type=_depth, help="deepest snow at the barrier [mm]")
    upkeep.add_argument("--place", metavar="LAT,LON", help="where the barrier is [degree]")
    upkeep.add_argument("--error-m", type=_positive, default=10.0, help="how well --place is known [m] (10)")
    upkeep.add_argument("--note", default="", help="a note")
    upkeep.add_argument("--by", default="", help="your initials, for the history")
    upkeep.add_argument("--calendar", metavar="OUT", help="write the coming year as iCalendar file (.ics)")
    upkeep.add_argument("--pdf", metavar="OUT", help="write the list for the walk")
    upkeep.add_argument("--metal", metavar="OUT", help="write all metal left standing or behind: .gpx .geojson .pdf")
    upkeep.add_argument("--paper", choices=("A4", "Letter"), default="A4")
    upkeep.add_argument("--json", action="store_true", help="print the list as JSON")

    check = verb("check", _check, "measure how good the tool is, on pictures and cases with known truth")
    check.add_argument("--photos", metavar="FOLDER", help="a folder of scenes with truth (default: the bundled ones)")
    check.add_argument("--truth", metavar="CSV", help="your own twigs, measured by hand: file, end_diameter_mm, "
                       "seen_slope_deg, ... a photo a line; see the guide on your own twigs")
    check.add_argument("folder", nargs="?", help="with --truth: the folder of your photos")
    check.add_argument("--bar-mm", type=_positive, help="with --truth: what the card's 100 mm check bar measured [mm]")
    check.add_argument("--part", choices=PARTS, action="append", help="only this part; may be repeated")
    check.add_argument("--speed", metavar="FILE", action="append", default=[], help="a picture to time; may be repeated")

    key = verb("key", _key, "write the questions as a one-page key for the field, as PDF")
    key.add_argument("--out", default="field-key.pdf", help="file to write (field-key.pdf)")
    key.add_argument("--paper", choices=("a4", "letter"), default="a4")

    app = verb("app", _app, "open the app in the browser")
    app.add_argument("--port", type=int, default=8501)
    app.add_argument("--share", action="store_true", help="let phones on this network in, each with a one-time code")
    _add_log(app)

    inbox = verb("inbox", _inbox, "take in what people sent, judge it, rank it, write the replies (nothing is sent)")
    inbox.add_argument("place", nargs="*", help="folder, ZIP, .eml or .mbox; none to go on with what is in the log")
    _add_log(inbox)
    inbox.add_argument("--region", help="where the senders' plantings are (default: not known)")
    inbox.add_argument("--workers", type=int, help="processes that measure (all cores)")
    inbox.add_argument("--scheduler", metavar="TCP", help="address of a Dask scheduler, to measure on its workers")
    inbox.add_argument("--taking-in-only", action="store_true", help="only take in; measure and judge later")
    inbox.add_argument("--again", action="store_true", help="judge everything anew, e.g. after the catalogue changed")
    inbox.add_argument("--pile", help="only this pile: ready, 'ask back', 'look yourself', 'seen before'")
    inbox.add_argument("--letters", metavar="FOLDER", help="write the replies of the ready pile, or of --pile")
    inbox.add_argument("--format", choices=("txt", "html", "pdf"), default="txt", help="of the letters (txt)")
    inbox.add_argument("--template", metavar="FILE", help="your own letter, a jinja2 template")
    inbox.add_argument("--signature", default="", help="what stands at the end of a letter")
    inbox.add_argument("--agreement", action="store_true", help="how often you and the tool named the same")
    inbox.add_argument("--inches", action="store_true", help="lengths in inches and feet")
    inbox.add_argument("--by", default="", help="your initials, for the history")
    inbox.add_argument("--json", action="store_true", help="print the queue as JSON, without who sent it")

    backup = verb("backup", _backup, "copy the log into a folder, or bring an earlier backup up to date")
    backup.add_argument("folder", help="folder of the backup, best on another disk")
    _add_log(backup)

    restore = verb("restore", _restore, "put a backup in the place of a log that was lost or damaged")
    restore.add_argument("backup", help="folder that backup wrote, or the copy made before an upgrade (.sqlite)")
    _add_log(restore)

    rebuild = verb("rebuild", _rebuild, "make a log anew from its photos, or take in those that no record names")
    rebuild.add_argument("--by", default="", help="your initials, for the history")
    _add_log(rebuild)

    demo = verb("demo", _demo, "lay an invented planting into a log of its own, to look round in")
    demo.add_argument("folder", nargs="?", default="browse-demo", help="folder to make (browse-demo)")

    log = verb("log", _log, "list, show or mark observations of the log")
    _add_log(log)
    log.add_argument("--show", metavar="ID", help="one observation whole, with its history")
    log.add_argument("--delete", metavar="ID", help="mark a record of any kind as deleted")
    log.add_argument("--undelete", "--restore", metavar="ID", help="take the mark of deletion away again")
    log.add_argument("--correct", metavar="ID", help="correct fields of a record of any kind, each with --field")
    log.add_argument("--field", type=_field, action="append", default=[], metavar="FIELD=VALUE",
                     help="what is right, e.g. plant=17 or note='seen again'; may be repeated")
    log.add_argument("--by", default="", help="your initials, for the history")
    log.add_argument("--together", action="store_true", help="judge all wounds of --site, or of its --plant, together")
    log.add_argument("--plant", help="with --together: only this plant")
    log.add_argument("--site", help="only this planting")
    log.add_argument("--culprit", help="only this verdict")
    log.add_argument("--since", type=_iso_day, metavar="DATE", help="taken on this day or later, YYYY-MM-DD")
    log.add_argument("--until", type=_iso_day, metavar="DATE", help="taken on this day or earlier")
    log.add_argument("--box", type=_box, metavar="S,N,W,E", help="taken inside this box [degree]")
    log.add_argument("--near", type=_near, metavar="LAT,LON,M", help="taken at most so many metres from a point")
    log.add_argument("--deleted", action="store_true", help="what is marked as deleted, of every kind")
    log.add_argument("--json", action="store_true", help="print the observations as JSON")
    log.add_argument("--export", metavar="OUT", help="write the listed ones: .csv .geojson .gpkg .gpx, .zip (Darwin Core)")
    log.add_argument("--exact", action="store_true", help="export exact places, people and notes (default: coarse)")
    log.add_argument("--photos", action="store_true", help="with --exact to .gpkg: reduced photos too, as a related table")
    log.add_argument("--import-csv", metavar="FILE", help="take in a CSV file's rows")
    log.add_argument("--column", action="append", default=[], metavar="COLUMN=FIELD", help="what a CSV column holds")
    log.add_argument("--dry-run", action="store_true", help="only say what importing would do")
    log.add_argument("--import-photos", metavar="FOLDER", help="take in a folder of photos with place and time")
    log.add_argument("--pack", metavar="OUT", help="pack the whole log into one file for handing over")
    log.add_argument("--with-senders", action="store_true", help="pack who sent things in, too (default: left out)")
    log.add_argument("--merge", metavar="OTHER", help="take in a pack or another log")
    log.add_argument("--verify", action="store_true", help="look for missing and changed photos and a damaged database")
    log.add_argument("--twins", action="store_true", help="list observations that may be one")
    log.add_argument("--disputes", action="store_true", help="list what two people changed unseen by each other")
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; 0 when everything given could be done. Errors are one line on standard error."""
    args = _parser().parse_args(argv)
    from diagnose.cannot_use import CannotUse
    from diagnose.pipes import close_quietly, standing_for
    from diagnose.terminal import without_control_codes

    try:
        with without_control_codes(), standing_for(args) as told:
            done = int(args.run(told))
        sys.stdout.flush()
        return done
    except CannotUse as reason:
        print(f"diagnose: {reason}", file=sys.stderr)
    except BrokenPipeError:  # the reader has seen enough, as head does
        close_quietly()
        return 128 + 13  # as a shell counts a program that SIGPIPE ended
    except KeyboardInterrupt:
        print("diagnose: stopped; what was saved until now is kept", file=sys.stderr)
        return 128 + 2
    except OSError as problem:  # what is read is refused where it is read; this is a file that cannot be written
        place = problem.filename or "standard output"
        close_quietly()
        print(f"diagnose: {place} cannot be written ({problem.strerror}); choose another place", file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main())
