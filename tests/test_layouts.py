"""Card and staff are laid out as their definition says."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from diagnose.photo.layouts import CARD, STAFF


def test_the_cards_markers_lie_clear_of_its_edge_and_of_the_bare_middle() -> None:
    assert CARD.bare_mm is not None
    x0, y0, x1, y1 = CARD.bare_mm
    assert (x1 - x0, y1 - y0) == (110.0, 60.0)
    module = CARD.side_mm / 6
    for marker in CARD.markers:
        corners = CARD.corners_mm(marker)
        assert (corners >= module).all() and (corners <= np.array(CARD.size_mm) - module).all()
        left, top = corners.min(axis=0)
        right, bottom = corners.max(axis=0)
        assert right <= x0 or left >= x1 or bottom <= y0 or top >= y1


def test_the_card_cannot_be_mistaken_for_itself_turned_round() -> None:
    turned = {id_: (150 - x, 100 - y) for id_, (x, y) in CARD.markers.items()}
    assert all(turned[id_] != centre for id_, centre in CARD.markers.items())


def test_card_and_staff_share_no_marker_and_both_are_in_the_dictionary() -> None:
    assert not CARD.markers.keys() & STAFF.markers.keys()
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    assert max(CARD.markers.keys() | STAFF.markers.keys()) < dictionary.bytesList.shape[0]


@pytest.mark.parametrize(("marker", "height"), [(20, 100.0), (21, 350.0), (27, 1850.0)])
def test_the_staffs_markers_stand_every_quarter_metre(marker: int, height: float) -> None:
    assert STAFF.height_mm(marker) == height


def test_corners_go_clockwise_from_the_top_left_as_opencv_gives_them() -> None:
    assert CARD.corners_mm(10).tolist() == [[5, 5], [19, 5], [19, 19], [5, 19]]
