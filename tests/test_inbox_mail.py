"""A mail that is broken or meant to harm costs itself at most; it never takes the machine or the mails beside it."""

from __future__ import annotations

import struct
import zipfile
from base64 import encodebytes
from email.message import EmailMessage
from pathlib import Path

import pytest

from diagnose.fieldlog.merge import merge, pack
from diagnose.fieldlog.query import Query
from diagnose.fieldlog.store import open_log
from diagnose.fieldlog.verify import verify
from diagnose.inbox.intake import messages
from diagnose.inbox.mail import MOST_PHOTOS, read_mail, without_marks
from diagnose.inbox.work import take_in
from tests.conftest import PHOTOS
from tests.limited import peak_mb

PHOTO = (PHOTOS / "twig_on_card" / "IMG_0016.jpg").read_bytes()
READ = """
import sys, time
from diagnose.inbox.mail import read_mail
for name in sys.argv[1:]:
    raw = open(name, "rb").read()
    start = time.process_time()
    message = read_mail(raw, "a mail")
    print(len(message.photos), len(message.about), *message.refused)
    assert time.process_time() - start < 8, name
"""


def _good(number: int = 1) -> bytes:
    mail = EmailMessage()
    mail["From"], mail["Subject"], mail["Message-ID"] = "Ada <ada@example.org>", "twig", f"<good{number}@x>"
    mail.set_content("knee high")
    mail.add_attachment(PHOTO, "image", "jpeg", filename="a.jpg")
    return mail.as_bytes()


def _nested(depth: int) -> bytes:
    head = b"Content-Type: message/rfc822\n\n"
    return b"From: x@example.org\n" + head * depth + b"Subject: innermost\n\nwords"


def _boxed(depth: int) -> bytes:
    parts = b"".join(b"Content-Type: multipart/mixed; boundary=b%d\n\n--b%d\n" % (n, n) for n in range(depth))
    return b"From: x@example.org\n" + parts + b"\nwords"


HOSTILE = {
    "unknown declaration": b"From: x@example.org\nContent-Type: text/html\n\n<p>bitten <![x ...",
    "open brackets in a head": b"From: " + b"(" * 5000 + b"\nSubject: " + b"(" * 5000 + b"\n\nwords",
    "three thousand mails in one another": _nested(3000),
    "three thousand boxes in one another": _boxed(3000),
    "a year that no calendar has": b"Date: Mon, 1 Jan 0001 00:00:00 +1400\nFrom: x@y\n\nwords",
    "half characters": "From: x@y\nSubject: \udcff\udcfe\n\nw".encode("utf-8", "surrogateescape"),
    "zeros": b"From: x@y\nSubject: a\0b\n\nw\0w",
}


@pytest.mark.parametrize("raw", HOSTILE.values(), ids=HOSTILE)
def test_one_bad_mail_costs_itself_at_most(tmp_path: Path, raw: bytes) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "a.eml").write_bytes(_good(1))
    (folder / "b.eml").write_bytes(raw)
    (folder / "c.eml").write_bytes(_good(2))
    log = open_log(tmp_path / "log")
    done = take_in(log, folder)
    assert done.photos == 2 and done.new >= 1
    keys = {key for letters in log.records("submission")["letters"] for key in letters}
    assert {"mail <good1@x>", "mail <good2@x>"} <= keys
    assert all("\n" not in line for line in done.refused)
    assert verify(log).good


SMALL = {
    "encoded words": b"From: x@example.org\nSubject: " + b" ".join([b"=?utf-8?q?" + b"a" * 20 + b"?="] * 50_000)
    + b"\n\nwords",
    "folded": b"From: x@example.org\nSubject: " + b"\n ".join([b"=?utf-8?q?" + b"a" * 20 + b"?="] * 50_000)
    + b"\n\nwords",
    "addresses": b"From: " + b", ".join(b"a%d@example.org" % number for number in range(7_000)) + b"\n\nwords",
    "parts": b"Content-Type: multipart/mixed; boundary=x\n\n" + b"--x\n\n\n" * 60_000,
    "parts by CR": b"Content-Type: multipart/mixed; boundary=x\r\r" + b"--x\r\r\r" * 60_000,
    "parameters": b"Content-Type: multipart/mixed; " + b"; ".join(b'a%d*0="x"' % number for number in range(20_000))
    + b"\n\nwords",
    "headers": b"".join(b"X-%d: a\n" % number for number in range(400_000)) + b"\nwords",
    "comments": b"Content-Type: text/html\n\n" + b"<!--" * 400_000,
    "tags": b"Content-Type: text/html\n\n" + b"<a " * 400_000,
    "declarations": b"Content-Type: text/html\n\n" + b"<!" * 400_000,
}


