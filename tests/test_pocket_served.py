"""The phone's page straight from the app: over https it is kept and opens when the computer is gone, over http it is not."""

from __future__ import annotations

import shutil
import ssl
import urllib.error
import urllib.request
from base64 import b64encode
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from cryptography.x509 import load_pem_x509_certificate

from diagnose.fieldlog.merge import merge
from diagnose.fieldlog.store import open_log
from tests.conftest import PHOTOS, served
from tests.pocket_phone import RABBIT, SITE, make_page, opened, press, step_of

TWIG = PHOTOS / "twig_on_card" / "IMG_0016.jpg"
PAGE = f"/pocket/?site={quote(SITE)}"


@pytest.fixture(scope="module")
def planting(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_page(tmp_path_factory.mktemp("planting")).parent


@contextmanager
def _phone(browser: Any, profile: Path, *more: str, width: int = 360) -> Iterator[Any]:
    """A browser of its own whose kept pages outlive it."""
    context = browser.browser_type.launch_persistent_context(
        str(profile), executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu", *more],
        viewport={"width": width, "height": 740}, accept_downloads=True, permissions=["geolocation"],
        geolocation={"latitude": 44.2, "longitude": -72.8, "accuracy": 8})
    try:
        yield context
    finally:
        context.close()


def _trusting(https: Path) -> str:
    """The option by which Chromium trusts one key, as a phone does that was told to trust the computer."""
    key = load_pem_x509_certificate((https / "own.crt").read_bytes()).public_key()
    told = sha256(key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)).digest()
    return f"--ignore-certificate-errors-spki-list={b64encode(told).decode()}"


def _missing(page: Any) -> str:
    """The line that says what this browser cannot do, once it was tried whether the page is kept."""
    page.locator("li", has_text="open without a network").wait_for(state="attached")
    return str(page.locator(".told", has_text="What was tried").inner_text())


def test_over_https_the_page_is_kept_and_opens_records_and_hands_over_when_the_computer_is_gone(
    browser: Any, planting: Path, tmp_path: Path
) -> None:
    with served(planting / "log", "--https", settings=tmp_path / "settings.yaml") as (address, told):
        trusting, kept_at = _trusting(tmp_path / "https"), f"{address}{PAGE}"
        assert "SHA-256 fingerprint" in told and "https://localhost" in told
        with _phone(browser, tmp_path / "profile", trusting) as context:
            page = opened(context.new_page(), kept_at)
            assert "open without a network" not in _missing(page).split("What was tried")[0]
            names = page.evaluate("""async () => (await Promise.all((await caches.keys()).map(async name =>
              (await (await caches.open(name)).keys()).map(each => each.url)))).flat()""")
            assert names == [kept_at]  # the page, and nothing else
    with pytest.raises(urllib.error.URLError):
        urllib.request.urlopen(address, timeout=2)
    for width in (360, 412):
        with _phone(browser, tmp_path / "profile", trusting, width=width) as context:
            page = opened(context.new_page(), kept_at)
            press(page, "What bit it?")
            for _ in range(4):
                answer = RABBIT.get(step_of(page), "don't know")
                page.locator(".answers button").filter(has_text=answer).first.click()
            press(page, "Keep")
            page.get_by_label("Tag of the plant").fill(f"T{width}")
            page.locator("input[type=file]").set_input_files(str(TWIG))
            page.locator(".photos img").first.wait_for()
            press(page, "Take my position")
            page.get_by_text("Position taken, ± 8 m").wait_for()
            press(page, "Keep it")
            page.get_by_text(f"Kept: the wound on T{width}.").wait_for()
            if width == 412:
                press(page, "Hand over")
                assert page.get_by_label("Passphrase to lock the file").count() == 1
                press(page, "Make the file of 2 not yet handed over")
                with page.expect_download() as download:
                    page.get_by_role("link", name="Save the file").click()
                download.value.save_as(tmp_path / "handed.zip")
    log = open_log(tmp_path / "merged")
    merge(log, tmp_path / "handed.zip")
    rows = log.observations(columns=("plant", "lat", "lon"))
    assert sorted(rows["plant"]) == ["T360", "T412"] and rows["lat"].tolist() == [44.2, 44.2]


