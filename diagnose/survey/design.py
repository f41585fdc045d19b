"""How many plots, where, and in which order are they walked?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
from scipy import stats
from scipy.spatial import cKDTree
from shapely import contains_xy
from shapely.geometry.base import BaseGeometry

from diagnose.cannot_use import CannotUse
from diagnose.given import a_number, a_share, a_whole, above_nought
from diagnose.survey.boundary import Ground
from diagnose.survey.given import a_level, numbers, places

MOST_PLOTS = 1_000_000  # that a survey is planned for; our choice


@dataclass(frozen=True)
class Size:
    """How much is to be looked at.

    Parameters
    ----------
    trees, plots
        How many [trees, plots].
    design_effect
        That was used [no unit].
    reason
        In words [no unit].
    """

    trees: int
    plots: int
    design_effect: float
    reason: str


def design_effect(trees_a_plot: float, likeness: float, spread: float = 0.0) -> float:
    """Design effect 1 + ((spread^2 + 1) m - 1) likeness: how many times more trees plots need than single trees would.

    Parameters
    ----------
    trees_a_plot
        Mean trees of a plot, m [trees].
    likeness
        Intraclass correlation within plots, 0 to 1 [no unit].
    spread
        Coefficient of variation of trees a plot, from 0 up [no unit].

    Returns
    -------
    float
        No unit.

    Raises
    ------
    CannotUse
        For trees, a likeness or a spread that cannot be.

    References
    ----------
    .. [1] Kish, L. (1965). Survey Sampling; uneven sizes: Eldridge, S. M., Ashby, D. & Kerry, S. (2006). Int. J. Epidemiol.
       35:1292-1300.
    """
    above_nought(trees_a_plot, "Trees a plot")
    if not a_number(spread, "The spread") >= 0:
        raise CannotUse("A spread starts at nought.")
    return 1 + ((spread**2 + 1) * trees_a_plot - 1) * a_share(likeness, "The likeness")


def trees_needed(share: float, half_width: float, effect: float = 1.0, of_all: int | None = None,
                 level: float = 0.95) -> int:
    """Sample size, in trees, for an interval of the given half-width: z^2 p (1-p) deff / d^2.

    With the finite population correction, of a number of_all, it is n N/(N - 1 + n).

    Parameters
    ----------
    share
        Share browsed that is expected, above 0 and below 1 [share].
    half_width
        Plus or minus how much it is to be known [share].
    effect
        Design effect; 1 for trees drawn one by one [no unit].
    of_all
        Trees that there are; None for very many [trees].
    level
        Level of confidence of the interval, 0.5 to below 1 [no unit].

    Returns
    -------
    int
        [trees]

    Raises
    ------
    CannotUse
        For a share or half-width that is none.

    References
    ----------
    .. [1] Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 4.4.
    """
    _between(share, half_width)
    n = _z(level) ** 2 * share * (1 - share) / half_width**2 * above_nought(effect, "The design effect")
    if of_all is not None:
        n = n * of_all / (a_whole(of_all, "Trees in all", 1) - 1 + n)
    return math.ceil(n - 1e-9)


def plots_needed(share: float, half_width: float, trees_a_plot: float, likeness: float = 0.1, spread: float = 0.0,
                 plots_in_all: int | None = None, level: float = 0.95, with_t: bool = True) -> Size:
    """Sample size, in plots, for an interval of the given half-width.

    Parameters
    ----------
    share
        Share browsed that is expected, above 0 and below 1 [share].
    half_width
        Plus or minus how much it is to be known [share].
    trees_a_plot
        Mean trees of a plot [trees].
    likeness
        Intraclass correlation within plots, 0 to 1 [no unit].
    spread
        Coefficient of variation of trees a plot, from 0 up [no unit].
    plots_in_all
        Plots that the ground would hold; None for very many [no unit].
    level
        Level of confidence of the interval, 0.5 to below 1 [no unit].
    with_t
        True for quantiles of t with plots - 1 degrees of freedom, as the estimate will have them; False for the normal's [no
        unit].

    Raises
    ------
    CannotUse
        For a share or half-width that is none, or where more than MOST_PLOTS are needed.

    References
    ----------
    .. [1] Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 4.4, times the design effect.
    """
    _between(share, half_width)
    effect = design_effect(trees_a_plot, likeness, spread)
    if plots_in_all is not None:
        above_nought(plots_in_all, "The number of all plots")

    def enough(plots: int) -> bool:
        quantile = float(stats.t.ppf((1 + level) / 2, plots - 1)) if with_t else _z(level)
        needed = quantile**2 * share * (1 - share) * effect / half_width**2 / trees_a_plot
        if plots_in_all is not None:
            needed = needed / (1 + (needed - 1) / plots_in_all)
        return plots >= needed - 1e-9

    low = high = 2
    while not enough(high):
        low, high = high, high * 2
        if high > MOST_PLOTS:
            raise CannotUse(f"That takes more than {MOST_PLOTS:,} plots: ask for a wider margin.")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    plots = high
    reason = (f"{share:.0%} ± {half_width:.0%} with {trees_a_plot:g} trees a plot, design effect {effect:.2f} "
              f"(likeness within plots {likeness:g})")
    return Size(math.ceil(plots * trees_a_plot), plots, effect, reason)


def trees_to_see_a_change(first: float, second: float, effect: float = 1.0, power: float = 0.8, level: float = 0.95) -> int:
    """Trees in each of two surveys to tell two shares apart (normal approximation, unpooled variances).

    Parameters
    ----------
    first, second
        The two true shares browsed [share].
    effect
        Design effect; 1 for trees drawn one by one [no unit].
    power
        Chance that such surveys tell the change, above 0 and below 1 [no unit].
    level
        Level of confidence of the two-sided test, 0.5 to below 1 [no unit].

    Returns
    -------
    int
        In each survey [trees].

    Raises
    ------
    CannotUse
        For equal shares, or a power that is none.

    References
    ----------
    .. [1] Fleiss, J. L., Levin, B. & Paik, M. C. (2003). Statistical Methods for Rates and Proportions, chapter 4
       (from memory).
    """
    a_share(first, "The first share"), a_share(second, "The second share")
    if first == second:
        raise CannotUse("Two equal shares cannot be told apart: give the change that matters.")
    spread = first * (1 - first) + second * (1 - second)
    if not 0 < a_share(power, "The power") < 1:
        raise CannotUse("A power lies between 0 and 1: 0.8 is usual.")
    z = _z(level) + float(stats.norm.ppf(power))
    return math.ceil(z**2 * spread * above_nought(effect, "The design effect") / (first - second) ** 2 - 1e-9)


def allocation(plots: int, sizes: Sequence[float]) -> list[int]:
    """Plots shared out to strata by their size; what rounding leaves over goes to the largest remainders.

    Parameters
    ----------
    plots
        Plots in all [no unit].
    sizes
        Of each stratum, all in the same unit, such as m2.

    Returns
    -------
    list of int
        Plots of each stratum, in the same order; they add up to `plots`.

    Raises
    ------
    CannotUse
        For sizes below 0, or none above it.

    References
    ----------
    .. [1] Cochran, W. G. (1977). Sampling Techniques, 3rd ed., chapter 5: proportional allocation (from memory).
    """
    a_whole(plots, "Plots"), numbers(sizes, "Sizes")
    if not len(sizes) or min(sizes) < 0 or sum(sizes) <= 0:
        raise CannotUse("Plots are shared out to parts that have a size.")
    ideal = [plots * size / sum(sizes) for size in sizes]
    given = [math.floor(part) for part in ideal]
    for index in sorted(range(len(sizes)), key=lambda i: given[i] - ideal[i])[: plots - sum(given)]:
        given[index] += 1
    return given


# --- layouts ----------------------------------------------------------------------------------------------


def grid(area: BaseGeometry, plots: int, rng: np.random.Generator, step_m: float | None = None) -> np.ndarray:
    """Centres of a square grid with a random start and direction; their number comes near `plots`, not always to it.

    Parameters
    ----------
    area
        Where plots may lie [m].
    plots
        How many are wanted [no unit].
    rng
        Of the start and the direction [no unit].
    step_m
        Side of the grid in place of `plots`; None to take it from the area [m].

    Returns
    -------
    numpy.ndarray, shape (n, 2)
        East and north [m]. Every point of the area has the same chance, one over the square of the side.

    Raises
    ------
    CannotUse
        For a grid that would hold more than MOST_PLOTS.

    References
    ----------
    .. [1] Our own.
    """
    a_whole(plots, "Plots", 1, MOST_PLOTS)
    step = math.sqrt(area.area / plots) if step_m is None else above_nought(step_m, "The spacing")
    if area.area / step**2 > MOST_PLOTS:
        raise CannotUse(f"A grid of {step:g} m holds more than {MOST_PLOTS:,} plots: take a wider one.")
    angle = rng.uniform(0, math.pi / 2)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    west, south, east, north = area.bounds
    middle, reach = np.array([(west + east) / 2, (south + north) / 2]), math.hypot(east - west, north - south) / 2
    ticks = np.arange(-math.ceil(reach / step) - 1, math.ceil(reach / step) + 2)
    columns, rows = np.meshgrid(ticks, ticks)
    points = (np.column_stack([columns.ravel(), rows.ravel()]) + rng.uniform(0, 1, 2)) * step @ turn.T + middle
    return points[contains_xy(area, points[:, 0], points[:, 1])]


def balanced(area: BaseGeometry, plots: int, rng: np.random.Generator, candidates: int = 40) -> np.ndarray:
    """Centres, exactly as many as asked, spread evenly: local pivotal method over random candidates.

    Parameters
    ----------
    area
        Where plots may lie [m].
    plots
        How many [no unit].
    rng
        Of the draws [no unit].
    candidates
        Points strewn for each plot that is drawn; every one has the same chance [no unit].

    Returns
    -------
    numpy.ndarray, shape (plots, 2)
        East and north [m].

    Raises
    ------
    CannotUse
        For no area, or more than MOST_PLOTS candidates in all.

    References
    ----------
    .. [1] Grafström, A., Lundström, N. L. P. & Schelin, L. (2012). Biometrics 68:514-520.
    """
    a_whole(plots, "Plots", 1, MOST_PLOTS)
    a_whole(plots * a_whole(candidates, "Candidates", 1), "Candidates in all", 1, MOST_PLOTS)
    points = scattered(area, plots * candidates, rng)
    return points[pivotal(points, np.full(len(points), plots / len(points)), rng)]


def scattered(area: BaseGeometry, count: int, rng: np.random.Generator) -> np.ndarray:
    """Points strewn evenly by chance in the area.

    Parameters
    ----------
    area
        Where they may lie [m].
    count
        How many [no unit].
    rng
        Of the draws [no unit].

    Returns
    -------
    numpy.ndarray, shape (count, 2)
        East and north [m].

    Raises
    ------
    CannotUse
        Where the ground has no area.
    """
    a_whole(count, "Points")
    if not area.area > 0:
        raise CannotUse("The ground has no area.")
    west, south, east, north = area.bounds
    found = np.empty((0, 2))
    while len(found) < count:
        tried = rng.uniform((west, south), (east, north), (2 * count, 2))
        found = np.vstack([found, tried[contains_xy(area, tried[:, 0], tried[:, 1])]])
    return found[:count]


def pivotal(points: np.ndarray, chances: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Indices drawn with the given chances, neighbours seldom together.

    Two near points settle between them who keeps whose chance, until every chance is 0 or 1; expectations stay.

    Parameters
    ----------
    points : numpy.ndarray, shape (n, 2)
        Candidates [m].
    chances : numpy.ndarray, shape (n,)
        Of being drawn, 0 to 1 [no unit].
    rng
        Of the draws [no unit].

    Returns
    -------
    numpy.ndarray of int
        Rows of the points that were drawn.

    References
    ----------
    .. [1] Grafström, A., Lundström, N. L. P. & Schelin, L. (2012). Biometrics 68:514-520.
    """
    p = chances.astype(float).copy()
    tree = cKDTree(points)
    open_points = list(rng.permutation(np.flatnonzero((p > 0) & (p < 1))))
    place = {point: index for index, point in enumerate(open_points)}

    def settle(point: int) -> None:
        index, last = place.pop(point), open_points.pop()
        if last != point:
            open_points[index], place[last] = last, index

    while len(open_points) > 1:
        one = open_points[rng.integers(len(open_points))]
        other = _nearest_open(tree, points, one, place)
        total = p[one] + p[other]
        if total < 1:
            keeper = rng.random() < p[one] / total
            p[one], p[other] = (total, 0.0) if keeper else (0.0, total)
        else:
            kept = rng.random() < (1 - p[other]) / (2 - total)
            p[one], p[other] = (1.0, total - 1) if kept else (total - 1, 1.0)
        for point in (one, other):
            if p[point] <= 1e-12 or p[point] >= 1 - 1e-12:
                settle(point)
    for point in open_points:
        p[point] = float(rng.random() < p[point])
    return np.flatnonzero(p > 0.5)


