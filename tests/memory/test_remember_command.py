"""``remember``, and the commands that start from what it wrote."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from schema_bench import part_of, paths
from typer.testing import CliRunner, Result

from loadlearn.cli import app
from loadlearn.commands.common import CAUTION, DONE, DOUBTFUL, UNUSABLE
from loadlearn.memory.vehicle_file import VehicleFile
from loadlearn.simulation.drive import simulate
from loadlearn.simulation.road import random_road
from loadlearn.vehicle.rig import Rig

RIG = Path(__file__).resolve().parents[2] / "synthetic_data" / "rigs" / "utility_boat.toml"
MASS_KG, SCALE = 5200.0, 1.02


def run(*arguments: str | Path) -> Result:
    """A command in the program, without a terminal."""
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rig whose scale is hardly known."""
    text = RIG.read_text(encoding="utf-8")
    place = tmp_path_factory.mktemp("rig") / "rig.toml"
    place.write_text(text.partition("[uncertainty]")[0], encoding="utf-8")
    with open(place, "a", encoding="utf-8") as file:
        file.write("[uncertainty]\ntractive_scale_sd = 0.05\n")
    Rig.from_toml(place)
    return place


@pytest.fixture(scope="module")
def logs(rig: Path, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three drives of five minutes with the same load."""
    folder, made = tmp_path_factory.mktemp("logs"), []
    for seed in (4, 5, 6):
        drive = simulate(
            Rig.from_toml(rig),
            random_road(seed, 12_000.0),
            seed=seed,
            combined_mass_kg=MASS_KG,
            tractive_scale=SCALE,
            duration_s=300.0,
        )
        made.append(folder / f"drive{seed}.csv")
        drive.log.to_csv(made[-1], index=False)
    return made


@pytest.fixture(scope="module")
def memory(rig: Path, logs: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two weighed drives, remembered."""
    place = tmp_path_factory.mktemp("memory") / "ute.toml"
    result = run(
        *("remember", *logs[:2], "--vehicle", place, "--rig", rig, "--known-mass", MASS_KG),
        *("--load", "boat", "--date", "2030-01-05", "--date", "2030-01-09"),
    )
    assert result.exit_code == DONE, result.output
    assert CAUTION in " ".join(result.output.split())
    assert "drive4.csv" in result.output
    return place


def test_each_drive_counts_once_whatever_its_file_is_called(
    memory: Path, logs: list[Path], tmp_path: Path
) -> None:
    copy, before = tmp_path / "copy.parquet", memory.read_bytes()
    pd.read_csv(logs[0]).to_parquet(copy)
    result = run("remember", copy, "--vehicle", memory)
    assert result.exit_code == DONE, result.output
    again = VehicleFile.read(memory)
    assert len(again.drives) == 2
    memory.write_bytes(before)


def test_an_estimate_starts_from_it(
    memory: Path, rig: Path, logs: list[Path], tmp_path: Path
) -> None:
    summaries = []
    for name, start in (("plain", ("--rig", rig)), ("memory", ("--vehicle", memory))):
        run("estimate", logs[2], *start, "--out", tmp_path / name, "--no-figure")
        summaries.append(json.loads((tmp_path / name / "summary.json").read_text()))
    plain, remembered = summaries
    assert "remembered" not in plain
    assert remembered["remembered"]["drives"] == 2
    assert not remembered["remembered"]["without_this_drive"]
    assert remembered["mass_kg"]["sd"] < 0.7 * plain["mass_kg"]["sd"]
    assert abs(remembered["mass_kg"]["mean"] / MASS_KG - 1.0) < 0.05
    used = json.loads((tmp_path / "memory" / "provenance.json").read_text())["inputs"]
    assert used["vehicle"]["file"] == memory.name


def test_a_remembered_drive_is_not_estimated_from_itself(
    memory: Path, logs: list[Path], tmp_path: Path
) -> None:
    result = run("estimate", logs[0], "--vehicle", memory, "--out", tmp_path / "out", "--no-figure")
    assert "1 remembered drives, this one left aside" in result.output
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert summary["remembered"]["without_this_drive"]
    described = {one.name for one in part_of("summary", "summary.json").entries}
    written = set(paths({"remembered": summary["remembered"]}))
    assert written == {name for name in described if name.startswith("remembered")}


def test_advice_and_condition_start_from_it(memory: Path, logs: list[Path], tmp_path: Path) -> None:
    result = run("advise", logs[2], "--vehicle", memory, "--out", tmp_path / "a", "--no-figure")
    assert result.exit_code in (DONE, DOUBTFUL), result.output
    assert json.loads((tmp_path / "a" / "advice.json").read_text())["remembered"]["drives"] == 2
    result = run("condition", logs[2], "--vehicle", memory, "--out", tmp_path / "c")
    assert result.exit_code in (DONE, DOUBTFUL), result.output
    checks = json.loads((tmp_path / "c" / "condition.json").read_text())["checks"]
    judged = {one["check"]: one for one in checks if one["chance"] is not None}
    assert judged
    assert any(one["expected_from"] == "baseline" for one in judged.values())


def test_forgetting_gives_back_the_file_as_it_was(
    memory: Path, logs: list[Path], tmp_path: Path
) -> None:
    before = memory.read_bytes()
    assert run("remember", logs[2], "--vehicle", memory).exit_code == DONE
    assert memory.read_bytes() != before
    (new,) = {one.hash for one in VehicleFile.read(memory).drives} - {
        one.hash for one in VehicleFile.model_validate(_read(before)).drives
    }
    assert run("remember", "--vehicle", memory, "--forget", new[:10]).exit_code == DONE
    assert memory.read_bytes() == before


def _read(content: bytes) -> dict[str, object]:
    import tomllib

    return tomllib.loads(content.decode("utf-8"))


def test_a_change_is_dated_from_the_command_line(memory: Path, tmp_path: Path) -> None:
    copy = tmp_path / "ute.toml"
    copy.write_bytes(memory.read_bytes())
    result = run("remember", "--vehicle", copy, "--change", "tyres", "--date", "2030-02-01")
    assert result.exit_code == DONE, result.output
    assert "since 2030-02-01: tyres changed" in result.output
    assert [one.what for one in VehicleFile.read(copy).changes] == ["tyres"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--vehicle", "none.toml"), "no such vehicle file yet; give the rig file with --rig"),
        (("--vehicle", "{memory}", "--forget", "ffff"), "no remembered drive has the hash 'ffff'"),
        (("--vehicle", "{memory}", "--change", "paint", "--date", "2030-02-01"), "--change is one"),
        (("--vehicle", "{memory}", "--change", "tyres"), "with the day from which on as --date"),
        (("--vehicle", "{memory}", "--known-mass", "5000"), "give their logs"),
        (("{log}", "--vehicle", "{memory}", "--date", "5 May"), "write it as 2030-01-31"),
        (("{log}", "--vehicle", "{log}"), "--vehicle is one of the logs"),
        (("{log}", "{log}", "--vehicle", "{memory}"), "given more than once"),
        (
            ("{log}", "--vehicle", "{memory}", "--known-mass", "5000", "--known-mass-sd", "400"),
            "at most 5 % of the mass",
        ),
        (("--vehicle", "{memory}", "--rig", str(RIG)), "began from another rig file"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(
    arguments: tuple[str, ...], words: str, memory: Path, logs: list[Path]
) -> None:
    before = memory.read_bytes()
    filled = [one.format(memory=memory, log=logs[0]) for one in arguments]
    result = run("remember", *filled)
    assert result.exit_code == UNUSABLE
    assert words in result.output
    assert memory.read_bytes() == before


def test_a_log_that_tells_too_little_is_not_remembered_and_said(
    rig: Path, logs: list[Path], tmp_path: Path
) -> None:
    short = tmp_path / "short.csv"
    pd.read_csv(logs[0]).head(900).to_csv(short, index=False)
    result = run("remember", short, "--vehicle", tmp_path / "ute.toml", "--rig", rig)
    assert result.exit_code == DOUBTFUL
    assert "not remembered: short.csv: only" in result.output
    assert VehicleFile.read(tmp_path / "ute.toml").drives == ()


def test_without_rig_or_vehicle_it_is_said_what_is_missing(
    logs: list[Path], tmp_path: Path
) -> None:
    result = run("estimate", logs[0], "--out", tmp_path / "out")
    assert result.exit_code == UNUSABLE
    assert "--rig, or a vehicle file with --vehicle" in result.output
