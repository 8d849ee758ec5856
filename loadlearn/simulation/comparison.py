"""Strategies compared on one road: many draws, the same plant, wind and noise for every strategy.

A draw fixes everything that is not the strategy: vehicle, weather, gusts over time, the driver's
habits, the noise of every sensor. Differences between strategies are therefore taken draw by draw,
and their intervals are those of the paired differences (Student's t over the draws).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypedDict

import numpy as np
import pandas as pd

from loadlearn._compile import record_type
from loadlearn.errors import InputError
from loadlearn.simulation.limits_sheet import judge, limited_quantities, limits_of
from loadlearn.simulation.live_logger import LiveLogger, live_logger
from loadlearn.simulation.outcomes import limits_exceeded, measure
from loadlearn.simulation.plant_state import Record
from loadlearn.simulation.preparation import PreparedDrive, prepare_drive
from loadlearn.simulation.situation import Situation
from loadlearn.simulation.strategies import Driven, run_strategy
from loadlearn.simulation.traces import trace_of


class DriveOf(TypedDict):
    """Which drive a row of ``comparison.csv`` tells of."""

    draw: int
    """Number of the draw of vehicle, wind and sensor noise; the same for every strategy."""
    seed: int
    """Seed of that draw."""
    rig: str
    """Name of the rig."""
    strategy: str
    """Name of the strategy, with the rig's before it where several were compared."""
    tractive_scale: float
    """True force over the force computed from the log, drawn."""


@dataclass(frozen=True)
class DrawResult:
    """All strategies over one draw.

    Attributes
    ----------
    rows : list of dict
        One per strategy: ``draw``, ``seed``, ``rig``, ``strategy``, then the quantities and what
        describes the drive.
    limits : list of dict
        One per strategy and limit: ``draw``, ``rig``, ``strategy``, ``quantity`` and what
        :func:`loadlearn.simulation.limits_sheet.judge` says.
    exceeded : list of dict
        Recorded limits that were exceeded for more than 2 s.
    traces : list of DataFrame
        One per strategy; empty unless asked for.
    """

    rows: list[dict[str, Any]]
    limits: list[dict[str, Any]]
    exceeded: list[dict[str, Any]]
    traces: list[pd.DataFrame] = field(default_factory=list)


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
    what: Situation, draw: int, draws: int, seed: int = 0, every_s: float | None = None
) -> DrawResult:
    """Drive one draw under every strategy.

    Parameters
    ----------
    what : Situation
    draw, draws, seed
        As for :func:`prepare_draw`.
    every_s : float, optional
        Interval of the traces (s); none are kept when absent.
    """
    prepared, logger = prepare_draw(what, draw, draws, seed)
    scratch = np.empty(prepared.steps, dtype=record_type(Record))
    result = DrawResult([], [], [])
    # What is weighed is told to the estimator; the truth is the situation's mass.
    told: dict[str, Any] = {} if what.weighed is None else {"weighed": what.weighed}
    for strategy in what.compared:
        run = run_strategy(what.rig, prepared, logger, strategy, scratch, **told)
        of = {"draw": draw, "rig": what.rig_name, "strategy": strategy.name}
        about = {"draw": draw, "seed": seed + draw} | of
        about["tractive_scale"] = float(prepared.drawn["tractive_scale"])
        result.rows.append(about | measure(run, what))
        limited = limited_quantities(run, what.rig, prepared)
        for limit in limits_of(what.rig):
            found = judge(limited[limit.quantity], limit, prepared.step_s)
            result.limits.append(of | {"quantity": limit.quantity} | found)
        result.exceeded.extend({**of, **one} for one in limits_exceeded(run, what))
        if every_s is not None:
            result.traces.append(trace_of(run, limited, of, every_s))
    return result


@dataclass(frozen=True)
class Compared:
    """A strategy on a rig.

    Attributes
    ----------
    label : str
        Of its rows: the strategy's name, after the rig's where rigs are compared.
    what : Situation
    strategy : Driven
    """

    label: str
    what: Situation
    strategy: Driven


@dataclass(frozen=True)
class Comparison:
    """Strategies compared on one road, on one rig or several.

    Attributes
    ----------
    whats : tuple of Situation
        One per rig.
    table : DataFrame
        One row per draw and strategy; ``strategy`` holds the labels of :attr:`runs`.
    limits : DataFrame
        One row per draw, strategy and limit.
    exceeded : list of dict
        Recorded limits exceeded for more than 2 s, by draw, strategy and channel.
    traces : DataFrame
        Of every drive, one below the other.
    """

    whats: tuple[Situation, ...]
    table: pd.DataFrame
    limits: pd.DataFrame
    exceeded: list[dict[str, Any]]
    traces: pd.DataFrame

    @property
    def what(self) -> Situation:
        """The situation of the first rig; road and load are those of all."""
        return self.whats[0]

    @property
    def runs(self) -> tuple[Compared, ...]:
        """What was driven in each draw."""
        return tuple(
            Compared(_label(what, strategy.name, len(self.whats)), what, strategy)
            for what in self.whats
            for strategy in what.compared
        )


def _label(what: Situation, strategy: str, rigs: int) -> str:
    return strategy if rigs == 1 else f"{what.rig_name}: {strategy}"


def compare_strategies(
    what: Situation | Sequence[Situation],
    draws: int = 12,
    seed: int = 0,
    jobs: int = 1,
    on_draw: Callable[[], None] | None = None,
    every_s: float = 1.0,
) -> Comparison:
    """Drive every draw under every strategy.

    Several rigs on one road meet the same draws: everything drawn for a vehicle comes from the same
    quantile of that rig's own spread, weather, gusts, driver and sensor noise are the same.

    Parameters
    ----------
    what : Situation or sequence of Situation
        Of one rig, or one for each of several, with names of their own.
    draws : int
        Draws of vehicle, wind and sensor noise.
    seed : int
        Of the first; the next ones follow.
    jobs : int
        Worker processes.
    on_draw : callable, optional
        Called after each draw of each rig.
    every_s : float
        Interval of the traces (s).

    Raises
    ------
    InputError
        No draws, or two rigs of one name.
    """
    whats = (what,) if isinstance(what, Situation) else tuple(what)
    if draws < 1:
        raise InputError(f"{draws} draws were asked for; give at least 1")
    names = [one.rig_name for one in whats]
    if len(set(names)) < len(names):
        raise InputError(f"two rigs are called '{names[0]}'; give each a name of its own")
    from joblib import Parallel, delayed

    results: list[DrawResult] = []
    produced = Parallel(n_jobs=min(jobs, draws * len(whats)), return_as="generator")(
        delayed(run_draw)(one, draw, draws, seed, every_s) for draw in range(draws) for one in whats
    )
    for result in produced:
        results.append(result)
        if on_draw is not None:
            on_draw()
    labels = {
        (one.rig_name, s.name): _label(one, s.name, len(whats))
        for one in whats
        for s in one.compared
    }

    def labelled(row: dict[str, Any]) -> dict[str, Any]:
        return row | {"strategy": labels[row["rig"], row["strategy"]]}

    traces = [trace for result in results for trace in result.traces]
    for trace in traces:
        trace["strategy"] = labels[trace["rig"].iloc[0], trace["strategy"].iloc[0]]
    joined = pd.concat(traces, ignore_index=True)
    return Comparison(
        whats=whats,
        table=pd.DataFrame([labelled(row) for result in results for row in result.rows]),
        limits=pd.DataFrame([labelled(row) for result in results for row in result.limits]),
        exceeded=[labelled(row) for result in results for row in result.exceeded],
        traces=joined.astype({"rig": "category", "strategy": "category"}),
    )
