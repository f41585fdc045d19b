"""How steeply was a clean end cut, whichever way the twig lies?

A flat face across a round stem shows as a slanting line that bulges by half an ellipse. With m = tan(true) cos(roll) the
slope seen and k = tan(true) sin(roll) the bulge, tan(true) is the root of m^2 + k^2. Two things stand between: a stem that
runs towards the camera bulges by itself (`shear`), and only pale wood tells whether the face looks at the camera or away.
Where it does, it is an ellipse k diameters long along the axis, which reads k more surely than the outline's bend.
"""

from __future__ import annotations

import numpy as np

from diagnose.signs import Bounded, Measured

TOO_WIDE = 9.0  # a standard uncertainty beyond which an interval says more than a value [degree]
PALE = 0.35  # by which a wood face outshines bark, as logarithm of a ratio: half-way in 400 simulated pictures
NOT_ROUND = 0.12  # spread of the bulge, relative, by sections that are no circles; ours: a hundredth or two of the diameter
FACE_GROWS = (0.01, 0.7)  # by which the pale face looks longer: fixed, and in pixels of blur; from 76 simulated pictures
FACE_SPREAD = (0.015, 0.4, 0.04)  # of its length: fixed, in pixels, and relative; from the same pictures, in diameters
WIDER, BESIDES = 1.3, 1.5  # of the model's own spread, and besides [degree]: from 17 rendered calibration pictures
PALE_SPREAD = 0.12  # of that difference where the face is four pixels wide or more; from the same pictures


def true_slope(
    slope: float, slope_sigma: float, bulge: float, pixel: float, tone: float, shear: float,
    face: tuple[float, float] | None = None,
) -> Measured | Bounded:  # fmt: skip
    """The true slope of a clean end [degree]; an interval where it cannot be told to 9 degrees.

    Every roll is taken as equally likely beforehand, and every true slope.

    Parameters
    ----------
    slope, slope_sigma, bulge, pixel
        As seen, with its standard uncertainty [degree]; height of the outline's half ellipse [radii of the stem]; one
        pixel of the picture [diameters of the stem].
    tone, shear
        By how much the strip inside the end is lighter than bark, as logarithm of a ratio [nat]; how far a point one unit
        nearer the camera appears along the axis [no unit].
    face
        Length of the pale face along the axis, and the spread of its readings; None where it was not seen [diameters].

    References
    ----------
    .. [1] Our own.
    """
    # spread of the bulge by size of a pixel: 68th percentile of the errors in 400 simulated pictures
    bend = max(bulge, 0.0), float(np.hypot(0.018 + min(30.0 * pixel**2, 0.4), NOT_ROUND * max(bulge, 0.0)))
    length = bend
    if face is not None and tone > PALE:  # a thin pale rim is no face
        long = max(face[0] - FACE_GROWS[0] - FACE_GROWS[1] * pixel, 0.0)
        spread = np.array([FACE_SPREAD[0], FACE_SPREAD[1] * pixel, FACE_SPREAD[2] * long, face[1]])
        length = long, float(np.linalg.norm(spread))
    certainty = float(np.clip((length[0] / pixel - 1.0) / 3.0, 0.0, 1.0))  # a narrow strip tells nothing
    seen = 1.0 / (1.0 + float(np.exp(-certainty * (tone - PALE) / PALE_SPREAD)))  # chance that the face looks at the camera
    steps = np.linspace(-2.5, 2.5, 11)
    m = np.tan(np.radians(slope)) + np.tan(np.radians(max(slope_sigma, 0.3))) * steps
    tangents, weights = [], []
    for sign, chance, (k_best, k_spread) in ((-1, seen, length), (1, 1 - seen, bend)):
        k = np.linspace(max(0.0, k_best - 3 * k_spread), k_best + 3 * k_spread, 41)
        tangent = np.hypot(m[:, None], sign * k[None, :] - shear)
        # even odds in slope and roll, turned into odds in (m, k)
        evenly = 1.0 / ((tangent + 0.05) * (1 + tangent**2))
        weight = evenly * np.exp(-0.5 * steps**2)[:, None] * np.exp(-0.5 * ((k - k_best) / k_spread) ** 2)
        tangents.append(tangent.ravel())
        weights.append(chance * weight.ravel())
    angle, weight = np.degrees(np.arctan(np.concatenate(tangents))), np.concatenate(weights)
    weight /= weight.sum()
    value = float(angle @ weight)
    sigma = float(np.sqrt(((angle - value) ** 2) @ weight))
    if sigma <= TOO_WIDE:
        return Measured(value, float(np.hypot(WIDER * sigma, BESIDES)))
    return Bounded(*np.quantile(angle, (0.025, 0.975), weights=weight, method="inverted_cdf").tolist())
