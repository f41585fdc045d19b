"""Which combinations of barriers are there for a planting, what does each cost, and which is the one to take?"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.given import a_whole, one_of
from diagnose.protect.barriers import KEPT_OUT, Part, buildable, catalogue, is_live, most_live_wires, untested, variants
from diagnose.protect.chances import drawn_alive, expected_alive, renewals, surely
from diagnose.protect.materials import Costed, bill, cost_of, costed
from diagnose.protect.planting import Planting
from diagnose.protect.requirement import NEED_OF

LAYERS = ("area", "area_foot", "area_root", "stem", "base", "root", "band", "spray")
# what stands on one line, or at one stem
TOGETHER = (("area", "area_foot"), ("area_root",), ("stem", "base", "root", "band"), ("spray",))
MOST_PARTS = 3  # more parts at once are not planned; our choice
HALF = 0.5  # an animal of whose damage no plan holds this share is one that nothing here stops; our choice
NEARLY = 0.98  # so many of the most trees are as good as they are; our choice
ROUNDING = 0.95  # room for the rounding of drawn trees
TUBES = {"solid_tube", "mesh_tube"}
ROUND_THE_BARK = {"spiral_guard", "split_pipe"}  # what lies as close round the stem as a tube does
MOST_LIVE_M = 40_000.0  # 25 miles of live wire, 25 J at the published joule a mile; what is larger is not sold (from memory)
GRAZED_INSIDE = ("area", "area_foot")  # what stands round land that stock graze would shut them out
LIVES_ALONE = ("electric",)  # kinds of fence that no metal netting may hang on
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Option:
    """One combination of barriers with what it costs over the years, all in today's money.

    Parameters
    ----------
    parts
        The barriers [no unit].
    first, barriers, losses
        For the first year, the buying list and the hours; all payments for the barriers over the years; expected losses of
        trees [money].
    survivors, surely_alive, alive_range
        Alive at the end: expected, with the sureness asked for, and with 10 and 90 % [trees].
    hours, yearly_hours
        A person's work to build it, and to look after it [h, h a year].
    holds
        Culprit, and the share of its damage that is kept away [share].
    """

    parts: tuple[Part, ...]
    first: float
    barriers: float
    losses: float
    survivors: float
    surely_alive: float
    alive_range: tuple[float, float]
    hours: float
    yearly_hours: float
    holds: tuple[tuple[str, float], ...]

    @property
    def total(self) -> float:
        """Barriers and losses over the years [money]."""
        return self.barriers + self.losses

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys of its barriers in the catalogue."""
        return tuple(part.key for part in self.parts)

    @property
    def kinds(self) -> frozenset[str]:
        """The rows of the comparison of kinds that its parts belong to."""
        return frozenset(catalogue()[part.key]["kind"] for part in self.parts)

    @property
    def name(self) -> str:
        """Names of its barriers, joined by "+"; "nothing" where it has none."""
        return " + ".join(part.name for part in self.parts) or "nothing"

    @property
    def stops(self) -> tuple[str, ...]:
        """Culprits that are kept out."""
        return tuple(culprit for culprit, share in self.holds if share >= KEPT_OUT)

    @property
    def unstopped(self) -> tuple[str, ...]:
        """Culprits that are not kept out."""
        return tuple(culprit for culprit, share in self.holds if share < KEPT_OUT)

    @property
    def per_survivor(self) -> float:
        """Total cost over the trees expected alive, infinite where none is [money a tree]."""
        return self.total / self.survivors if self.survivors > 0 else math.inf

    def as_json(self) -> dict[str, Any]:
        """As plain values: money to 0.01, trees and hours to 0.1, shares to 0.001."""
        return {"barriers": list(self.keys), "name": self.name, "first_cost": round(self.first, 2),
                "barriers_cost": round(self.barriers, 2), "losses_cost": round(self.losses, 2),
                "total_cost": round(self.total, 2), "surviving_trees": round(self.survivors, 1),
                "surely_alive": round(self.surely_alive, 1), "alive_10_90": [round(one, 1) for one in self.alive_range],
                "work_hours": round(self.hours, 1), "work_hours_a_year": round(self.yearly_hours, 1),
                "cost_per_surviving_tree": round(self.per_survivor, 2) if self.survivors > 0 else None,
                "share_held": {culprit: round(share, 3) for culprit, share in self.holds},
                "stops": list(self.stops), "unstopped": list(self.unstopped),
                "sizes": [part.as_json() for part in self.parts]}


