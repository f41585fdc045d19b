"""Does the eye see the gnawed patch where the edges put it?

The eye's map of a whole picture is coarse, and beside the card it knows stems less well than on it: it measures nothing
here, but it speaks up where it plainly sees the bare wood, or the stem, elsewhere.
"""

from __future__ import annotations

import cv2
import numpy as np

from diagnose.eye.pieces import CLASSES, moved, whole_matrix
from diagnose.eye.see import Found, find
from diagnose.photo.picture import Picture

# Set on 26 rendered calibration pictures: of 5 wrong ones 4 are refused, of 21 others none.
LIKELY_WOOD = 0.4  # probability of bare wood in a cell that counts as such
ELSEWHERE = 3.0, 0.05  # times the patch's area that is seen bare in all, and the share of it inside the patch
NARROWER = 0.67  # width of the stem in the map over the one between the edges
ENOUGH_ROWS = 20  # of ROWS along the stem at which the map shows both its sides
ROWS, REACH, STEPS = 25, 1.6, 81  # across the stem, so many widths to either side, in so many steps

SOMEWHERE_ELSE = (
    "the bare wood is plainly seen elsewhere than between the edges that were found: tap on the patch, or hold the card "
    "nearer to it"
)
OTHER_SIDES = (
    "the stem's two sides are not plainly seen: photograph it before a plain, farther background, and tap on the patch"
)


def doubt(picture: Picture, patch_px: np.ndarray, axis_px: np.ndarray, width_px: float) -> str:
    """Why a patch is not believed, and what to do; empty where it is.

    patch_px : (n, 2) its outline. axis_px : (2, 2) two points on the stem's middle, both upright pixels. width_px : the
    stem's [px].
    """
    found = find(picture.bgr, whole_matrix(picture.bgr.shape))
    wood = found.shares[..., CLASSES.index("wood")] > LIKELY_WOOD
    inside = np.zeros(wood.shape, np.uint8)
    cells = moved(patch_px, np.linalg.inv(found.to_px))
    cv2.fillPoly(inside, [np.round(cells * 16).astype(np.int32)], 1, shift=4)
    in_all, within = int(wood.sum()), int((wood & (inside > 0)).sum())
    if in_all > ELSEWHERE[0] * max(int(inside.sum()), 1) and within < ELSEWHERE[1] * in_all:
        return SOMEWHERE_ELSE
    return OTHER_SIDES if _seen_width(found, axis_px, width_px) < NARROWER else ""


def _seen_width(found: Found, axis_px: np.ndarray, width_px: float) -> float:
    """Median width of the stem in the map over `width_px`; 1 where the map does not show both sides at enough places."""
    along = axis_px[1] - axis_px[0]
    normal = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    across = np.linspace(-REACH, REACH, STEPS)
    stem, back = found.stem.astype(np.float32), np.linalg.inv(found.to_px)
    widths = []
    for share in np.linspace(0, 1, ROWS):
        cells = moved(axis_px[0] + share * along + across[:, None] * width_px * normal, back).astype(np.float32)
        seen = cv2.remap(stem, *cells.T[:, None], cv2.INTER_LINEAR)[0] > 0.5
        outside = np.flatnonzero(~seen)
        low, high = outside[outside < STEPS // 2], outside[outside > STEPS // 2]
        if seen[STEPS // 2] and len(low) and len(high):
            widths.append(across[high[0]] - across[low[-1]])
    return float(np.median(widths)) if len(widths) >= ENOUGH_ROWS else 1.0
