"""Loads: what a standstill spawns, what evidence counts between them, what is dropped or merged."""

from __future__ import annotations

import math

import numpy as np
import pytest
from gaussian_bench import MEAN, SD
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from loadlearn.estimation.grounds import Grounds, ground_modes
from loadlearn.estimation.loads import (
    LOAD,
    MOST_LOADS,
    NO_WEIGHT,
    Hypotheses,
    absolute_log_mass,
    change_probability,
    charge_changes,
    log_implied_pooled,
    loose_probability,
    no_hypotheses,
    normalise,
    spawn,
    start,
    temper_loads,
    tidy,
)
from loadlearn.estimation.model import STATE, Evidence, Noise, Prior, log_implied

Array = NDArray[np.float64]
MASS, DRAG = STATE.inverse_mass_per_kg, STATE.drag_per_mass_m2_kg
ROLL, WIND = STATE.rolling_resistance, STATE.headwind_m_s
SAND, EARTH = 3, 2
EVIDENCE = Evidence()


@pytest.fixture
def begun(grounds: Grounds, prior: Prior, noise: Noise) -> Hypotheses:
    """The start of a log."""
    hypotheses = no_hypotheses(grounds.size)
    start(hypotheses, grounds, prior, noise)
    return hypotheses


@pytest.fixture
def driven(begun: Hypotheses) -> Hypotheses:
    """One load is left, and its mass well known."""
    keep_only(begun, 1)
    begun.loads["since_s"][1] = 300.0
    begun.covariances[1, :, MASS, :] *= 0.02
    begun.covariances[1, :, :, MASS] *= 0.02
    begun.states[1, :, WIND] = 3.0
    return begun


def keep_only(hypotheses: Hypotheses, *slots: int) -> None:
    hypotheses.loads["active"] = 0
    hypotheses.loads["active"][list(slots)] = 1
    normalise(hypotheses)


def weigh(hypotheses: Hypotheses, weights: Array) -> None:
    """Give the first loads these weights, mode by mode."""
    hypotheses.log_weights[: len(weights)] = np.log(weights)
    normalise(hypotheses)


def active(hypotheses: Hypotheses) -> NDArray[np.bool_]:
    return np.asarray(hypotheses.loads["active"] == 1)


def weight_of(hypotheses: Hypotheses) -> Array:
    return np.where(active(hypotheses), np.exp(hypotheses.log_weights).sum(axis=1), 0.0)


def stop(
    hypotheses: Hypotheses, grounds: Grounds, prior: Prior, noise: Noise, still_s: float
) -> None:
    spawn(
        hypotheses,
        grounds,
        prior,
        noise,
        still_s,
        change_probability(still_s, False, EVIDENCE.traffic_halt_s),
    )


# --- a log's start -------------------------------------------------------------------------------
def test_a_start_lays_out_the_prior(begun: Hypotheses, prior: Prior, grounds: Grounds) -> None:
    weights = weight_of(begun)
    assert weights.sum() == pytest.approx(1.0)
    assert_allclose(weights[active(begun)], prior.parts["weight"], rtol=1e-12)
    for part in np.flatnonzero(active(begun)):
        assert_allclose(begun.weights[part] / weights[part], grounds["initial"], rtol=1e-12)
        implied = 1.0 / begun.states[part, 0, MASS]
        assert implied == pytest.approx(prior.parts["mass_kg"][part], rel=0.05)
        area = begun.states[part, 0, DRAG] / begun.states[part, 0, MASS]
        factor = prior.solo_drag_factor if prior.parts["solo"][part] else 1.0
        assert area == pytest.approx(prior.drag_area_m2 * factor)
        assert_allclose(begun.states[part, :, ROLL], grounds["mean"])
        assert_allclose(begun.covariances[part, :, ROLL, ROLL], grounds["sd"] ** 2)


