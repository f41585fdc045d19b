"""What lies in a folder, a ZIP or a mail box: from files to messages with words and photos?

Everything here comes from strangers. Nothing is unpacked to disk: attachments are read into memory, one message at a
time, up to limits; names are only shown. What cannot be used is told in one line and the rest goes on.
"""

from __future__ import annotations

import email
import email.policy
import html
import mailbox
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import getaddresses, parsedate_to_datetime
from hashlib import sha256
from html.parser import HTMLParser
from pathlib import Path

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.load import PICTURES

# limits that no honest submission meets; our choice
MOST_PHOTOS = 60  # of one message
MOST_BYTES = 60_000_000  # of one photo
MOST_WORDS = 20_000  # letters kept of one message
MOST_IN_ARCHIVE = 20_000  # entries of one archive
MOST_UNPACKED = 4_000_000_000  # bytes that one archive may unpack to
MOST_PARTS = 2_000  # MIME parts of one message that are looked at
MOST_MAIL_BYTES = 200_000_000  # of one message


@dataclass(frozen=True)
class Photo:
    """A photo as it came. name : as the sender had it, only to be shown."""

    name: str
    data: bytes = field(repr=False)

    @property
    def digest(self) -> str:
        return sha256(self.data).hexdigest()


@dataclass(frozen=True)
class Message:
    """One message, or one file that came without any.

    address, name : of the sender, empty when not known. thread : what it answers to, and itself. at : when it was
    sent, UTC where known. about, words : subject and text. key : tells this message from all others.
    """

    key: str
    address: str = ""
    name: str = ""
    thread: tuple[str, ...] = ()
    at: datetime | None = None
    about: str = ""
    words: str = ""
    photos: tuple[Photo, ...] = ()
    refused: tuple[str, ...] = ()


def messages(place: str | Path) -> Iterator[Message]:
    """The messages of a folder, a ZIP, a mail file or a mail box, one at a time.

    In a folder or a ZIP the pictures of each inner folder are one message, those at the top one each. Raises CannotUse
    for a place that is none of these.
    """
    source = Path(place)
    if source.is_dir():
        yield from _folder(source)
    elif source.suffix.lower() == ".zip":
        yield from _archive(source)
    elif source.suffix.lower() == ".eml":
        yield _mail_file(source)
    elif source.suffix.lower() == ".mbox":
        yield from _mail_box(source)
    elif source.suffix.lower() in PICTURES and source.is_file():
        yield _loose([Photo(source.name, _read(source))])
    else:
        raise CannotUse(f"{source} is no folder, ZIP, .eml, .mbox or picture; save the mails as .eml or .mbox")


def _read(file: Path) -> bytes:
    try:
        if file.stat().st_size > MOST_BYTES:
            raise CannotUse(f"{file.name} is larger than {MOST_BYTES // 1_000_000} MB; nothing was read from it")
        return file.read_bytes()
    except OSError as problem:
        raise CannotUse(f"{file} cannot be read ({problem.strerror})") from None


def _folder(source: Path) -> Iterator[Message]:
    groups: dict[Path, list[Path]] = {}
    for file in sorted(each for each in source.rglob("*") if each.is_file() and not each.is_symlink()):
        ending = file.suffix.lower()
        if ending in (".eml", ".mbox", ".zip"):
            try:
                yield from messages(file)
            except CannotUse as reason:
                yield Message(key=f"file {file.relative_to(source)}", refused=(str(reason),))
        elif ending in PICTURES or ending == ".txt":
            groups.setdefault(file.parent, []).append(file)
    for folder, files in groups.items():
        if folder == source:
            for file in files:
                if file.suffix.lower() in PICTURES:
                    yield _from_files([file])
        else:
            yield _from_files(files, folder.name)


def _from_files(files: list[Path], about: str = "") -> Message:
    photos: list[Photo] = []
    words, refused = "", []
    for file in files:
        try:
            if file.suffix.lower() == ".txt":
                words += _read(file).decode("utf-8", "replace")
            elif len(photos) < MOST_PHOTOS:
                photos.append(Photo(file.name, _read(file)))
        except CannotUse as reason:
            refused.append(str(reason))
    return _loose(photos, about, words, refused)


