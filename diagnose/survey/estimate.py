"""What does an estimate carry besides its value?

Every figure of a survey is one of these records: the page, the report and the machine-readable output show the
same object.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from itertools import pairwise

from diagnose.cannot_use import CannotUse
from diagnose.survey.given import a_level

_ROUNDED = 1e-9  # limits and value may differ by so much from rounding


@dataclass(frozen=True)
class Interval:
    """Two limits at a level of confidence.

    Parameters
    ----------
    low, high
        In the unit of what they are of.
    level
        0.5 to below 1 [no unit].
    method
        Its name [no unit].

    Raises
    ------
    CannotUse
        For limits that are no numbers or stand the wrong way round.
    """

    low: float
    high: float
    level: float = 0.95
    method: str = ""

    def __post_init__(self) -> None:
        a_level(self.level)
        if math.isnan(self.low) or math.isnan(self.high) or self.low > self.high + _ROUNDED:
            raise CannotUse(f"Limits of {self.low:g} to {self.high:g} cannot be: look at the counts.")


@dataclass(frozen=True)
class Estimate:
    """An estimate with its interval and all that is needed to judge it.

    Parameters
    ----------
    value, low, high
        The estimate, None where nothing can be estimated, and its limits, None where no interval can be given, in its
        `unit`.
    level
        Of confidence, 0.5 to below 1 [no unit].
    method
        Of the interval [no unit].
    trees, plots
        Those that carry information [trees, plots].
    design_effect
        Variance over that of the same number of independent trees [no unit].
    sigma
        Standard error, linearised where plots are clusters, in its `unit`.
    df
        Degrees of freedom [no unit].
    unit
        Name of the unit of value, limits and sigma [no unit].
    note
        What a reader must know, empty when nothing [no unit].

    Raises
    ------
    CannotUse
        For a value that is no number, or that lies outside its limits.
    """

    value: float | None
    low: float | None
    high: float | None
    level: float
    method: str
    trees: int
    plots: int
    design_effect: float | None = None
    sigma: float | None = None
    df: float | None = None
    unit: str = "share"
    note: str = ""

    def __post_init__(self) -> None:
        a_level(self.level)
        told = [x for x in (self.low, self.value, self.high) if x is not None]
        slack = _ROUNDED * max([1.0, *(abs(x) for x in told if math.isfinite(x))])
        if any(math.isnan(x) for x in told) or any(a > b + slack for a, b in pairwise(told)):
            raise CannotUse(f"An estimate of {self.value} with limits {self.low} to {self.high} cannot be: look at the "
                            "counts.")
        if not (0 <= self.trees < math.inf and 0 <= self.plots < math.inf):
            raise CannotUse(f"{self.trees} trees on {self.plots} plots cannot be.")

    @property
    def width(self) -> float | None:
        """Of the interval, in the estimate's own unit."""
        return None if self.low is None or self.high is None else self.high - self.low

    def as_json(self) -> dict:
        """As plain values by the names of the fields; None where a figure is not finite."""
        return {key: _finite(value) for key, value in asdict(self).items()}

    def words(self) -> str:
        """As people read it: `38 % (31 to 46)`, `0 % (at most 7)`."""
        if self.value is None:
            return "no estimate"
        factor, sign = (100.0, " %") if self.unit == "share" else (1.0, f" {self.unit}" if self.unit else "")
        scale = max(abs(x * factor) for x in (self.value, self.low, self.high) if x is not None and math.isfinite(x))
        places = 0 if scale >= 20 or (factor == 100 and scale >= 10) else 1 if scale >= 1 else 2
        told = f"{self.value * factor:.{places}f}{sign}"
        if self.low is None or self.high is None:
            return f"{told} (no interval)"
        high = f"{self.high * factor:.{places}f}" if math.isfinite(self.high) else "no upper limit"
        return f"{told} ({self.low * factor:.{places}f} to {high})"


def nothing(note: str, plots: int = 0, level: float = 0.95, unit: str = "share") -> Estimate:
    """An estimate that cannot be made, and why.

    Parameters
    ----------
    note
        Why it cannot be made [no unit].
    plots
        Plots that were looked at [no unit].
    level
        Level of confidence that was asked for [no unit].
    unit
        Name of the unit that the estimate would have [no unit].
    """
    return Estimate(None, None, None, level, "none", 0, plots, unit=unit, note=note)


def _finite(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value
