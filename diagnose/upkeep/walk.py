"""In which order are barriers walked, and in which row does each stand?"""

from __future__ import annotations

import math
import re

import numpy as np
import pandas as pd

_NEAREST_TO = 40  # more than so many are walked in strips, to and fro: always-the-nearest takes the square of the time
_LAST = re.compile(r"^(.*\w)[\s\-_/.:]+(\w*\d\w*)$")
_JOINED = re.compile(r"^(\D*\D)(\d+)$")


def row_of(label: str, plot: str = "") -> tuple[str, str]:
    """The row that a barrier stands in, and its own name there.

    Parameters
    ----------
    label : str
        What stands on the barrier, such as `U1-07` [no unit].
    plot : str
        The plot that its plant is in; empty where that is not known [no unit].

    Returns
    -------
    row, own : str
        The row is the plot, else the label without its last part; empty where the label has one part only.

    Examples
    --------
    >>> row_of("U1-07"), row_of("A12"), row_of("lower side")
    (('U1', '07'), ('A', 'A12'), ('', 'lower side'))
    """
    row, own = "", label
    if parts := _LAST.match(label):
        row, own = parts.groups()
    elif parts := _JOINED.match(label):
        row = parts.group(1)
    if plot and row != plot:
        return plot, label
    return row, own


def walk_order(rows: pd.DataFrame, places: np.ndarray, start: tuple[float, float] | None = None) -> np.ndarray:
    """Barriers in the order of a walk, site by site; those without a position last.

    Parameters
    ----------
    rows : DataFrame
        With site, lat and lon [degree], sorted by site.
    places : (n,) array of int
        Numbers of the rows that are walked to [no unit].
    start : (float, float) or None
        Latitude and longitude where the walk begins [degree]; None for the south-westernmost barrier.

    Returns
    -------
    (n,) array of int
        The places in their order.
    """
    if not len(places):
        return places
    lat, lon = rows["lat"].to_numpy(float)[places], rows["lon"].to_numpy(float)[places]
    sites = rows["site"].to_numpy(object)[places]
    ends = np.flatnonzero(sites[1:] != sites[:-1]) + 1
    order = []
    for part in np.split(np.arange(len(places)), ends):
        placed = part[~np.isnan(lat[part] + lon[part])]
        order += [placed[_walk(lat[placed], lon[placed], start)], part[np.isnan(lat[part] + lon[part])]]
    return places[np.concatenate(order)]


def _walk(lat: np.ndarray, lon: np.ndarray, start: tuple[float, float] | None) -> np.ndarray:
    """Indices of the points in walking order: always to the nearest that is left, or in strips where they are many."""
    if len(lat) < 2:
        return np.arange(len(lat))
    narrow = math.cos(math.radians(float(lat.mean())))
    east, north = lon * narrow, lat
    if len(lat) > _NEAREST_TO:
        height = max(float(np.ptp(north)), 1e-12)
        strip = np.floor((north - north.min()) / height * math.sqrt(len(lat) / 3)).astype(int)
        return np.lexsort((np.where(strip % 2 == 0, east, -east), strip))
    here = int(np.argmin(east + north if start is None else np.hypot(east - start[1] * narrow, north - start[0])))
    far = np.hypot(east[:, None] - east, north[:, None] - north)
    order = [here]
    for _ in range(len(lat) - 1):
        far[:, here] = np.inf
        here = int(np.argmin(far[here]))
        order.append(here)
    return np.array(order)
