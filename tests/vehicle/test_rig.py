"""The rig file: defaults, derived quantities, one sentence per error."""

from __future__ import annotations

import copy
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadlearn.errors import InputError
from loadlearn.policy.thermal_model import (
    air_flow_g_s,
    exhaust_rise_k,
    thermal_parameters,
)
from loadlearn.vehicle.rig import Rig

PLAIN: dict[str, Any] = {
    "name": "plain",
    "vehicle": {"mass_kg": 2800.0, "tyre_radius_m": 0.39},
    "engine": {"displacement_l": 3.0},
    "driveline": {"gear_ratios": [4.0, 2.0, 1.0], "final_drive": 3.5},
}
FULL_LOAD = {"full_load_rpm": [1000, 2000, 4000], "full_load_torque_n_m": [300, 500, 400]}


def changed(*path: str, value: Any = None, **more: Any) -> dict[str, Any]:
    """PLAIN with one key set (dotted path as arguments) or with more keys of one table."""
    table = copy.deepcopy(PLAIN)
    at = table
    for part in path[:-1] if not more else path:
        at = at.setdefault(part, {})
    if more:
        at.update(more)
    else:
        at[path[-1]] = value
    return table


def error_of(table: dict[str, Any]) -> str:
    with pytest.raises(InputError) as caught:
        Rig.from_dict(table, source="rig.toml")
    message = str(caught.value)
    assert message.startswith("rig.toml: ") and "\n" not in message
    return message


def test_defaults_are_the_documented_ones() -> None:
    rig = Rig.from_dict(PLAIN)
    assert rig.vehicle.mass_sd_kg == pytest.approx(0.04 * 2800.0)
    assert rig.vehicle.drag_area_sd_m2 == pytest.approx(rig.vehicle.drag_area_m2 / 3.0)
    assert rig.engine.fuel == "diesel" and rig.engine.strokes_per_cycle == 4
    # EN 590 diesel: 820-845 kg/m3, 42.8-43.0 MJ/kg.
    assert 820.0 <= rig.engine.fuel_density_kg_m3 <= 845.0
    assert 42.8 <= rig.engine.heating_value_mj_kg <= 43.0
    assert rig.engine.reference_torque_n_m is None
    assert rig.uncertainty.tractive_scale_sd == 0.03
    limits = rig.limits
    assert (limits.exhaust_gas_temp_degc, limits.exhaust_gas_temp_after_turbine_degc) == (720, 520)
    assert (limits.coolant_start_degc, limits.coolant_full_degc) == (60, 80)
    assert (limits.coolant_reduce_degc, limits.coolant_zero_degc) == (105, 112)
    assert limits.exhaust_gas_temp_sensor == "before_turbine"
    assert limits.air_fuel_lambda_min == 1.2


def test_fuel_sets_the_exhaust_limits_unless_given() -> None:
    # Petrol turbines stand about 950 degC, diesel ones about 720 (common practice, no source).
    petrol = changed("engine", fuel="petrol")
    limits = Rig.from_dict(petrol).limits
    assert (limits.exhaust_gas_temp_degc, limits.exhaust_gas_temp_after_turbine_degc) == (950, 680)
    # Hotter than the hottest that such an engine burns at base full load: little excess fuel.
    curve = {"full_load_rpm": [1000.0, 3000.0], "full_load_torque_n_m": [300.0, 350.0]}
    p = thermal_parameters(Rig.from_dict(changed("engine", fuel="petrol", **curve)))
    rise = exhaust_rise_k(p, 8.0, air_flow_g_s(p, 8.0, 8.0, 300.0, 45.0, 101.0), 8.0)
    assert 720 < 45 + rise < 950
    given = Rig.from_dict(petrol | {"limits": {"exhaust_gas_temp_degc": 880.0}}).limits
    assert (given.exhaust_gas_temp_degc, given.exhaust_gas_temp_after_turbine_degc) == (880, 680)
    assert Rig.from_dict(PLAIN | {"limits": {}}).limits == Rig.from_dict(PLAIN).limits


