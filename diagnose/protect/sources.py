"""Where was a figure of a barrier read, how surely, and what is that source called in words?

Data name a source by its key. Who reads a plan is told what it is called, and at the plan's end where it is found.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import knowledge

# a tag beside a source's key -> how that was seen
SEEN = {"R": "read in the source", "2": "seen in a copy or a summary", "D": "worked out from figures that were read",
        "M": "from memory", "weak": "seen on a page without authority"}
SAY_IT_BY_NAME = ("MEM", "WEAK", "computed")  # what these are called says already how they were seen
SAID_ONCE = "Each was read in the source itself, where nothing else stands beside it."


def sources() -> dict[str, Any]:
    """Source key -> what it is called, and where the figure was read."""
    return knowledge("diagnose.protect", "sources.yaml")


def source_words(key: str) -> str:
    """A source in full: what it is called; who, what, when, where.

    Parameters
    ----------
    key
        Of `sources.yaml` [no unit].

    Raises
    ------
    CannotUse
        For a key that is none.

    Examples
    --------
    >>> source_words("ENG99")[:46]
    'Engeman and others 1999: Engeman et al., plast'
    """
    if key not in sources():
        raise CannotUse(f"'{key}' is no source of the barriers; there is {', '.join(sorted(sources()))}")
    told = sources()[key]
    where = str(told["url"]).split(" ; ")
    own = [url for url in where if key.lower() in url.lower()] or where  # of several that stand together, its own
    year = str(told["year"]).replace("[M year]", "(the year from memory)")
    more = [one for one in (year, " ; ".join(own)) if one not in ("none", "n.d.", "none seen", "several")]
    source = str(told["source"]).strip()
    return f"{told['called']}: {'. '.join([source, *more])}".replace("?. ", "? ")  # a title that asks ends its sentence


def keys_of(words: str) -> list[str]:
    """The source of that key, or every one whose name holds the words.

    Parameters
    ----------
    words
        A key, or some of what a source is called [no unit].

    Raises
    ------
    CannotUse
        Where no source is meant.

    Examples
    --------
    >>> keys_of("engeman"), keys_of("ENG99")
    (['ENG99'], ['ENG99'])
    """
    asked = words.strip().rstrip(",.;")
    if asked in sources():
        return [asked]
    meant = [key for key, told in sources().items() if asked and asked.casefold() in told["called"].casefold()]
    if not meant:
        raise CannotUse(f"'{asked}' is no source of the barriers; `diagnose sources` lists them all")
    return meant


def sources_named(words: str) -> list[str]:
    """Keys of the sources that some words name by key.

    Parameters
    ----------
    words
        In which sources may be named [no unit].
    """
    named = {found[1] for found in _any_source().finditer(words)}
    return [key for key in sources() if key in named]


def called_by_name(words: str) -> str:
    """The words, with each source called by its name in place of its key, and how it was seen where that is told.

    Parameters
    ----------
    words
        In which sources may be named by key, each with a tag of `SEEN` in brackets or without [no unit].

    Examples
    --------
    >>> called_by_name("opening: ME382 [R], top: PORC [2]")
    'opening: US conservation service, Maine 2014, top: Schemnitz 1994 (seen in a copy or a summary)'
    """
    def told(found: re.Match[str]) -> str:
        seen = "" if found[2] in (None, "R") or found[1] in SAY_IT_BY_NAME else f" ({SEEN[found[2]]})"
        return f"{sources()[found[1]]['called']}{seen}"

    return _any_source().sub(told, words)


@cache
def _any_source() -> re.Pattern[str]:
    longest_first = sorted(sources(), key=len, reverse=True)
    return re.compile(rf"(?<![\w-])({'|'.join(map(re.escape, longest_first))})(?![\w-])(?: \[({'|'.join(SEEN)})\])?")
