"""Stretches of ground as a run tells them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from loadlearn.estimation.summary import surface_segments

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