@dataclass(frozen=True)
class Field:
    """All combinations as tables, so that they are reckoned at once.

    Parameters
    ----------
    pieces, costs
        Every barrier in every size, and what each takes [no unit].
    picked
        (options, MOST_PARTS), rows of `pieces`, -1 for none [no unit].
    let_through, held
        (options, animals), and (options, needs) with `needs` in their order [share].
    first, fixed, barriers, losses
        (options,); `fixed` is what deaths do not change [money].
    renewing, round_it
        (pieces + 1, years + 1), today's worth of renewing all of a piece [money]; (pieces + 1,) is it a fence?
    survivors
        (options,) expected alive at the end [trees].
    """

    pieces: tuple[Part, ...]
    costs: tuple[Costed, ...]
    picked: NDArray[np.int64]
    let_through: Floats
    held: Floats
    first: Floats
    fixed: Floats
    renewing: Floats
    round_it: NDArray[np.bool_]
    barriers: Floats
    losses: Floats
    survivors: Floats

    @property
    def total(self) -> Floats:
        """(options,) barriers and losses over the years [money]."""
        return self.barriers + self.losses

    def parts(self, row: int) -> tuple[Part, ...]:
        """The barriers of one combination.

        Parameters
        ----------
        row
            Of the tables [no unit].
        """
        own = a_whole(row, "The row", 0, len(self.picked) - 1)
        return tuple(self.pieces[number] for number in self.picked[own] if number >= 0)


def field_of(place: Planting) -> Field:
    """Every combination of barriers, in every size, that fits together here; nothing at all is the first of them.

    A barrier counts against every need that it holds. An animal that gets past the fence meets the guard, so what they let
    past multiplies; of several on one line, or at one stem, the best counts, for what opens one opens the other (our
    choice). Payments are discounted; guards are renewed at trees that live, fences whole, and nothing once the trees are
    out of reach.

    Parameters
    ----------
    place
        The planting and what is wanted of it; its record tells each unit.
    """
    pieces, mains = _pieces(place)
    costs = tuple(costed(place, part, main) for part, main in zip(pieces, mains, strict=True))
    picked = _combinations(pieces, mains)
    years, discount = place.years, (1 + place.price("rate")) ** -np.arange(place.years + 1)
    needs = place.needs
    open_to = np.ones((len(pieces) + 1, len(needs)))
    first, fixed = np.zeros(len(pieces) + 1), np.zeros(len(pieces) + 1)
    renewing, round_it = np.zeros((len(pieces) + 1, years + 1)), np.zeros(len(pieces) + 1, bool)
    for number, (part, cost) in enumerate(zip(pieces, costs, strict=True)):
        renewed = _renewed(place, part)
        stands = 1.0 if catalogue()[part.key]["cost"].get("yearly") else 1.0 - 0.5 * float(renewed[1:].mean())
        for need, share in part.holds:
            open_to[number, needs.index(need)] = 1 - share * stands
        first[number] = cost.first
        fixed[number] = cost.first + cost.yearly * discount[1:].sum() + cost.removal * discount[-1]
        renewing[number] = renewed * cost.renewal * discount
        round_it[number] = part.round_the_planting
    through = np.ones((len(picked), len(needs)))
    for group in TOGETHER:
        mine = np.array([part.where in group for part in pieces] + [False])
        through *= np.where(mine[picked][:, :, None], open_to[picked], 1.0).min(axis=1)
    columns = [needs.index(need) for _, need, _, _ in place.animals]
    let_through = through[:, columns]
    presence = np.array([one[2] for one in place.animals])
    told = fixed[picked].sum(axis=1)
    barriers, losses, survivors = _reckoned(place, picked, let_through, told, renewing, round_it, presence)
    return Field(pieces, costs, picked, let_through, 1 - through, first[picked].sum(axis=1), told, renewing, round_it,
                 barriers, losses, survivors)


def _reckoned(place: Planting, picked: NDArray[np.int64], let_through: Floats, fixed: Floats, renewing: Floats,
              round_it: NDArray[np.bool_], presence: Floats) -> tuple[Floats, Floats, Floats]:
    """Cost of the barriers, of the losses, and trees alive, (options,) each, where each animal is there so probably."""
    loss = np.array([one[3] for one in place.animals])
    discount = (1 + place.price("rate")) ** -np.arange(place.years + 1)
    alive = expected_alive(presence, loss, let_through, place.years)
    losses = place.trees * place.price("tree") * (-np.diff(alive, axis=1) * discount[1:]).sum(axis=1)
    barriers = fixed.copy()
    for column in range(MOST_PARTS):
        rows = renewing[picked[:, column]]
        barriers += np.where(round_it[picked[:, column]], rows.sum(axis=1), (rows * alive).sum(axis=1))
    return barriers, losses, place.trees * alive[:, -1]


