"""A network that is cut in two tells what it told as a whole, and the first half does less."""

import gzip
from importlib import resources

import cv2
import numpy as np
import pytest

from diagnose.eye.parts import halves


@pytest.fixture(scope="module")
def whole() -> bytes:
    return gzip.decompress((resources.files("diagnose.eye") / "close.onnx.gz").read_bytes())


def _net(model: bytes) -> cv2.dnn.Net:
    return cv2.dnn.readNetFromONNX(np.frombuffer(model, np.uint8))


def test_the_two_halves_of_a_network_tell_what_the_whole_tells(whole: bytes) -> None:
    one, other, handed = halves(whole, "told", "map")
    piece = np.random.default_rng(1).random((1, 3, 160, 160)).astype(np.float32)
    net, first, second = _net(whole), _net(one), _net(other)
    net.setInput(piece)
    shown, told = net.forward(["map", "told"])
    first.setInput(piece)
    told_by_half, *between = first.forward(["told", *handed])
    for name, values in zip(handed, between, strict=True):
        second.setInput(values, name)
    assert np.abs(told_by_half - told).max() < 1e-3
    assert np.abs(second.forward() - shown).max() < 1e-3


def test_no_weight_stands_in_both_halves(whole: bytes) -> None:
    one, other, _ = halves(whole, "told", "map")
    assert len(one) + len(other) < 1.01 * len(whole)
    assert len(other) > 0.1 * len(whole)
