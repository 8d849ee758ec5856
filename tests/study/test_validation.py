"""Validation: what a manifest asks is judged, honestly counted, and one bad row costs no other."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from loadlearn.errors import InputError
from loadlearn.study.honesty import bland_altman
from loadlearn.study.validation import read_manifest, validate_manifest
from loadlearn.vehicle.rig import Rig

RIG = """
name = "test rig"
[vehicle]
mass_kg = 2850.0
tyre_radius_m = 0.387
[engine]
displacement_l = 3.0
[driveline]
gear_ratios = [4.0, 2.0, 1.0]
final_drive = 3.7
"""


def fake_learn(trace: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Estimates by formula: the mean tells how many samples were seen, and the log's fuelling."""
    count = np.arange(1, len(trace) + 1, dtype=float)
    mass = 5000.0 + count + 1000.0 * trace["fuel_rate_g_s"].to_numpy()
    return pd.DataFrame(
        {
            "time_s": trace["time_s"],
            "mass_kg": mass,
            "mass_sd_kg": 50.0,
            "mass_sd_given_scale_kg": 20.0,
            "mass_given_scale_kg": mass + 10.0,
            "mass_low95_kg": mass - 100.0,
            "mass_high95_kg": mass + 110.0,
        }
    )


def write_log(path: Path, fuel: float = 0.0, start_s: float = 0.0) -> None:
    time = start_s + np.arange(101) / 10.0
    pd.DataFrame(
        {
            "time_s": time,
            "speed_m_s": 15.0 + np.sin(time),
            "fuel_rate_g_s": fuel + 0.0 * time,
            "grade_percent": np.sin(time / 5.0),
        }
    ).to_csv(path, index=False)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text(RIG)
    write_log(tmp_path / "a.csv", 0.1)
    write_log(tmp_path / "b.csv", 0.2, start_s=100.0)
    return tmp_path


def manifest(place: Path, text: str) -> Path:
    path = place / "manifest.csv"
    path.write_text(text)
    return path


def test_columns_order_and_definitions(place: Path) -> None:
    path = manifest(place, "log,rig,mass_kg\na.csv,rig.toml,5000\nb.csv,rig.toml,5400\n")
    table = validate_manifest(path, learn=fake_learn).table
    assert list(table.columns) == [
        *("log", "group", "at_s", "mass_kg", "estimated_kg", "sd_kg", "sd_given_scale_kg"),
        *("low95_kg", "high95_kg", "error_percent", "z", "inside95", "error"),
    ]
    first, second = table.iloc[0], table.iloc[1]
    estimated = 5000.0 + 101.0 + 100.0
    assert first["estimated_kg"] == estimated
    assert first["error_percent"] == pytest.approx(100.0 * (estimated - 5000.0) / 5000.0)
    assert first["z"] == pytest.approx((estimated - 5000.0) / 50.0)
    assert (first["low95_kg"], first["high95_kg"]) == (estimated - 100.0, estimated + 110.0)
    assert (first["inside95"], second["inside95"]) == (0, 1)
    assert second["error"] == ""


def test_interval_ends_are_inside(place: Path) -> None:
    low, high = 5201.0 - 100.0, 5201.0 + 110.0
    path = manifest(
        place,
        "log,rig,mass_kg\n"
        + "".join(f"a.csv,rig.toml,{mass}\n" for mass in (low, high, high + 1.0)),
    )
    assert validate_manifest(path, learn=fake_learn).table["inside95"].tolist() == [1, 1, 0]


def test_judged_at_an_instant_from_samples_up_to_it(place: Path) -> None:
    path = manifest(
        place,
        "log,rig,mass_kg,at_s\n"
        "b.csv,rig.toml,5000,105.04\nb.csv,rig.toml,5000,110\nb.csv,rig.toml,5000,\n"
        "b.csv,rig.toml,5000,100\n",
    )
    table = validate_manifest(path, learn=fake_learn).table
    assert (table["estimated_kg"] - 5200.0).tolist() == [51.0, 101.0, 101.0, 1.0]
    assert table["at_s"].isna().tolist() == [False, False, True, False]


