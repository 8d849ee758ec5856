"""Mixing of grounds against mixing from every mode to every other, and what must not change."""

from __future__ import annotations

import math

import numpy as np
import pytest
from gaussian_bench import (
    Gaussian,
    in_units,
    moment_matched,
    redrawn,
    some_gaussian,
    switching_matrix,
)
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.stats import norm, truncnorm

from loadlearn.errors import InputError
from loadlearn.estimation.grounds import (
    FLAG_AGREES,
    FLAG_CONTRADICTS,
    MOST_GROUNDS,
    REGENERATION_HIGH,
    REGENERATION_LOW,
    REGENERATION_MEAN,
    REGENERATION_SD,
    Grounds,
    flag_evidence,
    ground_modes,
    ground_named,
    ground_shares,
    mix,
    mix_scratch,
    name_ground,
    pool,
)
from loadlearn.estimation.model import N_STATES, STATE
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS

Array = NDArray[np.float64]
Filters = tuple[Array, Array, Array]
"""States, covariances and log weights of the modes of one load."""

SECONDS = 4.0
WEIGHTS = [0.5, 0.2, 0.15, 0.1, 0.05]
MASS, ROLL, SLIP = STATE.inverse_mass_per_kg, STATE.rolling_resistance, STATE.slip_per_n
EXCESS = STATE.regeneration_excess


@pytest.fixture(scope="module")
def regenerating() -> Grounds:
    return ground_modes(with_regeneration=True)


def scene(grounds: Grounds, weights: list[float], same: bool) -> Filters:
    """Filters of all grounds that know something, as after a while of driving."""
    parts = [some_gaussian(3 if same else 3 + mode) for mode in range(grounds.size)]
    states, covariances = (np.stack(each) for each in zip(*parts, strict=True))
    for mode, ground in enumerate(grounds):
        # The modes' slips differ in proportion to how their grounds give way, and so do their sd.
        states[mode, SLIP] *= ground["slip"]
        covariances[mode, SLIP, :] *= ground["slip"]
        covariances[mode, :, SLIP] *= ground["slip"]
        states[mode, ROLL] = ground["mean"] * 1.1
    return states, covariances, np.log(weights)


def mixed(before: Filters, grounds: Grounds) -> Filters:
    states, covariances, log_weights = (array.copy() for array in before)
    mix(states, covariances, log_weights, grounds, SECONDS, SECONDS, mix_scratch(grounds.size))
    for covariance in covariances:
        unit = in_units(covariance, covariance)
        assert_allclose(unit, unit.T, atol=1e-12)
    return states, covariances, log_weights


def law(filters: Filters, mode: int) -> Gaussian:
    return filters[0][mode], filters[1][mode]


def assert_law(filters: Filters, mode: int, expected: Gaussian) -> None:
    assert_allclose(filters[0][mode], expected[0], rtol=1e-10)
    assert np.abs(in_units(filters[1][mode] - expected[1], expected[1])).max() < 1e-10


# --- kinds of ground -----------------------------------------------------------------------------
def test_modes_of_regeneration_belong_to_their_ground(regenerating: Grounds) -> None:
    modes = regenerating
    assert modes["initial"].sum() == pytest.approx(1.0)
    for index in np.flatnonzero(modes["regeneration"]):
        other = modes["partner"][index]
        assert modes["partner"][other] == index and modes["regeneration"][other] == 0
        assert modes["surface"][other] == modes["surface"][index]
    with pytest.raises(InputError, match="too many"):
        ground_modes(HANDBOOK_GROUNDS * 2)


def test_kinds_of_ground_are_the_handbooks(grounds: Grounds) -> None:
    assert grounds.size == len(HANDBOOK_GROUNDS)
    for mode, ground in zip(grounds, HANDBOOK_GROUNDS, strict=True):
        assert mode["mean"] == ground.rolling_resistance
        assert mode["sd"] == ground.rolling_resistance_sd
        assert mode["rate_per_s"] == pytest.approx(ground.per_hour / 3600.0)
    assert_allclose(grounds["kind_at_start"], grounds["initial"])
    assert (np.diff(grounds["slip"]) > 0.0).all() and grounds["slip"][0] < 1.01
    assert ground_modes(HANDBOOK_GROUNDS[:1])["initial"].tolist() == [1.0]


# --- changes of ground ---------------------------------------------------------------------------
def test_weights_are_those_of_the_markov_chain(grounds: Grounds) -> None:
    _, _, log_weights = mixed(scene(grounds, WEIGHTS, False), grounds)
    expected = np.array(WEIGHTS) @ switching_matrix(grounds, SECONDS)
    assert_allclose(np.exp(log_weights), expected, rtol=1e-12)
    assert np.exp(log_weights).sum() == pytest.approx(1.0, rel=1e-12)


