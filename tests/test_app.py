"""The app leads from a photo to a kept observation, in a real browser, on a desk and on a phone."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import pytest

from diagnose.fieldlog.store import open_log
from diagnose.simulate import bark
from tests.conftest import FIRST_SCREEN_WORDS, PHOTOS, WIDTHS, WORDS, as_new, drawn

DESK, PHONE = (1280, 900), (390, 844)


def _open(page: Any, address: str, size: tuple[int, int]) -> list[str]:
    as_new(page, size)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(address)
    return asked


@pytest.mark.parametrize("size", WIDTHS)
def test_a_photo_leads_to_a_verdict_a_barrier_and_a_kept_observation(
    page: Any, app: tuple[str, Path], size: tuple[int, int]
) -> None:
    address, folder = app
    asked = _open(page, f"{address}/wound", size)
    photo = PHOTOS / "twig_on_card" / ("IMG_0016.jpg" if size[0] > 600 else "IMG_0003.jpg")
    page.locator("input[type=file]").first.set_input_files(str(photo))
    page.locator(".verdict").first.wait_for(timeout=60_000)
    page.get_by_alt_text(re.compile(r"enlarged, with lines where it was measured: .*slope")).wait_for()
    page.locator(".now").wait_for()
    assert not page.get_by_text("Take care").first.is_visible()
    page.get_by_text(re.compile("^(How to build it|What would suit)")).click()
    page.get_by_text("Take care").first.wait_for()
    tag = f"T{size[0]}"
    page.get_by_label("Plant's tag").fill(tag)
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_text(f"Saved: {tag}").wait_for(timeout=60_000)
    page.get_by_role("link", name="See it in the log").click()
    page.get_by_role("heading", name=tag).wait_for(timeout=60_000)  # it is opened there, where the eye is
    drawn(page)
    page.wait_for_function("""() => { const box = document.querySelector('.st-key-log_one').getBoundingClientRect();
        return box.top >= 0 && box.top < innerHeight / 3; }""", timeout=30_000)
    kept = open_log(folder).observations()
    assert tag in set(kept["plant"])
    assert open_log(folder).original(kept[kept["plant"] == tag].iloc[0]["photo"]) == photo.read_bytes()
    too_wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert too_wide <= 1
    outside = [url for url in asked if not url.startswith((address, address.replace("http", "ws"), "data:", "blob:"))]
    assert outside == []


@pytest.mark.parametrize("size", WIDTHS)
def test_the_log_page_shows_what_was_kept_on_a_map_without_a_network(
    page: Any, app: tuple[str, Path], size: tuple[int, int]
) -> None:
    address, folder = app
    open_log(folder).save_observation(site="slope", plant=f"L{size[0]}", lat=46.1, lon=-71.6, error_m=8.0,
                                      leading="rabbit", taken_at="2026-01-05T10:00:00")
    asked = _open(page, f"{address}/log", size)
    page.locator(".vega-embed canvas, .vega-embed svg, [data-testid=stVegaLiteChart] canvas").first.wait_for(timeout=60_000)
    page.get_by_role("button", name="Older").wait_for()
    drawn(page)
    page.locator(".st-key-chart_log .role-mark.mark-symbol path").last.click()  # what is opened comes where the eye is
    page.wait_for_function("document.querySelector('.st-key-log_one').getBoundingClientRect().top < 120", timeout=30_000)
    outside = [url for url in asked if not url.startswith((address, address.replace("http", "ws"), "data:", "blob:"))]
    assert outside == []


_WHERE = """() => {
    const box = element => { const at = element.getBoundingClientRect(); return [at.top, at.bottom]; };
    const hosts = [...document.querySelectorAll('[data-testid=stBidiComponentIsolated]')];
    const asked = hosts.map(host => host.shadowRoot?.querySelector('[role=group]')).find(group => group);
    const verdict = document.querySelector('.verdict');
    const found = { high: innerHeight, wide: document.documentElement.scrollWidth - innerWidth,
                    drawn: verdict && hosts.every(host => host.shadowRoot)  // a page is drawn anew piece by piece
                        && document.querySelector('[data-testid=stApp]').dataset.testScriptState === 'notRunning' };
    if (verdict) found.verdict = box(verdict);
    const photo = document.querySelector('.pictures img'), now = document.querySelector('.now');
    if (photo) found.photo = box(photo);
    if (now) found.now = box(now);
    if (asked) { found.question = box(asked); found.name = asked.dataset.asked; }
    return found;
}"""


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), *(
    pytest.param(size, scheme, marks=pytest.mark.slow) for size, scheme in
    ((PHONE, "dark"), (DESK, "light"), (DESK, "dark")))])
def test_verdict_and_question_stay_on_the_screen_from_the_photo_through_every_answer(
    page: Any, app: tuple[str, Path], size: tuple[int, int], scheme: str
) -> None:
    as_new(page, size, scheme)
    page.goto(f"{app[0]}/wound")
    page.locator("input[type=file]").first.set_input_files(str(PHOTOS / "twig_on_card" / "IMG_0003.jpg"))  # the only tap
    page.locator(".now").wait_for(timeout=60_000)
    page.wait_for_function(f"({_WHERE})().drawn && ({_WHERE})().photo && ({_WHERE})().question", timeout=60_000)
    seen = page.evaluate(_WHERE)
    assert seen["photo"][1] - seen["photo"][0] <= 0.4 * seen["high"]
    assert seen["verdict"][1] <= seen["high"] and seen["question"][1] <= seen["high"]
    assert size == DESK or page.evaluate(WORDS) <= FIRST_SCREEN_WORDS
    for _ in range(3):
        _answer_and_look(page)


@pytest.mark.parametrize("first", ["photo", "answer"])
def test_at_most_three_taps_lead_from_the_start_to_a_first_verdict_on_the_screen(
    browser: Any, app: tuple[str, Path], first: str
) -> None:
    context = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]})  # a device that has begun nothing
    context.add_init_script("addEventListener('pointerdown', () => { window.taps = (window.taps || 0) + 1; }, true)")
    page = context.new_page()
    page.goto(app[0])
    page.get_by_role("link", name="Something bit my plant").click()
    if first == "photo":
        with page.expect_file_chooser() as chooser:
            page.get_by_test_id("stFileUploaderDropzone").locator("button").click()
        chooser.value.set_files(str(PHOTOS / "twig_on_card" / "IMG_0016.jpg"))  # in the phone's own window: one tap more
    else:
        page.get_by_role("button", name="bark is gnawed away").click()
    page.wait_for_function(f"({_WHERE})().drawn", timeout=60_000)
    assert page.evaluate("window.taps") + (first == "photo") <= 3
    seen = page.evaluate(_WHERE)
    assert seen["verdict"][0] >= 44 and seen["verdict"][1] <= seen["high"]
    context.close()


@pytest.mark.slow
def test_without_a_photo_verdict_and_question_stay_on_the_phones_screen_too(
    page: Any, app: tuple[str, Path]
) -> None:
    _open(page, f"{app[0]}/wound", PHONE)
    page.get_by_role("button", name="bark is gnawed away").wait_for(timeout=60_000)
    assert page.evaluate(WORDS) <= FIRST_SCREEN_WORDS
    page.get_by_role("button", name="bark is gnawed away").click()
    page.locator(".now").wait_for(timeout=60_000)
    country = page.get_by_role("heading", name="In which country")
    country.wait_for(timeout=60_000)
    verdict, place = page.locator(".verdict").bounding_box(), page.get_by_role("button", name="don't know").bounding_box()
    assert 44 <= verdict["y"] < country.bounding_box()["y"] and place["y"] + place["height"] <= PHONE[1]
    page.get_by_role("button", name="don't know").click()
    page.wait_for_function(f"({_WHERE})().drawn && ({_WHERE})().name", timeout=60_000)
    _look(page)
    for _ in range(2):
        _answer_and_look(page)
    page.get_by_text("Answered so far: 4").wait_for()  # the country that was passed over among them


def test_before_there_is_evidence_the_page_says_not_to_buy_and_folds_away_what_would_suit(
    page: Any, app: tuple[str, Path]
) -> None:
    _open(page, f"{app[0]}/wound", DESK)
    page.get_by_role("button", name="a shoot or twig is cut or torn off").click(timeout=60_000)
    page.locator(".now").filter(has_text="Do not buy a barrier yet").wait_for(timeout=60_000)
    folded = page.get_by_text("What would suit if the likeliest did it")
    folded.wait_for(timeout=60_000)
    sizes = page.get_by_text("largest opening").first
    assert not sizes.is_visible()
    folded.click()
    sizes.wait_for(timeout=30_000)


def test_who_began_without_a_photo_can_start_over_after_the_first_answer(page: Any, app: tuple[str, Path]) -> None:
    _open(page, f"{app[0]}/wound", PHONE)
    page.get_by_role("button", name="bark is gnawed away").wait_for(timeout=60_000)
    rows = page.evaluate("""() => Object.values(Object.groupBy(
        [...document.querySelectorAll('[data-testid=stBidiComponentIsolated]')]
            .flatMap(host => [...host.shadowRoot?.querySelectorAll('.answers button:has(img)') ?? []])
            .map(button => [button, button.querySelector('img')].map(one => Math.round(one.getBoundingClientRect().top))),
        ([top]) => top)).map(row => new Set(row.map(([, drawing]) => drawing)).size)""")
    assert len(rows) > 2 and set(rows) == {1}  # the drawings of one row stand at one height
    page.get_by_role("button", name="bark is gnawed away").click()
    page.locator(".now").wait_for(timeout=60_000)
    page.get_by_role("button", name="Start over").click()
    page.locator(".verdict").wait_for(state="detached", timeout=30_000)
    page.get_by_role("heading", name="What happened to the plant?").wait_for(timeout=30_000)
    page.get_by_text("What happened to the plant? bark is gnawed away").wait_for(state="detached", timeout=30_000)


def test_without_a_place_the_country_is_asked_for_right_after_the_first_answer_and_counts_at_once(
    page: Any, app: tuple[str, Path]
) -> None:
    _open(page, f"{app[0]}/wound", PHONE)
    page.get_by_role("button", name="leaves are eaten or stripped").click(timeout=60_000)
    page.get_by_role("heading", name="In which country").wait_for(timeout=60_000)
    listed = page.get_by_role("combobox", name=re.compile("where the plant stands"))
    listed.fill("New Zealand")
    listed.press("Enter")
    page.get_by_role("heading", name="In which country").wait_for(state="detached", timeout=60_000)
    page.get_by_text("Why, and what else").click()
    page.get_by_text(re.compile("New Zealand: .* kinds of mammals")).first.wait_for(timeout=30_000)
    page.get_by_text(re.compile("possum")).first.wait_for(timeout=30_000)


def _answer_and_look(page: Any) -> None:
    asked = page.evaluate(_WHERE).get("name")
    if asked is None:
        return
    page.get_by_role("button", name=re.compile("^(don't know|did not look)$")).click()
    page.wait_for_function(f"({_WHERE})().drawn && ({_WHERE})().name !== '{asked}'", timeout=60_000)
    _look(page)


def _look(page: Any) -> None:
    """The verdict lies under the bar at the top, the question under the verdict, and both end on the screen."""
    page.wait_for_function(f"""() => {{ const at = ({_WHERE})(); return at.drawn && (!at.question ||
        at.verdict[0] >= 44 && at.verdict[1] <= at.question[0] && at.question[1] <= at.high); }}""", timeout=10_000)
    assert page.evaluate(_WHERE)["wide"] <= 1
    if page.viewport_size["width"] == PHONE[0]:
        page.locator(".left").filter(has_text=re.compile("[a-z]")).wait_for(timeout=10_000)  # how many questions are left
        assert page.evaluate(WORDS) <= FIRST_SCREEN_WORDS


def test_a_file_that_is_no_picture_gets_one_line_and_the_page_lives_on(page: Any, app: tuple[str, Path]) -> None:
    address, _ = app
    _open(page, f"{address}/wound", PHONE)
    page.locator("input[type=file]").first.set_input_files(
        {"name": "notes.jpg", "mimeType": "image/jpeg", "buffer": b"this is no picture"}
    )
    page.get_by_text(re.compile(r"notes\S*jpg:")).first.wait_for(timeout=30_000)
    page.get_by_text("What happened to the plant?").first.wait_for()
    page.get_by_role("button", name="Start over").click()
    page.locator(".verdict").wait_for(state="detached", timeout=30_000)
    # a staff alone, whose plant's browsed tip nobody has tapped yet: what to tap and the verdict stand on one screen
    page.locator("input[type=file]").first.set_input_files(str(PHOTOS / "staff_scene" / "IMG_0001.jpg"))
    page.get_by_text("tap the wound, then the stem's foot").wait_for(timeout=60_000)
    page.wait_for_function(f"({_WHERE})().drawn && ({_WHERE})().verdict[1] <= innerHeight", timeout=60_000)
    page.get_by_role("button", name="a shoot or twig is cut or torn off").click()
    page.get_by_role("heading", name="In which country").wait_for(timeout=60_000)
    page.wait_for_function("document.querySelector('.st-key-place_question').getBoundingClientRect().bottom <= innerHeight")
    # the question before may still stand there for a moment
    page.locator(".st-key-place_question").get_by_role("button", name="don't know").click()
    page.wait_for_function(f"({_WHERE})().drawn && ({_WHERE})().name", timeout=60_000)
    _look(page)


@pytest.mark.slow
def test_two_photos_of_one_wound_are_joined(page: Any, app: tuple[str, Path]) -> None:
    address, _ = app
    _open(page, f"{address}/wound", DESK)
    page.locator("input[type=file]").first.set_input_files([
        {"name": name, "mimeType": "image/jpeg", "buffer": data}
        for name, data in _twice(PHOTOS / "twig_on_card" / "IMG_0016.jpg")])
    page.get_by_text("All photos together").wait_for(timeout=60_000)


def _twice(file: Path) -> list[tuple[str, bytes]]:
    """The photo, and the same pixels written anew, as another file."""
    again = cv2.imencode(".jpg", cv2.imread(str(file)), [cv2.IMWRITE_JPEG_QUALITY, 93])[1].tobytes()
    return [(file.name, file.read_bytes()), ("again.jpg", again)]


def test_photos_of_two_twigs_are_not_joined_unasked_and_the_page_says_what_differs(
    page: Any, app: tuple[str, Path]
) -> None:
    _open(page, f"{app[0]}/wound", DESK)
    # twigs that were drawn 7 and 12 mm thick
    page.locator("input[type=file]").first.set_input_files(
        [str(PHOTOS / "twig_on_card" / f"IMG_00{number}.jpg") for number in (16, 20)])
    page.get_by_text("These photos may show different wounds").click(timeout=60_000)
    page.locator(".st-key-apart li").wait_for()
    told = page.locator(".st-key-apart").inner_text()
    assert "mm in IMG_0016.jpg" in told and "mm in IMG_0020.jpg" in told
    assert page.get_by_text("All photos together").count() == 0
    drawn(page)  # a press while the page is being drawn is lost
    page.get_by_text("These photos show the same wound").click()
    page.get_by_text("All photos together").wait_for(timeout=60_000)


@pytest.mark.slow
@pytest.mark.parametrize("size", WIDTHS)
def test_the_height_of_the_card_on_the_page_gives_the_height_of_the_wound(
    page: Any, app: tuple[str, Path], size: tuple[int, int]
) -> None:
    data, truth = bark.picture_of(replace(bark.any_setting(1000), along="y", turn=90.0, size=(1200, 1600)))
    _open(page, f"{app[0]}/wound", size)
    page.locator("input[type=file]").first.set_input_files({"name": "stem.jpg", "mimeType": "image/jpeg", "buffer": data})
    page.locator(".verdict").wait_for(timeout=60_000)
    page.get_by_text("Figures, or another place").click()
    page.get_by_text("height of the bare patch").locator("visible=true").first.wait_for(timeout=60_000)
    page.get_by_text("How high is the wound").click()
    field = page.get_by_label("Card upright beside the wound")
    field.fill("40")
    field.press("Enter")
    page.get_by_text("height above the ground").locator("visible=true").first.wait_for(timeout=60_000)
    told = page.locator("text=/4[0-9][0-9] ± \\d+ mm/").locator("visible=true").first.inner_text()
    assert truth.upper is not None
    assert abs(float(told.split("±")[0].split()[-1]) - (400 + 50 + truth.upper)) < 10


@pytest.mark.slow
def test_turns_round_the_stem_are_asked_for_where_photos_show_gnawed_bark(page: Any, app: tuple[str, Path]) -> None:
    setting = replace(bark.any_setting(1006), share=0.5, diameter=36.0, tilt=6.0)
    sides = [bark.picture_of(replace(setting, turned=(10.0 - stood + 180) % 360 - 180))[0] for stood in (0, 90)]
    _open(page, f"{app[0]}/wound", DESK)
    page.locator("input[type=file]").first.set_input_files(
        [{"name": f"side{k}.jpg", "mimeType": "image/jpeg", "buffer": data} for k, data in enumerate(sides)])
    page.get_by_text("All photos together").wait_for(timeout=60_000)
    page.get_by_text("All photos together").click()
    page.get_by_text("would narrow down how much bark is gone").wait_for()
    turns = page.get_by_label("How far round the stem")
    turns.fill("0, 90, 180")
    turns.press("Enter")
    page.get_by_text("2 measured photos need as many turns").wait_for(timeout=30_000)
    turns.fill("0, 90")
    turns.press("Enter")
    page.get_by_text("would narrow down how much bark is gone").wait_for(state="detached", timeout=30_000)


def test_who_cannot_tell_what_happened_is_asked_for_the_place_and_nothing_passed_is_asked_again(
    page: Any, app: tuple[str, Path]
) -> None:
    _open(page, f"{app[0]}/wound", PHONE)
    page.get_by_role("button", name="don't know").click()
    page.get_by_text("In which country, or part of one, does the plant stand?").wait_for(timeout=60_000)
    drawn(page)  # until then the question before it, passed, stands there too
    page.get_by_role("button", name="don't know").click()
    drawn(page)
    asked = page.locator("[aria-labelledby=asked] h2")
    while asked.count():
        page.locator("[aria-labelledby=asked] button", has_text=re.compile("^(don't know|did not look)$")).last.click()
        drawn(page)
    told = page.locator(".now").inner_text()
    assert "Do not buy yet" in told and "?" not in told
    assert page.get_by_text("Nothing more to ask.", exact=True).is_visible()  # not that all is known that matters
