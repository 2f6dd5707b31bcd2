"""The page in a real browser: opens from disk, plays, moves, asks the network for nothing."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import sample_records
import soundfile

from dualmic.report import write_report_set

BROWSER = (
    shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
)
DRIVER = shutil.which("chromedriver")

pytestmark = [
    pytest.mark.skipif(BROWSER is None, reason="no Chromium on this computer"),
    pytest.mark.skipif(DRIVER is None, reason="no chromedriver on this computer"),
    pytest.mark.xdist_group("browser"),
]
SECONDS = 60.0


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take of a minute with twenty problems and clips."""
    folder = tmp_path_factory.mktemp("page")
    record = sample_records.build(problems=20, duration_s=SECONDS, name="weir & lock <7>")
    noise = np.random.default_rng(2).normal(0, 0.02, (int(SECONDS) * 48000, 2))
    soundfile.write(folder / "take.wav", noise, 48000, "PCM_16")
    write_report_set(record, folder / "out", sources=[folder / "take.wav"])
    return next((folder / "out").glob("*.html"))


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator:
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for argument in (
        "--headless=new",
        "--no-sandbox",  # a root user, as in a container, has no sandbox
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--disable-dev-shm-usage",
        "--autoplay-policy=no-user-gesture-required",
        "--window-size=1200,900",
        f"--user-data-dir={tmp_path_factory.mktemp('profile')}",
    ):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.set_script_timeout(30)
    yield driver
    driver.quit()


@pytest.fixture
def page(browser, report: Path):
    browser.get(report.as_uri())
    return browser


def readout(page) -> str:
    return page.find_element("id", "plot").get_attribute("aria-valuetext")


def picture(page) -> str:
    return page.execute_script("return document.getElementById('plot').toDataURL()")


def press(page, *keys: str) -> None:
    from selenium.webdriver import ActionChains

    ActionChains(page).send_keys(*keys).perform()


def focused(page) -> str:
    return page.execute_script(
        "const e = document.activeElement; return e.id || e.tagName + ' ' + e.textContent.trim()"
    )


def test_it_opens_from_disk_without_a_word_of_complaint(page) -> None:
    assert page.title.startswith("weir & lock <7>: ")
    complaints = [
        entry for entry in page.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")
    ]
    assert complaints == []
    assert page.find_element("id", "picture").is_displayed()


def test_no_request_leaves_the_page(page, report: Path) -> None:
    asked = []
    for entry in page.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        sent = message["params"] if message["method"] == "Network.requestWillBeSent" else {}
        if sent.get("documentURL") == report.as_uri():
            asked.append(sent["request"]["url"])
    assert report.as_uri() in asked
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    # Even a script that got into the page could not call out: the policy refuses it.
    refused = page.execute_async_script(
        "const done = arguments[0];"
        "fetch('data:text/plain,x').then(() => done('let through'), () => done('refused'))"
    )
    assert refused == "refused"


def test_a_clip_plays_and_begins_quietly(page) -> None:
    volumes = page.execute_script(
        "return [...document.querySelectorAll('audio')].map(a => a.volume)"
    )
    assert len(volumes) == 20
    assert max(volumes) <= 0.3
    played = page.execute_async_script(
        "const done = arguments[0], clip = document.querySelector('audio');"
        "clip.ontimeupdate = () => {"
        "  if (clip.currentTime > 0.2) done([clip.currentTime, clip.duration]);"
        "};"
        "clip.onerror = () => done('error ' + clip.error.message);"
        "clip.play().catch((e) => done('' + e))"
    )
    assert isinstance(played, list), played
    assert 1.5 < played[1] < 9.0


def test_only_one_clip_sounds_at_a_time(page) -> None:
    states = page.execute_async_script(
        "const done = arguments[0], [one, two] = document.querySelectorAll('audio');"
        "one.play().then(() => two.play()).then("
        "  () => setTimeout(() => done([one.paused, two.paused]), 100))"
    )
    assert states == [True, False]


def test_showing_a_problem_moves_the_picture_there(page) -> None:
    before = picture(page)
    button = page.find_element("css selector", "#problem-7 .jump, .jump[data-problem='7']")
    page.execute_script(
        "for (const d of document.querySelectorAll('details')) d.open = true;"
        "arguments[0].scrollIntoView({block: 'center'})",
        button,
    )
    button.click()
    assert picture(page) != before
    start_s = float(button.get_attribute("data-start"))
    assert float(page.find_element("id", "plot").get_attribute("aria-valuenow")) == pytest.approx(
        start_s, abs=0.06
    )
    assert "problem 7" in readout(page)
    assert "chosen" in page.find_element("id", "problem-7").get_attribute("class")
    assert focused(page) == "plot"


