"""Draws of the posterior against the summaries that they stand for."""

from __future__ import annotations

import numpy as np
import pytest
from policy_bench import make_rig

from loadlearn.policy.draws import draws_from_summaries, normal_points, with_weighing

RIG = make_rig()


def test_draws_reproduce_the_summaries_and_the_common_scale():
    draws = draws_from_summaries(RIG, 5000.0, 250.0, 150.0, 0.012, 0.002, 2.5, 0.4)[0]
    assert draws["mass_kg"].mean() == pytest.approx(5000.0, rel=0.01)
    assert draws["mass_kg"].std() == pytest.approx(250.0, rel=0.1)
    assert draws["rolling_resistance"].mean() == pytest.approx(0.012, rel=0.02)
    assert draws["drag_area_m2"].std() == pytest.approx(0.4, rel=0.15)
    # Over the scale, the part of the mass's spread that the scale causes is gone.
    assert (draws["mass_kg"] / draws["tractive_scale"]).std() == pytest.approx(150.0, rel=0.15)
    assert np.abs(np.corrcoef(normal_points())).max() == pytest.approx(1.0)
    off = np.abs(np.corrcoef(normal_points()) - np.eye(5)).max()
    assert off < 0.2
    missing = draws_from_summaries(RIG, *(np.nan,) * 7)[0]
    assert all(np.all(np.isfinite(missing[name])) for name in missing.dtype.names)


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
