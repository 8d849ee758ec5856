"""Steps generated and compiled once for all tests of a process."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from loadlearn.estimation.learner import Setup, Sources, initial_state, learn
from loadlearn.log.readers import read_log
from loadlearn.step_export.native_step import NativeStep, compiler
from loadlearn.step_export.reduced import plain_setup, reduced_setup
from loadlearn.step_export.step_source import ESTIMATES, StepSource, step_source
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.samples import samples_of

needs_compiler = pytest.mark.skipif(compiler() is None, reason="no C compiler (cc) here")
SETS = {"plain": plain_setup, "reduced": reduced_setup}


DATA = Path(__file__).parents[2] / "synthetic_data"
MANIFEST = pd.read_csv(DATA / "manifest.csv").drop_duplicates("log", keep="last").set_index("log")
DRIVES = {
    Path(log).parent.name.replace("drives", Path(log).name[:-7]): log for log in MANIFEST.index
}
"""Of the working copy, by name: the demonstration's and the others."""


class Drive(NamedTuple):
    """A shipped drive and what its combination weighs at the end."""

    rig: Rig
    log: pd.DataFrame
    mass_kg: float


@functools.cache
def drive(name: str) -> Drive:
    row = MANIFEST.loc[DRIVES[name]]
    rig = Rig.from_toml(DATA / row["rig"])
    return Drive(rig, read_log(DATA / DRIVES[name], rig=rig), float(row["mass_kg"]))


@functools.cache
def setup_of(kind: str, name: str) -> Setup:
    one = drive(name)
    return SETS[kind](one.rig, Sources.of(one.log))


def native(kind: str, name: str, single: bool = False) -> NativeStep:
    """A drive's step, at its start; drives of one rig and logger share it."""
    made = _compiled(step_source(setup_of(kind, name), "a rig", "With care."), single)
    made.start()
    return made


@functools.cache
def _compiled(made: StepSource, single: bool) -> NativeStep:
    return NativeStep(made, single, options=("-O0",))


@functools.cache
def of_the_package(kind: str, name: str) -> pd.DataFrame:
    """What the package itself tells on the same hypotheses, one row per sample."""
    setup, log = setup_of(kind, name), drive(name).log
    learnt = learn(setup, initial_state(setup), samples_of(log))
    outputs = learnt.outputs[learnt.row_of_sample]
    table = pd.DataFrame({one: outputs[one] for one in (*ESTIMATES, "surface")})
    return table.assign(set_aside_because=learnt.reason)


def farthest(told: pd.DataFrame, package: pd.DataFrame) -> dict[str, float]:
    """Largest relative difference of each estimate; of probabilities, the difference."""
    found = {}
    for name in ESTIMATES:
        mine, theirs = told[name].to_numpy(), package[name].to_numpy()
        known = np.isfinite(theirs)
        assert (np.isfinite(mine) == known).all(), name
        size: NDArray[np.float64] = np.abs(theirs[known])
        if name.startswith("p_"):
            size = np.ones_like(size)
        found[name] = float(np.max(np.abs(mine[known] - theirs[known]) / size))
    return found
