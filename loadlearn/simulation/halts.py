"""What happens while the simulated vehicle stands or is backed: mass, range, engine off."""

from __future__ import annotations

import math

import numpy as np

from loadlearn._compile import jit
from loadlearn.simulation.plant_state import (
    BRAKE_FORCE,
    BRAKING,
    DECISION_TIME,
    DEMAND_INTEGRAL,
    DISTANCE,
    DRAG_AREA,
    ENGINE_ON,
    EXHAUST_BRAKE,
    GEAR,
    LOCKED,
    LOW_RANGE,
    MASS,
    NEXT_STOP,
    PEDAL,
    PEDAL_TARGET,
    PHASE,
    PHASE_TIME,
    SHARE,
    SHIFT_TIME,
    SINCE_SHIFT,
    SPEED,
    STOP_DRAG_AREA,
    STOP_DURATION,
    STOP_ENGINE_OFF,
    STOP_LOW_RANGE,
    STOP_MASS,
    STOP_TYRE_FACTOR,
    TYRE_FACTOR,
    WHEEL_SLIP,
)
from loadlearn.vehicle.roadload import GRAVITY_M_S2

STANDING = 1.0
BACKING = 2.0
BACKING_WAIT_S = 3.0
BACKING_S = 9.0
BACKING_SPEED_M_S = 1.3


@jit
def stand_or_back(state: np.ndarray, stops: np.ndarray, dt: float, cut_in_share: float) -> bool:
    """Advance a halt by one step; True when its changes (mass, range ...) happen in this step."""
    stop = int(state[NEXT_STOP])
    state[PHASE_TIME] += dt
    state[SPEED] = 0.0
    state[PEDAL] = 0.0
    state[PEDAL_TARGET] = 0.0
    state[DEMAND_INTEGRAL] = 0.0
    state[DECISION_TIME] = 0.0
    state[SHIFT_TIME] = -1.0
    state[LOCKED] = 0.0
    state[SHARE] = 0.0
    state[EXHAUST_BRAKE] = 0.0
    state[WHEEL_SLIP] = 0.0
    if state[PHASE] == BACKING:
        state[GEAR] = -1.0
        moving = state[PHASE_TIME] - BACKING_WAIT_S
        if moving > 0.0:
            state[SPEED] = BACKING_SPEED_M_S * math.sin(math.pi * min(moving / BACKING_S, 1.0)) ** 2
            state[DISTANCE] -= state[SPEED] * dt
            state[BRAKE_FORCE] = 0.0
        if moving >= BACKING_S:
            state[PHASE] = STANDING
            state[PHASE_TIME] = 0.0
            state[SPEED] = 0.0
        return False
    state[GEAR] = 1.0
    state[BRAKE_FORCE] = 0.05 * state[MASS] * GRAVITY_M_S2
    duration = stops[stop, STOP_DURATION]
    off = stops[stop, STOP_ENGINE_OFF] > 0.5
    if off and 1.0 < state[PHASE_TIME] < duration - 2.0:
        state[ENGINE_ON] = 0.0
    else:
        state[ENGINE_ON] = 1.0
    change_at = cut_in_share * duration
    happens = state[PHASE_TIME] >= change_at and state[PHASE_TIME] - dt < change_at
    if happens:
        if not math.isnan(stops[stop, STOP_MASS]):
            state[MASS] = stops[stop, STOP_MASS]
        if not math.isnan(stops[stop, STOP_DRAG_AREA]):
            state[DRAG_AREA] = stops[stop, STOP_DRAG_AREA]
        if not math.isnan(stops[stop, STOP_TYRE_FACTOR]):
            state[TYRE_FACTOR] = stops[stop, STOP_TYRE_FACTOR]
        if not math.isnan(stops[stop, STOP_LOW_RANGE]):
            state[LOW_RANGE] = stops[stop, STOP_LOW_RANGE]
    if state[PHASE_TIME] >= duration:
        state[PHASE] = 0.0
        state[PHASE_TIME] = 0.0
        state[NEXT_STOP] += 1.0
        state[BRAKE_FORCE] = 0.0
        state[BRAKING] = 0.0
        state[SINCE_SHIFT] = 10.0
    return happens
