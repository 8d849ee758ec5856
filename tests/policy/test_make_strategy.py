"""The strategy made for a rig: its demand by hand, its order, its blanks, every kind of rig."""

from __future__ import annotations

import copy

import numpy as np
import pytest
from policy_bench import RIG_FOLDER, RIG_TABLE, make_rig, petrol_rig

from loadlearn.errors import InputError
from loadlearn.policy.make_strategy import (
    ECONOMY_ALL,
    ECONOMY_NONE,
    KEEP_ALL,
    KEEP_FROM,
    SHORTEST_PULL_S,
    make_strategy,
    rated_mass_kg,
)
from loadlearn.policy.strategy import AXES, LARGEST, SETTINGS
from loadlearn.policy.strategy_check import check_strategy
from loadlearn.vehicle.rig import Rig

SHIPPED = {path.stem: path for path in sorted(RIG_FOLDER.glob("*.toml"))}
KINDS = {
    "test rig": make_rig,
    **{name: (lambda path=path: Rig.from_toml(path)) for name, path in SHIPPED.items()},
    "turbocharged petrol": lambda: petrol_rig("turbocharged"),
    "naturally aspirated petrol": lambda: petrol_rig("naturally_aspirated", 0.8),
}


@pytest.fixture(scope="module", params=KINDS)
def kind(request):
    rig = KINDS[request.param]()
    return rig, make_strategy(rig)


def rise(x):
    """The smooth step from 0 to 1."""
    x = np.clip(x, 0.0, 1.0)
    return 3.0 * x**2 - 2.0 * x**3


def best_force(table, speed):
    """Full-load force at the tread of the gear that gives most (N), from a rig's keys alone."""
    engine, driveline = table["engine"], table["driveline"]
    rpms, radius = engine["full_load_rpm"], table["vehicle"]["tyre_radius_m"]
    forces = []
    for ratio in driveline["gear_ratios"]:
        ratio *= driveline["final_drive"]
        rpm = speed / radius * ratio * 60.0 / (2.0 * np.pi)
        if rpms[0] <= rpm <= rpms[-1]:
            torque = np.interp(rpm, rpms, engine["full_load_torque_n_m"])
            forces.append(torque * ratio * driveline.get("efficiency", 0.9) / radius)
    return max(forces)


@pytest.mark.parametrize("rolling", [0.008, 0.014, 0.05])
@pytest.mark.parametrize("grade", [0.0, 3.0, 6.0])
@pytest.mark.parametrize("mass", [2700.0, 4000.0, 5900.0])
def test_demand_by_hand(mass, grade, rolling):
    """At 20 m/s, where the rolling resistance is as told, at 15 degC and sea level."""
    made = make_strategy(make_rig(), mass_kg=[2700.0, 4000.0, 5900.0], ambient_degc=15.0)
    vehicle = RIG_TABLE["vehicle"]
    angle = np.arctan(grade / 100.0)
    # Standard gravity, and the density of dry air at sea level and 15 degC (ISO 2533).
    weight = 9.80665 * mass
    drag = 0.5 * 1.225 * vehicle["drag_area_m2"] * 20.0**2
    needed = weight * np.sin(angle) + weight * np.cos(angle) * rolling + drag
    demand = needed / best_force(RIG_TABLE, 20.0)
    found = made.look_up(mass, rolling, grade, 20.0)
    kept = rise((demand - KEEP_FROM) / (KEEP_ALL - KEEP_FROM))
    economy = rise((ECONOMY_NONE - demand) / (ECONOMY_NONE - ECONOMY_ALL))
    assert found["power_retention"] == pytest.approx(kept, abs=2e-4)
    assert found["economy"] == pytest.approx(economy, abs=2e-4)


def test_the_cells_worked_by_hand_are_not_all_alike():
    made = make_strategy(make_rig(), mass_kg=[2700.0, 4000.0, 5900.0], ambient_degc=15.0)
    found = made.look_up(*np.meshgrid([2700.0, 4000.0, 5900.0], [0.008, 0.05], [0.0, 6.0], 20.0))
    for name in ("power_retention", "economy"):
        assert found[name].min() == 0.0 and found[name].max() == 1.0
        assert np.any((found[name] > 0.05) & (found[name] < 0.95))