def test_over_plain_http_it_says_that_position_locking_and_keeping_the_page_are_missing(
    browser: Any, planting: Path, tmp_path: Path
) -> None:
    # a name of its own for this machine: a browser trusts `localhost` as if it were https
    with (served(planting / "log") as (address, _),
          _phone(browser, tmp_path / "profile", "--host-resolver-rules=MAP pocket.test 127.0.0.1") as context):
        page = opened(context.new_page(), f"http://pocket.test:{address.rsplit(':', 1)[1]}{PAGE}")
        told = _missing(page).split("What was tried")[0]
        for what in ("open without a network", "lock a file", "tell the position"):
            assert what in told
        assert "keep records" not in told
        press(page, "Hand over")
        assert page.get_by_label("Passphrase to lock the file").count() == 0
        assert "cannot lock the file here" in page.locator("main").inner_text()


def test_nothing_but_the_page_s_own_script_style_and_keeper_runs_when_the_app_serves_it(
    browser: Any, planting: Path
) -> None:
    with served(planting / "log") as (address, _):
        page = opened(browser.new_page(), f"{address}{PAGE}")  # over localhost, which browsers trust
        refused = page.evaluate("""async () => {
          const refused = [];
          document.addEventListener('securitypolicyviolation', event => refused.push(event.effectiveDirective));
          const script = document.createElement('script');
          script.src = '/static/x.js';
          document.body.append(script);
          await fetch('/_stcore/health').catch(() => {});
          await navigator.serviceWorker.register('data:text/javascript,1').catch(() => {});
          setTimeout(() => { try { eval('1'); } catch { refused.push('eval'); } }, 0);
          await new Promise(resolve => setTimeout(resolve, 300));
          return refused;
        }""")
        page.close()
    assert {"script-src-elem", "connect-src", "eval"} <= set(refused)


class _Stay(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_words: Any) -> None:
        return None


def test_what_the_phone_s_page_is_made_of_is_behind_the_door(planting: Path, tmp_path: Path) -> None:
    with served(planting / "log", "--share", "--https", settings=tmp_path / "settings.yaml") as (address, told):
        trusting = ssl.create_default_context(cafile=tmp_path / "https" / "authority.crt")  # judged by OpenSSL
        asks = urllib.request.build_opener(urllib.request.HTTPSHandler(context=trusting), _Stay)
        for path in (PAGE, "/pocket/keeper.js", "/pocket/authority.crt"):
            with pytest.raises(urllib.error.HTTPError) as refused:
                asks.open(f"{address}{path}", timeout=10)
            assert refused.value.code == 401
            with refused.value as answer:  # left open, the server would wait for it when it is stopped
                assert SITE not in answer.read().decode()
        with pytest.raises(urllib.error.HTTPError) as let_in:
            asks.open(f"{address}/?code={told.split('?code=')[1].split()[0]}", timeout=10)
        with let_in.value as answer:
            cookie = answer.headers["set-cookie"]
        assert let_in.value.code == 303 and cookie.endswith("; Secure")
        inside = {"Cookie": cookie.split(";")[0]}
        for path, words in ((PAGE, "in the pocket"), ("/pocket/authority.crt", "BEGIN CERTIFICATE")):
            with asks.open(urllib.request.Request(f"{address}{path}", headers=inside), timeout=60) as page:
                assert words in page.read().decode()


def test_a_planting_without_a_name_is_asked_for_in_one_line(planting: Path) -> None:
    with served(planting / "log") as (address, _), pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(f"{address}/pocket/", timeout=10)
    assert refused.value.code == 404 and "Name the planting" in refused.value.read().decode()
