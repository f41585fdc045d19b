"""Which pictures is the speed measured on? Twigs on the card at 12 megapixels, as files of about 2, 4 and 8 MB.

Each is drawn at its full size, with grain in bark, wood and ground down to the pixel; nothing is enlarged. The size of
the file is reached by the JPEG quality alone. `python -m diagnose.measure.simulate.large FOLDER` writes them.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from diagnose.measure.simulate.twig import Setting, as_jpeg, raster_of

MEGABYTES = (2.0, 4.0, 8.0)
SCENE = Setting(
    seed=12, size=(4000, 3000), theta=38.0, roll=25.0, diameter=6.0, heading=200.0, tilt=14.0, noise=0.02, stub=True
)


def write_large(folder: Path, megabytes: Sequence[float] = MEGABYTES, scene: Setting = SCENE) -> list[Path]:
    """One file for each size in 10^6 bytes, to the nearest JPEG quality; the folder is made where it is missing."""
    bgr, _ = raster_of(scene)
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for wanted in megabytes:
        data = of_size(bgr, scene, wanted * 1e6)
        files.append(folder / f"twig_{wanted:g}MB.jpg")
        files[-1].write_bytes(data)
    return files


def of_size(bgr: np.ndarray, scene: Setting, wanted: float) -> bytes:
    """The JPEG whose size comes nearest to `wanted` [bytes], found by halving the range of qualities."""
    low, high = 30, 100
    tried: dict[int, bytes] = {}
    while low <= high:
        middle = (low + high) // 2
        tried[middle] = as_jpeg(bgr, replace(scene, jpeg=middle))
        if len(tried[middle]) < wanted:
            low = middle + 1
        else:
            high = middle - 1
    return min(tried.values(), key=lambda data: abs(len(data) - wanted))


if __name__ == "__main__":
    for file in write_large(Path(sys.argv[1])):
        print(file, f"{file.stat().st_size / 1e6:.1f} MB")
