"""Is the picture good enough where the wound is, and what should be done better next time?"""

from __future__ import annotations

import cv2
import numpy as np

# mean width of a stem's edges, from a fifth to four fifths of their height, beyond which it is blurred [px]: of 76 rendered
# twigs on the card two had more, of 80 where they grew six
BLURRED = 3.9
BLURRED_TOLD = "the end is blurred: hold still, tap the end to focus there, and give the camera more light"
DARK = 0.10  # linear light of white paper below which noise rules, 1 = full
GLARE = 0.5  # share of the paper that is clipped white in all colours
CLIPPED = 0.985  # linear light from which a colour counts as clipped
SMALL = 0.1  # one pixel in diameters of the stem
OBLIQUE = 35.0  # view angle to the sheet [degree]


def edge_width(light: np.ndarray, outline: np.ndarray) -> float:
    """Median width of the edges along an outline; 0 where none is plain [cells of `light`].

    From a fifth to four fifths of each edge's height, 1.68 standard deviations of a Gaussian blur.

    Parameters
    ----------
    light, outline
        (h, w, 3) linear light [no unit]; (n, 2) columns and rows, closed [cells of `light`].

    References
    ----------
    .. [1] Our own.
    """
    if len(outline) < 20:
        return 0.0
    step = max(1, len(outline) // 100)
    along = np.roll(outline, -4, axis=0) - np.roll(outline, 4, axis=0)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / (np.linalg.norm(along, axis=1, keepdims=True) + 1e-9)
    reach = np.arange(-8.0, 8.25, 0.25)
    at = (outline[::step, None] + normal[::step, None] * reach[:, None]).astype(np.float32)
    seen = cv2.remap(light, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).mean(axis=2)
    seen = np.where((seen[:, -8:].mean(axis=1) > seen[:, :8].mean(axis=1))[:, None], seen, seen[:, ::-1])
    low, high = np.median(seen[:, :16], axis=1), np.median(seen[:, -16:], axis=1)
    plain = high - low > 0.25 * max(_bright(light), 1e-6)
    if plain.sum() < 10:
        return 0.0
    rise = ((seen - low[:, None]) / (high - low + 1e-9)[:, None])[plain]
    return float(np.median(((rise > 0.2) & (rise < 0.8)).sum(axis=1) * 0.25))


def _bright(light: np.ndarray) -> float:
    """The 90th percentile of the three colours' mean."""
    return float(np.percentile(light[::3, ::3].mean(axis=2), 90))


def remarks(light: np.ndarray, blur: float, pixel: float, view_angle_deg: float) -> tuple[str, ...]:
    """What is wrong with the picture around a wound, a line each, worst first.

    Parameters
    ----------
    light, blur
        (h, w, 3) linear light of the neighbourhood, 0 to 1 [no unit]; width of the stem's edges in it, by `edge_width` [px].
    pixel, view_angle_deg
        One pixel of the picture [diameters of the stem]; the angle between view and the sheet's normal [degree].
    """
    faults = (
        (pixel > SMALL, "the twig is small in the picture: go closer, so that the card fills most of it"),
        (blur > BLURRED, BLURRED_TOLD),
        (_bright(light) < DARK, "the picture is dark: photograph in daylight, without a shadow over the card"),
        (float((light[::3, ::3] >= CLIPPED).all(axis=2).mean()) > GLARE,
         "the paper is overexposed, which thins the twig: turn the card out of the glare or darken the photo"),
        (view_angle_deg > OBLIQUE, "the card is seen at a slant: photograph it from straight above"),
    )  # fmt: skip
    return tuple(told for there, told in faults if there)
