"""Is a severed end clean, half clean or torn, and how surely?

A clean face leaves a straight or half-round outline, smooth pale wood and an even rim of bark; a torn one splinters, streaks
and fibres. A half end is both: so first each edge is asked on its own whether it is torn, the rim of bark on the near side
and the outline on the far one, in the middle and to either side. The answers, by their size, tell the form.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from diagnose.knowledge import knowledge
from diagnose.measure.end_shape import MIDDLE, End, flat_face, longest_stretch
from diagnose.signs import Shares

FORMS = ("clean", "half", "torn")
ASKED = ("near_side", "far_side", "near_middle", "far_middle", "any_torn", "all_torn")  # of the first stage
Model = dict[str, dict[str, np.ndarray]]
Look = Callable[[np.ndarray], np.ndarray]  # (n, 2) points of the end's own frame -> (n, 3) linear light there
ACROSS = np.linspace(-0.46, 0.46, 47)  # places that the face is looked at [diameters]
PARTS = {"left": ACROSS < -0.09, "middle": np.abs(ACROSS) < 0.19, "right": ACROSS > 0.09}
PER_PART = 12  # features of each
SURE = np.abs(ACROSS) < 0.425  # nearer to the sides the rim is seen too flatly
FLAT = flat_face(ACROSS)
STEP = 0.03  # [diameters]
BEHIND = STEP * np.arange(1, 52)  # behind the outline
BARK = np.linspace(1.2, 3.0, 25)  # behind the lowest lip, where bark is whole
AHEAD = np.linspace(0.06, 0.8, 12)  # before the outline, where only fibres can be
FAR = np.linspace(1.6, 2.4, 6)  # before its outermost point, where nothing is
PALE = 0.35  # logarithm of light over the bark's, from which a place counts as bare wood
BESIDE = 7  # steps on either side of the rim that must differ
RIM_EDGE = 0.3  # by how much at least


def end_form(end: End, look: Look, plain: bool = True) -> Shares:
    """Probabilities of clean, half and torn; the model and what it was fitted on stand in `end_form.yaml`.

    Parameters
    ----------
    end, look, plain
        As in `features` [no unit].
    """
    shares = form_shares(_model(), features(end, look, plain)[None])[0]
    return Shares(dict(zip(FORMS, shares.tolist(), strict=True)))


@cache
def _model() -> Model:
    """The model's numbers as arrays."""
    return {stage: {name: np.array(list(values.values()) if isinstance(values, dict) else values, float)
                    for name, values in part.items()}
            for stage, part in knowledge("diagnose.measure", "end_form.yaml").items()}  # fmt: skip


def mirrored(seen: np.ndarray) -> np.ndarray:
    """Features, (n, ...), of the same ends seen in a mirror: left and right change places.

    Parameters
    ----------
    seen
        Features of n ends [no unit].
    """
    n = PER_PART
    return np.concatenate([seen[:, 2 * n : 3 * n], seen[:, n : 2 * n], seen[:, :n], seen[:, 3 * n :]], axis=1)


def scaled(values: np.ndarray, stage: dict[str, np.ndarray]) -> np.ndarray:
    """Values by their usual mean and spread; what was not looked at counts as usual.

    Parameters
    ----------
    values, stage
        Features, and a fitted stage with their usual mean and spread [no unit].
    """
    return np.nan_to_num(np.clip((values - stage["mean"]) / stage["spread"], -4, 4))


def answers(stage: dict[str, np.ndarray], seen: np.ndarray) -> np.ndarray:
    """Logits, (n, 8), that an edge is torn, from features (n, ...).

    Near left and right, far left and right, near and far middle; then that any part is torn, and that all is.

    Parameters
    ----------
    stage, seen
        The fitted stage, and features of n ends [no unit].
    """
    one, other = (scaled(values, stage) @ stage["weights"].T + stage["intercept"] for values in (seen, mirrored(seen)))
    middle = (one + other) / 2
    return np.stack([one[:, 0], other[:, 0], one[:, 1], other[:, 1], *middle[:, 2:].T], axis=1)


def told(asked: np.ndarray) -> np.ndarray:
    """What the second stage weighs, (n, 10): six edges' chances by size, least and greatest logit, logits of any and of all.

    Parameters
    ----------
    asked
        Logits, (n, 8), as `answers` gives them [no unit].
    """
    edges = np.sort(asked[:, :6], axis=1)
    return np.concatenate([1 / (1 + np.exp(-edges)), edges[:, [0, -1]], asked[:, 6:]], axis=1)


