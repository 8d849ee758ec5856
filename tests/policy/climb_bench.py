"""A sustained climb at full throttle, and what must hold of it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, fields

import numpy as np
from closed_loop_bench import Belief, Law, Record, close_loop
from plants.heated_vehicle import Deviations, Plant
from policy_bench import RIGS, with_sensor

from loadlearn.policy.protections import PROTECTION_NAMES
from loadlearn.policy.state import SENSOR_TOLERANCE
from loadlearn.vehicle.rig import Rig

SPEED_M_S = 22.0
OVER_K, OVER_S = 10.0, 2.0
USED, SWING = 0.9, 0.12
"""Least part of the sustainable share that must be used; most that the given share may swing."""


@dataclass(frozen=True)
class Climb:
    """Circumstances of one climb; the deviations are the plant's from the policy's beliefs."""

    rig: str = "test rig"
    place: str = "before"
    ambient_degc: float = 20.0
    altitude_m: float = 0.0
    off: Deviations = field(default_factory=Deviations)
    seed: int = 0


def draw_climb(random: np.random.Generator) -> Climb:
    """Any rig, sensor place, ambient -10 to 45 degC, altitude 0 to 2500 m, a tenth off."""
    off = Deviations(**{one.name: random.uniform(0.9, 1.1) for one in fields(Deviations)})
    return Climb(
        RIGS[random.integers(len(RIGS))],
        ("before", "after")[random.integers(2)],
        random.uniform(-10.0, 45.0),
        random.uniform(0.0, 2500.0),
        off,
        int(random.integers(1000)),
    )


@dataclass(frozen=True)
class ClimbVerdict:
    """What came of a climb."""

    over_s: float
    half_over_s: float
    """The same, for half of ``OVER_K``."""
    """Longest run of true gas more than ``OVER_K`` over its limit (s)."""
    peak_over_k: float
    swing: float
    used: float
    """Mean share over the last minute."""
    lowest: float
    possible: float
    """Share sustainable where the gas is aimed, as far as other protections allow."""
    kept: float
    asked: float
    binding: str
    """The protection that bound most, the exhaust's own aside; empty = none."""
    bound: float
    exhaust_cap: float

    @property
    def required(self) -> float:
        """What must be used."""
        return USED * min(self.possible, self.kept) - 0.005 if self.possible > 0.1 else 0.0

    def faults(self) -> list[str]:
        """What does not hold, in words."""
        found = []
        if self.over_s > OVER_S:
            found.append(f"over by {OVER_K:g} K for {self.over_s:.1f} s")
        if self.swing >= SWING:
            found.append(f"swings by {self.swing:.3f}")
        if self.used < self.required:
            found.append(f"uses {self.used:.3f} where {self.required:.3f} is due")
        return found


def at_full_load(
    rig: Rig, off: Deviations, ambient: float, altitude: float, seed: int = 0, noise: bool = True
) -> Plant:
    """A plant held at one speed, in the gear that gives about two thirds of its engine speed."""
    plant = Plant(
        rig,
        off=off,
        ambient_degc=ambient,
        altitude_m=altitude,
        seed=seed,
        fixed_speed_m_s=SPEED_M_S,
        noise=noise,
    )
    rpm = SPEED_M_S / rig.vehicle.tyre_radius_m * plant.ratios * 30 / np.pi
    plant.gear = int(np.argmin(np.abs(rpm - 0.68 * plant.rpm_grid[-1]))) + 1
    return plant


def drive_climb(climb: Climb, seconds: float = 260.0) -> tuple[Plant, Law, Record]:
    """Cruise for a minute, then full throttle up a 12 % grade at constant engine speed."""
    rig = with_sensor(climb.rig, f"{climb.place}_turbine")
    plant = at_full_load(rig, climb.off, climb.ambient_degc, climb.altitude_m, climb.seed)
    heavy = 0.98 * rig.nominal_gcm_kg
    law = Law(rig, Belief(mass_kg=heavy, mass_sd_kg=0.01 * heavy))
    record = close_loop(
        plant, law, seconds, lambda t: 0.4 if t < 60 else 1.0, lambda x: 0.12 if x > 1300 else 0.0
    )
    return plant, law, record


