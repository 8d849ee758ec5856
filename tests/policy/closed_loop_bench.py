"""The loop closed: plant to sample, law to advice, advice to plant."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from plants.heated_vehicle import Plant

from loadlearn._compile import as_record
from loadlearn.policy.columns import (
    ADVICE_COLUMNS,
    SAMPLE_COLUMNS,
    AdviceRow,
    Sample,
    Tick,
    as_records,
)
from loadlearn.policy.draws import draws_from_summaries
from loadlearn.policy.law import policy_entry
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.reason import limits_of_bits
from loadlearn.policy.state import (
    initial_policy_state,
    policy_config,
    policy_memory,
)
from loadlearn.policy.strategy import Strategy
from loadlearn.policy.thermal_model import thermal_parameters
from loadlearn.vehicle.rig import Rig

PLACE = {name: i for i, name in enumerate(SAMPLE_COLUMNS)}
ADVICE = {name: i for i, name in enumerate(ADVICE_COLUMNS)}


@dataclass
class Belief:
    """What the estimator would say of the load."""

    mass_kg: float = 5200.0
    mass_sd_kg: float = 150.0
    rolling_resistance: float = 0.011
    rolling_resistance_sd: float = 0.0015
    drag_area_m2: float = 2.4


class Law:
    """The per-sample law with its state, fed with mappings."""

    def __init__(
        self, rig: Rig, belief: Belief | None = None, strategy: Strategy | None = None
    ) -> None:
        self.belief = belief or Belief()
        self.rig = rig
        self.p = thermal_parameters(rig)
        self.memory = policy_memory(rig, strategy or make_strategy(rig))
        states = as_record(initial_policy_state(self.p)).view(np.recarray)
        self.state = states[0]
        self.given = (as_record(self.p), as_record(policy_config(rig)), self.memory, states)
        self.out = np.zeros((1, len(ADVICE_COLUMNS)))
        self.second = None
        self.run: Callable[..., None] | None = None
        self.set_belief(self.belief)

    def set_belief(self, belief: Belief) -> None:
        """Change what is believed of the load."""
        self.belief = belief
        given = np.sqrt(max(belief.mass_sd_kg**2 - (0.02 * belief.mass_kg) ** 2, 0.0))
        self.draws = draws_from_summaries(
            self.rig,
            belief.mass_kg,
            belief.mass_sd_kg,
            given,
            belief.rolling_resistance,
            belief.rolling_resistance_sd,
            belief.drag_area_m2,
            0.1 * belief.drag_area_m2,
        )
        self.ticks = as_record(Tick(belief.mass_kg, belief.mass_sd_kg))

    def step(self, sample: dict[str, float]) -> np.ndarray:
        """Advice (a row of ``ADVICE_COLUMNS``) after one sample."""
        row = np.full((1, len(SAMPLE_COLUMNS)), np.nan)
        for name, value in sample.items():
            if name in PLACE:
                row[0, PLACE[name]] = value
        second = np.floor(sample["time_s"])
        tick = np.array([0 if second != self.second else -1], dtype=np.int64)
        self.second = second
        arguments = (
            *self.given,
            as_records(row, Sample),
            tick,
            self.draws,
            self.ticks,
            as_records(self.out, AdviceRow),
        )
        if self.run is None:
            self.run = policy_entry(*arguments)
        self.run(*arguments)
        return self.out[0]


def hold_speed(plant: Plant, asked: float) -> Callable[[float], float]:
    """A foot that holds a speed."""
    held = {"pedal": 0.4}

    def pedal(time: float) -> float:
        error = asked - plant.speed_m_s
        held["pedal"] = float(np.clip(held["pedal"] + 0.004 * error, 0.0, 1.0))
        return float(np.clip(held["pedal"] + 0.1 * error, 0.0, 1.0))

    return pedal


@dataclass
class Record:
    """What happened: truth of the plant and the advice, per sample."""

    time: np.ndarray
    gas: np.ndarray
    coolant: np.ndarray
    speed: np.ndarray
    power_w: np.ndarray
    extra_power_w: np.ndarray
    shifting: np.ndarray
    advice: np.ndarray
    caps: np.ndarray
    """What each protection allowed, per sample."""

    def get(self, name: str) -> np.ndarray:
        """A column of the advice."""
        return self.advice[:, ADVICE[name]]

    def acting(self, name: str) -> np.ndarray:
        """Whether a limit acted, per sample."""
        bits = self.get("limit_bits")
        table = {b: name in limits_of_bits(b) for b in np.unique(bits)}
        return np.array([table[b] for b in bits])


def close_loop(
    plant: object,
    law: Law,
    seconds: float,
    pedal: Callable[[float], float],
    grade: Callable[[float], float] = lambda x: 0.0,
    disturb: Callable[[float, dict[str, float]], dict[str, float]] | None = None,
    dt: float = 0.1,
) -> Record:
    """Drive for a time; the plant gets extra torque and torque factor of the last advice.

    ``disturb`` may change a sample on its way to the law (a broken sensor, a flag).
    """
    steps = round(seconds / dt)
    rows = np.zeros((steps, 7))
    caps = np.ones((steps, law.memory.caps.size))
    advice = np.zeros((steps, len(ADVICE_COLUMNS)))
    share, factor = 0.0, 1.0
    for i in range(steps):
        plant.step(pedal(plant.time_s), share, factor, grade(plant.distance_m), dt)
        sample = plant.sample()
        if disturb is not None:
            sample = disturb(plant.time_s, sample)
        out = law.step(sample)
        share, factor = float(out[ADVICE["extra_torque"]]), float(out[ADVICE["torque_factor"]])
        advice[i], caps[i] = out, law.memory.caps
        rows[i] = (
            plant.time_s,
            plant.judged_degc(),
            plant.coolant_degc,
            plant.speed_m_s,
            plant.power_w,
            plant.extra_power_w,
            plant.shift_left_s,
        )
    return Record(*rows.T, advice=advice, caps=caps)


def close_loop_at(
    plant: object,
    law: Law,
    stamps: np.ndarray,
    pedal: Callable[[float], float],
    grade: Callable[[float], float],
    disturb: Callable[[float, dict[str, float]], dict[str, float]],
) -> tuple[np.ndarray, np.ndarray]:
    """The loop at time stamps of any rate, regular or not; the plant never steps over 0.1 s.

    Returns the extra torque and whether the exhaust sensor's protection acted, per stamp.
    """
    share, factor = 0.0, 1.0
    extra, acting = np.zeros(len(stamps)), np.zeros(len(stamps), dtype=bool)
    for i, stamp in enumerate(stamps):
        interval = stamp - plant.time_s
        steps = max(int(np.ceil(interval / 0.1 - 1e-9)), 1)
        for _ in range(steps):
            plant.step(
                pedal(plant.time_s), share, factor, grade(plant.distance_m), interval / steps
            )
        out = law.step(disturb(stamp, {**plant.sample(), "time_s": float(stamp)}))
        share, factor = float(out[ADVICE["extra_torque"]]), float(out[ADVICE["torque_factor"]])
        extra[i] = share
        acting[i] = "exhaust_sensor" in limits_of_bits(out[ADVICE["limit_bits"]])
    return extra, acting
