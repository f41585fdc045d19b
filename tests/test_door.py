"""Nobody gets past the door without a code or a login: no page, socket, upload, media file or figure of the app."""

from __future__ import annotations

import http.client
import json
import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import psutil
import pytest
from itsdangerous import URLSafeTimedSerializer
from joserfc import jwt
from joserfc.jwk import RSAKey
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from diagnose.screens.door import INSIDE
from tests.conftest import served

# what Streamlit answers by itself
ADDRESSES = ("/", "/wound", "/log", "/inbox", "/media/0123456789abcdef.jpg", "/_stcore/metrics", "/_stcore/host-config",
             "/_stcore/script-health-check", "/_stcore/bidi-components/a/b.js", "/component/a/index.html", "/index.html",
             "/static/js/index.js", "/app/static/a", "/auth/login", "/_stcore/upload_file/a/b", "/pocket/?site=a",
             "/pocket/keeper.js", "/pocket/authority.crt")
SECRET = "of this test only, and long enough to sign with"


def _asked(address: str, path: str, method: str = "GET", body: bytes = b"", **headers: str) -> tuple[int, str]:
    there = urlsplit(address)
    line = http.client.HTTPConnection(there.hostname or "", there.port, timeout=20)
    try:
        line.request(method, path, body or None, headers)
        answer = line.getresponse()
        return answer.status, f"{answer.headers}\n{answer.read().decode('utf-8', 'replace')}"
    finally:
        line.close()


def _socket_opens(address: str, cookie: str = "") -> bool:
    where = f"{address.replace('http', 'ws')}/_stcore/stream"
    try:
        with connect(where, origin=address, additional_headers={"Cookie": cookie}, open_timeout=20):
            return True
    except InvalidStatus as refused:
        assert refused.response.status_code == 403
        return False


def _nothing_of_the_app(address: str, cookie: str = "", but: str = "") -> None:
    """but : the one address that a stranger may GET."""
    for path in ADDRESSES:
        for method in ("GET", "HEAD", "PUT", "DELETE", "OPTIONS", "POST"):
            if path == but and method == "GET":
                continue
            status, told = _asked(address, path, method, Cookie=cookie)
            assert status == 401, (method, path, told)
            assert not re.search(r"streamlit|python|\d+\.\d+\.\d+|/home|/root|/tmp|_stcore|Traceback", told, re.I), told
    assert not _socket_opens(address, cookie)


def test_a_stranger_at_a_shared_app_reaches_nothing_and_holds_no_memory(tmp_path: Path) -> None:
    with served(tmp_path / "log", "--share") as (address, told):
        _nothing_of_the_app(address)
        _nothing_of_the_app(address, f"{INSIDE}={'0' * 32}")
        port = urlsplit(address).port
        server = next(one for one in psutil.process_iter(["cmdline"])
                      if f"--server.port={port}" in (one.info["cmdline"] or []))
        before = server.memory_info().rss
        for number in range(40):  # 400 MB
            with suppress(OSError):  # it hangs up while we are still sending
                assert _asked(address, f"/_stcore/upload_file/{number}/{number}", "PUT", bytes(10_000_000))[0] == 401
            with suppress(OSError):
                assert _asked(address, "/", "POST", b"code=" + b"A" * 5_000_000)[0] == 401
        assert server.memory_info().rss - before < 50e6
        code = re.search(r"code=(\w+)", told)
        assert code is not None
        form = f"code={code[1]}".encode()
        status, told = _asked(address, "/", "POST", form)
        assert status == 303
        cookie = re.search(rf"set-cookie: ({INSIDE}=\w+);.*HttpOnly", told, re.I)
        assert cookie is not None
        assert _asked(address, "/", Cookie=cookie[1])[0] == 200
        assert _socket_opens(address, cookie[1])


def test_wrong_codes_make_their_sender_wait_and_say_for_how_long(tmp_path: Path) -> None:
    with served(tmp_path / "log", "--share") as (address, told):
        for number in range(12):
            status, page = _asked(address, f"/?code=WRONG{number}")
            assert status == 401
        assert "Too many wrong codes came from your address" in page and "seconds" in page
        code = re.search(r"code=(\w+)", told)
        assert code is not None
        assert _asked(address, f"/?code={code[1]}")[0] == 401


class Provider(BaseHTTPRequestHandler):
    """An identity provider that lets everybody in as ada, by OpenID Connect Core 1.0, sections 3.1.2 and 3.1.3."""

    key = RSAKey.generate_key(2048, {"kid": "1"})
    asked: dict[str, str] = {}

    def do_GET(self) -> None:
        here = f"http://{self.headers['Host']}"
        where = urlsplit(self.path)
        given = {name: values[0] for name, values in parse_qs(where.query).items()}
        if where.path == "/.well-known/openid-configuration":
            self._tell({"issuer": here, "authorization_endpoint": f"{here}/authorize", "token_endpoint": f"{here}/token",
                        "jwks_uri": f"{here}/keys", "id_token_signing_alg_values_supported": ["RS256"]})
        elif where.path == "/authorize":
            Provider.asked = given
            self.send_response(302)
            self.send_header("Location", f"{given['redirect_uri']}?code=once&state={given['state']}")
            self.end_headers()
        else:
            self._tell({"keys": [Provider.key.as_dict(private=False)]})

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        claims = {"iss": f"http://{self.headers['Host']}", "sub": "ada", "aud": "browse", "iat": int(time.time()),
                  "exp": int(time.time()) + 600, "nonce": Provider.asked["nonce"], "email": "ada@example.org"}
        token = jwt.encode({"alg": "RS256", "kid": "1"}, claims, Provider.key)
        self._tell({"id_token": token, "access_token": "a", "token_type": "Bearer", "expires_in": 600})

    def _tell(self, what: Any) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.end_headers()
        self.wfile.write(json.dumps(what).encode())

    def log_message(self, *_: Any) -> None:
        pass


