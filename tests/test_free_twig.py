"""A twig where it grew is measured between two taps. Truth: ray-traced renderings in reference_cases/photos."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diagnose.cannot_use import CannotUse
from diagnose.measure.free_twig import measure_free_end
from diagnose.measure.record import Measurement
from diagnose.photo.picture import read_picture
from diagnose.photo.scale import find_coin, known_length, px_per_mm
from tests.conftest import PHOTOS

FREE = sorted((PHOTOS / "twig_free").glob("*.jpg"))


@cache
def _tapped(path: Path) -> tuple[Measurement, dict[str, Any]]:
    truth = json.loads(path.with_suffix(".json").read_text())
    twig = truth["twig"]
    picture = read_picture(path)
    end = np.array(twig["end_centre_px"])
    back = end + 8 * twig["diameter_px"] * np.array(twig["axis_px_dir"])
    scale = find_coin(picture, truth["coin"]["diameter_mm"], tuple(end)) if "coin" in truth else None
    return measure_free_end(picture, [tuple(end + (3, -2)), tuple(back + (-3, 3))], scale), truth


@pytest.mark.parametrize("path", FREE, ids=lambda path: path.stem)
def test_a_clean_end_between_two_taps_is_read_within_its_uncertainty(path: Path) -> None:
    found, truth = _tapped(path)
    if truth["truth"]["kind"] == "clean":
        seen = found.measured["seen_slope_deg"]
        assert abs(seen.value - truth["twig"]["apparent_deg"]) < max(12.0, 2 * seen.sigma)


@pytest.mark.parametrize("path", FREE, ids=lambda path: path.stem)
def test_a_coin_beside_the_twig_gives_its_diameter(path: Path) -> None:
    found, truth = _tapped(path)
    if "coin" in truth:
        assert found.measured["end_diameter_mm"].value == pytest.approx(truth["twig"]["diameter_view_mm"], rel=0.15)
    else:
        assert "end_diameter_mm" in found.not_measured


@pytest.mark.parametrize("taps", [(), ((400.0, 300.0),)])
def test_without_two_taps_no_twig_is_guessed(taps: tuple) -> None:
    found = measure_free_end(read_picture(FREE[0]), taps)
    assert found.measured == {} and all("tap" in reason for reason in found.not_measured.values())


def test_a_known_length_gives_the_scale() -> None:
    plane = known_length(50.0, (100.0, 100.0), (400.0, 500.0))
    assert px_per_mm(plane) == pytest.approx(10.0)
    with pytest.raises(CannotUse):
        known_length(50.0, (100.0, 100.0), (101.0, 100.0))


def test_where_there_is_no_coin_none_is_found() -> None:
    no_coin = next(path for path in FREE if "coin" not in json.loads(path.with_suffix(".json").read_text()))
    with pytest.raises(CannotUse, match="coin"):
        find_coin(read_picture(no_coin), 24.26)
