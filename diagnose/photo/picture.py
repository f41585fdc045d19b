"""What picture does a file hold, and which way is up?"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from diagnose.cannot_use import CannotUse as CannotUse
from diagnose.photo.decode import cut_short, decode_jpeg, decode_other, exif_of, is_jpeg, jpeg_is_whole, opened
from diagnose.photo.exif import Taken, read_taken
from diagnose.signs import Measured

if TYPE_CHECKING:
    from os import PathLike

FILE_LIMIT = 150_000_000  # of a picture's file, beyond what cameras write; our choice [byte]
CAMERA_SHAPES = (4 / 3, 3 / 2, 16 / 9)  # long side over short; common practice, no source
CROPPED_FOCAL_SIGMA = 0.5  # relative: a cropped picture's focal length has only an order of magnitude
DIAGONAL_35MM = 43.267  # diagonal of the 36 x 24 mm frame [mm]


@dataclass(frozen=True)
class Picture:
    """An upright picture and what its file says of it.

    Parameters
    ----------
    name, data
        The file's name, and its bytes, untouched [no unit].
    size
        Width and height, upright [px].
    turned
        How the stored picture is turned (EXIF orientation, 1 to 8), 1 where the decoder has turned it already [no unit].
    taken
        Place, time and lens [no unit].
    decoded
        (h, w, 3) uint8 blue, green, red where it is decoded already; None else [0 to 255].
    """

    name: str
    size: tuple[int, int]
    data: bytes = field(repr=False)
    turned: int
    taken: Taken
    decoded: np.ndarray | None = field(default=None, repr=False)

    @cached_property
    def sha256(self) -> str:
        """Of the file's bytes, as hex."""
        return hashlib.sha256(self.data).hexdigest()

    @cached_property
    def bgr(self) -> np.ndarray:
        """The upright picture, (height, width, 3) uint8, blue-green-red, decoded when first asked for."""
        if self.decoded is not None:
            return self.decoded
        return decode_jpeg(self.data, cv2.IMREAD_COLOR, self.turned, self.name)

    def reduced(self, factor: int = 2) -> np.ndarray:
        """The picture shrunk, (h, w, 3) uint8, as cheaply as can be.

        Pixel centres obey full = (small + 0.5) * factor - 0.5. A JPEG whose sides are multiples of the factor
        and that is not decoded yet is shrunk while it is decoded, which is much cheaper and a little different.

        Parameters
        ----------
        factor
            1, 2, 4 or 8 [no unit].

        Raises
        ------
        ValueError
            For another factor.
        """
        flags = {1: cv2.IMREAD_COLOR, 2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4}
        flags[8] = cv2.IMREAD_REDUCED_COLOR_8
        if factor not in flags:
            raise ValueError("a picture is reduced by 1, 2, 4 or 8")
        width, height = self.size
        undecoded = self.decoded is None and "bgr" not in self.__dict__
        if factor > 1 and undecoded and width % factor == 0 and height % factor == 0:
            return decode_jpeg(self.data, flags[factor], self.turned, self.name)
        return self.smaller(factor)

    def smaller(self, factor: int) -> np.ndarray:
        """The mean of each block of factor x factor pixels, (h, w, 3) uint8, made once.

        Unlike `reduced` the same whether or not the picture was decoded before.

        Parameters
        ----------
        factor
            A power of two [no unit].
        """
        if factor == 1:
            return self.bgr
        if ("smaller", factor) not in self.kept:
            self.kept["smaller", factor] = shrink(self.smaller(factor // 2), 2)
        return self.kept["smaller", factor]

    @cached_property
    def kept(self) -> dict[tuple[str | int | bytes, ...], Any]:
        """What was worked out of the whole picture and is asked for again, by what it is."""
        return {}

    @property
    def cropped(self) -> bool:
        """Is this, by its shape, a part of a larger picture or a screenshot?

        Its shape is not the one that its EXIF states or, where that states none, not one that cameras write.
        """
        shape = max(self.size) / min(self.size)
        stated = self.taken.pixels
        shapes = CAMERA_SHAPES if stated is None else (max(stated) / min(stated),)
        return all(abs(shape / each - 1) > 0.01 for each in shapes)

    @cached_property
    def focal_px(self) -> Measured | None:
        """Focal length [px] of the upright picture, from the 35 mm equivalent; None where the file has none.

        F35 x diagonal / 43.267. EXIF rounds F35 to 1 mm (standard uncertainty 0.29 mm) and makers' figures
        are nominal (3 %, common practice, no source). Where the picture was cropped little is known.
        """
        equivalent = self.taken.focal_35mm
        if equivalent is None:
            return None
        width, height = self.size
        relative = CROPPED_FOCAL_SIGMA if self.cropped else float(np.hypot(0.29 / equivalent, 0.03))
        value = equivalent * float(np.hypot(width, height)) / DIAGONAL_35MM
        return Measured(value, relative * value)


def shrink(image: np.ndarray, factor: int) -> np.ndarray:
    """Mean of each factor x factor block; what is beyond the last whole block is left out.

    Parameters
    ----------
    image
        (h, w, ...) uint8 [no unit].
    factor
        A power of two [no unit].
    """
    while factor > 1:  # halving again and again is three times as fast as one step
        height, width = (side // 2 for side in image.shape[:2])
        image = cv2.resize(image[: height * 2, : width * 2], (width, height), interpolation=cv2.INTER_AREA)
        factor //= 2
    return image


def read_picture(source: str | PathLike[str] | bytes, name: str | None = None) -> Picture:
    """Read a picture from a path or from a file's bytes; of a TIFF the largest page.

    Parameters
    ----------
    source
        Path of the file, or its bytes [no unit].
    name
        How the file is called, where bytes are given [no unit].

    Raises
    ------
    CannotUse
        With one line that says what to do: no such file, a folder, empty, larger than FILE_LIMIT, not a picture, cut
        short, a raw file, or of more pixels than PIXEL_LIMIT or MEMORY_LIMIT allow (read from the header, before
        anything is decoded).
    """
    if isinstance(source, bytes | bytearray | memoryview):
        data, name = bytes(source), name or "picture"
    else:
        name = name or Path(source).name
        data = _file_bytes(Path(source), name)
    if not data:
        raise CannotUse(f"{name} is empty: copy it again from the phone or camera")
    if len(data) > FILE_LIMIT:
        raise CannotUse(_too_long(name))
    with opened(data, name) as header:
        width, height = header.size
        if is_jpeg(header):
            if not jpeg_is_whole(data):
                raise CannotUse(cut_short(name))
            taken = read_taken(exif_of(header, data))
            decoded, turned = None, taken.orientation
        else:
            decoded, turned = decode_other(header, name), 1
            taken = read_taken(exif_of(header, data))
    if decoded is not None:
        height, width = decoded.shape[:2]
    elif turned >= 5:
        width, height = height, width
    return Picture(name, (width, height), data, turned, taken, decoded)


def _too_long(name: str) -> str:
    return f"{name} is larger than {FILE_LIMIT // 10**6} MB: save it as JPEG and use that"


def _file_bytes(path: Path, name: str) -> bytes:
    try:
        if path.is_dir():
            raise CannotUse(f"{name} is a folder: name the picture files in it")
        if path.stat().st_size > FILE_LIMIT:
            raise CannotUse(_too_long(name))
        return path.read_bytes()
    except FileNotFoundError:
        raise CannotUse(f"{name} is not there: check the path") from None
    except CannotUse:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise CannotUse(f"{name} cannot be read ({reason}): check the path and its permissions") from None
