"""How steeply was a clean end cut, whichever way the twig lies?

A flat face across a round stem shows as a slanting line that bulges by half an ellipse. With m = tan(true) cos(roll)
the slope seen and k = tan(true) sin(roll) the bulge, tan(true) is the root of m^2 + k^2. Two things stand between: a
stem that runs towards the camera bulges by itself (`shear`), and the bulge is the same whether the face looks at the
camera or away, which only its pale wood can tell.
"""

from __future__ import annotations

import numpy as np

from diagnose.signs import Bounded, Measured

TOO_WIDE = 9.0  # a standard uncertainty beyond which an interval says more than a value [degree]
PALE = 0.35  # by which a wood face outshines bark, as logarithm of a ratio: half-way in 400 simulated pictures
PALE_SPREAD = 0.12  # of that difference where the face is four pixels wide or more; from the same pictures


def true_slope(
    slope: float, slope_sigma: float, bulge: float, pixel: float, tone: float, shear: float
) -> Measured | Bounded:
    """The true slope [degree] of a clean end; an interval where it cannot be told to 9 degrees.

    slope : seen, [degree]. bulge : height of the outline's half ellipse, in radii. pixel : one pixel in diameters.
    tone : by how much the strip inside the end is lighter than bark, as logarithm. shear : how far a point
    one unit nearer the camera appears along the axis. Every roll is taken as equally likely beforehand, and every
    true slope.
    """
    bulge = max(bulge, 0.0)
    m = np.tan(np.radians(slope)) + np.tan(np.radians(max(slope_sigma, 0.3))) * np.linspace(-2.5, 2.5, 11)
    # spread of the bulge by size of a pixel: 68th percentile of the errors in 400 simulated pictures
    spread = 0.018 + min(30.0 * pixel**2, 0.4)
    k = np.linspace(max(0.0, bulge - 3 * spread), bulge + 3 * spread, 41)
    seen = _chance_that_face_is_seen(tone, bulge / pixel)
    m_weight, k_weight = np.exp(-0.5 * np.linspace(-2.5, 2.5, 11) ** 2), np.exp(-0.5 * ((k - bulge) / spread) ** 2)
    tangents, weights = [], []
    for sign, chance in ((-1, seen), (1, 1 - seen)):
        tangent = np.hypot(m[:, None], sign * k[None, :] - shear)
        # even odds in slope and roll, turned into odds in (m, k)
        evenly = 1.0 / ((tangent + 0.05) * (1 + tangent**2))
        tangents.append(tangent.ravel())
        weights.append((chance * m_weight[:, None] * k_weight[None, :] * evenly).ravel())
    angle = np.degrees(np.arctan(np.concatenate(tangents)))
    weight = np.concatenate(weights)
    weight /= weight.sum()
    value = float(angle @ weight)
    sigma = float(np.sqrt(((angle - value) ** 2) @ weight))
    if sigma <= TOO_WIDE:
        return Measured(value, float(np.hypot(sigma, 0.5)))
    order = np.argsort(angle)
    low, high = np.interp((0.025, 0.975), np.cumsum(weight[order]), angle[order])
    return Bounded(float(low), float(high))


def _chance_that_face_is_seen(tone: float, width_px: float) -> float:
    """Chance that the strip inside the end is wood that looks at the camera: nothing to tell where it is narrow."""
    certainty = np.clip((width_px - 1.0) / 3.0, 0.0, 1.0)
    return float(1.0 / (1.0 + np.exp(-np.clip(certainty * (tone - PALE) / PALE_SPREAD, -30, 30))))
