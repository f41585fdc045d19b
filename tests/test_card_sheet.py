"""The printed card and staff have their true size: told from the PDF's own drawing orders."""

from __future__ import annotations

import base64
import re
import zlib
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest

from diagnose.cannot_use import CannotUse
from diagnose.photo.exif import Taken
from diagnose.photo.layouts import CARD, STAFF, Layout
from diagnose.photo.picture import Picture
from diagnose.photo.plane import find_card
from diagnose.report.card_sheet import card_and_staff, print_scale, write_card_sheet

MM = 25.4 / 72  # of a point: the unit of PDF, ISO 32000-1, 8.3.2.3
NUMBER = r"(-?[\d.]+)"


def pages(pdf: bytes) -> list[str]:
    """The drawing orders of each page, as text."""
    found = []
    for body in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL):
        text = body.strip()
        plain = zlib.decompress(
            base64.a85decode(text, adobe=False) if not text.endswith(b"~>") else base64.a85decode(text[:-2])
        )
        found.append(plain.decode("latin-1"))
    return found


def boxes(page: str) -> list[tuple[float, float, float, float, float]]:
    """Filled rectangles: x, y (upwards), width, height [mm], grey 0 to 1."""
    grey, found = 0.0, []
    for line in page.splitlines():
        if shade := re.search(rf"{NUMBER} g$", line.strip()) or re.search(
            rf"{NUMBER} {NUMBER} {NUMBER} rg", line
        ):
            grey = float(shade[1])
        if box := re.search(rf"{NUMBER} {NUMBER} {NUMBER} {NUMBER} re f", line):
            x, y, width, height = (float(each) * MM for each in box.groups())
            found.append((x, y, width, height, grey))
    return found


def lines(page: str) -> np.ndarray:
    """Stroked lines (n, 4): x0, y0, x1, y1 [mm]."""
    found = re.findall(rf"{NUMBER} {NUMBER} m {NUMBER} {NUMBER} l S", page)
    return np.array(found, float) * MM


