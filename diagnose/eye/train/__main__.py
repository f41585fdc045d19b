"""Makes the training pictures and the weights: `python -m diagnose.eye.train OUT`.

Draws collages (of the pictures in `--pictures`, where given), takes further rendered pictures with their truth from
`--also`, fits the finder and the close network, judges them on pieces of the kinds kept away, and writes finder.onnx.gz,
close.onnx.gz, close_map.onnx.gz and judged.json into OUT.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any
from zlib import crc32

import cv2
import numpy as np

from diagnose.extras import need
from diagnose.eye import pieces as eye_pieces
from diagnose.eye.train import collage, rendered, samples
from diagnose.eye.train.shown import Shown

KINDS = {"on_card": 0.42, "free": 0.3, "nothing": 0.16, "bark": 0.12}  # share of each among the collages


def _cut(shown: Shown, rng: np.random.Generator, network: str, taken: bool) -> tuple[list[samples.Wide], list[samples.Near]]:
    wide = list(samples.wide_pieces(shown, rng)) if network != "close" else []
    near = list(samples.close_pieces(shown, rng)) if network != "finder" else []
    if taken:
        further = samples.taken_pieces(shown, rng)
        wide += further[0] if network != "close" else []
        near += further[1] if network != "finder" else []
    return wide, near


def _of_rendered(file: Path, network: str, taken: bool) -> tuple[list[samples.Wide], list[samples.Near]]:
    cv2.setNumThreads(1)
    return _cut(rendered.read(file), np.random.default_rng(crc32(file.name.encode())), network, taken)


def _of_collages(
    seeds: range, pictures: Path | None, split: str, network: str, taken: bool
) -> tuple[list[samples.Wide], list[samples.Near]]:
    cv2.setNumThreads(1)
    material = collage.load(pictures, split)
    wides, nears = [], []
    for seed in seeds:
        rng = np.random.default_rng([seed, ("train", "calibrate", "test").index(split)])
        kind = rng.choice(list(KINDS), p=list(KINDS.values()))
        wide, near = _cut(getattr(collage, kind)(rng, material), rng, network, taken)
        wides += wide
        nears += near
    return wides, nears


def pieces(
    split: str,
    collages: int,
    pictures: Path | None,
    also: list[Path],
    processes: int,
    network: str = "both",
    taken: bool = False,
) -> dict[str, np.ndarray]:
    """The pieces of one split: of collages, and of rendered pictures.

    Parameters
    ----------
    split
        train, calibrate or test [no unit].
    collages
        How many are drawn [no unit].
    pictures
        Folder of real pictures; None for drawn textures alone [no unit].
    also
        Folders below which those whose names hold the split's hold rendered pictures [no unit].
    processes
        That draw at once [no unit].
    network
        finder, close or both: what they are for [no unit].
    taken
        Further pieces where the eye as it stands sees an end, rightly or not? [no unit]

    Returns
    -------
    dict of str to numpy.ndarray
        As `samples.packed` gives them.
    """
    files = [file for folder in also for file in sorted(folder.glob(f"*{split}*/*.json"))]
    chunks = [range(k, min(k + 25, collages)) for k in range(0, collages, 25)]
    wides, nears = [], []
    with ProcessPoolExecutor(processes) as pool:
        parts = list(pool.map(partial(_of_collages, pictures=pictures, split=split, network=network, taken=taken), chunks))
        parts += list(pool.map(partial(_of_rendered, network=network, taken=taken), files, chunksize=4))
    for wide, near in parts:
        wides += wide
        nears += near
    return samples.packed(wides, nears)


def _some(shown: np.ndarray, most: int = 200) -> np.ndarray:
    """Some of the pieces, 0 to 1."""
    return np.float32(shown[:: max(1, len(shown) // most)]) / 255


def main(arguments: list[str] | None = None) -> None:
    """Makes pictures and weights, and judges them; see the head of this file.

    Parameters
    ----------
    arguments
        Of the command line; None for the process's own [no unit].
    """
    parser = argparse.ArgumentParser(prog="python -m diagnose.eye.train", description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--network", choices=("finder", "close", "both"), default="both")
    parser.add_argument("--begin", type=Path, help="folder with networks to go on from, else from drawn weights")
    parser.add_argument("--mean", action="store_true", help="write the mean of the weights of --begin and of those after it")
    parser.add_argument("--rate", type=float, default=2e-3, help="the highest rate of learning, no unit")
    parser.add_argument("--pictures", type=Path, help="folder of real pictures, as split.csv names them")
    parser.add_argument("--also", type=Path, action="append", default=[], help="folder of rendered pictures")
    parser.add_argument("--taken", action="store_true", help="also pieces where the eye as it is sees an end")
    parser.add_argument("--collages", type=int, default=6000)
    parser.add_argument("--seconds", type=float, default=420.0, help="of training, for each network")
    parser.add_argument("--steps", type=int, default=10**9, help="at most")
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--thin", type=int, default=1, help="divides the channels of all layers, for a quick trial")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args(arguments)
    if given.mean and given.begin is None:
        parser.error("--mean needs --begin, whose weights are the other half")
    need("train", "training")
    given.out.mkdir(parents=True, exist_ok=True)
    make = partial(pieces, pictures=given.pictures, also=given.also, processes=given.processes, network=given.network,
                   taken=given.taken)  # fmt: skip
    data = {"train": make("train", given.collages)}
    data |= {split: make(split, max(given.collages // 10, min(given.collages, 24))) for split in ("calibrate", "test")}
    # JAX is started only after the processes that draw have ended
    from diagnose.eye.train import fit, judged, nets, written

    result: dict[str, Any] = {split: {name: len(own[name]) for name in ("wide", "near")} for split, own in data.items()}
    print(result, flush=True)
    say = partial(print, flush=True)
    if given.network != "close":
        kept = {name: value for name, value in data["train"].items() if name.startswith("wide")}
        layers = nets.finder(given.thin)
        begin = None if given.begin is None else written.read(layers, [given.begin / "finder.onnx.gz"], _some(kept["wide"]))
        params = fit.fit(
            layers, fit.finder_loss, kept, given.seconds, given.batch, given.seed, say, given.steps, begin, given.rate
        )
        written.write(layers, params, eye_pieces.FINDER_SIZE, ["map"], given.out / "finder.onnx.gz")
        result["finder"] = {split: judged.finder(layers, params, data[split]) for split in ("calibrate", "test")}
    if given.network != "finder":
        kept = {name: value for name, value in data["train"].items() if name.startswith("near")}
        layers = nets.close(given.thin)
        halves = [] if given.begin is None else sorted(given.begin.glob("close*.onnx.gz"))
        begin = written.read(layers, halves, _some(kept["near"])) if halves else None
        params = fit.fit(
            layers, fit.close_loss, kept, given.seconds, 2 * given.batch, given.seed, say, given.steps, begin, given.rate
        )
        written.write(layers, params, eye_pieces.CLOSE_SIZE, ["map", "told"], given.out / "close.onnx.gz")
        written.cut_in_two(given.out / "close.onnx.gz")
        result["close"] = {split: judged.close(layers, params, data[split])[0] for split in ("calibrate", "test")}
    if given.mean:  # judged were the weights after; what the mean is worth, whole pictures tell
        for file in (file for name in ("finder", "close") if given.network in (name, "both")
                     for file in given.out.glob(f"{name}*.onnx.gz")):
            written.write_mean(given.begin / file.name, file, file)
    (given.out / f"judged_{given.network}.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
