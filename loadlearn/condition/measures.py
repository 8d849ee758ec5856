"""Numbers one drive gives by itself: warm-up, idle, slip, rolling radius, brake, efficiency.

Most take the rig and the drive's :func:`loadlearn.condition.points.operating_points`, and give None
where the drive does not tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.condition.evidence import Measure
from loadlearn.condition.points import BIN_S, WARM_DEGC
from loadlearn.condition.robust import robust_fit, robust_mean
from loadlearn.vehicle.engine_force import rig_arrays, willans_brake_torque
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2, air_density_kg_m3

Array = NDArray[np.float64]

RELEASE_S = 90.0
"""Time in which a dragging brake lets go (common practice, no source)."""

COLD_RISE, COLD_TIME_S = 0.25 * 0.011, 600.0
"""Cold tyres roll a fifth to a third harder than their usual 0.011 and warm within twenty minutes
(common practice, no source)."""
WIDEST_ROLLING_SD, WIDEST_AREA_SD_M2 = 0.004, 0.8
"""Wider than this a drive's speeds did not tell rolling resistance and drag area apart."""
SAME_AREA_M2 = 0.6
"""Drag areas learnt from drives of one combination lie so near: twice their spread within vehicles
(``experiments/condition_faults.py --levels 0``, its column ``drag_area_m2``)."""


def _mean(chosen: pd.DataFrame, name: str, least_sd: float = 0.0) -> Measure:
    value, error = robust_mean(chosen[name].to_numpy(), chosen["block"].to_numpy())
    return Measure(value, max(error, least_sd), len(chosen))


def boost_at_rest(points: pd.DataFrame, rig: Rig) -> Measure | None:
    """Gauge boost while idling at a standstill (kPa): a sensor's zero."""
    idle = points[(points["idle"] > 0.5) & points["boost_kpa"].notna()]
    if len(idle) < 5:
        return None
    value, _ = robust_mean(idle["boost_kpa"].to_numpy(), idle["block"].to_numpy())
    return Measure(value, float(idle["boost_kpa"].std() / np.sqrt(len(idle))), len(idle))


def warm_up(points: pd.DataFrame, rig: Rig) -> Measure | None:
    """Logarithm of the fuel burnt per kelvin of coolant rise, up to 70 degC or 20 minutes.

    None where the drive did not start cold (40 degC or less at the beginning).
    """
    coolant = points["coolant_temp_degc"].to_numpy()
    fuel = points["fuel_rate_g_s"].to_numpy()
    if not np.isfinite(coolant).any() or not np.isfinite(fuel).any():
        return None
    first = int(np.argmax(np.isfinite(coolant)))
    if coolant[first] > 40.0:
        return None
    begin = first + int(np.argmax(coolant[first:] >= coolant[first] + 5.0))
    warm = np.flatnonzero(coolant[begin:] >= WARM_DEGC)
    end = begin + int(warm[0]) if warm.size else len(points) - 1
    longest = int(np.searchsorted(points["time_s"], points["time_s"].iloc[begin] + 1200.0))
    end = min(end, longest, len(points) - 1)
    minutes = (points["time_s"].iloc[end] - points["time_s"].iloc[begin]) / 60.0
    risen = coolant[end] - coolant[begin]
    if risen < 3.0 or (coolant[end] < WARM_DEGC and minutes < 15.0) or minutes < 0.5:
        return None
    burnt = float(np.nansum(fuel[begin:end])) * BIN_S
    # One degree of resolution at either end.
    return Measure(float(np.log(burnt / risen)), 0.6 / risen, end - begin)


def coolant_steady(points: pd.DataFrame, rig: Rig) -> Measure | None:
    """Coolant temperature once it is regulated, moving at moderate load (degC)."""
    chosen = points[
        points["coolant_temp_degc"].notna()
        & (points["since_start_s"] > 1200.0)
        & (points["speed_m_s"] > 10.0)
        & (points["load_mg_l"].between(15.0, 80.0))
    ]
    if len(chosen) < 60:
        return None
    return _mean(chosen, "coolant_temp_degc")