def test_a_mark_in_the_picture_leads_to_its_problem(page) -> None:
    from selenium.webdriver import ActionChains

    canvas = page.find_element("id", "plot")
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", canvas)
    found = ""
    height, width = canvas.size["height"], canvas.size["width"]
    row_y = 22 + 26 + 120 + 11  # timecode axis, title, lane, half a row: see page.js
    for x in range(50, width - 12, 9):
        ActionChains(page, duration=0).move_to_element_with_offset(
            canvas, x - width // 2, row_y - height // 2
        ).click().perform()
        found = focused(page)
        if found.startswith("problem-"):
            break
        page.execute_script("arguments[0].scrollIntoView({block: 'center'})", canvas)
    assert found.startswith("problem-")


def test_the_keyboard_alone_reads_and_moves_the_picture(page) -> None:
    from selenium.webdriver.common.keys import Keys

    page.execute_script("document.getElementById('plot').focus()")
    press(page, Keys.HOME)
    assert readout(page).startswith("0:00.0")
    press(page, Keys.ARROW_RIGHT)
    assert readout(page).startswith("0:01.2")  # a fiftieth of a minute
    whole = picture(page)
    press(page, "+")
    closer = picture(page)
    assert closer != whole
    press(page, "n")
    assert "problem 1" in readout(page)
    press(page, "n")
    assert "problem 2" in readout(page)
    press(page, "p")
    assert "problem 1" in readout(page)
    press(page, Keys.ENTER)
    assert focused(page) == "problem-1"


def test_the_mouse_reads_zooms_and_drags_the_picture(page) -> None:
    from selenium.webdriver import ActionChains

    canvas = page.find_element("id", "plot")
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", canvas)
    ActionChains(page).move_to_element(canvas).perform()
    said = page.find_element("id", "readout").text
    assert said.startswith("0:28.")  # half a minute, less what the left margin takes
    assert "subject −" in said and "interviewer −" in said and "dB" in said
    whole = picture(page)
    page.find_element("id", "closer").click()
    page.find_element("id", "closer").click()
    closer = picture(page)
    assert closer != whole
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", canvas)
    ActionChains(page).drag_and_drop_by_offset(canvas, -200, 0).perform()
    assert picture(page) != closer
    page.find_element("id", "whole").click()
    ActionChains(page).move_to_element(canvas).perform()
    assert page.find_element("id", "readout").text == said


def test_tab_alone_reaches_everything(page) -> None:
    from selenium.webdriver.common.keys import Keys

    page.execute_script("for (const d of document.querySelectorAll('.group')) d.open = true")
    every = "[...document.querySelectorAll('a[href], button, canvas, audio, summary')]"
    wanted = page.execute_script(f"return {every}.length")
    seen = set()
    page.execute_script("document.body.tabIndex = -1; document.body.focus()")
    for _ in range(wanted * 8):  # a player has several stops of its own
        press(page, Keys.TAB)
        seen.add(page.execute_script(f"return {every}.indexOf(document.activeElement)"))
        if len(seen - {-1}) == wanted:
            break
    assert seen >= set(range(wanted))


def test_the_timecode_under_the_hand_is_the_records(page) -> None:
    from selenium.webdriver.common.keys import Keys

    page.execute_script("document.getElementById('plot').focus()")
    press(page, Keys.END)
    assert "10:12:12:00" in readout(page)  # 10:11:12:00 and a minute, at 25 frames a second


@pytest.mark.parametrize("width", [360, 390, 768])
def test_nothing_sticks_out_on_a_phone(page, width: int) -> None:
    page.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 800, "deviceScaleFactor": 2, "mobile": True},
    )
    try:
        beyond = page.execute_script(
            "return [...document.querySelectorAll('body *')]"
            ".filter(e => e.getBoundingClientRect().right > arguments[0] && !e.closest('.skip'))"
            ".map(e => e.outerHTML.slice(0, 80))",
            width,
        )
        assert beyond == []
        assert page.execute_script("return document.documentElement.scrollWidth") <= width
        # Fingers: W3C WCAG 2.2, success criterion 2.5.8, at least 24 pixels.
        heights = page.execute_script(
            "return [...document.querySelectorAll('button')].filter(b => b.offsetParent)"
            ".map(b => b.getBoundingClientRect().height)"
        )
        assert min(heights) >= 24
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_dark_surroundings_get_a_dark_page(page) -> None:
    from selenium.webdriver.support.ui import WebDriverWait

    def background() -> str:
        return page.execute_script("return getComputedStyle(document.body).backgroundColor")

    light, drawn = background(), picture(page)
    page.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"features": [{"name": "prefers-color-scheme", "value": "dark"}]},
    )
    try:
        assert background() == "rgb(20, 24, 27)" != light
        # A browser tells of the change as it draws its next frame.
        WebDriverWait(page, 10).until(lambda page: picture(page) != drawn)
    finally:
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
