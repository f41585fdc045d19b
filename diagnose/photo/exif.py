"""When, where and with what lens was a picture taken, as far as its file can be believed?

Every value is checked alone. What cannot be true is refused with a reason and left out, never guessed: files
carry 0/0 rationals for "unknown", positions of exactly 0, 0, clocks that were never set, and worse.

Tags and their meanings: Exif 2.3 (JEITA CP-3451C / CIPA DC-008), sections 4.6.5 and 4.6.6.
"""

from __future__ import annotations

import io
import logging
import math
import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Any

# Datums that agree with WGS 84 within a few metres, less than a phone's position error.
LIKE_WGS84 = ("WGS84", "WGS1984", "NAD83", "ETRS89", "JGD2000", "JGD2011", "GDA94", "GDA2020")
LEAST_ALTITUDE, GREATEST_ALTITUDE = -500.0, 9000.0  # a little beyond the lowest and highest land [m]
FIRST_YEAR = 1990  # before digital photographs
OFFSETS = timedelta(hours=-12), timedelta(hours=14)  # zones in use
LEADS_TO_MORE = (0x8769, 0x8825, 0xA005)  # the tags that hold where Exif's, GPS' and interoperability's directories begin
MOST_ENTRIES, MOST_DIRECTORIES = 1_000, 30  # of a directory, of a file; a few times as many as cameras write; our choice


