"""What the app needs, loaded and read: imported once, by the process that `tests/app_ready.py` forks."""

from __future__ import annotations

import gc
import re
from importlib import import_module

import altair  # noqa: F401
import anyio._backends._asyncio  # noqa: F401
import itsdangerous  # noqa: F401
import pandas  # noqa: F401
import streamlit.web.cli  # noqa: F401
import uvicorn.protocols.http.auto
import uvicorn.protocols.websockets.auto  # noqa: F401
from PIL import Image
from streamlit.components.v2 import manifest_scanner
from streamlit.starlette import App  # noqa: F401

import diagnose.cli.app  # noqa: F401
from diagnose.diagnosis import Circumstances, diagnose_answers
from diagnose.screens import door, drawer, pocket_served, small_served  # noqa: F401
from diagnose.screens.start import NAVIGATION

for page in NAVIGATION.parent.glob("*.py"):
    for room in re.findall(r"^ *from (diagnose\.(?!screens|cli)[\w.]+) import", page.read_text("utf-8"), re.MULTILINE):
        import_module(room)
Image.init()
diagnose_answers({}, Circumstances())
found = manifest_scanner.scan_component_manifests()  # reads what is told of each installed package
manifest_scanner.scan_component_manifests = lambda *_, **__: found
gc.collect()
gc.freeze()
