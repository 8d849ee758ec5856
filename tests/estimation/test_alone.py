"""One hypothesis alone: the fused loop against the general one, row for row."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from loadlearn.estimation import alone, layout
from loadlearn.estimation import filter as kernel
from loadlearn.estimation.loads import start
from loadlearn.estimation.model import (
    N_STATES,
    R_HALF,
    R_KNOWN,
    R_STILL,
    R_Y,
    Grounds,
    Noise,
    Prior,
    ground_modes,
)
from loadlearn.study import problem
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def one_ground() -> Grounds:
    return ground_modes(HANDBOOK_GROUNDS[:1], with_regeneration=False)


def filtered(
    rows: Array, n: int, grounds: Grounds, prior: Prior, noise: Noise, with_outputs: bool
) -> layout.FilterArrays:
    """The filter after all rows; with outputs, the general loop has all of them."""
    arrays = layout.filter_arrays(n, 1)
    start(*arrays[1:], grounds, prior, noise)
    arrays.memory[layout.F_STARTED] = 1.0
    arrays.memory[layout.F_ENERGY_OPEN] = 1.0
    size = len(rows) if with_outputs else 0
    kernel.filter_rows(
        rows,
        len(rows),
        *arrays,
        grounds,
        prior,
        noise,
        np.empty((size, layout.N_OUTPUT)),
        np.empty((size, 1)),
        with_outputs,
    )
    return arrays


@pytest.mark.parametrize("n", [13, 14, N_STATES])
@pytest.mark.parametrize("case", ["as driven", "heights missing", "whole units now and then"])
def test_fused_loop_is_the_general_loop(
    rows: Array, one_ground: Grounds, prior: Prior, noise: Noise, n: int, case: str
) -> None:
    table = rows.copy()
    table[:, R_STILL] = 0.0
    if case == "heights missing":
        table[5::7, R_Y] = np.nan
    elif case == "whole units now and then":
        table[1000:1500, R_HALF] = 0.14
    only = problem.one_component(prior)
    fused = filtered(table, n, one_ground, only, noise, False)
    general = filtered(table, n, one_ground, only, noise, True)
    sd = np.sqrt(np.diagonal(general.covariances[0, :, :, 0]))
    scale = np.where(sd > 0.0, sd, 1.0)
    difference = (fused.states[0, :, 0] - general.states[0, :, 0]) / scale
    assert_allclose(difference, 0.0, atol=1e-9)
    assert_allclose(
        fused.covariances[0, :, :, 0] / np.outer(scale, scale),
        general.covariances[0, :, :, 0] / np.outer(scale, scale),
        atol=1e-9,
    )
    for index in (layout.F_LOG_LIKELIHOOD, layout.F_LEARNT_S, layout.F_SINCE_MIX_S):
        assert fused.memory[index] == pytest.approx(general.memory[index], rel=1e-9)
    assert fused.loads[0, layout.L_SINCE_S] == pytest.approx(general.loads[0, layout.L_SINCE_S])


def test_it_stops_before_a_row_that_needs_more(
    rows: Array, one_ground: Grounds, prior: Prior, noise: Noise
) -> None:
    table = rows[:400].copy()
    table[:, R_STILL] = 0.0
    table[:, R_KNOWN] = 1.0
    table[200, R_STILL] = 30.0
    table[300, R_HALF] = 0.14
    arrays = layout.filter_arrays(13, 1)
    start(*arrays[1:], one_ground, problem.one_component(prior), noise)
    arguments = (arrays.memory, arrays.states[0], arrays.covariances[0, :, :, 0], arrays.loads[0])
    for first, expected in ((0, 200), (201, 300), (301, 400)):
        reached = alone.filter_alone(table, first, 400, *arguments, one_ground, noise)
        assert reached == expected
