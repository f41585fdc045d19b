"""Does the page for the pocket judge as Python does? `python -m tests.pocket_equal` asks both about 2,000 drawn cases.

Half of the cases are what simulated persons could answer before wounds of a world that differs from the model; half are
any signs together, measured ones too, so that every sign, choice, kind of place, month and depth of snow comes up, with
questions that were passed with "don't know".
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.culprits.ask import PLACE, next_step, questions
from diagnose.culprits.catalogue import TRACES
from diagnose.culprits.here import place_from
from diagnose.culprits.observers import PLACES, seen_by
from diagnose.culprits.worlds import OTHERS, draw_wounds
from diagnose.diagnosis import Circumstances, Diagnosis, diagnose_answers
from diagnose.places.place import areas
from diagnose.pocket.page import model_script
from diagnose.pocket.tables import tables_of, where_of
from diagnose.protect.requirement import NEED_OF, built_of
from diagnose.signs import Answer, Bounded, Measured, Several, Shares, Sign, Word, vocabulary

NEAR = 1e-9
AT_ONCE = 100
MOST_FOUND = 4  # kinds of traces that one case names side by side: each doubles the work
# nowhere known, on a border, an island, a coarse region of older versions; and every country and part of one there is,
# covered or not, north and south
ANYWHERE = (None, (47.6, 7.6), (55.7, -6.2), "east", *areas())
REASONED = 20  # every so-manieth case is asked for its reasons too, which take a verdict a sign
# one model, moved from place to place as the page's tables are: what does not hang on the place is worked out once
START = "({tables, wheres}) => { Object.assign(window, {tables, wheres}); window.model = makeModel(tables); }"
ASK = """
cases => JSON.stringify(JSON.parse(cases).map(one => {
  tables.where = wheres[one.where];
  const verdict = model.judge(one.given), found = makeBarrier(model).require(verdict, one.given.snowMm ?? 0);
  return {
    culprits: verdict.culprits, leading: verdict.leading, ends: verdict.ends,
    reasons: one.reasoned ? Object.fromEntries(model.reasons(verdict).map(each => [each.sign, each.weight])) : null,
    step: makeAsking(model).nextStep(verdict, one.passed),
    barrier: {...found, figures: Object.fromEntries(Object.entries(found.figures).map(([name, each]) => [name, each.mm]))},
  };
}))
"""


@dataclass(frozen=True)
class Drawn:
    """A case. where : its number in ANYWHERE. passed : questions that the person could not answer."""

    signs: Mapping[str, Sign]
    where: int
    month: int | None
    snow_mm: float | None
    passed: tuple[str, ...]


def answered_cases(number: int, seed: int = 24) -> list[Drawn]:
    """What persons answered before wounds of another world, some answers left out."""
    draw, cases = np.random.default_rng(seed), []
    for at, wound in enumerate(draw_wounds(number, PLACES, seed, OTHERS[0])):
        seen = seen_by(wound, seed + at)
        some = {name: sign for name, sign in seen.items() if name == "wound" or draw.random() < 0.6}
        cases.append(_with(draw, some, ANYWHERE.index(wound.place)))
    return cases


def any_cases(number: int, seed: int = 25) -> list[Drawn]:
    """Any signs together; of 300 or more, every choice of every sign comes up."""
    draw, cases = np.random.default_rng(seed), []
    pairs = [(word, choice) for word in vocabulary().values() for choice in word.choices or ("",)]
    for at in range(number):
        word, choice = pairs[at % len(pairs)]
        more = draw.choice(list(vocabulary()), size=int(draw.integers(0, 9)), replace=False)
        signs = {str(name): _any_sign(vocabulary()[str(name)], draw) for name in more}
        if choice:
            signs[word.name] = Answer(choice)
        else:
            signs[word.name] = _any_sign(word, draw)
        while sum(len(sign.found) for sign in signs.values() if isinstance(sign, Several)) > MOST_FOUND:
            del signs[next(name for name, sign in signs.items() if isinstance(sign, Several))]
        cases.append(_with(draw, signs, at % len(ANYWHERE)))
    return cases


def _with(draw: np.random.Generator, signs: Mapping[str, Sign], where: int) -> Drawn:
    month = int(draw.integers(1, 13)) if draw.random() < 0.6 else None
    snow_mm = float(draw.choice([0, 130, 310, 650, 1250])) if draw.random() < 0.3 else None
    open_ones = [PLACE, *(word.name for word in questions() if word.name not in signs)]
    passed = tuple(str(name) for name in draw.permutation(open_ones)[: int(draw.integers(0, 5))])
    return Drawn(signs, where, month, snow_mm, passed)


def _any_sign(word: Word, draw: np.random.Generator) -> Sign:
    if word.kind == "number":
        low, high = sorted(draw.uniform(word.low, word.high, 2))
        if word.low > 0 and draw.random() < 0.5:
            low, high = sorted(np.exp(draw.uniform(math.log(word.low), math.log(word.high), 2)))
        if draw.random() < 0.3:
            return Bounded(float(low), float(high), 0.95)
        return Measured(float(low), float(0.01 + 0.1 * abs(low) * draw.random()))
    choices = list(word.choices)
    kind = draw.random()
    if word.name in TRACES and kind < 0.4:
        there = draw.permutation([each for each in choices if each != "none"])[: int(draw.integers(1, 4))]
        return Several(tuple(map(str, there)), bool(draw.random() < 0.5))
    if kind < 0.6 and word.name not in TRACES:
        shares = draw.dirichlet(np.full(len(choices), 0.5))
        return Shares(dict(zip(choices, shares.tolist(), strict=True)))
    return Answer(str(draw.choice(choices)))


def as_plain(sign: Sign) -> dict[str, Any]:
    """A sign as the page holds it, with all its digits."""
    if isinstance(sign, Measured):
        return {"value": sign.value, "sigma": sign.sigma}
    if isinstance(sign, Bounded):
        return {"low": sign.low, "high": sign.high, "level": sign.level}
    if isinstance(sign, Several):
        return {"found": list(sign.found), "complete": sign.complete}
    return {"choice": sign.choice} if isinstance(sign, Answer) else {"shares": dict(sign.shares)}


def by_page(cases: list[Drawn], browser: Any) -> Iterator[dict[str, Any]]:
    """What the page's own script says of each case, in a browser."""
    page = browser.new_page()
    page.evaluate("source => { window.eval(source); }", model_script() + """
        ;Object.assign(window, {makeModel, makeAsking, makeBarrier});""")
    page.evaluate(START, {"tables": tables_of(), "wheres": [where_of(place_from(each)) for each in ANYWHERE]})
    for start in range(0, len(cases), AT_ONCE):
        # as JSON, which both read faster than a value handed over piece by piece
        yield from json.loads(page.evaluate(ASK, json.dumps([{
            "where": one.where, "passed": one.passed, "reasoned": at % REASONED == 0,
            "given": {"signs": {name: as_plain(sign) for name, sign in one.signs.items()}, "month": one.month,
                      "snowMm": one.snow_mm}} for at, one in enumerate(cases[start:start + AT_ONCE], start)])))
    page.close()