def test_states_that_a_log_has_no_use_for_have_no_variance(begun: Hypotheses) -> None:
    """No regeneration among the grounds, no body accelerometer."""
    unused = [STATE.regeneration_excess, STATE.slope_bias, STATE.squat_rad_s2_m]
    here = active(begun)
    assert (begun.covariances[here][:, :, unused, :] == 0.0).all()
    assert (begun.states[here][:, :, unused] == 0.0).all()
    used = np.setdiff1d(np.arange(len(MEAN)), [*unused, STATE.energy_height_m])
    assert (begun.covariances[here][:, :, used, used] > 0.0).all()


def test_drag_per_mass_goes_with_the_mass(begun: Hypotheses, prior: Prior) -> None:
    """kappa = A phi with A independent of phi, by drawing both."""
    rng = np.random.default_rng(8)
    phi = begun.states[0, 0, MASS] + math.sqrt(
        begun.covariances[0, 0, MASS, MASS]
    ) * rng.standard_normal(400_000)
    area = prior.drag_area_m2 + prior.drag_area_sd_m2 * rng.standard_normal(400_000)
    drawn = np.cov(phi, area * phi)
    place = np.ix_([MASS, DRAG], [MASS, DRAG])
    assert_allclose(begun.covariances[0, 0][place], drawn, rtol=0.01)


@given(st.integers(0, 10**6), st.floats(-800.0, 800.0))
def test_weights_add_up_to_one_and_their_sum_is_told(seed: int, shift: float) -> None:
    rng = np.random.default_rng(seed)
    hypotheses = no_hypotheses(5)
    hypotheses.loads["active"][:4] = rng.random(4) < 0.7
    hypotheses.loads["active"][4] = 1
    logs = rng.normal(0.0, 4.0, (MOST_LOADS, 5)) + shift
    hypotheses.log_weights[:] = logs
    here = active(hypotheses)
    total = np.log(np.exp(logs[here] - shift).sum()) + shift
    assert normalise(hypotheses) == pytest.approx(total, rel=1e-12, abs=1e-9)
    assert hypotheses.weights.sum() == pytest.approx(1.0, rel=1e-12)
    assert (hypotheses.weights[~here] == 0.0).all()
    assert_allclose(hypotheses.log_weights[here], logs[here] - total, atol=1e-9)
    assert_allclose(hypotheses.weights[here], np.exp(logs[here] - total), rtol=1e-9, atol=1e-15)


# --- the mass itself -----------------------------------------------------------------------------
def load(solo: int, scale: float = 0.01, scale_sd: float = 0.03) -> np.void:
    made = np.zeros(1, LOAD)
    made["solo"], made["log_scale"], made["log_scale_variance"] = solo, scale, scale_sd**2
    made["prior_log_mass"], made["prior_log_mass_variance"] = math.log(2700.0), 0.02**2
    return made[0]


def test_a_scale_is_considered_and_not_learnt_where_the_load_is_not_known() -> None:
    found = absolute_log_mass(load(solo=0), 8.5, 0.01**2)
    assert found == pytest.approx((8.51, 0.01**2 + 0.03**2, 0.01, 0.03**2))


@pytest.mark.parametrize("sd", [1e-4, 0.02, 0.036])
@pytest.mark.parametrize("off", [-0.05, 0.0, 0.08])
def test_where_nothing_is_hitched_the_implied_mass_says_as_much_of_the_scale(
    off: float, sd: float
) -> None:
    """Dense conditioning of the joint normal of ln m and ln s on their difference.

    The filter's own law of the difference starts from theirs: what it has seen beyond it is an
    observation of the rest of its precision.
    """
    mean, covariance = np.array([math.log(2700.0), 0.01]), np.diag([0.02**2, 0.03**2])
    reads = np.array([1.0, -1.0])
    spread = reads @ covariance @ reads
    implied = reads @ mean + off
    seen_variance = 1.0 / (1.0 / sd**2 - 1.0 / spread)
    seen = seen_variance * (implied / sd**2 - (reads @ mean) / spread)
    gain = covariance @ reads / (spread + seen_variance)
    expected = mean + gain * (seen - reads @ mean)
    left = covariance - np.outer(gain, reads @ covariance)
    log_mass, variance, scale, scale_variance = absolute_log_mass(load(solo=1), implied, sd**2)
    assert (log_mass, scale) == pytest.approx(tuple(expected), rel=1e-9)
    assert (variance, scale_variance) == pytest.approx((left[0, 0], left[1, 1]), rel=1e-6)