def test_what_the_log_overstates_of_the_force_it_overstates_of_full_load():
    table = make_rig().model_dump()
    table["uncertainty"] |= {"tractive_scale": 1.1}
    # A tenth more force for a tenth more load: the same demand on a hill, where drag is small.
    heavy = make_strategy(Rig.from_dict(table), speed_m_s=[4.0, 8.0], mass_kg=[3300.0, 4400.0])
    light = make_strategy(make_rig(), speed_m_s=[4.0, 8.0], mass_kg=[3000.0, 4000.0])
    for name in ("power_retention", "economy"):
        np.testing.assert_allclose(heavy.settings[name], light.settings[name], atol=0.02)


def test_within_bounds_and_in_the_order_of_physics(kind):
    _, made = kind
    for name, table in made.settings.items():
        known = table[~np.isnan(table)]
        assert known.min() >= 0.0 and known.max() <= LARGEST[name]
        sign = 1.0 if name == "power_retention" else -1.0
        for axis in range(3):  # mass, rolling resistance, grade
            steps = sign * np.diff(table, axis=axis)
            assert np.all((steps >= 0.0) | np.isnan(steps)), (name, list(AXES)[axis])
            assert np.any(steps > 0.0) or name == "full_share_time_s"
    assert np.nanmin(made.settings["full_share_time_s"]) >= SHORTEST_PULL_S
    assert not [one for one in check_strategy(made, kind[0]) if one.verdict == "fail"]


def test_blank_exactly_above_the_ratings(kind):
    rig, made = kind
    above = made.axes["mass_kg"] > rated_mass_kg(rig)
    assert above.any() and not above.all()
    for table in made.settings.values():
        assert np.all(np.isnan(table[above])) and not np.any(np.isnan(table[~above]))


def test_the_lesser_of_the_ratings_counts():
    table = copy.deepcopy(RIG_TABLE)
    assert rated_mass_kg(Rig.from_dict(table)) == 6000.0  # both: 2700 + 3300, and GCM
    table["vehicle"]["rated_towing_kg"] = 2000.0
    assert rated_mass_kg(Rig.from_dict(table)) == 4700.0


def test_no_table_is_constant_for_any_rig(kind):
    """Firm ground and speeds driven there: a light load is spared, a heavy climb is kept for."""
    rig, made = kind
    firm = made.axes["rolling_resistance"] <= 0.025
    for name in ("power_retention", "economy"):
        here = made.settings[name][:-1, firm]
        assert np.nanmin(here) == 0.0 and np.nanmax(here) == 1.0, name
        # And by mass alone, on one climb.
        assert np.ptp(here, axis=0).max() > 0.5


def test_without_an_exhaust_sensor_nothing_is_pulled_for_and_the_rest_stays():
    blind, seeing = (
        make_strategy(make_rig(exhaust_gas_temp_sensor="none")),
        make_strategy(make_rig()),
    )
    assert np.nanmax(blind.settings["full_share_time_s"]) == 0.0
    for name in ("power_retention", "economy"):
        np.testing.assert_array_equal(blind.settings[name], seeing.settings[name])


def test_hot_thin_air_leaves_less_in_reserve():
    rig = Rig.from_toml(SHIPPED["utility_boat"])
    plain, high = make_strategy(rig), make_strategy(rig, ambient_degc=40.0, altitude_m=3000.0)
    assert np.nansum(high.settings["full_share_time_s"]) <= np.nansum(
        plain.settings["full_share_time_s"]
    )
    natural = petrol_rig("naturally_aspirated", 0.8)
    plain, high = make_strategy(natural), make_strategy(natural, altitude_m=3000.0)
    kept, more = plain.settings["power_retention"], high.settings["power_retention"]
    assert np.nanmean(more) > np.nanmean(kept) + 0.02


def test_it_says_for_what_and_how_it_was_made(kind):
    rig, made = kind
    assert made.rig == rig.model_dump(exclude_none=True)
    assert made.protections == rig.limits.model_dump(exclude_none=True)
    assert made.made["keep_from"] == KEEP_FROM and made.made["ambient_degc"] == 25.0
    assert list(made.settings) == list(SETTINGS)
    for shares in made.share_limits.values():
        assert np.all(shares[1] == 1.0)


@pytest.mark.parametrize(
    ("axis", "points", "said"),
    [
        ("mass_kg", [3000.0], "two points"),
        ("grade_percent", [3.0, 1.0], "rise"),
        ("rolling_resistance", [0.0, 0.1], "positive"),
        ("speed_m_s", [[1.0, 2.0], [3.0, 4.0]], "rise"),
    ],
)
def test_axes_that_cannot_be_are_refused(axis, points, said):
    with pytest.raises(InputError, match=said) as refused:
        make_strategy(make_rig(), **{axis: points})
    assert axis in str(refused.value)
