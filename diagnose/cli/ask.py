"""`diagnose ask`: answered signs are judged without a photo, or asked for one by one."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

import click

from diagnose.cli import options
from diagnose.cli.streams import Read, Verb

if TYPE_CHECKING:
    from diagnose.diagnosis import Circumstances, Diagnosis
    from diagnose.places import Place
    from diagnose.signs import Sign


@click.command(cls=Verb)
@click.option("--signs", type=Read(), multiple=True, metavar="FILE",
              help="YAML or JSON file of answered signs; several are wounds of one plant, judged together.")
@options.as_json
@options.circumstances
def ask(
    signs: tuple[str, ...], as_json: bool, region: str | None, month: int | None, snow_mm: float | None, prior: str | None,
    learn_from: str | None, inches: bool,
) -> None:
    """Judge answered signs without a photo, or ask for them one by one."""
    from diagnose.diagnosis import diagnose_answers, diagnose_wounds
    from diagnose.report.plain import diagnosis_as_text, wounds_as_text
    from diagnose.signs import read_signs

    around = options.circumstances_of(region, month, snow_mm, prior, learn_from)
    if len(signs) > 1:
        each = [diagnose_answers(read_signs(file), around) for file in signs]
        wounds = diagnose_wounds(each, around.snow_mm or 0.0)
        print(json.dumps(wounds.as_json(), indent=1) if as_json else wounds_as_text(wounds, inches))
        return
    found = diagnose_answers(read_signs(signs[0]), around) if signs else _asked(around)
    print(json.dumps(found.as_json(), indent=1) if as_json else diagnosis_as_text(found, inches=inches))


def _asked(around: Circumstances) -> Diagnosis:
    """The diagnosis from the guided key on the terminal."""
    from dataclasses import replace

    from diagnose.culprits.ask import PLACE, next_step
    from diagnose.diagnosis import diagnose_answers
    from diagnose.protect.requirement import NEED_OF, built_of

    built = built_of()
    answers: dict[str, Sign] = {}
    passed: set[str] = set()
    found = diagnose_answers(answers, around)
    while (asked := (step := next_step(found.verdict, passed, NEED_OF, None, built)).question) is not None:
        if asked == PLACE:
            passed.add(PLACE)
            around = replace(around, region=_ask_place())
        elif (answer := _ask_one(asked)) is None:
            passed.add(asked)
        else:
            answers[asked] = answer
        found = diagnose_answers(answers, around)
    print(f"\nNo more questions: {step.reason}.\n", file=sys.stderr)
    return found


def _ask_place() -> Place | None:
    """The place, by name or code; None for "don't know"."""
    from diagnose.cannot_use import CannotUse
    from diagnose.culprits.ask import PLACE_HELP, PLACE_QUESTION
    from diagnose.places import place_named

    print(f"\n{PLACE_QUESTION}\n  ({PLACE_HELP})\n  its name or code; nothing, or 0: don't know", file=sys.stderr)
    while True:
        print("> ", end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline().strip()
        if line in ("", "0"):
            return None
        try:
            return place_named(line)
        except CannotUse as reason:
            print(reason, file=sys.stderr)


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
