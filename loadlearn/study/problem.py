"""A drive as the filters see it: rows, the prior of one load on given grounds, levels of noise.

What the reference filters, the bounds and the experiments start from, so that all of them solve
the same problem as the compiled loop.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.estimation import intervals as rows
from loadlearn.estimation import layout
from loadlearn.estimation.estimator import default_noise, prior_for, share_logged
from loadlearn.estimation.loads import start
from loadlearn.estimation.model import (
    N_ROW,
    R_STILL,
    Grounds,
    Noise,
    Prior,
    ground_modes,
    states_needed,
)
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import Ground
from loadlearn.vehicle.traction import SOURCE_FUEL, force_source, rig_arrays

FloatArray = NDArray[np.float64]


class Hypotheses(NamedTuple):
    """What the filters of one load need: rows, priors of the modes, levels of noise.

    Attributes
    ----------
    rows : ndarray, shape (rows, 30)
    states : ndarray, shape (n, modes)
        Prior means.
    covariances : ndarray, shape (n, n, modes)
    grounds : Grounds
    prior : Prior
        Of one component.
    noise : Noise
    """

    rows: FloatArray
    states: FloatArray
    covariances: FloatArray
    grounds: Grounds
    prior: Prior
    noise: Noise


def drive_rows(
    trace: pd.DataFrame, rig: Rig, shortest_row_s: float = rows.SHORTEST_ROW_S
) -> FloatArray:
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
    ndarray, shape (rows, 30)
        In the order of ``model.ROW_NAMES``.

    Raises
    ------
    InputError
        No force or no grade channel.
    """
    inputs = rows.row_inputs(trace)
    samples = inputs.shape[0]
    table = np.empty((samples, N_ROW))
    count = rows.samples_to_rows(
        rows.rows_memory(),
        rig_arrays(rig),
        force_source(trace),
        rows.height_source(trace),
        shortest_row_s,
        inputs,
        table,
        np.empty(samples, dtype=np.int64),
        np.empty(samples, dtype=np.int64),
        np.empty((samples, 3)),
    )
    return table if count == samples else table[:count].copy()


def one_component(prior: Prior, part: int = 1) -> Prior:
    """A prior with one of its load components only.

    Parameters
    ----------
    prior : Prior
    part : int
        Which; by default the middle of the rig's range.

    Returns
    -------
    Prior
    """
    keep = slice(part, part + 1)
    return prior._replace(
        mass_kg=prior.mass_kg[keep].copy(),
        mass_sd_kg=prior.mass_sd_kg[keep].copy(),
        weight=np.ones(1),
        solo=prior.solo[keep].copy(),
    )


def hypotheses(
    trace: pd.DataFrame,
    rig: Rig,
    grounds: tuple[Ground, ...],
    noise: Noise | None = None,
) -> Hypotheses:
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

    Returns
    -------
    Hypotheses
    """
    source, height = force_source(trace), rows.height_source(trace)
    modes = ground_modes(grounds, with_regeneration=False)
    prior = one_component(prior_for(rig, source, height))
    noise = noise or default_noise(height, rig, source)
    n = states_needed(
        source == SOURCE_FUEL, share_logged(trace), height == rows.HEIGHT_FROM_ACCELEROMETER
    )
    count = modes.mean.size
    arrays = layout.filter_arrays(n, count)
    start(*arrays[1:], modes, prior, noise)
    table = drive_rows(trace, rig)
    table[:, R_STILL] = 0.0
    return Hypotheses(
        rows=table,
        states=arrays.states[0, :, :count].copy(),
        covariances=arrays.covariances[0, :, :, :count].copy(),
        grounds=modes,
        prior=prior,
        noise=noise,
    )
