"""The settings renewed: what the strategy holds for the load and the road, and the heat now.

The share that is kept under sustained demand differs in one point from the published retention: it
leaves the gas out. The retention says what will be sustainable with 95 % confidence; holding the
engine to that would leave unused what the confidence costs, some five to ten kelvin of gas or a
tenth of the extra torque, although the exhaust protection holds the gas at its limit anyway from
sample to sample. Coolant and oil are too slow for that, and keep their part, over a horizon of
their own: asked over less than their time constants, what they allow keeps falling as they warm.
"""

from __future__ import annotations

import math
from typing import Any

from numpy.typing import NDArray

from loadlearn.policy.asked import grade_asked
from loadlearn.policy.best_gear import best_gear
from loadlearn.policy.columns import Sample, Tick
from loadlearn.policy.exhaust import (
    FullLoad,
    gas_limit_degc,
)
from loadlearn.policy.law_settings import (
    CALM_S,
    CHANGE_STEP,
    CHANGE_WAIT_S,
    KEPT_SUSTAINED_S,
    SUSTAINED_S,
    HeatNow,
    calm_pace,
    follow_kept,
    heat_time_s,
    hold_setting,
    load_known,
    reset_setting,
    sustainable_share,
)
from loadlearn.policy.lookup import expected_settings
from loadlearn.policy.state import (
    PolicyConfig,
    PolicyMemory,
    PolicyState,
)
from loadlearn.policy.thermal_model import (
    Surroundings,
    ThermalParameters,
)
from loadlearn.vehicle.roadload import GAS_CONSTANT_AIR_J_KG_K

NO_LIMIT_DEGC = 1e6


def probability_overloaded(config: PolicyConfig, draws: NDArray[Any]) -> float:
    """The larger of P(mass > GCM) and P(trailer > rated towing).

    Parameters
    ----------
    config : PolicyConfig
    draws : ndarray of LoadDraw, shape (n,)

    Returns
    -------
    float
        NaN where no rating is known.
    """
    total, over_gcm, over_towing = 0.0, 0.0, 0.0
    for j in range(draws.shape[0]):
        draw = draws[j]
        total += draw.weight
        if draw.mass_kg > config.rated_gcm_kg:
            over_gcm += draw.weight
        if draw.trailer_mass_kg > config.rated_towing_kg:
            over_towing += draw.weight
    unknown = math.isnan(config.rated_gcm_kg) and math.isnan(config.rated_towing_kg)
    return math.nan if unknown or not total > 0.0 else max(over_gcm, over_towing) / total


def renew_settings(
    p: ThermalParameters,
    config: PolicyConfig,
    memory: PolicyMemory,
    state: PolicyState,
    row: Sample,
    air_ratio: float,
    air: Surroundings,
    draws: NDArray[Any],
    tick: Tick,
) -> None:
    """Settings that the strategy holds for the load and the road, as far as the heat sustains them.

    Parameters
    ----------
    p, config, memory
        The policy's parameters and memory, the strategy's grid in it.
    state : PolicyState
        Changed.
    row : Sample
    air_ratio : float
        Air measured over air modelled.
    air : Surroundings
    draws : ndarray of LoadDraw, shape (n,)
    tick : Tick
        Posterior mean and sd of the mass, and the settings of a rule (NaN: the grid's).
    """
    state.known = load_known(state.known, tick.mass_kg, tick.mass_sd_kg)
    state.rating_probability = probability_overloaded(config, draws)
    speed = state.demand.reference_speed_m_s
    grade = 100.0 * grade_asked(state.grade, memory.grades)
    state.grade_asked_percent = grade
    retention, time = tick.rule_retention, tick.rule_full_share_time_s
    economy = tick.rule_economy
    if math.isnan(retention):
        density = air.ambient_kpa * 1e3 / (GAS_CONSTANT_AIR_J_KG_K * (air.ambient_degc + 273.15))
        retention, time, economy = expected_settings(memory.grid, draws, grade, speed, density)

    after = 1.0 if config.exhaust_sensor > 1.5 else 0.0
    limit = gas_limit_degc(p, config.gas_limit_degc, after, air.ambient_degc)
    radius, efficiency = config.tyre_radius_m, config.driveline_efficiency
    gear = best_gear(
        p,
        memory.curve,
        memory.ratios,
        radius,
        efficiency,
        config.axle_torque_max_n_m,
        speed,
        1.0,
        air,
    )
    point = FullLoad(gear.rpm, row.intake_temp_degc, air_ratio, state.fuel_ratio)
    coolant, oil = row.coolant_temp_degc, row.transmission_oil_temp_degc
    heat = HeatNow(coolant, oil, config.coolant_reduce_degc, config.oil_reduce_degc, limit)
    # The same without the gas, whose own protection holds it at its limit from sample to sample.
    slow = HeatNow(coolant, oil, config.coolant_reduce_degc, config.oil_reduce_degc, NO_LIMIT_DEGC)
    exhaust, curve = state.exhaust, memory.curve
    state.sustainable = sustainable_share(p, exhaust, curve, point, heat, air, SUSTAINED_S)
    liquids = sustainable_share(p, exhaust, curve, point, slow, air, KEPT_SUSTAINED_S)
    state.episode.heat_s = heat_time_s(p, exhaust, curve, point, air, limit)
    if config.exhaust_sensor < 0.5 or config.uprated < 0.5:
        retention = state.sustainable = state.episode.heat_s = 0.0
    state.retention_asked = retention
    state.episode.most_s = time
    state.episode.credit_s = min(state.episode.credit_s, time)
    _publish(state, row, economy, liquids)


def _publish(state: PolicyState, row: Sample, economy: float, liquids: float) -> None:
    """Hold the settings, or put them back to their defaults while the load is not known."""
    since = 1.0 if math.isnan(state.tick_s) else min(row.time_s - state.tick_s, 2.0)
    state.tick_s = row.time_s
    published, restraint = state.retention.value, state.economy.value
    if state.known < 0.5:
        state.episode.heat_s = 0.0
        reset_setting(state.retention)
        reset_setting(state.economy)
        reset_setting(state.kept)
    else:
        # What is needed no more may go slowly, and so may what the heat forbids: retention
        # is what is published, the share given follows the kept share and the caps. What the heat
        # allows again comes slowly too, else retention followed every breath of a hot engine.
        asked = state.retention_asked
        retention = min(asked, state.sustainable)
        rise_wait = CALM_S if state.sustainable < asked - CHANGE_STEP else CHANGE_WAIT_S
        pace = calm_pace(row.speed_m_s)
        most = state.sustainable
        hold_setting(state.retention, retention, since, pace, rise_wait, CALM_S, most)
        hold_setting(state.economy, economy, since, pace, CALM_S, CHANGE_WAIT_S, 1.0)
        follow_kept(state.kept, asked, liquids, since, pace)
    if state.retention.value != published:
        state.setting_changes += 1.0
    if state.economy.value != restraint:
        state.setting_changes += 1.0
