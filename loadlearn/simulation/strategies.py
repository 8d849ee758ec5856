"""One drive in closed loop under a strategy: plant, noisy logger, learning, settings, protections.

The plant takes steps of 20 ms. At each row of the logger the policy's law runs on what the logger
shows; what it advises acts from the next step on: the ceiling of the extra torque, the economy (on
pedal, torque rise and cruise droop) and the torque factor in gear changes. Once a second of log
time the estimator learns from the rows since, and hands its draws to the settings. Nothing but the
logger's rows reaches estimator and law; only ``known_load`` is told the true load.

A strategy differs from another only in where its settings come from. The protections are the same
in all that have any extra torque.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import as_record, jit, record_type
from loadlearn.errors import InputError
from loadlearn.policy.adviser import ask_rule, fill_tick
from loadlearn.policy.choose import StrategyLike, choose_strategy
from loadlearn.policy.columns import (
    ADVICE_COLUMNS,
    SAMPLE_COLUMNS,
    AdviceRow,
    Sample,
    Tick,
    as_records,
)
from loadlearn.policy.law import policy_step
from loadlearn.policy.law_settings import CREDIT_MAX_S
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.state import (
    PolicyMemory,
    initial_policy_state,
    policy_config,
    policy_memory,
)
from loadlearn.policy.strategy import Settings, constant
from loadlearn.policy.thermal_model import thermal_parameters
from loadlearn.simulation.knowledge import Knowledge, Learning, Nothing, Truth
from loadlearn.simulation.live_logger import LiveLogger, show_row
from loadlearn.simulation.plant import Advised, Course, take_step
from loadlearn.simulation.plant_state import Record
from loadlearn.simulation.preparation import PreparedDrive
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]

TICK_S = 1.0
"""Settings are renewed once a second of log time."""
DEFAULT_RETENTION = 0.5


@dataclass(frozen=True)
class Driven:
    """A strategy as it is driven.

    Attributes
    ----------
    name : str
    uprated : bool
        Whether there is any extra torque.
    knows : {"nothing", "learnt", "truth"}
        What the settings are looked up for: nothing (they are the same everywhere), what is learnt
        online from the logger's rows, or the true load.
    strategy : Strategy or callable, optional
        Where the settings come from, as for :class:`~loadlearn.policy.DriveAdviser`; None without
        extra torque.
    in_words : str
        For people.
    """

    name: str
    uprated: bool
    knows: Literal["nothing", "learnt", "truth"]
    strategy: StrategyLike | None
    in_words: str


def built_in(rig: Rig, retention: float = DEFAULT_RETENTION) -> tuple[Driven, ...]:
    """The strategies that everything is compared with.

    Parameters
    ----------
    rig : Rig
        Needs a full-load curve.
    retention : float
        Power retention of ``fixed_share``, 0 to 1.

    Raises
    ------
    InputError
        The retention is no share.
    """
    if not 0.0 <= retention <= 1.0:
        raise InputError(f"the retention of fixed_share is {retention:g}; give a share from 0 to 1")
    made = make_strategy(rig)
    return (
        Driven("base", False, "nothing", None, "base calibration, no extra torque"),
        Driven(
            "fixed_share",
            True,
            "nothing",
            constant("fixed_share", Settings(retention, CREDIT_MAX_S, 0.0)),
            f"all extra torque for a while, then always {100 * retention:.0f} % of it",
        ),
        Driven(
            "short_pull",
            True,
            "nothing",
            constant("short_pull", Settings(0.0, CREDIT_MAX_S, 0.0)),
            "all extra torque for a while, then none",
        ),
        Driven("learnt_load", True, "learnt", made, "settings from the load learnt on the way"),
        Driven("known_load", True, "truth", made, "settings from the true load"),
    )


def of_ones_own(given: StrategyLike, rig: Rig) -> Driven:
    """A strategy file or rule, driven with the load learnt on the way.

    Parameters
    ----------
    given : Strategy, callable, path or str
    rig : Rig

    Raises
    ------
    InputError
        It cannot be read or used, or was made for another rig.
    """
    chosen = choose_strategy(given, rig)
    name = Path(str(given).rpartition(":")[2]).stem if isinstance(given, (str, Path)) else None
    return Driven(
        name or chosen.name,
        True,
        "learnt",
        chosen.rule or chosen.strategy,
        f"settings of {given if isinstance(given, (str, Path)) else chosen.name}",
    )


@dataclass(frozen=True)
class StrategyRun:
    """One drive under one strategy.

    Attributes
    ----------
    strategy : Driven
    records : ndarray of Record, shape (steps,)
        The plant at every internal step.
    rows : ndarray, shape (n, SAMPLE_COLUMNS)
        The log, as estimator and law saw it.
    advice : ndarray, shape (n, ADVICE_COLUMNS)
        What was advised at each row; zeros without extra torque.
    learnt : ndarray, shape (ticks, 3)
        Time (s), mass and its sd (kg) behind the settings at each renewal; NaN where nothing is
        known.
    fuel_burnt_g : float
    """

    strategy: Driven
    records: NDArray[Any]
    rows: FloatArray
    advice: FloatArray
    learnt: FloatArray
    fuel_burnt_g: float

    def plant(self, name: str) -> FloatArray:
        """A recorded column of the plant, by name."""
        return np.asarray(self.records[name])

    def logged(self, name: str) -> FloatArray:
        """A column of the log, by canonical name."""
        return self.rows[:, SAMPLE_COLUMNS.index(name)]

    def advised(self, name: str) -> FloatArray:
        """A column of the advice, by name."""
        return self.advice[:, ADVICE_COLUMNS.index(name)]


@jit
def drive_advised(
    plants: NDArray[Any],
    course: Course,
    states: NDArray[Any],
    heats: NDArray[Any],
    first_step: int,
    end_step: int,
    records: NDArray[Any],
    numbers: FloatArray,
    logger: LiveLogger,
    shown: FloatArray,
    rows: FloatArray,
    samples: NDArray[Any],
    advised: bool,
    parameters: NDArray[Any],
    configs: NDArray[Any],
    memory: PolicyMemory,
    policy_states: NDArray[Any],
    draws: NDArray[Any],
    ticks: NDArray[Any],
    advice: NDArray[Any],
) -> int:
    """Drive from one internal step to another, the law inside the loop.

    Parameters
    ----------
    plants, course, states, heats
        As for :func:`loadlearn.simulation.plant.drive_loop`.
    first_step, end_step : int
        Steps to drive; settings are renewed at the first row.
    records : ndarray of Record, shape (steps,)
        Of the whole drive; written from ``first_step`` on.
    numbers : ndarray, shape (steps, fields of Record)
        The same.
    logger : LiveLogger
    shown : ndarray
        Memory of the logger; changed in place.
    rows : ndarray, shape (n, SAMPLE_COLUMNS)
        The whole log; written.
    samples : ndarray of Sample, shape (n,)
        The same rows.
    advised : bool
        False leaves out the law: no extra torque, no economy.
    parameters, configs, memory, policy_states
        Of the law, as for :func:`loadlearn.policy.law.run_policy`.
    draws : ndarray of LoadDraw, shape (1, d)
    ticks : ndarray of Tick, shape (1,)
        Inputs of the settings.
    advice : ndarray of AdviceRow, shape (n,)
        Written.

    Returns
    -------
    int
        Steps driven in all; fewer than ``end_step`` when the vehicle stands at the end.
    """
    plant, state, heat = plants[0], states[0], heats[0]
    p, config, policy = parameters[0], configs[0], policy_states[0]
    every = logger.steps_per_row
    asked = Advised(0.0, 0.0, 1.0)
    if advised and first_step > 0:
        before = advice[(first_step - 1) // every]
        asked = Advised(before.extra_torque, before.economy, before.torque_factor)
    renew = True
    for step in range(first_step, end_step):
        time, dt = step * logger.step_s, logger.step_s
        at_end = take_step(plant, course, state, heat, time, asked, dt, records[step])
        if step % every == 0:
            number = step // every
            row, sample, now = rows[number], samples[number], advice[number]
            show_row(logger, records, numbers, step, number, shown, row, sample)
            if advised:
                policy_step(p, config, memory, policy, sample, renew, draws[0], ticks[0], now)
                renew = False
                asked = Advised(now.extra_torque, now.economy, now.torque_factor)
        if at_end:
            return step + 1
    return end_step


def run_strategy(
    rig: Rig,
    prepared: PreparedDrive,
    logger: LiveLogger,
    strategy: Driven,
    records: NDArray[Any] | None = None,
    weighed: tuple[float, float] | None = None,
    on_time: Callable[[float], None] | None = None,
) -> StrategyRun:
    """Drive a prepared road in closed loop under one strategy.

    Parameters
    ----------
    rig : Rig
        As estimator and law are told it.
    prepared : PreparedDrive
        Plant, road and disturbances; the same object for strategies that are to be paired.
    logger : LiveLogger
        With its noise; likewise.
    strategy : Driven
    records : ndarray of Record, optional
        Scratch of at least ``prepared.steps`` rows to be used again; what the result holds is then
        valid until the next run.
    weighed : tuple of float, optional
        A weighed mass and its sd (kg) that the estimator starts from.
    on_time : callable, optional
        Told the time driven (s), about once a minute of log time.

    Raises
    ------
    InputError
        The rig lacks what the strategy needs.
    """
    if records is None:
        records = np.empty(prepared.steps, dtype=record_type(Record))
    count = (prepared.steps - 1) // logger.steps_per_row + 1
    rows = np.empty((count, len(SAMPLE_COLUMNS)))
    advice = np.zeros((count, len(ADVICE_COLUMNS)))
    advised = as_records(advice, AdviceRow)
    advised["torque_factor"] = 1.0
    shown = np.zeros((logger.channels.shape[0], 2))
    fixed = strategy.knows == "nothing"
    # Without extra torque the law is not asked.
    chosen = choose_strategy(strategy.strategy or constant(strategy.name, Settings()), rig)
    rig = chosen.rig
    thermal, memory = thermal_parameters(rig), policy_memory(rig, chosen.strategy)
    state = as_record(initial_policy_state(thermal))
    law = (as_record(thermal), as_record(policy_config(rig)), memory, state)
    ticks = as_record(Tick())
    knowledge: Knowledge
    if strategy.knows == "learnt":
        knowledge = Learning(rig, rows, logger.steps_per_row, weighed)
    elif strategy.knows == "truth":
        knowledge = Truth(records, prepared)
    else:
        knowledge = Nothing()

    plant, course = as_record(prepared.plant), prepared.course()
    states, heats = as_record(prepared.initial_state()), as_record(prepared.initial_heat())
    numbers = records.view(np.float64).reshape(records.size, -1)
    samples = as_records(rows, Sample)
    # Chunks of a second, and of at least one row.
    chunk = max(round(TICK_S / prepared.step_s), logger.steps_per_row)
    chunk -= chunk % logger.steps_per_row
    if not strategy.uprated:
        chunk = prepared.steps
    step = 0
    learnt = []
    while step < prepared.steps:
        draws, mass, sd = knowledge.renew(step)
        learnt.append((step * prepared.step_s, mass, sd) if not fixed else (np.nan,) * 3)
        fill_tick(ticks[0], rig, mass, sd)
        if chosen.rule is not None:
            rolling = float(np.mean(draws["rolling_resistance"]))
            ask_rule(chosen.rule, ticks[0], step * prepared.step_s, rolling, state[0], memory)
        end = min(step + chunk, prepared.steps)
        done = drive_advised(
            plant,
            course,
            states,
            heats,
            step,
            end,
            records,
            numbers,
            logger,
            shown,
            rows,
            samples,
            strategy.uprated,
            *law,
            draws,
            ticks,
            advised,
        )
        step = done
        if on_time is not None and len(learnt) % 60 == 0:
            on_time(step * prepared.step_s)
        if done < end:
            break
    number = (step - 1) // logger.steps_per_row + 1
    return StrategyRun(
        strategy=strategy,
        records=records[:step],
        rows=rows[:number],
        advice=advice[:number],
        learnt=np.array(learnt),
        fuel_burnt_g=float(states["fuel_burnt_g"][0]),
    )
