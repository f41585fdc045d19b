"""What a phone locks is opened by whoever knows the passphrase, and by nobody else, nor after any change."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC

from diagnose.cannot_use import CannotUse
from diagnose.cli import main
from diagnose.fieldlog.merge import merge
from diagnose.fieldlog.store import open_log
from diagnose.pocket.page import phone_script

PASSPHRASE = "four grey herons wade"
KEPT = {"id": "7b0e5d53-5a0e-4c5e-9b4b-3a9ad3f5a001", "record": "7b0e5d53-5a0e-4c5e-9b4b-3a9ad3f5a001", "kind": "tree",
        "at": "2026-11-28T10:00:00.000+01:00", "by": "AB", "seen": [],
        "values": {"entry": {"site": "north", "visit": "2026-11-28", "plot": "P1", "tree": "7", "species": "oak"}}}


@pytest.fixture(scope="module")
def locked(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A file that the page's own script made and locked."""
    folder = tmp_path_factory.mktemp("locked")
    (folder / "page.html").write_text("<!DOCTYPE html><title>x</title>")
    page = browser.new_page()
    page.goto((folder / "page.html").as_uri())  # opened as a file, so that the browser offers what locks
    page.evaluate("source => { window.eval(source); }", phone_script() + ";Object.assign(window, {handOver, lock});")
    told = page.evaluate("""async ([kept, passphrase]) => {
      const blob = await lock(await handOver(null, [kept], {site: 'north'}), passphrase);
      return [...new Uint8Array(await blob.arrayBuffer())];
    }""", [KEPT, PASSPHRASE])
    page.close()
    (folder / "north.locked").write_bytes(bytes(told))
    yield folder / "north.locked"


def test_the_passphrase_opens_it_and_the_entry_is_there_once(locked: Path, tmp_path: Path) -> None:
    (tmp_path / "words.txt").write_text(PASSPHRASE + "\n")
    for _ in range(2):
        assert main(["log", "merge", str(locked), "--passphrase-file", str(tmp_path / "words.txt"), "--log",
                     str(tmp_path / "log")]) == 0
    assert open_log(tmp_path / "log").records("tally")["tree"].tolist() == ["7"]


def test_it_is_what_the_standards_say_by_a_library_that_is_not_ours(locked: Path) -> None:
    # PBKDF2 (RFC 8018) and AES-GCM (NIST SP 800-38D) as `cryptography` does them, straight from the file's own header
    data = locked.read_bytes()
    head = data[:data.index(b"\n", data.index(b"\n") + 1) + 1]
    told = json.loads(head.splitlines()[1])
    assert told["rounds"] >= 600_000
    from base64 import b64decode

    key = PBKDF2HMAC(SHA256(), 32, b64decode(told["salt"]), told["rounds"]).derive(PASSPHRASE.encode())
    number = (0).to_bytes(4, "big")
    plain = AESGCM(key).decrypt(b64decode(told["nonce"]) + number, data[len(head):], head + number)
    assert plain.startswith(b"PK\x03\x04") and b"browse pocket 1" in plain
    assert b"oak" not in data


@pytest.mark.parametrize("spoilt", ["another passphrase", "cut", "altered", "longer", "header", "fewer rounds"])
def test_another_passphrase_and_any_change_are_refused_in_one_line_and_nothing_is_taken_in(
    locked: Path, tmp_path: Path, spoilt: str
) -> None:
    data, words = locked.read_bytes(), PASSPHRASE
    if spoilt == "another passphrase":
        words = "four grey herons wede"
    elif spoilt == "cut":
        data = data[:-20]
    elif spoilt == "altered":
        data = data[:-40] + bytes([data[-40] ^ 1]) + data[-39:]
    elif spoilt == "longer":
        data += b"x"
    elif spoilt == "header":
        data = data.replace(b'"piece":4194304', b'"piece":4194303')
    else:
        data = data.replace(b'"rounds":600000', b'"rounds":100000')
    file = tmp_path / "north.locked"
    file.write_bytes(data)
    log = open_log(tmp_path / "log")
    with pytest.raises(CannotUse) as refused:
        merge(log, file, passphrase=lambda: words)
    assert len(str(refused.value).splitlines()) == 1
    assert log.records("tally").empty


def test_where_nobody_can_be_asked_the_passphrase_s_file_is_asked_for(locked: Path, tmp_path: Path) -> None:
    with pytest.raises(CannotUse, match="--passphrase-file"):
        merge(open_log(tmp_path / "log"), locked)
