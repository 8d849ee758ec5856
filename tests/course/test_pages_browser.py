"""The course's pages in a real browser: predictions gate reveals, knobs turn, exercises answer."""

from __future__ import annotations

import importlib
import json
import sys
import time
from pathlib import Path
from typing import Any

import pytest

COURSE = Path(__file__).resolve().parents[2] / "experiments" / "course"
if str(COURSE) not in sys.path:
    sys.path.insert(0, str(COURSE))

pytest.importorskip("marimo")
pytest.importorskip("latex2mathml")


@pytest.fixture(scope="module")
def chapter(tmp_path_factory: pytest.TempPathFactory) -> Path:
    run_chapters = importlib.import_module("run_chapters")
    one, settings = run_chapters.shared.CHAPTERS[8], (10, 50, 200)
    page = run_chapters.page_of(one, settings, run_chapters.run_chapter(one, settings))
    path = tmp_path_factory.mktemp("course") / "chapter.html"
    path.write_text(page, encoding="utf-8")
    return path


def _requests(browser: Any) -> list[str]:
    told = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [one for one in told if one["method"] == "Network.requestWillBeSent"]
    urls = [str(one["params"]["request"]["url"]) for one in asked]
    return [one for one in urls if one.startswith(("http", "ws", "ftp"))]


def test_a_chapter_asks_before_it_shows(browser: Any, chapter: Path) -> None:
    browser.get(chapter.as_uri())

    def shown(selector: str) -> bool:
        script = "const e=document.querySelector(arguments[0]);return !!e&&e.checkVisibility()"
        return bool(browser.execute_script(script, selector))

    figure = 'div[data-setting="2"] details.reveal img'
    click = "document.querySelector('div[data-setting=\"2\"] details.reveal summary').click()"
    assert not shown(figure)
    browser.execute_script(click)
    assert not browser.execute_script("return document.querySelector('details.reveal').open")
    browser.execute_script("document.querySelectorAll('.predict input')[1].click()")
    browser.execute_script(click)
    assert shown(figure)
    # The knob takes the open reveal along.
    browser.execute_script(
        "const k=document.querySelector('.knob input');k.value=0;"
        "k.dispatchEvent(new Event('input'))"
    )
    assert shown('div[data-setting="0"] details.reveal img') and not shown(figure)
    assert (
        browser.execute_script("return document.querySelector('.knob output').textContent") == "10"
    )
    assert not _requests(browser)
    assert not browser.get_log("browser")


def test_an_exercise_answers(browser: Any, chapter: Path) -> None:
    from exercises import EXERCISES

    browser.get(chapter.as_uri())
    number, choice = EXERCISES[9]
    script = """const box=document.querySelectorAll('.exercise')[0];
        box.querySelector('input').value=arguments[0];box.querySelector('button').click();
        return box.querySelector('.verdict').textContent"""
    assert browser.execute_script(script, "3,08") == f"Right. {number.because}"
    for wrong, hint in number.wrong:
        assert browser.execute_script(script, f"{wrong:.4g}") == hint
    assert "usual slips" in browser.execute_script(script, "77")
    assert browser.execute_script(script, "three") == number.check("three").words
    script = """const box=document.querySelectorAll('.exercise')[1];
        [...box.querySelectorAll('input')].find(e=>e.value===arguments[0]).click();
        return box.querySelector('.verdict').textContent"""
    assert browser.execute_script(script, choice.right) == f"Right. {choice.because}"
    assert browser.execute_script(script, choice.wrong[0][0]) == choice.wrong[0][1]


def test_the_film_plays_pauses_and_rewinds(browser: Any, tmp_path: Path) -> None:
    shared = importlib.import_module("shared")
    # One pixel each: what is tested is the player.
    pixel = "data:image/gif;base64,R0lGODlhAQABAIAAAAAAAP///yH5BAEAAAAALAAAAAABAAEAAAIBRAA7"
    labels = [f"{at} s" for at in range(30)]
    path = tmp_path / "film.html"
    path.write_text(shared.film_page([pixel] * 30, labels, "a film"), encoding="utf-8")
    browser.get(path.as_uri())

    def at() -> int:
        return int(browser.execute_script("return document.getElementById('at').value"))

    def press(name: str) -> None:
        browser.execute_script(f"document.getElementById('{name}').click()")

    def key(name: str) -> None:
        browser.execute_script(
            "document.dispatchEvent(new KeyboardEvent('keydown',{key:arguments[0]}))", name
        )

    press("play")
    time.sleep(1.3)
    press("play")
    stood = at()
    assert stood >= 1
    time.sleep(0.7)
    assert at() == stood
    key("ArrowRight")
    assert at() == stood + 1
    key("ArrowLeft")
    press("back")
    assert at() == stood - 1
    press("rewind")
    assert at() == 0
    assert browser.execute_script("return document.getElementById('says').textContent") == "0 s"
    key(" ")
    time.sleep(0.8)
    key(" ")
    assert at() >= 1
    assert not _requests(browser)
    assert not browser.get_log("browser")
