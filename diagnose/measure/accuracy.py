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
from diagnose.measure.record import Measurement
from diagnose.photo.picture import Picture, read_picture
from diagnose.signs import Measured, Shares

PHOTOS = Path(__file__).parents[2] / "reference_cases" / "photos"
FINGER = 0.0032  # standard error of a tap, as a share of the picture's diagonal; our choice
BACK = 8.0  # diameters from the end to the second tap


@dataclass(frozen=True)
class Row:
    """Errors of one quantity over the pictures that have it.

    relative : whether errors are shares of the truth (else in the quantity's unit). within_1, within_2 : share of
    the truths inside one and two stated sigmas. sigma : median stated sigma, in the unit of the errors.
    """

    quantity: str
    pictures: int
    measured: int
    relative: bool
    median: float
    p90: float
    within_1: float
    within_2: float
    sigma: float
    errors: Mapping[str, float | None]


def error_table(folder: Path = PHOTOS) -> list[Row]:
    """A row for each quantity; raises CannotUse where the folder holds no pictures with truth."""
    found: dict[tuple[str, bool], list[tuple[str, float, Measured | None]]] = {}
    forms: list[tuple[str, str, Shares | None]] = []
    for scene, measure in _SCENES.items():
        for path in sorted((folder / scene).glob("*.jpg")):
            truth = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
            measurement, wanted, form = measure(read_picture(path), truth)
            for quantity, (name, true, relative) in wanted.items():
                sign = measurement.measured.get(name)
                value = sign if isinstance(sign, Measured) else None
                found.setdefault((quantity, relative), []).append((f"{scene}/{path.stem}", true, value))
            if form is not None:
                shares = measurement.measured.get("end_form")
                forms.append((f"{scene}/{path.stem}", form, shares if isinstance(shares, Shares) else None))
    if not found:
        raise CannotUse(f"{folder} holds no pictures with truth; the check runs in a checkout of the repository")
    return [_row(quantity, relative, cases) for (quantity, relative), cases in found.items()] + list(_form_row(forms))


def _row(quantity: str, relative: bool, cases: list[tuple[str, float, Measured | None]]) -> Row:
    errors: dict[str, float | None] = {}
    pulls, sigmas = [], []
    for name, true, sign in cases:
        if sign is None:
            errors[name] = None
            continue
        unit = abs(true) if relative else 1.0
        errors[name] = (sign.value - true) / unit
        pulls.append(abs(sign.value - true) / max(sign.sigma, 1e-9))
        sigmas.append(sign.sigma / unit)
    sizes = np.abs([error for error in errors.values() if error is not None] or [np.nan])
    pull = np.array(pulls or [np.nan])
    return Row(quantity, len(cases), len(pulls), relative, float(np.median(sizes)), float(np.percentile(sizes, 90)),
               float((pull <= 1).mean()), float((pull <= 2).mean()), float(np.median(sigmas or [np.nan])), errors)


def _form_row(forms: list[tuple[str, str, Shares | None]]) -> Iterator[Row]:
    if not forms:
        return
    right = {name: None if told is None else float(max(told.shares, key=lambda f: told.shares[f]) != true)
             for name, true, told in forms}
    wrong = [value for value in right.values() if value is not None]
    yield Row("end form named wrongly", len(forms), len(wrong), False, float(np.mean(wrong)), float(np.max(wrong)),
              np.nan, np.nan, np.nan, right)


Wanted = dict[str, tuple[str, float, bool]]


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
    from diagnose.measure.free_twig import measure_free_end
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


_SCENES: dict[str, Callable[[Picture, Mapping[str, Any]], tuple[Measurement, Wanted, str | None]]] = {
    "twig_on_card": _on_card, "twig_free": _free, "gnawed_bark": _bark, "staff_scene": _staff,
}  # fmt: skip


def table_as_text(rows: list[Row]) -> str:
    """The table as lines: per cent where errors are relative."""
    head = f"{'quantity':40}{'measured':>10}{'median':>9}{'90th':>9}{'<1 sigma':>10}{'<2 sigma':>10}{'sigma':>9}"
    lines = [head]
    for row in rows:
        unit, factor = (" %", 100.0) if row.relative else ("", 1.0)
        figures = [f"{factor * value:.3g}{unit}" if value == value else "-" for value in (row.median, row.p90)]
        shares = [f"{100 * value:.0f} %" if value == value else "-" for value in (row.within_1, row.within_2)]
        sigma = f"{factor * row.sigma:.2g}{unit}" if row.sigma == row.sigma else "-"
        lines.append(f"{row.quantity:40}{row.measured:>5} of {row.pictures:<2}{figures[0]:>9}{figures[1]:>9}"
                     f"{shares[0]:>10}{shares[1]:>10}{sigma:>9}")
    return "\n".join(lines)
