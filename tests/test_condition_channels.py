"""Is a channel alive: drives whose channels follow the load by a formula, then damaged."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from loadlearn.condition import assess, learn_baseline
from loadlearn.condition.assessment import condense
from loadlearn.condition.channel_health import SENSORS, standing
from loadlearn.vehicle.rig import Rig

TABLE = {
    "name": "bench",
    "vehicle": {"mass_kg": 2650.0, "tyre_radius_m": 0.38},
    "engine": {"displacement_l": 2.8},
    "driveline": {"gear_ratios": [3.6, 2.09, 1.49, 1.0], "final_drive": 3.91},
}
RIG = Rig.from_dict(TABLE)
SECONDS = 2400


def drive(seed):
    """Forty minutes: pulls and overrun in turn, a descent, a warm-up, live noise everywhere."""
    rng = np.random.default_rng(seed)
    time = np.arange(float(SECONDS))

    def noise(sd):
        return sd * rng.standard_normal(time.size)

    load = np.clip(0.5 + 0.6 * np.sin(2.0 * np.pi * time / rng.uniform(70.0, 100.0)), 0.0, 1.0)
    # Two minutes downhill: boost and rail pressure rest at their floor, and rightly so.
    load = np.where((time > 1500.0) & (time < 1620.0), 0.0, load)
    slow = pd.Series(load).ewm(halflife=5.0).mean().to_numpy()
    return pd.DataFrame(
        {
            "time_s": time,
            "speed_m_s": 20.0 + 3.0 * np.sin(time / 90.0) + noise(0.02),
            "engine_speed_rpm": 1965.2 + 295.0 * np.sin(time / 90.0) + noise(3.0),
            "gear": 4.0,
            "grade_percent": 2.0 * load - 1.0 + noise(0.02),
            "fuel_rate_g_s": np.maximum(0.4 + 5.0 * load + noise(0.03), 0.0),
            "boost_kpa": np.round(120.0 * load + noise(0.5)),
            "air_flow_g_s": 60.0 + 60.0 * load + 8.0 * np.sin(time / 90.0) + noise(0.5),
            "rail_pressure_mpa": np.round(35.0 + 100.0 * load + noise(0.3), 1),
            "exhaust_gas_temp_degc": np.round(220.0 + 380.0 * slow + noise(1.0)),
            "intake_temp_degc": np.round(28.0 + 18.0 * slow + noise(0.5)),
            "coolant_temp_degc": np.round(
                np.minimum(20.0 + 0.15 * time, 88.0) + 2.0 * slow + noise(0.2)
            ),
            "ambient_temp_degc": 18.0,
            "ambient_pressure_kpa": 98.0,
        }
    )


@pytest.fixture(scope="module")
def baseline():
    return learn_baseline([condense(drive(seed), RIG) for seed in range(5)], RIG)


def damaged(name, begin=0.0, value=None):
    """A drive whose channel stands from ``begin`` (share of the drive) on."""
    log = drive(9)
    row = int(begin * len(log))
    log.loc[row:, name] = log[name].iloc[row] if value is None else value
    return log


def channels(report):
    found = [finding for finding in report.findings if finding.check.startswith("channel:")]
    return {finding.check.removeprefix("channel:"): finding for finding in found}


def test_live_channels_get_no_finding_and_a_descent_is_no_dead_sensor(baseline):
    assert baseline.notes == []
    for usual in (baseline, ()):
        assert assess(drive(9), RIG, usual).findings == []


@pytest.mark.parametrize("with_baseline", [True, False])
@pytest.mark.parametrize(
    ("name", "begin", "value"),
    [
        ("exhaust_gas_temp_degc", 0.5, None),
        ("exhaust_gas_temp_degc", 0.5, np.nan),
        ("exhaust_gas_temp_degc", 0.9, None),
        ("boost_kpa", 0.0, 0.0),
        ("boost_kpa", 0.5, 0.0),
        ("rail_pressure_mpa", 0.5, None),
        ("air_flow_g_s", 0.0, 0.0),
        ("coolant_temp_degc", 0.0, 88.0),
        ("coolant_temp_degc", 0.0, -40.0),
        ("coolant_temp_degc", 0.0, np.nan),
        ("coolant_temp_degc", 0.1, None),
        ("intake_temp_degc", 0.5, np.nan),
    ],
)
def test_a_dead_channel_is_the_finding_and_what_leans_on_it_is_withheld(
    baseline, name, begin, value, with_baseline
):
    report = assess(damaged(name, begin, value), RIG, baseline if with_baseline else ())
    (finding,) = report.findings
    assert finding.check == f"channel:{name}"
    assert name in finding.sentence and "wiring" in finding.sentence
    rows = {row["check"]: row for row in report.checks}
    for check in SENSORS[name].leaning:
        assert rows[check]["chance"] is None, check
        assert check in finding.sentence
    if np.isfinite(value if value is not None else 0.0) and with_baseline:
        assert "withheld" in rows[SENSORS[name].leaning[0]]["not_judged_because"]
    assert finding.deviation == pytest.approx(100.0 * (1.0 - begin), abs=7.0)


def test_a_coolant_that_stands_for_half_of_the_drive_needs_a_baseline(baseline):
    report = assess(damaged("coolant_temp_degc", 0.5), RIG, baseline)
    assert set(channels(report)) == {"coolant_temp_degc"}
    # The others are judged on, with a quarter of an hour standing for a warm engine.
    rows = {row["check"]: row for row in report.checks}
    assert rows["exhaust_temperature"]["chance"] is not None


def test_a_channel_that_the_baseline_has_and_this_log_has_not(baseline):
    log = drive(9).drop(columns=["exhaust_gas_temp_degc", "rail_pressure_mpa"])
    found = channels(assess(log, RIG, baseline))
    assert set(found) == {"exhaust_gas_temp_degc", "rail_pressure_mpa"}
    assert "all 5 baseline logs" in found["exhaust_gas_temp_degc"].sentence
    # Without a baseline nobody knows what is usual, unless the rig says which sensor it has.
    assert assess(log, RIG).findings == []
    stated = Rig.from_dict(TABLE | {"limits": {"exhaust_gas_temp_sensor": "before_turbine"}})
    assert set(channels(assess(log, stated))) == {"exhaust_gas_temp_degc"}


def test_an_engine_without_a_compressor_has_no_boost_to_stand_still():
    log = damaged("boost_kpa", 0.0, 0.0)
    assert set(channels(assess(log, RIG))) == {"boost_kpa"}
    table = TABLE | {"engine": {"displacement_l": 2.8, "aspiration": "naturally_aspirated"}}
    assert channels(assess(log, Rig.from_dict(table))) == {}


def test_dead_fuelling_is_not_put_down_to_the_others(baseline):
    log = drive(9)
    log.loc[400:1400, "fuel_rate_g_s"] = 3.0
    found = channels(assess(log, RIG, baseline))
    assert set(found) == {"fuel_rate_g_s"}


def test_a_baseline_s_dead_channel_is_left_out_and_said():
    drives = [condense(drive(seed), RIG) for seed in range(3)]
    drives.append(condense(damaged("boost_kpa", 0.3, 0.0), RIG))
    usual = learn_baseline(drives, RIG)
    (note,) = usual.notes
    assert note.startswith("baseline drive 4") and "boost_kpa" in note
    report = assess(drive(11), RIG, usual)
    assert report.findings == [] and note in report.warnings


def test_short_drop_outs_are_the_logger_s(baseline):
    log = drive(9)
    log.loc[500:540, "exhaust_gas_temp_degc"] = np.nan
    log.loc[900:940, "rail_pressure_mpa"] = 71.0
    assert assess(log, RIG, baseline).findings == []


def test_stretches_that_stand():
    values = np.array([1.0, 1.2, 0.9, 5.0, np.nan, 5.0, 5.0, 7.0, 7.2])
    assert standing(values, 0.3) == [(0, 2), (5, 6), (7, 8)]


def test_the_command_exits_1_on_findings_and_0_without(tmp_path):
    from typer.testing import CliRunner

    from loadlearn.cli import app

    rig = tmp_path / "rig.toml"
    rig.write_text(
        'name = "bench"\n[vehicle]\nmass_kg = 2650.0\ntyre_radius_m = 0.38\n'
        "[engine]\ndisplacement_l = 2.8\n[driveline]\nfinal_drive = 3.91\n"
        "gear_ratios = [3.6, 2.09, 1.49, 1.0]\n"
    )
    arguments = ["--rig", str(rig), "--out", str(tmp_path / "out"), "--force"]
    for log, status in ((drive(9), 0), (damaged("exhaust_gas_temp_degc", 0.5), 1)):
        log.to_csv(tmp_path / "log.csv", index=False)
        done = CliRunner().invoke(app, ["condition", str(tmp_path / "log.csv"), *arguments])
        assert done.exit_code == status, done.output
        findings = json.loads((tmp_path / "out" / "condition.json").read_text())["findings"]
        assert bool(findings) == bool(status)
    assert "exhaust_gas_temp_degc" in done.output and "withheld" in done.output
    told = CliRunner().invoke(app, ["condition", "--help"])
    assert "1 findings" in " ".join(told.output.split())
