"""What lies in a folder, a ZIP or a mail box: from files to messages with words and photos?

Everything here comes from strangers. Nothing is unpacked to disk: attachments are read into memory, one message at a
time, up to limits; names are only shown. What cannot be used is told in one line and the rest goes on. What a mail's
letters are is read in mail.py.
"""

from __future__ import annotations

import mailbox
import zipfile
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from hashlib import sha256
from pathlib import Path

from diagnose.archives import opened, unpacked
from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.load import PICTURES
from diagnose.inbox.mail import MOST_MAIL_BYTES, MOST_PHOTOS, MOST_WORDS, Message, Photo, clean, read_mail

# limits that no honest submission meets; our choice
MOST_BYTES = 60_000_000  # of one photo
MOST_TOGETHER = 150_000_000  # of the photos of one message that came as files
MOST_UNPACKED = 4_000_000_000  # bytes that one archive may unpack to

def messages(place: str | Path) -> Iterator[Message]:
    """The messages of a folder, a ZIP, a mail file or a mail box, one at a time.

    In a folder or a ZIP the pictures of each inner folder are one message, those at the top one each.

    Parameters
    ----------
    place
        Folder, ZIP, .eml or .mbox [no unit].

    Raises
    ------
    CannotUse
        For a place that is none of these.
    """
    source = sent_in(place)
    ending = source.suffix.lower()
    if source.is_dir():
        yield from _folder(source)
    elif ending == ".zip":
        yield from _archive(source)
    elif ending == ".eml":
        yield _mail_file(source)
    elif ending == ".mbox":
        yield from _mail_box(source)
    else:
        yield _loose([Photo(source.name, _read(source))])


def sent_in(place: str | Path) -> Path:
    """The place, if it is of a kind that messages are read from; nothing is read yet.

    Parameters
    ----------
    place
        Folder or file [no unit].

    Raises
    ------
    CannotUse
        For a place that is not there, and one of another kind.
    """
    source = Path(place)
    if not source.exists():
        raise CannotUse(f"{source} is not there; check its name")
    if not source.is_dir() and source.suffix.lower() not in (".zip", ".eml", ".mbox", *PICTURES):
        raise CannotUse(f"{source} is no folder, ZIP, .eml, .mbox or picture; save the mails as .eml or .mbox")
    return source


_OF_SYSTEMS = ("thumbs.db", "desktop.ini")  # that a system writes beside pictures, as hidden files are
_MOST_TOLD = 5  # names of files in a line; our choice


def _read(file: Path) -> bytes:
    try:
        if file.stat().st_size > MOST_BYTES:
            raise CannotUse(f"{file.name} is larger than {MOST_BYTES // 1_000_000} MB; nothing was read from it")
        return file.read_bytes()
    except OSError as problem:
        raise CannotUse(f"{file} cannot be read ({problem.strerror})") from None


def _folder(source: Path) -> Iterator[Message]:
    groups: dict[Path, list[Path]] = {}
    others: list[str] = []
    for file in sorted(each for each in source.rglob("*") if each.is_file() and not each.is_symlink()):
        ending = file.suffix.lower()
        if ending in (".eml", ".mbox", ".zip"):
            try:
                yield from messages(file)
            except CannotUse as reason:
                yield Message(key=f"file {file.relative_to(source)}", refused=(str(reason),))
            except Exception as problem:  # one damaged file must not stop those behind it
                yield Message(key=f"file {file.relative_to(source)}", refused=(
                    f"{file.name} cannot be read to its end ({type(problem).__name__}); save it again",))
        elif ending in PICTURES or ending == ".txt":
            groups.setdefault(file.parent, []).append(file)
        elif not file.name.startswith(".") and file.name.lower() not in _OF_SYSTEMS:
            others.append(str(file.relative_to(source)))
    loose = [file.name for file in groups.get(source, ()) if file.suffix.lower() == ".txt"]
    yield from _passed_over(loose, "words beside photos of several people are nobody's; give each person a folder")
    yield from _passed_over(others, "neither picture nor .eml, .mbox, .zip or .txt; save mails as .eml")
    for folder, files in groups.items():
        if folder == source:
            for file in files:
                if file.suffix.lower() in PICTURES:
                    yield from _from_files([file])
        else:
            yield from _from_files(files, folder.name)


