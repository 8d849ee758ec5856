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

from loadlearn._compile import jit
from loadlearn.estimation.layout import (
    L_LOG_SCALE,
    L_PRIOR_LOG_IMPLIED,
    L_PRIOR_LOG_IMPLIED_VAR,
    filter_arrays,
)
from loadlearn.estimation.loads import start
from loadlearn.estimation.model import (
    ACCESSORY,
    COLD,
    DISTURBANCE,
    ENERGY,
    KAPPA,
    PHI,
    R_DT,
    R_HALF,
    R_KNOWN,
    R_ROT,
    R_SLIP,
    R_STILL,
    R_TIME,
    R_Y,
    ROLL,
    SLIP,
    WIND,
    Grounds,
    Noise,
    Prior,
    measurement_variance,
    process_variance,
    row_sensitivities,
    unevenness,
)

FloatArray = NDArray[np.float64]


class ModelDrive(NamedTuple):
    """A drive drawn from the model.

    Attributes
    ----------
    rows : ndarray, shape (k, 30)
    states : ndarray, shape (k, n)
        True state at every row's end.
    mode : ndarray of int, shape (k,)
        True ground over every row.
    truth : DataFrame
        ``time_s``, ``mass_kg``, ``tractive_scale``, ``rolling_resistance`` (cold excess included),
        ``drag_area_m2``, ``headwind_m_s``; the ground as ``surface`` where names are given.
    """

    rows: FloatArray
    states: FloatArray
    mode: NDArray[np.int64]
    truth: pd.DataFrame


def draw_grounds(
    rows: FloatArray, grounds: Grounds, noise: Noise, rng: np.random.Generator
) -> NDArray[np.int64]:
    """A sequence of grounds from the switching model, one for each row.

    Parameters
    ----------
    rows : ndarray, shape (k, 30)
    grounds : Grounds
        Without modes in regeneration.
    noise : Noise
        Its ``mix_every_s`` says how often the ground may have changed.
    rng : numpy Generator

    Returns
    -------
    ndarray of int, shape (k,)
    """
    modes = grounds.mean.size
    here = int(rng.choice(modes, p=grounds.initial))
    sequence = np.empty(len(rows), dtype=np.int64)
    turn_s, _ = turns(rows, noise)
    for index in range(len(rows)):
        if turn_s[index] > 0.0:
            chance = grounds.rate_per_s * turn_s[index]
            chance[here] = 0.0
            if rng.random() < chance.sum():
                here = int(rng.choice(modes, p=chance / chance.sum()))
        sequence[index] = here
    return sequence


def turns(rows: FloatArray, noise: Noise) -> tuple[FloatArray, FloatArray]:
    """When the ground's turn comes: driving time and time since the last turn, else zero.

    Parameters
    ----------
    rows : ndarray, shape (k, 30)
    noise : Noise

    Returns
    -------
    driven_s, elapsed_s : ndarray, shape (k,)
    """
    driven_s, elapsed_s = np.zeros(len(rows)), np.zeros(len(rows))
    driven, elapsed = 0.0, 0.0
    for index, (dt, known) in enumerate(rows[:, [R_DT, R_KNOWN]]):
        elapsed += dt
        if known > 0.5:
            driven += dt
            if driven >= noise.mix_every_s:
                driven_s[index], elapsed_s[index] = driven, elapsed
                driven, elapsed = 0.0, 0.0
    return driven_s, elapsed_s


