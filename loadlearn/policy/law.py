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
from loadlearn.policy.asked import follow_reference_speed, grade_now, remember_grade
from loadlearn.policy.caps import LONGEST_GAP_S, compute_caps, observe_exhaust
from loadlearn.policy.columns import AdviceRow, Sample, Tick
from loadlearn.policy.law_settings import (
    EPISODE_END_PERCENT,
    follow_episode,
    follow_restraint,
    full_share_time_s,
)
from loadlearn.policy.protections import PROTECTION_NAMES, gear_change
from loadlearn.policy.readings import (
    follow_fuel_ratio,
    read_air,
    read_engine,
    share_in_use,
    surroundings,
)
from loadlearn.policy.renewal import renew_settings
from loadlearn.policy.state import (
    PolicyConfig,
    PolicyMemory,
    PolicyState,
)
from loadlearn.policy.thermal_model import ThermalParameters
from loadlearn.vehicle.roadload import GRAVITY_M_S2

_REMOVAL = arbitration.REMOVAL_OF_CAP
_CAPS = len(PROTECTION_NAMES)
FORESIGHTED = ("exhaust_gas_heat", "air_fuel_ratio", "turbo_speed", "axle_torque", "strategy_limit")
"""Caps that lie below 1 whenever full load would need them: they act only when they bind."""
_PREDICTIVE = np.array([float(name in FORESIGHTED) for name in PROTECTION_NAMES])
_EXHAUST_GAS_HEAT = PROTECTION_NAMES.index("exhaust_gas_heat")


# Inlined, the compiler goes through all of the law once less; half a second on an empty cache.
@jit
def policy_step(
    p: ThermalParameters,
    config: PolicyConfig,
    memory: PolicyMemory,
    state: PolicyState,
    row: Sample,
    renew: bool,
    draws: NDArray[Any],
    tick: Tick,
    out: AdviceRow,
) -> None:
    """One sample: beliefs, caps, settings at a tick, and the advice.

    Parameters
    ----------
    p, config : ThermalParameters, PolicyConfig
    memory, state : PolicyMemory, PolicyState
        Changed.
    row : Sample
    renew : bool
        Whether this sample is a tick.
    draws : ndarray of LoadDraw, shape (n,)
        Posterior draws, read at a tick only.
    tick : Tick
        Further inputs of the settings, read at a tick only.
    out : AdviceRow
        Written.
    """
    interval = 0.0
    if state.started > 0.5:
        interval = max(row.time_s - state.time_s, 0.0)
    speed = 0.0 if math.isnan(row.speed_m_s) else max(row.speed_m_s, 0.0)
    air = surroundings(row)
    engine = read_engine(p, config, memory, state, row)
    air_now = read_air(p, state, row, engine, air, interval)
    trusted = observe_exhaust(p, config, state, row, engine, air_now, air, interval)
    factor, changing = gear_change(state.gear_change, row.gear, speed > 1.0, interval)
    follow_reference_speed(
        state.demand, memory.speeds, speed, engine.load, row.speed_limit_m_s, interval
    )
    distance = speed * min(interval, LONGEST_GAP_S)
    slope = _slope_percent(state, row, speed, interval)
    remember_grade(state.grade, memory.grades, slope, row.altitude_m, distance)
    state.fuel_ratio = follow_fuel_ratio(
        state.fuel_ratio,
        state.extra_torque,
        engine,
        state.exhaust.firing_s,
        air_now.spin_up,
        changing,
        interval,
    )
    state.time_s, state.started = row.time_s, 1.0
    state.charge_kpa, state.gear = air_now.charge_model_kpa, engine.gear
    state.air_ratio, state.boost_ratio = air_now.air_ratio, air_now.boost_ratio
    compute_caps(p, config, memory, state, row, engine, air_now, air, interval)
    usable = trusted and config.exhaust_sensor > 0.5
    memory.cap_of.exhaust_sensor = 1.0 if usable else 0.0
    if renew:
        renew_settings(p, config, memory, state, row, air_now.air_ratio, air, draws, tick)

    if interval > LONGEST_GAP_S:
        state.extra_torque = 0.0
    # A share about to be kept must not be let go of only to come back seconds later.
    kept = max(state.kept.value, state.kept.towards)
    pedal = engine.pedal_percent
    used = min(share_in_use(engine), state.extra_torque)
    wanted = follow_episode(p, state.episode, pedal, used, kept, interval)
    state.restraint = follow_restraint(
        state.restraint, state.economy.value, state.episode.active > 0.5, interval
    )
    if state.known < 0.5 or config.uprated < 0.5:
        wanted = 0.0
    on_cruise = row.cruise_active > 0.5 and config.cruise_extra_torque < 0.5
    may_rise = pedal >= EPISODE_END_PERCENT and not on_cruise and not changing
    state.extra_torque = arbitrate(
        state.extra_torque, wanted, memory.caps, _REMOVAL, may_rise, interval
    )
    out.wanted_share, out.torque_factor = wanted, factor
    out.limit_bits = _limit_bits(config, memory.caps, state, changing, on_cruise, wanted)
    out.present_grade_percent = 100.0 * grade_now(state.grade, memory.grades)
    _write_advice(state, out)