def form_shares(model: Model, seen: np.ndarray) -> np.ndarray:
    """Probabilities of the forms, (n, 3), from features (n, ...); torn is the reference.

    Parameters
    ----------
    model, seen
        Both fitted stages, name -> array; (n, features) of n ends, as `features` gives them [no unit].
    """
    stage = model["form"]
    scores = scaled(told(answers(model["asked"], seen)), stage) @ stage["weights"].T + stage["intercept"]
    scores = np.column_stack([scores, np.zeros(len(scores))])
    odds = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(odds / odds.sum(axis=1, keepdims=True))


# --- what is seen ----------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class _Face:
    """An end at each place of ACROSS.

    The outermost outline, where bark begins behind it, by how much that differs from the wood, and how far both stray
    from what most of a flat face's edge follows (NaN near the sides); logarithmic tone over the bark's behind the
    outline, the bark's own, and before the end near by and far off.
    """

    outline: np.ndarray
    rim: np.ndarray
    step: float
    off: np.ndarray
    rim_off: np.ndarray
    pale: np.ndarray
    bark: np.ndarray
    ahead: np.ndarray
    far: np.ndarray


def features(end: End, look: Look, plain: bool = True) -> np.ndarray:
    """All that the model weighs, (features,): of the left part, of the middle, of the right, then of the whole end.

    Lengths are in diameters, most of them as logarithms; NaN was not looked at.

    Parameters
    ----------
    end, look, plain
        Its shape [diameters], and what tells the linear light, (n, 3), at points, (n, 2), of its own frame; does it lie
        on plain ground, where fibres show? [no unit]
    """
    face = _face(end, look)
    parts = [_of_part(face, part, plain) for part in PARTS.values()]
    whole = _of_whole(end, face)
    whole["fibres"] = max(part["fibres_near"] for part in parts)
    whole["ground"] = _log(_rms(_dark_lines(face.far.mean(axis=1))), 0.002) if plain else np.nan
    return np.array([value for seen in (*parts, whole) for value in seen.values()], float)


def _face(end: End, look: Look) -> _Face:
    outline = np.interp(ACROSS, end.y, end.x)
    far_off = np.broadcast_to(outline.max() + FAR, (len(ACROSS), len(FAR)))
    whole_bark = np.broadcast_to(end.lip - BARK, (len(ACROSS), len(BARK)))
    x = np.concatenate([outline[:, None] - BEHIND, whole_bark, outline[:, None] + AHEAD, far_off], axis=1)
    light = look(np.stack([x.ravel(), np.repeat(ACROSS, x.shape[1])], axis=1)).reshape(*x.shape, 3)
    logs = np.log(light + 0.01)
    tone = logs.mean(axis=2)
    behind, bark, ahead, far = np.split(tone, np.cumsum([len(BEHIND), len(BARK), len(AHEAD)]), axis=1)
    pale = behind - cv2.blur(np.median(bark, axis=1, keepdims=True), (1, 7))
    on_stem = len(BEHIND) + len(BARK)
    depth, step = _rim(pale, logs[:, :on_stem] - tone[:, :on_stem, None])
    rim = outline - depth
    off, rim_off = (np.full(len(ACROSS), np.nan) for _ in range(2))
    off[SURE], rim_off[SURE] = (_off(FLAT[SURE], edge[SURE]) for edge in (outline, rim))
    return _Face(outline, rim, step, off, rim_off, pale, bark, ahead, far)


def _of_part(face: _Face, part: np.ndarray, plain: bool) -> dict[str, float]:
    """PER_PART features of one part of the width."""
    pale, outline, rim = face.pale[part], face.outline[part], face.rim[part]
    wood, near, streaks = pale > PALE, pale[:, BEHIND < 0.35], face.pale[:, BEHIND < 0.2].mean(axis=1)
    lines = [_dark_lines(face.ahead[:, at : at + 3].mean(axis=1))[part] for at in range(0, len(AHEAD), 3)]
    fibres = [_log(_rms(np.array(own)), 0.004) if plain else np.nan for own in (lines[:2], lines[2:])]
    return {
        "uneven": _log(_stray(FLAT[part], outline), 0.003),
        "rim_uneven": _log(_stray(FLAT[part], rim), 0.01),
        "rim_off": _log(float(np.nanmedian(face.rim_off[part])), 0.01),
        "slope": min(abs(float(np.polyfit(ACROSS[part], outline, 1)[0])), 3.0),
        "wood_near": float(wood[:, BEHIND < 0.3].mean()),
        "wood_farther": float(wood[:, (BEHIND > 0.3) & (BEHIND < 0.8)].mean()),
        "darkest": float(np.percentile(near, 10)),
        "palest": float(np.percentile(near, 90)),
        "mottle": _log(_rms(np.diff(near, axis=0)), 0.02),
        "streaks": _log(_rms((sum(_beside(streaks)) - 2 * streaks)[part]), 0.01),
        "fibres_near": fibres[0],
        "fibres_farther": fibres[1],
    }


