"""The commands schedule and advise, and their figures."""

from __future__ import annotations

import copy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from policy_bench import RIG_TABLE
from strategy_bench import assert_same
from test_adviser import drive_and_history

from loadlearn.commands.advise import summarise
from loadlearn.commands.common import exceeded_lines
from loadlearn.commands.schedule import OWN_FILES, run_schedule
from loadlearn.errors import InputError, OutputExistsError
from loadlearn.figures.draw_policy import draw_advice, limit_bars
from loadlearn.policy import advise_log
from loadlearn.policy.reason import rig_warnings
from loadlearn.policy.strategy import AXES, SETTINGS
from loadlearn.policy.strategy_file import read_strategy
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
