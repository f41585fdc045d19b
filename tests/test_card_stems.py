"""Where a stem ends on the card: paper on which nothing lies is told from paper on which a twig lies.

The bundled photos are ray-traced renderings, not photographs.
"""

from pathlib import Path

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
