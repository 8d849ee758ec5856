"""The settings renewed: posterior, speed kept, grades met and heat now, put together.

The share that is kept under sustained demand differs in one point from the published retention: it
leaves the gas out. The retention says what will be sustainable with 95 % confidence; holding the
engine to that would leave unused what the confidence costs, some five to ten kelvin of gas or a
tenth of the extra torque, although the exhaust protection holds the gas at its limit anyway from
sample to sample. Coolant and oil are too slow for that, and keep their part, over a horizon of
their own: asked over less than their time constants, what they allow keeps falling as they warm.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from loadlearn.policy.columns import (
    COOLANT,
    GEARBOX_OIL,
    INTAKE,
    SPEED,
    TICK_ECONOMY,
    TICK_MASS,
    TICK_MASS_SD,
    TICK_RETENTION,
    TICK_TIME,
    TIME,
)
from loadlearn.policy.exhaust import (
    FullLoad,
    gas_limit_degc,
)
from loadlearn.policy.law_settings import (
    CALM_S,
    CHANGE_STEP,
    CHANGE_WAIT_S,
    CREDIT_MAX_S,
    KEPT_SUSTAINED_S,
    SUSTAINED_S,
    EpisodeState,
    HeatNow,
    calm_pace,
    default_setting,
    economy_of_reserve,
    follow_kept,
    heat_time_s,
    hold_setting,
    load_known,
    sustainable_share,
)
from loadlearn.policy.need import (
    MASS,
    NEED_QUANTILE,
    RESERVE_QUANTILE,
    TRAILER,
    WEIGHT,
    best_gear,
    grades_ahead,
    need_of_force,
    scaled_requirements,
    weighted_quantile,
)
from loadlearn.policy.state import (
    PolicyConfig,
    PolicyMemory,
    PolicyState,
    set_settings,
)
from loadlearn.policy.thermal_model import (
    Surroundings,
    ThermalParameters,
)
from loadlearn.vehicle.roadload import GAS_CONSTANT_AIR_J_KG_K

NO_LIMIT_DEGC = 1e6


def renew_settings(
    p: ThermalParameters,
    config: PolicyConfig,
    memory: PolicyMemory,
    state: PolicyState,
    row: NDArray[np.float64],
    air_ratio: float,
    air: Surroundings,
    draws: NDArray[np.float64],
    tick: NDArray[np.float64],
) -> PolicyState:
    """Settings from the posterior, the speed kept, the grades met and the heat now.

    Parameters
    ----------
    p, config, memory, state
        The policy's parameters and state.
    row : ndarray, shape (SAMPLE_COLUMNS,)
    air_ratio : float
        Air measured over air modelled.
    air : Surroundings
    draws : ndarray, shape (7, n)
        Rows as :class:`~loadlearn.policy.need.LoadDraws`.
    tick : ndarray, shape (TICK_COLUMNS,)
        Posterior mean and sd of the mass, and settings from a table (NaN without one).

    Returns
    -------
    PolicyState
    """
    since = 1.0 if math.isnan(state.tick_s) else min(row[TIME] - state.tick_s, 2.0)
    known = load_known(state.known, tick[TICK_MASS], tick[TICK_MASS_SD])
    probability = math.nan
    total = 0.0
    over_gcm, over_towing = 0.0, 0.0
    for j in range(draws.shape[1]):
        total += draws[WEIGHT, j]
        if draws[MASS, j] > config.rated_gcm_kg:
            over_gcm += draws[WEIGHT, j]
        if draws[TRAILER, j] > config.rated_towing_kg:
            over_towing += draws[WEIGHT, j]
    if total > 0.0 and not (math.isnan(config.rated_gcm_kg) and math.isnan(config.rated_towing_kg)):
        probability = max(over_gcm, over_towing) / total

    speed = state.demand.reference_speed_m_s
    base = best_gear(
        p,
        memory.curve,
        memory.ratios,
        config.tyre_radius_m,
        config.driveline_efficiency,
        config.axle_torque_max_n_m,
        speed,
        0.0,
        air,
    )
    uprated = best_gear(
        p,
        memory.curve,
        memory.ratios,
        config.tyre_radius_m,
        config.driveline_efficiency,
        config.axle_torque_max_n_m,
        speed,
        1.0,
        air,
    )
    density = air.ambient_kpa * 1e3 / (GAS_CONSTANT_AIR_J_KG_K * (air.ambient_degc + 273.15))
    forces = scaled_requirements(draws, grades_ahead(state.grade, memory.grades), speed, density)
    needed = weighted_quantile(forces, draws[WEIGHT], NEED_QUANTILE)
    # In the force computed from fuelling, which is what the draws' scale refers to.
    base_n, uprated_n = base.force_n * state.fuel_ratio, uprated.force_n * state.fuel_ratio
    need = need_of_force(needed, base_n, uprated_n)
    reserve = 1.0 - weighted_quantile(forces, draws[WEIGHT], RESERVE_QUANTILE) / max(base_n, 1.0)

    after = 1.0 if config.exhaust_sensor > 1.5 else 0.0
    limit = gas_limit_degc(p, config.gas_limit_degc, after, air.ambient_degc)
    point = FullLoad(uprated.rpm, row[INTAKE], air_ratio, state.fuel_ratio)
    heat = HeatNow(
        row[COOLANT],
        row[GEARBOX_OIL],
        config.coolant_reduce_degc,
        config.oil_reduce_degc,
        limit,
    )
    # The same without the gas, whose own protection holds it at its limit from sample to sample.
    slow_heat = HeatNow(
        heat.coolant_degc,
        heat.oil_degc,
        heat.coolant_limit_degc,
        heat.oil_limit_degc,
        NO_LIMIT_DEGC,
    )
    sustainable = sustainable_share(p, state.exhaust, memory.curve, point, heat, air, SUSTAINED_S)
    heat_left = heat_time_s(p, state.exhaust, memory.curve, point, air, limit)
    if config.exhaust_sensor < 0.5 or config.uprated < 0.5:
        sustainable, heat_left, need = 0.0, 0.0, 0.0

    retention, economy = min(need, sustainable), economy_of_reserve(reserve)
    liquids = sustainable_share(
        p, state.exhaust, memory.curve, point, slow_heat, air, KEPT_SUSTAINED_S
    )
    credit = state.episode.credit_s
    if config.from_table > 0.5:
        retention, economy = tick[TICK_RETENTION], tick[TICK_ECONOMY]
        need, reserve, sustainable, liquids = retention, math.nan, retention, 1.0
        credit = min(credit, tick[TICK_TIME])
        heat_left = CREDIT_MAX_S
    if known < 0.5:
        heat_left = 0.0
        held_retention = default_setting()
        held_economy = default_setting()
        held_kept = default_setting()
    else:
        # What is needed no more may go slowly, and so may what the heat forbids: retention
        # is what is published, the share given follows the kept share and the caps. What the heat
        # allows again comes slowly too, else retention followed every breath of a hot engine.
        rise_wait = CALM_S if sustainable < need - CHANGE_STEP else CHANGE_WAIT_S
        pace = calm_pace(row[SPEED])
        held_retention = hold_setting(
            state.retention, retention, since, pace, rise_wait, CALM_S, sustainable
        )
        held_economy = hold_setting(state.economy, economy, since, pace, CALM_S, CHANGE_WAIT_S, 1.0)
        held_kept = follow_kept(state.kept, need, liquids, since, pace)
    changes = state.setting_changes
    if held_retention.value != state.retention.value:
        changes += 1.0
    if held_economy.value != state.economy.value:
        changes += 1.0
    episode = EpisodeState(
        state.episode.active, state.episode.low_s, credit, heat_left, state.episode.spent_s
    )
    return set_settings(
        state,
        episode,
        held_retention,
        held_economy,
        held_kept,
        known,
        need,
        sustainable,
        reserve,
        probability,
        row[TIME],
        changes,
    )
