"""Which trees of a survey count towards a target, plot by plot?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from diagnose.cannot_use import CannotUse
from diagnose.survey.frame import of_sampled, protected_trees
from diagnose.survey.target import BROWSED, PER_HA, STOCKED, Target, counts_species

_SAME_SIZE = 0.05  # plots that differ by less are plots of the same size; our choice
_KEYS = ["site", "plot"]


@dataclass(frozen=True)
class Sample:
    """What `decide` takes.

    Parameters
    ----------
    first, second
        (n,) for each plot, see there [trees; m2 or trees].
    notes
        What was counted how [no unit].
    """

    first: np.ndarray
    second: np.ndarray
    notes: tuple[str, ...] = ()


def sample_of(target: Target, trees: pd.DataFrame) -> Sample:
    """The plots of a survey as the target counts them.

    Parameters
    ----------
    target : Target
        Which trees count, and how [no unit].
    trees : pandas.DataFrame
        Survey frame, see frame.py, each column in its own unit; of several visits where the target averages years, the
        plots' visits are then summed.

    Returns
    -------
    Sample

    Raises
    ------
    CannotUse
        Where the tally lacks what the target asks: areas, heights, spacing, plots of its size.
    """
    reached = of_sampled(trees)
    real = reached[reached["tree"].notna()]
    if "alive" in real.columns:
        real = real[real["alive"].fillna(1) != 0]
    kinds = {name: counts_species(target, name) for name in real["species"].fillna("").unique()} if "species" in real else {}
    if kinds:
        real = real[real["species"].fillna("").map(kinds).astype(bool)]
    elif target.species != ("any",):
        raise CannotUse(f"Cannot tell: no species was written down, and the target is of {', '.join(target.species)}.")
    return _browsed(target, reached, real) if target.kind == BROWSED else _standing(target, reached, real)


def _browsed(target: Target, reached: pd.DataFrame, real: pd.DataFrame) -> Sample:
    free = real[~protected_trees(real)]
    known = free[free["browsed"].notna()]
    plots = known.groupby(_KEYS, observed=True)["browsed"].agg(["sum", "count"])
    visited = reached.groupby(_KEYS, observed=True).size().index
    plots = plots.reindex(visited, fill_value=0)  # plots without such trees were visited too: the stopping rule counts them
    notes = [_years(target, real)]
    if len(free) > len(known):
        notes.append(f"{len(free) - len(known)} leaders that could not be told are left out.")
    return Sample(plots["sum"].to_numpy(float), plots["count"].to_numpy(float), tuple(note for note in notes if note))


def _standing(target: Target, reached: pd.DataFrame, real: pd.DataFrame) -> Sample:
    areas = _areas(target, reached)
    counted, notes = pd.Series(True, index=real.index), [_years(target, real)]
    if target.least_height_cm is not None:
        told = real["height_cm"] if "height_cm" in real.columns else pd.Series(np.nan, index=real.index)
        if len(real) and told.isna().all():
            raise CannotUse(f"Cannot tell: the target counts trees from {target.least_height_cm:g} cm on, and no height was "
                            "written down.")
        counted &= told >= target.least_height_cm
        notes.append(_untold(told, "height"))
    if target.unbitten:
        counted &= real["browsed"] == 0
        notes.append(_untold(real["browsed"], "leader"))
    if target.free_of_weeds:
        told = real["free_of_weeds"] if "free_of_weeds" in real.columns else pd.Series(np.nan, index=real.index)
        if len(real) and told.isna().all():
            notes.append("Whether trees stand above the weeds was not written down: all are counted as if they did.")
        else:
            counted &= told == 1
            notes.append(_untold(told, "stand above weeds"))
    if target.least_distance_m is not None:
        told = real["well_spaced"] if "well_spaced" in real.columns else pd.Series(np.nan, index=real.index)
        if len(real) and told.isna().all():
            raise CannotUse(f"Cannot tell: the target counts trees {target.least_distance_m:g} m apart, and the tally does "
                            "not say which count (column well_spaced). Trees and well-spaced trees are not the same.")
        counted &= told == 1
    if target.least_age_years is not None:
        notes.append(f"That trees are {target.least_age_years:g} years old or more is for you to say: the tally has no age.")
    visits = real["visit"].nunique() if target.years > 1 and "visit" in real.columns else 1
    found = real[counted].groupby(_KEYS, observed=True).size().reindex(areas.index, fill_value=0).to_numpy(float)
    if target.kind == PER_HA and visits > 1:
        found = found / visits
    return Sample(found, areas.to_numpy(float), tuple(note for note in notes if note))


def _areas(target: Target, reached: pd.DataFrame) -> pd.Series:
    """Area of each plot [m2]. Raises CannotUse where it is not known or does not fit."""
    if "plot_area_m2" not in reached.columns or reached["plot_area_m2"].isna().all():
        raise CannotUse("Cannot tell: the plots' areas were not written down (column plot_area_m2).")
    areas = reached.groupby(_KEYS, observed=True)["plot_area_m2"].first()
    if areas.isna().any():
        raise CannotUse(f"Cannot tell: plot {areas.index[areas.isna()][0][1]} has no area (column plot_area_m2).")
    if target.plot_m2 is not None and (target.kind == STOCKED or target.most_per_plot is not None):
        off = (areas / target.plot_m2 - 1).abs() > _SAME_SIZE
        if off.any():
            raise CannotUse(f"Cannot tell: the target is of plots of {target.plot_m2:.4g} m², and {int(off.sum())} plots "
                            f"have another size (plot {areas.index[off][0][1]}: {areas[off].iloc[0]:.4g} m²).")
    return areas


def _untold(told: pd.Series, name: str) -> str:
    missing = int(told.isna().sum())
    trees = "1 tree is" if missing == 1 else f"{missing} trees are"
    return f"{trees} not counted: '{name}' is not known." if missing else ""


def _years(target: Target, real: pd.DataFrame) -> str:
    if target.years == 1:
        return ""
    seen = real["visit"].nunique() if "visit" in real.columns else 1
    return "" if seen >= target.years else f"The target is a mean of {target.years} years; this is {seen} of them."
