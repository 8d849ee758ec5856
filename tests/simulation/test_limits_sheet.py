"""The sheet of limits: what is judged, by which criterion, and what it says of a drive."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from loadlearn.simulation.comparison import Comparison, compare_strategies, prepare_draw
from loadlearn.simulation.limits_sheet import (
    Limit,
    judge,
    limited_quantities,
    limits_of,
    limits_sheet,
    worst_row,
)
from loadlearn.simulation.roadfile import read_road
from loadlearn.simulation.situation import situation
from loadlearn.simulation.strategies import run_strategy
from loadlearn.vehicle.rig import Rig

ROAD = """
name = "a short hill"
seed = 5
[[section]]
length_m = 600.0
relief = "level"
speed_limit_km_h = 80.0
[[section]]
length_m = 1200.0
relief = "level"
grade_percent = 7.0
speed_limit_km_h = 80.0
"""
HOT = Limit("x", "x", "°C", 700.0)
STEP_S = 0.02


def test_passed_for_more_than_two_seconds_fails_and_shorter_does_not() -> None:
    # A rectangle of height 10 above the limit, worked by hand: 2 s are 100 steps between the first
    # and the last sample above.
    for samples, fails in ((101, False), (102, True)):
        value = np.full(1000, 650.0)
        value[300 : 300 + samples] = 710.0
        found = judge(value, HOT, STEP_S)
        assert (found["margin"] < 0.0) == fails
        assert found["peak"] == 710.0 and found["worst"] == (710.0 if fails else 650.0)
        assert found["seconds_over"] == pytest.approx(STEP_S * samples)
        assert found["longest_s"] == pytest.approx(STEP_S * (samples - 1))
        assert (found["longest_s"] > 2.0 + 1e-9) == fails
    # Two stretches of 1.5 s with a break between them are not one of 3 s.
    value = np.full(1000, 650.0)
    value[100:175] = value[200:275] = 710.0
    assert judge(value, HOT, STEP_S)["margin"] == 50.0


def test_a_lower_limit_and_what_does_not_apply() -> None:
    lean = Limit("air_fuel_lambda", "λ", "", 1.2, at_least=True)
    value = np.full(1000, 3.0)
    value[400:600] = 1.15
    found = judge(value, lean, STEP_S)
    assert found["worst"] == found["peak"] == pytest.approx(1.15)
    assert found["margin"] == pytest.approx(-0.05)
    value[400:600] = np.nan
    assert judge(value, lean, STEP_S)["margin"] == pytest.approx(1.8)
    never = judge(np.full(1000, np.nan), lean, STEP_S)
    assert math.isnan(never["margin"]) and never["seconds_over"] == 0.0
    # At the limit is not beyond it, whatever rounding does.
    assert judge(np.full(500, 700.0 * (1.0 + 1e-12)), HOT, STEP_S)["seconds_over"] == 0.0


def test_the_limits_of_a_rig_and_where_the_gas_is_judged(utility: Rig) -> None:
    before = {one.quantity: one for one in limits_of(utility)}
    assert before["true_exhaust_gas_temp_degc"].judged_on == "truth"
    assert before["coolant_temp_degc"].limit == utility.limits.coolant_zero_degc
    # First gear at the most torque of the base engine: 450 N m, 3.60, 3.91 (the rig's file).
    assert before["axle_torque_n_m"].limit == pytest.approx(450.0 * 3.60 * 3.91)
    moved = utility.limits.model_copy(update={"exhaust_gas_temp_sensor": "after_turbine"})
    after = limits_of(utility.model_copy(update={"limits": moved}))[0]
    assert (after.quantity, after.judged_on) == ("exhaust_gas_temp_after_turbine_degc", "sensor")
    assert after.limit == utility.limits.exhaust_gas_temp_after_turbine_degc


@pytest.fixture(scope="module")
def short(utility: Rig, tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    path = tmp_path_factory.mktemp("road") / "hill.toml"
    path.write_text(ROAD)
    what = situation(utility, read_road(path), 5700.0)
    return compare_strategies(replace(what, compared=what.compared[:2]), draws=2, seed=1)


def test_what_is_limited_follows_from_the_truth(short: Comparison) -> None:
    what = short.what
    prepared, logger = prepare_draw(what, 0, 1, 1)
    run = run_strategy(what.rig, prepared, logger, what.compared[1])
    values = limited_quantities(run, what.rig, prepared)
    assert set(values) == {one.quantity for one in limits_of(what.rig)}
    steady = run.plant("shifting") < 0.5
    gears = np.array(what.rig.driveline.gear_ratios)
    gear = run.plant("gear").astype(int)
    expected = np.maximum(run.plant("engine_torque_n_m"), 0.0) * gears[gear - 1] * 3.91
    np.testing.assert_allclose(values["axle_torque_n_m"][steady], expected[steady])
    # Where load has been steady for long, the charge pressure is at its target (first-order lag).
    over = values["boost_over_target_kpa"]
    assert np.nanmedian(np.abs(over)) < 5.0
    ratio = 1.0 + run.plant("boost_kpa") / run.plant("ambient_pressure_kpa")
    np.testing.assert_allclose(values["turbo_pressure_ratio"], ratio)


def test_the_sheet_holds_every_limit_and_strategy(short: Comparison) -> None:
    sheet = pd.DataFrame(limits_sheet(short))
    assert len(sheet) == 2 * (len(limits_of(short.what.rig)) + 1)
    assert (sheet["draws"] == 2).all()
    for row in sheet[sheet["quantity"] != "gear_change_torque"].to_dict("records"):
        sign = -1.0 if row["at_least"] else 1.0
        assert row["margin"] == pytest.approx(sign * (row["limit"] - row["worst"]))
        assert sign * row["peak"] >= sign * row["worst"] - 1e-9
        assert (row["verdict"] == "fail") == (row["draws_over"] > 0) == (row["margin"] < -1e-6)
        # A tenth of a second, as the logger shows it, cannot hide what lasted longer than 2 s.
        assert row["longest_s"] <= row["seconds_over_worst"] <= row["seconds_over_total"]


def test_the_stock_vehicle_fails_its_own_limit(short: Comparison, utility: Rig) -> None:
    worst = short.table["peak_gas_degc"].min()
    limits = utility.limits.model_copy(update={"exhaust_gas_temp_degc": float(worst) - 100.0})
    strict = replace(short.what, rig=utility.model_copy(update={"limits": limits}))
    strict = replace(strict, compared=strict.compared[:1])
    row = limits_sheet(compare_strategies(strict, draws=2, seed=1))[0]
    assert (row["strategy"], row["verdict"], row["draws_over"]) == ("base", "fail", 2)
    assert row["margin"] < 0.0 and row["longest_s"] > 2.0


def test_torque_in_gear_changes_above_the_stock_vehicle_is_flagged(short: Comparison) -> None:
    torque = np.where(short.table["strategy"] == "base", 344.0, 389.0)
    table = short.table.assign(gear_change_torque_n_m=torque)
    rows = {
        row["strategy"]: row
        for row in limits_sheet(replace(short, table=table))
        if row["quantity"] == "gear_change_torque"
    }
    assert rows["base"]["verdict"] == "pass" and rows["base"]["margin"] == 0.0
    assert rows["fixed_share"]["verdict"] == "flag"
    assert rows["fixed_share"]["margin"] == -45.0 and rows["fixed_share"]["draws_over"] == 2
    # A flag is not what comes nearest to a limit of the rig's.
    worst = worst_row(limits_sheet(replace(short, table=table)))
    assert worst is not None and worst["quantity"] != "gear_change_torque"


def test_no_base_no_stock_torque(short: Comparison, tmp_path: Path) -> None:
    alone = replace(short.what, compared=short.what.compared[1:2])
    rows = limits_sheet(compare_strategies(alone, draws=1, seed=1))
    assert rows[-1]["quantity"] == "gear_change_torque" and rows[-1]["verdict"] == "not met"
