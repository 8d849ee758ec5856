"""The report in a real browser: it draws, replays, obeys the keyboard and fits a phone."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from result_bench import MadeResult

from loadlearn.commands.report import run_report
from loadlearn.outputs import write_json, write_parquet

webdriver = pytest.importorskip("selenium.webdriver")
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(
    not (BROWSER and DRIVER), reason="needs Debian's chromium and chromium-driver"
)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(BROWSER)
    for flag in (
        *("headless", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run"),
        *("disable-background-networking", "disable-component-update", "disable-sync"),
        f"user-data-dir={tmp_path_factory.mktemp('profile')}",
    ):
        options.add_argument(f"--{flag}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.get("about:blank")
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory, made_result: MadeResult) -> Path:
    out = tmp_path_factory.mktemp("page") / "out"
    out.mkdir()
    write_parquet(out / "estimates.parquet", made_result.history)
    write_parquet(out / "trace.parquet", made_result.prepared)
    write_json(out / "summary.json", made_result.summary)
    return run_report(out)


def open_page(browser: Any, page: Path, width: int = 1000, calm: bool = False) -> None:
    # A window stops shrinking at 500 px: the width is set below it, on the page.
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    preference = {"name": "prefers-reduced-motion", "value": "reduce" if calm else "no-preference"}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [preference]})
    browser.get(page.as_uri())
    until(browser, "return document.body.dataset.ready === 'yes'")


def until(browser: Any, script: str, seconds: float = 15.0) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if browser.execute_script(script):
            return
        time.sleep(0.05)
    raise AssertionError(f"never true: {script}")


def slider(browser: Any) -> int:
    return int(browser.execute_script("return document.getElementById('scrub').value"))


def cursors(browser: Any) -> list[float]:
    return browser.execute_script(
        "return [...Bokeh.documents[0]._all_models.values()]"
        ".filter((one) => one.name === 'replay-cursor').map((one) => one.location)"
    )


@pytest.mark.parametrize("width", [1000, 360])
def test_it_draws_without_a_fault_a_request_or_a_sideways_scroll(
    browser: Any, page: Path, width: int
) -> None:
    browser.get_log("browser")
    browser.get_log("performance")
    open_page(browser, page, width)
    faults = [one for one in browser.get_log("browser") if one["level"] in ("SEVERE", "WARNING")]
    assert faults == []
    messages = [json.loads(one["message"])["message"] for one in browser.get_log("performance")]
    asked = {
        one["params"]["request"]["url"].split(":", 1)[0]
        for one in messages
        if one["method"] == "Network.requestWillBeSent"
    }
    assert asked <= {"file", "data", "blob"}
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert len(cursors(browser)) == 6


def test_it_plays_pauses_and_scrubs(browser: Any, page: Path) -> None:
    open_page(browser, page)
    assert slider(browser) == 0
    play = browser.find_element("id", "play")
    play.click()
    until(browser, "return Number(document.getElementById('scrub').value) > 20")
    play.click()
    there = slider(browser)
    time.sleep(0.3)
    assert slider(browser) == there
    assert play.text == "Play"
    minutes = cursors(browser)[0]
    assert cursors(browser) == [minutes] * 6
    assert minutes == pytest.approx(there * 30.0 / 1499.0, rel=0.02)
    said = browser.find_element("id", "readout").text
    assert f"{int(minutes)}:" in said and "km/h" in said


def test_the_keyboard_is_enough(browser: Any, page: Path) -> None:
    from selenium.webdriver.common.keys import Keys

    open_page(browser, page)
    browser.execute_script("document.getElementById('scrub').focus()")
    active = browser.switch_to.active_element
    active.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert slider(browser) == 2
    active.send_keys(Keys.END)
    assert slider(browser) == 1499
    assert "ground\ngravel" in browser.find_element("id", "readout").text
    browser.execute_script("document.getElementById('play').focus()")
    browser.switch_to.active_element.send_keys(Keys.SPACE)
    until(browser, "return document.getElementById('play').textContent === 'Pause'")
    until(browser, "return Number(document.getElementById('scrub').value) < 1400")


def test_with_reduced_motion_it_moves_once_a_second(browser: Any, page: Path) -> None:
    open_page(browser, page, calm=True)
    browser.execute_script(
        "window.steps = 0; new MutationObserver(() => window.steps++).observe("
        "document.querySelector('#readout dd'), {childList: true});"
    )
    browser.find_element("id", "play").click()
    time.sleep(2.5)
    assert 1 <= browser.execute_script("return window.steps") <= 3
