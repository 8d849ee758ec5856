"""Roads: spectrum, consistency of grade and altitude, grounds, files and their faults."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loadlearn.errors import InputError
from loadlearn.simulation.road import (
    GRID_M,
    GROUND_NAMES,
    RELIEFS,
    Segment,
    Stop,
    hills,
    random_road,
)
from loadlearn.simulation.roadfile import read_road

ROADS = Path(__file__).parents[2] / "synthetic_data" / "roads"


@settings(max_examples=15, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    kind=st.sampled_from(sorted(RELIEFS)),
    length=st.floats(2_000.0, 30_000.0),
)
def test_altitude_is_the_integral_of_grade(seed: int, kind: str, length: float) -> None:
    road = random_road(seed, length, kind)  # type: ignore[arg-type]
    sine = np.sin(np.arctan(road.grade_percent / 100.0))
    rise = np.sum(0.5 * (sine[1:] + sine[:-1])) * GRID_M
    assert road.altitude_m[-1] - road.altitude_m[0] == pytest.approx(rise, abs=1e-6)
    assert np.abs(road.grade_percent).max() <= RELIEFS[kind].grade_max_percent + 1e-9
    assert road.altitude_m.min() >= 4.9
    assert (road.speed_limit_m_s > 2.0).all()
    assert road.length_m >= length - GRID_M


def test_same_seed_same_road_and_other_seed_another() -> None:
    one, same, other = (random_road(seed, 9000.0, "rolling") for seed in (1, 1, 2))
    np.testing.assert_array_equal(one.grade_percent, same.grade_percent)
    assert one.stops == same.stops
    assert np.abs(one.grade_percent - other.grade_percent).max() > 0.5


def test_hill_spectrum_falls_as_one_over_wave_number() -> None:
    """Grade about 1/k, so altitude about 1/k^3: long waves dominate as in real terrain."""
    from scipy.signal import welch

    grade = hills(np.random.default_rng(0), 400_000, 2.0, 50.0, 6000.0)
    assert np.std(grade) == pytest.approx(2.0, rel=0.1)
    wave_number, power = welch(grade, 1.0 / GRID_M, nperseg=16_384)
    inside = (wave_number > 1.0 / 3000.0) & (wave_number < 1.0 / 500.0)
    slope = np.polyfit(np.log(wave_number[inside]), np.log(power[inside]), 1)[0]
    assert slope == pytest.approx(-1.0, abs=0.25)
    short = (wave_number > 1.0 / 60.0) & (wave_number < 1.0 / 30.0)
    assert power[short].max() < 1e-4 * power[inside].max()


def test_segments_are_laid_in_order() -> None:
    road = random_road(
        1,
        10_000.0,
        "flat",
        [("sealed", 4000.0), ("sand", 2000.0, 0.12, 7.0), Segment("gravel", 1.0)],
    )
    names = np.array(GROUND_NAMES)[road.ground]
    assert names[0] == "sealed"
    assert names[int(5000 / GRID_M)] == "sand"
    assert names[-1] == "gravel"
    sand = names == "sand"
    assert np.unique(road.rolling_resistance[sand]) == pytest.approx([0.12])
    assert np.unique(road.speed_limit_m_s[sand]) == pytest.approx([7.0])
    assert np.isnan(road.rolling_resistance[~sand]).all()


def test_a_stop_replaces_one_close_by() -> None:
    road = random_road(1, 9000.0, "flat", stops=[Stop(1000.0), Stop(4000.0)])
    changed = road.with_stops(Stop(4100.0, 60.0, event="pick_up", new_mass_kg=5000.0))
    assert [stop.distance_m for stop in changed.stops] == [1000.0, 4100.0]


@pytest.mark.parametrize("path", sorted(ROADS.glob("*.toml")), ids=lambda path: path.stem)
def test_shipped_roads_read(path: Path) -> None:
    road = read_road(path)
    assert road.length_m > 5000.0
    assert np.isfinite(road.grade_percent).all()
    assert np.abs(np.diff(road.grade_percent)).max() < 1.0


def test_points_in_csv(tmp_path: Path) -> None:
    path = tmp_path / "surveyed.csv"
    path.write_text(
        "distance_m,altitude_m,ground,speed_limit_km_h,temperature_degc\n"
        "0,100,sealed,80,20\n1000,130,sealed,60,20\n2000,130,gravel,50,19\n3000,110,gravel,50,19\n"
    )
    road = read_road(path)
    middle = int(500 / GRID_M)
    assert road.grade_percent[middle] == pytest.approx(100.0 * np.tan(np.arcsin(0.03)), rel=1e-6)
    assert road.altitude_m[-1] == pytest.approx(110.0)
    assert GROUND_NAMES[road.ground[-1]] == "gravel"
    assert road.speed_limit_m_s[middle] == pytest.approx(80.0 / 3.6)
    assert len(np.unique(road.segment)) == 2


def test_semicolons_decimal_commas_and_empty_cells(tmp_path: Path) -> None:
    written = {
        "comma.csv": "distance_m,altitude_m,ground,speed_limit_km_h\n"
        "0,100.5,gravel,70\n900.5,130.5,,\n2000,130.5,sealed,50\n",
        "semicolon.csv": "distance_m;altitude_m;ground;speed_limit_km_h\n"
        "0;100,5;gravel;70\n900,5;130,5;;\n2000;130,5;sealed;50\n",
    }
    roads = []
    for name, text in written.items():
        (tmp_path / name).write_text(text)
        roads.append(read_road(tmp_path / name))
    assert np.array_equal(roads[0].grade_percent, roads[1].grade_percent)
    at = int(1500 / GRID_M)
    for road in roads:
        assert GROUND_NAMES[road.ground[at]] == "gravel"
        assert road.speed_limit_m_s[at] == pytest.approx(70.0 / 3.6)


def test_altitude_in_whole_metres_is_no_staircase(tmp_path: Path) -> None:
    # A slope of 4 % surveyed every 10 m; rounding alone would make grades of 0 and 10 % of it.
    at = np.arange(0.0, 4001.0, 10.0)
    lines = [f"{place:g},{round(200.0 + 0.04 * place)}" for place in at]
    path = tmp_path / "whole_metres.csv"
    path.write_text("\n".join(["distance_m,altitude_m", *lines]) + "\n")
    road = read_road(path)
    assert np.abs(road.grade_percent - 4.0)[50:-50].max() < 0.5
    assert np.abs(road.altitude_m - (200.0 + 0.04 * road.distance_m)).max() < 0.8


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("distance_m,grade_percent\n0,1\n", "two rows"),
        ("distance_m,slope\n0,1\n5,1\n", "grade_percent or altitude_m"),
        ("grade_percent\n1\n2\n", "distance_m"),
        ("distance_m,grade_percent\n0,1\n10,2\n5,1\n", "row 4"),
        ("distance_m,grade_percent\n0,1\n10,95\n", "row 3"),
        ("distance_m,grade_percent\n0,1\n10,up\n", "not a number"),
        ("distance_m,grade_percent,ground\n0,1,tar\n10,1,tar\n", "ground 'tar'"),
        ("distance_m,grade_percent,ground\n0,1,sealed\n10,1,tar\n", "row 3: ground 'tar'"),
        ("distance_m,grade_percent\n0,1\n10,\n", "row 3 is empty"),
        ("distance_m,grade_percent,wind_from_deg\n0,1,west\n10,1,west\n", "wind_from_deg"),
        ("distance_m,grade_percent,curvature_1_m\n0,1,0\n10,1,5\n", "curvature_1_m at row 3"),
        ("distance_m,grade_percent\n0,1\n2,1\n", "runs over 2 m"),
        ("distance_m,grade_percent\n0,1\n9e8,1\n", "900,000,000"),
        ("distance_m,grade_percent\n0,20\n90000,20\n", "of altitude"),
        ("", "is empty"),
    ],
)
def test_faults_in_csv_are_told(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "road.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=said) as caught:
        read_road(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name = 'x'\n", "section"),
        ("[[section]]\nrelief = 'flat'\n", "length_m"),
        ("[[section]]\nlength_m = 'far'\n", "length_m"),
        ("[[section]]\nlength_m = 500\nsurface = 'sand'\n", "unknown key 'surface'"),
        ("[[section]]\nlength_m = 500\nrelief = 'lunar'\n", "relief 'lunar'"),
        ("[[section]]\nlength_m = 500\nground = 'ice'\n", "ground 'ice'"),
        ("[[section]]\nlength_m = 500\ngrade_percent = 90\n", "grade_percent"),
        ("[[section]]\nlength_m = 500\nspeed_limit_km_h = 900\n", "speed_limit_km_h"),
        ("[[section]]\nlength_m = 500\n[[stop]]\nduration_s = 5\n", "stop 1 has no distance_m"),
        ("[[section]\n", "not valid TOML"),
        ("section = [1, 2]\n", r"heading \[\[section\]\]"),
        ("[[section]]\nlength_m = 500\n[stop]\ndistance_m = 5\n", r"heading \[\[stop\]\]"),
        ("[[section]]\nlength_m = 500\nrelief = ['flat']\n", "relief"),
        ("[[section]]\nlength_m = 500\nspeed_limit_km_h = []\n", "speed_limit_km_h is empty"),
        (
            "[[section]]\nlength_m = 500\n[[stop]]\ndistance_m = 5\nengine_off = 'yes'\n",
            "true or false",
        ),
        (
            "[[section]]\nlength_m = 500\n[[stop]]\ndistance_m = 5\nnew_mass_kg = -1\n",
            "new_mass_kg",
        ),
        ("[[section]]\nlength_m = 90000\ngrade_percent = 20\n", "of altitude"),
        ("[[section]]\nlength_m = 2e6\n[[section]]\nlength_m = 2e6\n", "km long"),
    ],
)
def test_faults_in_toml_are_told(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "road.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=said) as caught:
        read_road(path)
    assert str(path) in str(caught.value)


def test_missing_file_and_unknown_kind() -> None:
    with pytest.raises(InputError, match="no such road file"):
        read_road("nowhere.toml")
    with pytest.raises(InputError, match="ends in"):
        read_road("nowhere.xlsx")
    with pytest.raises(InputError, match="kind"):
        random_road(1, 1000.0, "lunar")  # type: ignore[arg-type]
