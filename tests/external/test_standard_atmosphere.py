"""Air density against the standard atmosphere's table and against an independent package.

Sources: ISO 2533 / ICAO Doc 7488 (read on a secondary page): sea level 288.15 K, 101 325 Pa,
1.225 kg/m3, lapse 6.5 K/km; the densities aloft derived from those by arithmetic. Oracle: the
package ``ambiance`` (Apache-2.0).
"""

from __future__ import annotations

import numpy as np
import pytest

from loadlearn.vehicle.roadload import (
    air_density_kg_m3,
    isa_altitude_m,
    isa_pressure_kpa,
    isa_temperature_k,
)


@pytest.mark.parametrize(
    ("altitude_m", "density"), [(0.0, 1.2250), (1000.0, 1.1116), (2000.0, 1.0065), (3000.0, 0.9091)]
)
def test_density_table(altitude_m: float, density: float) -> None:
    assert air_density_kg_m3(altitude_m) == pytest.approx(density, abs=6e-5)


def test_sea_level() -> None:
    assert isa_temperature_k(0.0) == pytest.approx(288.15)
    assert isa_pressure_kpa(0.0) == pytest.approx(101.325)
    assert isa_temperature_k(1000.0) - isa_temperature_k(0.0) == pytest.approx(-6.5)


def test_against_ambiance() -> None:
    ambiance = pytest.importorskip("ambiance", reason="needs the extra test: ambiance")
    altitude = np.linspace(-400.0, 5000.0, 28)
    # ambiance takes geometric height and converts to geopotential, which is what the formulas use.
    standard = ambiance.Atmosphere(altitude)
    geopotential = ambiance.CONST.r * altitude / (ambiance.CONST.r + altitude)
    np.testing.assert_allclose(air_density_kg_m3(geopotential), standard.density, rtol=2e-6)
    np.testing.assert_allclose(isa_pressure_kpa(geopotential) * 1e3, standard.pressure, rtol=2e-6)
    np.testing.assert_allclose(isa_altitude_m(standard.pressure / 1e3), geopotential, atol=0.02)


def test_measured_air_replaces_the_standard() -> None:
    # Gas law by hand: 95 kPa at 35 degC, 95000 / (287.053 x 308.15) = 1.0740 kg/m3.
    assert air_density_kg_m3(500.0, 35.0, 95.0) == pytest.approx(1.0740, abs=1e-4)
