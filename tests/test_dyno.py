"""Dyno comparison against a simulated dyno whose truth is known."""

from __future__ import annotations

import json
import tomllib

import numpy as np
import pandas as pd
import pytest
from dyno_bench import (
    EFFICIENCY,
    ENGINE_INERTIA_KG_M2,
    RADIUS_M,
    RATIO,
    WHEEL_INERTIA_KG_M2,
    pull,
    steady_torque,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from schema_bench import held_together, part_of

from loadlearn.dyno import (
    ComparisonSettings,
    clean_run,
    compare,
    correction_for,
    read_runs,
    rig_fragment,
)
from loadlearn.dyno.correcting import angular_acceleration, local_line
from loadlearn.dyno.runs import canonical_column, to_canonical
from loadlearn.dyno.stated import read_column_names, read_conditions
from loadlearn.errors import InputError
from loadlearn.vehicle.atmosphere import Correction
from loadlearn.vehicle.rig import Rig

KNOWN = Correction(engine_factor=0.6)
RIG = Rig.from_dict(
    {
        "name": "test rig",
        "vehicle": {
            "mass_kg": 2800.0,
            "tyre_radius_m": RADIUS_M,
            "wheel_inertia_kg_m2": WHEEL_INERTIA_KG_M2,
        },
        "engine": {"displacement_l": 2.8, "inertia_kg_m2": ENGINE_INERTIA_KG_M2},
        "driveline": {
            "gear_ratios": [4.0, 2.4, 1.5, 1.0],
            "final_drive": RATIO,
            "efficiency": EFFICIENCY,
        },
    }
)


def runs(rng, count=1, *, repeat_sd=0.0, **options):
    made = []
    for number in range(count):
        scale = float(np.exp(repeat_sd * rng.standard_normal()))
        table = to_canonical(pull(rng, scale=scale, **options), "bench")
        made.append(clean_run(table, f"run {number + 1}"))
    return made


def status(comparison, subject):
    return next(f for f in comparison.findings if f.subject == subject)


def test_gain_and_engine_torque_are_recovered_through_hot_thin_air():
    rng = np.random.default_rng(1)
    before = runs(rng, 3, spikes=4)
    after = runs(rng, 3, spikes=4, gain=1.3, temperature_degc=35.0, pressure_kpa=95.0)
    comparison = compare(before, after, correction=KNOWN)
    curves = comparison.curves
    np.testing.assert_allclose(curves["gain_percent"], 30.0, atol=0.6)
    rpm = curves["engine_speed_rpm"].to_numpy()
    inside = (rpm > 1500) & (rpm < 4000)
    error = curves["engine_torque_before_n_m"] / steady_torque(rpm) - 1.0
    # Smoothing rounds the sharpest kink of the piecewise-linear truth: change of slope x kernel
    # sd / sqrt(2 pi) = 0.2 x 80 / 2.5 = 6.4 of 380 N m.
    assert np.abs(error[inside]).max() < 0.02
    assert np.abs(error[inside]).median() < 0.003
    # Uncorrected, the weather alone would hide part of the gain.
    raw = next(v for v in comparison.correction["variants"] if v["variant"] == "none")
    assert raw["peak_power_gain_percent"] < 25.5


def test_gain_in_power_and_torque_agree_and_power_is_torque_times_speed():
    rng = np.random.default_rng(2)
    curves = compare(runs(rng), runs(rng, gain=1.2), correction=KNOWN).curves
    omega = curves["engine_speed_rpm"] * np.pi / 30.0
    np.testing.assert_allclose(curves["power_after_kw"], curves["torque_after_n_m"] * omega / 1e3)
    power_gain = curves["gain_power_kw"] / curves["power_before_kw"]
    torque_gain = curves["gain_torque_n_m"] / curves["torque_before_n_m"]
    np.testing.assert_allclose(power_gain, torque_gain, rtol=1e-12)
    np.testing.assert_allclose(100.0 * power_gain, curves["gain_percent"], rtol=1e-9)


def test_intervals_hold_the_truth_as_often_as_they_say():
    """Repeat spread drawn from the belief that the interval states (mean square (1 %)^2)."""
    rng = np.random.default_rng(3)
    trials, hits, hits_peak = 120, 0, 0
    # One pull of each kind, rescaled: the spread between repeats is what is being tested.
    base, better = runs(rng)[0], runs(rng, gain=1.25)[0]
    for _ in range(trials):
        sd = 0.01 / np.sqrt(rng.chisquare(3.0) / 3.0)
        sides = []
        for run in (base, better):
            side = []
            for _ in range(3):
                table = run.table.copy()
                table["torque_n_m"] *= np.exp(sd * rng.standard_normal())
                side.append(type(run)(run.name, table, {}))
            sides.append(side)
        comparison = compare(*sides, correction=KNOWN)
        row = comparison.curves.iloc[len(comparison.curves) // 2]
        low, high = (row[f"gain_{end}95_if_unstated_equal_percent"] for end in ("low", "high"))
        hits += low <= 25.0 <= high
        peak = comparison.peaks["power"]["gain_percent"]["interval95_if_unstated_equal"]
        hits_peak += peak[0] <= 25.0 <= peak[1]
    # Binomial(120, 0.95): both bounds are beyond 2.5 standard deviations.
    assert 0.90 <= hits / trials <= 0.999
    assert 0.90 <= hits_peak / trials <= 0.999


def test_single_runs_are_not_given_the_certainty_of_repeats():
    rng = np.random.default_rng(4)
    single = compare(runs(rng), runs(rng, gain=1.1), correction=KNOWN)
    many = compare(runs(rng, 4), runs(rng, 4, gain=1.1), correction=KNOWN)
    widths = [
        (c.curves["gain_high95_percent"] - c.curves["gain_low95_percent"]).mean()
        for c in (single, many)
    ]
    assert widths[0] > 1.5 * widths[1]
    assert not compare(runs(rng), runs(rng, gain=1.01), correction=KNOWN).gain["real"]
    assert single.gain["observed_repeat_sd_percent"] == {"before": None, "after": None}


def test_spread_of_repeats_is_reported():
    rng = np.random.default_rng(24)
    sides = [runs(rng, 12, repeat_sd=0.02), runs(rng, 12, repeat_sd=0.005)]
    spread = compare(*sides, correction=KNOWN).gain["observed_repeat_sd_percent"]
    # chi-squared with 11 degrees of freedom: the sd is within a factor 0.6 to 1.5.
    assert 1.2 < spread["before"] < 3.0
    assert 0.3 < spread["after"] < 0.75


@settings(max_examples=10, deadline=None)
@given(st.floats(0.5, 2.0))
def test_a_scale_error_common_to_both_sides_drops_out_of_the_gain(scale):
    rng = np.random.default_rng(5)
    before, after = pull(rng), pull(rng, gain=1.2)
    results = []
    for factor in (1.0, scale):
        sides = []
        for table in (before, after):
            scaled = table.assign(tractive_force_n=table["tractive_force_n"] * factor)
            sides.append([clean_run(to_canonical(scaled, "bench"), "run")])
        results.append(compare(*sides, correction=KNOWN).curves["gain_percent"].to_numpy())
    np.testing.assert_allclose(results[0], results[1], atol=1e-6)


def test_quicker_ramp_fakes_a_loss_that_the_rig_gives_back():
    rng = np.random.default_rng(6)
    before = runs(rng, 2, rpm_per_s=150.0, inertia=True)
    after = runs(rng, 2, rpm_per_s=500.0, inertia=True)
    bare = compare(before, after, correction=KNOWN)
    mended = compare(before, after, correction=KNOWN, rig=RIG)
    assert bare.gain["mean_over_engine_speed"]["gain_percent"] < -4.0
    assert abs(mended.gain["mean_over_engine_speed"]["gain_percent"]) < 0.5
    finding = status(bare, "ramp rate")
    assert finding.status == "differs"
    assert finding.faked_gain_percent < -2.0


def test_another_gear_slip_and_an_open_converter_are_noticed():
    rng = np.random.default_rng(7)
    plain = runs(rng, 2)
    assert status(compare(plain, runs(rng, 2)), "gear").status == "alike"
    assert status(compare(plain, runs(rng, 2, ratio=1.4 * RATIO)), "gear").status == "differs"

    slipping = pull(rng)
    slipping["speed_kmh"] *= 0.97
    slip = status(compare(plain, [clean_run(to_canonical(slipping, "x"), "x")]), "tyre slip")
    assert slip.status == "differs"
    assert slip.faked_gain_percent == pytest.approx(-3.0, abs=0.3)

    loose = pull(rng)
    loose["speed_kmh"] *= np.interp(loose["engine_speed_rpm"], [1200, 3000], [0.8, 1.0])
    found = status(compare(plain, [clean_run(to_canonical(loose, "x"), "x")]), "converter lock-up")
    assert found.status == "differs"


def test_what_is_not_stated_is_asked_for_and_widens_the_interval():
    rng = np.random.default_rng(8)
    before, after = runs(rng, 2), runs(rng, 2)
    silent = compare(before, after, correction=KNOWN)
    asked = {f.subject for f in silent.findings if f.status == "not stated"}
    assert asked == {"tyre pressure", "roller inertia", "heat soak", "order of runs"}
    for run in [*before, *after]:
        run.stated |= {
            "tyre_pressure_kpa": 260.0,
            "roller_inertia_kg_m2": 90.0,
            "roller_inertia_counted": 1.0,
        }
        run.table["coolant_temp_degc"] = 88.0
        run.started = pd.Timestamp("2024-05-01T10:00Z")
    told = compare(before, after, correction=KNOWN)
    assert not [f for f in told.findings if f.status != "alike"]
    for name in ("low", "high"):
        total = told.curves[f"gain_{name}95_percent"]
        alike = told.curves[f"gain_{name}95_if_unstated_equal_percent"]
        np.testing.assert_allclose(total, alike)
        wide = silent.curves[f"gain_{name}95_percent"] - silent.curves["gain_percent"]
        assert (wide.abs() > (total - told.curves["gain_percent"]).abs()).all()
    after[0].stated["tyre_pressure_kpa"] = 350.0
    after[1].table["coolant_temp_degc"] = 60.0
    changed = compare(before, after, correction=KNOWN)
    assert {f.subject for f in changed.findings if f.status == "differs"} == {
        "tyre pressure",
        "heat soak",
    }


def test_unknown_engine_factor_costs_certainty_only_when_the_weather_changed():
    rng = np.random.default_rng(9)
    before = runs(rng)
    same = compare(before, runs(rng))
    hotter = compare(before, runs(rng, temperature_degc=36.0))
    assert same.gain["correction_sd_percent"] < 0.05
    assert hotter.gain["correction_sd_percent"] > 0.8


def test_without_barometer_nothing_is_corrected_and_it_says_so():
    rng = np.random.default_rng(10)
    table = to_canonical(pull(rng), "x").drop(columns="ambient_pressure_kpa")
    comparison = compare(runs(rng), [clean_run(table, "x")])
    assert not comparison.correction["applied"]
    assert any("nothing was corrected" in w for w in comparison.warnings)
    assert status(comparison, "atmosphere").status == "not stated"


@pytest.mark.parametrize(
    ("column", "scale"),
    [
        ("fuel_rate_g_s", 1.0),
        # Diesel of 835 kg/m3; 4 cylinders: mg = g/s x 30 000 x 4 / (4 x rpm), at 3400 rpm.
        ("fuel_rate_l_h", 3600.0 / 835.0),
        ("fuel_mg_per_stroke", 30_000.0 / 3400.0),
    ],
)
def test_logged_fuelling_and_boost_give_the_engine_factor(column, scale):
    rng = np.random.default_rng(11)
    tables = []
    for _ in range(2):
        raw = pull(rng)
        shape = 1.0 if column == "fuel_mg_per_stroke" else raw["engine_speed_rpm"] / 3400.0
        table = to_canonical(raw.assign(**{column: 9.0 * scale * shape}), "x")
        table["boost_kpa"] = 1.4 * table["ambient_pressure_kpa"]
        tables.append([clean_run(table, "x")])
    side = compare(*tables, rig=RIG).correction["sides"]["before"]
    assert side["engine_factor_from"] == "fuelling"
    assert side["engine_factor"] == pytest.approx(0.5617, abs=1e-3)


def test_cleaning_keeps_the_pull_and_counts_the_rest():
    rng = np.random.default_rng(12)
    run = runs(rng, spikes=6)[0]
    speed = run.table["engine_speed_rpm"].to_numpy()
    assert speed.min() > 1250.0
    assert speed.max() > 4100.0
    assert np.diff(speed).min() > -40.0
    truth = EFFICIENCY * steady_torque(speed)
    assert np.abs(run.table["torque_n_m"] / truth - 1.0).max() < 0.05
    assert run.removed["spike"] >= 5
    assert run.removed["outside_the_pull"] > 40


@pytest.mark.parametrize(
    ("column", "unit_scale"),
    [("tractive_power_hp", 745.6998715822702), ("tractive_power_kw", 1e3), ("tractive_power_w", 1)],
)
def test_any_load_channel_gives_the_same_torque(column, unit_scale):
    rng = np.random.default_rng(13)
    table = pull(rng)
    power = table["tractive_force_n"] * table["speed_kmh"] / 3.6
    plain = clean_run(to_canonical(table, "x"), "x").table["torque_n_m"]
    other = table.drop(columns="tractive_force_n").assign(**{column: power / unit_scale})
    np.testing.assert_allclose(
        clean_run(to_canonical(other, "x"), "x").table["torque_n_m"], plain, rtol=1e-9
    )
    omega = table["engine_speed_rpm"] * np.pi / 30.0
    referred = table.drop(columns="tractive_force_n").assign(
        **{"engine_referred_torque [lbf·ft]": power / omega / 1.3558179483314004}
    )
    np.testing.assert_allclose(
        clean_run(to_canonical(referred, "x"), "x").table["torque_n_m"], plain, rtol=1e-9
    )


def test_a_wrong_power_unit_gives_itself_away():
    rng = np.random.default_rng(14)
    table = pull(rng)
    # Horsepower written under a kilowatt heading: 1 kW = 1.341 hp.
    power = table["tractive_force_n"] * table["speed_kmh"] / 3.6 / 745.7
    run = clean_run(to_canonical(table.assign(tractive_power_kw=power), "x"), "x")
    assert run.power_torque_ratio == pytest.approx(1.341, abs=1e-3)
    comparison = compare([run], runs(rng))
    assert any("horsepower" in w for w in comparison.warnings)


def test_engine_speed_from_the_roller():
    rng = np.random.default_rng(15)
    table = pull(rng)
    plain = compare([clean_run(to_canonical(table, "x"), "x")], runs(rng), correction=KNOWN)
    blind = to_canonical(table.drop(columns="engine_speed_rpm"), "x")
    with pytest.raises(InputError, match="no engine speed"):
        clean_run(blind, "x")
    run = clean_run(blind.assign(overall_ratio=RATIO, tyre_radius_m=RADIUS_M), "x")
    again = compare([run], runs(rng), correction=KNOWN)
    shared = plain.curves.merge(again.curves, on="engine_speed_rpm")
    ratio = shared["torque_before_n_m_x"] / shared["torque_before_n_m_y"]
    np.testing.assert_allclose(ratio, 1.0, atol=0.02)


def test_rig_fragment_reads_as_a_rig():
    rng = np.random.default_rng(16)
    comparison = compare(runs(rng, 2), runs(rng, 2, gain=1.3), correction=KNOWN)
    text, notes = rig_fragment(comparison)
    engine = tomllib.loads(text)["engine"]
    table = RIG.model_dump(exclude_none=True)
    table["engine"] |= engine
    rig = Rig.from_dict(table)
    assert rig.engine.full_load_torque(2500.0, 0.0) == pytest.approx(430.0, rel=0.02)
    assert rig.engine.full_load_torque(2500.0, 1.0) == pytest.approx(1.3 * 430.0, rel=0.02)
    assert notes["raised_points_rpm"] == []
    # A weaker second side is lifted to the first, and said so: a rig may not hold it otherwise.
    text, notes = rig_fragment(compare(runs(rng), runs(rng, gain=0.9), correction=KNOWN))
    engine = tomllib.loads(text)["engine"]
    assert engine["uprated"]["full_load_torque_n_m"] == engine["full_load_torque_n_m"]
    assert len(notes["raised_points_rpm"]) == len(engine["full_load_rpm"])


def test_tyre_loss_raises_engine_torque_but_not_wheel_torque():
    rng = np.random.default_rng(17)
    before, after = runs(rng), runs(rng)
    plain = compare(before, after, correction=KNOWN).curves
    loss = compare(
        before, after, correction=KNOWN, settings=ComparisonSettings(tyre_loss_n=200.0)
    ).curves
    extra = loss["engine_torque_before_n_m"] - plain["engine_torque_before_n_m"]
    np.testing.assert_allclose(extra, 200.0 * RADIUS_M / RATIO / EFFICIENCY, rtol=0.02)
    np.testing.assert_allclose(loss["torque_before_n_m"], plain["torque_before_n_m"], rtol=2e-3)


def engine_of(**keys):
    table = RIG.model_dump(exclude_none=True)
    table["engine"] = {
        k: v for k, v in table["engine"].items() if k in ("displacement_l", "inertia_kg_m2")
    }
    table["engine"] |= keys
    return Rig.from_dict(table)


def test_the_correction_follows_the_rig_s_fuel():
    """ISO 1585 (from memory): spark (99/pd)^1.2 (T/298)^0.6, compression fa^fm with another fa."""
    spark = Correction(ignition="spark")
    rng = np.random.default_rng(31)
    weather = {"temperature_degc": 32.0, "pressure_kpa": 96.0}
    made = {"correction": spark, "engine_factor": None, "noise": 0.0, "inertia": True}
    before, after = runs(rng, **made), runs(rng, gain=1.258, **made, **weather)
    petrol, diesel = (compare(before, after, rig=engine_of(fuel=f)) for f in ("petrol", "diesel"))
    assert petrol.correction["parameters"]["ignition"] == "spark"
    assert petrol.correction["sources"]["ignition"] == "rig"
    assert petrol.peaks["power"]["gain_percent"]["mean"] == pytest.approx(25.8, abs=0.3)
    assert diesel.peaks["power"]["gain_percent"]["mean"] < 24.5
    assert diesel.correction["parameters"]["ignition"] == "compression"
    # By hand, 95.9 kPa dry less the vapour of 50 % at 32 degC (steam table 4.76 kPa, from memory).
    dry = 96.0 - 0.5 * 4.76
    factor = (99.0 / dry) ** 1.2 * (305.15 / 298.0) ** 0.6
    assert petrol.correction["sides"]["after"]["factor_mean"] == pytest.approx(factor, rel=2e-3)


def test_the_correction_follows_the_rig_s_aspiration():
    rng = np.random.default_rng(32)
    before, after = runs(rng), runs(rng)
    free = compare(before, after, rig=engine_of(aspiration="naturally_aspirated"))
    assert free.correction["parameters"]["aspiration"] == "natural"
    assert "not boosted" in free.correction["basis"][0]
    usual = compare(before, after, rig=engine_of())
    assert usual.correction["parameters"]["aspiration"] == "turbocharged"


def test_what_the_correction_takes_for_granted_is_said():
    rng = np.random.default_rng(33)
    before, after = runs(rng), runs(rng)
    said = compare(before, after).correction["basis"]
    assert "compression ignition, turbocharged (ASSUMED" in said[0]
    assert any("holds none" in one for one in said) and any("fm 0.75" in one for one in said)
    correction, sources = correction_for(engine_of(fuel="petrol"), standard="sae_j1349")
    sae = compare(before, after, correction=correction, correction_sources=sources)
    # 1.18 = 1 / 0.85 to its two decimals: that is the mechanical efficiency in the formula.
    assert round(1.0 / 0.85, 2) == 1.18 and round(0.15 / 0.85, 2) == 0.18
    assert any("mechanical efficiency ASSUMED, 85 %" in s for s in sae.correction["basis"])
    assert any("driveline efficiency 90 %" in one for one in said)
    # What is stated wins over the rig, and where they differ it is said.
    correction, sources = correction_for(engine_of(fuel="petrol"), "compression")
    other = compare(
        before,
        after,
        correction=correction,
        correction_sources=sources,
        rig=engine_of(fuel="petrol"),
    )
    assert correction.ignition == "compression"
    assert any("the rig's engine burns petrol" in w for w in other.warnings)
    with pytest.raises(InputError, match="spark"):
        correction_for(None, "sparks")


def test_the_fragment_says_where_it_ends():
    rng = np.random.default_rng(34)
    curve = {"full_load_rpm": [900, 2000, 4800], "full_load_torque_n_m": [200, 430, 250]}
    comparison = compare(runs(rng), runs(rng, gain=1.2), correction=KNOWN, rig=engine_of(**curve))
    text, notes = rig_fragment(comparison)
    engine = tomllib.loads(text)["engine"]
    low, high = notes["measured_rpm"]
    # Nothing is given that was not driven: the bench pulls from 1200 to 4200 rpm.
    assert 1200.0 <= low == engine["full_load_rpm"][0]
    assert engine["full_load_rpm"][-1] == high <= 4200.0
    (warning,) = notes["warnings"]
    assert f"{low:g} to {high:g} rpm" in warning and "900, 4800 rpm" in warning
    comment = " ".join(line[2:] for line in text.splitlines() if line.startswith("#"))
    assert warning in comment


def test_local_line_is_exact_on_a_line_and_its_sd_is_right():
    rng = np.random.default_rng(18)
    x = np.linspace(1000.0, 4000.0, 400)
    grid = np.arange(1200.0, 3800.0, 50.0)
    value, _ = local_line(x, 3.0 + 0.01 * x, grid, 80.0)
    np.testing.assert_allclose(value, 3.0 + 0.01 * grid, rtol=1e-9)
    fits, sds = zip(
        *(local_line(x, rng.standard_normal(x.size), grid, 80.0) for _ in range(200)), strict=True
    )
    assert np.std(fits) == pytest.approx(np.mean(sds), rel=0.1)


def test_errors_that_follow_one_another_widen_the_local_line():
    """First-order errors of 0.6: the variance of a mean is (1 + 0.6)/(1 - 0.6) times as large.

    That is the textbook's effective sample size (Bartlett, 1946, from memory).
    """
    rng = np.random.default_rng(23)
    x = np.linspace(1000.0, 4000.0, 1200)
    grid = np.arange(1200.0, 3800.0, 50.0)
    fits, sds = [], []
    for _ in range(60):
        # Started as it goes on.
        error = np.empty(x.size)
        error[0] = rng.standard_normal() / np.sqrt(1.0 - 0.6**2)
        for row in range(1, x.size):
            error[row] = 0.6 * error[row - 1] + rng.standard_normal()
        value, sd = local_line(x, error, grid, 80.0)
        fits.append(value)
        sds.append(sd)
    assert np.std(fits) == pytest.approx(np.mean(sds), rel=0.1)


def test_angular_acceleration_of_a_ramp_with_uneven_stamps():
    rng = np.random.default_rng(19)
    time = np.sort(rng.uniform(0.0, 10.0, 300))
    np.testing.assert_allclose(angular_acceleration(time, 5.0 + 21.0 * time), 21.0, rtol=1e-6)


def test_angular_acceleration_is_the_line_through_the_window():
    """numpy's polynomial fit to what lies within 0.3 s on either side, three samples at least."""
    rng = np.random.default_rng(24)
    time = np.sort(rng.uniform(0.0, 6.0, 120))
    omega = 200.0 + 30.0 * np.sin(2.0 * time) + rng.standard_normal(time.size)
    found = angular_acceleration(time, omega)
    for row in range(5, time.size - 5):
        inside = np.abs(time - time[row]) <= 0.3
        assert inside.sum() >= 3
        expected = np.polyfit(time[inside], omega[inside], 1)[0]
        assert found[row] == pytest.approx(expected, rel=1e-6)


def test_files_with_repeats_conditions_and_foreign_headers(tmp_path):
    rng = np.random.default_rng(20)
    both = pd.concat([pull(rng).assign(run=label) for label in ("a", "b")])
    both.to_csv(tmp_path / "two.csv", index=False)
    third = pull(rng).rename(columns={"tractive_force_n": "Force"})
    third["Force"] /= 1e3
    third.to_csv(tmp_path / "third.csv.gz", index=False, sep=";")
    channels = tmp_path / "channels.toml"
    channels.write_text('[channels]\ntractive_force_n = { column = "Force", unit = "kN" }\n')
    conditions = tmp_path / "conditions.toml"
    conditions.write_text(
        "[both]\ntyre_pressure_psi = 38\n[before]\ncoolant_temp_degf = [190, 191, 192]\n"
    )
    before, after = read_conditions(conditions)
    assert after == {"tyre_pressure_psi": 38}
    names = f"{tmp_path / 'two.csv'},{tmp_path / 'third.csv.gz'}"
    read = read_runs(names, before, columns=read_column_names(channels))
    assert [run.name for run in read] == ["two.csv run a", "two.csv run b", "third.csv.gz"]
    assert read[0].stated["tyre_pressure_kpa"] == pytest.approx(262.0, abs=0.1)
    assert read[2].table["coolant_temp_degc"].iloc[0] == pytest.approx(88.9, abs=0.1)
    levels = [run.table["torque_n_m"].median() for run in read]
    np.testing.assert_allclose(levels, levels[0], rtol=0.01)


@pytest.mark.parametrize(
    ("header", "canonical", "unit"),
    [
        ("Power [PS]", "tractive_power_kw", "PS"),
        ("wheel_power_hp", "tractive_power_kw", "hp"),
        ("Torque (lb-ft)", "engine_referred_torque_n_m", "lbf·ft"),
        ("Force (kN)", "tractive_force_n", "kN"),
        ("wheel torque [Nm]", "axle_torque_n_m", "N·m"),
        ("Humidity (%)", "relative_humidity_percent", "%"),
        ("Barometric pressure (mbar)", "ambient_pressure_kpa", "mbar"),
        ("baro [inHg]", "ambient_pressure_kpa", "inHg"),
        ("ambient_temperature_degf", "ambient_temp_degc", "degF"),
        ("torque_converter_state", None, ""),
        ("power", None, ""),
        ("Force sensor temp", None, ""),
    ],
)
def test_headers_of_printed_sheets(header, canonical, unit):
    meaning = canonical_column(header)
    assert (meaning and meaning[0]) == canonical
    assert meaning is None or meaning[1].symbol == unit


def test_a_column_that_does_not_say_where_is_told(tmp_path):
    sheet = pull(np.random.default_rng(21))
    named = sheet.assign(power_kw=sheet["tractive_force_n"] * sheet["speed_kmh"] / 3600.0)
    named.drop(columns="tractive_force_n").to_csv(tmp_path / "sheet.csv", index=False)
    sheet.to_csv(tmp_path / "log.csv", index=False)
    (told,), (plain,) = read_runs(tmp_path / "sheet.csv"), read_runs(tmp_path / "log.csv")
    assert any("'power_kw'" in note and "at the wheels" in note for note in told.notes)
    assert not any("does not say" in note for note in plain.notes)
    levels = [run.table["torque_n_m"].median() for run in (told, plain)]
    assert levels[0] == pytest.approx(levels[1], rel=1e-6)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.drop(columns="tractive_force_n"), "no usable load channel"),
        (lambda t: t.rename(columns={"speed_kmh": "speed_furlong"}), "no known unit"),
        (lambda t: t.assign(ambient_pressure_hpa=5.0), "row 2: 0.5 .* is impossible"),
        (lambda t: t.assign(time_s=-t["time_s"]), "time runs backwards at sample 2"),
        (
            lambda t: t.assign(time_s=t["time_s"].where(t.index < 30, t["time_s"] - 9.0)),
            "time runs backwards at sample 31",
        ),
        (lambda t: t.iloc[:50], "samples of a rising pull"),
        (
            lambda t: t.drop(columns="time_s").sample(frac=1.0, random_state=3),
            "sort them by engine",
        ),
        (lambda t: t.iloc[:0], "no rows"),
        (lambda t: t.assign(tractive_force_n=0.0), "zero or negative"),
        (lambda t: t.assign(tractive_force_n=-t["tractive_force_n"]), "zero or negative"),
        (lambda t: t.assign(run=np.nan), "'run' is empty"),
        (lambda t: t.assign(tractive_force_n="much"), "'much' is not a number"),
    ],
)
def test_bad_files_get_one_sentence(tmp_path, change, message):
    path = tmp_path / "run.csv"
    change(pull(np.random.default_rng(21))).to_csv(path, index=False)
    with pytest.raises(InputError, match=message) as caught:
        read_runs(path)
    assert "\n" not in str(caught.value)


