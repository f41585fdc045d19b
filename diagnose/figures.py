"""How is a number with its uncertainty written, in millimetres or inches, everywhere the same?"""

from __future__ import annotations

import math
import re
from fractions import Fraction

from diagnose.knowledge import knowledge
from diagnose.signs import Answer, Bounded, Several, Shares, Sign

MM_PER_INCH = 25.4  # exact by definition
SOLD_NEAR = 0.018  # a metric size so near to whole half feet is sold as them; common in trade, no source
NEAR_MARK = 0.02  # so near to a mark, in marks, the mark is as good as the figure; our choice
THIN_INCH = 0.18  # thinner things, such as wire, are written with decimals
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


def length(mm: float, inches: bool = False, bound: str = "") -> str:
    """A length of a barrier [mm] in words: millimetres or metres, or inches and feet as things are sold and rules read.

    Parameters
    ----------
    mm
        The length [mm].
    inches
        Whether in inches and feet [no unit].
    bound
        [no unit] "most" where it is a limit that may not be exceeded, "least" where one that must be reached, else "".

    Examples
    --------
    >>> length(6.35, inches=True)
    '1/4 in'
    >>> length(1200, inches=True, bound="least")
    '4 ft'
    """
    if inches:
        return in_feet(mm, bound)
    return f"{mm / 1000:.2f} m" if mm >= 1000 else f"{mm:.3g} mm"


def in_feet(mm: float, bound: str = "") -> str:
    """A length [mm] on the rule's next mark: sixteenths of an inch below 1 in, quarters below 6, whole inches, then feet.

    Parameters
    ----------
    mm
        The length [mm].
    bound
        "most" where it is a limit that may not be exceeded, "least" where one that must be reached, else "" [no unit].
    """
    openings: dict[float, str] = knowledge("diagnose.protect", "trade.yaml")["openings"]["sizes"]
    if bound == "most" and mm in openings:
        return openings[mm]  # sources give these in inches; the millimetres are theirs, rounded
    size = mm / MM_PER_INCH
    if size < THIN_INCH:
        return f"{size:.3f}".rstrip("0") + " in"
    half_foot = 6 * round(size / 6)
    if bound != "most" and abs(half_foot - size) < SOLD_NEAR * size and half_foot >= 18:
        size = half_foot  # 1.2 m is sold as 4 ft
    parts = 16 if size < 1 else 4 if size < 6 else 1
    marks = size * parts
    near = round(marks)
    if abs(near - marks) > NEAR_MARK:
        near = math.floor(marks + 1e-9) if bound == "most" else math.ceil(marks - 1e-9) if bound == "least" else near
    whole, rest = divmod(near, parts)
    fraction = Fraction(rest, parts)
    if whole >= 36:
        feet, over = divmod(whole, 12)
        return f"{feet} ft" + (f" {over} in" if over else "")
    return " ".join(filter(None, [str(whole) if whole or not rest else "", str(fraction) if rest else ""])) + " in"


def in_inches(text: str) -> str:
    """Words in which every length in mm is written in inches and feet, and every one in metres in feet; other units stand.

    A length after "at most" is rounded down where its mark is not as good as it, one after "at least" up.

    Parameters
    ----------
    text
        The words [no unit].
    """
    def inch(found: re.Match[str]) -> str:
        bound = _bound(text[max(0, found.start() - 24):found.start()])
        if _NUMBER.fullmatch(found["numbers"]):
            return in_feet(float(found["numbers"]), bound)
        told = _NUMBER.sub(lambda one: in_feet(float(one[0]), bound), found["numbers"])
        return told.replace(" in", "", told.count(" in") - 1) if "ft" not in told else told

    def feet(found: re.Match[str]) -> str:
        bound = _bound(text[max(0, found.start() - 24):found.start()])
        return _NUMBER.sub(lambda one: _feet(float(one[0]), bound), found["numbers"]) + " ft"

    return _METRES.sub(feet, _MILLIMETRES.sub(inch, text))


def _bound(before: str) -> str:
    words = before.lower()
    if re.search(r"(at most|no more than|less than|up to|under|higher than)\s*$", words):
        return "most"
    return "least" if re.search(r"(at least|no less than)\s*$", words) else ""


def _feet(metres: float, bound: str = "") -> str:
    """Quarters of a foot below 20 ft, whole feet above; a limit is not passed."""
    feet = metres / 0.3048
    if feet < 1:
        return f"{feet:.2g}"
    parts = 4 if feet < (20 if bound else 10) else 1
    near = round(feet * parts)
    if abs(near - feet * parts) > 0.001 * near:  # 3.05 m is 10 ft as it is written in metres
        near = math.floor(feet * parts) if bound == "most" else math.ceil(feet * parts) if bound == "least" else near
    return f"{near / parts:g}"


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
