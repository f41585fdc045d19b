"""What has the person given of a wound that is not yet saved in the log?"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import streamlit as st

from diagnose.cannot_use import CannotUse
from diagnose.culprits.ask import PLACE, question_of
from diagnose.screens import drawer
from diagnose.screens.tap import Point
from diagnose.signs import Answer, Several, Sign, parse_signs, signs_as_json, vocabulary

_DRAWER = "wound"


@dataclass
class Photo:
    """A photo on the page.

    Parameters
    ----------
    name, digest, data
        The file's name, its SHA-256, and its bytes [no unit].
    taps
        The wound first [shares of width and height].
    first
        Is it asked for taps before everything else, since nothing was found in it? None until it was looked at [no unit].
    shown
        Its wound enlarged, as JPEG with the lines that were measured along, and words for it; None without any [no unit].
    """

    name: str
    digest: str
    data: bytes
    taps: list[Point] = field(default_factory=list)
    first: bool | None = None
    shown: tuple[bytes, str] | None = None


@dataclass
class Draft:
    """What the person has given and not yet saved in the log.

    Parameters
    ----------
    photos, answers, passed, words
        Pictures, answered questions, those that they could not tell, and fields [no unit].
    came_back
        Was it taken out of the drawer? [no unit]
    before
        The verdict in short and its strength (0 to 1) before the last answer; None before the first [no unit].
    """

    photos: list[Photo] = field(default_factory=list)
    answers: dict[str, Sign] = field(default_factory=dict)
    passed: set[str] = field(default_factory=set)
    words: dict[str, str] = field(default_factory=dict)
    came_back: bool = False
    before: tuple[str, float] | None = None

    @property
    def is_empty(self) -> bool:
        """Has nothing been given that a verdict could come from?"""
        return not (self.photos or self.answers or self.passed)

    def put_away(self) -> None:
        """Into the device's drawer, so that a reload or a lost connection loses nothing."""
        if self.is_empty:
            drawer.forget(_DRAWER)
            return
        drawer.keep(_DRAWER, {
            "photos": [{"name": one.name, "digest": one.digest, "taps": one.taps} for one in self.photos],
            "answers": signs_as_json(self.answers), "passed": sorted(self.passed), "words": self.words,
        })

    def say(self, name: str, words: str) -> str:
        """Remembers the words of a field, and gives them back.

        Parameters
        ----------
        name
            Of the field [no unit].
        words
            That stand in it now [no unit].
        """
        if words != self.words.get(name, ""):
            self.words[name] = words
            self.put_away()
        return words

    def answer(self, name: str, said: str | list[str] | None) -> None:
        """Takes the answer to a question: a choice, several that hold together, or None where the person cannot tell.

        Parameters
        ----------
        name
            Of the question's sign [no unit].
        said
            Key of the choice, of several, or None [no unit].
        """
        if said is None:
            self.passed.add(name)
        else:
            self.answers.update(parse_signs({name: said}))
        self.put_away()

    def take_back(self, name: str) -> None:
        """Forgets what was answered to a question.

        Parameters
        ----------
        name
            Of the question's sign [no unit].
        """
        self.before = None
        self.answers.pop(name, None)
        self.passed.discard(name)
        self.put_away()

    def tap(self, photo: Photo, points: list[Point]) -> None:
        """Takes the points that were tapped in a photo.

        Parameters
        ----------
        photo
            One of this draft's [no unit].
        points
            The wound first; empty to forget all [shares of width and height].
        """
        photo.taps = points
        self.put_away()

    def remove(self, photo: Photo) -> None:
        """Takes a photo out again.

        Parameters
        ----------
        photo
            One of this draft's; it may be gone already [no unit].
        """
        self.photos = [one for one in self.photos if one is not photo]
        self.put_away()

    def told(self) -> dict[str, tuple[str, str]]:
        """Sign -> its question and the words of the answer, in the order of answering."""
        found = {}
        for name in [*self.answers, *sorted(self.passed)]:
            said, choices = self.answers.get(name), {} if name == PLACE else vocabulary()[name].choices
            words = (choices[said.choice] if isinstance(said, Answer) else
                     ", ".join(choices[one] for one in said.found) if isinstance(said, Several) else "don't know")
            found[name] = (question_of(name), words)
        return found


def _taken_out() -> Draft:
    """The draft as the drawer holds it; an empty one when there is none or it cannot be read."""
    kept: dict[str, Any] = drawer.kept(_DRAWER)
    try:
        photos = [Photo(one["name"], one["digest"], data, [(float(x), float(y)) for x, y in one["taps"]])
                  for one in kept.get("photos", []) if (data := drawer.kept_file(one["digest"])) is not None]
        words = {str(name): str(said) for name, said in kept.get("words", {}).items()}
        draft = Draft(photos, parse_signs(kept.get("answers", {})), set(kept.get("passed", [])), words)
    except (AttributeError, KeyError, TypeError, ValueError, CannotUse):
        return Draft()
    draft.came_back = bool(kept)
    return draft


def the_draft() -> Draft:
    """The draft of this device."""
    if "draft" not in st.session_state:
        st.session_state["draft"] = _taken_out()
    draft: Draft = st.session_state["draft"]
    return draft


def start_over() -> None:
    """Throws the draft away; its fields on the page are empty again."""
    drawer.forget(_DRAWER)
    drawer.forget_files(but=set())
    st.session_state["draft"] = Draft()
    st.session_state["photo_round"] = st.session_state.get("photo_round", 0) + 1