@pytest.mark.parametrize(
    ("engine", "usual"),
    [
        ({}, "turbocharged"),
        ({"fuel": "petrol"}, "naturally_aspirated"),
        # By hand, T 4 pi / V: 300 N m of 3 L are 1257 kPa, which an engine reaches unboosted
        # (Heywood, from memory: 850 to 1050 kPa are usual); 400 N m are 1676 kPa.
        ({"fuel": "petrol", "full_load_torque_n_m": [250, 300]}, "naturally_aspirated"),
        ({"fuel": "petrol", "full_load_torque_n_m": [250, 400]}, "turbocharged"),
        ({"full_load_torque_n_m": [150, 180]}, "turbocharged"),
    ],
)
def test_aspiration_follows_fuel_and_torque_unless_given(engine: Any, usual: str) -> None:
    if "full_load_torque_n_m" in engine:
        engine = engine | {"full_load_rpm": [1500, 4000]}
    assert Rig.from_dict(changed("engine", cylinders=6, **engine)).engine.aspiration == usual
    for stated in ("turbocharged", "naturally_aspirated"):
        table = changed("engine", aspiration=stated, **engine)
        assert Rig.from_dict(table).engine.aspiration == stated
    assert "aspiration" in error_of(changed("engine", aspiration="blown"))


def test_a_stated_friction_is_surer_than_a_default_one() -> None:
    assert Rig.from_dict(PLAIN).engine.friction_mep_sd_kpa == 37.0
    stated = changed("engine", friction_mep_kpa=110.0)
    assert Rig.from_dict(stated).engine.friction_mep_sd_kpa == 5.0
    stated["engine"]["friction_mep_sd_kpa"] = 22.0
    assert Rig.from_dict(stated).engine.friction_mep_sd_kpa == 22.0
    assert "friction_mep_sd_kpa" in error_of(changed("engine", friction_mep_sd_kpa=-1.0))


def test_torque_of_a_mean_effective_pressure() -> None:
    # By hand: 100 kPa on 3 L over two turns, p V / 4 pi; over one turn twice that.
    assert Rig.from_dict(PLAIN).engine.torque_of_mep(100.0) == pytest.approx(23.8732, rel=1e-5)
    two = Rig.from_dict(changed("engine", strokes_per_cycle=2)).engine
    assert two.torque_of_mep(100.0) == pytest.approx(47.7465, rel=1e-5)


def test_fuel_sets_density_and_heating_value_unless_given() -> None:
    petrol = Rig.from_dict(changed("engine", fuel="petrol")).engine
    diesel = Rig.from_dict(PLAIN).engine
    assert petrol.fuel_density_kg_m3 < diesel.fuel_density_kg_m3
    given_density = Rig.from_dict(changed("engine", fuel="petrol", fuel_density_kg_m3=760.0))
    assert given_density.engine.fuel_density_kg_m3 == 760.0
    assert diesel.heating_value_j_g == pytest.approx(42_800.0)
    assert diesel.displacement_m3 == pytest.approx(0.003)
    assert petrol.stoichiometric_ratio > diesel.stoichiometric_ratio


def test_reference_torque_defaults_to_the_peak() -> None:
    assert Rig.from_dict(changed("engine", **FULL_LOAD)).engine.reference_torque_n_m == 500.0
    table = changed("engine", **FULL_LOAD, reference_torque_n_m=450.0)
    assert Rig.from_dict(table).engine.reference_torque_n_m == 450.0


def test_gcm_falls_back_on_other_ratings() -> None:
    def gcm(**keys: float) -> float:
        return Rig.from_dict(changed("vehicle", mass_kg=2800.0, **keys)).nominal_gcm_kg

    assert gcm(rated_gcm_kg=6500.0, rated_gvm_kg=3300.0, rated_towing_kg=3500.0) == 6500.0
    assert gcm(rated_gvm_kg=3300.0, rated_towing_kg=3500.0) == 6800.0
    assert gcm(rated_towing_kg=3500.0) == 6300.0
    assert gcm() == 5600.0


