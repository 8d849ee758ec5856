"""What happens while the simulated vehicle stands or is backed: mass, range, engine off."""

from __future__ import annotations

import math

from loadlearn.simulation.plant_state import Halt, PlantState
from loadlearn.vehicle.roadload import GRAVITY_M_S2

STANDING = 1.0
BACKING = 2.0
BACKING_WAIT_S = 3.0
BACKING_S = 9.0
BACKING_SPEED_M_S = 1.3


def stand_or_back(state: PlantState, stop: Halt, dt: float, cut_in_share: float) -> bool:
    """Advance a halt by one step; True when its changes (mass, range ...) happen in this step."""
    state.phase_time_s += dt
    state.speed_m_s = 0.0
    state.pedal = 0.0
    state.pedal_target = 0.0
    state.demand_integral_n = 0.0
    state.decision_time_s = 0.0
    state.shift_time_s = -1.0
    state.locked = 0.0
    state.share = 0.0
    state.exhaust_brake = 0.0
    state.wheel_slip = 0.0
    if state.phase == BACKING:
        state.gear = -1.0
        moving = state.phase_time_s - BACKING_WAIT_S
        if moving > 0.0:
            part = min(moving / BACKING_S, 1.0)
            state.speed_m_s = BACKING_SPEED_M_S * math.sin(math.pi * part) ** 2
            state.distance_m -= state.speed_m_s * dt
            state.brake_force_n = 0.0
        if moving >= BACKING_S:
            state.phase = STANDING
            state.phase_time_s = 0.0
            state.speed_m_s = 0.0
        return False
    state.gear = 1.0
    state.brake_force_n = 0.05 * state.mass_kg * GRAVITY_M_S2
    duration = stop.duration_s
    off = stop.engine_off > 0.5
    if off and 1.0 < state.phase_time_s < duration - 2.0:
        state.engine_on = 0.0
    else:
        state.engine_on = 1.0
    change_at = cut_in_share * duration
    happens = state.phase_time_s >= change_at and state.phase_time_s - dt < change_at
    if happens:
        if not math.isnan(stop.mass_kg):
            state.mass_kg = stop.mass_kg
        if not math.isnan(stop.drag_area_m2):
            state.drag_area_m2 = stop.drag_area_m2
        if not math.isnan(stop.tyre_factor):
            state.tyre_factor = stop.tyre_factor
        if not math.isnan(stop.low_range):
            state.low_range = stop.low_range
    if state.phase_time_s >= duration:
        state.phase = 0.0
        state.phase_time_s = 0.0
        state.next_stop += 1.0
        state.brake_force_n = 0.0
        state.braking = 0.0
        state.since_shift_s = 10.0
    return happens
