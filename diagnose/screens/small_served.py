"""Where does the browser get the small pictures of a list? Each is drawn when its row comes into sight, not before.

`/small/DIGEST` is a kept photo that some page has listed, behind the door like everything else.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import streamlit as st
from anyio import to_thread
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from diagnose.cannot_use import CannotUse
from diagnose.fieldlog.store import Log
from diagnose.photo.decode import decode_jpeg
from diagnose.photo.picture import read_picture

_THUMB = 96  # longer side of a small picture [px]
_MOST_KEPT = 1000  # of some 3 kB each
_listed: dict[str, tuple[Log, str]] = {}  # digest -> the log that keeps the photo, and what it was called


def small_address(log: Log, digest: str, called: str) -> str:
    """Where the browser gets a kept photo from, small.

    Parameters
    ----------
    log
        That keeps it [no unit].
    digest
        Of the photo [no unit].
    called
        Its file's name [no unit].
    """
    _listed[digest] = log, called
    below = str(st.get_option("server.baseUrlPath")).strip("/")
    return f"{'/' if below else ''}{below}/small/{digest}"


@lru_cache(maxsize=_MOST_KEPT)
def _small(digest: str) -> bytes:
    """A listed photo as a small JPEG. Raises CannotUse where it cannot be read."""
    log, called = _listed[digest]
    photo = read_picture(log.original(digest), called)
    bgr = (photo.reduced(8) if photo.decoded is not None else  # a JPEG is small at once where its edge need not be exact
           decode_jpeg(photo.data, cv2.IMREAD_REDUCED_COLOR_8, photo.turned, called))
    factor = min(1.0, _THUMB / max(bgr.shape[:2]))
    return cv2.imencode(".jpg", cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA))[1].tobytes()


async def _picture(request: Request) -> Response:
    try:
        small = await to_thread.run_sync(_small, request.path_params["digest"])
    except (KeyError, CannotUse):
        return PlainTextResponse("No such picture is listed.\n", 404)
    # the bytes that a digest names never change
    return Response(small, media_type="image/jpeg", headers={"cache-control": "private, max-age=3600"})


ROUTES = [Route("/small/{digest}", _picture)]
