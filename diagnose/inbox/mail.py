"""What does one mail say, who sent it, and which photos came with it?

Mails come from strangers, and Python's library needs far more memory and time for some than they are long. So bytes,
parts, nesting and the length of every header are bounded before it reads a mail; what it then still trips over costs
that piece alone.
"""

from __future__ import annotations

import email.policy
import html
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.message import EmailMessage
from email.parser import BytesParser
from email.utils import getaddresses, parsedate_to_datetime
from hashlib import sha256
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from diagnose.fieldlog.load import PICTURES

# limits that no honest mail meets; our choice, but for the bytes: providers take 20 to 50 MB (common practice, no source)
MOST_MAIL_BYTES = 60_000_000  # of one mail
MOST_PHOTOS = 60  # of one message
MOST_WORDS = 20_000  # letters kept of one message
MOST_PARTS = 2_000  # of one mail
MOST_NESTED = 60  # parts that hold parts, mails within mails among them
MOST_HEAD_BYTES = 1_000_000  # of all headers of a mail together
MOST_OF_A_HEAD = 2_000  # letters of one header
MOST_MARKED_UP = 200_000  # letters of HTML that are looked at

_BOUNDARY = re.compile(rb"[\r\n]--")
_HOLDS_PARTS = re.compile(rb"(?:\A|[\r\n])content-type:[^\r\n]*(?:\r?\n[ \t][^\r\n]*){0,9}", re.IGNORECASE)
_BLANK_LINE = re.compile(rb"\r?\n\r?\n|\r\r")


@dataclass(frozen=True)
class Photo:
    """A photo as it came.

    Parameters
    ----------
    name, data
        As the sender had it, only to be shown, and the file's bytes [no unit].
    """

    name: str
    data: bytes = field(repr=False)

    @property
    def digest(self) -> str:
        """SHA-256 of the bytes, as hex."""
        return sha256(self.data).hexdigest()


@dataclass(frozen=True)
class Message:
    """One message, or one file that came without any.

    Parameters
    ----------
    key, thread
        What tells it from all others; what it answers to, and itself [no unit].
    address, name
        Of the sender, empty when not known [no unit].
    at
        When it was sent, UTC where known; None where not [no unit].
    about, words, photos
        Subject, text and pictures [no unit].
    refused
        What could not be used, a line each [no unit].
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


def clean(text: str) -> str:
    """The text as it can be kept: without what no file or database holds (half characters, zeros).

    Parameters
    ----------
    text
        From a message [no unit].
    """
    return text.replace("\x00", "").encode("utf-8", "replace").decode("utf-8")


def read_mail(raw: bytes, called: str) -> Message:
    """One mail. Broken ones are read as far as they go; what is lost is said.

    Parameters
    ----------
    raw
        The mail's bytes [no unit].
    called
        How it is named in a refusal [no unit].
    """
    if not raw.strip():
        return Message(f"mail {called}", refused=(f"{called} is empty; save it again",))
    try:
        return _read(raw, called)
    except Exception as problem:  # the library raises what it likes on broken mails; this one alone is lost
        return Message(f"mail {sha256(raw).hexdigest()}", refused=(
            f"{called} cannot be read ({type(problem).__name__}); ask its sender for the photos again",))


def _read(raw: bytes, called: str) -> Message:
    kept, refused = _bounded(raw, called)
    photos: list[Photo] = []
    plain, marked_up = "", ""
    mail = BytesParser(policy=_BRIEF).parsebytes(kept)
    assert isinstance(mail, EmailMessage)
    for part in _parts(mail):
        if len(photos) >= MOST_PHOTOS:
            refused.append(f"{called} has more than {MOST_PHOTOS} photos; the rest was left out")
            break
        try:
            kind, name = part.get_content_type(), _name(part)
            if kind.startswith("image/") or Path(name).suffix.lower() in PICTURES:
                data = part.get_payload(decode=True)
                if isinstance(data, bytes) and data:
                    photos.append(Photo(name or "photo", data))
            elif kind == "text/plain" and not part.is_attachment() and len(plain) < MOST_WORDS:
                plain += _text(part, MOST_WORDS)
            elif kind == "text/html" and not part.is_attachment() and len(marked_up) < MOST_MARKED_UP:
                marked_up += _text(part, MOST_MARKED_UP)
            elif Path(name).suffix.lower() == ".zip":
                refused.append(f"{name} in {called} is an archive; save it and give it by itself")
        except Exception as problem:  # as above: one part is lost, not the mail
            refused.append(f"a part of {called} cannot be read ({type(problem).__name__})")
    words = clean(plain if plain.strip() else without_marks(marked_up))[:MOST_WORDS].strip()
    address, name = _sender(mail)
    thread = _thread(mail)
    identity = thread[-1] if thread else sha256(raw).hexdigest()
    return Message(f"mail {identity}", address, name, thread, _sent_at(mail), _head(mail, "Subject"), words, tuple(photos),
                   tuple(refused))


class _Brief(email.policy.EmailPolicy):
    """Headers no longer than any honest one: the library's time and memory grow with the square of their length."""

    def header_source_parse(self, sourcelines: list[str]) -> tuple[str, str]:
        first = sourcelines[0][:MOST_OF_A_HEAD]
        return super().header_source_parse([first, "".join(sourcelines[1:])[:MOST_OF_A_HEAD]])


