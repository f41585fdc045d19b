"""What does a notebook or a script call?

The same work as the command's verbs, with plain values in and the rooms' own records out. In a notebook what they return
shows itself: a photo with its overlay, a verdict with its reasons, a plan with its drawings, a survey with its charts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from diagnose import diagnosis
from diagnose.diagnosis import Circumstances, Diagnosis
from diagnose.fieldlog import exchange, save_diagnosis
from diagnose.fieldlog import log as fieldlog
from diagnose.fieldlog.query import Query
from diagnose.fieldlog.store import Saved, open_log
from diagnose.fieldlog.wide import wide
from diagnose.protect.ground import square_ground
from diagnose.protect.plan import Plan, plan_for
from diagnose.protect.planting import planting
from diagnose.report.notebook import show_in_notebooks
from diagnose.signs import parse_signs
from diagnose.survey.from_log import survey_table
from diagnose.survey.lasting import lasting_of, watched
from diagnose.survey.summary import Survey, summarise
from diagnose.survey.tally import read_tally
from diagnose.survey.target import own_target

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

Where = str | tuple[float, float] | None

show_in_notebooks()


def judge_photo(
    photo: str | Path | bytes,
    *,
    taps: Sequence[tuple[float, float]] = (),
    answers: Mapping[str, Any] | None = None,
    place: Where = None,
    month: int | None = None,
    snow_mm: float | None = None,
    **known: Any,
) -> Diagnosis:
    """Measures a photo of a wound, judges it and names the barrier.

    Parameters
    ----------
    photo
        Path of a picture file, or its bytes [no unit].
    taps
        The wound, and a point farther back on the same stem [px of the upright picture].
    answers
        Sign -> what a person answered, as `judge` takes them, each in the unit that the sign's name ends with.
    place
        Name or code of a country or a part of one, or latitude and longitude [degree]; None takes the photo's own position.
    month
        In which it was found, 1 to 12; None takes the photo's own date [no unit].
    snow_mm
        Depth of the snow that lay when the wound was made; None where that is not known [mm].
    **known
        What else `diagnosis.diagnose_photo` takes: name, scale, print_scale, ground, each in the unit stated there.

    Returns
    -------
    Diagnosis
        With `measurement.measured` (each value with its sigma), `verdict` and `barrier`.

    Raises
    ------
    CannotUse
        In one line that says what to do, for what is no picture, no sign or no place.

    Examples
    --------
    >>> import diagnose
    >>> found = diagnose.judge_photo("reference_cases/photos/twig_on_card/IMG_0016.jpg", place="DE", month=2)
    >>> width = found.measurement.measured["end_diameter_mm"]
    >>> 6.5 < width.value < 7.5, width.sigma < 0.2
    (True, True)
    >>> found.verdict.leading
    'rabbit_or_hare'
    """
    return diagnosis.diagnose_photo(photo, taps=taps, answers=parse_signs(answers or {}),
                                    circumstances=Circumstances(place, month, snow_mm), **known)


def judge(
    answers: Mapping[str, Any], *, place: Where = None, month: int | None = None, snow_mm: float | None = None
) -> Diagnosis:
    """Judges a wound from what a person saw, without a photo.

    Parameters
    ----------
    answers
        Sign -> a choice, a list of choices, a number in the unit that the sign's name ends with, {"value", "sigma"}, or
        {"low", "high"}; `diagnose.signs.vocabulary()` lists all signs with their choices.
    place
        Name or code of a country or a part of one, or latitude and longitude [degree]; None where it is not known.
    month
        In which it was found, 1 to 12; None where that is not known [no unit].
    snow_mm
        Depth of the snow that lay when the wound was made; None where that is not known [mm].

    Raises
    ------
    CannotUse
        In one line that says what to do, for what is no sign, no answer or no place.

    Examples
    --------
    >>> import diagnose
    >>> found = diagnose.judge({"wound": "severed_shoot"}, place="Germany")
    >>> max(found.verdict.groups, key=found.verdict.groups.get)
    'deer'
    >>> found.verdict.next_question  # the sign that is most worth asking for: how the shoot was cut
    'cut_form'
    """
    return diagnosis.diagnose_answers(parse_signs(answers), Circumstances(place, month, snow_mm))


def plan(
    trees: int, hectares: float, culprits: Mapping[str, float] | Sequence[str], *, slope_percent: float = 0.0, **wanted: Any
) -> Plan:
    """Plans the barriers of a planting: which kind, which size, what to buy, what it costs over the years.

    Parameters
    ----------
    trees
        Planted [no unit].
    hectares
        Of the planting, taken as a square; for a boundary call `protect.planting.planting` and `plan_for` [ha].
    culprits
        Who is there: name -> probability, each animal by itself, or plain names that are surely there [no unit].
    slope_percent
        Mean slope of the ground [per cent].
    **wanted
        What else `protect.planting.planting` takes: snow_mm, years, budget, must, target_per_ha, sureness and more, each in
        the unit stated there.

    Raises
    ------
    CannotUse
        In one line that says what to do, for what cannot be planned.

    Examples
    --------
    >>> import diagnose
    >>> found = diagnose.plan(200, 0.3, {"roe_deer": 0.9, "field_vole": 0.4}, snow_mm=300)
    >>> found.reaches, found.chosen.surely_alive >= found.place.target_trees
    (True, True)
    >>> {"item", "to_buy", "cost"} <= set(found.as_frame().columns)  # the buying list
    True
    """
    return plan_for(planting(square_ground(hectares * 10_000, slope_percent), trees, culprits, **wanted))


def estimate(
    tally: str | Path | pd.DataFrame | fieldlog.Log,
    *,
    site: str | None = None,
    before: str | Path | pd.DataFrame | None = None,
    targets: Sequence[str | float] = (),
    country: str = "",
    level: float = 0.95,
    **more: Any,
) -> Survey:
    """Estimates how much of a planting is browsed, how surely, and what follows by a target.

    Parameters
    ----------
    tally
        A filled tally: a CSV file, a frame with the columns of `survey.frame.COLUMNS`, or a log that holds entries, each in
        the unit stated there.
    site
        Of a log, whose entries; None for all of them [no unit].
    before
        The tally of an earlier visit to the same plots; a log's own earlier visit is found by itself [no unit].
    targets
        Wanted by you, as '1100/ha', '70% plots' or '10% browsed' [no unit].
    country
        Whose published targets hold, where there are no own ones; empty for none [no unit].
    level
        Of confidence of every interval [no unit].
    **more
        What else `survey.summary.summarise` takes: rule, area, plots_in_all, cost_per_tree, redraw, each in the unit stated
        there.

    Returns
    -------
    Survey
        `answer` says what follows, `long()` gives every figure as a row of a data frame.

    Raises
    ------
    CannotUse
        In one line that says what to do, for what is no tally or cannot be estimated.

    Examples
    --------
    >>> import diagnose
    >>> trees = [{"site": "s", "visit": "2026-04-01", "plot": plot, "tree": tree, "browsed": int(tree < plot % 4)}
    ...          for plot in range(20) for tree in range(10)]
    >>> found = diagnose.estimate(pd.DataFrame(trees), targets=["30% browsed"])
    >>> round(found.unprotected.value, 3), found.plots
    (0.15, 20)
    >>> found.answer
    'Not needed yet: at most 24 % of leaders were browsed, 30 % is the limit (95 % sure).'
    """
    refused: list[str] = []

    def read(one: str | Path | pd.DataFrame) -> pd.DataFrame:
        if isinstance(one, pd.DataFrame):
            return one
        frame, wrong = read_tally(one)
        refused.extend(map(str, wrong))
        return frame

    earlier = None if before is None else read(before)
    if isinstance(tally, fieldlog.Log):
        now, more = survey_table(tally, site), {"lasting": lasting_of(watched(tally, site)), **more}
    else:
        now = read(tally)
    return summarise(now, earlier, [own_target(each) for each in targets], country, level=level, refused=refused, **more)


class Log(fieldlog.Log):
    """A log of what was seen: a folder, or the address of a PostgreSQL database.

    It is every bit the log that the command and the app open, and adds what a notebook wants.

    Parameters
    ----------
    where
        Folder, or SQLAlchemy URL of a PostgreSQL database [no unit].
    make
        Whether one is made where there is none [no unit].

    Raises
    ------
    CannotUse
        In one line, as `fieldlog.store.open_log` does.

    Examples
    --------
    >>> import tempfile
    >>> import diagnose
    >>> log = diagnose.Log(tempfile.mkdtemp())
    >>> found = diagnose.judge({"wound": "severed_shoot", "end_diameter_mm": 6.5})
    >>> log.keep(found, site="north", plant="T7").new
    True
    >>> row = log.frame().iloc[0]
    >>> row["site"], float(row["end_diameter_mm"]), bool(0 < row["p_deer"] < 1)
    ('north', 6.5, True)
    """

    def __init__(self, where: str | Path, make: bool = True) -> None:
        opened = open_log(where, make)
        super().__init__(opened.where, opened.folder, opened.engine, opened.read_only)

    def keep(self, found: Diagnosis, **fields: Any) -> Saved:
        """Keeps a diagnosis as an observation, with its photo where it has one.

        Parameters
        ----------
        found
            What is kept [no unit].
        **fields
            Columns of an observation beside those that the diagnosis fills: site, plant, plot, by, note and more, each in
            the unit of `fieldlog.wide.columns`.
        """
        return save_diagnosis(self, found, **fields)

    def frame(self, geometry: bool = False, **asked: Any) -> pd.DataFrame | GeoDataFrame:
        """The observations, newest first, with one column a quantity and one its sigma.

        Parameters
        ----------
        geometry
            Whether a GeoDataFrame of WGS 84 points is wanted, which needs geopandas [no unit].
        **asked
            Which ones, as `fieldlog.query.Query` takes it: site, leading, since, until, box, near, deleted, each in the unit
            stated there.

        Returns
        -------
        pandas.DataFrame or geopandas.GeoDataFrame
            A row an observation; `diagnose.fieldlog.wide.columns()` describes every column.

        Raises
        ------
        CannotUse
            For what is no day, box or place, and where geopandas is missing.
        """
        plain = wide(self.observations(Query(**asked)))
        return exchange.frame(plain) if geometry else plain
