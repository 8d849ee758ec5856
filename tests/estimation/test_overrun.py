"""Whether a log shows that no exhaust brake was used: on drives with one in use and without."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadlearn import prepare
from loadlearn.estimation.overrun import _probability_off
from loadlearn.simulation.scenarios import scenario, shipped_rig
from loadlearn.vehicle.rig import Rig


@pytest.mark.parametrize(("name", "unused"), [("truck_10hz", True), ("exhaust_brake", False)])
def test_a_log_shows_whether_an_exhaust_brake_was_used(name: str, unused: bool) -> None:
    made = scenario(name, 71, duration_s=1500.0)
    prepared = prepare(made.drive.log, made.rig)
    assert ("exhaust_brake_active" in prepared.columns) == unused
    if unused:
        assert (prepared["exhaust_brake_active"] == 0.0).all()


def test_a_logged_flag_is_left_as_it_is() -> None:
    made = scenario("exhaust_brake", 72, duration_s=400.0)
    log = made.drive.log.assign(exhaust_brake_active=1.0)
    assert (prepare(log, made.rig)["exhaust_brake_active"] == 1.0).all()


def test_large_diesels_have_one_unless_the_rig_says_otherwise() -> None:
    assert shipped_rig("heavy_truck").engine.exhaust_brake
    assert not shipped_rig("utility_boat").engine.exhaust_brake
    table = {
        "name": "lorry",
        "vehicle": {"mass_kg": 9000.0, "tyre_radius_m": 0.5},
        "engine": {"displacement_l": 11.0, "exhaust_brake": False},
        "driveline": {"gear_ratios": [6.0, 3.0, 1.0], "final_drive": 3.1},
    }
    assert Rig.from_dict(table).engine.exhaust_brake is False


@given(st.floats(-3.0, 6.0), st.floats(0.01, 50.0))
def test_the_odds_of_a_stretch(extra: float, sd: float) -> None:
    """A probability; nothing is told by a stretch that measures nothing, nor by a missing one."""
    off = _probability_off(extra, sd)
    assert 0.0 <= off <= 1.0
    assert _probability_off(0.0, 0.1) > 0.9 > 0.1 > _probability_off(2.5, 0.1)
    assert _probability_off(math.nan, sd) == 0.5
