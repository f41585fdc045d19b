"""Which pieces of a picture do the networks see, and what may a pixel be?

The finder sees a whole picture, or a scale card laid flat, at 448 x 320 pixels; the close network sees a stem's end turned
so that the stem comes from the left, 36 pixels wide. Training and use cut their pieces alike. All pixel coordinates are
OpenCV's: the centre of the top-left pixel is 0, 0.
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
    picture
        A picture, or (h, w) or (h, w, channels) uint8: colours [0 to 255], or labels [no unit].
    matrix
        (3, 3) from the piece's pixels to the picture's [px].
    size
        Rows and columns of the piece [px].
    nearest
        For labels, which are not mixed? [no unit]
    beyond
        Label outside the picture; colours there are those of its rim [no unit].
    """
    rows, columns = size
    corners = np.array([(0, 0, 1), (columns, 0, 1), (columns, rows, 1), (0, rows, 1), (columns / 2, rows / 2, 1),
                        (columns / 2 + 1, rows / 2, 1), (columns / 2, rows / 2 + 1, 1)], float) @ matrix.T  # fmt: skip
    at = corners[:, :2] / corners[:, 2:]
    whole = np.array(picture.size if isinstance(picture, Picture) else picture.shape[1::-1])
    shrunk = float(np.sqrt(abs(np.linalg.det(at[5:] - at[4]))))
    factor = 1 if nearest else max(int(min(shrunk, whole.min() / 2)), 1)
    by = 1 << factor.bit_length() - 1  # the halvings that come next below it
    low = np.clip(np.floor(at[:4].min(axis=0)).astype(int) - 8, 0, whole - 2 * by) // by
    high = np.maximum(-(-np.minimum(np.ceil(at[:4].max(axis=0)).astype(int) + 9, whole) // by), low + 2)
    (left, top), (right, bottom) = low, high
    if isinstance(picture, Picture):
        part = picture.smaller(by)[top:bottom, left:right]
    else:
        part = shrink(picture[top * by : bottom * by, left * by : right * by], by)
    if factor > by:
        to = (max(part.shape[1] * by // factor, 1), max(part.shape[0] * by // factor, 1))
        shown = cv2.resize(part, to, interpolation=cv2.INTER_AREA)
    else:
        shown = part
    fit = np.array([shown.shape[1] / part.shape[1], shown.shape[0] / part.shape[0]]) / by
    off = fit * (0.5 - low * by) - 0.5
    there = np.array([[fit[0], 0, off[0]], [0, fit[1], off[1]], [0, 0, 1.0]])
    if not nearest and shrunk / factor > 1.5:
        shown = cv2.GaussianBlur(shown, (0, 0), 0.4 * shrunk / factor)
    way, border = (cv2.INTER_NEAREST, cv2.BORDER_CONSTANT) if nearest else (cv2.INTER_LINEAR, cv2.BORDER_REPLICATE)
    return np.asarray(
        cv2.warpPerspective(
            shown, there @ matrix, (columns, rows), flags=way | cv2.WARP_INVERSE_MAP, borderMode=border, borderValue=beyond
        )
    )


def sheet_matrix(sheet: np.ndarray, size: tuple[int, int] = FINDER_SIZE) -> np.ndarray:
    """From the pixels of a card laid flat in the middle of a piece to the picture's, (3, 3) [px].

    Parameters
    ----------
    sheet
        (3, 3) from the card's millimetres to the picture's pixels [px per mm].
    size
        Rows and columns of the piece [px].
    """
    rows, columns = size
    return sheet @ np.array(
        [
            [1 / SHEET, 0, CARD_MM[0] / 2 - columns / 2 / SHEET],
            [0, 1 / SHEET, CARD_MM[1] / 2 - rows / 2 / SHEET],
            [0, 0, 1],
        ]
    )


def whole_matrix(shape: tuple[int, ...], size: tuple[int, int] = FINDER_SIZE) -> np.ndarray:
    """From the pixels of a piece, into which a whole picture is fitted, turned when it is upright, to its own, (3, 3) [px].

    Parameters
    ----------
    shape
        Of the picture, rows and columns first [px].
    size
        Rows and columns of the piece [px].
    """
    rows, columns = shape[:2]
    turned = rows > columns
    fit = max(columns / size[1], rows / size[0]) if not turned else max(rows / size[1], columns / size[0])
    here = np.array([[1, 0, -(size[1] - 1) / 2], [0, 1, -(size[0] - 1) / 2], [0, 0, 1.0]])
    turn = np.array([[0, -1, 0], [1, 0, 0], [0, 0, 1.0]]) if turned else np.eye(3)
    there = np.array([[fit, 0, (columns - 1) / 2], [0, fit, (rows - 1) / 2], [0, 0, 1.0]])
    return np.asarray(there @ turn @ here)


def close_matrix(at: np.ndarray, outward: np.ndarray, width: float, where: tuple[float, float] = CLOSE_AT) -> np.ndarray:
    """From a close piece's pixels to the picture's, (3, 3) [px].

    Parameters
    ----------
    at
        (2,) the end [px].
    outward
        (2,) unit vector away from the stem [no unit].
    width
        Of the stem [px].
    where
        The end in the piece [px].
    """
    x, y = outward * width / CLOSE_WIDTH
    return np.array([[x, -y, at[0] - x * where[0] + y * where[1]], [y, x, at[1] - y * where[0] - x * where[1]], [0, 0, 1.0]])


def moved(points: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Points through a projective matrix, (n, 2) [px].

    Parameters
    ----------
    points
        (n, 2) [px].
    matrix
        (3, 3) [no unit].
    """
    out = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(out[:, :2] / out[:, 2:])
