"""Shipped drives as one loads them, and estimates in one call."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import loadlearn
from loadlearn import InputError, LoadEstimator, prepare, read_log
from loadlearn.study import shipped_drives as home

DATA = Path(__file__).resolve().parents[2] / "synthetic_data"


def test_every_shipped_drive_loads_with_rig_and_truth() -> None:
    names = loadlearn.shipped_drives()
    manifest = pd.read_csv(DATA / "manifest.csv")
    listed = {Path(log).name.removesuffix(".csv.gz") for log in manifest["log"]} - {"drive"}
    # Installed from a wheel there is the demonstration only.
    assert set(names) == ({"demo", *listed} if home._DRIVES.is_dir() else {"demo"})
    for name in names:
        drive = loadlearn.shipped_drive(name)
        log = "demo/drive.csv.gz" if name == "demo" else f"drives/{name}.csv.gz"
        row = manifest[manifest["log"] == log].iloc[-1]
        assert drive.truth["mass_kg"].iloc[-1] == pytest.approx(row["mass_kg"], abs=0.5)
        assert drive.drawn["tractive_scale"] == pytest.approx(row["tractive_scale"])
        assert drive.rig.name == loadlearn.Rig.from_toml(DATA / row["rig"]).name
        assert drive.log["time_s"].iloc[-1] == pytest.approx(drive.truth["time_s"].iloc[-1], abs=1)


def test_a_wheel_has_the_demonstration(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(home, "_DRIVES", tmp_path / "drives")
    assert loadlearn.shipped_drives() == ("demo",)
    with pytest.raises(InputError, match="'beach_run' is not here; use one of demo "):
        loadlearn.shipped_drive("beach_run")


def test_one_call_is_the_three_steps() -> None:
    log, rig_file = DATA / "drives" / "overtaking.csv.gz", DATA / "rigs" / "utility_boat.toml"
    rig = loadlearn.Rig.from_toml(rig_file)
    trace = read_log(log, rig=rig)
    expected = LoadEstimator(rig).run(prepare(trace, rig))
    for found in (loadlearn.estimate(log, rig_file), loadlearn.estimate(trace, rig)):
        pd.testing.assert_frame_equal(found, expected)
        assert found.attrs["summary"] == expected.attrs["summary"]