def test_overall_ratio() -> None:
    rig = Rig.from_dict(changed("driveline", transfer_low_ratio=2.5))
    assert rig.overall_ratio(1) == 14.0
    assert rig.overall_ratio(3, low_range=True) == pytest.approx(8.75)
    for gear in (0, 4, -1):
        with pytest.raises(InputError, match="forward gears"):
            rig.overall_ratio(gear)
    with pytest.raises(InputError, match="transfer_low_ratio"):
        Rig.from_dict(PLAIN).overall_ratio(1, low_range=True)


def test_full_load_torque_between_base_and_uprated() -> None:
    table = changed("engine", **FULL_LOAD, uprated={"full_load_torque_n_m": [300, 600, 440]})
    engine = Rig.from_dict(table).engine
    assert engine.full_load_torque(1500.0) == pytest.approx(400.0)
    assert engine.full_load_torque(2000.0, 0.5) == pytest.approx(550.0)
    np.testing.assert_allclose(engine.full_load_torque([500.0, 9000.0], 1.0), [300.0, 440.0])
    without = Rig.from_dict(changed("engine", **FULL_LOAD)).engine
    assert without.full_load_torque(2000.0, 1.0) == 500.0
    np.testing.assert_allclose(without.full_load_torque(2000.0, [0.0, 1.0]), [500.0, 500.0])
    with pytest.raises(InputError, match="full_load_rpm"):
        Rig.from_dict(PLAIN).engine.full_load_torque(2000.0)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (changed("vehicle", "mas_kg", value=1.0), ["unknown key 'vehicle.mas_kg'", "mass_kg"]),
        (changed("colour", value="red"), ["unknown key 'colour'", "remove"]),
        (changed("engine", "uprated", value={"torque": 1}), ["engine.uprated", "full_load_torque"]),
        (changed("vehicle", "mass_kg", value="heavy"), ["vehicle.mass_kg", "number", "'heavy'"]),
        (changed("vehicle", "mass_kg", value=-1.0), ["vehicle.mass_kg", "equal to 10", "-1"]),
        (changed("vehicle", "drag_area_m2", value=1e20), ["vehicle.drag_area_m2", "equal to 100"]),
        (changed("vehicle", "mass_kg", value=math.nan), ["vehicle.mass_kg", "finite", "nan"]),
        (changed("vehicle", "mass_kg", value=math.inf), ["vehicle.mass_kg", "finite"]),
        (changed("vehicle", "mass_kg", value=True), ["vehicle.mass_kg", "True"]),
        (changed("vehicle", "mass_kg", value="2800"), ["vehicle.mass_kg", "'2800'"]),
        (changed("vehicle", "tyre_radius_m", value=3.0), ["vehicle.tyre_radius_m", "less than"]),
        (changed("vehicle", "rated_gcm_kg", value=2000.0), ["rated_gcm_kg", "greater than mass"]),
        (changed("vehicle", "rated_gvm_kg", value=-5), ["vehicle.rated_gvm_kg"]),
        (changed("engine", "fuel", value="coal"), ["engine.fuel", "diesel", "petrol", "'coal'"]),
        (changed("engine", "cylinders", value=4.5), ["engine.cylinders", "4.5"]),
        (changed("engine", "strokes_per_cycle", value=3), ["engine.strokes_per_cycle", "2 or 4"]),
        (changed("engine", "indicated_efficiency", value=1.2), ["engine.indicated_efficiency"]),
        (changed("engine", "full_load_rpm", value=[1000.0, 2000.0]), ["full_load_rpm has 2"]),
        (
            changed("engine", full_load_rpm=[2000, 1000], full_load_torque_n_m=[1, 1]),
            ["full_load_rpm must rise"],
        ),
        (
            changed("engine", full_load_rpm=[2000], full_load_torque_n_m=[1]),
            ["full_load_rpm", "at least two"],
        ),
        (
            changed("engine", **FULL_LOAD, uprated={"full_load_torque_n_m": [1, 2]}),
            ["uprated.full_load_torque_n_m has 2"],
        ),
        (
            changed("engine", **FULL_LOAD, uprated={"full_load_torque_n_m": [300, 400, 400]}),
            ["2000 rpm", "below the base"],
        ),
        (
            changed("engine", uprated={"full_load_torque_n_m": []}),
            ["uprated", "full_load_rpm"],
        ),
        (changed("driveline", "gear_ratios", value=[1.0, 2.0]), ["gear_ratios must fall"]),
        (changed("driveline", "gear_ratios", value=[]), ["driveline.gear_ratios"]),
        (changed("driveline", "gear_ratios", value=3.0), ["driveline.gear_ratios", "list"]),
        (changed("driveline", "gear_ratios", value=[3.0, -1.0]), ["driveline.gear_ratios.1"]),
        (changed("driveline", "efficiency", value=1.1), ["driveline.efficiency"]),
        (changed("driveline", "transfer_low_ratio", value=0.4), ["driveline.transfer_low_ratio"]),
        (changed("uncertainty", "tractive_scale_sd", value=-0.1), ["uncertainty.tractive_scale"]),
        (changed("limits", "coolant_start_degc", value=90.0), ["coolant_start_degc", "below"]),
        (changed("limits", "coolant_zero_degc", value=90.0), ["coolant_reduce_degc", "below"]),
        (
            changed("limits", "exhaust_gas_temp_sensor", value="both"),
            ["limits.exhaust_gas_temp_sensor", "after_turbine", "'both'"],
        ),
        (changed("vehicle", value=3), ["vehicle", "3"]),
        ({}, ["missing keys 'name', 'vehicle.mass_kg'", "'driveline.final_drive'; add them"]),
        (changed("name", value=7), ["'name'", "7"]),
    ],
)
def test_each_error_is_one_sentence_that_names_the_key(
    table: dict[str, Any], words: list[str]
) -> None:
    message = error_of(table)
    assert all(word in message for word in words), message


