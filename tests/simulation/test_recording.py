"""A drive one simulates oneself: in Python and by the command, with its truth."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner, Result

from loadlearn.cli import app
from loadlearn.commands.simulate import OWN_FILES
from loadlearn.figures import read_truth
from loadlearn.log.readers import read_log
from loadlearn.simulation.recording import TRUTH_COLUMNS, simulate
from loadlearn.simulation.scenarios import shipped_rig
from loadlearn.vehicle.rig import Rig

DATA = Path(__file__).resolve().parents[2] / "synthetic_data"
RIG, ROAD = DATA / "rigs" / "utility_boat.toml", DATA / "roads" / "overtaking.toml"


def command(out: Path, *more: str) -> Result:
    asked = ["simulate", "--rig", str(RIG), "--road", str(ROAD), "--out", str(out), *more]
    return CliRunner().invoke(app, asked)


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("simulated") / "out"
    done = command(out, "--mass", "4700", "--seed", "5", "--scale", "0.98")
    assert done.exit_code == 0, done.output
    assert "4,700 kg" in done.stdout
    return out


def test_the_command_writes_a_log_and_its_truth(simulated: Path) -> None:
    assert sorted(path.name for path in simulated.iterdir()) == sorted(OWN_FILES)
    rig = Rig.from_toml(RIG)
    trace = read_log(simulated / "drive.csv", rig=rig)
    truth = pd.read_csv(simulated / "truth.csv")
    assert tuple(truth.columns) == TRUTH_COLUMNS
    assert truth["mass_kg"].iloc[0] == 4700.0
    # Fuel is burnt, nothing else leaves.
    drawn = json.loads((simulated / "truth.json").read_text())
    burnt = truth["mass_kg"].iloc[0] - truth["mass_kg"].iloc[-1]
    assert burnt == pytest.approx(drawn["fuel_burnt_kg"], abs=0.02)
    assert (drawn["tractive_scale"], drawn["seed"]) == (0.98, 5)
    assert drawn["rig_file"] == RIG.name
    assert trace["time_s"].iloc[-1] == pytest.approx(truth["time_s"].iloc[-1], abs=1.0)
    assert list(read_truth(simulated / "truth.csv").columns) == [
        *("time_s", "mass_kg", "rolling_resistance", "drag_area_m2", "surface")
    ]


def test_python_gives_the_same_drive(simulated: Path) -> None:
    by_path = simulate(RIG, ROAD, seed=5, mass_kg=4700.0, tractive_scale=0.98)
    written = pd.read_csv(simulated / "drive.csv")
    assert list(written.columns) == list(by_path.log.columns)
    speed = by_path.log["speed_m_s"].to_numpy()
    assert written["speed_m_s"].to_numpy() == pytest.approx(speed, abs=1e-3)
    alone = simulate(shipped_rig("utility_boat"), ROAD, seed=5, duration_s=20.0)
    assert alone.truth["mass_kg"].iloc[0] == pytest.approx(alone.meta["tow_mass_kg"])


def test_what_cannot_be_is_refused_and_nothing_replaced(simulated: Path, tmp_path: Path) -> None:
    for more in (("--mass", "-3"), ("--mass", "nan"), ("--scale", "0")):
        done = command(tmp_path / "none", *more)
        assert done.exit_code == 2 and "give a positive number" in done.stderr
    assert not (tmp_path / "none").exists()
    assert command(simulated).exit_code == 2
    before = (simulated / "drive.csv").read_bytes()
    forced = ("--mass", "4700", "--seed", "5", "--scale", "0.98", "--force")
    assert command(simulated, *forced).exit_code == 0
    assert (simulated / "drive.csv").read_bytes() == before