def test_a_small_mail_never_takes_the_machine(tmp_path: Path) -> None:
    for name, raw in SMALL.items():
        (tmp_path / name).write_bytes(raw)
    peak, told = peak_mb(READ, *(str(tmp_path / name) for name in SMALL))  # one after another, so the peak is the worst's
    assert len(told.splitlines()) == len(SMALL)
    assert peak < 600, f"{peak:.0f} MB"


def test_the_largest_mail_that_is_read_stays_below_a_gigabyte(tmp_path: Path) -> None:
    part = b"--x\nContent-Type: image/jpeg\nContent-Transfer-Encoding: base64\n\n" + encodebytes(PHOTO + bytes(1_500_000))
    file = tmp_path / "a.eml"
    file.write_bytes(b"From: x@example.org\nContent-Type: multipart/mixed; boundary=x\n\n" + part * MOST_PHOTOS)
    peak, told = peak_mb(READ, str(file))
    assert peak < 1000, f"{peak:.0f} MB"
    assert "the rest was left out" in told
    assert int(told.split()[0]) > 20


def test_what_comes_before_the_limit_is_kept_and_the_rest_is_told() -> None:
    whole = _good()
    message = read_mail(whole + b"\n--x\n\n" * 5000, "a mail")
    assert [photo.data for photo in message.photos] == [PHOTO]
    assert "the rest was left out" in message.refused[0]


def test_a_page_that_no_parser_takes_still_gives_its_words() -> None:
    assert "bitten twig" in without_marks("<p>bitten <b>twig</b></p><![x ...")


def _zipped(file: Path, how: int = zipfile.ZIP_DEFLATED) -> bytes:
    with zipfile.ZipFile(file, "w", how) as out:
        for name in ("a/one.jpg", "b/two.jpg", "c/three.jpg"):
            out.writestr(name, PHOTO)
    return file.read_bytes()


def test_a_zip_with_one_damaged_photo_gives_the_others(tmp_path: Path) -> None:
    data = bytearray(_zipped(tmp_path / "a.zip"))
    start = 30 + len("a/one.jpg")
    data[start : start + 200] = bytes(range(200))  # no deflate stream (RFC 1951) begins so
    (tmp_path / "a.zip").write_bytes(data)
    found = list(messages(tmp_path / "a.zip"))
    assert sum(len(one.photos) for one in found) == 2
    assert [line for one in found for line in one.refused if "damaged" in line]


def test_a_zip_that_is_packed_in_a_rare_way_is_refused_in_a_line(tmp_path: Path) -> None:
    _zipped(tmp_path / "a.zip", zipfile.ZIP_LZMA)
    assert all("rare way" in one.refused[0] for one in messages(tmp_path / "a.zip"))


def test_a_list_of_a_million_entries_is_refused_before_it_is_read(tmp_path: Path) -> None:
    entry = b"PK\x01\x02" + bytes(24) + struct.pack("<HHHHHII", 1, 0, 0, 0, 0, 0, 0) + b"x"
    body = entry * 200_000
    (tmp_path / "a.zip").write_bytes(body + b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, 0xFFFF, 0xFFFF, len(body), 0, 0))
    with pytest.raises(ValueError, match="more than 20000 entries"):
        list(messages(tmp_path / "a.zip"))


def test_a_pack_with_a_damaged_photo_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    one, two = open_log(tmp_path / "one"), open_log(tmp_path / "two")
    one.save_observation(photo=PHOTO, site="a")
    with zipfile.ZipFile(pack(one, tmp_path / "whole.pack")) as whole, zipfile.ZipFile(
            tmp_path / "shrunk.pack", "w", zipfile.ZIP_DEFLATED) as shrunk:
        for name in whole.namelist():
            shrunk.writestr(name, whole.read(name))
    data = bytearray((tmp_path / "shrunk.pack").read_bytes())
    for name in (b"photos.jsonl", b"originals/", b"records.jsonl"):
        spoilt = bytearray(data)
        at = data.index(name) + 90
        spoilt[at : at + 30] = bytes(range(30))
        (tmp_path / "spoilt.pack").write_bytes(spoilt)
        with pytest.raises(ValueError) as said:
            merge(two, tmp_path / "spoilt.pack")
        assert type(said.value).__name__ == "CannotUse" and "\n" not in str(said.value)
    assert two.observations(Query(deleted=True)).empty and verify(two).good
