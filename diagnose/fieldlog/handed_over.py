"""What did a phone hand over, and how does it become records of the log?

A phone's file is a ZIP: `about.json` (whose it is), `kept.jsonl` (a line a version of a record) and the photos as the phone
had them. Its versions become the changes of the log, under their own ids, so that it is taken in like a pack: in any
order, twice, from two crews. Photos are measured here, and what was measured stands beside what was answered.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zipfile import ZipFile

from diagnose.archives import unpacked
from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.fields import checked, is_id, names
from diagnose.fieldlog.rows import first_change
from diagnose.progress import Progress, silent
from diagnose.signs import Answer, Measured, Shares, Sign, Signs, parse_signs, vocabulary
from diagnose.texts import shown

if TYPE_CHECKING:
    from diagnose.diagnosis import Circumstances, Diagnosis

FORMAT = "browse pocket 1"
_KINDS = {"wound": "observation", "tree": "tally", "check": "check"}
_PHOTO_LIMIT = 150_000_000  # [byte]
_MOST_PHOTOS = 40  # of one wound
_SURE = 0.8  # probability of another form from which photo and person are said to disagree; our choice
_APART = 2.0  # standard uncertainties from which two figures are said to disagree; our choice


@dataclass
class FromPhone:
    """What a phone's file becomes.

    Parameters
    ----------
    photos, records
        As `_merge` takes them, what is pointed at first [no unit].
    where
        SHA-256 of a photo -> its entry [no unit].
    remarks
        A line for each thing that a person should know [no unit].
    """

    photos: list[dict[str, Any]] = field(default_factory=list)
    records: list[dict[str, Any]] = field(default_factory=list)
    where: dict[str, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)


def from_phone(packed: ZipFile, lines: Iterable[Mapping[str, Any]], known: Collection[str],
               progress: Progress = silent) -> FromPhone:
    """The records of a phone's file that the log has not.

    Parameters
    ----------
    packed
        The file, open [no unit].
    lines
        Versions, as the file has them [no unit].
    known
        Ids of changes that the log has already [no unit].
    progress
        Called with how many records of how many are done [no unit].

    Raises
    ------
    CannotUse
        For a version that makes no sense; nothing is taken in then.
    """
    by_record: dict[tuple[str, str], dict[str, Mapping[str, Any]]] = {}
    for line in lines:
        by_record.setdefault((_kind(line), str(line["record"])), {})[str(line["id"])] = line
    found = FromPhone()
    for done, ((kind, record), versions) in enumerate(by_record.items(), 1):
        ordered = sorted(versions.values(), key=lambda one: (str(one["id"]) != record, str(one["at"])))
        if not all(str(one["id"]) in known for one in ordered):
            _take(found, packed, kind, record, ordered)
        progress(done, len(by_record))
    return found


def _kind(line: Mapping[str, Any]) -> str:
    kind = str(line["kind"])
    if kind not in _KINDS or not is_id(str(line["id"])) or not is_id(str(line["record"])):
        raise CannotUse(f"the phone's file holds a '{shown(kind)}' that this version does not know; update this tool")
    return kind


def _take(found: FromPhone, packed: ZipFile, kind: str, record: str, versions: list[Mapping[str, Any]]) -> None:
    """Adds one record with its history, oldest version first."""
    log_kind = _KINDS[kind]
    first = versions[0]
    values, more = _values(found, packed, kind, record, first)
    own = {"id": record, "saved_at": _moment(first["at"]), "disputed": False}
    row = {**checked(log_kind, dict.fromkeys(set(names(log_kind)) - set(own)) | values), **own}
    whole = first["id"] == record
    history = [first_change(log_kind, row)] if whole else []
    before = values
    for one in versions[1:] if whole else versions:
        after, _ = _values(found, packed, kind, record, one, measured=False)
        changed = {name: value for name, value in after.items() if not whole or before.get(name) != value}
        history.append({
            "id": str(one["id"]), "kind": log_kind, "record": record, "at": _moment(one["at"]), "by": _by(one),
            "change": "deleted" if changed.get("deleted") else "corrected",
            "before": {name: before.get(name) for name in changed}, "after": checked(log_kind, changed),
            "seen": [str(each) for each in one.get("seen", [])]})
        before = {**before, **after}
    found.records.append({"kind": log_kind, "row": row, "history": history})
    found.records += more


def _values(found: FromPhone, packed: ZipFile, kind: str, record: str, one: Mapping[str, Any],
            measured: bool = True) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The fields of one version, and the records that hang on it. measured : look at its photos too."""
    told = one["values"]
    common = {"by": _by(one), "deleted": bool(told.get("deleted", False))}
    if kind == "tree":
        entry = {str(name): str(value) for name, value in told["entry"].items()}
        rest = {name: value for name, value in entry.items() if name not in ("site", "visit", "plot", "tree")}
        return {**common, "site": entry["site"], "day": entry["visit"], "plot": entry.get("plot", ""),
                "tree": entry.get("tree", ""), "entry": rest}, []
    if kind == "check":
        fields = ("barrier", "day", "finding", "stem_diameter_mm", "note")
        return {**common, **{name: told.get(name) for name in fields}}, []
    if not measured:  # of a wound only striking out can follow
        return common, []
    return _wound(found, packed, record, one, common)


