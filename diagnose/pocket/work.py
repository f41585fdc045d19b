"""What lies before somebody who goes to one planting: barriers due, and the trees that were tallied there last?"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.fields import FINDINGS
from diagnose.survey.tally import ASKED
from diagnose.upkeep.due import due

if TYPE_CHECKING:
    from diagnose.fieldlog.store import Log

MOST_TREES = 3000  # of the last visit that go along, so that the file stays small; our choice
MOST_DUE = 1000
_ALONG = ("species", "height_cm", "protection", "protection_state", "stratum", "plot_area_m2")


def work_of(log: Log | None, site: str, on: date, climate: str = "mild") -> dict[str, Any]:
    """What the page shows of a planting, as plain values.

    Parameters
    ----------
    log
        That knows it; None for none [no unit].
    site
        Name of the planting [no unit].
    on
        The day on which the barriers are due [no unit].
    climate
        Length of the winter: cold, mild or warm [no unit].

    Raises
    ------
    CannotUse
        For a planting without a name.
    """
    if not site.strip():
        raise CannotUse("the planting needs a name; give it with --site NAME")
    return {
        "site": site, "log": None if log is None else str(log.identity()), "made": on.isoformat(),
        "findings": list(FINDINGS),
        "fields": [{"name": field.name, "title": field.title, "kind": field.kind, "tell": field.tell,
                    "choices": list(field.choices), "low": field.low, "high": field.high, "needed": field.needed}
                   for field in ASKED],
        "due": [] if log is None else _due(log, site, on, climate),
        "trees": [] if log is None else _trees(log, site),
        "plots": [] if log is None else sorted({str(name) for name in log.records("plot", site=site)["name"]}),
    }


def position_of(log: Log, site: str) -> tuple[float, float] | None:
    """Where the planting is by what the log holds of it: latitude and longitude of a plot, a barrier or a wound [degree].

    Parameters
    ----------
    log
        That knows it [no unit].
    site
        Name of the planting [no unit].
    """
    for kind in ("plot", "barrier", "observation"):
        rows = log.records(kind, site=site)
        placed = rows[rows["lat"].notna() & rows["lon"].notna()]
        if len(placed):
            return float(placed["lat"].iloc[0]), float(placed["lon"].iloc[0])
    return None


def _due(log: Log, site: str, on: date, climate: str) -> list[dict[str, Any]]:
    items = due(log, on, climate, site=site)[:MOST_DUE]
    return [{"barrier": one.barrier, "label": one.label, "kind": one.kind, "what": one.what, "why": one.why,
             "act_by": one.act_by, "caution": one.caution, "row": one.row,
             "lat": one.lat, "lon": one.lon} for one in items]


def _trees(log: Log, site: str) -> list[dict[str, Any]]:
    """Each tree as it was tallied last, by plot and tag."""
    rows = log.records("tally", site=site)
    last: dict[tuple[str, str], Any] = {}
    for row in rows.sort_values("day").itertuples():
        if row.tree:
            last[row.plot, row.tree] = row
    found = sorted(last.values(), key=lambda row: (row.plot, row.tree))[:MOST_TREES]
    return [{"plot": row.plot, "tree": row.tree, "day": row.day}
            | {name: row.entry[name] for name in _ALONG if row.entry.get(name)} for row in found]
