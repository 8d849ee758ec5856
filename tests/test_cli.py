"""The command line: statuses, one sentence per error, nothing half-written, outputs as promised."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import typer
from typer.testing import CliRunner, Result

from loadlearn import cli
from loadlearn.cli import COMMANDS, app
from loadlearn.commands.common import (
    CAUTION,
    DONE,
    DOUBTFUL,
    INTERRUPTED,
    OUR_FAULT,
    UNUSABLE,
    command_name,
    progress,
    register,
)
from loadlearn.commands.estimate import OWN_FILES, run_estimate
from loadlearn.demo_drive import demo_files
from loadlearn.errors import InputError
from loadlearn.estimation.ratings import ratings_and_limits
from loadlearn.log.exceedances import exceedances
from loadlearn.vehicle.rig import Rig

ROOT = Path(__file__).resolve().parents[1]
RIG = ROOT / "synthetic_data" / "rigs" / "utility_boat.toml"
MASS_KG = 5200.0


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five simulated minutes."""
    from loadlearn.simulation.drive import simulate
    from loadlearn.simulation.road import random_road

    drive = simulate(
        Rig.from_toml(RIG),
        random_road(4, 12_000.0),
        seed=4,
        combined_mass_kg=MASS_KG,
        duration_s=300.0,
    )
    path = tmp_path_factory.mktemp("log") / "drive.csv"
    drive.log.to_csv(path, index=False)
    return path


