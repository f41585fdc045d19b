"""Two crews' logs become one: the union of both, whatever the order, and disagreements stand side by side."""

from __future__ import annotations

import json
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog import log as log_module
from diagnose.fieldlog import store
from diagnose.fieldlog.changes import Change, resolve
from diagnose.fieldlog.merge import disputes, merge, pack
from diagnose.fieldlog.query import Query
from diagnose.fieldlog.store import Log, open_log
from diagnose.fieldlog.tables import KINDS, History, Photo
from diagnose.fieldlog.verify import verify

Place = Callable[[str], str]


def _everything(log: Log) -> dict[str, Any]:
    """All that a log holds, in no order."""
    with log.reading() as session:
        rows = {
            kind: sorted(json.dumps({column.key: getattr(row, column.key) for column in table.__table__.columns},
                                    sort_keys=True) for row in session.scalars(select(table)))
            for kind, table in {**KINDS, "history": History, "photo": Photo}.items()
        }
    return rows


def test_a_pack_brings_everything_and_a_second_time_nothing(place: Place, tmp_path: Path) -> None:
    one, two = open_log(place("one")), open_log(place("two"))
    saved = one.save_observation(photo=b"bytes", site="a", by="AB")
    one.correct(saved.id, by="AB", site="b")
    one.add_photo(saved.id, b"more", role="whole plant")
    one.save("plot", site="b", name="P1")
    packed = pack(one, tmp_path / "one.pack")
    brought = merge(two, packed)
    assert (brought.records, brought.changes, brought.photos, brought.disputed) == (3, 4, 2, 0)
    assert _everything(two) == _everything(one)
    assert two.original(two.observation(saved.id)["photo"]) == b"bytes"
    assert verify(two).good
    again = merge(two, packed)
    assert (again.records, again.changes, again.photos) == (0, 0, 0)
    assert _everything(two) == _everything(one)


def test_the_same_wound_edited_twice_is_shown_side_by_side_until_somebody_decides(place: Place) -> None:
    one, two = open_log(place("one")), open_log(place("two"))
    name = one.save_observation(site="a", by="AB").id
    merge(two, one)
    one.correct(name, by="AB", named="rabbit")
    two.correct(name, by="CD", named="hare", note="big droppings")
    merge(one, two)
    merge(two, one)
    for log in (one, two):
        (dispute,) = disputes(log)
        assert (dispute.record, dispute.field) == (name, "named")
        assert {(side.by, side.after["named"]) for side in dispute.sides} == {("AB", "rabbit"), ("CD", "hare")}
        assert log.observation(name)["note"] == "big droppings"  # what only one had changed is no conflict
    one.correct(name, by="EF", named="hare")
    merge(two, one)
    assert disputes(one) == disputes(two) == []
    assert two.observation(name)["named"] == "hare"


def test_what_one_crew_deleted_while_another_changed_it_stays_and_is_shown(place: Place) -> None:
    one, two = open_log(place("one")), open_log(place("two"))
    name = one.save_observation(site="a").id
    merge(two, one)
    one.delete(name, by="AB")
    two.correct(name, by="CD", note="still there")
    merge(one, two)
    assert [each.field for each in disputes(one)] == ["deleted"]
    assert len(one.observations()) == 1
    one.delete(name, by="AB")
    assert disputes(one) == [] and one.observations().empty


