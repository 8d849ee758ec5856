"""The generated step finds the package's answers, asks for nothing and refuses what it must."""

from __future__ import annotations

import math
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_array_equal
from step_bench import DRIVES, drive, farthest, native, needs_compiler, of_the_package, setup_of

from loadlearn.step_export.native_step import FLAGS
from loadlearn.step_export.step_source import ESTIMATES, LONGEST_JUMP_S, step_source

pytestmark = needs_compiler
CASES = [("plain", "demo"), *(("reduced", name) for name in DRIVES)]


@pytest.mark.parametrize(("kind", "name"), CASES)
def test_double_precision_is_the_package_to_nine_digits(kind: str, name: str) -> None:
    step = native(kind, name)
    run, package = step.run(drive(name).log), of_the_package(kind, name)
    assert max(farthest(run.estimates, package).values()) < 1e-9
    told = run.estimates
    known = package["mass_kg"].notna()
    assert_array_equal(told["surface"][known], package["surface"][known])
    assert_array_equal(told["set_aside_because"], package["set_aside_because"])
    assert_array_equal(told["learning"], package["set_aside_because"] == 0)
    assert run.counts == {
        "taken": len(told),
        "refused": 0,
        "impossible": 0,
        "clocks_set": 0,
        "begun_anew": 0,
    }


def test_the_reduced_set_learns_the_load() -> None:
    """Not only the same as the package: near the weighed mass, where a plain filter is not."""
    name = "demo"
    truth = drive(name).mass_kg
    step = native("reduced", name)
    last = step.run(drive(name).log).estimates.iloc[-1]
    assert last["mass_low95_kg"] < truth < last["mass_high95_kg"]
    assert abs(last["mass_kg"] - truth) < 0.03 * truth


def _object(folder: Path, *flags: str) -> Path:
    made = step_source(setup_of("reduced", "demo"), "a rig", "With care.")
    (folder / "loadlearn_step.h").write_text(made.header)
    (folder / "loadlearn_step.c").write_text(made.source)
    built = folder / "loadlearn_step.o"
    source = str(folder / "loadlearn_step.c")
    subprocess.run(["cc", *FLAGS, *flags, "-O0", "-c", "-o", str(built), source], check=True)
    return built


@pytest.mark.parametrize("flags", [(), ("-DLOADLEARN_SINGLE", "-Wdouble-promotion")])
def test_nothing_is_allocated_or_printed(flags: tuple[str, ...], tmp_path: Path) -> None:
    if shutil.which("nm") is None:
        pytest.skip("no nm here")
    built = _object(tmp_path, *flags)
    symbols = subprocess.run(["nm", str(built)], capture_output=True, text=True, check=True).stdout
    wanted, own = set(), set()
    for line in symbols.splitlines():
        kind, name = line.split()[-2:]
        (wanted if kind == "U" else own).add(name)
        # No writable data: all that is remembered is the caller's.
        assert kind not in "bBdDcC", f"{name} is kept outside of the caller's struct"
    mathematics = {"exp", "log", "log1p", "sqrt", "erfc", "pow", "rint"}
    mathematics |= {f"{name}f" for name in mathematics}
    # What compilers put in place of loops and of copies of structs.
    usual = {"memcpy", "memset", "memmove", "_GLOBAL_OFFSET_TABLE_", "__stack_chk_fail"}
    assert wanted <= mathematics | usual, sorted(wanted - mathematics - usual)
    assert {"loadlearn_start", "loadlearn_take"} <= own


def test_stopping_and_going_on_is_the_same_drive() -> None:
    log, step = drive("demo").log.iloc[:3000], native("reduced", "demo")
    whole = step.run(log).estimates
    step.start()
    parts = [step.run(log.iloc[a : a + 700]).estimates for a in range(0, 3000, 700)]
    pd.testing.assert_frame_equal(pd.concat(parts, ignore_index=True), whole)


# --- what cannot be taken ------------------------------------------------------------------------
def test_time_that_does_not_rise_is_refused_and_changes_nothing() -> None:
    log, step = drive("demo").log.iloc[:1500], native("reduced", "demo")
    clean = step.run(log).estimates
    spoilt = pd.concat([log, log]).sort_index(kind="stable").reset_index(drop=True)
    odd = np.arange(len(spoilt)) % 2 == 1
    garbage = np.array([math.nan, math.inf, -math.inf, -5.0, 1e300, 0.0])
    at = spoilt.index[odd]
    # Each sample again with a time that is none, infinite, long gone, far ahead or its own.
    cases = np.resize(garbage, len(at))
    spoilt.loc[at, "time_s"] = np.where(cases == 0.0, spoilt["time_s"][at], cases)
    step.start()
    run = step.run(spoilt)
    assert run.counts["refused"] == odd.sum() and run.counts["clocks_set"] == 0
    assert_array_equal(run.estimates["taken"], np.where(odd, 0.0, 1.0))
    kept = run.estimates[~odd].reset_index(drop=True)
    pd.testing.assert_frame_equal(kept, clean)
    # Beside a refused sample stands what was known before it.
    assert_array_equal(
        run.estimates.loc[odd, list(ESTIMATES)], run.estimates.loc[~odd, list(ESTIMATES)]
    )


