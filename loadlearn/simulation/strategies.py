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

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import as_record, jit
from loadlearn.errors import InputError
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
from loadlearn.policy.state import (
    PolicyMemory,
    initial_policy_state,
    policy_config,
    policy_memory,
)
from loadlearn.policy.thermal_model import thermal_parameters
from loadlearn.simulation.halts import STANDING
from loadlearn.simulation.knowledge import Knowledge, Learning, Nothing, Truth
from loadlearn.simulation.live_logger import LiveLogger, show_row
from loadlearn.simulation.plant import drive_step, look_around
from loadlearn.simulation.plant_state import (
    FUEL_BURNT,
    NEXT_STOP,
    NOISE_ACCESSORY,
    NOISE_COLUMNS,
    PHASE,
    PHASE_TIME,
    RECORD_COLUMNS,
    RECORDED,
    ROAD_COLUMNS,
    DrivelineParameters,
    DriverParameters,
    EngineParameters,
    RoadLoadParameters,
)
from loadlearn.simulation.preparation import PreparedDrive
from loadlearn.simulation.road import GRID_M
from loadlearn.simulation.surroundings import NOISE_STEP_S
from loadlearn.simulation.thermal import ThermalParameters
from loadlearn.vehicle.rig import Rig

FloatArray = NDArray[np.float64]

TICK_S = 1.0
"""Settings are renewed once a second of log time."""
DEFAULT_RETENTION = 0.5


@dataclass(frozen=True)
class Strategy:
    """Where the settings come from.

    Attributes
    ----------
    name : str
    uprated : bool
        Whether there is any extra torque.
    knows : {"nothing", "learnt", "truth"}
        What the settings are made from: nothing (they are fixed), what is learnt online from the
        logger's rows, or the true load.
    retention : float
        Power retention of a strategy that knows nothing.
    in_words : str
        For people.
    """

    name: str
    uprated: bool
    knows: Literal["nothing", "learnt", "truth"]
    retention: float
    in_words: str


def strategies(retention: float = DEFAULT_RETENTION) -> tuple[Strategy, ...]:
    """The strategies that are compared.

    Parameters
    ----------
    retention : float
        Power retention of ``fixed_share``, 0 to 1.

    Returns
    -------
    tuple of Strategy

    Raises
    ------
    InputError
        The retention is no share.
    """
    if not 0.0 <= retention <= 1.0:
        raise InputError(f"the retention of fixed_share is {retention:g}; give a share from 0 to 1")
    return (
        Strategy("base", False, "nothing", 0.0, "base calibration, no extra torque"),
        Strategy(
            "fixed_share",
            True,
            "nothing",
            retention,
            f"all extra torque for a while, then always {100 * retention:.0f} % of it",
        ),
        Strategy("short_pull", True, "nothing", 0.0, "all extra torque for a while, then none"),
        Strategy("learnt_load", True, "learnt", 0.0, "settings from the load learnt on the way"),
        Strategy("known_load", True, "truth", 0.0, "settings from the true load"),
    )


@dataclass(frozen=True)
class StrategyRun:
    """One drive under one strategy.

    Attributes
    ----------
    strategy : Strategy
    records : ndarray, shape (steps, RECORD_COLUMNS)
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

    strategy: Strategy
    records: FloatArray
    rows: FloatArray
    advice: FloatArray
    learnt: FloatArray
    fuel_burnt_g: float

    def plant(self, name: str) -> FloatArray:
        """A recorded column of the plant, by name."""
        return self.records[:, RECORDED.index(name)]

    def logged(self, name: str) -> FloatArray:
        """A column of the log, by canonical name."""
        return self.rows[:, SAMPLE_COLUMNS.index(name)]

    def advised(self, name: str) -> FloatArray:
        """A column of the advice, by name."""
        return self.advice[:, ADVICE_COLUMNS.index(name)]


@jit
def drive_advised(
    state: np.ndarray,
    heat: np.ndarray,
    first_step: int,
    end_step: int,
    dt: float,
    road_table: np.ndarray,
    road_grid_m: float,
    noise_table: np.ndarray,
    noise_step_s: float,
    accessory_mean_w: float,
    stops: np.ndarray,
    gears: np.ndarray,
    curve: np.ndarray,
    engine: EngineParameters,
    line: DrivelineParameters,
    load: RoadLoadParameters,
    driver: DriverParameters,
    thermal: ThermalParameters,
    records: np.ndarray,
    logger: LiveLogger,
    shown: np.ndarray,
    rows: np.ndarray,
    samples: np.ndarray,
    advised: bool,
    policy_parameters: np.ndarray,
    configs: np.ndarray,
    memory: PolicyMemory,
    policy_states: np.ndarray,
    draws: np.ndarray,
    ticks: np.ndarray,
    advice: np.ndarray,
) -> int:
    """Drive from one internal step to another, the law inside the loop.

    Parameters
    ----------
    state, heat : ndarray
        Of the plant; changed in place.
    first_step, end_step : int
        Steps to drive; settings are renewed at the first row.
    dt, road_table, road_grid_m, noise_table, noise_step_s, accessory_mean_w, stops, gears, curve, \
