"""The main path of the phone's page in Debian's Firefox: a wound with a photo, a tree and a barrier are kept, outlive the
killed browser, and are handed over and merged."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.fieldlog.merge import merge
from diagnose.fieldlog.store import open_log
from tests.conftest import PHOTOS
from tests.firefox import NO_NETWORK, firefox
from tests.pocket_phone import RABBIT, make_page, served_file

TWIG = PHOTOS / "twig_on_card" / "IMG_0016.jpg"


def test_in_firefox_what_is_kept_without_a_network_outlives_the_killed_browser_and_is_merged_once(tmp_path: Path) -> None:
    page, down = make_page(tmp_path).as_uri(), tmp_path / "down"
    down.mkdir()
    with firefox(tmp_path / "profile", down, NO_NETWORK) as browser:
        browser.open(page)
        browser.press("What bit it?")
        for _ in range(5):
            question = str(browser.run("document.querySelector('main h2').innerText")["value"])
            browser.press(RABBIT.get(question, "don't know"))
            if "Most likely" in browser.told():
                break
        assert "Most likely rabbit or hare" in browser.told()
        browser.press("Keep")
        browser.fill("Tag of the plant", "T7")
        browser.choose("//input[@id='photos']", TWIG)
        browser.find("//img[@alt='photo 1']")
        browser.press("Keep it")
        browser.see("Kept: the wound on T7.")
        browser.press("Tally trees on plots")
        browser.press("P1")
        browser.press("07")
        browser.fill("Height [cm]", "44")
        browser.press("Keep this tree")
        browser.see("Kept: tree 07.")
    with firefox(tmp_path / "profile", down) as browser:  # after the kill
        browser.open(page)
        assert "2 kept on this phone; 2 are not yet handed over." in browser.told()
        browser.press("Barriers due")
        browser.press("I looked at it")
        browser.press("damaged")
        browser.press("Tick it off")
        browser.see("1 ticked off here")
        browser.press("Start")
        browser.press("Hand over")
        browser.press("Make the file of 3")
        browser.press("Save the file")
        browser.press("It is there")
        browser.see("Counted as handed over.")
        handed = sorted(down.glob("*.zip"))
    log = open_log(tmp_path / "merged")
    for _ in range(2):
        merge(log, handed[0])
    rows = log.observations(columns=("plant", "photo"))
    assert rows["plant"].tolist() == ["T7"] and log.original(rows["photo"][0]) == TWIG.read_bytes()
    assert log.records("tally")["tree"].tolist() == ["07"] and log.records("check")["finding"].tolist() == ["damaged"]


@pytest.mark.slow
def test_in_firefox_over_plain_http_it_says_what_is_missing_and_keeps_all_the_same(tmp_path: Path) -> None:
    file = make_page(tmp_path)
    # a name of its own for this machine: a browser trusts `localhost` as if it were https
    named = {"network.dns.localDomains": "pocket.test"}
    with served_file(file) as port, firefox(tmp_path / "profile", tmp_path, named) as browser:
        browser.open(f"http://pocket.test:{port}/pocket.html")
        browser.see("open without a network")
        told = browser.told().split("What was tried")[0]
        assert "keep records" not in told and "lock a file" in told and "tell the position" in told
        browser.press("Hand over")
        assert "cannot lock" in browser.told()


