"""Sections in words: what stands in the JSON, with units, and no key of it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from dyno_bench import pull
from typer.testing import CliRunner

from loadlearn.cli import app
from loadlearn.outputs import write_json
from loadlearn.report.contents import Section, read_contents
from loadlearn.report.section_words import tell
from loadlearn.report.told import Told, number, words_and_unit


def words(told: Told) -> str:
    cells = [
        " ".join((table.caption, *table.columns, heading, *cells))
        for table in told.tables
        for heading, rows in table.groups
        for cells, _ in rows
    ]
    return "\n".join([*(one for one, _ in told.said), *cells, *told.notes])


def test_a_dyno_comparison_is_told_with_its_gains(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    for name, gain in (("before", 1.0), ("after", 1.2)):
        pull(rng, gain=gain).to_csv(tmp_path / f"{name}.csv", index=False)
    files = [str(tmp_path / f"{name}.csv") for name in ("before", "after")]
    out = tmp_path / "out"
    done = CliRunner().invoke(app, ["dyno", *files, "--out", str(out), "--no-figure"])
    assert done.exit_code == 0, done.output
    (section,) = read_contents(out).sections
    text = words(tell(section))
    values = json.loads((out / "dyno.json").read_text())
    peak = values["peaks"]["power"]["after"]
    assert f"{peak['value_kw']:.1f} kW at {peak['engine_speed_rpm']:,.0f} rpm" in text
    assert f"{values['gain']['mean_over_engine_speed']['gain_percent']:.1f} %" in text
    assert "peak torque" in text and "N m at" in text and "value_kw" not in text
    assert values["caution"] in text


def test_findings_of_condition_alarm_and_what_was_not_judged_is_folded() -> None:
    judged = {
        "check": "idle_fuelling",
        "what": "warm idle fuelling",
        "unit": "%",
        "chance": 0.001,
        "deviation": 48.25,
        "healthy_interval95": [-20.0, 21.5],
        "expected_from": "baseline",
        "baseline_drives": 6,
    }
    missing = {"check": "boost", "what": "manifold pressure", "chance": None, "unit": "%"}
    values = {
        "findings": [{"sentence": "idle fuelling is 48 % above six healthy drives"}],
        "checks": [judged, missing | {"not_judged_because": "needs baseline drives"}],
        "together": [],
        "warnings": [],
        "outside95": [],
        "outside95_chance": 1.0,
        "advice": "A finding diagnoses nothing.",
    }
    told = tell(Section("condition", "Condition", values, None, {}))
    assert told.said[0] == ("idle fuelling is 48 % above six healthy drives.", True)
    shown, folded = told.tables
    assert folded.folded and not shown.folded
    assert shown.groups[0][1][0][0] == [
        *("warm idle fuelling", "+48.2 %", "−20.0 to +21.5 %", "6 baseline drives")
    ]
    assert "manifold pressure needs baseline drives" in words(told)


def test_a_strategy_is_told_with_its_spans_and_limits(tmp_path: Path) -> None:
    values = {
        "name": "made for a wagon",
        "axes": {"mass_kg": [2500.0, 6600.0], "rolling_resistance": [0.008, 0.35]},
        "made": {"ambient_degc": 25.0, "altitude_m": 1200.0},
        "protections": {"coolant_full_degc": 80.0, "cruise_extra_torque": True},
        "caution": "A recommendation for test.",
    }
    write_json(tmp_path / "schedule.json", values)
    (section,) = read_contents(tmp_path).sections
    text = words(tell(section))
    assert "mass 2,500 to 6,600 kg; rolling resistance 0.008 to 0.350" in text
    assert "air of 25 °C at 1,200 m" in text
    assert "coolant full 80 °C" in text and "cruise extra torque yes" in text


def test_keys_become_words_and_units() -> None:
    assert words_and_unit("transmission_oil_reduce_degc") == ("transmission oil reduce", "°C")
    assert words_and_unit("axle_torque_n_m") == ("axle torque", "N m")
    assert words_and_unit("speed_m_s") == ("speed", "m/s")
    assert words_and_unit("full_share_time_s") == ("full share time", "s")
    assert words_and_unit("rig") == ("rig", "")
    assert [number(one, 1) for one in (1234.56, -0.04, -3.0, None, float("nan"))] == [
        *("1,234.6", "0.0", "−3.0", "–", "–")
    ]
