"""Labels for plants and barriers: what a scanner reads off the sheet is the tag, and nothing else."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pytest
from pypdf import PdfReader

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.fieldlog.store import open_log
from diagnose.report.tag_labels import labels_pdf, run_of, tags_of
from diagnose.upkeep.register import register
from tests.conftest import words_of


def _scanned(pdf: bytes) -> list[str]:
    """What OpenCV's reader of QR codes, which is not ours, reads off each picture of the sheets."""
    told = []
    for page in PdfReader(BytesIO(pdf)).pages:
        for picture in page.images:
            grey = cv2.cvtColor(np.array(picture.image.convert("RGB")), cv2.COLOR_RGB2GRAY)
            told.append(cv2.QRCodeDetector().detectAndDecode(grey)[0])
    return told


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_each_label_is_read_as_its_tag_by_an_independent_reader(paper: str) -> None:
    tags = ["T001", "Böschung 7", "M1-04", "https://not a link", "x" * 40, *run_of("N008..N032")]
    pdf = labels_pdf(tags, "north slope", paper)
    assert sorted(_scanned(pdf)) == sorted(tags)
    assert len(PdfReader(BytesIO(pdf)).pages) == 2  # 24 and 6
    words = words_of(pdf)
    assert all(tag in words for tag in tags) and words.count("north slope") == len(tags)


def test_a_run_of_tags_keeps_its_zeros_and_says_what_is_no_run() -> None:
    assert run_of("T098..T101") == ["T098", "T099", "T100", "T101"]
    assert run_of("7") == ["7"]
    for wrong in ("T5..T1", "A1..B4", "one..two", "1..99999999"):
        with pytest.raises(CannotUse):
            run_of(wrong)
    for wrong in ([], [" "], ["x" * 41], ["1"] * 5001):
        with pytest.raises(CannotUse):
            labels_pdf(wrong)


def test_without_a_tag_those_of_the_plantings_plants_and_barriers_are_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = open_log(tmp_path / "log")
    log.save("plant", site="north", tag="7")
    log.save_observation(site="north", plant="8")
    log.save_observation(site="south", plant="9")
    register(log, "cage", site="north", plant="7", label="M1-01")
    assert tags_of(log, "north") == ["7", "8", "M1-01"] and "9" in tags_of(log)
    out = tmp_path / "labels.pdf"
    assert main(["log", "labels", "--site", "north", "--log", log.where, "--out", str(out)]) == 0
    assert sorted(_scanned(out.read_bytes())) == ["7", "8", "M1-01"]
    assert main(["log", "labels", "--site", "nowhere", "--log", log.where, "--out", str(out)]) == 2
    assert "no tag to print" in capsys.readouterr().err
