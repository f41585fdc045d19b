"""How is a trained network written, so that OpenCV's network module runs it?

Batch normalisation is folded into the kernels; kernels are stored as half floats, which the graph turns back into single
ones when it is read: half the bytes, the same speed.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
from onnx import TensorProto, helper, numpy_helper

from diagnose.eye.train.nets import Layer, Params


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
        return (1, layer.out, *(-(-side // layer.stride) for side in read[0][2:]))
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
                        strides=[layer.stride] * 2, pads=[layer.size // 2] * 4,
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
    file.write_bytes(gzip.compress(model.SerializeToString(), mtime=0))  # without the time, equal weights are equal bytes
    return file.stat().st_size
