"""How does a patch look where something gnawed the bark off a thick stem?"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from diagnose.eye.train.material import Material
from diagnose.eye.train.stems import Layer, Light
from diagnose.eye.train.surfaces import Rng, clouds, wood_grain


def gnawed(rng: Rng, layer: Layer, light: Light, material: Material) -> Layer:
    """The same stem with a patch of its bark gone, down to wood with the grooves of teeth.

    Parameters
    ----------
    rng
        Of the draws [no unit].
    layer
        The stem, with its axis [px].
    light
        From where, and how much from all around [no unit].
    material
        Real textures that may be used [no unit].
    """
    assert layer.axis is not None
    h, w = layer.alpha.shape
    axis = layer.axis - (layer.x, layer.y, 0)
    seen = np.flatnonzero((axis[:, 0] > 0) & (axis[:, 0] < w) & (axis[:, 1] > 0) & (axis[:, 1] < h))
    if not len(seen):
        return layer
    D = 2 * float(axis[:, 2].mean())
    tall = D * float(np.exp(rng.uniform(np.log(0.25), np.log(2.2))))
    wide = float(rng.choice([rng.uniform(0.06, 0.35), rng.uniform(0.3, 0.6), 2.0], p=[0.5, 0.3, 0.2]))
    centre = float(rng.normal(0, 0.2))
    place = axis[rng.choice(seen), :2]
    reach = 1.35 * tall + D
    x0, y0 = (int(max(0, v - reach)) for v in place)
    x1, y1 = (int(min(n, v + reach)) for v, n in zip(place, (w, h), strict=True))
    axis, place, window = axis - (x0, y0, 0), place - (x0, y0), np.s_[y0:y1, x0:x1]
    h, w = y1 - y0, x1 - x0
    if min(h, w) < 4:
        return layer
    way = axis[-1, :2] - axis[0, :2]
    way = way / np.hypot(*way)
    turn = [float(v) for v in way]
    x, y = (np.arange(n, dtype=np.float32) - np.float32(v) for n, v in ((w, axis[0, 0]), (h, axis[0, 1])))
    along = x * turn[0] + (y * turn[1])[:, None]
    aside = -x * turn[1] + (y * turn[0])[:, None]
    at = (axis[:, :2] - axis[0, :2]) @ way
    off = (axis[:, :2] - axis[0, :2]) @ np.array([-way[1], way[0]])
    step = np.arange(int(at[-1]) + 2)
    nearest = np.clip(along, 0, float(at[-1])).astype(np.int32)
    middle, radius = (np.float32(np.interp(step, at, line)).take(nearest) for line in (off, axis[:, 2]))
    v = np.clip((aside - middle) / radius, -1, 1)
    round_it = np.arcsin(v) * np.float32(1 / np.pi)  # half turns, from -0.5 to 0.5
    s0 = float((place - axis[0, :2]) @ way)
    box = rng.uniform(1.6, 5)
    p, q = np.abs(along - s0) / tall, np.abs(round_it - centre) / wide
    inside = 1 - cv2.pow(cv2.pow(p, box) + cv2.pow(q, box), 1 / box)
    ragged = np.float32(rng.choice([0.02, 0.07, 0.18])) * clouds(rng, h, w, (0.5 * D, 0.5 * D), 4, 0.7)
    depth = (inside + ragged) * min(tall, wide * D * 1.5) / 1.0  # about pixels within the rim
    bare = np.clip(depth / 1.2 + 0.5, 0, 1)
    if not (bare > 0.5).any():
        return layer
    rows, columns = 160, int(max(32, min(1200, at[-1])))
    grain = wood_grain(rng, rows, columns, rows, material)
    tone = np.ones_like(along)
    for _ in range(int(rng.choice([0, 1, 1, 2, 3]))):  # strokes of teeth, each lot its own way
        turn = rng.normal(np.pi / 2, 0.5) if rng.random() < 0.6 else rng.uniform(0, np.pi)
        pitch = D * rng.uniform(0.02, 0.14)
        phase = (along * np.cos(turn) + round_it * 1.5 * D * np.sin(turn)) / pitch + 0.25 * clouds(
            rng, h, w, (2 * D, 2 * D), 2
        )
        groove = cv2.pow(np.abs(np.sin(np.float32(np.pi) * phase)), rng.uniform(0.4, 1.2)) - 0.6
        here = np.clip(1.5 * clouds(rng, h, w, (0.8 * D, 0.8 * D), 1) + rng.uniform(-0.5, 1.5), 0, 1)
        tone += rng.uniform(0.08, 0.45) * groove * here
    across = float(light.to[1] * way[0] - light.to[0] * way[1])
    lambert = np.clip(v * across + np.sqrt(1 - v * v) * max(float(light.to[2]), 0.05), 0, None)
    tone *= light.ambient + (1 - light.ambient) * lambert / max(0.3, float(lambert.max()))
    rim = np.exp(-((depth / max(1.2, rng.uniform(0.005, 0.03) * D)) ** 2))
    tone *= 1 - rng.uniform(0, 0.5) * rim
    if rng.random() < 0.4:  # crumbs of bark left in it
        left = clouds(rng, h, w, (0.15 * D, 0.15 * D), 3) > rng.uniform(1.2, 2.2)
        bare = np.where(left, bare * rng.uniform(0, 0.5), bare)
    wood = cv2.remap(
        grain,
        np.float32(np.clip(along, 0, None) * (columns / max(1.0, float(at[-1])))),
        np.float32((round_it + 0.5) * (rows - 1)),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )
    wood *= np.clip(tone, 0.05, 1.6)[..., None]
    bgr = layer.bgr[window].astype(np.float32)
    if rng.random() < 0.3:  # a paler or darker seam of bast round it
        seam = np.exp(-(((depth + 0.03 * D) / (0.025 * D)) ** 2))[..., None] * rng.uniform(0.2, 0.8)
        bgr *= 1 + seam * (rng.uniform(0.4, 1.6) - 1)
    bgr += bare[..., None] * (wood - bgr)
    whole, share = layer.bgr.copy(), layer.wood.copy()
    whole[window] = np.clip(bgr, 0, 255)
    share[window] = np.maximum(share[window], np.uint8(bare * 255))
    return replace(layer, bgr=whole, wood=share)
