"""The policy's law, sample by sample: readings to beliefs, caps, settings, and what is given.

One compiled loop (:func:`run_policy`) serves a whole log and, with a single row, online use, so the
two agree bit for bit; :func:`policy_step` may be called from another compiled loop, such as a
simulated drive. Settings are renewed at *ticks*, about once a second of log time; the caller says
at which samples, and hands over the posterior draws of each.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.policy import arbitration
from loadlearn.policy.arbitration import arbitrate
from loadlearn.policy.caps import LONGEST_GAP_S, compute_caps, observe_exhaust
from loadlearn.policy.columns import (
    ACCEL,
    ALTITUDE,
    CRUISE,
    CRUISE_BIT,
    GEAR,
    GEAR_CHANGE_BIT,
    GRADE,
    NO_UPRATE_BIT,
    OUT_BITS,
    OUT_CHANGES,
    OUT_ECONOMY,
    OUT_EXTRA,
    OUT_FACTOR,
    OUT_FULL_SHARE_TIME,
    OUT_GAS,
    OUT_GAS_SD,
    OUT_GRADE,
    OUT_KNOWN,
    OUT_NEED,
    OUT_RATING,
    OUT_REFERENCE_SPEED,
    OUT_RESERVE,
    OUT_RETENTION,
    OUT_SUSTAINABLE,
    OUT_WANTED,
    SPEED,
    SPEED_LIMIT,
    TIME,
    UNKNOWN_BIT,
)
from loadlearn.policy.law_settings import (
    EPISODE_END_PERCENT,
    follow_episode,
    full_share_time_s,
)
from loadlearn.policy.need import (
    follow_reference_speed,
    grade_now,
    remember_grade,
)
from loadlearn.policy.protections import (
    AIR_FUEL_RATIO,
    AXLE_TORQUE,
    EXHAUST_GAS_HEAT,
    EXHAUST_SENSOR,
    PROTECTIONS,
    TURBO_SPEED,
    gear_change,
)
from loadlearn.policy.readings import (
    follow_fuel_ratio,
    read_air,
    read_engine,
    surroundings,
)
from loadlearn.policy.renewal import renew_settings
from loadlearn.policy.state import (
    PolicyConfig,
    PolicyMemory,
    PolicyState,
    set_beliefs,
    set_given,
)
from loadlearn.policy.thermal_model import (
    ThermalParameters,
    exhaust_rise_k,
)
from loadlearn.vehicle.roadload import GRAVITY_M_S2

_REMOVAL = arbitration.REMOVAL_OF_CAP
_CAPS = len(PROTECTIONS)
# Predictive caps lie below 1 whenever full load would need them: they act only when they bind.
_PREDICTIVE = np.zeros(_CAPS)
_PREDICTIVE[[EXHAUST_GAS_HEAT, AIR_FUEL_RATIO, TURBO_SPEED, AXLE_TORQUE]] = 1.0


def policy_step(
    p: ThermalParameters,
    config: PolicyConfig,
    memory: PolicyMemory,
    state: PolicyState,
    row: NDArray[np.float64],
    renew: bool,
    draws: NDArray[np.float64],
    tick: NDArray[np.float64],
    out: NDArray[np.float64],
) -> PolicyState:
    """One sample: beliefs, caps, settings at a tick, and the advice.

    Parameters
    ----------
    p, config, memory, state
        The policy's parameters and state; the arrays of ``memory`` change in place.
    row : ndarray, shape (SAMPLE_COLUMNS,)
        The sample, NaN = absent.
    renew : bool
        Whether this sample is a tick.
    draws : ndarray, shape (7, n)
        Posterior draws, read at a tick only.
    tick : ndarray, shape (TICK_COLUMNS,)
        Further inputs of the settings, read at a tick only.
    out : ndarray, shape (ADVICE_COLUMNS,)
        Written.

    Returns
    -------
    PolicyState
    """
    interval = 0.0
    if state.started > 0.5:
        interval = max(row[TIME] - state.time_s, 0.0)
    speed = 0.0 if math.isnan(row[SPEED]) else max(row[SPEED], 0.0)
    air = surroundings(row)
    engine = read_engine(p, config, memory, state, row)
    air_now = read_air(p, state, row, engine, air, interval)
    rise = exhaust_rise_k(p, engine.fuel_g_s, air_now.flow_g_s, engine.base_fuel_g_s)
    exhaust, sensor, trusted = observe_exhaust(
        p, config, state, row, engine, air_now, air, rise, interval
    )
    change, factor, changing = gear_change(state.gear_change, row[GEAR], speed > 1.0, interval)
    demand = follow_reference_speed(
        state.demand, memory.speeds, speed, engine.load, row[SPEED_LIMIT], interval
    )
    slope = row[GRADE]
    if math.isnan(slope) and math.isnan(row[ALTITUDE]) and interval > 0.0:
        # From the body accelerometer: what is not change of speed is the road's slope.
        slope = row[ACCEL] - (speed - state.sway.speed_m_s) / interval
        slope = min(max(100.0 * slope / GRAVITY_M_S2, -60.0), 60.0)
    grade = remember_grade(
        state.grade, memory.grades, slope, row[ALTITUDE], speed * min(interval, LONGEST_GAP_S)
    )
    state = set_beliefs(
        state,
        row[TIME],
        air_now.charge_model_kpa,
        air_now.air_ratio,
        air_now.boost_ratio,
        follow_fuel_ratio(
            state.fuel_ratio,
            state.extra_torque,
            engine,
            exhaust.firing_s,
            air_now.spin_up,
            changing,
            interval,
        ),
        engine.gear,
        exhaust,
        sensor,
        change,
        demand,
        grade,
    )
    state = compute_caps(p, config, memory, state, row, engine, air_now, air, interval)
    memory.caps[EXHAUST_SENSOR] = 1.0 if trusted and config.exhaust_sensor > 0.5 else 0.0
    if renew:
        state = renew_settings(p, config, memory, state, row, air_now.air_ratio, air, draws, tick)

    given = state.extra_torque
    if interval > LONGEST_GAP_S:
        given = 0.0
    # A share about to be kept must not be let go of only to come back seconds later.
    kept = max(state.kept.value, state.kept.towards)
    episode, wanted = follow_episode(p, state.episode, engine.pedal_percent, given, kept, interval)
    if state.known < 0.5 or config.uprated < 0.5:
        wanted = 0.0
    on_cruise = row[CRUISE] > 0.5 and config.cruise_extra_torque < 0.5
    asks = engine.pedal_percent >= EPISODE_END_PERCENT
    given = arbitrate(
        given, wanted, memory.caps, _REMOVAL, asks and not on_cruise and not changing, interval
    )
    state = set_given(state, episode, given)

    bits = 0
    for i in range(_CAPS):
        cap = memory.caps[i]
        if i == EXHAUST_GAS_HEAT and config.exhaust_sensor < 0.5:
            continue  # a guess without a sensor holds nothing back that the missing one does not
        if cap < 1.0 and (_PREDICTIVE[i] < 0.5 or cap < wanted - 0.01):
            bits |= 1 << i
    if changing:
        bits |= 1 << GEAR_CHANGE_BIT
    if on_cruise and wanted > given:
        bits |= 1 << CRUISE_BIT
    if state.known < 0.5:
        bits |= 1 << UNKNOWN_BIT
    if config.uprated < 0.5:
        bits |= 1 << NO_UPRATE_BIT
    out[OUT_RETENTION] = state.retention.value
    out[OUT_FULL_SHARE_TIME] = full_share_time_s(episode) if state.known > 0.5 else 0.0
    out[OUT_ECONOMY] = state.economy.value
    out[OUT_EXTRA] = given
    out[OUT_FACTOR] = factor
    out[OUT_REFERENCE_SPEED] = demand.reference_speed_m_s
    out[OUT_NEED] = state.need
    out[OUT_SUSTAINABLE] = state.sustainable
    out[OUT_RESERVE] = state.reserve
    out[OUT_WANTED] = wanted
    out[OUT_GAS] = exhaust.gas_degc
    out[OUT_GAS_SD] = exhaust.gas_sd_k
    out[OUT_RATING] = state.rating_probability
    out[OUT_KNOWN] = state.known
    out[OUT_GRADE] = 100.0 * grade_now(grade, memory.grades)
    out[OUT_CHANGES] = state.setting_changes
    out[OUT_BITS] = float(bits)
    return state


@jit
def run_policy(
    p: ThermalParameters,
    config: PolicyConfig,
    memory: PolicyMemory,
    state: PolicyState,
    rows: NDArray[np.float64],
    tick_of_row: NDArray[np.int64],
    draws: NDArray[np.float64],
    ticks: NDArray[np.float64],
    out: NDArray[np.float64],
) -> PolicyState:
    """Run the law over samples in order.

    Parameters
    ----------
    p, config, memory, state
        The policy's parameters and state.
    rows : ndarray, shape (n, SAMPLE_COLUMNS)
        Samples, NaN = absent.
    tick_of_row : ndarray of int, shape (n,)
        Which tick a sample is, -1 for none.
    draws : ndarray, shape (k, 7, d)
        Posterior draws at each tick.
    ticks : ndarray, shape (k, TICK_COLUMNS)
        Further inputs of the settings at each tick.
    out : ndarray, shape (n, ADVICE_COLUMNS)
        Written.

    Returns
    -------
    PolicyState
    """
    for i in range(rows.shape[0]):
        k = tick_of_row[i]
        renew = k >= 0
        k = max(k, 0)
        state = policy_step(p, config, memory, state, rows[i], renew, draws[k], ticks[k], out[i])
    return state


def policy_entry(*arguments: Any) -> Callable[..., PolicyState]:
    """The compiled loop without the dispatcher before it, for calls with a single row.

    Looking up the types of some hundred fields costs the dispatcher 50 µs a call, three times what
    the law costs. The entry point of the one signature in use skips that; it checks nothing, so it
    is for callers whose argument types never change.

    Parameters
    ----------
    *arguments
        As for :func:`run_policy`; only their types matter, and nothing is run.

    Returns
    -------
    callable
        Same arguments as :func:`run_policy`; that function itself where the compiler offers no
        entry point.
    """
    import numba

    dispatcher = run_policy.compiled()
    signature = tuple(numba.typeof(argument) for argument in arguments)
    dispatcher.compile(signature)
    compiled = dispatcher.overloads.get(signature)
    return getattr(compiled, "entry_point", None) or run_policy