@pytest.mark.parametrize(
    "path",
    [("vehicle", "mass_kg"), ("driveline", "final_drive"), ("engine", "displacement_l"), ("name",)],
)
def test_missing_keys(path: tuple[str, ...]) -> None:
    table = copy.deepcopy(PLAIN)
    at = table
    for part in path[:-1]:
        at = at[part]
    del at[path[-1]]
    assert f"missing key '{'.'.join(path)}'" in error_of(table)


def test_a_rigid_vehicle_carries_a_payload() -> None:
    rigid = Rig.from_dict(changed("vehicle", rigid=True, rated_gvm_kg=7500.0))
    assert rigid.load_name == "payload" and rigid.nominal_gcm_kg == 7500.0
    assert Rig.from_dict(PLAIN).load_name == "trailer"
    own = Rig.from_dict(changed("vehicle", rigid=True, rated_gvm_kg=7500.0, rated_gcm_kg=9000.0))
    assert own.nominal_gcm_kg == 9000.0
    assert "rated_towing_kg is for what tows" in error_of(
        changed("vehicle", rigid=True, rated_towing_kg=3500.0)
    )


def test_all_faults_are_told_in_one_go() -> None:
    table = copy.deepcopy(PLAIN)
    table["vehicle"] = {"mas_kg": 2800.0, "tyre_radius_m": 9.0}
    table["engine"] = {"displacement": 3.0}
    del table["driveline"]["final_drive"]
    message = error_of(table)
    assert "\n" not in message
    for key in ("mas_kg", "tyre_radius_m"):
        assert message.count(f"'vehicle.{key}'") == 1, message
    assert "did you mean 'mass_kg'?" in message and "did you mean 'displacement_l'?" in message
    assert "missing key 'driveline.final_drive'; add it" in message
    # What was only misspelt is not missing.
    assert "'vehicle.mass_kg'" not in message and "'engine.displacement_l'" not in message


