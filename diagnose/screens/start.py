"""How is the app opened, and which pages does it have?"""

from __future__ import annotations

import os
import sys
import tomllib
from pathlib import Path
from typing import NoReturn

_HERE = Path(__file__).parent
_TOP = _HERE.parent.parent


def _beside(name: str, in_checkout: str) -> Path:
    """The file as an installed package holds it, else as the checkout does."""
    installed = _HERE / name
    return installed if installed.exists() else _TOP / in_checkout


def start(port: int = 8501, extra: tuple[str, ...] = ()) -> NoReturn:
    """Serve the app on this machine only, until interrupted. The server takes this process's place."""
    settings = tomllib.loads(_beside("config.toml", ".streamlit/config.toml").read_text(encoding="utf-8"))
    options = [f"--{name}={_flag(value)}" for name, value in _flat(settings)]
    app = _beside("app.py", "app.py")
    print(f"The app opens at http://localhost:{port} (stop it with Ctrl+C)", flush=True)
    command = [sys.executable, "-m", "streamlit", "run", str(app), *options, f"--server.port={port}", *extra]
    os.execv(sys.executable, command)


def _flat(settings: dict[str, object], prefix: str = "") -> list[tuple[str, object]]:
    flat: list[tuple[str, object]] = []
    for key, value in settings.items():
        name = f"{prefix}{key}"
        flat += _flat(value, f"{name}.") if isinstance(value, dict) else [(name, value)]
    return flat


def _flag(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def navigate() -> None:
    """The app's pages, and the page that the person chose."""
    import streamlit as st

    from diagnose.screens.look import lay_out

    lay_out()
    page = st.navigation(
        [
            st.Page(_HERE / "wound.py", title="A wound", icon=":material/photo_camera:", url_path="wound",
                    default=True),
            st.Page(_HERE / "plan.py", title="A planting", icon=":material/fence:", url_path="planting"),
            st.Page(_HERE / "log.py", title="The log", icon=":material/map:", url_path="log"),
        ],
        position="top",
    )
    page.run()
