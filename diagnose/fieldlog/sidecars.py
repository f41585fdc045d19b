"""How do position and verdict get beside the photos that somebody keeps, without touching a photo?

A sidecar is a small XMP file of the photo's name and `.xmp`, which picture managers read along with it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from diagnose import __version__
from diagnose.cannot_use import CannotUse
from diagnose.culprits.old_names import name_of
from diagnose.fieldlog.log import Log
from diagnose.progress import counted, silent
from diagnose.whole_file import write_whole

_PICTURES = {".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif", ".avif"}
_TOOL = f"browse-diagnose {__version__}"
_OWN = "browse-diagnose "  # begins what a sidecar of ours names as its creator


@dataclass(frozen=True)
class Written:
    """What became of photos.

    Parameters
    ----------
    written, unknown, others
        Sidecars written, photos that the log does not hold, sidecars of others left alone [files].
    """

    written: int
    unknown: int
    others: int

    def __str__(self) -> str:
        left = f" {self.others} that another program wrote were left as they are." if self.others else ""
        return f"{self.written} sidecars written; {self.unknown} photos are not in the log.{left}"


def write_sidecars(log: Log, folder: str | Path, progress: Callable[[int, int], None] = silent) -> Written:
    """Writes a sidecar beside each photo of a folder, and of those below it, that the log holds an observation of.

    Photos are known by their bytes, whatever they are called now, and stay untouched. A sidecar that another program wrote
    is left as it is. The positions are exact: keep such a folder among yourselves.

    Parameters
    ----------
    log
        That holds the observations [no unit].
    folder
        With the photos [no unit].
    progress
        Told how many of how many photos are looked at [no unit].

    Raises
    ------
    CannotUse
        For what is no folder.
    """
    place = Path(folder)
    if not place.is_dir():
        raise CannotUse(f"{folder} is no folder; give the one that holds the photos")
    seen = log.observations(columns=("photo", "lat", "lon", "leading", "named", "site", "plant", "verdict"))
    by_photo = {row["photo"]: row for row in seen.to_dict("records") if row["photo"]}
    files = sorted(each for each in place.rglob("*") if each.suffix.lower() in _PICTURES and each.is_file())
    written = unknown = others = 0
    for file in counted(files, progress):
        row = by_photo.get(hashlib.sha256(file.read_bytes()).hexdigest())
        sidecar = file.with_name(f"{file.name}.xmp")
        if row is None:
            unknown += 1
        elif sidecar.exists() and _OWN not in sidecar.read_text("utf-8", "replace"):
            others += 1
        else:
            write_whole(sidecar, as_xmp(row).encode())
            written += 1
    return Written(written, unknown, others)


def as_xmp(row: dict[str, Any]) -> str:
    """The packet for one observation: position, verdict in words, and keywords to search by.

    Parameters
    ----------
    row
        Fields of an observation: lat and lon [degree], NaN or None where they are not known; leading, named, site, plant,
        verdict [no unit].

    References
    ----------
    .. [1] ISO 16684-1:2019, XMP data model, serialization and core properties.
    .. [2] CIPA DC-010-2020, Exif metadata for XMP: GPSCoordinate as degrees, minutes and decimals of minutes.
    """
    statement = str(row["verdict"].get("statement", ""))
    words = [name_of(row["named"])] if row["named"] else [name_of(row["leading"])] if row["leading"] else []
    words += [str(row[name]) for name in ("site", "plant") if row[name]]
    keywords = "".join(f"<rdf:li>{escape(word)}</rdf:li>" for word in ["browse damage", *words])
    position = "".join(_position(row["lat"], row["lon"]))
    return ('<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n<x:xmpmeta xmlns:x="adobe:ns:meta/">'
            '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" '
            'xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:exif="http://ns.adobe.com/exif/1.0/" '
            f'xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:CreatorTool={quoteattr(_TOOL)}{position}>'
            f'<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{escape(statement)}</rdf:li></rdf:Alt></dc:description>'
            f"<dc:subject><rdf:Bag>{keywords}</rdf:Bag></dc:subject></rdf:Description></rdf:RDF></x:xmpmeta>\n"
            '<?xpacket end="w"?>\n')


def _position(lat: float | None, lon: float | None) -> Iterator[str]:
    if lat is None or lon is None or lat != lat or lon != lon:
        return
    yield ' exif:GPSVersionID="2.3.0.0" exif:GPSMapDatum="WGS-84"'
    for name, degrees, marks in (("Latitude", lat, "NS"), ("Longitude", lon, "EW")):
        minutes = round(abs(degrees) * 60, 6)  # a millionth of a minute is 2 mm
        yield f' exif:GPS{name}="{int(minutes // 60)},{minutes % 60:.6f}{marks[degrees < 0]}"'
