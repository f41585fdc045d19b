"""Which pieces of a picture do the networks see, and what may a pixel be? Training and use cut their pieces alike.

All pixel coordinates are OpenCV's: the centre of the top-left pixel is 0, 0.
"""

from __future__ import annotations

import cv2
import numpy as np

from diagnose.photo.picture import Picture, shrink

Shown = np.ndarray | Picture  # (h, w, 3) uint8 blue, green, red; a picture keeps its smaller copies for the next look

# what a pixel can be; the networks' maps have one channel for each, in this order
CLASSES = ("rest", "card", "bark", "wood", "hand", "plant", "shadow")
FORMS = ("clean", "half", "torn")
FINDER_SIZE = (320, 448)  # rows, columns
FINDER_STRIDE = 4  # pixels of the piece a cell of the finder's map
CLOSE_SIZE = (160, 160)
CLOSE_STRIDE = 2
CLOSE_WIDTH = 36.0  # pixels that the stem's width has in a close piece
CLOSE_AT = (104.0, 79.5)  # where the end lies in it
# what the first half of the close network, which tells, hands to the second, which draws the map and is run for few places
HANDED = tuple(f"e{stage}b" for stage in range(5))
SHEET = 2.6  # pixels a millimetre of the card laid flat for the finder
CARD_MM = (150.0, 100.0)


def cut(
    picture: Shown, matrix: np.ndarray, size: tuple[int, int], nearest: bool = False, beyond: int = 0
) -> np.ndarray:
    """A piece of a picture, (rows, columns, ...) uint8.

    Where the piece is much smaller, it is taken from a copy that is some halvings smaller, and what remains is averaged or
    blurred first.

    Parameters
    ----------
    picture, matrix, size
        A picture, or (h, w) or (h, w, channels) uint8: colours [0 to 255], or labels [no unit]; (3, 3) from the piece's
        pixels to the picture's; rows and columns of the piece [px].
    nearest, beyond
        For labels: they are not mixed, and which is outside the picture; colours there are those of its rim [no unit].
    """
    rows, columns = size
    corners = moved(np.array([(0, 0), (columns, 0), (columns, rows), (0, rows)], float), matrix)
    middle = np.array([columns, rows]) / 2
    steps = moved(middle + np.array([(0, 0), (1, 0), (0, 1)]), matrix)
    shrunk = float(np.sqrt(abs(np.linalg.det(steps[1:] - steps[0]))))
    whole = np.array(picture.size if isinstance(picture, Picture) else picture.shape[1::-1])
    factor = 1 if nearest else max(int(min(shrunk, whole.min() / 2)), 1)
    by = 1 << factor.bit_length() - 1  # the halvings that come next below it
    low = np.clip(np.floor(corners.min(axis=0)).astype(int) - 8, 0, whole - 2 * by) // by
    high = np.maximum(-(-np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 9, whole) // by), low + 2)
    smaller = picture.smaller(by) if isinstance(picture, Picture) else shrink(picture, by)
    shown = smaller[low[1] : high[1], low[0] : high[0]]
    few = np.array(shown.shape[1::-1])
    if factor > by:
        shown = cv2.resize(shown, np.maximum(few * by // factor, 1).tolist(), interpolation=cv2.INTER_AREA)
    fit = np.array(shown.shape[1::-1]) / few / by
    off = fit * (0.5 - low * by) - 0.5
    there = np.array([[fit[0], 0, off[0]], [0, fit[1], off[1]], [0, 0, 1.0]])
    if not nearest and shrunk / factor > 1.5:
        shown = cv2.GaussianBlur(shown, (0, 0), 0.4 * shrunk / factor)
    way, border = (cv2.INTER_NEAREST, cv2.BORDER_CONSTANT) if nearest else (cv2.INTER_LINEAR, cv2.BORDER_REPLICATE)
    return cv2.warpPerspective(shown, there @ matrix, (columns, rows), flags=way | cv2.WARP_INVERSE_MAP,
                               borderMode=border, borderValue=beyond)  # fmt: skip


def scaling(by: float, x: float, y: float) -> np.ndarray:
    """Multiplies points and then shifts them, (3, 3).

    Parameters
    ----------
    by, x, y
        Factor [no unit]; shift, in the unit of what comes out.
    """
    return np.array([[by, 0, x], [0, by, y], [0, 0, 1.0]])


def sheet_matrix(sheet: np.ndarray, size: tuple[int, int] = FINDER_SIZE) -> np.ndarray:
    """From the pixels of a card laid flat in the middle of a piece to the picture's, (3, 3) [px].

    Parameters
    ----------
    sheet, size
        (3, 3) from the card's millimetres to the picture's pixels; rows and columns of the piece [px].
    """
    return sheet @ scaling(1 / SHEET, *(np.array(CARD_MM) - np.array(size[::-1]) / SHEET) / 2)


def whole_matrix(shape: tuple[int, ...]) -> np.ndarray:
    """From the finder's pixels, into which a whole picture is fitted, turned when it is upright, to its own, (3, 3) [px].

    Parameters
    ----------
    shape
        Of the picture, rows and columns first [px].
    """
    (rows, columns), (high, wide) = shape[:2], FINDER_SIZE
    turn = np.array([[0, -1, 0], [1, 0, 0], [0, 0, 1.0]]) if rows > columns else np.eye(3)
    fit = max(max(rows, columns) / wide, min(rows, columns) / high)
    return scaling(fit, (columns - 1) / 2, (rows - 1) / 2) @ turn @ scaling(1, -(wide - 1) / 2, -(high - 1) / 2)


def close_matrix(at: np.ndarray, outward: np.ndarray, width: float, where: tuple[float, float] = CLOSE_AT) -> np.ndarray:
    """From a close piece's pixels to the picture's, (3, 3) [px].

    Parameters
    ----------
    at, outward, width, where
        (2,) the end [px], (2,) the unit vector away from the stem [no unit], and the stem's width [px]; the end in the
        piece [px].
    """
    x, y = outward * width / CLOSE_WIDTH
    return np.array([[x, -y, at[0] - x * where[0] + y * where[1]], [y, x, at[1] - y * where[0] - x * where[1]], [0, 0, 1.0]])


def moved(points: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Points through a projective matrix, (n, 2) [px].

    Parameters
    ----------
    points, matrix
        (n, 2) and (3, 3) [px].
    """
    out = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(out[:, :2] / out[:, 2:])


def nearer(matrix: np.ndarray, share: float) -> np.ndarray:
    """From the finder's pixels to the picture's, (3, 3) [px], where it sees only the middle of another of its pieces.

    Parameters
    ----------
    matrix, share
        (3, 3) from the finder's pixels to the picture's for that piece [px]; of its width and height [no unit].
    """
    return matrix @ scaling(share, *((np.array(FINDER_SIZE[::-1]) - 1) / 2 * (1 - share)))
