"""How else could a training picture have looked?

Stem and surroundings are recoloured apart, false shadows, light, tone, blur and grain are laid over, so that the networks
learn shapes and borders rather than the colours of one maker.
"""

from __future__ import annotations

import jax
import jax.numpy as jnp


def moved(
    key: jax.Array, pieces: jax.Array, labels: jax.Array, size: tuple[int, int], turn: float, stretch: float, shift: float
) -> tuple[jax.Array, jax.Array, jax.Array]:
    """Pieces and labels cut to a size, each moved, turned and stretched its own way; half are mirrored.

    Parameters
    ----------
    key
        JAX's, of the draws [no unit].
    pieces
        (n, rows, columns, 3) uint8 [0 to 255].
    labels
        (n, rows, columns) uint8, indices of CLASSES [no unit].
    size
        Rows and columns that are kept [px].
    turn
        Standard deviation [radian].
    stretch
        Standard deviation of its logarithm [nat].
    shift
        Standard deviation either way [px].

    Returns
    -------
    pieces, labels, matrices : jax.Array
        (n, *size, 3) in 0 to 1, (n, *size), and (n, 2, 3) from the new pixels to the old [px].
    """
    n, rows, columns = labels.shape
    k = jax.random.split(key, 4)
    angle = jax.random.normal(k[0], (n,)) * turn
    fit = jnp.exp(jax.random.normal(k[1], (n,)) * stretch)
    mirror = jnp.where(jax.random.bernoulli(k[2], 0.5, (n,)), 1.0, -1.0)
    off = jax.random.normal(k[3], (n, 2)) * shift
    cos, sin = jnp.cos(angle) * fit, jnp.sin(angle) * fit
    linear = jnp.stack([jnp.stack([cos, -sin * mirror], 1), jnp.stack([sin, cos * mirror], 1)], 1)
    old = jnp.array([(columns - 1) / 2, (rows - 1) / 2])
    new = jnp.array([(size[1] - 1) / 2, (size[0] - 1) / 2])
    return *_warped(pieces, labels, linear, old + off, new, size), jnp.concatenate(
        [linear, (old + off - jnp.einsum("nij,j->ni", linear, new))[..., None]], 2
    )


def _warped(pieces, labels, linear, old, new, size):  # type: ignore[no-untyped-def]
    n, rows, columns = labels.shape
    y, x = jnp.meshgrid(jnp.arange(size[0]), jnp.arange(size[1]), indexing="ij")
    at = jnp.stack([x - new[0], y - new[1]], -1).astype(jnp.float32)
    at = jnp.einsum("nij,hwj->nhwi", linear, at) + (old[:, None, None] if old.ndim == 2 else old)
    u, v = jnp.clip(at[..., 0], 0, columns - 1.001), jnp.clip(at[..., 1], 0, rows - 1.001)
    x0, y0 = u.astype(jnp.int32), v.astype(jnp.int32)
    fx, fy = (u - x0)[..., None], (v - y0)[..., None]
    flat, base = pieces.reshape(n, -1, 3), y0 * columns + x0

    def take(step: int) -> jax.Array:
        index = (base + step).reshape(n, -1, 1)
        return jnp.take_along_axis(flat, index, 1).reshape(n, *size, 3).astype(jnp.float32)

    top = take(0) * (1 - fx) + take(1) * fx
    low = take(columns) * (1 - fx) + take(columns + 1) * fx
    outside = (at[..., 0] < -0.5) | (at[..., 0] > columns - 0.5) | (at[..., 1] < -0.5) | (at[..., 1] > rows - 0.5)
    nearest = jnp.round(v).astype(jnp.int32) * columns + jnp.round(u).astype(jnp.int32)
    kept = jnp.take_along_axis(labels.reshape(n, -1), nearest.reshape(n, -1), 1).reshape(n, *size)
    return (top * (1 - fy) + low * fy) / 255.0, jnp.where(outside, 255, kept)


def _even(key: jax.Array, n: int, low: float, high: float) -> jax.Array:
    return jax.random.uniform(key, (n, 1, 1, 1), minval=low, maxval=high)


def _chance(key: jax.Array, n: int, share: float) -> jax.Array:
    return jax.random.bernoulli(key, share, (n, 1, 1, 1)).astype(jnp.float32)


