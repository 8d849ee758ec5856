"""What advice does to the plant: economy, torque kept in a gear change, extra-torque ceiling."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loadlearn.simulation.driver import drive_pedals
from loadlearn.simulation.preparation import PreparedDrive, prepare_drive
from loadlearn.simulation.road import random_road
from loadlearn.simulation.transmission import (
    command_torque,
    interpreted_pedal,
    pedal_asking,
    shift_gears,
)
from loadlearn.vehicle.rig import Rig


@pytest.fixture(scope="module")
def prepared(utility: Rig) -> PreparedDrive:
    return prepare_drive(utility, random_road(1, 3000.0, "flat"), 1, 5200.0)


def settle(
    prepared: PreparedDrive,
    pedal: float,
    economy: float = 0.0,
    kept: float = 1.0,
    shifting: bool = False,
    time_s: float = 5.0,
) -> float:
    state = prepared.initial_state()
    state.engine_speed_rad_s = 200.0
    state.pedal = pedal
    state.torque_n_m = 0.0
    for _ in range(int(time_s / 0.02)):
        if shifting:
            state.shift_time_s = 0.3 * prepared.plant.line.shift_time_s
        command_torque(
            state, 450.0, 1e9, 40.0, economy, kept, 0.02, prepared.plant.engine, prepared.plant.line
        )
    return state.torque_n_m


def test_economy_flattens_the_lower_pedal_and_leaves_the_top(prepared: PreparedDrive) -> None:
    assert settle(prepared, 0.5) == pytest.approx(225.0, rel=1e-3)
    assert settle(prepared, 0.5, economy=1.0) == pytest.approx(0.75 * 225.0, rel=1e-3)
    assert settle(prepared, 1.0, economy=1.0) == pytest.approx(450.0, rel=5e-3)
    pedals = np.linspace(0.1, 1.0, 10)
    torques = [settle(prepared, pedal, economy=0.7) for pedal in pedals]
    assert (np.diff(torques) > 0.0).all()


@settings(max_examples=50, deadline=None)
@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_pedal_map_and_its_inverse(pedal: float, economy: float) -> None:
    asked = interpreted_pedal(pedal, economy)
    assert 0.0 <= asked <= pedal + 1e-12
    assert pedal_asking(asked, economy) == pytest.approx(pedal, abs=1e-12)
    # Without economy the foot goes where it always went, to the last bit.
    assert pedal_asking(pedal, 0.0) == pedal


@pytest.mark.parametrize("speed_m_s", [8.0, 12.0, 16.0, 20.0, 24.0])
@pytest.mark.parametrize("pedal", [0.3, 0.5, 0.7, 0.9])
def test_gears_are_changed_for_what_is_asked(
    prepared: PreparedDrive, speed_m_s: float, pedal: float
) -> None:
    def gears(pedal: float, economy: float) -> list[float]:
        """Gears over 40 s at a steady speed."""
        state = prepared.initial_state()
        state.gear = state.gear_before = 3.0
        state.pedal = pedal
        wheel = speed_m_s / prepared.plant.line.tyre_radius_m
        taken = []
        for _ in range(2000):
            shift_gears(
                state, wheel, 0.0, prepared.gears, 1.0, economy, 0.02, prepared.plant.engine,
                prepared.plant.line,
            )  # fmt: skip
            taken.append(state.gear)
        return taken

    # The same demand, asked for with a flattened pedal, is driven in the same gears.
    assert gears(pedal_asking(pedal, 1.0), 1.0) == gears(pedal, 0.0)


@pytest.mark.parametrize("cruising", [False, True])
def test_the_foot_gets_used_to_the_pedal(prepared: PreparedDrive, cruising: bool) -> None:
    def pedal(economy: float, time_s: float, adaptation_s: float) -> float:
        """Where the foot is after a time of holding 20 m/s against 3 kN of 8."""
        driver = prepared.plant.driver._replace(adaptation_s=adaptation_s)
        state = prepared.initial_state()
        state.speed_m_s = 20.0
        for _ in range(int(time_s / 0.02)):
            drive_pedals(
                state, 20.0, 40.0, 40.0, 1e4, 0.0, False, cruising, 3000.0, 8000.0, 0.0, economy,
                0.02, driver,
            )  # fmt: skip
        return state.pedal

    usual = pedal(0.0, 60.0, 10.0)
    asked = interpreted_pedal(pedal(1.0, 60.0, 10.0), 1.0)
    assert asked == pytest.approx(usual, abs=0.01)
    if cruising:
        # Cruise control asks for torque, at once and whatever the foot is used to.
        assert interpreted_pedal(pedal(1.0, 3.0, math.inf), 1.0) == pytest.approx(usual, abs=0.01)
    else:
        assert interpreted_pedal(pedal(1.0, 3.0, 10.0), 1.0) < 0.85 * usual
        assert pedal(1.0, 60.0, math.inf) == usual


def test_economy_slows_the_rise(prepared: PreparedDrive) -> None:
    # Compared at full pedal, where the settled torque is the same.
    quick = settle(prepared, 1.0, 0.0, time_s=0.2)
    slow = settle(prepared, 1.0, 1.0, time_s=0.2)
    assert slow < 0.6 * quick


def test_torque_is_taken_out_in_a_gear_change(prepared: PreparedDrive) -> None:
    own = settle(prepared, 0.8, shifting=True)
    assert own == pytest.approx(0.55 * 360.0, rel=1e-3)
    assert settle(prepared, 0.8, kept=0.3, shifting=True) == pytest.approx(108.0, rel=1e-3)
    assert settle(prepared, 0.8, kept=0.3) == pytest.approx(360.0, rel=1e-3)


def test_no_air_no_torque(prepared: PreparedDrive) -> None:
    state = prepared.initial_state()
    state.engine_speed_rad_s = 200.0
    state.pedal = 1.0
    for _ in range(300):
        command_torque(
            state, 450.0, 180.0, 40.0, 0.0, 1.0, 0.02, prepared.plant.engine, prepared.plant.line
        )
    assert state.torque_n_m == pytest.approx(180.0, rel=1e-3)
