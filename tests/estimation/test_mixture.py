"""What is said of the hypotheses: names of grounds by Bayes' rule, how sure."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.stats import norm

from loadlearn.estimation.layout import L_ACTIVE, L_WIDEN, LANES, MAX_LOADS, N_LOAD, NO_WEIGHT
from loadlearn.estimation.mixture import LOOSE_LEFT_OUT_SD, name_ground, reckon_information
from loadlearn.estimation.model import PHI, ground_modes
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS

Array = NDArray[np.float64]
NAMES = [ground.name for ground in HANDBOOK_GROUNDS]


def named(weight: float, roll: float, roll_sd: float, own: int = 2) -> Array:
    probability = np.zeros(len(HANDBOOK_GROUNDS))
    grounds = ground_modes(HANDBOOK_GROUNDS, with_regeneration=True)
    before = grounds.kind_at_start if own == 0 else grounds.rate_per_s
    odds = np.empty(LANES)
    name_ground(weight, roll, roll_sd**2, own, grounds.mean, grounds.sd, before, odds, probability)
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
    assert named(0.8, 0.0140, 0.002, own=0)[0] == 0.8
    assert named(0.8, 0.0240, 0.002, own=0)[1] > 0.6


def test_the_middle_of_each_kind_has_its_name() -> None:
    for index, ground in enumerate(HANDBOOK_GROUNDS):
        for own in range(1, len(HANDBOOK_GROUNDS)):
            probability = named(1.0, ground.rolling_resistance, 0.002, own)
            assert NAMES[int(np.argmax(probability))] == NAMES[index]


@given(st.floats(0.0, 1.0), st.floats(-0.05, 5.0), st.floats(1e-4, 0.5), st.integers(0, 4))
def test_naming_shares_the_weight_out(weight: float, roll: float, sd: float, own: int) -> None:
    probability = named(weight, roll, sd, own)
    assert (probability >= 0.0).all()
    assert probability.sum() == pytest.approx(weight, rel=1e-9, abs=1e-300)


def test_where_no_kind_explains_it_the_name_stays() -> None:
    probability = named(0.7, 500.0, 1e-3, own=3)
    assert probability[3] == 0.7
    assert probability.sum() == 0.7


@given(
    st.lists(st.tuples(st.floats(1.0, 5000.0), st.floats(0.0, 1.0)), min_size=1, max_size=8),
)
def test_what_loose_ground_tells_is_worth_so_much_and_no_more(
    steps: list[tuple[float, float]],
) -> None:
    """One load, one lane, its information rising in steps on ground that is loose or not."""
    loads, log_weights = np.zeros((MAX_LOADS, N_LOAD)), np.full((MAX_LOADS, LANES), NO_WEIGHT)
    loads[0, L_ACTIVE], loads[0, L_WIDEN], log_weights[0, 0] = 1.0, 1.0, 0.0
    states, covariances = np.zeros((MAX_LOADS, 3, LANES)), np.zeros((MAX_LOADS, 3, 3, LANES))
    phi = 1.0 / 5000.0
    states[0, PHI] = phi
    start = information = 25.0
    firm = loose = 0.0
    for gained, share in [(0.0, 0.0), *steps]:
        information += gained
        firm, loose = firm + (1.0 - share) * gained, loose + share * gained
        covariances[0, PHI, PHI] = phi * phi / information
        reckon_information(states, covariances, log_weights, loads, 1, share)
    # As two independent observations: the firm ground's, and the loose ground's with its own sd.
    counted = 1.0 / (1.0 / loose + LOOSE_LEFT_OUT_SD**2) if loose > 0.0 else 0.0
    assert loads[0, L_WIDEN] == pytest.approx(information / (start + firm + counted), rel=1e-6)
    assert loads[0, L_WIDEN] >= 1.0 - 1e-9