def test_alike_modes_mix_as_every_mode_from_every_other(grounds: Grounds) -> None:
    """Where the modes differ in rolling resistance only, pooled moments lose nothing."""
    before = scene(grounds, WEIGHTS, True)
    after = mixed(before, grounds)
    arriving = np.array(WEIGHTS)[:, None] * switching_matrix(grounds, SECONDS)
    for mode in range(grounds.size):
        parts = [
            law(before, other)
            if other == mode
            else redrawn(law(before, other), grounds, other, mode)
            for other in range(grounds.size)
        ]
        shares = arriving[:, mode] / arriving[:, mode].sum()
        assert_law(after, mode, moment_matched(shares, parts))


def test_unlike_modes_receive_the_pool_of_all(grounds: Grounds) -> None:
    """The stated approximation, written the long way: what arrives is the mixture of all modes."""
    before = scene(grounds, WEIGHTS, False)
    after = mixed(before, grounds)
    weights, chances = np.array(WEIGHTS), grounds["rate_per_s"] * SECONDS
    for mode in range(grounds.size):
        parts = [law(before, mode)]
        parts += [redrawn(law(before, other), grounds, other, mode) for other in range(5)]
        stay = weights[mode] * (1.0 - chances.sum() + chances[mode])
        arrive = (1.0 - weights[mode]) * chances[mode]
        shares = np.concatenate([[stay], arrive * weights]) / (stay + arrive)
        assert_law(after, mode, moment_matched(shares, parts))


def test_the_pool_is_the_mixture_of_the_modes_with_a_flag(regenerating: Grounds) -> None:
    weights = np.random.default_rng(4).dirichlet(np.ones(regenerating.size))
    states, covariances, _ = scene(regenerating, list(weights), False)
    for flag in (0, 1):
        here = np.flatnonzero(regenerating["regeneration"] == flag)
        total = weights[here].sum()
        expected = moment_matched(
            weights[here] / total, [(states[mode], covariances[mode]) for mode in here]
        )
        pooled, covariance = np.full(N_STATES, np.nan), np.full((N_STATES, N_STATES), np.nan)
        pool(states, covariances, weights, regenerating, flag, total, pooled, covariance)
        assert_allclose(pooled, expected[0], rtol=1e-10)
        assert np.abs(in_units(covariance - expected[1], expected[1])).max() < 1e-10
        assert (covariance == covariance.T).all()


def test_arriving_on_a_ground_draws_its_resistance_and_keeps_the_mass(grounds: Grounds) -> None:
    before = scene(grounds, [1.0, 1e-30, 1e-30, 1e-30, 1e-30], False)
    states, covariances, _ = mixed(before, grounds)
    for mode in range(1, grounds.size):
        assert states[mode, ROLL] == pytest.approx(grounds["mean"][mode], rel=1e-9)
        assert covariances[mode, ROLL, ROLL] == pytest.approx(grounds["sd"][mode] ** 2, rel=1e-9)
        assert np.abs(covariances[mode, ROLL, MASS]) < 1e-12
        assert states[mode, MASS] == pytest.approx(before[0][0, MASS], rel=1e-9)
        slip = before[0][0, SLIP] * grounds["slip"][mode] / grounds["slip"][0]
        assert states[mode, SLIP] == pytest.approx(slip, rel=1e-9)
    assert_allclose(states[0], before[0][0], rtol=1e-9)


@given(st.lists(st.floats(1e-12, 1.0), min_size=8, max_size=8), st.floats(0.1, 30.0))
def test_mixing_moves_weight_and_makes_none(weights: list[float], seconds: float) -> None:
    """But for what the bounds of a regeneration take off; covariances stay what they must be."""
    modes = ground_modes(with_regeneration=True)
    states, covariances, log_weights = scene(modes, weights, False)
    states[:, EXCESS] = 0.13
    mix(states, covariances, log_weights, modes, seconds, seconds, mix_scratch(modes.size))
    assert np.exp(log_weights).sum() == pytest.approx(sum(weights), rel=1e-9)
    for covariance in covariances:
        unit = in_units(covariance, covariance)
        assert_allclose(unit, unit.T, atol=1e-12)
        assert np.linalg.eigvalsh(0.5 * (unit + unit.T)).min() > -1e-9


