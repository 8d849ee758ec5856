"""Halves, doubles and signs: found where another channel knows, and said where none does."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from drive_bench import MASS_KG, bench_drive, small_rig

from loadlearn.estimation.cross_checks import Checked, cross_checks
from loadlearn.estimation.intervals import SHORTEST_ROW_S, interval_state, rows_of
from loadlearn.estimation.learner import Sources
from loadlearn.log.contradictions import no_gear_fits
from loadlearn.vehicle.engine_force import rig_arrays
from loadlearn.vehicle.samples import samples_of


@pytest.fixture(scope="module")
def log() -> pd.DataFrame:
    made = bench_drive(900.0).drop(columns=["tractive_force_n", "accel_long_m_s2", "altitude_m"])
    return made.assign(brake_active=0.0)


def checked(trace: pd.DataFrame, most_n_m: float = 1100.0) -> Checked:
    curve = {"full_load_rpm": [500, 4000], "full_load_torque_n_m": [most_n_m, most_n_m]}
    rig = small_rig(**curve)
    made = rows_of(
        rig_arrays(rig), *Sources.of(trace), SHORTEST_ROW_S, interval_state(), samples_of(trace)
    )
    return cross_checks(rig, trace, made.rows, MASS_KG)


def test_an_honest_drive_contradicts_nothing(log: pd.DataFrame) -> None:
    found = checked(log)
    assert found.contradictions == []
    assert [one.partition(":")[0] for one in found.unchecked] == ["the scale of fuel_rate_g_s"]


@pytest.mark.parametrize("factor", [0.95, 1.05])
def test_a_speed_that_is_five_per_cent_off_is_found(log: pd.DataFrame, factor: float) -> None:
    """Here by the beliefs in the rig, for it fits none of its gears; or by its offset from one."""
    trace = log.assign(speed_m_s=factor * log["speed_m_s"])
    said = [*checked(trace).contradictions, *no_gear_fits(trace, small_rig())]
    assert len(said) == 1
    assert no_gear_fits(log, small_rig()) == []


@pytest.mark.parametrize(("factor", "words"), [(0.01, "times"), (-1.0, "sign")])
def test_a_slope_as_a_ratio_or_reversed_is_found(
    log: pd.DataFrame, factor: float, words: str
) -> None:
    found = checked(log.assign(grade_percent=factor * log["grade_percent"])).contradictions
    assert len(found) == 1 and words in found[0]


def test_too_much_fuel_is_found_by_full_load(log: pd.DataFrame) -> None:
    found = checked(log.assign(fuel_rate_g_s=3.0 * log["fuel_rate_g_s"])).contradictions
    assert any("times the engine's full-load torque" in one for one in found)


def test_too_little_fuel_is_found_at_full_pedal_only(log: pd.DataFrame) -> None:
    pulling = log["fuel_rate_g_s"] > log["fuel_rate_g_s"].quantile(0.9)
    pedal = log.assign(accelerator_percent=np.where(pulling, 100.0, 40.0))
    assert checked(pedal).contradictions == []
    halved = pedal.assign(fuel_rate_g_s=0.5 * log["fuel_rate_g_s"])
    assert any("at full pedal" in one for one in checked(halved).contradictions)
    unseen = checked(halved.drop(columns="accelerator_percent"))
    assert not any("full" in one for one in unseen.contradictions)
    assert any("half or double" in one for one in unseen.unchecked)


def test_efficiency_and_air(log: pd.DataFrame) -> None:
    """A diesel engine's best brake efficiency is 0.40 to 0.46 (Heywood, from memory)."""
    omega = log["engine_speed_rpm"] * np.pi / 30.0
    torque = 0.40 * 42.8e3 * log["fuel_rate_g_s"] / omega
    both = log.assign(engine_torque_n_m=torque, air_flow_g_s=22.0 * log["fuel_rate_g_s"])
    assert checked(both).contradictions == [] and checked(both).unchecked == []
    found = checked(both.assign(fuel_rate_g_s=3.0 * log["fuel_rate_g_s"])).contradictions
    assert any("efficiency of 0.13" in one for one in found)
    assert any("air flow over fuelling is 0.51" in one for one in found)


def test_rolling_that_pays_is_found(log: pd.DataFrame) -> None:
    """A force short by a constant ten per cent of the weight: less than nothing is left."""
    trace = bench_drive(900.0).drop(columns=["accel_long_m_s2", "altitude_m", "fuel_rate_g_s"])
    trace["tractive_force_n"] -= 0.1 * MASS_KG * 9.81
    trace["brake_active"] = 0.0
    assert any("less than nothing" in one for one in checked(trace).contradictions)
