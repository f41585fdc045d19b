"""How strong must the energiser be, how much earth does it need, and what share of deer does a height hold?"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.given import a_number, from_nought

METRES_PER_MILE = 1609.344  # exact
METRES_PER_FOOT = 0.3048  # exact
JOULES_A_MILE = 1.0  # GERRISH counts miles of fence, UME-E miles of live wire
ROD_FEET_A_JOULE = 3.0  # GERRISH
ROD_FEET = 6.0  # GERRISH, MNDNR-E
HALF_JOULE = 0.5  # energisers are sold in steps of about this; common in trade, no source
LEAST_RODS = 3  # MNDNR-E
ROD_SPACING_M = 3.05  # 10 ft: GERRISH, MNDNR-E, RI382, CLOVER; 6 ft: FRORG
DESIGN_V, ALARM_V, FAILED_V = 5000, 4000, 3000  # MNDNR-E, FRORG, HYG-1S
# below overhead lines (IEC-BB): least clearance [m] up to a voltage [kV], greatest height of wires and how far to each side
LINE_CLEAR_M = ((1.0, 3.0), (33.0, 4.0), (math.inf, 8.0))
LINE_TOP_M, LOW_BESIDE_M, HIGH_BESIDE_M = 3.0, 2.0, 15.0
# share of white-tailed deer that did not get over a fence of this height [mm] (VC10)
HELD = ((1500.0, 0.0), (1800.0, 0.14), (2100.0, 0.85), (2400.0, 1.0))


@dataclass(frozen=True)
class Energiser:
    """What drives an electric fence, and its earth.

    Parameters
    ----------
    joules_by_fence, joules_by_wire, joules
        By both published rules, and the one to buy for [J].
    rods, rod_m, rod_spacing_m
        Earth rods: how many, how long and how far apart [rods, m, m].
    volts
        To build for [V].
    """

    joules_by_fence: float
    joules_by_wire: float
    joules: float
    rods: int
    rod_m: float
    rod_spacing_m: float
    volts: int

    def as_json(self) -> dict[str, Any]:
        """As plain values: energy [J], rods and their spacing [m], volts [V]."""
        return {"joules": round(self.joules, 2),
                "by_length_of_fence": {"joules": round(self.joules_by_fence, 2), "source": "GERRISH"},
                "by_live_wire": {"joules": round(self.joules_by_wire, 2), "source": "UME-E"},
                "earth_rods": self.rods, "rod_m": round(self.rod_m, 2), "rod_spacing_m": self.rod_spacing_m,
                "volts": {"build_for": self.volts, "look_for_the_fault": ALARM_V, "failed": FAILED_V}}


def energiser(fence_m: float, live_wires: int, dry: bool = False, volts: float = DESIGN_V) -> Energiser:
    """Energiser and earth for a fence.

    One joule a mile of fence (GERRISH) or of live wire (UME-E), the latter to buy for; 3 ft of earth rod a joule (GERRISH),
    rods of 6 ft, at least three (MNDNR-E), 3 m apart; twice as many on sand and dry ground (more there: MNDNR-E and OSU-DRY,
    the number is our choice).

    Parameters
    ----------
    fence_m
        Length of the fence [m].
    live_wires
        How many, one or more [no unit].
    dry
        Is it sand or dry ground? [no unit]
    volts
        That its animals ask for, where that is more than DESIGN_V [V].

    Raises
    ------
    CannotUse
        For no length or no live wire, or volts below nought.

    References
    ----------
    .. [1] Gerrish, J., common fencing mistakes, Beef magazine, 2004 to 2010s (GERRISH).
    .. [2] University of Maine Cooperative Extension, electric fence design, 2010s (UME-E).
    .. [3] Minnesota Department of Natural Resources, energized fence design, 2000s (MNDNR-E).
    .. [4] Kreager, D., electric fences in drought, Hay and Forage Grower, 2020s (OSU-DRY).
    """
    if not (math.isfinite(fence_m) and fence_m > 0 and math.isfinite(live_wires) and live_wires >= 1):
        raise CannotUse("an electric fence needs a length above zero and at least one live wire")
    by_fence = fence_m / METRES_PER_MILE * JOULES_A_MILE
    by_wire = by_fence * live_wires
    joules = max(HALF_JOULE, math.ceil(by_wire / HALF_JOULE - 1e-9) * HALF_JOULE)
    rods = rods_for(by_wire) * (2 if dry else 1)
    return Energiser(by_fence, by_wire, joules, rods, ROD_FEET * METRES_PER_FOOT, ROD_SPACING_M,
                     max(DESIGN_V, round(from_nought(volts, "The volts"))))


def rods_for(joules: float) -> int:
    """Earth rods of 6 ft for this energiser (GERRISH: 3 ft a joule; MNDNR-E: three at least).

    Parameters
    ----------
    joules
        Output of the energiser [J].

    Raises
    ------
    CannotUse
        For an output below nought.

    References
    ----------
    .. [1] Gerrish, J., common fencing mistakes, Beef magazine, 2004 to 2010s (GERRISH).
    .. [2] Minnesota Department of Natural Resources, energized fence design, 2000s (MNDNR-E).
    """
    return max(LEAST_RODS, math.ceil(from_nought(joules, "The energiser's joules") * ROD_FEET_A_JOULE / ROD_FEET - 1e-9))


def held_share(height_mm: float) -> float:
    """Share of white-tailed deer that a physical fence held, straight between the trial's heights.

    Parameters
    ----------
    height_mm
        Of the fence [mm].

    Returns
    -------
    float
        0 up to the trial's lowest height, 1 from its highest on [share].

    References
    ----------
    .. [1] VerCauteren et al. 2010, J. Wildl. Manage. 74:1378 (VC10). A trial with motivated deer in pens.
    """
    if a_number(height_mm, "The height") <= HELD[0][0]:
        return 0.0
    for (low, share_low), (high, share_high) in itertools.pairwise(HELD):
        if height_mm <= high:
            return share_low + (share_high - share_low) * (height_mm - low) / (high - low)
    return 1.0


def clear_of_lines(kilovolts: float, live: bool = True) -> str:
    """How a fence keeps clear of an overhead line, in words.

    Parameters
    ----------
    kilovolts
        The line's voltage [kV].
    live
        Whether the fence is electrified [no unit].

    Raises
    ------
    CannotUse
        For a voltage below nought.

    References
    ----------
    .. [1] IEC 60335-2-76, annex BB, as reprinted in energiser manuals (IEC-BB).

    Examples
    --------
    >>> "4 m" in clear_of_lines(20)
    True
    """
    from_nought(kilovolts, "The voltage")
    clear = next(metres for limit, metres in LINE_CLEAR_M if kilovolts <= limit)
    beside = LOW_BESIDE_M if kilovolts <= 1 else HIGH_BESIDE_M
    ask = ("Ask the line's owner before you build there; keep long rods, posts and wire low beneath it, and raise and drive "
           "nothing tall there.")
    if not live:
        return f"Overhead line of {kilovolts:g} kV: {ask}"
    return (f"Overhead line of {kilovolts:g} kV: cross it as nearly at right angles as can be and only beneath it; every "
            f"wire at least {clear:g} m clear of it, and no wire higher than {LINE_TOP_M:g} m for at least {beside:g} m to "
            f"either side of its outermost conductor (IEC-BB). {ask}")