@pytest.fixture(scope="module")
def estimated(log: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    out = tmp_path_factory.mktemp("estimated") / "out"
    return run("estimate", log, "--rig", RIG, "--out", out), out


def test_truth_and_a_baseline_are_drawn_and_change_no_number(
    log: Path, estimated: tuple[Result, Path], tmp_path: Path
) -> None:
    truth = tmp_path / "truth.csv"
    truth.write_text("time_s,mass_kg\n0,5200\n300,5199\n")
    options = ("--truth", truth, "--beside", "plain_ekf")
    done = run("estimate", log, "--rig", RIG, "--out", tmp_path / "out", *options)
    assert done.exit_code == estimated[0].exit_code
    for name in ("estimates.csv", "summary.json"):
        assert (tmp_path / "out" / name).read_bytes() == (estimated[1] / name).read_bytes()
    drawn, plain = (folder / "estimates.png" for folder in (tmp_path / "out", estimated[1]))
    assert drawn.read_bytes() != plain.read_bytes()
    made = json.loads((tmp_path / "out" / "provenance.json").read_text())
    assert (
        made["options"]["beside"] == "plain_ekf" and made["inputs"]["truth"]["file"] == truth.name
    )
    for wrong, word in (
        (("--beside", "nothing"), "unknown; use one of plain_ekf"),
        (("--truth", tmp_path / "none.csv"), "cannot be read"),
        (("--truth", truth, "--no-figure"), "are drawn"),
        (("--format", "gif"), "use one of png, svg, pdf"),
    ):
        refused = run("estimate", log, "--rig", RIG, "--out", tmp_path / "not", *wrong)
        assert refused.exit_code == UNUSABLE and word in refused.stderr
    assert not (tmp_path / "not").exists()


def test_the_figure_comes_in_the_form_asked_for(log: Path, tmp_path: Path) -> None:
    asked = ("estimate", log, "--rig", RIG, "--out", tmp_path / "out")
    run(*asked, "--wide", "--format", "svg")
    assert (tmp_path / "out" / "estimates.svg").read_text().startswith("<?xml")
    run(*asked, "--format", "pdf", "--force")
    figures = sorted(path.name for path in (tmp_path / "out").glob("estimates.*"))
    assert figures == ["estimates.csv", "estimates.parquet", "estimates.pdf"]


# ------------------------------------------------------------------------------------ help


HEAVY = ("numpy", "pandas", "scipy", "numba", "sklearn", "filterpy", "matplotlib", "pydantic")


def test_help_names_every_command_and_imports_nothing_heavy() -> None:
    code = (
        "import atexit, runpy, sys\n"
        f"atexit.register(lambda: print([m for m in {HEAVY!r} if m in sys.modules]))\n"
        "sys.argv = ['loadlearn', '--help']\n"
        "runpy.run_module('loadlearn', run_name='__main__')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.rstrip().endswith("[]")
    for command in COMMANDS:
        assert command_name(command) in done.stdout
    assert "never replaces a weighbridge" in " ".join(done.stdout.split())


@pytest.mark.parametrize("command", [command_name(c) for c in COMMANDS])
def test_help_of_each_command_has_an_example(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == DONE
    text = " ".join(result.output.replace("│", " ").split())
    assert f"Example: loadlearn {command}" in text
    assert "--debug" in text


def test_version() -> None:
    result = run("--version")
    assert result.output.startswith("loadlearn 0.")


# -------------------------------------------------------------------------------- statuses


def small(body: Callable[[], int | None]) -> typer.Typer:
    program = typer.Typer()

    def work() -> int | None:
        """Do it."""
        return body()

    register(program, work)
    return program


def raising(error: BaseException) -> Callable[[], int]:
    def body() -> int:
        raise error

    return body


@pytest.mark.parametrize(
    ("body", "status", "said"),
    [
        (lambda: None, DONE, ""),
        (lambda: DOUBTFUL, DOUBTFUL, ""),
        (raising(InputError("log.csv: is\nempty")), UNUSABLE, "loadlearn: log.csv: is empty\n"),
        (raising(KeyboardInterrupt()), INTERRUPTED, "interrupted"),
        (raising(ZeroDivisionError("by nought")), OUR_FAULT, "ZeroDivisionError: by nought"),
    ],
)
def test_what_happens_becomes_a_status_and_a_sentence(
    body: Callable[[], int | None], status: int, said: str
) -> None:
    result = CliRunner().invoke(small(body), [])
    assert result.exit_code == status
    assert said in result.stderr
    assert len(result.stderr.splitlines()) <= 1
    assert result.stdout == ""


def test_debug_shows_the_traceback() -> None:
    program = small(raising(ZeroDivisionError("by nought")))
    assert "Traceback" not in CliRunner().invoke(program, []).stderr
    assert "Traceback" in CliRunner().invoke(program, ["--debug"]).stderr


def test_a_wrong_option_is_status_2() -> None:
    assert run("estimate", "--nonsense").exit_code == UNUSABLE
    assert (
        run("estimate", "x.csv", "--rig", "r", "--out", "o", "--every", "-1").exit_code == UNUSABLE
    )
    assert (
        run("estimate", "x.csv", "--rig", "r", "--out", "o", "--every", "inf").exit_code == UNUSABLE
    )
    assert run("nonsense").exit_code == UNUSABLE


def test_a_terminal_without_plus_minus_is_no_error(log: Path) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(
        [sys.executable, "-m", "loadlearn", "inspect", str(log), "--rig", str(RIG)],
        capture_output=True,
        env=environment,
        check=False,
    )
    assert done.returncode == DONE, done.stderr
    assert b"What this drive can teach" in done.stdout


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_an_interruption_leaves_nothing_behind(
    tmp_path: Path, number: signal.Signals, status: int
) -> None:
    script = (
        "import signal, sys, time, typer\n"
        "from pathlib import Path\n"
        # Started in the background, a shell has its children ignore it.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from loadlearn import cli\n"
        "from loadlearn.commands.common import register\n"
        "from loadlearn.outputs import OutputFolder\n"
        "def slow(out: Path) -> int:\n"
        "    '''Write slowly.'''\n"
        "    with OutputFolder(out, own=['a.json'], mark='a.json') as outputs:\n"
        "        outputs.path('a.json').write_text('half')\n"
        "        print('writing', flush=True)\n"
        "        time.sleep(30)\n"
        "    return 0\n"
        "register(cli.app, slow)\n"
        f"sys.argv = ['loadlearn', 'slow', {str(tmp_path / 'out')!r}]\n"
        "cli.main()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "writing\n"
        process.send_signal(number)
        process.communicate(timeout=20)
    assert process.returncode == status
    assert list(tmp_path.iterdir()) == []


def test_a_reader_that_leaves_early_is_no_error(log: Path) -> None:
    command = f"'{sys.executable}' -m loadlearn inspect '{log}' --rig '{RIG}' --json | head -n 1"
    done = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {command}"], capture_output=True, text=True, check=False
    )
    assert done.stdout == "{\n"
    assert "Traceback" not in done.stderr and "fault" not in done.stderr


def test_progress_is_silent_where_nobody_watches(capsys: pytest.CaptureFixture[str]) -> None:
    with progress("working", total=3, after_s=0.0) as shown:
        shown.advance()
        shown.stage("still working")
        time.sleep(0.05)
    assert capsys.readouterr() == ("", "")


# -------------------------------------------------------------------------------- estimate


def test_estimate_writes_what_it_promises(estimated: tuple[Result, Path]) -> None:
    result, out = estimated
    assert result.exit_code in (DONE, DOUBTFUL), result.stderr
    assert sorted(path.name for path in out.iterdir()) == sorted(OWN_FILES)
    summary = json.loads((out / "summary.json").read_text())
    for name in ("mass_kg", "rolling_resistance", "drag_area_m2", "trailer_mass_kg"):
        assert {"mean", "sd", "sd_given_scale", "interval95"} <= set(summary[name])
        low, high = summary[name]["interval95"]
        assert low < summary[name]["mean"] < high
    assert {"trust", "surfaces", "load_changes", "log_quality", "warnings"} <= set(summary)
    assert (result.exit_code == DOUBTFUL) == (not summary["trust"]["ok"])
    rig = Rig.from_toml(RIG)
    trailer = summary["mass_kg"]["mean"] - rig.vehicle.mass_kg
    assert summary["trailer_mass_kg"]["mean"] == pytest.approx(trailer, abs=60.0)


def test_estimate_says_what_was_learnt_and_the_caution(estimated: tuple[Result, Path]) -> None:
    result, _ = estimated
    text = " ".join(result.stdout.split())
    assert "combined mass" in text and "drag area" in text
    assert CAUTION in text


def test_estimates_tables_agree(estimated: tuple[Result, Path]) -> None:
    _, out = estimated
    table = pd.read_csv(out / "estimates.csv")
    every = pd.read_parquet(out / "estimates.parquet")
    trace = pd.read_parquet(out / "trace.parquet")
    assert list(table.columns) == list(every.columns)
    assert table.columns[:10].tolist() == [
        *("time_s", "mass_kg", "mass_sd_kg", "mass_sd_given_scale_kg"),
        *("rolling_resistance", "rolling_resistance_sd", "drag_area_m2", "drag_area_sd_m2"),
        *("surface", "p_sealed"),
    ]
    assert len(every) == len(trace) == len(table)  # 10 Hz is kept whole
    np.testing.assert_allclose(table["mass_kg"], every["mass_kg"], atol=6e-4)
    ground = every[
        [
            name
            for name in every
            if name.startswith("p_")
            and name[2:] in ("sealed", "gravel", "earth", "sand", "soft_sand")
        ]
    ]
    np.testing.assert_allclose(ground.sum(axis=1), 1.0, atol=1e-6)
    aside = every["learning"] == 0
    assert (every.loc[aside, "set_aside_because"].astype(str) != "").all()
    assert (every.loc[~aside, "set_aside_because"].astype(str) == "").all()


def test_the_same_input_gives_the_same_output(
    log: Path, estimated: tuple[Result, Path], tmp_path: Path
) -> None:
    _, first = estimated
    run_estimate(log, RIG, tmp_path / "again")
    for name in OWN_FILES:
        assert (tmp_path / "again" / name).read_bytes() == (first / name).read_bytes(), name


def test_estimate_replaces_only_by_force(log: Path, estimated: tuple[Result, Path]) -> None:
    _, out = estimated
    again = run("estimate", log, "--rig", RIG, "--out", out)
    assert again.exit_code == UNUSABLE
    assert "--force" in again.stderr


def test_estimate_keeps_every_sample_or_few(log: Path, tmp_path: Path) -> None:
    run_estimate(log, RIG, tmp_path / "few", every_s=5.0, figure=False)
    table = pd.read_csv(tmp_path / "few" / "estimates.csv")
    np.testing.assert_allclose(np.diff(table["time_s"]), 5.0, atol=0.11)
    assert not (tmp_path / "few" / "estimates.png").exists()


def bad_log(path: Path, **columns: object) -> Path:
    time_s = np.arange(50) / 10.0
    table = {
        "time_s": time_s,
        "speed_m_s": np.full(50, 15.0),
        "fuel_rate_g_s": np.full(50, 1.0),
        "grade_percent": np.zeros(50),
    }
    pd.DataFrame({**table, **columns}).to_csv(path, index=False)
    return path


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"speed_m_s": np.full(50, 300.0)}, "speed_m_s"),
        ({"grade_percent": np.full(50, 90.0)}, "grade_percent"),
        ({"fuel_rate_g_s": np.full(50, -1.0)}, "fuel_rate_g_s"),
        ({"speed_m_s": np.full(50, np.nan)}, "speed_m_s"),
        ({"time_s": np.arange(50)[::-1] / 10.0}, "time_s"),
    ],
)
def test_a_bad_log_is_one_sentence_and_leaves_nothing(
    tmp_path: Path, columns: dict[str, object], said: str
) -> None:
    log = bad_log(tmp_path / "bad.csv", **columns)
    result = run("estimate", log, "--rig", RIG, "--out", tmp_path / "out")
    assert result.exit_code == UNUSABLE
    assert said in result.stderr and "bad.csv" in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_missing_files_are_one_sentence(tmp_path: Path, log: Path) -> None:
    for arguments in (
        ("estimate", tmp_path / "none.csv", "--rig", RIG, "--out", tmp_path / "out"),
        ("estimate", log, "--rig", tmp_path / "none.toml", "--out", tmp_path / "out"),
        ("inspect", tmp_path / "none.csv"),
        ("validate", tmp_path / "none.csv", "--out", tmp_path / "out"),
        ("report", tmp_path / "none"),
    ):
        result = run(*arguments)
        assert result.exit_code == UNUSABLE
        assert len(result.stderr.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_ratings_and_recorded_limits_are_compared() -> None:
    rig = Rig.from_toml(RIG)
    assert rig.vehicle.rated_gcm_kg is not None
    belief = {"mean": rig.vehicle.rated_gcm_kg, "sd": 100.0}
    trace = pd.DataFrame({"time_s": np.arange(100) / 10.0, "coolant_temp_degc": 90.0})
    found = ratings_and_limits(trace, rig, {"mass_kg": belief, "trailer_mass_kg": belief})
    assert found["probability_over_gcm"] == pytest.approx(0.5)
    assert found["probability_over_towing"] > 0.99
    assert found["limits_exceeded"] == []
    trace.loc[20:45, "coolant_temp_degc"] = rig.limits.coolant_zero_degc + 3.0
    trace.loc[60:75, "coolant_temp_degc"] = rig.limits.coolant_zero_degc + 9.0  # too short
    one = exceedances(trace, rig)
    assert [(e.channel, e.start_s, e.end_s) for e in one] == [("coolant_temp_degc", 2.0, 4.5)]
    assert one[0].peak == rig.limits.coolant_zero_degc + 3.0


# ---------------------------------------------------------------------- the other commands


def test_inspect_tells_rate_and_channels(log: Path) -> None:
    result = run("inspect", log, "--rig", RIG)
    assert result.exit_code == DONE
    assert "fuel_rate_g_s" in result.stdout and "What this drive can teach" in result.stdout
    quality = json.loads(run("inspect", log, "--rig", RIG, "--json").stdout)
    assert quality["rows"] == 3001
    assert quality["sample_rate_hz"] == pytest.approx(10.0)


def test_validate_marks_a_failed_row(log: Path, tmp_path: Path) -> None:
    manifest = tmp_path / "weighed.csv"
    manifest.write_text(
        f"log,rig,mass_kg,tractive_scale\n{log},{RIG},{MASS_KG},1.0\nnone.csv,{RIG},1,\n"
    )
    result = run("validate", manifest, "--out", tmp_path / "out", "--format", "svg")
    assert result.exit_code == DOUBTFUL, result.stderr
    assert "FAILED none.csv" in result.stdout
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == {"validation.csv", "validation.json", "validation.svg"}
    summary = json.loads((tmp_path / "out" / "validation.json").read_text())
    assert summary["provenance"]["options"]["estimator"] == summary["estimator"] == "loadlearn"
    assert (summary["overall"]["n"], summary["failed"]) == (1, 1)
    table = pd.read_csv(tmp_path / "out" / "validation.csv")
    assert abs(table["error_given_scale_percent"].iloc[0]) < 10.0


def test_groups_are_rows_and_no_name_is_cut(capsys: pytest.CaptureFixture[str]) -> None:
    from loadlearn.commands.validate import print_validation
    from loadlearn.study.validation import INTERVALS, Validation

    of = {"n": 6, "vehicles": 3, "rmse_percent": 1.25, "bias_percent": -0.5, "rms_z": 0.9}
    of |= {"coverage95": 1.0, "coverage50": 0.5}
    of |= {"difference_low95_percent": -3.0, "difference_high95_percent": 2.0}
    of["interval95"] = {"rmse_percent": [1.0, 1.5], "bias_percent": [-1.0, 0.25]}
    names = [f"a group with a rather long name, number {number}" for number in range(14)]
    summary = {"estimator": "plain_ekf", "overall": of, "groups": dict.fromkeys(names, of)}
    summary["intervals"] = INTERVALS
    print_validation(Validation(pd.DataFrame({"log": [], "error": []}), summary, []))
    told = capsys.readouterr().out
    assert "plain_ekf against weighed masses" in told and "…" not in told
    rows = [line for line in told.splitlines() if "6 of 3" in line]
    assert len(rows) == 15 and all("1.25" in row and "-3.0 to 2.0" in row for row in rows)
    assert told.count("1.00 to 1.50") == 15
    letters = "".join("".join(line[:18].split()) for line in told.splitlines())
    assert all("".join(name.split()) in letters for name in names)


def test_demo_does_the_whole_job(tmp_path: Path) -> None:
    result = run("demo", "--out", tmp_path / "out")
    assert result.exit_code in (DONE, DOUBTFUL), result.stderr
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names >= {*OWN_FILES, "advice.csv", "advice.json", "schedule.json", "report.html"}
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    truth = json.loads(demo_files().truth_summary.read_text())
    low, high = summary["mass_kg"]["interval95"]
    assert low <= truth["combined_mass_kg"] - truth["fuel_burnt_kg"] <= high
    assert run("demo", "--out", tmp_path / "out").exit_code == UNUSABLE


def test_the_readme_names_only_commands_and_options_that_exist() -> None:
    import re

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    names = {command_name(command) for command in COMMANDS}
    lines = re.findall(r"^ *(?:.*/)?loadlearn ([a-z-]+)(.*)$", readme, re.M)
    assert {name for name, _ in lines} <= names
    assert {"demo", "inspect", "estimate", "validate", "report"} <= {name for name, _ in lines}
    for name, rest in lines:
        known = run(name, "--help").output
        for option in re.findall(r"--[a-z-]+", rest):
            assert option in known, f"{name} {option}"


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["calibrate", "--known-mass", "-5", "log.csv", "--rig", "r.toml", "--out", "o"], "mass"),
        (["estimate"], "missing argument"),
        (["estimate", "log.csv", "--rig", "r.toml", "--out", "o", "--every", "often"], "--every"),
        (["estimat"], "no such command"),
        (["inspect", "log.csv", "--colour"], "no such option"),
    ],
)
def test_a_misused_command_line_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    part: str,
) -> None:
    monkeypatch.setattr(sys, "argv", ["loadlearn", *arguments])
    with pytest.raises(SystemExit) as stopped:
        cli.main()
    assert stopped.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("loadlearn: ")
    assert said.err.count("\n") == 1
    assert part in said.err