def _wound(found: FromPhone, packed: ZipFile, record: str, one: Mapping[str, Any],
           common: Mapping[str, Any]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    from diagnose.fieldlog import fields_of

    told = one["values"]
    photos = [_photo(found, packed, each, str(one["at"])) for each in list(told.get("photos", []))[:_MOST_PHOTOS]]
    answers = _signs(told["signs"])
    diagnosis, remarks = _diagnosed([data for _, data in photos], [str(each["name"]) for each in told.get("photos", [])],
                                    answers, _around(told))
    name = str(told.get("plant") or record[:8])
    remarks += disagreements(answers, diagnosis.measurement.measured)
    found.remarks += [f"{name}: {remark}" for remark in remarks]
    place = told.get("position") or {}
    held = fields_of(diagnosis)
    if place:
        held |= {each: place.get(each) for each in ("lat", "lon", "error_m")}
    grid = f"grid {told['grid']}" if told.get("grid") else ""
    values = {
        **held, **common, "taken_at": told["taken_at"], "taken_local": False, "site": told.get("site", ""),
        "plot": told.get("plot", ""), "plant": told.get("plant", ""), "photo": photos[0][0] if photos else None,
        "note": "; ".join(filter(None, (str(told.get("note", "")), grid, *remarks)))}
    return values, [_picture(record, digest, one) for digest, _ in photos[1:]]


def _picture(record: str, digest: str, one: Mapping[str, Any]) -> dict[str, Any]:
    own = {"id": str(uuid.uuid5(uuid.UUID(record), digest)), "saved_at": _moment(one["at"]), "disputed": False}
    row = {**checked("picture", {"by": _by(one), "note": "", "deleted": False, "observation": record, "photo": digest,
                                 "role": "context"}), **own}
    return {"kind": "picture", "row": row, "history": [first_change("picture", row)]}


def _photo(found: FromPhone, packed: ZipFile, about: Mapping[str, Any], at: str) -> tuple[str, bytes]:
    """A photo's SHA-256 and its bytes, which must be those that the phone kept."""
    from diagnose.fieldlog.likeness import likeness

    entry = f"photos/{about['id']}"
    data = unpacked(packed, entry, _PHOTO_LIMIT)
    digest = hashlib.sha256(data).hexdigest()
    if about.get("sha256") not in (None, digest):
        raise CannotUse(f"the photo {shown(about['name'])} is not the one that the phone kept; hand it over again")
    if digest not in found.where:
        found.where[digest] = entry
        found.photos.append({"sha256": digest, "name": str(about["name"])[:200], "kept_at": _moment(at),
                             "likeness": likeness(data)})
    return digest, data


def _signs(told: Mapping[str, Mapping[str, Any]]) -> dict[str, Sign]:
    """The answers, checked like anybody's."""
    plain: dict[str, Any] = {}
    for name, sign in told.items():
        if "choice" in sign:
            plain[name] = sign["choice"]
        elif "found" in sign:
            plain[name] = [*sign["found"], *(["none"] if sign.get("complete") else [])]
        else:
            plain[name] = dict(sign)
    return parse_signs(plain)


def _around(told: Mapping[str, Any]) -> Circumstances:
    from diagnose.diagnosis import Circumstances

    given, position, snow = told.get("place"), told.get("position"), told.get("snow_mm")
    if given is None and position:
        given = (position["lat"], position["lon"])
    where = given if given is None or isinstance(given, str) else (float(given[0]), float(given[1]))
    return Circumstances(where, datetime.fromisoformat(str(told["taken_at"])).month, None if snow is None else float(snow))


def _diagnosed(photos: list[bytes], called: list[str], answers: Signs, around: Circumstances) -> tuple[Diagnosis, list[str]]:
    """The wound judged from its answers and from all of its photos that could be measured.

    Of photos that may show different wounds the first alone is judged, and it is asked whether they are of one.
    """
    from diagnose.diagnosis import diagnose_answers, diagnose_measured, diagnose_together, measure_picture
    from diagnose.measure.join import taken_alone
    from diagnose.photo.picture import read_picture

    each, remarks = [], []
    for data, name in zip(photos, called, strict=False):
        try:
            picture = read_picture(data, name)
            each.append(diagnose_measured(picture, *measure_picture(picture, circumstances=around), answers, around))
        except CannotUse as problem:
            remarks.append(f"photo {name} was kept but not measured: {problem}")
    measured = [one for one in each if one.measurement.measured]
    if asked := taken_alone([one.measurement for one in measured], [one.picture.name for one in measured if one.picture]):
        remarks.append(asked)
    elif len(measured) > 1:
        return diagnose_together(measured, answers, around), remarks
    return next(iter([*measured, *each]), None) or diagnose_answers(answers, around), remarks


def disagreements(answers: Signs, measured: Signs) -> list[str]:
    """Where a photo says something else than the person who stood there, a line each.

    Parameters
    ----------
    answers
        Of the person [no unit].
    measured
        In the photos [no unit].
    """
    found = []
    said, form = answers.get("cut_form"), measured.get("end_form")
    if isinstance(said, Answer) and isinstance(form, Shares) and said.choice in form.shares:
        seen = max(form.shares, key=lambda choice: form.shares[choice])
        if seen != said.choice and form.shares[seen] >= _SURE:
            found.append(_told("look of the cut", vocabulary()["cut_form"].choices[said.choice], seen))
    for name, one in measured.items():
        other = answers.get(name)
        if (isinstance(one, Measured) and isinstance(other, Measured)
                and abs(one.value - other.value) > _APART * (one.sigma**2 + other.sigma**2) ** 0.5):
            found.append(_told(vocabulary()[name].label, f"{other.value:g}", f"{one.value:.3g}"))
    return found + list(_in_span("cut_slant", answers, measured.get("seen_slope_deg"))) + list(
        _in_span("position", answers, measured.get("wound_height_mm")))


def _in_span(name: str, answers: Signs, one: Sign | None) -> Iterator[str]:
    """A figure that lies outside the span that an answer in words stands for."""
    from diagnose.culprits.catalogue import catalogue

    said, looks = answers.get(name), catalogue().class_looks
    if not isinstance(said, Answer) or not isinstance(one, Measured):
        return
    if name == "cut_slant":
        low, high = looks["cut"]["slant_of_slope"][said.choice]
    else:
        at = looks["place"]["zones"].index(said.choice)
        low, high = looks["place"]["zone_edges"][at:at + 2]
    if one.value + _APART * one.sigma < low or one.value - _APART * one.sigma > high:
        word = vocabulary()[name]
        found = f"{one.value:.0f} {'degrees' if name == 'cut_slant' else 'mm'}"
        yield _told(word.label, word.choices[said.choice], found)


def _told(label: str, said: str, seen: str) -> str:
    return f"{label}: answered {said}, measured {seen}"


def _by(one: Mapping[str, Any]) -> str:
    return str(one.get("by", ""))[:8]


def _moment(text: Any) -> str:
    return str(datetime.fromisoformat(str(text)).isoformat(timespec="microseconds"))
