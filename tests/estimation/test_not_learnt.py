"""Stretches in which nothing was learnt: what is called steady, and that it is not trusted."""

from __future__ import annotations

import numpy as np
import pytest

from loadlearn import LoadEstimator
from loadlearn.estimation.mixture import OUTPUT
from loadlearn.estimation.model import ROW
from loadlearn.estimation.not_learnt import (
    STEADY,
    UNKNOWN,
    WHY,
    not_learnt_stretches,
    why_not_learnt,
)
from loadlearn.simulation.drive import PlantVariation, simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.scenarios import shipped_rig

MASS_KG, UNSEEN_SD = 5000.0, 0.002


def driven(slope: np.ndarray, mass_kg: float = MASS_KG) -> np.ndarray:
    """Half-second rows at 20 m/s whose force holds the speed on a slope."""
    rows = np.zeros(slope.size, ROW)
    rows["time_s"], rows["dt_s"], rows["distance_m"] = 0.5 * np.arange(slope.size), 0.5, 10.0
    rows["known"], rows["work_kg_m"] = 1.0, mass_kg * (slope + 0.01) * 10.0
    return rows


def learnt(mass_kg: float = MASS_KG) -> np.ndarray:
    """What is known at the end, drag aside."""
    out = np.zeros(1, OUTPUT)
    out["mass_kg"] = out["mass_given_scale_kg"] = mass_kg
    return out[0]


def test_steady_and_hilly_stretches_are_told_apart() -> None:
    time_s = 0.5 * np.arange(2400)
    slope = np.where(time_s < 600.0, 0.001 * np.sin(time_s / 7.0), 0.03 * np.sin(time_s / 20.0))
    why = why_not_learnt(driven(slope), learnt(), UNSEEN_SD)
    assert (why[time_s < 595.0] == WHY.index(STEADY)).all()
    assert (why[time_s > 600.0] == 0).all()
    found = not_learnt_stretches(time_s, why)
    assert [(one["start_s"], one["because"]) for one in found] == [(0.0, STEADY)]
    assert found[0]["end_s"] == pytest.approx(600.0, abs=1.0)


def test_a_steady_climb_after_the_flat_tells_a_mass() -> None:
    slope = np.repeat([0.0, 0.05], 1200)
    assert (why_not_learnt(driven(slope), learnt(), UNSEEN_SD) == 0).all()


def test_the_mass_does_not_matter() -> None:
    slope = 0.006 * np.sin(np.arange(2400) / 40.0)
    light = why_not_learnt(driven(slope), learnt(), UNSEEN_SD)
    heavy = why_not_learnt(driven(slope, 40_000.0), learnt(40_000.0), UNSEEN_SD)
    np.testing.assert_array_equal(light, heavy)


def test_where_the_force_is_not_known_that_is_why() -> None:
    rows = driven(0.03 * np.sin(np.arange(2400) / 40.0))
    rows["known"][480:960] = 0.0
    why = why_not_learnt(rows, learnt(), UNSEEN_SD)
    assert (why[480:960] == WHY.index(UNKNOWN)).all()
    assert (why[:480] == 0).all()
    rows["known"] = 0.0
    assert (why_not_learnt(rows, learnt(), UNSEEN_SD) == WHY.index(UNKNOWN)).all()


def test_short_stretches_are_not_worth_a_word() -> None:
    why = np.zeros(1000, dtype=np.int64)
    why[100:200] = 1
    assert not_learnt_stretches(np.arange(1000.0), why) == []


@pytest.mark.parametrize("seed", [41, 42, 43])
def test_a_cruise_on_the_level_joined_on_the_way_is_not_trusted(seed: int) -> None:
    rig, road = shipped_rig("utility_boat"), random_road(seed, 60_000.0, "level")
    held = PlantVariation(cruise_share=1.0, lifts_per_hour=0.0)
    drive = simulate(rig, road, seed, 5200.0, duration_s=1800.0, variation=held)
    log = drive.log[drive.log["time_s"] >= 300.0].reset_index(drop=True)
    history = LoadEstimator(rig).run(log)
    summary = history.attrs["summary"]
    assert not summary["trust"]["ok"]
    assert sum(s["end_s"] - s["start_s"] for s in summary["not_learnt"]) > 1000.0
    low, high = summary["mass_kg"]["interval95"]
    assert low < 5200.0 < high
