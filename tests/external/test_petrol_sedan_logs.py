"""Real chassis-dyno logs of a petrol sedan are read for what they are.

The logs are carried by the wheel of fastsim 2.1.5 (Apache-2.0). Whether the estimator's interval
holds the sedan's approximate mass is checked in ``test_estimates_on_outside_plants.py``.
"""

from __future__ import annotations

import numpy as np
import pytest
from plants import archive, sedan_logs

PETROL_KG_M3 = 745.0


@pytest.fixture(scope="module")
def names() -> list[str]:
    try:
        return sedan_logs.names()
    except archive.ArchiveMissing as missing:
        pytest.skip(str(missing))


def test_four_logs_once_a_second(names: list[str]) -> None:
    assert len(names) >= 4
    for name in names:
        log = sedan_logs.read(name, PETROL_KG_M3)
        assert len(log) > 1000
        assert not log.isna().any().any()
        np.testing.assert_allclose(np.diff(log["time_s"]), 1.0)
        assert 20.0 < log["speed_m_s"].max() < 40.0


def test_fuelling_is_real_and_spiky(names: list[str]) -> None:
    for name in names:
        log = sedan_logs.read(name, PETROL_KG_M3)
        fuel = log["fuel_rate_g_s"]
        # Overrun cuts the fuel; a warm idle burns a fraction of a gram.
        assert (fuel < 0.01).mean() > 0.03
        assert 2.0 < fuel.quantile(0.999) < 8.0
        # 5 to 12 L/100 km over a test: what such a car burns.
        litres = fuel.sum() / PETROL_KG_M3
        hundred_km = log["speed_m_s"].sum() / 1e5
        assert 4.0 < litres / hundred_km < 13.0
