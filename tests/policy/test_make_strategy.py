"""The strategy of a rig: its settings recomputed by hand from the rig's keys, and their order."""

from __future__ import annotations

import math

import numpy as np
import pytest
from cases_bench import altitudes, ambients, few, rig_names
from hypothesis import given, settings
from policy_bench import RIG_FOLDER, RIGS, make_rig, petrol_rig, with_sensor

from loadlearn.errors import InputError
from loadlearn.policy.make_strategy import make_strategy, rated_mass_kg
from loadlearn.policy.strategy import AXES, SETTINGS
from loadlearn.vehicle.rig import Rig

# ISO 2533 (read on a secondary page): 101 325 Pa at sea level, gas constant of air
# 287.053 J/(kg K), standard gravity 9.80665 m/s^2. The strategy is made for 25 degC.
DENSITY = 101325.0 / (287.053 * 298.15)
GRAVITY = 9.80665
SPEED_SLOPE = 0.0010
"""Rise of a tyre's rolling resistance from standstill to 20 m/s that a load begins from."""


def demand_by_hand(rig: Rig, mass: float, rolling: float, grade: float, speed: float) -> float:
    """Force that the load asks for over the best gear's at base full load."""
    driveline, radius = rig.driveline, rig.vehicle.tyre_radius_m
    forces = []
    for ratio in driveline.gear_ratios:
        turns = ratio * driveline.final_drive
        rpm = speed / radius * turns * 60.0 / (2.0 * math.pi)
        if not rig.engine.full_load_rpm[0] <= rpm <= rig.engine.full_load_rpm[-1]:
            continue
        torque = np.interp(rpm, rig.engine.full_load_rpm, rig.engine.full_load_torque_n_m)
        forces.append(torque * turns * driveline.efficiency / radius)
    angle = math.atan(grade / 100.0)
    coefficient = rolling + SPEED_SLOPE * ((speed / 20.0) ** 2 - 1.0)
    weight = mass * GRAVITY
    drag = 0.5 * DENSITY * rig.vehicle.drag_area_m2 * speed**2
    needed = weight * math.sin(angle) + weight * coefficient * math.cos(angle) + drag
    return needed / (max(forces) * rig.uncertainty.tractive_scale)


def smooth(x: float) -> float:
    x = min(max(x, 0.0), 1.0)
    return 3.0 * x**2 - 2.0 * x**3


def shipped(name: str) -> Rig:
    return make_rig() if name == "test rig" else Rig.from_toml(RIG_FOLDER / f"{name}.toml")


@pytest.mark.parametrize("name", RIGS)
def test_retention_and_economy_by_hand(name):
    rig = shipped(name)
    made = make_strategy(rig)
    mass, rolling, grade, speed = (made.axes[axis] for axis in AXES)
    between = 0
    # At 12 to 28 m/s every rig's best gear turns where air does not limit its torque.
    for i, j, k, m in np.ndindex(made.shape):
        if mass[i] > rated_mass_kg(rig) or not 12.0 <= speed[m] <= 28.0:
            continue
        r = demand_by_hand(rig, mass[i], rolling[j], grade[k], speed[m])
        kept, economy = smooth((r - 0.65) / 0.25), smooth((0.85 - r) / 0.30)
        # Four decimals are written.
        assert made.settings["power_retention"][i, j, k, m] == pytest.approx(kept, abs=3e-4)
        assert made.settings["economy"][i, j, k, m] == pytest.approx(economy, abs=3e-4)
        between += 0.02 < kept < 0.98
    assert between > 30


def test_one_cell_in_numbers():
    """Test rig, 5 t, 0.014, 6 %, 20 m/s: third gear, 2790 rpm, 438 N m; demand 0.73."""
    rig = make_rig()
    made = make_strategy(rig, mass_kg=[3000.0, 5000.0])
    at = (1, 1, 4, 4)
    assert [made.axes[axis][i] for axis, i in zip(AXES, at, strict=True)] == [5000, 0.014, 6, 20]
    r = demand_by_hand(rig, 5000.0, 0.014, 6.0, 20.0)
    rpm = 20.0 / 0.38 * 1.5 * 3.7 * 30.0 / math.pi
    assert rpm == pytest.approx(2789.4, abs=0.1)
    force = (450.0 - 20.0 * (rpm - 2500.0) / 500.0) * 5.55 * rig.driveline.efficiency / 0.38
    needed = 49033.25 * (0.059892 + 0.014 * 0.998205) + 0.5 * 1.1839 * 2.4 * 400.0
    assert r == pytest.approx(needed / force, rel=1e-3) and r == pytest.approx(0.727, abs=1e-3)
    assert made.settings["economy"][at] == pytest.approx(smooth((0.85 - r) / 0.3), abs=3e-4)