engine, line, load, driver, thermal
        As for :func:`loadlearn.simulation.plant.drive_loop`.
    records : ndarray, shape (steps, RECORD_COLUMNS)
        Of the whole drive; written from ``first_step`` on.
    logger : LiveLogger
    shown : ndarray
        Memory of the logger; changed in place.
    rows : ndarray, shape (n, SAMPLE_COLUMNS)
        The whole log; written.
    samples : ndarray of Sample, shape (n,)
        The same rows.
    advised : bool
        False leaves out the law: no extra torque, no economy.
    policy_parameters, configs, memory, policy_states
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
    road = np.empty(ROAD_COLUMNS)
    ahead = np.empty(ROAD_COLUMNS)
    noise = np.empty(NOISE_COLUMNS)
    last_stop = stops.shape[0] - 1
    every = logger.steps_per_row
    share, economy, factor = 0.0, 0.0, 1.0
    if advised and first_step > 0:
        before = advice[(first_step - 1) // every]
        share, economy, factor = before.extra_torque, before.economy, before.torque_factor
    p, config, policy = policy_parameters[0], configs[0], policy_states[0]
    renew = True
    for step in range(first_step, end_step):
        time = step * dt
        look_around(
            state, road_table, road_grid_m, noise_table, time / noise_step_s, road, ahead, noise
        )
        accessory = max(100.0, accessory_mean_w + 1000.0 * noise[NOISE_ACCESSORY])
        record = records[step]
        record[0] = time
        drive_step(
            state,
            heat,
            road,
            ahead,
            noise,
            stops,
            gears,
            curve,
            engine,
            line,
            load,
            driver,
            thermal,
            accessory,
            share,
            economy,
            factor,
            dt,
            record,
        )
        if step % every == 0:
            number = step // every
            show_row(logger, records, step, number, shown, rows[number])
            if advised:
                now = advice[number]
                policy_step(
                    p,
                    config,
                    memory,
                    policy,
                    samples[number],
                    renew,
                    draws[0],
                    ticks[0],
                    now,
                )
                renew = False
                share, economy, factor = now.extra_torque, now.economy, now.torque_factor
        at_end = state[PHASE] == STANDING and int(state[NEXT_STOP]) == last_stop
        if at_end and state[PHASE_TIME] > 5.0:
            return step + 1
    return end_step


def run_strategy(
    rig: Rig,
    prepared: PreparedDrive,
    logger: LiveLogger,
    strategy: Strategy,
    records: FloatArray | None = None,
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
    strategy : Strategy
    records : ndarray, optional
        Scratch of at least ``prepared.steps`` rows to be used again; what the result holds is then
        valid until the next run.
    on_time : callable, optional
        Told the time driven (s), about once a minute of log time.

    Returns
    -------
    StrategyRun

    Raises
    ------
    InputError
        The rig lacks what the strategy needs.
    """
    if records is None:
        records = np.empty((prepared.steps, RECORD_COLUMNS))
    count = (prepared.steps - 1) // logger.steps_per_row + 1
    rows = np.empty((count, len(SAMPLE_COLUMNS)))
    advice = np.zeros((count, len(ADVICE_COLUMNS)))
    advised = as_records(advice, AdviceRow)
    advised["torque_factor"] = 1.0
    shown = np.zeros((logger.channels.shape[0], 2))
    thermal = thermal_parameters(rig)
    fixed = strategy.knows == "nothing"
    law = (
        as_record(thermal),
        as_record(policy_config(rig, from_table=fixed)),
        policy_memory(rig),
        as_record(initial_policy_state(thermal)),
    )
    tick = Tick()
    if fixed:
        tick = Tick(math.nan, math.nan, strategy.retention, CREDIT_MAX_S, 0.0)
    ticks = as_record(tick)
    knowledge: Knowledge
    if strategy.knows == "learnt":
        knowledge = Learning(rig, rows, logger.steps_per_row)
    elif strategy.knows == "truth":
        knowledge = Truth(records, prepared)
    else:
        knowledge = Nothing()
    middle = 0.5 * (rig.vehicle.mass_kg + rig.nominal_gcm_kg)

    state, heat = prepared.initial_state(), prepared.initial_heat()
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
        ticks["mass_kg"] = mass if math.isfinite(mass) else middle
        ticks["mass_sd_kg"] = sd if math.isfinite(sd) else middle
        end = min(step + chunk, prepared.steps)
        done = drive_advised(
            state,
            heat,
            step,
            end,
            prepared.step_s,
            prepared.ground,
            GRID_M,
            prepared.noise,
            NOISE_STEP_S,
            prepared.accessory_w,
            prepared.halts,
            prepared.gears,
            prepared.curve,
            prepared.engine,
            prepared.line,
            prepared.load,
            prepared.driver,
            prepared.thermal,
            records,
            logger,
            shown,
            rows,
            as_records(rows, Sample),
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
        fuel_burnt_g=float(state[FUEL_BURNT]),
    )