def _loose(photos: list[Photo], about: str = "", words: str = "", refused: list[str] | None = None) -> Message:
    told = sha256("".join([about, words, *sorted(photo.digest for photo in photos)]).encode()).hexdigest()
    return Message(f"files {told}", about=about, words=words[:MOST_WORDS], photos=tuple(photos),
                   refused=tuple(refused or ()))


def _archive(source: Path) -> Iterator[Message]:
    """The pictures and mails of a ZIP, read in memory; names that leave the archive are only names here."""
    try:
        with zipfile.ZipFile(source) as packed:
            entries = [entry for entry in packed.infolist() if not entry.is_dir()]
            if len(entries) > MOST_IN_ARCHIVE or sum(entry.file_size for entry in entries) > MOST_UNPACKED:
                raise CannotUse(f"{source.name} would unpack to {len(entries)} files or more than "
                                f"{MOST_UNPACKED // 10**9} GB; unpack it yourself and give the folder")
            groups: dict[str, list[zipfile.ZipInfo]] = {}
            for entry in entries:
                ending = Path(entry.filename).suffix.lower()
                if ending == ".zip":
                    yield Message(f"file {source.name}/{entry.filename}", refused=(
                        f"{entry.filename} is an archive inside {source.name}; unpack it and give it by itself",))
                elif ending in PICTURES or ending in (".txt", ".eml"):
                    top, _, rest = entry.filename.replace("\\", "/").rpartition("/")
                    groups.setdefault(top if top else f"/{rest}", []).append(entry)
            for top, some in groups.items():
                yield from _packed(packed, "" if top.startswith("/") else top.split("/")[-1], some)
    except (zipfile.BadZipFile, OSError, NotImplementedError, RuntimeError, EOFError) as problem:
        raise CannotUse(f"{source.name} cannot be unpacked ({problem}); ask for it again, without a password") from None


def _packed(packed: zipfile.ZipFile, about: str, entries: list[zipfile.ZipInfo]) -> Iterator[Message]:
    photos: list[Photo] = []
    words, refused = "", []
    for entry in entries:
        name = Path(entry.filename.replace("\\", "/")).name
        try:
            data = _unpacked(packed, entry)
        except CannotUse as reason:
            refused.append(str(reason))
            continue
        if name.lower().endswith(".eml"):
            yield read_mail(data, name)
        elif name.lower().endswith(".txt"):
            words += data.decode("utf-8", "replace")
        elif len(photos) < MOST_PHOTOS:
            photos.append(Photo(name, data))
    if photos or words or refused:
        yield _loose(photos, about, words, refused)