def test_files(tmp_path: Path) -> None:
    good = tmp_path / "rig.toml"
    good.write_text(
        'name = "x"\n[vehicle]\nmass_kg = 2800\ntyre_radius_m = 0.39\n[engine]\n'
        "displacement_l = 3.0\n[driveline]\ngear_ratios = [4, 2, 1]\nfinal_drive = 3.5\n"
    )
    assert Rig.from_toml(good).vehicle.mass_kg == 2800.0
    assert Rig.from_toml(str(good)) == Rig.from_toml(good)
    for name, data, words in [
        ("broken.toml", b"[vehicle\n", "not valid TOML"),
        ("latin.toml", b'name = "\xe9"\n', "cannot be read"),
        ("empty.toml", b"", "missing keys"),
    ]:
        (tmp_path / name).write_bytes(data)
        with pytest.raises(InputError, match=words) as caught:
            Rig.from_toml(tmp_path / name)
        assert name in str(caught.value)
    with pytest.raises(InputError, match="no such rig file"):
        Rig.from_toml(tmp_path / "none.toml")
    with pytest.raises(InputError, match="cannot be read"):
        Rig.from_toml(tmp_path)


def test_a_rig_cannot_be_changed_by_accident() -> None:
    from pydantic import ValidationError

    with pytest.raises(ValidationError):
        Rig.from_dict(PLAIN).vehicle.mass_kg = 1.0  # type: ignore[misc]


def test_shipped_rigs_are_valid() -> None:
    folder = Path(__file__).resolve().parents[2] / "synthetic_data" / "rigs"
    rigs = [Rig.from_toml(path) for path in sorted(folder.glob("*.toml"))]
    assert len(rigs) >= 4
    for rig in rigs:
        assert rig.engine.uprated is not None and rig.nominal_gcm_kg > rig.vehicle.mass_kg


positive = st.floats(0.1, 1e4)


@given(
    mass=st.floats(500.0, 50_000.0),
    radius=st.floats(0.2, 0.7),
    ratios=st.lists(st.floats(0.4, 15.0), min_size=1, max_size=12, unique=True),
    final=st.floats(1.0, 8.0),
    low=st.floats(1.0, 5.0),
    base=st.lists(st.floats(50.0, 3000.0), min_size=2, max_size=10),
    extra=st.floats(0.0, 500.0),
    share=st.floats(0.0, 1.0),
    rpm=st.floats(0.0, 8000.0),
)
def test_valid_rigs_give_sound_quantities(
    mass: float,
    radius: float,
    ratios: list[float],
    final: float,
    low: float,
    base: list[float],
    extra: float,
    share: float,
    rpm: float,
) -> None:
    ratios = sorted(ratios, reverse=True)
    rig = Rig.from_dict(
        {
            "name": "any",
            "vehicle": {"mass_kg": mass, "tyre_radius_m": radius},
            "engine": {
                "displacement_l": 2.0,
                "full_load_rpm": [1000.0 + 500.0 * i for i in range(len(base))],
                "full_load_torque_n_m": base,
                "uprated": {"full_load_torque_n_m": [torque + extra for torque in base]},
            },
            "driveline": {
                "gear_ratios": ratios,
                "final_drive": final,
                "transfer_low_ratio": low,
            },
        }
    )
    assert rig.nominal_gcm_kg > mass
    overall = [rig.overall_ratio(gear + 1) for gear in range(len(ratios))]
    assert overall == sorted(overall, reverse=True)
    assert rig.overall_ratio(1, True) == pytest.approx(low * overall[0])
    torque = float(rig.engine.full_load_torque(rpm, share))
    assert min(base) - 1e-6 <= torque <= max(base) + extra + 1e-6
    assert torque == pytest.approx(float(rig.engine.full_load_torque(rpm)) + share * extra)
    assert rig.engine.reference_torque_n_m == max(base)