def rises(table: np.ndarray, axis: int) -> bool:
    steps = np.diff(table, axis=axis)
    return bool(np.all(steps[~np.isnan(steps)] >= 0.0))


@settings(few, max_examples=8)
@given(rig_names, ambients, altitudes)
def test_more_load_never_keeps_less(name, ambient, altitude):
    made = make_strategy(
        with_sensor(name, "before_turbine"), ambient_degc=ambient, altitude_m=altitude
    )
    for axis in (0, 1, 2):
        assert rises(made.settings["power_retention"], axis)
        assert rises(-made.settings["economy"], axis)
        assert rises(-made.settings["full_share_time_s"], axis)
    for name in SETTINGS:
        table = made.settings[name]
        table = table[~np.isnan(table)]
        assert table.min() >= 0.0 and table.max() <= (60.0 if name.endswith("_s") else 1.0)


@pytest.mark.parametrize("name", RIGS)
def test_blank_exactly_above_a_rating(name):
    rig = shipped(name)
    vehicle = rig.vehicle
    rated = min(vehicle.rated_gcm_kg, vehicle.mass_kg + vehicle.rated_towing_kg)
    made = make_strategy(rig)
    assert rated in made.axes["mass_kg"] and made.axes["mass_kg"][-1] > rated
    for table in made.settings.values():
        for mass, cells in zip(made.axes["mass_kg"], table, strict=True):
            assert np.isnan(cells).all() if mass > rated else not np.isnan(cells).any()
    # With a towing rating below what the combination may weigh, that one counts.
    table = rig.model_dump()
    table["vehicle"]["rated_towing_kg"] = 0.5 * (rated - vehicle.mass_kg)
    less = make_strategy(Rig.from_dict(table), mass_kg=[vehicle.mass_kg, 0.9 * rated, rated])
    assert np.isnan(less.settings["economy"][1:]).all()


FIRM = 3
"""Points of rolling resistance up to gravel's."""


@pytest.mark.parametrize("name", [*RIGS, "turbo petrol", "petrol"])
def test_no_table_is_constant_on_firm_ground(name):
    petrol = {"turbo petrol": "turbocharged", "petrol": "naturally_aspirated"}
    rig = petrol_rig(petrol[name], 0.8) if name in petrol else shipped(name)
    made = make_strategy(rig)
    for setting in ("power_retention", "economy"):
        firm = made.settings[setting][:, :FIRM]
        assert np.nanmin(firm) == 0.0 and np.nanmax(firm) == 1.0
        assert 0.02 < np.nanmean(firm) < 0.98
    # The heaviest that is rated, on a sealed 6 % climb: near base full load somewhere.
    rated = np.flatnonzero(~np.isnan(made.settings["economy"][:, 0, 0, 0]))[-1]
    assert made.settings["power_retention"][rated, 1, 4].max() > 0.5


def test_without_a_sensor_or_an_uprate_there_is_no_full_share_time():
    for rig in (
        make_rig(exhaust_gas_temp_sensor="none"),
        Rig.from_dict(make_rig().model_dump(exclude={"engine": {"uprated"}})),
    ):
        assert np.nanmax(make_strategy(rig).settings["full_share_time_s"]) == 0.0
    assert np.nanmin(make_strategy(make_rig()).settings["full_share_time_s"]) == 20.0


def test_what_it_is_made_from_is_written_down():
    rig = make_rig(coolant_reduce_degc=103.0)
    made = make_strategy(rig, ambient_degc=40.0, altitude_m=1200.0, keep_from=0.7)
    assert made.protections["coolant_reduce_degc"] == 103.0
    assert made.rig["engine"]["full_load_torque_n_m"] == rig.engine.full_load_torque_n_m
    assert (made.made["ambient_degc"], made.made["altitude_m"]) == (40.0, 1200.0)
    assert made.made["keep_from"] == 0.7
    later = make_strategy(rig, ambient_degc=40.0, altitude_m=1200.0)
    difference = later.settings["power_retention"] - made.settings["power_retention"]
    assert np.nanmin(difference) >= 0.0 and np.nanmax(difference) > 0.05


@pytest.mark.parametrize(
    ("axis", "values"),
    [("mass_kg", [3000.0]), ("speed_m_s", [20.0, 10.0]), ("rolling_resistance", [0.0, 0.1])],
)
def test_an_axis_that_cannot_be_is_named(axis, values):
    with pytest.raises(InputError, match=f"axis '{axis}'.*mend it"):
        make_strategy(make_rig(), **{axis: values})
