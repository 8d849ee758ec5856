"""What tests of the strategy file share: a small strategy from smooth functions."""

from __future__ import annotations

from typing import Any

import numpy as np

from loadlearn.policy.strategy import AXES, SETTINGS, Strategy

MASS = np.array([2650.0, 3500.0, 4500.0, 6000.0, 6400.0])
ROLLING = np.array([0.008, 0.012, 0.055, 0.12])
GRADE = np.array([-2.0, 0.0, 3.0, 6.0])
SPEED = np.array([10.0, 20.0, 27.8])


def smooth_strategy(**changes: Any) -> Strategy:
    """Settings that rise and fall as they should; the cells above 6000 kg are blank."""
    mass, rolling, grade, speed = np.meshgrid(MASS, ROLLING, GRADE, SPEED, indexing="ij")
    load = mass * 9.81 * (rolling + 0.01 * grade) * speed / 120e3
    kept = 1.0 / (1.0 + np.exp(-4.0 * (load - 0.9)))
    settings = {
        "power_retention": 0.7 * kept,
        "full_share_time_s": 60.0 * (1.0 - kept),
        "economy": 1.0 - np.minimum(kept * 1.2, 1.0),
    }
    for table in settings.values():
        table[mass > 6000.0] = np.nan
    given: dict[str, Any] = {
        "name": "utility, by hand",
        "axes": dict(zip(AXES, (MASS, ROLLING, GRADE, SPEED), strict=True)),
        "settings": settings,
        "share_limits": {"gear": (np.array([1.0, 2.0, 3.0]), np.array([0.0, 0.6, 1.0]))},
        "protections": {"coolant_full_degc": 85.0, "cruise_extra_torque": False},
        "made": {"by": "hand", "conditions": {"ambient_degc": 25.0, "grades": [0.0, 3.0]}},
    }
    return Strategy(**{**given, **changes})


def assert_same(one: Strategy, other: Strategy) -> None:
    """Equal to the last bit, blank cells too."""
    assert (one.name, one.made, one.rig) == (other.name, other.made, other.rig)
    assert one.protections == other.protections
    for name in AXES:
        assert one.axes[name].tobytes() == other.axes[name].tobytes(), name
    for name in SETTINGS:
        a, b = one.settings[name], other.settings[name]
        assert a.shape == b.shape
        assert np.array_equal(np.isnan(a), np.isnan(b)), name
        assert np.nan_to_num(a).tobytes() == np.nan_to_num(b).tobytes(), name
    assert list(one.share_limits) == list(other.share_limits)
    for name, curve in one.share_limits.items():
        for a, b in zip(curve, other.share_limits[name], strict=True):
            assert a.tobytes() == b.tobytes()
