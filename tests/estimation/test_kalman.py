"""One hypothesis: each step against full matrices, quadrature, scipy and longer numbers."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from gaussian_bench import (
    MEAN,
    SD,
    Gaussian,
    in_units,
    matrix_of,
    measured_matrix,
    moment_matched,
    some_gaussian,
    textbook_update,
)
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.stats import norm, truncnorm

from loadlearn.estimation import kalman
from loadlearn.estimation.model import (
    MEASURED,
    N_STATES,
    STATE,
    Noise,
    measurement_half_width,
    measurement_row,
    measurement_variance,
)

Array = NDArray[np.float64]
Reads = tuple[float, float, float]
seeds = st.integers(0, 10**6)
readings = st.tuples(st.just(1.0), st.floats(-2000.0, 0.0), st.floats(-1e5, 1e5))


def scratch() -> Array:
    return np.full(N_STATES, np.nan)


def assert_same(ours: Gaussian, expected: Gaussian, rtol: float = 1e-10) -> None:
    """The same law to within a share of its standard deviations, which may differ widely."""
    sd = np.sqrt(np.maximum(np.diag(expected[1]), 1e-300))
    assert_allclose((ours[0] - expected[0]) / sd, 0.0, atol=rtol * (1.0 + np.abs(MEAN / SD).max()))
    assert_allclose(in_units(ours[1], expected[1]), in_units(expected[1], expected[1]), atol=rtol)


def updated(
    gaussian: Gaussian, y: float, reads: Reads, variance: float, half_width: float = 0.0
) -> tuple[Gaussian, float, float]:
    """After an update: the law, the log-likelihood, the normalised innovation."""
    mean, covariance = gaussian[0].copy(), gaussian[1].copy()
    told = kalman.update(mean, covariance, y, reads, variance, half_width, scratch())
    total = measured_matrix(reads) @ gaussian[1] @ measured_matrix(reads) + variance
    # An interval's is the expectation over it, in the same unit.
    assert told[1] == pytest.approx(told[2] * math.sqrt(total), rel=1e-6, abs=1e-9)
    return (mean, covariance), told[0], told[2]


# --- prediction ----------------------------------------------------------------------------------
@given(seeds, st.floats(0.0, 10.0))
def test_predict_is_the_textbooks(seed: int, variance: float) -> None:
    """F P F' + Q with any first row of F; the first state moves as it is told."""
    mean, covariance = some_gaussian(seed)
    transition, added = np.eye(N_STATES), np.zeros((N_STATES, N_STATES))
    transition[0] = np.random.default_rng(seed + 1).standard_normal(N_STATES) / SD
    added[0, 0] = variance
    expected = transition @ covariance @ transition.T + added
    moved = mean.copy()
    moved[0] = 7.0
    kalman.predict(mean, covariance, transition[0].copy(), 7.0, variance, scratch())
    assert_same((mean, covariance), (moved, expected))
    assert (covariance == covariance.T).all()


@given(seeds, st.integers(0, N_STATES - 1), st.floats(0.0, 1.5), st.floats(0.0, 2.0))
def test_relax_is_a_diagonal_transition(seed: int, index: int, factor: float, sds: float) -> None:
    mean, covariance = some_gaussian(seed)
    transition, added = np.eye(N_STATES), np.zeros((N_STATES, N_STATES))
    transition[index, index] = factor
    gained = added[index, index] = (sds * SD[index]) ** 2
    expected = transition @ mean, transition @ covariance @ transition.T + added
    kalman.relax(mean, covariance, index, factor, gained)
    assert_allclose(mean, expected[0], rtol=1e-12)
    assert_allclose(covariance, expected[1], rtol=1e-12)
    assert (covariance == covariance.T).all()


# --- update --------------------------------------------------------------------------------------
@given(seeds, readings)
def test_what_a_measurement_reads(seed: int, reads: Reads) -> None:
    mean, covariance = some_gaussian(seed)
    matrix, cross = measured_matrix(reads), scratch()
    total = kalman.measured_cross(covariance, reads, cross)
    scale = np.sqrt(np.diag(covariance)) * math.sqrt(matrix @ covariance @ matrix)
    assert_allclose((cross - covariance @ matrix) / scale, 0.0, atol=1e-10)
    assert total == pytest.approx(matrix @ covariance @ matrix, rel=1e-9)
    assert kalman.measured_mean(mean, reads) == pytest.approx(matrix @ mean, rel=1e-12, abs=1e-9)


