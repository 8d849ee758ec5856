"""The command ``loadlearn export-step``: what it writes, tells and refuses."""

from __future__ import annotations

import json
import subprocess
import tomllib
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from step_bench import drive, needs_compiler
from typer.testing import CliRunner

from loadlearn.cli import app
from loadlearn.commands.common import CAUTION, CAUTION_ADVICE, DONE, UNUSABLE
from loadlearn.commands.export_step import BENCH_ONLY, OWN_FILES, UNJUDGED
from loadlearn.demo_drive import demo_files
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.strategy_file import write_strategy
from loadlearn.step_export import native_step
from loadlearn.step_export.native_step import FLAGS

RIG = demo_files().rig


def run(*arguments: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["export-step", *map(str, arguments)])
    return result.exit_code, " ".join(result.output.split())


@needs_compiler
def test_what_it_writes_and_tells(tmp_path: Path) -> None:
    strategy, log, out = tmp_path / "strategy.toml", tmp_path / "log.csv", tmp_path / "step"
    write_strategy(make_strategy(drive("demo").rig), strategy)
    drive("demo").log.iloc[:3000].to_csv(log, index=False)
    given = ("--rig", RIG, "--strategy", strategy, "--log", log, "--out", out)
    status, text = run(*given)
    assert status == DONE, text
    assert {path.name for path in out.iterdir()} == set(OWN_FILES)
    told = json.loads((out / "step.json").read_text())
    # The cautions travel with each: console, summary, header, source, unit.
    words = [BENCH_ONLY, UNJUDGED, CAUTION, CAUTION_ADVICE]
    with zipfile.ZipFile(out / "loadlearn_step.fmu") as packed:
        described = packed.read("modelDescription.xml").decode()
        assert packed.read("sources/loadlearn_step.c").decode() == (
            out / "loadlearn_step.c"
        ).read_text(encoding="utf-8")
    for place in (text, told["caution"], described):
        assert all(one in " ".join(place.replace("&apos;", "'").split()) for one in words)
    for name in ("loadlearn_step.h", "loadlearn_step.c"):
        written = " ".join((out / name).read_text(encoding="utf-8").split())
        assert all(one in written for one in words[1:]) and BENCH_ONLY[:-1].upper() in written
    cost = told["cost"]
    assert cost["samples"] == 3000 and cost["mean"]["all"] < cost["most"]["all"]
    assert f"{cost['state_bytes']:,} bytes" in text and f"{cost['most']['all']:,.0f}" in text
    assert told["provenance"]["inputs"].keys() == {"rig", "strategy", "log"}
    assert told["noise"]["disturbance_sd"] > 0.0 and told["delays_s"].keys() >= {"force"}
    # It stands alone: compiled where it lies, without this package.
    subprocess.run(
        ["cc", *FLAGS, "-O0", "-c", "-o", "a.o", "loadlearn_step.c"], cwd=out, check=True
    )
    (out / "a.o").unlink()
    status, text = run(*given)
    assert status == UNUSABLE and "already exists" in text


def test_without_a_compiler_the_sources_are_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(native_step.shutil, "which", lambda name: None)
    status, text = run("--rig", RIG, "--out", tmp_path / "step")
    assert status == DONE and "no C compiler" in text and "an importer has to build it" in text
    told = json.loads((tmp_path / "step" / "step.json").read_text())
    assert told["cost"] is None and not told["unit_built_here"]
    with zipfile.ZipFile(tmp_path / "step" / "loadlearn_step.fmu") as packed:
        assert not [name for name in packed.namelist() if name.startswith("binaries")]


def test_what_cannot_go_into_a_controller_is_refused(tmp_path: Path) -> None:
    rule, out = tmp_path / "rules.py", tmp_path / "step"
    rule.write_text(
        "from loadlearn.policy.strategy import Settings\n\n\n"
        "def gentle(now):\n    return Settings(0.2, 30.0, 0.5)\n"
    )
    status, text = run("--rig", RIG, "--strategy", rule, "--out", out)
    assert status == UNUSABLE and "loadlearn schedule" in text
    other = tmp_path / "other.toml"
    rig = drive("demo").rig
    heavier = rig.model_copy(
        update={"vehicle": rig.vehicle.model_copy(update={"mass_kg": rig.vehicle.mass_kg + 400.0})}
    )
    write_strategy(make_strategy(heavier), other)
    assert tomllib.loads(other.read_text())["rig"]
    status, text = run("--rig", RIG, "--strategy", other, "--out", out)
    assert status == UNUSABLE and "another rig" in text
    status, text = run("--rig", tmp_path / "none.toml", "--out", out)
    assert status == UNUSABLE and "none.toml" in text
    log = tmp_path / "log.csv"
    pd.DataFrame({"time_s": np.arange(50) * 0.1, "speed_m_s": 10.0}).to_csv(log, index=False)
    status, text = run("--rig", RIG, "--log", log, "--out", out)
    assert status == UNUSABLE and "force" in text
    assert not out.exists()
