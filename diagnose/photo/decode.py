"""What pixels does a picture's file hold, and can they be had within a stated memory?

How much memory decoding takes is worked out from the header, before anything is decoded: a small file may unpack to
any size.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterable
from typing import Any

import cv2
import numpy as np
from PIL import Image

from diagnose.cannot_use import CannotUse

PIXEL_LIMIT = 120_000_000  # above what phones and field cameras write
SIDE_LIMIT = 65_535  # the longest side that a JPEG can state (ITU-T T.81, B.2.2) [px]
MEMORY_LIMIT = 800_000_000  # that decoding and measuring may take [byte]: with 190 MB of program it stays below 1 GB
MEASURING = 9.0  # bytes a pixel that turning and measuring take at most, as measured on 50 and 108 million pixels
SCAN_LIMIT = 32  # scans of a JPEG; encoders write up to about a dozen (common practice, no source)
PAGE_LIMIT = 100  # pictures of one TIFF that are looked at; our choice
HEIF = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}  # brands, ISO/IEC 23008-12
AVIF = {b"avif", b"avis"}  # brands, AV1 Image File Format 1.1
READABLE = "JPEG, PNG, WebP, TIFF, HEIC or AVIF"
_STRIP = 4_000_000  # pixels that are turned into colours at a time
_OWN = {"1": 1, "L": 1, "P": 1, "I;16": 2, "I;16B": 2, "I;16L": 2, "I;16N": 2}  # bytes a pixel in Pillow; others 4
# What the decoder itself takes beside the picture that it hands out, as measured on 22 million pixels [byte a pixel]
_BESIDE = {"PNG": 0.0, "WEBP": 14.0, "HEIF": 6.0, "AVIF": 9.0}
_COLOURS, _SUB_PICTURES, _DNG_VERSION = 262, 330, 50706  # tags: TIFF 6.0, TIFF Technical Note 1, DNG 1.4
_RAW_COLOURS = {32803, 34892}  # colour filter array, linear raw: TIFF/EP and DNG 1.4


def format_of(data: bytes) -> str | None:
    """Pillow's name for the file's format, told from its first bytes; None for anything that is not read.

    Parameters
    ----------
    data
        The file's bytes [no unit].
    """
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
        return "WEBP"
    if data.startswith((b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")):
        return "TIFF"
    if data[4:8] == b"ftyp":
        brands = {data[at : at + 4] for at in (8, *range(16, min(int.from_bytes(data[:4], "big"), 128), 4))}
        return "AVIF" if brands & AVIF else "HEIF" if brands & HEIF else None
    return None


def opened(data: bytes, name: str) -> Image.Image:
    """The picture's header, nothing decoded; of a TIFF its largest page.

    Parameters
    ----------
    data
        The file's bytes [no unit].
    name
        The file's name, for what is said of it [no unit].

    Raises
    ------
    CannotUse
        For what is no picture, has too many pixels, would take too much memory, or is a raw file.
    """
    format_ = format_of(data)
    if format_ is None:
        raise CannotUse(f"{name} is not a picture that can be read: use {READABLE}")
    if format_ == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    elif format_ in ("WEBP", "TIFF", "AVIF"):
        Image.init()  # those that are not known from the start
    if format_ == "WEBP":
        _refuse_too_many(*_webp_size(data), name)  # its decoder takes memory as soon as it is opened
    try:
        with _quiet():
            page = _largest_page(data, name) if format_ == "TIFF" else 0
            header = Image.open(io.BytesIO(data), formats=(format_,))
            if page:
                header.seek(page)
    except CannotUse:
        raise
    except Image.DecompressionBombError:
        raise CannotUse(
            f"{name} has far too many pixels: save a copy below {PIXEL_LIMIT // 10**6} million and use that"
        ) from None
    except Exception:  # decoders raise what they like on broken headers
        raise CannotUse(cut_short(name)) from None
    _within_limits(header, data, name)
    return header


def cut_short(name: str) -> str:
    """The line about a file that breaks off or is damaged.

    Parameters
    ----------
    name
        The file's name, for what is said of it [no unit].
    """
    return f"{name} is damaged or cut short: copy it again from the phone or camera"


def exif_of(header: Image.Image, data: bytes) -> bytes:
    """The file's EXIF, as bytes; empty where it has none. Of a PNG only once it is decoded: it may follow the pixels.

    Parameters
    ----------
    header
        Of `opened` [no unit].
    data
        The file's bytes [no unit].
    """
    if header.format == "TIFF":
        return data
    exif = header.info.get("exif", b"")
    if header.format == "PNG" and not exif:
        return _exif_in_text(header)
    return exif if isinstance(exif, bytes) else b""


def _exif_in_text(header: Image.Image) -> bytes:
    """EXIF that a PNG carries as text: a line with its name, one with its length, then hexadecimal digits.

    So programs wrote it before the format had a chunk for it (PNG extensions 1.5.0, 2017, eXIf).
    """
    for key in ("Raw profile type exif", "Raw profile type APP1"):
        told = header.info.get(key)
        if isinstance(told, str):
            try:
                return bytes.fromhex("".join(told.split("\n")[3:]))
            except ValueError:
                return b"damaged"
    return b""


# ---- limits ----


def _within_limits(header: Image.Image, data: bytes, name: str) -> None:
    width, height = header.size
    _refuse_too_many(width, height, name)
    own = _jpeg_needs(header, data, name) if is_jpeg(header) else _others_need(header)
    needed = width * height * max(MEASURING, own) + 2 * len(data)
    if needed > MEMORY_LIMIT:
        raise CannotUse(f"{name} would take {needed / 1e6:.0f} MB to decode and measure, and {MEMORY_LIMIT // 10**6} are "
                        "allowed: save a smaller copy, or one as plain JPEG, and use that")


def _refuse_too_many(width: int, height: int, name: str) -> None:
    if width * height > PIXEL_LIMIT:
        raise CannotUse(
            f"{name} has {width} x {height} pixels: save a copy below {PIXEL_LIMIT // 10**6} million and use that"
        )
    if max(width, height) > SIDE_LIMIT:
        raise CannotUse(f"{name} has {width} x {height} pixels: no side may be longer than {SIDE_LIMIT}")
    if min(width, height) < 1:
        raise CannotUse(cut_short(name))


def _webp_size(data: bytes) -> tuple[int, int]:
    """Width and height that a WebP states (RFC 9649); 1, 1 where it breaks off, which its decoder tells."""
    kind, body = data[12:16], data[20:30]
    if len(body) < 10:
        return 1, 1
    if kind == b"VP8X":
        return 1 + int.from_bytes(body[4:7], "little"), 1 + int.from_bytes(body[7:10], "little")
    if kind == b"VP8L":
        sides = int.from_bytes(body[1:5], "little")
        return 1 + (sides & 0x3FFF), 1 + (sides >> 14 & 0x3FFF)
    return int.from_bytes(body[6:8], "little") & 0x3FFF, int.from_bytes(body[8:10], "little") & 0x3FFF


def is_jpeg(header: Image.Image) -> bool:
    """Is the file a JPEG, or the first picture of several that a JPEG holds?

    Parameters
    ----------
    header
        Of `opened` [no unit].
    """
    return header.format in ("JPEG", "MPO")  # MPO: a JPEG with more pictures after it


def _jpeg_needs(header: Any, data: bytes, name: str) -> float:
    """Bytes a pixel: the colours, and beside them the coefficients where they come in several scans."""
    at = _scan_start(data)
    if at is None:
        raise CannotUse(cut_short(name))
    coded = np.frombuffer(data, np.uint8, offset=at)
    marks = coded[np.flatnonzero(coded[:-1] == 0xFF) + 1]  # several times as fast as to look for two bytes at once
    ends = np.flatnonzero(marks == 0xD9)
    scans = int((marks[: ends[0] if len(ends) else None] == 0xDA).sum())
    if scans > SCAN_LIMIT:
        raise CannotUse(f"{name} is a JPEG of {scans} scans, as no camera writes them: save it again as plain JPEG")
    shares = [(across, down) for _, across, down, _ in header.layer]
    if not shares or min(map(min, shares)) < 1:
        raise CannotUse(cut_short(name))
    most = max(across for across, _ in shares) * max(down for _, down in shares)
    coefficients = 2 * sum(across * down for across, down in shares) / most if scans > 1 else 0.0
    return 4 + coefficients


def _others_need(header: Any) -> float:
    """Bytes a pixel: what Pillow holds, what its decoder takes beside that, and the colours."""
    own = _OWN.get(header.mode, 4)
    beside = _BESIDE.get(header.format)
    if beside is None:  # a TIFF may be one single strip, which is held as it is stored, at least 4 where it is a JPEG
        bits = header.tag_v2.get(258, (8,))
        beside = max(4.0, sum(bits if isinstance(bits, tuple) else (bits,)) / 8)
    return own + beside


def _scan_start(data: bytes) -> int | None:
    """Where a JPEG's first scan begins; None where its header breaks off."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        if data[at + 1] == 0xFF:  # fill byte
            at += 1
            continue
        if data[at + 1] == 0xDA:
            return at
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return None