def _unpacked(packed: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    """The entry's bytes, never more than a photo may have, whatever the archive says of its size."""
    try:
        with packed.open(entry) as file:
            data = file.read(MOST_BYTES + 1)
    except (zipfile.BadZipFile, OSError, NotImplementedError, RuntimeError, EOFError, ValueError) as problem:
        raise CannotUse(f"{entry.filename} in the archive is damaged ({problem})") from None
    if len(data) > MOST_BYTES:
        raise CannotUse(f"{entry.filename} in the archive is larger than {MOST_BYTES // 1_000_000} MB; left out")
    return data


def _mail_file(file: Path) -> Message:
    try:
        if file.stat().st_size > MOST_MAIL_BYTES:
            raise CannotUse(f"{file.name} is larger than {MOST_MAIL_BYTES // 1_000_000} MB; save its photos to a folder")
        return read_mail(file.read_bytes(), file.name)
    except OSError as problem:
        raise CannotUse(f"{file} cannot be read ({problem.strerror})") from None


def _mail_box(file: Path) -> Iterator[Message]:
    box = mailbox.mbox(file, create=False)
    try:
        for number, key in enumerate(box.keys(), 1):
            raw = box.get_bytes(key)
            if len(raw) > MOST_MAIL_BYTES:
                yield Message(f"file {file.name}/{number}", refused=(f"mail {number} of {file.name} is too large",))
            else:
                yield read_mail(raw, f"mail {number} of {file.name}")
    finally:
        box.close()


def read_mail(raw: bytes, called: str) -> Message:
    """One mail. Broken ones are read as far as they go; what is lost is told. called : how to name it in a refusal."""
    refused: list[str] = []
    photos: list[Photo] = []
    plain, marked_up = "", ""
    mail = email.message_from_bytes(raw, policy=email.policy.default)
    assert isinstance(mail, EmailMessage)
    for number, part in enumerate(_parts(mail)):
        if number >= MOST_PARTS or len(photos) >= MOST_PHOTOS:
            refused.append(f"{called} has more than {MOST_PHOTOS} photos or {MOST_PARTS} parts; the rest was left out")
            break
        try:
            kind = part.get_content_type()
            name = Path(str(part.get_filename() or "").replace("\\", "/")).name
            if kind.startswith("image/") or Path(name).suffix.lower() in PICTURES:
                data = part.get_payload(decode=True)
                if isinstance(data, bytes) and data:
                    photos.append(Photo(name or "photo", data))
            elif kind == "text/plain" and not part.is_attachment():
                plain += _text(part)
            elif kind == "text/html" and not part.is_attachment():
                marked_up += _text(part)
            elif Path(name).suffix.lower() == ".zip":
                refused.append(f"{name} in {called} is an archive; save it and give it by itself")
        except (LookupError, ValueError, AttributeError, TypeError) as problem:
            refused.append(f"a part of {called} cannot be read ({problem})")
    words = (plain if plain.strip() else _without_marks(marked_up))[:MOST_WORDS].strip()
    address, name = _sender(mail)
    thread = _thread(mail)
    identity = thread[-1] if thread else sha256(raw).hexdigest()
    return Message(f"mail {identity}", address, name, thread, _sent_at(mail), _head(mail, "Subject"), words, tuple(photos),
                   tuple(refused))


def _parts(mail: EmailMessage) -> Iterator[EmailMessage]:
    """Every part that is no container; a mail within a mail is walked into."""
    for part in mail.walk():
        if isinstance(part, EmailMessage) and not part.is_multipart():
            yield part


def _text(part: EmailMessage) -> str:
    raw = part.get_payload(decode=True)
    if not isinstance(raw, bytes):
        return ""
    try:
        return raw.decode(part.get_content_charset("utf-8"), "replace")
    except LookupError:
        return raw.decode("utf-8", "replace")


def _head(mail: EmailMessage, name: str) -> str:
    try:
        return re.sub(r"\s+", " ", str(mail.get(name, "")))[:300].strip()
    except (ValueError, AttributeError, IndexError, TypeError):  # the library trips over some broken heads
        return ""


def _sender(mail: EmailMessage) -> tuple[str, str]:
    found = getaddresses([_head(mail, "From")])
    name, address = found[0] if found else ("", "")
    return address.lower()[:320], name[:200]


def _thread(mail: EmailMessage) -> tuple[str, ...]:
    """Ids of the mails that this one answers, then its own."""
    told = " ".join(_head(mail, name) for name in ("References", "In-Reply-To", "Message-ID"))
    return tuple(dict.fromkeys(re.findall(r"<[^<>\s]{1,250}>", told)))


def _sent_at(mail: EmailMessage) -> datetime | None:
    try:
        at = parsedate_to_datetime(_head(mail, "Date"))
    except (ValueError, TypeError):
        return None
    return (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone(UTC)


class _Words(HTMLParser):
    """The words of a page, without scripts and styles."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.told: list[str] = []
        self._silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._silent += tag in ("script", "style")
        if tag in ("p", "br", "div", "tr", "li"):
            self.told.append("\n")

    def handle_endtag(self, tag: str) -> None:
        self._silent = max(0, self._silent - (tag in ("script", "style")))

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self.told.append(data)


def _without_marks(marked_up: str) -> str:
    words = _Words()
    words.feed(marked_up[: 10 * MOST_WORDS])
    return re.sub(r"[ \t\r\f]+", " ", html.unescape("".join(words.told))).strip()
