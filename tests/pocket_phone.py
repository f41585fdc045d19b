"""A phone's page for tests: a planting with trees, barriers due and a page made of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

from diagnose.fieldlog.store import open_log
from diagnose.pocket.page import write_pocket
from diagnose.survey.from_log import enter
from diagnose.upkeep.register import register

SITE = "North slope <b>1</b>"  # words of people are never markup
# of somebody who stands before a twig that a cottontail bit off
RABBIT = {"What happened to the plant?": "a shoot or twig is cut or torn off", "How does the cut end look?":
          "clean all across, as with a knife", "How does the cut lie across the shoot?":
          "clearly slanting, about half a right angle or more", "Where on the plant is the damage?": "up to the knee",
          "What is it like round the plant?": "brush, hedge or wood within a few steps",
          "How big is the plant?": "up to knee high", "When did it happen?": "winter"}


def make_page(folder: Path, site: str = SITE) -> Path:
    """The file of the page, beside the log that it was made from."""
    log = open_log(folder / "log")
    for tag in ("T1", "T2", "T3"):
        register(log, "cage", site=site, plant=tag, inner_mm=300, built=date(2023, 4, 2), species="oak", lat=44.2, lon=-72.8)
    trees = [{"site": site, "visit": "2025-10-03", "plot": plot, "tree": tag, "species": species, "height_cm": height,
              "protection": "cage", "browsed": "0"}
             for plot, tag, species, height in (
                 ("P1", "07", "oak", "41"), ("P1", "08", "oak", "38"), ("P2", "01", "ash", "55"))]
    assert enter(log, trees) == (3, [])
    write_pocket(folder / "pocket.html", site, "US-VT", str(folder / "log"), date(2026, 11, 28))
    return folder / "pocket.html"


@contextmanager
def served_file(file: Path) -> Iterator[int]:
    """The port at which the folder of the file is served over plain http."""

    class Quiet(SimpleHTTPRequestHandler):
        def log_message(self, *_words: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(file.parent)))
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def opened(page: Any, address: str) -> Any:
    """The page, ready to be used."""
    page.goto(address, timeout=90_000)  # a busy machine makes the page slowly
    page.get_by_text("What do you want to do?").wait_for(timeout=30_000)
    return page


def press(page: Any, words: str, exact: bool = True) -> None:
    page.get_by_role("button", name=words, exact=exact).first.click()


def step_of(page: Any) -> str:
    return str(page.locator("main h2").inner_text())
