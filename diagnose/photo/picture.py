"""What picture does a file hold, and which way is up?"""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from PIL import Image, ImageOps

from diagnose.cannot_use import CannotUse as CannotUse
from diagnose.photo.exif import Taken, read_taken
from diagnose.signs import Measured

if TYPE_CHECKING:
    from os import PathLike

PIXEL_LIMIT = 120_000_000  # above what phones and field cameras write; 120 Mpx decoded are 360 MB
BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}  # ISO/IEC 23008-12
READABLE = "JPEG, PNG, WebP, TIFF or HEIC"
CAMERA_SHAPES = (4 / 3, 3 / 2, 16 / 9)  # long side over short; common practice, no source
CROPPED_FOCAL_SIGMA = 0.5  # relative: a cropped picture's focal length has only an order of magnitude
DIAGONAL_35MM = 43.267  # diagonal of the 36 x 24 mm frame [mm]


@dataclass(frozen=True)
class Picture:
    """An upright picture and what its file says of it.

    name : file name. size : (width, height) upright [px].
    data : the file's bytes, untouched. turned : how the stored picture is turned (EXIF orientation, 1 to 8),
    1 where the decoder has turned it already. taken : place, time and lens.
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
        return _decode_jpeg(self.data, cv2.IMREAD_COLOR, self.turned, self.name)

    def reduced(self, factor: int = 2) -> np.ndarray:
        """The picture shrunk by `factor` (1, 2, 4 or 8), (h, w, 3) uint8, as cheaply as can be.

        Pixel centres obey full = (small + 0.5) * factor - 0.5. A JPEG whose sides are multiples of the factor
        and that is not decoded yet is shrunk while it is decoded, which is much cheaper and a little different.
        """
        flags = {1: cv2.IMREAD_COLOR, 2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4}
        flags[8] = cv2.IMREAD_REDUCED_COLOR_8
        if factor not in flags:
            raise ValueError("a picture is reduced by 1, 2, 4 or 8")
        width, height = self.size
        undecoded = self.decoded is None and "bgr" not in self.__dict__
        if factor > 1 and undecoded and width % factor == 0 and height % factor == 0:
            return _decode_jpeg(self.data, flags[factor], self.turned, self.name)
        return self.smaller(factor)

    def smaller(self, factor: int) -> np.ndarray:
        """The mean of each block of `factor` x `factor` pixels (1, 2, 4 or 8), (h, w, 3) uint8, made once.

        Unlike `reduced` the same whether or not the picture was decoded before.
        """
        if factor == 1:
            return self.bgr
        if ("smaller", factor) not in self.kept:
            self.kept["smaller", factor] = shrink(self.smaller(factor // 2), 2)
        return self.kept["smaller", factor]

    @cached_property
    def kept(self) -> dict[tuple[str | int, ...], Any]:
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
    """Mean of each factor x factor block (1, 2, 4, 8); what is beyond the last whole block is left out."""
    while factor > 1:  # halving again and again is three times as fast as one step
        height, width = (side // 2 for side in image.shape[:2])
        image = cv2.resize(image[: height * 2, : width * 2], (width, height), interpolation=cv2.INTER_AREA)
        factor //= 2
    return image


def read_picture(source: str | PathLike[str] | bytes, name: str | None = None) -> Picture:
    """Read a picture from a path or from a file's bytes.

    Raises CannotUse with one line that says what to do: no such file, a folder, empty, not a picture, cut
    short, or larger than PIXEL_LIMIT (told from the header, before anything is decoded).
    """
    if isinstance(source, bytes | bytearray | memoryview):
        data, name = bytes(source), name or "picture"
    else:
        name = name or Path(source).name
        data = _file_bytes(Path(source), name)
    if not data:
        raise CannotUse(f"{name} is empty: copy it again from the phone or camera")
    with _header(data, name) as header:
        width, height = header.size
        if width * height > PIXEL_LIMIT:
            raise CannotUse(_too_large(name, width, height))
        is_jpeg = header.format in ("JPEG", "MPO")  # MPO: a JPEG with more pictures after it
        exif = data if header.format == "TIFF" else header.info.get("exif", b"")
        taken = read_taken(exif)
        if is_jpeg:
            if not _jpeg_is_whole(data):
                raise CannotUse(_cut_short(name))
            decoded, turned = None, taken.orientation
        else:
            decoded, turned = _decode_other(header, name), 1
    if decoded is not None:
        height, width = decoded.shape[:2]
    elif turned >= 5:
        width, height = height, width
    return Picture(name, (width, height), data, turned, taken, decoded)


def _too_large(name: str, width: int, height: int) -> str:
    return (
        f"{name} has {width} x {height} pixels: save a copy below {PIXEL_LIMIT // 10**6} million and use that"
    )


def _cut_short(name: str) -> str:
    return f"{name} is damaged or cut short: copy it again from the phone or camera"


def _file_bytes(path: Path, name: str) -> bytes:
    try:
        if path.is_dir():
            raise CannotUse(f"{name} is a folder: name the picture files in it")
        return path.read_bytes()
    except FileNotFoundError:
        raise CannotUse(f"{name} is not there: check the path") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise CannotUse(f"{name} cannot be read ({reason}): check the path and its permissions") from None


def _format(data: bytes) -> str | None:
    """Pillow's name for the file's format, told from its first bytes; None for anything that is not read."""
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
        return "WEBP"
    if data.startswith((b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")):
        return "TIFF"
    if data[4:8] == b"ftyp" and data[8:12] in BRANDS:
        return "HEIF"
    return None


def _header(data: bytes, name: str) -> Image.Image:
    format_ = _format(data)
    if format_ is None:
        raise CannotUse(f"{name} is not a picture that can be read: use {READABLE}")
    if format_ == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    elif format_ in ("WEBP", "TIFF"):
        Image.init()  # the two that are not known from the start
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return Image.open(io.BytesIO(data), formats=(format_,))
    except Image.DecompressionBombError:
        limit = PIXEL_LIMIT // 10**6
        raise CannotUse(
            f"{name} has far too many pixels: save a copy below {limit} million and use that"
        ) from None
    except Exception:  # decoders raise what they like on broken headers
        raise CannotUse(_cut_short(name)) from None


def _jpeg_is_whole(data: bytes) -> bool:
    """Does the picture's own scan end? (A thumbnail in the header, or pictures added later, do not count.)

    In coded data 0xFF is always followed by 0 or a restart mark, so the first FF D9 after the start of the
    scan is the end of the picture (ITU-T T.81, B.1.1).
    """
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        if data[at + 1] == 0xFF:  # fill byte
            at += 1
            continue
        if data[at + 1] == 0xDA:
            return data.rfind(b"\xff\xd9", at) >= 0  # from the file's end, where it is met at once
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return False


def _decode_jpeg(data: bytes, flag: int, turned: int, name: str) -> np.ndarray:
    try:
        stored = cv2.imdecode(np.frombuffer(data, np.uint8), flag | cv2.IMREAD_IGNORE_ORIENTATION)
    except cv2.error:
        stored = None
    if stored is None:
        raise CannotUse(_cut_short(name))
    return upright(stored, turned)


def upright(stored: np.ndarray, turned: int) -> np.ndarray:
    """Turn a stored picture upright, given its EXIF orientation (Exif 2.3, tag 0x112)."""
    if turned in (5, 6, 7, 8):
        quarter = {6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}.get(turned)
        if quarter is not None:
            return cv2.rotate(stored, quarter)
        across = cv2.transpose(stored)
        return across if turned == 5 else cv2.rotate(across, cv2.ROTATE_180)
    flips = {2: 1, 3: -1, 4: 0}
    return cv2.flip(stored, flips[turned]) if turned in flips else stored


def _decode_other(header: Image.Image, name: str) -> np.ndarray:
    """The first frame of anything but a JPEG, upright, (h, w, 3) uint8 blue-green-red."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = ImageOps.exif_transpose(header)
            return _eight_bit_bgr(frame)
    except CannotUse:
        raise
    except Exception:  # decoders raise what they like on broken data
        raise CannotUse(_cut_short(name)) from None


def _eight_bit_bgr(frame: Image.Image) -> np.ndarray:
    if frame.mode.startswith(("I", "F")):
        return _grey_to_bgr(np.asarray(frame, np.float32), sixteen_bit=frame.mode.startswith("I"))
    if frame.has_transparency_data:
        clear = frame.convert("RGBA")
        frame = Image.new("RGBA", clear.size, "white")
        frame.alpha_composite(clear)
    return np.ascontiguousarray(np.asarray(frame.convert("RGB"))[:, :, ::-1])


def _grey_to_bgr(grey: np.ndarray, sixteen_bit: bool) -> np.ndarray:
    """Deep grey pictures as 8 bit: 16-bit whole numbers by their range, others stretched to their own."""
    finite = grey[np.isfinite(grey)]
    low, high = (0.0, 65535.0) if sixteen_bit else (0.0, 1.0)
    if finite.size and (finite.min() < low or finite.max() > high):
        low, high = float(finite.min()), float(finite.max())
    eight = np.clip((np.nan_to_num(grey, nan=low) - low) * (255.0 / max(high - low, 1e-9)), 0, 255)
    return cv2.cvtColor(np.round(eight).astype(np.uint8), cv2.COLOR_GRAY2BGR)
