"""A plain card of a wallet's size beside the twig gives the scale, within what is stated; what is no such card gives none.

`python -m tests.plain_scale` judges it, and the coin, on more pictures.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.diagnosis import Scale, diagnose_photo
from diagnose.photo.picture import read_picture
from diagnose.photo.plain_card import LONG_MM, SHORT_MM, find_plain_card
from diagnose.photo.scale import px_per_mm
from diagnose.simulate.free import any_surroundings, picture_of, with_card
from tests.plain_scale import card


def test_of_drawn_cards_beside_a_twig_most_are_found_and_their_scale_is_right() -> None:
    found = [card(seed) for seed in (0, 3, 7, 12)]  # tilted by 1 to 26 degrees, printed ones among them
    assert None not in found
    assert max(abs(one.own) for one in found if one) < 0.03
    assert all(abs(one.at_twig) < 2 * one.sigma for one in found if one)


def test_the_twig_s_diameter_is_told_with_the_card_s_own_error(tmp_path: Path) -> None:
    around = with_card(any_surroundings(8, coin=False), 8)
    data, truth = picture_of(around)
    (tmp_path / "a.jpg").write_bytes(data)
    taps = [tuple(truth.twig.tip_px), tuple(truth.twig.back_px)]
    found = diagnose_photo(tmp_path / "a.jpg", taps=taps, scale=Scale(plain_card=True)).as_json()
    assert found["plane"]["kind"] == "plain card"
    told = found["measured"]["end_diameter_mm"]
    assert told["sigma"] >= 0.05 * told["value"]
    assert abs(told["value"] - truth.twig.end_diameter_mm) < 2 * told["sigma"]


@pytest.mark.parametrize("sides", [(150, 100), (88.9, 50.8), (100, 100)])  # mm
def test_a_sheet_of_another_shape_is_not_taken_for_it(sides: tuple[float, float]) -> None:
    drawn = np.full((900, 1200, 3), (60, 90, 70), np.uint8)
    half = 3.0 * np.array(sides)
    corners = cv2.boxPoints(((600, 450), (float(2 * half[0]), float(2 * half[1])), 20.0))
    cv2.fillConvexPoly(drawn, corners.astype(int), (230, 230, 230), cv2.LINE_AA)
    with pytest.raises(CannotUse, match="no plain card"):
        find_plain_card(read_picture(cv2.imencode(".png", drawn)[1].tobytes(), "a.png"))


def test_a_card_with_square_corners_drawn_by_another_program_has_the_scale_it_was_drawn_with() -> None:
    drawn = np.full((900, 1200, 3), (60, 90, 70), np.uint8)
    corners = cv2.boxPoints(((600, 450), (LONG_MM * 7, SHORT_MM * 7), 33.0))
    cv2.fillConvexPoly(drawn, np.rint(corners * 16).astype(int), (40, 160, 200), cv2.LINE_AA, 4)
    plane = find_plain_card(read_picture(cv2.imencode(".png", drawn)[1].tobytes(), "a.png"))
    assert px_per_mm(plane) == pytest.approx(7, rel=0.005)


@pytest.mark.parametrize("name", ["coffee", "chelsea", "rocket", "grass", "brick", "astronaut"])
def test_in_photographs_without_a_card_none_is_found(name: str) -> None:
    seen = getattr(skimage.data, name)()
    data = cv2.imencode(".png", seen if seen.ndim == 2 else seen[..., ::-1])[1].tobytes()
    with pytest.raises(CannotUse, match="no plain card"):
        find_plain_card(read_picture(data, f"{name}.png"))


def test_two_scales_at_once_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(CannotUse, match="one scale"):
        Scale(coin_mm=24.0, plain_card=True)
    assert main(["photo", "a.jpg", "--coin-mm", "24", "--plain-card"]) == 2
    assert "one scale" in capsys.readouterr().err