def test_a_correction_overrules_what_it_had_seen_whatever_the_clocks_say(
        place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    one, two = open_log(place("one")), open_log(place("two"))
    name = one.save_observation(site="a").id
    one.correct(name, by="AB", site="b")
    merge(two, one)
    monkeypatch.setattr(log_module, "now", lambda: "2001-01-01T00:00:00.000000+00:00")
    two.correct(name, by="CD", site="c")  # by a clock that is decades slow
    merge(one, two)
    assert one.observation(name)["site"] == "c" and disputes(one) == []


# an independent model: each write remembers the set of all writes that its log held; no graph, no search
@dataclass(frozen=True)
class _Write:
    id: str
    record: str
    values: tuple[tuple[str, Any], ...]
    knew: frozenset[str]


@dataclass
class _Model:
    records: set[str] = field(default_factory=set)
    writes: dict[str, _Write] = field(default_factory=dict)

    def standing(self, record: str, name: str) -> list[_Write]:
        mine = [each for each in self.writes.values() if each.record == record and name in dict(each.values)]
        return [each for each in mine if not any(each.id in other.knew for other in mine)]


_MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # a disk that need not be waited for
_STEPS = st.lists(
    st.tuples(
        st.integers(0, 2),  # which log
        st.sampled_from(["save", "edit", "edit", "delete", "restore", "merge", "merge"]),
        st.integers(0, 5),  # which record, or which other log
        st.sampled_from(["site", "note", "named"]),
        st.sampled_from(["x", "y", "z"]),
        st.integers(-50_000, 50_000),  # the clock's error [s]
    ),
    min_size=4, max_size=22,
)


def _act(logs: list[Log], models: list[_Model], steps: list[Any], monkeypatch: pytest.MonkeyPatch) -> None:
    for number, (which, what, other, name, value, skew) in enumerate(steps):
        log, model = logs[which], models[which]
        clock = 1_700_000_000 + number + skew
        monkeypatch.setattr(log_module, "now", lambda t=clock: datetime.fromtimestamp(t, UTC).isoformat(
            timespec="microseconds"))
        if what == "save":
            model.records.add(log.save_observation(site="first").id)
        elif what == "merge":
            merge(log, logs[other % 3])
            model.records |= models[other % 3].records
            model.writes = {**model.writes, **models[other % 3].writes}
        elif model.records:
            record = sorted(model.records)[other % len(model.records)]
            values = {"deleted": what == "delete"} if what in ("delete", "restore") else {name: value}
            before = _change_ids(log)
            log.correct(record, by=f"crew {which}", **values)
            (new,) = _change_ids(log) - before
            model.writes[new] = _Write(new, record, tuple(values.items()), frozenset(model.writes))


def _change_ids(log: Log) -> set[str]:
    with log.reading() as session:
        return set(session.scalars(select(History.id)))


def _agrees(log: Log, model: _Model) -> None:
    rows = log.records("observation", deleted=True).set_index("id")
    assert set(rows.index) == model.records
    assert _change_ids(log) == set(model.writes) | model.records
    found = {(each.record, each.field): {side.id for side in each.sides} for each in disputes(log)}
    for record in model.records:
        for name in ("site", "note", "named"):
            standing = model.standing(record, name)
            values = {dict(each.values)[name] for each in standing}
            if len(values) > 1:
                assert found[(record, name)] == {each.id for each in standing}
                assert rows.loc[record, name] in values
            else:
                assert (record, name) not in found
                if values:
                    assert rows.loc[record, name] == values.pop()
        _deletion_agrees(model, record, bool(rows.loc[record, "deleted"]), (record, "deleted") in found)


def _deletion_agrees(model: _Model, record: str, deleted: bool, disputed: bool) -> None:
    gone = {dict(each.values)["deleted"] for each in model.standing(record, "deleted")}
    if deleted:
        assert gone == {True} and not disputed
    if gone == {True, False}:
        assert disputed
    if gone == {True} and not deleted:
        assert disputed
    if gone <= {False}:
        assert not disputed


@given(steps=_STEPS, order=st.permutations([0, 1, 2]))
@settings(max_examples=15, deadline=None)
def test_merged_logs_hold_the_union_whatever_the_order(steps: list[Any], order: list[int]) -> None:
    with tempfile.TemporaryDirectory(dir=_MEMORY) as folder, pytest.MonkeyPatch.context() as monkeypatch:
        logs = [_quick(Path(folder) / f"log {number}") for number in range(3)]
        models = [_Model(), _Model(), _Model()]
        _act(logs, models, steps, monkeypatch)
        for log, model in zip(logs, models, strict=True):
            _agrees(log, model)
        union = _Model(set().union(*(each.records for each in models)),
                       {name: write for each in models for name, write in each.writes.items()})
        straight, shuffled, nested = (_quick(Path(folder) / name) for name in ("straight", "shuffled", "nested"))
        for number in (0, 1, 2):
            merge(straight, logs[number])
        for number in [*order, order[0]]:  # another order, one of them twice
            merge(shuffled, logs[number])
        merge(logs[1], logs[2])  # one with two and three joined before
        merge(nested, logs[1])
        merge(nested, logs[0])
        assert _everything(straight) == _everything(shuffled) == _everything(nested)
        _agrees(straight, union)


def _quick(folder: Path) -> Log:
    """A log that does not wait for the disk: what is tested here is no power cut."""
    log = open_log(folder)
    store.event.listen(log.engine, "connect", lambda connection, _: connection.execute("pragma synchronous=off"))
    log.engine.dispose()
    return log


@given(st.permutations(range(4)), st.lists(st.sampled_from(["x", "y"]), min_size=4, max_size=4))
def test_what_stands_depends_on_the_set_of_changes_alone(order: list[int], values: list[str]) -> None:
    parents: list[tuple[str, ...]] = [(), ("0",), ("0",), ("1", "2")]
    changes = [Change(str(n), f"2026-01-0{9 - n}", "AB", "corrected", {}, {"site": values[n]}, parents[n])
               for n in range(4)]
    shuffled = [changes[n] for n in order]
    assert resolve({}, shuffled) == resolve({}, changes)
    assert resolve({}, changes).values["site"] == values[3] and not resolve({}, changes).disputes


def test_a_spoilt_pack_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    one, two = open_log(tmp_path / "one"), open_log(tmp_path / "two")
    one.save_observation(photo=b"bytes" * 1000, site="a")
    packed = pack(one, tmp_path / "one.pack").read_bytes()
    for number, data in enumerate([packed[:200], packed[:-30], b"", b"PK\x03\x04" + b"x" * 100,
                                   packed.replace(b"bytesbytes", b"bytesbytez", 1)]):
        spoilt = tmp_path / f"spoilt {number}"
        spoilt.write_bytes(data)
        with pytest.raises(CannotUse) as said:
            merge(two, spoilt)
        assert "\n" not in str(said.value)
    with pytest.raises(CannotUse, match="not there"):
        merge(two, tmp_path / "nothing")
    assert two.observations(Query(deleted=True)).empty and verify(two).good


@pytest.mark.parametrize("name", ["../../outside", "/tmp/outside", "..\\outside", "ab/../../../outside"])
def test_a_pack_cannot_write_outside_the_log(tmp_path: Path, name: str) -> None:
    hostile = tmp_path / "hostile.pack"
    photo = {"sha256": name, "name": name, "kept_at": "2026-01-01T00:00:00", "likeness": None}
    with zipfile.ZipFile(hostile, "w") as packed:
        packed.writestr("format", "browse log pack 1")
        packed.writestr("photos.jsonl", json.dumps(photo) + "\n")
        packed.writestr(f"originals/{name}", b"outside")
        packed.writestr("records.jsonl", "")
    log = open_log(tmp_path / "deep" / "log")
    before = {each for each in tmp_path.rglob("*") if "log.sqlite" not in each.name}
    with pytest.raises(CannotUse):
        merge(log, hostile)
    assert {each for each in tmp_path.rglob("*") if "log.sqlite" not in each.name} == before


@pytest.mark.parametrize("wrong", [{"lat": 1e9}, {"id": "1"}, {"extra": 1}, {"signs": "x"}])
def test_a_pack_with_impossible_values_is_refused_whole(tmp_path: Path, wrong: dict[str, Any]) -> None:
    one, two = open_log(tmp_path / "one"), open_log(tmp_path / "two")
    one.save_observation(site="a")
    one.save_observation(site="b")
    with zipfile.ZipFile(pack(one, tmp_path / "one.pack")) as packed:
        lines = [json.loads(line) for line in packed.read("records.jsonl").splitlines()]
    lines[1]["row"].update(wrong)
    with zipfile.ZipFile(tmp_path / "wrong.pack", "w") as packed:
        packed.writestr("format", "browse log pack 1")
        packed.writestr("photos.jsonl", "")
        packed.writestr("records.jsonl", "\n".join(map(json.dumps, lines)))
    with pytest.raises(CannotUse):
        merge(two, tmp_path / "wrong.pack")
    assert two.observations().empty
