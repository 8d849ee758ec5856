"""The replay in a real browser: what a person who got the page by mail can see and do."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest
from report_bench import STRATEGIES, write_advice, write_comparison, write_estimates
from result_bench import MadeResult, make_result

from loadlearn.commands.report import run_report
from loadlearn.report.replay_panels import PANELS


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory, made_result: MadeResult) -> Path:
    """Thirty minutes at 10 Hz with truth, advice and simulated drives."""
    out = tmp_path_factory.mktemp("page") / "out"
    write_estimates(out, made_result)
    write_advice(out, made_result)
    write_comparison(out)
    return run_report(out)


def open_page(
    browser: Any, page: Path, width: int = 1280, calm: bool = False, dark: bool = False
) -> None:
    # A window stops shrinking at 500 px: the width is set below it, on the page.
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    preferences = [
        {"name": "prefers-reduced-motion", "value": "reduce" if calm else "no-preference"},
        {"name": "prefers-color-scheme", "value": "dark" if dark else "light"},
    ]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": preferences})
    browser.get(page.as_uri())
    until(browser, "return document.body.dataset.ready === 'yes'")


def until(browser: Any, script: str, seconds: float = 15.0) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if browser.execute_script(script):
            return
        time.sleep(0.05)
    raise AssertionError(f"never true: {script}")


def at(browser: Any) -> float:
    return float(browser.execute_script("return replay.at()"))


def seek(browser: Any, seconds: float) -> None:
    browser.execute_script("replay.show(arguments[0])", seconds)


def press(browser: Any, *keys: str) -> None:
    """Keys with the focus nowhere."""
    from selenium.webdriver.common.action_chains import ActionChains

    browser.execute_script("document.activeElement.blur()")
    ActionChains(browser).send_keys(*keys).perform()


# Per panel: how far right anything but the play-head's line is drawn, and how much of it there is.
DRAWN = """
return [...document.querySelectorAll('.plot')].map((plot) => {
  const canvas = plot.lastElementChild, wide = canvas.width;
  const image = canvas.getContext('2d').getImageData(0, 0, wide, canvas.height).data;
  let right = -1, count = 0;
  for (let k = 3; k < image.length; k += 4) {
    if (image[k] > 8) { count++; right = Math.max(right, ((k - 3) / 4) % wide); }
  }
  return { right: right / wide, count };
});
"""
# The page's clock in a test's hand: frames come when they are asked for, with the time they are
# told, so that no load of the machine decides.
HELD_CLOCK = """
window.held = { now: performance.now(), next: null };
performance.now = () => held.now;
window.requestAnimationFrame = (frame) => { held.next = frame; return 1; };
held.run = (seconds, rate) => {
  for (let k = 0; k < seconds * rate; k++) {
    held.now += 1000 / rate;
    const frame = held.next;
    held.next = null;
    if (frame) frame(held.now);
  }
};
"""


@pytest.mark.parametrize("width", [1920, 1280, 360])
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
    drawn = browser.execute_script(DRAWN)
    assert len(drawn) == len(PANELS) and all(one["count"] > 20 for one in drawn)


def test_it_uses_the_width_of_a_wide_screen_on_one_time_axis(browser: Any, page: Path) -> None:
    open_page(browser, page, 1920)
    places = browser.execute_script(
        "return [document.getElementById('rail'), ...document.querySelectorAll('.plot canvas')]"
        ".map((one) => one.getBoundingClientRect()).map((box) => [box.left, box.right])"
    )
    left, right = places[0]
    for one in places[1:]:
        assert one == pytest.approx([left, right], abs=1.1)
    assert right - left > 0.6 * 1920
    whole = browser.execute_script("return document.querySelector('.panel').clientWidth")
    assert whole > 0.95 * 1905


def test_curves_end_at_the_play_head(browser: Any, page: Path) -> None:
    open_page(browser, page)
    whole = browser.execute_script(DRAWN)
    # Forward, backward and again forward: nothing is left over, nothing is missing.
    counts = []
    for share in (0.3, 0.6, 0.2, 0.3):
        seek(browser, share * 1799.9)
        drawn = browser.execute_script(DRAWN)
        counts.append([one["count"] for one in drawn])
        for one, all_of_it in zip(drawn, whole, strict=True):
            assert one["right"] == pytest.approx(share, abs=0.004)
            assert one["count"] <= all_of_it["count"]
    assert counts[0] == counts[3]
    mass = [one[0] for one in counts]
    assert mass[2] < mass[0] < mass[1] < whole[0]["count"]


def test_what_is_read_is_what_is_under_the_play_head(
    browser: Any, page: Path, made_result: MadeResult
) -> None:
    open_page(browser, page)
    seek(browser, 1500.0)
    row = made_result.history.iloc[15_000]
    texts = {
        one.find_element("class name", "title").text: one.find_element(
            "class name", "reading"
        ).text.replace("\n", " ")
        for one in browser.find_elements("class name", "panel")
    }
    low, high = row["mass_low95_kg"] / 1e3, row["mass_high95_kg"] / 1e3
    assert f"{row['mass_kg'] / 1e3:.2f} t ({low:.2f} to {high:.2f})" in texts["combined mass (t)"]
    assert "truth 5.20 t" in texts["combined mass (t)"]
    assert "given the scale" in texts["combined mass (t)"]
    assert "plain extended Kalman filter 5.44 t" in texts["combined mass (t)"]
    assert "truth 0.0240" in texts["rolling resistance at 20 m/s"]
    assert texts["ground"] == "believed gravel truth gravel"
    speed = made_result.prepared["speed_m_s"].iloc[15_000] * 3.6
    assert texts["speed (km/h)"] == f"{speed:.0f} km/h"
    for title, unit in (
        *(("engine speed (rpm)", "rpm"), ("gear", ""), ("accelerator pedal (%)", "%")),
        *(("fuelling (g/s)", "g/s"), ("exhaust gas (°C)", "°C"), ("coolant and oil (°C)", "°C")),
        *(
            ("charge pressure, gauge (kPa)", "kPa"),
            ("grade (%)", "%"),
            ("height of the road (m)", "m"),
        ),
    ):
        assert texts[title].endswith(unit) and any(sign.isdigit() for sign in texts[title])
    assert "allowed 80 %" in texts["extra torque (%)"]
    assert "wanted 100 %" in texts["extra torque (%)"]
    assert "power retention 44 %" in texts["settings called for (%)"]
    assert "economy 45 %" in texts["settings called for (%)"]
    assert texts["full-share time (s)"] == "32 s"
    assert texts["protections acting"] == "now none"
    seek(browser, 620.0)
    assert "exhaust gas" in browser.find_elements("class name", "panel")[-3].text
    seek(browser, 1799.9)
    assert "believed gravel truth gravel" in " ".join(
        one.text.replace("\n", " ") for one in browser.find_elements("class name", "reading")
    )
    assert browser.find_element("id", "reason").text.startswith("5.2 t on gravel")
    seek(browser, 620.0)
    assert browser.find_element("class name", "clock").text == "10:20 / 29:59 min"


def test_it_plays_pauses_and_scrubs(browser: Any, page: Path) -> None:
    open_page(browser, page)
    play = browser.find_element("id", "play")
    play.click()
    until(browser, "return replay.at() > 5 && replay.at() < 1700")
    assert play.get_attribute("aria-pressed") == "true" and "Pause" in play.text
    play.click()
    there = at(browser)
    time.sleep(0.3)
    assert at(browser) == there
    assert play.get_attribute("aria-pressed") == "false" and "Play" in play.text
    browser.execute_script(
        "scrub.value = 900; scrub.dispatchEvent(new Event('input', { bubbles: true }))"
    )
    assert at(browser) == pytest.approx(900.0, abs=0.1)
    assert "15:00" in browser.find_element("id", "scrub").get_attribute("aria-valuetext")


def test_speed_is_half_to_sixty_times(browser: Any, page: Path) -> None:
    from selenium.webdriver.support.ui import Select

    open_page(browser, page)
    browser.execute_script(HELD_CLOCK)
    pace = Select(browser.find_element("id", "pace"))
    values = [float(one.get_attribute("value")) for one in pace.options]
    assert values[0] == 0.5 and values[-1] == 60.0 and 1.0 in values
    for value in (0.5, 1.0, 60.0):
        pace.select_by_value(f"{value:g}")
        seek(browser, 100.0)
        browser.execute_script("play.click(); held.run(4, 20); play.click()")
        assert at(browser) == pytest.approx(100.0 + 4.0 * value, rel=1e-6)


def test_keys_work_without_focus_and_not_while_typing(browser: Any, page: Path) -> None:
    from selenium.webdriver.common.keys import Keys

    open_page(browser, page)
    seek(browser, 900.0)
    press(browser, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert at(browser) == pytest.approx(900.0 + 2 * 17.999, abs=0.01)
    press(browser, Keys.ARROW_LEFT)
    assert at(browser) == pytest.approx(900.0 + 17.999, abs=0.01)
    before = browser.execute_script("return window.scrollY")
    press(browser, " ")
    until(browser, "return play.getAttribute('aria-pressed') === 'true'")
    press(browser, " ")
    until(browser, "return play.getAttribute('aria-pressed') === 'false'")
    assert browser.execute_script("return window.scrollY") == before
    there = at(browser)
    field = browser.find_element("id", "goto")
    field.send_keys("1 ", Keys.ARROW_LEFT, "n", Keys.ARROW_RIGHT, Keys.BACKSPACE, Keys.BACKSPACE)
    field.send_keys(Keys.BACKSPACE)
    assert at(browser) == there and "Play" in browser.find_element("id", "play").text
    field.clear()
    field.send_keys("12:30", Keys.ENTER)
    assert at(browser) == pytest.approx(750.0, abs=0.01)


def test_a_focused_button_takes_the_space_bar_once(browser: Any, page: Path) -> None:
    open_page(browser, page)
    browser.execute_script("play.focus()")
    browser.switch_to.active_element.send_keys(" ")
    until(browser, "return play.getAttribute('aria-pressed') === 'true'")


def test_what_was_clicked_gives_the_keys_back(browser: Any, page: Path) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    open_page(browser, page)
    browser.find_element("id", "previous").click()
    there = at(browser)
    ActionChains(browser).send_keys(" ").perform()
    until(browser, "return play.getAttribute('aria-pressed') === 'true'")
    assert at(browser) >= there


def test_next_and_previous_event(browser: Any, page: Path) -> None:
    from selenium.webdriver.support.ui import Select

    open_page(browser, page)
    events = browser.execute_script("return replay.run().events.map((one) => one.time_s)")
    kinds = browser.execute_script("return replay.run().events.map((one) => one.kind)")
    assert kinds == ["protection", "load", "ground"]
    seek(browser, 0.0)
    for expected in events:
        press(browser, "n")
        assert at(browser) == pytest.approx(expected)
    told = browser.find_element("id", "event").text
    assert "sealed → gravel" in told and told.startswith("20:59")
    seek(browser, 1500.0)
    assert browser.find_element("id", "event").text == ""
    seek(browser, events[-1])
    press(browser, "p")
    assert at(browser) == pytest.approx(events[-2])
    browser.find_element("id", "previous").click()
    assert at(browser) == pytest.approx(events[-3])
    Select(browser.find_element("id", "kinds")).select_by_value("ground")
    browser.find_element("id", "next").click()
    assert at(browser) == pytest.approx(events[-1])
    browser.find_element("id", "next").click()
    assert at(browser) == pytest.approx(events[-1])
    assert browser.find_element("id", "event").text == "no later event"


@pytest.mark.parametrize("width", [1920, 360])
def test_controls_stay_in_sight(browser: Any, page: Path, width: int) -> None:
    open_page(browser, page, width)
    browser.execute_script("[...document.querySelectorAll('.panel')].pop().scrollIntoView(false)")
    assert browser.execute_script("return window.scrollY") > 300
    for name in ("play", "next", "clock", "scrub"):
        assert browser.execute_script(
            "const box = document.getElementById(arguments[0]).getBoundingClientRect();"
            "const top = document.elementFromPoint((box.left + box.right) / 2,"
            " (box.top + box.bottom) / 2);"
            "return box.top >= 0 && box.bottom < innerHeight / 3 && top.id === arguments[0]",
            name,
        ), name


def test_a_shorter_stretch_turns_its_page(browser: Any, page: Path) -> None:
    from selenium.webdriver.support.ui import Select

    open_page(browser, page)
    seek(browser, 600.0)
    Select(browser.find_element("id", "shown")).select_by_value("60")
    labels = "return [...ticks.children].map((one) => one.textContent)"
    before = browser.execute_script(labels)
    assert "10:00" in before and "11:20" not in before
    seek(browser, 630.0)
    assert browser.execute_script(labels) == before
    seek(browser, 680.0)
    assert "11:20" in browser.execute_script(labels)
    assert browser.execute_script(DRAWN)[0]["right"] == pytest.approx(0.05, abs=0.01)


def luminance(colour: str) -> float:
    """Relative luminance of an rgb(...) string: WCAG 2.1, definition (from memory)."""
    parts = [float(one) / 255.0 for one in colour.split("(")[1].rstrip(")").split(",")[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("dark", [False, True])
def test_it_follows_the_preference_for_dark(browser: Any, page: Path, dark: bool) -> None:
    open_page(browser, page, dark=dark)
    paper, *inks = browser.execute_script(
        "const of = (one) => getComputedStyle(one);"
        "const named = (name) => { const made = document.createElement('i');"
        " made.style.color = `var(--${name})`; document.body.append(made);"
        " return of(made).color; };"
        "return [of(document.body).backgroundColor, of(document.body).color, ...['quiet', 'alarm',"
        " 'blue', 'green', 'orange', 'red', 'purple', 'head'].map(named)]"
    )
    assert (luminance(paper) < 0.05) is dark
    for number, ink in enumerate(inks):
        bright, dim = sorted((luminance(paper), luminance(ink)), reverse=True)
        # WCAG 2.1, 1.4.3 and 1.4.11: text 4.5 to 1, what is drawn 3 to 1.
        assert (bright + 0.05) / (dim + 0.05) >= (4.5 if number < 3 else 3.0), ink
    # What is drawn follows too, also while the page is open.
    pixel = (
        "const plot = [...document.querySelectorAll('.plot')].find((one) =>"
        " one.parentElement.textContent.includes('speed (km/h)')).lastElementChild;"
        "const image = plot.getContext('2d').getImageData(0, 0, plot.width - 5, plot.height).data;"
        "for (let k = 0; k < image.length; k += 4) if (image[k + 3] === 255) return image[k];"
    )
    assert (browser.execute_script(pixel) > 128) is dark
    other = {"name": "prefers-color-scheme", "value": "light" if dark else "dark"}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [other]})
    bright_now = pixel.replace("return image[k];", "return image[k] > 128;")
    until(browser, f"return (() => {{ {bright_now} }})() === {str(not dark).lower()}")


def test_simulated_drives_are_replayed_and_chosen(browser: Any, page: Path) -> None:
    from selenium.webdriver.support.ui import Select

    open_page(browser, page)
    which = Select(browser.find_element("id", "which"))
    simulated = [f"simulated: {one.replace('_', ' ')}" for one in STRATEGIES]
    assert [one.text for one in which.options] == ["recorded drive", *simulated]
    which.select_by_visible_text(simulated[0])
    seek(browser, 200.0)
    assert "76 km/h" in browser.find_element("id", "now").text  # draw 1: 21 m/s
    which.select_by_visible_text(simulated[2])
    # At the same place of the road: 200 s at 21 m/s are 182.6 s at 23 m/s.
    assert at(browser) == pytest.approx(200.0 * 21.0 / 23.0, abs=1.1)
    titles = [one.text for one in browser.find_elements("class name", "title")]
    assert "combined mass (t)" in titles and "extra torque (%)" in titles
    notes = browser.find_element("id", "replay-notes").text
    assert "What learnt load is." in notes and "median draw" in notes
    share = browser.execute_script("return replay.at() / replay.run().end")
    drawn = browser.execute_script(DRAWN)
    assert all(one["right"] == pytest.approx(share, abs=0.004) for one in drawn)
    browser.execute_script(HELD_CLOCK)
    browser.execute_script("play.click(); held.run(1, 20); play.click()")
    assert at(browser) > 200.0


def test_with_reduced_motion_it_moves_once_a_second(browser: Any, page: Path) -> None:
    open_page(browser, page, calm=True)
    browser.execute_script(HELD_CLOCK)
    steps = browser.execute_script(
        "const seen = new Set(); play.click(); seen.add(replay.at());"
        "for (let k = 0; k < 50; k++) { held.run(0.1, 20); seen.add(replay.at()); }"
        "return seen.size - 1;"
    )
    assert 4 <= steps <= 5


def test_it_is_reached_and_told_without_a_mouse_or_colours(browser: Any, page: Path) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    open_page(browser, page)
    browser.execute_script("play.focus({ focusVisible: true })")
    seen = []
    for _ in range(8):
        seen.append(
            browser.execute_script(
                "const one = document.activeElement, look = getComputedStyle(one);"
                "return [one.id, look.outlineStyle, one.getAttribute('aria-label') ||"
                " one.textContent]"
            )
        )
        ActionChains(browser).send_keys(Keys.TAB).perform()
    assert [one[0] for one in seen] == [
        *("play", "previous", "next", "kinds", "pace", "shown", "goto", "which")
    ]
    assert all(style == "solid" and words for _, style, words in seen)
    assert browser.execute_script(
        "return [...document.querySelectorAll('canvas')].every((one) =>"
        " one.getAttribute('aria-hidden') === 'true' || one.getAttribute('aria-label'))"
    )
    # Lines of one panel differ by their dashes, grounds by their hatches.
    dashes = browser.execute_script(
        "return [...document.querySelectorAll('.reading')].map((one) =>"
        " [...one.querySelectorAll('line')].map((line) => line.getAttribute('stroke-dasharray')))"
    )
    assert all(len(set(one)) == len(one) for one in dashes) and max(map(len, dashes)) >= 2
    grounds = browser.execute_script(
        "return JSON.parse(document.getElementById('replay-data').textContent).grounds"
    )
    assert len({one["hatch"] for one in grounds.values()}) == len(grounds) > 1
    chosen = browser.execute_script(
        "getSelection().selectAllChildren(document.querySelector('.reading'));"
        "return getSelection().toString()"
    )
    assert "learnt" in chosen and " t (" in chosen


def test_a_long_fast_log_keeps_twenty_frames_a_second(
    browser: Any, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Thirty minutes at 100 Hz: what a frame takes, its drawing waited for, is told by the page."""
    out = tmp_path_factory.mktemp("fast") / "out"
    made = make_result(1800.0, 100.0)
    write_estimates(out, made)
    write_advice(out, made)
    page = run_report(out)
    assert page.stat().st_size < 1_500_000
    open_page(browser, page, 1920)
    took_ms = browser.execute_script(
        "const pens = [...document.querySelectorAll('.plot canvas:last-child')]"
        ".map((one) => one.getContext('2d'));"
        "const took = []; replay.show(100);"
        "for (let k = 0; k < 120; k++) { const before = performance.now();"
        " replay.show(100 + 3 * k); for (const pen of pens) pen.getImageData(0, 0, 1, 1);"
        " took.push(performance.now() - before); }"
        "return took.sort((one, other) => one - other);"
    )
    # At 60 times and 20 frames a second a frame is three seconds of the drive. Nine in ten.
    assert took_ms[108] < 50.0