@contextmanager
def _provider() -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Provider)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()


def _with_secrets(folder: Path, told: str) -> Path:
    (folder / ".streamlit").mkdir()
    (folder / ".streamlit" / "secrets.toml").write_text(told)
    return folder


def _auth(provider: str, more: str = 'client_secret = "s"') -> str:
    return (f'[auth]\nredirect_uri = "http://127.0.0.1:{{port}}/oauth2callback"\ncookie_secret = "{SECRET}"\n'
            f'client_id = "browse"\nserver_metadata_url = "{provider}/.well-known/openid-configuration"\n{more}\n')


def _cookie(address: str, secret: str = SECRET, **changed: Any) -> str:
    """A login's cookie as Streamlit signs it."""
    told = {"sub": "ada", "exp": time.time() + 600, "origin": address, "is_logged_in": True, "provider": "default"}
    signed = URLSafeTimedSerializer(secret, salt="_streamlit_user").dumps(json.dumps({**told, **changed}))
    return f"_streamlit_user={signed}"


@pytest.fixture(scope="module")
def with_login(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("login")
    with _provider() as provider, served(folder / "log", start_in=_with_secrets(folder, _auth(provider))) as (address, _):
        yield address


def test_without_a_login_nothing_of_the_app_is_reached(with_login: str) -> None:
    _nothing_of_the_app(with_login, but="/auth/login")


def test_an_expired_a_forged_and_a_borrowed_login_are_refused(with_login: str) -> None:
    right = _cookie(with_login)
    assert _asked(with_login, "/", Cookie=right)[0] == 200
    name, _, value = right.partition("=")
    for wrong in (_cookie(with_login, exp=time.time() - 1), _cookie(with_login, "another secret"),
                  _cookie("http://elsewhere.example"), _cookie(with_login, is_logged_in=False),
                  _cookie(with_login, exp=None),
                  f"{name}=e30{value[3:]}", f"{name}={value[:-2]}", f"{name}="):
        _nothing_of_the_app(with_login, wrong, but="/auth/login")


def test_a_socket_closes_when_its_login_ends(with_login: str) -> None:
    where = f"{with_login.replace('http', 'ws')}/_stcore/stream"
    cookie = _cookie(with_login, exp=time.time() + 4)
    with connect(where, origin=with_login, additional_headers={"Cookie": cookie}) as socket, pytest.raises(ConnectionClosed):
        while True:
            socket.recv(timeout=30)


def test_who_logs_in_at_the_provider_gets_in_and_by_logging_out_is_out_again(with_login: str) -> None:
    with httpx.Client(follow_redirects=True, timeout=60) as browser:
        asked = browser.get(f"{with_login}/log")
        assert asked.status_code == 401 and "Who are you?" in asked.text
        way = re.search(r'href="(/auth/login[^"]+)"', asked.text)
        assert way is not None
        assert browser.get(f"{with_login}{way[1]}").status_code == 200
        cookie = "; ".join(f"{name}={value}" for name, value in browser.cookies.items())
        assert _socket_opens(with_login, cookie)
        assert _asked(with_login, "/media/none.jpg", Cookie=cookie)[0] == 404
        browser.get(f"{with_login}/auth/logout")
        assert browser.get(f"{with_login}/log").status_code == 401


def test_the_login_is_one_press_in_a_browser(with_login: str, browser: Any) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.goto(f"{with_login}/wound")
    page.get_by_role("link", name="Log in").click()
    page.get_by_text("What do you want to do?").wait_for(timeout=60_000)
    page.goto(f"{with_login}/settings")
    page.get_by_text("You are logged in as").wait_for(timeout=30_000)
    assert "ada@example.org" in page.get_by_text("You are logged in as").inner_text().replace("\u2060", "")
    assert page.get_by_text("Use another folder").count() == 0
    page.close()


@pytest.mark.parametrize("told", [_auth("http://127.0.0.1:9", ""), "[auth\n"])
def test_a_login_that_cannot_be_asked_for_lets_nobody_in(tmp_path: Path, told: str) -> None:
    with served(tmp_path / "log", start_in=_with_secrets(tmp_path, told)) as (address, said):
        for path in ADDRESSES:
            assert _asked(address, path)[0] == 503
        assert not _socket_opens(address)
        assert "nobody is let in" in said