def test_the_implied_mass_of_a_load_is_that_of_its_mixture() -> None:
    rng = np.random.default_rng(3)
    weights = rng.dirichlet(np.ones(5))
    states, covariances = np.tile(MEAN, (5, 1)), np.tile(np.diag(SD**2), (5, 1, 1))
    states[:, MASS] *= rng.uniform(0.9, 1.1, 5)
    each = [log_implied(states[mode, MASS], covariances[mode, MASS, MASS]) for mode in range(5)]
    means, variances = np.array(each).T
    mean = weights @ means
    expected = weights @ (variances + (means - mean) ** 2)
    found = log_implied_pooled(states, covariances, np.log(weights) - 300.0)
    assert found == pytest.approx((mean, expected), rel=1e-9)


# --- a standstill --------------------------------------------------------------------------------
def test_weights_are_kept_when_hypotheses_are_spawned(
    driven: Hypotheses, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    stop(driven, grounds, prior, noise, 600.0)
    assert active(driven).sum() == 1 + prior.parts.size
    weights = weight_of(driven)
    assert weights.sum() == pytest.approx(1.0, rel=1e-6)
    changed = driven.loads["changed"] == 1
    expected = change_probability(600.0, False, EVIDENCE.traffic_halt_s)
    assert weights[changed].sum() == pytest.approx(expected, rel=1e-6)


def test_nothing_hitched_is_among_what_a_standstill_may_bring(
    driven: Hypotheses, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    stop(driven, grounds, prior, noise, 600.0)
    solo = active(driven) & (driven.loads["solo"] == 1)
    assert solo.sum() == 1
    place = int(np.flatnonzero(solo)[0])
    parts = prior.parts
    solo_mass_kg = parts["mass_kg"][parts["solo"] == 1][0]
    assert 1.0 / driven.states[place, 0, MASS] == pytest.approx(solo_mass_kg, rel=0.02)
    # What does not hang on the load carries over, and so does the scale.
    assert_allclose(driven.states[place, :, WIND], 3.0)
    assert driven.loads["log_scale"][place] == pytest.approx(prior.log_scale, abs=1e-12)


def test_a_short_halt_moves_the_mass_by_people_only(
    driven: Hypotheses, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    before, mean = driven.covariances[1, 0, MASS, MASS], driven.states[1, 0, MASS]
    stop(driven, grounds, prior, noise, 60.0)
    added_kg = np.sqrt(driven.covariances[1, 0, MASS, MASS] - before) / mean**2
    assert 2.0 < added_kg < 60.0
    assert driven.states[1, 0, MASS] == mean


def test_longer_halts_and_reversing_raise_the_odds() -> None:
    still = np.array([5.0, 30.0, 120.0, 600.0, 7200.0])
    plain = np.array([change_probability(s, False, EVIDENCE.traffic_halt_s) for s in still])
    reversed_ = np.array([change_probability(s, True, EVIDENCE.traffic_halt_s) for s in still])
    assert (np.diff(plain) > 0.0).all() and plain[0] < 0.02 and plain[-1] < 0.7
    assert (reversed_ > plain).all() and (reversed_ < 1.0).all()
    # A drive through a town has tens of halts at lights (about half a minute each, common
    # practice, no source): all together they seldom change the load.
    assert 1.0 - (1.0 - change_probability(30.0, False, EVIDENCE.traffic_halt_s)) ** 30 < 0.06
    assert change_probability(300.0, False, EVIDENCE.traffic_halt_s) > 0.1


def test_slots_never_run_out(
    driven: Hypotheses, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    for _ in range(12):
        stop(driven, grounds, prior, noise, 900.0)
        assert 1 <= active(driven).sum() <= MOST_LOADS
        assert np.isfinite(driven.states[active(driven)]).all()


# --- evidence between loads ----------------------------------------------------------------------
@pytest.mark.parametrize("share", [0.03, 0.4, 1.0])
def test_a_share_of_the_evidence_between_loads_counts(share: float) -> None:
    rng = np.random.default_rng(5)
    hypotheses = no_hypotheses(5)
    hypotheses.loads["active"][:2] = 1
    begin = np.log(rng.uniform(0.1, 1.0, (2, 5)))
    weigh(hypotheses, np.exp(begin + rng.normal(0.0, 3.0, (2, 5))))
    before = np.zeros(MOST_LOADS)
    before[:2] = np.exp(begin).sum(axis=1)
    raw = hypotheses.log_weights[:2].copy()
    assert temper_loads(hypotheses, before, share)
    after = hypotheses.log_weights[:2]
    # Within a load nothing moves; between loads the Bayes factor is raised to a power.
    assert_allclose(np.diff(after, axis=1), np.diff(raw, axis=1), atol=1e-12)

    def factor(logs: Array) -> float:
        total = np.log(np.exp(logs).sum(axis=1)) - np.log(before[:2])
        return float(total[1] - total[0])

    assert factor(after) == pytest.approx(share * factor(raw), rel=1e-9)


def test_a_load_alone_has_nothing_to_be_weighed_against() -> None:
    hypotheses = no_hypotheses(5)
    hypotheses.loads["active"][0] = 1
    weigh(hypotheses, np.full((1, 5), 0.2))
    before = np.zeros(MOST_LOADS)
    before[0] = 1.0
    assert not temper_loads(hypotheses, before, 1.0)


def test_loose_ground_is_what_gives_way(grounds: Grounds) -> None:
    hypotheses = no_hypotheses(grounds.size)
    hypotheses.loads["active"][:2] = 1
    weights = np.random.default_rng(2).dirichlet(np.ones(10)).reshape(2, 5)
    weigh(hypotheses, weights)
    expected = weights[:, grounds["mean"] > 0.035].sum()
    assert 0.0 < expected < 1.0
    assert loose_probability(hypotheses, grounds) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("with_regeneration", [False, True])
def test_a_load_pays_for_the_change_of_ground_that_it_needs(with_regeneration: bool) -> None:
    """Two loads on sand; one is on earth by now: with rate r and time t that had odds of r t."""
    grounds, driven_s, share = ground_modes(with_regeneration=with_regeneration), 20.0, 0.03
    hypotheses = no_hypotheses(grounds.size)
    hypotheses.loads["active"][:2] = 1
    hypotheses.loads["charged"][:2, SAND] = 1.0
    weights = np.full((2, grounds.size), np.exp(-60.0))
    weights[0, SAND] = weights[1, EARTH] = 0.5
    weigh(hypotheses, weights)

    def odds() -> float:
        return float(hypotheses.log_weights[0, SAND] - hypotheses.log_weights[1, EARTH])

    charge_changes(hypotheses, grounds, driven_s, share)
    normalise(hypotheses)
    price = -math.log(grounds["rate_per_s"][EARTH] * driven_s)
    once = odds()
    assert once == pytest.approx((1.0 - share) * price, rel=1e-6)
    assert weight_of(hypotheses).sum() == pytest.approx(1.0, rel=1e-9)
    # Paid once: where the grounds stay as they are, nothing more is charged.
    charge_changes(hypotheses, grounds, driven_s, share)
    assert odds() == pytest.approx(once, rel=1e-9)


# --- keeping few ---------------------------------------------------------------------------------
def test_tidy_drops_what_the_drive_ruled_out_and_keeps_the_rest(
    begun: Hypotheses, prior: Prior
) -> None:
    begun.loads["since_s"] = 60.0
    begun.log_weights[0] -= 40.0
    normalise(begun)
    tidy(begun, prior.most_mass_kg)
    assert begun.loads["active"][0] == 0
    assert active(begun).sum() >= 3
    assert begun.weights.sum() == pytest.approx(1.0, rel=1e-12)


def test_a_load_just_laid_out_is_not_ruled_out(begun: Hypotheses, prior: Prior) -> None:
    begun.loads["since_s"] = 10.0
    begun.log_weights[0] -= 40.0
    normalise(begun)
    tidy(begun, prior.most_mass_kg)
    assert begun.loads["active"][0] == 1


def test_tidy_merges_the_same_load_and_keeps_the_moments(begun: Hypotheses, prior: Prior) -> None:
    keep_only(begun, 0, 1)
    begun.states[1] = begun.states[0]
    begun.states[1, :, MASS] *= 1.001
    begun.covariances[1] = begun.covariances[0]
    weights = begun.weights[:2].copy()
    first = np.sum(weights * begun.states[:2, :, MASS])
    tidy(begun, prior.most_mass_kg)
    assert active(begun).sum() == 1
    after = np.exp(begun.log_weights[0])
    assert after.sum() == pytest.approx(weights.sum(), rel=1e-12)
    assert np.sum(after * begun.states[0, :, MASS]) == pytest.approx(first, rel=1e-12)


@pytest.mark.parametrize(("share", "merges"), [(0.002, True), (0.2, False)])
def test_a_changed_load_that_is_the_same_is_told_apart_while_it_matters(
    begun: Hypotheses, grounds: Grounds, prior: Prior, share: float, merges: bool
) -> None:
    keep_only(begun, 0, 1)
    begun.loads["changed"][:2] = 1, 0
    weigh(begun, np.outer([share, 1.0 - share], grounds["initial"]))
    begun.states[1], begun.covariances[1] = begun.states[0], begun.covariances[0]
    tidy(begun, prior.most_mass_kg)
    assert active(begun).sum() == (1 if merges else 2)
    if merges:
        # The heavier one names what is left.
        assert begun.loads["changed"][active(begun)] == 0


def test_nothing_hitched_is_never_merged_with_a_load(begun: Hypotheses, prior: Prior) -> None:
    keep_only(begun, 0, 1)
    begun.states[1], begun.covariances[1] = begun.states[0], begun.covariances[0]
    begun.loads["solo"][1] = 1
    tidy(begun, prior.most_mass_kg)
    assert active(begun).sum() == 2


def test_no_load_is_believed_in_that_nothing_could_haul(begun: Hypotheses, prior: Prior) -> None:
    keep_only(begun, 0, 1)
    begun.loads["changed"][:2] = 1
    begun.loads["since_s"][:2] = 60.0
    for slot, mass_kg in ((0, 0.8 * prior.most_mass_kg), (1, 1.2 * prior.most_mass_kg)):
        begun.states[slot, :, MASS] = 1.0 / mass_kg
        begun.covariances[slot, :, MASS, :] = 0.0
        begun.covariances[slot, :, :, MASS] = 0.0
        begun.covariances[slot, :, MASS, MASS] = (0.01 / mass_kg) ** 2
    tidy(begun, prior.most_mass_kg)
    assert active(begun)[:2].tolist() == [True, False]


def test_the_last_load_stays_however_heavy(begun: Hypotheses, prior: Prior) -> None:
    keep_only(begun, 0)
    begun.loads["changed"][0], begun.loads["since_s"][0] = 1, 60.0
    begun.states[0, :, MASS] = 1.0 / (2.0 * prior.most_mass_kg)
    tidy(begun, prior.most_mass_kg)
    assert active(begun).sum() == 1


def test_room_for_hypotheses_is_empty() -> None:
    hypotheses = no_hypotheses(7)
    assert not active(hypotheses).any()
    assert (hypotheses.log_weights == NO_WEIGHT).all() and hypotheses.states.shape[:2] == (12, 7)
