"""Words from elsewhere stand as they are on pages, papers and the terminal, and make nobody fetch anything."""

from __future__ import annotations

import io
import re
import sys
import threading
from collections.abc import Callable, Iterator
from datetime import date
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diagnose.cli import main
from diagnose.diagnosis import diagnose_photo
from diagnose.fieldlog import save_diagnosis
from diagnose.fieldlog.store import Log, open_log
from diagnose.inbox.queue import waiting
from diagnose.inbox.work import judge, measure, take_in
from diagnose.report import notebook
from diagnose.report.due_list import due_pdf
from diagnose.report.layout_map import layout_pdf
from diagnose.report.letters import as_pdf, write_letters
from diagnose.report.metal_sheet import metal_pdf
from diagnose.report.proof_sheet import proof_pdf
from diagnose.report.survey_report import survey_html, survey_pdf
from diagnose.report.tag_labels import labels_pdf
from diagnose.report.tally_sheet import tally_sheet_pdf
from diagnose.survey.boundary import from_geojson
from diagnose.survey.from_log import enter, survey_table
from diagnose.survey.summary import summarise
from diagnose.terminal import printable, without_control_codes
from diagnose.upkeep.due import due_of
from diagnose.upkeep.metal import metal
from diagnose.upkeep.proof import proof
from diagnose.upkeep.register import check, register
from diagnose.upkeep.standing import standing
from tests.conftest import PHOTOS, TOP, drawn, served, unfold

CARD = PHOTOS / "twig_on_card" / "IMG_0016.jpg"
ESCAPES = "\x1b[2J\x1b]0;taken over\x07\x9b31m\u202e"
SQUARE = {"type": "Polygon", "coordinates": [[[-71.20, 46.80], [-71.19, 46.80], [-71.19, 46.81], [-71.20, 46.80]]]}


@pytest.fixture(scope="module")
def listener() -> Iterator[tuple[int, list[str]]]:
    """A port of this machine, and whatever was asked for there."""
    asked: list[str] = []

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(404)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield server.server_port, asked
    server.shutdown()


def _markup(port: int) -> str:
    there = f"http://127.0.0.1:{port}"
    return (f"![x]({there}/md) <img src='{there}/img'> [a](javascript:alert`1`) [b]({there}/link) $\\frac{{1}}{{2}}$ "
            f":red[hot] :smile: {there}/bare")


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory, listener: tuple[int, list[str]]) -> Log:
    """A log in which every text field holds markup."""
    words = _markup(listener[0])
    log = open_log(tmp_path_factory.mktemp("words") / "log")
    found = diagnose_photo(CARD.read_bytes(), f"{words}.jpg")
    saved = save_diagnosis(log, found, site=words, plot=words, plant=words, species=words, note=words, by=words, lat=46.8,
                           lon=-71.2, error_m=5.0)
    log.correct(saved.id, words, note=f"{words} again", named="hare")
    log.save("site", name=words, boundary=SQUARE, note=words)
    log.save_many("plot", [{"site": words, "name": f"{words}{plot}", "area_m2": 50.0} for plot in range(6)])
    entries = [{"site": words, "visit": "2026-05-01", "plot": f"{words}{plot}", "tree": str(tree), "species": words,
                "protection": words if tree % 3 == 0 else "", "height_cm": "60",
                "browsed": str(int((plot + tree) % 4 == 0)),
                "note": words} for plot in range(6) for tree in range(8)]
    assert enter(log, entries, words) == (48, [])
    told = dict.fromkeys(("site", "plant", "label", "species", "material", "note", "by"), words)
    barrier = register(log, "cage", **told, built="2019-04-01", inner_mm=100.0, height_mm=1200.0, lat=46.8, lon=-71.2,
                       error_m=5.0)
    check(log, barrier, "leaning", date(2026, 4, 1), words, note=words, stem_diameter_mm=50.0)
    mail = EmailMessage()
    mail["From"], mail["Subject"], mail["Message-ID"] = f'"{words.replace(chr(92), "")}" <a@example.org>', words, "<1@x>"
    mail.set_content(f"Something cut it off about 20 cm up {words}, in snow.")
    mail.add_attachment(CARD.read_bytes(), "image", "jpeg", filename=f"{words.replace('/', '|')}.jpg")
    folder = tmp_path_factory.mktemp("mail")
    (folder / "a.eml").write_bytes(mail.as_bytes())
    take_in(log, folder)
    measure(log, workers=1)
    judge(log, workers=1)
    return log


