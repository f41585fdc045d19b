"""How far is the tool off on a user's own twigs, and are its uncertainties honest there?

The user measures some twenty twigs with caliper and protractor and writes them into a table, a photo a line:

    file,end_diameter_mm,end_diameter_mm_sigma,seen_slope_deg
    IMG_0001.jpg,5.2,0.05,31

The truth has an uncertainty of its own. It is taken off the errors (as variances), and a reading lies within so many
stated uncertainties where it does within so many of both together. What a coarse truth or few twigs cannot tell is said.

References
----------
.. [1] Clopper, C. J. and Pearson, E. S. (1934). Biometrika 26, 404-413: the exact interval of a share.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import zip_longest
from pathlib import Path

import numpy as np

from diagnose.cannot_use import CannotUse
from diagnose.signs import Measured, Word, vocabulary
from diagnose.texts import once_each, read_text, rows

CALIPER_MM = 0.1  # standard uncertainty of a caliper held to a twig, which gives and is not round; from memory
PROTRACTOR_DEG = 1.5  # of a protractor laid to a cut face; from memory
OWN_SIGMA = {"mm": CALIPER_MM, "degree": PROTRACTOR_DEG}
LEVEL = 0.95
TOO_SMALL = 0.4  # stated over true uncertainty that the chance to notice is told of; our choice
HARDLY = 0.5  # a chance below which the twigs are said to tell nothing of the uncertainties; our choice
STATED = {1: math.erf(1 / math.sqrt(2)), 2: math.erf(2 / math.sqrt(2))}  # shares of a normal error within one, two sigma

Point = tuple[float, float]


@dataclass(frozen=True)
class Truth:
    """What the user measured of one twig.

    Parameters
    ----------
    file, quantity
        The photo, and the sign's name [no unit].
    value, sigma
        With its standard uncertainty, in the sign's unit.
    taps
        The wound first, then a point farther back; empty where none is needed [upright px].
    """

    file: str
    quantity: str
    value: float
    sigma: float
    taps: tuple[Point, ...] = ()


@dataclass(frozen=True)
class Compared:
    """One quantity of one photo beside the user's own measurement.

    Parameters
    ----------
    file, quantity, why
        The photo, the sign's name, and why the tool measured none [no unit].
    truth, truth_sigma, found
        The user's value and its standard uncertainty, and the tool's, None where it measured none, in the sign's unit.
    """

    file: str
    quantity: str
    truth: float
    truth_sigma: float
    found: Measured | None
    why: str


@dataclass(frozen=True)
class OwnRow:
    """The tool's errors of one quantity on the user's twigs; nan where too few were measured.

    Parameters
    ----------
    quantity, twigs, measured
        The sign's name, how many had a truth, and how many of them a value [no unit].
    bias, bias_range
        Mean error, and its 95 % interval (Student's t), in the sign's unit.
    own_error, own_error_range
        Root mean square of the errors with the truth's variance taken off, and its 95 % interval for normal errors
        (chi-square), in the sign's unit.
    sigma
        Median stated uncertainty, in the sign's unit.
    within
        For one and two joint uncertainties how many readings lie inside, with the exact 95 % interval of their share [1]_.
    noticed
        Chance that uncertainties stated at TOO_SMALL of the true ones would have been noticed, 0 to 1 [no unit].
    warnings, missed
        One line each; photo -> why nothing was measured [no unit].
    """

    quantity: str
    twigs: int
    measured: int
    bias: float
    bias_range: tuple[float, float]
    own_error: float
    own_error_range: tuple[float, float]
    sigma: float
    within: dict[int, tuple[int, float, float]]
    noticed: float
    warnings: tuple[str, ...]
    missed: dict[str, str]


# --- the user's table ------------------------------------------------------------------------------------------


def read_truth(table: str | Path) -> list[Truth]:
    """The truths in a CSV file, in its order.

    Parameters
    ----------
    table
        Path of the file, with the columns `file`, one for each measured sign, `SIGN_sigma` for its standard
        uncertainty, each in the sign's unit, and `tap` and `back` as "X,Y" [px]; empty cells are left out.

    Raises
    ------
    CannotUse
        With the line that cannot be read.
    """
    text = read_text(table)
    head = text.partition("\n")[0]
    separator = max(",;\t", key=head.count)
    lines = rows(text, str(table), separator)
    columns = [name.strip() for name in next(lines, (0, []))[1]]
    once_each(columns, str(table))
    signs = _signs_of(table, columns)
    found: list[Truth] = []
    seen: set[str] = set()
    for number, told in lines:
        where = f"{table}, line {number}"
        cells = {name: cell.strip() for name, cell in zip_longest(columns, told[:len(columns)], fillvalue="")}
        if not any(cells.values()):
            continue
        if not cells["file"]:
            raise CannotUse(f"{where} names no file; write the photo's name in the column 'file'")
        if cells["file"] in seen:
            raise CannotUse(f"{where}: {cells['file']} stands there twice; give each photo one line, each twig one photo")
        seen.add(cells["file"])
        taps = tuple(_point(cells[name], where) for name in ("tap", "back") if cells.get(name))
        for word in signs:
            if cells[word.name]:
                value = _number(cells[word.name], where, separator)
                sigma = _number(own, where, separator) if (own := cells.get(f"{word.name}_sigma")) else None
                found.append(Truth(cells["file"], word.name, *_checked(word, value, sigma, where), taps))
    if not found:
        raise CannotUse(f"{table} holds no truth; write a line for each photo: its file and what you measured")
    return found


def _signs_of(table: str | Path, columns: Sequence[str]) -> list[Word]:
    """The signs that have a column; raises CannotUse for a column that means nothing."""
    measured = {name: word for name, word in vocabulary().items() if word.kind == "number"}
    known = {"file", "tap", "back", *measured, *(f"{name}_sigma" for name in measured)}
    if columns and "file" not in columns:
        raise CannotUse(f"{table} lacks the column 'file', which names the photo")
    for name in columns:
        if name not in known:
            raise CannotUse(f"{table}: '{name}' is no column; use file, tap, back, {', '.join(measured)}, "
                            "or one of these with _sigma")
    return [measured[name] for name in columns if name in measured]


def _checked(word: Word, value: float, sigma: float | None, where: str) -> tuple[float, float]:
    if not word.low <= value <= word.high:
        raise CannotUse(f"{where}: {word.name} must lie between {word.low:g} and {word.high:g} {word.unit}")
    sigma = OWN_SIGMA.get(word.unit) if sigma is None else sigma
    if sigma is None:
        raise CannotUse(f"{where}: say how surely {word.name} is known, in the column {word.name}_sigma")
    if sigma < 0:
        raise CannotUse(f"{where}: {word.name}_sigma must not be negative")
    return value, sigma


def _number(cell: str, where: str, separator: str) -> float:
    try:
        number = float(cell if separator == "," else cell.replace(",", "."))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise CannotUse(f"{where}: '{cell}' is no number")
    return number


def _point(cell: str, where: str) -> Point:
    try:
        x, y = (float(part) for part in cell.split(","))
        return x, y
    except ValueError:
        raise CannotUse(f"{where}: '{cell}' is no point; write X,Y in pixels, in quotes") from None


# --- the tool's own measurements beside it ---------------------------------------------------------------------


def compare(table: str | Path, folder: str | Path, print_scale: float = 1.0) -> list[Compared]:
    """Measures each photo of the table and lays it beside the user's truth.

    Parameters
    ----------
    table
        Path of the CSV file [no unit].
    folder
        Of the photos [no unit].
    print_scale
        Measured over stated length of the card's check bar [no unit].

    Raises
    ------
    CannotUse
        Where a photo is not there.
    """
    from diagnose.diagnosis import measure_picture
    from diagnose.photo.picture import read_picture

    truths = read_truth(table)
    for one in truths:
        if not (Path(folder) / one.file).is_file():
            raise CannotUse(f"{folder} holds no {one.file}, which {table} names; give the folder with the photos")
    found: list[Compared] = []
    for file in dict.fromkeys(one.file for one in truths):
        own = [one for one in truths if one.file == file]
        try:
            _, measurement = measure_picture(read_picture(Path(folder) / file), own[0].taps, print_scale=print_scale)
            signs, reasons = measurement.measured, measurement.not_measured
        except CannotUse as reason:
            signs, reasons = {}, {one.quantity: str(reason) for one in own}
        for one in own:
            sign = signs.get(one.quantity)
            value = sign if isinstance(sign, Measured) else None
            why = "only an interval could be told" if sign is not None else reasons.get(one.quantity, "was not measured")
            found.append(Compared(file, one.quantity, one.value, one.sigma, value, "" if value else why))
    return found


# --- what that tells -------------------------------------------------------------------------------------------


def own_rows(compared: Sequence[Compared]) -> list[OwnRow]:
    """A row for each quantity.

    A warning is given where the exact interval of the share within one, or within two, joint uncertainties excludes the
    share of a normal error. Two shares of each quantity are looked at: the level of each interval is raised from 95 % so
    that all together warn wrongly in at most one of twenty cases. The share within two finds uncertainties that are
    stated too small, the share within one those stated too large.

    Parameters
    ----------
    compared
        Of `compare` [no unit].
    """
    quantities = list(dict.fromkeys(one.quantity for one in compared))
    level = 1 - (1 - LEVEL) / (2 * len(quantities)) if quantities else LEVEL
    return [_row([one for one in compared if one.quantity == quantity], level) for quantity in quantities]


def _row(own: list[Compared], level: float) -> OwnRow:
    from scipy.stats import chi2, t

    told = [(one, one.found) for one in own if one.found is not None]
    n = len(told)
    errors = np.array([found.value - one.truth for one, found in told])
    stated = np.array([found.sigma for _, found in told])
    truth = np.array([one.truth_sigma for one, _ in told])
    pulls = np.abs(errors) / np.maximum(np.hypot(stated, truth), 1e-12)
    nothing = (math.nan, math.nan)
    bias_range = own_range = nothing
    if n > 1:
        half = float(t.ppf((1 + LEVEL) / 2, n - 1) * errors.std(ddof=1) / math.sqrt(n))
        bias_range = (float(errors.mean()) - half, float(errors.mean()) + half)
        squares, coarse = float((errors**2).sum()), float((truth**2).mean())
        low, high = (math.sqrt(max(squares / float(chi2.ppf(q, n)) - coarse, 0.0))
                     for q in ((1 + LEVEL) / 2, (1 - LEVEL) / 2))
        own_range = (low, high)
    within = {k: (inside, *_exact(inside, n, LEVEL)) for k in STATED if n for inside in [int((pulls <= k).sum())]}
    return OwnRow(
        own[0].quantity, len(own), n, float(errors.mean()) if n else math.nan, bias_range,
        math.sqrt(max(float((errors**2).mean() - (truth**2).mean()), 0.0)) if n else math.nan, own_range,
        float(np.median(stated)) if n else math.nan, within, _chance_to_notice(stated, truth, level) if n else 0.0,
        tuple(line for k in within if (line := _warning(k, within[k][0], n, level))),
        {one.file: one.why for one in own if one.found is None},
    )  # fmt: skip


@lru_cache(maxsize=4096)
def _exact(inside: int, n: int, level: float) -> tuple[float, float]:
    from scipy.stats import binomtest

    bounds = binomtest(inside, n).proportion_ci(level, method="exact")
    return float(bounds.low), float(bounds.high)


def _warning(k: int, inside: int, n: int, level: float) -> str:
    low, high = _exact(inside, n, level)
    if low <= STATED[k] <= high:
        return ""
    small = STATED[k] > high
    return (f"{inside} of {n} lie within {_many(k)}, {100 * STATED[k]:.0f} % would: the stated uncertainties are too "
            f"{'small' if small else 'large'} for these photos")


def _many(k: int) -> str:
    return "one stated uncertainty" if k == 1 else "two stated uncertainties"


def _chance_to_notice(stated: np.ndarray, truth: np.ndarray, level: float) -> float:
    """Chance that one of the two shares would warn if the true uncertainties were 1 / TOO_SMALL times the stated ones.

    stated, truth : (n,) standard uncertainties of tool and truth, in one unit. Exact, from how likely each pair of counts
    within one and two is where every reading has chances of its own.
    """
    from scipy.special import erf

    n = len(stated)
    wider = np.hypot(stated / TOO_SMALL, truth) / np.maximum(np.hypot(stated, truth), 1e-12)
    within_1, within_2 = (erf(k / wider / math.sqrt(2)) for k in STATED)
    likely = np.zeros((n + 1, n + 1))  # readings within one; readings between one and two
    likely[0, 0] = 1.0
    for one, two in zip(within_1, within_2, strict=True):
        before = likely
        likely = before * (1 - two)
        likely[1:] += before[:-1] * one
        likely[:, 1:] += before[:, :-1] * (two - one)
    quiet_1, quiet_2 = (np.array([not _warning(k, inside, n, level) for inside in range(n + 1)]) for k in STATED)
    i, j = np.nonzero(likely)
    return 1.0 - float((likely[i, j] * quiet_1[i] * quiet_2[i + j]).sum())


def own_as_text(rows: Sequence[OwnRow]) -> str:
    """The rows as lines for a terminal, with 95 % intervals in brackets; then warnings, limits and what was missed.

    Parameters
    ----------
    rows
        Of `own_rows` [no unit].
    """
    lines, after = [], []
    for row in rows:
        word = vocabulary()[row.quantity]
        unit = "°" if word.unit == "degree" else f" {word.unit}".rstrip()
        lines.append(f"{word.label}: {row.measured} of {row.twigs} photos measured")
        if row.measured:
            low, high = row.own_error_range
            about = "no interval from one photo" if math.isnan(low) else f"{low:.2g} to {high:.2g}"
            lines.append(f"  off by {row.own_error:.2g}{unit} ({about}) root mean square, your own "
                         f"uncertainty taken off; it states {row.sigma:.2g}{unit}")
            low, high = row.bias_range
            about = "no interval from one photo" if math.isnan(low) else f"{low:+.2g} to {high:+.2g}"
            lines.append(f"  on average {row.bias:+.2g}{unit} ({about})")
            for k, (inside, low, high) in row.within.items():
                share, low, high, honest = (100 * value for value in (inside / row.measured, low, high, STATED[k]))
                lines.append(f"  {inside} of {row.measured} within {_many(k)}, yours included: {share:.0f} % "
                             f"({low:.0f} to {high:.0f}); honest is {honest:.0f} %")
            if row.noticed < HARDLY:
                lines.append(f"  this cannot tell whether the uncertainties are honest: ones {1 / TOO_SMALL:g} times too "
                             f"small would be noticed in {100 * row.noticed:.0f} %; measure more twigs, or measure them "
                             f"more finely and say so in the column {row.quantity}_sigma")
            lines += [f"  WARNING: {line}" for line in row.warnings]
        after += [f"  {file}: {why}" for file, why in row.missed.items()]
    if after:
        lines += ["Not measured:", *dict.fromkeys(after)]
    return "\n".join(lines)
