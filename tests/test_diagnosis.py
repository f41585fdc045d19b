"""The reason that is shown when nothing was measured belongs to what the photographer tried."""

from __future__ import annotations

import numpy as np
import pytest

import diagnose.measure.bark_patch as bark_patch
from diagnose.diagnosis import measure_picture
from diagnose.measure.record import Measurement
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card
from diagnose.signs import Bounded, Measured, parse_signs, signs_as_json
from diagnose.simulate.bark import BarkSetting
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


def test_what_a_photo_is_said_to_measure_can_be_and_is_read_again_when_it_was_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    told = Measurement({"patch_width_mm": Bounded(-0.2, 4.1), "patch_height_mm": Measured(-3, 5),
                        "bark_loss": Bounded(1.3, 1.9)})
    monkeypatch.setattr(bark_patch, "measure_patch", lambda *given: told)
    _, found = measure_picture(read_picture(bark_picture(UNWOUNDED)[0], "simulated.jpg"))
    assert found.measured == {"patch_width_mm": Bounded(1, 4.1), "patch_height_mm": Bounded(1, 7)}
    assert "beyond 0 to 1" in found.not_measured["bark_loss"]
    assert set(parse_signs(signs_as_json(found.measured))) == set(found.measured)
