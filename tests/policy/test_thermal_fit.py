"""Heat parameters learnt from a drive of the tests' plant, whose own are off by a known factor."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from plant_bench import Deviations, Plant
from policy_bench import make_rig

from loadlearn.policy.thermal_fit import fit_thermal_parameters
from loadlearn.policy.thermal_model import thermal_parameters


def drive(rig, off, seconds=500.0, seed=0, spikes=False) -> pd.DataFrame:
    plant = Plant(rig, off=off, seed=seed, fixed_speed_m_s=22.0)
    plant.gear = 4
    random = np.random.default_rng(seed)
    pedal, rows = 0.5, []
    for i in range(round(seconds / 0.2)):
        if i % 60 == 0:
            pedal = random.uniform(0.15, 1.0)
        plant.step(pedal, 0.0, 1.0, 0.0, 0.2)
        sample = plant.sample()
        if spikes and random.uniform() < 0.03:
            sample["exhaust_gas_temp_degc"] += random.choice([-300.0, 400.0])
        rows.append(sample)
    return pd.DataFrame(rows)


@pytest.mark.parametrize("spikes", [False, True])
def test_heat_factor_is_found_with_an_honest_sd(spikes):
    rig = make_rig()
    default = thermal_parameters(rig)
    found = [
        fit_thermal_parameters(drive(rig, Deviations(heat=heat), seed=3, spikes=spikes), rig)
        for heat in (0.9, 1.1)
    ]
    shares = [fit.fitted["exhaust_energy_share"] for fit in found]
    # Both plants share whatever else differs between plant and model: the ratio is the factor.
    assert shares[1].value / shares[0].value == pytest.approx(1.1 / 0.9, rel=0.02)
    for fit in found:
        assert fit.parameters.exhaust_rise_sd < 0.5 * default.exhaust_rise_sd
        assert 0.0 < fit.fitted["exhaust_energy_share"].sd < 0.02
        assert 0.02 <= fit.parameters.metal_share <= 0.5
        assert fit.parameters.volumetric_efficiency == pytest.approx(0.9, rel=0.03)
        # The plant: 5 + 13 x load above ambient.
        assert fit.parameters.charge_rise_full_k == pytest.approx(18.0, abs=2.0)


def test_what_is_not_logged_keeps_its_default():
    rig = make_rig()
    trace = drive(rig, Deviations(), seconds=100.0)
    few = ["time_s", "speed_m_s", "fuel_rate_g_s", "grade_percent", "engine_speed_rpm", "gear"]
    fit = fit_thermal_parameters(trace[few], rig)
    assert fit.fitted == {} and fit.parameters == thermal_parameters(rig)
    assert fit_thermal_parameters(trace, rig).fitted == {}, "too short a log teaches nothing"
