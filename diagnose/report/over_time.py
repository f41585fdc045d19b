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
        Days or times in ISO 8601, (N,); what begins with no year and month is left out [no unit].
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


def most_often_first(shares: pd.DataFrame) -> list[str]:
    """The verdicts by how often each was reached in all.

    Parameters
    ----------
    shares
        As `shares_over_time` returns them, each in its own unit.
    """
    return shares.groupby("verdict")["count"].sum().sort_values(ascending=False).index.tolist()


def how_many(shares: pd.DataFrame) -> pd.DataFrame:
    """Out of how many observations the shares of each time are: columns when, and words such as "n = 12".

    Parameters
    ----------
    shares
        As `shares_over_time` returns them, each in its own unit.
    """
    once = shares.drop_duplicates("when")
    return pd.DataFrame({"when": once["when"], "words": "n = " + once["of"].astype(str)})


def shares_in_words(shares: pd.DataFrame) -> str:
    """One sentence for who does not see the chart.

    Parameters
    ----------
    shares
        As `shares_over_time` returns them, each in its own unit.
    """
    return "Verdicts over time: " + "; ".join(f"{row.when}: {row.verdict} {row.share:.0%}" for row in shares.itertuples())
