"""Which ranges of the forecasts of barriers stand side by side, and how are they told in words?"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import pandas as pd

from diagnose.upkeep.due import IN_SIGHT_YEARS
from diagnose.upkeep.outlook import FAR

SAFE, TIGHT = "out of reach", "cuts in"
PER_CENT = 90  # of such plants and barriers lie in a range: from the 5th to the 95th percentile


def forecast_ranges(lines: Sequence[dict[str, Any]], on: date) -> pd.DataFrame:
    """When plants are out of reach and when barriers cut in, two rows for each group of barriers that has both.

    Parameters
    ----------
    lines
        As `upkeep.forecast.forecast_lines` returns them [no unit].
    on
        The day that they are told on [no unit].

    Returns
    -------
    DataFrame
        group (its place in the lines), name (how many of what, and by when), what (SAFE or TIGHT), early, likely and late
        (days: 5th, 50th and 95th percentile; what lies out of sight ends where sight ends, its likely day is missing).
    """
    sight = date(on.year + IN_SIGHT_YEARS, on.month, min(on.day, 28))
    rows = []
    for group, line in enumerate(lines):
        told = line["told"]
        if not told.known or max(told.safe.early, told.tight.early) >= sight:
            continue
        many = f"{line['count']} × " if line["count"] > 1 else ""
        by = f" by\u00a0{line['by'].year}" if line["by"] < FAR else ""
        for what, days in ((SAFE, told.safe), (TIGHT, told.tight)):
            rows.append({"group": group, "name": f"{many}{line['name']}{by}", "what": what, "early": max(days.early, on),
                         "likely": max(days.likely, on) if days.likely < sight else None,
                         "late": min(max(days.late, on), sight)})
    return pd.DataFrame(rows, columns=["group", "name", "what", "early", "likely", "late"])


def ranges_in_words(ranges: pd.DataFrame) -> str:
    """One sentence for who does not see the chart.

    Parameters
    ----------
    ranges
        As `forecast_ranges` returns them [no unit].
    """
    told = [f"{name} {what} {early.year} to {late.year}" for name, what, early, late in zip(
        ranges["name"], ranges["what"], ranges["early"], ranges["late"], strict=True)]
    return f"When plants are out of reach and barriers cut in: {'; '.join(told)}"
