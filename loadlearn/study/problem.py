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
from loadlearn.estimation.grounds import Grounds, ground_modes
from loadlearn.estimation.intervals import SHORTEST_ROW_S, interval_state, rows_of
from loadlearn.estimation.learner import Sources, default_noise, prior_for
from loadlearn.estimation.loads import no_hypotheses, start
from loadlearn.estimation.model import Noise, Prior
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
