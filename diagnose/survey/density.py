"""How many trees stand on a hectare, and what share of the ground has one?"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats
from shapely import Point, box
from shapely.geometry.base import BaseGeometry

from diagnose.cannot_use import CannotUse
from diagnose.given import a_number, a_whole, above_nought
from diagnose.survey.clumped import bounds
from diagnose.survey.estimate import Estimate, nothing
from diagnose.survey.given import a_level, numbers, of_all_plots, places
from diagnose.survey.given import counts as as_counts
from diagnose.survey.proportion import clustered

HECTARE_M2 = 10_000.0
ACRE_M2 = 43560 * 0.3048**2  # exact by definition of the foot


def trees_per_ha(counts: ArrayLike, areas_m2: ArrayLike, level: float = 0.95, plots_in_all: int | None = None) -> Estimate:
    """Trees per hectare from counts on plots; empty plots belong to it.

    Parameters
    ----------
    counts : array_like, shape (n,)
        Of each plot [trees].
    areas_m2 : array_like, shape (n,), or float
        Horizontal area of each plot inside the boundary [m2].
    level : float
        Of the interval, no unit.
    plots_in_all : int or None
        Plots that the ground would hold, for the finite population correction [no unit].

    Returns
    -------
    Estimate
        Trees per hectare [1/ha]: a ratio of totals, so that plots cut by the boundary count by their area; with equal areas
        it is the mean count with s / sqrt(n) [1]_. The limits are those of a t corrected for the skewness of clumped counts,
        see clumped.py.

    Raises
    ------
    CannotUse
        For counts or areas that cannot be.

    References
    ----------
    .. [1] Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 3.12.
    """
    error = (1 - a_level(level)) / 2
    y = as_counts(counts, "Trees")
    if np.ndim(areas_m2) and len(y) != np.size(areas_m2):
        raise CannotUse(f"{len(y)} plots have counts and {np.size(areas_m2)} areas: give both for every plot, or one area.")
    a = as_counts(np.broadcast_to(np.asarray(areas_m2, float), y.shape), "Areas") / HECTARE_M2
    n = len(y)
    if n == 0:
        return nothing("no plots", level=level, unit="trees/ha")
    if (a <= 0).any():
        raise CannotUse("A plot has no area: write it down, or leave the plot out.")
    value, trees = float(y.sum() / a.sum()), round(y.sum())
    if n == 1:
        return Estimate(value, None, None, level, "none", trees, 1, unit="trees/ha", note="one plot: no interval")
    finite = of_all_plots(n, plots_in_all)
    sigma = math.sqrt(finite * n / (n - 1) * float(((y - value * a) ** 2).sum())) / float(a.sum())
    low, high = bounds(y, a, error, bare_missed=False)
    if finite < 1:  # the part of the ground that was seen is known: what is left narrows the interval
        low, high = value - (value - low) * math.sqrt(finite), value + (high - value) * math.sqrt(finite)
    told = [f"only {n} plots"] if n < 15 else []
    if sigma == 0:
        told = ["no tree on any plot" if value == 0 else "every plot holds the same number: the least variation is assumed"]
    return Estimate(value, min(low, value), max(high, value), level, "plots, t corrected for skewness", trees, n, None,
                    sigma or None, n - 1, "trees/ha", "; ".join(told))


def stocking(counts: ArrayLike, plot_area_m2: float, level: float = 0.95) -> Estimate:
    """Share of plots with at least one tree. It depends on the plots' size, which the note tells.

    Parameters
    ----------
    counts : array_like, shape (n,)
        Trees of each plot [trees].
    plot_area_m2 : float
        Size of each plot [m2].
    level : float
        Of the interval, no unit.

    Returns
    -------
    Estimate
        A share; its interval is exact for plots drawn one by one, as the decision's bounds are [1]_.

    References
    ----------
    .. [1] Clopper, C. J. & Pearson, E. S. (1934). Biometrika 26:404-413.

    Examples
    --------
    >>> found = stocking([0] * 11 + [2], 50)
    >>> round(found.low, 3), round(found.high, 3)
    (0.002, 0.385)
    """
    above_nought(plot_area_m2, "A plot's area")
    found = as_counts(counts, "Trees") > 0
    x, n, error = int(found.sum()), len(found), (1 - a_level(level)) / 2
    told = [f"plots of {plot_area_m2:g} m²"]
    if n < 2:
        return replace(clustered(found.astype(float), np.ones(n), level), method="none", design_effect=None,
                       note="; ".join([*told, *(["one plot: how plots differ is unknown"] if n else ["no plots"])]))
    if x in (0, n):
        error *= 2
        told.append("one-sided bound")
    low = 0.0 if x == 0 else float(stats.beta.ppf(error, x, n - x + 1))
    high = 1.0 if x == n else float(stats.beta.isf(error, x + 1, n - x))
    sigma = math.sqrt(x * (n - x) / n**3) or None
    return Estimate(x / n, low, high, level, "stocked plots, exact", n, n, None, sigma, n - 1, "share", "; ".join(told))


def nearest_tree(distances_m: ArrayLike, within_m: float, level: float = 0.95) -> Estimate:
    """Share of the ground with a tree within a distance.

    It is a share of area, which must never be mixed with a share of trees.

    Parameters
    ----------
    distances_m : array_like, shape (n,)
        From each point to the nearest tree [m]; NaN where none was found.
    within_m
        How near counts [m].
    level
        Level of confidence of the interval, 0.5 to below 1 [no unit].

    Returns
    -------
    Estimate
        [share], as of `stocking` with round plots of that radius.

    Raises
    ------
    CannotUse
        For a distance below 0, a table, or no distance within which.
    """
    above_nought(within_m, "The distance")
    near = np.asarray(distances_m, float)
    if (near < 0).any() or near.ndim != 1:
        raise CannotUse("A distance starts at nought.")
    return stocking(np.where(np.isnan(near), 0, near <= within_m).astype(float), round(math.pi * within_m**2, 2), level)


def density_by_distance(kth_distance_m: ArrayLike, k: int, level: float = 0.95) -> Estimate:
    """Trees per hectare from the distance to the k-th nearest tree at each point: mean of (k-1)/(pi r^2).

    Parameters
    ----------
    kth_distance_m : array_like, shape (n,)
        From each point to its k-th nearest tree [m].
    k
        Which tree was measured to, 2 or more [no unit].
    level
        Level of confidence of the interval, 0.5 to below 1 [no unit].

    Returns
    -------
    Estimate
        [trees/ha]. Unbiased where trees are strewn by chance, too low where they stand in groups (from memory; k of 3 or
        more).

    Raises
    ------
    CannotUse
        For k below 2, or a tree on the point itself.

    References
    ----------
    .. [1] Eberhardt, L. L. (1967). Biometrics 23:207-216 (from memory). Limits by t on the logarithm are our own choice.
    """
    if a_whole(k, "The number of the tree", most=1000) < 2:
        raise CannotUse("The distance to the nearest tree alone gives no density: measure to the second or third.")
    far = numbers(kth_distance_m, "Distances")
    if not len(far):
        return nothing("no points", level=a_level(level), unit="trees/ha")
    if (far <= 0).any():
        raise CannotUse("A tree stands on the point itself: measure to the next one.")
    each = (k - 1) / (math.pi * far**2) * HECTARE_M2
    n, value = len(each), float(each.mean())
    if n < 2:
        return Estimate(value, None, None, level, "none", n * k, n, unit="trees/ha", note="one point: no interval")
    sigma = float(each.std(ddof=1)) / math.sqrt(n)
    reach = float(stats.t.ppf((1 + a_level(level)) / 2, n - 1)) * sigma / value
    return Estimate(value, value * math.exp(-reach), value * math.exp(reach), level, "k-tree distances, log t", n * k, n,
                    None, sigma, n - 1, "trees/ha")


def tallest_trees(heights_by_plot: list[ArrayLike], tallest: int = 10, level: float = 0.95) -> Estimate:
    """Mean height of each plot's tallest trees, averaged over plots; the trend over years is what tells.

    Parameters
    ----------
    heights_by_plot : list of array_like
        Heights of each plot's trees [cm].
    tallest
        How many of each plot count, or all where it has fewer [trees].
    level
        Level of confidence of the interval, 0.5 to below 1 [no unit].

    Returns
    -------
    Estimate
        [cm]; plots without trees are left out.

    References
    ----------
    .. [1] Our own.
    """
    a_level(level)
    a_whole(tallest, "Tallest trees of a plot", 1)
    means = np.array([np.sort(numbers(plot, "Heights"))[::-1][:tallest].mean() for plot in heights_by_plot if np.size(plot)])
    n, used = len(means), sum(min(tallest, np.size(plot)) for plot in heights_by_plot)
    if n == 0:
        return nothing("no trees", len(heights_by_plot), level, "cm")
    if n == 1:
        return Estimate(float(means[0]), None, None, level, "none", used, 1, unit="cm", note="one plot: no interval")
    sigma = float(means.std(ddof=1)) / math.sqrt(n)
    reach = float(stats.t.ppf((1 + level) / 2, n - 1)) * sigma
    mean = float(means.mean())
    return Estimate(mean, mean - reach, mean + reach, level, "plot means, t", used, n, None, sigma, n - 1, "cm")


def mean_height(heights_by_plot: list[ArrayLike], level: float = 0.95) -> Estimate:
    """Mean height [cm] of all trees, whole plots drawn: a ratio of totals with t limits.

    Parameters
    ----------
    heights_by_plot : list of array_like
        Heights of each plot's trees [cm].
    level : float
        Of the interval, no unit.

    Returns
    -------
    Estimate
        In cm.

    References
    ----------
    .. [1] Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 3.12.
    """
    plots = [numbers(plot, "Heights") for plot in heights_by_plot if np.size(plot)]
    trees, n = sum(len(plot) for plot in plots), len(plots)
    if n == 0:
        return nothing("no trees", len(heights_by_plot), a_level(level), "cm")
    sums, many = np.array([plot.sum() for plot in plots]), np.array([len(plot) for plot in plots], float)
    value = float(sums.sum() / many.sum())
    if n == 1:
        return Estimate(value, None, None, a_level(level), "none", trees, 1, unit="cm", note="one plot: no interval")
    sigma = math.sqrt(n / (n - 1) * float(((sums - value * many) ** 2).sum())) / float(many.sum())
    reach = float(stats.t.ppf((1 + a_level(level)) / 2, n - 1)) * sigma
    return Estimate(value, value - reach, value + reach, level, "ratio of totals, t", trees, n, None, sigma, n - 1, "cm")


def on_slope(per_ha: float, slope_percent: float) -> float:
    """A figure per hectare from a plot that was laid out along the slope, uncorrected: divided by the slope's cosine.

    Parameters
    ----------
    per_ha
        Any figure per hectare of the slope's own surface [1/ha].
    slope_percent
        Rise over horizontal distance [%], at most 1,000 either way.

    Returns
    -------
    float
        Per hectare of horizontal ground [1/ha].

    Raises
    ------
    CannotUse
        For a steeper slope, or what is no number.
    """
    return a_number(per_ha, "The figure") / _cosine(slope_percent)


def radius_on_slope(radius_m: float, slope_percent: float) -> float:
    """Radius to lay out along the slope so that the plot keeps its horizontal area: r / sqrt(cos).

    Parameters
    ----------
    radius_m
        Of the plot on level ground [m].
    slope_percent
        Rise over horizontal distance [%], at most 1,000 either way.

    Returns
    -------
    float
        [m]

    Raises
    ------
    CannotUse
        For no radius, or a steeper slope.
    """
    return above_nought(radius_m, "The radius") / math.sqrt(_cosine(slope_percent))


def _cosine(slope_percent: float) -> float:
    """Of the angle of a slope, [no unit]; over 1,000 % is no ground that trees are counted on."""
    if not abs(a_number(slope_percent, "The slope")) <= 1000:
        raise CannotUse(f"A slope of {slope_percent:g} % is a wall: look at it again.")
    return math.cos(math.atan(slope_percent / 100))


def plot_radius(area_m2: float) -> float:
    """Radius of a circular plot [m].

    Parameters
    ----------
    area_m2
        Of the plot, above 0 [m2].
    """
    return math.sqrt(above_nought(area_m2, "The area") / math.pi)


def inside_area(x: float, y: float, radius_m: float, boundary: BaseGeometry) -> float:
    """Area of a circular plot that lies inside the boundary [m2].

    Parameters
    ----------
    x, y
        The plot's centre [m], on the boundary's grid.
    radius_m
        Of the plot [m].
    boundary
        Of the planting [m].
    """
    above_nought(radius_m, "The radius"), a_number(x, "East"), a_number(y, "North")
    circle = Point(x, y).buffer(radius_m, quad_segs=64)
    whole = math.pi * radius_m**2
    return min(whole, whole * circle.intersection(boundary).area / circle.area)


def tally_twice(centre: tuple[float, float], tree: tuple[float, float], boundary: BaseGeometry) -> bool:
    """Is the tree to be counted twice? So it is when the point as far beyond it as the centre lies outside.

    Parameters
    ----------
    centre, tree
        East and north of the plot's centre and of the tree [m], on the boundary's grid.
    boundary
        Of the planting [m].

    References
    ----------
    .. [1] Ducey, M. J., Gove, J. H. & Valentine, H. T. (2004). Forest Science 50:427-435: walkthrough (from memory).
    """
    centre, tree = (tuple(place) for place in places([centre, tree], "The plot's centre and the tree"))
    beyond = Point(2 * tree[0] - centre[0], 2 * tree[1] - centre[1])
    return not boundary.covers(beyond)


def within_fix(radius_m: float, rmse_m: float) -> float:
    """Chance that a satellite fix lies within a distance of the true point: 1 - exp(-(r / RMSE)^2), circular normal.

    Parameters
    ----------
    radius_m
        The distance [m].
    rmse_m
        Root mean square error of the fix in the plane, both directions together [m].

    Returns
    -------
    float
        0 to 1, no unit.

    References
    ----------
    .. [1] The error of a fix is taken as normal and alike in every direction; our own use of Rayleigh's distribution.
    """
    ratio = above_nought(radius_m, "The distance") / above_nought(rmse_m, "The error")
    return 1 - math.exp(-min(ratio, 100.0) ** 2)


def rectangle(width_m: float, height_m: float) -> BaseGeometry:
    """A rectangle from the origin, for plantings whose sides are all that is known.

    Parameters
    ----------
    width_m, height_m
        To the east and to the north [m].

    Returns
    -------
    shapely.Polygon
        In metres of no named grid.
    """
    return box(0, 0, above_nought(width_m, "The width"), above_nought(height_m, "The height"))
