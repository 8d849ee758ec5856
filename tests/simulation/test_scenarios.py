"""Scenarios hold what they are named for; shipped drives are what the command makes."""

from __future__ import annotations

import gzip
import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from loadlearn.errors import InputError
from loadlearn.simulation.drive import simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.scenarios import (
    RIG_NAMES,
    SCENARIO_NAMES,
    scale_from_quantile,
    scenario,
    shipped_rig,
)
from loadlearn.vehicle.rig import Rig

DATA = Path(__file__).parents[2] / "synthetic_data"


def make_module() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_shipped_drives", DATA / "make.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", SCENARIO_NAMES)
def test_every_scenario_drives(name: str) -> None:
    built = scenario(name, 11, scale_quantile=0.9, duration_s=400.0)
    log, truth = built.drive.log, built.drive.truth
    assert log["time_s"].iloc[-1] == pytest.approx(400.0)
    assert len(log) == len(truth)
    assert np.isfinite(log["speed_m_s"]).all()
    sd = built.rig.uncertainty.tractive_scale_sd
    assert built.drive.meta["tractive_scale"] == pytest.approx(1.0 + 1.2816 * sd, rel=1e-4)


def test_scenarios_hold_what_they_are_named_for() -> None:
    slow = scenario("sealed_to_sand_slow", 3).drive.truth
    sand = slow[(slow["surface"] == "sand") & (slow["speed_m_s"] > 0.0)]
    assert len(sand) > 600
    assert sand["speed_m_s"].quantile(0.95) < 32.0 / 3.6
    assert sand["warm_rolling_resistance"].mean() == pytest.approx(0.12, rel=0.05)
    left = scenario("trailer_left", 3).drive.truth
    assert left["load_event"].sum() == 1.0
    assert left["mass_kg"].iloc[0] - left["mass_kg"].iloc[-1] > 1500.0
    dirty = scenario("unflagged_regeneration", 3).drive
    assert dirty.truth["regeneration"].sum() == pytest.approx(7200, abs=2)
    assert "regeneration_active" not in dirty.log
    wind = scenario("steady_wind", 3).drive.truth["headwind_m_s"]
    assert abs(abs(wind.mean()) - 4.0) < 0.8
    extra = scenario("unreported_extra", 3).drive
    assert extra.log["extra_torque_share"].mean() > 0.1


def test_same_seed_same_drive() -> None:
    rig = shipped_rig("utility_boat")
    road = random_road(9, 60_000.0, "rolling")
    told = {"seed": 9, "combined_mass_kg": 5200.0, "duration_s": 1800.0}
    first = simulate(rig, road, **told)
    second = simulate(rig, road, **told)
    for column in first.log:
        np.testing.assert_array_equal(first.log[column], second.log[column])
    other = simulate(rig, road, **{**told, "seed": 10})
    assert np.abs(other.log["speed_m_s"] - first.log["speed_m_s"]).max() > 1.0


def test_step_size_hardly_matters() -> None:
    rig = shipped_rig("utility_boat")
    road = random_road(9, 20_000.0, "rolling")
    told = {"seed": 9, "combined_mass_kg": 5200.0, "duration_s": 300.0}
    coarse = simulate(rig, road, step_s=0.02, **told).meta
    fine = simulate(rig, road, step_s=0.005, **told).meta
    assert coarse["distance_m"] == pytest.approx(fine["distance_m"], rel=0.01)
    assert coarse["fuel_burnt_kg"] == pytest.approx(fine["fuel_burnt_kg"], rel=0.02)


def test_unknown_names_are_told() -> None:
    with pytest.raises(InputError, match="scenario"):
        scenario("moon", 1)
    with pytest.raises(InputError, match="shipped rig"):
        shipped_rig("moon")
    with pytest.raises(InputError, match="extra_torque_share"):
        simulate(shipped_rig("utility_boat"), random_road(1, 2000.0), extra_torque_share=2.0)
    assert scale_from_quantile(0.03, 0.5) == pytest.approx(1.0)


@pytest.mark.parametrize("name", RIG_NAMES)
def test_shipped_rigs_are_uprated_and_complete(name: str) -> None:
    rig = shipped_rig(name)
    assert rig.engine.uprated is not None
    gain = np.array(rig.engine.uprated.full_load_torque_n_m) / rig.engine.full_load_torque_n_m
    assert 1.1 < gain.max() < 1.4
    # P = T w: rated power per litre of a modern turbocharged diesel, 35-65 kW/l (common practice).
    speed = np.array(rig.engine.full_load_rpm) * np.pi / 30.0
    power_kw = np.max(speed * rig.engine.full_load_torque_n_m) * 1e-3
    assert 25.0 < power_kw / rig.engine.displacement_l < 65.0


def test_shipped_drive_is_what_the_command_makes(tmp_path: Path) -> None:
    make = make_module()
    small = next(item for item in make.DRIVES if item.name == "overtaking")
    for made in make.write_drive(small, tmp_path):
        shipped = DATA / "drives" / made.name
        if made.suffix == ".gz":
            with gzip.open(made) as one, gzip.open(shipped) as two:
                assert one.read() == two.read()
        else:
            assert json.loads(made.read_text()) == json.loads(shipped.read_text())


def test_shipped_data_stay_small_and_complete() -> None:
    make = make_module()
    total = sum(path.stat().st_size for path in DATA.rglob("*") if path.is_file())
    assert total < 20e6
    for name in ("drive.csv.gz", "rig.toml", "truth.csv.gz", "truth.json", "road.toml"):
        assert (DATA / "demo" / name).is_file()
    assert Rig.from_toml(DATA / "demo" / "rig.toml").name
    for item in make.DRIVES:
        if item.name != "demo":
            assert (DATA / "drives" / f"{item.name}.csv.gz").is_file()
            assert (DATA / "drives" / f"{item.name}_truth.json").is_file()


def test_demo_goes_from_depot_to_ramp() -> None:
    import pandas as pd

    truth = pd.read_csv(DATA / "demo" / "truth.csv.gz")
    assert 30.0 * 60.0 < truth["time_s"].iloc[-1] < 40.0 * 60.0
    order = list(truth["surface"].drop_duplicates())
    assert order == ["sealed", "gravel", "sand", "soft_sand"]
    assert truth["altitude_m"].max() - truth["altitude_m"].iloc[0] > 200.0
    halts = (truth["standstill"].diff() == 1.0).sum()
    assert halts >= 2
