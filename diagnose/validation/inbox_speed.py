"""How many photos a minute, in how much memory, and what stands in the way?

`python -m diagnose.validation.inbox_speed [PHOTOS] [RUNS]` takes in distinct photos, measures, judges and saves them
with one worker and with two, and prints the ratio beside the machine's own ceiling: plain decoders of the same files, one
and two side by side. Taking in is left out, and so are the first ten photos measured and the first ten submissions
judged, while the workers start. One thread a worker; nothing is kept from one run to the next.

`python -m diagnose.validation.inbox_speed costs` prints what one photo costs, beside its plain decode: the bundled photos,
the same enlarged to 8 and 12 megapixels with a sensor's grain, so that they are as long to decode as a camera's, and one
drawn at these sizes. `python -m diagnose.validation.inbox_speed enlarged FOLDER` does the second for the photos of other
folders, and `python -m diagnose.validation.inbox_speed memory [FEW] [MANY]` the most memory that a worker, and what
feeds the workers, took for few photos and for many.
"""

from __future__ import annotations

import os
import re
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import groupby
from multiprocessing import active_children, get_context
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np

from diagnose.fieldlog.store import Log, open_log
from diagnose.inbox.intake import Message, Photo
from diagnose.inbox.work import judge, look_at, measure, take_in
from diagnose.inbox.workers import limit_to_one_thread
from diagnose.simulate.large import MEGABYTES, SCENE, enlarged, of_size
from diagnose.simulate.pile import seen_from_elsewhere
from diagnose.simulate.twig import raster_of
from diagnose.validation.accuracy import PHOTOS

WARM = 10  # photos done before the clock starts


def distinct_photos(many: int, seed: int = 3) -> Iterator[bytes]:
    """As many different photos, made from the bundled ones.

    Parameters
    ----------
    many
        How many [no unit].
    seed
        Of the random draw [no unit].
    """
    rng = np.random.default_rng(seed)
    sources = [file.read_bytes() for file in sorted(PHOTOS.rglob("*.jpg"))]
    return (seen_from_elsewhere(sources[number % len(sources)], rng) for number in range(many))


def a_log_of(photos: Iterable[bytes], folder: str) -> Log:
    """A log with a submission for each photo, not measured yet.

    Parameters
    ----------
    photos
        Files' bytes [no unit].
    folder
        That is written to [no unit].
    """
    log = open_log(folder)
    take_in(log, (Message(f"photo {number}", photos=(Photo(f"{number}.jpg", data),)) for number, data in enumerate(photos)))
    return log


# ---- speed ----


class Pace(NamedTuple):
    """How fast photos are taken in.

    Parameters
    ----------
    a_second
        Measured, judged and saved [photos/s].
    judging
        Share of the time that judging took [share].
    """

    a_second: float
    judging: float


def pace(photos: Sequence[bytes], workers: int) -> Pace:
    """How fast the photos go through, from the tenth on.

    Parameters
    ----------
    photos
        Files' bytes [no unit].
    workers
        Processes [no unit].
    """
    with tempfile.TemporaryDirectory() as folder:
        log = a_log_of(photos, folder)
        ends: dict[str, list[float]] = {"measuring": [], "judging": []}

        def note(step: str, _done: int, _of: int) -> None:
            ends[step].append(time.perf_counter())

        measure(log, workers, progress=note)
        judge(log, "east", progress=note, workers=workers)
        each = {step: (times[-1] - times[WARM - 1]) / (len(times) - WARM) for step, times in ends.items()}
        whole = each["measuring"] + each["judging"]
        return Pace(1 / whole, each["judging"] / whole)


def _decode(files: Sequence[bytes]) -> float:
    cv2.setNumThreads(1)
    start = time.perf_counter()
    for data in files:
        cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    return time.perf_counter() - start


def ceiling(photos: Sequence[bytes], rounds: int = 30) -> float:
    """How many times faster two plain decoders side by side are than one.

    Parameters
    ----------
    photos
        Files' bytes [no unit].
    rounds
        Times that each is decoded [no unit].
    """
    files = list(photos)
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        list(pool.map(_decode, [files, files]))
        alone = statistics.median(pool.submit(_decode, files).result() for _ in range(rounds))
        both = statistics.median(max(pool.map(_decode, [files, files])) for _ in range(rounds))
    return 2 * alone / both


def cost_of_one(data: bytes, rounds: int = 5) -> tuple[float, float]:
    """Processor seconds to measure one photo, and to decode it plainly; medians of rounds that take turns.

    Parameters
    ----------
    data
        A picture file's bytes [no unit].
    rounds
        Times that it is measured and decoded [no unit].
    """
    limit_to_one_thread()
    look_at(data, "warm.jpg")
    measured, decoded = [], []
    for _ in range(rounds):
        start = time.process_time()
        look_at(data, "photo.jpg")
        between = time.process_time()
        _decode([data])
        measured.append(between - start)
        decoded.append(time.process_time() - between)
    return statistics.median(measured), statistics.median(decoded)


