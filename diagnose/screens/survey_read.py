"""What of the log does the survey's page read? Once, until the log changes."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from diagnose.fieldlog.store import Log
from diagnose.screens.log_folder import where
from diagnose.survey.boundary import Ground, from_geojson
from diagnose.survey.from_log import survey_table, visits
from diagnose.survey.lasting import watched

At = tuple[str, int]  # the log's place, and how many changes it holds


def as_it_stands(log: Log) -> At:
    """What changes whenever the log does: whatever is kept under it holds as long as it stays.

    Parameters
    ----------
    log
        That is read [no unit].
    """
    return where(), log.changes()


@st.cache_data(max_entries=8, show_spinner=False)
def visits_of(at: At, _log: Log) -> pd.DataFrame:
    """As `visits` of survey/from_log.py.

    Parameters
    ----------
    at
        As `as_it_stands` tells it [no unit].
    _log
        That is read [no unit].
    """
    return visits(_log)


@st.cache_resource(max_entries=8, show_spinner=False)
def tallied(at: At, site: str, day: str | None, _log: Log) -> tuple[pd.DataFrame, pd.DataFrame, Ground | None]:
    """What was tallied, how long barriers were watched, and the planting; not to be changed, since all who ask share it.

    Parameters
    ----------
    at, _log
        As for `visits_of` [no unit].
    site
        Name of the planting [no unit].
    day
        Of a visit, as YYYY-MM-DD; None for all [no unit].
    """
    return survey_table(_log, site, day), watched(_log, site), boundary_of(_log, site)


def boundary_of(log: Log, site: str) -> Ground | None:
    """A planting's area as the log holds it; None where it holds none.

    Parameters
    ----------
    log
        That is read [no unit].
    site
        Name of the planting [no unit].
    """
    sites = log.records("site", name=site)
    drawn = [one for one in sites["boundary"] if one] if len(sites) else []
    return from_geojson(drawn[-1]) if drawn else None
