"""The certificate of this computer is taken by whoever trusts its authority, and the authority vouches for nothing far away.

Judged by OpenSSL, through Python's `ssl`: it follows RFC 5280.
"""

from __future__ import annotations

import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from diagnose import certificate
from diagnose.certificate import certificate_for

NEAR = ["192.168.1.7", "127.0.0.1", "localhost", "heron.local", "heron"]


@pytest.fixture(autouse=True)
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DIAGNOSE_SETTINGS", str(tmp_path / "settings.yaml"))


def _is_taken(files: tuple[Path, Path], trusted: Path, name: str) -> bool:
    """Does somebody who trusts only that authority believe that a server with these files is the one of that name?"""
    server, client = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    server.load_cert_chain(*files)
    client.load_verify_locations(trusted)
    there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
    one = client.wrap_bio(back, there, server_hostname=name)
    other = server.wrap_bio(there, back, server_side=True)
    for _ in range(4):
        for end in (one, other):
            try:
                end.do_handshake()
            except ssl.SSLWantReadError:
                pass
            except ssl.SSLCertVerificationError:
                return False
            except ssl.SSLError:  # what the other end says when it refuses
                return False
    return True


@pytest.mark.parametrize("name", NEAR)
def test_it_is_taken_under_each_of_the_computer_s_addresses_and_names(tmp_path: Path, name: str) -> None:
    files = certificate_for(NEAR)
    assert _is_taken(files, tmp_path / "https" / "authority.crt", name)
    assert not _is_taken(files, tmp_path / "https" / "authority.crt", "192.168.1.8")


@pytest.mark.parametrize("far", ["example.org", "heron.example.org", "203.0.113.9"])
def test_the_authority_cannot_vouch_for_a_name_or_address_of_the_world(tmp_path: Path, far: str) -> None:
    certificate_for(NEAR)
    folder, now = tmp_path / "https", datetime.now(UTC)
    signer, _ = certificate._authority_in(folder, NEAR, now)
    certificate._sign(folder / "far.crt", folder / "far.key", signer, [far], now)
    assert not _is_taken((folder / "far.crt", folder / "far.key"), folder / "authority.crt", far)


def test_what_is_kept_serves_again_and_a_new_address_needs_no_new_trust(tmp_path: Path) -> None:
    trusted = tmp_path / "https" / "authority.crt"
    whole, _ = certificate_for(NEAR)
    first, authority = whole.read_bytes(), trusted.read_bytes()
    assert certificate_for(NEAR)[0].read_bytes() == first
    files = certificate_for([*NEAR, "10.0.0.3"])
    assert trusted.read_bytes() == authority and _is_taken(files, trusted, "10.0.0.3")
    certificate_for(NEAR, datetime.now(UTC) + timedelta(days=390))
    assert trusted.read_bytes() == authority and whole.read_bytes() != first


def test_a_computer_whose_address_is_of_the_world_is_vouched_for_under_that_one_alone(tmp_path: Path) -> None:
    files = certificate_for([*NEAR, "203.0.113.7"])
    trusted = tmp_path / "https" / "authority.crt"
    assert _is_taken(files, trusted, "203.0.113.7") and _is_taken(files, trusted, "localhost")
    signer, _ = certificate._authority_in(tmp_path / "https", [*NEAR, "203.0.113.7"], datetime.now(UTC))
    far = tmp_path / "far.crt", tmp_path / "far.key"
    certificate._sign(*far, signer, ["203.0.113.8"], datetime.now(UTC))
    assert not _is_taken(far, trusted, "203.0.113.8")


def test_a_spoilt_certificate_is_made_anew(tmp_path: Path) -> None:
    certificate_for(NEAR)
    for name in ("own.crt", "authority.crt"):
        (tmp_path / "https" / name).write_text("spoilt")
    assert _is_taken(certificate_for(NEAR), tmp_path / "https" / "authority.crt", "localhost")


def test_nobody_else_of_the_computer_reads_the_keys(tmp_path: Path) -> None:
    certificate_for(NEAR)
    folder = tmp_path / "https"
    for one, rights in ((folder, 0o700), (folder / "own.key", 0o600), (folder / "authority.key", 0o600)):
        assert one.stat().st_mode & 0o777 == rights
