"""Debian's Firefox for tests, driven over the protocol that it speaks itself (W3C, WebDriver BiDi), with no driver between.

Each start may go on with what the one before kept. The browser's own libraries for this job need a newer one than Debian's.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from websockets.sync.client import ClientConnection, connect

from tests.conftest import missing

WAIT_S = 90
SETTINGS = {"browser.shell.checkDefaultBrowser": False, "datareporting.policy.dataSubmissionEnabled": False,
            "browser.download.folderList": 2, "browser.download.useDownloadDir": True, "app.update.enabled": False,
            "browser.download.alwaysOpenPanel": False, "network.captive-portal-service.enabled": False}
# all that would go over a network, this machine's own addresses too, is sent where nobody listens
NO_NETWORK = {"network.proxy.type": 1, "network.proxy.socks": "127.0.0.1", "network.proxy.socks_port": 9,
              "network.proxy.socks_remote_dns": True, "network.proxy.allow_hijacking_localhost": True}


class Firefox:
    """One running browser with one tab of a phone's size."""

    def __init__(self, socket: ClientConnection) -> None:
        self.socket, self.sent = socket, 0
        self.ask("session.new", capabilities={"alwaysMatch": {"acceptInsecureCerts": True}})
        self.tab = self.ask("browsingContext.getTree")["contexts"][0]["context"]
        self.ask("browsingContext.setViewport", context=self.tab, viewport={"width": 360, "height": 740})

    def ask(self, method: str, **params: Any) -> dict[str, Any]:
        """What the browser answers to a command of the protocol."""
        self.sent += 1
        self.socket.send(json.dumps({"id": self.sent, "method": method, "params": params}))
        while True:
            answer = json.loads(self.socket.recv(timeout=WAIT_S))
            if answer.get("id") == self.sent:
                assert answer["type"] == "success", answer
                return dict(answer["result"])

    def run(self, script: str) -> dict[str, Any]:
        """The value of an expression on the page, as the protocol writes it."""
        answer = self.ask("script.evaluate", expression=script, target={"context": self.tab}, awaitPromise=True,
                          userActivation=True)
        assert answer["type"] == "success", answer
        return dict(answer["result"])

    def open(self, address: str) -> None:
        """Goes there, and waits until the page can be used."""
        self.ask("browsingContext.navigate", context=self.tab, url=address, wait="complete")
        self.see("What do you want to do?")

    def find(self, path: str) -> dict[str, Any]:
        """The first element that an XPath names, once it is there and shows."""
        script = (f"(one => one?.checkVisibility() ? one : null)(document.evaluate("
                  f"{json.dumps(path)}, document, null, XPathResult.FIRST_ORDERED_NODE_TYPE).singleNodeValue)")
        until = time.monotonic() + WAIT_S
        while (found := self.run(script))["type"] == "null":
            assert time.monotonic() < until, f"{path} is not there: {self.told()}"
            time.sleep(0.05)
        return {"sharedId": found["sharedId"]}

    def press(self, words: str) -> None:
        """Clicks, as a finger does, on the first button or link whose words begin so."""
        found = self.find(f"//*[self::button or self::a][starts-with(normalize-space(), {json.dumps(words)})]")
        self.ask("script.callFunction", functionDeclaration="one => one.scrollIntoView({block: 'center'})",
                 arguments=[found], awaitPromise=False, target={"context": self.tab})
        self.ask("input.performActions", context=self.tab, actions=[{"type": "pointer", "id": "finger", "actions": [
            {"type": "pointerMove", "x": 0, "y": 0, "origin": {"type": "element", "element": found}},
            {"type": "pointerDown", "button": 0}, {"type": "pointerUp", "button": 0}]}])

    def fill(self, label: str, words: str) -> None:
        """Types into the field with this label."""
        self.find(f"//*[@id=//label[starts-with(normalize-space(), {json.dumps(label)})]/@for]")
        self.run(f"[...document.querySelectorAll('label')].find(one => one.textContent.startsWith({json.dumps(label)}))"
                 ".control.focus()")
        keys = [{"type": kind, "value": letter} for letter in words for kind in ("keyDown", "keyUp")]
        self.ask("input.performActions", context=self.tab, actions=[{"type": "key", "id": "keys", "actions": keys}])

    def choose(self, path: str, file: Path) -> None:
        """Gives a file to the field that an XPath names."""
        self.ask("input.setFiles", context=self.tab, element=self.find(path), files=[str(file)])

    def see(self, words: str) -> None:
        """Waits until the words stand on the page."""
        until = time.monotonic() + WAIT_S
        while words not in self.told():
            assert time.monotonic() < until, f"{words!r} does not stand there: {self.told()}"
            time.sleep(0.05)

    def told(self) -> str:
        """What the page says."""
        return str(self.run("document.body?.innerText ?? ''")["value"])


@contextmanager
def firefox(profile: Path, downloads: Path, settings: dict[str, Any] | None = None) -> Iterator[Firefox]:
    """Firefox with a profile folder; at the end every process of it is killed without a word, as when the battery leaves
    the phone. The test is skipped where there is none."""
    program = shutil.which("firefox-esr") or shutil.which("firefox")
    if program is None:
        missing("Firefox (Debian: apt-get install firefox-esr)")
    profile.mkdir(exist_ok=True)
    wanted = {**SETTINGS, "browser.download.dir": str(downloads), **(settings or {})}
    (profile / "user.js").write_text("".join(f"user_pref({json.dumps(name)}, {json.dumps(value)});\n"
                                             for name, value in wanted.items()))
    told = profile / "WebDriverBiDiServer.json"
    told.unlink(missing_ok=True)
    process = subprocess.Popen(
        [str(program), "--headless", "--no-remote", "--profile", str(profile), "--remote-debugging-port", "0"],
        start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 2 * WAIT_S
        while not (told.exists() and told.read_text()) and time.monotonic() < until:
            time.sleep(0.1)
        port = json.loads(told.read_text())["ws_port"]
        with connect(f"ws://127.0.0.1:{port}/session", max_size=None, compression=None, close_timeout=1) as socket:
            yield Firefox(socket)
            os.killpg(process.pid, signal.SIGKILL)
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
