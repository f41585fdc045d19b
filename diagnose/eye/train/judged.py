"""How well do the networks see pieces that they did not learn from?"""

from __future__ import annotations

from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

from diagnose.eye import pieces
from diagnose.eye.pieces import FORMS
from diagnose.eye.train import nets
from diagnose.eye.train.fit import BARK, CLASSES, WOOD, Pack, told_of


def _seen(
    layers: list[nets.Layer], params: nets.Params, seen_by: np.ndarray, corner: tuple[int, int], size: tuple[int, int]
) -> dict[str, np.ndarray]:
    run = jax.jit(lambda x: nets.forward(layers, params, x)[0])
    out: dict[str, list[np.ndarray]] = {}
    for k in range(0, len(seen_by), 32):
        x = seen_by[k : k + 32, corner[0] : corner[0] + size[0], corner[1] : corner[1] + size[1]]
        if len(x) < 32:
            x = np.concatenate([x, np.zeros((32 - len(x), *x.shape[1:]), x.dtype)])
        seen = run(jnp.asarray(x, jnp.float32) / 255)
        for name in ("map", "told"):
            if name in seen:
                out.setdefault(name, []).append(np.asarray(seen[name])[: len(seen_by) - k])
    return {name: np.concatenate(parts) for name, parts in out.items()}


def _overlap(scores: np.ndarray, labels: np.ndarray, stride: int) -> np.ndarray:
    """Intersection over union of the stem in each piece that has one."""
    best = scores[..., : len(CLASSES)].argmax(-1)
    found = (best == BARK) | (best == WOOD)
    cells = labels[:, stride // 2 :: stride, stride // 2 :: stride]
    true = (cells == BARK) | (cells == WOOD)
    known = cells != 255
    both, either = (found & true & known).sum((1, 2)), ((found | true) & known).sum((1, 2))
    return both[true.sum((1, 2)) > 8] / np.maximum(either[true.sum((1, 2)) > 8], 1)


def finder(layers: list[nets.Layer], params: nets.Params, data: Pack) -> dict[str, Any]:
    """Figures of how well the finder sees pieces: overlap of the stem, places and turns of ends, scores.

    Parameters
    ----------
    layers
        Of the network [no unit].
    params
        Its weights [no unit].
    data
        Pieces by name, as `samples.packed` gives them [no unit].
    """
    size, wide = pieces.FINDER_SIZE, data["wide"].shape[1:3]
    corner = ((wide[0] - size[0]) // 2, (wide[1] - size[1]) // 2)
    out = _seen(layers, params, data["wide"], corner, size)["map"]
    labels = data["wide_labels"][:, corner[0] : corner[0] + size[0], corner[1] : corner[1] + size[1]]
    overlap = _overlap(out, labels, pieces.FINDER_STRIDE)
    ends = data["wide_ends"] - np.array([corner[1], corner[0], 0, 0, 0], np.float32)
    hits, turns, tops, tops_none = [], [], [], []
    for one, own, known in zip(out, ends, data["wide_known"], strict=True):
        score = 1 / (1 + np.exp(-one[..., len(CLASSES)]))
        row, column = np.unravel_index(int(score.argmax()), score.shape)
        inside = [e for e in own if np.isfinite(e[0]) and 8 < e[0] < size[1] - 8 and 8 < e[1] < size[0] - 8]
        if not inside:
            if known:
                tops_none.append(score.max())
            continue
        place = (np.array([column, row]) + 0.5) * pieces.FINDER_STRIDE - 0.5
        near = min(inside, key=lambda e: float(np.hypot(*(e[:2] - place))))
        hits.append(np.hypot(*(near[:2] - place)) / max(near[4], 8))
        tops.append(score.max())
        way = one[row, column, len(CLASSES) + 1 : len(CLASSES) + 3]
        turns.append(np.degrees(np.arccos(np.clip(way @ near[2:4] / (np.linalg.norm(way) + 1e-6), -1, 1))))
    quantile = lambda values, q: float(np.quantile(values, q)) if len(values) else None  # noqa: E731
    return {
        "n": len(out), "stem_iou_median": quantile(overlap, 0.5), "stem_iou_10th": quantile(overlap, 0.1),
        "ends": len(hits), "end_within_one_width": float(np.mean(np.array(hits) < 1)) if hits else None,
        "turn_median_deg": quantile(turns, 0.5), "turn_90th_deg": quantile(turns, 0.9),
        "score_10th_of_ends": quantile(tops, 0.1), "none": len(tops_none), "score_90th_of_none": quantile(tops_none, 0.9),
    }  # fmt: skip


def close(layers: list[nets.Layer], params: nets.Params, data: Pack) -> tuple[dict[str, Any], np.ndarray]:
    """Figures, and what the network told of each piece (n, told).

    Parameters
    ----------
    layers, params, data
        As for `finder` [no unit].
    """
    size, near = pieces.CLOSE_SIZE, data["near"].shape[1:3]
    corner = ((near[0] - size[0]) // 2, (near[1] - size[1]) // 2)
    seen = _seen(layers, params, data["near"], corner, size)
    labels = data["near_labels"][:, corner[0] : corner[0] + size[0], corner[1] : corner[1] + size[1]]
    form, is_end, out = data["near_form"], data["near_is_end"], seen["told"]
    named = form >= 0
    overlap = _overlap(seen["map"][is_end == 1], labels[is_end == 1], pieces.CLOSE_STRIDE)
    shares = np.exp(out[:, :3] - out[:, :3].max(1, keepdims=True))
    shares /= shares.sum(1, keepdims=True)
    chance = 1 / (1 + np.exp(-out[:, 3]))
    there = is_end == 1
    matrix = np.broadcast_to(np.array([[1, 0, corner[1]], [0, 1, corner[0]]], np.float32), (int(there.sum()), 2, 3))
    off = np.abs(out[there, 4:8] - np.asarray(told_of(jnp.asarray(data["near_end"][there]), jnp.asarray(matrix))))
    result: dict[str, Any] = {
        "n": len(out), "stem_iou_median": float(np.median(overlap)), "stem_iou_10th": float(np.quantile(overlap, 0.1)),
        "end_called_none": float(np.mean(chance[there] < 0.5)), "none_called_end": float(np.mean(chance[is_end == 0] > 0.5)),
        "place_median_widths": float(np.median(off[:, :2])), "width_median": float(np.median(off[:, 3])),
        "form_right": float(np.mean(shares[named].argmax(1) == form[named])),
    }  # fmt: skip
    sloped = np.isfinite(data["near_slope"]) & (form == FORMS.index("clean"))
    if sloped.any():
        wrong = np.degrees(np.abs(out[sloped, 8] - data["near_slope"][sloped]))
        result["clean_slope_wrong_deg"] = [float(np.quantile(wrong, q)) for q in (0.5, 0.9)]
        spread = np.degrees(np.exp(out[sloped, 9]))
        result["clean_slope_within_one_spread"] = float(np.mean(wrong < spread))  # of a Laplace distribution 63 %
    for k, name in enumerate(FORMS):
        own = form == k
        if own.any():
            result[f"{name}_named"] = [float(np.mean(shares[own].argmax(1) == j)) for j in range(3)]
            result[f"{name}_surely_wrong"] = float(np.mean((shares[own].max(1) >= 0.8) & (shares[own].argmax(1) != k)))
    return result, out
