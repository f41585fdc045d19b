"""Which real pictures may a maker of training pictures use, and how do they look when cut up for use?

Real pictures are told apart by the repository they come from: `split.csv` names for each file (by its hash) whether it
serves training, calibration or testing, so that no place and no camera is on both sides.
"""

from __future__ import annotations

import csv
import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

SPLITS = ("train", "calibrate", "test")
_TABLE = Path(__file__).with_name("split.csv")
_LIVING = re.compile(
    "hand|finger|knee|trunk|branch|tree|forest|leaf|leaves|grass|fern|flower|canopy|oak|bush|tea|fruit|sticks|mast|meadow|"
    "pole|post|wires|rod|animals"
)
_STRIP = 96  # rows of a straightened stem


@dataclass(frozen=True)
class Ground:
    """A real picture.

    Parameters
    ----------
    name, jpeg
        Its file's name and bytes [no unit].
    sure, bare
        Is no severed end in it, and neither plant nor hand? [no unit]
    """

    name: str
    jpeg: bytes
    sure: bool
    bare: bool


@dataclass(frozen=True)
class Straightened:
    """A real stem laid straight.

    Parameters
    ----------
    name
        Of its file [no unit].
    strip
        (96, n, 3) uint8, along the stem to the right, across from side to side [0 to 255].
    middle, half, length
        (n,) its axis and half its width at equal steps along, and its length [mean widths].
    plant
        Is it one? [no unit]
    """

    name: str
    strip: np.ndarray
    middle: np.ndarray
    half: np.ndarray
    length: float
    plant: bool


@dataclass(frozen=True)
class Material:
    """What one split may use.

    Parameters
    ----------
    split
        Of SPLITS [no unit].
    grounds, stems
        Real pictures, and real stems laid straight [no unit].
    barks, woods
        (h, w, 3) uint8 textures with the grain upright or across [0 to 255].
    """

    split: str
    grounds: tuple[Ground, ...] = ()
    barks: tuple[np.ndarray, ...] = ()
    woods: tuple[np.ndarray, ...] = ()
    stems: tuple[Straightened, ...] = ()


def load(folder: Path | None, split: str) -> Material:
    """The real pictures of a folder that belong to one split.

    Parameters
    ----------
    folder
        With `sources.csv` and the files it names; None for drawn textures alone [no unit].
    split
        Of SPLITS. A file that the table of splits does not know serves training [no unit].

    Raises
    ------
    ValueError
        For another split.
    """
    if split not in SPLITS:
        raise ValueError(f"split is {split!r}; it is one of {', '.join(SPLITS)}")
    if folder is None:
        return Material(split)
    with _TABLE.open(newline="") as lines:
        of_hash = {row["sha256"]: row["split"] for row in csv.DictReader(lines)}
    grounds: list[Ground] = []
    barks: list[np.ndarray] = []
    woods: list[np.ndarray] = []
    stems: list[Straightened] = []
    with (Path(folder) / "sources.csv").open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    for row in rows:
        data = (Path(folder) / row["file"]).read_bytes()
        if row["file"].startswith("ends/") or of_hash.get(hashlib.sha256(data).hexdigest(), "train") != split:
            continue
        if row["kind"] == "background":
            sure = row["end_in_view"] == "no"
            grounds.append(Ground(row["file"], data, sure, not _LIVING.search(row["shows"].lower())))
            continue
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
        if row["kind"] == "texture":
            (barks if row["shows"].startswith("bark") else woods).append(picture)
        elif row["kind"] == "stem":
            mask = cv2.imread(str((Path(folder) / row["file"]).with_suffix("")) + "_mask.png", cv2.IMREAD_GRAYSCALE)
            stem = straighten(row["file"], picture, mask, not row["shows"].startswith("NOT A PLANT"))
            if stem is not None:
                stems.append(stem)
    return Material(split, tuple(grounds), tuple(barks), tuple(woods), tuple(stems))


def straighten(name: str, bgr: np.ndarray, mask: np.ndarray, plant: bool) -> Straightened | None:
    """The longest stretch of a masked stem that has two plain sides, laid straight; None where it is short.

    Parameters
    ----------
    name
        That the stem bears [no unit].
    bgr
        (h, w, 3) uint8 blue, green, red [0 to 255].
    mask
        (h, w) uint8, over 127 on the stem [no unit].
    plant
        Is it one? [no unit]
    """
    y, x = np.nonzero(mask > 127)
    _, axes = cv2.PCACompute(np.float32(np.column_stack([x, y])[:: max(1, len(x) // 4000)]), mean=np.empty(0))
    h, w = mask.shape
    side = int(np.hypot(h, w)) + 2
    found = []
    for across in (0, 90):  # a crown of roots may be wider than its stem is long
        M = cv2.getRotationMatrix2D((w / 2, h / 2), np.degrees(np.arctan2(axes[0, 1], axes[0, 0])) + across, 1.0)
        M[:, 2] += (side - w) / 2, (side - h) / 2
        inside = cv2.warpAffine(mask, M, (side, side)) > 127
        count = inside.sum(0)
        top = inside.argmax(0)
        bottom = side - inside[::-1].argmax(0)
        usual = np.percentile(count[count > 8], 15 if across else 50)
        plain = (bottom - top < count + 3) & (count > 0.55 * usual) & (count < 1.7 * usual)
        runs = np.flatnonzero(np.diff(np.r_[0, plain.astype(np.int8), 0])).reshape(-1, 2) + (4, -4)
        first, last = max(runs, key=lambda run: run[1] - run[0], default=(0, 0))
        if last - first >= max(40, 1.5 * usual):
            found.append((first, last, M, top, bottom))
    if not found:
        return None
    first, last, M, top, bottom = found[0]
    bgr = cv2.warpAffine(bgr, M, (side, side), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    smooth = 0.15 * float(np.median((bottom - top)[first:last]))
    middle = cv2.GaussianBlur(np.float32((top + bottom - 1) / 2)[None, first:last], (0, 0), smooth)[0]
    half = cv2.GaussianBlur(np.float32((bottom - top) / 2)[None, first:last], (0, 0), smooth)[0]
    rows = np.linspace(-0.85, 0.85, _STRIP, dtype=np.float32)[:, None]
    at = np.float32(np.arange(first, last))[None].repeat(_STRIP, 0)
    strip = cv2.remap(bgr, at, middle + rows * half, cv2.INTER_LINEAR)
    width = float(2 * half.mean())
    chord = np.linspace(middle[0], middle[-1], len(middle))
    return Straightened(name, strip, (middle - chord) / width, half / width, float(last - first) / width, plant)


def picture(ground: Ground) -> np.ndarray:
    """A real picture decoded, (h, w, 3) uint8 blue, green, red [0 to 255].

    Parameters
    ----------
    ground
        A real picture as its file's bytes [no unit].
    """
    return cv2.imdecode(np.frombuffer(ground.jpeg, np.uint8), cv2.IMREAD_COLOR)
