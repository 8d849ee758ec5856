"""What two strategies differ in, and its picture."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategy_bench import GRADE, MASS, ROLLING, SPEED, assert_same, smooth_strategy
from typer.testing import CliRunner, Result

from loadlearn.cli import app
from loadlearn.commands.diff import OWN_FILES
from loadlearn.figures.draw_strategy import draw_diff, draw_strategy
from loadlearn.figures.style import save
from loadlearn.policy.strategy import SETTINGS, Settings, constant
from loadlearn.policy.strategy_check import check_strategy
from loadlearn.policy.strategy_diff import diff_strategies, most_changed, sentences
from loadlearn.policy.strategy_file import read_strategy, strategy_files, write_strategy
from loadlearn.vehicle.rig import Rig

BOAT = Path(__file__).parents[2] / "synthetic_data" / "rigs" / "utility_boat.toml"
ROADS = ROLLING.size * GRADE.size * SPEED.size
CELLS = MASS.size * ROADS


def test_a_strategy_does_not_differ_from_itself():
    diff = diff_strategies(smooth_strategy(), smooth_strategy())
    assert [(one.changed, one.blanked, one.filled) for one in diff.settings] == [(0, 0, 0)] * 3
    assert diff.keys == [] and diff.to_frame().empty
    assert_same(diff.after, smooth_strategy())
    assert all("unchanged" in one for one in sentences(diff))


def test_one_cell_one_key_and_a_blank_are_found_where_they_are():
    before, after = smooth_strategy(), smooth_strategy(protections={"coolant_full_degc": 90.0})
    after.settings["economy"][1, 2, 0, 1] -= 0.25
    after.settings["full_share_time_s"][0, 0, 0, 0] = np.nan
    diff = diff_strategies(before, after)
    retention, time, economy = diff.settings
    assert (retention.changed, economy.changed) == (0, 1)
    assert economy.largest_change == pytest.approx(-0.25)
    assert economy.mean_change == pytest.approx(-0.25 / (CELLS - ROADS))
    assert economy.largest_at == {
        "mass_kg": 3500.0,
        "rolling_resistance": 0.055,
        "grade_percent": -2.0,
        "speed_m_s": 20.0,
    }
    assert economy.after == after.settings["economy"][1, 2, 0, 1]
    # The lightest mass's blank cell is driven as 0: no lighter one to take it from.
    assert (time.blanked, time.filled, time.changed, time.after) == (1, 0, 1, 0.0)
    assert [tuple(one) for one in diff.keys] == [
        ("protections.coolant_full_degc", 85.0, 90.0),
        ("protections.cruise_extra_torque", False, None),
    ]
    frame = diff.to_frame()
    assert frame["mass_kg"].tolist() == [2650.0, 3500.0]
    assert frame["full_share_time_s_after"].isna().tolist() == [True, False]
    (told,) = [one for one in sentences(diff) if one.startswith("economy")]
    assert "1 of 192 cells changed (0.52 %)" in told
    assert "-0.25" in told and "combined mass 3500 kg" in told


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(0.0, 1.0), min_size=2, max_size=5),
    st.lists(st.floats(0.0, 1.0), min_size=2, max_size=5),
)
def test_other_grids_are_compared_at_the_points_of_both(old, new):
    """Over one axis, against numpy's interpolation."""

    def over_mass(values: list[float]):
        one = constant("s", Settings(0.0, 0.0, 0.0))
        one.axes["mass_kg"] = np.linspace(2000.0, 2000.0 + 700.0 * len(values), len(values))
        for name in SETTINGS:
            one.settings[name] = np.array(values).reshape(-1, 1, 1, 1)
        return one

    before, after = over_mass(old), over_mass(new)
    diff = diff_strategies(before, after)
    points = np.union1d(before.axes["mass_kg"], after.axes["mass_kg"])
    change = np.interp(points, after.axes["mass_kg"], new) - np.interp(
        points, before.axes["mass_kg"], old
    )
    economy = diff.settings[2]
    assert economy.cells == points.size
    assert economy.largest_change == pytest.approx(
        change[np.argmax(np.abs(change))], abs=1e-12
    ) or (np.isclose(np.sort(np.abs(change))[-2], np.abs(change).max()))
    assert economy.mean_change == pytest.approx(change.mean(), abs=1e-12)
    assert economy.changed == (np.abs(change) > 1e-9).sum()


