"""How does a pile of messages become judged submissions: taken in once, each photo measured once, whatever happens?

Taking in, measuring and judging are three steps, each of which goes on where it was stopped: a message that is in the
log is not taken in again, a photo is measured again only by another measuring (measure.number). One bad photo never stops
the rest. Workers, here or on other machines, only read the log and reckon; one place saves what they send back.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache
from itertools import islice
from multiprocessing import get_context, parent_process
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any

from diagnose.cannot_use import CannotSave, CannotUse
from diagnose.diagnosis import Circumstances, Diagnosis, diagnose_measured, measure_picture
from diagnose.fieldlog.store import Log, open_log
from diagnose.fieldlog.tables import Looked, Photo, Sender, Submission
from diagnose.inbox.grouping import Seen, groups
from diagnose.inbox.intake import Message, messages
from diagnose.inbox.ranking import LOOK, rank
from diagnose.inbox.told import proposals
from diagnose.measure.join import join, two_wounds
from diagnose.measure.number import measuring
from diagnose.measure.record import Measurement
from diagnose.photo.picture import read_picture
from diagnose.signs import Sign, parse_signs, signs_as_json

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

Progress = Callable[[str, int, int], None]


FEW = 40  # so few submissions are judged sooner than workers are started; our choice
WORKER_BYTES = 1_000_000_000  # that one worker takes at most, see photo/decode.py
MEMORY_SHARE = 0.75  # of the machine's memory that all workers may take together; our choice
KEPT = 1 << 30  # most that a worker keeps of freed memory [byte], far more than it ever takes
DEADLY = "measuring it stops the program; look at it yourself"


def _silent(_what: str, _done: int, _of: int) -> None:
    pass


@dataclass
class TakenIn:
    """What an intake brought. refused : lines about what could not be used."""

    new: int = 0
    added_to: int = 0
    already: int = 0
    photos: int = 0
    refused: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        line = (f"{self.new} new submissions with {self.photos} photos, {self.added_to} letters added to older ones, "
                f"{self.already} letters were there already")
        return "\n".join([line, *self.refused])


def take_in(log: Log, place: str | Path | Iterable[Message], by: str = "", progress: Progress = _silent) -> TakenIn:
    """Takes the messages of a folder, ZIP, mail file or mail box into the log, grouped into submissions.

    place : where they lie, or the messages themselves. A message that cannot be taken in becomes a line, the rest is taken
    in; raises CannotUse where nothing can be saved at all.
    """
    with log.reading() as session:
        there = session.query(Submission).filter(Submission.deleted.is_(False)).order_by(Submission.saved_at).all()
        known = [(row.id, row.letters) for row in there]
        address = dict(session.query(Sender.id, Sender.address).all())
        senders = {row.id: address.get(row.sender or "", "") for row in there}
        likeness = dict(session.query(Photo.sha256, Photo.likeness).all())
    done, letters = TakenIn(), {key for _, told in known for key in told}
    seen = [_seen_again(key, senders[name], told[key], likeness) for name, told in known for key in told]
    owner = [name for name, told in known for _ in told]
    fresh: list[Message] = []
    came = messages(place) if isinstance(place, str | Path) else place
    for number, message in enumerate(came, 1):
        progress("taking in", number, 0)
        done.refused += message.refused
        if message.key in letters or not (message.photos or message.words or message.about):
            done.already += message.key in letters
            continue
        try:
            kept = [log.take_photo(photo.data, photo.name) for photo in message.photos]
        except CannotSave:
            raise
        except Exception as problem:  # one message's bad luck must not stop the hundreds behind it
            done.refused.append(_left_out(message, problem))
            continue
        letters.add(message.key)
        done.photos += len(kept)
        seen.append(Seen(message.key, message.address, message.thread, message.at, message.about,
                         tuple(digest for digest, _ in kept), tuple(alike for _, alike in kept)))
        named = tuple(replace(photo, data=b"") for photo in message.photos)
        fresh.append(replace(message, photos=named))
    start = len(owner)
    for group in groups(seen) if fresh else ():
        new = [(fresh[place - start], seen[place]) for place in group if place >= start]
        old = next((owner[place] for place in group if place < start), None)
        if not new:
            continue
        try:
            _save(log, old, new, by, done)
        except CannotSave:
            raise
        except Exception:  # each by itself, so that one letter takes none of those that belong to it along
            for one in new:
                try:
                    _save(log, old, [one], by, done)
                except CannotSave:
                    raise
                except Exception as problem:
                    done.refused.append(_left_out(one[0], problem))
    return done


def _save(log: Log, old: str | None, new: Sequence[tuple[Message, Seen]], by: str, done: TakenIn) -> None:
    if old is None:
        _save_new(log, new, by)
        done.new += 1
    else:
        _add(log, old, new, by)
        done.added_to += len(new)


def _left_out(message: Message, problem: Exception) -> str:
    why = str(problem) if isinstance(problem, CannotUse) else type(problem).__name__
    called = " ".join((message.about or message.key).split())[:60]
    return f"'{called}' from {message.address or 'an unknown sender'} was not taken in ({why}); look at it yourself"


def _seen_again(key: str, address: str, told: Mapping[str, Any], likeness: Mapping[str, str | None]) -> Seen:
    digests = tuple(told["photos"])
    return Seen(key, address, tuple(told["thread"]), None if told["at"] is None else datetime.fromisoformat(told["at"]),
                told["about"], digests, tuple(likeness.get(digest) for digest in digests))


def _letter(seen: Seen) -> dict[str, Any]:
    return {"thread": list(seen.thread), "at": None if seen.at is None else seen.at.isoformat(), "about": seen.about,
            "photos": list(seen.digests)}


def _photos_of(new: Sequence[tuple[Message, Seen]]) -> dict[str, str]:
    return {digest: photo.name for message, seen in new
            for digest, photo in zip(seen.digests, message.photos, strict=True)}


def _save_new(log: Log, new: Sequence[tuple[Message, Seen]], by: str) -> None:
    first, times = new[0][0], [message.at for message, _ in new if message.at is not None]
    words = "\n\n".join(message.words for message, _ in new if message.words)
    log.save(
        "submission", key=first.key, sender=_sender(log, first, by), by=by, about=first.about, words=words,
        received_at=min(times).isoformat() if times else None, letters={seen.key: _letter(seen) for _, seen in new},
        photos=_photos_of(new), told={"proposed": _proposed(words), "confirmed": {}},
    )


def _add(log: Log, name: str, new: Sequence[tuple[Message, Seen]], by: str) -> None:
    row = log.record("submission", name)
    words = "\n\n".join([row["words"], *(message.words for message, _ in new if message.words)]).strip()
    told = {"proposed": _proposed(words), "confirmed": row["told"].get("confirmed", {})}
    log.correct(name, by, "submission", words=words, told=told, photos={**row["photos"], **_photos_of(new)}, pile="",
                letters={**row["letters"], **{seen.key: _letter(seen) for _, seen in new}})


def _proposed(words: str) -> dict[str, Any]:
    return {one.sign: one.as_json() for one in proposals(words)}


def _sender(log: Log, message: Message, by: str) -> str | None:
    if not message.address:
        return None
    with log.reading() as session:
        there = session.query(Sender.id).filter(Sender.address == message.address, Sender.deleted.is_(False)).first()
    return str(there[0]) if there else log.save("sender", address=message.address, name=message.name, by=by)


# ---- measuring ----


def look_at(data: bytes, name: str) -> dict[str, Any]:
    """What one photo yields, as plain values; never an error: why it yields nothing stands under `error`."""
    try:
        picture = read_picture(data, name)
        plane, measurement = measure_picture(picture)
    except CannotUse as reason:
        return {"error": str(reason)}
    except Exception as problem:  # one photo's bad luck must not stop the hundreds behind it
        return {"error": f"it could not be measured ({type(problem).__name__}); look at it yourself"}
    return {
        "measured": signs_as_json(measurement.measured), "not_measured": dict(measurement.not_measured),
        "remarks": list(measurement.remarks), "taken": picture.taken.as_json(),
        "plane": None if plane is None else plane.as_json(), "size": list(picture.size),
    }


@lru_cache(maxsize=1)
def _opened(where: str) -> Log:
    """In a worker: the log, opened once."""
    settle()
    return open_log(where)


def settle() -> None:
    """Make this process one of as many workers as there are cores: it keeps to one thread, and to its memory.

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
    _opened(where)


