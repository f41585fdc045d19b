"""What do droppings, tracks, runs, hair and sightings tell of who is about, and through that of who bit?

Traces tell of presence, the wound tells who bit. One cause made the wound; if it is an animal, it was there for sure.
Every other animal was about or not, by a background chance of its own. A kind of trace is found unless each animal that
is about left none and no stray one lay there. What was looked for and not found tells something, what was not looked
for tells nothing.

P(found F, missing N | who is about) is summed over everybody by inclusion and exclusion over the kinds found: the chance
that all kinds of a set are missing is a product over animals, so 2^kinds terms do, never 2^animals.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.signs import Answer, Several, Shares, Signs, vocabulary

Kind = tuple[str, str]
MOST_KINDS = 12  # found at once; more tell nothing new and would take long


@dataclass(frozen=True)
class Told:
    """What the traces say.

    Parameters
    ----------
    likelihood
        (K,) of them, given that each culprit made the wound, in no absolute unit.
    about
        (K, K) chance that the column's culprit is about, given the traces and that the row's culprit made the wound, 0 to 1
        [no unit].
    """

    likelihood: np.ndarray
    about: np.ndarray


def weigh_traces(
    found: Sequence[int], missing: Sequence[int], left: np.ndarray, background: np.ndarray, animal: np.ndarray,
    stray: float, who: bool = True,
) -> Told:
    """The traces' likelihood and who is about, exactly.

    Parameters
    ----------
    found, missing
        Rows of `left`: kinds that were found, and that were looked for and are not there [no unit].
    left
        (kinds, K) chance that a culprit which is about left a kind that is found, 0 to 1 [no unit].
    background
        (K,) chance of being about and not having made the wound, 0 to 1; 0 for what is no animal [no unit].
    animal
        (K,) which culprits are animals, present for sure when they made the wound [no unit].
    stray
        Chance of finding a kind that nobody about left, 0 to 1 [no unit].
    who
        True to work out who is about too; else those are nan [no unit].

    References
    ----------
    Our own; the sum is the principle of inclusion and exclusion.
    """
    none = np.where(animal, 1 - left, 1.0).astype(np.longdouble)  # (kinds, K) left none though about
    k = none.shape[1]
    base = np.prod(none[list(missing)], axis=0) if len(missing) else np.ones(k, np.longdouble)
    clear = np.longdouble(1 - stray)
    likelihood = np.zeros(k, np.longdouble)
    with_other = np.zeros((k, k), np.longdouble) if who else None
    here = background.astype(np.longdouble)
    for chosen in product((False, True), repeat=len(found)):
        kinds = [kind for kind, taken in zip(found, chosen, strict=True) if taken]
        sign = -1 if len(kinds) % 2 else 1
        about = base * (np.prod(none[kinds], axis=0) if kinds else 1)  # (K,) all of the set missing, if about
        term = 1 - here + here * about
        strays = clear ** (len(kinds) + len(missing))
        everybody = np.prod(term)
        as_maker = np.where(animal, about / term, 1.0)
        likelihood += sign * strays * everybody * as_maker
        if with_other is not None:
            with_other += sign * strays * everybody * as_maker[:, None] * (here * about / term)[None, :]
    likelihood = np.maximum(likelihood, np.longdouble(1e-300))
    if with_other is None:
        return Told(likelihood.astype(float), np.full((k, k), np.nan))
    shares = np.clip(with_other / likelihood[:, None], 0, 1).astype(float)
    np.fill_diagonal(shares, np.where(animal, 1.0, 0.0))
    return Told(likelihood.astype(float), shares)


def traces_told(signs: Signs, traces: Iterable[str]) -> list[tuple[float, frozenset[Kind], frozenset[Kind]]]:
    """Every way to read the traces, with its share: the kinds found, and those looked for and not there.

    Parameters
    ----------
    signs
        What is known of the wound and round it [no unit].
    traces
        Names of the signs that are traces [no unit].

    Raises
    ------
    CannotUse
        For more kinds at once than MOST_KINDS.

    Notes
    -----
    Shares over the choices of one sign are read one choice at a time.
    """
    ways: list[tuple[float, frozenset[Kind], frozenset[Kind]]] = [(1.0, frozenset(), frozenset())]
    for name in traces:
        sign = signs.get(name)
        if sign is None:
            continue
        every = frozenset((name, choice) for choice in vocabulary()[name].choices if choice != "none")
        if isinstance(sign, Several):
            found = frozenset((name, choice) for choice in sign.found)
            told = [(1.0, found, every - found if sign.complete else frozenset())]
        else:
            shares: Mapping[str, float] = (
                {sign.choice: 1.0} if isinstance(sign, Answer) else sign.shares if isinstance(sign, Shares) else {}
            )
            told = [(share, frozenset(), every) if choice == "none" else (share, frozenset({(name, choice)}), frozenset())
                    for choice, share in shares.items() if share > 0]
        ways = [(a * b, found | f, missing | m) for a, found, missing in ways for b, f, m in told]
    if any(len(found) > MOST_KINDS for _, found, _ in ways):
        raise CannotUse(f"more than {MOST_KINDS} kinds of traces at once are not weighed; name the freshest")
    return ways


def weigh_ways(
    signs: Signs, kinds: Sequence[Kind], rates: np.ndarray, traces: Iterable[str], background: np.ndarray,
    animal: np.ndarray, stray: float, who: bool = True,
) -> Told:
    """As `weigh_traces`, from signs: the mean over every way to read them.

    Parameters
    ----------
    signs
        What is known of the wound and round it [no unit].
    kinds
        Of traces, sign and choice, in the order of the rows of `rates` [no unit].
    rates
        (kinds, K) chance that a culprit which is about left each, 0 to 1 [no unit].
    traces
        Names of the signs that are traces [no unit].
    background, animal, stray, who
        As for `weigh_traces` [no unit].
    """
    total, about = np.zeros(len(animal)), np.zeros((len(animal), len(animal)))
    for share, found, missing in traces_told(signs, traces):
        told = weigh_traces([kinds.index(kind) for kind in sorted(found)], [kinds.index(kind) for kind in sorted(missing)],
                            rates, background, animal, stray, who)
        total += share * told.likelihood
        about += share * told.likelihood[:, None] * told.about
    return Told(total, about / np.maximum(total, 1e-300)[:, None])
