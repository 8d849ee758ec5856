"""A drive as the filters see it: rows, the prior of one load on given grounds, levels of noise.

What the reference filters, the bounds and the experiments start from, so that all of them solve
the same problem as the compiled loop.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.estimation import layout
from loadlearn.estimation.estimator import default_noise, prior_for, share_logged
from loadlearn.estimation.intervals import SHORTEST_ROW_S, interval_state, rows_of
from loadlearn.estimation.loads import start
from loadlearn.estimation.model import (
    Grounds,
    Noise,
    Prior,
    ground_modes,
    states_needed,
)
from loadlearn.vehicle.engine_force import rig_arrays
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import Ground
from loadlearn.vehicle.samples import (
    HEIGHT_FROM_ACCELEROMETER,
    SOURCE_FUEL,
    force_source,
    height_source,
    samples_of,
)

FloatArray = NDArray[np.float64]


class Hypotheses(NamedTuple):
    """What the filters of one load need: rows, priors of the modes, levels of noise.

    Attributes
    ----------
    rows : record array of ``ROW``, shape (rows,)
    states : ndarray, shape (n, modes)
        Prior means.
    covariances : ndarray, shape (n, n, modes)
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
    return rows_of(
        rig_arrays(rig),
        force_source(trace),
        height_source(trace),
        shortest_row_s,
        interval_state(),
        samples_of(trace),
    ).rows


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
    source, height = force_source(trace), height_source(trace)
    modes = ground_modes(grounds, with_regeneration=False)
    prior = one_component(prior_for(rig, source, height))
    noise = noise or default_noise(height, rig, source)
    n = states_needed(
        source == SOURCE_FUEL, share_logged(trace), height == HEIGHT_FROM_ACCELEROMETER
    )
    count = modes.mean.size
    arrays = layout.filter_arrays(n, count)
    start(*arrays[1:], modes, prior, noise)
    table = drive_rows(trace, rig)
    table["still_s"] = 0.0
    return Hypotheses(
        rows=table,
        states=arrays.states[0, :, :count].copy(),
        covariances=arrays.covariances[0, :, :, :count].copy(),
        grounds=modes,
        prior=prior,
        noise=noise,
    )
