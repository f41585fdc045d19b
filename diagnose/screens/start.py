"""How is the app opened, and which pages does it have?"""

from __future__ import annotations

import gc
import os
import sys
import tomllib
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, NoReturn

from diagnose.extras import need
from diagnose.screens.share import new_code, scheme_of

if TYPE_CHECKING:
    from streamlit import Page

_HERE = Path(__file__).parent
NAVIGATION = _HERE / "navigation.py"  # the script that the app runs for every visit
_TOP = _HERE.parent.parent
# file, name in the menu, icon, address
PAGES = (
    ("begin", "Start", "home", "start"),
    ("wound", "A wound", "photo_camera", "wound"),
    ("planting", "A planting", "fence", "planting"),
    ("upkeep", "Upkeep", "handyman", "upkeep"),
    ("survey", "Survey", "query_stats", "survey"),
    ("log", "The log", "map", "log"),
    ("inbox", "The inbox", "inbox", "inbox"),
    ("send", "Send in", "send", "send"),
    ("settings", "Settings", "settings", "settings"),
    ("guide", "Guide", "menu_book", "guide"),
)


def _beside(name: str, in_checkout: str) -> Path:
    """The file as an installed package holds it, else as the checkout does."""
    installed = _HERE / name
    return installed if installed.exists() else _TOP / in_checkout


def start(port: int = 8501, share: bool = False, extra: tuple[str, ...] = (), https: bool = False) -> NoReturn:
    """Serve the app until interrupted, to this machine only or, when shared, to its local network.

    The server takes this process's place.

    Parameters
    ----------
    port
        That it listens at [no unit].
    share
        Whether the local network is let in, each browser with a code [no unit].
    extra
        Further options of the server [no unit].
    https
        Whether it is served with a certificate of this computer's own [no unit].

    Raises
    ------
    CannotUse
        Where the libraries of the app, or of https, are not installed.
    """
    need("app", "the app")
    if https:
        extra = (*extra, *_over_https())
    else:
        os.environ.pop("DIAGNOSE_HTTPS", None)
    scheme = scheme_of()
    settings = tomllib.loads(_beside("config.toml", ".streamlit/config.toml").read_text(encoding="utf-8"))
    if share:
        settings["server"]["address"] = "0.0.0.0"
        os.environ["DIAGNOSE_SHARE"] = code = new_code()
        os.environ["DIAGNOSE_PORT"] = str(port)
        print(_invitation(port, code), flush=True)
    else:
        os.environ.pop("DIAGNOSE_SHARE", None)
        print(f"The app opens at {scheme}://localhost:{port} (stop it with Ctrl+C)", flush=True)
    options = [f"--{name}={_flag(value)}" for name, value in _flat(settings)]
    app = _beside("app.py", "app.py")
    command = [sys.executable, "-m", "streamlit", "run", str(app), *options, f"--server.port={port}", *extra]
    os.execv(sys.executable, command)


def _over_https() -> tuple[str, ...]:
    """Options of the server; says by what a person knows the authority that a phone is told to trust."""
    from diagnose.certificate import authority, certificate_for, fingerprint, own_addresses

    whole, key = certificate_for(own_addresses())
    os.environ["DIAGNOSE_HTTPS"] = "1"
    trusted = authority()
    assert trusted is not None
    print(f"A phone that is to keep the pocket page must trust {trusted} once; its SHA-256 fingerprint is\n"
          f"{fingerprint(trusted)}", flush=True)
    return f"--server.sslCertFile={whole}", f"--server.sslKeyFile={key}"


def _invitation(port: int, code: str) -> str:
    """What stands in the terminal when the app is shared."""
    return (
        f"The app is shared with everybody on this network who shows a code. A code lets one browser in.\n"
        f"On this computer open  {scheme_of()}://localhost:{port}/?code={code}\n"
        f"and let phones in from there: page Settings, Let a phone join. Stop it with Ctrl+C."
    )


def _flat(settings: dict[str, object], prefix: str = "") -> list[tuple[str, object]]:
    flat: list[tuple[str, object]] = []
    for key, value in settings.items():
        name = f"{prefix}{key}"
        flat += _flat(value, f"{name}.") if isinstance(value, dict) else [(name, value)]
    return flat


def _flag(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def warm_up() -> None:
    """Loads what pages and judging need while the first page is being read, so that neither page nor photo waits for it."""
    Thread(target=_load, daemon=True).start()


def _load() -> None:
    """Loads it, and takes it out of the collector's sight: it stays for good.

    A full collection over modules and tables takes a tenth of a second or more. Without them it takes a few milliseconds,
    and comes the sooner, since the collector waits until a quarter of what it looks at is new.
    """
    from diagnose.diagnosis import Circumstances, diagnose_answers

    diagnose_answers({}, Circumstances())  # reads the tables
    import altair  # noqa: F401  # draws every chart, and comes last

    gc.collect()
    gc.freeze()


def navigate() -> None:
    """The app's pages, and the page that the person chose."""
    import streamlit as st

    from diagnose.screens.look import lay_out

    lay_out()
    st.navigation(pages(), position="top").run()


def pages() -> list[Page]:
    """Every page of the app, in the order of the menu."""
    from streamlit import Page

    return [
        Page(_HERE / f"{file}.py", title=title, icon=f":material/{icon}:", url_path=path, default=file == "begin")
        for file, title, icon, path in PAGES
    ]


def page_link(path: str, label: str) -> None:
    """A link to another page of the app.

    Parameters
    ----------
    path
        Its address, as in PAGES [no unit].
    label
        What it says, as Markdown [no unit].
    """
    import streamlit as st

    st.page_link(next(one for one in pages() if one.url_path == path), label=label, width="stretch")


def went_wrong(_problem: Exception) -> bool:
    """Says on the page, in our own words, that a fault stopped it; what it was stands in the terminal."""
    import streamlit as st

    from diagnose.screens.log_folder import shown
    from diagnose.screens.look import literal

    st.error(f"A fault of this tool stopped the page. Nothing that was kept is lost: the log is in {literal(shown())}. Load "
             "the page anew to go on; what went wrong stands in the terminal where the app was started.")
    return True