@dataclass(frozen=True)
class Taken:
    """What a file says of how its picture was taken; None where it does not say or cannot be believed.

    Parameters
    ----------
    time, time_is_local, offset_inferred
        Aware where the file states its zone, or the satellites' clock lets it be worked out (`offset_inferred`), else the
        camera's local clock (`time_is_local`) [no unit].
    lat, lon
        WGS 84 [degree].
    altitude_m
        Above sea level as stated; phones may mean the ellipsoid, up to about 100 m apart [m].
    error_m
        Horizontal position error as stated, on many phones the radius that holds 68 % [m].
    direction_deg, direction_is_magnetic
        Where the camera pointed, clockwise from north [degree], and from which north.
    camera, lens
        Names [no unit].
    focal_mm, focal_35mm
        Focal length, and that of a 35 mm camera with the same view [mm].
    pixels
        Stored width and height as the camera wrote them [px].
    orientation
        1 to 8 [no unit].
    refused
        Reasons, a line each [no unit].
    """

    time: datetime | None = None
    time_is_local: bool = False
    offset_inferred: bool = False
    lat: float | None = None
    lon: float | None = None
    altitude_m: float | None = None
    error_m: float | None = None
    direction_deg: float | None = None
    direction_is_magnetic: bool | None = None
    camera: str | None = None
    lens: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    pixels: tuple[int, int] | None = None
    orientation: int = 1
    refused: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Place and time as the command prints them."""
        return {
            "time": self.time.isoformat() if self.time else None,
            "time_is_local": self.time_is_local,
            "offset_inferred": self.offset_inferred,
            "lat": self.lat,
            "lon": self.lon,
            "altitude_m": self.altitude_m,
            "error_m": self.error_m,
            "direction_deg": self.direction_deg,
            "lens": self.lens,
            "refused": list(self.refused),
        }


class Refused(ValueError):
    """A value in the file cannot be true; the message says why."""


_DAMAGED = "EXIF is damaged: place and time were not read"


def read_taken(exif: bytes) -> Taken:
    """What EXIF bytes say of how the picture was taken; never an error for bad ones.

    Parameters
    ----------
    exif
        A TIFF stream, with or without the leading "Exif" mark [no unit].
    """
    if not exif:
        return Taken()
    try:
        tags = _tags(exif)
    except Exception:  # the reader raises what it likes on broken streams; the picture is still good
        return Taken(refused=(_DAMAGED,))
    if not tags and not exif.removeprefix(b"Exif\x00\x00").startswith((b"II*\x00", b"MM\x00*")):  # TIFF 6.0, section 2
        return Taken(refused=(_DAMAGED,))
    return taken_from(tags)


def _tags(exif: bytes) -> dict[str, Any]:
    import exifread

    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    stream = io.BytesIO(_believable(exif.removeprefix(b"Exif\x00\x00")))
    return exifread.process_file(stream, details=False, extract_thumbnail=False)


def _believable(exif: bytes) -> bytes:
    """The same stream, no directory of which states more entries than it has room for or any camera writes.

    The reader takes such a count at its word, and one wrong byte makes it 65,535: a second of work for a single picture.
    """
    order = {b"II": "<", b"MM": ">"}.get(exif[:2])
    if order is None or len(exif) < 8:
        return exif
    counted: dict[int, int] = {}
    waiting = [*struct.unpack_from(order + "I", exif, 4)]
    while waiting and len(counted) < MOST_DIRECTORIES:
        at = waiting.pop()
        room = (len(exif) - at - 2) // 12
        if at < 8 or at in counted or room < 0:
            continue
        entries = counted[at] = min(*struct.unpack_from(order + "H", exif, at), room, MOST_ENTRIES)
        end = at + 2 + 12 * entries
        tags = struct.iter_unpack(order + "HHII", exif[at + 2 : end])
        waiting += [where for tag, _, _, where in tags if tag in LEADS_TO_MORE]
        waiting += struct.unpack_from(order + "I", exif, end) if end + 4 <= len(exif) else ()
    bounded = bytearray(exif)
    for at, entries in counted.items():
        struct.pack_into(order + "H", bounded, at, entries)
    return bytes(bounded)


def taken_from(tags: Mapping[str, Any]) -> Taken:
    """What exifread's tags say of how the picture was taken.

    Parameters
    ----------
    tags
        exifread's, "IFD Name" -> tag with .values [no unit].
    """
    refused: list[str] = []

    def kept(what: str, read: Any, *rest: Any) -> Any:
        """The value, or None with the reason noted."""
        try:
            return read(tags, *rest)
        except Refused as reason:
            refused.append(f"{what}: {reason}")
        except (ValueError, TypeError, ArithmeticError, AttributeError, LookupError):
            refused.append(f"{what}: not readable")
        return None

    time, inferred = kept("time", _time) or (None, False)
    lat, lon = kept("position", _position) or (None, None)
    direction, magnetic = kept("direction", _direction) or (None, None)
    return Taken(
        time=time,
        time_is_local=time is not None and time.tzinfo is None,
        offset_inferred=inferred,
        lat=lat,
        lon=lon,
        altitude_m=kept("altitude", _altitude),
        error_m=kept("position error", _error),
        direction_deg=direction,
        direction_is_magnetic=magnetic,
        camera=kept("camera", _camera),
        lens=kept("lens", lambda tags: _text(tags, "EXIF LensModel")),
        focal_mm=kept("focal length", _length, "EXIF FocalLength", 0.5, 3000.0),
        focal_35mm=kept("35 mm focal length", _length, "EXIF FocalLengthIn35mmFilm", 5.0, 3000.0),
        pixels=_pixels(tags),
        orientation=_orientation(tags),
        refused=tuple(refused),
    )


def _values(tags: Mapping[str, Any], name: str) -> list[Any]:
    """The tag's values as a list; empty where the tag is absent."""
    tag = tags.get(name)
    if tag is None:
        return []
    values = getattr(tag, "values", tag)
    values = list(values) if isinstance(values, list | tuple) else [values]
    # the reader hands out FLOAT and DOUBLE values each in a tuple of its own
    return [value[0] if isinstance(value, tuple) and len(value) == 1 else value for value in values]


def _text(tags: Mapping[str, Any], name: str) -> str | None:
    values = _values(tags, name)
    if not values:
        return None
    if all(isinstance(value, int) for value in values):  # some writers store text as bytes
        values = [bytes(value & 0xFF for value in values)]
    text = values[0].decode("latin-1") if isinstance(values[0], bytes) else str(values[0])
    return text.split("\x00")[0].strip() or None