@given(seeds, readings, st.floats(-4.0, 4.0), st.floats(0.03, 30.0))
def test_update_is_the_textbooks(seed: int, reads: Reads, offset: float, noise_sds: float) -> None:
    before, matrix = some_gaussian(seed), measured_matrix(reads)
    spread = matrix @ before[1] @ matrix
    variance = noise_sds**2 * spread
    total_sd = math.sqrt(spread + variance)
    y = matrix @ before[0] + offset * total_sd
    after, log_likelihood, normalised = updated(before, y, reads, variance)
    assert_same(after, textbook_update(*before, matrix, y, variance), rtol=1e-8)
    assert log_likelihood == pytest.approx(norm.logpdf(offset * total_sd, scale=total_sd), rel=1e-7)
    assert normalised == pytest.approx(offset, rel=1e-7, abs=1e-6)
    assert (after[1] == after[1].T).all()


def test_update_on_a_row_is_the_textbooks(driven_rows: NDArray[np.void], noise: Noise) -> None:
    for row in driven_rows[200::500]:
        before, matrix = some_gaussian(7), matrix_of(row)
        variance = measurement_variance(row, noise)
        y = matrix @ before[0] + 0.7
        after, log_likelihood, _ = updated(before, y, measurement_row(row), variance)
        expected = textbook_update(*before, matrix, y, variance)
        assert_allclose(after[0], expected[0], rtol=1e-12)
        assert_same(after, expected, rtol=1e-9)
        total = matrix @ before[1] @ matrix + variance
        assert log_likelihood == pytest.approx(norm.logpdf(0.7, scale=math.sqrt(total)), rel=1e-10)


def test_energy_height_is_exact_after_unknown_force(
    driven_rows: NDArray[np.void], noise: Noise
) -> None:
    # 400 m^2 met by a measurement of 1e-4 m^2: done plainly, ten digits are lost.
    row = driven_rows[200]
    mean, covariance = some_gaussian(8)
    covariance[0, :] *= 20.0 / SD[0]
    covariance[:, 0] *= 20.0 / SD[0]
    longer = np.longdouble
    matrix, variance = matrix_of(row).astype(longer), measurement_variance(row, noise)
    before = covariance.astype(longer)
    cross = before @ matrix
    total = matrix @ cross + longer(variance)
    expected = (before - np.outer(cross, cross) / total).astype(float)
    reads = measurement_row(row)
    (_, after), _, _ = updated((mean, covariance), 120.0, reads, variance)
    assert np.abs(in_units(after - expected, expected)).max() < 1e-9
    assert (after == after.T).all()


@pytest.mark.parametrize("offset_sd", [0.0, 0.8, 3.0])
@pytest.mark.parametrize("half_width_sd", [0.2, 1.0, 4.0])
def test_interval_likelihood_against_brute_force(offset_sd: float, half_width_sd: float) -> None:
    """Speed read in whole units: posterior moments by numerical integration over the height."""
    mean, covariance = MEAN.copy(), np.diag(SD**2)
    drag = STATE.drag_per_mass_m2_kg
    mean[0], covariance[0, 0] = 3.0, 0.04
    covariance[0, drag] = covariance[drag, 0] = 1e-6
    variance = 0.0036
    sd = math.sqrt(0.04 + variance)
    half, y = half_width_sd * sd, 3.0 + offset_sd * sd
    after, log_likelihood, _ = updated((mean, covariance), y, (1.0, 0.0, 0.0), variance, half)
    height = np.linspace(3.0 - 10.0 * 0.2, 3.0 + 10.0 * 0.2, 200_001)
    noise_sd = math.sqrt(variance)
    reading = norm.cdf((y + half - height) / noise_sd) - norm.cdf((y - half - height) / noise_sd)
    weight = norm.pdf(height, 3.0, 0.2) * reading
    total = np.trapezoid(weight, height)
    expected = np.trapezoid(weight * height, height) / total
    spread = np.trapezoid(weight * (height - expected) ** 2, height) / total
    assert after[0][0] == pytest.approx(expected, abs=1e-6)
    assert after[1][0, 0] == pytest.approx(spread, rel=1e-5)
    assert log_likelihood == pytest.approx(math.log(total / (2.0 * half)), abs=1e-6)
    # What hangs together with the height moves with it.
    slope = 1e-6 / 0.04
    moved = after[0][drag] - mean[drag]
    assert moved == pytest.approx(slope * (expected - 3.0), rel=1e-4, abs=1e-12)


