"""How many photos a minute, and what stands in the way?

`python -m diagnose.inbox.benchmark [PHOTOS] [RUNS]` takes in distinct photos, measures, judges and saves them with one
worker and with two, and prints the ratio beside the machine's own ceiling: plain decoders of the same files, one and two
side by side. Starting the workers is left out: the clock runs from the tenth photo done to the last. One thread a worker.
"""

from __future__ import annotations

import os
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from diagnose.fieldlog.store import Log, open_log
from diagnose.inbox.intake import Message, Photo
from diagnose.inbox.simulate import seen_from_elsewhere
from diagnose.inbox.work import judge, look_at, measure, take_in
from diagnose.measure.accuracy import PHOTOS

WARM = 10  # photos done before the clock starts


def distinct_photos(many: int, seed: int = 3) -> list[bytes]:
    """As many different photos, made from the bundled ones."""
    rng = np.random.default_rng(seed)
    sources = [file.read_bytes() for file in sorted(PHOTOS.rglob("*.jpg"))]
    return [seen_from_elsewhere(sources[number % len(sources)], rng) for number in range(many)]


def enlarged(data: bytes, megapixels: float) -> bytes:
    """The photo at more pixels, for the cost of a large file only; what it shows is no sharper."""
    bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert bgr is not None
    factor = (megapixels * 1e6 / (bgr.shape[0] * bgr.shape[1])) ** 0.5
    large = cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
    return cv2.imencode(".jpg", large, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()


def a_log_of(photos: Sequence[bytes], folder: Path) -> Log:
    """A log with a submission for each photo, not measured yet."""
    log = open_log(folder)
    take_in(log, (Message(f"photo {number}", photos=(Photo(f"{number}.jpg", data),)) for number, data in enumerate(photos)))
    return log


def photos_a_second(photos: Sequence[bytes], workers: int) -> float:
    """Measured and saved a second, then judged; from the tenth on."""
    with tempfile.TemporaryDirectory() as folder:
        log = a_log_of(photos, Path(folder))
        times: list[float] = []
        measure(log, workers, progress=lambda _step, _done, _of: times.append(time.perf_counter()))
        start = time.perf_counter()
        judge(log, "east")
        judging = (time.perf_counter() - start) * (len(photos) - WARM) / len(photos)
        return (len(photos) - WARM) / (times[-1] - times[WARM - 1] + judging)


def _decode(files: Sequence[bytes]) -> float:
    cv2.setNumThreads(1)
    start = time.perf_counter()
    for data in files:
        cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    return time.perf_counter() - start


def ceiling(photos: Sequence[bytes], rounds: int = 8) -> float:
    """How many times faster two plain decoders side by side are than one."""
    files = list(photos) * rounds
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        list(pool.map(_decode, [files[:2], files[:2]]))
        alone = pool.submit(_decode, files).result()
        half = len(files) // 2
        start = time.perf_counter()
        list(pool.map(_decode, [files[:half], files[half:]]))
        return alone / (time.perf_counter() - start)


def cost_of_one(data: bytes, rounds: int = 5) -> tuple[float, float]:
    """Seconds to measure one photo, and to decode it plainly; the median of some rounds each."""
    cv2.setNumThreads(1)
    look_at(data, "warm.jpg")
    measured, decoded = [], []
    for _ in range(rounds):
        start = time.perf_counter()
        look_at(data, "photo.jpg")
        measured.append(time.perf_counter() - start)
        decoded.append(_decode([data]))
    return statistics.median(measured), statistics.median(decoded)


def main(many: int = 120, runs: int = 3) -> None:
    os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
    photos = distinct_photos(many)
    print(f"{many} distinct photos; {runs} runs, the median counts; load average now {os.getloadavg()[0]:.1f}")
    gained, limits = [], []
    for _ in range(runs):
        one, two = photos_a_second(photos, 1), photos_a_second(photos, 2)
        limits.append(ceiling(photos[:20]))
        gained.append(two / one)
        print(f"  one worker {one:.2f}/s, two {two:.2f}/s: {two / one:.2f} times; two decoders {limits[-1]:.2f} times one")
    gain, limit = statistics.median(gained), statistics.median(limits)
    print(f"two workers are {gain:.2f} times one, {gain / limit:.2f} of the ceiling")
    card = next(data for data in photos if "end_diameter_mm" in look_at(data, "photo.jpg").get("measured", {}))
    for name, data in (("small", card), ("8 megapixels", enlarged(card, 8.2)), ("12 megapixels", enlarged(card, 12.2))):
        cost, plain = cost_of_one(data)
        print(f"  {name}: {1000 * cost:.0f} ms, {cost / plain:.1f} times its plain decode of {1000 * plain:.0f} ms")
    costs = [cost_of_one(data, 1)[0] for data in photos[:40]]
    middle, most = 1000 * statistics.median(costs), 1000 * max(costs)
    print(f"  40 photos under 3 megapixels: median {middle:.0f} ms, most {most:.0f} ms")
    workers, own = (resource.getrusage(whose).ru_maxrss / 1024 for whose in (resource.RUSAGE_CHILDREN, resource.RUSAGE_SELF))
    print(f"peak memory of any worker {workers:.0f} MB, of this process, which holds all photos, {own:.0f} MB")
    a_day = photos_a_day(gain, statistics.median(costs))
    print(f"at this rate a machine of two cores does {a_day:,.0f} photos a day; 1,000,000 need {1e6 / a_day:.1f} such days")


def photos_a_day(gain: float, seconds: float) -> float:
    """What a machine does in a day at this cost of one photo and this gain of its cores."""
    return 86_400 / seconds * gain


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]))
