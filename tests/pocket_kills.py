"""Is anything lost that the page for the phone has told as kept? `python -m tests.pocket_kills --records 300 --kills 50`.

Records with photos are kept as fast as the page takes them, and its tab, or the whole browser, is killed at random moments.
What was told as kept before a kill must be there, whole, afterwards; and everything that is there is merged once. Once the
disk is full while records are kept, where this process may mount a small one; the browser is killed while it is.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from base64 import b64decode, b64encode
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from playwright.sync_api import Error, sync_playwright

from diagnose.fieldlog.merge import merge
from diagnose.fieldlog.store import open_log
from tests.conftest import PHOTOS, chromium
from tests.pocket_phone import make_page, opened

TWIGS = sorted((PHOTOS / "twig_on_card").glob("*.jpg"))[:4]
# keeps numbered wounds with a photo each until it is killed; a number is told only after the page's own `keep` says so
KEEPING = """
async ([bytes, from, to]) => {
  const file = new File([Uint8Array.from(atob(bytes), one => one.charCodeAt(0))], 'twig.jpg', {type: 'image/jpeg'});
  for (let number = from; number < to; number++) {
    const {...photo} = await photoOf(file), about = {...photo};
    delete about.bytes;
    const values = {site: WORK.site, plant: `K${number}`, taken_at: momentNow(), signs: {wound: {choice: 'severed_shoot'}},
      passed: [], snow_mm: null, position: null, place: null, photos: [about], told: {statement: ''}};
    if (await keep('wound', values, [photo], null, `K${number}`)) await told(number);
  }
}
"""


class Browser:
    """A browser of our own whose every process can be killed at once."""

    def __init__(self, playwright: Any, profile: Path) -> None:
        told = profile / "DevToolsActivePort"
        told.unlink(missing_ok=True)
        self.process = subprocess.Popen(
            [str(chromium()), "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0",
             "--no-first-run", "--disable-background-networking", f"--user-data-dir={profile}", "about:blank"],
            start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for _ in range(300):
            if told.exists() and told.read_text().count("\n") >= 1:
                break
            time.sleep(0.1)
        port = told.read_text().split("\n")[0]
        self.driven = playwright.chromium.connect_over_cdp(f"http://127.0.0.1:{port}")
        self.context = self.driven.contexts[0]

    def kill(self) -> None:
        """Ends every process of it without a word, as when the battery leaves the phone."""
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        with suppress(Error):
            self.driven.close()


@contextmanager
def small_disk(folder: Path) -> Iterator[bool]:
    """Makes the folder a disk of its own, where that is allowed; whether it is one."""
    folder.mkdir()
    size = "size=900m"  # the browser's own files take some 100 MB, 300 records 90
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(folder)], capture_output=True)
    try:
        yield done.returncode == 0
    finally:
        if done.returncode == 0:
            subprocess.run(["umount", "--lazy", str(folder)], check=True)


@contextmanager
def filled(disk: Path) -> Iterator[None]:
    """Leaves half a megabyte free on the disk, until the end."""
    filler = disk / "filler"
    with filler.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, shutil.disk_usage(disk).free - 500_000)
    try:
        yield
    finally:
        filler.unlink()


def run(records: int, kills: int, seed: int, folder: Path) -> tuple[set[int], dict[int, int], Path]:
    """Numbers that were told as kept, how often each is there at the end, and the handed-over file."""
    with small_disk(folder / "disk") as is_small:
        if not is_small:
            print("no small disk may be mounted here, so it is never full")
        return _killed(records, kills, seed, folder, kills // 2 if is_small else -1)


def _killed(records: int, kills: int, seed: int, folder: Path, full_at: int) -> tuple[set[int], dict[int, int], Path]:
    """As `run`. full_at : the turn at which the disk is full; below 0 for none."""
    draw, page_file = random.Random(seed), make_page(folder)
    photos = [b64encode(one.read_bytes()).decode() for one in TWIGS]
    kept: set[int] = set()
    with sync_playwright() as playwright:
        browser = None
        for turn in range(kills + 1):
            browser = browser or Browser(playwright, folder / "disk" / "profile")
            page = opened(browser.context.new_page(), page_file.as_uri())
            page.expose_function("told", lambda number: kept.add(int(number)))
            there = _numbers(page)
            assert kept <= set(there), f"lost after {turn} kills: {sorted(kept - set(there))[:5]}"
            assert page.evaluate("readKeys(now.db, 'photos').then(keys => { const all = new Set(keys); "
                                 "return now.versions.every(one => one.values.photos.every(photo => all.has(photo.id))); })")
            start, stop = max(there, default=-1) + 1, records * (turn + 1) // (kills + 1)
            if turn == kills:
                page.evaluate(KEEPING, [photos[0], start, records])
                counts, file = _numbers(page), _handed(page, folder / "kept.zip")
                browser.kill()
                return kept, counts, file
            if turn == full_at:
                before = len(kept)
                with filled(folder / "disk"):
                    page.evaluate(KEEPING, [photos[0], start, start + 6])
                    told = page.locator("#said").inner_text()
                    browser.kill()
                browser = None
                assert len(kept) < before + 6 and "The phone has no room" in told, f"the disk was not full: {told}"
                print(f"full disk: {len(kept) - before} of 6 told as kept; then: {told}", flush=True)
                continue
            if turn % 10 == 0:
                print(f"{turn} kills, {len(kept)} told as kept, {len(there)} there", flush=True)
            page.evaluate("asked => { setTimeout(() => (" + KEEPING.strip() + ")(asked), 0); }",
                          [photos[turn % len(photos)], start, max(stop, start + 1)])
            page.wait_for_timeout(draw.uniform(5, 400))
            if draw.random() < 0.5:  # the tab alone, as when the phone runs short of memory
                with suppress(Error):
                    page.goto("chrome://crash", timeout=1000)
            else:
                browser.kill()
                browser = None
    raise AssertionError("every turn was a kill")


def _numbers(page: Any) -> dict[int, int]:
    found: dict[int, int] = {}
    for tag in page.evaluate("readAll(now.db, 'versions').then(all => all.map(one => one.values.plant))"):
        found[int(tag[1:])] = found.get(int(tag[1:]), 0) + 1
    return found


def _handed(page: Any, out: Path) -> Path:
    told = page.evaluate("""async () => {
      const blob = await handOver(now.db, now.versions, {site: WORK.site, log: WORK.log, made: momentNow()});
      const bytes = new Uint8Array(await blob.arrayBuffer()), parts = [];
      for (let at = 0; at < bytes.length; at += 32766)
        parts.push(btoa(String.fromCharCode(...bytes.subarray(at, at + 32766))));
      return parts;
    }""")
    out.write_bytes(b"".join(map(b64decode, told)))
    return out


def main() -> int:
    """Returns how many records were lost or doubled."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--records", type=int, default=300)
    asked.add_argument("--kills", type=int, default=50)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        kept, counts, file = run(given.records, given.kills, given.seed, Path(folder))
        log = open_log(Path(folder) / "merged")
        merge(log, file)
        merged = log.observations(columns=("plant",))["plant"].value_counts()
    wrong = [number for number in kept if counts.get(number) != 1 or merged.get(f"K{number}") != 1]
    print(f"{len(kept)} told as kept through {given.kills} kills, {len(counts)} there, {len(merged)} merged, "
          f"{len(wrong)} wrong")
    return len(wrong) + (len(merged) != len(counts))


if __name__ == "__main__":
    sys.exit(bool(main()))
