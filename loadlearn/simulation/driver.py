"""The simulated driver: follows a wished speed, looks ahead, lifts, brakes, holds the pedal still.

A proportional-integral controller on speed with a partial feedforward of the road load, which
decides a few times a second and leaves its foot where it is while the answer changes little.
"""

from __future__ import annotations

import math

from loadlearn.simulation.plant_state import DriverParameters, PlantState
from loadlearn.simulation.transmission import pedal_asking


def drive_pedals(
    state: PlantState,
    coast_speed: float,
    brake_speed: float,
    brake_speed_ahead: float,
    stop_gap_m: float,
    speed_offset: float,
    lifting: bool,
    cruising: bool,
    resisting_n: float,
    available_n: float,
    engine_drag_n: float,
    economy: float,
    dt: float,
    driver: DriverParameters,
    pulse: float = 0.0,
) -> None:
    """Move accelerator and brake by one step (changes ``state`` in place).

    Parameters
    ----------
    state : PlantState
    coast_speed, brake_speed, brake_speed_ahead : float
        Speed envelopes of the road here, and the braking one a little ahead (m/s).
    stop_gap_m : float
        Distance to the next stop (m).
    speed_offset : float
        Relative offset of the wished speed.
    lifting, cruising : bool
        Whether the driver lifts his foot, whether cruise control drives.
    resisting_n, available_n, engine_drag_n : float
        Road load that the driver foresees, most force in this gear, engine braking (N).
    economy : float
        How far the pedal is flattened. The foot gets used to it; cruise control asks for torque,
        not for pedal, and knows it.
    dt : float
        Step (s).
    driver : DriverParameters
    pulse : float
        What the foot adds to where it means to be.
    """
    speed = state.speed_m_s
    mass = state.mass_kg
    gap = max(stop_gap_m, 0.0)
    stop_coast = max(0.7, math.sqrt(2.0 * driver.coast_m_s2 * gap))
    stop_brake = max(0.6, math.sqrt(2.0 * driver.brake_m_s2 * gap))
    offset = 0.0 if cruising else speed_offset
    wished = min(coast_speed * (1.0 + offset), stop_coast)
    error = wished - speed

    if cruising:
        state.familiar_economy = economy
    else:
        unfamiliar = economy - state.familiar_economy
        state.familiar_economy += unfamiliar * min(dt / driver.adaptation_s, 1.0)
    state.decision_time_s -= dt
    if state.decision_time_s <= 0.0:
        state.decision_time_s = 0.1 if cruising else driver.decision_s
        elapsed = state.decision_time_s
        gain = 2.0 * driver.speed_gain_1_s if cruising else driver.speed_gain_1_s
        wish = min(max(gain * error, -1.5), driver.acceleration_m_s2)
        foreseen = driver.cruise_feedforward if cruising else driver.feedforward
        demand = foreseen * resisting_n + mass * wish + state.demand_integral_n
        if abs(error) < 3.0 and -0.1 * available_n < demand < available_n:
            state.demand_integral_n += driver.integral_gain_1_s2 * mass * error * elapsed
        pedal = pedal_asking(
            min(max(demand / max(available_n, 1.0), 0.0), 1.0), state.familiar_economy
        )
        band = 0.0 if cruising else driver.hold_band
        if abs(pedal - state.pedal_target) > band or pedal == 0.0 or pedal == 1.0:
            state.pedal_target = pedal

    limit = brake_speed * (1.0 + max(offset, 0.0))
    envelope = min(limit, stop_brake)
    falling = brake_speed_ahead < brake_speed - 0.02 or stop_brake < limit
    # Towards a lower limit the foot brake holds the envelope; downhill it only stops running away.
    margin = 0.2 if falling else driver.downhill_margin_m_s
    if state.braking > 0.5:
        if speed < envelope - 0.4 and speed < wished + 0.2:
            state.braking = 0.0
    elif speed > envelope + margin and error < 0.0:
        state.braking = 1.0
        state.demand_integral_n = 0.0

    brake_wish = 0.0
    if state.braking > 0.5:
        if falling:
            slowing = driver.brake_m_s2 + 0.8 * (speed - envelope)
        else:
            slowing = 0.6 * (speed - wished)
        slowing = min(slowing, 3.5)
        if speed < 1.0 and gap < 1.0:
            slowing = 1.0
        brake_wish = max(mass * slowing - resisting_n - engine_drag_n, 0.05 * mass)
    state.brake_force_n += (brake_wish - state.brake_force_n) * min(dt / 0.15, 1.0)
    if brake_wish == 0.0 and state.brake_force_n < 0.02 * mass:
        state.brake_force_n = 0.0

    if state.brake_force_n > 0.0:
        state.brake_spell_s += dt
    else:
        state.brake_spell_s = 0.0

    foot = state.pedal_target
    if lifting or state.braking > 0.5:
        foot = 0.0
    elif pulse != 0.0 and foot > 0.0:
        foot = min(max(foot + pulse, 0.0), 1.0)
    rate = 2.0 * driver.pedal_rate_1_s if foot == 0.0 else driver.pedal_rate_1_s
    change = min(max(foot - state.pedal, -rate * dt), rate * dt)
    state.pedal += change

    if driver.uses_exhaust_brake > 0.5:
        if state.pedal == 0.0 and speed > wished + 0.4 and speed > 6.0:
            state.exhaust_brake = 1.0
        elif state.pedal > 0.0 or speed < wished - 0.3 or speed < 5.0:
            state.exhaust_brake = 0.0
