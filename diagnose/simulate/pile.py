"""Does a pile of submissions come out as it went in? A pile made from known photos, with the truth about it.

Run `python -m diagnose.simulate.pile FOLDER [HOW_MANY] [PHOTOS]` to make one: letters of invented senders with photos
re-encoded, turned, cropped, renamed, or broken; several letters about one twig, several twigs of one sender.
"""

from __future__ import annotations

import io
import json
import sys
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from email.utils import format_datetime
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageOps

from diagnose.knowledge import reference_cases

PHOTOS = reference_cases("photos")
_JITTER = 0.14  # of the sides, how far a corner of the picture moves when a wound is seen from elsewhere
_CHANGES = ("as it was", "stored anew", "turned", "cropped", "renamed", "broken")
_NAMES = ("Ada Lund", "Bo Marsh", "Cleo Finch", "Dirk Aho", "Eda Stone", "Finn Berg", "Gail Wood", "Hal Reed")
_WORDS = (
    "What did this? It is about 30 cm up.", "Found this today.", "Something cut it off clean.", "The top is torn off.",
    "Bark is gnawed at the ground, we had deep snow.", "Please help.", "There are small round droppings everywhere.", "",
)


@dataclass(frozen=True)
class Sent:
    """One letter of the pile, with its truth.

    Parameters
    ----------
    file, address
        The letter's file, and its sender's address [no unit].
    wound, repeats
        Which wound it is about (letters of one wound are one submission), and the wound whose photo somebody else sends in
        again, or "" [no unit].
    photos
        For each attachment the bundled picture it comes from, and what was done to it [no unit].
    """

    file: str
    wound: str
    address: str
    repeats: str
    photos: tuple[tuple[str, str], ...]


def changed(data: bytes, change: str, rng: np.random.Generator) -> bytes:
    """The photo as a mail program, a phone or bad luck leaves it.

    Parameters
    ----------
    data
        A picture file's bytes [no unit].
    change
        "as it was", "stored anew", "turned", "cropped", "renamed" or "broken" [no unit].
    rng
        Random numbers [no unit].
    """
    if change in ("as it was", "renamed"):
        return data
    if change == "broken":
        return data[: int(len(data) * rng.uniform(0.001, 0.3))]
    with Image.open(io.BytesIO(data)) as stored:
        exif = stored.info.get("exif", b"") if rng.random() < 0.5 else b""
        picture = ImageOps.exif_transpose(stored) if not exif else stored.copy()
    if change == "turned":
        picture = ImageOps.exif_transpose(picture).transpose(Image.Transpose.ROTATE_90)
        exif = b""
    if change == "cropped":
        wide, high = picture.size
        edge = rng.uniform(0.0, 0.03, 4)
        box = (wide * edge[0], high * edge[1], wide * (1 - edge[2]), high * (1 - edge[3]))
        picture = picture.crop(tuple(map(int, box)))  # type: ignore[arg-type]
    out = io.BytesIO()
    picture.convert("RGB").save(out, "JPEG", quality=int(rng.integers(80, 93)), **({"exif": exif} if exif else {}))
    return out.getvalue()


def seen_from_elsewhere(data: bytes, rng: np.random.Generator) -> bytes:
    """The flat scene as another camera would see it: its corners moved, so that no two wounds share a picture.

    Parameters
    ----------
    data
        A picture file's bytes [no unit].
    rng
        Random numbers [no unit].
    """
    bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert bgr is not None  # the photos are the bundled ones
    high, wide = bgr.shape[:2]
    corners = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], np.float32)
    moved = corners + (rng.uniform(-_JITTER, _JITTER, (4, 2)) * (wide, high)).astype(np.float32)
    turn = cv2.getRotationMatrix2D((wide / 2, high / 2), float(rng.uniform(-25, 25)), float(rng.uniform(0.8, 1.0)))
    view = np.vstack([turn, [0, 0, 1]]) @ cv2.getPerspectiveTransform(corners, moved)
    seen = cv2.warpPerspective(bgr, view, (wide, high), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    return cv2.imencode(".jpg", seen, [cv2.IMWRITE_JPEG_QUALITY, 94])[1].tobytes()


def make_pile(folder: Path, how_many: int = 500, photos: Path = PHOTOS, seed: int = 9) -> list[Sent]:
    """Writes letters about invented wounds into a folder; returns the truth.

    The truth is also written to truth.json beside the folder. No two wounds share a picture: after the first round through
    the photos each is seen from elsewhere.

    Parameters
    ----------
    folder
        That is written to [no unit].
    how_many
        Wounds [no unit].
    photos
        Folder of the bundled pictures [no unit].
    seed
        Of the random draw [no unit].
    """
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    pictures = sorted(photos.rglob("*.jpg"))
    sent: list[Sent] = []
    shown, repeats = b"", ""
    start = datetime(2026, 1, 5, 8, tzinfo=UTC)
    for number in range(how_many):
        wound, source = f"w{number:04d}", pictures[number % len(pictures)]
        if number % 15 == 6:  # a sender's first wound is the photo of the last one's last
            source, repeats = pictures[(number - 1) % len(pictures)], f"w{number - 1:04d}"
        else:
            whole, repeats = source.read_bytes(), ""
            shown = whole if number < len(pictures) else seen_from_elsewhere(whole, rng)
        who = number // 3  # every sender has up to three wounds
        address, name = f"sender{who}@example.org", f"{_NAMES[who % len(_NAMES)]} {who}"
        at = start + timedelta(hours=3 * number)
        before = ""
        for letter in range(int(rng.choice([1, 2, 3], p=[0.7, 0.2, 0.1]))):
            count = 1 if letter == 0 else int(rng.integers(0, 2))
            shares = [0.3, 0.25, 0.15, 0.15, 0.1, 0.05]
            changes = tuple((str(source.relative_to(photos)), str(rng.choice(_CHANGES, p=shares))) for _ in range(count))
            own = f"<{wound}.{letter}@example.org>"
            file = f"{wound}-{letter}.eml"
            mail = EmailMessage()
            mail["From"], mail["To"] = f"{name} <{address}>", "adviser@example.org"
            mail["Subject"] = ("Re: " if letter else "") + f"damage no {number}"
            mail["Date"], mail["Message-ID"] = format_datetime(at + timedelta(hours=5 * letter)), own
            if before and rng.random() < 0.8:  # some mail programs forget what they answer
                mail["In-Reply-To"] = before
            mail.set_content(str(rng.choice(_WORDS)) + f"\n\n(invented, no {number})\n")
            for place, (_, change) in enumerate(changes):
                given = source.name if change != "renamed" else f"photo ({place}).JPG"
                mail.add_attachment(changed(shown, change, rng), "image", "jpeg", filename=given)
            (folder / file).write_bytes(mail.as_bytes())
            sent.append(Sent(file, wound, address, repeats, changes))
            before = own
    told = [asdict(one) for one in sent]
    (folder.parent / "truth.json").write_text(json.dumps(told, indent=1), encoding="utf-8")
    return sent


if __name__ == "__main__":
    place = Path(sys.argv[1])
    many = int(sys.argv[2]) if len(sys.argv) > 2 else 500
    made = make_pile(place, many, Path(sys.argv[3]) if len(sys.argv) > 3 else PHOTOS)
    print(f"{len(made)} letters about {many} wounds are in {place}; the truth is in {place.parent / 'truth.json'}")
