"""How is work shared out to processes here, or to workers on other machines, so that one that dies takes nothing along?

Workers only read the log and reckon; one place saves what they send back.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from functools import lru_cache
from itertools import islice
from multiprocessing import get_context, parent_process
from pathlib import Path
from threading import Thread, current_thread, main_thread
from typing import Any

from diagnose.cannot_use import CannotUse
from diagnose.extras import lacking
from diagnose.fieldlog.store import Log, open_log

WORKER_BYTES = 1_000_000_000  # that one worker takes at most, see photo/decode.py
MEMORY_SHARE = 0.75  # of the machine's memory that all workers may take together; our choice
KEPT = 1 << 30  # most that a worker keeps of freed memory [byte], far more than it ever takes

# What a worker does: it is given the address of the log, the name of what is to be done, and what else it must know.
Task = Callable[..., dict[str, Any]]
Done = tuple[str, dict[str, Any] | None]


def shared_out(
    task: Task, log: Log, todo: Sequence[tuple[str, ...]], workers: int | None, scheduler: str | None
) -> Iterator[Done]:
    """Each name of todo with what the task yielded, as they come; with None where it stopped the program.

    Parameters
    ----------
    task
        What a worker does [no unit].
    log
        That the workers read [no unit].
    todo
        Name of each piece of work, and what else the task must know of it [no unit].
    workers
        Processes, all cores when None; never more than the memory holds [no unit].
    scheduler
        Address of a Dask scheduler, to use its workers instead; None or empty for this machine's [no unit].

    Raises
    ------
    CannotUse
        Where no scheduler answers, or Dask is not installed.
    """
    where, many = address_of(log), min(workers or os.cpu_count() or 1, most_workers())
    if not todo:
        return iter(())
    if scheduler:
        return _on_dask(task, where, todo, scheduler)
    if many == 1:
        return ((one[0], task(where, *one)) for one in todo)
    return _on_cores(task, where, todo, many)


def most_workers() -> int:
    """As many processes as may measure at once so that all together keep to MEMORY_SHARE of this machine's memory."""
    try:
        memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (ValueError, OSError, AttributeError):  # a system that does not tell
        return 4
    with suppress(OSError, ValueError):  # a container may have less (cgroup v2)
        memory = min(memory, int(Path("/sys/fs/cgroup/memory.max").read_text()))
    return max(1, int(MEMORY_SHARE * memory // WORKER_BYTES))


def _on_cores(task: Task, where: str, todo: Sequence[tuple[str, ...]], workers: int) -> Iterator[Done]:
    left = {one[0]: one for one in todo}
    while left:
        waiting: dict[Future[dict[str, Any]], str] = {}
        supply = iter(list(left.values()))
        pool = _pool(where, workers)
        try:
            while True:
                # a few more than there are workers: memory does not grow with the pile
                while len(waiting) < 2 * workers and (one := next(supply, None)) is not None:
                    with deaf_to_ctrl_c():
                        waiting[pool.submit(task, where, *one)] = one[0]
                if not waiting:
                    break
                done = next(as_completed(waiting))
                result = done.result()
                name = waiting.pop(done)
                del left[name]
                yield name, result
        except BrokenProcessPool:
            # one of those in flight stopped its process: each is tried alone, so that only the guilty one is set aside
            for name in waiting.values():
                yield name, _alone(task, where, left.pop(name))
        finally:
            pool.shutdown(cancel_futures=True)


def _pool(where: str, workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(workers, get_context("spawn"), _start_worker, (where,))


@contextmanager
def deaf_to_ctrl_c() -> Iterator[None]:
    """Processes started meanwhile pass Ctrl+C over, which reaches them too: who feeds them ends them, and says so once.

    Ctrl+C that comes meanwhile is heard afterwards, lest a process be left half started. The mask alone does not hold it
    off: it is of this thread, and any other thread takes the signal for the whole process.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    heard: list[int] = []
    told = signal.getsignal(signal.SIGINT)
    here = current_thread() is main_thread() and callable(told)
    if here:
        signal.signal(signal.SIGINT, lambda number, _: heard.append(number))
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        if here:
            signal.signal(signal.SIGINT, told)
            if heard:
                signal.raise_signal(signal.SIGINT)


def _alone(task: Task, where: str, one: tuple[str, ...]) -> dict[str, Any] | None:
    with _pool(where, 1) as pool:
        try:
            with deaf_to_ctrl_c():
                asked = pool.submit(task, where, *one)
            return asked.result()
        except BrokenProcessPool:
            return None


def _on_dask(task: Task, where: str, todo: Sequence[tuple[str, ...]], scheduler: str) -> Iterator[Done]:
    try:
        from distributed import Client, KilledWorker
        from distributed import as_completed as completed
    except ModuleNotFoundError:
        raise lacking("many", "a scheduler") from None
    try:
        client = Client(scheduler, timeout=10)
    except (OSError, ValueError) as problem:
        raise CannotUse(f"no scheduler answers at {scheduler} ({problem}); start one with dask scheduler") from None
    named: dict[Any, tuple[str, ...]] = {}
    suspects: list[tuple[str, ...]] = []

    def submit(one: tuple[str, ...]) -> Any:
        future = client.submit(task, where, *one, pure=False)
        named[future.key] = one
        return future

    with client:
        supply = iter(todo)
        running = completed([submit(one) for one in islice(supply, 4 * max(1, len(client.nthreads())))])
        for done in running:
            try:
                yield named[done.key][0], done.result()
            except KilledWorker:
                suspects.append(named[done.key])
            named.pop(done.key)
            if (one := next(supply, None)) is not None:
                running.add(submit(one))
        # who was beside a photo that stops its worker may be stopped with it: each is tried alone
        for one in suspects:
            try:
                yield one[0], submit(one).result()
            except KilledWorker:
                yield one[0], None


def address_of(log: Log) -> str:
    """What another process opens the log with.

    Parameters
    ----------
    log
        An open log [no unit].
    """
    return log.where if log.folder is not None else log.engine.url.render_as_string(hide_password=False)


@lru_cache(maxsize=1)
def opened_here(where: str) -> Log:
    """In a worker: the log, opened once.

    Parameters
    ----------
    where
        Address of the log [no unit].
    """
    limit_to_one_thread()
    return open_log(where)


def limit_to_one_thread() -> None:
    """Limit this worker to one thread, and let it keep the memory that it frees: there are as many workers as cores.

    The C library gives large pieces back to the system as soon as they are freed; to get new ones for the next photo
    takes up to half as long as to decode it. mallopt(3) is glibc's; elsewhere nothing is changed.
    """
    import cv2

    cv2.setNumThreads(1)
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):
            c_library = ctypes.CDLL(None)
            for trim_or_map in (-1, -3):  # M_TRIM_THRESHOLD, M_MMAP_THRESHOLD
                c_library.mallopt(trim_or_map, KEPT)


def _start_worker(where: str) -> None:
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"
    Thread(target=_end_with_parent, daemon=True).start()
    opened_here(where)


def _end_with_parent() -> None:
    """A worker whose parent was killed would otherwise wait for work for ever."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