def _smooth(key: jax.Array, n: int, size: tuple[int, int], cells: int, channels: int = 1) -> jax.Array:
    return jax.image.resize(jax.random.normal(key, (n, cells, cells, channels)), (n, *size, channels), "cubic")


def _colour(key: jax.Array, x: jax.Array) -> jax.Array:
    """Each picture through a colour map of its own."""
    n = x.shape[0]
    k = jax.random.split(key, 3)
    matrix = jnp.eye(3) * jax.random.uniform(k[0], (n, 1, 1), minval=0.5, maxval=1.6)
    matrix = matrix + jax.random.normal(k[1], (n, 3, 3)) * 0.14
    return jnp.einsum("nij,nhwj->nhwi", matrix, x) + jax.random.normal(k[2], (n, 1, 1, 3)) * 0.08


def otherwise(key: jax.Array, x: jax.Array, stem: jax.Array, card: jax.Array) -> jax.Array:
    """Pictures as they might have looked, (n, rows, columns, 3) in 0 to 1.

    Parameters
    ----------
    key
        JAX's, of the draws [no unit].
    x
        (n, rows, columns, 3) pictures, 0 to 1 [no unit].
    stem, card
        (n, rows, columns) masks, 0 or 1, of what is recoloured apart; the card keeps its own colour [no unit].
    """
    n, size = x.shape[0], x.shape[1:3]
    k = iter(jax.random.split(key, 40))
    soft = jax.image.resize(
        jax.image.resize(stem[..., None], (n, size[0] // 2, size[1] // 2, 1), "linear"), (*x.shape[:3], 1), "linear"
    )
    grey = x.mean(-1, keepdims=True)
    share = _even(next(k), n, 0, 1)
    wood = _colour(next(k), x * share + grey * (1 - share))
    pale = jnp.clip(wood * _even(next(k), n, 0.5, 1.2) + _even(next(k), n, 0.0, 0.45), 0, 1.1)  # as bright as paper
    wood = jnp.where(_chance(next(k), n, 0.2) > 0, pale, wood)
    ground = jnp.where(_chance(next(k), n, 0.5) > 0, _colour(next(k), x), x)
    ground = jnp.where(card[..., None] > 0, x, ground)
    recoloured = _chance(next(k), n, 0.6)
    x = x * (1 - recoloured) + recoloured * (soft * wood + (1 - soft) * ground)
    edge = jnp.exp(_even(next(k), n, 0, 5))
    dark = jax.nn.sigmoid((_smooth(next(k), n, size, 4) - _even(next(k), n, -0.5, 1.5)) * edge)
    tint = 1 + jax.random.normal(next(k), (n, 1, 1, 3)) * 0.08
    x = x * (1 - dark * _even(next(k), n, 0, 0.75) * tint * _chance(next(k), n, 0.5))
    x = x * (1 + 0.15 * _smooth(next(k), n, size, 3)) * _even(next(k), n, 0.55, 1.5)
    x = x * (1 + jax.random.normal(next(k), (n, 1, 1, 3)) * 0.06)
    x = jnp.clip(x, 1e-4, 1.15) ** jnp.exp(_even(next(k), n, -0.4, 0.4))
    kernel = jnp.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16
    blurred = _blurred(x, kernel)
    how = _even(next(k), n, -0.6, 1)
    x = jnp.where(_chance(next(k), n, 0.6) > 0, x * (1 - how) + blurred * how, x)
    x = jnp.where(_chance(next(k), n, 0.25) > 0, _blurred(_blurred(x, kernel), kernel), x)
    x = x + jax.random.normal(next(k), x.shape) * _even(next(k), n, 0, 0.05)
    x = x + _smooth(next(k), n, size, size[0] // 4, 3) * _even(next(k), n, 0, 0.03)
    return jnp.clip(x, 0, 1)


def _blurred(x: jax.Array, kernel: jax.Array) -> jax.Array:
    for axis in (1, 2):
        padded = jnp.pad(x, [(0, 0), (2 * (axis == 1),) * 2, (2 * (axis == 2),) * 2, (0, 0)], mode="edge")
        x = sum(kernel[i] * jax.lax.slice_in_dim(padded, i, i + x.shape[axis], axis=axis) for i in range(5))  # type: ignore
    return x
