"""Are the stated uncertainties of an end on the card honest, over many more pictures than anyone would photograph?

Simulated pictures whose settings were fixed before anything was fitted; half of the seeds (even) may be used for
fitting, the others (odd) only for judging. `python -m diagnose.validation.coverage [--first SEED] [--pictures N]`
prints the table, `--out FILE` writes it as text with how it was made.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path

import cv2

from diagnose.measure.severed_end import measure_end_on_card
from diagnose.photo.picture import read_picture
from diagnose.photo.plane import find_card
from diagnose.signs import Measured, Shares
from diagnose.simulate.twig import any_setting, picture_of
from diagnose.validation.accuracy import Case, Row, form_rows, rows_by_size, table_as_text

FIRST, PICTURES = 90_001, 400  # odd seeds from here on: never used for fitting
SUMMARY = Path(__file__).with_name("coverage.txt")


def coverage(seeds: Iterable[int]) -> list[Row]:
    """Errors of slope and diameter, by size of the twig, and of the end's form, over simulated pictures."""
    found: dict[tuple[str, bool], list[tuple[Case, float | None]]] = {}
    forms: list[tuple[str, str, Shares | None]] = []
    for seed in seeds:
        setting = any_setting(seed)
        data, truth = picture_of(setting)
        picture = read_picture(data, f"{seed}.jpg")
        told = measure_end_on_card(picture, find_card(picture)).measured
        wanted = [("end diameter", "end_diameter_mm", truth.end_diameter_mm, True)]
        kind = "clean" if truth.kind == "clean" else "half and torn"
        wanted.append((f"seen slope [deg], {kind} ends", "seen_slope_deg", truth.seen_slope_deg, False))
        for quantity, name, true, relative in wanted:
            sign = told.get(name)
            case = (str(seed), true, sign if isinstance(sign, Measured) else None)
            found.setdefault((quantity, relative), []).append((case, setting.diameter))
        shares = told.get("end_form")
        forms.append((str(seed), truth.kind, shares if isinstance(shares, Shares) else None))
    rows = [row for (quantity, relative), cases in found.items() for row in rows_by_size(quantity, relative, cases)]
    return rows + list(form_rows(forms))


def summary() -> str:
    """The table that was made last, as it is kept with the package."""
    return SUMMARY.read_text(encoding="utf-8").rstrip()


def _main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--first", type=int, default=FIRST)
    asked.add_argument("--pictures", type=int, default=PICTURES)
    asked.add_argument("--out", type=Path, help="file to write the table to")
    args = asked.parse_args()
    cv2.setNumThreads(1)
    text = table_as_text(coverage(range(args.first, args.first + 2 * args.pictures, 2)))
    print(text)
    if args.out is not None:
        made = f"{args.pictures} simulated pictures, every second seed from {args.first} on, none used for fitting"
        args.out.write_text(f"{made}\n{text}\n", encoding="utf-8")


if __name__ == "__main__":
    _main()
