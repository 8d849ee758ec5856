"""One step of the compiled filter: against textbook equations, brute force and invariants."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.stats import norm

from loadlearn.estimation import filter as kernel
from loadlearn.estimation import layout
from loadlearn.estimation.lanes import mirror
from loadlearn.estimation.loads import start
from loadlearn.estimation.mixture import weigh
from loadlearn.estimation.model import (
    ENERGY,
    N_ROW,
    PHI,
    R_DT,
    R_HALF,
    R_KNOWN,
    R_ROT,
    R_SPEED,
    R_STILL,
    R_TIME,
    R_Y,
    Grounds,
    Noise,
    Prior,
    measurement_variance,
)
from loadlearn.study.reference import measurement_matrix
from loadlearn.vehicle.roadload import GRAVITY_M_S2

Array = NDArray[np.float64]


def begun(n: int, grounds: Grounds, prior: Prior, noise: Noise) -> tuple[Array, Array]:
    """States and covariances of the first load's filters."""
    arrays = layout.filter_arrays(n, grounds.mean.size)
    start(*arrays[1:], grounds, prior, noise)
    return arrays.states[0].copy(), arrays.covariances[0].copy()


def updated(
    states: Array, covariances: Array, row: Array, noise: Noise
) -> tuple[Array, Array, Array]:
    """After an update: states, covariances, log-likelihood."""
    states, covariances = states.copy(), covariances.copy()
    n, lanes = states.shape
    scratch = [np.zeros(lanes) for _ in range(5)]
    kernel.update(states, covariances, row, noise, np.zeros((n, lanes)), *scratch)
    mirror(covariances)
    return states, covariances, scratch[3]


