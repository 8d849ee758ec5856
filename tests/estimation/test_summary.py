"""Stretches of ground and changes of load as a run tells them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from loadlearn import LoadEstimator, prepare
from loadlearn.estimation.summary import load_changes, quantity, surface_segments
from loadlearn.simulation.departures import Departures
from loadlearn.simulation.scenarios import Scenario, scenario
from loadlearn.simulation.sensors import Channel, Logger

NAMES = ("sealed", "gravel", "earth", "sand")


MASS_KG, GRAVITY_M_S2 = 2000.0, 9.81


def history(parts: list[tuple[str, float, float]], pull: float = 1.0) -> pd.DataFrame:
    """At 10 Hz: name, seconds and rolling resistance of each part; its name has 0.7.

    The force is ``pull`` times what the resistance asks.
    """
    surface = np.repeat([name for name, _, _ in parts], [int(10 * s) for _, s, _ in parts])
    roll = np.repeat([c for _, _, c in parts], [int(10 * s) for _, s, _ in parts])
    made = pd.DataFrame(
        {
            "time_s": np.arange(surface.size) / 10.0,
            "surface": pd.Categorical(surface, categories=NAMES),
            "learning": 1,
            "rolling_resistance": roll,
            "rolling_resistance_sd": 0.06 * roll,
            "rolling_resistance_low95": 0.88 * roll,
            "rolling_resistance_high95": 1.12 * roll,
            "mass_kg": MASS_KG,
            "tractive_force_n": pull * roll * MASS_KG * GRAVITY_M_S2,
        }
    )
    for name in NAMES:
        made[f"p_{name}"] = np.where(surface == name, 0.7, 0.1)
    return made


def test_a_quantity_without_an_interval_gets_a_normals() -> None:
    """2.5 and 97.5 % of a normal law, by scipy."""
    found = quantity(5000.0, 100.0, 40.0)
    assert found["interval95"] == pytest.approx(norm.interval(0.95, 5000.0, 100.0), abs=0.1)
    assert (found["mean"], found["sd"], found["sd_given_scale"]) == (5000.0, 100.0, 40.0)
    assert quantity(5.0, 1.0, 1.0, 3.5, 8.0)["interval95"] == [3.5, 8.0]


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        # Another name for what resists the same is no other ground; the likelier one is told.
        ([("sealed", 60, 0.011), ("earth", 20, 0.085), ("sand", 60, 0.087)], ["sealed", "sand"]),
        (
            [("sealed", 60, 0.011), ("earth", 60, 0.05), ("sand", 60, 0.1)],
            ["sealed", "earth", "sand"],
        ),
        # From sealed road, and back, the name itself has to be past doubt.
        ([("sealed", 60, 0.016), ("gravel", 60, 0.0165)], ["sealed", "gravel"]),
        # A name of a second is joined to the one before.
        ([("sealed", 60, 0.011), ("gravel", 1, 0.02), ("sealed", 60, 0.011)], ["sealed"]),
    ],
)
def test_stretches_of_ground(parts: list[tuple[str, float, float]], expected: list[str]) -> None:
    segments = surface_segments(history(parts))
    assert [segment["surface"] for segment in segments] == expected
    assert segments[0]["start_s"] == 0.0
    for before, after in zip(segments, segments[1:], strict=False):
        assert after["start_s"] == pytest.approx(before["end_s"] + 0.1)
    assert segments[-1]["rolling_resistance"]["mean"] == pytest.approx(parts[-1][2])


def test_what_only_slows_down_is_no_ground() -> None:
    """Brakes that are not logged resist as sand does; on sand, the wheels pull."""
    parts = [("sealed", 60.0, 0.011), ("sand", 30.0, 0.12), ("sealed", 60.0, 0.011)]
    named = [
        [segment["surface"] for segment in surface_segments(history(parts, pull))]
        for pull in (1.0, 0.4, -0.5)
    ]
    assert named == [["sealed", "sand", "sealed"]] + 2 * [["sealed", "unexplained", "sealed"]]
    # A pull of some seconds, or while nothing is learnt, is none either.
    made = history(parts)
    made.loc[680:, "tractive_force_n"] = 0.0
    assert surface_segments(made)[1]["surface"] == "unexplained"
    made = history(parts)
    made.loc[660:, "learning"] = 0
    assert surface_segments(made)[1]["surface"] == "unexplained"


def test_a_first_ground_that_is_likelier_is_told() -> None:
    """The name lags behind, for a change has to be past doubt."""
    made = history([("sealed", 60, 0.011), ("gravel", 60, 0.014)])
    made.loc[600:, ["p_sealed", "p_gravel"]] = [0.7, 0.2]
    assert {segment["surface"] for segment in surface_segments(made)} == {"sealed"}


def test_a_ground_whose_change_comes_with_doubt_is_another_ground() -> None:
    """Resistance is compared where it was known, not in the seconds of the change."""
    made = history([("sealed", 60, 0.011), ("earth", 400, 0.06), ("sand", 400, 0.086)])
    change = 60 * 10 + 400 * 10
    doubt = slice(change - 50, change + 100)
    made.loc[doubt, "rolling_resistance_sd"] = 0.03
    made.loc[doubt, "rolling_resistance"] = np.linspace(0.06, 0.075, 151)
    # The name is in doubt for most of the stretch, too, and surest where the change is.
    made["p_sand"] = np.where(made["surface"] == "sand", 0.55, 0.1)
    made.loc[change, "p_sand"] = 0.7
    segments = surface_segments(made)
    assert [segment["surface"] for segment in segments] == ["sealed", "earth", "sand"]
    told = [segment["rolling_resistance"]["mean"] for segment in segments]
    assert told == pytest.approx([0.011, 0.06, 0.086])


def halts(parts: list[tuple[float, float, float, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Outputs a second: end of the last halt, mass before it, mass now, probability of a change."""
    names = ("last_stop_s", "mass_before_stop_kg", "mass_kg", "p_load_changed")
    outputs = np.zeros(60 * len(parts), [(name, np.float64) for name in names])
    for number, part in enumerate(parts):
        outputs[60 * number : 60 * (number + 1)] = part
    return outputs, np.arange(float(len(outputs)))