def idle_fuelling(points: pd.DataFrame, rig: Rig) -> Measure | None:
    """Logarithm of the warm idle fuelling per revolution (g/s per 1000 rpm)."""
    idle = points[
        (points["idle"] > 0.5)
        & (points["warm"] > 0.5)
        & (points["regeneration"] < 0.5)
        & (points["fuel_rate_g_s"] > 0.02)
    ]
    if len(idle) < 15:
        return None
    per_turn = np.log(idle["fuel_rate_g_s"] / idle["engine_speed_rpm"] * 1000.0)
    return _mean(idle.assign(per_turn=per_turn), "per_turn", 0.005)


def expected_idle_fuelling(rig: Rig) -> tuple[float, float]:
    """What the rig's Willans line gives for :func:`idle_fuelling`, and how sure it is."""
    arrays = rig_arrays(rig).constants[0]
    omega = rig.engine.idle_rpm * np.pi / 30.0
    # Zero brake torque: the fuelling at which the line crosses it (it is linear in fuel).
    friction = arrays["friction_torque_n_m"] + arrays["friction_torque_slope_n_m_s"] * omega
    missing = -willans_brake_torque(
        arrays["heat_to_torque_w_s_g"], 0.0, omega, friction, arrays["accessory_power_w"]
    )
    fuel = missing * omega / arrays["heat_to_torque_w_s_g"]
    accessory = rig.engine.accessory_power_sd_kw * 1e3 / arrays["heat_to_torque_w_s_g"] / fuel
    # The friction line at idle is believed to a fifth, a converter's drag left out likewise.
    return float(np.log(fuel / rig.engine.idle_rpm * 1000.0)), float(np.hypot(0.3, accessory))


def converter_slip(points: pd.DataFrame, rig: Rig) -> Measure | None:
    """Engine against wheel speed at high less at low torque, converter locked (log).

    None for a rig without a converter.
    """
    if rig.driveline.converter_stall_torque_ratio is None:
        return None
    chosen = points[
        points["log_ratio"].notna()
        & (points["steady"] > 0.5)
        & (points["gear"] >= 3)
        & (points["speed_m_s"] > 8.0)
        & (points["load_mg_l"] > 5.0)
        & (points["engine_speed_rpm"] > 1.7 * rig.engine.idle_rpm)
        & (points["log_ratio"].abs() < 0.2)
    ]
    low = chosen[chosen["load_mg_l"] < 35.0]
    high = chosen[chosen["load_mg_l"] > 65.0]
    if min(low["block"].nunique(), high["block"].nunique()) < 3 or min(len(low), len(high)) < 10:
        return None
    below, above = _mean(low, "log_ratio"), _mean(high, "log_ratio")
    return Measure(above.value - below.value, float(np.hypot(below.sd, above.sd)), len(high))


def rolling_radius(points: pd.DataFrame, rig: Rig) -> Measure | None:
    """Logarithm of the wheels' speed over the speed over ground, at light torque."""
    ratio = np.log(points["speed_m_s"] / points["ground_speed_m_s"].where(lambda v: v > 1.0))
    chosen = points.assign(ratio=ratio)
    chosen = chosen[
        chosen["ratio"].notna()
        & (chosen["speed_m_s"] > 12.0)
        & (chosen["accel_m_s2"].abs() < 0.3)
        & (chosen["load_mg_l"] < 60.0)
        & (chosen["braked"] < 0.5)
        & (chosen["since_start_s"] > 600.0)
    ]
    if len(chosen) < 60 or chosen["block"].nunique() < 5:
        return None
    return _mean(chosen, "ratio")


