"""What can be known of a wound, and how is it written down?

A sign is one thing known of a wound or seen beside it. It is measured from a photo, answered by a person,
or unknown; an unknown sign is simply absent. Every measured sign carries its standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

How = Literal["photo", "answer", "default"]


@dataclass(frozen=True)
class Measured:
    """A number with its standard uncertainty, both in the unit that the sign's name ends with."""

    value: float
    sigma: float
    how: How = "photo"

    def as_json(self) -> dict[str, float]:
        return {"value": round(float(self.value), 4), "sigma": round(float(self.sigma), 4)}


@dataclass(frozen=True)
class Bounded:
    """An interval that holds the number with probability `level`, where no single value can be stated."""

    low: float
    high: float
    level: float = 0.95
    how: How = "photo"

    def as_json(self) -> dict[str, float]:
        return {"low": round(float(self.low), 4), "high": round(float(self.high), 4), "level": self.level}


@dataclass(frozen=True)
class Shares:
    """Probabilities over the choices of a sign, which sum to one."""

    shares: Mapping[str, float]
    how: How = "photo"

    def as_json(self) -> dict[str, float]:
        return {choice: round(float(share), 4) for choice, share in self.shares.items()}


@dataclass(frozen=True)
class Answer:
    """One choice of a sign, as a person answered it."""

    choice: str
    how: How = "answer"

    def as_json(self) -> str:
        return self.choice


Sign = Measured | Bounded | Shares | Answer
Signs = Mapping[str, Sign]


def signs_as_json(signs: Signs) -> dict[str, Any]:
    """The signs as plain JSON values, in the shapes that the command prints."""
    return {name: sign.as_json() for name, sign in signs.items()}