def _nearest_open(tree: cKDTree, points: np.ndarray, one: int, still_open: dict) -> int:
    count = 8
    while True:
        count = min(count, len(points))
        for near in tree.query(points[one], k=count)[1]:
            if near != one and near in still_open:
                return int(near)
        count *= 4


def inward(ground: Ground, distance_m: float) -> BaseGeometry:
    """The area without a strip along the edge. Trees of the strip are then not part of what is estimated.

    Parameters
    ----------
    ground
        The planting [m].
    distance_m
        Width of the strip [m].

    Returns
    -------
    shapely geometry
        In the ground's metres.

    Raises
    ------
    CannotUse
        Where nothing is left.
    """
    area = ground.metres.buffer(-a_number(distance_m, "The distance"))
    if area.is_empty:
        raise CannotUse(f"Nothing is left {distance_m:g} m inside the edge: take a smaller distance.")
    return area


def walking_order(points: np.ndarray, start: tuple[float, float] | None = None) -> np.ndarray:
    """Points in the order of a short walk: nearest first, crossings undone.

    Parameters
    ----------
    points : numpy.ndarray, shape (n, 2)
        East and north [m].
    start
        East and north from where the first point is chosen as the nearest [m]; None for the south-westernmost point.

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Rows of the points in their order; fewer than three points keep theirs.

    References
    ----------
    .. [1] Croes, G. A. (1958). Operations Research 6:791-812: crossings undone by turning a stretch round (from memory).
    """
    points = places(points) if len(points) else np.empty((0, 2))
    n = len(points)
    if start is not None:
        places([start], "The start")
    if n < 3:
        return np.arange(n)
    apart = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    from_start = points.sum(axis=1) if start is None else np.hypot(*(points - np.asarray(start)).T)
    order = np.array([int(np.argmin(from_start))] * n)
    left = np.zeros(n)
    for at in range(1, n):
        left[order[at - 1]] = np.inf
        order[at] = int(np.argmin(apart[order[at - 1]] + left))
    better = True
    while better:  # 2-opt of an open path: turn a stretch round where that shortens the walk
        better = False
        for i in range(1, n - 1):
            j = i + 1
            while j < n:
                a, b, ends = order[i - 1], order[i], order[j:]
                gain = apart[a, b] - apart[a, ends]
                gain[:-1] += apart[ends[:-1], ends[1:]] - apart[b, ends[1:]]
                if not (worth := gain > 1e-9).any():
                    break
                j += int(np.argmax(worth))
                order[i : j + 1] = order[i : j + 1][::-1].copy()
                better, j = True, j + 1
    return order


