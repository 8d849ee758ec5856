"""What others would use, under the interface of ``LoadEstimator``: a registry and a fair search.

``BASELINES[name](rig)`` gives an estimator whose ``run(trace)`` returns a history of estimates;
``BASELINES[name](rig, **parameters)`` one with other tuning. ``TUNABLE[name]`` lists the values
over which :func:`search_parameters` looks, the same search for each. The defaults are what it finds
on twelve simulated training drives over sealed road (good logger, steady wind, cheap logger with a
grade channel), to the nearest value of ``TUNABLE``; ``experiments/estimator_shootout.py`` tunes on
more situations.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Protocol

import pandas as pd

from loadlearn.errors import InputError
from loadlearn.study.peer_ekf import PlainEkf
from loadlearn.study.peer_regressions import (
    RecursiveLeastSquares,
    TotalLeastSquares,
    WindowedRegression,
)
from loadlearn.vehicle.rig import Rig

Parameters = dict[str, Any]


class Baseline(Protocol):
    """What every baseline does."""

    def run(self, trace: pd.DataFrame) -> pd.DataFrame:
        """Estimate over a whole trace; one row per sample."""
        ...


def _one_factor(
    rig: Rig,
    initial_mass_kg: float | None = None,
    initial_mass_sd_kg: float | None = None,
    interval_s: float = 10.0,
    memory_s: float = 1200.0,
) -> Baseline:
    return RecursiveLeastSquares(
        rig, initial_mass_kg, initial_mass_sd_kg, interval_s, memory_s, memory_s, memory_s
    )


BASELINES: dict[str, Callable[..., Baseline]] = {
    "plain_ekf": PlainEkf,
    "rls_one_factor": _one_factor,
    "rls_several_factors": RecursiveLeastSquares,
    "huber_window": partial(WindowedRegression, kind="huber"),
    "ridge_window": partial(WindowedRegression, kind="ridge"),
    "total_least_squares": TotalLeastSquares,
}
"""Estimators by name; each takes a rig, then an initial mass and its sd, then its tuning."""

_INTERVALS = (1.0, 2.0, 5.0, 10.0, 20.0)
_MEMORIES = (150.0, 300.0, 600.0, 1200.0, 3600.0, 1e5)
TUNABLE: dict[str, dict[str, tuple[Any, ...]]] = {
    "plain_ekf": {
        "acceleration_noise": (0.01, 0.02, 0.05, 0.1, 0.2, 0.4),
        "speed_sd_m_s": (0.03, 0.05, 0.1, 0.2, 0.4),
        "mass_walk": (0.0, 0.01, 0.03, 0.1, 0.3),
        "rolling_walk": (0.01, 0.1, 0.3, 1.0, 3.0),
        "drag_walk": (0.0, 0.05, 0.2),
    },
    "rls_one_factor": {"interval_s": _INTERVALS, "memory_s": _MEMORIES},
    "rls_several_factors": {
        "interval_s": _INTERVALS,
        "cross_covariance": (True, False),
        "mass_memory_s": _MEMORIES,
        "rolling_memory_s": _MEMORIES,
        "drag_memory_s": _MEMORIES,
    },
    "huber_window": {
        "interval_s": _INTERVALS,
        "window_s": (300.0, 600.0, 1200.0, 1e5),
        "penalty": (0.3, 1.0, 3.0),
        "epsilon": (1.1, 1.5, 2.0),
    },
    "ridge_window": {
        "interval_s": _INTERVALS,
        "window_s": (300.0, 600.0, 1200.0, 1e5),
        "penalty": (0.3, 1.0, 3.0),
    },
    "total_least_squares": {
        "interval_s": _INTERVALS,
        "memory_s": _MEMORIES,
        "slope_error_m_s2": (0.001, 0.005, 0.01, 0.02, 0.04),
    },
}
"""Values that the search tries, per baseline and parameter."""


def baseline(
    name: str,
    rig: Rig,
    initial_mass_kg: float | None = None,
    initial_mass_sd_kg: float | None = None,
    **parameters: Any,
) -> Baseline:
    """A baseline by name.

    Parameters
    ----------
    name : str
        One of ``BASELINES``.
    rig : Rig
    initial_mass_kg, initial_mass_sd_kg : float, optional
        As in ``LoadEstimator``.
    **parameters
        Its tuning.

    Returns
    -------
    Baseline
        Its ``run(trace)`` gives one row of estimates per sample.

    Raises
    ------
    InputError
        There is no baseline of that name.
    """
    if name not in BASELINES:
        raise InputError(f"baseline '{name}' is unknown; use one of {', '.join(BASELINES)}")
    return BASELINES[name](rig, initial_mass_kg, initial_mass_sd_kg, **parameters)


def search_parameters(
    tunable: Mapping[str, tuple[Any, ...]],
    score: Callable[[Parameters], float],
    rounds: int = 2,
) -> tuple[Parameters, float]:
    """Tune by coordinate search: each parameter in turn through all its values, the best is kept.

    The same search, over the same training drives, is granted to every baseline.

    Parameters
    ----------
    tunable : mapping of str to tuple
        Values of each parameter, as in ``TUNABLE``.
    score : callable
        From parameters to a figure that is to be small, say the rms error over training drives.
    rounds : int
        How often all parameters are gone through; it stops when a round changes nothing.

    Returns
    -------
    parameters : dict
        The best found; empty when no change of any parameter improves on the defaults.
    score : float
        Theirs.
    """
    best: Parameters = {}
    least = score(best)
    for _ in range(rounds):
        before = dict(best)
        for name, values in tunable.items():
            for value in values:
                if best.get(name) == value and name in best:
                    continue
                tried = score({**best, name: value})
                if tried < least:
                    least, best = tried, {**best, name: value}
        if best == before:
            break
    return best, least
