"""What belongs to one device: its settings, and work that is not yet kept in the log?

A device is known by a random cookie. Its drawer is a folder beside the log, so that a reload, a lost connection or a
flat battery loses nothing; nobody else's device can open it.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import streamlit as st

from diagnose.settings import DEFAULT_LOG, settings

COOKIE = "diagnose_device"
_KEPT_DAYS = 120.0  # a season; our choice
_FILES = "files"


def device() -> str:
    """The device's random name, of 32 hexadecimal digits; a new one on its first visit."""
    first = "_device" not in st.session_state
    given = _given()
    name: str = st.session_state.setdefault("_device", given if _is_name(given) else secrets.token_hex(16))
    if first:
        with suppress(OSError):  # it has none yet, or the disk is read-only
            os.utime(_beside_the_log() / _called(name))  # opened: see clear_out
    return name


def introduction() -> str:
    """A script that gives the browser the device's name as a cookie; empty where it has it.

    It goes into what stands at the head of every page: an element of its own, further down and only on a first visit, would
    move all below it when it goes, which is then drawn anew and loses its place, its focus, and what is being typed.
    """
    name = device()
    if _given() == name:
        return ""
    return f"<script>document.cookie = '{COOKIE}={name}; path=/; max-age=31536000; SameSite=Strict'</script>"


def _given() -> str:
    return str(st.context.cookies.get(COOKIE, ""))


def _is_name(text: str) -> bool:
    return len(text) == 32 and set(text) <= set("0123456789abcdef")


def _beside_the_log() -> Path:
    log = settings().log
    return Path(DEFAULT_LOG if "://" in log else log) / "drawers"


def _drawer() -> Path:
    return _beside_the_log() / _called(device())


def _called(name: str) -> str:
    """A drawer's folder, which does not tell the cookie, so that a copied log opens none."""
    return hashlib.sha256(name.encode()).hexdigest()[:32]


def keep(name: str, value: dict[str, Any]) -> None:
    """Keeps a value under a name; what was kept under it before is replaced as a whole or not at all.

    Parameters
    ----------
    name
        Of the value; a file is called so [no unit].
    value
        That JSON can hold, in any unit.
    """
    _write(_drawer() / f"{name}.json", json.dumps(value).encode())


def kept(name: str) -> dict[str, Any]:
    """What was kept under this name; empty when nothing was, or when it cannot be read.

    Parameters
    ----------
    name
        Of the value [no unit].
    """
    try:
        value = json.loads((_drawer() / f"{name}.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return value if isinstance(value, dict) else {}


def forget(name: str) -> None:
    """Throws away what is kept under a name, if anything is.

    Parameters
    ----------
    name
        Of the value [no unit].
    """
    (_drawer() / f"{name}.json").unlink(missing_ok=True)


def keep_file(data: bytes) -> str:
    """Keeps a file's bytes; returns the key to ask for them with (their SHA-256).

    Parameters
    ----------
    data
        The file's bytes [no unit].
    """
    digest = hashlib.sha256(data).hexdigest()
    file = _drawer() / _FILES / digest
    if not file.exists():
        _write(file, data)
    return digest


def kept_file(digest: str) -> bytes | None:
    """The bytes kept under this key; None when they are gone or damaged.

    Parameters
    ----------
    digest
        The key that `keep_file` gave [no unit].
    """
    try:
        data = (_drawer() / _FILES / Path(digest).name).read_bytes()
    except OSError:
        return None
    return data if hashlib.sha256(data).hexdigest() == digest else None


def forget_files(but: set[str]) -> None:
    """Throws away the kept files, but not those with these keys.

    Parameters
    ----------
    but
        Keys that `keep_file` gave [no unit].
    """
    folder = _drawer() / _FILES
    for file in folder.iterdir() if folder.is_dir() else ():
        if file.name not in but:
            file.unlink(missing_ok=True)


def clear_out() -> None:
    """Throws away the drawers beside the log that nobody has opened for a season; done whenever the app starts."""
    base = _beside_the_log()
    for drawer in base.iterdir() if base.is_dir() else ():
        with suppress(OSError):  # another app just wrote into it, or threw it away
            touched = max(file.stat().st_mtime for file in (drawer, *drawer.rglob("*")))
            if _is_name(drawer.name) and time.time() - touched > _KEPT_DAYS * 86_400:
                shutil.rmtree(drawer, ignore_errors=True)


def _write(file: Path, data: bytes) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    beside = file.with_name(f".{file.name}.{secrets.token_hex(4)}")
    with beside.open("wb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())
    beside.replace(file)