def test_narrow_interval_is_a_point(driven_rows: NDArray[np.void], noise: Noise) -> None:
    row = driven_rows[200].copy()
    before, reads = some_gaussian(9), measurement_row(row)
    variance = measurement_variance(row, noise)
    sd = math.sqrt(matrix_of(row) @ before[1] @ matrix_of(row) + variance)
    # Half a standard deviation off: the difference grows with the square of that.
    y = matrix_of(row) @ before[0] + 0.5 * sd
    point, point_likelihood, _ = updated(before, y, reads, variance)
    # Just above the width from which intervals are treated as such.
    row["half_width_m_s"] = 0.03 * sd * 9.80665 / row["speed_m_s"]
    half_width = measurement_half_width(row)
    assert half_width == pytest.approx(0.03 * sd) and half_width**2 > kalman.POINT_SHARE * sd**2
    interval, log_likelihood, _ = updated(before, y, reads, variance, half_width)
    assert interval[1][0, 0] != point[1][0, 0]
    assert_same(interval, point, rtol=2e-3)
    # Densities, not probabilities: they meet as well.
    assert log_likelihood == pytest.approx(point_likelihood, abs=1e-3)


def test_a_reading_far_outside_its_interval_leaves_finite_numbers() -> None:
    before = some_gaussian(10)
    after, log_likelihood, _ = updated(before, before[0][0] + 90.0, (1.0, 0.0, 0.0), 1e-3, 0.1)
    assert np.isfinite(after[0]).all() and np.isfinite(after[1]).all()
    assert np.linalg.eigvalsh(in_units(after[1], before[1])).min() > -1e-9
    assert -np.inf < log_likelihood < -100.0


# --- the first measurement -----------------------------------------------------------------------
@given(seeds, readings, st.floats(0.01, 5.0))
def test_the_first_measurement_sets_the_first_state(seed: int, reads: Reads, sd: float) -> None:
    """x0 = y - (the rest of m'x) + noise, a linear map of what is known of the rest."""
    mean, covariance = some_gaussian(seed)
    transform = np.eye(N_STATES)
    transform[0] = -measured_matrix(reads)
    transform[0, 0] = 0.0
    expected = transform @ mean, transform @ covariance @ transform.T
    expected[0][0] += 50.0
    expected[1][0, 0] += sd**2
    kalman.set_first(mean, covariance, 50.0, reads, sd**2)
    assert_same((mean, covariance), expected, rtol=1e-9)
    assert (covariance == covariance.T).all()
    assert kalman.measured_mean(mean, reads) == pytest.approx(50.0, rel=1e-9)


def test_the_first_measurement_is_an_update_of_what_was_not_known() -> None:
    reads = (1.0, -600.0, 3e4)
    mean, covariance = some_gaussian(3)
    covariance[0, :] = covariance[:, 0] = 0.0
    covariance[0, 0] = 1e10
    expected, _, _ = updated((mean, covariance), 50.0, reads, 0.01)
    kalman.set_first(mean, covariance, 50.0, reads, 0.01)
    assert_same((mean, covariance), expected, rtol=1e-5)


# --- bounds --------------------------------------------------------------------------------------
@given(seeds, st.integers(0, N_STATES - 1), st.floats(0.3, 4.0), st.booleans())
def test_a_state_is_held_between_its_bounds(
    seed: int, index: int, beyond: float, above: bool
) -> None:
    """Its moments are those of scipy's truncated normal; the rest follows by regression."""
    mean, covariance = some_gaussian(seed)
    sd = math.sqrt(covariance[index, index])
    low, high = mean[index] - (beyond + 0.8) * sd, mean[index] - beyond * sd
    if not above:
        low, high = mean[index] + beyond * sd, mean[index] + (beyond + 0.8) * sd
    bounds = (low - mean[index]) / sd, (high - mean[index]) / sd
    law = truncnorm(*bounds, loc=mean[index], scale=sd)
    slope = covariance[:, index] / sd**2
    inside = norm.cdf(bounds[1]) - norm.cdf(bounds[0])
    expected = (
        mean + slope * (law.mean() - mean[index]),
        covariance - np.outer(slope, slope) * (sd**2 - law.var()),
    )
    told = kalman.hold_between(mean, covariance, index, low, high, scratch())
    assert told == pytest.approx(math.log(inside), abs=1e-6)
    assert_same((mean, covariance), expected, rtol=1e-6)
    assert low <= mean[index] <= high
    assert (covariance == covariance.T).all()