def totals_if(place: Planting, field: Field, presence: Floats) -> Floats:
    """Cost over life plus expected loss of every row, where each animal is there with these probabilities.

    Parameters
    ----------
    place
        The planting; its record tells each unit.
    field
        Its combinations of barriers, as `field_of` makes them [no unit].
    presence : numpy.ndarray, shape (animals,)
        Probabilities in the order of `place.animals`, 0 to 1 [no unit].

    Returns
    -------
    numpy.ndarray, shape (options,)
        [money of today]
    """
    barriers, losses, _ = _reckoned(place, field.picked, field.let_through, field.fixed, field.renewing, field.round_it,
                                    presence)
    return barriers + losses


def against_the_others(place: Planting, field: Field) -> tuple[Planting, Field, tuple[str, ...]]:
    """The planting as if the animals that nothing built here holds by half were not there, and who they are.

    Parameters
    ----------
    place, field
        As for `totals_if`, each in its own unit.
    """
    held = field.held.max(axis=0)
    past = tuple(key for key, need, _, _ in place.animals if held[place.needs.index(need)] < HALF)
    fewer = replace(place, threats=tuple((key, replace(threat, probability=0.0) if key in past else threat)
                                         for key, threat in place.threats))
    presence = np.array([one[2] for one in fewer.animals])
    barriers, losses, survivors = _reckoned(fewer, field.picked, field.let_through, field.fixed, field.renewing,
                                            field.round_it, presence)
    return fewer, replace(field, barriers=barriers, losses=losses, survivors=survivors), past


def _renewed(place: Planting, part: Part) -> Floats:
    """Pieces renewed in each year, for one piece."""
    facts = catalogue()[part.key]["cost"]
    if facts.get("yearly"):
        return np.array([0.0] + [1.0] * (place.years - 1) + [0.0])
    own = "life_years" in place.prices.get(part.key, {})
    least = float(facts["life_least"][0]) if "life_least" in facts and not own else None
    return renewals(cost_of(place, part.key, "life_years"), least, place.years)


def _pieces(place: Planting) -> tuple[tuple[Part, ...], tuple[Part | None, ...]]:
    """Every barrier that may stand here in every size, and the fence on whose posts a netting hangs (one stands for all)."""
    pieces: list[Part] = []
    mains: list[Part | None] = []
    for key in buildable():
        for part in _sizes(place, key):
            pieces.append(part)
            mains.append(None)
    carriers = [part for part in pieces if part.where == "area" and _carries(part)]
    for part in [part for part in pieces if part.where == "area_foot" and not is_live(part)]:
        for carrier in {carrier.key: carrier for carrier in carriers}.values():
            pieces.append(part)
            mains.append(carrier)
    return tuple(pieces), tuple(mains)


def _carries(part: Part) -> bool:
    """Whether a metal netting may hang on the posts of this fence: never on one that is live."""
    return catalogue()[part.key]["kind"] not in LIVES_ALONE


@lru_cache(maxsize=512)
def _sizes_of(key: str, needs: tuple[str, ...], snow_mm: float, spec: tuple[tuple[str, Any], ...], slope: float,
              years: int, hectares: float, country: str) -> tuple[Part, ...]:
    return tuple(variants(key, needs, snow_mm, dict(spec), slope, years, hectares, country))


def left_out(place: Planting, key: str) -> str:
    """Why a barrier is not planned here whatever it holds, in words; empty where it is.

    Parameters
    ----------
    place
        The planting and its demands [each its own unit].
    key
        a barrier of the catalogue [no unit].
    """
    facts, spec = catalogue()[one_of(key, buildable(), "The barrier")], place.spec
    asked_for = key in spec.get("barrier", [])
    main = facts["where"] in ("area", "stem")
    if "grazed" in place.site and facts["where"] in GRAZED_INSIDE:
        return "stock are to graze between the trees"
    if facts.get("for_conifers") is False and place.conifers:
        return "not round conifers"
    if facts.get("large_trees_only") and not place.large_trees:
        return "only on large trees"
    if place.stock_mm < facts.get("stock_mm_min", [0])[0]:
        return f"only on stock of at least {facts['stock_mm_min'][0]:g} mm"
    if "area_limit_ha" in facts and place.hectares > facts["area_limit_ha"][0]:
        return f"only up to {facts['area_limit_ha'][0]:g} ha"
    if untested(key) and not asked_for:
        return "no trial on planted trees is known, so only when asked for by name"
    if main and spec.get("barrier") and not asked_for:
        return "not among the kinds that are demanded"
    if main and facts["cost"]["life_years"][0] < spec.get("life_years_min", 0):
        return "does not last as long as is demanded"
    if most_live_wires(key) * place.ground.fence_m > MOST_LIVE_M:
        return f"over {MOST_LIVE_M / 1000:.0f} km of live wire is more than one energiser drives, and a fence has only one"
    return ""


