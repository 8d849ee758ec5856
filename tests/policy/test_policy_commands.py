"""The commands schedule and advise, and their figures."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from policy_bench import RIG_TABLE
from strategy_bench import assert_same
from test_adviser import drive_and_history
from typer.testing import CliRunner, Result

from loadlearn.cli import app
from loadlearn.commands.common import exceeded_lines
from loadlearn.commands.schedule import OWN_FILES, run_schedule
from loadlearn.demo_drive import demo_files
from loadlearn.errors import InputError, OutputExistsError
from loadlearn.figures.draw_policy import draw_advice
from loadlearn.policy import advise_log
from loadlearn.policy.advice_summary import limit_bars, summarise
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.reason import rig_warnings
from loadlearn.policy.strategy import AXES, SETTINGS
from loadlearn.policy.strategy_file import read_strategy, write_strategy
from loadlearn.policy.strategy_limits import rig_mismatch
from loadlearn.vehicle.rig import Rig

RIG_FILE = Path(__file__).parents[2] / "synthetic_data" / "rigs" / "utility_boat.toml"


def test_schedule_writes_one_strategy_in_three_forms(tmp_path):
    out = tmp_path / "out"
    made = run_schedule(RIG_FILE, out, ambient_degc=35.0)
    assert sorted(path.name for path in out.iterdir()) == sorted(OWN_FILES)
    for name in ("schedule.toml", "schedule.json"):
        assert_same(read_strategy(out / name), made)
    assert made.made["ambient_degc"] == 35.0
    assert made.made["provenance"]["options"] == {"ambient_degc": 35.0, "altitude_m": 0.0}
    assert rig_mismatch(made.rig, Rig.from_toml(RIG_FILE)) == []
    # A spreadsheet's view of the same: a row per point, blank above the ratings.
    table = pd.read_csv(out / "schedule.csv")
    assert list(table.columns) == [*AXES, *SETTINGS]
    assert len(table) == np.prod(made.shape)
    blank = table["power_retention"].isna()
    assert np.array_equal(blank, table["mass_kg"] > Rig.from_toml(RIG_FILE).vehicle.rated_gcm_kg)
    assert blank.any()
    with pytest.raises(OutputExistsError):
        run_schedule(RIG_FILE, out)
    run_schedule(RIG_FILE, out, force=True, figure=False)
    assert not (out / "schedule.png").exists()


@pytest.mark.parametrize("name", ["mine.toml", "mine.json"])
def test_schedule_writes_a_file_alone(tmp_path, name):
    place = tmp_path / "deep" / name
    made = run_schedule(RIG_FILE, place)
    assert [path.name for path in place.parent.iterdir()] == [name]
    assert_same(read_strategy(place), made)
    with pytest.raises(OutputExistsError):
        run_schedule(RIG_FILE, place)
    run_schedule(RIG_FILE, place, force=True)


def test_schedule_of_a_missing_rig_leaves_nothing(tmp_path):
    with pytest.raises(InputError, match="no such rig file"):
        run_schedule(tmp_path / "none.toml", tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.fixture(scope="module")
def advised(rig):
    trace, history = drive_and_history(rig)
    return trace, advise_log(trace, rig, history)


def test_bars_are_when_limits_acted(advised):
    _, advice = advised
    bars = limit_bars(advice)
    acting = advice["active_limits"].str.split(";").explode()
    for name, spans in bars.items():
        total = sum(length for _, length in spans)
        assert total == pytest.approx(0.1 * (acting == name).sum(), abs=0.11)
    assert set(bars) == set(acting.unique()) - {""}


def test_summary_of_the_advice(rig, advised):
    _, advice = advised
    summary = summarise(advice, rig)
    assert summary["at_end"]["reason"] == advice["reason"].iloc[-1]
    assert summary["setting_changes"] == int(advice["setting_changes"].iloc[-1])
    assert 0.0 < summary["seconds_with_extra_torque"] <= 240.0
    assert "rated" in summary["caution"] or "ratings" in summary["caution"]


def test_one_line_per_channel_however_often_its_limit_was_passed():
    times = [(10.0, 20.0, 730.0), (50.0, 54.0, 760.0)]
    cases = [
        {"channel": "gas", "limit": 720.0, "start_s": a, "end_s": b, "peak": peak}
        for a, b, peak in times
    ]
    lines = exceeded_lines([*cases, {**cases[0], "channel": "coolant", "limit": 105.0}])
    assert lines == [
        "gas above 720 2 times between 10 and 54 s, 14 s in all, peak 760",
        "coolant above 105 from 10 s to 20 s, peak 730",
    ]


def test_a_rig_that_can_never_get_extra_torque_is_told():
    table = copy.deepcopy(RIG_TABLE)
    assert rig_warnings(Rig.from_dict(table)) == []
    table["limits"] = {"exhaust_gas_temp_sensor": "none"}
    assert "no exhaust temperature sensor" in rig_warnings(Rig.from_dict(table))[0]
    table["limits"]["exhaust_gas_temp_sensor"] = "none"
    assert "no exhaust temperature sensor" in rig_warnings(Rig.from_dict(table))[0]
    del table["engine"]["uprated"]
    assert len(rig_warnings(Rig.from_dict(table))) == 2


def test_what_is_said_at_the_end_fits_the_figure(rig, advised):
    """A long sentence is wrapped, not cut off at the edge."""
    trace, advice = advised
    long = advice.assign(reason="none now: " + "the load is probably above a rating; " * 8)
    figure = draw_advice(trace, long, rig)
    figure.canvas.draw()
    box = figure._suptitle.get_window_extent()
    assert box.x1 <= figure.bbox.x1 and "\n" in figure._suptitle.get_text()


def test_figures_hold_their_panels(rig, advised):
    trace, advice = advised
    figure = draw_advice(trace, advice, rig)
    labels = [axes.get_ylabel() for axes in figure.axes]
    for label in ("speed (km/h)", "settings (–)", "extra torque (–)", "exhaust gas (°C)", "acting"):
        assert label in labels


# -------------------------------------------------------------- from file to file, as a user does

ROAD = """
name = "a short hill"
seed = 5
[[section]]
length_m = 1500.0
relief = "level"
speed_limit_km_h = 80.0
temperature_degc = 30.0
[[section]]
length_m = 1200.0
relief = "level"
grade_percent = 6.0
speed_limit_km_h = 80.0
temperature_degc = 30.0
"""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def short_drive(tmp_path_factory) -> Path:
    """The first minutes of the shipped drive, in which the load is learnt."""
    demo = demo_files()
    log = pd.read_csv(demo.log, nrows=5000)
    path = tmp_path_factory.mktemp("drive") / "drive.csv"
    log.to_csv(path, index=False)
    return path


def test_schedule_edit_check_diff_compare_advise(tmp_path, short_drive):
    rig = demo_files().rig
    assert run("schedule", "--rig", rig, "--out", tmp_path / "made", "--no-figure").exit_code == 0
    made, mine = tmp_path / "made" / "schedule.toml", tmp_path / "mine"
    mine.mkdir()
    for name in ("schedule.toml", "schedule.csv"):
        (mine / name).write_bytes((tmp_path / "made" / name).read_bytes())

    # In a spreadsheet: half of the extra torque is always kept, and the file is saved with
    # decimal commas.
    table = pd.read_csv(mine / "schedule.csv")
    here = table["power_retention"] < 0.5
    table.loc[here, "power_retention"] = 0.5
    table.to_csv(mine / "schedule.csv", sep=";", decimal=",", index=False)
    edited = mine / "schedule.toml"

    checked = run("check", edited, "--rig", rig)
    assert checked.exit_code == 0 and "0 failed" in checked.output
    told = run("diff", made, edited, "--out", tmp_path / "diff")
    assert told.exit_code == 0
    known = table["power_retention"].notna().sum()
    assert f"power retention: {here.sum()} of {known} cells changed" in told.output
    assert run("diff", made, tmp_path / "made" / "schedule.json").exit_code == 0

    (tmp_path / "road.toml").write_text(ROAD)
    compared = run(
        *("compare", "--rig", rig, "--road", tmp_path / "road.toml", "--out", tmp_path / "runs"),
        *("--draws", 1, "--seed", 3, "--no-figure"),
        *("--strategy", made, "--strategy", edited),
    )
    assert compared.exit_code in (0, 1), compared.output
    rows = pd.read_csv(tmp_path / "runs" / "comparison.csv").set_index("strategy")
    assert list(rows.index[-2:]) == ["schedule", "schedule_2"]
    # What was written is what learnt_load drives; what was edited is not.
    learnt, same = rows.loc["learnt_load"], rows.loc["schedule"]
    pd.testing.assert_series_equal(learnt, same, check_names=False, check_exact=True)
    assert not rows.loc["schedule_2"].equals(same)
    document = json.loads((tmp_path / "runs" / "comparison.json").read_text())
    inputs = document["provenance"]["inputs"]
    assert {"strategy_1", "strategy_1_part_2", "strategy_2", "strategy_2_part_2"} <= set(inputs)

    advice = {}
    for name, options in (
        ("plain", ()),
        ("made", ("--strategy", made)),
        ("edited", ("--strategy", edited)),
        ("weighed", ("--weighed-mass", 5180.0, "--weighed-mass-sd", 40.0)),
    ):
        out = tmp_path / name
        done = run("advise", short_drive, "--rig", rig, "--out", out, "--no-figure", *options)
        assert done.exit_code in (0, 1), done.output
        advice[name] = pd.read_csv(out / "advice.csv")
    pd.testing.assert_frame_equal(advice["plain"], advice["made"], check_exact=True)
    known = advice["edited"]["load_known"] > 0.5
    assert known.any()
    assert (advice["edited"]["retention_asked"] >= 0.5 - 1e-3).all()
    assert (advice["plain"]["retention_asked"] < 0.45).any()
    # What was weighed counts from the start to the end, beside what is learnt.
    weighed, plain = advice["weighed"], advice["plain"]
    assert weighed["mass_kg"].iloc[0] == pytest.approx(5180.0, rel=0.03)
    assert weighed["mass_sd_kg"].iloc[0] < 0.5 * plain["mass_sd_kg"].iloc[0]
    assert weighed["mass_kg"].iloc[-1] == pytest.approx(5180.0, abs=20.0)
    assert weighed["mass_sd_kg"].iloc[-1] < 40.0 < plain["mass_sd_kg"].iloc[-1]
    assert weighed["load_known"].idxmax() <= plain["load_known"].idxmax()
    summary = json.loads((tmp_path / "edited" / "advice.json").read_text())
    assert {"strategy", "strategy_part_2"} <= set(summary["provenance"]["inputs"])
    told = json.loads((tmp_path / "weighed" / "advice.json").read_text())["provenance"]["options"]
    assert told["weighed_mass_kg"] == 5180.0 and told["weighed_mass_sd_kg"] == 40.0


def test_what_advise_cannot_use_is_refused_and_weakened_protections_are_told(tmp_path, short_drive):
    rig = demo_files().rig
    strategy = make_strategy(Rig.from_toml(rig))
    call = ("advise", short_drive, "--rig", rig, "--out", tmp_path / "out", "--no-figure")
    truck = make_strategy(Rig.from_toml(RIG_FILE.with_name("heavy_truck.toml")))
    write_strategy(truck, tmp_path / "truck.toml")
    for options, said in (
        (("--strategy", tmp_path / "truck.toml"), "made for another rig"),
        (("--strategy", tmp_path / "none.toml"), "no such strategy file"),
        (("--weighed-mass", -3.0), "positive mass"),
        (("--weighed-mass-sd", 30.0), "without the mass"),
    ):
        refused = run(*call, *options)
        assert refused.exit_code == 2 and said in refused.stderr
    assert not (tmp_path / "out").exists()
    weak = replace(strategy, protections={"coolant_start_degc": -200.0})
    write_strategy(weak, tmp_path / "weak.toml")
    assert run("check", tmp_path / "weak.toml", "--rig", rig).exit_code == 1
    told = run(*call, "--strategy", tmp_path / "weak.toml")
    assert "coolant_start_degc" in told.output and "weaker" in " ".join(told.output.split())
    summary = json.loads((tmp_path / "out" / "advice.json").read_text())
    assert any("coolant_start_degc" in one for one in summary["warnings"])
