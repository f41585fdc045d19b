"""What several tests share: the reference pictures, a served app, a real browser."""

from __future__ import annotations

import gc
import os
import shutil
import socket
import ssl
import subprocess
import sys
import tempfile
import time
import urllib.request
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from diagnose.demo import lay
from diagnose.fieldlog.store import open_log
from diagnose.inbox.work import judge, measure, take_in
from tests.app_ready import started

TOP = Path(__file__).parent.parent
PHOTOS = TOP / "reference_cases" / "photos"
# of the browser's window; most users hold a phone, so each commit is tried there
WIDTHS = [pytest.param((1280, 900), marks=pytest.mark.slow), (360, 740)]
FIRST_SCREEN_WORDS = 120  # as many as are read at a glance; our choice
# words that show on the screen, without the bar at the top, the menu and the lettering of charts
WORDS = """() => {
    const walk = (node, found) => {
        for (const child of node.childNodes) {
            if (child.nodeType === 3 && child.textContent.trim() && !node.closest?.('style, script')
                && (node.checkVisibility?.() ?? true)) {
                const range = document.createRange(); range.selectNodeContents(child);
                const at = range.getBoundingClientRect();
                if (at.height && at.top < innerHeight && at.bottom > 56 && at.right > 0
                    && !node.closest?.('svg, [data-testid=stSidebar], [data-testid=stExpanderIcon], '
                                       + '[data-testid=stIconMaterial]'))
                    found.push(...child.textContent.trim().split(/\\s+/));
            } else if (child.nodeType === 1) walk(child.shadowRoot || child, found);
        }
        return found;
    };
    return walk(document.body, []).length;
}"""
# page -> what answers on it
ANSWERS = {
    "start": "a[href*=wound]", "planting": ".verdict", "upkeep": ".verdict", "survey": ".verdict",
    "log": "[data-testid=stMarkdownContainer] p:has(strong)", "inbox": "[data-testid=stDataFrame]",
}
# no deadline, since a busy machine is no fault of what is tested; cases that are slow to draw are told all the same
settings.register_profile("house", deadline=None)
settings.load_profile("house")
os.environ["DIAGNOSE_SETTINGS"] = os.path.join(os.devnull, "none")  # nobody's own settings change what is tested


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """Keeps the collector from looking through what test files import, which stays: it took a quarter of the time."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


# files that take long, begun first, so that none keeps one worker busy alone at the end; those that wait for a browser stand
# between those that reckon
LONG = (
    "access", "inbox_work", "app_inbox", "honest_figures", "app_survey", "broken", "strangers_words", "pocket_equal",
    "app", "free_end", "app_frame", "guides", "first_screen", "bark_patch", "pocket", "installed", "app_log", "eye_collage",
    "pocket_served", "decode", "door", "kill_works", "app_upkeep", "eye_train", "weak_link", "kill", "reach", "cli",
    "pocket_firefox", "merge", "app_plan", "fit", "notebooks", "pocket_day", "ask", "bark_round", "inbox_mail",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The long files first, the others in their own order."""
    place = {f"test_{name}.py": at for at, name in enumerate(LONG)}
    items.sort(key=lambda item: place.get(item.path.name, len(LONG)))


def missing(what: str) -> None:
    """Skips the test, or fails it where everything was promised to be installed."""
    if os.environ.get("DIAGNOSE_NEEDS_ALL"):
        pytest.fail(f"{what} is missing although DIAGNOSE_NEEDS_ALL is set")
    pytest.skip(f"{what} is not installed")


def chromium() -> str | None:
    """The browser that pages are tried in: Chromium without its windows, which takes half the time, or else the whole."""
    names = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
    return next((found for name in names if (found := shutil.which(name))), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    program = chromium()
    if program is None:
        missing("a Chromium browser")
    from playwright.sync_api import sync_playwright

    quiet = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--disable-sync",
             # what the engine does in threads of its own costs a tenth of the processor time, and makes nothing quicker here
             "--js-flags=--single-threaded"]
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=program, args=quiet)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def page(browser: Any) -> Iterator[Any]:
    """One page for all that a module opens (see `as_new`): what a browser has read once it need not read again."""
    page = browser.new_page()
    yield page
    page.close()


