"""The documented fit of a Willans line gives a line back, and says how far an engine is from it."""

from __future__ import annotations

import fit_willans
import numpy as np
import pytest


def test_a_line_is_given_back() -> None:
    rng = np.random.default_rng(3)
    omega = rng.uniform(80.0, 300.0, 400)
    fuel = rng.uniform(0.5, 9.0, 400)
    volume, heat = 3.0e-3, 42.8e3
    friction = (112e3 + 170.0 * omega) * volume / (4.0 * np.pi)
    power = 0.415 * heat * fuel - friction * omega
    line = fit_willans.fit(fuel, power, omega, displacement_l=3.0, heating_value_j_g=heat)
    assert line.indicated_efficiency == pytest.approx(0.415, rel=1e-6)
    assert line.friction_mep_kpa == pytest.approx(112.0, rel=1e-4)
    assert line.friction_mep_slope_kpa_s_per_rad == pytest.approx(0.170, rel=1e-4)
    assert line.relative_error < 1e-6
    # A curve through a straight engine's samples says the same of no load: the least that is said.
    assert line.friction_mep_sd_kpa == pytest.approx(5.0)
    assert line.slope_error < 1e-6
    assert line.curve_fall_per_mpa == pytest.approx(0.0, abs=1e-6)
    assert line.curve_efficiency == pytest.approx(0.415, rel=1e-6)
    assert line.tractive_scale_sd == pytest.approx(0.03)


def test_a_curved_engine_is_reported_as_such() -> None:
    # Efficiency falling from 0.40 towards full load: the line is wrong by a few per cent, low
    # below and high above, and the fit says so.
    omega = np.full(300, 200.0)
    power = np.linspace(5e3, 150e3, 300)
    efficiency = 0.38 - 0.08 * np.linspace(0.0, 1.0, 300) ** 2
    fuel = power / (efficiency * 42.8e3)
    line = fit_willans.fit(fuel, power, omega, displacement_l=3.0, heating_value_j_g=42.8e3)
    assert 0.01 < line.relative_error < 0.08
    assert line.bias_low > 0.05
    assert line.bias_high < 0.0
    assert line.friction_mep_sd_kpa > 5.0


def test_how_sure_the_friction_is_covers_what_curvature_does_to_it() -> None:
    # By hand: indicated torque 0.45 H m (1 - q) / omega with q in proportion to the fuel per turn,
    # 12 % at most, less 120 kPa of friction. The line's friction is too low, and its sd says so.
    rng = np.random.default_rng(4)
    omega, per_turn = rng.uniform(120.0, 260.0, 500), rng.uniform(0.1, 1.0, 500)
    fuel = 0.04 * per_turn * omega
    indicated = 0.45 * 42.8e3 * fuel * (1.0 - 0.12 * per_turn)
    power = indicated - 120e3 * 3.0e-3 / (4.0 * np.pi) * omega
    line = fit_willans.fit(fuel, power, omega, displacement_l=3.0, heating_value_j_g=42.8e3)
    middle = line.friction_mep_kpa + 190.0 * line.friction_mep_slope_kpa_s_per_rad
    off = 120.0 - middle
    assert off > 10.0
    assert 2.0 * line.friction_mep_sd_kpa == pytest.approx(off, rel=0.15)
    # By hand: the slope falls as 1 - 0.24 x; the line's is about that at the middle, x = 0.55, so
    # either half, a quarter of the range away, is off by 0.24 x 0.225 / 0.868.
    assert line.slope_error == pytest.approx(0.062, rel=0.25)
    # The curve is that engine: 12 % at most, where the indicated mean effective pressure is
    # 0.45 x 42.8 kJ/g x 0.04 g x 4 pi / 3 L = 3.227 MPa.
    assert line.curved
    assert line.curve_efficiency == pytest.approx(0.45, rel=1e-6)
    assert line.curve_fall_per_mpa == pytest.approx(0.12 / 3.227, rel=1e-3)
    assert line.curve_friction_mep_kpa == pytest.approx(120.0, rel=1e-4)
    assert line.tractive_scale_sd == pytest.approx(0.03)
    assert line.engine_keys()["friction_mep_sd_kpa"] == line.friction_mep_sd_kpa


def test_the_energy_simulators_engine() -> None:
    pytest.importorskip("fastsim", reason="needs the extra external: fastsim 3.1 or later")
    line, samples = fit_willans.energy_plant_line(2850.0, 0.0105, 1.2, 150e3)
    # The shipped map peaks at 36 % and falls to 30 %: no line, and a slope near its peak.
    assert 0.30 < line.indicated_efficiency < 0.40
    assert 0.01 < line.relative_error < 0.07
    assert line.samples > 500
    assert samples["brake_power_w"].max() <= 150e3