def _slope_percent(state: PolicyState, row: Sample, speed_m_s: float, interval_s: float) -> float:
    """Grade of the sample (%); NaN where altitude must tell it."""
    if not math.isnan(row.grade_percent) or not math.isnan(row.altitude_m) or interval_s <= 0.0:
        return row.grade_percent
    # From the body accelerometer: what is not change of speed is the road's slope.
    slope = row.accel_long_m_s2 - (speed_m_s - state.sway.speed_m_s) / interval_s
    return min(max(100.0 * slope / GRAVITY_M_S2, -60.0), 60.0)


def _limit_bits(
    config: PolicyConfig,
    caps: NDArray[np.float64],
    state: PolicyState,
    changing: bool,
    on_cruise: bool,
    wanted: float,
) -> float:
    """The limits that act, one bit each in the order of ``LIMIT_NAMES``."""
    bits = 0
    for i in range(_CAPS):
        cap = caps[i]
        if i == _EXHAUST_GAS_HEAT and config.exhaust_sensor < 0.5:
            continue  # a guess without a sensor holds nothing back that the missing one does not
        if cap < 1.0 and (_PREDICTIVE[i] < 0.5 or cap < wanted - 0.01):
            bits |= 1 << i
    if changing:
        bits |= 1 << _CAPS
    if on_cruise and wanted > state.extra_torque:
        bits |= 2 << _CAPS
    if state.known < 0.5:
        bits |= 4 << _CAPS
    if config.uprated < 0.5:
        bits |= 8 << _CAPS
    return float(bits)


def _write_advice(state: PolicyState, out: AdviceRow) -> None:
    out.power_retention = state.retention.value
    out.full_share_time_s = full_share_time_s(state.episode) if state.known > 0.5 else 0.0
    out.economy = state.restraint
    out.extra_torque = state.extra_torque
    out.reference_speed_m_s = state.demand.reference_speed_m_s
    out.grade_asked_percent = state.grade_asked_percent
    out.retention_asked = state.retention_asked
    out.sustainable_share = state.sustainable
    out.exhaust_gas_estimate_degc = state.exhaust.gas_degc
    out.exhaust_gas_estimate_sd_k = state.exhaust.gas_sd_k
    out.rating_probability = state.rating_probability
    out.load_known = state.known
    out.setting_changes = state.setting_changes


@jit
def run_policy(
    parameters: NDArray[Any],
    configs: NDArray[Any],
    memory: PolicyMemory,
    states: NDArray[Any],
    rows: NDArray[Any],
    tick_of_row: NDArray[np.int64],
    draws: NDArray[Any],
    ticks: NDArray[Any],
    out: NDArray[Any],
) -> None:
    """Run the law over samples in order.

    Parameters
    ----------
    parameters, configs : ndarray of ThermalParameters, PolicyConfig; shape (1,)
        As :func:`loadlearn._compile.as_record` gives them.
    memory : PolicyMemory
        Changed.
    states : ndarray of PolicyState, shape (1,)
        Changed.
    rows : ndarray of Sample, shape (n,)
    tick_of_row : ndarray of int, shape (n,)
        Which tick a sample is, -1 for none.
    draws : ndarray of LoadDraw, shape (k, d)
        Posterior draws at each tick.
    ticks : ndarray of Tick, shape (k,)
        Further inputs of the settings at each tick.
    out : ndarray of AdviceRow, shape (n,)
        Written.
    """
    p, config, state = parameters[0], configs[0], states[0]
    for i in range(rows.shape[0]):
        k = max(tick_of_row[i], 0)
        renew = tick_of_row[i] >= 0
        policy_step(p, config, memory, state, rows[i], renew, draws[k], ticks[k], out[i])


def policy_entry(*arguments: Any) -> Callable[..., None]:
    """The compiled loop without the dispatcher before it, for calls with a single row.

    Looking up the types of the arguments costs the dispatcher more than the law costs. The entry
    point of the one signature in use skips that; it checks nothing, so it is for callers whose
    argument types never change.

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
