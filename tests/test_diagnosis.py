"""The reason that is shown when nothing was measured belongs to what the photographer tried."""

from __future__ import annotations

import numpy as np

from diagnose.diagnosis import measure_picture
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card
from diagnose.simulate.bark import Setting as BarkSetting
from diagnose.simulate.bark import picture_of as bark_picture

UNWOUNDED = BarkSetting(seed=4, patch=False)


def first_reason(data: bytes, taps: tuple[tuple[float, float], ...] = ()) -> str:
    _, found = measure_picture(read_picture(data, "simulated.jpg"), taps)
    assert not found.measured
    return next(iter(found.not_measured.values()))


def test_a_stem_beside_the_empty_card_whose_bark_is_whole_is_told_about_bark() -> None:
    assert "bare patch" in first_reason(bark_picture(UNWOUNDED)[0])


def test_a_tap_beside_the_card_asks_for_bark_and_one_on_it_for_an_end() -> None:
    data, _ = bark_picture(UNWOUNDED)
    plane = find_card(read_picture(data, "simulated.jpg"))
    on, beside = (tuple(float(v) for v in plane.to_px(np.array([at]))[0]) for at in ((75.0, 50.0), (75.0, -14.0)))
    assert "bare patch" in first_reason(data, (beside,))
    assert "severed end" in first_reason(data, (on,))
