"""What may be the same observation twice is offered, and nothing is joined by itself."""

import io
from collections.abc import Callable
from pathlib import Path

from PIL import Image

from diagnose.fieldlog.duplicates import near_duplicates
from diagnose.fieldlog.merge import merge
from diagnose.fieldlog.store import open_log

PHOTOS = sorted((Path(__file__).parent.parent / "reference_cases" / "photos").rglob("*.jpg"))


def test_a_photo_stored_anew_or_made_smaller_is_offered_and_no_other(tmp_path: Path) -> None:
    log = open_log(tmp_path / "log")
    saved = [log.save_observation(photo=file.read_bytes()).id for file in PHOTOS[:8]]
    assert near_duplicates(log) == []
    picture = Image.open(PHOTOS[0])
    copies = []
    assert picture.getexif()[0x0112] != 1  # it is stored lying, and the copies drop the mark of that
    for quality, share in ((40, 1.0), (80, 0.5)):
        copy = io.BytesIO()
        picture.resize((int(picture.width * share), int(picture.height * share))).save(copy, "jpeg", quality=quality)
        copies.append(log.save_observation(photo=copy.getvalue()).id)
    offered = near_duplicates(log)
    assert {(each.first, each.second) for each in offered} >= {(saved[0], copy) for copy in copies}
    assert {each.first for each in offered} <= {saved[0], *copies}
    assert len(log.observations()) == 10


def test_the_same_tag_on_the_same_day_and_the_same_photo_of_two_crews_are_offered(place: Callable[[str], str]) -> None:
    one, two = open_log(place("one")), open_log(place("two"))
    first = one.save_observation(site="a", plant="17", taken_at="2026-03-09T10:00:00").id
    second = one.save_observation(site="a", plant="17", taken_at="2026-03-09T15:00:00").id
    one.save_observation(site="b", plant="17", taken_at="2026-03-09T15:00:00")
    one.save_observation(site="a", plant="17", taken_at="2026-03-10T15:00:00")
    ours, theirs = one.save_observation(photo=b"same").id, two.save_observation(photo=b"same").id
    merge(one, two)
    assert {(frozenset((each.first, each.second)), each.why) for each in near_duplicates(one)} == {
        (frozenset((first, second)), "the same tag on the same day"), (frozenset((ours, theirs)), "the same photo")}
