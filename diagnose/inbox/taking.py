"""How do messages become submissions in the log, each message once, whatever happens?"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from diagnose.cannot_use import CannotSave, CannotUse
from diagnose.fieldlog.store import Log
from diagnose.fieldlog.tables import Photo, Sender, Submission
from diagnose.inbox.grouping import Seen, groups
from diagnose.inbox.intake import Message, messages
from diagnose.inbox.told import proposals

Progress = Callable[[str, int, int], None]


def silent(_step: str, _done: int, _of: int) -> None:
    """Says nothing of how far a step is."""


@dataclass
class TakenIn:
    """What an intake brought.

    Parameters
    ----------
    new, added_to, already
        Submissions that are new, got more, or were there [submissions].
    photos
        That were taken in [photos].
    refused
        Lines about what could not be used [no unit].
    """

    new: int = 0
    added_to: int = 0
    already: int = 0
    photos: int = 0
    refused: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        def many(count: int, what: str) -> str:
            return f"{count} {what}" if count == 1 else f"{count} {what}s"

        told = [f"{many(self.new, 'new submission')} with {many(self.photos, 'photo')}"]
        if self.added_to:
            told.append(f"{many(self.added_to, 'letter')} added to older ones")
        if self.already:
            told.append(f"{many(self.already, 'letter')} taken in before")
        return "\n".join([", ".join(told), *self.refused])


def take_in(log: Log, place: str | Path | Iterable[Message], by: str = "", progress: Progress = silent) -> TakenIn:
    """Takes the messages of a folder, ZIP, mail file or mail box into the log, grouped into submissions.

    A message that cannot be taken in becomes a line, and the rest is taken in.

    Parameters
    ----------
    log
        That is written to [no unit].
    place
        Where the messages lie, or the messages themselves [no unit].
    by
        Initials of who takes them in [no unit].
    progress
        Called with the step's name, how many messages are done, and 0 for an unknown total [no unit].

    Raises
    ------
    CannotUse
        Where nothing can be saved at all.
    """
    with log.reading() as session:
        there = session.query(Submission).filter(Submission.deleted.is_(False)).order_by(Submission.saved_at).all()
        known = [(row.id, row.letters) for row in there]
        address = dict(session.query(Sender.id, Sender.address).all())
        senders = {row.id: address.get(row.sender or "", "") for row in there}
        likeness = dict(session.query(Photo.sha256, Photo.likeness).all())
    done, letters = TakenIn(), {key for _, kept in known for key in kept}
    seen = [_seen_again(key, senders[name], kept[key], likeness) for name, kept in known for key in kept]
    owner = [name for name, kept in known for _ in kept]
    fresh: list[Message] = []
    came = messages(place) if isinstance(place, str | Path) else place
    for number, message in enumerate(came, 1):
        progress("taking in", number, 0)
        done.refused += message.refused
        if message.key in letters or not (message.photos or message.words or message.about):
            done.already += message.key in letters
            continue
        try:
            kept = [log.take_photo(photo.data, photo.name) for photo in message.photos]
        except CannotSave:
            raise
        except Exception as problem:  # one message's bad luck must not stop the hundreds behind it
            done.refused.append(_left_out(message, problem))
            continue
        letters.add(message.key)
        done.photos += len(kept)
        seen.append(Seen(message.key, message.address, message.thread, message.at, message.about,
                         tuple(digest for digest, _ in kept), tuple(alike for _, alike in kept)))
        named = tuple(replace(photo, data=b"") for photo in message.photos)
        fresh.append(replace(message, photos=named))
    start = len(owner)
    for group in groups(seen) if fresh else ():
        new = [(fresh[place - start], seen[place]) for place in group if place >= start]
        old = next((owner[place] for place in group if place < start), None)
        if not new:
            continue
        try:
            _save(log, old, new, by, done)
        except CannotSave:
            raise
        except Exception:  # each by itself, so that one letter takes none of those that belong to it along
            for one in new:
                try:
                    _save(log, old, [one], by, done)
                except CannotSave:
                    raise
                except Exception as problem:
                    done.refused.append(_left_out(one[0], problem))
    return done


def _save(log: Log, old: str | None, new: Sequence[tuple[Message, Seen]], by: str, done: TakenIn) -> None:
    if old is None:
        _save_new(log, new, by)
        done.new += 1
    else:
        _add(log, old, new, by)
        done.added_to += len(new)


def _left_out(message: Message, problem: Exception) -> str:
    why = str(problem) if isinstance(problem, CannotUse) else type(problem).__name__
    called = " ".join((message.about or message.key).split())[:60]
    return f"'{called}' from {message.address or 'an unknown sender'} was not taken in ({why}); look at it yourself"


def _seen_again(key: str, address: str, letter: Mapping[str, Any], likeness: Mapping[str, str | None]) -> Seen:
    digests = tuple(letter["photos"])
    at = None if letter["at"] is None else datetime.fromisoformat(letter["at"])
    alike = tuple(likeness.get(digest) for digest in digests)
    return Seen(key, address, tuple(letter["thread"]), at, letter["about"], digests, alike)


def _letter(seen: Seen) -> dict[str, Any]:
    return {"thread": list(seen.thread), "at": None if seen.at is None else seen.at.isoformat(), "about": seen.about,
            "photos": list(seen.digests)}


def _photos_of(new: Sequence[tuple[Message, Seen]]) -> dict[str, str]:
    return {digest: photo.name for message, seen in new
            for digest, photo in zip(seen.digests, message.photos, strict=True)}


def _save_new(log: Log, new: Sequence[tuple[Message, Seen]], by: str) -> None:
    first, times = new[0][0], [message.at for message, _ in new if message.at is not None]
    words = "\n\n".join(message.words for message, _ in new if message.words)
    log.save(
        "submission", key=first.key, sender=_sender(log, first, by), by=by, about=first.about, words=words,
        received_at=min(times).isoformat() if times else None, letters={seen.key: _letter(seen) for _, seen in new},
        photos=_photos_of(new), told={"proposed": _proposed(words), "confirmed": {}},
    )


def _add(log: Log, name: str, new: Sequence[tuple[Message, Seen]], by: str) -> None:
    row = log.record("submission", name)
    words = "\n\n".join([row["words"], *(message.words for message, _ in new if message.words)]).strip()
    told = {"proposed": _proposed(words), "confirmed": row["told"].get("confirmed", {})}
    log.correct(name, by, "submission", words=words, told=told, photos={**row["photos"], **_photos_of(new)}, pile="",
                letters={**row["letters"], **{seen.key: _letter(seen) for _, seen in new}})


def _proposed(words: str) -> dict[str, Any]:
    return {one.sign: one.as_json() for one in proposals(words)}


def _sender(log: Log, message: Message, by: str) -> str | None:
    if not message.address:
        return None
    with log.reading() as session:
        there = session.query(Sender.id).filter(Sender.address == message.address, Sender.deleted.is_(False)).first()
    return str(there[0]) if there else log.save("sender", address=message.address, name=message.name, by=by)
