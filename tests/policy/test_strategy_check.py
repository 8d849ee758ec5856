"""The check of a strategy: what passes, what fails, and that it names the place."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from policy_bench import RIG_FOLDER, make_rig
from strategy_bench import GRADE, MASS, ROLLING, smooth_strategy
from typer.testing import CliRunner, Result

from loadlearn.cli import app
from loadlearn.errors import InputError
from loadlearn.policy.protections import over_temperature, warm_up
from loadlearn.policy.strategy import AXES, Settings, Strategy, constant
from loadlearn.policy.strategy_check import FAIL, PASS, PLAUSIBLE, Finding, check_strategy
from loadlearn.policy.strategy_file import read_strategy, write_strategy
from loadlearn.policy.strategy_limits import (
    STRICTER,
    above_ratings,
    is_weaker,
    rig_mismatch,
    stricter_limits,
)
from loadlearn.vehicle.rig import Limits, Rig

BOAT = RIG_FOLDER / "utility_boat.toml"


@pytest.fixture(scope="module")
def boat() -> Rig:
    return Rig.from_toml(BOAT)


def failed(strategy: Strategy, rig: Rig | None = None) -> list[Finding]:
    return [one for one in check_strategy(strategy, rig) if one.verdict == FAIL]


def with_cell(name: str, index: tuple[int, ...], value: float) -> Strategy:
    strategy = smooth_strategy()
    strategy.settings[name][index] = value
    return strategy


def test_a_sound_strategy_passes_everywhere(boat):
    strategy = smooth_strategy(rig=boat.model_dump(exclude_none=True))
    for rig in (None, boat):
        findings = check_strategy(strategy, rig)
        assert [one for one in findings if one.verdict == FAIL] == []
        whats = {one.what for one in findings}
        assert whats >= {"axis", "bounds", "blank cells", "order", "share limit", "protection"}
    assert ("rig" in whats) and len([one for one in findings if one.what == "order"]) == 9
    assert failed(constant("half", Settings(0.5, 20.0, 0.5))) == []


# ----------------------------------------------------------------------------------- the grid


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("power_retention", 1.02, "1 cell outside 0 to 1, first 1.02 at combined mass 4500 kg"),
        ("full_share_time_s", -3.0, "first -3 s at combined mass 4500 kg, rolling resistance"),
        ("economy", math.inf, "first inf at combined mass 4500 kg"),
    ],
)
def test_a_setting_out_of_bounds_is_named_by_its_axis_values(tmp_path, name, value, said):
    strategy = with_cell(name, (2, 1, 3, 0), value)
    bounds = [one for one in failed(strategy) if one.what == "bounds"]
    assert [one.where.replace(" ", "_").replace("full-share", "full_share") for one in bounds] == [
        name.removesuffix("_s")
    ]
    assert said in bounds[0].detail and "grade 6 %, speed 10 m/s" in bounds[0].detail
    write_strategy(strategy, tmp_path / "s.toml")
    with pytest.raises(InputError, match="loadlearn check"):
        read_strategy(tmp_path / "s.toml")
    read_strategy(tmp_path / "s.toml", usable=False)


@pytest.mark.parametrize(
    ("axis", "points", "said"),
    [
        ("mass_kg", [3500.0, 2650.0, 4500.0, 6000.0, 6400.0], "point 1 (3500 kg) to the next"),
        ("mass_kg", [2650.0, 2650.0, 4500.0, 6000.0, 6400.0], "does not rise"),
        ("rolling_resistance", [-0.1, 0.012, 0.055, 0.12], "points are above 0"),
        ("grade_percent", [-2.0, 0.0, 3.0, math.inf], "point 4 is inf"),
        ("speed_m_s", [math.nan, 20.0, 27.8], "point 1 is nan"),
    ],
)
def test_axes_that_cannot_be_interpolated(axis, points, said):
    strategy = smooth_strategy()
    strategy.axes[axis] = np.array(points)
    (fault,) = [one for one in failed(strategy) if one.what == "axis"]
    assert said in fault.detail


def test_blank_cells_belong_above_the_ratings_and_nowhere_else(boat):
    hole = smooth_strategy()
    for table in hole.settings.values():
        table[1, 2, 0, 1] = np.nan
    (fault,) = failed(hole, boat)
    assert (fault.what, fault.where) == ("blank cells", "below the ratings")
    assert fault.detail.startswith(
        "1 cell, first at combined mass 3500 kg, rolling resistance 0.05"
    )

    filled = smooth_strategy()
    for name, table in filled.settings.items():
        table[4] = filled.settings[name][3]
    (fault,) = failed(filled, boat)
    assert fault.where == "filled above the ratings"
    assert fault.detail.startswith(f"{ROLLING.size * GRADE.size * 3} cells, first at combined mass")

    (fault,) = failed(with_cell("economy", (1, 0, 0, 0), math.nan), None)
    assert fault.where == "in some settings only"
    note = [one for one in check_strategy(smooth_strategy()) if one.what == "blank cells"][-1]
    assert "no rig tells the ratings" in note.detail


def test_above_a_rating_is_above_the_lesser_of_the_two(boat):
    # 2650 kg and 3500 kg behind it make 6150 kg; the combination is rated 6000 kg.
    assert above_ratings(boat, [6000.0, 6000.1]).tolist() == [False, True]
    towing = boat.vehicle.model_copy(update={"rated_gcm_kg": 7000.0})
    assert above_ratings(
        boat.model_copy(update={"vehicle": towing}), [6150.0, 6151.0]
    ).tolist() == [
        False,
        True,
    ]
    silent = towing.model_copy(update={"rated_gcm_kg": None, "rated_towing_kg": None})
    assert not above_ratings(boat.model_copy(update={"vehicle": silent}), [9e9]).any()


@pytest.mark.parametrize(
    ("name", "change", "axis", "said"),
    [
        ("power_retention", -0.1, "rolling resistance", "falls in 1 place"),
        ("full_share_time_s", 9.0, "grade", "rises in 1 place"),
        ("economy", 0.2, "combined mass", "rises in 1 place, first from"),
    ],
)
def test_a_cell_against_physics_is_found(name, change, axis, said):
    at = (2, 1, 2, 1)
    strategy = smooth_strategy()
    strategy.settings[name][at] += change
    broken = [one for one in failed(strategy) if one.what == "order"]
    faults = {one.where.split(" over ")[1]: one for one in broken}
    assert set(faults) == {"combined mass", "rolling resistance", "grade"}
    detail = faults[axis].detail
    assert said in detail
    value = f"{strategy.settings[name][at]:.9g}"
    assert value in detail and "speed 20 m/s" in detail


@given(
    st.lists(st.floats(0.0, 1.0), min_size=4, max_size=4),
    st.sampled_from(["power_retention", "full_share_time_s", "economy"]),
    st.sampled_from(["mass_kg", "rolling_resistance", "grade_percent"]),
)
@settings(max_examples=100, deadline=None)
def test_order_is_found_broken_where_sorting_would_change_it(values, name, axis):
    """Against sorting: what is in order is what sorting leaves as it is."""
    strategy = constant("any", Settings(0.5, 30.0, 0.5))
    strategy.axes[axis] = np.array([0.01, 0.02, 0.04, 0.08]) * (1e5 if axis == "mass_kg" else 1.0)
    shape = strategy.shape
    for other, table in strategy.settings.items():
        strategy.settings[other] = np.full(shape, table.item())
    strategy.settings[name] = np.array(values).reshape(shape)
    rule = sorted(values, reverse=name != "power_retention")
    in_order = max(abs(a - b) for a, b in zip(values, rule, strict=True)) <= 1e-9
    assert (failed(strategy) == []) == in_order


def test_down_a_hill_a_heavier_load_may_ask_for_less():
    """Over mass, order holds where the road resists: m g (c cos + sin), any textbook on road load.

    At -2 % and a coefficient of 0.012 the load pushes, the more the heavier it is.
    """
    strategy = smooth_strategy()
    over_mass = np.diff(strategy.settings["power_retention"], axis=0)[:3]  # below the blank cells
    pushes = ROLLING < 0.02
    assert (over_mass[:, pushes, 0] < 0.0).all()  # as the load pushes more, less is kept
    assert failed(strategy) == []
    angle = np.arctan(0.01 * GRADE)
    force_per_weight = ROLLING[:, None] * np.cos(angle) + np.sin(angle)
    strategy.settings["power_retention"][3] -= 0.3 * (force_per_weight[..., None] < 0.0)
    strategy.settings["power_retention"][...] = np.maximum(strategy.settings["power_retention"], 0)
    where = {one.where for one in failed(strategy)}
    assert "power retention over combined mass" not in where


def test_share_limits(boat):
    for points, share, said in (
        ([1.0, 2.0], [0.5, 1.1], "1 value outside 0 to 1, first 1.1 at 2"),
        ([2.0, 1.0], [0.5, 1.0], "does not rise"),
        ([1.0, 2.5], [0.5, 1.0], "gears are whole numbers"),
        ([0.0, 1.0], [0.5, 1.0], "points are above 0"),
    ):
        limits = {"gear": (np.array(points), np.array(share))}
        (fault,) = failed(smooth_strategy(share_limits=limits), boat)
        assert fault.what == "share limit" and said in fault.detail


# --------------------------------------------------------------------------------- protections


def test_every_limit_of_a_rig_has_a_direction_and_a_plausible_range():
    assert list(STRICTER) == list(Limits.model_fields)
    numbers = {key for key, value in Limits() if isinstance(value, float)}
    assert set(PLAUSIBLE) == numbers
    for fuel in ("diesel", "petrol"):
        table = make_rig().model_dump(exclude={"limits"})
        table["engine"]["fuel"] = fuel
        limits = Rig.from_dict(table).limits
        for key, (low, high) in PLAUSIBLE.items():
            assert low <= getattr(limits, key) <= high, key


@pytest.mark.parametrize("key", [key for key in STRICTER if key.startswith("coolant")])
def test_the_stricter_value_is_the_one_that_caps_more(key):
    """Judged by the protections themselves, over every coolant temperature."""
    usual = Limits().model_dump()
    degc = np.linspace(20.0, 130.0, 1101)

    def caps(limits: dict[str, float]) -> np.ndarray:
        ends = [limits[f"coolant_{end}_degc"] for end in ("start", "full", "reduce", "zero")]
        return np.array([min(warm_up(t, *ends[:2]), over_temperature(t, *ends[2:])) for t in degc])

    for change in (-4.0, 4.0):
        changed = {**usual, key: usual[key] + change}
        difference = caps(changed) - caps(usual)
        assert is_weaker(key, changed[key], usual[key]) == bool((difference > 0.0).any())
        assert (difference >= 0.0).all() or (difference <= 0.0).all()


def test_a_weakened_protection_fails_and_does_not_count(rig):
    strategy = constant("s", Settings())
    strategy.protections["coolant_start_degc"] = -200
    (fault,) = failed(strategy, rig)
    assert fault.where == "coolant_start_degc"
    assert fault.detail == (
        "-200 °C: weaker than 60 °C of the rig, which holds; not plausible: 20 to 95 °C is"
    )
    assert failed(strategy)[0].where == "coolant_start_degc"
    limits, weakened = stricter_limits(rig, strategy)
    assert limits == rig.limits
    assert weakened == [
        "coolant_start_degc = -200 of the strategy is weaker than 60.0 of the rig, which holds"
    ]


@pytest.mark.parametrize(
    ("key", "stricter", "weaker"),
    [
        ("exhaust_gas_temp_sensor", "none", "after_turbine"),
        ("exhaust_gas_temp_degc", 700.0, 760),
        ("exhaust_gas_temp_after_turbine_degc", 500.0, 560.0),
        ("coolant_start_degc", 65.0, 40.0),
        ("coolant_full_degc", 85.0, 70.0),
        ("coolant_reduce_degc", 100, 108.0),
        ("coolant_zero_degc", 110.0, 120.0),
        ("transmission_oil_reduce_degc", 110.0, 120.0),
        ("transmission_oil_zero_degc", 125.0, 140.0),
        ("engine_oil_reduce_degc", 120.0, 130.0),
        ("engine_oil_zero_degc", 135.0, 150.0),
        ("intake_reduce_degc", 60.0, 70.0),
        ("intake_zero_degc", 80.0, 90.0),
        ("air_fuel_lambda_min", 1.3, 1.1),
        ("boost_over_target_kpa", 15.0, 30.0),
        ("rail_pressure_shortfall_share", 0.05, 0.2),
        ("turbo_pressure_ratio_max", 2.8, 3.6),
        ("axle_torque_max_n_m", 5000.0, 9000.0),
        ("cruise_extra_torque", False, True),
    ],
)
def test_the_stricter_of_two_limits_holds(rig, key, stricter, weaker):
    strategy = constant("s", Settings())
    strategy.protections[key] = stricter
    limits, weakened = stricter_limits(rig, strategy)
    assert getattr(limits, key) == stricter and not weakened
    assert not [one for one in failed(strategy, rig) if one.where == key]
    strategy.protections[key] = weaker
    limits, weakened = stricter_limits(rig, strategy)
    assert limits == rig.limits and len(weakened) == 1 and key in weakened[0]
    (fault,) = [one for one in failed(strategy, rig) if one.where == key]
    assert "which holds" in fault.detail


def test_limits_that_cannot_hold_together_are_told(rig):
    strategy = constant("s", Settings())
    strategy.protections["coolant_start_degc"] = 85.0
    with pytest.raises(InputError, match="coolant_start_degc must be below coolant_full_degc"):
        stricter_limits(rig, strategy)
    assert any(one.where == "together" for one in failed(strategy, rig))
    assert any(one.where == "together" for one in failed(strategy))
    for key, value, said in (
        ("coolant_stat_degc", 85.0, "unknown protection 'coolant_stat_degc'"),
        ("coolant_start_degc", "warm", "'warm'; give a value like 60.0"),
        ("coolant_start_degc", math.nan, "is no number"),
        ("exhaust_gas_temp_degc", 20.0, "exhaust_gas_temp_degc: .*300"),
    ):
        with pytest.raises(InputError, match=said):
            stricter_limits(rig, replace(strategy, protections={key: value}))


def test_implausible_limits_of_the_rig_itself_are_found():
    rig = make_rig(coolant_start_degc=-55.0)
    (fault,) = failed(constant("s", Settings()), rig)
    assert fault.where == "coolant_start_degc of the rig" and "-55 °C" in fault.detail


# ---------------------------------------------------------------------------------------- rigs


def test_only_keys_that_matter_are_compared(boat):
    table = boat.model_dump(exclude_none=True)
    assert rig_mismatch(table, boat) == []
    table["name"] = "another"
    table["uncertainty"]["tractive_scale_sd"] = 0.1
    table["limits"]["coolant_start_degc"] = 70.0
    assert rig_mismatch(table, boat) == []
    table["engine"]["uprated"]["full_load_torque_n_m"][2] += 5.0
    del table["driveline"]["transfer_low_ratio"]
    table["vehicle"]["mass_kg"] = 2700.0
    found = rig_mismatch(table, boat)
    assert [(key, mine, other) for key, mine, other in found if key != FULL] == [
        ("vehicle.mass_kg", 2700.0, 2650.0),
        ("driveline.transfer_low_ratio", None, 2.57),
    ]
    strategy = smooth_strategy(rig=table)
    details = {one.where: one.detail for one in failed(strategy, boat)}
    assert details[FULL] == "made for 530.0 as value 3, the rig has 525.0 as value 3"
    assert details["driveline.transfer_low_ratio"] == "made for none, the rig has 2.57"
    assert rig_mismatch({}, boat) == []


FULL = "engine.uprated.full_load_torque_n_m"


def test_a_rig_told_in_part_has_the_defaults_of_a_rig_file(boat):
    """As a rig file would, that leaves keys out."""
    import tomllib

    as_in_its_file = tomllib.loads(BOAT.read_text())
    assert rig_mismatch(as_in_its_file, boat) == []
    assert [key for key, _, _ in rig_mismatch({"vehicle": {"mass_kg": 1.0}}, boat)][0] == (
        "vehicle.mass_kg"
    )
    (fault,) = failed(smooth_strategy(rig={"vehicle": {"mass_kg": 1.0}}))
    assert fault.what == "rig" and "missing key" in fault.detail


def test_masses_beyond_the_axis_are_noted(boat):
    strategy = smooth_strategy(rig=boat.model_dump(exclude_none=True))
    keep = MASS < 5000.0
    axes = {**strategy.axes, "mass_kg": MASS[keep]}
    cut = {name: table[keep] for name, table in strategy.settings.items()}
    findings = check_strategy(smooth_strategy(axes=axes, settings=cut), boat)
    (note,) = [one for one in findings if one.what == "reach"]
    assert note.verdict == "note" and "6000 kg lies beyond the axis" in note.detail


# ------------------------------------------------------------------------------------- command


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["check", *(str(one) for one in arguments)])


def test_the_command_tells_pass_and_fail_by_its_status(tmp_path, boat):
    path = tmp_path / "s.toml"
    write_strategy(smooth_strategy(rig=boat.model_dump(exclude_none=True)), path, table_csv=True)
    done = run(path, "--rig", BOAT)
    assert done.exit_code == 0
    assert "0 failed" in done.stdout and "power retention over combined mass" in done.stdout
    path.write_text(
        path.read_text().replace("coolant_full_degc = 85.0", "coolant_start_degc = -200")
    )
    done = run(path, "--rig", BOAT, "--json")
    assert done.exit_code == 1
    document = json.loads(done.stdout)
    assert document["failed"] == 1
    assert [one["where"] for one in document["findings"] if one["verdict"] == "fail"] == [
        "coolant_start_degc"
    ]
    done = run(path, "--rig", RIG_FOLDER / "heavy_truck.toml")
    assert done.exit_code == 1 and "vehicle.mass_kg" in done.stdout
    (tmp_path / "s.csv").unlink()
    done = run(path)
    assert done.exit_code == 2 and "no such table" in done.stderr
    assert run(tmp_path / "none.toml").exit_code == 2


def test_every_axis_and_setting_is_spoken_of(boat):
    from loadlearn.policy.strategy import CURVES, SETTINGS
    from loadlearn.policy.strategy_words import MEANING, WORDS

    assert set(WORDS) == {*AXES, *SETTINGS, *CURVES}
    assert set(MEANING) == {*AXES, *SETTINGS}
    assert PASS in {one.verdict for one in check_strategy(smooth_strategy(), boat)}
