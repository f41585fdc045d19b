"""Is a strip along the stem's sides of another colour than the stem, so that it belongs to what lies beside it?

The eye may take for stem what fits it closely: cloth between a stem and its shadow, tape, what a cut-out left. Shading
hardly changes bark's colour. At the end alone another colour is nothing strange: that is where the wood shows.
"""

from __future__ import annotations

import cv2
import numpy as np

FLOOR = 0.006  # linear light below which colour is noise
FAR = 0.5  # of another colour, from the stem's middle [nat]; on 251 kept renderings it changed one, by 1 %
NOISE = 0.12  # of colours in a stem's middle, from which it counts as many-coloured and FAR grows [nat]
WIDEST, THINNEST, LEAST_CELLS = 0.3, 0.05, 3  # of a strip [widths of the mask, widths of the mask, cells]
LEAST_SHARE = 0.4  # of a side's length that the strip runs along
BLURRED = 0.04  # how far the strip's colour bleeds into the stem's edge [widths of the mask]
DARK = 0.15  # of the brightness of the stem's middle
LEAST_CORE, ENOUGH_CELLS = 60, 3000  # cells of the stem's middle that tell its colour, and as many as are looked at


def without_rim(light: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """The mask of a stem without the strips of another colour along its sides, and what of that colour lies at its end.

    It is the mask itself where no such strip is seen.

    Parameters
    ----------
    light, mask
        (h, w, 3) linear, a little smoothed, 0 to 1, the stem along x with its end towards the right [no unit]; (h, w)
        uint8, 1 on what the eye takes for stem [no unit].

    References
    ----------
    .. [1] Our own.
    """
    columns = np.flatnonzero(mask.any(axis=0))
    if len(columns) == 0:
        return mask
    top = np.argmax(mask, axis=0)
    high = len(mask) - np.argmax(mask[::-1], axis=0) - top
    wide = float(np.median(high[columns]))
    body = columns[-1] - int(0.7 * wide)  # the end itself begins there
    share = (np.arange(len(mask))[:, None] - top) / high
    core = (mask > 0) & (share > 0.3) & (share < 0.7)
    core[:, body:] = False
    if core.sum() < LEAST_CORE:
        return mask
    off = _off_colour(light, mask, core)
    far = ((off > FAR) & (mask > 0)).astype(np.uint8)
    both = (_strip(far[::turn], mask[::turn], off[::turn], columns[columns < body], wide) for turn in (1, -1))
    strips = [strip for strip in both if strip is not None]
    if not strips:
        return mask
    bright = light.sum(axis=2)  # what is nearly black has no colour: beside such a strip it is none of the stem's either
    far |= ((bright < DARK * float(np.median(bright[core]))) & (mask > 0)).astype(np.uint8)
    edge = (cv2.dilate((mask == 0).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0) & (far > 0)
    _, labels = cv2.connectedComponents(far, connectivity=4)
    left = ((mask > 0) & ~np.isin(labels, np.unique(labels[edge]))).astype(np.uint8)
    reach = 2 * max(1, round(BLURRED * wide)) + 1
    near = cv2.dilate(left, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach)))
    half_way = off < max(FAR, 0.5 * float(np.median(strips)))  # to the strip's colour
    left |= ((near > 0) & (mask > 0) & half_way).astype(np.uint8)
    return cv2.morphologyEx(left, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))


def _off_colour(light: np.ndarray, mask: np.ndarray, core: np.ndarray) -> np.ndarray:
    """(h, w) how far each blue and red against green lie from those of the stem's middle, less where these vary [nat]."""
    own = np.flatnonzero(mask)
    tone = np.log(light.reshape(-1, 3)[own] + np.float32(FLOOR))
    colour = tone[:, ::2] - tone[:, 1:2]
    middling = colour[core.ravel()[own]]
    middling = middling[:: max(1, len(middling) // ENOUGH_CELLS)]
    middle = np.median(middling, axis=0)
    spread = 1.4826 * np.median(np.abs(middling - middle), axis=0)
    off = np.zeros(mask.shape, np.float32)
    off.ravel()[own] = np.hypot(*((colour - middle) / np.maximum(1.0, spread / NOISE)).T)
    return off


def _strip(far: np.ndarray, mask: np.ndarray, off: np.ndarray, sides: np.ndarray, wide: float) -> float | None:
    """How far off a strip's colour lies that runs along the upper side [nat]; None where there is none."""
    rows = np.argmax(mask, axis=0)[sides] + 1 + np.arange(int(2 * WIDEST * wide) + 1)[:, None]  # the first cell is blurred
    rows = np.minimum(rows, len(mask) - 1)
    inside = np.cumprod(far[rows, sides], axis=0)
    deep = inside.sum(axis=0)
    ours = (deep >= max(LEAST_CELLS, THINNEST * wide)) & (deep <= WIDEST * wide)
    if not len(sides) or ours.mean() <= LEAST_SHARE:
        return None
    return float(np.percentile(off[rows, sides][:, ours][inside[:, ours] > 0], 75))
