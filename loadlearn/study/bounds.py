"""How well the load could be known at best: the posterior Cramer-Rao bound along a drive.

Recursive Fisher information of the model at the true states (Tichavsky, Muravchik & Nehorai, IEEE
Trans. Signal Processing 46(5), 1998, from memory). With transition F, process noise Q, measurement
row M of variance R, all at the true state, their recursion is in covariance form ::

    P <- F P F' + Q,        P <- (P^-1 + M' M / R)^-1

The bound is *conditional*: on the true sequence of grounds (when the ground changes, the rolling
resistance is re-drawn from that ground's prior) and of loads (when the load changes, inverse mass
and drag per mass are re-drawn from the prior of loads), and on the true scale; a second column has
the scale random. It **ignores decision error**: an estimator that must first find out which ground
it is on, or whether the load changed, cannot reach it just after a change. Nothing is hitched is no
case of its own here, and at a standstill without a change of load nothing is taken to happen.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records, jit
from loadlearn.errors import InputError
from loadlearn.estimation.filter import predict_row, relax_slow
from loadlearn.estimation.grounds import Grounds, ground_modes
from loadlearn.estimation.kalman import set_first, update
from loadlearn.estimation.learner import Sources, default_noise, prior_for
from loadlearn.estimation.model import (
    ROW,
    STATE,
    Noise,
    Prior,
    measurement_half_width,
    measurement_row,
    measurement_variance,
    pooled_prior,
)
from loadlearn.study.problem import change_ground, drive_rows, prior_moments, turns
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS, Ground
from loadlearn.vehicle.samples import HEIGHT_FROM_GRADE, SOURCE_FUEL

FloatArray = NDArray[np.float64]

LEAST_LOAD_CHANGE_KG = 60.0
"""A step of the true mass by more than this is a change of load; fuel burnt and people are less."""


def conditional_bound(
    trace_or_rows: pd.DataFrame | Records,
    truth: pd.DataFrame,
    rig: Rig,
    noise: Noise | None = None,
    grounds: tuple[Ground, ...] = HANDBOOK_GROUNDS,
    prior: Prior | None = None,
) -> pd.DataFrame:
    """Posterior Cramer-Rao bound of mass, rolling resistance and drag area along a drive.

    Parameters
    ----------
    trace_or_rows : DataFrame, or record array of ``ROW``, shape (k,)
        Canonical columns, or rows.
    truth : DataFrame
        ``time_s``, ``mass_kg``, ``drag_area_m2``, ``surface``; ``tractive_scale`` (1 if absent),
        ``headwind_m_s`` (0 if absent), ``rolling_resistance`` (the ground's if absent). The last
        row at or before each instant holds.
    rig : Rig
    noise : Noise, optional
        Default: those in ``attrs`` of a prepared trace, else what the estimator would take.
    grounds : tuple of Ground
        Which ``surface`` names.
    prior : Prior, optional
        Of loads; its components are pooled. Default: what the estimator would take.

    Returns
    -------
    DataFrame
        One line a row: ``time_s``, ``mass_sd_kg`` (scale random), ``mass_sd_given_scale_kg``,
        ``rolling_resistance_sd``, ``drag_area_sd_m2``, ``drag_area_sd_given_scale_m2``.

    Raises
    ------
    InputError
        ``truth`` lacks a column or names a ground that is none of ``grounds``.
    """
    sources = Sources(SOURCE_FUEL, HEIGHT_FROM_GRADE)
    if isinstance(trace_or_rows, pd.DataFrame):
        sources = Sources.of(trace_or_rows)
        found = trace_or_rows.attrs.get("noise")
        if noise is None and found is not None:
            noise = Noise(**found)
        table = drive_rows(trace_or_rows, rig)
    else:
        table = trace_or_rows
    if getattr(table, "dtype", None) != ROW:
        raise InputError("these are no rows: give a log, or a record array of model.ROW")
    noise = noise or default_noise(sources, rig)
    pooled = pooled_prior(prior or prior_for(rig, sources))
    modes = ground_modes(grounds, with_regeneration=False)
    true_states, mode, changed, mass, scale = _true_states(table, truth, grounds, pooled)
    covariances = _bound_rows(table, true_states, mode, changed, modes, pooled, noise)
    return _table(table["time_s"], covariances, true_states, mass, scale, pooled.log_scale_sd)


def _true_states(
    table: Records, truth: pd.DataFrame, grounds: tuple[Ground, ...], prior: Prior
) -> tuple[FloatArray, NDArray[np.int64], NDArray[np.bool_], FloatArray, FloatArray]:
    for column in ("time_s", "mass_kg", "drag_area_m2", "surface"):
        if column not in truth.columns:
            raise InputError(f"the truth has no column {column}; the bound needs it")
    names = [ground.name for ground in grounds]
    unknown = sorted(set(truth["surface"]) - set(names))
    if unknown:
        raise InputError(f"the truth names the ground '{unknown[0]}'; known are {', '.join(names)}")
    time = truth["time_s"].to_numpy(dtype=np.float64)
    at = np.clip(np.searchsorted(time, table["time_s"] + 1e-9, side="right") - 1, 0, None)

    def column_at(name: str, default: float) -> FloatArray:
        if name not in truth.columns:
            return np.full(len(at), default)
        return truth[name].to_numpy(dtype=np.float64)[at]

    mass, scale = column_at("mass_kg", np.nan), column_at("tractive_scale", 1.0)
    states = np.zeros((len(table), len(STATE)))
    states[:, STATE.inverse_mass_per_kg] = scale / mass
    states[:, STATE.drag_per_mass_m2_kg] = column_at("drag_area_m2", np.nan) / mass
    states[:, STATE.headwind_m_s] = column_at("headwind_m_s", 0.0)
    states[:, STATE.unreported_share] = prior.unreported
    place = {name: index for index, name in enumerate(names)}
    mode = np.array([place[name] for name in truth["surface"]], dtype=np.int64)[at]
    # Loose ground is as uneven as it resists.
    handbook = np.array([ground.rolling_resistance for ground in grounds])[mode]
    rolling = column_at("rolling_resistance", np.nan)
    states[:, STATE.rolling_resistance] = np.where(np.isnan(rolling), handbook, rolling)
    changed = np.abs(np.diff(mass, prepend=mass[0])) > LEAST_LOAD_CHANGE_KG
    return states, mode, changed, mass, scale


def _bound_rows(
    table: Records,
    true_states: FloatArray,
    mode: NDArray[np.int64],
    changed: NDArray[np.bool_],
    modes: Grounds,
    prior: Prior,
    noise: Noise,
) -> FloatArray:
    """Covariance bound after every row, shape (k, n, n)."""
    covariance = prior_moments(modes, prior, noise)[1][int(mode[0])]
    # An interval tells as much as a point of this variance.
    extra = np.zeros(len(table))
    for index in np.flatnonzero(table["half_width_m_s"] > 0.0):
        half = measurement_half_width(table[index])
        variance = measurement_variance(table[index], noise)
        extra[index] = variance * (1.0 / interval_information(half / math.sqrt(variance)) - 1.0)
    kept = np.empty((len(table), *covariance.shape))
    _bound_loop(
        table,
        true_states,
        mode,
        changed,
        turns(table, noise)[1],
        covariance.copy(),
        covariance,
        extra,
        modes,
        noise,
        kept,
    )
    return kept


@jit
def _bound_loop(
    table: Records,
    true_states: FloatArray,
    mode: NDArray[np.int64],
    changed: NDArray[np.bool_],
    elapsed_s: FloatArray,
    prior_covariance: FloatArray,
    covariance: FloatArray,
    extra: FloatArray,
    grounds: Grounds,
    noise: Noise,
    kept: FloatArray,
) -> None:
    n = covariance.shape[0]
    state, sensitivity, cross = np.empty(n), np.empty(n), np.empty(n)
    datum = False
    for index in range(table.size):
        row, here = table[index], mode[index]
        if index > 0 and mode[index - 1] != here:
            change_ground(state, covariance, grounds, mode[index - 1], here)
        if changed[index]:
            for at in (STATE.inverse_mass_per_kg, STATE.drag_per_mass_m2_kg):
                for j in range(n):
                    covariance[at, j] = covariance[j, at] = prior_covariance[at, j]
        if elapsed_s[index] > 0.0:
            relax_slow(state.reshape(1, n), covariance.reshape(1, n, n), elapsed_s[index], noise)
        # The transition over this row is taken at the true state before it.
        for i in range(n):
            state[i] = true_states[max(index - 1, 0), i]
        faded = math.exp(-row.dt_s / noise.disturbance_time_s)
        predict_row(state, covariance, row, here, grounds, noise, faded, sensitivity, cross)
        if not math.isnan(row.measured_m):
            variance, reads = measurement_variance(row, noise) + extra[index], measurement_row(row)
            if datum:
                update(state, covariance, row.measured_m, reads, variance, 0.0, cross)
            else:
                set_first(state, covariance, row.measured_m, reads, variance)
                datum = True
        for i in range(n):
            for j in range(n):
                kept[index, i, j] = covariance[i, j]


def _table(
    time_s: FloatArray,
    covariances: FloatArray,
    states: FloatArray,
    mass: FloatArray,
    scale: FloatArray,
    log_scale_sd: float,
) -> pd.DataFrame:
    mass_at, drag_at = STATE.inverse_mass_per_kg, STATE.drag_per_mass_m2_kg
    roll_at, cold_at = STATE.rolling_resistance, STATE.cold_tyre_excess
    phi = states[:, mass_at]
    ratio = states[:, drag_at] / phi
    relative = np.sqrt(covariances[:, mass_at, mass_at]) / phi
    roll = covariances[:, roll_at, roll_at] + covariances[:, cold_at, cold_at]
    roll = roll + 2.0 * covariances[:, roll_at, cold_at]
    drag = covariances[:, drag_at, drag_at] - 2.0 * ratio * covariances[:, drag_at, mass_at]
    drag = (drag + ratio**2 * covariances[:, mass_at, mass_at]) / phi**2
    given = scale * np.sqrt(np.maximum(drag, 0.0))
    area = scale * ratio
    return pd.DataFrame(
        {
            "time_s": time_s,
            "mass_sd_kg": mass * np.hypot(relative, log_scale_sd),
            "mass_sd_given_scale_kg": mass * relative,
            "rolling_resistance_sd": np.sqrt(np.maximum(roll, 0.0)),
            "drag_area_sd_m2": np.hypot(given, area * log_scale_sd),
            "drag_area_sd_given_scale_m2": given,
        }
    )


@cache
def _information_table() -> tuple[FloatArray, FloatArray]:
    """Fisher information over half-width, by quadrature; both in units of the noise's sd."""
    from scipy.special import log_ndtr

    half_widths = np.logspace(-2.0, 3.0, 101)
    information = np.empty_like(half_widths)
    step = np.linspace(-9.0, 9.0, 3601)
    for index, half in enumerate(half_widths):
        # The density of what is read is flat but for its two edges.
        at = np.unique(np.concatenate([step + half, step - half]))
        upper, lower = at + half, at - half
        # The two tails are swapped where both lie far up, so that digits are kept.
        swap = lower > 0.0
        high = np.where(swap, -lower, upper)
        low = np.where(swap, -upper, lower)
        inside = np.exp(log_ndtr(high)) - np.exp(log_ndtr(low))
        slope = (np.exp(-0.5 * upper**2) - np.exp(-0.5 * lower**2)) / math.sqrt(2.0 * math.pi)
        integrand = np.where(inside > 1e-290, slope**2 / np.maximum(inside, 1e-290), 0.0)
        information[index] = np.trapezoid(integrand, at) / (2.0 * half)
    return half_widths, information


def interval_information(half_width: float) -> float:
    """Fisher information of a location read as an interval, through noise of unit sd.

    The reading is the middle of an interval in which location plus noise lies, every place in it
    as likely: its density is ``(Phi(u + h) - Phi(u - h)) / 2h``.

    Parameters
    ----------
    half_width : float
        h, in units of the noise's sd.

    Returns
    -------
    float
        Relative to that of the noise alone: 1 for h = 0, less for wider intervals.
    """
    half_widths, information = _information_table()
    if half_width <= half_widths[0]:
        return 1.0
    if half_width >= half_widths[-1]:
        return float(information[-1] * half_widths[-1] / half_width)
    at = np.interp(math.log(half_width), np.log(half_widths), np.log(information))
    return float(math.exp(at))
