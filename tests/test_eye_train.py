"""Training the eye: what is written as ONNX is what was trained, and the command runs on a plain processor."""

import gzip
import json
import os
import re
import subprocess
import sys

import cv2
import numpy as np
import pytest

from diagnose.eye.pieces import CLOSE_SIZE, FINDER_SIZE, HANDED
from tests.conftest import TOP


@pytest.fixture(scope="module", autouse=True)
def training() -> None:
    """Imports what trains where its tests are run: most of a second, which each worker took that only collected them."""
    global jax, onnx, nets, written, main
    jax, onnx = pytest.importorskip("jax"), pytest.importorskip("onnx")
    jax.config.update("jax_disable_most_optimizations", True)  # compiling takes most of the time
    from diagnose.eye.train import nets, written
    from diagnose.eye.train.__main__ import main


def _net(file):
    return cv2.dnn.readNetFromONNX(np.frombuffer(gzip.decompress(file.read_bytes()), np.uint8))


def _by_opencv(file, x, outputs):
    net = _net(file)
    net.setInput(np.ascontiguousarray(x.transpose(0, 3, 1, 2)))
    return [out[0] for out in net.forward(outputs)]


@pytest.mark.parametrize(("make", "size", "outputs"), [("finder", FINDER_SIZE, ["map"]),
                                                       ("close", CLOSE_SIZE, ["map", "told"])])  # fmt: skip
def test_opencv_runs_what_is_written_as_jax_runs_it(make, size, outputs, tmp_path):
    """Random weights and running means, an eighth of the channels; kernels are stored as half floats, hence 1e-2."""
    rng = np.random.default_rng(3)
    layers = getattr(nets, make)(8)
    params = jax.tree.map(np.asarray, nets.start(layers, 5))
    for own in params.values():
        if "scale" in own:
            n = own["scale"].shape
            own |= {"scale": rng.uniform(0.6, 1.4, n), "mean": rng.normal(0, 0.2, n), "var": rng.uniform(0.5, 1.5, n)}
        own["offset"] = rng.normal(0, 0.2, own["offset"].shape)
    params = jax.tree.map(np.float32, params)
    written.write(layers, params, size, outputs, tmp_path / "net.onnx.gz")
    x = rng.random((1, *size, 3), np.float32)
    seen, _ = nets.forward(layers, params, x)
    for name, out in zip(outputs, _by_opencv(tmp_path / "net.onnx.gz", x, outputs), strict=True):
        told = np.asarray(seen[name][0])
        told = told.transpose(2, 0, 1) if told.ndim == 3 else told
        assert told.std() > 0.05
        assert np.abs(out - told).max() < 1e-2 * max(1.0, np.abs(told).max())


def test_a_written_network_that_is_read_again_tells_the_same(tmp_path):
    """Also while it learns, when each batch is normalised by itself: what was folded away is unfolded by the same pieces.
    It is read from its two halves."""
    rng = np.random.default_rng(4)
    layers = nets.close(8)
    x = rng.random((3, *CLOSE_SIZE, 3), np.float32)
    params = nets.start(layers, 6)
    written.write(layers, params, CLOSE_SIZE, ["map", "told"], tmp_path / "net.onnx.gz")
    written.cut_in_two(tmp_path / "net.onnx.gz")
    again = written.read(layers, sorted(tmp_path.glob("net*.onnx.gz")), x, seed=7)
    before, after = (nets.forward(layers, own, x)[0] for own in (params, again))
    for name in ("map", "told"):
        assert np.abs(np.asarray(before[name]) - np.asarray(after[name])).max() < 1e-2
    learning = nets.forward(layers, again, x, learning=True)[0]  # normalised by these very pieces
    assert np.abs(np.asarray(learning["told"]) - np.asarray(after["told"])).max() < 1e-2


def test_the_two_halves_of_a_network_tell_what_the_whole_tells(tmp_path):
    file, layers = tmp_path / "net.onnx.gz", nets.close(8)
    written.write(layers, nets.start(layers, 3), CLOSE_SIZE, ["map", "told"], file)
    x = np.random.default_rng(1).random((1, *CLOSE_SIZE, 3), np.float32)
    shown, told = _by_opencv(file, x, ["map", "told"])
    whole = file.stat().st_size
    written.cut_in_two(file)
    told_by_half, *handed = _by_opencv(file, x, ["told", *HANDED])
    net = _net(tmp_path / "net_map.onnx.gz")
    for name, values in zip(HANDED, handed, strict=True):
        net.setInput(values[None], name)
    assert np.abs(told_by_half - told).max() < 1e-3
    assert np.abs(net.forward()[0] - shown).max() < 1e-3
    assert 0.1 * whole < (tmp_path / "net_map.onnx.gz").stat().st_size < whole - file.stat().st_size + 0.2 * whole


def test_the_mean_of_two_networks_has_the_means_of_their_weights(tmp_path):
    layers = nets.close(8)
    files = [tmp_path / f"{number}.onnx.gz" for number in range(3)]
    for number, seed in enumerate((1, 2)):
        written.write(layers, nets.start(layers, seed), CLOSE_SIZE, ["map", "told"], files[number])
    written.write_mean(files[0], files[1], files[2])
    one, other, middle = (_weights(file) for file in files)
    assert one.keys() == other.keys() == middle.keys()
    for name in one:
        assert np.abs(middle[name] - (one[name] + other[name]) / 2).max() <= 1e-3 * max(1.0, np.abs(one[name]).max())
    assert any(np.abs(middle[name] - one[name]).max() > 0.01 for name in one)
    with pytest.raises(SystemExit):
        main([str(tmp_path), "--mean"])


def _weights(file):
    graph = onnx.load_from_string(gzip.decompress(file.read_bytes())).graph
    return {each.name: np.float32(onnx.numpy_helper.to_array(each)) for each in graph.initializer}


def test_a_layer_that_is_not_padded_sees_the_whole_map_at_once():
    layers = [nets.Layer("y", "conv", ("x",), 2, 5, padded=False, plain=True)]
    params = nets.start(layers, 1)
    x = np.random.default_rng(2).random((1, 5, 5, 3), np.float32)
    out = np.asarray(nets.forward(layers, params, x)[0]["y"])
    assert out.shape == (1, 1, 1, 2)
    assert out[0, 0, 0] == pytest.approx((x[0][..., None] * params["y"]["kernel"]).sum((0, 1, 2)), abs=1e-4)


@pytest.mark.skipif(not os.environ.get("DIAGNOSE_TRAIN"), reason="compiling takes minutes; DIAGNOSE_TRAIN=1 runs it")
def test_the_training_command_runs_on_a_plain_processor(tmp_path):
    """Two collages, three steps, an eighth of the channels; compiled without optimizing, which takes most of the time."""
    done = subprocess.run(
        [sys.executable, "-m", "diagnose.eye.train", str(tmp_path), "--network", "close", "--thin", "8", "--collages", "2",
         "--steps", "3", "--batch", "2", "--processes", "1"],
        cwd=TOP, capture_output=True, text=True, check=False,
        env=os.environ | {"JAX_PLATFORMS": "cpu", "JAX_DISABLE_MOST_OPTIMIZATIONS": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = re.search(r"^3 steps, loss (\S+)$", done.stdout, re.MULTILINE)
    assert told and np.isfinite(float(told[1]))
    assert json.loads((tmp_path / "judged_close.json").read_text())["close"]["test"]["n"] > 0
    grey = np.full((1, *CLOSE_SIZE, 3), 0.5, np.float32)
    assert all(np.isfinite(out).all() for out in _by_opencv(tmp_path / "close.onnx.gz", grey, ["told", *HANDED]))