def test_a_state_held_is_what_quadrature_says() -> None:
    """Two states at once, on a grid: the truncation of one moves the other."""
    mean, covariance = MEAN.copy(), np.diag(SD**2)
    phi, excess = STATE.inverse_mass_per_kg, STATE.regeneration_excess
    covariance[phi, excess] = covariance[excess, phi] = 0.6 * SD[phi] * SD[excess]
    z = np.linspace(-8.0, 8.0, 1601)
    first, second = np.meshgrid(z, z, indexing="ij")
    density = np.exp(-0.5 * (first**2 - 1.2 * first * second + second**2) / (1.0 - 0.36))
    low, high = 0.20, 0.28
    excess_there, phi_there = mean[excess] + SD[excess] * second, mean[phi] + SD[phi] * first
    weight = density * ((excess_there >= low) & (excess_there <= high))
    inside = weight.sum() / density.sum()
    weight /= weight.sum()
    expected = [np.sum(weight * excess_there), np.sum(weight * phi_there)]
    spread = [np.sum(weight * (excess_there - expected[0]) ** 2)]
    spread += [np.sum(weight * (phi_there - expected[1]) ** 2)]
    together = np.sum(weight * (excess_there - expected[0]) * (phi_there - expected[1]))
    told = kalman.hold_between(mean, covariance, excess, low, high, scratch())
    # The grid's steps are a hundredth of a standard deviation, and so is the bounds' place on it.
    assert told == pytest.approx(math.log(inside), abs=0.02)
    assert mean[excess] == pytest.approx(expected[0], abs=0.01 * SD[excess])
    assert mean[phi] == pytest.approx(expected[1], abs=0.01 * SD[phi])
    assert covariance[excess, excess] == pytest.approx(spread[0], rel=0.02)
    assert covariance[phi, phi] == pytest.approx(spread[1], rel=0.02)
    assert covariance[phi, excess] == pytest.approx(together, rel=0.03)


@pytest.mark.parametrize("place", [0.0, 0.2])
def test_a_state_mostly_inside_its_bounds_is_left_alone(place: float) -> None:
    """Inside, or outside by so little that nearly half of it is still inside."""
    mean, covariance = some_gaussian(5)
    index = STATE.regeneration_excess
    sd = math.sqrt(covariance[index, index])
    low, high = mean[index] + (place - 0.01) * sd, mean[index] + 8.0 * sd
    before = mean.copy(), covariance.copy()
    assert kalman.hold_between(mean, covariance, index, low, high, scratch()) == 0.0
    assert (mean == before[0]).all() and (covariance == before[1]).all()


# --- another belief, a mixture -------------------------------------------------------------------
@given(seeds, st.integers(0, N_STATES - 1), st.floats(-3.0, 3.0), st.floats(0.0, 3.0))
def test_a_state_drawn_anew_is_independent_of_the_rest(
    seed: int, index: int, mean: float, sd: float
) -> None:
    state, covariance = some_gaussian(seed)
    expected = state.copy(), covariance.copy()
    expected[0][index] = mean
    expected[1][index, :] = expected[1][:, index] = 0.0
    expected[1][index, index] = sd**2
    kalman.redraw(state, covariance, index, mean, sd**2)
    assert (state == expected[0]).all() and (covariance == expected[1]).all()


@given(seeds, st.floats(0.0, 1.0), st.floats(1e-300, 1e3))
def test_merging_is_moment_matching(seed: int, share: float, total: float) -> None:
    ours, other = some_gaussian(seed), some_gaussian(seed + 1)
    shares = np.array([1.0 - share, share])
    expected = moment_matched(shares, [ours, other])
    state, covariance = ours[0].copy(), ours[1].copy()
    kalman.merge(state, covariance, total * shares[0], *other, total * shares[1])
    assert_same((state, covariance), expected)
    assert_allclose(
        in_units(covariance, covariance), in_units(covariance, covariance).T, atol=1e-14
    )