def brake_drag(points: pd.DataFrame, rig: Rig) -> Measure | None:
    """Extra rolling resistance right after braked stops that then decays (coefficient).

    Regresses the tread force on inertia-and-grade, a constant, the square of speed, cold tyres
    that warm with the drive, and ``exp(-t / 90 s)`` since the last braked stop.

    None with fewer than three braked stops.
    """
    since = points["since_braked_stop_s"]
    chosen = points[
        points["force_n"].notna()
        & points["accel_m_s2"].notna()
        & (points["speed_m_s"] > 6.0)
        & (points["regeneration"] < 0.5)
        & (points["log_ratio"].abs() < 0.1)
        & (since > 12.0)
    ].copy()
    recent = chosen["since_braked_stop_s"] < 2.0 * RELEASE_S
    stops = chosen.loc[recent, "time_s"] - chosen.loc[recent, "since_braked_stop_s"]
    if stops.round(0).nunique() < 3 or recent.sum() < 60 or (~recent).sum() < 100:
        return None
    specific = chosen["accel_m_s2"] + GRAVITY_M_S2 * chosen["sin_grade"]
    force = chosen["force_n"] - chosen["rotating_mass_kg"] * chosen["accel_m_s2"]
    columns = np.column_stack(
        [
            np.ones(len(chosen)),
            specific,
            chosen["speed_m_s"] ** 2,
            np.exp(-chosen["since_start_s"] / 900.0),
            np.exp(-chosen["since_braked_stop_s"] / RELEASE_S),
        ]
    )
    # What one stop tells holds together: blocks begin anew with every stop.
    block = chosen["block"] + 1e4 * (
        (chosen["time_s"] - chosen["since_braked_stop_s"]).replace(-np.inf, 0.0).round(0)
    )
    fit = robust_fit(columns, force.to_numpy(), block.to_numpy())
    weight = float(fit.coefficients[1]) * GRAVITY_M_S2
    if weight <= 0.0:
        return None
    return Measure(
        float(fit.coefficients[4]) / weight,
        float(np.sqrt(fit.covariance[4, 4])) / weight,
        len(chosen),
    )


@dataclass(frozen=True)
class RoadLoad:
    """What resists at steady speed, learnt from one drive, tyres warm.

    Attributes
    ----------
    rolling_resistance, drag_area_m2 : float
        The part that does not grow with speed, over the weight: tyres, bearings, a brake that does
        not let go; and what grows with the square of speed.
    covariance : ndarray, shape (2, 2)
        Of the two.
    exchange_per_m2 : float
        By how much the coefficient changes with the drag area that is believed.
    samples : int
    """

    rolling_resistance: float
    drag_area_m2: float
    covariance: Array
    exchange_per_m2: float
    samples: int

    @property
    def area(self) -> Measure:
        """The drag area (m^2)."""
        return Measure(self.drag_area_m2, float(np.sqrt(self.covariance[1, 1])), self.samples)

    def rolling(self, usual_area_m2: float | None = None) -> Measure:
        """The coefficient, given the usual drag area as far as this drive's may be the same.

        Wind and slipstreams move the two against each other from drive to drive: held to one drag
        area the coefficients of one vehicle scatter less.

        Parameters
        ----------
        usual_area_m2 : float, optional
            Of the baseline drives.
        """
        away = 0.0 if usual_area_m2 is None else self.drag_area_m2 - usual_area_m2
        away = float(np.clip(away, -SAME_AREA_M2, SAME_AREA_M2))
        k = self.exchange_per_m2 if usual_area_m2 is not None else 0.0
        row = np.array([1.0, k])
        variance = float(row @ self.covariance @ row)
        return Measure(self.rolling_resistance + k * away, np.sqrt(variance), self.samples)


