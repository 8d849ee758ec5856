"""What advice does to the plant: economy, torque kept in a gear change, extra-torque ceiling."""

from __future__ import annotations

import numpy as np
import pytest

from loadlearn.rig import Rig
from loadlearn.simulation import plant_state as ps
from loadlearn.simulation.preparation import PreparedDrive, prepare_drive
from loadlearn.simulation.road import random_road
from loadlearn.simulation.transmission import command_torque


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
    state[ps.ENGINE_SPEED] = 200.0
    state[ps.PEDAL] = pedal
    state[ps.TORQUE] = 0.0
    for _ in range(int(time_s / 0.02)):
        if shifting:
            state[ps.SHIFT_TIME] = 0.3 * prepared.line.shift_time_s
        command_torque(state, 450.0, 1e9, 40.0, economy, kept, 0.02, prepared.engine, prepared.line)
    return float(state[ps.TORQUE])


def test_economy_flattens_the_lower_pedal_and_leaves_the_top(prepared: PreparedDrive) -> None:
    assert settle(prepared, 0.5) == pytest.approx(225.0, rel=1e-3)
    assert settle(prepared, 0.5, economy=1.0) == pytest.approx(0.75 * 225.0, rel=1e-3)
    assert settle(prepared, 1.0, economy=1.0) == pytest.approx(450.0, rel=5e-3)
    pedals = np.linspace(0.1, 1.0, 10)
    torques = [settle(prepared, pedal, economy=0.7) for pedal in pedals]
    assert (np.diff(torques) > 0.0).all()


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
    state[ps.ENGINE_SPEED] = 200.0
    state[ps.PEDAL] = 1.0
    for _ in range(300):
        command_torque(state, 450.0, 180.0, 40.0, 0.0, 1.0, 0.02, prepared.engine, prepared.line)
    assert state[ps.TORQUE] == pytest.approx(180.0, rel=1e-3)