@given(seeds)
def test_a_copy_is_the_same_whatever_was_there(seed: int) -> None:
    mean, covariance = some_gaussian(seed)
    state, spread = np.full(N_STATES, np.nan), np.full((N_STATES, N_STATES), np.inf)
    kalman.copy(state, spread, mean, covariance)
    assert (state == mean).all() and (spread == covariance).all()


def test_merging_nothing_with_nothing_leaves_it() -> None:
    ours, other = some_gaussian(1), some_gaussian(2)
    state, covariance = ours[0].copy(), ours[1].copy()
    kalman.merge(state, covariance, 0.0, *other, 0.0)
    assert (state == ours[0]).all() and (covariance == ours[1]).all()


# --- invariants ----------------------------------------------------------------------------------
def _predicted(mean: Array, covariance: Array, rng: np.random.Generator) -> None:
    first = rng.standard_normal(N_STATES) * SD[0] / SD
    first[0] = 1.0
    kalman.predict(mean, covariance, first, float(mean[0]), 1e-4, scratch())


def _measured(mean: Array, covariance: Array, rng: np.random.Generator) -> None:
    reads, half = (1.0, -500.0 * rng.random(), 1e4 * rng.random()), rng.choice([0.0, 0.2])
    y = kalman.measured_mean(mean, reads) + 0.3 * rng.standard_normal()
    kalman.update(mean, covariance, y, reads, 1e-3, half, scratch())


def _opened(mean: Array, covariance: Array, rng: np.random.Generator) -> None:
    covariance[0, 0] += 400.0


def _relaxed(mean: Array, covariance: Array, rng: np.random.Generator) -> None:
    index = rng.integers(1, N_STATES)
    kalman.relax(mean, covariance, index, 0.9, 0.19 * SD[index] ** 2)


def _held(mean: Array, covariance: Array, rng: np.random.Generator) -> None:
    kalman.hold_between(mean, covariance, STATE.regeneration_excess, 0.02, 0.28, scratch())


def _merged(mean: Array, covariance: Array, rng: np.random.Generator) -> None:
    kalman.merge(mean, covariance, 0.7, *some_gaussian(int(rng.integers(1000))), 0.3)


def _redrawn(mean: Array, covariance: Array, rng: np.random.Generator) -> None:
    kalman.redraw(mean, covariance, STATE.rolling_resistance, 0.02, 1e-6)


steps = st.lists(
    st.sampled_from([_predicted, _measured, _opened, _relaxed, _held, _merged, _redrawn]),
    min_size=1,
    max_size=40,
)


@given(seeds, steps)
def test_a_covariance_stays_symmetric_and_positive(
    seed: int, steps: list[Callable[[Array, Array, np.random.Generator], None]]
) -> None:
    rng = np.random.default_rng(seed)
    mean, covariance = some_gaussian(seed)
    for step in steps:
        step(mean, covariance, rng)
    assert np.isfinite(mean).all() and np.isfinite(covariance).all()
    unit = in_units(covariance, covariance)
    assert_allclose(unit, unit.T, atol=1e-12)
    assert np.linalg.eigvalsh(0.5 * (unit + unit.T)).min() > -1e-7


@given(seeds, readings, st.floats(-3.0, 3.0))
def test_units_do_not_change_the_answer(seed: int, reads: Reads, offset: float) -> None:
    """Every state but the first in another unit, powers of two: not a bit of it differs."""
    mean, covariance = some_gaussian(seed)
    unit = 2.0 ** np.random.default_rng(seed).integers(-8, 9, N_STATES)
    unit[0] = 1.0
    scaled = mean * unit, covariance * np.outer(unit, unit)
    other = (1.0, reads[1] / unit[MEASURED[1]], reads[2] / unit[MEASURED[2]])
    first = np.random.default_rng(seed + 1).standard_normal(N_STATES) / SD
    kalman.predict(mean, covariance, first, 3.0, 0.1, scratch())
    kalman.predict(*scaled, first / unit, 3.0, 0.1, scratch())
    y = kalman.measured_mean(mean, reads) + offset
    (one, one_covariance), *told = updated((mean, covariance), y, reads, 0.02)
    (two, two_covariance), *again = updated(scaled, y, other, 0.02)
    assert told == again
    assert (one * unit == two).all()
    assert (one_covariance * np.outer(unit, unit) == two_covariance).all()