def settled_gas_degc(climb: Climb, share: float) -> tuple[float, float]:
    """Gas that the plant itself settles at under full load with a share, and its limit (degC)."""
    rig = with_sensor(climb.rig, f"{climb.place}_turbine")
    plant = at_full_load(rig, climb.off, climb.ambient_degc, climb.altitude_m, noise=False)
    plant.thick_degc = plant.thin_degc = plant.gas_degc = 700.0
    for _ in range(220):
        plant.step(1.0, share, 1.0, 0.0, dt=2.0)
    return plant.judged_degc(), plant.limit_degc()


def sustainable_at_aim(climb: Climb) -> float:
    """Share at which the plant's gas settles where it is aimed, by bisection on the plant itself.

    That is below its limit by what a sensor may be off.
    """
    low, high = 0.0, 1.0
    for _ in range(7):
        share = 0.5 * (low + high)
        gas, limit = settled_gas_degc(climb, share)
        low, high = (share, high) if gas <= limit * (1.0 - SENSOR_TOLERANCE) else (low, share)
    return low


def longest_s(holds: np.ndarray) -> float:
    """Longest time that something holds without a break (s)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], holds, [0])).astype(int)))
    return 0.1 * float((edges[1::2] - edges[::2]).max()) if len(edges) else 0.0


def swing_of(share: np.ndarray) -> float:
    """Most by which something falls and rises again, or rises and falls again.

    Slow drift one way, as liquids warm, is none; a cycle, however slow, and a gap are.
    """
    swing = 0.0
    for values in (share, -share):
        fallen = np.maximum.accumulate(values) - values
        rises = np.maximum.accumulate(values[::-1])[::-1] - values
        swing = max(swing, float(np.minimum(fallen, rises).max()))
    return swing


def judge_climb(climb: Climb, seconds: float = 260.0) -> ClimbVerdict:
    """Drive a climb and judge it by the plant's true gas.

    Where base full load alone is above the limit, the gas is judged above that: nothing can be
    taken away that was not given. The share falls once, by design, when the heat credit is spent;
    where that happens in the minute that is judged, the climb is made longer.
    """
    plant, law, record = drive_climb(climb, seconds)
    if 0.0 <= law.state.episode.spent_s < 100.0:
        plant, law, record = drive_climb(climb, seconds + 100.0)
    bare, limit = settled_gas_degc(climb, 0.0)
    over = record.gas - max(limit, bare)
    extra = record.get("extra_torque")
    end = extra[-600:]
    caps = record.caps[-600:].mean(axis=0)
    exhaust = float(caps[PROTECTION_NAMES.index("exhaust_gas_heat")])
    caps[PROTECTION_NAMES.index("exhaust_gas_heat")] = 1.0
    return ClimbVerdict(
        over_s=longest_s(over > OVER_K),
        half_over_s=longest_s(over > 0.5 * OVER_K),
        peak_over_k=float(over.max()),
        swing=swing_of(extra[-1400:]),
        used=float(end.mean()),
        lowest=float(end.min()),
        possible=min(sustainable_at_aim(climb), float(caps.min())),
        kept=min(law.state.kept.value, 1.0),
        asked=float(law.state.retention_asked),
        binding=PROTECTION_NAMES[int(caps.argmin())] if caps.min() < 1.0 else "",
        bound=float(caps.min()),
        exhaust_cap=exhaust,
    )


def flat(climb: Climb, verdict: ClimbVerdict) -> dict[str, object]:
    """One row of a table: circumstances and what came of them."""
    row: dict[str, object] = {**asdict(climb), **asdict(verdict)}
    del row["off"]
    row.update({f"off_{key}": value for key, value in asdict(climb.off).items()})
    return row