def _passed_over(files: list[str], why: str) -> Iterator[Message]:
    """Files of which nothing is taken in, as one message that only says so."""
    if files:
        more = f" and {len(files) - _MOST_TOLD} more" if len(files) > _MOST_TOLD else ""
        yield Message(key=f"file {files[0]}", refused=(f"{', '.join(files[:_MOST_TOLD])}{more}: {why}",))


def _from_files(files: list[Path], about: str = "") -> Iterator[Message]:
    yield from _together([(file.name, partial(_read, file)) for file in files], about)


def _together(reads: Sequence[tuple[str, Callable[[], bytes]]], about: str) -> Iterator[Message]:
    """Pictures and words that lie together as one message; as several where they are more than one may have.

    reads : name, and what reads the bytes.
    """
    photos: list[Photo] = []
    words, refused = "", []
    for name, read in reads:
        try:
            data = read()
        except CannotUse as reason:
            refused.append(str(reason))
            continue
        if name.lower().endswith(".txt"):
            words += data[: 4 * MOST_WORDS].decode("utf-8", "replace")[:MOST_WORDS]
            continue
        if len(photos) >= MOST_PHOTOS or sum(len(photo.data) for photo in photos) + len(data) > MOST_TOGETHER:
            yield _loose(photos, about, words, refused)
            photos, words, refused = [], "", []
        photos.append(Photo(clean(name), data))
    if photos or words or refused:
        yield _loose(photos, about, words, refused)


def _loose(photos: list[Photo], about: str = "", words: str = "", refused: list[str] | None = None) -> Message:
    about, words = clean(about), clean(words)
    told = sha256("".join([about, words, *sorted(photo.digest for photo in photos)]).encode()).hexdigest()
    return Message(f"files {told}", about=about, words=words[:MOST_WORDS], photos=tuple(photos),
                   refused=tuple(refused or ()))


def _archive(source: Path) -> Iterator[Message]:
    """The pictures and mails of a ZIP, read in memory; names that leave the archive are only names here."""
    with opened(source) as packed:
        entries = [entry for entry in packed.infolist() if not entry.is_dir()]
        if sum(entry.file_size for entry in entries) > MOST_UNPACKED:
            raise CannotUse(f"{source.name} would unpack to more than {MOST_UNPACKED // 10**9} GB; unpack it yourself and "
                            "give the folder")
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
            about = "" if top.startswith("/") else top.split("/")[-1]
            mails = [entry for entry in some if entry.filename.lower().endswith(".eml")]
            for entry in mails:
                try:
                    yield read_mail(unpacked(packed, entry, MOST_BYTES), Path(entry.filename.replace("\\", "/")).name)
                except CannotUse as reason:
                    yield Message(f"file {source.name}/{entry.filename}", refused=(str(reason),))
            reads = [(Path(entry.filename.replace("\\", "/")).name, partial(unpacked, packed, entry, MOST_BYTES))
                     for entry in some if entry not in mails]
            yield from _together(reads, about)


def _mail_file(file: Path) -> Message:
    try:
        with file.open("rb") as mail:
            return read_mail(mail.read(MOST_MAIL_BYTES + 1), file.name)
    except OSError as problem:
        raise CannotUse(f"{file} cannot be read ({problem.strerror})") from None


def _mail_box(file: Path) -> Iterator[Message]:
    try:
        box = mailbox.mbox(file, create=False)
    except OSError as problem:
        raise CannotUse(f"{file} cannot be read ({problem.strerror})") from None
    try:
        for number, key in enumerate(box.keys(), 1):
            with box.get_file(key) as mail:
                yield read_mail(mail.read(MOST_MAIL_BYTES + 1), f"mail {number} of {file.name}")
    finally:
        box.close()
