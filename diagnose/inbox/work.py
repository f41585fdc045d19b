"""How does a pile of messages become judged submissions: taken in once, each photo measured once, whatever happens?

Taking in, measuring and judging are three steps, each of which goes on where it was stopped: a message that is in the
log is not taken in again, a photo is measured again only by another measuring (measure.number). One bad photo never stops
the rest.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from diagnose.cannot_use import CannotUse
from diagnose.diagnosis import Circumstances, Diagnosis, diagnose_measured, measure_picture
from diagnose.fieldlog.store import Log
from diagnose.fieldlog.tables import Looked, Photo, Submission
from diagnose.inbox.ranking import LOOK, rank
from diagnose.inbox.taking import Progress, silent
from diagnose.inbox.taking import TakenIn as TakenIn
from diagnose.inbox.taking import take_in as take_in
from diagnose.inbox.workers import opened_here, shared_out
from diagnose.measure.join import join, taken_alone
from diagnose.measure.number import measuring
from diagnose.measure.record import Measurement, shapes_of
from diagnose.photo.picture import read_picture
from diagnose.signs import Sign, parse_signs, signs_as_json

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

FEW = 40  # so few submissions are judged sooner than workers are started; our choice
DEADLY = "measuring it stops the program; look at it yourself"


def look_at(data: bytes, name: str) -> dict[str, Any]:
    """What one photo yields, as plain values; never an error: why it yields nothing stands under `error`.

    Parameters
    ----------
    data, name
        The file's bytes, and its name [no unit].
    """
    try:
        picture = read_picture(data, name)
        plane, measurement = measure_picture(picture)
    except CannotUse as reason:
        return {"error": str(reason)}
    except Exception as problem:  # one photo's bad luck must not stop the hundreds behind it
        return {"error": f"it could not be measured ({type(problem).__name__}); look at it yourself"}
    return {
        "measured": signs_as_json(measurement.measured), "not_measured": dict(measurement.not_measured),
        "lines": measurement.lines(), "px_per_mm": measurement.px_per_mm(plane),
        "remarks": list(measurement.remarks), "taken": picture.taken.as_json(),
        "plane": None if plane is None else plane.as_json(), "size": list(picture.size),
    }


def _look(where: str, digest: str, name: str) -> dict[str, Any]:
    """In a worker: the photo is read from the log, so that no picture travels between processes."""
    try:
        data = opened_here(where).original(digest)
    except CannotUse as reason:
        return {"error": str(reason)}
    return look_at(data, name)


def unseen(log: Log) -> list[tuple[str, str]]:
    """Photos of submissions that this measuring has not seen: SHA-256 and name, in the order of their coming.

    Parameters
    ----------
    log
        That is read [no unit].
    """
    with log.reading() as session:
        rows = session.query(Submission.photos).filter(Submission.deleted.is_(False)).order_by(Submission.saved_at).all()
        done = {name for (name,) in session.query(Looked.sha256).filter(Looked.number == measuring())}
    names: dict[str, str] = {}
    for (photos,) in rows:
        names.update({digest: name for digest, name in photos.items() if digest not in done and digest not in names})
    return list(names.items())


def measure(log: Log, workers: int | None = None, scheduler: str | None = None, progress: Progress = silent) -> int:
    """Measures every photo that this measuring has not seen; returns how many.

    What waits for an answer and holds one of them is then to be judged anew.

    Parameters
    ----------
    log
        That is read and written to [no unit].
    workers
        Processes, all cores when None [no unit].
    scheduler
        Address of a Dask scheduler, to use its workers instead; they must reach the log by the same address [no unit].
    progress
        Called with the step's name, how many photos are done, and of how many [no unit].
    """
    todo = unseen(log)
    _judge_anew(log, {digest for digest, _ in todo})
    for number, (digest, told) in enumerate(shared_out(_look, log, todo, workers, scheduler), 1):
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



def judge(
    log: Log, region: str | None = None, by: str = "", again: bool = False, progress: Progress = silent,
    workers: int | None = None, scheduler: str | None = None,
) -> int:
    """Judges every submission that lies in no pile, and puts it into one; returns how many.

    Parameters
    ----------
    log
        That is read and written to [no unit].
    region
        Where the senders' plantings are; None where that is not known [no unit].
    by
        Initials of who lets them be judged [no unit].
    again
        Whether those that lie in a pile are judged too [no unit].
    progress, workers, scheduler
        As `measure` takes them [no unit].
    """
    with log.reading() as session:
        asked = session.query(Submission.id).filter(Submission.deleted.is_(False))
        names = [name for (name,) in (asked if again else asked.filter(Submission.pile == "")).order_by(Submission.saved_at)]
        twins = _twins(session) if names else {}
    todo = [(name, region or "", twins.get(name, "")) for name in names]
    for number, (name, found) in enumerate(shared_out(_judge, log, todo, workers if len(todo) >= FEW else 1, scheduler), 1):
        if found is not None:
            log.correct(name, by, "submission", **found)
        progress("judging", number, len(todo))
    return len(todo)


def judge_one(log: Log, name: str, region: str | None = None, by: str = "") -> None:
    """Judges one submission from what was measured in its photos and confirmed of its words.

    Parameters
    ----------
    log
        That is read and written to [no unit].
    name
        The submission's id [no unit].
    region, by
        As `judge` takes them [no unit].
    """
    row = log.record("submission", name)
    log.correct(name, by, "submission", **judged(log, row, region, row["twin"]))


def _judge(where: str, name: str, region: str, twin: str) -> dict[str, Any]:
    log = opened_here(where)
    try:
        return judged(log, log.record("submission", name), region or None, twin)
    except Exception as problem:  # one submission's bad luck must not stop the hundreds behind it
        told = str(problem) if isinstance(problem, CannotUse) else type(problem).__name__
        return {"pile": LOOK, "why": f"it could not be judged ({told}); look at it yourself", "worth": 1.0}


def judged(log: Log, row: Mapping[str, Any], region: str | None, twin: str) -> dict[str, Any]:
    """What is known of a submission once it is judged, by the names of its fields.

    Parameters
    ----------
    log
        That is read [no unit].
    row
        Of the submission [no unit].
    region
        As `judge` takes it [no unit].
    twin
        Id of the submission whose photos it repeats; empty for none [no unit].
    """
    found = looked(log, row["photos"])
    diagnosis = diagnosis_of(row, found, region)
    placed = rank(row, diagnosis, list(found.values()), twin)
    return {
        "signs": signs_as_json(diagnosis.signs), "verdict": diagnosis.verdict.as_json(),
        "barrier": diagnosis.barrier.as_json(), "twin": twin, "pile": placed.pile, "why": placed.why, "worth": placed.worth,
        "question": placed.question,
    }


NOT_YET = "not measured yet"


def looked(log: Log, photos: Iterable[str]) -> dict[str, dict[str, Any]]:
    """What this measuring, or else the last one, found in these photos: SHA-256 -> what look_at yielded, in their order.

    Parameters
    ----------
    log
        That is read [no unit].
    photos
        SHA-256 of each [no unit].
    """
    wanted, now = list(photos), measuring()
    with log.reading() as session:
        rows = session.query(Looked).filter(Looked.sha256.in_(wanted)).all()
        found = {row.sha256: row.found for row in sorted(rows, key=lambda row: (row.number == now, row.at))}
    return {digest: found.get(digest, {"error": NOT_YET}) for digest in wanted}


def diagnosis_of(row: Mapping[str, Any], found: Mapping[str, dict[str, Any]], region: str | None = None) -> Diagnosis:
    """The diagnosis of a submission: its photos joined, with what a person confirmed of its words over them.

    Parameters
    ----------
    row
        Of the submission [no unit].
    found
        What `looked` yields of its photos [no unit].
    region
        As `judge` takes it [no unit].
    """
    seen = {digest: told for digest, told in found.items() if told.get("measured")}
    names = [row["photos"][digest] or f"photo {number}" for number, digest in enumerate(seen, 1)]
    measurement = _one_wound([measured_in(told) for told in seen.values()], names) if seen else Measurement()
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
    if not (said := taken_alone(measurements, names)):
        return join(measurements, names)
    return replace(measurements[0], remarks=(said, *measurements[0].remarks))


def measured_in(told: Mapping[str, Any]) -> Measurement:
    """What was measured in one photo, with its lines where they were kept.

    Parameters
    ----------
    told
        As `look_at` yielded it [no unit].
    """
    measured: dict[str, Sign] = {name: replace(sign, how="photo") for name, sign in parse_signs(told["measured"]).items()}
    return Measurement(measured, dict(told["not_measured"]), shapes_of(told.get("lines", {})), tuple(told["remarks"]))


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
