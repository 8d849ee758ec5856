"""Strategies compared on one road: many draws, the same plant, wind and noise for every strategy.

A draw fixes everything that is not the strategy: vehicle, weather, gusts over time, the driver's
habits, the noise of every sensor. Differences between strategies are therefore taken draw by draw,
and their intervals are those of the paired differences (Student's t over the draws).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from loadlearn._compile import record_type
from loadlearn.errors import InputError
from loadlearn.simulation.live_logger import LiveLogger, live_logger
from loadlearn.simulation.outcomes import gas_and_limit, limits_exceeded, measure
from loadlearn.simulation.plant_state import Record
from loadlearn.simulation.preparation import PreparedDrive, prepare_drive
from loadlearn.simulation.situation import Situation
from loadlearn.simulation.strategies import StrategyRun, run_strategy


@dataclass(frozen=True)
class DrawResult:
    """All strategies over one draw.

    Attributes
    ----------
    rows : list of dict
        One per strategy: ``draw``, ``strategy``, then the quantities and what describes the drive.
    exceeded : list of dict
        Recorded limits that were exceeded for more than 2 s.
    traces : dict of str to DataFrame
        By strategy, about once a second; empty unless asked for.
    """

    rows: list[dict[str, Any]]
    exceeded: list[dict[str, Any]]
    traces: dict[str, pd.DataFrame] = field(default_factory=dict)


def prepare_draw(
    what: Situation, draw: int, draws: int, seed: int
) -> tuple[PreparedDrive, LiveLogger]:
    """Everything that one draw fixes for all strategies.

    Parameters
    ----------
    what : Situation
    draw, draws : int
        Number of this draw, and of all: the tractive scale is stratified over them.
    seed : int
        Of the first draw.
    """
    from loadlearn.simulation.scenarios import scale_from_quantile

    order = np.random.default_rng([seed, 9300]).permutation(draws)
    scale = scale_from_quantile(
        what.rig.uncertainty.tractive_scale_sd or 0.0, (order[draw] + 0.5) / draws
    )
    prepared = prepare_drive(
        what.rig,
        what.road,
        seed=seed + draw,
        combined_mass_kg=what.combined_mass_kg,
        tractive_scale=scale,
        variation=what.variation,
    )
    logger = live_logger(
        what.logger,
        what.rig,
        seed + draw,
        prepared.steps,
        prepared.step_s,
        what.road.length_m,
    )
    return prepared, logger


def run_draw(
    what: Situation, draw: int, draws: int, seed: int = 0, keep_traces: bool = False
) -> DrawResult:
    """Drive one draw under every strategy.

    Parameters
    ----------
    what : Situation
    draw, draws, seed
        As for :func:`prepare_draw`.
    keep_traces : bool
        Whether traces for the figure are kept.
    """
    prepared, logger = prepare_draw(what, draw, draws, seed)
    scratch = np.empty(prepared.steps, dtype=record_type(Record))
    rows: list[dict[str, Any]] = []
    exceeded: list[dict[str, Any]] = []
    traces: dict[str, pd.DataFrame] = {}
    for strategy in what.compared:
        run = run_strategy(what.rig, prepared, logger, strategy, scratch)
        about = {"draw": draw, "seed": seed + draw, "strategy": strategy.name}
        about["tractive_scale"] = float(prepared.drawn["tractive_scale"])
        rows.append(about | measure(run, what))
        exceeded += [
            {"draw": draw, "strategy": strategy.name} | one for one in limits_exceeded(run, what)
        ]
        if keep_traces:
            traces[strategy.name] = _trace(run, what)
    return DrawResult(rows, exceeded, traces)


def _trace(run: StrategyRun, what: Situation, every_s: float = 1.0) -> pd.DataFrame:
    step_s = float(run.plant("time_s")[1])
    keep = slice(None, None, max(round(every_s / step_s), 1))
    names = {
        "time_s": "time_s",
        "distance_m": "distance_m",
        "altitude_m": "altitude_m",
        "speed_m_s": "speed_m_s",
        "extra_torque_share": "extra_torque_share",
    }
    trace = pd.DataFrame({new: run.plant(old)[keep].copy() for old, new in names.items()})
    return trace.assign(gas_degc=gas_and_limit(run, what.rig)[0][keep].copy())


@dataclass(frozen=True)
class Comparison:
    """Strategies compared on one road.

    Attributes
    ----------
    what : Situation
    table : DataFrame
        One row per draw and strategy.
    exceeded : list of dict
        Recorded limits exceeded for more than 2 s, by draw, strategy and channel.
    traces : dict of str to DataFrame
        Of the first draw, by strategy.
    """

    what: Situation
    table: pd.DataFrame
    exceeded: list[dict[str, Any]]
    traces: dict[str, pd.DataFrame]


def compare_strategies(
    what: Situation,
    draws: int = 12,
    seed: int = 0,
    jobs: int = 1,
    on_draw: Callable[[], None] | None = None,
) -> Comparison:
    """Drive every draw under every strategy.

    Parameters
    ----------
    what : Situation
    draws : int
        Draws of vehicle, wind and sensor noise.
    seed : int
        Of the first; the next ones follow.
    jobs : int
        Worker processes.
    on_draw : callable, optional
        Called after each draw.

    Raises
    ------
    InputError
        No draws.
    """
    if draws < 1:
        raise InputError(f"{draws} draws were asked for; give at least 1")
    from joblib import Parallel, delayed

    results: list[DrawResult] = []
    produced = Parallel(n_jobs=min(jobs, draws), return_as="generator")(
        delayed(run_draw)(what, draw, draws, seed, draw == 0) for draw in range(draws)
    )
    for result in produced:
        results.append(result)
        if on_draw is not None:
            on_draw()
    return Comparison(
        what=what,
        table=pd.DataFrame([row for result in results for row in result.rows]),
        exceeded=[one for result in results for one in result.exceeded],
        traces=results[0].traces,
    )
