"""Where do the plots lie, on one grid in metres?

Positions come with the name of their grid (EPSG:27700) or in degrees; they are brought onto one metric grid. Without a
name they serve for distances between plots only. What cannot be used is said, never dropped silently.
"""

from __future__ import annotations

import pandas as pd
from pyproj import CRS, Transformer
from shapely import transform
from shapely.geometry.base import BaseGeometry

from diagnose.survey.boundary import Ground, utm_of
from diagnose.survey.tally import grid_of


def on_one_grid(trees: pd.DataFrame) -> tuple[pd.DataFrame, int | None, tuple[str, ...]]:
    """The frame with x and y [m] on one grid.

    Parameters
    ----------
    trees : pandas.DataFrame
        Survey frame with x, y [m or degree] and, where they have one, crs.

    Returns
    -------
    trees : pandas.DataFrame
        With x, y in metres; empty where they cannot be used.
    epsg : int or None
        The grid; None where no position has a named one.
    notes : tuple of str
        What was done with positions.
    """
    if not {"x", "y"} <= set(trees.columns) or trees["x"].isna().all():
        return trees, None, ()
    frame = trees.copy()
    named = frame["crs"].fillna("").astype(str).str.strip() if "crs" in frame.columns else pd.Series("", index=frame.index)
    has = frame["x"].notna() & frame["y"].notna()
    grids = {name: grid_of(name) for name in named[has].unique() if name}
    unknown = has & named.isin([name for name, epsg in grids.items() if epsg is None])
    notes = [f"{frame[unknown]['plot'].nunique()} plots stand on a grid that is not known and are left off the map."] if (
        unknown.any()) else []
    frame.loc[unknown, ["x", "y"]] = float("nan")
    placed = has & ~unknown & (named != "")
    bare = has & (named == "")
    if not placed.any():
        degrees = bare & (frame["x"].abs() <= 180) & (frame["y"].abs() <= 90)
        if bare.any() and degrees.sum() == bare.sum() and (frame.loc[bare, ["x", "y"]] % 1 != 0).any().any():
            frame.loc[bare, ["x", "y"]] = float("nan")
            notes.append("Positions look like degrees but name no grid: write EPSG:4326 in the column crs to use them.")
        elif bare.any():
            notes.append("Positions name no grid: they serve for distances between plots, in metres.")
        return frame, None, tuple(notes)
    if bare.any():
        frame.loc[bare, ["x", "y"]] = float("nan")
        notes.append(f"{frame[bare]['plot'].nunique()} plots name no grid while others do; they are left off the map.")
    epsgs = named[placed].map(grids).astype(int)
    metric = [epsg for epsg in epsgs.unique() if _in_metres(epsg)]
    goal = int(metric[0]) if metric else _zone(frame[placed], int(epsgs.iloc[0]))
    for epsg in epsgs.unique():
        if epsg != goal:
            rows = epsgs.index[epsgs == epsg]
            moved = Transformer.from_crs(int(epsg), goal, always_xy=True).transform(frame.loc[rows, "x"].to_numpy(float),
                                                                                    frame.loc[rows, "y"].to_numpy(float))
            frame.loc[rows, "x"], frame.loc[rows, "y"] = moved
    endless = ~frame[["x", "y"]].abs().lt(1e9).all(axis=1) & placed
    if endless.any():
        frame.loc[endless, ["x", "y"]] = float("nan")
        notes.append(f"{frame[endless]['plot'].nunique()} plots lie outside their grid and are left off the map.")
    return frame, goal, tuple(notes)


def onto(area: BaseGeometry | Ground | None, epsg: int | None) -> BaseGeometry | None:
    """A planting's area on the plots' grid; None where no place on earth joins them.

    A bare geometry is taken to lie on the plots' grid already.

    Parameters
    ----------
    area
        A planting's area [m]; a bare geometry is taken to lie on the plots' grid already.
    epsg
        EPSG number of the plots' grid; None where it is not known [no unit].

    Returns
    -------
    shapely geometry or None
        On the plots' grid [m].
    """
    if area is None or not isinstance(area, Ground):
        return area
    if epsg is None or area.epsg is None:
        return None
    if area.epsg == epsg:
        return area.metres
    return transform(area.metres, Transformer.from_crs(area.epsg, epsg, always_xy=True).transform, interleaved=False)


def _in_metres(epsg: int) -> bool:
    grid = CRS.from_epsg(epsg)
    return bool(grid.is_projected) and all(abs(axis.unit_conversion_factor - 1) < 1e-9 for axis in grid.axis_info)


def _zone(rows: pd.DataFrame, epsg: int) -> int:
    to_degrees = Transformer.from_crs(epsg, 4326, always_xy=True)
    lon, lat = to_degrees.transform(rows["x"].to_numpy(float), rows["y"].to_numpy(float))
    return utm_of(float(lon.mean()), float(lat.mean()))
