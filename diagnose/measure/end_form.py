"""Is a severed end clean, half clean or torn, and how surely?

A clean face leaves a straight or half-round outline, smooth pale wood and an even rim of bark; a torn one splinters,
streaks of wood and bark that went along. A half end shows the one on one side and the other on the other, so both
halves of the width are looked at on their own, the quieter and the wilder.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from diagnose.knowledge import knowledge
from diagnose.measure.end_shape import End, clean_part, flat_face
from diagnose.signs import Shares

FORMS = ("clean", "half", "torn")
Look = Callable[[np.ndarray], np.ndarray]  # (n, 2) points of the end's own frame -> (n, 3) linear light there
ACROSS = np.linspace(-0.42, 0.42, 29)  # places that the face is looked at [diameters]
BEHIND = np.linspace(0.03, 1.53, 51)  # behind the outline
BARK = np.linspace(1.2, 3.0, 25)  # behind the lowest lip, where bark is whole
PALE = 0.35  # logarithm of light over the bark's, from which a place counts as bare wood


def _model() -> dict[str, Any]:
    return knowledge("diagnose.measure", "end_form.yaml")


def end_form(end: End, pixel: float, look: Look) -> Shares:
    """Probabilities of clean, half and torn.

    pixel : one pixel of the picture, in end diameters; a coarse picture roughens every edge. The model and what it
    was fitted on stand in `end_form.yaml`.
    """
    model = _model()
    seen = features(end, pixel, look)
    scaled = np.clip((np.array([seen[name] for name in model["features"]]) - model["mean"]) / model["spread"], -4, 4)
    scores = np.array([model["intercept"][form] + scaled @ model["weights"][form] for form in FORMS[:2]] + [0.0])
    shares = np.exp(scores - scores.max())
    shares /= shares.sum()
    return Shares(dict(zip(FORMS, shares.tolist(), strict=True)))


def features(end: End, pixel: float, look: Look) -> dict[str, float]:
    """All that the model may weigh, by name; lengths in diameters, most of them as logarithms."""
    return outline_features(end, pixel) | _face_features(end, look)


def outline_features(end: End, pixel: float) -> dict[str, float]:
    """What the outline alone says."""
    grain = min(pixel, 0.15) * 10
    raggedness = float(np.log(end.raggedness + 0.005))
    stray, back_and_forth, fringe = [], [], []
    for side in (-1, 1):
        own = (side * end.y > 0) & (np.abs(end.y) <= 0.47)
        stray.append(_stray(flat_face(end.y)[own], end.x[own]))
        steps = np.diff(end.x[own])
        back_and_forth.append(float(np.abs(steps).sum() - abs(steps.sum())))
        fringe.append(float((end.reach - end.x)[own].mean()))
    return {
        "raggedness": raggedness,
        "domed_residual": float(np.log(end.domed_residual + 0.005)),
        "longest_fibre": float(np.log(end.longest_fibre + 0.02)),
        "straight_share": clean_part(end).share,
        "steepness": min(abs(end.slope), 3.0),
        "pixel": grain,
        "raggedness_by_pixel": raggedness * grain,
        **_quiet_and_wild("stray", stray, 0.004),
        **_quiet_and_wild("back_and_forth", back_and_forth, 0.02),
        **_quiet_and_wild("fringe", fringe, 0.004),
    }


def _face_features(end: End, look: Look) -> dict[str, float]:
    """What the wood and the bark behind the outline say."""
    outline = np.interp(ACROSS, end.y, end.x)
    x = np.concatenate([outline[:, None] - BEHIND, np.broadcast_to(end.lip - BARK, (len(ACROSS), len(BARK)))], axis=1)
    light = look(np.stack([x.ravel(), np.repeat(ACROSS, x.shape[1])], axis=1)).reshape(*x.shape, 3)
    tone = np.log(light + 0.01).mean(axis=2)
    pale = tone[:, : len(BEHIND)] - np.median(tone[:, len(BEHIND) :], axis=1, keepdims=True)
    wood = pale > PALE
    rim = outline - wood.mean(axis=1) * np.ptp(BEHIND)  # where bark begins
    middle = len(ACROSS) // 2
    halves = (slice(0, middle + 1), slice(middle, None))
    face = pale[:, BEHIND < 0.35]
    near = pale[:, BEHIND < 0.5]
    dark = (near < 0.1).mean(axis=1)
    across, along = np.diff(near, axis=0), np.diff(near, axis=1)
    return {
        "wood_near": float(wood[:, BEHIND < 0.3].mean()),
        "wood_farther": float(wood[:, (BEHIND > 0.3) & (BEHIND < 0.8)].mean()),
        "wood_far": float(wood[:, BEHIND > 0.8].mean()),
        "rim_stray": float(np.log(_stray(flat_face(ACROSS), rim) + 0.01)),
        **_quiet_and_wild("rim", [_stray(flat_face(ACROSS[half]), rim[half]) for half in halves], 0.01),
        **_quiet_and_wild("mottle", [float(np.sqrt((np.diff(face[half], axis=0) ** 2).mean())) for half in halves], 0.02),
        "streaks": float(np.log((across**2).mean() + 0.003) - np.log((along**2).mean() + 0.003)),
        "dark": float(dark.mean()),
        "dark_on_one_side": float(abs(dark[:middle].mean() - dark[middle + 1 :].mean())),
    }


def _stray(basis: np.ndarray, values: np.ndarray) -> float:
    """RMS distance of values from their least-squares fit."""
    return float(np.sqrt(((values - basis @ np.linalg.lstsq(basis, values, rcond=None)[0]) ** 2).mean()))


def _quiet_and_wild(name: str, halves: list[float], floor: float) -> dict[str, float]:
    return {f"{name}_quiet": float(np.log(min(halves) + floor)), f"{name}_wild": float(np.log(max(halves) + floor))}
