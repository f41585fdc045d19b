"""How long does a person wait at the app: from a tap to the last change on the page?

Run as `python -m tests.action_times [--runs 30] [--wide] [--only opening judging ...]`. It serves the invented planting with
its letters, opens each page from the menu and does the main work of each at a phone's width (--wide: a desk's), and
prints a row an action, done often: the median, the 90th percentile and the longest time [s], and the load of the machine.

A time begins when the press reaches the browser, and ends with the last change of what the page shows; the framework's own
bar at the top does not count. Nothing changes for a second and the server is idle before it is believed to be the last.
Since others may use the machine at the same time, the processor time of server and browser together stands beside it [s]: on
one core that is idle otherwise an action takes about as long.
"""

from __future__ import annotations

import argparse
import os
import platform
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from itertools import count, cycle
from math import dist
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np
from playwright.sync_api import sync_playwright

from diagnose.screens.start import PAGES
from tests.conftest import PHOTOS, chromium, put_in_use, served, still

SIZES = {False: (390, 844), True: (1280, 800)}
_QUIET_MS, _LONGEST_MS = 1000, 60_000
_MARK = 40  # a tap so near to a mark would take hold of it [px]
# what the framework shows of itself is no change of the page; shadow roots are watched as they come
_WATCH = """() => {
    if (window.lastChange !== undefined) return;
    window.lastChange = window.pressed = performance.now();
    const isOurs = node => !(node.nodeType === 1 ? node : node.parentElement)?.closest?.(
        '[data-testid=stHeader], [data-testid=stToolbar], [data-testid=stStatusWidget], head, script');
    const look = changes => {
        if (changes.some(one => isOurs(one.target) && one.attributeName !== 'data-test-script-state'))
            window.lastChange = performance.now();
    };
    const watch = root => new MutationObserver(look).observe(root,
        { subtree: true, childList: true, characterData: true, attributes: true });
    const attach = Element.prototype.attachShadow;
    Element.prototype.attachShadow = function (...given) {
        const root = attach.apply(this, given);
        watch(root);
        return root;
    };
    watch(document.documentElement);
    document.addEventListener('load', event => { if (isOurs(event.target)) window.lastChange = performance.now(); }, true);
    document.querySelectorAll('*').forEach(one => { if (one.shadowRoot) watch(one.shadowRoot); });
    for (const kind of ['pointerdown', 'keydown'])
        document.addEventListener(kind, () => { window.pressed = performance.now(); }, true);
}"""
_IDLE = """quiet => document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'
    && performance.now() - Math.max(window.lastChange, window.pressed) > quiet"""


Wait = tuple[float, float]


def waited(page: Any, act: Callable[[], Any]) -> Wait:
    """Seconds from the last press of an action to the last change on the page, and of processor time until it is quiet.

    Parameters
    ----------
    page
        Of the browser, on which nothing changes any more [no unit].
    act
        What is pressed [no unit].
    """
    page.evaluate(_WATCH)
    before = processor_s()
    act()
    page.wait_for_function(_IDLE, arg=_QUIET_MS, timeout=_LONGEST_MS, polling=100)  # each frame would cost the browser time
    return max(0.0, page.evaluate("window.lastChange - window.pressed")) / 1000, processor_s() - before