# --- regenerations -------------------------------------------------------------------------------
def test_regeneration_begins_with_its_excess_on_the_same_ground(regenerating: Grounds) -> None:
    modes = regenerating
    before = scene(modes, [1.0] + [1e-30] * (modes.size - 1), True)
    on = int(modes["partner"][0])
    before[0][:, EXCESS] = 0.0
    before[1][:, EXCESS, :] = 0.0
    before[1][:, :, EXCESS] = 0.0
    states, covariances, log_weights = mixed(before, modes)
    assert np.exp(log_weights).sum() == pytest.approx(1.0, rel=1e-9)
    assert 0.0 < np.exp(log_weights[on]) < 0.01
    assert states[on, EXCESS] == pytest.approx(REGENERATION_MEAN, rel=1e-6)
    assert covariances[on, EXCESS, EXCESS] == pytest.approx(REGENERATION_SD**2, rel=1e-6)
    assert states[0, EXCESS] == 0.0
    assert states[on, ROLL] == pytest.approx(before[0][0, ROLL], rel=1e-3)


def apart_of(modes: Grounds) -> int:
    (apart,) = np.flatnonzero(modes["unchanged"])
    return int(apart)


def test_that_nothing_has_changed_is_not_merged_with_that_something_did(
    regenerating: Grounds,
) -> None:
    modes = regenerating
    apart, on = apart_of(modes), int(modes["partner"][0])
    # Gravel and a regeneration are far likelier for a while, and know another mass.
    weights = [1e-3] * modes.size
    weights[1], weights[on] = 0.6, 0.39
    before = scene(modes, weights, False)
    before[0][:, EXCESS] = 0.13
    states, covariances, log_weights = mixed(before, modes)
    assert np.exp(log_weights).sum() == pytest.approx(sum(weights), rel=1e-9)
    assert_allclose(states[apart], before[0][apart], rtol=1e-12)
    assert_allclose(covariances[apart], before[1][apart], rtol=1e-12)
    without = np.flatnonzero(modes["regeneration"] == 0)
    share = np.exp(log_weights[apart]) / np.exp(log_weights[without]).sum()
    assert share < weights[apart] / sum(weights[mode] for mode in without)
    # "The first ground again" takes in both.
    assert abs(states[0, MASS] / before[0][0, MASS] - 1.0) > 0.01
    assert np.exp(log_weights[0]) > weights[0]


def test_a_regeneration_begins_where_nothing_has_changed_yet(regenerating: Grounds) -> None:
    modes = regenerating
    apart, on = apart_of(modes), int(modes["partner"][0])
    weights = [1e-30] * modes.size
    weights[apart] = 1.0
    before = scene(modes, weights, False)
    states, _, log_weights = mixed(before, modes)
    assert np.exp(log_weights[on]) == pytest.approx(SECONDS / 21600.0, rel=0.02)
    assert states[on, MASS] == pytest.approx(before[0][apart, MASS], rel=1e-3)
    # The first ground may change within its kind: its resistance is drawn anew.
    assert np.exp(log_weights[0]) == pytest.approx(SECONDS * modes["rate_per_s"][0], rel=0.02)
    assert states[0, ROLL] == pytest.approx(modes["mean"][0], rel=1e-3)


def test_the_first_ground_regained_is_kept_apart_anew(regenerating: Grounds) -> None:
    modes = regenerating
    apart = apart_of(modes)
    weights = [1e-12] * modes.size
    weights[0] = 1.0
    before = scene(modes, weights, False)
    before[0][:, EXCESS] = 0.13
    after = mixed(before, modes)
    assert np.exp(after[2]).sum() == pytest.approx(1.0, rel=1e-9)
    assert np.exp(after[2][apart]) > 0.98
    assert_allclose(after[0][apart], before[0][0], rtol=1e-12)
    assert_allclose(after[1][apart], before[1][0], rtol=1e-12)


