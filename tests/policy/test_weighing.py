"""A weighed mass beside what is learnt."""

from __future__ import annotations

import numpy as np
import pytest

from loadlearn.policy.weighing import with_weighing


def test_a_weighing_counts_by_its_variance_until_the_load_is_another():
    # Two measurements of one quantity, by hand: weights 1/180^2 and 1/52^2.
    mass, sd, given = with_weighing([5144.0], [180.0], [60.0], (5200.0, 52.0))
    by_hand = (5144.0 / 180.0**2 + 5200.0 / 52.0**2) / (1.0 / 180.0**2 + 1.0 / 52.0**2)
    assert mass[0] == pytest.approx(by_hand)
    assert sd[0] == pytest.approx((1.0 / 180.0**2 + 1.0 / 52.0**2) ** -0.5)
    assert given[0] == sd[0] < 60.0
    surely = with_weighing([5144.0], [180.0], [60.0], (5200.0, 5.0))
    assert surely[0][0] == pytest.approx(5200.0, abs=0.1) and surely[1][0] < 5.001
    # Nothing learnt yet: the weighing alone. The trailer left: what is learnt alone.
    assert with_weighing([np.nan], [np.nan], [np.nan], (5200.0, 52.0))[0][0] == 5200.0
    left = with_weighing([2700.0], [90.0], [50.0], (5200.0, 52.0))
    assert (left[0][0], left[1][0], left[2][0]) == (2700.0, 90.0, 50.0)
    assert with_weighing([5144.0], [180.0], [60.0], None)[0][0] == 5144.0