def test_point_measurement_is_the_textbook_update(
    rows: Array, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    states, covariances = begun(13, grounds, prior, noise)
    row = rows[rows[:, R_KNOWN] > 0.5][200].copy()
    row[R_Y] = 0.7
    after, covariance_after, log_likelihood = updated(states, covariances, row, noise)
    matrix, variance = measurement_matrix(row, 13)[0], measurement_variance(row, noise)
    for lane in range(grounds.mean.size):
        cross = covariances[:, :, lane] @ matrix
        total = matrix @ cross + variance
        innovation = row[R_Y] - matrix @ states[:, lane]
        assert_allclose(after[:, lane], states[:, lane] + cross * innovation / total, rtol=1e-12)
        assert_allclose(
            covariance_after[:, :, lane],
            covariances[:, :, lane] - np.outer(cross, cross) / total,
            rtol=1e-9,
            atol=1e-22,
        )
        expected = norm.logpdf(innovation, scale=math.sqrt(total))
        assert log_likelihood[lane] == pytest.approx(expected, rel=1e-10)


def test_energy_height_is_exact_after_unknown_force(
    rows: Array, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    # 400 m^2 met by a measurement of 1e-4 m^2: done plainly, ten digits are lost.
    states, covariances = begun(13, grounds, prior, noise)
    covariances[ENERGY, ENERGY] = 400.0
    row = rows[rows[:, R_KNOWN] > 0.5][200].copy()
    _, after, _ = updated(states, covariances, row, noise)
    matrix, variance = measurement_matrix(row, 13)[0], measurement_variance(row, noise)
    longer = np.longdouble
    for lane in range(grounds.mean.size):
        before = covariances[:, :, lane].astype(longer)
        cross = before @ matrix.astype(longer)
        total = matrix.astype(longer) @ cross + longer(variance)
        expected = (before - np.outer(cross, cross) / total).astype(float)
        sd = np.sqrt(np.diag(expected))
        scale = np.outer(sd, sd) + 1e-30
        assert np.max(np.abs(after[:, :, lane] - expected) / scale) < 1e-9


@pytest.mark.parametrize("offset_sd", [0.0, 0.8, 3.0])
@pytest.mark.parametrize("half_width_sd", [0.2, 1.0, 4.0])
def test_interval_likelihood_against_brute_force(
    grounds: Grounds, prior: Prior, noise: Noise, offset_sd: float, half_width_sd: float
) -> None:
    """Speed read in whole units: posterior moments by numerical integration over the height."""
    states, covariances = begun(12, grounds, prior, noise)
    row = np.zeros(N_ROW)
    row[[R_TIME, R_DT, R_KNOWN, R_SPEED]] = 1.0, 0.1, 1.0, 15.0
    states[ENERGY], covariances[ENERGY, ENERGY] = 3.0, 0.04
    covariances[ENERGY, 3], covariances[3, ENERGY] = 1e-6, 1e-6
    variance = measurement_variance(row, noise)
    sd = math.sqrt(0.04 + variance)
    half = half_width_sd * sd
    row[R_HALF] = half * GRAVITY_M_S2 / 15.0
    row[R_Y] = 3.0 + offset_sd * sd
    after, covariance_after, log_likelihood = updated(states, covariances, row, noise)
    height = np.linspace(3.0 - 10.0 * 0.2, 3.0 + 10.0 * 0.2, 200_001)
    noise_sd = math.sqrt(variance)
    reading = norm.cdf((row[R_Y] + half - height) / noise_sd)
    reading -= norm.cdf((row[R_Y] - half - height) / noise_sd)
    weight = norm.pdf(height, 3.0, 0.2) * reading
    total = np.trapezoid(weight, height)
    mean = np.trapezoid(weight * height, height) / total
    spread = np.trapezoid(weight * (height - mean) ** 2, height) / total
    assert after[ENERGY, 0] == pytest.approx(mean, abs=1e-6)
    assert covariance_after[ENERGY, ENERGY, 0] == pytest.approx(spread, rel=1e-5)
    assert log_likelihood[0] == pytest.approx(math.log(total / (2.0 * half)), abs=1e-6)
    # What hangs together with the height moves with it.
    slope = 1e-6 / 0.04
    assert after[3, 0] - states[3, 0] == pytest.approx(slope * (mean - 3.0), rel=1e-4, abs=1e-12)


def test_narrow_interval_is_a_point(
    rows: Array, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    states, covariances = begun(12, grounds, prior, noise)
    row = rows[rows[:, R_KNOWN] > 0.5][200].copy()
    sd = math.sqrt(measurement_variance(row, noise))
    # Half a standard deviation off: the difference grows with the square of that.
    row[R_Y] = states[ENERGY, 0] - row[R_ROT] * states[PHI, 0] + 0.5 * sd
    point = updated(states, covariances, row, noise)
    # Just above the width from which intervals are treated as such.
    row[R_HALF] = 0.03 * sd * GRAVITY_M_S2 / row[R_SPEED]
    interval = updated(states, covariances, row, noise)
    for ours, theirs in zip(interval[:2], point[:2], strict=True):
        assert_allclose(ours, theirs, rtol=2e-3, atol=1e-9)
    # Densities, not probabilities: they meet as well.
    assert_allclose(interval[2][:5], point[2][:5], atol=1e-3)


def shaken_rows(rows: Array, seed: int, count: int) -> Array:
    """A stretch of a drive, each quantity off by up to 30 %, gaps, stops, rough measurements."""
    rng = np.random.default_rng(seed)
    first = int(rng.integers(1, len(rows) - count))
    table = rows[first : first + count] * rng.uniform(0.7, 1.3, (count, N_ROW))
    table[:, R_TIME] = np.cumsum(table[:, R_DT])
    table[:, R_KNOWN] = rng.random(count) < 0.7
    table[:, R_Y] = rows[first : first + count, R_Y] + 0.1 * rng.standard_t(3.0, count)
    table[rng.random(count) < 0.2, R_Y] = np.nan
    table[:, R_HALF] = rng.choice([0.0, 0.14], count)
    table[:, R_STILL] = rng.choice([0.0, 400.0], count, p=[0.97, 0.03])
    return table


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.sampled_from([12, 13, 14, 16]), alone=st.booleans())
def test_covariances_stay_symmetric_and_positive(
    seed: int, n: int, alone: bool, rows: Array, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    modes = Grounds(*(field[:1] for field in grounds)) if alone else grounds
    table = shaken_rows(rows, seed, 60)
    arrays = layout.filter_arrays(n, modes.mean.size)
    outputs = np.empty((60, layout.N_OUTPUT))
    kernel.filter_rows(
        table, 60, *arrays, modes, prior, noise, outputs, np.empty((60, modes.mean.size)), True
    )
    for load in np.flatnonzero(arrays.loads[:, layout.L_ACTIVE] > 0.5):
        for mode in range(modes.mean.size):
            covariance = arrays.covariances[load, :, :, mode]
            assert np.isfinite(covariance).all()
            sd = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
            unit = covariance / np.outer(sd, sd)
            assert_allclose(unit, unit.T, atol=1e-9)
            assert np.linalg.eigvalsh(0.5 * (unit + unit.T)).min() > -1e-6
    weights = np.exp(arrays.log_weights[arrays.loads[:, layout.L_ACTIVE] > 0.5])
    assert 0.2 < weights.sum() < 5.0
    assert np.isfinite(outputs[:, : layout.O_SURFACE]).all()
    assert (outputs[:, layout.O_MASS_LOW] <= outputs[:, layout.O_MASS_HIGH]).all()


@pytest.mark.parametrize("loose", [0.0, 1.0])
def test_between_loads_a_share_of_the_evidence_counts(grounds: Grounds, loose: float) -> None:
    modes = grounds.mean.size
    rng = np.random.default_rng(5)
    start_ = np.log(rng.uniform(0.1, 1.0, (2, modes)))
    log_weights = np.full((layout.MAX_LOADS, layout.LANES), layout.NO_WEIGHT)
    log_weights[:2, :modes] = start_ + rng.normal(0.0, 3.0, (2, modes))
    loads, before = np.zeros((layout.MAX_LOADS, layout.N_LOAD)), np.zeros(layout.MAX_LOADS)
    loads[:2, layout.L_ACTIVE] = 1.0
    before[:2] = np.exp(start_).sum(axis=1)
    raw = log_weights[:2, :modes].copy()
    each, of_load = np.zeros_like(log_weights), np.zeros(layout.MAX_LOADS)
    peak = float(raw.max())
    total = weigh(log_weights, loads, modes, peak, each, of_load)
    assert total == pytest.approx(np.exp(raw - peak).sum(), rel=1e-12)
    kernel.temper_loads(log_weights, loads, modes, before, each, of_load, peak, loose)
    # The weights follow.
    assert_allclose(each[:2, :modes], np.exp(log_weights[:2, :modes] - peak), rtol=1e-12)
    assert_allclose(of_load, each.sum(axis=1), rtol=1e-12)
    after = log_weights[:2, :modes]
    # Within a load nothing moves; between loads the Bayes factor is raised to a power.
    assert_allclose(np.diff(after, axis=1), np.diff(raw, axis=1), atol=1e-12)

    def factor(logs: Array) -> float:
        total = np.log(np.exp(logs).sum(axis=1)) - np.log(before[:2])
        return float(total[1] - total[0])

    power = kernel.LOOSE_EVIDENCE if loose else kernel.FIRM_EVIDENCE
    assert factor(after) == pytest.approx(power * factor(raw), rel=1e-9)


def test_a_load_pays_for_the_change_of_ground_that_it_needs(grounds: Grounds) -> None:
    """Two loads on sand; one is on earth by now: with rate r and time t that had odds of r t."""
    modes, driven_s, share = grounds.mean.size, 20.0, 0.03
    sand, earth = 3, 2
    log_weights = np.full((layout.MAX_LOADS, layout.LANES), layout.NO_WEIGHT)
    log_weights[:2, :modes] = -60.0
    log_weights[0, sand] = log_weights[1, earth] = math.log(0.5)
    loads = np.zeros((layout.MAX_LOADS, layout.N_LOAD))
    loads[:2, layout.L_ACTIVE] = 1.0
    loads[:2, layout.L_GROUND + sand] = 1.0
    kernel.charge_changes(log_weights, loads, grounds, driven_s, share)
    price = -math.log(grounds.rate_per_s[earth] * driven_s)
    odds = log_weights[0, sand] - log_weights[1, earth]
    assert odds == pytest.approx((1.0 - share) * price, rel=1e-6)
    assert np.exp(log_weights[:2, :modes]).sum() == pytest.approx(1.0, rel=1e-9)
    # Paid once: where the grounds stay as they are, nothing more is charged.
    kernel.charge_changes(log_weights, loads, grounds, driven_s, share)
    assert log_weights[0, sand] - log_weights[1, earth] == pytest.approx(odds, rel=1e-9)


@pytest.mark.parametrize(
    ("named", "probability", "expected"),
    [
        (0, (0.3, 0.7, 0.0, 0.0), 0),  # has it changed? not past doubt
        (0, (0.1, 0.88, 0.02, 0.0), 1),
        (0, (0.03, 0.5, 0.47, 0.0), 1),  # changed past doubt, whatever to
        (2, (0.0, 0.0, 0.42, 0.58), 2),  # not half as likely again
        (2, (0.0, 0.0, 0.3, 0.7), 3),
        (2, (0.7, 0.0, 0.3, 0.0), 2),  # back? not past doubt
        (2, (0.9, 0.0, 0.1, 0.0), 0),
    ],
)
def test_the_ground_named_does_not_flicker(
    named: int, probability: tuple[float, ...], expected: int
) -> None:
    assert kernel.ground_named(named, np.array(probability)) == expected
