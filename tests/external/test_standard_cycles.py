"""Standard cycles as excitation: length, distance and top speed as their regulations state.

Figures from memory of 40 CFR part 86 appendix I (UDDS 1369 s, 7.45 miles; US06 600 s, 8.01 miles),
40 CFR part 600 appendix I (HWFET 765 s, 10.26 miles) and UN GTR 15 (WLTC class 3b 1800 s, 23.27 km,
131.3 km/h, and its checksum 83758.6).
"""

from __future__ import annotations

import numpy as np
import pytest
from plants import archive, cycles

pytest.importorskip("fastsim", reason="needs the extra external: fastsim 3.1 or later")
pytest.importorskip("wltp", reason="needs the extra external: wltp")

MILE_M = 1609.344


@pytest.mark.parametrize(
    ("name", "seconds", "distance_m", "top_m_s"),
    [
        ("udds", 1369, 7.45 * MILE_M, 56.7 * 0.44704),
        ("hwfet", 765, 10.26 * MILE_M, 59.9 * 0.44704),
        ("us06", 600, 8.01 * MILE_M, 80.3 * 0.44704),
        ("wltc", 1800, 23_266.0, 131.3 / 3.6),
    ],
)
def test_length_distance_and_top_speed(
    name: str, seconds: int, distance_m: float, top_m_s: float
) -> None:
    if name == "us06":
        try:
            archive.wheel()
        except archive.ArchiveMissing as missing:
            pytest.skip(str(missing))
    speed = cycles.speed_trace(name)
    assert len(speed) - 1 == seconds
    assert speed.sum() == pytest.approx(distance_m, rel=0.002)
    assert speed.max() == pytest.approx(top_m_s, rel=0.002)
    assert speed[0] == 0.0 == speed[-1]


def test_checksum_of_the_worldwide_cycle() -> None:
    assert (3.6 * cycles.speed_trace("wltc")).sum() == pytest.approx(83_758.6, abs=0.05)


def test_a_heavy_vehicle_slows_to_what_its_power_allows() -> None:
    wanted = cycles.speed_trace("udds")
    light, _ = cycles.within_power(wanted, 1600.0, 0.01, 0.7, 100e3)
    np.testing.assert_allclose(light, wanted)
    heavy, grade = cycles.within_power(wanted, 36_000.0, 0.007, 6.0, 300e3, 2.0, seed=4)
    assert np.all(heavy <= wanted + 1e-9)
    assert 0.90 * wanted.sum() < heavy.sum() < 0.995 * wanted.sum()
    # 300 kW cannot give 36 t more than 1 m/s2 above 30 km/h.
    fast = heavy[:-1] > 30.0 / 3.6
    assert np.diff(wanted)[fast].max() > 1.2
    assert np.diff(heavy)[fast].max() < 1.1
    assert grade[1:].std() == pytest.approx(2.0, rel=0.35)