def walk_length(points: np.ndarray, order: Sequence[int] | np.ndarray) -> float:
    """Length of the walk from the first to the last point [m].

    Parameters
    ----------
    points : numpy.ndarray, shape (n, 2)
        East and north [m].
    order
        Rows of the points as they are walked [no unit].
    """
    points, way = places(points), [a_whole(one, "A plot's place in the order", 0, len(points) - 1) for one in order]
    return float(np.hypot(*np.diff(points[way], axis=0).T).sum()) if way else 0.0


def as_gpx(ground: Ground, points: np.ndarray, site: str = "", parts: Sequence[str] = ()) -> str:
    """The plots' centres as GPX 1.1 waypoints and a route.

    Parameters
    ----------
    ground
        Whose projection the points are in [m].
    points : numpy.ndarray, shape (n, 2)
        Centres in walking order [m].
    site
        Name of the planting, before each plot's number [no unit].
    parts
        Stratum of each plot; empty without strata [no unit].

    Returns
    -------
    str
        The file's text, positions in WGS 84 [degree].

    Raises
    ------
    CannotUse
        Where the ground has no place on earth.
    """
    lines = ['<?xml version="1.0" encoding="UTF-8"?>',
             '<gpx version="1.1" creator="diagnose" xmlns="http://www.topografix.com/GPX/1/1">']
    places = [ground.degrees(float(x), float(y)) for x, y in points]
    named = [(f"{escape(site)} {number}".strip(), *place) for number, place in enumerate(places, 1)]
    told = [f"<desc>{escape(part)}</desc>" for part in parts] or [""] * len(named)
    lines += [f'  <wpt lat="{lat:.6f}" lon="{lon:.6f}"><name>{name}</name>{part}</wpt>'
              for (name, lat, lon), part in zip(named, told, strict=True)]
    lines.append(f"  <rte><name>{escape(site or 'plots')}</name>")
    lines += [f'    <rtept lat="{lat:.6f}" lon="{lon:.6f}"><name>{name}</name></rtept>' for name, lat, lon in named]
    return "\n".join([*lines, "  </rte>", "</gpx>", ""])


def _between(share: float, half_width: float) -> None:
    if not 0 < a_share(share) < 1 or not 0 < half_width < 1:
        raise CannotUse("Share and half-width must lie between 0 and 1 (write 0.05 for 5 %).")


def _z(level: float) -> float:
    return float(stats.norm.ppf((1 + a_level(level)) / 2))
