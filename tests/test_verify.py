"""What was lost, changed or left over in a log is found."""

from collections.abc import Callable
from pathlib import Path

from sqlalchemy import text

from diagnose.fieldlog.originals import path_of
from diagnose.fieldlog.store import ORIGINALS, open_log
from diagnose.fieldlog.verify import verify


def test_a_whole_log_is_called_whole(place: Callable[[str], str]) -> None:
    log = open_log(place("log"))
    log.save_observation(photo=b"one")
    log.save("site", name="a")
    found = verify(log)
    assert found.good and found.photos == 1 and not found.orphaned
    assert "nothing lost" in str(found)


def test_missing_changed_and_orphaned_files_are_found(tmp_path: Path) -> None:
    log = open_log(tmp_path / "log")
    kept = {data: log.observation(log.save_observation(photo=data).id)["photo"] for data in (b"one", b"two", b"three")}
    folder = tmp_path / "log" / ORIGINALS
    path_of(folder, kept[b"one"]).unlink()
    path_of(folder, kept[b"two"]).write_bytes(b"TWO")
    (folder / "aa").mkdir(exist_ok=True)
    (folder / "aa" / ".part-left").write_bytes(b"x")
    found = verify(log)
    assert not found.good
    assert (found.missing, found.changed) == ([kept[b"one"]], [kept[b"two"]])
    assert found.orphaned == [str(folder / "aa" / ".part-left")]
    assert len(str(found).splitlines()) == 4


def test_changed_photos_are_found_on_a_server_too(place: Callable[[str], str]) -> None:
    log = open_log(place("log"))
    if log.folder is not None:
        return
    digest = log.observation(log.save_observation(photo=b"one").id)["photo"]
    with log.writing() as session:
        session.execute(text("update original set data = 'spoilt'"))
    assert verify(log).changed == [digest]
    with log.writing() as session:
        session.execute(text("delete from original"))
    assert verify(log).missing == [digest]


def test_a_saved_photo_that_was_spoilt_is_mended_by_saving_it_again(tmp_path: Path) -> None:
    log = open_log(tmp_path / "log")
    digest = log.observation(log.save_observation(photo=b"one").id)["photo"]
    path_of(tmp_path / "log" / ORIGINALS, digest).unlink()
    assert not log.save_observation(photo=b"one").new
    assert verify(log).good
