"""By what factors are the catalogue's tables scaled, so that they explain published descriptions?

`fitted.yaml` holds them, made by `fit.py`: one on each choice of a sign for each group. A table scaled still adds up to one,
and a culprit without a table has none after either.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from diagnose.knowledge import knowledge

FITTED = "fitted.yaml"


def fitted() -> Mapping[str, Any]:
    """Sign -> group -> choice -> factor; those of 1 are left out."""
    return knowledge("diagnose.culprits", FITTED)


def logs_of(sign: str, groups: Sequence[str], choices: Sequence[str]) -> np.ndarray:
    """Logarithms of the fitted factors on a sign's table.

    Parameters
    ----------
    sign
        Its name, or `cut` or `marks` [no unit].
    groups
        (C,) the causes' groups at the top of the tree [no unit].
    choices
        (n,) of the sign [no unit].

    Returns
    -------
    numpy.ndarray, shape (C, n)
        [nat]
    """
    told = fitted().get(sign, {})
    rows = {group: [told.get(group, {}).get(choice, 1.0) for choice in choices] for group in set(groups)}
    return np.log([rows[group] for group in groups])


def scaled(table: np.ndarray, logs: np.ndarray, kinds: Sequence[str]) -> np.ndarray:
    """A table times its factors, adding up to one as before.

    Parameters
    ----------
    table
        (C, n) probabilities of a sign's choices, nan where a cause has no table [no unit].
    logs
        (C, n) logarithms of the factors [nat].
    kinds
        (n,) the coarser choice that each choice is a kind of, within which the table adds up to one; all alike where there
        is no coarser sign [no unit].

    Returns
    -------
    numpy.ndarray, shape (C, n)
        Probabilities [no unit].
    """
    weights = table * np.exp(logs)
    same = np.equal.outer(list(kinds), list(kinds)).astype(float)
    return np.asarray(weights / (weights @ same))
