"""Of two ends, is one but a splinter of the other's stem, a stub at its side, or its piece's other end?"""

from __future__ import annotations

from diagnose.eye.see import Glance

THINNER = 0.8  # of another's width: what ends beside that one's stem is a side stub or a splinter
SAME_WAY, SPLINTER = 0.8, 8.0  # cosine between a splinter and its stem; how far it reaches [widths]
BESIDE_STEM, BEHIND_END = 6.0, 12.0  # of the thicker one's widths: how far a side stub reaches aside and lies behind
OPPOSITE = 0.8  # cosine between the ways that a piece's two ends point away from each other


def is_part_of(one: Glance, other: Glance) -> bool:
    """Whether an end is thinner than another and either a splinter before it or a stub at its stem's side.

    Parameters
    ----------
    one, other
        Two ends in one picture [px].
    """
    if one.width >= THINNER * other.width:
        return False
    ahead, aside, alike = _beside(one, other)
    splinter = alike > SAME_WAY and 0 < ahead < SPLINTER and aside < 1.5
    return splinter or (alike > -OPPOSITE and -BEHIND_END < ahead < 0 and aside < BESIDE_STEM)


def points_away(one: Glance, other: Glance) -> bool:
    """Whether an end points the opposite way to another, as a piece's two ends do.

    Parameters
    ----------
    one, other
        Two ends in one picture [px].
    """
    return _beside(one, other)[2] < -OPPOSITE


def _beside(one: Glance, other: Glance) -> tuple[float, float, float]:
    """Where an end lies from another: before it and aside of it, in its widths; and the cosine between their ways out."""
    along, ahead = other.outward, (one.at - other.at) / other.width
    return float(along @ ahead), abs(float(along[0] * ahead[1] - along[1] * ahead[0])), float(along @ one.outward)
