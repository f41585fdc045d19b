"""Is this a locked file from a phone, and what does it hold for whoever knows the passphrase?

A locked file is a line that says so, a line of JSON (how the key is made, a fresh salt and nonce, how many pieces), and the
pieces, each sealed with its number and both lines, so that a cut, a swap or a changed letter is noticed.
"""

from __future__ import annotations

import unicodedata
from base64 import b64decode
from pathlib import Path
from typing import BinaryIO

from diagnose.cannot_use import CannotUse
from diagnose.extras import lacking
from diagnose.texts import from_json

FIRST_LINE = b"browse pocket locked 1\n"
_HEADER_LIMIT = 2_000  # [byte]
_ROUNDS = (600_000, 10_000_000)  # fewer are no lock (OWASP, Password Storage Cheat Sheet); more only keep this machine busy
_MOST_PIECE, _TAG = 16_777_216, 16  # [byte]
_SHAPE = {"key": "PBKDF2-SHA-256", "cipher": "AES-256-GCM"}


def is_locked(place: Path) -> bool:
    """Does the file say that it is locked?

    Parameters
    ----------
    place
        Of the file [no unit].
    """
    with place.open("rb") as file:
        return file.read(len(FIRST_LINE)) == FIRST_LINE


def unlock(place: Path, passphrase: str, out: BinaryIO) -> None:
    """Writes what a locked file holds.

    Parameters
    ----------
    place
        Of the locked file [no unit].
    passphrase
        That it was locked with [no unit].
    out
        File that is written [no unit].

    Raises
    ------
    CannotUse
        For another passphrase, a cut or altered file, one of a newer version, and where the library is not installed.

    References
    ----------
    .. [1] NIST SP 800-38D (GCM); RFC 8018 (PBKDF2).
    """
    try:
        from cryptography.exceptions import InvalidTag
        from cryptography.hazmat.primitives.ciphers.aead import AESGCM
        from cryptography.hazmat.primitives.hashes import SHA256
        from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC
    except ModuleNotFoundError:
        raise lacking("lock", f"to open {place.name}, which is locked,") from None
    with place.open("rb") as file:
        file.seek(len(FIRST_LINE))
        line = file.readline(_HEADER_LIMIT)
        salt, nonce, rounds, piece, pieces = _header(line, place.name)
        head = FIRST_LINE + line
        key = PBKDF2HMAC(SHA256(), 32, salt, rounds).derive(unicodedata.normalize("NFC", passphrase).encode())
        seal = AESGCM(key)
        for number in range(pieces):
            told = number.to_bytes(4, "big")
            sealed = file.read(piece + _TAG)
            try:
                out.write(seal.decrypt(nonce + told, sealed, head + told))
            except (InvalidTag, ValueError):
                why = "it was locked with another passphrase, or is damaged" if number == 0 else "it is cut or was altered"
                raise CannotUse(f"{place.name} cannot be opened: {why}; nothing was taken in") from None
        if file.read(1):
            raise CannotUse(f"{place.name} cannot be opened: something was added to it; nothing was taken in")


def _header(line: bytes, name: str) -> tuple[bytes, bytes, int, int, int]:
    try:
        told = from_json(line, name)
        salt, nonce = b64decode(told["salt"], validate=True), b64decode(told["nonce"], validate=True)
        rounds, piece, pieces = (int(told[each]) for each in ("rounds", "piece", "pieces"))
        whole = line.endswith(b"\n") and len(salt) >= 16 and len(nonce) == 8 and _ROUNDS[0] <= rounds <= _ROUNDS[1]
        if whole and 0 < piece <= _MOST_PIECE and 0 < pieces < 2**32 and all(told[each] == _SHAPE[each] for each in _SHAPE):
            return salt, nonce, rounds, piece, pieces
    except (CannotUse, ValueError, TypeError, KeyError):
        pass
    raise CannotUse(f"{name} says that it is locked, but not how; hand it over again, or update this tool")
