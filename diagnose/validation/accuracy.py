"""How far from the truth are the measurements, on pictures whose truth is known?

A folder of scenes holds pictures with their truth beside them (`IMG_0001.jpg`, `IMG_0001.json`); the bundled ones are
ray-traced renderings, not photographs of real twigs. Free twigs and heights are tapped as a finger would, with a
fixed random error.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.knowledge import reference_cases
from diagnose.measure.record import Measurement
from diagnose.photo.picture import Picture, read_picture
from diagnose.progress import Progress, silent
from diagnose.signs import Measured, Shares

PHOTOS = reference_cases("photos")
FINGER = 0.0032  # standard error of a tap, as a share of the picture's diagonal; our choice
BACK = 8.0  # diameters from the end to the second tap


SIZES = (("under 2.5 mm", 0.0, 2.5), ("2.5 to 6 mm", 2.5, 6.0), ("over 6 mm", 6.0, np.inf))
Case = tuple[str, float, Measured | None]  # picture, truth, what was measured
Wanted = dict[str, tuple[str, float, bool]]


@dataclass(frozen=True)
class Row:
    """Errors of one quantity over the pictures that have it.

    Parameters
    ----------
    quantity, pictures, measured
        Its name, and how many have it and were measured [no unit].
    relative
        Are errors shares of the truth, else in the quantity's unit? [no unit]
    median, p90, median_range, p90_range
        Of the errors, with 95 % bootstrap intervals of the two percentiles, in the unit of the errors.
    within_1, within_2
        Share of the truths inside one and two stated sigmas [share].
    pull_95
        95th percentile of error over sigma [no unit].
    sigma
        Median stated one, in the unit of the errors.
    errors, pulls
        Picture -> its own; None where nothing was measured, in the unit of the errors, and in none.
    """

    quantity: str
    pictures: int
    measured: int
    relative: bool
    median: float
    p90: float
    median_range: tuple[float, float]
    p90_range: tuple[float, float]
    within_1: float
    within_2: float
    pull_95: float
    sigma: float
    errors: Mapping[str, float | None]
    pulls: Mapping[str, float | None]


@dataclass(frozen=True)
class Scene:
    """One picture measured.

    Parameters
    ----------
    name, how
        Of the picture, and which points were given [no unit].
    measurement
        What was measured, each sign in its own unit.
    wanted
        Quantity -> sign, truth in its unit, whether relative.
    form
        True form of the end, None where it is not asked [no unit].
    diameter_mm
        Of a twig on the card; None else [mm].
    """

    name: str
    how: str
    measurement: Measurement
    wanted: Wanted
    form: str | None
    diameter_mm: float | None


def measured_scenes(folder: Path = PHOTOS) -> Iterator[Scene]:
    """Every picture of a folder of scenes, measured in each way that the scene is meant for, with its truth.

    Parameters
    ----------
    folder
        Of scenes, with pictures and their truth [no unit].
    """
    for scene, how, measure in _SCENES:
        for path in sorted((folder / scene).glob("*.jpg")):
            truth = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
            measurement, wanted, form = measure(read_picture(path), truth)
            size = truth["twig"]["diameter_mm"] if scene == "twig_on_card" else None
            yield Scene(f"{scene}/{path.stem}", how, measurement, wanted, form, size)


def error_table(folder: Path = PHOTOS, progress: Progress = silent) -> list[Row]:
    """A row for each quantity that the pictures have.

    Parameters
    ----------
    folder
        Of scenes, with pictures and their truth [no unit].
    progress
        Called with how many of how many measurements are done [no unit].

    Raises
    ------
    CannotUse
        Where the folder holds no pictures with truth.
    """
    found: dict[tuple[str, bool], list[tuple[Case, float | None]]] = {}
    forms: list[tuple[str, str, Shares | None]] = []
    total = sum(1 for scene, _, _ in _SCENES for _ in (folder / scene).glob("*.jpg"))
    for number, scene in enumerate(measured_scenes(folder), 1):
        progress(number, total)
        measured = scene.measurement.measured
        for quantity, (name, true, relative) in scene.wanted.items():
            sign = measured.get(name)
            value = sign if isinstance(sign, Measured) else None
            found.setdefault((quantity, relative), []).append(((scene.name, true, value), scene.diameter_mm))
        if scene.form is not None:
            shares = measured.get("end_form")
            forms.append((scene.name, scene.form, shares if isinstance(shares, Shares) else None))
    if not found:
        raise CannotUse(f"{folder} holds no pictures with truth; in a clone of the repository reference_cases/photos does")
    rows = [row for (quantity, relative), cases in found.items() for row in rows_by_size(quantity, relative, cases)]
    return rows + list(form_rows(forms))


def rows_by_size(quantity: str, relative: bool, cases: list[tuple[Case, float | None]]) -> Iterator[Row]:
    """The row of all cases, then one for each class of twig diameter [mm] that holds any.

    Parameters
    ----------
    quantity
        Its name [no unit].
    relative
        Whether errors are shares of the truth [no unit].
    cases
        Each with the twig's diameter where it is known [mm].
    """
    yield row_of(quantity, relative, [case for case, _ in cases])
    for name, low, high in SIZES:
        own = [case for case, size in cases if size is not None and low <= size < high]
        if own:
            yield row_of(f"  {name}", relative, own)


def row_of(quantity: str, relative: bool, cases: list[Case]) -> Row:
    """Errors of one quantity; a bootstrap over pictures gives the percentiles' intervals.

    Parameters
    ----------
    quantity
        Its name [no unit].
    relative
        Whether errors are shares of the truth [no unit].
    cases
        Picture, truth and what was measured, the last two in the quantity's unit.
    """
    errors: dict[str, float | None] = {}
    pulls: dict[str, float | None] = {}
    sigmas = []
    for name, true, sign in cases:
        if sign is None:
            errors[name] = pulls[name] = None
            continue
        unit = abs(true) if relative else 1.0
        errors[name] = (sign.value - true) / unit
        pulls[name] = abs(sign.value - true) / max(sign.sigma, 1e-9)
        sigmas.append(sign.sigma / unit)
    sizes = np.abs([error for error in errors.values() if error is not None] or [np.nan])
    pull = np.array([value for value in pulls.values() if value is not None] or [np.nan])
    again = np.random.default_rng(0).choice(sizes, (400, len(sizes)))
    low, high = np.percentile(np.percentile(again, (50, 90), axis=1), (2.5, 97.5), axis=1)
    return Row(quantity, len(cases), len(sigmas), relative, float(np.median(sizes)), float(np.percentile(sizes, 90)),
               (float(low[0]), float(high[0])), (float(low[1]), float(high[1])),
               float((pull <= 1).mean()), float((pull <= 2).mean()), float(np.percentile(pull, 95)),
               float(np.median(sigmas or [np.nan])), errors, pulls)


def form_rows(forms: list[tuple[str, str, Shares | None]]) -> Iterator[Row]:
    """How often the end's form is named wrongly, and how often clean was called torn or torn clean with over 0.9.

    Parameters
    ----------
    forms
        Picture, true form, and the probabilities that were stated [no unit].
    """
    told = [(name, true, shares.shares) for name, true, shares in forms if shares is not None]
    missing: dict[str, float | None] = {name: None for name, _, shares in forms if shares is None}
    wrong = {name: float(max(shares, key=lambda form: shares[form]) != true) for name, true, shares in told}
    other = {"clean": "torn", "torn": "clean"}
    sure = {name: float(shares[other[true]] > 0.9) for name, true, shares in told if true in other}
    for quantity, rates in (("end form named wrongly", wrong), ("clean called torn or back, over 0.9", sure)):
        if rates:
            nothing, rate = (np.nan, np.nan), float(np.mean(list(rates.values())))
            yield Row(quantity, len(rates) + len(missing), len(rates), True, rate, np.nan, nothing, nothing, np.nan, np.nan,
                      np.nan, np.nan, {**rates, **missing}, {})


def _tap(picture: Picture, point: Any, rng: np.random.Generator) -> tuple[float, float]:
    width, height = picture.size
    at = np.array(point, float) + rng.normal(0, FINGER * float(np.hypot(width, height)), 2)
    return float(np.clip(at[0], 0, width - 1)), float(np.clip(at[1], 0, height - 1))


def _end_wanted(truth: Mapping[str, Any], where: str) -> Wanted:
    twig = truth["twig"]
    wanted: Wanted = {}
    if truth["truth"]["kind"] == "clean":
        wanted[f"seen slope [deg], clean ends, {where}"] = ("seen_slope_deg", twig["apparent_deg"], False)
    return wanted


def _on_card(picture: Picture, truth: Mapping[str, Any]) -> tuple[Measurement, Wanted, str | None]:
    from diagnose.diagnosis import measure_picture

    _, found = measure_picture(picture)
    wanted = _end_wanted(truth, "on card")
    wanted["end diameter, on card"] = ("end_diameter_mm", truth["twig"]["diameter_view_mm"], True)
    if truth["truth"]["kind"] == "clean":
        wanted["true slope [deg], clean ends, on card"] = ("true_slope_deg", truth["twig"]["theta_deg"], False)
    return found, wanted, truth["truth"]["kind"]


def _free(picture: Picture, truth: Mapping[str, Any]) -> tuple[Measurement, Wanted, str | None]:
    from diagnose.measure.free_end import measure_free_end
    from diagnose.photo.scale import find_coin

    rng = np.random.default_rng(0)
    twig = truth["twig"]
    end = np.array(twig["end_centre_px"])
    back = end + BACK * twig["diameter_px"] * np.array(twig["axis_px_dir"])
    taps = [_tap(picture, end, rng), _tap(picture, back, rng)]
    wanted = _end_wanted(truth, "free, two taps")
    scale = None
    if "coin" in truth:
        wanted["end diameter, free, with coin"] = ("end_diameter_mm", twig["diameter_view_mm"], True)
        try:
            scale = find_coin(picture, truth["coin"]["diameter_mm"], near=taps[0])
        except CannotUse:
            scale = None
    return measure_free_end(picture, taps, scale), wanted, None


def _free_untapped(picture: Picture, truth: Mapping[str, Any]) -> tuple[Measurement, Wanted, str | None]:
    from diagnose.measure.free_end import measure_free_end

    wanted = _end_wanted(truth, "free, no taps")
    return (measure_free_end(picture) if wanted else Measurement()), wanted, None


def _bark(picture: Picture, truth: Mapping[str, Any]) -> tuple[Measurement, Wanted, str | None]:
    from diagnose.diagnosis import measure_picture

    _, found = measure_picture(picture)
    told = truth["truth"]
    wanted: Wanted = {
        "patch height": ("patch_height_mm", told["wound_height_mm"], True),
        "patch width": ("patch_width_mm", told["wound_width_mm"], True),
        "stem diameter": ("stem_diameter_mm", told["stem_diameter_mm"], True),
    }
    if truth["wound"]["groove_regular"]:
        wanted["groove spacing"] = ("groove_spacing_mm", told["groove_mm"], True)
    return found, wanted, None


def _staff(picture: Picture, truth: Mapping[str, Any]) -> tuple[Measurement, Wanted, str | None]:
    from diagnose.diagnosis import measure_picture

    rng = np.random.default_rng(0)
    plant = truth["seedling"]
    taps = [_tap(picture, plant["browsed_px"], rng), _tap(picture, plant["base_px"], rng)]
    _, found = measure_picture(picture, taps)
    return found, {"wound height [mm], by staff": ("wound_height_mm", plant["browsed_height_mm"], False)}, None


_SCENES: tuple[tuple[str, str, Callable[[Picture, Mapping[str, Any]], tuple[Measurement, Wanted, str | None]]], ...] = (
    ("twig_on_card", "no taps", _on_card), ("twig_free", "two taps", _free), ("twig_free", "no taps", _free_untapped),
    ("gnawed_bark", "no taps", _bark), ("staff_scene", "two taps", _staff),
)  # fmt: skip


def table_as_text(rows: list[Row]) -> str:
    """The table as lines: per cent where errors are relative; in brackets 95 % intervals.

    Parameters
    ----------
    rows
        Of `error_table` [no unit].
    """
    head = (f"{'quantity':37}{'measured':>11}{'median error':>21}{'90th percentile':>21}"
            f"{'in 1 sigma':>14}{'in 2 sigmas':>14}{'p95/sigma':>10}{'sigma':>8}")
    lines = [head]
    for row in rows:
        unit, factor = ("%", 100.0) if row.relative else ("", 1.0)
        middle, far = (_with_range(factor * value, [factor * bound for bound in bounds], unit)
                       for value, bounds in ((row.median, row.median_range), (row.p90, row.p90_range)))
        inside = [_share(value, row.measured) for value in (row.within_1, row.within_2)]
        pull = f"{row.pull_95:.1f}" if row.pull_95 == row.pull_95 else "-"
        sigma = f"{factor * row.sigma:.2g}{unit}" if row.sigma == row.sigma else "-"
        lines.append(f"{row.quantity:37}{row.measured:>4} of {row.pictures:<3}{middle:>21}{far:>21}"
                     f"{inside[0]:>14}{inside[1]:>14}{pull:>10}{sigma:>8}")
    return "\n".join(lines)


def _with_range(value: float, bounds: list[float], unit: str) -> str:
    if value != value:
        return "-"
    if bounds[0] != bounds[0]:
        return f"{value:.3g}{unit}"
    return f"{value:.2g}{unit} ({bounds[0]:.2g}-{bounds[1]:.2g})"


def _share(value: float, n: int) -> str:
    """A share in per cent with its exact interval (Clopper and Pearson 1934, Biometrika 26, 404-413)."""
    if value != value or n == 0:
        return "-"
    from scipy.stats import binomtest

    bounds = binomtest(round(value * n), n).proportion_ci(0.95, method="exact")
    return f"{100 * value:.0f}% ({100 * bounds.low:.0f}-{100 * bounds.high:.0f})"


def misses_as_text(rows: list[Row]) -> str:
    """Picture by picture: what was not measured, named wrongly, or off by more than two stated sigmas.

    Parameters
    ----------
    rows
        Of `error_table` [no unit].
    """
    lines = []
    for row in rows:
        if row.quantity.startswith(" "):
            continue
        told = [f"{name} not measured" for name, error in row.errors.items() if error is None]
        if row.pulls:
            unit, factor = (" %", 100.0) if row.relative else ("", 1.0)
            told += [f"{name} off by {factor * (row.errors[name] or 0):+.2g}{unit}, {pull:.1f} sigmas"
                     for name, pull in row.pulls.items() if pull is not None and pull > 2]
        else:
            told += [name for name, error in row.errors.items() if error]
        if told:
            lines.append(f"{row.quantity}: " + "; ".join(told))
    return "\n".join(lines)
