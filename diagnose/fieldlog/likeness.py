"""Do two files show the same photograph, although one was stored anew or made smaller?"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.photo.picture import Picture, read_picture

SAME = 26  # bits of 256 that may differ; re-encoded copies differ by far less, other photos by far more


def likeness(data: bytes) -> str | None:
    """A perceptual hash, 256 bits as hex: signs of the lowest 16 x 16 cosine frequencies about their median.

    Of the upright picture. None for bytes that are no picture.

    Parameters
    ----------
    data
        A picture file's bytes [no unit].

    References
    ----------
    .. [1] Ahmed, N., Natarajan, T. & Rao, K. R. (1974), Discrete cosine transform, IEEE Trans. Computers C-23.
    """
    try:
        return likeness_of(read_picture(data))
    except CannotUse:
        return None


def likeness_of(picture: Picture) -> str:
    """The same of a picture that is read already.

    Parameters
    ----------
    picture
        That is read already [no unit].

    Raises
    ------
    CannotUse
        Where it cannot be decoded.
    """
    small = picture.reduced(8 if min(picture.size) >= 8 else 1)
    grey = cv2.cvtColor(cv2.resize(small, (64, 64), interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2GRAY)
    lowest = cv2.dct(grey.astype(np.float32))[:16, :16].ravel()
    lowest[0] = np.median(lowest[1:])  # brightness tells nothing
    return np.packbits(lowest > np.median(lowest)).tobytes().hex()


def alike(hashes: Sequence[str]) -> list[tuple[int, int]]:
    """Pairs of positions whose hashes differ by at most SAME bits, turned by quarters as need be.

    Programs that drop the mark of which way is up leave a copy lying on its side. Memory grows with the number of
    hashes, not with its square.

    Parameters
    ----------
    hashes
        Of `likeness` [no unit].
    """
    if len(hashes) < 2:
        return []
    bits = np.unpackbits(np.frombuffer(b"".join(map(bytes.fromhex, hashes)), np.uint8)).reshape(-1, 16, 16)
    turned = [np.packbits(each.reshape(len(bits), -1), axis=1).view(np.uint64) for each in _turned(bits)]
    pairs: list[tuple[int, int]] = []
    for first in range(len(bits) - 1):
        apart = np.min([np.bitwise_count(turned[0][first + 1 :] ^ each[first]).sum(axis=1) for each in turned], axis=0)
        pairs += [(first, first + 1 + int(other)) for other in np.flatnonzero(apart <= SAME)]
    return pairs


def _turned(bits: np.ndarray) -> list[np.ndarray]:
    """The hashes of the pictures turned by 0, 1, 2 and 3 quarters; bits (n, 16, 16), frequency down and across.

    Mirroring a side changes the sign of its odd frequencies; a quarter turn is a transposition and a mirroring.
    """
    odd_across = (np.arange(16) % 2).astype(np.uint8)
    odd_down = odd_across[:, None]
    lying = bits.transpose(0, 2, 1)
    return [bits, lying ^ odd_across, bits ^ odd_across ^ odd_down, lying ^ odd_down]
