"""What the kernels read of a log, and which channels serve."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from traction_bench import steady

from loadlearn.errors import InputError
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.samples import (
    HEIGHT_FROM_ACCELEROMETER,
    HEIGHT_FROM_ALTITUDE,
    HEIGHT_FROM_GRADE,
    SAMPLE,
    SOURCE_FUEL,
    SOURCE_TORQUE,
    SOURCE_TRACTIVE,
    force_source,
    height_source,
    sample_of,
    samples_of,
)
from loadlearn.vehicle.traction import traction


def test_the_best_channel_that_is_there_serves(rig: Rig) -> None:
    trace = steady(rig)
    assert force_source(trace) == SOURCE_FUEL
    assert force_source(trace.assign(engine_torque_n_m=100.0)) == SOURCE_TORQUE
    both = trace.assign(engine_torque_n_m=100.0, tractive_force_n=900.0)
    assert force_source(both) == SOURCE_TRACTIVE
    assert force_source(both.assign(tractive_force_n=np.nan)) == SOURCE_TORQUE
    assert height_source(trace.assign(accel_long_m_s2=0.0)) == HEIGHT_FROM_ACCELEROMETER
    assert height_source(trace.assign(accel_long_m_s2=0.0, altitude_m=1.0)) == HEIGHT_FROM_ALTITUDE
    assert height_source(trace.assign(altitude_m=1.0, grade_percent=0.0)) == HEIGHT_FROM_GRADE


def test_a_log_without_force_is_refused(rig: Rig) -> None:
    with pytest.raises(InputError, match="no force channel"):
        traction(steady(rig, fuel_rate_g_s=None), rig)


def test_a_log_without_grade_is_refused(rig: Rig) -> None:
    with pytest.raises(InputError, match="no grade channel"):
        height_source(steady(rig))


@pytest.mark.parametrize("ambient", [{}, {"ambient_pressure_kpa": 92.0, "ambient_temp_degc": 31.0}])
def test_one_sample_is_read_as_a_trace_is(rig: Rig, ambient: dict[str, float]) -> None:
    trace = steady(rig).assign(grade_percent=4.0, altitude_m=700.0, transfer_range=1.0, **ambient)
    whole = samples_of(trace)
    one = sample_of({**trace.iloc[7].to_dict(), "transfer_range": " Low "})
    assert one.dtype == SAMPLE and one.shape == (1,)
    for name in SAMPLE.names or ():
        assert one[name][0] == pytest.approx(whole[name][7], rel=1e-12, nan_ok=True), name
    # The sine of the angle whose tangent is 4 %.
    assert whole["slope_sin"][0] == pytest.approx(np.sin(np.arctan(0.04)), rel=1e-12)


def test_absent_channels_are_not_numbers() -> None:
    samples = samples_of(pd.DataFrame({"time_s": [0.0, 1.0], "speed_m_s": [1.0, np.nan]}))
    assert np.isnan(samples["gear"]).all() and np.isnan(samples["speed_m_s"][1])
