"""Do two files show the same photograph, although one was stored anew or made smaller?"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.photo.picture import read_picture

SAME = 26  # bits of 256 that may differ; re-encoded copies differ by far less, other photos by far more


def likeness(data: bytes) -> str | None:
    """A perceptual hash, 256 bits as hex: signs of the lowest 16 x 16 cosine frequencies about their median.

    The picture is turned upright first, so that a copy that was turned by its program hashes alike. None for
    bytes that are no picture. Reference: discrete cosine transform, Ahmed, Natarajan & Rao 1974.
    """
    try:
        small, _ = read_picture(data).reduced(8)
    except CannotUse:
        return None
    grey = cv2.cvtColor(cv2.resize(small, (64, 64), interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2GRAY)
    lowest = cv2.dct(grey.astype(np.float32))[:16, :16].ravel()
    lowest[0] = np.median(lowest[1:])  # brightness tells nothing
    return np.packbits(lowest > np.median(lowest)).tobytes().hex()


def alike(hashes: Sequence[str]) -> list[tuple[int, int]]:
    """Pairs of positions whose hashes differ by at most SAME bits; memory grows with the number, not its square."""
    if len(hashes) < 2:
        return []
    words = np.frombuffer(b"".join(bytes.fromhex(each) for each in hashes), dtype=np.uint64).reshape(-1, 4)
    pairs: list[tuple[int, int]] = []
    for first in range(len(words) - 1):
        apart = np.bitwise_count(words[first + 1 :] ^ words[first]).sum(axis=1)
        pairs += [(first, first + 1 + int(other)) for other in np.flatnonzero(apart <= SAME)]
    return pairs
