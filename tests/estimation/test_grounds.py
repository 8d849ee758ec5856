"""Mixing of grounds against mixing from every mode to every other, and what must not change."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.stats import truncnorm

from loadlearn.estimation import layout
from loadlearn.estimation.grounds import (
    PLAUSIBLE_SD,
    REGENERATION_MEMORY_S,
    _forget_regeneration,
    merge_lanes,
    mix,
)
from loadlearn.estimation.lanes import mirror
from loadlearn.estimation.layout import LANES, NO_WEIGHT
from loadlearn.estimation.loads import start
from loadlearn.estimation.model import (
    PHI,
    REGENERATION,
    ROLL,
    SLIP,
    Grounds,
    Noise,
    Prior,
    ground_modes,
)
from loadlearn.study.reference import moment_matched, redrawn, switching_matrix

Array = NDArray[np.float64]
SECONDS = 4.0


def scene(
    grounds: Grounds, prior: Prior, noise: Noise, weights: list[float], same: bool
) -> tuple[Array, Array, Array]:
    """Filters of five grounds that know something, as after a while of driving."""
    rng = np.random.default_rng(3)
    arrays = layout.filter_arrays(13, grounds.mean.size)
    start(*arrays[1:], grounds, prior, noise)
    states, covariances = arrays.states[0].copy(), arrays.covariances[0].copy()
    sd = np.sqrt(np.einsum("iih->ih", covariances))
    root = rng.standard_normal((13, 13, 1)) * 0.3 + np.eye(13)[:, :, None]
    root = root * sd[:, None, :1]
    covariances[:] = np.einsum("ikh,jkh->ijh", root, root)
    if not same:
        states += 0.4 * sd * rng.standard_normal(states.shape)
    # The modes' slips differ in proportion to how their grounds give way, and so do their sd.
    for h in range(grounds.mean.size):
        covariances[SLIP, :, h] *= grounds.slip[h]
        covariances[:, SLIP, h] *= grounds.slip[h]
        states[ROLL, h] = grounds.mean[h] * 1.1
        covariances[ROLL, :, h] *= 0.5
        covariances[:, ROLL, h] *= 0.5
    log_weights = np.full(LANES, NO_WEIGHT)
    log_weights[: len(weights)] = np.log(weights)
    return states, covariances, log_weights


def mixed(scene_: tuple[Array, Array, Array], grounds: Grounds) -> tuple[Array, Array, Array]:
    states, covariances, log_weights = (array.copy() for array in scene_)
    n = states.shape[0]
    scratch = np.empty_like(states), np.empty(n), np.empty((n, n))
    mix(states, covariances, log_weights, grounds, SECONDS, SECONDS, *scratch)
    mirror(covariances)
    return states, covariances, log_weights


WEIGHTS = [0.5, 0.2, 0.15, 0.1, 0.05]


def test_weights_are_those_of_the_markov_chain(
    grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    _, _, log_weights = mixed(scene(grounds, prior, noise, WEIGHTS, False), grounds)
    expected = np.array(WEIGHTS) @ switching_matrix(grounds, SECONDS)
    assert_allclose(np.exp(log_weights[:5]), expected, rtol=1e-12)
    assert np.exp(log_weights[:5]).sum() == pytest.approx(1.0, rel=1e-12)
    assert (log_weights[5:] == NO_WEIGHT).all()


def test_alike_modes_mix_as_every_mode_from_every_other(
    grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    """Where the modes differ in rolling resistance only, pooled moments lose nothing."""
    before = scene(grounds, prior, noise, WEIGHTS, True)
    states, covariances, _ = mixed(before, grounds)
    arriving = np.array(WEIGHTS)[:, None] * switching_matrix(grounds, SECONDS)
    for mode in range(5):
        parts = [
            (before[0][:, other], before[1][:, :, other])
            if other == mode
            else redrawn(before[0][:, other], before[1][:, :, other], grounds, other, mode)
            for other in range(5)
        ]
        mean, covariance = moment_matched(arriving[:, mode] / arriving[:, mode].sum(), parts)
        assert_allclose(states[:, mode], mean, rtol=1e-10)
        scale = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance))) + 1e-300
        assert np.max(np.abs(covariances[:, :, mode] - covariance) / scale) < 1e-10


def test_unlike_modes_receive_the_pool_of_all(grounds: Grounds, prior: Prior, noise: Noise) -> None:
    """The stated approximation, written the long way: what arrives is the mixture of all modes."""
    before = scene(grounds, prior, noise, WEIGHTS, False)
    states, covariances, _ = mixed(before, grounds)
    weights, chances = np.array(WEIGHTS), grounds.rate_per_s * SECONDS
    for mode in range(5):
        parts = [(before[0][:, mode], before[1][:, :, mode])]
        parts += [
            redrawn(before[0][:, other], before[1][:, :, other], grounds, other, mode)
            for other in range(5)
        ]
        stay = weights[mode] * (1.0 - chances.sum() + chances[mode])
        arrive = (1.0 - weights[mode]) * chances[mode]
        shares = np.concatenate([[stay], arrive * weights]) / (stay + arrive)
        mean, covariance = moment_matched(shares, parts)
        assert_allclose(states[:, mode], mean, rtol=1e-10)
        scale = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance))) + 1e-300
        assert np.max(np.abs(covariances[:, :, mode] - covariance) / scale) < 1e-10


def test_arriving_on_a_ground_draws_its_resistance_and_keeps_the_mass(
    grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    before = scene(grounds, prior, noise, [1.0, 1e-30, 1e-30, 1e-30, 1e-30], False)
    states, covariances, _ = mixed(before, grounds)
    for mode in range(1, 5):
        assert states[ROLL, mode] == pytest.approx(grounds.mean[mode], rel=1e-9)
        assert covariances[ROLL, ROLL, mode] == pytest.approx(grounds.sd[mode] ** 2, rel=1e-9)
        assert np.abs(covariances[ROLL, PHI, mode]) < 1e-12
        assert states[PHI, mode] == pytest.approx(before[0][PHI, 0], rel=1e-9)
    assert_allclose(states[:, 0], before[0][:, 0], rtol=1e-9)


def test_regeneration_begins_with_its_excess_on_the_same_ground(prior: Prior, noise: Noise) -> None:
    modes = ground_modes(with_regeneration=True)
    weights = [1.0] + [1e-30] * (modes.mean.size - 1)
    before = scene(modes, prior, noise, weights, True)
    on = int(modes.partner[0])
    before[0][REGENERATION] = 0.0
    before[1][REGENERATION, :] = 0.0
    before[1][:, REGENERATION] = 0.0
    states, covariances, log_weights = mixed(before, modes)
    assert np.exp(log_weights[: modes.mean.size]).sum() == pytest.approx(1.0, rel=1e-9)
    assert 0.0 < np.exp(log_weights[on]) < 0.01
    assert 0.05 < states[REGENERATION, on] < 0.25
    assert covariances[REGENERATION, REGENERATION, on] > 0.0
    assert states[REGENERATION, 0] == 0.0
    assert states[ROLL, on] == pytest.approx(before[0][ROLL, 0], rel=1e-3)


def apart_of(modes: Grounds) -> int:
    (apart,) = np.flatnonzero(modes.unchanged)
    return int(apart)


def test_that_nothing_has_changed_is_not_merged_with_that_something_did(
    prior: Prior, noise: Noise
) -> None:
    modes = ground_modes(with_regeneration=True)
    apart, on = apart_of(modes), int(modes.partner[0])
    # Gravel and a regeneration are far likelier for a while, and know another mass.
    weights = [1e-3] * modes.mean.size
    weights[1], weights[on] = 0.6, 0.39
    before = scene(modes, prior, noise, weights, False)
    states, covariances, log_weights = mixed(before, modes)
    assert np.exp(log_weights[: modes.mean.size]).sum() == pytest.approx(sum(weights), rel=1e-9)
    assert_allclose(states[:, apart], before[0][:, apart], rtol=1e-12)
    assert_allclose(covariances[:, :, apart], before[1][:, :, apart], rtol=1e-12)
    without = [mode for mode in range(modes.mean.size) if modes.regeneration[mode] == 0]
    share = np.exp(log_weights[apart]) / np.exp(log_weights[without]).sum()
    assert share < weights[apart] / sum(weights[mode] for mode in without)
    # "The first ground again" takes in both.
    assert abs(states[PHI, 0] / before[0][PHI, 0] - 1.0) > 0.01
    assert np.exp(log_weights[0]) > weights[0]


def test_a_regeneration_begins_where_nothing_has_changed_yet(prior: Prior, noise: Noise) -> None:
    modes = ground_modes(with_regeneration=True)
    apart, on = apart_of(modes), int(modes.partner[0])
    weights = [1e-30] * modes.mean.size
    weights[apart] = 1.0
    before = scene(modes, prior, noise, weights, False)
    states, _, log_weights = mixed(before, modes)
    assert np.exp(log_weights[on]) == pytest.approx(SECONDS / 21600.0, rel=0.02)
    assert states[PHI, on] == pytest.approx(before[0][PHI, apart], rel=1e-3)
    # The first ground may change within its kind: its resistance is drawn anew.
    assert np.exp(log_weights[0]) == pytest.approx(SECONDS * modes.rate_per_s[0], rel=0.02)
    assert states[ROLL, 0] == pytest.approx(modes.mean[0], rel=1e-3)


def test_the_first_ground_regained_is_kept_apart_anew(prior: Prior, noise: Noise) -> None:
    modes = ground_modes(with_regeneration=True)
    apart = apart_of(modes)
    weights = [1e-12] * modes.mean.size
    weights[0] = 1.0
    before = scene(modes, prior, noise, weights, False)
    states, covariances, log_weights = mixed(before, modes)
    assert np.exp(log_weights[: modes.mean.size]).sum() == pytest.approx(1.0, rel=1e-9)
    assert np.exp(log_weights[apart]) > 0.98
    assert_allclose(states[:, apart], before[0][:, 0], rtol=1e-12)
    assert_allclose(covariances[:, :, apart], before[1][:, :, 0], rtol=1e-12)


def test_a_resistance_out_of_its_grounds_reach_is_another_grounds(
    grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    """Its weight is what the truncated normal leaves of it, its moments are that normal's."""
    before = scene(grounds, prior, noise, WEIGHTS, False)
    earth = 2
    sd = np.sqrt(before[1][ROLL, ROLL, earth])
    # Without arrivals: what is left is the bound.
    still = grounds._replace(rate_per_s=np.zeros(5))
    high = grounds.mean[earth] + PLAUSIBLE_SD * grounds.sd[earth]
    before[0][ROLL, earth] = high + 1.5 * sd
    states, covariances, log_weights = mixed(before, still)
    law = truncnorm(
        (-1.0 - before[0][ROLL, earth]) / sd, -1.5, loc=before[0][ROLL, earth], scale=sd
    )
    assert states[ROLL, earth] == pytest.approx(law.mean(), rel=1e-9)
    assert covariances[ROLL, ROLL, earth] == pytest.approx(law.var(), rel=1e-6)
    inside = np.exp(log_weights[earth]) / WEIGHTS[earth]
    assert inside == pytest.approx(0.0668072, rel=1e-5)  # normal tail at 1.5 sd, any table
    # The rest follows by regression on the resistance, and no other mode is touched.
    slope = before[1][PHI, ROLL, earth] / sd**2
    moved = states[ROLL, earth] - before[0][ROLL, earth]
    assert states[PHI, earth] == pytest.approx(before[0][PHI, earth] + slope * moved, rel=1e-9)
    others = [0, 1, 3, 4]
    assert_allclose(states[:, others], before[0][:, others], rtol=1e-12)
    assert_allclose(np.exp(log_weights[others]), np.array(WEIGHTS)[others], rtol=1e-12)


