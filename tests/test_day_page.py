"""The day's page: safe with any name, sorted and filtered in a browser without a server."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from dualmic.overnight.state import Row
from dualmic.report.day_page import html, patterns, sorted_by_need, write_day

BROWSER = (
    shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
)
DRIVER = shutil.which("chromedriver")


def row(number: int, **changes: object) -> Row:
    tones = ("good", "mixed", "bad")
    made: dict[str, object] = {
        "key": str(number),
        "name": f"card/LOCK_{number:04}.MOV",
        "files": [],
        "headline": "Usable",
        "tone": tones[number % 3],
        "at_risk": number % 3,
        "duration_s": 60.0 + number,
        "recorded_at": f"2024-05-0{1 + number % 2}T{8 + number % 10:02}:00:00",
        "kinds": {"dropout subject": 1} if number % 3 == 2 else {},
        "plot": {"interviewer": bytes([50] * 120), "subject": bytes([20] * 120)},
        "page": f"takes/{number}/a b.html",
    }
    return Row(**(made | changes))  # type: ignore[arg-type]


def test_names_cannot_become_markup_or_formulas(tmp_path: Path) -> None:
    name = "=<script>alert(1)</script>.wav"
    write_day([row(1, name=name)], tmp_path, "<b>day</b>")
    page = (tmp_path / "index.html").read_text("utf-8")
    assert "<script>alert" not in page
    assert "<b>day</b>" not in page
    assert "takes/1/a%20b.html" in page
    assert "'=<script>" in (tmp_path / "day.csv").read_text("utf-8-sig")


def test_what_needs_somebody_comes_before_what_does_not() -> None:
    rows = [
        row(0, name="copy", status="copy"),
        row(0, name="good", at_risk=0),
        row(1, name="one lost"),
        row(1, name="two lost", at_risk=2),
        row(2, name="bad"),
        row(2, name="unread", status="failed", failed=True),
    ]
    order = ["unread", "bad", "two lost", "one lost", "good", "copy"]
    assert [r.name for r in sorted_by_need(rows)] == order


def test_a_failing_cable_shows_as_a_pattern() -> None:
    rows = [row(2, recorded_at=f"2024-05-01T{hour:02}:30:00") for hour in (9, 10, 10, 11, 11, 11)]
    assert patterns(rows) == (["09 h", "10 h", "11 h"], [("dropout", "subject", [1, 2, 3])])


def test_a_half_finished_day_says_so() -> None:
    assert "12 more are still" in html([row(1)], "day", left=12).decode()


@pytest.mark.parametrize("count", [0, 1, 40])
def test_any_number_of_takes_has_all_four_files(tmp_path: Path, count: int) -> None:
    write_day([row(k) for k in range(count)], tmp_path, "day")
    assert len(json.loads((tmp_path / "day.json").read_bytes())["takes"]) == count
    assert (tmp_path / "day.pdf").read_bytes().startswith(b"%PDF")


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator:
    if BROWSER is None or DRIVER is None:
        pytest.skip("no Chromium with chromedriver on this computer")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    profile = tmp_path_factory.mktemp("profile")
    for argument in (
        "--headless=new",
        "--no-sandbox",  # a root user, as in a container, has no sandbox
        "--disable-gpu",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-dev-shm-usage",
        f"--user-data-dir={profile}",
    ):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    page = profile / "index.html"
    page.write_bytes(html(sorted_by_need([row(k) for k in range(2000)]), "day"))
    driver.get(page.as_uri())
    yield driver
    driver.quit()


def shown(browser) -> list[str]:
    return browser.execute_script(
        "return [...document.querySelectorAll('#takes tbody tr:not([hidden])')]"
        ".map(row => row.dataset.name)"
    )


@pytest.mark.xdist_group("browser")
def test_two_thousand_takes_are_filtered_and_sorted_by_keyboard(browser) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    assert len(shown(browser)) == 2000
    browser.find_element(By.TAG_NAME, "body").send_keys("/")
    browser.switch_to.active_element.send_keys("0017")
    assert shown(browser) == ["card/LOCK_0017.MOV"]
    assert browser.find_element(By.ID, "count").text == "1 of 2000 takes"
    browser.switch_to.active_element.send_keys(Keys.ESCAPE)
    button = browser.find_element(By.CSS_SELECTOR, "[data-sort=length]")
    button.send_keys(Keys.ENTER)
    assert shown(browser)[:2] == ["card/LOCK_0000.MOV", "card/LOCK_0001.MOV"]
    button.send_keys(Keys.ENTER)
    assert shown(browser)[0] == "card/LOCK_1999.MOV"
    refused = [entry["message"] for entry in browser.get_log("browser")]
    assert refused == []


@pytest.mark.xdist_group("browser")
def test_the_filter_hides_takes_on_a_phone_too(browser) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    browser.set_window_size(500, 900)
    words = browser.find_element(By.ID, "words")
    words.send_keys("0017")
    tall = browser.execute_script(
        "return [...document.querySelectorAll('#takes tbody tr')]"
        ".filter(row => row.getBoundingClientRect().height > 0).length"
    )
    width = browser.execute_script("return document.documentElement.scrollWidth - innerWidth")
    words.send_keys(Keys.ESCAPE)
    assert tall == 1
    assert width <= 0


def test_where_problems_gather_stands_before_two_thousand_takes() -> None:
    rows = [row(2, recorded_at=f"2024-05-01T{hour:02}:30:00") for hour in (9, 10, 10)]
    page = html(rows, "day").decode()
    assert page.index("Where problems gather") < page.index('id="takes"')
    assert "the subject&#39;s microphone, in 3 takes" in page
