"""A drive drawn from the estimator's own model: where the model is exact by construction.

On such drives an estimator that is right is honest, and its errors lie on the bound
(:mod:`loadlearn.study.bounds`). They say nothing of how well the model describes a vehicle:
for that there is the simulator, which knows nothing of this model.

What the intervals did (work, distance, drag) is taken from the rows of any drive of the same rig;
load, ground, disturbances and what is measured are drawn anew.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Record, Records, jit
from loadlearn.estimation.grounds import Grounds
from loadlearn.estimation.kalman import measured_mean
from loadlearn.estimation.model import (
    N_STATES,
    SLOW,
    STATE,
    Noise,
    Prior,
    measurement_row,
    measurement_variance,
    process_variance,
    relaxation,
    transition,
    unevenness,
)
from loadlearn.study.problem import prior_moments, turns

FloatArray = NDArray[np.float64]

DRAWN = np.dtype(
    [
        ("arrival", np.float64),
        ("slow", np.float64, len(SLOW)),
        ("walk", np.float64),
        ("energy", np.float64),
        ("disturbance", np.float64),
        ("measured", np.float64),
    ]
)
"""Standard normals that a row takes."""


class ModelDrive(NamedTuple):
    """A drive drawn from the model.

    Attributes
    ----------
    rows : record array of ``ROW``, shape (k,)
    states : ndarray, shape (k, n)
        True state at every row's end.
    mode : ndarray of int, shape (k,)
        True ground over every row.
    truth : DataFrame
        ``time_s``, ``mass_kg``, ``tractive_scale``, ``rolling_resistance`` (cold excess included),
        ``drag_area_m2``, ``headwind_m_s``; the ground as ``surface`` where names are given.
    """

    rows: Records
    states: FloatArray
    mode: NDArray[np.int64]
    truth: pd.DataFrame


def draw_grounds(
    rows: Records, grounds: Grounds, noise: Noise, rng: np.random.Generator
) -> NDArray[np.int64]:
    """A sequence of grounds from the switching model, one for each row.

    Parameters
    ----------
    rows : record array of ``ROW``, shape (k,)
    grounds : Grounds
        Without modes in regeneration.
    noise : Noise
        Its ``mix_every_s`` says how often the ground may have changed.
    rng : numpy Generator

    Returns
    -------
    ndarray of int, shape (k,)
    """
    modes = grounds.size
    here = int(rng.choice(modes, p=grounds["initial"]))
    sequence = np.empty(len(rows), dtype=np.int64)
    turn_s, _ = turns(rows, noise)
    for index in range(len(rows)):
        if turn_s[index] > 0.0:
            chance = grounds["rate_per_s"] * turn_s[index]
            chance[here] = 0.0
            if rng.random() < chance.sum():
                here = int(rng.choice(modes, p=chance / chance.sum()))
        sequence[index] = here
    return sequence


def draw_drive(
    rows: Records,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    rng: np.random.Generator,
    mode: NDArray[np.int64] | None = None,
    names: tuple[str, ...] | None = None,
) -> ModelDrive:
    """Draw load, ground, disturbances and measurements.

    Parameters
    ----------
    rows : record array of ``ROW``, shape (k,)
        Of a drive of the same rig; ``measured_m`` is replaced where it is there, standstills become
        uneventful and the speed exact to its noise.
    grounds : Grounds
        Without modes in regeneration.
    prior : Prior
    noise : Noise
    rng : numpy Generator
    mode : ndarray of int, shape (k,), optional
        The sequence of grounds; drawn from the switching model when absent.
    names : tuple of str, optional
        Of the grounds.
    """
    rows = rows.copy()
    rows["still_s"] = rows["half_width_m_s"] = 0.0
    if mode is None:
        mode = draw_grounds(rows, grounds, noise, rng)
    part = int(rng.choice(prior.parts.size, p=prior.parts["weight"]))
    means, covariances = prior_moments(grounds, prior, noise, part)
    mean, covariance = means[mode[0]], covariances[mode[0]]
    # Some variances are zero: a root by eigenvalues, of the correlation since units differ.
    sd = np.sqrt(np.diag(covariance))
    unit = np.where(sd > 0.0, sd, 1.0)
    values, vectors = np.linalg.eigh(covariance / np.outer(unit, unit))
    root = unit[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    phi_at = STATE.inverse_mass_per_kg
    state = mean + root @ rng.standard_normal(N_STATES)
    state[phi_at] = max(state[phi_at], 0.2 * mean[phi_at])
    # The scale given the mass that the force implies: ln m' = ln m - ln s, a joint normal.
    one = prior.parts[part]
    log_variance = math.log(1.0 + (one["mass_sd_kg"] / one["mass_kg"]) ** 2)
    log_implied = math.log(one["mass_kg"]) - 0.5 * log_variance - prior.log_scale
    gain = -(prior.log_scale_sd**2) / (log_variance + prior.log_scale_sd**2)
    left = prior.log_scale_sd**2 * (1.0 + gain)
    shift = -math.log(state[phi_at]) - log_implied
    scale = math.exp(prior.log_scale + gain * shift + math.sqrt(left) * rng.standard_normal())
    states = np.empty((len(rows), N_STATES))
    _draw_loop(
        rows,
        states,
        state,
        mode,
        turns(rows, noise)[1],
        rng.standard_normal(len(rows) * DRAWN.itemsize // 8).view(DRAWN),
        grounds,
        noise,
    )
    phi = states[:, phi_at]
    roll = states[:, STATE.rolling_resistance] + states[:, STATE.cold_tyre_excess]
    truth = pd.DataFrame(
        {
            "time_s": rows["time_s"],
            "mass_kg": scale / phi,
            "tractive_scale": np.full(len(rows), scale),
            "rolling_resistance": roll,
            "drag_area_m2": scale * states[:, STATE.drag_per_mass_m2_kg] / phi,
            "headwind_m_s": states[:, STATE.headwind_m_s],
        }
    )
    if names is not None:
        truth["surface"] = np.array(names, dtype=object)[mode]
    return ModelDrive(rows, states, mode, truth)


@jit
def _relaxed(state: FloatArray, index: int, factor: float, gained: float, normal: float) -> None:
    """Let a true state relax, in place."""
    state[index] = factor * state[index] + math.sqrt(gained) * normal


@jit
def _measure(row: Record, state: FloatArray, noise: Noise, normal: float) -> None:
    """Measure the true state, in place."""
    sd = math.sqrt(measurement_variance(row, noise))
    row.measured_m = measured_mean(state, measurement_row(row)) + sd * normal


@jit
def _draw_loop(
    rows: Records,
    states: FloatArray,
    state: FloatArray,
    mode: NDArray[np.int64],
    elapsed_s: FloatArray,
    normals: Records,
    grounds: Grounds,
    noise: Noise,
) -> None:
    """Carry the true state over the rows and measure it, in place."""
    energy, roll = STATE.energy_height_m, STATE.rolling_resistance
    sensitivity = np.empty(state.size)
    for index in range(rows.size):
        row, here, drawn = rows[index], mode[index], normals[index]
        kind = grounds[here]
        if index > 0 and mode[index - 1] != here:
            state[roll] = kind.mean + kind.sd * drawn.arrival
            state[STATE.slip_per_n] *= kind.slip / grounds[mode[index - 1]].slip
        if elapsed_s[index] > 0.0:
            for place in range(len(SLOW)):
                factor, gained = relaxation(SLOW[place], elapsed_s[index], noise)
                _relaxed(state, SLOW[place], factor, gained, drawn.slow[place])
        disturbance, walk = unevenness(state[roll], kind.mean, kind.texture, grounds[0].mean, noise)
        variance = process_variance(state[STATE.inverse_mass_per_kg], row, noise)
        if row.known > 0.5:
            state[energy] = transition(state, row, sensitivity)
            state[roll] += math.sqrt(walk * row.dt_s) * drawn.walk
        state[energy] += math.sqrt(variance) * drawn.energy
        factor = math.exp(-row.dt_s / noise.disturbance_time_s)
        gained = disturbance * (1.0 - factor * factor)
        _relaxed(state, STATE.disturbance, factor, gained, drawn.disturbance)
        if not math.isnan(row.measured_m):
            _measure(row, state, noise, drawn.measured)
        for i in range(state.size):
            states[index, i] = state[i]