def jpeg_is_whole(data: bytes) -> bool:
    """Does the picture's own scan end? (A thumbnail in the header does not count.)

    In coded data 0xFF is always followed by 0 or a restart mark, so an FF D9 after the start of the scan is the end of
    a picture [1]_.

    Parameters
    ----------
    data
        The file's bytes [no unit].

    References
    ----------
    .. [1] ITU-T T.81, B.1.1.
    """
    at = _scan_start(data)
    return at is not None and data.rfind(b"\xff\xd9", at) >= 0  # from the file's end, where it is met at once


# ---- the pages of a TIFF ----


def _largest_page(data: bytes, name: str) -> int:
    """The number of a TIFF's largest picture.

    Raises CannotUse where that one cannot be had: cameras' raw files are TIFFs too, and what is easily read of them is
    a small preview.
    """
    pages, below = _directories(data)
    if len(pages) > PAGE_LIMIT:
        raise CannotUse(f"{name} holds more than {PAGE_LIMIT} pictures: save the one that is meant by itself and use that")
    if data[8:10] == b"CR" or any(_DNG_VERSION in tags or tags.get(_COLOURS) in _RAW_COLOURS for tags in pages + below):
        raise CannotUse(f"{name} is a camera's raw file, of which only a small preview could be measured: export it as "
                        "JPEG and use that")
    sizes = [_pixels(tags) for tags in pages]
    if max(map(_pixels, below), default=0) > max(sizes):
        raise CannotUse(f"{name} holds a larger picture than the one that can be read: export it as JPEG and use that")
    return int(np.argmax(sizes))