def as_new(page: Any, size: tuple[int, int], scheme: str = "light") -> None:
    """Makes a page what it is on a device that has begun nothing. size : of its window, width and height [px]."""
    page.evaluate("() => { try { localStorage.clear(); sessionStorage.clear(); } catch { /* an empty page has none */ } }")
    page.goto("about:blank")  # what was open may say no more
    page.context.clear_cookies()
    page.mouse.move(0, 0)
    page.emulate_media(media="null", color_scheme=scheme)
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.set_default_timeout(30_000)


def made_once(tmp_path_factory: pytest.TempPathFactory, name: str, make: Callable[[Path], Any]) -> Path:
    """A folder that the first worker of a run who asks makes, and that the others wait for; nobody may change it."""
    shared = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        shared = shared.parent  # of all workers
    folder, done = shared / name, shared / f"{name}.done"
    try:
        folder.mkdir()
    except FileExistsError:
        until = time.monotonic() + 300
        while not done.exists():
            if time.monotonic() > until:
                pytest.fail(f"another worker has not made {name} within 300 s")
            time.sleep(0.2)
        return folder
    make(folder)
    done.touch()
    return folder


def put_in_use(folder: Path) -> None:
    """Puts the invented planting there, its letters taken in, measured and judged."""
    lay(folder)
    log = open_log(folder)
    take_in(log, folder / "inbox")
    measure(log, workers=1)
    judge(log, "east", workers=1)