@pytest.mark.parametrize("at_s", ["99.9", "110.1", "-5"])
def test_an_instant_outside_the_log_fails_its_row_only(place: Path, at_s: str) -> None:
    path = manifest(
        place, f"log,rig,mass_kg,at_s\nb.csv,rig.toml,5000,{at_s}\nb.csv,rig.toml,5000,\n"
    )
    result = validate_manifest(path, learn=fake_learn)
    assert "outside the log, which runs from 100 to 110 s" in result.table["error"].iloc[0]
    assert result.table["estimated_kg"].isna().tolist() == [True, False]
    assert (result.summary["overall"]["n"], result.summary["failed"]) == (1, 1)


def test_missing_logs_and_faults_stay_as_rows(place: Path) -> None:
    (place / "empty.csv").write_text("")
    path = manifest(
        place,
        "log,rig,mass_kg\nnone.csv,rig.toml,5000\nempty.csv,rig.toml,5000\n"
        "a.csv,none.toml,5000\na.csv,rig.toml,5000\n",
    )
    result = validate_manifest(path, learn=fake_learn)
    errors = result.table["error"].tolist()
    assert "no such log" in errors[0] and "empty" in errors[1] and "no such rig" in errors[2]
    assert errors[3] == ""

    def faulty(trace: pd.DataFrame, rig: Rig) -> pd.DataFrame:
        raise ZeroDivisionError("by nought")

    result = validate_manifest(path, learn=faulty)
    assert "fault of loadlearn itself" in result.table["error"].iloc[3]
    assert result.summary["overall"]["n"] == 0
    assert result.summary["overall"]["rmse_percent"] is None


def test_given_the_scale(place: Path) -> None:
    path = manifest(
        place, "log,rig,mass_kg,tractive_scale\na.csv,rig.toml,5300,1.02\na.csv,rig.toml,5300,\n"
    )
    result = validate_manifest(path, learn=fake_learn)
    table = result.table
    assert list(table.columns)[-4:] == [
        *("error_given_scale_percent", "z_given_scale", "inside95_given_scale", "error")
    ]
    # The estimate given the scale is the implied mass times the scale, and so is its sd.
    implied = 5201.0 + 10.0
    assert table["error_given_scale_percent"].iloc[0] == pytest.approx(
        100.0 * (implied * 1.02 - 5300.0) / 5300.0
    )
    z = (implied * 1.02 - 5300.0) / (20.0 * 1.02)
    assert table["z_given_scale"].iloc[0] == pytest.approx(z)
    assert table["inside95_given_scale"].tolist()[0] == int(abs(z) <= stats.norm.ppf(0.975))
    assert math.isnan(table["z_given_scale"].iloc[1])
    overall = result.summary["overall"]
    assert (overall["n"], overall["n_given_scale"]) == (2, 1)
    assert overall["rms_z_given_scale"] == pytest.approx(abs(z))


def test_statistics_against_numpy(place: Path) -> None:
    masses = [4900.0, 5100.0, 5190.0, 5205.0, 5300.0, 5500.0]
    lines = [f"a.csv,rig.toml,{mass},{'xy'[i % 2]}\n" for i, mass in enumerate(masses)]
    path = manifest(place, "log,rig,mass_kg,group\n" + "".join(lines))
    summary = validate_manifest(path, learn=fake_learn).summary
    error = 100.0 * (5201.0 - np.array(masses)) / np.array(masses)
    z = (5201.0 - np.array(masses)) / 50.0
    assert summary["overall"]["rmse_percent"] == pytest.approx(np.sqrt(np.mean(error**2)))
    assert summary["overall"]["bias_percent"] == pytest.approx(error.mean())
    assert summary["overall"]["rms_z"] == pytest.approx(np.sqrt(np.mean(z**2)))
    assert summary["overall"]["coverage50"] == pytest.approx(
        np.mean(np.abs(z) <= stats.norm.ppf(0.75))
    )
    assert summary["overall"]["coverage95"] == pytest.approx(
        np.mean([5101.0 <= mass <= 5311.0 for mass in masses])
    )
    assert list(summary["groups"]) == ["x", "y"]
    assert summary["groups"]["y"]["bias_percent"] == pytest.approx(error[1::2].mean())
    assert [summary["groups"][name]["n"] for name in "xy"] == [3, 3]