def test_a_file_that_breaks_off_within_a_row_is_refused(tmp_path):
    path = tmp_path / "run.csv"
    pull(np.random.default_rng(24)).to_csv(path, index=False)
    whole = path.read_text()
    cut = whole.rindex(",", 0, len(whole) // 2)
    path.write_text(whole[:cut])
    with pytest.raises(InputError, match=r"last row ends after [1-6] of 7 columns"):
        read_runs(path)
    # Without the last line's end alone, everything is there.
    path.write_text(whole.rstrip("\n"))
    assert len(read_runs(path)) == 1


@pytest.mark.parametrize("falling", [False, True])
def test_a_printed_sheet_is_a_curve_not_a_log(tmp_path, falling):
    # Every 250 rpm, as printed; no time. The same atmosphere on both sides.
    rpm = np.arange(1250.0, 4200.0, 250.0)
    for name, gain in (("before", 1.0), ("after", 1.22)):
        power = EFFICIENCY * steady_torque(rpm, gain) * rpm * np.pi / 30.0 / 735.49875
        sheet = pd.DataFrame({"engine_speed_rpm": rpm, "tractive_power_ps": power.round(1)})
        sheet[:: -1 if falling else 1].to_csv(tmp_path / f"{name}.csv", index=False)
    before, after = (read_runs(tmp_path / f"{name}.csv") for name in ("before", "after"))
    comparison = compare(before, after, correction=KNOWN)
    curves = comparison.curves
    # Rounding to a tenth of a PS, and the kernel across bends of the curve.
    np.testing.assert_allclose(curves["gain_percent"], 22.0, atol=0.3)
    assert comparison.peaks["torque"]["before"]["value_n_m"] == pytest.approx(
        EFFICIENCY * 430.0, rel=0.01
    )
    assert any("printed sheet" in warning for warning in comparison.warnings)
    few = pd.read_csv(tmp_path / "before.csv").iloc[:5]
    few.to_csv(tmp_path / "few.csv", index=False)
    with pytest.raises(InputError, match="5 samples .* take more points"):
        read_runs(tmp_path / "few.csv")


def test_runs_that_hardly_overlap_are_refused():
    rng = np.random.default_rng(22)
    low, high = runs(rng)[0], runs(rng)[0]
    low.table = low.table[low.table["engine_speed_rpm"] < 2400].reset_index(drop=True)
    high.table = high.table[high.table["engine_speed_rpm"] > 2300].reset_index(drop=True)
    with pytest.raises(InputError, match="share only"):
        compare([low], [high])


def test_every_unit_of_a_quantity_is_told_when_one_is_unknown():
    assert canonical_column("ambient_pressure_inhg")[1].symbol == "inHg"
    assert canonical_column("operator") is None
    with pytest.raises(InputError, match="hPa"):
        canonical_column("ambient_pressure")


def test_command_writes_everything_or_nothing(tmp_path):
    from typer.testing import CliRunner

    from loadlearn.cli import app

    rng = np.random.default_rng(23)
    pull(rng).to_csv(tmp_path / "before.csv", index=False)
    pull(rng, gain=1.3).to_csv(tmp_path / "after.csv", index=False)
    out = tmp_path / "out"
    arguments = ["dyno", str(tmp_path / "before.csv"), str(tmp_path / "after.csv")]
    arguments += ["--out", str(out)]
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 0, done.output
    for said in ("ASSUMED", "mechanical efficiency", "WARNING: full_load.toml holds"):
        assert said in done.output
    names = sorted(path.name for path in out.iterdir())
    assert names == ["dyno.csv", "dyno.json", "dyno.png", "full_load.toml"]
    result = json.loads((out / "dyno.json").read_text())
    assert result["peaks"]["power"]["gain_percent"]["mean"] == pytest.approx(30.0, abs=1.5)
    table = pd.read_csv(out / "dyno.csv")
    assert len(table) > 40
    held_together(part_of("dyno", "dyno.csv"), set(table.columns))
    assert result["correction"]["sources"]["ignition"] == "assumed"
    assert result["correction"]["basis"]
    assert any(w.startswith("full_load.toml holds") for w in result["warnings"])
    assert "# WARNING: full_load.toml holds" in (out / "full_load.toml").read_text()
    again = CliRunner().invoke(app, arguments)
    assert again.exit_code == 2
    same = f"{arguments[1]},{arguments[1]}"
    twice = CliRunner().invoke(app, ["dyno", same, arguments[1], "--out", str(out), "--force"])
    assert twice.exit_code == 0, twice.output
    warnings = json.loads((out / "dyno.json").read_text())["warnings"]
    for said in ("both before and after", "a copy is no repeat"):
        assert sum(said in warning for warning in warnings) == 1
    missing = CliRunner().invoke(app, [*arguments[:2], "none.csv", "--out", str(tmp_path / "no")])
    assert missing.exit_code == 2
    assert not (tmp_path / "no").exists()