def inked(page: str, paper: tuple[float, float], fine: float) -> np.ndarray:
    """The page's filled rectangles as ink on white, `fine` pixels a millimetre, uint8 grey."""
    over = 4
    sheet = np.full((round(paper[1] * fine * over), round(paper[0] * fine * over)), 255, np.uint8)
    for x, y, width, height, grey in boxes(page):
        left, right = round(x * fine * over), round((x + width) * fine * over)
        upper, lower = round((paper[1] - y - height) * fine * over), round((paper[1] - y) * fine * over)
        sheet[upper:lower, left:right] = round(255 * grey)
    return cv2.resize(sheet, (sheet.shape[1] // over, sheet.shape[0] // over), interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize(("paper", "size"), [("A4", (210.0, 297.0)), ("Letter", (215.9, 279.4))])
def test_the_printed_card_is_found_at_its_true_size(paper: str, size: tuple[float, float]) -> None:
    pdf = card_and_staff(paper)
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+)", pdf)
    assert box and [float(each) * MM for each in box.groups()] == pytest.approx(list(size), abs=0.02)
    fine = 6.0
    grey = inked(pages(pdf)[0], size, fine)
    seen = Picture(
        "page", (grey.shape[1], grey.shape[0]), b"", 1, Taken(), cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    )
    plane = find_card(seen)
    corner, right, below = plane.to_px(np.array([(0.0, 0.0), (150.0, 0.0), (0.0, 100.0)]))
    assert plane.markers == 8
    assert np.linalg.norm(right - corner) / fine == pytest.approx(150.0, rel=0.002)
    assert np.linalg.norm(below - corner) / fine == pytest.approx(100.0, rel=0.002)
    assert (corner > 0).all() and (plane.to_px(np.array([CARD.size_mm]))[0] < np.array(seen.size)).all()


def test_there_are_check_bars_of_100_mm_in_both_directions_beside_the_card() -> None:
    drawn = lines(pages(card_and_staff())[0])
    across = np.abs(drawn[:, 2:] - drawn[:, :2])
    upright = (np.abs(across[:, 0]) < 0.01) & (np.abs(across[:, 1] - 100.0) < 0.01)
    level = (np.abs(across[:, 1]) < 0.01) & (np.abs(across[:, 0] - 100.0) < 0.01)
    assert level.any()
    assert upright.sum() >= 3  # the card's own two sides are as long


def test_the_cards_ruler_has_a_tick_each_millimetre() -> None:
    drawn = lines(pages(card_and_staff())[0])
    short = drawn[(np.abs(drawn[:, 0] - drawn[:, 2]) < 0.01) & (np.abs(drawn[:, 1] - drawn[:, 3]) < 3.5)]
    foot = np.median(short[:, 3])
    ticks = np.sort(short[np.abs(short[:, 3] - foot) < 0.01][:, 0])
    assert len(ticks) == 149
    assert np.diff(ticks) == pytest.approx(np.ones(148), abs=0.01)


def test_there_are_four_grey_patches_and_the_middle_stays_bare() -> None:
    page = pages(card_and_staff("A4"))[0]
    left, bottom = (210 - 150) / 2, 297 - 44 - 100
    greys = {round(grey, 2) for _, _, width, height, grey in boxes(page) if 0 < grey < 1 and width > 3}
    assert len(greys) == 4
    assert CARD.bare_mm is not None
    x0, y0, x1, y1 = CARD.bare_mm
    for x, y, width, height, _ in boxes(page):
        inside_x = x + width > left + x0 + 1e-6 and x < left + x1 - 1e-6
        inside_y = y + height > bottom + 100 - y1 + 1e-6 and y < bottom + 100 - y0 - 1e-6
        assert not (inside_x and inside_y)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_staffs_pieces_hold_each_marker_once_and_add_up(paper: str) -> None:
    height = {"A4": 297.0, "Letter": 279.4}[paper]
    text = card_and_staff(paper)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    found: list[int] = []
    for page in pages(text)[2:]:
        grey = inked(page, ({"A4": 210.0, "Letter": 215.9}[paper], height), 3.0)
        corners, ids, _ = detector.detectMarkers(grey)
        assert ids is not None
        found += ids.ravel().tolist()
        for quad in corners:
            sides = np.linalg.norm(quad[0] - np.roll(quad[0], 1, axis=0), axis=1) / 3.0
            assert sides == pytest.approx(np.full(4, 50.0), abs=0.5)
    assert sorted(found) == sorted(STAFF.markers)
    spans = [tuple(map(float, span)) for span in re.findall(r"\((\d+) to (\d+) mm\)", "".join(pages(text)))]
    assert spans[0][0] == 0 and spans[-1][1] == 2000
    assert all(below[1] == above[0] for below, above in pairwise(spans))


def test_the_staff_has_a_tick_each_50_mm() -> None:
    page = pages(card_and_staff("A4"))[2]
    ticks = [
        (x, y + height / 2) for x, y, width, height, _ in boxes(page) if width == pytest.approx(3.5, abs=0.01)
    ]
    left = min(x for x, _ in ticks)
    levels = np.sort([y for x, y in ticks if abs(x - left) < 0.1])
    assert len(levels) == 6  # 0, 50, .. 250 of the first piece; the outer two are halved by the cut
    assert np.diff(levels)[1:-1] == pytest.approx(np.full(3, 50.0), abs=0.01)


@pytest.mark.parametrize(("paper", "size"), [("A4", (210.0, 297.0)), ("Letter", (215.9, 279.4))])
def test_the_protractor_on_the_cards_back_has_a_true_line_each_degree(paper: str, size: tuple[float, float]) -> None:
    drawn = lines(pages(card_and_staff(paper))[1])
    teeth = drawn[np.abs(np.hypot(*(drawn[:, 2:] - drawn[:, :2]).T)[:, None] - (3.5, 6.0, 9.0)).min(axis=1) < 0.01]
    ends = teeth[:, 2:]
    # the circle through the outer ends (least squares), and each line's direction from its middle
    system = np.column_stack([2 * ends, np.ones(len(ends))])
    x, y, c = np.linalg.lstsq(system, (ends**2).sum(axis=1), rcond=None)[0]
    assert np.sqrt(c + x * x + y * y) == pytest.approx(80.0, abs=0.02)
    assert x == pytest.approx(size[0] / 2, abs=0.02)  # so that it lies right whichever way the page is turned
    out = ends - (x, y)
    along = teeth[:, 2:] - teeth[:, :2]
    assert np.abs(out[:, 0] * along[:, 1] - out[:, 1] * along[:, 0]).max() < 0.05 * 9
    angles = np.sort(np.degrees(np.arctan2(out[:, 0], out[:, 1])))
    assert angles == pytest.approx(np.arange(-85, 86), abs=0.05)
    # it lies below the card, which is cut out of the same sheet, and the whole of it within what a printer reaches
    assert (size[1] - drawn[:, [1, 3]] > 44 + 100).all()
    assert drawn[:, [0, 2]].min() > 8 and drawn[:, [0, 2]].max() < size[0] - 8 and drawn[:, [1, 3]].min() > 8


def test_nothing_is_drawn_as_a_bitmap() -> None:
    assert b"/Image" not in card_and_staff().replace(b"/ImageB", b"").replace(b"/ImageC", b"").replace(
        b"/ImageI", b""
    )
    assert all(" Do" not in page and "BI" not in page.split() for page in pages(card_and_staff()))


def test_the_sheet_says_how_long_its_bars_must_measure_and_how_to_use_it() -> None:
    words = " ".join(re.findall(r"\((.*?)\) Tj", pages(card_and_staff())[0]))
    for phrase in (
        "must measure exactly 100 mm",
        "100 %",
        "white middle",
        "slope",
        "straight above",
        "two or three",
    ):
        assert phrase in words


def test_another_layout_is_printed_by_the_same_code() -> None:
    small = Layout(
        "small", (100.0, 70.0), 12.0, {30: (10.0, 10.0), 31: (90.0, 10.0), 32: (90.0, 60.0), 33: (10.0, 60.0)}
    )
    grey = inked(pages(card_and_staff("A4", card=small, staff=None))[0], (210.0, 297.0), 6.0)
    seen = Picture(
        "page", (grey.shape[1], grey.shape[0]), b"", 1, Taken(), cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    )
    assert find_card(seen, layout=small).markers == 4


def test_other_paper_and_too_wide_a_card_are_refused() -> None:
    with pytest.raises(CannotUse, match="A4 or Letter"):
        card_and_staff("A5")
    with pytest.raises(CannotUse, match="does not fit"):
        card_and_staff("A4", card=Layout("wide", (260.0, 100.0), 14.0, CARD.markers))


def test_the_same_sheet_is_the_same_file(tmp_path: Path) -> None:
    message = write_card_sheet(tmp_path / "card.pdf", paper="a4")
    assert (tmp_path / "card.pdf").read_bytes() == card_and_staff("A4")
    assert "100 mm" in message and "card.pdf" in message


def test_a_measured_bar_gives_the_print_scale_and_nonsense_is_refused() -> None:
    assert print_scale(96.0) == pytest.approx(0.96)
    for nonsense in (3.94, 10.0, 150.0, float("nan")):
        with pytest.raises(ValueError, match="measure it again"):
            print_scale(nonsense)