def _sizes(place: Planting, key: str) -> tuple[Part, ...]:
    if left_out(place, key):
        return ()
    main = catalogue()[key]["where"] in ("area", "stem")
    own = {name: value for name, value in place.spec.items() if name != "barrier"} if main else {}
    return _sizes_of(key, place.needs, place.snow_mm, tuple(sorted(own.items())), place.ground.slope_percent, place.years,
                     place.tall_ha, place.country)


def _combinations(pieces: Sequence[Part], mains: Sequence[Part | None]) -> NDArray[np.int64]:
    layers = {where: [number for number, part in enumerate(pieces) if part.where == where] for where in LAYERS}
    rows: list[tuple[int, ...]] = [(-1,) * MOST_PARTS]
    for count in range(1, MOST_PARTS + 1):
        for wheres in itertools.combinations(LAYERS, count):
            for numbers in itertools.product(*(layers[where] for where in wheres)):
                if _fits(numbers, pieces, mains):
                    rows.append((*numbers, *(-1,) * (MOST_PARTS - count)))
    return np.array(rows, dtype=np.int64)


def _fits(numbers: tuple[int, ...], pieces: Sequence[Part], mains: Sequence[Part | None]) -> bool:
    """A netting hangs on its carrier or stands alone; nothing metal shares the line of a live fence, nor a second live one.

    What is put on the shoot (a spray, a cap) is not put on one in a tube or cage, nor a spiral or a pipe round a stem in a
    tube.
    """
    keys = {pieces[number].key for number in numbers}
    if {"stem", "spray"} <= {pieces[number].where for number in numbers} or (keys & ROUND_THE_BARK and keys & TUBES):
        return False
    round_it = [pieces[number] for number in numbers if pieces[number].round_the_planting]
    if any(is_live(part) for part in round_it) and len(round_it) > 1:
        return False  # a second fence beside a live one would be live through it, or short it
    fence = next((pieces[number] for number in numbers if pieces[number].where == "area"), None)
    for number in numbers:
        if pieces[number].where == "area_foot":
            main = mains[number]
            if fence is None:
                return main is None
            return main is not None and main.key == fence.key
    return True


def option_at(place: Planting, field: Field, row: int) -> Option:
    """One row of the tables as an option, its first cost that of its own buying list, stock used once.

    Parameters
    ----------
    place, field
        As for `totals_if`, each in its own unit.
    row
        Of the tables [no unit].
    """
    parts = field.parts(row)
    costs = [field.costs[number] for number in field.picked[row] if number >= 0]
    lines = bill(place, parts)
    first = sum(line.cost for line in lines) + sum(cost.hours * cost.wage for cost in costs)
    apart = float(field.first[row])
    alive = drawn_alive(place.animals, field.let_through[row], place.trees, place.years)[:, -1]
    low, high = (float(np.quantile(alive, share, method="nearest")) for share in (0.1, 0.9))
    named = [(culprit, need) for culprit, need, _, _ in place.animals]
    named += [(culprit, NEED_OF[culprit]) for culprit in place.must if culprit not in dict(place.threats)]
    holds = tuple((culprit, float(field.held[row, place.needs.index(need)])) for culprit, need in named)
    return Option(parts, first, float(field.barriers[row]) - apart + first, float(field.losses[row]),
                  float(field.survivors[row]), surely(alive, place.sureness), (low, high), sum(cost.hours for cost in costs),
                  sum(cost.yearly_hours for cost in costs), holds)


def by_cost(field: Field) -> NDArray[np.int64]:
    """Rows from the least cost over life and expected loss up; fewer parts first where costs are equal.

    Parameters
    ----------
    field
        Combinations of barriers, as `field_of` makes them [no unit].

    Returns
    -------
    numpy.ndarray of int, shape (options,)
        Rows of the tables.
    """
    return np.lexsort(((field.picked >= 0).sum(axis=1), np.round(field.total, 6)))


