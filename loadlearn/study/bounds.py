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

from loadlearn._compile import jit
from loadlearn.errors import InputError
from loadlearn.estimation import layout
from loadlearn.estimation.estimator import default_noise, prior_for, share_logged
from loadlearn.estimation.filter import predict, relax_slow, set_datum
from loadlearn.estimation.lanes import measured_cross, rank_one_downdate, relax
from loadlearn.estimation.loads import start
from loadlearn.estimation.model import (
    COLD,
    ENERGY,
    KAPPA,
    N_ROW,
    PHI,
    R_DT,
    R_HALF,
    R_KNOWN,
    R_ROT,
    R_SLIP,
    R_SPEED,
    R_TIME,
    R_Y,
    ROLL,
    SLIP,
    UNREPORTED,
    WIND,
    Grounds,
    Noise,
    Prior,
    ground_modes,
    measurement_variance,
    states_needed,
    unevenness,
)
from loadlearn.study.problem import drive_rows, one_component
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2, HANDBOOK_GROUNDS, Ground
from loadlearn.vehicle.samples import (
    HEIGHT_FROM_ACCELEROMETER,
    HEIGHT_FROM_GRADE,
    SOURCE_FUEL,
    force_source,
    height_source,
)

FloatArray = NDArray[np.float64]

LEAST_LOAD_CHANGE_KG = 60.0
"""A step of the true mass by more than this is a change of load; fuel burnt and people are less."""


