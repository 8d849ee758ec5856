"""Stretches of ground and changes of load as a run tells them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from loadlearn.estimation.summary import load_changes, surface_segments

NAMES = ("sealed", "gravel", "earth", "sand")


def history(parts: list[tuple[str, float, float]]) -> pd.DataFrame:
    """At 10 Hz: name, seconds and rolling resistance of each part; its name has 0.7."""
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
        }
    )
    for name in NAMES:
        made[f"p_{name}"] = np.where(surface == name, 0.7, 0.1)
    return made


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
