"""Where a stem ends on the card: paper on which nothing lies is told from paper on which a twig lies.

The bundled photos are ray-traced renderings, not photographs.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from diagnose.knowledge import reference_cases
from diagnose.measure import card_stems
from diagnose.measure.card_stems import looks_for_an_end, stems_meant
from diagnose.measure.card_view import bare_paper
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card

PHOTOS = reference_cases("photos")


@pytest.mark.parametrize("path", sorted((PHOTOS / "twig_on_card").glob("*.jpg")), ids=lambda path: path.stem)
def test_paper_on_which_a_twig_lies_is_not_bare(path: Path) -> None:
    picture = read_picture(path)
    plane = find_card(picture)
    assert plane.layout is not None and plane.layout.bare_mm is not None
    assert not bare_paper(picture, plane, plane.layout.bare_mm)


def test_a_card_held_beside_a_stem_is_bare_and_the_eye_does_not_look_at_it(monkeypatch: pytest.MonkeyPatch) -> None:
    picture = read_picture(PHOTOS / "gnawed_bark" / "IMG_0000.jpg")
    plane = find_card(picture)
    monkeypatch.setattr(card_stems, "find", lambda *_args, **_more: pytest.fail("the eye has looked"))
    assert stems_meant(picture, plane) == []
    assert not looks_for_an_end(picture, plane)


@pytest.mark.parametrize("taps", [1, 2])
def test_a_tapped_end_is_found_where_the_glance_at_the_card_missed_it(monkeypatch: pytest.MonkeyPatch, taps: int) -> None:
    monkeypatch.setattr(card_stems, "find_stems", lambda *_args: [])
    found = 0
    paths = sorted((PHOTOS / "twig_on_card").glob("*.jpg"))
    for number, path in enumerate(paths):
        picture, twig = read_picture(path), json.loads(path.with_suffix(".json").read_text())["twig"]
        tip, axis, width = np.array(twig["end_centre_px"]), np.array(twig["axis_px_dir"]), twig["diameter_px"]
        off = np.random.default_rng(number).normal(0, 0.25 * width, 2)
        near = [tuple(tip + off), tuple(tip + 4 * width * axis)][:taps]
        stems = stems_meant(picture, find_card(picture), near)
        found += len(stems) == 1 and np.hypot(*(stems[0].end.at - tip)) < 0.8 * width
    assert found >= 0.9 * len(paths)


def test_a_tap_beside_the_twig_finds_none_on_the_card() -> None:
    for path in sorted((PHOTOS / "twig_on_card").glob("*.jpg"))[::3]:
        picture, twig = read_picture(path), json.loads(path.with_suffix(".json").read_text())["twig"]
        plane, rng = find_card(picture), np.random.default_rng(3)
        for place in plane.to_px(rng.uniform((25, 25), (125, 75), (4, 2))):
            if np.hypot(*(place - twig["end_centre_px"])) > 5 * twig["diameter_px"]:
                assert card_stems._seen_at(picture, plane, [tuple(place)]) == []