def test_a_grid_against_a_constant_is_compared_at_every_point():
    diff = diff_strategies(constant("half", Settings(0.5, 30.0, 0.5)), smooth_strategy())
    assert [one.cells for one in diff.settings] == [CELLS] * 3
    retention = diff.settings[0]
    assert retention.before == 0.5
    assert retention.blanked == ROADS
    assert "axes.mass_kg" in {one.key for one in diff.keys}


def test_between_the_last_cell_and_the_first_blank_one_nothing_is_blank():
    finer = smooth_strategy()
    axes = {**finer.axes, "mass_kg": np.array([2650.0, 3500.0, 4500.0, 6000.0, 6200.0, 6400.0])}
    tables = {name: np.insert(table, 4, table[3], axis=0) for name, table in finer.settings.items()}
    diff = diff_strategies(smooth_strategy(), replace(finer, axes=axes, settings=tables))
    assert [(one.changed, one.blanked, one.filled) for one in diff.settings] == [(0, 0, 0)] * 3


# ------------------------------------------------------------------------------------ pictures


def changed():
    after = smooth_strategy()
    after.settings["power_retention"][1:4, 1:, 2:, 1] += 0.1
    return diff_strategies(smooth_strategy(), after)


def test_the_picture_shows_both_and_a_difference_centred_at_zero(tmp_path):
    diff = changed()
    figure = draw_diff(diff)
    titles = [axes.get_title() for axes in figure.axes]
    assert titles[:3] == [
        "power retention (%): before",
        "power retention (%): after",
        "power retention (%): after less before",
    ]
    assert "full-share time (s): before" in titles
    image = figure.axes[2].get_images()[0]
    assert image.norm.vmin == -image.norm.vmax == pytest.approx(-10.0)
    shown = np.ma.getdata(image.get_array())
    assert np.nanmax(shown) == pytest.approx(10.0) and np.isnan(shown[4]).all()
    assert {text.get_text() for text in figure.axes[2].texts} == {"+10"}
    assert figure.axes[6].get_ylabel() == "combined mass (t)"
    assert figure.axes[6].get_xlabel() == "grade (%)"
    at = most_changed(diff)
    assert f"speed {at['speed_m_s']:g} m/s" in figure.get_suptitle()
    elsewhere = draw_diff(diff, rolling_resistance=0.0085, speed_m_s=11.0)
    assert "rolling resistance 0.008, speed 10 m/s" in elsewhere.get_suptitle()
    assert not elsewhere.axes[2].texts
    for name in ("a.png", "b.png"):
        save(figure, tmp_path / name)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_a_strategy_is_drawn_on_firm_and_on_loose_ground():
    rig = Rig.from_toml(BOAT)
    figure = draw_strategy(smooth_strategy(), rig)
    titles = [axes.get_title() for axes in figure.axes]
    assert titles[0] == "power retention (%)\nsealed, rolling resistance 0.012, speed 27.8 m/s"
    assert titles[3] == "power retention (%)\nsand, rolling resistance 0.12, speed 10 m/s"
    economy = figure.axes[2].get_images()[0].get_array()
    drawn = np.ma.filled(economy, np.nan)
    expected = 100.0 * smooth_strategy().settings["economy"][:, 1, :, 2]
    assert np.allclose(drawn, expected, equal_nan=True)
    said = {text.get_text() for axes in figure.axes for text in axes.texts}
    assert {"GCM", "tow vehicle alone"} <= said
    assert "licensed practice" in figure.get_suptitle()