def draw_drive(
    rows: FloatArray,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    n_states: int,
    rng: np.random.Generator,
    mode: NDArray[np.int64] | None = None,
    names: tuple[str, ...] | None = None,
) -> ModelDrive:
    """Draw load, ground, disturbances and measurements.

    Parameters
    ----------
    rows : ndarray, shape (k, 30)
        Of a drive of the same rig; ``measured_m`` is replaced where it is there, standstills become
        uneventful and the speed exact to its noise.
    grounds : Grounds
        Without modes in regeneration.
    prior : Prior
    noise : Noise
    n_states : int
    rng : numpy Generator
    mode : ndarray of int, shape (k,), optional
        The sequence of grounds; drawn from the switching model when absent.
    names : tuple of str, optional
        Of the grounds.

    Returns
    -------
    ModelDrive
    """
    rows = np.array(rows)
    rows[:, R_STILL] = 0.0
    rows[:, R_HALF] = 0.0
    if mode is None:
        mode = draw_grounds(rows, grounds, noise, rng)
    arrays = filter_arrays(n_states, max(2, grounds.mean.size))
    start(*arrays[1:], grounds, prior, noise)
    part = int(rng.choice(prior.weight.size, p=prior.weight))
    mean = arrays.states[part, :, mode[0]]
    covariance = arrays.covariances[part, :, :, mode[0]]
    # Some variances are zero: a root by eigenvalues, of the correlation since units differ.
    sd = np.sqrt(np.diag(covariance))
    unit = np.where(sd > 0.0, sd, 1.0)
    values, vectors = np.linalg.eigh(covariance / np.outer(unit, unit))
    root = unit[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    state = mean + root @ rng.standard_normal(n_states)
    state[PHI] = max(state[PHI], 0.2 * mean[PHI])
    load = arrays.loads[part]
    gain = -(prior.log_scale_sd**2) / load[L_PRIOR_LOG_IMPLIED_VAR]
    left = prior.log_scale_sd**2 * (1.0 + gain)
    shift = -math.log(state[PHI]) - load[L_PRIOR_LOG_IMPLIED]
    scale = math.exp(load[L_LOG_SCALE] + gain * shift + math.sqrt(left) * rng.standard_normal())
    states = np.empty((len(rows), n_states))
    _draw_loop(
        rows,
        states,
        state.reshape(-1, 1),
        mode,
        turns(rows, noise)[1],
        rng.standard_normal((len(rows), 7)),
        grounds,
        noise,
    )
    truth = pd.DataFrame(
        {
            "time_s": rows[:, R_TIME],
            "mass_kg": scale / states[:, PHI],
            "tractive_scale": np.full(len(rows), scale),
            "rolling_resistance": states[:, ROLL] + states[:, COLD],
            "drag_area_m2": scale * states[:, KAPPA] / states[:, PHI],
            "headwind_m_s": states[:, WIND],
        }
    )
    if names is not None:
        truth["surface"] = np.array(names, dtype=object)[mode]
    return ModelDrive(rows, states, mode, truth)


@jit
def _draw_loop(
    rows: FloatArray,
    states: FloatArray,
    state: FloatArray,
    mode: NDArray[np.int64],
    elapsed_s: FloatArray,
    normal: FloatArray,
    grounds: Grounds,
    noise: Noise,
) -> None:
    """Carry the true state over the rows and measure it, in place."""
    sensitivity, energy = np.zeros((state.shape[0], 1)), np.zeros(1)
    for index in range(rows.shape[0]):
        row, here = rows[index], mode[index]
        if index > 0 and mode[index - 1] != here:
            state[ROLL, 0] = grounds.mean[here] + grounds.sd[here] * normal[index, 0]
            state[SLIP, 0] *= grounds.slip[here] / grounds.slip[mode[index - 1]]
        if elapsed_s[index] > 0.0:
            factor = math.exp(-elapsed_s[index] / noise.wind_time_s)
            spread = noise.wind_sd_m_s * math.sqrt(1.0 - factor * factor)
            state[WIND, 0] = factor * state[WIND, 0] + spread * normal[index, 1]
            factor = math.exp(-elapsed_s[index] / noise.accessory_time_s)
            spread = noise.accessory_sd_w * math.sqrt(1.0 - factor * factor)
            state[ACCESSORY, 0] = factor * state[ACCESSORY, 0] + spread * normal[index, 2]
            state[COLD, 0] *= math.exp(-elapsed_s[index] / noise.cold_time_s)
        disturbance, walk = unevenness(
            state[ROLL, 0], grounds.mean[here], grounds.texture[here], grounds.mean[0], noise
        )
        added = math.sqrt(process_variance(state[PHI, 0], row, noise)) * normal[index, 3]
        if row[R_KNOWN] > 0.5:
            row_sensitivities(state, row, energy, sensitivity)
            state[ENERGY, 0] = energy[0]
            state[ROLL, 0] += math.sqrt(walk * row[R_DT]) * normal[index, 4]
        state[ENERGY, 0] += added
        factor = math.exp(-row[R_DT] / noise.disturbance_time_s)
        spread = math.sqrt(disturbance * (1.0 - factor * factor))
        state[DISTURBANCE, 0] = factor * state[DISTURBANCE, 0] + spread * normal[index, 5]
        if not math.isnan(row[R_Y]):
            row[R_Y] = (
                state[ENERGY, 0]
                - row[R_ROT] * state[PHI, 0]
                + row[R_SLIP] * state[SLIP, 0]
                + math.sqrt(measurement_variance(row, noise)) * normal[index, 6]
            )
        for i in range(state.shape[0]):
            states[index, i] = state[i, 0]
