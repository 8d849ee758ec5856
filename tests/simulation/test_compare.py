"""Comparing strategies: what is measured, how differences are judged, what the command leaves."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from loadlearn.cli import app
from loadlearn.errors import InputError
from loadlearn.figures.draw_comparison import draw_pareto, draw_traces, looks
from loadlearn.simulation.comparison import Comparison, compare_strategies, prepare_draw, run_draw
from loadlearn.simulation.comparison_notes import comparison_notes
from loadlearn.simulation.outcomes import (
    PASSING_GAIN_M,
    PASSING_LONGEST_S,
    QUANTITIES,
    _passing_time,
    limits_exceeded,
    measure,
)
from loadlearn.simulation.paired_differences import gain_ratio, interval95, paired, pairs, summarise
from loadlearn.simulation.road import random_road
from loadlearn.simulation.roadfile import read_road
from loadlearn.simulation.situation import (
    STOPPING_M,
    Situation,
    climbs,
    passing_places,
    situation,
)
from loadlearn.simulation.strategies import built_in, run_strategy
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2

RIGS = Path(__file__).resolve().parents[2] / "synthetic_data" / "rigs"
# Warm weather, a rise of the limit, then a hill; short, so that the test is.
ROAD = """
name = "a hill"
seed = 5
[[section]]
length_m = 900.0
relief = "level"
speed_limit_km_h = 60.0
temperature_degc = 30.0
[[section]]
length_m = 2600.0
relief = "level"
speed_limit_km_h = 90.0
temperature_degc = 30.0
[[section]]
length_m = 2000.0
relief = "level"
grade_percent = 7.0
speed_limit_km_h = 90.0
temperature_degc = 30.0
"""


@pytest.fixture(scope="module")
def road_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("road") / "hill.toml"
    path.write_text(ROAD)
    return path


@pytest.fixture(scope="module")
def hill(utility: Rig, road_file: Path) -> Situation:
    return situation(utility, read_road(road_file), 5700.0)


@pytest.fixture(scope="module")
def compared(hill: Situation) -> Comparison:
    return compare_strategies(hill, draws=3, seed=2)


def test_climbs_of_a_road_drawn_by_hand() -> None:
    road = random_road(1, 10_000.0, "level", stops=[])
    grade = np.zeros(road.distance_m.size)
    at = road.distance_m
    grade[(at >= 2000.0) & (at < 3500.0)] = 5.0
    grade[(at >= 3600.0) & (at < 4500.0)] = 4.0  # a short ease does not end a climb
    grade[(at >= 6000.0) & (at < 6150.0)] = 8.0  # too short
    grade[at >= 8000.0] = 2.0  # too gentle
    found = climbs(replace(road, grade_percent=grade))
    assert len(found) == 1
    assert found[0].start_m == pytest.approx(2000.0, abs=110.0)
    assert found[0].end_m == pytest.approx(4500.0, abs=110.0)


def test_passing_by_constant_acceleration() -> None:
    # From 20 m/s with 0.5 m/s2 against 20 m/s: the gain is t^2/4 (worked by hand).
    time = np.arange(0.0, 100.0, 0.02)
    distance = 1000.0 + 20.0 * time + 0.25 * time**2
    expected = np.sqrt(PASSING_GAIN_M / 0.25)
    assert _passing_time(time, distance, 1000.0, 20.0) == pytest.approx(expected, abs=0.021)
    # One that is never passed counts with the longest time, not as nothing.
    assert _passing_time(time, 1000.0 + 20.0 * time, 1000.0, 20.0) == PASSING_LONGEST_S
    assert np.isnan(_passing_time(time, distance, 1e6, 20.0))


def test_places_to_pass_are_where_the_limit_rises(hill: Situation) -> None:
    assert passing_places(hill.road) == ((900.0, pytest.approx(60.0 / 3.6)),)


def test_intervals_are_those_of_the_paired_t_test() -> None:
    from scipy.stats import ttest_rel

    rng = np.random.default_rng(4)
    common = rng.normal(100.0, 20.0, 9)
    one, other = common + rng.normal(3.0, 1.0, 9), common + rng.normal(0.0, 1.0, 9)
    table = pd.DataFrame(
        {
            "draw": np.tile(np.arange(9), 2),
            "strategy": ["a"] * 9 + ["b"] * 9,
            "x": np.concatenate([one, other]),
        }
    )
    # scipy's own paired test is the oracle.
    reference = ttest_rel(one, other).confidence_interval(0.95)
    ours = interval95(paired(table, "x", "a", "b"))
    assert ours["interval95"] == pytest.approx([reference.low, reference.high])
    # Unpaired, the spread of the draws would hide it.
    assert ours["interval95"][0] > 0.0 and one.std(ddof=1) > 10.0
    assert np.isnan(interval95([3.0])["interval95"]).all()
    assert interval95([np.nan, np.nan])["n"] == 0


def test_share_of_a_gain() -> None:
    rng = np.random.default_rng(5)
    base = rng.normal(100.0, 10.0, 20)
    gain = rng.uniform(8.0, 12.0, 20)
    frames = {"base": base, "known_load": base + gain, "learnt_load": base + 0.9 * gain}
    table = pd.concat(
        pd.DataFrame({"draw": np.arange(20), "strategy": name, "x": values})
        for name, values in frames.items()
    )
    ratio = gain_ratio(table, "x")
    assert ratio["mean"] == pytest.approx(0.9)
    assert ratio["interval95"] == pytest.approx([0.9, 0.9])
    # No gain to have a share of: no number.
    table.loc[table["strategy"] == "known_load", "x"] = base + rng.normal(0.0, 1.0, 20)
    assert np.isnan(gain_ratio(table, "x")["mean"])


def test_quantities_hang_together(hill: Situation, compared: Comparison) -> None:
    table = compared.table
    # The vehicle comes to rest at the road's end: the climb ends before it slows down.
    assert hill.climbs[0].end_m == hill.road.length_m - STOPPING_M
    assert len(table) == 15 and (table["driven_to_the_end"] == 1.0).all()
    climb = hill.climbs[0]
    length = climb.end_m - climb.start_m
    rise = length * 0.07 / np.hypot(1.0, 0.07)
    # Work at the tread on the climb: at least the rise in energy less what speed gave up.
    least = hill.combined_mass_kg * (GRAVITY_M_S2 * rise - 0.5 * (90.0 * 1.1 / 3.6) ** 2)
    work = 1e3 * table["climb_power_kw"] * table["climb_time_s"]
    assert (work > least).all() and (work < 2.5 * least).all()
    assert table["fuel_l_per_100km"].between(15.0, 150.0).all()
    assert (length / table["climb_time_s"]).between(5.0, 28.0).all()
    base = table[table["strategy"] == "base"].set_index("draw")
    fixed = table[table["strategy"] == "fixed_share"].set_index("draw")
    assert (base["climb_extra_torque_share"] == 0.0).all()
    used = fixed["climb_extra_torque_share"] > 0.05
    assert used.any()
    assert (fixed["climb_time_s"] < base["climb_time_s"])[used].all()


def test_draws_differ_and_strategies_of_a_draw_share_them(
    hill: Situation, compared: Comparison
) -> None:
    again = compare_strategies(replace(hill, compared=hill.compared[:1]), draws=3, seed=2)
    base = compared.table[compared.table["strategy"] == "base"].reset_index(drop=True)
    pd.testing.assert_frame_equal(again.table, base)
    assert base["fuel_l_per_100km"].nunique() == 3
    assert base["tractive_scale"].nunique() == 3


def test_held_back_by_the_ratings(utility: Rig, road_file: Path) -> None:
    # A load above GCM, known exactly: the ceiling is 0 all along. Well below, it is never there.
    known = built_in(utility)[-1]
    for mass, share in ((6400.0, 1.0), (5000.0, 0.0)):
        what = situation(utility, read_road(road_file), mass)
        table = compare_strategies(replace(what, compared=(known,)), draws=1).table
        assert table["ratings_held_back"].item() == pytest.approx(share, abs=1e-9)
        assert share == 0.0 or table["climb_extra_torque_share"].item() == 0.0


def test_summary(compared: Comparison) -> None:
    summary = summarise(compared)
    differences = {
        (one["of"], one["minus"], one["quantity"]): one for one in summary["paired_differences"]
    }
    for quantity in QUANTITIES:
        one = differences["learnt_load", "known_load", quantity]
        low, high = one["interval95"]
        if one["n"] > 1:
            assert low <= one["mean"] <= high
    means = {name: entry["climb_time_s"]["mean"] for name, entry in summary["strategies"].items()}
    assert differences["short_pull", "base", "climb_time_s"]["mean"] == pytest.approx(
        means["short_pull"] - means["base"]
    )


def test_over_its_limit_is_seen(utility: Rig, hill: Situation) -> None:
    limits = utility.limits.model_copy(update={"exhaust_gas_temp_degc": 450.0})
    strict = replace(hill, rig=utility.model_copy(update={"limits": limits}))
    prepared, logger = prepare_draw(strict, 0, 1, 2)
    run = run_strategy(strict.rig, prepared, logger, strict.compared[0])
    found = {one["channel"]: one for one in limits_exceeded(run, strict)}
    hot = found["exhaust_gas_temp_degc"]
    assert hot["limit"] == 450.0 and hot["longest_s"] > 2.0 and hot["peak"] > 450.0
    values = measure(run, strict)
    assert values["seconds_over_gas_limit"] >= values["longest_10k_over_gas_limit_s"] > 2.0


def test_the_median_and_the_worst_draw_are_drawn(compared: Comparison) -> None:
    summary = summarise(compared)
    # Make the two differ whatever this plant does: the figure draws what the summary names.
    draws = {"median": 0, "worst": 2}
    for which, draw in draws.items():
        summary["drawn_in_figure"][which]["draw"] = draw
    summary["drawn_in_figure"]["worst"]["quantity"] = "coolant_temp_degc"
    figure = draw_traces(compared, summary)
    panels = np.array(figure.axes).reshape(-1, 2)
    labels = [axes.get_ylabel().replace("\n", " ") for axes in panels[:, 0]]
    assert labels == [
        "altitude (m)",
        "speed (km/h)",
        "lead over base (s)",
        "share of the extra torque in use",
        "exhaust gas before the turbine (°C)",
        "coolant (°C)",
    ]
    strategies = [run.label for run in compared.runs]
    table = compared.table.set_index(["draw", "strategy"])
    climb = compared.what.climbs[-1]
    for column, draw in enumerate(draws.values()):
        lead = panels[2, column].lines
        assert len(panels[1, column].lines) == len(strategies) == len(lead)
        assert np.nanmax(np.abs(lead[0].get_ydata())) < 1e-9  # base over itself
        # What is gained by the end of the climb is what the climb's time says, to the second.
        line = lead[strategies.index("known_load")]
        ends = np.interp([climb.start_m / 1e3, climb.end_m / 1e3], *line.get_data())
        told = table.loc[(draw, "base"), "climb_time_s"]
        told -= table.loc[(draw, "known_load"), "climb_time_s"]
        assert ends[1] - ends[0] == pytest.approx(told, abs=1.0)
    # One and the same draw is drawn once.
    summary["drawn_in_figure"]["worst"]["draw"] = 0
    assert len(draw_traces(compared, summary).axes) == 6
    panels = draw_pareto(compared, summary).axes
    assert [axes.get_xlabel() for axes in panels] == [
        "time on climbs (s)",
        "time on climbs (s), less that of base",
    ]


def test_the_draws_that_stand_for_all(compared: Comparison) -> None:
    summary = summarise(compared)
    chosen = summary["drawn_in_figure"]
    times = compared.table.groupby("draw")["climb_time_s"].mean()
    assert times[chosen["median"]["draw"]] == times.median()
    worst = min(
        (row for row in summary["sheet"] if row["quantity"] != "gear_change_torque"),
        key=lambda row: row["margin"] / row["limit"],
    )
    assert chosen["worst"]["draw"] == worst["worst_draw"]
    assert worst["words"] in chosen["worst"]["words"]


def test_strategies_of_any_name_are_held_against_the_others() -> None:
    own = ("base", "fixed_share", "learnt_load", "mine", "other file")
    found = pairs(own)
    assert {of for of, minus in found if minus == "base"} == set(own) - {"base"}
    assert ("mine", "fixed_share") in found and ("learnt_load", "mine") in found
    assert ("other file", "mine") in found and ("mine", "other file") not in found
    assert not any("short_pull" in pair or "known_load" in pair for pair in found)
    assert pairs(("mine",)) == ()


def test_strategies_of_any_name_are_drawn_and_told(hill: Situation, tmp_path: Path) -> None:
    base, fixed, *_ = hill.compared
    own = tuple(replace(fixed, name=name, in_words=name) for name in ("mine", "another"))
    result = compare_strategies(replace(hill, compared=(base, *own)), draws=2, seed=2)
    summary = summarise(result)
    assert {(one["of"], one["minus"]) for one in summary["paired_differences"]} == {
        *(("mine", "base"), ("another", "base"), ("another", "mine"))
    }
    # Alike but for the name: no difference at all.
    same = [one for one in summary["paired_differences"] if one["minus"] == "mine"]
    assert all(one["mean"] == 0.0 for one in same if one["n"])
    look = looks(result)
    assert len({one.colour for one in look.values()}) == 3
    assert len({one.marker for one in look.values()}) == 3
    draw_pareto(result, summary), draw_traces(result, summary)
    # Without base there is nothing to be less than, and still an answer.
    alone = summarise(compare_strategies(replace(hill, compared=own[:1]), draws=1))
    assert alone["paired_differences"] == []
    assert {row["less_base"] for row in alone["results"]} == {None}


def test_results_tell_gear_changes_and_differences(compared: Comparison) -> None:
    summary = summarise(compared)
    rows = {(row["strategy"], row["quantity"]): row for row in summary["results"]}
    one = rows["learnt_load", "gear_change_torque_n_m"]
    expected = interval95(
        paired(compared.table, "gear_change_torque_n_m", "learnt_load", "fixed_share")
    )
    assert one["less_fixed_share"]["mean"] == pytest.approx(expected["mean"])
    assert rows["base", "climb_time_s"]["less_base"] is None


def test_traces_hold_every_drive(compared: Comparison) -> None:
    traces = compared.traces
    sizes = traces.groupby(["draw", "strategy"], observed=True).size()
    table = compared.table.set_index(["draw", "strategy"])
    assert set(sizes.index) == set(table.index)
    # A row a second, and the same drive: distance and consumption agree with the table.
    assert (sizes - table["trip_time_s"]).abs().max() <= 1.0
    ends = traces.groupby(["draw", "strategy"], observed=True)["distance_m"].max()
    assert (ends - table["distance_m"]).abs().max() < 2.0
    burnt = traces.groupby(["draw", "strategy"], observed=True)["fuel_rate_g_s"].sum()
    density = compared.what.rig.engine.fuel_density_kg_m3
    assert ((burnt / density) / table["fuel_l"]).between(0.97, 1.03).all()
    learnt = traces[traces["strategy"] == "learnt_load"].groupby("draw").last()
    told = 100.0 * (learnt["learnt_mass_kg"] / learnt["mass_kg"] - 1.0)
    of = table.xs("learnt_load", level="strategy")["mass_error_percent"]
    np.testing.assert_allclose(told, of, atol=0.05)


def test_rigs_on_one_road_meet_the_same_draws(hill: Situation, utility: Rig) -> None:
    draggy = utility.vehicle.model_copy(
        update={"drag_area_m2": 1.2 * utility.vehicle.drag_area_m2, "drag_area_sd_m2": 0.3}
    )
    other = replace(hill, rig=utility.model_copy(update={"vehicle": draggy}), rig_name="draggy")
    for draw in range(2):
        one, its_logger = prepare_draw(hill, draw, 2, 5)
        two, logger = prepare_draw(other, draw, 2, 5)
        np.testing.assert_array_equal(one.noise, two.noise)
        np.testing.assert_array_equal(its_logger.noise, logger.noise)
        quantiles = [
            (prepared.drawn["drag_area_m2"] - rig.vehicle.drag_area_m2)
            / rig.vehicle.drag_area_sd_m2
            for prepared, rig in ((one, utility), (two, other.rig))
        ]
        assert quantiles[0] == pytest.approx(quantiles[1])
        same = {"wind_m_s", "temperature_degc", "tractive_scale", "acceleration_m_s2"}
        assert {k: one.drawn[k] for k in same} == {k: two.drawn[k] for k in same}


def test_rigs_are_compared_draw_by_draw(hill: Situation, utility: Rig) -> None:
    few = replace(hill, compared=hill.compared[:2])
    twin = replace(few, rig_name="twin")
    ratios = utility.driveline.model_copy(update={"final_drive": 1.1 * 3.91})
    short = replace(few, rig=utility.model_copy(update={"driveline": ratios}), rig_name="short")
    result = compare_strategies([few, twin, short], draws=2, seed=2)
    assert set(result.table["rig"]) == {utility.name, "twin", "short"}
    summary = summarise(result)
    found = {
        (one["of"], one["minus"], one["quantity"]): one for one in summary["paired_differences"]
    }
    for name in ("base", "fixed_share"):
        pair = (f"twin: {name}", f"{utility.name}: {name}")
        told = [one for key, one in found.items() if key[:2] == pair and one["n"]]
        # The same rig under another name differs in nothing.
        assert told and all(one["mean"] == 0.0 for one in told)
        fuel = found[f"short: {name}", f"{utility.name}: {name}", "fuel_l_per_100km"]
        assert fuel["n"] == 2 and fuel["mean"] != 0.0
    assert ("twin: fixed_share", "twin: base", "fuel_l_per_100km") in found
    assert {row["rig"] for row in summary["sheet"]} == set(summary["rigs"])
    assert summary["share_of_known_gain"] == {}
    lines = {one.line for one in looks(result).values()}
    assert len(lines) == 3
    assert len(draw_traces(result, summary).axes) in (5, 6, 10, 12)
    with pytest.raises(InputError, match="a name of its own"):
        compare_strategies([few, few], draws=1)


def test_a_weighed_mass_is_told_and_is_not_the_truth(
    hill: Situation, utility: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = situation(utility, hill.road, 5700.0, weighed_mass_kg=5200.0)
    assert told.combined_mass_kg == 5700.0 and told.weighed == (5200.0, 52.0)
    exact = situation(utility, hill.road, 5700.0, weighed_mass_kg=5200.0, weighed_mass_sd_kg=10.0)
    assert exact.weighed == (5200.0, 10.0)
    assert hill.weighed is None
    given: list[object] = []

    def driven(*arguments: object, **options: object) -> object:
        given.append(options.get("weighed"))
        return run_strategy(*arguments)

    monkeypatch.setattr("loadlearn.simulation.comparison.run_strategy", driven)
    for what in (hill, exact):
        run_draw(replace(what, compared=what.compared[:1]), 0, 1)
    assert given == [None, (5200.0, 10.0)]
    for mass, sd in ((None, 20.0), (-1.0, None), (5200.0, 0.0)):
        with pytest.raises(InputError, match="weighed mass"):
            situation(utility, hill.road, 5700.0, weighed_mass_kg=mass, weighed_mass_sd_kg=sd)


def test_notes_say_why_nothing_differs(compared: Comparison) -> None:
    assert not any("exhaust" in note or "no climb" in note for note in comparison_notes(compared))
    what, table = compared.what, compared.table
    limits = what.rig.limits.model_copy(update={"exhaust_gas_temp_sensor": "none"})
    blind = (replace(what, rig=what.rig.model_copy(update={"limits": limits}), climbs=()),)
    hot = table.assign(longest_10k_over_gas_limit_s=30.0, driven_to_the_end=0.0)
    notes = "; ".join(comparison_notes(replace(compared, whats=blind, table=hot)))
    for said in ("no climb", "no exhaust gas temperature sensor", "base calibration alone"):
        assert said in notes
    assert "learnt_load: " in notes and "did not reach the end" in notes


def test_a_load_above_its_ratings_is_told_and_never_the_default(
    compared: Comparison, utility: Rig
) -> None:
    what = replace(compared.what, combined_mass_kg=utility.vehicle.rated_gcm_kg + 300.0)
    notes = "; ".join(comparison_notes(replace(compared, whats=(what,))))
    assert "above rated_gcm_kg (6,000 kg)" in notes and "above rated_towing_kg" in notes
    held = compared.table.assign(ratings_held_back=0.4)
    notes = "; ".join(comparison_notes(replace(compared, table=held)))
    assert "learnt_load: for 40 % of the time" in notes and "above rated" not in notes
    road = compared.what.road
    assert situation(utility, road).combined_mass_kg == pytest.approx(5400.0)
    weak = utility.vehicle.model_copy(update={"rated_towing_kg": 1500.0})
    tow = situation(utility.model_copy(update={"vehicle": weak}), road)
    assert tow.combined_mass_kg == pytest.approx(2650.0 + 1350.0)
    with pytest.raises(InputError, match="the rig alone weighs 2,650 kg"):
        situation(utility, road, 2000.0)


def test_a_road_that_cannot_be_driven_is_refused(utility: Rig, tmp_path: Path) -> None:
    path = tmp_path / "wall.toml"
    path.write_text("[[section]]\nlength_m = 600\ngrade_percent = 58\nground = 'soft_sand'\n")
    with pytest.raises(InputError, match="too steep or too soft"):
        compare_strategies(situation(utility, read_road(path), 5700.0), draws=1)


def test_command(road_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    call = ["compare", "--rig", str(RIGS / "utility_boat.toml"), "--road", str(road_file)]
    call += ["--out", str(out), "--draws", "2", "--seed", "2", "--mass", "5700"]
    done = CliRunner().invoke(app, call)
    assert done.exit_code in (0, 1), done.output
    assert {path.name for path in out.iterdir()} == {
        "comparison.csv",
        "comparison.json",
        "comparison_pareto.png",
        "comparison_traces.png",
        "sheet.csv",
        "traces.parquet",
    }
    document = json.loads((out / "comparison.json").read_text())
    failed = [row for row in document["sheet"] if row["verdict"] == "fail"]
    assert (done.exit_code == 1) == bool(document["limits_exceeded"] or failed)
    sheet = pd.read_csv(out / "sheet.csv")
    assert len(sheet) == len(document["sheet"]) == 5 * 10
    assert set(sheet["verdict"]) <= {"pass", "fail", "flag", "not met"}
    traces = pd.read_parquet(out / "traces.parquet")
    assert traces.groupby(["draw", "strategy"], observed=True).ngroups == 10
    # However narrow the place: every row of the sheet is printed with its verdict.
    printed = [line for line in done.output.splitlines() if line.rstrip().endswith(" pass")]
    assert len(printed) == sum(row["verdict"] == "pass" for row in document["sheet"])
    for words in ("sheet of limits", "gearbox oil, at most", "less fixed share"):
        assert words in done.output
    assert document["provenance"]["seeds"] == {"seed": 2} and document["draws"] == 2
    table = pd.read_csv(out / "comparison.csv")
    assert set(table["strategy"]) == set(document["strategies"]) and len(table) == 10
    assert "learnt" in done.output
    refused = CliRunner().invoke(app, call)
    assert refused.exit_code == 2
    first = (out / "comparison.csv").read_bytes()
    assert CliRunner().invoke(app, [*call, "--force", "--no-figure"]).exit_code == done.exit_code
    assert (out / "comparison.csv").read_bytes() == first
    assert not (out / "comparison_traces.png").exists()


def test_a_failing_row_is_status_1_and_two_rigs_are_told_apart(
    road_file: Path, tmp_path: Path
) -> None:
    text = (RIGS / "utility_boat.toml").read_text()
    # The road's base engine alone is hotter than this: the stock vehicle breaks its limit.
    strict = tmp_path / "strict.toml"
    strict.write_text(text + "\n[limits]\ncoolant_reduce_degc = 82.0\ncoolant_zero_degc = 84.0\n")
    out = tmp_path / "out"
    call = ["compare", "--rig", str(RIGS / "utility_boat.toml"), "--rig", str(strict)]
    call += ["--road", str(road_file), "--out", str(out), "--draws", "1", "--seed", "2"]
    call += ["--mass", "5700", "--every", "5", "--mdf", "--no-figure"]
    done = CliRunner().invoke(app, call)
    assert done.exit_code == 1, done.output
    document = json.loads((out / "comparison.json").read_text())
    # Both files carry the same name inside; the files' names tell them apart.
    assert document["rigs"] == ["utility_boat", "strict"]
    failed = {
        row["strategy"]
        for row in document["sheet"]
        if row["quantity"] == "coolant_temp_degc" and row["verdict"] == "fail"
    }
    assert "strict: base" in failed and not any("utility" in one for one in failed)
    assert set(document["provenance"]["inputs"]) == {"rig", "rig_2", "road"}
    assert "strict less utility_boat in the same draw" in done.output
    traces = pd.read_parquet(out / "traces.parquet")
    assert set(np.diff(traces["time_s"].to_numpy()[:20]).round(6)) == {5.0}
    page = tmp_path / "page"
    assert CliRunner().invoke(app, ["report", str(out)]).exit_code == 0
    html = (out / "report.html").read_text()
    assert "FAIL" in html and "strict: coolant, at most 84.0 °C" in html
    assert "paired differences from the base" not in html and not page.exists()
    from asammdf import MDF

    with MDF(out / "traces.mf4") as mdf:
        assert len(mdf.groups) == 10
        named = [group.channel_group.acq_name for group in mdf.groups]
        group = named.index("draw 0, strategy strict: learnt_load")
        speed = mdf.get("speed_m_s", group=group)
    of = traces[(traces["strategy"] == "strict: learnt_load")]
    assert speed.unit == "m/s"
    np.testing.assert_allclose(speed.samples, of["speed_m_s"])
    np.testing.assert_allclose(speed.timestamps, of["time_s"])


def test_what_cannot_be_compared_is_refused(road_file: Path, tmp_path: Path, utility: Rig) -> None:
    with pytest.raises(InputError, match=r"engine\.uprated"):
        engine = utility.engine.model_copy(update={"uprated": None})
        situation(utility.model_copy(update={"engine": engine}), read_road(road_file))
    with pytest.raises(InputError, match="positive mass"):
        situation(utility, read_road(road_file), -3.0)
    missing = ["compare", "--rig", str(RIGS / "utility_boat.toml"), "--road", "no_such_road.toml"]
    done = CliRunner().invoke(app, [*missing, "--out", str(tmp_path / "out")])
    assert done.exit_code == 2 and not (tmp_path / "out").exists()