def _pixels(tags: Any) -> int:
    width, height = tags.get(256, 0), tags.get(257, 0)
    return width * height if isinstance(width, int) and isinstance(height, int) else 0


def _directories(data: bytes) -> tuple[list[Any], list[Any]]:
    """The tags of a TIFF's pages, and those of the pictures that pages keep below themselves.

    No more than are looked at, and each once (TIFF 6.0, section 2; TIFF Technical Note 1).
    """
    from PIL.TiffImagePlugin import ImageFileDirectory_v2

    head, stream = data[: 16 if data[2:3] in b"+" or data[3:4] in b"+" else 8], io.BytesIO(data)
    pages: list[Any] = []
    below: list[Any] = []
    at, seen = ImageFileDirectory_v2(head).next, set()
    while at and at not in seen and len(pages) <= PAGE_LIMIT:
        seen.add(at)
        pages.append(_tags(stream, head, at))
        at = pages[-1].next
    for tags in pages:
        places = tags.get(_SUB_PICTURES, ())
        for place in (places if isinstance(places, tuple) else (places,))[:PAGE_LIMIT]:
            if isinstance(place, int) and place not in seen and len(below) <= PAGE_LIMIT:
                seen.add(place)
                below.append(_tags(stream, head, place))
    return pages, below


def _tags(stream: io.BytesIO, head: bytes, at: int) -> Any:
    from PIL.TiffImagePlugin import ImageFileDirectory_v2

    tags = ImageFileDirectory_v2(head)
    stream.seek(at)
    tags.load(stream)
    return tags


# ---- decoding ----