def _of_whole(end: End, face: _Face) -> dict[str, float]:
    """What only the whole end tells, fibres apart."""
    y, outline, rim = ACROSS[SURE], face.outline[SURE], face.rim[SURE]
    middle = np.abs(end.y) <= MIDDLE / 2
    one_face = np.concatenate([FLAT[SURE], FLAT[SURE] * (1, 1, -1)])  # a rim slants alike, its half ellipse turned round
    straight, rim_straight, roughly, rim_roughly = (longest_stretch(y, x, tolerance, 3.0)[0] or 0.1
                                                    for tolerance in (0.015, 0.03) for x in (outline, rim))  # fmt: skip
    near = face.pale[:, BEHIND < 0.5]
    across, along = _rms(np.diff(near, axis=0)), _rms(np.diff(near, axis=1))
    return {
        "slope": min(abs(end.slope), 3.0),
        "uneven": _log(float(np.nanpercentile(face.off, 70)), 0.005),
        "uneven_middle": _log(_stray(flat_face(end.y)[middle], end.x[middle]), 0.005),
        "rim_uneven": _log(float(np.nanpercentile(face.rim_off, 70)), 0.01),
        "both_uneven": _log(float(np.percentile(_off(one_face, np.concatenate([outline, rim])), 70)), 0.01),
        "straight": straight,
        "rim_straight": rim_straight,
        "rim_roughly_straight": rim_roughly,
        "one_straight": max(straight, rim_straight),
        "both_roughly_straight": min(roughly, rim_roughly),
        "wood_near": float((face.pale[:, BEHIND < 0.3] > PALE).mean()),
        "wood_spread": _log(float((face.outline - face.rim).std()), 0.02),
        "step": face.step,
        "lengthwise": _log(across**2, 0.003) - _log(along**2, 0.003),
        "bark_mottle": _log(_rms(np.diff(face.bark, axis=0)), 0.02),
    }


def _rim(pale: np.ndarray, hue: np.ndarray) -> tuple[np.ndarray, float]:
    """How far behind the outline bark begins at each place across [diameters], and by how much bark and wood differ.

    pale : (across, behind) tone over the bark's. hue : the same places', then the bark's, colour without tone. The rim
    is where most wood lies before it and most bark behind it; clefts in wood and lichen on bark do not move it.
    """
    n = pale.shape[1]
    strange = np.sqrt(((hue - np.median(hue[:, n:].reshape(-1, 3), axis=0)) ** 2).sum(axis=2))
    unlike = pale + np.clip(strange[:, :n] - np.median(strange[:, n:]), 0, 1)
    level = float(np.clip(0.5 * np.percentile(unlike[SURE][:, BEHIND < 0.2], 80), 0.3, 0.8))
    gain = np.clip(unlike - level, -0.4, 0.4) - np.where(BEHIND > 1.2, 0.1, 0.0)
    summed, total = (np.pad(np.cumsum(values, axis=1), ((0, 0), (1, 0))) for values in (gain, unlike))
    at, row = np.argmax(summed, axis=1), np.arange(len(pale))
    first, last = np.maximum(at - BESIDE, 0), np.minimum(at + BESIDE, n)
    wood = (total[row, at] - total[row, first]) / np.maximum(at - first, 1)
    step = wood - (total[row, last] - total[row, at]) / np.maximum(last - at, 1)
    at[step < RIM_EDGE] = 0
    behind = np.where(at > 0, at + 0.5, 0.0).astype(np.float32) * STEP
    return cv2.medianBlur(behind[:, None], 3)[:, 0].astype(float), float(np.clip(np.median(step), 0, 2))


def _log(value: float, floor: float) -> float:
    return float(np.log(value + floor))


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt((values**2).mean()))


def _stray(basis: np.ndarray, values: np.ndarray) -> float:
    """RMS distance of values from their least-squares fit."""
    return _rms(values - basis @ np.linalg.lstsq(basis, values, rcond=None)[0])


def _off(basis: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Distances of values from a fit that most of them follow and the rest do not move."""
    weight = np.ones(len(values))
    for _ in range(4):
        off = np.abs(values - basis @ np.linalg.lstsq(basis * weight[:, None], values * weight, rcond=None)[0])
        weight = 1 / np.sqrt(off + 0.03)
    return off


def _beside(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What stands two places to either side of each."""
    padded = np.pad(values, 2, mode="edge")
    return padded[:-4], padded[4:]


def _dark_lines(values: np.ndarray) -> np.ndarray:
    """By how much each place is darker than both its sides: of fibres before paper, not of a shadow's edge."""
    return np.clip(np.minimum(*_beside(values)) - values, 0, None)
