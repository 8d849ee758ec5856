"""What several tests share."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import settings
from result_bench import MadeResult, make_result

# The same examples in every run: a failure found once is found again by everybody.
settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
settings.load_profile("fixed")


@pytest.fixture(scope="session")
def made_result() -> MadeResult:
    """A result over thirty minutes at 10 Hz."""
    return make_result()


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A headless browser with an empty profile; tests without one are skipped."""
    webdriver = pytest.importorskip("selenium.webdriver")
    from selenium.webdriver.chrome.service import Service

    binary = shutil.which("chromium") or shutil.which("chromium-browser")
    driver = shutil.which("chromedriver")
    if not (binary and driver):
        pytest.skip("needs Debian's chromium and chromium-driver")
    options = webdriver.ChromeOptions()
    options.binary_location = binary
    for flag in (
        *("headless", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run"),
        *("disable-background-networking", "disable-component-update", "disable-sync"),
        f"user-data-dir={tmp_path_factory.mktemp('profile')}",
    ):
        options.add_argument(f"--{flag}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    opened = webdriver.Chrome(options=options, service=Service(driver))
    opened.get("about:blank")
    yield opened
    opened.quit()
