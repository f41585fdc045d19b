"""How do the kinds of protection compare here: nothing, repellent, guards, fences, electric fences, together?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.culprits.old_names import name_of
from diagnose.protect.barriers import KEPT_OUT, buildable, catalogue
from diagnose.protect.options import Field, Option, best_alive, holding, left_out, option_at, reaching, within_budget
from diagnose.protect.planting import Planting

# rows of the comparison: kind -> in words
KINDS = {
    "nothing": "nothing, trees planted again", "repellent": "repellent or bud caps, as a stop-gap",
    "foot_guard": "guards round the foot of the stem", "root_guard": "tubes or baskets round the roots",
    "tube": "solid tubes",
    "mesh_tube": "mesh tubes", "cage": "cages and stock guards", "light_fence": "light fence: plastic mesh or netting",
    "wire_fence": "wire fence", "electric": "electric fence", "together": "two or three kinds together",
}  # fmt: skip


@dataclass(frozen=True)
class Row:
    """The best of one kind.

    Parameters
    ----------
    kind
        A key of KINDS [no unit].
    option
        The best of it; None where nothing of the kind holds any of the animals here [no unit].
    reaches
        Does it keep out all that must be kept out, leave the wanted trees as surely as asked for, and stay within the
        budget? [no unit]
    fails
        What it does not do, in words [no unit].
    """

    kind: str
    option: Option | None
    reaches: bool
    fails: str

    def as_json(self) -> dict[str, Any]:
        """As plain values, with the best option of the kind, None where it has none."""
        return {"kind": self.kind, "words": KINDS[self.kind], "reaches": self.reaches, "fails": self.fails,
                "best": self.option.as_json() if self.option else None}


def kinds_of(place: Planting, field: Field) -> tuple[Row, ...]:
    """The best of each kind: the cheapest that does all that is wanted, else the one that leaves most trees alive.

    Parameters
    ----------
    place
        The planting and what is wanted of it; its record tells each unit.
    field
        Its combinations of barriers, as `options.field_of` makes them; its record tells each unit.

    Returns
    -------
    tuple of Row
        A row a kind, in the order of KINDS.
    """
    which = np.array([catalogue()[part.key]["kind"] for part in field.pieces] + [""])
    picked = which[field.picked]
    used = picked != ""
    must, affordable = holding(place, field), within_budget(place, field)
    rows = []
    for kind in KINDS:
        if kind == "nothing":
            mine = ~used.any(axis=1)
        elif kind == "together":
            first = picked[:, :1]
            mine = used.any(axis=1) & ((picked != first) & used).any(axis=1)
        else:
            mine = used.any(axis=1) & (~used | (picked == kind)).all(axis=1)
        row = reaching(place, field, mine & must & affordable)
        best = row if row is not None else best_alive(place, field, mine)
        option = None if best is None else option_at(place, field, best)
        rows.append(Row(kind, option, row is not None, _fails(place, option) if option else _none_of(place, kind)))
    return tuple(rows)


def _none_of(place: Planting, kind: str) -> str:
    """Why there is nothing of a kind: left out here, or of no use against these animals."""
    held = [key for key, facts in catalogue().items() if key in buildable() and facts["kind"] == kind
            and set(facts["against"]) & {*place.needs}]
    why = dict.fromkeys(left_out(place, key) or "cannot be built tall enough here" for key in held)
    return "left out: " + "; ".join(why) if why else "holds none of these animals here"


def _fails(place: Planting, option: Option) -> str:
    told = []
    held = dict(option.holds)
    if open_to := [key for key in place.must if held[key] < KEPT_OUT]:
        told.append("lets in " + ", ".join(f"{name_of(key)} (holds {100 * held[key]:.0f} %)" for key in open_to))
    if place.budget is not None and option.first > place.budget:
        told.append("over the budget")
    if option.surely_alive < place.target_trees - 1e-9:
        told.append("too few trees")
    none = [name_of(key) for key, share in option.holds if share < 0.5 and key not in place.must]
    if none and option.parts:
        told.append("holds less than half of " + ", ".join(none[:4]) + (" and others" if len(none) > 4 else ""))
    return "; ".join(told)