def holding(place: Planting, field: Field) -> NDArray[np.bool_]:
    """Which rows keep out all that must be kept out.

    Parameters
    ----------
    place, field
        As for `totals_if`, each in its own unit.

    Returns
    -------
    numpy.ndarray of bool, shape (options,)
        At least KEPT_OUT of each such animal's damage is held.
    """
    told = np.ones(len(field.picked), dtype=bool)
    for culprit in place.must:
        told &= field.held[:, place.needs.index(NEED_OF[culprit])] >= KEPT_OUT
    return told


def compare(place: Planting) -> list[Option]:
    """The cheapest of each combination of barriers, cheapest total first; nothing at all is one of them.

    Parameters
    ----------
    place
        The planting; its record tells each unit.
    """
    field = field_of(place)
    best: dict[tuple[str, ...], int] = {}
    for row in by_cost(field):
        best.setdefault(tuple(part.key for part in field.parts(row)), int(row))
    return [option_at(place, field, row) for row in best.values()]


def least_expected_cost(place: Planting) -> float:
    """Cost over life plus expected loss of the cheapest plan, whatever it keeps out or reaches [money of today].

    Parameters
    ----------
    place
        The planting; its record tells each unit.
    """
    return float(field_of(place).total.min())


def reaching(place: Planting, field: Field, allowed: NDArray[np.bool_]) -> int | None:
    """The row of the cheapest allowed plan that leaves the wanted trees alive as surely as asked for; None where none does.

    A number that is reached with probability s has an expectation of at least s times the number (Markov), so that most
    plans need not be drawn; nor does one that lets through no less of anything than a cheaper one.

    Parameters
    ----------
    place, field
        As for `totals_if`, each in its own unit.
    allowed : numpy.ndarray of bool, shape (options,)
        Rows that may be taken [no unit].
    """
    seen = np.empty((0, field.let_through.shape[1]))
    enough = ROUNDING * place.sureness * place.target_trees
    for row in by_cost(field):
        past = field.let_through[row]
        if not allowed[row] or field.survivors[row] < enough or (seen <= past + 1e-12).all(axis=1).any():
            continue
        seen = np.vstack([seen, past])
        if surely_alive(place, field, int(row)) >= place.target_trees - 1e-9:
            return int(row)
    return None


def surely_alive(place: Planting, field: Field, row: int) -> float:
    """Trees alive at the end with the sureness asked for [trees].

    Parameters
    ----------
    place, field
        As for `totals_if`, each in its own unit.
    row
        Of the tables [no unit].
    """
    a_whole(row, "The row", 0, len(field.picked) - 1)
    return surely(drawn_alive(place.animals, field.let_through[row], place.trees, place.years)[:, -1], place.sureness)


def best_alive(place: Planting, field: Field, allowed: NDArray[np.bool_]) -> int | None:
    """The cheapest allowed row that leaves all but as many trees surely alive as any; None where nothing is allowed.

    The last few trees may cost as much as all the others, so that NEARLY of the most is enough. A row that lets through no
    less of anything than a cheaper one need not be drawn.

    Parameters
    ----------
    place
        What is to be protected [no unit].
    field
        All combinations [no unit].
    allowed
        Rows that may be taken, (options,) [no unit].
    """
    seen, best = np.empty((0, field.let_through.shape[1])), []
    for row in by_cost(field):
        past = field.let_through[row]
        if not allowed[row] or (seen <= past + 1e-12).all(axis=1).any():
            continue
        seen = np.vstack([seen, past])
        best.append((int(row), surely_alive(place, field, int(row))))
    most = max((alive for _, alive in best), default=0.0)
    return next((row for row, alive in best if alive >= NEARLY * most), None)


def holding_most(place: Planting, field: Field, allowed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which allowed rows keep out as many of those that must be kept out as any allowed row does.

    Parameters
    ----------
    place
        What is to be protected [no unit].
    field
        All combinations [no unit].
    allowed
        Rows that may be taken, (options,) [no unit].
    """
    kept = np.zeros(len(field.picked), dtype=int)
    for culprit in place.must:
        kept += field.held[:, place.needs.index(NEED_OF[culprit])] >= KEPT_OUT
    return allowed & (kept == kept[allowed].max(initial=0))


def within_budget(place: Planting, field: Field) -> NDArray[np.bool_]:
    """Which rows cost no more in the first year than there is.

    Parameters
    ----------
    place, field
        As for `totals_if`, each in its own unit.

    Returns
    -------
    numpy.ndarray of bool, shape (options,)
        All True without a budget.
    """
    return np.ones(len(field.picked), dtype=bool) if place.budget is None else field.first <= place.budget + 0.005