def road_load(points: pd.DataFrame) -> RoadLoad | None:
    """Road load by robust regression of the force balance.

    The tread force, where the engine pulls, on inertia, grade and cold tyres, air density times the
    square of speed, and a constant; the first coefficient is the mass, over which the
    constant is a coefficient that no error of the force's scale moves. Pulling only: what drags
    changes nothing of an overrun's known force, and the mass would take the contradiction.

    Parameters
    ----------
    points : DataFrame
        From :func:`loadlearn.condition.points.operating_points`.

    Returns
    -------
    RoadLoad or None
        None where points or speeds are too few to tell the two parts apart.
    """
    chosen = points[
        points["force_n"].gt(0.0)
        & points["accel_m_s2"].notna()
        & (points["speed_m_s"] > 6.0)
        & (points["regeneration"] < 0.5)
        & (points["braked"] < 0.5)
        & ~(points["log_ratio"].abs() > 0.1)
    ]
    if len(chosen) < 150 or chosen["block"].nunique() < 10:
        return None
    density = air_density_kg_m3(
        0.0, chosen["ambient_temp_degc"].to_numpy(), chosen["ambient_pressure_kpa"].to_numpy()
    )
    pressure = 0.5 * density * chosen["speed_m_s"].to_numpy() ** 2
    cold = COLD_RISE * np.exp(-chosen["since_start_s"] / COLD_TIME_S)
    slope = chosen["accel_m_s2"] + GRAVITY_M_S2 * (chosen["sin_grade"] + cold)
    columns = np.column_stack([np.ones(len(chosen)), pressure, slope])
    force = chosen["force_n"] - chosen["rotating_mass_kg"] * chosen["accel_m_s2"]
    fit = robust_fit(columns, force.to_numpy(), chosen["block"].to_numpy())
    weight = float(fit.coefficients[2]) * GRAVITY_M_S2
    if weight <= 0.0:
        return None
    scale = np.array([1.0 / weight, 1.0])
    learnt = RoadLoad(
        float(fit.coefficients[0]) / weight,
        float(fit.coefficients[1]),
        fit.covariance[:2, :2] * np.outer(scale, scale),
        float(pressure.mean()) / weight,
        len(chosen),
    )
    widest = max(learnt.rolling().sd / WIDEST_ROLLING_SD, learnt.area.sd / WIDEST_AREA_SD_M2)
    return learnt if widest < 1.0 else None


def tractive_efficiency(
    trace: pd.DataFrame, rig: Rig, known_mass_kg: float, known_mass_sd_kg: float
) -> Measure | None:
    """Logarithm of true tread force over the force computed from the log, at a known load.

    The load learnt from the log through the rig is proportional to the computed force; its ratio
    to the weighed one is therefore the inverse of the tractive scale.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig
    known_mass_kg, known_mass_sd_kg : float
        Weighed combined mass and its standard deviation (kg).

    Returns
    -------
    Measure or None
        None where the drive leaves the load open by more than a tenth.
    """
    from loadlearn.estimation import LoadEstimator

    history = LoadEstimator(rig).run(trace)
    last = history.iloc[-1]
    learnt, sd = float(last["mass_kg"]), float(last["mass_sd_given_scale_kg"])
    if not np.isfinite(learnt) or not sd < 0.1 * learnt:
        return None
    doubt = float(np.hypot(sd / learnt, known_mass_sd_kg / known_mass_kg))
    return Measure(float(np.log(known_mass_kg / learnt)), doubt, len(trace))


def regenerations(points: pd.DataFrame) -> tuple[int, float]:
    """Starts of after-treatment regeneration, and the fuel burnt meanwhile (kg).

    Parameters
    ----------
    points : DataFrame
        From :func:`loadlearn.condition.points.operating_points`.

    Returns
    -------
    events : int
        A regeneration under way at the first row counts as started before.
    fuel_kg : float
    """
    active = points["regeneration"].to_numpy() > 0.5
    starts = int(np.sum(active[1:] & ~active[:-1]))
    return starts, float(np.nansum(points["fuel_rate_g_s"])) * BIN_S * 1e-3
