"""How long does one photograph take, as a multiple of plainly decoding the same file, and how much memory?

A multiple measured in one run says the same on every machine, which seconds do not.
`python -m diagnose.validation.speed [FILE...]` prints it, without files for three stated pictures.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from diagnose.validation.memory import peak_mb

_WARM_RUNS = 7
_ALONE = """
import json, resource, sys
from pathlib import Path
from diagnose.validation.speed import cold
print(json.dumps(cold(Path(sys.argv[1]))))
"""


@dataclass(frozen=True)
class Speed:
    """Times of one file and the peak memory of a process that diagnoses it.

    Parameters
    ----------
    file
        Its name [no unit].
    megapixels, megabytes
        Of the picture, and of the file [Mpx, MB].
    decode_s, work_s
        Medians of alternating runs in one warm process [s].
    cold_decode_s, cold_work_s
        The first run of a fresh process after its imports [s].
    parts_s
        Where the warm time goes [s].
    peak_mb
        Of the fresh process [MB].
    """

    file: str
    megapixels: float
    megabytes: float
    decode_s: float
    work_s: float
    cold_decode_s: float
    cold_work_s: float
    parts_s: dict[str, float]
    peak_mb: float

    @property
    def multiple(self) -> float:
        """Warm work, from the file's bytes to measured wound and verdict, over warm decoding."""
        return self.work_s / self.decode_s

    @property
    def cold_multiple(self) -> float:
        """Cold work over cold decoding, in a fresh process [no unit]."""
        return self.cold_work_s / self.cold_decode_s


def _decode(data: bytes) -> None:
    import cv2
    import numpy as np

    cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)


def _diagnose(data: bytes) -> None:
    from diagnose.diagnosis import diagnose_photo

    diagnose_photo(data, name="speed")


def _seconds(work: Callable[[bytes], None], data: bytes) -> float:
    start = time.perf_counter()
    work(data)
    return time.perf_counter() - start


def _one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)


def cold(file: Path) -> dict[str, float]:
    """First decoding and first diagnosis in this process, after imports [s], and its peak memory [MB], by name.

    Parameters
    ----------
    file
        Of a picture [no unit].
    """
    import diagnose.diagnosis  # noqa: F401  the imports are not part of the work

    _one_thread()
    data = file.read_bytes()
    decode = _seconds(_decode, data)
    work = _seconds(_diagnose, data)
    return {"decode": decode, "work": work, "peak_mb": peak_mb()}


def _parts(data: bytes) -> dict[str, float]:
    """Seconds that the stages of one warm diagnosis take."""
    from diagnose.culprits.verdict import judge
    from diagnose.diagnosis import measure_picture
    from diagnose.photo.picture import CannotUse, read_picture
    from diagnose.photo.plane import find_card
    from diagnose.protect.requirement import require

    clock = [time.perf_counter()]
    picture = read_picture(data, "speed")
    clock.append(time.perf_counter())
    picture.bgr  # noqa: B018  decoded when first asked for
    clock.append(time.perf_counter())
    with contextlib.suppress(CannotUse):
        find_card(picture)
    clock.append(time.perf_counter())
    _, measured = measure_picture(picture)
    clock.append(time.perf_counter())
    verdict = judge(measured.measured)
    require(verdict.culprits)
    clock.append(time.perf_counter())
    read, decode, find, both, judged = (after - before for before, after in itertools.pairwise(clock))
    return {"read file": read, "decode": decode, "find card": find, "measure": both - find,
            "judge and size barrier": judged}


def measure_speed(file: Path, runs: int = _WARM_RUNS) -> Speed:
    """Times one picture file, warm in this process and cold in a fresh one, on a single thread.

    Parameters
    ----------
    file
        Of a picture [no unit].
    runs
        Times that it is decoded and diagnosed, warm [no unit].
    """
    from diagnose.photo.picture import read_picture

    _one_thread()
    data = file.read_bytes()
    width, height = read_picture(data, file.name).size
    _diagnose(data)
    decoded, worked = [], []
    for _ in range(runs):
        decoded.append(_seconds(_decode, data))
        worked.append(_seconds(_diagnose, data))
    alone = json.loads(subprocess.run([sys.executable, "-c", _ALONE, str(file)], capture_output=True, text=True,
                                      check=True).stdout)
    return Speed(file.name, width * height / 1e6, len(data) / 1e6, statistics.median(decoded),
                 statistics.median(worked), alone["decode"], alone["work"], _parts(data), alone["peak_mb"])


def stated_speeds() -> list[Speed]:
    """Times of the three pictures of 12 megapixels that are drawn for it, about 2, 4 and 8 MB."""
    from diagnose.simulate.large import write_large

    with tempfile.TemporaryDirectory() as folder:
        return [measure_speed(file) for file in write_large(Path(folder))]


def speed_as_text(found: Speed) -> str:
    """The times as lines, first of all the multiple of plain decoding.

    Parameters
    ----------
    found
        Of `measure_speed` [no unit].
    """
    parts = ", ".join(f"{name} {seconds / found.decode_s:.2f}" for name, seconds in found.parts_s.items())
    return (
        f"{found.file}: {found.megapixels:.1f} megapixels, {found.megabytes:.1f} MB\n"
        f"  from bytes to verdict {found.multiple:.1f} times plain decoding, warm; {found.cold_multiple:.1f} times, cold\n"
        f"  peak memory {found.peak_mb:.0f} MB\n  in units of one decode: {parts}"
    )


if __name__ == "__main__":
    for found in [measure_speed(Path(name)) for name in sys.argv[1:]] or stated_speeds():
        print(speed_as_text(found))