def _end_with_parent() -> None:
    """A worker whose parent was killed would otherwise wait for work for ever."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _look(where: str, digest: str, name: str) -> dict[str, Any]:
    """In a worker: the photo is read from the log, so that no picture travels between processes."""
    try:
        data = _opened(where).original(digest)
    except CannotUse as reason:
        return {"error": str(reason)}
    return look_at(data, name)


def unseen(log: Log) -> list[tuple[str, str]]:
    """Photos of submissions that this measuring has not seen: SHA-256 and name, in the order of their coming."""
    with log.reading() as session:
        rows = session.query(Submission.photos).filter(Submission.deleted.is_(False)).order_by(Submission.saved_at).all()
        done = {name for (name,) in session.query(Looked.sha256).filter(Looked.number == measuring())}
    names: dict[str, str] = {}
    for (photos,) in rows:
        names.update({digest: name for digest, name in photos.items() if digest not in done and digest not in names})
    return list(names.items())


def measure(log: Log, workers: int | None = None, scheduler: str | None = None, progress: Progress = _silent) -> int:
    """Measures every photo that this measuring has not seen; returns how many. What waits for an answer and holds one of
    them is then to be judged anew. workers : processes, all cores when None. scheduler : address of a Dask scheduler, to
    use its workers instead; they must reach the log by the same address."""
    todo = unseen(log)
    _judge_anew(log, {digest for digest, _ in todo})
    for number, (digest, told) in enumerate(_shared_out(_look, log, todo, workers, scheduler), 1):
        with log.writing() as session:
            session.merge(Looked(sha256=digest, number=measuring(), at=datetime.now(UTC).isoformat(timespec="microseconds"),
                                 found=told or {"error": DEADLY}))
        progress("measuring", number, len(todo))
    return len(todo)


def _judge_anew(log: Log, digests: Collection[str]) -> None:
    """Takes the submissions with these photos that nobody has answered off their piles."""
    if not digests:
        return
    with log.reading() as session:
        waiting = session.query(Submission.id, Submission.photos).filter(
            Submission.deleted.is_(False), Submission.pile != "", Submission.answered_at.is_(None)).all()
    for name, photos in waiting:
        if not photos.keys().isdisjoint(digests):
            log.correct(name, "", "submission", pile="")


# ---- sharing out ----

# What a worker does: it is given the address of the log, the name of what is to be done, and what else it must know.
Task = Callable[..., dict[str, Any]]
Done = tuple[str, dict[str, Any] | None]


def _shared_out(
    task: Task, log: Log, todo: Sequence[tuple[str, ...]], workers: int | None, scheduler: str | None
) -> Iterator[Done]:
    """Each name of todo with what the task yielded, as they come; with None where it stopped the program."""
    where, many = _address(log), min(workers or os.cpu_count() or 1, most_workers())
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
                    with _deaf_to_ctrl_c():
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
def _deaf_to_ctrl_c() -> Iterator[None]:
    """Processes started meanwhile pass Ctrl+C over, which reaches them too: who feeds them ends them, and says so once."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _alone(task: Task, where: str, one: tuple[str, ...]) -> dict[str, Any] | None:
    with _pool(where, 1) as pool:
        try:
            with _deaf_to_ctrl_c():
                asked = pool.submit(task, where, *one)
            return asked.result()
        except BrokenProcessPool:
            return None


