"""What the closed-loop properties draw: rigs, surroundings, and a plant up to a tenth off."""

from __future__ import annotations

from dataclasses import fields

from climb_bench import Climb
from draws_bench import evenly, one_of, whole
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from plants.heated_vehicle import Deviations
from policy_bench import RIGS

# No shrinking: a failing drive is explained by its own numbers, and each costs a second.
few = settings(
    max_examples=6,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
deviations = st.builds(Deviations, **{one.name: evenly(0.9, 1.1) for one in fields(Deviations)})
ambients, altitudes = evenly(-10.0, 45.0), evenly(0.0, 2500.0)
rig_names, places = one_of(RIGS), one_of(("before", "after"))
seeds = whole(1000)
climbs = st.builds(
    Climb,
    rig=rig_names,
    place=places,
    ambient_degc=ambients,
    altitude_m=altitudes,
    off=deviations,
    seed=seeds,
)