def test_rows_of_one_log_share_the_work(place: Path) -> None:
    calls = []

    def counting(trace: pd.DataFrame, rig: Rig) -> pd.DataFrame:
        calls.append(len(trace))
        return fake_learn(trace, rig)

    path = manifest(
        place,
        "log,rig,mass_kg,at_s\na.csv,rig.toml,5000,\na.csv,rig.toml,5100,10\n"
        "a.csv,rig.toml,5100,5\n./a.csv,rig.toml,5200,5\n",
    )
    validate_manifest(path, learn=counting)
    assert sorted(calls) == [51, 101]


def test_worker_processes_change_nothing(place: Path) -> None:
    path = manifest(
        place, "log,rig,mass_kg\na.csv,rig.toml,5000\nnone.csv,rig.toml,1\nb.csv,rig.toml,5400\n"
    )
    alone = validate_manifest(path, learn=fake_learn)
    done: list[tuple[int, int]] = []
    shared = validate_manifest(
        path, learn=fake_learn, jobs=2, on_done=lambda k, n: done.append((k, n))
    )
    pd.testing.assert_frame_equal(alone.table, shared.table)
    assert alone.summary == shared.summary
    assert done == [(0, 3), (1, 3), (2, 3), (3, 3)]


def test_trajectories_only_where_one_mass_holds_all_along(place: Path) -> None:
    path = manifest(
        place,
        "log,rig,mass_kg,at_s\na.csv,rig.toml,5000,\na.csv,rig.toml,5000,5\n"
        "b.csv,rig.toml,5000,105\nb.csv,rig.toml,2850,\n",
    )
    lines = validate_manifest(path, learn=fake_learn).trajectories
    assert len(lines) == 1
    assert lines[0].time_s[-1] == pytest.approx(10.0)
    assert lines[0].error_percent[-1] == pytest.approx(100.0 * 201.0 / 5000.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("log,rig,mass_kg\n", "no rows"),
        ("log,rig\na,b\n", "no column 'mass_kg'"),
        ("log,log,rig,mass_kg\na,a,b,1\n", "two columns 'log'"),
        ("log,rig,mass_kg\na,b,heavy\n", "line 2.*'heavy'.*positive number"),
        ("log,rig,mass_kg\na,b,-1\n", "line 2.*'-1'"),
        ("log,rig,mass_kg\na,b,nan\n", "line 2"),
        ("log,rig,mass_kg\na,b,\n", "'mass_kg' is empty"),
        ("log,rig,mass_kg\n,b,1\n", "'log' is empty"),
        ("log,rig,mass_kg\na,b\n", "2 fields where the header has 3"),
        ("log,rig,mass_kg,at_s\na,b,1,soon\n", "'at_s' is 'soon'; give a number"),
        ("log,rig,mass_kg,tractive_scale\na,b,1,0\n", "'tractive_scale' is '0'"),
        ('log,rig,mass_kg\n"a,b,1\n', "not a readable CSV"),
    ],
)
def test_a_manifest_that_cannot_be_used_is_one_sentence(
    tmp_path: Path, text: str, said: str
) -> None:
    path = tmp_path / "manifest.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=said) as caught:
        read_manifest(path)
    assert "\n" not in str(caught.value) and "manifest.csv" in str(caught.value)


