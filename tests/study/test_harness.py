"""Figures of experiments: what they cannot show, they say."""

from __future__ import annotations

import sys
from argparse import Namespace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

EXPERIMENTS = Path(__file__).resolve().parents[2] / "experiments"
if str(EXPERIMENTS) not in sys.path:
    sys.path.insert(0, str(EXPERIMENTS))

import harness  # noqa: E402

EMPTY = "nothing to show in this run"


@pytest.mark.parametrize("quick", [True, False])
def test_an_empty_panel_and_a_quick_run_say_so(quick: bool, tmp_path: Path) -> None:
    figure, axes = harness.figure(2, 3)
    axes[0, 0].plot([0, 100], [0, 100], "k--")
    axes[0, 0].plot([1.0, 2.0, 3.0], [np.nan] * 3, label="no drive")
    axes[0, 1].plot([1.0], [2.0], "o")
    axes[0, 2].plot([1.0, 2.0, 3.0], [1.0, 2.0, 4.0])
    axes[1, 0].errorbar([1.0], [1.0], [0.5], label="one")
    axes[1, 1].scatter([1.0], [1.0])
    axes[1, 2].axhline(0.0)
    chosen = Namespace(out=tmp_path, quick=quick, seeds=3)
    harness.write(chosen, "made", pd.DataFrame({"n": [1]}), figure)
    said = [[EMPTY in [one.get_text() for one in axis.texts] for axis in row] for row in axes]
    assert said == [[True, False, False], [False, False, True]]
    assert ("quick run of 3 repetitions" in figure.get_suptitle()) == quick
    assert {path.name for path in tmp_path.iterdir()} == {
        *("made.csv", "made.md", "made.png", "made.svg")
    }
