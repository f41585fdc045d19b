"""How is a number with its uncertainty written, in millimetres or inches, everywhere the same?"""

from __future__ import annotations

import math
import re

from diagnose.signs import Answer, Bounded, Several, Shares, Sign

MM_PER_INCH = 25.4  # exact by definition
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_RUN = r"(?<![\w.])(?P<numbers>\d+(?:\.\d+)?(?:(?: x | to | or |, )\d+(?:\.\d+)?)*)"  # 25 x 25, 0.9 to 1.2
_MILLIMETRES, _METRES = re.compile(_RUN + r" mm\b"), re.compile(_RUN + r" m\b")
_UNITS = {"_deg": "°", "_mm": " mm"}


def figure(name: str, sign: Sign, inches: bool = False) -> str:
    """The sign's value as people read it: `37.2 ± 0.6°`, `41 to 68°`, `clean 94 %, half 5 %, torn 1 %`.

    A sigma is written with one or two digits and the value to the same place (the usual rule for standard
    uncertainties [1]_).

    Parameters
    ----------
    name
        Of the sign; its ending names the unit.
    sign
        Its value [no unit].
    inches
        Whether lengths are written in inches [no unit].

    References
    ----------
    .. [1] JCGM 100:2008, 7.2.6.
    """
    if isinstance(sign, Answer):
        return sign.choice.replace("_", " ")
    if isinstance(sign, Several):
        return " and ".join(choice.replace("_", " ") for choice in sign.found) + ("; nothing else" if sign.complete else "")
    if isinstance(sign, Shares):
        ranked = sorted(sign.shares.items(), key=lambda item: -item[1])
        return ", ".join(f"{choice.replace('_', ' ')} {percent(share)}" for choice, share in ranked)
    unit, factor = _unit(name, inches)
    if isinstance(sign, Bounded):
        places = 0 if abs(sign.high * factor) >= 10 else 2
        return f"{sign.low * factor:.{places}f} to {sign.high * factor:.{places}f}{unit}"
    places = _places(sign.sigma * factor)
    return f"{sign.value * factor:.{places}f} ± {sign.sigma * factor:.{places}f}{unit}"


def percent(share: float) -> str:
    """A probability as a whole percentage; never `0 %` or `100 %`, which nobody can know.

    Parameters
    ----------
    share
        0 to 1 [no unit].
    """
    if share < 0.01:
        return "under 1 %"
    if share > 0.99:
        return "over 99 %"
    return f"{100 * share:.0f} %"


def length(mm: float, inches: bool = False) -> str:
    """A length of a barrier in words: millimetres or metres, or inches or feet.

    Parameters
    ----------
    mm
        The length [mm].
    inches
        Whether it is written in inches or feet [no unit].
    """
    if inches:
        size = mm / MM_PER_INCH
        return f"{size / 12:.1f} ft" if size >= 36 else f"{size:.2g} in" if size < 10 else f"{size:.0f} in"
    return f"{mm / 1000:.2f} m" if mm >= 1000 else f"{mm:.3g} mm"


def in_inches(text: str) -> str:
    """Words in which every length in mm is written in inches, and every one in metres in feet; other units stand.

    Parameters
    ----------
    text
        Words with lengths in them [no unit].
    """
    def inch(found: re.Match[str]) -> str:
        return _NUMBER.sub(lambda one: _inches(float(one[0])), found["numbers"]) + " in"

    def feet(found: re.Match[str]) -> str:
        return _NUMBER.sub(lambda one: f"{float(one[0]) / 0.3048:.3g}", found["numbers"]) + " ft"

    return _METRES.sub(feet, _MILLIMETRES.sub(inch, text))


def _inches(mm: float) -> str:
    return f"{mm / MM_PER_INCH:.2g}" if mm < 10 * MM_PER_INCH else f"{mm / MM_PER_INCH:.0f}"


def _unit(name: str, inches: bool) -> tuple[str, float]:
    for ending, unit in _UNITS.items():
        if name.endswith(ending):
            return (" in", 1 / MM_PER_INCH) if inches and ending == "_mm" else (unit, 1.0)
    return "", 1.0


def _places(sigma: float) -> int:
    if not 0 < sigma < math.inf:
        return 1
    first = math.floor(math.log10(sigma))
    keep_two = sigma / 10**first < 2  # 0.14 keeps its second digit, 0.6 does not
    return min(6, max(0, -first + (1 if keep_two else 0)))