def _number(value: Any) -> float:
    """A finite number; refuses 0/0, n/0 and NaN."""
    if getattr(value, "denominator", 1) == 0:
        raise Refused("a division by zero stands in the file")
    number = float(value)
    if not math.isfinite(number):
        raise Refused("not a number")
    return number


def _single(tags: Mapping[str, Any], name: str) -> float | None:
    values = _values(tags, name)
    return _number(values[0]) if values else None


def _byte(tags: Mapping[str, Any], name: str) -> int | None:
    r"""A BYTE tag in any guise that writers and readers give it: 0, b"\x00" or "0"."""
    values = _values(tags, name)
    if not values:
        return None
    value = values[0]
    if isinstance(value, bytes | str):
        if not value:
            return None
        value = value[0] if isinstance(value, bytes) else ord(value[0])
    return int(value) - ord("0") if int(value) >= ord("0") else int(value)


def _day(text: str, reason: str) -> datetime:
    found = re.fullmatch(r"(\d{4})[:\-](\d\d)[:\-](\d\d)[ T](\d\d):(\d\d):(\d\d)(?:\.\d*)?", text)
    if found is None:
        raise Refused(reason)
    try:
        return datetime(*(int(part) for part in found.groups()))  # type: ignore[arg-type]
    except ValueError:
        raise Refused(reason) from None


def _time(tags: Mapping[str, Any]) -> tuple[datetime, bool] | None:
    """When the picture was taken, and whether its zone was worked out from the satellites' clock."""
    for name in ("Original", "Digitized"):
        text = _text(tags, f"EXIF DateTime{name}")
        if text is not None and text.strip(" :"):
            break
    else:
        return None
    local = _day(text, f"{text!r} is no date")
    if local.year < FIRST_YEAR or local > datetime.now() + timedelta(days=2):
        raise Refused(f"{text!r} cannot be: the camera's clock was not set")
    stated = _text(tags, f"EXIF OffsetTime{name}")
    offset = _offset(stated) if stated else None
    if offset is not None:
        return local.replace(tzinfo=timezone(offset)), False
    inferred = _offset_from_satellites(tags, local)
    if inferred is not None:
        return local.replace(tzinfo=timezone(inferred)), True
    return local, False


def _offset(text: str) -> timedelta | None:
    if text == "Z":
        return timedelta(0)
    found = re.fullmatch(r"([+\-])(\d\d):?(\d\d)", text)
    if found is None or int(found[3]) >= 60:
        return None
    offset = timedelta(hours=int(found[2]), minutes=int(found[3])) * (-1 if found[1] == "-" else 1)
    return offset if OFFSETS[0] <= offset <= OFFSETS[1] else None


def _offset_from_satellites(tags: Mapping[str, Any], local: datetime) -> timedelta | None:
    """Local clock minus GPS time (UTC), to the nearest quarter of an hour.

    The fix may be minutes older than the picture, so a remainder of more than five minutes tells nothing.
    """
    try:
        date = _text(tags, "GPS GPSDate")
        clock = [_number(part) for part in _values(tags, "GPS GPSTimeStamp")]
        if date is None or len(clock) != 3:
            return None
        fix = _day(f"{date} 00:00:00", "") + timedelta(hours=clock[0], minutes=clock[1], seconds=clock[2])
    except (ValueError, TypeError, OverflowError):
        return None
    quarter = timedelta(minutes=15)
    offset = round((local - fix) / quarter) * quarter
    if abs(local - fix - offset) > timedelta(minutes=5) or not OFFSETS[0] <= offset <= OFFSETS[1]:
        return None
    return offset


def _refuse_void(tags: Mapping[str, Any]) -> None:
    if (_text(tags, "GPS GPSStatus") or "A").upper() == "V":
        raise Refused("the receiver had no fix (status V)")