def conditional_bound(
    trace_or_rows: pd.DataFrame | FloatArray,
    truth: pd.DataFrame,
    rig: Rig,
    noise: Noise | None = None,
    grounds: tuple[Ground, ...] = HANDBOOK_GROUNDS,
    prior: Prior | None = None,
    n_states: int | None = None,
) -> pd.DataFrame:
    """Posterior Cramer-Rao bound of mass, rolling resistance and drag area along a drive.

    Parameters
    ----------
    trace_or_rows : DataFrame, or ndarray of shape (k, 30)
        Canonical columns, or rows in the order of ``model.ROW_NAMES``.
    truth : DataFrame
        ``time_s``, ``mass_kg``, ``drag_area_m2``, ``surface``; ``tractive_scale`` (1 if absent),
        ``headwind_m_s`` (0 if absent). The last row at or before each instant holds.
    rig : Rig
    noise : Noise, optional
        Default: those in ``attrs`` of a prepared trace, else what the estimator would take.
    grounds : tuple of Ground
        Which ``surface`` names.
    prior : Prior, optional
        Of loads; its components are pooled. Default: what the estimator would take.
    n_states : int, optional
        With rows: how many states; default all that force from fuelling needs.

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
    source, height, share = SOURCE_FUEL, HEIGHT_FROM_GRADE, False
    if isinstance(trace_or_rows, pd.DataFrame):
        source, height = force_source(trace_or_rows), height_source(trace_or_rows)
        share = share_logged(trace_or_rows)
        found = trace_or_rows.attrs.get("noise")
        if noise is None and found is not None:
            noise = Noise(**found)
        table = drive_rows(trace_or_rows, rig)
    else:
        table = np.asarray(trace_or_rows, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] != N_ROW:
        raise InputError(f"rows of shape {table.shape}; they have {N_ROW} columns")
    noise = noise or default_noise(height, rig, source)
    pooled = pooled_prior(prior or prior_for(rig, source, height))
    n = n_states or states_needed(source == SOURCE_FUEL, share, height == HEIGHT_FROM_ACCELEROMETER)
    modes = ground_modes(grounds, with_regeneration=False)
    true_states, mode, changed, mass, scale = _true_states(table, truth, grounds, pooled, n)
    covariances = _bound_rows(table, true_states, mode, changed, modes, pooled, noise)
    return _table(table[:, R_TIME], covariances, true_states, mass, scale, pooled.log_scale_sd)


def pooled_prior(prior: Prior) -> Prior:
    """The prior of loads as one broad component of the mixture's mean and sd.

    Parameters
    ----------
    prior : Prior

    Returns
    -------
    Prior
    """
    mean = float(np.sum(prior.weight * prior.mass_kg))
    second = float(np.sum(prior.weight * (prior.mass_sd_kg**2 + prior.mass_kg**2)))
    return one_component(prior, 0)._replace(
        mass_kg=np.array([mean]),
        mass_sd_kg=np.array([math.sqrt(second - mean * mean)]),
        solo=np.zeros(1, dtype=np.int64),
    )


def _true_states(
    table: FloatArray, truth: pd.DataFrame, grounds: tuple[Ground, ...], prior: Prior, n: int
) -> tuple[FloatArray, NDArray[np.int64], NDArray[np.bool_], FloatArray, FloatArray]:
    for column in ("time_s", "mass_kg", "drag_area_m2", "surface"):
        if column not in truth.columns:
            raise InputError(f"the truth has no column {column}; the bound needs it")
    names = [ground.name for ground in grounds]
    unknown = sorted(set(truth["surface"]) - set(names))
    if unknown:
        raise InputError(f"the truth names the ground '{unknown[0]}'; known are {', '.join(names)}")
    time = truth["time_s"].to_numpy(dtype=np.float64)
    at = np.clip(np.searchsorted(time, table[:, R_TIME] + 1e-9, side="right") - 1, 0, None)

    def column_at(name: str, default: float) -> FloatArray:
        if name not in truth.columns:
            return np.full(len(at), default)
        return truth[name].to_numpy(dtype=np.float64)[at]

    mass, scale = column_at("mass_kg", np.nan), column_at("tractive_scale", 1.0)
    states = np.zeros((len(table), n))
    states[:, PHI] = scale / mass
    states[:, KAPPA] = column_at("drag_area_m2", np.nan) / mass
    states[:, WIND] = column_at("headwind_m_s", 0.0)
    if n > UNREPORTED:
        states[:, UNREPORTED] = prior.unreported
    place = {name: index for index, name in enumerate(names)}
    mode = np.array([place[name] for name in truth["surface"]], dtype=np.int64)[at]
    changed = np.abs(np.diff(mass, prepend=mass[0])) > LEAST_LOAD_CHANGE_KG
    return states, mode, changed, mass, scale


def _bound_rows(
    table: FloatArray,
    true_states: FloatArray,
    mode: NDArray[np.int64],
    changed: NDArray[np.bool_],
    modes: Grounds,
    prior: Prior,
    noise: Noise,
) -> FloatArray:
    """Covariance bound after every row, shape (k, n, n)."""
    n = true_states.shape[1]
    arrays = layout.filter_arrays(n, layout.LANES)
    start(*arrays[1:], modes, prior, noise)
    first = int(mode[0])
    covariance = np.ascontiguousarray(arrays.covariances[0, :, :, first : first + 1])
    # An interval tells as much as a point of this variance.
    extra = np.zeros(len(table))
    for index in np.flatnonzero(table[:, R_HALF] > 0.0):
        half = table[index, R_HALF] * table[index, R_SPEED] / GRAVITY_M_S2
        variance = measurement_variance(table[index], noise)
        extra[index] = variance * (1.0 / interval_information(half / math.sqrt(variance)) - 1.0)
    kept = np.empty((len(table), n, n))
    _bound_loop(
        table,
        true_states,
        mode,
        changed,
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
    table: FloatArray,
    true_states: FloatArray,
    mode: NDArray[np.int64],
    changed: NDArray[np.bool_],
    prior_covariance: FloatArray,
    covariance: FloatArray,
    extra: FloatArray,
    grounds: Grounds,
    noise: Noise,
    kept: FloatArray,
) -> None:
    n = covariance.shape[0]
    state, sensitivity = np.zeros((n, 1)), np.zeros((n, 1))
    cross, predicted = np.zeros((n, 1)), np.zeros(1)
    reduction, nothing = np.zeros(1), np.zeros(1)
    disturbance, walk = np.zeros(1), np.zeros(1)
    driven, elapsed = 0.0, 0.0
    open_datum = True
    for index in range(table.shape[0]):
        row = table[index]
        here = mode[index]
        if index > 0 and mode[index - 1] != here:
            for j in range(n):
                covariance[ROLL, j, 0] = 0.0
                covariance[j, ROLL, 0] = 0.0
            covariance[ROLL, ROLL, 0] = grounds.sd[here] ** 2
            relax(covariance, SLIP, grounds.slip[here] / grounds.slip[mode[index - 1]], nothing)
        if changed[index]:
            for i in (PHI, KAPPA):
                for j in range(n):
                    covariance[i, j, 0] = prior_covariance[i, j, 0]
                    covariance[j, i, 0] = prior_covariance[j, i, 0]
        # The transition over this row is taken at the true state before it.
        for i in range(n):
            state[i, 0] = true_states[max(index - 1, 0), i]
        elapsed += row[R_DT]
        if row[R_KNOWN] > 0.5:
            driven += row[R_DT]
            if driven >= noise.mix_every_s:
                relax_slow(state, covariance, elapsed, noise)
                state[WIND, 0] = true_states[max(index - 1, 0), WIND]
                driven, elapsed = 0.0, 0.0
        disturbance[0], walk[0] = unevenness(
            state[ROLL, 0], grounds.mean[here], grounds.texture[here], grounds.mean[0], noise
        )
        predict(
            state,
            covariance,
            row,
            noise,
            disturbance,
            walk,
            sensitivity,
            cross,
            predicted,
        )
        if not math.isnan(row[R_Y]):
            variance = measurement_variance(row, noise) + extra[index]
            if open_datum:
                set_datum(state, covariance, row, noise)
                open_datum = False
            else:
                measured_cross(covariance, row[R_ROT], row[R_SLIP], cross)
                total = variance + cross[ENERGY, 0] - row[R_ROT] * cross[PHI, 0]
                total += row[R_SLIP] * cross[SLIP, 0]
                reduction[0] = 1.0 / total
                rank_one_downdate(covariance, cross, reduction)
        for i in range(n):
            for j in range(n):
                kept[index, i, j] = covariance[i, j, 0]


def _table(
    time_s: FloatArray,
    covariances: FloatArray,
    states: FloatArray,
    mass: FloatArray,
    scale: FloatArray,
    log_scale_sd: float,
) -> pd.DataFrame:
    phi = states[:, PHI]
    ratio = states[:, KAPPA] / phi
    relative = np.sqrt(covariances[:, PHI, PHI]) / phi
    roll = covariances[:, ROLL, ROLL] + covariances[:, COLD, COLD]
    roll = roll + 2.0 * covariances[:, ROLL, COLD]
    drag = covariances[:, KAPPA, KAPPA] - 2.0 * ratio * covariances[:, KAPPA, PHI]
    drag = (drag + ratio**2 * covariances[:, PHI, PHI]) / phi**2
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
