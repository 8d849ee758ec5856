"""A drive as the filters see it: rows, the prior of one load on given grounds, levels of noise.

What the reference filters, the bounds, drawn drives and the experiments start from, so that all of
them solve the same problem as the compiled loop.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records, jit
from loadlearn.estimation.filter import MEMORY, filter_rows
from loadlearn.estimation.grounds import Grounds, ground_modes
from loadlearn.estimation.intervals import SHORTEST_ROW_S, interval_state, rows_of
from loadlearn.estimation.kalman import redraw, relax
from loadlearn.estimation.learner import Sources, default_noise, prior_for
from loadlearn.estimation.loads import no_hypotheses, start
from loadlearn.estimation.mixture import OUTPUT
from loadlearn.estimation.model import STATE, Evidence, Noise, Prior
from loadlearn.vehicle.engine_force import rig_arrays
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import Ground
from loadlearn.vehicle.samples import samples_of

FloatArray = NDArray[np.float64]


class Problem(NamedTuple):
    """What the filters of one load need: rows, priors of the modes, levels of noise.

    Attributes
    ----------
    rows : record array of ``ROW``, shape (rows,)
    states : ndarray, shape (modes, n)
        Prior means.
    covariances : ndarray, shape (modes, n, n)
    grounds : Grounds
    prior : Prior
        Of one component.
    noise : Noise
    """

    rows: Records
    states: FloatArray
    covariances: FloatArray
    grounds: Grounds
    prior: Prior
    noise: Noise


def drive_rows(trace: pd.DataFrame, rig: Rig, shortest_row_s: float = SHORTEST_ROW_S) -> Records:
    """The rows of a whole trace, as the estimator makes them.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig
    shortest_row_s : float
        Samples closer together than this are integrated into one row (s).

    Returns
    -------
    record array of ``ROW``, shape (rows,)

    Raises
    ------
    InputError
        No force or no grade channel.
    """
    sources, samples = Sources.of(trace), samples_of(trace)
    return rows_of(rig_arrays(rig), *sources, shortest_row_s, interval_state(), samples).rows


def one_component(prior: Prior, part: int = 1) -> Prior:
    """A prior with one of its load components only; by default the middle of the rig's range."""
    only = prior.parts[part : part + 1].copy()
    only["weight"] = 1.0
    only["whole_kg"], only["whole_sd_kg"] = only["mass_kg"], only["mass_sd_kg"]
    return prior._replace(parts=only)


def prior_moments(
    grounds: Grounds, prior: Prior, noise: Noise, part: int = 0
) -> tuple[FloatArray, FloatArray]:
    """Prior mean and covariance of each mode under one load component.

    Returns
    -------
    states, covariances : ndarray, shapes (modes, n) and (modes, n, n)
    """
    hypotheses = no_hypotheses(grounds.size)
    start(hypotheses, grounds, prior, noise)
    return hypotheses.states[part].copy(), hypotheses.covariances[part].copy()


def problem_of(
    trace: pd.DataFrame,
    rig: Rig,
    grounds: tuple[Ground, ...],
    noise: Noise | None = None,
) -> Problem:
    """One load on the given grounds: the problem that the reference filters solve.

    Standstills are taken as nothing happening, since another load is no hypothesis here.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig
    grounds : tuple of Ground
        One for a single filter.
    noise : Noise, optional
        Default: what the estimator would take.
    """
    sources = Sources.of(trace)
    modes = ground_modes(grounds, with_regeneration=False)
    prior = one_component(prior_for(rig, sources))
    noise = noise or default_noise(sources, rig)
    table = drive_rows(trace, rig)
    table["still_s"] = 0.0
    return Problem(table, *prior_moments(modes, prior, noise), modes, prior, noise)


def turns(rows: Records, noise: Noise) -> tuple[FloatArray, FloatArray]:
    """When the ground's turn comes: driving time and time since the last turn, else zero.

    Parameters
    ----------
    rows : record array of ``ROW``, shape (k,)
    noise : Noise

    Returns
    -------
    driven_s, elapsed_s : ndarray, shape (k,)
    """
    driven_s, elapsed_s = np.zeros(len(rows)), np.zeros(len(rows))
    driven, elapsed = 0.0, 0.0
    for index, (dt, known) in enumerate(zip(rows["dt_s"], rows["known"], strict=True)):
        elapsed += dt
        if known > 0.5:
            driven += dt
            if driven >= noise.mix_every_s:
                driven_s[index], elapsed_s[index] = driven, elapsed
                driven, elapsed = 0.0, 0.0
    return driven_s, elapsed_s


@jit
def change_ground(
    state: FloatArray, covariance: FloatArray, grounds: Grounds, origin: int, mode: int
) -> None:
    """Arrive on another ground for sure, in place.

    The rolling resistance is drawn anew, and the slip of the driven wheels carries over in
    proportion to how the grounds give way.

    Parameters
    ----------
    state, covariance : ndarray, shapes (n,) and (n, n)
    grounds : Grounds
    origin, mode : int
        The ground left and the ground arrived on.
    """
    here = grounds[mode]
    redraw(state, covariance, STATE.rolling_resistance, here.mean, here.sd * here.sd)
    relax(state, covariance, STATE.slip_per_n, here.slip / grounds[origin].slip, 0.0)


def filter_outputs(
    rows: Records, grounds: Grounds, prior: Prior, noise: Noise
) -> tuple[Records, FloatArray]:
    """What the compiled filter says after every row.

    Parameters
    ----------
    rows : record array of ``ROW``, shape (k,)
    grounds : Grounds
    prior : Prior
    noise : Noise

    Returns
    -------
    outputs : record array of ``OUTPUT``, shape (k,)
    probability : ndarray, shape (k, grounds)
        Of each ground.
    """
    outputs = np.full(len(rows) + 1, np.nan, OUTPUT)
    outputs["surface"] = 0.0
    probability = np.zeros((len(outputs), grounds.size))
    filter_rows(
        rows,
        np.zeros(1, MEMORY),
        no_hypotheses(grounds.size),
        grounds,
        prior,
        noise,
        Evidence(),
        outputs,
        probability,
        True,
    )
    return outputs[1:], probability[1:]