def _on_dask(task: Task, where: str, todo: Sequence[tuple[str, ...]], scheduler: str) -> Iterator[Done]:
    try:
        from distributed import Client, KilledWorker
        from distributed import as_completed as completed
    except ModuleNotFoundError:
        raise CannotUse('a scheduler needs Dask: pip install "browse-diagnose[many]"') from None
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


def _address(log: Log) -> str:
    """What another process opens the log with."""
    return log.where if log.folder is not None else log.engine.url.render_as_string(hide_password=False)


# ---- judging ----


def judge(
    log: Log, region: str | None = None, by: str = "", again: bool = False, progress: Progress = _silent,
    workers: int | None = None, scheduler: str | None = None,
) -> int:
    """Judges every submission that lies in no pile, and puts it into one; returns how many. again : all of them.
    workers, scheduler : as for measure."""
    with log.reading() as session:
        asked = session.query(Submission.id).filter(Submission.deleted.is_(False))
        names = [name for (name,) in (asked if again else asked.filter(Submission.pile == "")).order_by(Submission.saved_at)]
        twins = _twins(session) if names else {}
    todo = [(name, region or "", twins.get(name, "")) for name in names]
    for number, (name, found) in enumerate(_shared_out(_judge, log, todo, workers if len(todo) >= FEW else 1, scheduler), 1):
        if found is not None:
            log.correct(name, by, "submission", **found)
        progress("judging", number, len(todo))
    return len(todo)


