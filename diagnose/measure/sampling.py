"""What colours does a picture show at places worked out from elsewhere?"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

NODES = 6  # cells of a strip between those whose place is worked out

Place = Callable[[np.ndarray, np.ndarray], np.ndarray]


def sampled(bgr: np.ndarray, px: np.ndarray, channel: int | None = None) -> np.ndarray:
    """Colours, or one channel of them, at places of a picture, bilinear, uint8.

    Parameters
    ----------
    bgr
        (H, W, 3) uint8 blue, green, red [0 to 255].
    px
        (h, w, 2) places [px].
    channel
        Which one, 0 to 2; None for all [no unit].

    Returns
    -------
    numpy.ndarray, shape (h, w, 3) or (h, w)
        0 to 255; 0 outside the picture.
    """
    x, y = px[..., 0], px[..., 1]
    low = np.maximum(np.floor((x.min(), y.min())).astype(int) - 2, 0)
    high = np.ceil((x.max(), y.max())).astype(int) + 3
    part = bgr[low[1] : max(high[1], low[1] + 1), low[0] : max(high[0], low[0] + 1)]
    part = part if channel is None else np.ascontiguousarray(part[..., channel])
    here = (px - low).astype(np.float32)
    return cv2.remap(part, here, None, cv2.INTER_LINEAR)


def laid_between(place: Place, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """What `place` makes of each pair of evenly spaced values, (n, m, 2).

    Worked out for one in NODES of either and laid straight between: perspective and a stem's roundness bend far less
    than a pixel there.

    Parameters
    ----------
    place
        Makes two arrays of values, (i, j) each, into (i, j, 2) places; in any unit.
    one, other
        (n,) and (m,) evenly spaced values, in the unit that `place` takes.
    """
    nodes = place(*np.meshgrid(one[::NODES], other[::NODES], indexing="ij"))
    by_one, by_other = spread(len(one)), spread(len(other))
    return np.stack([by_one @ nodes[..., k].astype(np.float32) @ by_other.T for k in (0, 1)], axis=2)


def spread(many: int) -> np.ndarray:
    """What every one in NODES of so many values counts for all of them, (many, nodes): straight between and beyond.

    Parameters
    ----------
    many
        How many values [no unit].
    """
    nodes = (many - 1) // NODES + 1
    place = np.arange(many) / NODES
    first = np.clip(place.astype(int), 0, max(nodes - 2, 0))
    weight = np.zeros((many, nodes), np.float32)
    weight[np.arange(many), first] = 1 - (place - first)
    if nodes > 1:
        weight[np.arange(many), first + 1] = place - first
    return weight
