"""How do the verdicts of a log shift from month to month?"""

from __future__ import annotations

import pandas as pd

_MOST_MONTHS = 24  # from which on years are counted; our choice
COLUMNS = ("when", "verdict", "count", "of", "share")


def shares_over_time(taken: pd.Series, verdict: pd.Series) -> pd.DataFrame:
    """The share of each verdict in the observations of each month, or of each year where they reach over 24 months.

    Parameters
    ----------
    taken
        Days or times in ISO 8601, (N,); what begins with no year and month is left out.
    verdict
        What each says, in words, (N,) [no unit].

    Returns
    -------
    DataFrame
        Columns when ("2026-04" or "2026"), verdict, count, of (observations of that time) and share [0 to 1], by time; no
        row where all are of one time.
    """
    months = taken.astype(str).str.extract(r"^(\d{4}-\d{2})", expand=False)
    told = pd.DataFrame({"when": months.to_numpy(), "verdict": verdict.to_numpy()}).dropna()
    if told.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    year, month = (told["when"].str[part].astype(int) for part in (slice(0, 4), slice(5, 7)))
    at = 12 * year + month
    if at.max() - at.min() >= _MOST_MONTHS:
        told["when"] = told["when"].str[:4]
    if told["when"].nunique() < 2:
        return pd.DataFrame(columns=list(COLUMNS))
    found = told.groupby(["when", "verdict"]).size().rename("count").reset_index()
    found["of"] = found.groupby("when")["count"].transform("sum")
    found["share"] = found["count"] / found["of"]
    return found.sort_values(["when", "count"], ascending=[True, False], ignore_index=True)
