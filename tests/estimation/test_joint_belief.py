"""The posterior as one asks for it: against what the estimates say, and against draws."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from gaussian_bench import MEAN, SD

from loadlearn import InputError, LoadEstimator, Rig
from loadlearn.estimation.joint_belief import Posterior, posterior_of
from loadlearn.estimation.learner import Setup, initial_state
from loadlearn.estimation.loads import normalise
from loadlearn.estimation.model import STATE
from loadlearn.simulation.drive import Drive

MASS, DRAG = STATE.inverse_mass_per_kg, STATE.drag_per_mass_m2_kg
ROLL, COLD = STATE.rolling_resistance, STATE.cold_tyre_excess


@pytest.fixture(scope="module")
def estimator(rig: Rig, drive: Drive) -> LoadEstimator:
    estimator = LoadEstimator(rig)
    estimator.run(drive.log.iloc[:1500], prepare=False)
    return estimator


@pytest.mark.parametrize("samples", [30, 400, 2500, 6000])
@pytest.mark.parametrize("given_scale", [False, True])
def test_its_moments_are_those_of_the_estimates(
    rig: Rig, drive: Drive, samples: int, given_scale: bool
) -> None:
    """Nothing hitched, the prior's wide parts and a drive's end alike."""
    estimator = LoadEstimator(rig)
    last = estimator.run(drive.log.iloc[:samples], prepare=False).iloc[-1]
    mean, covariance = estimator.posterior(given_scale).moments()
    sd = np.sqrt(np.diag(covariance))
    ending = "_given_scale" if given_scale else ""
    assert sd[0] == pytest.approx(last[f"mass_sd{ending}_kg"], rel=1e-6)
    assert sd[1] == pytest.approx(last["rolling_resistance_sd"], rel=1e-6)
    assert sd[2] == pytest.approx(last[f"drag_area_sd{ending}_m2"], rel=1e-6)
    assert mean["rolling_resistance"] == pytest.approx(last["rolling_resistance"], rel=1e-9)
    assert mean["drag_area_m2"] == pytest.approx(last["drag_area_m2"], rel=1e-9)
    if given_scale:
        scale = math.exp(float(estimator.state.output["log_scale"][0]))  # type: ignore[union-attr]
        assert mean["mass_kg"] == pytest.approx(scale * last["mass_given_scale_kg"], rel=1e-9)
    else:
        assert mean["mass_kg"] == pytest.approx(last["mass_kg"], rel=1e-9)


@pytest.mark.parametrize("given_scale", [False, True])
def test_every_covariance_is_one(rig: Rig, drive: Drive, given_scale: bool) -> None:
    estimator = LoadEstimator(rig)
    for upto in range(200, 3000, 400):
        estimator.run(drive.log.iloc[:upto], prepare=False)
        covariances = estimator.posterior(given_scale).covariances
        assert (covariances == covariances.transpose(0, 2, 1)).all()
        sd = np.sqrt(np.diagonal(covariances, axis1=1, axis2=2))
        assert np.linalg.eigvalsh(covariances / sd[:, :, None] / sd[:, None, :]).min() > -1e-9


def test_the_covariances_are_those_of_draws(setup: Setup) -> None:
    """One hypothesis, nothing considered: mass, resistance and drag area by drawing the states."""
    prior = setup.prior._replace(offset_sd_n=0.0, answered_every_s=math.inf, delay_spread=0.0)
    setup = setup._replace(prior=prior)
    state = initial_state(setup)
    hypotheses = state.hypotheses
    hypotheses.loads["active"][0] = 1
    hypotheses.loads["log_scale_variance"][0] = 0.02**2
    hypotheses.loads["prior_log_mass_variance"][0] = 0.3
    hypotheses.loads["whole_log_mass_variance"][0] = 0.3
    hypotheses.log_weights[0, 0] = 0.0
    normalise(hypotheses)
    mean, covariance = MEAN.copy(), np.diag(SD**2)
    mean[MASS], mean[DRAG], mean[ROLL], mean[COLD] = 1 / 5200.0, 2.4 / 5200.0, 0.012, 0.001
    places = [MASS, ROLL, COLD, DRAG]
    sd = np.array([0.01 / 5200.0, 0.001, 0.0004, 0.03 * 2.4 / 5200.0])
    related = np.array(
        [[1.0, 0.7, 0.1, 0.4], [0.7, 1.0, -0.3, 0.2], [0.1, -0.3, 1.0, 0.0], [0.4, 0.2, 0.0, 1.0]]
    )
    covariance[np.ix_(places, places)] = related * np.outer(sd, sd)
    hypotheses.states[0, 0], hypotheses.covariances[0, 0] = mean, covariance
    rng = np.random.default_rng(5)
    states = rng.multivariate_normal(mean[places], related * np.outer(sd, sd), 1_000_000)
    for given in (False, True):
        state.output["log_scale"] = 0.0
        scale = np.exp(0.0 if given else 0.02 * rng.standard_normal(len(states)))
        drawn = [scale / states[:, 0], states[:, 1] + states[:, 2], scale * states[:, 3]]
        drawn[2] = drawn[2] / states[:, 0]
        # The prior is wide, and yet told apart from the drive: with it goes a hundredth.
        found = posterior_of(setup, state, given).covariances[0]
        sds = np.std(drawn, axis=1)
        assert np.sqrt(np.diag(found)) == pytest.approx(sds, rel=0.01)
        expected = np.corrcoef(drawn)
        assert found / np.outer(sds, sds) == pytest.approx(expected, abs=0.015)


def test_the_density_is_one_and_has_the_estimates_interval(estimator: LoadEstimator) -> None:
    kg = np.linspace(1000.0, 30_000.0, 100_001)
    density = estimator.posterior().density_of_mass(kg)
    held = np.concatenate(([0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(kg))))
    assert held[-1] == pytest.approx(1.0, abs=1e-5)
    now = estimator.state.output[0]  # type: ignore[union-attr]
    assert np.interp(now["mass_low95_kg"], kg, held) == pytest.approx(0.025, abs=2e-3)
    assert np.interp(now["mass_high95_kg"], kg, held) == pytest.approx(0.975, abs=2e-3)
    assert estimator.posterior().density_of_mass(5200.0).shape == ()


def test_the_ellipse_holds_what_it_says() -> None:
    """A normal by hand; 95 % of two dimensions lie within 2.4477 sd (chi-squared tables)."""
    components = pd.DataFrame(
        {
            "weight": [1.0],
            "mass_kg": [5000.0],
            "rolling_resistance": [0.01],
            "drag_area_m2": [2.0],
        }
    )
    covariance = np.diag([100.0**2, 0.001**2, 0.1**2])
    covariance[0, 1] = covariance[1, 0] = -0.8 * 100.0 * 0.001
    told = Posterior(components, covariance[None], False)
    mass, roll = told.ellipse("mass_kg", "rolling_resistance")
    assert mass.max() - 5000.0 == pytest.approx(244.77, abs=0.05)
    assert roll.max() - 0.01 == pytest.approx(0.0024477, rel=1e-3)
    assert roll[mass.argmax()] - 0.01 == pytest.approx(-0.8 * 0.0024477, rel=0.02)
    assert (mass[0], roll[0]) == pytest.approx((mass[-1], roll[-1]))
    with pytest.raises(ValueError, match="between 0 and 1"):
        told.ellipse("mass_kg", "rolling_resistance", 95.0)


def test_what_the_hypotheses_are_is_said(estimator: LoadEstimator) -> None:
    components = estimator.posterior().components
    assert components["weight"].sum() == pytest.approx(1.0)
    assert components["weight"].is_monotonic_decreasing
    now = estimator.state.output[0]  # type: ignore[union-attr]
    for name in ("nothing_hitched", "load_changed", "regeneration"):
        said = "p_load_changed" if name == "load_changed" else f"p_{name}"
        share = components.loc[components[name], "weight"].sum()
        assert share == pytest.approx(now[said], abs=2e-3)
    assert set(components["surface"]) <= {one.name for one in estimator.grounds}


def test_before_a_sample_there_is_nothing_to_say(rig: Rig) -> None:
    with pytest.raises(InputError, match="nothing has been learnt yet"):
        LoadEstimator(rig).posterior()