def test_merging_lanes_is_moment_matching() -> None:
    rng = np.random.default_rng(2)
    states, root = rng.standard_normal((5, 8)), rng.standard_normal((5, 5, 8))
    covariances = np.einsum("ikh,jkh->ijh", root, root)
    mean, covariance = moment_matched(
        np.array([0.3, 0.7]), [(states[:, i], covariances[:, :, i]) for i in (2, 5)]
    )
    merge_lanes(states, covariances, 2, 0.3, states[:, 5].copy(), covariances[:, :, 5].copy(), 0.7)
    assert_allclose(states[:, 2], mean)
    assert_allclose(covariances[:, :, 2], covariance)


@given(st.floats(-60.0, 60.0), st.floats(0.01, 5.0))
def test_evidence_for_a_regeneration_fades_to_its_usual_odds(log_odds: float, dt: float) -> None:
    """In two steps as in one; in all the weights stay; odds below the usual ones stay, too."""
    modes = ground_modes(with_regeneration=True)
    usual = np.log(900.0 / 21600.0)
    on = modes.regeneration == 1
    weight = np.where(on, np.exp(log_odds) / on.sum(), 1.0 / (~on).sum())
    once, twice = weight.copy(), weight.copy()
    _forget_regeneration(once, modes, 2.0 * dt)
    _forget_regeneration(twice, modes, dt)
    _forget_regeneration(twice, modes, dt)
    assert_allclose(once, twice, rtol=1e-9)
    assert once.sum() == pytest.approx(weight.sum(), rel=1e-12)
    after = np.log(once[on].sum() / once[~on].sum())
    faded = usual + (log_odds - usual) * np.exp(-2.0 * dt / REGENERATION_MEMORY_S)
    assert after == pytest.approx(faded if log_odds > usual else log_odds, abs=1e-9)