def test_a_manifest_may_have_more_columns_and_blank_lines(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_bytes(b"\xef\xbb\xbflog , rig,mass_kg,note\r\n\r\na.csv,r.toml, 5000 ,x\r\n")
    rows = read_manifest(path)
    assert [(row.line, row.log.name, row.mass_kg, row.group) for row in rows] == [
        (3, "a.csv", 5000.0, "")
    ]


def test_no_such_manifest(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such manifest"):
        read_manifest(tmp_path / "m.csv")


def many(place: Path, masses: list[float], vehicles: list[str]) -> Path:
    lines = [f"a.csv,rig.toml,{m},{v}\n" for m, v in zip(masses, vehicles, strict=True)]
    return manifest(place, "log,rig,mass_kg,vehicle\n" + "".join(lines))


def test_intervals_resample_vehicles_not_rows(place: Path) -> None:
    """Against the cluster-robust standard error of a mean (statsmodels)."""
    import statsmodels.api as sm

    rng = np.random.default_rng(11)
    vehicles = np.repeat(np.arange(30), 6)
    masses = 5200.0 + 150.0 * rng.normal(size=30)[vehicles] + 30.0 * rng.normal(size=180)
    names = [f"vehicle {one}" for one in vehicles]
    overall = validate_manifest(many(place, list(masses), names), learn=fake_learn).summary[
        "overall"
    ]
    assert (overall["n"], overall["vehicles"]) == (180, 30)
    error = 100.0 * (5201.0 - masses) / masses
    model = sm.OLS(error, np.ones(180))
    clustered = model.fit(cov_type="cluster", cov_kwds={"groups": vehicles}).bse[0]
    naive = model.fit().bse[0]
    low, high = overall["interval95"]["bias_percent"]
    # A bootstrap of 4000 gives a half-width to a few per cent; rows as independent gave half of it.
    assert (high - low) / 2.0 == pytest.approx(1.96 * clustered, rel=0.08)
    assert clustered > 2.0 * naive
    # The same rows without the column are those of one rig, and nothing is said.
    text = (place / "manifest.csv").read_text().replace("vehicle", "note", 1)
    alone = validate_manifest(manifest(place, text), learn=fake_learn).summary["overall"]
    assert (alone["vehicles"], alone["interval95"]) == (1, {})
    assert alone["bias_percent"] == pytest.approx(overall["bias_percent"])


def test_limits_of_agreement_in_per_cent_of_the_mean(place: Path) -> None:
    masses = [4900.0, 5100.0, 5190.0, 5205.0, 5300.0]
    path = many(place, masses, list("aabbc"))
    result = validate_manifest(path, learn=fake_learn)
    difference = 100.0 * (5201.0 - np.array(masses)) / (0.5 * (5201.0 + np.array(masses)))
    found = bland_altman(difference, np.zeros(5))
    assert result.summary["overall"]["difference_low95_percent"] == pytest.approx(found.low)
    assert result.summary["overall"]["difference_high95_percent"] == pytest.approx(found.high)
    assert result.table["vehicle"].tolist() == list("aabbc")
    names = list(result.table.columns)
    assert names[names.index("vehicle") - 1] == "group"


def test_the_same_manifest_gives_the_same_intervals(place: Path) -> None:
    path = many(place, [5000.0, 5100.0, 5300.0], list("abc"))
    first, second = (validate_manifest(path, learn=fake_learn).summary for _ in range(2))
    assert first == second and first["estimator"] == "fake_learn"


def test_estimators_by_name(place: Path) -> None:
    path = many(place, [5000.0], ["a"])
    with pytest.raises(InputError, match="estimator 'guess' is unknown; use one of loadlearn, pla"):
        validate_manifest(path, learn="guess")
    result = validate_manifest(path, learn="rls_one_factor")
    assert result.summary["estimator"] == "rls_one_factor"
    assert (result.table["error"] == "").all() and result.table["estimated_kg"].notna().all()
