"""Which figures of a plan's alternatives stand side by side, and how are they told in words?"""

from __future__ import annotations

from textwrap import fill
from typing import Any

import pandas as pd

from diagnose.protect.kinds import KINDS
from diagnose.protect.plan import Plan

LABEL = 20  # letters of a kind's name in one line of a chart
BARRIERS, LOSSES = "barriers", "trees lost"


def short_name(kind: str) -> str:
    """What a kind of protection is called, without what explains it.

    Parameters
    ----------
    kind
        A key of `protect.kinds.KINDS` [no unit].
    """
    return KINDS[kind].split(",")[0].split(":")[0]


def kinds_figures(plan: Plan) -> pd.DataFrame:
    """What charts of the kinds show, the cheapest first.

    Parameters
    ----------
    plan
        Whose kinds are compared [no unit].

    Returns
    -------
    DataFrame
        A row for each kind of which something holds here: kind, barriers, trees lost and total [money of the plan], hours,
        low and high (trees alive, 10 and 90 %), surely (trees that are surely alive).
    """
    return pd.DataFrame([{
        "kind": short_name(row.kind), BARRIERS: row.option.barriers, LOSSES: row.option.losses, "total": row.option.total,
        "hours": row.option.hours, "low": row.option.alive_range[0], "high": row.option.alive_range[1],
        "surely": row.option.surely_alive,
    } for row in plan.kinds if row.option is not None]).sort_values("total", ignore_index=True)


def as_saved(figures: pd.DataFrame, currency: str) -> pd.DataFrame:
    """The figures with headings that say their units, as they are saved beside a chart.

    Parameters
    ----------
    figures
        As `kinds_figures` returns them, each in its own unit.
    currency
        Of the plan [no unit].
    """
    return figures.rename(columns={
        "total": f"total [{currency}]", "low": "alive, 10 %", "high": "alive, 90 %", "surely": "alive, surely"})


def labelled(figures: pd.DataFrame) -> pd.DataFrame:
    """The figures with what charts write: the kind's name in short lines, cost and work in words.

    Parameters
    ----------
    figures
        As `kinds_figures` returns them, each in its own unit.
    """
    return figures.assign(kind=[fill(name, LABEL) for name in figures["kind"]],
                          words=[f"{row.total:,.0f}, {row.hours:.0f} h" for row in figures.itertuples()])


def costs_in_words(figures: pd.DataFrame, years: int) -> str:
    """One sentence for who does not see the chart of costs.

    Parameters
    ----------
    figures
        As `kinds_figures` returns them, each in its own unit.
    years
        Over which costs are counted [years].
    """
    told = "; ".join(f"{row.kind} {row.total:,.0f}, {row.hours:.0f} hours of work" for row in figures.itertuples())
    return f"Cost over {years} years: {told}"


def alive_in_words(figures: pd.DataFrame, years: int, wanted: float) -> str:
    """One sentence for who does not see the chart of trees alive.

    Parameters
    ----------
    figures
        As `kinds_figures` returns them, each in its own unit.
    years
        After which trees are counted [years].
    wanted
        Trees that shall be alive then [trees].
    """
    told = "; ".join(f"{row.kind} surely {row.surely:.0f}, {row.low:.0f} to {row.high:.0f}" for row in figures.itertuples())
    return f"Trees alive after {years} years, wanted {wanted:.0f}: {told}"


def kinds_rows(plan: Plan) -> list[dict[str, Any]]:
    """The table of kinds, a row a kind, as pages and papers show it.

    Parameters
    ----------
    plan
        Whose barriers are told [no unit].
    """
    rows = []
    for row in plan.kinds:
        option = row.option
        rows.append({
            "kind": KINDS[row.kind], "best of it": option.name if option and option.parts else "-",
            "cost over the years": option.total if option else None, "first year": option.first if option else None,
            "alive, surely": option.surely_alive if option else None,
            "alive, 10 to 90 %": f"{option.alive_range[0]:.0f} to {option.alive_range[1]:.0f}" if option else "-",
            "hours to build": option.hours if option else None, "does it": "yes" if row.reaches else "no",
            "what it fails": row.fails,
        })
    return rows
