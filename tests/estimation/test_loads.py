"""Standstills: what is spawned, what stays, what is dropped and merged."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from loadlearn.estimation import layout
from loadlearn.estimation.layout import (
    L_ACTIVE,
    L_CHANGED,
    L_LOG_SCALE,
    L_SINCE_S,
    L_SOLO,
    MAX_LOADS,
)
from loadlearn.estimation.loads import change_probability, spawn, start, tidy
from loadlearn.estimation.model import KAPPA, PHI, ROLL, WIND, Grounds, Noise, Prior

Array = NDArray[np.float64]


@pytest.fixture
def begun(grounds: Grounds, prior: Prior, noise: Noise) -> layout.FilterArrays:
    arrays = layout.filter_arrays(13, grounds.mean.size)
    start(*arrays[1:], grounds, prior, noise)
    return arrays


@pytest.fixture
def driven(begun: layout.FilterArrays) -> layout.FilterArrays:
    """One load is left, and its mass well known."""
    begun.loads[:, L_ACTIVE] = 0.0
    begun.loads[1, L_ACTIVE] = 1.0
    begun.loads[1, L_SINCE_S] = 300.0
    begun.log_weights[1] -= np.log(np.exp(begun.log_weights[1]).sum())
    begun.covariances[1, PHI, :] *= 0.02
    begun.covariances[1, :, PHI] *= 0.02
    begun.states[1, WIND] = 3.0
    return begun


def active(arrays: layout.FilterArrays) -> Array:
    return arrays.loads[:, L_ACTIVE] > 0.5


def weight_of(arrays: layout.FilterArrays) -> Array:
    modes = arrays.log_weights.shape[1]
    return np.where(active(arrays), np.exp(arrays.log_weights[:, :modes]).sum(axis=1), 0.0)


def stop(
    arrays: layout.FilterArrays,
    grounds: Grounds,
    prior: Prior,
    noise: Noise,
    still_s: float,
    reversed_before: bool = False,
) -> None:
    spawn(*arrays[1:], grounds, prior, noise, still_s, reversed_before)


def test_a_start_lays_out_the_prior(
    begun: layout.FilterArrays, prior: Prior, grounds: Grounds
) -> None:
    weights = weight_of(begun)
    assert weights.sum() == pytest.approx(1.0)
    assert_allclose(weights[active(begun)], prior.weight, rtol=1e-12)
    for part in np.flatnonzero(active(begun)):
        implied = 1.0 / begun.states[part, PHI, 0]
        assert implied == pytest.approx(prior.mass_kg[part], rel=0.05)
        area = begun.states[part, KAPPA, 0] / begun.states[part, PHI, 0]
        factor = prior.solo_drag_factor if prior.solo[part] else 1.0
        assert area == pytest.approx(prior.drag_area_m2 * factor)
        assert_allclose(begun.states[part, ROLL, : grounds.mean.size], grounds.mean)


def test_weights_are_kept_when_hypotheses_are_spawned(
    driven: layout.FilterArrays, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    stop(driven, grounds, prior, noise, 600.0)
    assert active(driven).sum() == 1 + prior.weight.size
    weights = weight_of(driven)
    assert weights.sum() == pytest.approx(1.0, rel=1e-6)
    changed = driven.loads[:, L_CHANGED] > 0.5
    expected = change_probability(600.0, False)
    assert weights[changed].sum() == pytest.approx(expected, rel=1e-6)


def test_nothing_hitched_is_among_what_a_standstill_may_bring(
    driven: layout.FilterArrays, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    stop(driven, grounds, prior, noise, 600.0)
    solo = active(driven) & (driven.loads[:, L_SOLO] > 0.5)
    assert solo.sum() == 1
    place = int(np.flatnonzero(solo)[0])
    assert 1.0 / driven.states[place, PHI, 0] == pytest.approx(prior.solo_mass_kg, rel=0.02)
    # What does not hang on the load carries over, and so does the scale.
    assert_allclose(driven.states[place, WIND, : grounds.mean.size], 3.0)
    assert driven.loads[place, L_LOG_SCALE] == pytest.approx(prior.log_scale, abs=1e-12)


def test_a_short_halt_moves_the_mass_by_people_only(
    driven: layout.FilterArrays, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    before, mean = driven.covariances[1, PHI, PHI, 0], driven.states[1, PHI, 0]
    stop(driven, grounds, prior, noise, 60.0)
    added_kg = np.sqrt(driven.covariances[1, PHI, PHI, 0] - before) / mean**2
    assert 2.0 < added_kg < 60.0
    assert driven.states[1, PHI, 0] == mean


def test_longer_halts_and_reversing_raise_the_odds() -> None:
    still = np.array([5.0, 30.0, 120.0, 600.0, 7200.0])
    plain = np.array([change_probability(s, False) for s in still])
    reversed_ = np.array([change_probability(s, True) for s in still])
    assert (np.diff(plain) > 0.0).all() and plain[0] < 0.02 and plain[-1] < 0.7
    assert (reversed_ > plain).all() and (reversed_ < 1.0).all()
    # A drive through a town has tens of halts at lights (about half a minute each, common
    # practice, no source): all together they seldom change the load.
    assert 1.0 - (1.0 - change_probability(30.0, False)) ** 30 < 0.06
    assert change_probability(300.0, False) > 0.1


def test_slots_never_run_out(
    driven: layout.FilterArrays, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    for _ in range(12):
        stop(driven, grounds, prior, noise, 900.0)
        assert 1 <= active(driven).sum() <= MAX_LOADS
        assert np.isfinite(driven.states[active(driven)]).all()


def test_tidy_drops_what_the_drive_ruled_out_and_keeps_the_rest(
    begun: layout.FilterArrays, grounds: Grounds, prior: Prior
) -> None:
    modes = grounds.mean.size
    begun.loads[:, L_SINCE_S] = 60.0
    begun.log_weights[0] -= 40.0
    tidy(*begun[1:], modes, prior.most_mass_kg)
    assert begun.loads[0, L_ACTIVE] == 0.0
    assert active(begun).sum() >= 3


def test_tidy_merges_the_same_load_and_keeps_the_moments(
    begun: layout.FilterArrays, grounds: Grounds, prior: Prior
) -> None:
    modes = grounds.mean.size
    begun.loads[2:, L_ACTIVE] = 0.0
    begun.states[1] = begun.states[0]
    begun.states[1, PHI] *= 1.001
    begun.covariances[1] = begun.covariances[0]
    weights = np.exp(begun.log_weights[:2, :modes])
    first = np.sum(weights * begun.states[:2, PHI, :modes])
    tidy(*begun[1:], modes, prior.most_mass_kg)
    assert active(begun).sum() == 1
    after = np.exp(begun.log_weights[0, :modes])
    assert after.sum() == pytest.approx(weights.sum(), rel=1e-12)
    assert np.sum(after * begun.states[0, PHI, :modes]) == pytest.approx(first, rel=1e-12)


@pytest.mark.parametrize(("share", "merges"), [(0.002, True), (0.2, False)])
def test_a_changed_load_that_is_the_same_is_told_apart_while_it_matters(
    begun: layout.FilterArrays, grounds: Grounds, prior: Prior, share: float, merges: bool
) -> None:
    modes = grounds.mean.size
    begun.loads[2:, L_ACTIVE] = 0.0
    begun.loads[:2, L_CHANGED] = 1.0, 0.0
    for place, weight in ((0, share), (1, 1.0 - share)):
        begun.log_weights[place, :modes] = np.log(weight * grounds.initial)
    begun.states[1], begun.covariances[1] = begun.states[0], begun.covariances[0]
    tidy(*begun[1:], modes, prior.most_mass_kg)
    assert active(begun).sum() == (1 if merges else 2)
    if merges:
        # The heavier one names what is left.
        assert begun.loads[active(begun), L_CHANGED] == 0.0


def test_no_load_is_believed_in_that_nothing_could_haul(
    begun: layout.FilterArrays, grounds: Grounds, prior: Prior
) -> None:
    modes = grounds.mean.size
    begun.loads[2:, L_ACTIVE] = 0.0
    begun.loads[:2, L_CHANGED] = 1.0
    begun.loads[:2, L_SINCE_S] = 60.0
    for place, mass_kg in ((0, 0.8 * prior.most_mass_kg), (1, 1.2 * prior.most_mass_kg)):
        begun.states[place, PHI] = 1.0 / mass_kg
        begun.covariances[place, PHI, :, :] = 0.0
        begun.covariances[place, :, PHI, :] = 0.0
        begun.covariances[place, PHI, PHI] = (0.01 / mass_kg) ** 2
    tidy(*begun[1:], modes, prior.most_mass_kg)
    assert active(begun)[:2].tolist() == [True, False]


def test_the_last_load_stays_however_heavy(
    begun: layout.FilterArrays, grounds: Grounds, prior: Prior
) -> None:
    begun.loads[1:, L_ACTIVE] = 0.0
    begun.loads[0, L_CHANGED], begun.loads[0, L_SINCE_S] = 1.0, 60.0
    begun.states[0, PHI] = 1.0 / (2.0 * prior.most_mass_kg)
    tidy(*begun[1:], grounds.mean.size, prior.most_mass_kg)
    assert active(begun).sum() == 1
