"""A steady road driven for an hour, and how often the settings change on it.

Steady: one ground, one speed asked for, one load, one mean grade, one climate. Not still: the road
undulates, the driver's foot is never quite at rest, the meters are noisy, and what is believed of
the load wanders within its own uncertainty.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, fields
from typing import Any

import numpy as np
from closed_loop_bench import Belief, Law, Record, close_loop
from plants.heated_vehicle import Deviations, Plant
from policy_bench import RIGS, with_sensor

SETTLED_S = 180.0
"""Learning what the road is like counts as none of its hours (s)."""
MOST_PER_HOUR = 6.0
GROUNDS = {
    "sealed": (0.011, 17.0, 29.0),
    "gravel": (0.023, 11.0, 22.0),
    "sand": (0.06, 5.0, 11.0),
}
"""Rolling resistance and range of speeds driven (m/s): common practice, no source."""
BELIEF_EVERY_S = 30.0


@dataclass(frozen=True)
class SteadyRoad:
    """Circumstances; grades as tangents, lengths in metres."""

    rig: str = "test rig"
    place: str = "before"
    load: float = 0.5
    """Part of the way from the vehicle alone to 97 % of GCM."""
    ground: str = "sealed"
    pace: float = 0.5
    """Part of the way from the slowest to the fastest speed of the ground."""
    grade: float = 0.0
    swell: float = 0.006
    """Amplitude of the undulation."""
    swell_m: float = 700.0
    ripple: float = 0.0
    """Amplitude of a second, a third as long."""
    ambient_degc: float = 20.0
    altitude_m: float = 0.0
    off: Deviations = field(default_factory=Deviations)
    seed: int = 0


def draw_steady_road(random: np.random.Generator) -> SteadyRoad:
    """Any rig, sensor, load, ground, pace; -2 to 6 %, -10 to 45 degC, 0 to 2500 m; a tenth off."""
    off = Deviations(**{one.name: random.uniform(0.9, 1.1) for one in fields(Deviations)})
    return SteadyRoad(
        rig=RIGS[random.integers(len(RIGS))],
        place=("before", "after")[random.integers(2)],
        load=random.uniform(0.0, 1.0),
        ground=tuple(GROUNDS)[random.integers(len(GROUNDS))],
        pace=random.uniform(0.0, 1.0),
        grade=random.uniform(-0.02, 0.06),
        swell=random.uniform(0.0, 0.006),
        swell_m=200.0 * 10.0 ** random.uniform(0.0, 1.0),
        ripple=random.uniform(0.0, 0.003),
        ambient_degc=random.uniform(-10.0, 45.0),
        altitude_m=random.uniform(0.0, 2500.0),
        off=off,
        seed=int(random.integers(1000)),
    )


class BrakedPlant(Plant):
    """The plant with a driver's brake foot: downhill it goes no faster than asked."""

    top_m_s = 100.0
    braked = False

    def step(
        self, pedal: float, share: float, factor: float, grade: float, dt: float = 0.1
    ) -> None:
        """As the plant's."""
        super().step(pedal, share, factor, grade, dt)
        self.braked = self.speed_m_s > self.top_m_s
        self.speed_m_s = min(self.speed_m_s, self.top_m_s)

    def sample(self) -> dict[str, float]:
        """As the plant's, with the brake."""
        return {**super().sample(), "brake_active": float(self.braked)}


def drive_steady_road(road: SteadyRoad, seconds: float) -> Record:
    """Drive it; the extra torque is what the law allows."""
    rig = with_sensor(road.rig, f"{road.place}_turbine")
    solo = rig.vehicle.mass_kg
    mass = solo + road.load * (0.97 * rig.nominal_gcm_kg - solo)
    rolling, slowest, fastest = GROUNDS[road.ground]
    speed = slowest + road.pace * (fastest - slowest)
    plant = BrakedPlant(
        rig, mass, rolling, road.ambient_degc, road.altitude_m, road.off, seed=road.seed
    )
    plant.top_m_s = 1.03 * speed
    drag = rig.vehicle.drag_area_m2
    law = Law(rig, Belief(mass, 0.02 * mass, rolling, 0.1 * rolling, drag))
    random = np.random.default_rng(road.seed)
    foot = {"held": 0.35, "asked": speed, "time": 0.0}

    def pedal(time: float) -> float:
        # Holds a speed that wanders by some tenths of a metre a second over a quarter of a minute.
        dt, foot["time"] = time - foot["time"], time
        foot["asked"] += dt / 15.0 * (speed - foot["asked"]) + 0.1 * np.sqrt(dt) * random.normal()
        error = foot["asked"] - plant.speed_m_s
        foot["held"] = float(np.clip(foot["held"] + 0.005 * dt * error, 0.0, 1.0))
        return float(np.clip(foot["held"] + 0.12 * error, 0.05, 1.0))

    def grade(x: float) -> float:
        turn = 2.0 * np.pi * x / road.swell_m
        return road.grade + road.swell * float(np.sin(turn)) + road.ripple * float(np.sin(3 * turn))

    believed = {"at": -BELIEF_EVERY_S}

    def learnt(time: float, sample: dict[str, float]) -> dict[str, float]:
        if time >= believed["at"] + BELIEF_EVERY_S:
            believed["at"] = time
            law.set_belief(
                Belief(
                    mass * (1.0 + 0.01 * random.normal()),
                    0.02 * mass,
                    rolling * (1.0 + 0.05 * random.normal()),
                    0.1 * rolling,
                    drag,
                )
            )
        return sample

    return close_loop(plant, law, seconds, pedal, grade, learnt)


@dataclass(frozen=True)
class SteadyVerdict:
    """How often the settings changed once the road was known."""

    retention_changes: int
    economy_changes: int
    per_hour: float
    speed_m_s: float
    mean_retention: float
    mean_economy: float
    mean_extra: float
    changes: str
    """Time and new value of each change of retention."""


def judge_steady_road(road: SteadyRoad, seconds: float = SETTLED_S + 3600.0) -> SteadyVerdict:
    """Drive it and count."""
    return judge_record(drive_steady_road(road, seconds))


def judge_record(record: Record) -> SteadyVerdict:
    """Count what changed in a drive."""
    after = record.time > SETTLED_S
    hours = (record.time[-1] - SETTLED_S) / 3600.0
    retention = record.get("power_retention")[after]
    at = np.flatnonzero(np.diff(retention)) + 1
    told = [(record.time[after][i], f"retention {retention[i]:.2f}") for i in at]
    # Economy in force follows the setting and the driver's demand; the rest of the changes are its.
    published = record.get("setting_changes")[after]
    counts = (len(at), int(published[-1] - published[0]) - len(at))
    return SteadyVerdict(
        retention_changes=counts[0],
        economy_changes=counts[1],
        per_hour=sum(counts) / hours,
        speed_m_s=float(record.speed[after].mean()),
        mean_retention=float(record.get("power_retention")[after].mean()),
        mean_economy=float(record.get("economy")[after].mean()),
        mean_extra=float(record.get("extra_torque")[after].mean()),
        changes="; ".join(f"{time:.0f} s {what}" for time, what in told),
    )


def flat(road: SteadyRoad, verdict: SteadyVerdict) -> dict[str, Any]:
    """One row of a table: circumstances and what came of them."""
    row: dict[str, Any] = {**asdict(road), **asdict(verdict)}
    del row["off"]
    row.update({f"off_{key}": value for key, value in asdict(road.off).items()})
    return row
