"""What a log's channels call for, and the way from samples to what is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loadlearn import LoadEstimator
from loadlearn.errors import InputError
from loadlearn.estimation.learner import (
    EstimateRow,
    Learnt,
    Setup,
    Sources,
    accessory_spread_w,
    default_noise,
    history_of,
    initial_state,
    learn,
    offset_sd_n,
    prior_for,
    setup_for,
)
from loadlearn.estimation.model import Noise, load_prior
from loadlearn.simulation.drive import Drive
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS
from loadlearn.vehicle.samples import (
    HEIGHT_FROM_ACCELEROMETER,
    HEIGHT_FROM_ALTITUDE,
    HEIGHT_FROM_GRADE,
    SOURCE_FUEL,
    SOURCE_TORQUE,
    SOURCE_TRACTIVE,
    Samples,
    samples_of,
)

FUEL = Sources(SOURCE_FUEL, HEIGHT_FROM_GRADE)
TORQUE = Sources(SOURCE_TORQUE, HEIGHT_FROM_GRADE)
TRACTIVE = Sources(SOURCE_TRACTIVE, HEIGHT_FROM_GRADE)


@pytest.fixture(scope="module")
def samples(drive: Drive) -> Samples:
    return samples_of(drive.log.iloc[:1500])


# --- channels ------------------------------------------------------------------------------------
def test_the_best_channel_that_is_there_serves() -> None:
    log = pd.DataFrame(
        {
            "fuel_rate_g_s": [1.0],
            "engine_torque_n_m": [np.nan],
            "altitude_m": [10.0],
            "grade_percent": [0.0],
        }
    )
    assert Sources.of(log) == FUEL
    assert Sources.of(log.assign(engine_torque_n_m=90.0)).force == SOURCE_TORQUE
    assert Sources.of(log.assign(tractive_force_n=9e3)).force == SOURCE_TRACTIVE
    assert Sources.of(log.drop(columns="grade_percent")).height == HEIGHT_FROM_ALTITUDE
    with pytest.raises(InputError, match="no force channel"):
        Sources.of(log.drop(columns="fuel_rate_g_s"))


def test_a_force_measured_at_the_tread_has_nothing_of_the_engine(rig: Rig) -> None:
    prior = prior_for(rig, TRACTIVE)
    assert prior.unreported == prior.unreported_sd == prior.lag_s == prior.offset_sd_n == 0.0
    assert default_noise(TRACTIVE, rig).accessory_sd_w == 0.0
    fuel = prior_for(rig, FUEL)
    assert fuel == load_prior(rig)._replace(parts=fuel.parts, offset_sd_n=fuel.offset_sd_n)


def test_a_torque_may_be_told_before_or_after_the_accessories(rig: Rig) -> None:
    narrow = accessory_spread_w(rig, SOURCE_FUEL)
    assert narrow == pytest.approx(1e3 * rig.engine.accessory_power_sd_kw)
    assert accessory_spread_w(rig, SOURCE_TORQUE) > narrow
    assert default_noise(TORQUE, rig).accessory_sd_w == accessory_spread_w(rig, SOURCE_TORQUE)


def test_unsure_friction_is_a_force_at_the_tread(rig: Rig) -> None:
    """A friction power at 2.5 times idle, at the tread at 15 m/s, by hand."""
    table = rig.model_dump()
    table["engine"]["friction_mep_sd_kpa"] = 40.0
    unsure = Rig.from_dict(table)
    force_sd = 40e3 * rig.engine.displacement_m3 / (4.0 * np.pi)
    force_sd *= 2.5 * rig.engine.idle_rpm * np.pi / 30.0 * rig.driveline.efficiency / 15.0
    assert offset_sd_n(unsure, SOURCE_FUEL) == pytest.approx(force_sd, rel=1e-9)
    assert prior_for(unsure, FUEL).offset_sd_n == offset_sd_n(unsure, SOURCE_FUEL)
    # Measured torque has the friction off already.
    assert offset_sd_n(unsure, SOURCE_TORQUE) == offset_sd_n(unsure, SOURCE_TRACTIVE) == 0.0


def test_a_body_accelerometer_is_mounted_askew_and_squats(rig: Rig) -> None:
    sources = Sources(SOURCE_FUEL, HEIGHT_FROM_ACCELEROMETER)
    prior, plain = prior_for(rig, sources), prior_for(rig, FUEL)
    assert prior.slope_bias_sd == pytest.approx(np.radians(1.5), rel=0.01)
    assert prior.squat_rad_s2_m > prior.squat_sd_rad_s2_m > 0.0
    assert plain.slope_bias_sd == plain.squat_sd_rad_s2_m == 0.0
    # Its gain is considered, whatever else is.
    assert plain.delay_spread == 0.0 < prior.delay_spread
    spread = setup_for(rig, sources, delay_spread=0.03).prior.delay_spread
    assert spread == pytest.approx(np.hypot(0.03, prior.delay_spread))
    assert default_noise(sources, rig).white > default_noise(FUEL, rig).white
    altimeter = default_noise(Sources(SOURCE_FUEL, HEIGHT_FROM_ALTITUDE), rig)
    assert altimeter.height_sd_m > default_noise(FUEL, rig).height_sd_m == 0.0


def test_regenerations_are_thought_of_where_force_comes_from_fuelling(rig: Rig) -> None:
    assert setup_for(rig, FUEL).grounds["regeneration"].any()
    assert not setup_for(rig, TORQUE).grounds["regeneration"].any()
    assert setup_for(rig, FUEL).names == tuple(ground.name for ground in HANDBOOK_GROUNDS)


def test_what_is_given_is_taken(rig: Rig) -> None:
    noise = Noise(white=0.002)
    setup = setup_for(rig, FUEL, noise, HANDBOOK_GROUNDS[:2], 6000.0, 200.0)
    assert setup.noise == noise and setup.names == ("sealed", "gravel")
    likeliest = setup.prior.parts[np.argmax(setup.prior.parts["weight"])]
    assert likeliest["mass_kg"] == 6000.0 and likeliest["mass_sd_kg"] == 200.0


# --- learning ------------------------------------------------------------------------------------
@settings(max_examples=8, deadline=None)
@given(cuts=st.lists(st.integers(0, 1500), max_size=5))
def test_samples_in_blocks_teach_what_they_teach_at_once(
    cuts: list[int], setup: Setup, samples: Samples
) -> None:
    whole, parted = initial_state(setup), initial_state(setup)
    once = learn(setup, whole, samples)
    edges = [0, *sorted(cuts), len(samples)]
    pieces = [learn(setup, parted, samples[a:b]) for a, b in zip(edges, edges[1:], strict=False)]
    for name, ours in parted.arrays().items():
        theirs = whole.arrays()[name]
        assert ours.tobytes() == theirs.tobytes(), name
    assert b"".join(piece.outputs[1:].tobytes() for piece in pieces) == once.outputs[1:].tobytes()
    for name in ("rows", "reason", "force_n"):
        joined = np.concatenate([getattr(piece, name) for piece in pieces])
        assert joined.tobytes() == getattr(once, name).tobytes(), name


def test_every_array_that_is_remembered_is_named(setup: Setup) -> None:
    state = initial_state(setup)
    arrays = state.arrays()
    assert {"memory", "output", "hypotheses.states", "hypotheses.loads"} <= arrays.keys()
    arrays["hypotheses.states"][0, 0, 0] = 5.0
    assert state.hypotheses.states[0, 0, 0] == 5.0


def test_only_the_log_likelihood(setup: Setup, samples: Samples) -> None:
    telling, silent = initial_state(setup), initial_state(setup)
    learn(setup, telling, samples)
    learn(setup, silent, samples, with_outputs=False)
    assert silent.memory["log_likelihood"] == telling.memory["log_likelihood"] != 0.0


def test_a_history_has_a_line_for_every_sample(drive: Drive, setup: Setup, learnt: Learnt) -> None:
    time_s = drive.log["time_s"].to_numpy()
    history = history_of(time_s, learnt, setup.names)
    assert len(history) == len(drive.log) == len(learnt.row_of_sample)
    written = list(history.columns)
    for ground in setup.names[1:]:
        written.remove(f"p_{ground}")
    written[written.index(f"p_{setup.names[0]}")] = "p_ground"
    assert written == list(EstimateRow.__annotations__)[:-1]
    for name in set(written) & set(learnt.outputs.dtype.names) - {"surface"}:
        assert history[name].iloc[-1] == learnt.outputs[name][-1]
    sum_of_kinds = history[[f"p_{name}" for name in setup.names]].sum(axis=1)
    assert sum_of_kinds.iloc[-1] == pytest.approx(1.0, rel=1e-9)
    assert ((history["set_aside_because"] == "") == (history["learning"] == 1)).all()


def test_an_estimator_learns_through_the_same_way(
    rig: Rig, drive: Drive, setup: Setup, learnt: Learnt
) -> None:
    history = LoadEstimator(rig, delays_s={"force": 0.0}).run(drive.log, prepare=False)
    assert history["mass_kg"].iloc[-1] == learnt.outputs["mass_kg"][-1]
    assert history.attrs["summary"]["mass_kg"]["mean"] == learnt.outputs["mass_kg"][-1]
