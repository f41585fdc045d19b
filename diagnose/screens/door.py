"""Who gets in? Every request passes here before anything of the app answers it.

A shared app asks for a code, and an app whose secrets hold an `[auth]` section for a login. Until then a stranger gets
one small page of ours and nothing else: no page, socket, upload, media file, figure or version of what runs here, and
nothing that a stranger sends is kept. The pages that pass carry rules by which the browser asks no other server for
anything.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import time
from functools import cache
from html import escape
from urllib.parse import parse_qs, quote

from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from streamlit import secrets
from streamlit.auth_util import (
    encode_provider_token,
    get_cookie_with_chunks,
    get_origin_from_redirect_uri,
    is_authlib_installed,
    validate_auth_credentials,
)
from streamlit.errors import Error, StreamlitSecretNotFoundError
from streamlit.web.server.server_util import get_cookie_secret
from streamlit.web.server.starlette.starlette_app_utils import decode_signed_value
from streamlit.web.server.starlette.starlette_server_config import USER_COOKIE_NAME

from diagnose.cannot_use import CannotUse
from diagnose.extras import lacking
from diagnose.screens.share import CODE_LENGTH, Codes, scheme_of

INSIDE = "diagnose_inside"  # the cookie of a browser that has shown a code
_IS_IT_UP = "/_stcore/health"  # says "ok" and nothing else, for whoever watches over the server
_LOGIN_PATHS = ("/auth/login", "/auth/logout", "/oauth2callback")
_LONGEST_FORM = 1_000  # [byte]
_INSIDE_FOR_S = 120 * 86_400  # a season, as long as a drawer is kept; our choice
_REFUSED = 1008  # of a socket: policy violation (RFC 6455, 7.4.1)
_PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>What bit it?</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><style>
:root {{ color-scheme: light dark; }}
body {{ font: 1.05rem/1.5 system-ui, sans-serif; margin: 0; display: grid; place-items: center; min-height: 100vh;
        background: light-dark(#FCFBF7, #121715); color: light-dark(#17201D, #ECEDE6); }}
main {{ width: min(24rem, 100% - 2.4rem); padding: 1.2rem 0; }}
h1 {{ font-size: 1.5rem; line-height: 1.25; }}
label {{ display: block; font-weight: 600; margin-bottom: .3rem; }}
input, button, a.button {{ font: inherit; box-sizing: border-box; width: 100%; min-height: 3rem; border-radius: 6px; }}
input {{ padding: 0 .8rem; letter-spacing: .12em; text-transform: uppercase; border: 1px solid #7C8783;
         background: light-dark(#FFF, #1E2623); color: inherit; }}
button, a.button {{ display: grid; place-items: center; margin-top: .9rem; border: 0; background: #14594F; color: #FFF;
                    font-weight: 600; text-decoration: none; cursor: pointer; }}
input:focus-visible, button:focus-visible, a:focus-visible {{ outline: 3px solid #B0702A; outline-offset: 2px; }}
.refused {{ border-left: 6px solid #B0702A; padding-left: .9rem; }}
</style></head><body><main>{body}</main></body></html>"""


@cache
def the_codes() -> Codes:
    """Codes and who is inside, for as long as the app runs; the first code stands in the terminal."""
    return Codes(code=os.environ["DIAGNOSE_SHARE"])


@cache
def logins() -> tuple[str, ...]:
    """The names of the identity providers that the secrets hold; empty where no login is asked for.

    Raises
    ------
    CannotUse
        Where the secrets cannot be read or a login in them cannot be asked for: then nobody may get in.
    """
    try:
        told = secrets.get("auth")
    except StreamlitSecretNotFoundError as reason:
        if reason.error_id == "no-secrets-found":
            return ()
        raise CannotUse(f"the secrets cannot be read ({reason}); mend secrets.toml or take it away") from None
    if told is None:
        return ()
    named = tuple(key for key, value in told.items() if hasattr(value, "keys") and "client_id" in value)
    found = ("default",) if "client_id" in told or not named else named
    if not is_authlib_installed():
        raise lacking("login", "a login")
    try:
        for name in found:
            validate_auth_credentials(name)
    except Error as reason:
        raise CannotUse(f"the login in secrets.toml is not complete: {' '.join(str(reason).split())}") from None
    return found


def logged_in_until(cookies: dict[str, str]) -> float | None:
    """When the login in these cookies ends [s since 1970]; None without one, or for one that is forged or has ended.

    Parameters
    ----------
    cookies
        Of the browser, name -> value [no unit].
    """
    secret = get_cookie_secret()

    def signed(name: str) -> bytes | None:
        return decode_signed_value(secret, name, cookies.get(name, "").encode("latin-1", "replace"))

    try:
        told = json.loads(get_cookie_with_chunks(signed, USER_COOKIE_NAME) or b"{}")
        ends = float(told["exp"])
    except (KeyError, TypeError, ValueError):
        return None
    right = told.get("is_logged_in") is True and told.get("origin") == get_origin_from_redirect_uri()
    return ends if right and ends > time.time() else None


