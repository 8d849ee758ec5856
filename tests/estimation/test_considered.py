"""What is considered beside the filter's belief: against textbook laws and drawn regressions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from loadlearn.estimation.considered import BLOCKS_BEFORE, misfit, note_block, told
from loadlearn.estimation.loads import LOAD

PRIOR = 1.0 / 5000.0
PRIOR_VARIANCE = (0.25 * PRIOR) ** 2


def belief(share_told: float) -> tuple[float, float]:
    """A filter's belief of which this share of the prior's variance is left."""
    return PRIOR * 1.1, PRIOR_VARIANCE * share_told


@given(left=st.floats(1e-5, 0.999))
def test_without_misfit_and_answers_the_filter_is_believed(left: float) -> None:
    phi, variance = belief(left)
    found = told(phi, variance, PRIOR, PRIOR_VARIANCE, PRIOR, PRIOR_VARIANCE, 1.0, 0.0, 0.0)
    assert found == pytest.approx((phi, variance), rel=1e-6)


@given(
    left=st.floats(1e-5, 0.999),
    misfit=st.floats(1.0, 50.0),
    answers=st.floats(0.0, 1e4),
    spread=st.floats(0.0, 1.0),
)
def test_belief_only_widens_and_never_beyond_the_prior(
    left: float, misfit: float, answers: float, spread: float
) -> None:
    phi, variance = belief(left)
    mean, wide = told(
        phi, variance, PRIOR, PRIOR_VARIANCE, PRIOR, PRIOR_VARIANCE, misfit, answers, spread
    )
    assert variance * (1.0 - 1e-9) <= wide <= PRIOR_VARIANCE * (1.0 + 1e-9)
    told_alone = (phi / variance - PRIOR / PRIOR_VARIANCE) / (1 / variance - 1 / PRIOR_VARIANCE)
    low, high = sorted((PRIOR, told_alone))
    assert low * (1.0 - 1e-9) <= mean <= high * (1.0 + 1e-9)


@given(answers=st.floats(0.0, 1e3), factor=st.floats(0.01, 100.0))
def test_units_do_not_matter(answers: float, factor: float) -> None:
    phi, variance = belief(0.01)
    one = told(phi, variance, PRIOR, PRIOR_VARIANCE, PRIOR, PRIOR_VARIANCE, 2.0, answers, 0.0)
    square = factor**2
    other = told(
        phi * factor,
        variance * square,
        *(PRIOR * factor, PRIOR_VARIANCE * square) * 2,
        2.0,
        answers,
        0.0,
    )
    assert other[0] == pytest.approx(one[0] * factor, rel=1e-9)
    assert other[1] == pytest.approx(one[1] * factor**2, rel=1e-9)


@given(part=st.floats(0.8, 1.4), answers=st.floats(1.0, 400.0))
def test_a_part_of_a_broad_prior_is_put_back_whole(part: float, answers: float) -> None:
    """Whatever part a belief came from: the whole law times what the drive tells, by quadrature."""
    told_phi, told_sd = 0.9 * PRIOR, 0.02 * PRIOR
    part_phi, part_variance = part * PRIOR, (0.12 * PRIOR) ** 2
    variance = 1.0 / (told_sd**-2 + 1.0 / part_variance)
    phi = variance * (told_phi / told_sd**2 + part_phi / part_variance)
    found = told(phi, variance, part_phi, part_variance, PRIOR, PRIOR_VARIANCE, 1.0, answers, 0.0)
    wide = np.hypot(told_sd, told_sd**2 * answers / phi)
    at = np.linspace(-1.5, 3.5, 200_001) * PRIOR
    weight = norm.pdf(at, told_phi, wide) * norm.pdf(at, PRIOR, np.sqrt(PRIOR_VARIANCE))
    weight /= weight.sum()
    mean = weight @ at
    assert found[0] == pytest.approx(mean, rel=1e-6)
    assert found[1] == pytest.approx(weight @ (at - mean) ** 2, rel=1e-4)


def test_where_all_is_answer_the_prior_is_left() -> None:
    phi, variance = belief(0.01)
    mean, wide = told(phi, variance, PRIOR, PRIOR_VARIANCE, PRIOR, PRIOR_VARIANCE, 1.0, 1e9, 0.0)
    assert mean == pytest.approx(PRIOR, rel=1e-6)
    assert wide == pytest.approx(PRIOR_VARIANCE, rel=1e-6)


def test_bias_of_a_complete_answer_is_what_is_considered() -> None:
    """Regression of motion on a force that answers every disturbance in full, 4,000 times.

    Identification in closed loop: with x = u - delta / phi, the error of least squares is
    -sum(x delta) / sum(x^2), in the mean n D / (phi sum x^2).
    """
    rng = np.random.default_rng(5)
    stretches, unseen_sd, phi = 150, 0.003, PRIOR
    commanded = rng.normal(0.0, 0.02 / phi, stretches)
    unseen = rng.normal(0.0, unseen_sd, (4000, stretches))
    force = commanded - unseen / phi
    motion = phi * force + unseen
    estimated = (motion * force).sum(axis=1) / (force**2).sum(axis=1)
    variance = unseen_sd**2 / (force**2).sum(axis=1).mean()
    bias = phi - estimated.mean()
    _, wide = told(phi, variance, *(PRIOR, 1e6 * variance) * 2, 1.0, stretches, 0.0)
    assert np.sqrt(wide - variance) == pytest.approx(bias, rel=0.05)


def steps_of(errors: np.ndarray, block: int) -> float:
    """Misfit of a running mean of measurements that are believed to be white, of variance 1."""
    load = np.zeros(1, LOAD)[0]
    mean, information = 0.0, 1000.0  # the first belief is certain enough to count
    for count, error in enumerate(errors, 1):
        information += 1.0
        mean += (error - mean) / information
        if count % block == 0:
            note_block(load, mean, 1.0 / information)
    return float(misfit(load))


def test_misfit_is_one_where_the_model_holds() -> None:
    rng = np.random.default_rng(2)
    found = [steps_of(rng.normal(size=20_000), 100) for _ in range(20)]
    assert np.mean(found) == pytest.approx(1.0, abs=0.08)


def test_misfit_of_errors_that_hang_together_is_their_long_run_variance() -> None:
    """A first-order autoregression of unit variance: (1 + a) / (1 - a), a textbook result."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(3)
    share = 0.6
    found = []
    for _ in range(20):
        white = rng.normal(0.0, np.sqrt(1.0 - share**2), 40_000)
        found.append(steps_of(lfilter([1.0], [1.0, -share], white), 200))
    assert np.mean(found) == pytest.approx((1.0 + share) / (1.0 - share), rel=0.12)


def test_one_event_that_moves_a_mass_widens_it_by_as_much() -> None:
    load = np.zeros(1, LOAD)[0]
    sd = np.sqrt(1.0 / (2000.0 + 200.0 * np.arange(21)))
    for index in range(21):
        note_block(load, 8.5 + (0.1 if index > 10 else 0.0), sd[index] ** 2)
    moved_by_sds = 0.1 / (sd[-1] * np.sqrt(misfit(load)))
    assert moved_by_sds < 2.5
    assert 0.1 / sd[-1] > 7.0


def test_misfit_waits_until_enough_has_been_driven() -> None:
    load = np.zeros(1, LOAD)[0]
    assert misfit(load) == 1.0
    note_block(load, 8.5, 0.02**2)
    note_block(load, 8.5 + 2.0 * np.sqrt(0.02**2 - 0.019**2), 0.019**2)
    # One step of twice its sd: (5 + 2^2) / (5 + 1), to the first order of a small step.
    assert misfit(load) == pytest.approx((BLOCKS_BEFORE + 4.0) / (BLOCKS_BEFORE + 1.0), rel=0.1)