@pytest.fixture(scope="module")
def planting_in_use(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of the module's own with the invented planting, its letters taken in, measured and judged."""
    made = made_once(tmp_path_factory, "planting", put_in_use)
    return Path(shutil.copytree(made, tmp_path_factory.mktemp("planting") / "log"))


@contextmanager
def served(log: Path, *options: str, start_in: Path = TOP, settings: Path | None = None) -> Iterator[tuple[str, str]]:
    """The app served on a free port: its address, and what it said while starting. start_in : where its secrets lie.
    settings : the settings file; none is read without it."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    told = log.parent / f"{log.name}.{port}.txt"
    around = os.environ | {"PYTHONPATH": str(TOP)} | ({} if settings is None else {"DIAGNOSE_SETTINGS": str(settings)})
    words = ["app", "--port", str(port), "--log", str(log), *options]
    running: Any
    if options or start_in != TOP:  # as a person starts it
        with told.open("w") as out:
            running = subprocess.Popen([sys.executable, "-m", "diagnose.cli", *words], cwd=start_in, env=around, stdout=out,
                                       stderr=subprocess.DEVNULL)
        runs, ended = lambda: running.poll() is None, running.wait
    else:
        running = started(words, told, around)
        runs, ended = running.is_alive, running.join
    https = "--https" in options
    address = f"http{'s' if https else ''}://127.0.0.1:{port}"
    unchecked = ssl._create_unverified_context() if https else None  # only whether it is up is asked
    try:
        until = time.monotonic() + 120  # a few seconds; minutes where the machine is very busy
        while time.monotonic() < until:
            if not runs():
                pytest.fail("the app stopped while starting")
            try:
                with urllib.request.urlopen(f"{address}/_stcore/health", timeout=1, context=unchecked) as answer:
                    if answer.status == 200:
                        break
            except OSError:
                time.sleep(0.2)
        else:
            pytest.fail("the app did not start within 120 s")
        yield address, told.read_text()
    finally:
        running.terminate()
        ended(timeout=30)


@pytest.fixture(scope="module")
def in_use(planting_in_use: Path) -> Iterator[str]:
    """Address of an app whose log holds the invented planting, letters and all."""
    with served(planting_in_use) as (address, _):
        yield address


def drawn(page: Any, begun_ms: int = 500) -> None:
    """Waits until a page is drawn. begun_ms : by then the server has begun with what was asked for last [ms]."""
    page.wait_for_timeout(begun_ms)
    page.locator('[data-testid="stApp"][data-test-script-state="notRunning"]').wait_for(timeout=60_000)


def unfold(page: Any, folded: str = "details") -> int:
    """Opens all that is folded away and can be seen, at once, so that the page is drawn anew once; returns how many parts.

    They are pressed without going there: a page of 80 screens is drawn anew on the way.
    """
    opened: int = page.evaluate("""folded => {
        const closed = [...document.querySelectorAll(`${folded}:not([open]) > summary`)]
            .filter(one => one.checkVisibility() && one.getBoundingClientRect().height > 0);
        closed.forEach(one => one.click());
        return closed.length;
    }""", folded)
    if opened:
        drawn(page)
    return opened


def still(page: Any) -> None:
    """Waits until nothing that stands on the page has changed for three quarters of a second."""
    before, since = "", 0
    for _ in range(120):
        page.wait_for_timeout(250)
        now = page.locator("body").inner_text()
        before, since = now, since + 1 if now == before else 0
        if since == 3:
            return
    pytest.fail("the page goes on changing")


def on_first_screen(page: Any, answer: str, height: int) -> bool:
    """Does what answers on a page stand on a screen of that height [px], whole or with its first 120 px?"""
    box = page.locator(f"{answer} >> visible=true").first.bounding_box(timeout=60_000)
    return bool(box["y"] >= 0 and min(box["y"] + box["height"], box["y"] + 120) <= height)


@pytest.fixture(scope="session")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """Address of the served app, and the folder of its log."""
    log = tmp_path_factory.mktemp("log")
    with served(log) as (address, _):
        yield address, log


@pytest.fixture(scope="session")
def postgresql(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a PostgreSQL server of our own, which listens on a socket in a folder and nowhere else."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb")) if sys.platform == "linux" else []
    if not found:
        missing("PostgreSQL (Debian: apt-get install postgresql)")
    programs, place = found[-1].parent, Path(tempfile.mkdtemp(prefix="pg-"))
    as_root = os.geteuid() == 0  # the server refuses to run as root
    if as_root:
        shutil.chown(place, "postgres")
    start = ["runuser", "-u", "postgres", "--"] if as_root else []

    def run(*command: str) -> None:
        subprocess.run([*start, *command], check=True, cwd="/", stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    run(str(programs / "initdb"), "-D", str(place / "data"), "-U", "postgres", "-A", "trust", "--no-sync", "-E", "UTF8")
    settings = f"-k {place} -c listen_addresses= -c fsync=off"
    run(str(programs / "pg_ctl"), "-D", str(place / "data"), "-w", "-l", str(place / "said"), "-o", settings, "start")
    try:
        yield f"postgresql+psycopg://postgres@/postgres?host={place}"
    finally:
        run(str(programs / "pg_ctl"), "-D", str(place / "data"), "-m", "immediate", "stop")
        shutil.rmtree(place, ignore_errors=True)


@pytest.fixture(params=["folder", "server"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[str], str]]:
    """Gives a new log's place for each name: a folder, or a schema of its own on a PostgreSQL server."""
    if request.param == "folder":
        yield lambda name: str(tmp_path / name)
        return
    from sqlalchemy import create_engine, text

    url = request.getfixturevalue("postgresql")
    engine = create_engine(url)
    made: dict[str, str] = {}

    def schema(name: str) -> str:
        if name not in made:
            made[name] = f"s{uuid.uuid4().hex}"
            with engine.begin() as connection:
                connection.execute(text(f"create schema {made[name]}"))
        return f"{url}&options=-csearch_path%3D{made[name]}"

    yield schema
    engine.dispose()


def words_of(pdf: bytes) -> str:
    """What an independent reader finds written in a PDF, page after page."""
    from io import BytesIO

    from pypdf import PdfReader

    return "\n".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages)
