"""What becomes of the settings: sustainable share, full-share time, restraint, and their calm.

A strategy says what to keep of the extra torque, for how long all of it, and how far to restrain
demand (:mod:`loadlearn.policy.strategy`). Of the heat it knows nothing; that is asked here, at each
renewal (u the share of the extra torque)::

    rho_th  = max{u : P(gas, coolant, gearbox oil within limits over the next 120 s at v*) >= 0.95}
    rho     = min(strategy's retention, rho_th)                            power retention
    tau     = sup{t <= credit : P(hottest gas within t at u = 1 <= limit) >= 0.95}   full-share time

The temperatures' uncertainties are independent and each is normal, so the probabilities multiply
and fall as u or t rises; both maxima are found by bisection.

The credit is an account of at most what the strategy gives: it is spent while more than the
retention is really used, and refills with the time constant of the metal, but only once the pedal
has been up for ``REST_S``. A clock restarted by each new demand could be had again by lifting for
three seconds. Only what the engine gives beyond its base full load spends it, so that a climb held
at part pedal leaves it for passing. Once it is spent the retention holds until a rest, so that
noise in the heat cannot reopen it.

What the heat still allows is published as part of the full-share time, but it is the account alone
that ends the pull: the exhaust protection, which predicts the gas from sample to sample, takes what
the gas does not allow. Ended by the heat's 95 % confidence, the pull of a driver at full throttle
fell back to the retention where a pull that knows nothing of the load kept two thirds of the extra
torque within the same limit, and so had more power on a winding range.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn.policy.exhaust import (
    ExhaustState,
    FullLoad,
    FullLoadGas,
    full_load_gas,
    probability_gas_within,
)
from loadlearn.policy.thermal_model import (
    Surroundings,
    ThermalParameters,
    coolant_equilibrium_degc,
    normal_cdf,
    oil_equilibrium_degc,
)

SUSTAINED_S = 120.0
CONFIDENCE = 0.95
CREDIT_MAX_S = 60.0
REST_S = 10.0
EPISODE_START_PERCENT = 80.0
EPISODE_END_PERCENT = 60.0
EPISODE_END_S = 3.0
DECAY_S = 5.0
RESTRAINT_BACK_PER_S = 0.1
"""How fast economy comes back after a demand (1/s); it goes at once."""
KNOWN_BELOW, UNKNOWN_ABOVE = 0.09, 0.10
"""Mass sd over mean: settings stay at their defaults above the second, leave them below the first.
"""
READING_SD_K = 0.5
"""Readings of coolant and oil are in whole degrees on common channels (K)."""
CHANGE_STEP, CHANGE_WAIT_S, CHANGE_REST_S = 0.10, 10.0, 60.0
"""A setting moves by more than the first, after the second; it then rests for the third."""
CALM_S, CALM_SPEED_M_S = 120.0, 17.0
"""Less retention, or more economy, must have been right for this long (s), and for as far as the
first takes at the second: 2 km, longer than a hill. Standing still tells nothing of a road."""
LET_GO_STEP, END_MARGIN = 0.15, 0.01
"""Letting go is for a move of more than the first, or to within the second of all or nothing."""
KEPT_SUSTAINED_S = 200.0
"""Horizon of the kept share: between the time constants of coolant and gearbox oil (s)."""
KEPT_LAG_S = 30.0
"""Lag with which the kept share gives way to warm coolant and oil (s)."""


def smoothstep(x: float) -> float:
    """``3 x^2 - 2 x^3``, clipped to 0..1."""
    x = min(max(x, 0.0), 1.0)
    return x * x * (3.0 - 2.0 * x)


class HeatNow(NamedTuple):
    """Temperatures that the sustained share starts from (degC); NaN = not measured."""

    coolant_degc: float
    oil_degc: float
    coolant_limit_degc: float
    oil_limit_degc: float
    gas_limit_degc: float


def _within(now: float, then: float, sd: float, limit: float) -> float:
    # The path is monotone, so its hottest is at one end. What is measured now is known to the
    # sensor's rounding: the model's uncertainty belongs to the far end only. Put on a reading near
    # the limit, it would forbid every share, even one under which the liquid cools.
    return normal_cdf((limit - now) / READING_SD_K) * normal_cdf((limit - then) / max(sd, 0.1))


def probability_sustained(
    p: ThermalParameters,
    exhaust: ExhaustState,
    load: FullLoadGas,
    heat: HeatNow,
    air: Surroundings,
    horizon_s: float,
) -> float:
    """Probability that gas, coolant and gearbox oil stay within limits at an operating point.

    Parameters
    ----------
    p, exhaust, load, heat, air
        Model, belief, operating point, temperatures now, surroundings.
    horizon_s : float
        How long it is held (s).
    """
    chance = probability_gas_within(p, exhaust, load, heat.gas_limit_degc, horizon_s)
    coolant_end = coolant_equilibrium_degc(p, load.fuel_g_s, air.ambient_degc)
    spread = p.coolant_rise_sd * p.coolant_rise_k * load.fuel_g_s / p.rated_fuel_g_s
    coolant_sd = spread
    coolant_then = coolant_end
    if not math.isnan(heat.coolant_degc):
        part = 1.0 - math.exp(-horizon_s / p.coolant_time_s)
        coolant_then = heat.coolant_degc + part * (coolant_end - heat.coolant_degc)
        coolant_sd *= part
        chance *= _within(heat.coolant_degc, coolant_then, coolant_sd, heat.coolant_limit_degc)
    if not math.isnan(heat.oil_degc):
        # Oil follows the coolant, and that is the most part of what a share does to it.
        part = 1.0 - math.exp(-horizon_s / p.oil_time_s)
        rise = oil_equilibrium_degc(p, 0.0, load.fuel_g_s, 0.0)
        then = heat.oil_degc + part * (coolant_then + rise - heat.oil_degc)
        # A thermostat that still has something to give keeps the coolant's spread from the oil.
        opened = air.ambient_degc + p.coolant_rise_k * load.fuel_g_s / p.rated_fuel_g_s
        passed = min(max(opened + spread - p.coolant_thermostat_degc, 0.0), spread)
        coolant_sd *= passed / max(spread, 1e-9)
        sd = part * math.sqrt((p.oil_rise_sd * rise) ** 2 + coolant_sd**2)
        chance *= _within(heat.oil_degc, then, sd, heat.oil_limit_degc)
    return chance


def sustainable_share(
    p: ThermalParameters,
    exhaust: ExhaustState,
    curve: NDArray[np.float64],
    point: FullLoad,
    heat: HeatNow,
    air: Surroundings,
    horizon_s: float,
) -> float:
    """Sustainable share rho_th.

    Parameters
    ----------
    p, exhaust, curve, point, heat, air
        Model, belief, full-load curves, engine speed and charge air at v*, temperatures now,
        surroundings.
    horizon_s : float
        For how long it must last (s).

    Returns
    -------
    float
        0 to 1, to a 256th.
    """
    low, high = 0.0, 1.0
    for step in range(9):
        share = 1.0 if step == 0 else 0.5 * (low + high)
        load = full_load_gas(p, curve, point, share, air)
        if probability_sustained(p, exhaust, load, heat, air, horizon_s) >= CONFIDENCE:
            if step == 0:
                return 1.0
            low = share
        else:
            high = share
    return low


def heat_time_s(
    p: ThermalParameters,
    exhaust: ExhaustState,
    curve: NDArray[np.float64],
    point: FullLoad,
    air: Surroundings,
    gas_limit_degc: float,
) -> float:
    """How long the gas stays within its limit with all of the extra torque (s).

    Parameters
    ----------
    p, exhaust, curve, point, air
        As for :func:`sustainable_share`.
    gas_limit_degc : float
        Limit of the gas before the turbine (degC).

    Returns
    -------
    float
        0 to ``CREDIT_MAX_S``.
    """
    load = full_load_gas(p, curve, point, 1.0, air)
    low, high = 0.0, CREDIT_MAX_S
    for step in range(9):
        time = CREDIT_MAX_S if step == 0 else 0.5 * (low + high)
        if probability_gas_within(p, exhaust, load, gas_limit_degc, time) >= CONFIDENCE:
            if step == 0:
                return CREDIT_MAX_S
            low = time
        else:
            high = time
    # Less than half a second of credit is none: the torque takes four seconds to rise.
    return low if low > 0.5 else 0.0


@dataclass(slots=True)
class EpisodeState:
    """A demand episode and the heat credit."""

    active: float = 0.0
    low_s: float = 0.0
    """Time since the pedal fell below ``EPISODE_END_PERCENT``."""
    credit_s: float = CREDIT_MAX_S
    heat_s: float = 0.0
    """Time that the heat still allows all of the extra torque."""
    most_s: float = CREDIT_MAX_S
    """What the strategy gives."""
    spent_s: float = -1.0
    """Time since the credit was spent; negative while it is not."""


def follow_episode(
    p: ThermalParameters,
    state: EpisodeState,
    pedal_percent: float,
    used: float,
    retention: float,
    interval_s: float,
) -> float:
    """Advance the demand episode and its credit; the share that the settings want.

    Parameters
    ----------
    p : ThermalParameters
    state : EpisodeState
        Changed.
    pedal_percent : float
        Accelerator, or what stands for it.
    used : float
        Share of the extra torque that the engine really gives.
    retention : float
        Power retention rho.
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    float
        1 while the credit lasts, then ``rho + (1 - rho) exp(-t / 5 s)``; 0 without demand.
    """
    state.low_s = state.low_s + interval_s if pedal_percent < EPISODE_END_PERCENT else 0.0
    if pedal_percent > EPISODE_START_PERCENT:
        state.active = 1.0
    elif state.low_s >= EPISODE_END_S:
        state.active = 0.0
    if used > retention + 0.02:
        use = interval_s * (used - retention) / (1.0 - retention)
        state.credit_s = max(state.credit_s - use, 0.0)
        state.heat_s = max(state.heat_s - use, 0.0)
    elif state.low_s > REST_S:
        refilled = 1.0 - math.exp(-interval_s / p.metal_time_s)
        state.credit_s += (CREDIT_MAX_S - state.credit_s) * refilled
        state.spent_s = -1.0
    if state.spent_s >= 0.0:
        state.spent_s += interval_s
    elif state.active > 0.5 and state.credit_s <= 0.0:
        # Not where the heat's confidence ends: the gas has a protection of its own.
        state.spent_s = 0.0
    if state.active < 0.5:
        return 0.0
    if state.spent_s < 0.0:
        return 1.0
    return retention + (1.0 - retention) * math.exp(-state.spent_s / DECAY_S)


def full_share_time_s(state: EpisodeState) -> float:
    """Time that all of the extra torque may still be kept (s), from the credit now left."""
    if state.spent_s >= 0.0:
        return 0.0
    return min(state.credit_s, state.heat_s, state.most_s)


def follow_restraint(restraint: float, economy: float, demanding: bool, interval_s: float) -> float:
    """Economy in force: none in a demand, so that nobody passes slower for it.

    Parameters
    ----------
    restraint : float
        Now in force.
    economy : float
        The setting.
    demanding : bool
        Whether a demand episode is on.
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    float
    """
    if demanding:
        return 0.0
    return min(economy, restraint + RESTRAINT_BACK_PER_S * interval_s)


@dataclass(slots=True)
class HeldSetting:
    """A setting as published, and for how long another value has stood beside it.

    At first at its default, free to move.
    """

    value: float = 0.0
    waiting_s: float = 0.0
    """How long the other value has stood; what is slow counts the less the slower the driving."""
    towards: float = 0.0
    """What the setting would become."""
    rested_s: float = CHANGE_REST_S
    """Time since it last changed."""


def reset_setting(state: HeldSetting) -> None:
    """Back to the default, free to move."""
    state.value = state.waiting_s = state.towards = 0.0
    state.rested_s = CHANGE_REST_S


def hold_setting(
    state: HeldSetting,
    candidate: float,
    interval_s: float,
    pace: float,
    rise_wait_s: float,
    fall_wait_s: float,
    most: float,
) -> None:
    """Change a setting only for a move of more than a tenth that stays, and then rest.

    A move that must stay for ``CHANGE_WAIT_S`` only is published as the candidate's mean over that
    time; it needs no rest where the other direction is the slow one, for power that is needed must
    come. A move that must stay for longer, ``CALM_S``, lets go of something; it is published as far
    as it was never gone back on, and only where it is worth a change (``LET_GO_STEP``).

    Parameters
    ----------
    state : HeldSetting
        Changed.
    candidate : float
        The definition's value now.
    interval_s : float
        Time since it was last asked (s).
    pace : float
        Part of that time which counts as calm (:func:`calm_pace`), 0 to 1.
    rise_wait_s, fall_wait_s : float
        For how long a higher and a lower value must stay (s).
    most : float
        Where both directions are slow, a value above this falls without ``LET_GO_STEP``.
    """
    rested = min(state.rested_s + interval_s, 1e4)
    state.rested_s = rested
    rises = candidate > state.value
    wait, other = (rise_wait_s, fall_wait_s) if rises else (fall_wait_s, rise_wait_s)
    slow = wait > CHANGE_WAIT_S
    at_an_end = candidate < END_MARGIN or candidate > 1.0 - END_MARGIN
    # By heat, not for want of need: what is sustainable changes by the second.
    forbidden = state.value > most and rise_wait_s == fall_wait_s
    step = LET_GO_STEP if slow and not (at_an_end or forbidden) else CHANGE_STEP
    if abs(candidate - state.value) <= step or (
        state.waiting_s > 0.0 and rises != (state.towards > state.value)
    ):
        state.waiting_s, state.towards = 0.0, state.value
        return
    waiting = state.waiting_s + (interval_s * pace if slow else interval_s)
    towards = candidate
    if state.waiting_s > 0.0 and slow:
        towards = min(candidate, state.towards) if rises else max(candidate, state.towards)
    elif state.waiting_s > 0.0:
        # Over the last ten seconds or so, should it wait for longer.
        weight = interval_s / min(waiting, CHANGE_WAIT_S)
        towards = state.towards + weight * (candidate - state.towards)
    if waiting < wait or (rested < CHANGE_REST_S and wait >= other):
        state.waiting_s, state.towards = waiting, towards
        return
    state.value = state.towards = towards
    state.waiting_s = state.rested_s = 0.0


def calm_pace(speed_m_s: float) -> float:
    """Part of a time that counts as calm at a speed: hills are lengths.

    Parameters
    ----------
    speed_m_s : float
        Road speed (m/s); NaN = unknown, which counts as standing.

    Returns
    -------
    float
        0 to 1, all from ``CALM_SPEED_M_S``.
    """
    return min(speed_m_s / CALM_SPEED_M_S, 1.0) if speed_m_s > 0.0 else 0.0


def follow_kept(
    state: HeldSetting, asked: float, liquids_share: float, interval_s: float, pace: float
) -> None:
    """The share kept under sustained demand: what is asked gives way to warm liquids evenly.

    Coolant and oil take minutes to answer. Steps of a held setting, each a minute after the other,
    outrun their answer, so that the share swings; a first-order lag, short against the liquids,
    does not. What is wanted more must still stand for some seconds.

    Parameters
    ----------
    state : HeldSetting
        Changed.
    asked : float
        Retention that the strategy asks for.
    liquids_share : float
        What coolant and oil sustain.
    interval_s, pace : float
        As for :func:`hold_setting`.
    """
    if liquids_share < state.value:
        part = 1.0 - math.exp(-interval_s / KEPT_LAG_S)
        state.value += part * (liquids_share - state.value)
        state.towards, state.waiting_s = state.value, 0.0
        state.rested_s = min(state.rested_s + interval_s, 1e4)
        return
    wanted = min(asked, liquids_share)
    hold_setting(state, wanted, interval_s, pace, CHANGE_WAIT_S, CALM_S, liquids_share)


def load_known(known: float, mass_kg: float, mass_sd_kg: float) -> float:
    """Whether the mass is known well enough for settings other than the defaults (1 or 0).

    Parameters
    ----------
    known : float
        Answer of the last time (hysteresis).
    mass_kg, mass_sd_kg : float
        Posterior mean and sd (kg).
    """
    relative = mass_sd_kg / max(mass_kg, 1.0)
    if relative > UNKNOWN_ABOVE:
        return 0.0
    if relative < KNOWN_BELOW:
        return 1.0
    return known