_BRIEF: Any = _Brief(utf8=True)


def _bounded(raw: bytes, called: str) -> tuple[bytes, list[str]]:
    """As much of a mail as is read, and a line where that is not all."""
    cuts = [(MOST_MAIL_BYTES, f"{MOST_MAIL_BYTES // 1_000_000} MB"),
            (_nth(_BOUNDARY, raw, MOST_PARTS), f"{MOST_PARTS} parts"),
            (_nested(raw), f"{MOST_NESTED} parts that hold parts")]
    head = _BLANK_LINE.search(raw, 0, MOST_HEAD_BYTES)
    if head is None and len(raw) > MOST_HEAD_BYTES:
        cuts.append((MOST_HEAD_BYTES, f"{MOST_HEAD_BYTES // 1_000_000} MB of headers"))
    end, most = min(cuts)
    return (raw, []) if end >= len(raw) else (raw[:end], [f"{called} has more than {most}; the rest was left out"])


def _nth(pattern: re.Pattern[bytes], raw: bytes, number: int) -> int:
    """Where the number-th match begins; the length where there are fewer."""
    for count, hit in enumerate(pattern.finditer(raw, 0, MOST_MAIL_BYTES), 1):
        if count > number:
            return hit.start()
    return len(raw)


def _nested(raw: bytes) -> int:
    """Where the first part begins that is one too many to hold parts."""
    count = 0
    for hit in _HOLDS_PARTS.finditer(raw, 0, MOST_MAIL_BYTES):
        told = hit[0].lower()
        count += b"multipart" in told or b"message" in told
        if count > MOST_NESTED:
            return hit.start()
    return len(raw)


def _name(part: EmailMessage) -> str:
    return clean(Path(str(part.get_filename() or "").replace("\\", "/")).name)[:200]


def _parts(mail: EmailMessage) -> Iterator[EmailMessage]:
    """Every part that is no container; a mail within a mail is walked into."""
    for part in mail.walk():
        if isinstance(part, EmailMessage) and not part.is_multipart():
            yield part


def _text(part: EmailMessage, most: int) -> str:
    raw = part.get_payload(decode=True)
    if not isinstance(raw, bytes):
        return ""
    raw = raw[: 4 * most]
    try:
        return raw.decode(part.get_content_charset("utf-8"), "replace")
    except LookupError:
        return raw.decode("utf-8", "replace")


def _head(mail: EmailMessage, name: str) -> str:
    try:
        return clean(re.sub(r"\s+", " ", str(mail.get(name, ""))))[:300].strip()
    except Exception:  # the library raises what it likes on broken headers
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
        return (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, TypeError, OverflowError, IndexError):
        return None


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


def without_marks(marked_up: str) -> str:
    """The words of an HTML page; where it is too broken for that, all that stands outside angle brackets.

    Parameters
    ----------
    marked_up
        HTML, whole or broken [no unit].
    """
    words, page = _Words(), marked_up[:MOST_MARKED_UP]
    try:
        words.feed(page)
        told = "".join(words.told)
    except Exception:  # the library raises AssertionError on unknown declarations
        told = re.sub(r"<[^<>]*>?", " ", page)
    return re.sub(r"[ \t\r\f]+", " ", html.unescape(told)).strip()
