"""Settings on a steady road: seldom changed, whatever the rig, the load and the surroundings.

The limit of six changes an hour is this project's own (no source).
"""

from __future__ import annotations

import numpy as np
from cases_bench import altitudes, ambients, deviations, few, rig_names, seeds
from closed_loop_bench import Belief, Law, close_loop
from draws_bench import evenly, one_of
from hypothesis import given, settings
from plant_bench import Plant
from policy_bench import with_sensor

SETTLED_S, SECONDS = 180.0, 1080.0
GROUNDS = {"sealed": (0.011, 22.2), "gravel": (0.023, 18.0), "sand": (0.06, 9.0)}
"""Rolling resistance and speed driven (m/s): common practice, no source."""


@settings(few, max_examples=4)
@given(
    rig_names,
    evenly(0.0, 1.0),
    one_of(tuple(GROUNDS)),
    evenly(0.0, 0.02),
    ambients,
    altitudes,
    deviations,
    seeds,
)
def test_fewer_than_six_changes_an_hour(name, part, ground, slope, ambient, altitude, off, seed):
    rig = with_sensor(name, "before_turbine")
    mass = rig.vehicle.mass_kg + part * (0.97 * rig.nominal_gcm_kg - rig.vehicle.mass_kg)
    rolling, speed = GROUNDS[ground]
    plant = Plant(rig, mass, rolling, ambient, altitude, off, seed)
    law = Law(rig, Belief(mass, 0.02 * mass, rolling, 0.1 * rolling))
    random = np.random.default_rng(seed)

    def pedal(time):
        # A driver holding a speed, never quite still.
        return float(np.clip(0.35 + 0.12 * (speed - plant.speed_m_s), 0.05, 1.0))

    def grade(x):
        # A steady road still undulates: 0.6 % over 700 m.
        return slope + 0.006 * np.sin(2 * np.pi * x / 700.0)

    def learnt(time, sample):
        # What is believed goes on wandering within its own uncertainty.
        if round(10.0 * time) % 300 == 0:
            law.set_belief(
                Belief(
                    mass * (1.0 + 0.01 * random.normal()),
                    0.02 * mass,
                    rolling * (1.0 + 0.05 * random.normal()),
                    0.1 * rolling,
                )
            )
        return sample

    record = close_loop(plant, law, SECONDS, pedal, grade, learnt)
    changes = record.get("setting_changes")[record.time > SETTLED_S]
    assert (changes[-1] - changes[0]) / (SECONDS - SETTLED_S) * 3600.0 < 6.0