@pytest.mark.parametrize("excess_sds", [-1.5, 1.5])
def test_a_mass_cannot_hide_behind_an_impossible_regeneration(
    regenerating: Grounds, excess_sds: float
) -> None:
    """The weight that scipy's truncated normal leaves; no mode without regeneration is touched."""
    modes = regenerating.copy()
    modes["rate_per_s"] = 0.0
    on = int(modes["partner"][0])
    before = scene(modes, [1.0 / modes.size] * modes.size, False)
    sd = math.sqrt(before[1][on, EXCESS, EXCESS])
    before[0][:, EXCESS] = 0.13
    bound = REGENERATION_HIGH if excess_sds > 0.0 else REGENERATION_LOW
    before[0][on, EXCESS] = bound + excess_sds * sd
    states, _, log_weights = mixed(before, modes)
    ends = (np.array([REGENERATION_LOW, REGENERATION_HIGH]) - before[0][on, EXCESS]) / sd
    bounded = truncnorm(*ends, loc=before[0][on, EXCESS], scale=sd)
    # What begins in four seconds is a hundredth of a per cent of it.
    assert states[on, EXCESS] == pytest.approx(bounded.mean(), rel=5e-3)
    inside = norm.cdf(ends[1]) - norm.cdf(ends[0])
    assert np.exp(log_weights[on]) * modes.size == pytest.approx(inside, rel=0.02)
    assert np.exp(log_weights[1]) * modes.size == pytest.approx(1.0, rel=0.02)


def test_a_flag_of_regeneration_is_evidence_and_not_proof(regenerating: Grounds) -> None:
    on = regenerating["regeneration"] == 1
    for flag in (1.0, -1.0, 0.0):
        log_weights = np.zeros(regenerating.size)
        flag_evidence(log_weights, regenerating, flag)
        agrees = on if flag > 0.0 else ~on
        expected = np.where(agrees, FLAG_AGREES, FLAG_CONTRADICTS) if flag else 0.0
        assert_allclose(log_weights, expected)


# --- names of grounds ----------------------------------------------------------------------------
def test_a_grounds_share_is_that_of_all_its_modes(regenerating: Grounds) -> None:
    weights = np.random.default_rng(6).dirichlet(np.ones(regenerating.size))
    shares = np.full(MOST_GROUNDS, np.nan)
    # Whatever the weights add up to.
    ground_shares(np.log(weights) - 700.0, regenerating, shares)
    expected = np.bincount(regenerating["surface"], weights, MOST_GROUNDS)
    assert_allclose(shares, expected, rtol=1e-12)


def named(weight: float, roll: float, roll_sd: float, own: int = 2) -> Array:
    probability = np.zeros(len(HANDBOOK_GROUNDS))
    grounds = ground_modes(with_regeneration=True)
    name_ground(weight, roll, roll_sd**2, own, grounds, np.empty(grounds.size), probability)
    return probability


@pytest.mark.parametrize(
    ("roll", "roll_sd"), [(0.024, 0.002), (0.04, 0.01), (0.096, 0.006), (0.17, 0.01), (0.3, 0.05)]
)
def test_a_ground_is_named_by_bayes_rule(roll: float, roll_sd: float) -> None:
    """Oracle: the integral of each kind's prior over what is known of the resistance (scipy)."""
    evidence = [
        ground.per_hour
        * quad(
            lambda c, kind=ground: (
                norm.pdf(c, kind.rolling_resistance, kind.rolling_resistance_sd)
                * norm.pdf(c, roll, roll_sd)
            ),
            roll - 10.0 * roll_sd,
            roll + 10.0 * roll_sd,
            limit=200,
        )[0]
        for ground in HANDBOOK_GROUNDS
    ]
    assert_allclose(
        named(1.0, roll, roll_sd), np.array(evidence) / sum(evidence), rtol=1e-6, atol=1e-9
    )


def test_an_ordinary_first_ground_keeps_its_name() -> None:
    assert named(0.8, 0.0140, 0.002, own=0)[0] > 0.78
    assert named(0.8, 0.0240, 0.002, own=0)[1] > 0.6


def test_the_middle_of_each_kind_has_its_name() -> None:
    for index, ground in enumerate(HANDBOOK_GROUNDS):
        for own in range(1, len(HANDBOOK_GROUNDS)):
            probability = named(1.0, ground.rolling_resistance, 0.002, own)
            assert int(np.argmax(probability)) == index


@given(st.floats(0.0, 1.0), st.floats(-0.05, 5.0), st.floats(1e-4, 0.5), st.integers(0, 4))
def test_naming_shares_the_weight_out(weight: float, roll: float, sd: float, own: int) -> None:
    probability = named(weight, roll, sd, own)
    assert (probability >= 0.0).all()
    assert probability.sum() == pytest.approx(weight, rel=1e-9, abs=1e-300)


def test_where_no_kind_explains_it_the_name_stays() -> None:
    probability = named(0.7, 500.0, 1e-3, own=3)
    assert probability[3] == 0.7
    assert probability.sum() == 0.7


@pytest.mark.parametrize(
    ("before", "probability", "expected"),
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
    before: int, probability: tuple[float, ...], expected: int
) -> None:
    assert ground_named(before, np.array(probability)) == expected