@pytest.mark.parametrize("to_s", [-5000.0, 0.0, 1e7])
def test_a_clock_that_was_set_is_followed_from_its_second_stamp_on(to_s: float) -> None:
    log, step = drive("demo").log.iloc[:4000].copy(), native("reduced", "demo")
    clean = step.run(log).estimates.iloc[-1]
    half = log["time_s"].to_numpy()[2000]
    log.loc[log.index[2000:], "time_s"] += to_s - half
    step.start()
    run = step.run(log)
    assert run.counts["clocks_set"] == 1 and run.counts["refused"] == 1
    last = run.estimates.iloc[-1]
    # A gap of some seconds in the drive, and no more.
    assert last["mass_kg"] == pytest.approx(clean["mass_kg"], rel=0.02)
    assert LONGEST_JUMP_S < 1e7


def test_a_first_stamp_from_another_age_does_not_stay() -> None:
    log, step = drive("demo").log.iloc[:3000], native("reduced", "demo")
    clean = step.run(log).estimates.iloc[-1]
    for first in (9e11, -9e11, 1e13):
        step.start()
        step.run(log.iloc[:1].assign(time_s=first))
        run = step.run(log)
        assert run.counts["refused"] == 1
        last = run.estimates.iloc[-1]
        assert last["mass_kg"] == pytest.approx(clean["mass_kg"], rel=0.01)


def test_values_that_cannot_be_count_as_absent() -> None:
    log, step = drive("demo").log.iloc[:3000].copy(), native("reduced", "demo")
    absent, spoilt = log.copy(), log.copy()
    rows = log.index[1000:1400:7]
    for name, value in (("speed_m_s", math.inf), ("fuel_rate_g_s", -1.0), ("gear", 1e9)):
        absent.loc[rows, name] = math.nan
        spoilt.loc[rows, name] = value
    step.start()
    expected = step.run(absent).estimates
    step.start()
    run = step.run(spoilt)
    assert run.counts["impossible"] == 3 * len(rows)
    pd.testing.assert_frame_equal(run.estimates, expected)


def test_a_drive_of_nothing_but_absent_channels_does_no_harm() -> None:
    log, step = drive("overtaking").log, native("reduced", "overtaking")
    nothing = pd.DataFrame({"time_s": np.arange(600) * 0.1, "speed_m_s": math.nan})
    assert step.run(nothing).estimates["mass_kg"].isna().all()
    later = log.assign(time_s=log["time_s"] + 100.0)
    alone = of_the_package("reduced", "overtaking")["mass_kg"].iloc[-1]
    last = step.run(later).estimates.iloc[-1]
    assert last["mass_kg"] == pytest.approx(alone, rel=1e-4)


def test_random_nonsense_never_stays() -> None:
    """After minutes of values at random within what can be, an ordinary drive is learnt from."""
    log = drive("overtaking").log
    rng = np.random.default_rng(8)
    count = 3000
    nonsense = pd.DataFrame({"time_s": np.arange(count) * 0.1})
    for name, high in (("speed_m_s", 60.0), ("fuel_rate_g_s", 50.0), ("engine_speed_rpm", 6e3)):
        nonsense[name] = np.where(rng.random(count) < 0.2, math.nan, rng.uniform(0.0, high, count))
    nonsense["gear"] = rng.integers(-1, 9, count).astype(float)
    nonsense["grade_percent"] = rng.uniform(-30.0, 30.0, count)
    for single in (False, True):
        step = native("reduced", "overtaking", single)
        run = step.run(nonsense)
        told = run.estimates["mass_kg"].dropna()
        assert np.isfinite(told).all() and (told > 0.0).all()
        last = step.run(log.assign(time_s=log["time_s"] + 1e4)).estimates.iloc[-1]
        assert np.isfinite(last["mass_kg"]) and last["mass_sd_kg"] > 0.0


# --- single precision ----------------------------------------------------------------------------
@pytest.mark.parametrize("name", ["demo", "beach_run", "overtaking", "trailer_left"])
def test_the_loss_in_single_precision_is_small_against_what_is_unknown(name: str) -> None:
    """In units of the sd that the package claims; the README states the same bounds."""
    told, package = native("reduced", name, True).run(drive(name).log).estimates, None
    package = of_the_package("reduced", name)
    known = package["mass_kg"].notna()
    told, package = told[known], package[known]
    mass_sd = package["mass_sd_kg"]
    mass = (told["mass_kg"] - package["mass_kg"]).abs() / mass_sd
    rolling = (told["rolling_resistance"] - package["rolling_resistance"]).abs()
    rolling /= package["rolling_resistance_sd"]
    assert mass.max() < 0.1 and rolling.max() < 0.1
    assert (told["mass_sd_kg"] / mass_sd - 1.0).abs().max() < 0.25
    ends = [
        (told[one] - package[one]).abs() / mass_sd for one in ("mass_low95_kg", "mass_high95_kg")
    ]
    # Between two humps of a mixture an interval's end may lie anywhere, for a second or so.
    assert all(one.quantile(0.999) < 0.2 for one in ends)
    assert (told["surface"] != package["surface"]).mean() < 0.001


def test_single_precision_keeps_through_hours() -> None:
    log, last = drive("overtaking").log, {}
    span = float(log["time_s"].iloc[-1] - log["time_s"].iloc[0]) + 0.1
    for single in (False, True):
        step = native("reduced", "overtaking", single)
        for turn in range(4):
            run = step.run(log.assign(time_s=log["time_s"] + 1e6 + turn * span))
        last[single] = run.estimates.iloc[-1]
        assert run.counts["begun_anew"] == 0
    assert abs(last[True]["mass_kg"] - last[False]["mass_kg"]) < 0.05 * last[False]["mass_sd_kg"]