def decode_jpeg(data: bytes, flag: int, turned: int, name: str) -> np.ndarray:
    """A JPEG's picture, upright, (h, w, 3) uint8 blue-green-red, as OpenCV decodes it.

    Parameters
    ----------
    data
        The file's bytes [no unit].
    flag
        Of cv2.imdecode [no unit].
    turned
        EXIF orientation, 1 to 8 [no unit].
    name
        The file's name, for what is said of it [no unit].

    Raises
    ------
    CannotUse
        Where it cannot be decoded.
    """
    try:
        stored = cv2.imdecode(np.frombuffer(data, np.uint8), flag | cv2.IMREAD_IGNORE_ORIENTATION)
    except cv2.error:
        stored = None
    if stored is None:
        raise CannotUse(cut_short(name))
    return upright(stored, turned)


def upright(stored: np.ndarray, turned: int) -> np.ndarray:
    """A stored picture turned upright, (h, w, ...) of the same type.

    Parameters
    ----------
    stored
        The picture as the file holds it, (h, w, ...) [no unit].
    turned
        EXIF orientation, 1 to 8 [no unit].

    References
    ----------
    .. [1] Exif 2.3, tag 0x112.
    """
    if turned in (5, 6, 7, 8):
        quarter = {6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}.get(turned)
        if quarter is not None:
            return cv2.rotate(stored, quarter)
        across = cv2.transpose(stored)
        return across if turned == 5 else cv2.rotate(across, cv2.ROTATE_180)
    flips = {2: 1, 3: -1, 4: 0}
    return cv2.flip(stored, flips[turned]) if turned in flips else stored


def decode_other(header: Image.Image, name: str) -> np.ndarray:
    """The picture of anything but a JPEG, upright, (h, w, 3) uint8 blue-green-red.

    Parameters
    ----------
    header
        Of `opened` [no unit].
    name
        The file's name, for what is said of it [no unit].

    Raises
    ------
    CannotUse
        Where it cannot be decoded.
    """
    try:
        with _quiet():
            header.load()
            turned = _turned(header)
            stored = _in_colours(header)
    except Exception:  # decoders raise what they like on broken data
        raise CannotUse(cut_short(name)) from None
    header.im = None  # type: ignore[assignment]  # so that three copies never stand side by side
    return upright(stored, turned)


def _turned(header: Image.Image) -> int:
    try:
        return int(header.getexif().get(0x112, 1))
    except Exception:  # what is no EXIF leaves the picture good
        return 1


def _in_colours(frame: Image.Image) -> np.ndarray:
    """The frame as (h, w, 3) uint8 blue-green-red, a strip at a time, so that little more than both is ever held."""
    width, height = frame.size
    rows = max(1, _STRIP // width)
    deep = frame.mode.startswith(("I", "F"))
    strips = [(top, (0, top, width, min(top + rows, height))) for top in range(0, height, rows)]
    low, high = _range((np.asarray(frame.crop(box)) for _, box in strips), frame.mode) if deep else (0.0, 1.0)
    out = np.empty((height, width, 3), np.uint8)
    for top, box in strips:
        part = frame.crop(box)
        seen = _grey_to_bgr(np.asarray(part, np.float32), low, high) if deep else _eight_bit_bgr(part)
        out[top : top + len(seen)] = seen
    return out


def _eight_bit_bgr(part: Image.Image) -> np.ndarray:
    if part.has_transparency_data:
        clear = part.convert("RGBA")
        part = Image.new("RGBA", clear.size, "white")
        part.alpha_composite(clear)
    return np.asarray(part.convert("RGB"))[:, :, ::-1]


def _range(parts: Iterable[np.ndarray], mode: str) -> tuple[float, float]:
    """What is black and what is white of deep grey: 16-bit whole numbers by their range, others by their own."""
    low, high = (0.0, 65535.0) if mode.startswith("I") else (0.0, 1.0)
    ends = [(float(good.min()), float(good.max())) for part in parts if (good := part[np.isfinite(part)]).size]
    least, most = min((end[0] for end in ends), default=low), max((end[1] for end in ends), default=high)
    return (least, most) if least < low or most > high else (low, high)


def _grey_to_bgr(grey: np.ndarray, low: float, high: float) -> np.ndarray:
    eight = np.clip((np.nan_to_num(grey, nan=low) - low) * (255.0 / max(high - low, 1e-9)), 0, 255)
    return cv2.cvtColor(np.round(eight).astype(np.uint8), cv2.COLOR_GRAY2BGR)


def _quiet() -> warnings.catch_warnings:
    return warnings.catch_warnings(action="ignore")
