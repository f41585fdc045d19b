"""How is a trained network written, so that OpenCV's network module runs it, and read again to be trained on?

Batch normalisation is folded into the kernels; kernels are stored as half floats, which the graph turns back into single
ones when it is read: half the bytes, the same speed. OpenCV runs all of a graph, whatever is asked for, so the close network
is cut in two: `python -m diagnose.eye.train.written FOLDER/close.onnx.gz` does it to one that is still whole.
"""

from __future__ import annotations

import gzip
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import jax.numpy as jnp
import numpy as np
from onnx import ModelProto, TensorProto, helper, load_from_string, numpy_helper, shape_inference, utils

from diagnose.eye.pieces import HANDED
from diagnose.eye.train.nets import Layer, Params, start, yielded


def folded(layer: Layer, params: Params) -> tuple[np.ndarray, np.ndarray]:
    """Kernel (out, in, rows, columns) or (in, out), and offset (out,), with the normalisation worked in.

    Parameters
    ----------
    layer
        With a kernel [no unit].
    params
        The network's weights [no unit].
    """
    own = {name: np.asarray(value, np.float64) for name, value in params[layer.name].items()}
    kernel, offset = own["kernel"], own["offset"]
    if "scale" in own:
        gain = own["scale"] / np.sqrt(own["var"] + 1e-5)
        kernel, offset = kernel * gain, offset - own["mean"] * gain
    return (kernel.transpose(3, 2, 0, 1) if layer.kind == "conv" else kernel), offset