def test_a_change_of_load_is_told_once() -> None:
    """Later halts too short to change anything leave the stop and its probability as they were."""
    outputs, time_s = halts(
        [
            (0.0, np.nan, 5200.0, 0.0),
            (60.0, 5200.0, 2700.0, 1.0),
            (60.0, 5200.0, 2690.0, 1.0),
            (60.0, 5200.0, 2690.0, 0.9999),
        ]
    )
    told = load_changes(outputs, time_s)
    assert [(one["time_s"], one["before_kg"], one["after_kg"]) for one in told] == [
        (60.0, 5200.0, 2690.0)
    ]


def test_each_true_change_of_load_is_told() -> None:
    """A halt long enough asks anew: the probability falls, and rises with the drive after it."""
    outputs, time_s = halts(
        [
            (0.0, np.nan, 5200.0, 0.0),
            (60.0, 5200.0, 2700.0, 1.0),
            (120.0, 2700.0, 5200.0, 1.0),
            (180.0, 5200.0, 5200.0, 0.02),
        ]
    )
    outputs["p_load_changed"][[60, 120]] = 0.3
    told = load_changes(outputs, time_s)
    assert [(one["time_s"], one["after_kg"]) for one in told] == [(60.0, 2700.0), (120.0, 5200.0)]


def test_without_a_halt_no_change_is_told() -> None:
    assert load_changes(*halts([(0.0, np.nan, 5200.0, 0.0)])) == []


MEASURED = Logger.good_10hz().with_channels(
    fuel_rate_g_s=None, tractive_force_n=Channel(noise_sd=20.0, resolution=1.0)
)


def told_grounds(made: Scenario) -> list[str]:
    log = made.drive.log.drop(columns="brake_active")
    history_ = LoadEstimator(made.rig).run(prepare(log, made.rig))
    return [segment["surface"] for segment in history_.attrs["summary"]["surfaces"]]


def test_brakes_that_are_not_logged_are_not_sand_and_sand_is() -> None:
    in_town = scenario(
        "utility_10hz", 3, 0.5, 600.0, logger=MEASURED, departures=Departures(town_stops_per_km=2.5)
    )
    named = told_grounds(in_town)
    assert named.count("unexplained") > 5
    assert set(named) == {"sealed", "unexplained"}
    onto_sand = scenario("sealed_to_sand_fast", 7, 0.5, 1500.0, logger=MEASURED)
    named = told_grounds(onto_sand)
    assert named[-1] == "sand" and named.count("sand") == 1