@pytest.mark.parametrize("axes", [["mass_kg"], ["rolling_resistance", "mass_kg"], []])
def test_a_strategy_of_fewer_axes_is_drawn_too(axes):
    strategy = constant("few", Settings(0.5, 30.0, 0.25))
    for name in axes:
        strategy.axes[name] = smooth_strategy().axes[name]
    for name, table in list(strategy.settings.items()):
        strategy.settings[name] = np.full(strategy.shape, table.item())
    figure = draw_strategy(strategy)
    figure.canvas.draw()
    assert {text.get_text() for text in figure.axes[2].texts} == {"25"}
    label = "rolling resistance (–)" if "rolling_resistance" in axes else "grade (%)"
    assert figure.axes[-1].get_xlabel() == label
    draw_diff(diff_strategies(strategy, constant("other", Settings()))).canvas.draw()


# ------------------------------------------------------------------------------------- command


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [str(one) for one in arguments])


@pytest.fixture
def files(tmp_path):
    """A strategy, and the same edited as a spreadsheet would."""
    rig = Rig.from_toml(BOAT).model_dump(exclude_none=True)
    before, after = tmp_path / "before.toml", tmp_path / "after.toml"
    write_strategy(smooth_strategy(rig=rig), before, table_csv=True)
    table = pd.read_csv(tmp_path / "before.csv", engine="pyarrow").sample(frac=1.0, random_state=1)
    heavy = (table["mass_kg"] >= 4500.0) & table["economy"].notna()
    table.loc[heavy, "economy"] = 0.0
    table.to_csv(tmp_path / "after.csv", index=False, sep=";", decimal=",", encoding="utf-8-sig")
    after.write_text(before.read_text().replace("before.csv", "after.csv"))
    return before, after


def test_from_edit_to_check_to_diff(files, tmp_path):
    before, after = files
    assert check_strategy(read_strategy(after))[0].verdict == "pass"
    assert run("check", after, "--rig", BOAT).exit_code == 0
    done = run("diff", before, after, "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(OWN_FILES)
    assert "power retention: unchanged" in done.stdout and "no other key differs" in done.stdout
    document = json.loads((tmp_path / "out" / "diff.json").read_text())
    economy = document["settings"]["economy"]
    assert 0 < economy["changed"] <= 2 * ROADS
    assert economy["largest_change"] < 0.0 and economy["largest_at"]["mass_kg"] >= 4500.0
    assert set(document["provenance"]["inputs"]) == {
        "before",
        "before_table",
        "after",
        "after_table",
    }
    rows = pd.read_csv(tmp_path / "out" / "diff.csv")
    assert len(rows) == economy["changed"] and (rows["economy_after"] == 0.0).all()
    assert run("diff", before, after, "--out", tmp_path / "out").exit_code == 2
    again = run("diff", before, after, "--out", tmp_path / "out", "--force", "--no-figure")
    assert again.exit_code == 0 and not (tmp_path / "out" / "diff.png").exists()


def test_without_a_folder_it_only_tells(files, tmp_path):
    before, after = files
    there = set(tmp_path.iterdir())
    after.write_text(
        after.read_text().replace("coolant_full_degc = 85.0", "engine_oil_zero_degc = 9")
    )
    done = run("diff", before, after)
    assert done.exit_code == 0 and set(tmp_path.iterdir()) == there
    text = " ".join(done.stdout.split())
    assert "protections.coolant_full_degc 85 –" in text
    assert "protections.engine_oil_zero_degc – 9" in text
    assert strategy_files(after) == [after, after.with_suffix(".csv")]


def test_a_file_that_cannot_be_read_leaves_nothing(files, tmp_path):
    before, _ = files
    done = run("diff", before, tmp_path / "none.toml", "--out", tmp_path / "out")
    assert done.exit_code == 2 and "no such strategy file" in done.stderr
    assert not (tmp_path / "out").exists()
