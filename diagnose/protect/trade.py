"""In which sizes are meshes, tubes, stakes and posts sold, and what are those called in inches and feet?"""

from __future__ import annotations

from typing import Any

from diagnose.given import a_number, from_nought, one_of
from diagnose.knowledge import knowledge

TO_ORDER = "to order"


def trade_sizes(what: str) -> dict[float, str]:
    """Sizes in which something is sold [mm] -> their name in inches or feet.

    Parameters
    ----------
    what
        A table of `trade.yaml` [no unit].

    Raises
    ------
    CannotUse
        For a table that is none.
    """
    return {float(size): name for size, name in _table(what)["sizes"].items()}


def trade_sources(what: str) -> str:
    """Keys of the sources that name sizes of a table.

    Parameters
    ----------
    what
        A table of `trade.yaml` [no unit].

    Raises
    ------
    CannotUse
        For a table that is none.
    """
    return str(_table(what)["source"])


def _table(what: str) -> dict[str, Any]:
    tables = knowledge("diagnose.protect", "trade.yaml")
    return dict(tables[one_of(what, tables, "The table of sizes")])


def at_least(what: str, mm: float) -> tuple[float, bool]:
    """The smallest size sold that is no less than a length [mm], and whether one is sold; else the length itself.

    Parameters
    ----------
    what
        A table of `trade.yaml` [no unit].
    mm
        The length [mm].

    Raises
    ------
    CannotUse
        For a table that is none, or a length below nought.

    Examples
    --------
    >>> at_least("posts", 3300)
    (3350.0, True)
    >>> at_least("posts", 9000)
    (9000, False)
    """
    from_nought(mm, "The length")
    fitting = [size for size in trade_sizes(what) if size >= mm - 0.5]
    return (min(fitting), True) if fitting else (mm, False)


def at_most(what: str, mm: float) -> tuple[float, bool]:
    """The largest size sold that does not exceed a limit [mm], and whether one is sold; else the limit itself.

    Parameters
    ----------
    what
        A table of `trade.yaml` [no unit].
    mm
        The limit [mm].

    Raises
    ------
    CannotUse
        For a table that is none, or a limit below nought.
    """
    from_nought(mm, "The limit")
    fitting = [size for size in trade_sizes(what) if size <= mm + 0.05]
    return (max(fitting), True) if fitting else (mm, False)


def name_of(what: str, mm: float) -> str:
    """How a size is called in the trade of inches and feet; `to order` where it is in no table.

    Parameters
    ----------
    what
        A table of `trade.yaml` [no unit].
    mm
        The size [mm].

    Raises
    ------
    CannotUse
        For a table that is none.
    """
    return trade_sizes(what).get(a_number(mm, "The size"), TO_ORDER)