def by_python(case: Drawn) -> Diagnosis:
    """What Python says of a case."""
    return diagnose_answers(case.signs, Circumstances(place_from(ANYWHERE[case.where]), case.month, case.snow_mm))


def differences(case: Drawn, told: Mapping[str, Any]) -> list[str]:
    """What the page says otherwise than Python, in words."""
    ours = by_python(case)
    verdict, found = ours.verdict, []
    far = max(abs(a - b) for a, b in zip(verdict.culprits.values(), told["culprits"], strict=True))
    if not far <= NEAR:
        found.append(f"a probability is {far:.2e} off")
    if told["leading"] != verdict.leading or tuple(told["ends"]) != verdict.ends:
        found.append(f"leading {told['leading']} {told['ends']}, not {verdict.leading} {verdict.ends}")
    step = next_step(verdict, case.passed, NEED_OF, None, built_of())
    if (told["step"]["question"], told["step"]["reason"]) != (step.question, step.reason):
        found.append(f"asks {told['step']}, not {step}")
    if told["reasons"] is not None:
        for reason in verdict.reasons:
            if not abs(told["reasons"][reason.sign] - reason.weight) < 1e-6:
                found.append(f"{reason.sign} weighs {told['reasons'][reason.sign]}, not {reason.weight}")
    barrier, page = ours.barrier, told["barrier"]
    pairs = {
        "figures": ({name: each.value_mm for name, each in barrier.figures().items()}, page["figures"]),
        "kind": (barrier.kind, page["kind"]), "culprits": (list(barrier.culprits), page["culprits"]),
        "stops": (list(barrier.stops), page["stops"]), "base": (barrier.base, page["base"]),
        "cautions": (list(barrier.cautions), page["cautions"]),
        "leaves open": (list(barrier.leaves_open), page["leavesOpen"]),
        "instead": (list(barrier.instead), page["instead"]), "unstopped": (list(barrier.unstopped), page["unstopped"]),
        "fails": (list(barrier.fails), page["fails"]), "also": (list(barrier.also), page["also"]),
        "stakes": (list(barrier.stakes), page["stakes"]), "area": (list(barrier.area), page["area"]),
    }
    return found + [f"barrier's {name}: {b}, not {a}" for name, (a, b) in pairs.items() if a != b]


def cases_of(number: int = 2000) -> list[Drawn]:
    """So many cases, half of each kind."""
    return [*answered_cases(number // 2), *any_cases(number - number // 2)]


def different(cases: list[Drawn], browser: Any) -> dict[int, list[str]]:
    """Case -> what the page says otherwise than Python, of those where it does."""
    told = zip(cases, by_page(cases, browser), strict=True)
    return {at: lines for at, (case, one) in enumerate(told) if (lines := differences(case, one))}


def main(number: int = 2000) -> int:
    """Prints every difference; returns how many cases differ."""
    from playwright.sync_api import sync_playwright

    from tests.conftest import chromium

    cases = cases_of(number)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox", "--disable-gpu"])
        wrong = different(cases, browser)
        browser.close()
    for at, found in wrong.items():
        print(f"case {at}: {'; '.join(found)}\n  {cases[at]}")
    print(f"{number - len(wrong)} of {number} cases are judged the same")
    return len(wrong)


if __name__ == "__main__":
    sys.exit(bool(main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)))
