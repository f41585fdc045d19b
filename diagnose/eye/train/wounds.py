"""How does a patch look where something gnawed the bark off a thick stem?"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from diagnose.eye.train.material import Material
from diagnose.eye.train.stems import Layer, Light
from diagnose.eye.train.surfaces import Rng, clouds, wood_grain


def gnawed(rng: Rng, layer: Layer, light: Light, material: Material) -> Layer:
    """The same stem with a patch of its bark gone, down to wood with the grooves of teeth."""
    assert layer.axis is not None
    h, w = layer.alpha.shape
    axis = layer.axis - (layer.x, layer.y, 0)
    way = axis[-1, :2] - axis[0, :2]
    way = way / np.hypot(*way)
    y, x = np.float32(np.mgrid[0:h, 0:w])
    along = (x - axis[0, 0]) * way[0] + (y - axis[0, 1]) * way[1]
    aside = -(x - axis[0, 0]) * way[1] + (y - axis[0, 1]) * way[0]
    at = (axis[:, :2] - axis[0, :2]) @ way
    off = (axis[:, :2] - axis[0, :2]) @ np.array([-way[1], way[0]])
    step = np.arange(int(at[-1]) + 2)
    nearest = np.clip(along, 0, at[-1]).astype(np.int32)
    middle, radius = (np.float32(np.interp(step, at, line)).take(nearest) for line in (off, axis[:, 2]))
    v = np.clip((aside - middle) / radius, -1, 1)
    round_it = np.arcsin(v) / np.pi  # half turns, from -0.5 to 0.5
    D = 2 * float(axis[:, 2].mean())
    seen = np.flatnonzero((axis[:, 0] > 0) & (axis[:, 0] < w) & (axis[:, 1] > 0) & (axis[:, 1] < h))
    s0 = float(at[rng.choice(seen)]) if len(seen) else float(at.mean())
    tall = D * float(np.exp(rng.uniform(np.log(0.25), np.log(2.2))))
    wide = float(rng.choice([rng.uniform(0.06, 0.35), rng.uniform(0.3, 0.6), 2.0], p=[0.5, 0.3, 0.2]))
    centre = float(rng.normal(0, 0.2))
    box = rng.uniform(1.6, 5)
    p, q = np.abs(along - s0) / tall, np.abs(round_it - centre) / wide
    inside = 1 - (p**box + q**box) ** (1 / box)
    ragged = rng.choice([0.03, 0.12, 0.3]) * clouds(rng, h, w, (0.5 * D, 0.5 * D), 4, 0.7)
    depth = (inside + ragged) * min(tall, wide * D * 1.5) / 1.0  # about pixels within the rim
    bare = np.clip(depth / 1.2 + 0.5, 0, 1)
    if not (bare > 0.5).any():
        return layer
    rows, columns = 160, int(max(32, min(1200, at[-1])))
    grain = wood_grain(rng, rows, columns, rows, material)
    tone = 1 + 0 * along
    for _ in range(int(rng.choice([0, 1, 2, 4]))):  # strokes of teeth, each lot its own way
        turn = rng.normal(np.pi / 2, 0.5) if rng.random() < 0.6 else rng.uniform(0, np.pi)
        pitch = D * rng.uniform(0.02, 0.14)
        phase = (along * np.cos(turn) + round_it * 1.5 * D * np.sin(turn)) / pitch + 0.25 * clouds(rng, h, w, (2 * D, 2 * D), 2)
        groove = np.abs(np.sin(np.pi * phase)) ** rng.uniform(0.4, 1.2) - 0.6
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
    if rng.random() < 0.3:  # a paler or darker seam of bast round it
        seam = np.exp(-(((depth + 0.03 * D) / (0.025 * D)) ** 2))[..., None] * rng.uniform(0.2, 0.8)
        bgr = layer.bgr * (1 - seam) + seam * np.clip(layer.bgr * np.float32(rng.uniform(0.4, 1.6)), 0, 255)
    else:
        bgr = layer.bgr.astype(np.float32)
    bgr = bgr * (1 - bare[..., None]) + wood * bare[..., None]
    share = np.maximum(layer.wood, np.uint8(bare * 255))
    return replace(layer, bgr=np.clip(bgr, 0, 255).astype(np.uint8), wood=share)