def processor_s() -> float:
    """Processor time of every process that was started from this one: the server's and the browser's [s]."""
    told: dict[int, tuple[int, float]] = {}
    for process in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):  # it may end meanwhile
            fields = (process / "stat").read_text().rpartition(")")[2].split()
            told[int(process.name)] = int(fields[1]), (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    ours, total = {os.getpid()}, 0.0
    while found := {one for one, (parent, _) in told.items() if parent in ours} - ours:
        ours |= found
        total += sum(told[one][1] for one in found)
    return total


Times = Iterator[tuple[str, Wait]]


def opening(page: Any, address: str) -> Times:
    """Each page, from the menu."""
    page.goto(address)
    still(page)
    while True:
        for _, name, _, path in [*PAGES[1:], PAGES[0]]:
            ours = "" if path == "start" else path
            link = page.locator(f"[data-testid$=NavLink][href$='/{ours}']").first
            if link.bounding_box()["x"] < 0:
                page.get_by_test_id("stExpandSidebarButton").click()
                page.wait_for_timeout(500)  # the menu comes in
            yield f"open {name}", waited(page, link.click)


def judging(page: Any, address: str) -> Times:
    """A wound without a photo: questions are given their first answer, in most rounds one of them; then one starts over."""
    page.goto(f"{address}/wound")
    still(page)
    start_over = page.get_by_role("button", name="Start over")
    for most in cycle((1, 1, 1, 99)):
        for _ in range(most):
            page.locator(".answers button >> visible=true").or_(start_over).first.wait_for()
            first, several = page.locator(".answers button").first, page.locator(".answers .done")
            if not first.is_visible():
                break
            # where several may hold, a press on one only marks it
            asked = page.locator(".answers [data-key='?']") if several.is_visible() else first
            yield "answer a question", waited(page, asked.click)
        yield "start over", waited(page, start_over.click)


def tapping(page: Any, address: str) -> Times:
    """A photo, and taps to and fro on the twig that it shows."""
    page.goto(f"{address}/wound")
    page.locator("input[type=file]").first.set_input_files(str(PHOTOS / "twig_on_card" / "IMG_0016.jpg"))
    page.locator(".now").wait_for(timeout=60_000)
    page.get_by_text("Figures, or another place").click()
    picture = page.get_by_alt_text("IMG_0016.jpg: tap the wound")
    picture.scroll_into_view_if_needed()
    still(page)
    for number in count():
        box, shift = picture.bounding_box(), 0.002 * (number % 40)  # never the same place twice: what was measured is kept
        marks = [(at["x"] + at["width"] / 2 - box["x"], at["y"] + at["height"] / 2 - box["y"])
                 for at in (mark.bounding_box() for mark in page.locator(".mark").all())]
        places = [((x + shift) * box["width"], y * box["height"]) for y in (0.3, 0.75) for x in (0.15, 0.45, 0.75)]
        x, y = next(place for place in places if all(dist(place, mark) > _MARK for mark in marks))
        yield "tap another place on a photo", waited(page, partial(picture.click, position={"x": x, "y": y}))


def reading(page: Any, address: str) -> Times:
    """The log: filtered by one verdict and by another, and from one observation to the next."""
    page.goto(f"{address}/log")
    still(page)
    while True:
        for place in (1, 2, 0):
            page.locator("h1").scroll_into_view_if_needed()
            page.wait_for_timeout(900)  # a list that has just come down is folded by scrolling
            page.get_by_label("Verdict").first.click()
            option = page.get_by_role("option").nth(place)
            option.wait_for()
            yield "filter the log", waited(page, option.click)
            yield "go to the next observation", waited(page, page.get_by_role("button", name="Older").click)


def answering(page: Any, address: str) -> Times:
    """The inbox: the next and the one before are opened, put off, and put back."""
    page.goto(f"{address}/inbox")
    still(page)
    later = page.get_by_role("button", name="Put off").or_(page.get_by_role("button", name="Later")).first
    asked = page.get_by_role("button", name="That is what I say")  # of one in five, before its letter shows
    while True:
        for name in ("Next", "Previous"):
            yield "open an inbox entry", waited(page, page.get_by_role("button", name=name).click)
        if asked.is_visible():
            asked.click()
            later.wait_for()
            still(page)
        yield "put off an inbox entry", waited(page, later.click)
        yield "undo it", waited(page, page.get_by_role("button", name="Undo the last answer").click)


def ticking(page: Any, address: str) -> Times:
    """Upkeep: the barriers of one work are ticked off together; it stays due, since they are only looked at."""
    page.goto(f"{address}/upkeep")
    still(page)
    page.get_by_text("Tick off several at once").click()
    page.wait_for_timeout(900)  # a list that has just come down is folded by scrolling
    page.get_by_label("Which work").click()
    page.get_by_role("option").nth(1).click()
    still(page)
    while True:
        yield "tick off upkeep", waited(page, page.get_by_role("button", name="Save these checks").click)


def planning(page: Any, address: str) -> Times:
    """A planting: the share of trees that is wanted, up and down."""
    page.goto(f"{address}/planting")
    still(page)
    page.get_by_text("Change what you want, and where").click()
    wanted = page.get_by_role("slider", name="Trees alive at the end")
    wanted.focus()
    still(page)
    while True:
        for key in ["ArrowRight"] * 4 + ["ArrowLeft"] * 8 + ["ArrowRight"] * 4:
            yield "change a plan's aim", waited(page, partial(page.keyboard.press, key))


def surveying(page: Any, address: str) -> Times:
    """A survey: its parts, one after the other."""
    page.goto(f"{address}/survey")
    still(page)
    while True:
        for name in ("Fill in the tally", "Where to put plots", "Results"):
            yield f"survey: {name}", waited(page, page.get_by_role("radio", name=name).click)


def choosing(page: Any, address: str) -> Times:
    """A survey's results: another visit, another country's targets, a target of one's own, and the report."""
    page.goto(f"{address}/survey")
    still(page)
    page.get_by_text("Planting, target and plan", exact=True).click()
    still(page)

    def pick(label: str, place: int) -> Wait:
        box = page.get_by_role("combobox", name=label)
        box.scroll_into_view_if_needed()
        page.wait_for_timeout(900)  # a list that has just come down is folded by scrolling
        box.click()
        option = page.get_by_role("option").nth(place)
        option.wait_for()
        return waited(page, option.click)

    own = page.get_by_label("Your own target")
    for turn in count():
        yield "survey: choose a visit", pick("Visit", 1 - turn % 2)
        yield "survey: choose a country", pick("Published targets of", 1 + turn % 3)
        own.fill(f"{1000 + turn}/ha")
        yield "survey: set a target", waited(page, partial(own.press, "Tab"))
        yield "survey: report as PDF", handed(page, "Report as PDF")


def handed(page: Any, button: str) -> Wait:
    """As `waited`, for a file: until the browser has it.

    Parameters
    ----------
    page
        Of the browser [no unit].
    button
        Its name [no unit].
    """
    before, begun = processor_s(), perf_counter()
    with page.expect_download(timeout=_LONGEST_MS) as coming:
        page.get_by_role("button", name=button).click()
    coming.value.path()
    return perf_counter() - begun, processor_s() - before


def tallying(page: Any, address: str) -> Times:
    """A tally: a plot, then a tree with its height and an answer, and the next one."""
    page.goto(f"{address}/survey")
    still(page)
    page.get_by_role("radio", name="Fill in the tally").click()
    still(page)
    planting = page.get_by_label("Planting")
    planting.fill("the demonstration's own")
    planting.press("Tab")
    still(page)
    for turn in count():
        for label, words in (("Plot, as on the stake", f"P{turn // 3}"), ("Tree: tag", str(turn % 3 + 1)),
                             ("Height of the live tip", "60")):
            field = page.get_by_label(label)
            field.fill(words)
            yield f"tally: {label}", waited(page, partial(field.press, "Tab"))
        bitten = page.get_by_role("radiogroup", name="Leader bitten this year").get_by_text("yes", exact=True)
        yield "tally: bitten", waited(page, bitten.click)
        yield "tally: save a tree", waited(page, page.get_by_role("button", name="Save this tree").click)


def laying(page: Any, address: str) -> Times:
    """A layout of plots: another radius, another start, and the papers."""
    page.goto(f"{address}/survey")
    still(page)
    page.get_by_role("radio", name="Where to put plots").click()
    page.get_by_role("button", name="Tally sheets").wait_for()
    still(page)
    radius = page.get_by_label("Radius of a plot")
    for turn in count():
        radius.fill(f"{3.9 + 0.01 * (turn % 20):.2f}")
        yield "layout: radius", waited(page, partial(radius.press, "Tab"))
        yield "layout: another start", waited(page, page.get_by_role("button", name="Draw another random start").click)
        yield "layout: tally sheets", handed(page, "Tally sheets")
        yield "layout: GPX", handed(page, "Plots as GPX")


# with the action that comes last in each
WORKS = {opening: "open Start", judging: "start over", tapping: "tap another place on a photo",
         reading: "go to the next observation", answering: "undo it", ticking: "tick off upkeep",
         planning: "change a plan's aim", surveying: "survey: Results", choosing: "survey: report as PDF",
         tallying: "tally: save a tree", laying: "layout: GPX"}


def measured(browser: Any, address: str, work: Callable[[Any, str], Times], runs: int, wide: bool) -> dict[str, list[Wait]]:
    """Waits of each action of a work [s], until each was done so many times.

    Parameters
    ----------
    browser
        That is driven [no unit].
    address
        Of the app [no unit].
    work
        One of WORKS [no unit].
    runs
        How many times [no unit].
    wide
        At a desk's width, or at a phone's? [no unit]
    """
    width, height = SIZES[wide]
    page = browser.new_page(viewport={"width": width, "height": height})
    page.set_default_timeout(_LONGEST_MS)
    times: dict[str, list[Wait]] = defaultdict(list)
    for name, wait in work(page, address):
        times[name].append(wait)
        if len(times[WORKS[work]]) >= runs:
            break
    page.close()
    return dict(times)


def main() -> None:
    """Prints the table."""
    asked = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    asked.add_argument("--runs", type=int, default=30, help="how many times each action is done")
    asked.add_argument("--wide", action="store_true", help="at a desk's width instead of a phone's")
    asked.add_argument("--only", nargs="+", default=[work.__name__ for work in WORKS], help="some of the works")
    told = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log"
        log.mkdir()
        put_in_use(log)
        begun = os.getloadavg()[0]
        print(f"| action, {told.runs} times each | median | 90 % | longest | processor [s] |")
        print("| --- " * 5 + "|", flush=True)
        with served(log) as (address, _), sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox", "--disable-gpu"])
            for work in WORKS:
                if work.__name__ in told.only:
                    for name, some in measured(browser, address, work, told.runs, told.wide).items():
                        middle, most, longest = np.percentile([wait for wait, _ in some], [50, 90, 100])
                        busy = np.median([one for _, one in some])
                        print(f"| {name} | {middle:.2f} | {most:.2f} | {longest:.2f} | {busy:.2f} |", flush=True)
            browser.close()
        print(f"\n{platform.machine()}, {os.cpu_count()} cores; load {begun:.1f} before, {os.getloadavg()[0]:.1f} after, "
              f"{SIZES[told.wide][0]} px wide")


if __name__ == "__main__":
    main()