def _shape(layer: Layer, read: list[tuple[int, ...]]) -> tuple[int, ...]:
    if layer.kind == "conv":
        lost = 0 if layer.padded else layer.size - 1
        return (1, layer.out, *(-(-(side - lost) // layer.stride) for side in read[0][2:]))
    if layer.kind == "up":
        return (*read[0][:2], *(2 * side for side in read[0][2:]))
    if layer.kind == "dense":
        return (1, layer.out)
    if layer.kind == "add":
        return read[0]
    return (1, sum(one[1] for one in read))


def write(layers: list[Layer], params: Params, size: tuple[int, int], outputs: list[str], file: Path) -> int:
    """Write the network for one picture (1, 3, rows, columns) as gzipped ONNX.

    Parameters
    ----------
    layers
        Of the network [no unit].
    params
        Its weights [no unit].
    size
        Rows and columns of the picture [px].
    outputs
        Names of the layers that it yields [no unit].
    file
        That is written [no unit].

    Returns
    -------
    int
        Size of the file [bytes].
    """
    nodes, weights = [], []
    shapes: dict[str, tuple[int, ...]] = {"x": (1, 3, *size)}
    for layer in layers:
        read = list(layer.reads)
        shapes[layer.name] = _shape(layer, [shapes[name] for name in read])
        if layer.kind in ("conv", "dense"):
            kernel, offset = folded(layer, params)
            weights += [
                numpy_helper.from_array(kernel.astype(np.float16), f"{layer.name}.k16"),
                numpy_helper.from_array(offset.astype(np.float32), f"{layer.name}.b"),
            ]
            nodes.append(helper.make_node("Cast", [f"{layer.name}.k16"], [f"{layer.name}.k"], to=TensorProto.FLOAT))
            into = layer.name if layer.plain else f"{layer.name}.y"
            if layer.kind == "conv":
                nodes.append(
                    helper.make_node(
                        "Conv", [*read, f"{layer.name}.k", f"{layer.name}.b"], [into], kernel_shape=[layer.size] * 2,
                        strides=[layer.stride] * 2, pads=[layer.size // 2 * layer.padded] * 4,
                    )
                )  # fmt: skip
            else:
                nodes.append(helper.make_node("Gemm", [*read, f"{layer.name}.k", f"{layer.name}.b"], [into]))
            if not layer.plain:
                nodes.append(helper.make_node("Relu", [into], [layer.name]))
        elif layer.kind == "up":
            scales = f"{layer.name}.s"
            weights.append(numpy_helper.from_array(np.array([1, 1, 2, 2], np.float32), scales))
            nodes.append(
                helper.make_node(
                    "Resize", [*read, "", scales], [layer.name], mode="nearest",
                    coordinate_transformation_mode="asymmetric", nearest_mode="floor",
                )
            )  # fmt: skip
        elif layer.kind == "add":
            nodes.append(helper.make_node("Add", read, [layer.name]))
        elif layer.kind in ("mean", "max"):
            pool = "GlobalAveragePool" if layer.kind == "mean" else "GlobalMaxPool"
            nodes += [
                helper.make_node(pool, read, [f"{layer.name}.p"]),
                helper.make_node("Flatten", [f"{layer.name}.p"], [layer.name], axis=1),
            ]
        else:
            nodes.append(helper.make_node("Concat", read, [layer.name], axis=1))
    graph = helper.make_graph(
        nodes, "seen", [helper.make_tensor_value_info("x", TensorProto.FLOAT, (1, 3, *size))],
        [helper.make_tensor_value_info(name, TensorProto.FLOAT, shapes[name]) for name in outputs], weights,
    )  # fmt: skip
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)
    _save(model, file)
    return file.stat().st_size


def _model(file: Path) -> ModelProto:
    return load_from_string(gzip.decompress(file.read_bytes()))


def _save(model: ModelProto, file: Path) -> None:
    file.write_bytes(gzip.compress(model.SerializeToString(), mtime=0))  # without the time, equal weights are equal bytes


def cut_in_two(file: Path) -> None:
    """Cuts a close network: into what it tells, with what the rest goes on from, and into the rest, which draws its map.

    Parameters
    ----------
    file
        NAME.onnx.gz: holds the whole one, then the first half; the second goes to NAME_map.onnx.gz [no unit].
    """
    whole = _model(file)
    parts = utils.Extractor(shape_inference.infer_shapes(whole))
    second = file.with_name(file.name.replace(".onnx.gz", "_map.onnx.gz"))
    for half, reads, yields in ((file, ["x"], ["told", *HANDED]), (second, list(HANDED), ["map"])):
        model = parts.extract_model(reads, yields)
        del model.graph.value_info[:]
        model.ir_version = whole.ir_version
        _save(model, half)


def read(layers: list[Layer], files: Sequence[Path], pieces: np.ndarray, seed: int = 0) -> Params:
    """The weights of a written network, to be trained on; what it has no weights for is drawn anew.

    Normalisation was folded into the kernels when it was written. It is unfolded by what the layers yield for some pieces,
    so that the network tells the same as before.

    Parameters
    ----------
    layers
        Of the network, perhaps with layers or outputs that the written one lacks [no unit].
    files
        Where it was written, or its parts [no unit].
    pieces
        That it sees, (n, rows, columns, 3), 0 to 1 [no unit].
    seed
        Of what is drawn [no unit].
    """
    weights = [one for file in files for one in _model(file).graph.initializer]
    kept = {one.name: numpy_helper.to_array(one).astype(np.float32) for one in weights}
    params, seen = start(layers, seed), {"x": jnp.asarray(pieces)}
    for layer in layers:
        own, there = params.get(layer.name, {}), f"{layer.name}.k16" in kept
        read = [seen[name] for name in layer.reads]
        if there:
            kernel = kept[f"{layer.name}.k16"]
            _laid(own["kernel"], kernel.transpose(2, 3, 1, 0) if layer.kind == "conv" else kernel)
            _laid(own["offset"], kept[f"{layer.name}.b"])
        if there and "scale" in own:
            bare = np.asarray(yielded(replace(layer, plain=True), own | {"offset": 0.0}, read)[0])
            own["mean"], own["var"] = bare.mean((0, 1, 2)), bare.var((0, 1, 2))
            own["scale"] = np.sqrt(own["var"] + 1e-5)
            own["offset"] = own["offset"] + own["mean"]
        seen[layer.name] = yielded(layer, own, read)[0]
    return params


def write_mean(one: Path, other: Path, file: Path) -> None:
    """Writes the network whose weights are the means of those of two, as before and after it went on learning.

    Parameters
    ----------
    one, other
        Where the two were written, of the same layers [no unit].
    file
        Where it goes; may be one of them [no unit].

    References
    ----------
    .. [1] Wortsman, M. et al. (2022). Model soups: averaging weights of multiple fine-tuned models (from memory).
    """
    model, second = _model(one), _model(other)
    for weights, others in zip(model.graph.initializer, second.graph.initializer, strict=True):
        assert (weights.name, weights.dims) == (others.name, others.dims), weights.name
        pair = [numpy_helper.to_array(each) for each in (weights, others)]
        middle = (np.float32(pair[0]) + np.float32(pair[1])) / 2
        weights.CopyFrom(numpy_helper.from_array(middle.astype(pair[0].dtype), weights.name))
    _save(model, file)


def _laid(whole: np.ndarray, part: np.ndarray) -> None:
    """Lay a part over the beginning of an array along each axis."""
    whole[tuple(slice(0, side) for side in part.shape)] = part


if __name__ == "__main__":
    cut_in_two(Path(sys.argv[1]))
