"""The page of a fleet and what it gathers."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadlearn.fleet.fleet_page import fleet_page, mass_plot, nice_ticks
from loadlearn.fleet.overview import MOST_DRIVES, MOST_SAID, MOST_VEHICLES, Overview, VehicleSeen

ABOUT = {
    "inputs": {"manifest": {"file": "fleet.csv"}},
    "versions": {"loadlearn": "1"},
    "options": {"condition": True},
}


def row(number: int, **other: Any) -> dict[str, Any]:
    return {
        "log": f"{number}.csv",
        "start": f"2030-01-{1 + number % 28:02d}T00:00:00+00:00",
        "mass_kg": 5000.0 + number,
        "mass_low95_kg": 4800.0,
        "mass_high95_kg": 5300.0,
        "trusted": True,
        "not_trusted_because": [],
        "probability_over_gcm": 0.0,
        "weighed_mass_kg": None,
        "duration_s": 1800.0,
        "distance_m": 30e3,
        **other,
    }


def overview_of(vehicles: dict[str, list[dict[str, Any]]], failed: int = 0) -> Overview:
    made = Overview()
    for name, rows in vehicles.items():
        seen = VehicleSeen(name)
        for one in rows:
            made.add_drive(seen, one)
        for number in range(failed):
            made.add_failed(seen, f"f{number}.csv", f"f{number}.csv: line {number} is damaged")
        made.add_vehicle(seen)
    return made


def test_every_word_of_a_file_is_escaped_and_nothing_is_requested() -> None:
    bad = "<script>alert('x')</script>\"'"
    because = f"the mass is {bad}"
    one = row(1, log=bad, trusted=False, not_trusted_because=[because], findings=[bad])
    made = overview_of({bad: [one]})
    seen = VehicleSeen(bad)
    made.add_failed(seen, bad, f"{bad}: {bad}")
    made.add_vehicle(seen)
    page = fleet_page(made, ABOUT)
    assert "<script" not in page
    assert page.count("&lt;script&gt;alert") >= 6
    assert "default-src 'none'" in page
    addresses = re.findall(r"""(?:src|href)\s*=\s*["']([^"']*)""", page)
    assert addresses == ["data:,"]
    assert not re.search(r"url\(|@import|http-equiv=.refresh", page)


def test_the_page_is_well_formed_and_says_what_it_counts() -> None:
    drives = [row(number, trusted=number > 0) for number in range(3)]
    drives[0] |= {"not_trusted_because": ["only 12 s of the drive"], "findings": ["boost is low"]}
    drives[1] |= {"not_trusted_because": ["only 99 s of the drive"], "trusted": False}
    drives[2] |= {"weighed_mass_kg": 5100.0, "error_percent": -2.0, "inside95": True}
    page = fleet_page(overview_of({"crew": drives}, failed=2), ABOUT)
    body = page.replace("<!DOCTYPE html>", "").replace('<meta charset="utf-8">', "")
    body = re.sub(r"<(meta|link)([^>]*)>", r"<\1\2/>", body)
    tree = ElementTree.fromstring(body)
    svg = next(tree.iter("svg"))
    assert [one.get("class") for one in svg.iter("circle")] == ["loose", "loose", "held"]
    assert len(list(svg.iter("path"))) == 1  # the weighed mass
    text = " ".join(" ".join(tree.itertext()).split())
    assert "2 only 12 s of the drive crew, 0.csv" in text  # two drives, one kind of reason
    assert "2 f0.csv: line 0 is damaged crew, f0.csv" in text
    assert "crew 0.csv boost is low" in text
    assert "3, 1.5 h, 90 km" in text and "licensed technician" in text
    assert "never replaces a weighbridge" in text


def test_what_is_shown_does_not_grow_with_the_fleet() -> None:
    def size(vehicles: int, drives: int) -> int:
        made = overview_of(
            {
                f"{v}": [
                    row(d, trusted=False, not_trusted_because=[f"kind {'x' * (d % 150)}"])
                    for d in range(drives)
                ]
                for v in range(vehicles)
            }
        )
        assert made.drives == vehicles * drives and made.vehicles == vehicles
        return len(fleet_page(made, ABOUT))

    assert size(MOST_VEHICLES, 50) == pytest.approx(size(2 * MOST_VEHICLES, 50), rel=0.01)
    full = size(1, MOST_DRIVES)
    assert size(1, 3 * MOST_DRIVES) == pytest.approx(full, rel=0.02)


def test_vehicles_with_most_to_look_at_are_shown() -> None:
    vehicles = {f"well {number}": [row(1), row(2)] for number in range(MOST_VEHICLES + 5)}
    vehicles["heavy"] = [row(1, probability_over_gcm=0.9)]
    vehicles["ill"] = [row(1, findings=["low"]), row(2)]
    shown = [one.name for one in overview_of(vehicles).shown]
    assert shown[:2] == ["ill", "heavy"] and len(shown) == MOST_VEHICLES


def test_reasons_differ_by_more_than_their_numbers() -> None:
    made = overview_of({"a": [row(n, not_trusted_because=[f"only {n}.5 s"]) for n in range(9)]})
    assert [(one.count, one.sentence) for one in made.reasons.values()] == [(9, "only 0.5 s")]
    assert len(made.findings) <= MOST_SAID


def test_a_plot_stays_within_its_frame_whatever_the_intervals() -> None:
    seen = VehicleSeen("a")
    for number in range(10):
        seen.add(row(number, mass_low95_kg=-1e5, mass_high95_kg=1e6 if number == 3 else 5200.0))
    plot = mass_plot(seen)
    assert plot is not None
    width, height, left, right, top, bottom = plot["size"]
    for point in plot["points"]:
        assert left <= point["x"] <= width - right
        assert top - 0.1 <= point["high"] <= point["y"] <= point["low"] <= height - bottom + 0.1
    assert max(float(label) for _, label in plot["heights"]) < 20.0  # t: not pressed flat
    assert mass_plot(VehicleSeen("none")) is None


@given(st.floats(0.0, 1e4), st.floats(0.0, 1e4))
def test_ticks_enclose_the_range_in_few_equal_steps(one: float, other: float) -> None:
    low, high = sorted((one, other))
    ticks = nice_ticks(low, high)
    assert ticks[0] <= low + 1e-6 and ticks[-1] >= high - 1e-6
    assert 2 <= len(ticks) <= 7
    steps = {round(after - before, 6) for before, after in zip(ticks, ticks[1:], strict=False)}
    assert len(steps) == 1 or max(steps) - min(steps) <= 2e-6
