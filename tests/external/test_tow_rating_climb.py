"""The shipped long climb has the figures of a tow-rating climb.

SAE J2807 (secondary source; its pages disagree in places, so these are scenario inputs and not pass
marks): 3,500 ft of rise in 11 miles, mean grade about 6.0 % (derived), air at 100 degF at the
start.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from loadlearn.simulation.roadfile import read_road

ROAD = Path(__file__).resolve().parents[2] / "synthetic_data" / "roads" / "long_climb.toml"
FOOT_M, MILE_M = 0.3048, 1609.344


def test_length_rise_and_mean_grade() -> None:
    table = tomllib.loads(ROAD.read_text(encoding="utf-8"))
    climb = max(table["section"], key=lambda section: section.get("grade_percent", 0.0))
    assert climb["length_m"] == pytest.approx(11.0 * MILE_M, rel=0.001)
    rise = climb["length_m"] * climb["grade_percent"] / 100.0
    assert rise == pytest.approx(3500.0 * FOOT_M, rel=0.01)
    assert pytest.approx(0.060, abs=5e-4) == 3500.0 * FOOT_M / (11.0 * MILE_M)
    start = table["section"][0]["temperature_degc"]
    assert start == pytest.approx((100.0 - 32.0) / 1.8, abs=0.05)


def test_the_road_that_is_driven_climbs_that_much() -> None:
    road = read_road(ROAD)
    assert road.length_m >= 11.0 * MILE_M
    rise = road.altitude_m.max() - road.altitude_m.min()
    # Its invented relief adds or takes a few tens of metres.
    assert rise == pytest.approx(3500.0 * FOOT_M, rel=0.06)
