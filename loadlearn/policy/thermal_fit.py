"""Air and heat parameters learnt from a log, by robust regression, with their uncertainty.

The sensor's temperature is linear in what is sought once its lags are: with ``F`` the sensor's
first-order lag and ``M`` the metal's before it, and rise ``r`` by the model,

    T_sensor - F[T_intake] = k (1 - w) F[r] + k w F[M[r]]      (before the turbine)

so Huber's regression (:class:`sklearn.linear_model.HuberRegressor`) gives the factor ``k`` on the
exhaust energy share and the metal's share ``w``, and is not carried off by regeneration, sensor
spikes or overrun. Charge-air rise over load and volumetric efficiency are linear likewise.

Residuals of a drive are strongly correlated in time: standard errors are those of blocks of
``BLOCK_S`` resampled (block bootstrap; Kuensch, Annals of Statistics 17, 1989, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.policy.adviser import sample_rows
from loadlearn.policy.columns import Sample, as_records
from loadlearn.policy.readings import read_engine, surroundings
from loadlearn.policy.state import initial_policy_state, policy_config, policy_memory
from loadlearn.policy.thermal_model import (
    RAD_S_PER_RPM,
    ThermalParameters,
    air_flow_g_s,
    air_per_kpa,
    charge_temperature_degc,
    exhaust_rise_k,
    thermal_parameters,
)
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]

BLOCK_S = 60.0
RESAMPLES = 25
SMALLEST_RISE_SD = 0.02
"""No log teaches the rise at a load it does not hold better than this."""
LEAST_BLOCKS = 5


@dataclass(frozen=True)
class Fitted:
    """One fitted quantity.

    Attributes
    ----------
    value, sd : float
        Estimate and standard error.
    samples : int
        Samples behind it.
    """

    value: float
    sd: float
    samples: int


@dataclass(frozen=True)
class ThermalFit:
    """Parameters with what the log taught, and what it taught.

    Attributes
    ----------
    parameters : ThermalParameters
        The rig's, with fitted ones replaced and ``exhaust_rise_sd`` narrowed.
    fitted : dict of str to Fitted
        By parameter name. What the log does not show is absent, and keeps its default.
    """

    parameters: ThermalParameters
    fitted: dict[str, Fitted]


def fit_thermal_parameters(trace: pd.DataFrame, rig: Rig) -> ThermalFit:
    """Learn exhaust, charge-air and filling parameters from a drive.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns; what is missing is not fitted.
    rig : Rig
        Needs a full-load curve.

    Raises
    ------
    InputError
        The rig has no full-load curve.
    """
    p = thermal_parameters(rig)
    rows = sample_rows(trace)
    samples = as_records(rows, Sample)
    found: dict[str, Fitted] = {}
    table = _operating_points(p, rig, rows)
    time = samples["time_s"]
    step = np.clip(np.diff(time, prepend=time[0]), 0.0, 5.0)
    ambient, load = table["ambient"], table["load"]

    intake = samples["intake_temp_degc"]
    if np.isfinite(intake).any():
        fit = _huber(
            np.column_stack([np.ones_like(load), np.clip(load, 0.0, 1.5)]),
            intake - ambient,
            time,
            np.isfinite(intake) & (load > 0.05),
        )
        if fit is not None:
            (idle, slope), (idle_sd, slope_sd), count = fit
            full = idle + slope
            if 0.0 <= idle < 60.0 and 0.0 < full < 90.0:
                found["charge_rise_idle_k"] = Fitted(idle, idle_sd, count)
                found["charge_rise_full_k"] = Fitted(full, math.hypot(idle_sd, slope_sd), count)
    flow, boost = samples["air_flow_g_s"], samples["boost_kpa"]
    if np.isfinite(flow).any() and np.isfinite(boost).any() and p.throttled < 0.5:
        swallowed = (boost + table["pressure"]) * table["per_kpa"] / p.volumetric_efficiency
        good = np.isfinite(flow) & np.isfinite(swallowed) & (load > 0.3)
        fit = _huber(swallowed[:, None], flow, time, good)
        if fit is not None and 0.5 < fit[0][0] < 1.2:
            found["volumetric_efficiency"] = Fitted(fit[0][0], fit[1][0], fit[2])
    p = p._replace(**{name: one.value for name, one in found.items()})

    place = rig.limits.exhaust_gas_temp_sensor
    after = place == "after_turbine"
    sensor = samples[f"exhaust_gas_temp{'_after_turbine' if after else ''}_degc"]
    if place != "none" and np.isfinite(sensor).any():
        through = 1.0 - p.turbine_drop_share * after
        table = _operating_points(p, rig, rows)
        rise = through * table["rise"]
        shown = sensor - _lag(
            through * table["intake"] + (1.0 - through) * ambient, step, p.sensor_time_s
        )
        fast = _lag(rise, step, p.sensor_time_s)
        slow = _lag(_lag(rise, step, p.metal_time_s), step, p.sensor_time_s)
        good = np.isfinite(sensor) & (table["load"] > 0.2) & ~(samples["regeneration_active"] > 0.5)
        good &= time - time[0] > 60.0
        fit = _huber(np.column_stack([fast - slow, slow]), shown, time, good)
        if fit is not None:
            (through_gas, factor), (gas_sd, factor_sd), count = fit
            share = float(np.clip(1.0 - through_gas / max(factor, 0.1), 0.02, 0.5))
            if 0.6 < factor < 1.6:
                energy = p.exhaust_energy_share
                found["exhaust_energy_share"] = Fitted(energy * factor, energy * factor_sd, count)
                found["metal_share"] = Fitted(share, gas_sd / factor, count)
                p = p._replace(
                    exhaust_energy_share=energy * factor,
                    metal_share=share,
                    exhaust_rise_sd=float(
                        min(math.hypot(factor_sd / factor, SMALLEST_RISE_SD), p.exhaust_rise_sd)
                    ),
                )
    return ThermalFit(p, found)


def _operating_points(p: ThermalParameters, rig: Rig, rows: FloatArray) -> dict[str, FloatArray]:
    """Load, ambient, charge air and modelled rise per sample, as the law reads them."""
    config, memory, state = policy_config(rig), policy_memory(rig), initial_policy_state(p)
    names = ("load", "ambient", "pressure", "per_kpa", "intake", "rise")
    out = np.full((len(names), rows.shape[0]), np.nan)
    for i, values in enumerate(rows.tolist()):
        row = Sample(*values)
        air = surroundings(row)
        engine = read_engine(p, config, memory, state, row)
        omega = engine.rpm * RAD_S_PER_RPM
        load = engine.fuel_g_s / max(engine.base_fuel_g_s, 1e-9)
        intake = row.intake_temp_degc
        if math.isnan(intake):
            intake = charge_temperature_degc(p, air.ambient_degc, load)
        per_kpa = air_per_kpa(p, omega, intake)
        flow = row.air_flow_g_s
        if math.isnan(flow) and p.throttled < 0.5:
            flow = (row.boost_kpa + air.ambient_kpa) * per_kpa
        if math.isnan(flow):
            flow = air_flow_g_s(
                p, engine.fuel_g_s, engine.base_fuel_g_s, omega, intake, air.ambient_kpa
            )
        rise = exhaust_rise_k(p, engine.fuel_g_s, flow, engine.base_fuel_g_s)
        out[:, i] = load, air.ambient_degc, air.ambient_kpa, per_kpa, intake, rise
    return dict(zip(names, out, strict=True))


def _lag(values: FloatArray, step_s: FloatArray, time_s: float) -> FloatArray:
    """First-order lag over samples of any spacing; NaN holds the last value."""
    out = np.empty_like(values)
    now = values[np.argmax(np.isfinite(values))]
    keep = np.exp(-step_s / time_s)
    for i, value in enumerate(values):
        if not math.isnan(value):
            now = value + (now - value) * keep[i]
        out[i] = now
    return out


def _huber(
    regressors: FloatArray, target: FloatArray, time_s: FloatArray, good: NDArray[np.bool_]
) -> tuple[list[float], list[float], int] | None:
    """Huber coefficients without intercept, block-bootstrap sds and count; None = too little."""
    from sklearn.linear_model import HuberRegressor

    good = good & np.all(np.isfinite(regressors), axis=1) & np.isfinite(target)
    x, y = regressors[good], target[good]
    block = np.floor(time_s[good] / BLOCK_S).astype(int)
    blocks = np.unique(block)
    if blocks.size < LEAST_BLOCKS:
        return None
    thin = max(1, x.shape[0] // 1500)
    x, y, block = x[::thin], y[::thin], block[::thin]
    scale = np.maximum(np.abs(x).max(axis=0), 1e-9)

    def solve(rows: NDArray[np.int64]) -> FloatArray:
        model = HuberRegressor(fit_intercept=False, alpha=0.0, max_iter=500, tol=1e-6)
        spread = max(float(np.std(y)), 1e-9)
        fitted = model.fit(x[rows] / scale, y[rows] / spread)
        return np.asarray(fitted.coef_) * spread / scale

    estimate = _quietly(solve, np.arange(x.shape[0]))
    random = np.random.default_rng(7)
    members = {b: np.flatnonzero(block == b) for b in np.unique(block)}
    keys = np.array(list(members))
    draws = []
    for _ in range(RESAMPLES):
        chosen = random.choice(keys, keys.size)
        draws.append(_quietly(solve, np.concatenate([members[b] for b in chosen])))
    sd = np.std(draws, axis=0, ddof=1)
    return estimate.tolist(), sd.tolist(), int(good.sum())


def _quietly(
    solve: Callable[[NDArray[np.int64]], FloatArray], rows: NDArray[np.int64]
) -> FloatArray:
    """Solve; a resample on which the solver stops early still counts, and its warning does not."""
    import warnings

    from sklearn.exceptions import ConvergenceWarning

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        return solve(rows)