def speed(many: int = 120, runs: int = 3) -> None:
    """Prints how much two workers gain, and the machine's ceiling.

    Parameters
    ----------
    many
        Photos [no unit].
    runs
        Times that they go through [no unit].
    """
    photos = list(distinct_photos(many))
    print(f"{many} distinct photos of 1.7 megapixels; the median of {runs} runs counts")
    gained, limits, two_workers = [], [], []
    for _ in range(runs):
        one, two = pace(photos, 1), pace(photos, 2)
        limits.append(ceiling(photos[:20]))
        gained.append(two.a_second / one.a_second)
        two_workers.append(two.a_second)
        print(f"  one worker {one.a_second:.2f}/s (judging {100 * one.judging:.0f} %), two {two.a_second:.2f}/s (judging "
              f"{100 * two.judging:.0f} %): {gained[-1]:.2f} times; two decoders {limits[-1]:.2f} times", flush=True)
    gain, limit = statistics.median(gained), statistics.median(limits)
    print(f"two workers are {gain:.2f} times one: {gain / limit:.2f} of the ceiling")
    days = 1e6 / statistics.median(two_workers) / 86_400
    print(f"at the pace of two workers 1,000,000 photos take {days:.1f} days")


def costs_enlarged(photos: Path = PHOTOS) -> None:
    """Prints what the photos of each folder cost, enlarged to 8 and 12 megapixels.

    Parameters
    ----------
    photos
        Folder of scenes [no unit].
    """
    for megapixels in (8, 12):
        for place, files in groupby(sorted(photos.rglob("*.jpg")), lambda file: file.parent.name):
            each = [enlarged(file.read_bytes(), megapixels) for file in files]
            spent = [cost_of_one(data) for data in each]
            ratios = [cost / plain for cost, plain in spent]
            print(f"{place}, {megapixels} megapixels, {statistics.median(map(len, each)) / 1e6:.1f} MB: median "
                  f"{1000 * statistics.median(cost for cost, _ in spent):.0f} ms, {statistics.median(ratios):.1f} times its "
                  f"plain decode; most {1000 * max(spent)[0]:.0f} ms, {max(ratios):.1f} times, "
                  f"{sum(ratio > 4 for ratio in ratios)} of {len(ratios)} over four times; "
                  f"all together {sum(cost for cost, _ in spent) / sum(plain for _, plain in spent):.1f} times", flush=True)


def costs() -> None:
    """Prints what each bundled photo costs, as it is and enlarged, and drawn ones of 8 and 12 megapixels."""
    for place, files in groupby(sorted(PHOTOS.rglob("*.jpg")), lambda file: file.parent.name):
        each = [1000 * cost_of_one(file.read_bytes())[0] for file in files]
        print(f"{place}, 1.7 megapixels: median {statistics.median(each):.0f} ms, most {max(each):.0f} ms of one core")
    costs_enlarged()
    for size in ((3264, 2448), (4000, 3000)):
        scene = replace(SCENE, size=size)
        bgr, _ = raster_of(scene)
        for share in MEGABYTES:  # as many bytes a pixel as the files that the speed of one photo is measured on
            data = of_size(bgr, scene, size[0] * size[1] * share / 12)
            cost, plain = cost_of_one(data)
            print(f"{size[0] * size[1] / 1e6:.0f} megapixels, {len(data) / 1e6:.1f} MB: {1000 * cost:.0f} ms, "
                  f"{cost / plain:.1f} times its plain decode")


# ---- memory ----


def _most_mb(pid: int | str) -> float:
    """The most memory that a running process has taken until now [MB]; Linux keeps this figure, other systems do not."""
    told = re.search(r"VmHWM:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    return int(told[1]) / 1024 if told else 0.0


def memory_for(many: int, workers: int = 2) -> tuple[float, float]:
    """Most memory of a worker and of this process, for taking in, measuring and judging so many photos [MB].

    Parameters
    ----------
    many
        Photos [no unit].
    workers
        Processes [no unit].
    """
    most = [0.0]

    def note(_step: str, done: int, of: int) -> None:
        if done == of:  # the workers are idle, but still there to be asked
            most.extend(_most_mb(child.pid) for child in active_children() if child.pid is not None)

    with tempfile.TemporaryDirectory() as folder:
        log = a_log_of(distinct_photos(many), folder)
        measure(log, workers, progress=note)
        judge(log, "east", progress=note, workers=workers)
    return max(most), _most_mb("self")


def memory(few: int = 100, many: int = 2_000) -> None:
    """Prints the most memory for few photos and for many, each from a fresh start.

    Parameters
    ----------
    few
        Photos [no unit].
    many
        Photos [no unit].
    """
    for count in (few, many):
        with ProcessPoolExecutor(1, get_context("spawn")) as pool:
            worker, feeder = pool.submit(memory_for, count).result()
        print(f"{count} photos: at most {worker:.0f} MB in a worker, {feeder:.0f} MB in what feeds them", flush=True)


def _in_own_process(work: Callable[..., None], *given: Path) -> None:
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        pool.submit(work, *given).result()


if __name__ == "__main__":
    # told before a process loads numpy, which reads it then: what is timed runs in processes that are started from here
    os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
    cv2.setNumThreads(1)
    words = sys.argv[1:]
    if words[:1] == ["costs"]:
        _in_own_process(costs)
    elif words[:1] == ["enlarged"]:
        _in_own_process(costs_enlarged, Path(words[1]))
    elif words[:1] == ["memory"]:
        memory(*(int(word) for word in words[1:3]))
    else:
        speed(*(int(word) for word in words[:2]))
