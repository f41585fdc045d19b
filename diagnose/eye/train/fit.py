"""How are the eye's two networks fitted to pieces of training pictures?

AdamW (Loshchilov and Hutter 2019) with a cosine schedule over a stated number of seconds; pieces are drawn at random, moved
and recoloured anew each time.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

from diagnose.eye import pieces
from diagnose.eye.pieces import CLASSES
from diagnose.eye.train import nets
from diagnose.eye.train.looks import moved, otherwise

Pack = dict[str, Any]
BARK, WOOD, CARD = CLASSES.index("bark"), CLASSES.index("wood"), CLASSES.index("card")
CLASS_WEIGHT = jnp.array([1.0, 1.0, 3.0, 4.0, 2.0, 1.5, 1.5])  # rare classes count more; ours
SPREAD = 1.5  # of an end's score on the finder's map [cells]
SLOPE_WEIGHT, SPREADS = 0.3, (-5.0, 0.5)  # of the slope beside the rest; bounds of the logarithm of its spread [rad]
RATE, DECAY, WARM = 2e-3, 1e-3, 200  # highest rate of learning, decay of weights, steps until it is reached


def _shares(labels: jax.Array, stride: int) -> tuple[jax.Array, jax.Array]:
    """Share of each class in the map's cells (n, h, w, classes), and the share of each cell that is known (n, h, w)."""
    n, rows, columns = labels.shape
    one = jax.nn.one_hot(labels, len(CLASSES))  # UNKNOWN is none of them
    one = one.reshape(n, rows // stride, stride, columns // stride, stride, len(CLASSES)).mean((2, 4))
    return one, one.sum(-1)


def _map_loss(scores: jax.Array, labels: jax.Array, stride: int) -> jax.Array:
    """Cross-entropy of the classes, and one less the Dice coefficient of the stem."""
    share, known = _shares(labels, stride)
    entropy = -(share * CLASS_WEIGHT * jax.nn.log_softmax(scores)).sum(-1).sum() / (known.sum() + 1)
    chance = jax.nn.softmax(scores)
    stem = (chance[..., BARK] + chance[..., WOOD]) * known
    true = share[..., BARK] + share[..., WOOD]
    both = (stem * true).sum((1, 2))
    dice = 1 - (2 * both + 20) / (stem.sum((1, 2)) + true.sum((1, 2)) + 20)
    return entropy + dice.mean()


def finder_loss(
    layers: list[nets.Layer], params: nets.Params, key: jax.Array, data: Pack, batch: int
) -> tuple[jax.Array, nets.Params]:
    """How far the finder is from the truth on drawn pieces, to be made small.

    Parameters
    ----------
    layers
        Of the network [no unit].
    params
        Its weights [no unit].
    key
        JAX's, of the draws [no unit].
    data
        Training pieces by name, as `samples.packed` gives them [no unit].
    batch
        How many pieces are drawn [no unit].

    Returns
    -------
    loss, kept : jax.Array, dict
        No unit; and the weights with the running means brought up to date.

    References
    ----------
    .. [1] Dice, L. R. (1945). Ecology 26:297-302: overlap of the stem (from memory). How the parts are weighed is our own.
    """
    k = jax.random.split(key, 4)
    i = jax.random.randint(k[0], (batch,), 0, data["wide"].shape[0])
    x, labels, matrix = moved(k[1], data["wide"][i], data["wide_labels"][i], pieces.FINDER_SIZE, 0.25, 0.18, 18.0)
    quarter = jax.random.randint(k[3], (batch,), 0, 2) * 2  # half of them upside down
    x = jnp.where((quarter == 2)[:, None, None, None], x[:, ::-1, ::-1], x)
    labels = jnp.where((quarter == 2)[:, None, None], labels[:, ::-1, ::-1], labels)
    ends = data["wide_ends"][i]
    inverse = jnp.linalg.inv(matrix[:, :, :2])
    at = jnp.einsum("nij,nkj->nki", inverse, ends[..., :2] - matrix[:, None, :, 2])
    along = jnp.einsum("nij,nkj->nki", inverse, ends[..., 2:4])
    length = jnp.linalg.norm(along, axis=-1)
    width, along = ends[..., 4] * length, along / length[..., None]
    size = jnp.array([pieces.FINDER_SIZE[1] - 1, pieces.FINDER_SIZE[0] - 1])
    upside = (quarter == 2)[:, None, None]
    at, along = jnp.where(upside, size - at, at), jnp.where(upside, -along, along)
    there = jnp.isfinite(ends[..., 0])
    at, along, width = (jnp.where(there[(...,) + (None,) * (v.ndim - 2)], v, 1.0) for v in (at, along, width))
    x = otherwise(k[2], x, ((labels == BARK) | (labels == WOOD)).astype(jnp.float32), (labels == CARD).astype(jnp.float32))
    seen, kept = nets.forward(layers, params, x.astype(jnp.bfloat16), learning=True)
    out = seen["map"]
    loss = _map_loss(out[..., : len(CLASSES)], labels, pieces.FINDER_STRIDE)
    rows, columns = out.shape[1:3]
    centre = (jnp.stack(jnp.meshgrid(jnp.arange(columns), jnp.arange(rows)), -1) + 0.5) * pieces.FINDER_STRIDE - 0.5
    far = ((centre[None, None] - at[:, :, None, None]) ** 2).sum(-1) / (SPREAD * pieces.FINDER_STRIDE) ** 2
    own = jnp.where(there[..., None, None], jnp.exp(-0.5 * far), 0.0)
    heat = own.max(1)
    counts = jnp.where(data["wide_known"][i][:, None, None], 1.0, heat > 0.1)
    score = out[..., len(CLASSES)]
    entropy = -(heat * jax.nn.log_sigmoid(score) * 30 + (1 - heat) * jax.nn.log_sigmoid(-score))
    loss += 3 * (entropy * counts).mean()
    nearest = own.argmax(1)
    beside = (heat > 0.2).astype(jnp.float32)
    pick = jax.nn.one_hot(nearest, at.shape[1], axis=1)
    aim = jnp.einsum("nkhw,nkc->nhwc", pick, along)
    wide = jnp.einsum("nkhw,nk->nhw", pick, jnp.log(jnp.maximum(width, 1.0) / 16))
    way = out[..., len(CLASSES) + 1 : len(CLASSES) + 3]
    way = way / jnp.sqrt((way**2).sum(-1, keepdims=True) + 1e-6)  # a norm has no slope at zero
    off = 0.3 * (1 - (way * aim).sum(-1)) + 0.2 * jnp.abs(out[..., len(CLASSES) + 3] - wide)
    return loss + (off * beside).sum() / (beside.sum() + 1), kept


def close_loss(
    layers: list[nets.Layer], params: nets.Params, key: jax.Array, data: Pack, batch: int
) -> tuple[jax.Array, nets.Params]:
    """How far the close network is from the truth on drawn pieces, to be made small.

    Parameters
    ----------
    layers, params, key, data, batch
        As for `finder_loss` [no unit].

    Returns
    -------
    loss, kept : jax.Array, dict
        As of `finder_loss`.
    """
    k = jax.random.split(key, 3)
    i = jax.random.randint(k[0], (batch,), 0, data["near"].shape[0])
    x, labels, matrix = moved(k[1], data["near"][i], data["near_labels"][i], pieces.CLOSE_SIZE, 0.08, 0.12, 4.0)
    end, form, is_end = data["near_end"][i], data["near_form"][i], data["near_is_end"][i]
    there = jnp.isfinite(end[:, 0])
    end = jnp.where(there[:, None], end, 1.0)
    told = told_of(end, matrix)
    x = otherwise(k[2], x, ((labels == BARK) | (labels == WOOD)).astype(jnp.float32), (labels == CARD).astype(jnp.float32))
    seen, kept = nets.forward(layers, params, x.astype(jnp.bfloat16), learning=True)
    loss = _map_loss(seen["map"], labels, pieces.CLOSE_STRIDE)
    out = seen["told"]
    smooth = jax.nn.one_hot(form, 3) * 0.96 + 0.04 / 3
    named = (there & (form >= 0)).astype(jnp.float32)
    loss += 0.4 * (-(smooth * jax.nn.log_softmax(out[:, :3])).sum(-1) * named).sum() / (named.sum() + 1)
    answered = (is_end >= 0).astype(jnp.float32)
    yes = is_end.astype(jnp.float32)
    entropy = -(yes * jax.nn.log_sigmoid(out[:, 3]) + (1 - yes) * jax.nn.log_sigmoid(-out[:, 3]))
    loss += 0.4 * (entropy * answered).sum() / (answered.sum() + 1)
    off = jnp.abs(out[:, 4:8] - told).mean(-1)
    loss += (off * there).sum() / (there.sum() + 1)
    slope = data["near_slope"][i] * jnp.sign(jnp.linalg.det(matrix[:, :, :2]))  # a mirrored end slants the other way
    sloped = jnp.isfinite(slope) & there
    spread = jnp.clip(out[:, 9], *SPREADS)
    # a Laplace distribution's, so that the network also tells how far it may be off
    unlikely = jnp.abs(out[:, 8] - jnp.where(sloped, slope, 0.0)) * jnp.exp(-spread) + spread
    return loss + SLOPE_WEIGHT * jnp.where(sloped, unlikely, 0.0).sum() / (sloped.sum() + 1), kept


def told_of(end: jax.Array, matrix: jax.Array) -> jax.Array:
    """What the close network should tell of ends in moved pieces, (n, 4).

    Place off the usual one [widths], turn [radian], logarithm of the width over the usual one [nat].

    Parameters
    ----------
    end
        (n, 5) x, y [px], direction (2), width [px], in the pieces before they were moved.
    matrix
        (n, 2, 3) from the moved pieces' pixels to those before [px].
    """
    inverse = jnp.linalg.inv(matrix[:, :, :2])
    at = jnp.einsum("nij,nj->ni", inverse, end[:, :2] - matrix[:, :, 2])
    along = jnp.einsum("nij,nj->ni", inverse, end[:, 2:4])
    width = end[:, 4] * jnp.linalg.norm(along, axis=-1)
    place = (at - jnp.array(pieces.CLOSE_AT)) / pieces.CLOSE_WIDTH
    turn = jnp.arctan2(along[:, 1], along[:, 0])
    return jnp.concatenate([place, turn[:, None], jnp.log(jnp.maximum(width, 1.0) / pieces.CLOSE_WIDTH)[:, None]], 1)


def fit(
    layers: list[nets.Layer],
    loss: Callable[..., Any],
    data: Pack,
    seconds: float,
    batch: int,
    seed: int = 0,
    say: Callable[[str], None] = print,
    most_steps: int = 10**9,
    begin: nets.Params | None = None,
    rate_at_most: float = RATE,
) -> nets.Params:
    """The weights after training, with the normalisation's running means.

    Parameters
    ----------
    layers
        Of the network [no unit].
    loss
        `finder_loss` or `close_loss` [no unit].
    data
        Training pieces by name, as `samples.packed` gives them [no unit].
    seconds
        How long to train, compiling not counted [s].
    batch
        Pieces a step [no unit].
    seed
        Of the draws [no unit].
    say
        Called with a line on how far it is [no unit].
    most_steps
        How many at most [no unit].
    begin
        Weights to go on from; drawn where None [no unit].
    rate_at_most
        The highest rate of learning [no unit].

    References
    ----------
    .. [1] Loshchilov, I. & Hutter, F. (2019). Decoupled weight decay regularization (from memory).
    """
    data = {name: jnp.asarray(value) for name, value in data.items()}
    params = nets.start(layers, seed) if begin is None else begin
    first = jax.tree.map(np.zeros_like, params)
    second = jax.tree.map(np.zeros_like, params)

    @partial(jax.jit, donate_argnums=(0, 1, 2))
    def step(params, first, second, key, rate, count, data):  # type: ignore[no-untyped-def]
        (value, kept), slope = jax.value_and_grad(partial(loss, layers), has_aux=True)(params, key, data, batch)
        size = jnp.sqrt(sum((one**2).sum() for one in jax.tree.leaves(slope)))
        slope = jax.tree.map(lambda one: one * jnp.minimum(1.0, 1.0 / (size + 1e-6)), slope)
        first = jax.tree.map(lambda m, g: 0.9 * m + 0.1 * g, first, slope)
        second = jax.tree.map(lambda v, g: 0.999 * v + 0.001 * g * g, second, slope)

        def moved_on(p, m, v):  # type: ignore[no-untyped-def]
            gain = (m / (1 - 0.9**count)) / (jnp.sqrt(v / (1 - 0.999**count)) + 1e-8)
            return p - rate * (gain + (DECAY * p if p.ndim > 1 else 0.0))

        new = jax.tree.map(moved_on, params, first, second)
        for name, own in kept.items():  # means are kept, not learnt
            if "mean" in own:
                new[name] = new[name] | {"mean": own["mean"], "var": own["var"]}
        return new, first, second, value

    key, began, count, share = jax.random.PRNGKey(seed + 1), time.time(), 0, 0.0
    while share < 1 and count < most_steps:
        rate = rate_at_most * min(1.0, count / WARM + 0.02) * (0.5 + 0.5 * np.cos(np.pi * share)) + 1e-6
        key, own = jax.random.split(key)
        count += 1
        params, first, second, value = step(params, first, second, own, rate, float(count), data)
        if count == 1:
            value.block_until_ready()
            began = time.time()  # compiling does not count
        if count % 50 == 0:
            value = float(value)
            share = max((time.time() - began) / seconds, count / most_steps)
            if count % 500 == 0:
                say(f"step {count}, {time.time() - began:.0f} s, loss {value:.3f}")
    say(f"{count} steps, loss {float(value):.3f}")
    return jax.tree.map(np.asarray, params)
