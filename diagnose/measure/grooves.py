"""How far apart do parallel tooth grooves lie in a flat patch of bare wood, and which way do they run?"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import fft

from diagnose.measure.smooth import smoothed

SPACINGS = (0.5, 9.0)  # of tooth grooves that are looked for [mm]
FINEST = 1.5 / SPACINGS[0]  # frequency beyond which nothing is looked at [1/mm]
RING = 0.04  # logarithm of the ratio of neighbouring frequencies
EVEN, UNEVEN = 0.62, 0.9  # regularity below which grooves are uneven, and what that adds to sigma; calibration renderings
LEAST_GROOVES = 3.0  # across the run, for a spacing to mean anything


@dataclass(frozen=True)
class Grooves:
    """Parallel grooves.

    Parameters
    ----------
    spacing_mm, spacing_sigma
        Mean centre to centre, across their run, with its standard uncertainty [mm].
    direction_deg, direction_sigma
        Of the grooves to the upward direction, positive counterclockwise as seen, above -90 to 90, with its standard
        uncertainty [degree].
    regularity
        Height of the autocorrelation at one spacing, 0 to 1 [no unit].
    contrast, sharpness
        How many times the power of other directions it has, and of other periods [no unit].
    """

    spacing_mm: float
    spacing_sigma: float
    direction_deg: float
    direction_sigma: float
    regularity: float
    contrast: float
    sharpness: float


def flattened(light: np.ndarray, there: np.ndarray, step: float, scale_mm: float = 3.0) -> np.ndarray:
    """Brightness (h, w) without its slow changes, zero where not `there`; in units of its local spread.

    Parameters
    ----------
    light
        (h, w) brightness, in any unit.
    there
        (h, w) bool, where it counts [no unit].
    step
        Side of a cell [mm].
    scale_mm
        Standard deviation of the blur that tells what is slow [mm].

    Returns
    -------
    numpy.ndarray, shape (h, w)
        -3 to 3, no unit.
    """
    weight = there.astype(np.float32)
    sigma = scale_mm / step
    light = np.where(there, light, 0).astype(np.float32)

    total = np.maximum(smoothed(weight, sigma), 1e-3)
    rest = (light - smoothed(light * weight, sigma) / total) * weight
    spread = np.sqrt(smoothed(rest**2, sigma) / total) + 0.02
    return np.clip(rest / spread, -3, 3) * weight


def find_grooves(light: np.ndarray, there: np.ndarray, step: float) -> Grooves | None:
    """Grooves in an unrolled patch; None where no direction stands out or nothing repeats.

    The direction is where the whitened power spectrum has its most; the spacing is the first peak of the autocorrelation
    across it, which is the mean distance of neighbours whatever the grooves' profile and however their places wander.

    Parameters
    ----------
    light
        (h, w) natural logarithm of light, rows upwards first, square cells [nat].
    there
        (h, w) bool, bare wood that is well seen [no unit].
    step
        Side of a cell [mm].

    References
    ----------
    .. [1] Our own.
    """
    if there.sum() * step**2 < 12:
        return None
    flat = flattened(light, there, step)
    room = int(2.2 * SPACINGS[1] / step)  # lags are looked at no farther, so that they never wrap round
    size = (cv2.getOptimalDFTSize(flat.shape[0] + room), cv2.getOptimalDFTSize(flat.shape[1] + room))
    soft = cv2.GaussianBlur(cv2.erode(there.astype(np.float32), np.ones((3, 3))), (0, 0), 0.5 / step) * there
    spectrum = np.abs(fft.rfft2(flat * soft, size)) ** 2
    half = tuple(cv2.getOptimalDFTSize((side + room) // 2 + 1) for side in flat.shape)
    few = cv2.resize(soft, (-(-soft.shape[1] // 2), -(-soft.shape[0] // 2)), interpolation=cv2.INTER_AREA)
    overlap = fft.fftshift(fft.irfft2(np.abs(fft.rfft2(few, half)) ** 2, half))  # it is smooth: of every second lag
    best: Grooves | None = None
    strongest = 0.0
    spectrum, polar = _coarse_part(spectrum, size, step)
    y, x = (each[:: max(1, len(each) // 20_000)] * step for each in np.nonzero(there))
    for wave, wide in _directions(spectrum, polar, step):
        run = _run(y, x, wave)
        coarse = _spectral_peak(spectrum, polar, step, wave, run / LEAST_GROOVES)
        if coarse is None:
            continue
        period, power, contrast, sharp = coarse
        if power * sharp < strongest:  # wood's grain has one direction too, but every period
            continue
        lags, profile = _across(_passed(spectrum, size, polar, wave, period), overlap, step, wave)
        repeat = _repeat_near(lags, profile, period)
        if repeat is None:
            continue
        spacing, height = repeat
        strongest = power * sharp
        best = Grooves(
            spacing_mm=spacing,
            spacing_sigma=spacing * _relative_sigma(spacing, run, height),
            direction_deg=90.0 - (90.0 - wave) % 180,  # grooves are square to the wave; counted from upwards
            direction_sigma=float(np.hypot(1.0, wide / 3)),
            regularity=float(np.clip(height, 0, 1)),
            contrast=contrast,
            sharpness=sharp,
        )
    return best


def _relative_sigma(spacing: float, run: float, regularity: float) -> float:
    """Of the mean spacing: fewer grooves, and uneven ones, whose commonest spacing is not their mean, tell less."""
    uneven = UNEVEN * max(0.0, EVEN - regularity)
    return float(np.sqrt(0.025**2 + 0.11**2 * spacing / run + uneven**2))


def _run(y: np.ndarray, x: np.ndarray, direction: float) -> float:
    """How far places, (n,) each, reach along a direction [degree], their outermost hundredths left out."""
    place = x * np.cos(np.radians(direction)) - y * np.sin(np.radians(direction))
    return float(np.subtract(*np.quantile(place, (0.99, 0.01))))


Polar = tuple[np.ndarray, np.ndarray]  # frequency [1/mm] and direction [degree] of every place of a spectrum


def _directions(spectrum: np.ndarray, polar: Polar, step: float) -> list[tuple[float, float]]:
    """Directions of the wave vector, strongest first: (degree from the row, counterclockwise, and its width).

    Power times frequency is collected in each direction, since a surface's texture falls off with frequency.
    """
    length, angle = polar
    band = (length > 1 / SPACINGS[1]) & (length < min(1 / SPACINGS[0], 0.35 / step))
    angle = angle[band] % 180
    power = np.bincount(angle.astype(int), weights=(spectrum * length)[band], minlength=180)
    count = np.bincount(angle.astype(int), minlength=180)
    density = power / np.maximum(count, 1)
    kernel = np.exp(-0.5 * (np.arange(-12, 13) / 4.0) ** 2)
    smooth = np.convolve(np.r_[density[-12:], density, density[:12]], kernel / kernel.sum(), "valid")
    floor = float(np.median(smooth)) + 1e-12
    found = []
    for k in np.flatnonzero((smooth >= np.roll(smooth, 1)) & (smooth > np.roll(smooth, -1))):
        around = np.arange(k - 10, k + 11)
        weight = np.clip(density[around % 180] - floor, 0, None)
        if weight.sum() <= 0:
            continue
        middle = float((weight * (around + 0.5)).sum() / weight.sum())
        wide = float(np.sqrt((weight * (around + 0.5 - middle) ** 2).sum() / weight.sum()))
        found.append((float(smooth[k]), middle, wide))
    return [one[1:] for one in sorted(found, reverse=True)[:3]]


def _spectral_peak(
    spectrum: np.ndarray, polar: Polar, step: float, wave: float, longest: float
) -> tuple[float, float, float, float] | None:
    """The strongest period along a direction [mm], its power, and how many times that of other directions and periods.

    Power in a sector about the direction, less that at the same frequency elsewhere, times frequency squared (equal
    weight to each octave), in steps of 4 %.
    """
    length, apart = polar[0], _apart(polar, wave)
    steps = np.arange(np.log(1 / min(SPACINGS[1], longest)), np.log(min(1 / SPACINGS[0], 0.4 / step)), RING)
    kernel = np.exp(-0.5 * (np.arange(-5, 6) / 2.0) ** 2)
    if len(steps) <= len(kernel):
        return None
    edges = np.exp(steps)
    ring = ((np.log(np.maximum(length, 1e-9)) - np.float32(steps[0])) / RING + 1).clip(0, len(steps)).astype(np.int32)
    on, off = apart < 7, apart > 25

    def mean_power(where: np.ndarray) -> np.ndarray:
        own = ring[where]
        total = np.bincount(own, weights=spectrum[where], minlength=len(edges) + 1)
        count = np.bincount(own, minlength=len(edges) + 1)
        return (total / np.maximum(count, 1))[1:-1]

    middle = np.sqrt(edges[1:] * edges[:-1])
    along, other = (np.convolve(mean_power(where) * middle**2, kernel, "same") for where in (on, off))
    excess = along - other
    peak = (excess[1:-1] >= excess[:-2]) & (excess[1:-1] > excess[2:])
    if not peak.any() or excess.max() <= 0:
        return None
    k = 1 + int(np.argmax(np.where(peak, excess[1:-1], -np.inf)))
    sharp = float(along[k] / max(np.median(along), 1e-12))
    return float(1 / middle[k]), float(excess[k]), float(along[k] / max(other[k], 1e-12)), sharp


def _apart(polar: Polar, wave: float) -> np.ndarray:
    """Angle from a direction [degree], 0 to 90, of every place of a spectrum."""
    turn = polar[1] - np.float32(wave)
    return np.abs(turn - 180 * np.rint(turn / 180))


def _coarse_part(spectrum: np.ndarray, size: tuple[int, int], step: float) -> tuple[np.ndarray, Polar]:
    """The half of a spectrum that says it all, without what is finer than grooves; frequency and direction of every place.

    Rows that are left out lie in its middle, columns at its end.
    """
    across, up = fft.rfftfreq(size[1], step), -fft.fftfreq(size[0], step)
    near, columns = np.abs(up) < FINEST, int(np.searchsorted(across, FINEST))
    x, y = np.meshgrid(across[:columns].astype(np.float32), up[near].astype(np.float32))
    length, angle = cv2.cartToPolar(x, y, angleInDegrees=True)  # to a third of a degree
    return spectrum[near, :columns], (length, angle)


def _passed(spectrum: np.ndarray, size: tuple[int, int], polar: Polar, wave: float, period: float) -> np.ndarray:
    """Autocorrelation of what repeats about so often along a direction, zero lag in the middle."""
    length, apart = polar[0], _apart(polar, wave)
    octaves = np.log2(np.maximum(length, 1e-9) * period)
    gain = np.exp(-0.5 * (octaves / 0.45) ** 2 - 0.5 * (apart / 12) ** 2)
    upper = (len(spectrum) + 1) // 2  # rows before those that were left out
    whole = np.zeros((size[0], size[1] // 2 + 1), np.float32)
    whole[:upper, : spectrum.shape[1]] = spectrum[:upper] * gain[:upper]
    whole[upper - len(spectrum) :, : spectrum.shape[1]] = spectrum[upper:] * gain[upper:]
    return np.asarray(fft.fftshift(fft.irfft2(whole, size)))


def _across(
    correlation: np.ndarray, overlap: np.ndarray, step: float, direction: float
) -> tuple[np.ndarray, np.ndarray]:
    """Autocorrelation at lags [mm] along a direction, averaged over a millimetre or two to its sides; 1 at zero.

    overlap : of the patch with itself, at every second lag, zero in the middle too.
    """
    lags = np.arange(0, 2 * SPACINGS[1], step)
    aside = np.arange(-1.0, 1.01, step)
    angle = np.radians(direction)
    x = lags[:, None] * np.cos(angle) - aside * np.sin(angle)
    y = lags[:, None] * np.sin(angle) + aside * np.cos(angle)
    at = np.stack([x, -y], axis=2) / step
    top, weight = (
        cv2.remap(each, (at / every + np.array(each.shape[::-1]) // 2).astype(np.float32), None, cv2.INTER_LINEAR)
        for each, every in ((correlation.astype(np.float32), 1), (overlap.astype(np.float32), 2))
    )
    enough = weight > 0.08 * overlap.max()
    profile = (top * enough).sum(axis=1) / np.maximum((weight * enough).sum(axis=1), 1e-6)
    known = enough.mean(axis=1) > 0.5
    last = len(lags) if known.all() else int(np.argmin(known))
    profile = cv2.GaussianBlur(profile[:last].astype(np.float64).reshape(1, -1), (0, 0), 1.0).ravel()
    return lags[:last], profile / max(profile[0], 1e-9) if last else profile


def _repeat_near(lags: np.ndarray, profile: np.ndarray, period: float) -> tuple[float, float] | None:
    """The autocorrelation's peak nearest a period: (lag [mm], height)."""
    inner = np.arange(1, len(lags) - 1)
    peak = inner[(profile[inner] >= profile[inner - 1]) & (profile[inner] > profile[inner + 1])]
    peak = peak[np.abs(np.log(lags[peak] / period)) < 0.35]
    if not len(peak):
        return None
    k = int(peak[np.argmax(profile[peak])])
    before, here, after = profile[k - 1 : k + 2]
    fine = 0.5 * (before - after) / (before - 2 * here + after)
    return float(lags[k] + fine * (lags[1] - lags[0])), float(here)
