"""In whatever order things are pressed: can everything be pressed then that makes sense, and nothing else?

Run as `python -m tests.presses [--presses 200] [--seed 1]`. It goes at random through a wound's questions (answered, taken
back, reloaded, started over) and through the inbox (next, previous, put off, undone, reloaded), keeps its own count of where
it is, and says after which presses the page told something else.
"""

from __future__ import annotations

import argparse
import os
import random
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from tests.conftest import chromium, put_in_use, served

_READY = """() => document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'
    && performance.now() - window.changed > 400"""
_WATCH = """() => {
    window.changed = performance.now();
    if (window.watched) return;
    window.watched = new MutationObserver(() => { window.changed = performance.now(); });
    window.watched.observe(document.documentElement,
        { subtree: true, childList: true, attributes: true, characterData: true });
}"""
_WOUND = """() => {
    const group = [...document.querySelectorAll('[data-testid=stBidiComponentIsolated]')]
        .map(host => host.shadowRoot?.querySelector('[role=group]')).find(group => group);
    // folded away they are there too
    const named = words => [...document.querySelectorAll('button')].filter(one => one.textContent.trim() === words);
    const answers = group ? [...group.querySelectorAll('.answers button')] : [];
    return { asked: group?.dataset.asked ?? null,
             undo: named('Undo').length, over: named('Start over').length,
             off: [...named('Undo'), ...named('Start over'), ...answers].filter(one => one.disabled).length,
             pressed: answers.filter(one => one.getAttribute('aria-pressed') === 'true').length,
             told: Number(document.querySelector('.st-key-answered summary')?.innerText.match(/\\d+/)?.[0] ?? 0),
             verdict: Boolean(document.querySelector('.verdict')),
             drawn: answers.length > 0 || document.body.innerText.includes('Nothing more to ask') };
}"""
_INBOX = """() => {
    const off = words => [...document.querySelectorAll('.st-key-screen_walk button')]
        .filter(one => one.innerText.trim().startsWith(words)).map(one => one.disabled);
    const place = document.querySelector('.st-key-screen_walk').innerText.match(/(\\d+) of (\\d+)/);
    return { place: Number(place[1]), many: Number(place[2]),
             previous: off('Previous'), next: off('Next'), undo: off('Undo') };
}"""


def _quiet(page: Any, begun: str) -> None:
    page.wait_for_function(begun, timeout=120_000, polling=100)
    page.evaluate(_WATCH)
    page.wait_for_function(_READY, timeout=120_000, polling=100)


def _press(page: Any, words: str, at: int = 0) -> None:
    page.get_by_role("button", name=words).nth(at).click()


def wound_presses(page: Any, address: str, presses: int, chance: random.Random) -> Iterator[str]:
    """Goes through a wound's questions; yields what each press left other than it should be, in words.

    Parameters
    ----------
    page
        Of the browser, of a device that has nothing unsaved [no unit].
    address
        Of the app [no unit].
    presses
        How many [no unit].
    chance
        That chooses [no unit].
    """
    page.goto(f"{address}/wound")
    is_drawn = f"() => ({_WOUND})().drawn"
    _quiet(page, is_drawn)
    told, trail = 0, ""
    for _ in range(presses):
        before = page.evaluate(_WOUND)
        ways = ["reload", *["answer"] * 8 * bool(before["asked"]), *["undo"] * 5 * bool(told), *["start over"] * bool(told)]
        way = chance.choice(ways)
        trail += f", {way}"
        if way == "answer":
            several, some = page.locator(".answers .done"), page.locator(".answers button:not(.done) >> visible=true")
            one = some.nth(chance.randrange(some.count()))
            only_marks = several.is_visible() and one.get_attribute("data-key") not in ("none", "?")
            one.click()
            if only_marks:
                several.click()
            told += 1
        elif way == "undo":
            if page.locator(".st-key-answered details[open]").count() == 0:
                page.locator(".st-key-answered summary").click()
            _press(page, "Undo", chance.randrange(told))
            told -= 1
        elif way == "start over":
            _press(page, "Start over")
            told = 0
        else:
            page.reload()
        _quiet(page, is_drawn)
        now, begun = page.evaluate(_WOUND), bool(told)
        right = {"told": told, "undo": told, "over": int(begun), "off": 0, "pressed": 0, "verdict": begun}
        wrong = {name: now[name] for name, what in right.items() if now[name] != what}
        if way == "answer" and now["asked"] == before["asked"]:
            wrong["asked"] = now["asked"]
        if wrong:
            yield f"{wrong} instead of {right} after{trail[1:]}"
            told = now["told"]


def inbox_presses(page: Any, address: str, presses: int, chance: random.Random) -> Iterator[str]:
    """Goes through the letters that wait; yields what each press left other than it should be, in words.

    Parameters
    ----------
    page
        Of the browser [no unit].
    address
        Of an app whose inbox holds some letters, all judged [no unit].
    presses
        How many [no unit].
    chance
        That chooses [no unit].
    """
    page.goto(f"{address}/inbox")
    # after a reload the browser may still load what draws buttons when it has the words already
    is_drawn = "() => /Previous[^]*Next[^]* of \\d/.test(document.querySelector('.st-key-screen_walk')?.innerText)"
    _quiet(page, is_drawn)
    can_undo, trail = False, ""
    for _ in range(presses):
        before = page.evaluate(_INBOX)
        place, many = before["place"], before["many"]
        ways = ["Undo"] * 3 if can_undo else ["Later"] * (page.get_by_role("button", name="Later").count())
        ways += ["Next"] * 3 * (place < many) + ["Previous"] * 3 * (place > 1) + ["reload"]
        way = chance.choice(ways)
        trail += f", {way}"
        if way == "reload":
            page.reload()
        else:
            _press(page, way)
        _quiet(page, is_drawn)
        now = page.evaluate(_INBOX)
        place = {"Next": place + 1, "Previous": place - 1, "reload": 1}.get(way, now["place"])
        can_undo = way == "Later" or (can_undo and way not in ("Undo", "reload"))
        right = {"place": place, "previous": [place == 1], "next": [place == now["many"]], "undo": [False] * can_undo}
        if wrong := {name: now[name] for name, what in right.items() if now[name] != what}:
            yield f"{wrong} instead of {right} after{trail[1:]}"


def main() -> None:
    """Prints what was wrong, and how often something was pressed."""
    asked = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    asked.add_argument("--presses", type=int, default=200, help="on each page")
    asked.add_argument("--seed", type=int, default=1, help="of the draw")
    told = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log"
        log.mkdir()
        put_in_use(log)
        os.environ["DIAGNOSE_PLACE"] = "US-VT"  # so that every question is one with drawn answers
        with served(log) as (address, _), sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox", "--disable-gpu"])
            for walk in (wound_presses, inbox_presses):
                page = browser.new_page(viewport={"width": 390, "height": 844})
                wrong = 0
                for words in walk(page, address, told.presses, random.Random(told.seed)):
                    wrong += 1
                    print(words, flush=True)
                print(f"{walk.__name__}: {told.presses} presses, {wrong} left something wrong", flush=True)
                page.close()
            browser.close()


if __name__ == "__main__":
    main()
