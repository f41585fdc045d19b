"""Where is the damage, does it cluster, and does it grow towards an edge?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats
from scipy.spatial import cKDTree
from shapely import contains_xy, distance, points
from shapely.geometry.base import BaseGeometry

from diagnose.cannot_use import CannotUse
from diagnose.given import MOST_SEED, a_number, a_whole, above_nought
from diagnose.survey.given import of_all, places


@dataclass(frozen=True)
class RateMap:
    """Smoothed share browsed on a grid.

    Parameters
    ----------
    x, y
        (columns,) and (rows,) of the cells' middles [m].
    rate, sigma
        (rows, columns) with standard error, NaN outside the planting or where too few trees stand near [share].
    trees
        (rows, columns) weight of trees that speak there [trees].
    bandwidth_m
        Standard deviation of the kernel [m].
    """

    x: np.ndarray
    y: np.ndarray
    rate: np.ndarray
    sigma: np.ndarray
    trees: np.ndarray
    bandwidth_m: float


def rate_map(xy: ArrayLike, browsed: ArrayLike, trees: ArrayLike, bandwidth_m: float | None = None,
             area: BaseGeometry | None = None, cells: int = 60, least_plots: float = 2.0) -> RateMap:
    """Share browsed near each place: browsed trees and all trees of the plots, smoothed alike and divided.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        East and north of each plot [m].
    browsed, trees : array_like, shape (n,)
        Browsed trees and all trees of each plot [trees].
    bandwidth_m
        Standard deviation of the kernel [m]; None for Scott's rule, n^(-1/6) times the spread.
    area
        The planting [m]; None for a frame one bandwidth round the plots.
    cells
        Of the map's longer side, 1 to 2000 [no unit].
    least_plots
        Effective number of plots below which a place stays empty [no unit].

    Raises
    ------
    CannotUse
        For fewer than three plots, or plots without a position.

    Notes
    -----
    Division by smoothed trees takes away the edge's bias: where the planting ends, both lack the same part. sigma comes from
    the plots' own residuals under the same weights; leaving cells empty is our own choice.

    References
    ----------
    .. [1] Scott, D. W. (1992). Multivariate Density Estimation: the bandwidth.
    """
    place, (y, m) = places(xy), of_all(browsed, trees)
    if len(place) < 3 or len(m) != len(place):
        raise CannotUse("A map needs three plots or more, each with its position and its trees.")
    a_whole(cells, "Cells", 1, 2000), a_number(least_plots, "The least number of plots")
    if bandwidth_m is not None:
        above_nought(bandwidth_m, "The bandwidth")
    else:
        bandwidth_m = float(np.sqrt(place.var(axis=0, ddof=1).mean())) * len(place) ** (-1 / 6)
    edges = area.bounds if area is not None else (*(place.min(axis=0) - bandwidth_m), *(place.max(axis=0) + bandwidth_m))
    step = max(edges[2] - edges[0], edges[3] - edges[1]) / cells
    gx, gy = np.arange(edges[0] + step / 2, edges[2], step), np.arange(edges[1] + step / 2, edges[3], step)
    across, up = np.meshgrid(gx, gy)
    squared = (across[..., None] - place[:, 0]) ** 2 + (up[..., None] - place[:, 1]) ** 2
    kernel = np.exp(-squared / (2 * bandwidth_m**2))
    weight = kernel @ m
    speaking = kernel.sum(axis=2) ** 2 / np.maximum((kernel**2).sum(axis=2), 1e-300)
    near = kernel.max(axis=2) > math.exp(-2)  # a plot within two bandwidths
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = (kernel @ y) / weight
        residual = kernel * (y - rate[..., None] * m)
        sigma = np.sqrt(speaking / (speaking - 1) * (residual**2).sum(axis=2)) / weight
    unknown = ~near | (speaking < least_plots)
    if area is not None:
        unknown |= ~contains_xy(area, across, up)
    return RateMap(gx, gy, np.where(unknown, np.nan, rate), np.where(unknown, np.nan, sigma), weight, float(bandwidth_m))


def distance_to_edge(xy: ArrayLike, area: BaseGeometry) -> np.ndarray:
    """Distance of each point to the area's boundary, or to a line of cover.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        East and north [m].
    area
        Polygon whose boundary counts, or a line [m].

    Returns
    -------
    numpy.ndarray, shape (n,)
        [m]
    """
    edge = area.boundary if area.geom_type in ("Polygon", "MultiPolygon") else area
    return np.asarray(distance(points(places(xy)), edge))


@dataclass(frozen=True)
class Clustering:
    """Whether near plots resemble each other.

    Parameters
    ----------
    statistic, expected
        Moran's I, and what it is without clustering [no unit].
    p_value
        By permutation, two-sided, 0 to 1 [no unit].
    draws
        Permutations [no unit].
    method
        Its name [no unit].
    """

    statistic: float
    expected: float
    p_value: float
    draws: int
    method: str


def clustering(xy: ArrayLike, rates: ArrayLike, neighbours: int = 4, draws: int = 999, seed: int = 0) -> Clustering:
    """Do near plots resemble each other? Moran's I over the nearest neighbours, p-value by permuting the rates.

    p = (1 + draws at least as far from the draws' mean) / (1 + draws).

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        East and north of each plot [m].
    rates : array_like, shape (n,)
        Share browsed of each plot, NaN where it is not known [share].
    neighbours
        How many nearest plots count as near [no unit].
    draws
        Permutations, 1 to 1,000,000 [no unit].
    seed
        Of the permutations [no unit].

    Raises
    ------
    CannotUse
        For fewer than eight plots that are known, or rates of not as many.

    References
    ----------
    .. [1] Moran, P. A. P. (1950). Biometrika 37:17-23.
    """
    place, z = places(xy), np.asarray(rates, float)
    a_whole(neighbours, "Neighbours", 1), a_whole(draws, "Draws", 1, 1_000_000), a_whole(seed, "The seed", most=MOST_SEED)
    if z.shape != (len(place),):
        raise CannotUse("Each plot with a position has a rate, or nan where it is not known.")
    known = np.isfinite(z)
    place, z = place[known], z[known]
    n = len(z)
    if n < 8:
        raise CannotUse("Fewer than eight plots cannot show whether damage clusters.")
    if z.max() == z.min():
        return Clustering(float("nan"), -1 / (n - 1), 1.0, 0, "all plots alike")
    near = cKDTree(place).query(place, k=min(neighbours, n - 1) + 1)[1][:, 1:]
    z = z - z.mean()
    scale = float((z**2).mean()) * near.shape[1] * n

    def moran(values: np.ndarray) -> float:
        return float((values[:, None] * values[near]).sum()) / scale

    rng = np.random.default_rng(seed)
    seen = moran(z)
    drawn = np.array([moran(rng.permutation(z)) for _ in range(draws)])
    far = np.abs(drawn - drawn.mean()) >= abs(seen - drawn.mean()) - 1e-12
    p_value = (1 + int(far.sum())) / (1 + draws)
    return Clustering(seen, -1 / (n - 1), p_value, draws, f"Moran's I, {near.shape[1]} neighbours")


def rate_by_distance(distance_m: ArrayLike, rates: ArrayLike) -> tuple[float, float]:
    """Spearman's rank correlation of plots' rates with their distance to the edge, and its p-value.

    Parameters
    ----------
    distance_m : array_like, shape (n,)
        Of each plot from the edge, NaN where not known [m].
    rates : array_like, shape (n,)
        Share browsed of each plot, NaN where not known [share].

    Returns
    -------
    correlation, p_value : float
        -1 to 1 and 0 to 1, no unit.

    Raises
    ------
    CannotUse
        Where all plots lie as far or are browsed alike.

    References
    ----------
    .. [1] Spearman, C. (1904). American Journal of Psychology 15:72-101 (from memory).
    """
    far, rate = np.asarray(distance_m, float), np.asarray(rates, float)
    if far.shape != rate.shape or far.ndim != 1:
        raise CannotUse("Each plot has a distance and a rate, or nan where one is not known.")
    known = np.isfinite(far) & np.isfinite(rate)
    if len(set(far[known])) < 2 or len(set(rate[known])) < 2:
        raise CannotUse("Plots that all lie as far, or are browsed alike, show no course with the distance.")
    found = stats.spearmanr(far[known], rate[known])
    return float(found.statistic), float(found.pvalue)
