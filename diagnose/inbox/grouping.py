"""Which messages are one submission?

One person's letters about one wound: an answer in the same thread, the same subject within a fortnight, or a copy of a
photo that they sent before. Two wounds of one sender, in threads of their own and with photos of their own, stay apart.
Files without a sender belong together only where a photo is a copy.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from diagnose.fieldlog.likeness import alike

SAME_SUBJECT_WITHIN = timedelta(days=14)  # our choice
_SAYS_NOTHING = {"", "photo", "photos", "picture", "pictures", "image", "images", "hello", "hi", "help", "question",
                 "please help", "no subject"}
_ANSWER = re.compile(r"^\s*(re|fw|fwd|aw|wg|sv|vs|rv|tr|antw)\s*(\[\d+\])?\s*:\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Seen:
    """What grouping needs of a message.

    Parameters
    ----------
    key, address, thread, about
        As of the message [no unit].
    at
        When it was sent; None where not known [no unit].
    digests, likenesses
        SHA-256 of its photos, and their perceptual hashes, see fieldlog.likeness; None for no picture [no unit].
    """

    key: str
    address: str
    thread: tuple[str, ...]
    at: datetime | None
    about: str
    digests: tuple[str, ...]
    likenesses: tuple[str | None, ...]


def groups(seen: Sequence[Seen]) -> list[list[int]]:
    """Positions of the messages of each submission, in the order in which they came.

    Parameters
    ----------
    seen
        The messages, in any order [no unit].
    """
    above = list(range(len(seen)))

    def root(one: int) -> int:
        while above[one] != one:
            above[one] = above[above[one]]
            one = above[one]
        return one

    def join(one: int, other: int) -> None:
        first, second = sorted((root(one), root(other)))
        above[second] = first

    by_id: dict[tuple[str, str], int] = {}
    by_subject: dict[tuple[str, str], list[int]] = {}
    for place, one in enumerate(seen):
        for name in one.thread:
            join(by_id.setdefault((one.address, name), place), place)
        if one.address and (subject := bare(one.about)):
            for other in by_subject.setdefault((one.address, subject), []):
                if _near(one.at, seen[other].at):
                    join(other, place)
            by_subject[one.address, subject].append(place)
    for one_of, other_of in _copies(seen):
        if seen[one_of].address == seen[other_of].address:
            join(one_of, other_of)
    found: dict[int, list[int]] = {}
    for place in range(len(seen)):
        found.setdefault(root(place), []).append(place)
    return list(found.values())


def bare(about: str) -> str:
    """A subject without the marks of answers, in small letters; empty for one that says nothing.

    Parameters
    ----------
    about
        A subject [no unit].
    """
    while (shorter := _ANSWER.sub("", about, count=1)) != about:
        about = shorter
    words = re.sub(r"\W+", " ", about).strip().lower()
    return "" if words in _SAYS_NOTHING else words


def _near(one: datetime | None, other: datetime | None) -> bool:
    return one is not None and other is not None and abs(one - other) <= SAME_SUBJECT_WITHIN


def _copies(seen: Sequence[Seen]) -> list[tuple[int, int]]:
    """Pairs of messages that hold the same photo, or a copy of it that was stored anew or turned."""
    owner: dict[str, int] = {}
    pairs = []
    hashes: list[str] = []
    of: list[int] = []
    for place, one in enumerate(seen):
        for digest, likeness in zip(one.digests, one.likenesses, strict=True):
            if digest in owner:
                pairs.append((owner[digest], place))
                continue
            owner[digest] = place
            if likeness is not None:
                hashes.append(likeness)
                of.append(place)
    return pairs + [(of[first], of[second]) for first, second in alike(hashes) if of[first] != of[second]]
