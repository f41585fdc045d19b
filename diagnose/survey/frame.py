"""What does a survey's table look like?

One row a tree; an empty plot is one row without a tree. Columns that are absent count as unknown. A plot that could
not be reached is a row with `reached` 0: it is no zero.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from diagnose.cannot_use import CannotUse

COLUMNS = {
    "site": "name of the planting",
    "visit": "ISO date of the visit",
    "plot": "name on the plot's stake",
    "plot_area_m2": "horizontal area of the plot [m²]",
    "reached": "1, or 0 where the plot could not be reached",
    "stratum": "part of the ground that the plot stands for",
    "x": "easting of the plot's centre [m], or longitude [degree]",
    "y": "northing of the plot's centre [m], or latitude [degree]",
    "crs": "grid of x and y, as EPSG:27700; empty where they are metres of no named grid",
    "tree": "tag, or number within the plot; empty for a plot without trees",
    "species": "species as the crew names it",
    "height_class": "class of height",
    "height_cm": "height of the live tip [cm]",
    "browsed": "leader browsed since the last dormant season: 1, 0 or empty (cannot tell)",
    "browsed_before": "leader browsed earlier: 1, 0 or empty",
    "laterals_seen": "lateral shoots looked at, up to 10",
    "laterals_browsed": "of these browsed",
    "severity": "1 to 5, worked out from leader and laterals",
    "protection": "how the tree is protected, empty when not",
    "protection_why": "why it was protected (chance, species, place, ...)",
    "stem_damage": "rubbed, stripped, gnawed or broken; empty where whole",
    "free_of_weeds": "1 where the tip stands above what competes with it",
    "well_spaced": "0 where it stands nearer to a counted tree than the target allows",
    "alive": "1 or 0",
    "note": "free words",
    "plan": "target, stopping rule and number of plots, chosen before the first plot",
}
SHARE = "share_"  # share_deer, share_rabbit ...: probabilities of the culprits of this tree's browsing, sum 1
# Preferences of deer change near 50 cm (Kittredge & Ashton 1995, North. J. Appl. For. 12:115-120: 19 in); 130 cm is the
# upper end of the seedlings in the Swiss monitoring areas (Kupferschmid et al. 2020, Forests 11:764). [cm]
NOT_PROTECTED = ("", "none", "0")  # as people write it
HEIGHT_BREAKS = (50.0, 130.0)
NEEDED = ("site", "plot", "tree", "browsed")
ROUND_DAYS = 60  # between two days of one visit, at most; our choice


def checked(trees: pd.DataFrame) -> pd.DataFrame:
    """The frame with absent columns filled and numbers made numbers.

    Parameters
    ----------
    trees : pandas.DataFrame
        A table with the columns of NEEDED and any of COLUMNS, each in the unit told there.

    Returns
    -------
    pandas.DataFrame
        A copy; what is no number in a column of numbers is missing.

    Raises
    ------
    CannotUse
        With what to mend, where a needed column is absent or `browsed` is neither 1, 0 nor empty.
    """
    absent = [name for name in NEEDED if name not in trees.columns]
    if absent:
        raise CannotUse(f"The table lacks the column {absent[0]}: a survey table needs {', '.join(NEEDED)}.")
    frame = trees.copy()
    for name in ("browsed", "browsed_before", "plot_area_m2", "severity", "reached", "x", "y", "height_cm", "alive",
                 "free_of_weeds", "well_spaced"):
        if name in frame.columns:
            frame[name] = pd.to_numeric(frame[name], errors="coerce")
    if "height_class" not in frame.columns and "height_cm" in frame.columns:
        frame["height_class"] = height_class(frame["height_cm"])
    wrong = frame["browsed"].dropna()
    wrong = wrong[~wrong.isin([0, 1])]
    if len(wrong):
        raise CannotUse(f"Row {wrong.index[0]}: browsed is {wrong.iloc[0]:g}; write 1, 0 or leave it empty.")
    return frame


def height_class(height_cm: pd.Series) -> pd.Series:
    """Class of height in words; missing where the height is.

    Parameters
    ----------
    height_cm
        Of the trees' live tips [cm].
    """
    low, high = HEIGHT_BREAKS
    words = [f"under {low:g} cm", f"{low:g} to {high:g} cm", f"over {high:g} cm"]
    cut = pd.cut(height_cm, [-float("inf"), low, high, float("inf")], right=False, labels=words)
    return cut.astype(object).where(height_cm.notna(), None)


def of_sampled(trees: pd.DataFrame) -> pd.DataFrame:
    """Rows of plots that were reached.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame [no unit].
    """
    return trees[trees["reached"].fillna(1) != 0] if "reached" in trees.columns else trees


def in_visits(trees: pd.DataFrame) -> pd.DataFrame:
    """The same rows with `day`, on which each was written down, and `visit`, the last day of the visit that it belongs to.

    A planting of many plots takes several days: they are one visit as long as no tree is seen again and not more than
    ROUND_DAYS lie between two of them.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame, with the day on which each row was written down as `visit` [each its own unit].
    """
    if "visit" not in trees.columns:
        return trees
    keys = pd.DataFrame({"site": trees["site"], "day": trees["visit"], "plot": trees["plot"].astype(str),
                         "tree": trees["tree"].fillna("").astype(str)})
    ends: dict[tuple[object, object], object] = {}
    for site, rows in keys.groupby("site", observed=True, dropna=False):
        seen: set[tuple[str, str]] = set()
        days: list[object] = []
        for day, of_day in rows.groupby("day", observed=True):
            there = set(zip(of_day["plot"], of_day["tree"], strict=True))
            far = days and pd.Timestamp(str(day)) - pd.Timestamp(str(days[-1])) > pd.Timedelta(days=ROUND_DAYS)
            if far or seen & there:
                seen, days = set(), []
            seen |= there
            days.append(day)
            ends |= {(site, one): day for one in days}
    last = [ends.get(key, key[1]) for key in zip(keys["site"], keys["day"], strict=True)]
    return trees.assign(day=trees["visit"], visit=last)


def protected_trees(trees: pd.DataFrame) -> pd.Series:
    """True for trees that were protected in some way, (rows,).

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame; `none` and `0` in the column `protection` count as unprotected [no unit].
    """
    if "protection" not in trees.columns:
        return pd.Series(False, index=trees.index)
    return ~words_of(trees, "protection").isin(NOT_PROTECTED)


def words_of(trees: pd.DataFrame, name: str) -> pd.Series:
    """A column as words, empty where nothing stands.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame [no unit].
    name
        Of the column [no unit].

    Raises
    ------
    CannotUse
        For a column that the frame has not.
    """
    _has(trees, name)
    return trees[name].astype(object).where(trees[name].notna(), "").astype(str).str.strip()


def _has(trees: pd.DataFrame, name: str) -> None:
    if name not in trees.columns:
        raise CannotUse(f"The table has no column {name!r}; it has {', '.join(map(str, trees.columns))}.")


def plot_totals(trees: pd.DataFrame, value: str = "browsed", by: Sequence[str] = ()) -> pd.DataFrame:
    """Sum and count of a column for each plot (and group).

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame [no unit].
    value
        Name of the column that is summed, in its own unit.
    by
        Names of columns that divide a plot's trees into groups [no unit].

    Returns
    -------
    pandas.DataFrame
        Columns site, plot, those of `by`, sum (in the column's unit) and count [trees]. Trees whose value is missing are
        left out; without `by`, plots without trees stand with a count of 0.

    Raises
    ------
    CannotUse
        For a column that the frame has not.
    """
    keys = ["site", "plot", *by]
    for name in (value, *keys):
        _has(trees, name)
    rows = of_sampled(trees)
    groups, labels = _grouped(rows, keys)
    told = rows[value].to_numpy(float, na_value=np.nan)
    known = (groups >= 0) & ~np.isnan(told)
    count = np.bincount(groups[known], minlength=len(labels))
    return labels.assign(sum=np.bincount(groups[known], told[known], len(labels)), count=count)


def _grouped(rows: pd.DataFrame, keys: Sequence[str]) -> tuple[np.ndarray, pd.DataFrame]:
    """Number of each row's group (-1 where a key is missing), and the groups' keys in the order of their first row.

    Each key is numbered by itself and the numbers are joined into one, which costs less than grouping by several.
    """
    joined, missing = np.zeros(len(rows), np.int64), np.zeros(len(rows), bool)
    names = []
    for key in keys:
        numbers, each = pd.factorize(rows[key])
        joined, missing = joined * max(1, len(each)) + numbers, missing | (numbers < 0)
        names.append(each)
    joined[missing] = -1
    groups, found = pd.factorize(joined)
    if missing.any():  # they came out as a group of their own
        own = int(np.flatnonzero(found == -1)[0])
        groups = np.where(missing, -1, groups - (groups > own))
        found = np.delete(found, own)
    columns: dict[str, object] = {}
    for key, each in zip(reversed(keys), reversed(names), strict=True):
        found, place = np.divmod(found, max(1, len(each)))
        columns[key] = each[place] if len(each) else each
    return groups, pd.DataFrame({key: columns[key] for key in keys})


def severity(leader_browsed: float, laterals_seen: float, laterals_browsed: float, died_back: bool = False) -> int | None:
    """Class 1 (none) to 5 (hedged or dead back) from countable things.

    Parameters
    ----------
    leader_browsed
        1 or 0; NaN where it could not be told [no unit].
    laterals_seen, laterals_browsed
        Lateral shoots looked at, and of these browsed [shoots]; NaN counts as none.
    died_back
        Is it hedged or dead back? [no unit]

    Returns
    -------
    int or None
        1 none; 2 laterals only, under half; 3 leader, or half of the laterals or more; 4 both; 5 hedged or dead back. None
        where the leader's state is not known.

    References
    ----------
    .. [1] Our own scale, not a published one.
    """
    if died_back:
        return 5
    if leader_browsed != leader_browsed:
        return None
    share = laterals_browsed / laterals_seen if laterals_seen and laterals_seen > 0 else 0.0
    many = share >= 0.5
    if leader_browsed and many:
        return 4
    return 3 if leader_browsed or many else 2 if share > 0 else 1


def words_of_any(frame: pd.DataFrame, name: str) -> bool:
    """Does anything stand in this column?

    Parameters
    ----------
    frame : pandas.DataFrame
        Survey frame [no unit].
    name
        Of the column [no unit].
    """
    return name in frame.columns and bool((words_of(frame, name) != "").any())