PAGES = ("log", "inbox", "survey", "upkeep", "planting", "settings", "", "wound", "send")
PARTS = {"survey": ("Results", "Fill in the tally", "Where to put plots"),
         "upkeep": ("Due", "Enter a check", "Register", "Metal", "Did it hold?")}
FOLDED = {"log": 6, "inbox": 2, "survey": 6, "upkeep": 6, "planting": 15, "wound": 5}  # parts that are opened at least


@pytest.fixture(scope="module")
def address(log: Log) -> Iterator[str]:
    with served(Path(log.where)) as (address, _):
        yield address


def _nothing_is_set(page: Any, port: int) -> None:
    drawn(page)
    page.wait_for_timeout(300)  # what was drawn would be fetched by now
    _harmless(page, port)


def _harmless(page: Any, port: int) -> None:
    assert page.locator("[data-testid=stException]").count() == 0
    assert page.locator(f"img[src*='127.0.0.1:{port}'], a[href*='127.0.0.1:{port}'], a[href^='javascript']").count() == 0
    assert page.locator(".katex, .stMarkdownColoredText, .stMarkdownBadge").count() == 0
    assert "\N{SMILING FACE WITH OPEN MOUTH AND SMILING EYES}" not in page.locator("body").inner_text()


def _open_all(page: Any) -> int:
    """Opens whatever is folded away, and what is folded away in it; returns how many parts."""
    opened = 0
    while opened < 40 and (more := unfold(page, "[data-testid=stExpander] details")):
        opened += more
    return opened


def _shown(page: Any, words: str) -> bool:
    return words[:40] in " ".join(page.locator("body").inner_text().replace("\u2060", "").split())


@pytest.fixture(scope="module")
def page(browser: Any) -> Iterator[Any]:
    """A page for which the browser's own rules are put aside: the words alone must do no harm."""
    with browser.new_context(viewport={"width": 1280, "height": 900}, bypass_csp=True) as context:
        yield context.new_page()


@pytest.mark.parametrize("path", PAGES)
def test_no_page_sets_links_or_fetches_what_strangers_wrote(
    page: Any, address: str, listener: tuple[int, list[str]], path: str
) -> None:
    port, asked = listener
    words = _markup(port)
    page.goto(f"{address}/{path}")
    page.locator("h1").first.wait_for(timeout=60_000)
    _nothing_is_set(page, port)
    if path == "inbox":  # one submission in five is to be named before its verdict is shown
        name_first = page.get_by_role("button", name="That is what I say")
        name_first.or_(page.locator("[data-testid=stExpander]")).filter(visible=True).first.wait_for(timeout=60_000)
        if name_first.count():
            name_first.click()
            drawn(page)
    if path == "wound":
        page.locator("input[type=file]").first.set_input_files(
            [{"name": f"{words.replace('/', '|')}.jpg", "mimeType": "image/jpeg", "buffer": data}
             for data in (CARD.read_bytes(), b"none")])
        page.locator(".verdict").first.wait_for(timeout=60_000)
    if path == "planting":
        page.get_by_text("Change what you want, and where").click()
        page.get_by_text("Wounds in the log", exact=True).click()
    opened = 0
    for part in PARTS.get(path, ("",)):
        if part:
            page.get_by_role("radio", name=part).or_(page.get_by_role("button", name=part)).first.click()
            drawn(page)
        opened += _open_all(page)
        _nothing_is_set(page, port)
        for chosen in range(page.locator("[data-testid=stSelectbox]").filter(visible=True).count()):
            page.locator("[data-testid=stSelectbox]").filter(visible=True).nth(chosen).click()
            page.wait_for_timeout(200)  # the browser shows the list by itself
            _harmless(page, port)
            page.keyboard.press("Escape")
    told = path in ("log", "inbox", "upkeep")
    for _ in range(40):  # a busy machine draws the page late
        if opened >= FOLDED.get(path, 0) and (not told or _shown(page, words)):
            break
        page.wait_for_timeout(500)
        opened += _open_all(page)
    _nothing_is_set(page, port)
    assert opened >= FOLDED.get(path, 0)
    assert not told or _shown(page, words)
    assert asked == []