def _position(tags: Mapping[str, Any]) -> tuple[float, float] | None:
    """Latitude and longitude, or neither: half a position is none."""
    if not any(_values(tags, f"GPS GPS{axis}") for axis in ("Latitude", "Longitude")):
        return None
    _refuse_void(tags)
    lat = _angle(tags, "Latitude", {"N": 1, "S": -1}, 90)
    lon = _angle(tags, "Longitude", {"E": 1, "W": -1}, 180)
    if lat == 0 and lon == 0:
        raise Refused("exactly 0, 0: the receiver had no fix")
    datum = re.sub(r"[^A-Z0-9]", "", (_text(tags, "GPS GPSMapDatum") or "").upper())
    if datum and not datum.startswith(LIKE_WGS84):
        raise Refused(f"given in datum {datum}, not WGS 84: the two can lie hundreds of metres apart")
    return lat, lon


def _angle(tags: Mapping[str, Any], axis: str, signs: Mapping[str, int], greatest: float) -> float:
    values = _values(tags, f"GPS GPS{axis}")
    if len(values) != 3:
        raise Refused(f"{axis.lower()} is missing or incomplete")
    try:
        degrees, minutes, seconds = (_number(value) for value in values)
    except Refused as reason:
        raise Refused(f"{axis.lower()}: {reason}") from None
    sign = signs.get((_text(tags, f"GPS GPS{axis}Ref") or "").upper()[:1])
    if sign is None:
        raise Refused(f"{axis.lower()} does not say which hemisphere")
    size = degrees + minutes / 60 + seconds / 3600
    if min(degrees, minutes, seconds) < 0 or max(minutes, seconds) > 60 or size > greatest:
        raise Refused(f"{axis.lower()} of {degrees:g} {minutes:g} {seconds:g} does not exist")
    return sign * size


def _altitude(tags: Mapping[str, Any]) -> float | None:
    size = _single(tags, "GPS GPSAltitude")
    if size is None:
        return None
    _refuse_void(tags)
    # absent means 0, above (the tag's default in the standard); 2 and 3 are the ellipsoid, Exif 3.0
    sign = {None: 1, 0: 1, 1: -1, 2: 1, 3: -1}.get(_byte(tags, "GPS GPSAltitudeRef"))
    if sign is None:
        raise Refused("does not say whether above or below the sea")
    altitude = sign * size
    if not LEAST_ALTITUDE <= altitude <= GREATEST_ALTITUDE:
        raise Refused(f"{altitude:g} m is no place on land")
    return altitude


def _error(tags: Mapping[str, Any]) -> float | None:
    error = _single(tags, "GPS Tag 0x001F")  # GPSHPositioningError, which the reader does not name
    if error is None:
        return None
    if not 0 < error < 1e6:
        raise Refused(f"{error:g} m is no error")
    return error


def _direction(tags: Mapping[str, Any]) -> tuple[float, bool | None] | None:
    direction = _single(tags, "GPS GPSImgDirection")
    if direction is None:
        return None
    if not 0 <= direction <= 360:
        raise Refused(f"{direction:g} degrees is no direction")
    reference = (_text(tags, "GPS GPSImgDirectionRef") or "").upper()[:1]
    return direction % 360, {"M": True, "T": False}.get(reference)


def _camera(tags: Mapping[str, Any]) -> str | None:
    maker, model = _text(tags, "Image Make"), _text(tags, "Image Model")
    if maker and model and model.startswith(maker):
        return model
    return " ".join(part for part in (maker, model) if part) or None


def _length(tags: Mapping[str, Any], name: str, least: float, greatest: float) -> float | None:
    length = _single(tags, name)
    if length is None or length == 0:  # Exif: 0 stands for unknown
        return None
    if not least <= length <= greatest:
        raise Refused(f"{length:g} mm is no lens")
    return length


def _pixels(tags: Mapping[str, Any]) -> tuple[int, int] | None:
    try:
        width, height = (int(_values(tags, f"EXIF ExifImage{side}")[0]) for side in ("Width", "Length"))
    except (LookupError, ValueError, TypeError, ArithmeticError):
        return None
    return (width, height) if width > 0 and height > 0 else None


def _orientation(tags: Mapping[str, Any]) -> int:
    try:
        orientation = int(_values(tags, "Image Orientation")[0])
    except (LookupError, ValueError, TypeError, ArithmeticError):
        return 1
    return orientation if 1 <= orientation <= 8 else 1
