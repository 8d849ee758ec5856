"""What the hypotheses say together: moments and intervals against a mixture that is drawn."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest
from gaussian_bench import MEAN, SD
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from loadlearn.estimation.grounds import Grounds, ground_modes
from loadlearn.estimation.learner import Setup, initial_state
from loadlearn.estimation.loads import MOST_LOADS, Hypotheses, no_hypotheses, normalise, start
from loadlearn.estimation.mixture import LEAST_WEIGHT, OUTPUT, mean_and_sd, summarise
from loadlearn.estimation.model import STATE, Noise, Prior, load_prior
from loadlearn.simulation.scenarios import shipped_rig

Array = NDArray[np.float64]
MASS, DRAG = STATE.inverse_mass_per_kg, STATE.drag_per_mass_m2_kg
ROLL, COLD = STATE.rolling_resistance, STATE.cold_tyre_excess
SCALE, SCALE_SD = 0.01, 0.02
RIG = shipped_rig("utility_boat")


class Said(NamedTuple):
    now: np.void
    surface_probability: Array


def said(hypotheses: Hypotheses, grounds: Grounds, offset_sd_n: float = 0.0) -> Said:
    before, now = np.full(1, np.nan, OUTPUT), np.full(1, np.nan, OUTPUT)
    kinds = np.full(grounds["surface"].max() + 1, np.nan)
    scratch = np.empty((6, MOST_LOADS * grounds.size))
    prior = load_prior(RIG)._replace(offset_sd_n=offset_sd_n, answered_every_s=math.inf)
    summarise(hypotheses, grounds, prior, before[0], now[0], kinds, scratch)
    return Said(now[0], kinds)


@pytest.fixture
def told() -> Hypotheses:
    """Two loads that a drive has told about, on all grounds; the second was picked up."""
    rng = np.random.default_rng(1)
    hypotheses = no_hypotheses(5)
    loads = hypotheses.loads
    loads["active"][:2], loads["changed"][:2] = 1, (0, 1)
    loads["log_scale"][:2], loads["log_scale_variance"][:2] = SCALE, SCALE_SD**2
    hypotheses.log_weights[:2] = np.log(rng.dirichlet(np.ones(10)).reshape(2, 5))
    for slot, mass_kg in ((0, 5200.0), (1, 5900.0)):
        for mode in range(5):
            mean = MEAN.copy()
            mean[MASS] = 1.0 / (mass_kg * rng.uniform(0.97, 1.03))
            mean[DRAG] = 2.4 * mean[MASS]
            mean[ROLL] = 0.012 + 0.002 * mode
            covariance = np.diag(SD**2)
            covariance[MASS, MASS] = (0.015 * mean[MASS]) ** 2
            covariance[DRAG, DRAG] = (0.05 * mean[DRAG]) ** 2
            covariance[MASS, DRAG] = covariance[DRAG, MASS] = 3e-4 * mean[MASS] * mean[DRAG]
            covariance[ROLL, COLD] = covariance[COLD, ROLL] = -0.4 * SD[ROLL] * SD[COLD]
            hypotheses.states[slot, mode], hypotheses.covariances[slot, mode] = mean, covariance
    normalise(hypotheses)
    return hypotheses


def drawn(hypotheses: Hypotheses, count: int = 2_000_000) -> dict[str, Array]:
    """Mass, drag area and rolling resistance of the mixture, by drawing."""
    rng = np.random.default_rng(7)
    weights = hypotheses.weights[:2].ravel()
    counts = rng.multinomial(count, weights / weights.sum())
    places = (MASS, DRAG, ROLL, COLD)
    parts = []
    for index, size in enumerate(counts):
        slot, mode = divmod(index, 5)
        covariance = hypotheses.covariances[slot, mode][np.ix_(places, places)]
        mean = hypotheses.states[slot, mode][list(places)]
        parts.append(rng.multivariate_normal(mean, covariance, size, method="cholesky"))
    phi, kappa, roll, cold = np.concatenate(parts).T
    scale = np.exp(SCALE + SCALE_SD * rng.standard_normal(count))
    return {
        "mass_kg": scale / phi,
        "mass_given_scale_kg": 1.0 / phi,
        "drag_area_m2": scale * kappa / phi,
        "rolling_resistance": roll + cold,
    }


def test_what_is_said_is_the_mixtures(told: Hypotheses, grounds: Grounds) -> None:
    now, _ = said(told, grounds)
    for name, values in drawn(told).items():
        # Moments to second order of laws a few per cent wide.
        assert now[name] == pytest.approx(values.mean(), rel=1e-3), name
        sd_name = {"mass_given_scale_kg": "mass_sd_given_scale_kg"}.get(name)
        sd_name = sd_name or "_sd_".join(name.rsplit("_", 1))
        if name == "rolling_resistance":
            sd_name = "rolling_resistance_sd"
        unit = math.exp(now["log_scale"]) if name == "mass_given_scale_kg" else 1.0
        assert now[sd_name] == pytest.approx(unit * values.std(), rel=5e-3), name
    assert now["log_scale"] == pytest.approx(SCALE)
    assert now["log_scale_sd"] == pytest.approx(SCALE_SD)


def test_an_interval_holds_95_per_cent(told: Hypotheses, grounds: Grounds) -> None:
    now, _ = said(told, grounds)
    values = drawn(told)
    for name, low, high in (
        ("mass_kg", "mass_low95_kg", "mass_high95_kg"),
        ("rolling_resistance", "rolling_resistance_low95", "rolling_resistance_high95"),
    ):
        assert np.mean(values[name] < now[low]) == pytest.approx(0.025, abs=0.002)
        assert np.mean(values[name] > now[high]) == pytest.approx(0.025, abs=0.002)


def test_probabilities_are_sums_of_weights(told: Hypotheses, grounds: Grounds) -> None:
    now, kinds = said(told, grounds)
    assert now["p_load_changed"] == pytest.approx(told.weights[1].sum(), rel=1e-12)
    assert now["p_nothing_hitched"] == now["p_regeneration"] == 0.0
    assert now["loads"] == 2
    assert kinds.sum() == pytest.approx(1.0, rel=1e-9) and (kinds >= 0.0).all()
    told.loads["solo"][0] = 1
    told.loads["prior_log_mass"][0], told.loads["prior_log_mass_variance"][0] = 8.55, 0.1
    assert said(told, grounds).now["p_nothing_hitched"] == pytest.approx(1 - told.weights[1].sum())


def test_a_regenerations_probability_is_that_of_its_modes() -> None:
    grounds = ground_modes(with_regeneration=True)
    hypotheses = no_hypotheses(grounds.size)
    hypotheses.loads["active"][0] = 1
    hypotheses.states[0], hypotheses.covariances[0] = MEAN, np.diag(SD**2)
    weights = np.random.default_rng(3).dirichlet(np.ones(grounds.size))
    hypotheses.log_weights[0] = np.log(weights)
    normalise(hypotheses)
    expected = weights[grounds["regeneration"] == 1].sum()
    assert said(hypotheses, grounds).now["p_regeneration"] == pytest.approx(expected, rel=1e-9)


def test_what_hardly_counts_is_left_out_of_moments_and_not_of_probabilities(
    told: Hypotheses, grounds: Grounds
) -> None:
    told.log_weights[1] += math.log(0.9 * LEAST_WEIGHT / told.weights[1].sum())
    normalise(told)
    only, before = said(told, grounds).now, told.weights[1].sum()
    told.states[1, :, MASS] = 1.0 / 50_000.0
    far = said(told, grounds).now
    assert far["mass_kg"] == only["mass_kg"] and far["mass_high95_kg"] == only["mass_high95_kg"]
    assert far["p_load_changed"] == pytest.approx(before, rel=1e-12)


def test_a_constant_error_of_force_is_considered_in_rolling_and_drag(
    told: Hypotheses, grounds: Grounds
) -> None:
    """By hand: over the weight in the one, over drag at 25 m/s in the other; in nothing else."""
    sure, unsure = said(told, grounds).now, said(told, grounds, 50.0).now
    for name in ("mass_kg", "mass_sd_kg", "rolling_resistance", "drag_area_m2"):
        assert unsure[name] == sure[name]
    wider = math.sqrt(unsure["drag_area_sd_m2"] ** 2 - sure["drag_area_sd_m2"] ** 2)
    force_n = 50.0 * math.exp(SCALE)  # the force itself is off by the scale, too
    assert wider == pytest.approx(force_n / (0.5 * 1.2 * 25.0**2), rel=1e-9)
    wider = math.sqrt(unsure["rolling_resistance_sd"] ** 2 - sure["rolling_resistance_sd"] ** 2)
    assert wider == pytest.approx(50.0 / (9.80665 * sure["mass_given_scale_kg"]), rel=0.01)


def test_before_a_drive_the_prior_is_said(grounds: Grounds, prior: Prior, noise: Noise) -> None:
    hypotheses = no_hypotheses(grounds.size)
    start(hypotheses, grounds, prior, noise)
    now, kinds = said(hypotheses, grounds, prior.offset_sd_n)
    parts = prior.parts
    mean = parts["weight"] @ parts["mass_kg"]
    second = parts["weight"] @ (parts["mass_sd_kg"] ** 2 + parts["mass_kg"] ** 2)
    assert now["mass_kg"] == pytest.approx(mean, rel=0.02)
    assert now["mass_sd_kg"] == pytest.approx(math.sqrt(second - mean**2), rel=0.1)
    assert now["p_nothing_hitched"] == pytest.approx(parts["weight"][parts["solo"] == 1].sum())
    assert kinds[0] == pytest.approx(grounds["initial"][0], rel=0.02)


def test_nothing_is_known_before_the_first_sample(setup: Setup) -> None:
    output = initial_state(setup).output[0]
    assert all(math.isnan(output[name]) for name in OUTPUT.names or () if name != "surface")


def test_mean_and_sd_of_weighted_sums() -> None:
    weights, values = np.array([0.2, 0.5, 1.3]), np.array([1.0, 4.0, -2.0])
    expected = np.average(values, weights=weights)
    spread = math.sqrt(np.average((values - expected) ** 2, weights=weights))
    found = mean_and_sd(weights.sum(), weights @ values, weights @ values**2)
    assert_allclose(found, (expected, spread), rtol=1e-12)
