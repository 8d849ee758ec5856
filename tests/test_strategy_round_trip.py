"""A strategy's way: made, edited in a spreadsheet, checked, told apart, compared, advised."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner, Result

from loadlearn.cli import app
from loadlearn.commands.common import DONE, DOUBTFUL, UNUSABLE

RIGS = Path(__file__).resolve().parents[1] / "synthetic_data" / "rigs"
RIG = RIGS / "utility_boat.toml"
KEY = ["mass_kg", "rolling_resistance", "grade_percent", "speed_m_s"]
ROAD = """
name = "a short rise"
seed = 5
[[section]]
length_m = 800.0
relief = "level"
grade_percent = 4.0
speed_limit_km_h = 60.0
"""
EDITED = 0.35


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def as_a_spreadsheet_saves(table: pd.DataFrame, path: Path) -> None:
    table.sample(frac=1.0, random_state=1).to_csv(path, index=False, sep=";", decimal=",")


@pytest.fixture(scope="module")
def short_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from loadlearn.simulation.drive import simulate
    from loadlearn.simulation.road import random_road
    from loadlearn.vehicle.rig import Rig

    road = random_road(4, 6_000.0)
    drive = simulate(Rig.from_toml(RIG), road, seed=4, combined_mass_kg=5200.0, duration_s=120.0)
    path = tmp_path_factory.mktemp("log") / "drive.csv"
    drive.log.to_csv(path, index=False)
    return path


def test_edit_check_diff_compare_advise(tmp_path: Path, short_log: Path) -> None:
    old, new, bad = tmp_path / "old", tmp_path / "new", tmp_path / "bad"
    for folder in (old, new, bad):
        assert run("schedule", "--rig", RIG, "--out", folder, "--no-figure").exit_code == DONE
    table = pd.read_csv(new / "schedule.csv")
    filled = table["power_retention"].notna()
    edited = table.copy()
    edited.loc[filled, "power_retention"] = EDITED
    as_a_spreadsheet_saves(edited, new / "schedule.csv")
    mine = new / "schedule.toml"

    passed = run("check", mine, "--rig", RIG)
    assert passed.exit_code == DONE, passed.output
    unsafe = edited.copy()
    unsafe.loc[filled.idxmax(), "power_retention"] = 1.4
    as_a_spreadsheet_saves(unsafe, bad / "schedule.csv")
    failed = run("check", bad / "schedule.toml", "--rig", RIG, "--json")
    assert failed.exit_code == DOUBTFUL
    assert any(
        one["verdict"] == "fail" and "1.4" in one["detail"]
        for one in json.loads(failed.output)["findings"]
    )
    text = mine.read_text().splitlines()
    cold = [
        "coolant_start_degc = -200.0" if line.startswith("coolant_start_degc") else line
        for line in text
    ]
    assert cold != text
    (new / "cold.toml").write_text("\n".join(cold))
    failed = run("check", new / "cold.toml", "--rig", RIG, "--json")
    assert failed.exit_code == DOUBTFUL and "coolant_start_degc" in failed.output

    assert run("diff", old / "schedule.toml", mine, "--out", tmp_path / "diff").exit_code == DONE
    cells = pd.read_csv(tmp_path / "diff" / "diff.csv")
    really = table[filled & (table["power_retention"] != EDITED)]
    assert len(cells) == len(really) > 100
    found = cells[KEY].sort_values(KEY).to_numpy()
    assert (found == really[KEY].sort_values(KEY).to_numpy()).all()

    (tmp_path / "rise.toml").write_text(ROAD)
    on = ("--road", tmp_path / "rise.toml", "--draws", "2", "--no-figure")
    given = ("--strategy", mine, "--strategy", mine)
    done = run("compare", "--rig", RIG, *on, *given, "--out", tmp_path / "compared")
    assert done.exit_code in (DONE, DOUBTFUL), done.output
    names = list(json.loads((tmp_path / "compared" / "comparison.json").read_text())["strategies"])
    assert "schedule" in names and len(names) == 7
    truck = RIGS / "heavy_truck.toml"
    refused = run("compare", "--rig", truck, *on, "--strategy", mine, "--out", tmp_path / "not")
    assert refused.exit_code == UNUSABLE and "made for another rig (" in refused.stderr
    assert not (tmp_path / "not").exists()

    weighed = ("--weighed-mass", "5200", "--weighed-mass-sd", "5")
    out = tmp_path / "advised"
    told = run(
        "advise", short_log, "--rig", RIG, "--strategy", mine, *weighed, "--out", out, "--no-figure"
    )
    assert told.exit_code in (DONE, DOUBTFUL), told.output
    advice = pd.read_csv(out / "advice.csv")
    assert advice["retention_asked"].iloc[-1] == pytest.approx(EDITED, abs=1e-6)
    # Two minutes of driving move it by no more than the weighing was sure of.
        assert advice["mass_kg"].iloc[-1] == pytest.approx(5200.0, abs=2.0 * 52.0)
    provenance = json.loads((out / "advice.json").read_text())["provenance"]
    assert provenance["inputs"]["strategy"]["file"] == "schedule.toml"