def judge_one(log: Log, name: str, region: str | None = None, by: str = "") -> None:
    """Judges one submission from what was measured in its photos and confirmed of its words."""
    row = log.record("submission", name)
    log.correct(name, by, "submission", **judged(log, row, region, row["twin"]))


def _judge(where: str, name: str, region: str, twin: str) -> dict[str, Any]:
    log = _opened(where)
    try:
        return judged(log, log.record("submission", name), region or None, twin)
    except Exception as problem:  # one submission's bad luck must not stop the hundreds behind it
        return {"pile": LOOK, "why": f"it could not be judged ({type(problem).__name__}); look at it yourself", "worth": 1.0}


def judged(log: Log, row: Mapping[str, Any], region: str | None, twin: str) -> dict[str, Any]:
    """What is known of a submission once it is judged, by the names of its fields. twin : who sent its photos before."""
    found = looked(log, row["photos"])
    diagnosis = diagnosis_of(row, found, region)
    placed = rank(row, diagnosis, list(found.values()), twin)
    return {
        "signs": signs_as_json(diagnosis.signs), "verdict": diagnosis.verdict.as_json(),
        "barrier": diagnosis.barrier.as_json(), "twin": twin, "pile": placed.pile, "why": placed.why, "worth": placed.worth,
        "question": placed.question,
    }


def looked(log: Log, photos: Iterable[str]) -> dict[str, dict[str, Any]]:
    """What this measuring, or else the last one, found in these photos: SHA-256 -> what look_at told, in their order."""
    wanted, now = list(photos), measuring()
    with log.reading() as session:
        rows = session.query(Looked).filter(Looked.sha256.in_(wanted)).all()
        found = {row.sha256: row.found for row in sorted(rows, key=lambda row: (row.number == now, row.at))}
    return {digest: found.get(digest, {"error": "not measured yet"}) for digest in wanted}


def diagnosis_of(row: Mapping[str, Any], found: Mapping[str, dict[str, Any]], region: str | None = None) -> Diagnosis:
    """The diagnosis of a submission: its photos joined, with what a person confirmed of its words over them."""
    seen = {digest: told for digest, told in found.items() if told.get("measured")}
    names = [row["photos"][digest] or f"photo {number}" for number, digest in enumerate(seen, 1)]
    measurement = _one_wound([_measurement(told) for told in seen.values()], names) if seen else Measurement()
    answers = parse_signs(row["told"].get("confirmed", {}))
    place, month = region, None
    for told in found.values():
        taken = told.get("taken") or {}
        if taken.get("time"):
            month = month or int(str(taken["time"])[5:7])
    if month is None and row.get("received_at"):
        month = int(str(row["received_at"])[5:7])
    return diagnose_measured(None, None, measurement, answers, Circumstances(place, month))


def _one_wound(measurements: list[Measurement], names: list[str]) -> Measurement:
    """The photos joined; the first alone where they may be of different wounds, with a remark that says so."""
    apart = two_wounds(measurements, names)
    if not apart:
        return join(measurements, names)
    said = f"a photo stands apart ({'; '.join(apart)}): are they of one wound? Only {names[0]} is judged"
    return replace(measurements[0], remarks=(said, *measurements[0].remarks))


def _measurement(told: Mapping[str, Any]) -> Measurement:
    measured: dict[str, Sign] = {name: replace(sign, how="photo") for name, sign in parse_signs(told["measured"]).items()}
    return Measurement(measured, dict(told["not_measured"]), {}, tuple(told["remarks"]))


def _twins(session: Session) -> dict[str, str]:
    """Submission -> an earlier one of another sender whose photos it repeats, every one of them."""
    from diagnose.fieldlog.likeness import alike

    rows = session.query(Submission.id, Submission.sender, Submission.photos).filter(
        Submission.deleted.is_(False)).order_by(Submission.saved_at).all()
    likeness = dict(session.query(Photo.sha256, Photo.likeness).all())
    digests = list(dict.fromkeys(digest for _, _, photos in rows for digest in photos if likeness.get(digest)))
    first = {digest: digest for digest in likeness}
    for one, other in alike([str(likeness[digest]) for digest in digests]):
        first[digests[other]] = first[digests[one]]
    twins: dict[str, str] = {}
    owner: dict[str, str] = {}
    for name, _, photos in rows:
        shown = {first.get(digest, digest) for digest in photos}
        before = {owner[digest] for digest in shown if digest in owner}
        if shown and len(before) == 1 and all(digest in owner for digest in shown):
            twins[name] = before.pop()
        for digest in shown:
            owner.setdefault(digest, name)
    return twins
