"""Draws of the posterior against the summaries that they stand for."""

from __future__ import annotations

import numpy as np
import pytest
from policy_bench import make_rig

from loadlearn.policy.draws import draws_from_summaries, normal_points

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
