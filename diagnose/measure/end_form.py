"""Is a severed end clean, half clean or torn, and how surely?"""

from __future__ import annotations

from typing import Any

import numpy as np

from diagnose.knowledge import knowledge
from diagnose.measure.end_shape import End, clean_part
from diagnose.signs import Shares


def _model() -> dict[str, Any]:
    return knowledge("diagnose.measure", "end_form.yaml")


def end_form(end: End, pixel: float) -> Shares:
    """Probabilities of clean, half and torn.

    pixel : one pixel of the picture, in end diameters; a coarse picture roughens every edge. The model and what it
    was fitted on stand in `end_form.yaml`.
    """
    grain = min(pixel, 0.15) * 10
    raggedness = np.log(end.raggedness + 0.005)
    seen = np.array([
        1.0, raggedness, np.log(end.domed_residual + 0.005), np.log(end.longest_fibre + 0.02),
        clean_part(end).share, grain, raggedness * grain,
    ])  # fmt: skip
    model = _model()
    scaled = (seen - model["mean"]) / model["spread"]
    scores = np.array([scaled @ model["weights"]["clean"], scaled @ model["weights"]["half"], 0.0])
    shares = np.exp(scores - scores.max())
    shares /= shares.sum()
    return Shares(dict(zip(("clean", "half", "torn"), shares.tolist(), strict=True)))