class Door:
    """ASGI middleware round the whole app. app : what answers those who got in."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app
        self.shared = bool(os.environ.get("DIAGNOSE_SHARE"))
        self.logins: tuple[str, ...] = ()
        self.shut = ""
        try:
            self.logins = logins()
        except CannotUse as reason:
            self.shut = str(reason)
            print(f"diagnose: nobody is let in: {reason}", flush=True)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answers a stranger, or hands the request on."""
        if scope["type"] not in ("http", "websocket") or scope["path"] == _IS_IT_UP:
            await self.app(scope, receive, send)
            return
        asked = HTTPConnection(scope)
        if self.shut:
            await _refuse(scope, receive, send, "<h1>The app is shut</h1><p>Its login is not set up rightly; the terminal "
                          "where it was started says what is wrong.</p>", 503)
        elif self.shared and not the_codes().is_inside(asked.cookies.get(INSIDE, "")):
            await _ask_for_code(scope, receive, send, asked)
        elif self.logins and not (scope["path"] in _LOGIN_PATHS and scope.get("method") == "GET"):
            ends = logged_in_until(asked.cookies)
            if ends is None:
                await _refuse(scope, receive, send, self._login())
            else:
                await self._until(ends, scope, receive, send)
        else:
            await self._through(scope, receive, send)

    def _login(self) -> str:
        ways = "".join(f'<a class="button" href="/auth/login?provider={quote(encode_provider_token(name))}">Log in'
                       f'{"" if name == "default" else escape(f" with {name}")}</a>' for name in self.logins)
        return f"<h1>Who are you?</h1><p>This app asks for a login.</p>{ways}"

    async def _until(self, ends: float, scope: Scope, receive: Receive, send: Send) -> None:
        """Hands the request on; a socket is closed when the login ends."""
        if scope["type"] == "http":
            await self._through(scope, receive, send)
            return
        try:
            async with asyncio.timeout(max(0.0, ends - time.time())):
                await self.app(scope, receive, send)
        except TimeoutError:
            await send({"type": "websocket.close", "code": _REFUSED})

    async def _through(self, scope: Scope, receive: Receive, send: Send) -> None:
        rules = _rules(HTTPConnection(scope).headers.get("host", ""))

        async def with_rules(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message["headers"], *rules]}
            await send(message)

        await self.app(scope, receive, with_rules)


def _rules(host: str) -> list[tuple[bytes, bytes]]:
    """Headers by which the browser asks this server only, whatever stands in a page."""
    # not every browser counts a page's own socket as 'self'
    sockets = f" ws://{host} wss://{host}" if re.fullmatch(r"[\w.:\[\]-]{1,255}", host) else ""
    content = ("default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob: data:; "
               "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
               f"media-src 'self' data: blob:; connect-src 'self' data: blob:{sockets}; worker-src 'self' blob:; "
               "frame-src 'self' data: blob:; object-src 'none'; base-uri 'self'; frame-ancestors 'self'")
    return [(b"content-security-policy", content.encode()), (b"x-content-type-options", b"nosniff"),
            (b"referrer-policy", b"no-referrer")]


async def _ask_for_code(scope: Scope, receive: Receive, send: Send, asked: HTTPConnection) -> None:
    """Looks at the code that a link or the form brings; else, or when it is wrong, asks for one."""
    code = ""
    if scope["type"] == "http" and scope["path"] == "/":
        code = (await _form(receive) if scope["method"] == "POST" else asked.query_params).get("code", "")
    said = ""
    if code:
        address = asked.client.host if asked.client else ""
        if (token := the_codes().show(code, address)) is not None:
            await _let_in(send, token)
            return
        waits = the_codes().waits(address)
        said = "This code is wrong or was used before; ask for a new one where the app runs."
        if waits > 0:
            said = (f"Too many wrong codes came from your address; wait {_spoken(waits)}, then ask for a new code where the "
                    "app runs.")
    refused = f'<p class="refused" role="alert">{said}</p>' if said else ""
    await _refuse(scope, receive, send, (
        f'<h1>Which code were you given?</h1>{refused}<form method="post" action="/"><label for="code">Code</label>'
        f'<input id="code" name="code" maxlength="{CODE_LENGTH + 4}" autocomplete="off" autocapitalize="characters" '
        'spellcheck="false" required><button>Go in</button></form>'))


def _spoken(seconds: float) -> str:
    return f"{seconds:.0f} seconds" if seconds < 90 else f"{seconds / 60:.0f} minutes"


async def _form(receive: Receive) -> dict[str, str]:
    """The fields of a small form; empty for a larger one, of which no more is read."""
    body = b""
    while True:
        message = await receive()
        body += message.get("body", b"")
        if message["type"] != "http.request" or len(body) > _LONGEST_FORM:
            return {}
        if not message.get("more_body"):
            return {name: values[0] for name, values in parse_qs(body.decode("latin-1")).items()}


async def _let_in(send: Send, token: str) -> None:
    cookie = f"{INSIDE}={token}; Path=/; Max-Age={_INSIDE_FOR_S}; HttpOnly; SameSite=Lax"
    if scheme_of() == "https":
        cookie += "; Secure"
    await send({"type": "http.response.start", "status": 303,
                "headers": [(b"location", b"/"), (b"set-cookie", cookie.encode()), (b"cache-control", b"no-store")]})
    await send({"type": "http.response.body"})


async def _refuse(scope: Scope, receive: Receive, send: Send, body: str, status: int = 401) -> None:
    """A small page where something was asked for, a line or a closed socket elsewhere; what was sent is not read."""
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": _REFUSED})
        return
    page = scope["method"] in ("GET", "POST")
    told = (_PAGE.format(body=body) if page else "You are not let in.\n").encode()
    await send({"type": "http.response.start", "status": status, "headers": [
        (b"content-type", f"text/{'html' if page else 'plain'}; charset=utf-8".encode()),
        (b"content-length", str(len(told)).encode()), (b"cache-control", b"no-store"), (b"connection", b"close"),
        (b"content-security-policy", b"default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; "
                                     b"frame-ancestors 'none'"),
        (b"x-content-type-options", b"nosniff"), (b"referrer-policy", b"no-referrer")]})
    await send({"type": "http.response.body", "body": told})
