"""Which layers has each network of the eye?

A network is a list of layers, each with the names of what it reads. `forward` runs it on JAX, `diagnose.eye.train.written`
writes the same list as ONNX, so that there is one description for training and for use. Convolutions carry batch
normalisation (Ioffe and Szegedy 2015), which is folded into their weights when they are written.

References: encoder and decoder with lateral additions after Lin et al. 2017, Feature Pyramid Networks; He et al. 2015 for
the starting weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

from diagnose.eye.pieces import CLASSES, FORMS

FINDER_OUT = len(CLASSES) + 4  # classes, end's score, its direction (2), logarithm of its width in 16 px
# forms, whether it is an end, its place (2) and turn, logarithm of its width, slope of its edge and logarithm of its spread
CLOSE_TOLD = len(FORMS) + 7
MOMENTUM = 0.97  # of the running mean and variance
Params = dict[str, dict[str, Any]]


@dataclass(frozen=True)
class Layer:
    """One layer of a network.

    Parameters
    ----------
    name, reads
        Its own, and those of the layers that it reads [no unit].
    kind
        conv, up (twice as large), add, mean and max (over the picture), join or dense [no unit].
    out
        Channels that it yields, of conv and dense [no unit].
    size, stride
        Side of the kernel, and its step [cells].
    plain
        Is it neither normalised nor rectified? [no unit]
    padded
        Does a kernel reach over the rim, so that as many cells come out as go in? [no unit]
    """

    name: str
    kind: str
    reads: tuple[str, ...]
    out: int = 0
    size: int = 3
    stride: int = 1
    plain: bool = False  # neither normalised nor rectified
    padded: bool = True


def _pyramid(widths: tuple[int, ...], first: int, down_to: int, out: int) -> list[Layer]:
    """Encoder of stages at 1/2, 1/4, ... and a decoder back to stage `down_to` (0 is 1/2) with `out` channels."""
    layers, before = [], "x"
    for k, width in enumerate(widths):
        layers += [
            Layer(f"e{k}a", "conv", (before,), width, first if k == 0 else 3, 2),
            Layer(f"e{k}b", "conv", (f"e{k}a",), width),
        ]
        before = f"e{k}b"
    for k in range(len(widths) - 2, down_to - 1, -1):
        layers += [
            Layer(f"d{k}c", "conv", (before,), widths[k], 1),
            Layer(f"d{k}u", "up", (f"d{k}c",)),
            Layer(f"d{k}l", "conv", (f"e{k}b",), widths[k], 1),
            Layer(f"d{k}s", "add", (f"d{k}u", f"d{k}l")),
            Layer(f"d{k}", "conv", (f"d{k}s",), widths[k]),
        ]
        before = f"d{k}"
    return [*layers, Layer("map", "conv", (before,), out, 3, plain=True)]


def finder(thin: int = 1) -> list[Layer]:
    """The finder's layers.

    Parameters
    ----------
    thin
        By which their channels are divided, for trials; 1 is the eye [no unit].
    """
    return _pyramid(tuple(width // thin for width in (16, 32, 56, 88, 128)), 3, 1, FINDER_OUT)


def close(thin: int = 1) -> list[Layer]:
    """The close network's layers.

    Parameters
    ----------
    thin
        By which their channels are divided, for trials; 1 is the eye [no unit].
    """
    return [
        *_pyramid(tuple(width // thin for width in (24, 48, 72, 104, 144)), 5, 0, len(CLASSES)),
        Layer("m4", "mean", ("e4b",)), Layer("x4", "max", ("e4b",)),
        Layer("m3", "mean", ("e3b",)), Layer("x3", "max", ("e3b",)),
        # where in the piece things lie, which a mean and a maximum forget
        Layer("p3", "conv", ("e3b",), 32 // thin, 3, 2), Layer("p4", "conv", ("e4b",), 32 // thin, 1),
        Layer("p", "add", ("p3", "p4")),
        Layer("whole", "conv", ("p",), 64 // thin, 5, padded=False),
        Layer("placed", "mean", ("whole",)),
        Layer("seen", "join", ("m4", "x4", "m3", "x3", "placed")),
        Layer("h", "dense", ("seen",), 128 // thin),
        Layer("told", "dense", ("h",), CLOSE_TOLD, plain=True),
    ]  # fmt: skip


def start(layers: list[Layer], seed: int) -> Params:
    """Weights to start from: kernels (rows, columns, in, out) drawn as He et al. do, no offset, no scaling.

    Parameters
    ----------
    layers
        Of the network [no unit].
    seed
        Of the draws [no unit].

    References
    ----------
    .. [1] He, K. et al. (2015). Delving deep into rectifiers (from memory).
    """
    rng = np.random.default_rng(seed)  # JAX would compile a draw for each shape
    channels, params = {"x": 3}, {}
    for layer in layers:
        reads = [channels[name] for name in layer.reads]
        if layer.kind in ("conv", "dense"):
            shape = (layer.size, layer.size, reads[0], layer.out) if layer.kind == "conv" else (reads[0], layer.out)
            fan_in = reads[0] * (layer.size**2 if layer.kind == "conv" else 1)
            params[layer.name] = {
                "kernel": np.float32(rng.normal(0, np.sqrt((1.0 if layer.plain else 2.0) / fan_in), shape)),
                "offset": np.zeros(layer.out, np.float32),
            }
            if layer.kind == "conv" and not layer.plain:
                params[layer.name] |= {
                    "scale": np.ones(layer.out, np.float32),
                    "mean": np.zeros(layer.out, np.float32),
                    "var": np.ones(layer.out, np.float32),
                }
            channels[layer.name] = layer.out
        else:
            channels[layer.name] = sum(reads) if layer.kind == "join" else reads[0]
    return params


def forward(
    layers: list[Layer], params: Params, x: jax.Array, learning: bool = False
) -> tuple[dict[str, jax.Array], Params]:
    """What every layer yields, and the running means brought up to date.

    Parameters
    ----------
    layers
        Of the network [no unit].
    params
        Its weights [no unit].
    x
        (n, rows, columns, 3) pictures, 0 to 1 [no unit].
    learning
        True to normalise by the batch itself, not by the running means [no unit].

    Returns
    -------
    seen, kept : dict
        Layer -> its output; and the weights with the means.
    """
    seen, kept = {"x": x}, dict(params)
    for layer in layers:
        seen[layer.name], own = yielded(layer, params.get(layer.name, {}), [seen[name] for name in layer.reads], learning)
        if own:
            kept[layer.name] = own
    return seen, kept


def yielded(
    layer: Layer, own: dict[str, Any], read: list[jax.Array], learning: bool = False
) -> tuple[jax.Array, dict[str, Any]]:
    """What one layer yields for what it reads, and its weights with the running means brought up to date.

    Parameters
    ----------
    layer
        The layer [no unit].
    own
        Its weights, empty where it has none [no unit].
    read
        What each layer that it reads yields [no unit].
    learning
        True to normalise by the batch itself, not by the running means [no unit].
    """
    if layer.kind == "conv":
        y = jax.lax.conv_general_dilated(
            read[0], own["kernel"].astype(read[0].dtype), (layer.stride,) * 2,
            [(layer.size // 2 * layer.padded,) * 2] * 2, dimension_numbers=("NHWC", "HWIO", "NHWC"),
        )  # fmt: skip
        if layer.plain:
            return y.astype(jnp.float32) + own["offset"], own
        mean, var = own["mean"], own["var"]
        if learning:
            y32 = y.astype(jnp.float32)
            mean, var = y32.mean((0, 1, 2)), y32.var((0, 1, 2))
            own = own | {
                "mean": MOMENTUM * own["mean"] + (1 - MOMENTUM) * mean,
                "var": MOMENTUM * own["var"] + (1 - MOMENTUM) * var,
            }
        gain = own["scale"] / jnp.sqrt(var + 1e-5)
        return jax.nn.relu(y * gain.astype(y.dtype) + (own["offset"] - mean * gain).astype(y.dtype)), own
    if layer.kind == "dense":
        y = read[0] @ own["kernel"] + own["offset"]
        return (y if layer.plain else jax.nn.relu(y)), own
    if layer.kind == "up":
        return jnp.repeat(jnp.repeat(read[0], 2, 1), 2, 2), own
    if layer.kind == "add":
        return read[0] + read[1], own
    if layer.kind == "join":
        return jnp.concatenate(read, -1), own
    over = read[0].astype(jnp.float32)
    return (over.mean((1, 2)) if layer.kind == "mean" else over.max((1, 2))), own
