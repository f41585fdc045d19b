"""Which pictures is the speed measured on?

Twigs on the card at 12 megapixels, as files of about 2, 4 and 8 MB, and small photos enlarged. Each of the former is
drawn at its full size, with grain in bark, wood and ground down to the pixel. The size of the file is reached by the
JPEG quality alone. `python -m diagnose.simulate.large FOLDER` writes them.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from diagnose.simulate.twig import TwigSetting, as_jpeg, raster_of

MEGABYTES = (2.0, 4.0, 8.0)
SCENE = TwigSetting(
    seed=12, size=(4000, 3000), theta=38.0, roll=25.0, diameter=6.0, heading=200.0, tilt=14.0, noise=0.02, stub=True
)
GRAIN = 5.0, 1.5  # standard deviation of the grain that enlarged photos get, in grey and in colour [grey levels]


def write_large(folder: Path, megabytes: Sequence[float] = MEGABYTES, scene: TwigSetting = SCENE) -> list[Path]:
    """One file for each size, to the nearest JPEG quality; the folder is made where it is missing.

    Parameters
    ----------
    folder
        That is written to [no unit].
    megabytes
        Size of each file [10^6 byte].
    scene
        That is drawn [no unit].
    """
    bgr, _ = raster_of(scene)
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for wanted in megabytes:
        data = of_size(bgr, scene, wanted * 1e6)
        files.append(folder / f"twig_{wanted:g}MB.jpg")
        files[-1].write_bytes(data)
    return files


def of_size(bgr: np.ndarray, scene: TwigSetting, wanted: float) -> bytes:
    """The JPEG whose size comes nearest to a size, found by halving the range of qualities.

    Parameters
    ----------
    bgr
        The picture, (h, w, 3) uint8 [no unit].
    scene
        That it shows [no unit].
    wanted
        Size of the file [byte].
    """
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


def enlarged(data: bytes, megapixels: float) -> bytes:
    """A photo enlarged to a camera's size and grained, as JPEG of quality 92, its EXIF kept.

    Parameters
    ----------
    data
        A picture file's bytes [no unit].
    megapixels
        Of the enlarged picture [10^6 px].
    """
    with Image.open(io.BytesIO(data)) as stored:
        shown = np.asarray(stored.convert("RGB"))
        exif = stored.getexif()
    by = float(np.sqrt(megapixels * 1e6 / (shown.shape[0] * shown.shape[1])))
    large = cv2.resize(shown, None, fx=by, fy=by, interpolation=cv2.INTER_CUBIC)
    rng, (height, width) = np.random.default_rng(1), large.shape[:2]
    grey = cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), 0.6)
    colour = cv2.resize(rng.normal(0, 1, (height // 2, width // 2, 3)).astype(np.float32), (width, height))
    grained = large + GRAIN[0] * (grey / grey.std())[..., None] + GRAIN[1] * colour
    out = io.BytesIO()
    Image.fromarray(np.clip(grained, 0, 255).astype(np.uint8)).save(out, "JPEG", quality=92, exif=exif)
    return out.getvalue()


if __name__ == "__main__":
    for file in write_large(Path(sys.argv[1])):
        print(file, f"{file.stat().st_size / 1e6:.1f} MB")