def _papers() -> set[str]:
    """The names of all functions that make a paper with words."""
    rooms = (TOP / "diagnose" / "report").glob("*.py")
    return {name for file in rooms for name in re.findall(r"^def (\w*_pdf)\(", file.read_text("utf-8"), re.M)}


def test_no_letter_and_no_paper_fetches_or_links_what_strangers_wrote(
    log: Log, listener: tuple[int, list[str]], tmp_path: Path
) -> None:
    words = _markup(listener[0])
    there = standing(log)
    items = due_of(there, date(2026, 6, 1))
    assert any(words[:20] in item.label or words[:20] in item.site for item in items)
    survey = summarise(survey_table(log, words))
    ground = from_geojson(SQUARE)
    made: list[Callable[[], bytes]] = [
        lambda: due_pdf(items, date(2026, 6, 1), words), lambda: metal_pdf(metal(log), words), lambda: survey_pdf(survey),
        lambda: tally_sheet_pdf(words, (words, "2")), lambda: as_pdf(words, words, head=words[:70], foot=words[:70]),
        lambda: layout_pdf(ground, np.array(ground.metres.representative_point().coords), words),
        lambda: labels_pdf([words[:40]], words), lambda: proof_pdf(proof(log), words)]
    no_words = {"plan_pdf"}  # every name in a plan is one of the catalogue's own
    assert {name for each in made for name in each.__code__.co_names if name.endswith("_pdf")} == _papers() - no_words
    papers = [each() for each in made]
    pages = [survey_html(survey).encode(), notebook.survey_html(survey).encode(),
             notebook.diagnosis_html(diagnose_photo(CARD.read_bytes(), words)).encode()]
    for ending, kind in (("txt", None), ("html", pages), ("pdf", papers)):
        for file in write_letters(log, tmp_path, waiting(log), ending):
            if kind is not None:
                kind.append(file.read_bytes())
    for paper in papers:
        assert paper.startswith(b"%PDF") and b"/URI" not in paper and b"/Link" not in paper
    for page in pages:
        assert b"<img src='" not in page and b'href="javascript' not in page and b"&lt;img src=" in page
    assert listener[1] == []


def test_the_terminal_obeys_no_word_from_elsewhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = open_log(tmp_path / "log")
    log.save_observation(site=f"slope{ESCAPES}", plant=f"7{ESCAPES}", leading="hare")
    log.save("submission", key="1", about=f"oak{ESCAPES}", pile="ready", why=f"clear{ESCAPES}")
    where = str(tmp_path / "log")
    assert main(["log", "list", "--log", where]) == 0
    assert main(["inbox", "list", "--log", where]) == 0
    assert main(["log", "show", f"none{ESCAPES}", "--log", where]) == 2
    told = capsys.readouterr()
    assert "slope" in told.out and "oak" in told.out and "none" in told.err
    for code in "\x1b\x07\x9b\u202e":
        assert code not in told.out + told.err
    assert "taken over" not in told.out + told.err


def test_umlauts_tabs_and_line_feeds_are_printed_as_they_are() -> None:
    assert printable("Löwe\t1\n€ \N{DEGREE SIGN}") == "Löwe\t1\n€ \N{DEGREE SIGN}"
    assert printable("a\x1b[31;1mb\x1b[0mc\rd\x08e") == "abcde"


@pytest.mark.parametrize(("encoding", "shown"), [("ascii", "37 +/- 1 deg \\u6728"), ("cp1252", "37 ± 1° \\u6728"),
                                                 ("utf-8", "37 ± 1° 木")])
def test_a_letter_that_a_terminal_lacks_stops_nothing(encoding: str, shown: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Python's own encodings; a byte that is no text in a file's name comes as PEP 383 says and goes out as that byte."""
    out = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(out, encoding))
    with without_control_codes():
        print("37 ± 1° 木", end="")
        print("\udcff", end="", flush=True)
    assert out.getvalue() == shown.encode(encoding) + b"\xff"
