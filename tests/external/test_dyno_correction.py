"""Power correction against worked figures and tables from outside the project."""

from __future__ import annotations

import numpy as np
import pytest

from loadlearn.vehicle.atmosphere import (
    Correction,
    dry_pressure_kpa,
    fuelling_per_litre_cycle_mg,
    saturation_vapour_pressure_kpa,
)

# The worked example: 2.8 L, 3400 rpm, 9.0 g/s, pressure ratio 2.4, at 95 kPa dry and 308 K. The
# formulas are those of the ISO 1585 / SAE J1349 family (published, an SAE-style equipment manual;
# x = 1.5 from memory of ISO 1585 / UN R85); the figures are arithmetic from them by hand.
EXAMPLE = {"dry_pressure_kpa": 95.0, "temperature_k": 308.0}


def test_fuelling_and_engine_factor_of_the_worked_example():
    fuelling = fuelling_per_litre_cycle_mg(9.0, 3400.0, 2.8)
    assert fuelling == pytest.approx(113.45, abs=0.005)
    assert fuelling / 2.4 == pytest.approx(47.27, abs=0.005)
    factor = Correction().engine_factor_from_fuelling(fuelling, 2.4)
    assert factor == pytest.approx(0.5617, abs=5e-5)


@pytest.mark.parametrize(
    ("aspiration", "exponent", "expected"),
    [
        ("turbocharged", 1.5, 1.0450),
        ("turbocharged", 1.2, 1.0392),
        ("turbocharged", 0.7, 1.0296),
        ("natural", 1.5, 1.0368),
    ],
)
def test_correction_factor_of_the_worked_example(aspiration, exponent, expected):
    correction = Correction(aspiration=aspiration, temperature_exponent=exponent)
    fuelling = fuelling_per_litre_cycle_mg(9.0, 3400.0, 2.8)
    factor = correction.engine_factor_from_fuelling(fuelling, 2.4)
    alpha = correction.factor(**EXAMPLE, engine_factor=factor)
    assert alpha == pytest.approx(expected, abs=5e-5)


def test_engine_factor_limits():
    """ISO 1585 (from memory): 0.3 below qc = 40, 1.2 above 65; the line joins them unbroken."""
    correction = Correction()
    limits = correction.engine_factor_from_fuelling(np.array([10.0, 40.0, 65.0, 90.0]))
    np.testing.assert_allclose(limits, [0.3, 0.3, 1.2, 1.2], atol=1e-12)


def test_spark_ignition_at_the_reference_and_away_from_it():
    """SAE J1349 (secondary): 1.18 (99/pd) sqrt(T/298) - 0.18; ISO 1585 (from memory)."""
    sae = Correction(ignition="spark", standard="sae_j1349")
    iso = Correction(ignition="spark", standard="iso_1585")
    for correction in (sae, iso):
        assert correction.factor(99.0, 298.0) == pytest.approx(1.0, abs=1e-12)
    # By hand at 95 kPa and 308 K: 99/95 = 1.042105, 308/298 = 1.033557.
    assert sae.factor(**EXAMPLE) == pytest.approx(1.18 * 1.042105 * 1.016640 - 0.18, abs=2e-5)
    assert iso.factor(**EXAMPLE) == pytest.approx(1.050741 * 1.020000, abs=2e-4)


def test_saturation_pressure_against_steam_tables():
    """Steam tables (from memory): 0.6113, 1.2281, 2.3392, 3.1697, 4.2467, 7.3851 kPa.

    Within 0.4 %, which is 0.01 kPa of the 99 kPa it is subtracted from.
    """
    temperature = [0.01, 10.0, 20.0, 25.0, 30.0, 40.0]
    table = [0.6113, 1.2281, 2.3392, 3.1697, 4.2467, 7.3851]
    np.testing.assert_allclose(saturation_vapour_pressure_kpa(temperature), table, rtol=4e-3)


def test_dry_pressure_of_the_reference_atmosphere():
    """ISO 1585 (from memory): 100 kPa total less 1 kPa of water vapour is 99 kPa dry.

    One kilopascal at 298 K is 31.6 % of saturation (steam table 3.169 kPa, from memory).
    """
    assert dry_pressure_kpa(100.0, 25.0, 31.55) == pytest.approx(99.0, abs=0.01)
