"""What do a sender's words propose? Each proposal stands beside the words it was found in; only a person confirms it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from diagnose.knowledge import knowledge
from diagnose.protect.requirement import protected_animals

# as 20 cm, 8 inches, 2 1/2 feet: number, then unit
_LENGTH = re.compile(r"(\d+(?:[.,]\d+)?)\s?(mm|cm|centimet\w+|m\b|met\w+|inch(?:es)?|in\b|\"|feet|foot|ft|')", re.IGNORECASE)
_MM = {"mm": 1.0, "cm": 10.0, "ce": 10.0, "m": 1000.0, "me": 1000.0, "in": 25.4, '"': 25.4, "fe": 304.8, "fo": 304.8,
       "ft": 304.8, "'": 304.8}
_OF_HEIGHT = re.compile(r"\b(up|above|high|height|from the ground|off the ground|tall)\b", re.IGNORECASE)
PROTECTED = "a protected animal may be at work"
_SENTENCE_ENDS = re.compile(r"[.!?]+\s+|\n\s*\n")
_AROUND = 100  # letters of a long sentence that are quoted on each side; our choice


@dataclass(frozen=True)
class Proposal:
    """A sign that the words may tell.

    Parameters
    ----------
    sign, value
        Its name, and the value as in a file of answers [no unit].
    words
        What it was found in [no unit].
    """

    sign: str
    value: Any
    words: str

    def as_json(self) -> dict[str, Any]:
        """The proposal as plain values."""
        return {"value": self.value, "words": self.words}


@cache
def _patterns() -> dict[str, list[tuple[str, re.Pattern[str]]]]:
    told = knowledge("diagnose.inbox", "told.yaml")
    return {sign: [(choice, re.compile("|".join(f"(?:{each})" for each in patterns), re.IGNORECASE))
                   for choice, patterns in choices.items()]
            for sign, choices in told.items() if sign not in ("one_only", "body_mm", "look_yourself")}


@cache
def _body() -> list[tuple[re.Pattern[str], float, float]]:
    told = knowledge("diagnose.inbox", "told.yaml")["body_mm"]
    return [(re.compile(pattern, re.IGNORECASE), float(mm), float(sigma)) for pattern, (mm, sigma) in told.items()]


def proposals(words: str) -> list[Proposal]:
    """What the words may tell, at most one proposal a sign; quoted earlier letters are left out.

    Parameters
    ----------
    words
        Of a letter [no unit].
    """
    text = _own(words)
    found, one_only = [], knowledge("diagnose.inbox", "told.yaml")["one_only"]
    for sign, choices in _patterns().items():
        hits = [(choice, hit) for choice, pattern in choices if (hit := pattern.search(text))]
        if len(hits) == 1 or (hits and sign not in one_only):
            choice, hit = hits[0]
            found.append(Proposal(sign, choice, _shown(text, hit)))
    if (height := _height(text)) is not None:
        found.append(height)
    return found


def _height(text: str) -> Proposal | None:
    for hit in _LENGTH.finditer(text):
        around = text[hit.end() : hit.end() + 25]
        before = text[max(0, hit.start() - 25) : hit.start()].lower()
        if "snow" in around.lower() or "snow" in before[-15:]:
            continue
        if _OF_HEIGHT.search(around) or "height" in before:
            number, unit = float(hit[1].replace(",", ".")), hit[2].lower()
            mm = number * _MM[unit if unit in _MM else unit[:2]]
            if 10 <= mm <= 4000:
                # people guess heights by eye: a fifth of it, 30 mm at least; our choice
                guessed = {"value": round(mm), "sigma": round(max(30.0, 0.2 * mm))}
                return Proposal("wound_height_mm", guessed, _shown(text, hit))
    for pattern, mm, sigma in _body():
        if found := pattern.search(text):
            return Proposal("wound_height_mm", {"value": mm, "sigma": sigma}, _shown(text, found))
    return None


def look_yourself(words: str) -> list[str]:
    """Why an adviser should look at these words, whatever the verdict says.

    Parameters
    ----------
    words
        Of a letter [no unit].
    """
    text = _own(words)
    told = dict(knowledge("diagnose.inbox", "told.yaml")["look_yourself"])
    told[PROTECTED] = [*told[PROTECTED], *(word for animal in protected_animals().values() for word in animal["words"])]
    return [why for why, patterns in told.items() if any(re.search(pattern, text, re.IGNORECASE) for pattern in patterns)]


def _own(words: str) -> str:
    """The sender's own words of this letter: no quoted lines, nothing below a mark of an earlier letter."""
    return "\n".join(_own_lines(words))


def _own_lines(words: str) -> Iterator[str]:
    for line in words.splitlines():
        if re.match(r"\s*(-{2,}\s*(original|forwarded)|on .{5,80} wrote:)", line, re.IGNORECASE):
            return
        if not line.lstrip().startswith(">"):
            yield line


def _shown(text: str, hit: re.Match[str]) -> str:
    """The sentence that holds it, as it was written; of a long one the words round it."""
    start = max((end.end() for end in _SENTENCE_ENDS.finditer(text, 0, hit.start())), default=0)
    end = stop.end() if (stop := _SENTENCE_ENDS.search(text, hit.end())) else len(text)
    cut_start = cut_end = ""
    if hit.start() - start > _AROUND:
        start, cut_start = text.find(" ", hit.start() - _AROUND, hit.start()) + 1 or hit.start(), "\u2026 "
    if end - hit.end() > _AROUND:
        space = text.rfind(" ", hit.end(), hit.end() + _AROUND)
        end, cut_end = space if space >= 0 else hit.end(), " \u2026"
    return cut_start + " ".join(text[start:end].split()) + cut_end
