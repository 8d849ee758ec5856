"""All hypotheses over rows: what one row does, and what must hold over a whole drive."""

from __future__ import annotations

import math

import numpy as np
import pytest
from gaussian_bench import MEAN, SD, in_units, matrix_of, some_gaussian
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray

from loadlearn.estimation.filter import (
    MEMORY,
    carry_covariance,
    filter_rows,
    predict_row,
    relax_slow,
)
from loadlearn.estimation.grounds import Grounds, ground_modes
from loadlearn.estimation.loads import Hypotheses, no_hypotheses
from loadlearn.estimation.mixture import OUTPUT
from loadlearn.estimation.model import (
    N_STATES,
    SLOW,
    STATE,
    Evidence,
    Noise,
    Prior,
    measurement_variance,
    process_variance,
    relaxation,
    transition,
    unevenness,
)

Array = NDArray[np.float64]
Rows = NDArray[np.void]
MASS, ROLL, DISTURBANCE = STATE.inverse_mass_per_kg, STATE.rolling_resistance, STATE.disturbance


class Run:
    """The filter with what it remembers."""

    def __init__(self, grounds: Grounds, prior: Prior, noise: Noise) -> None:
        self.grounds, self.prior, self.noise = grounds, prior, noise
        self.memories = np.zeros(1, MEMORY)
        self.hypotheses: Hypotheses = no_hypotheses(grounds.size)
        self.outputs = np.full(1, np.nan, OUTPUT)
        self.outputs["surface"] = 0.0
        self.names = np.zeros((1, grounds["surface"].max() + 1))

    def over(self, rows: Rows, with_outputs: bool = True) -> Rows:
        """What is known after each of some more rows."""
        outputs = np.empty(len(rows) + 1, OUTPUT)
        names = np.empty((len(outputs), self.names.shape[1]))
        outputs[0], names[0] = self.outputs[-1], self.names[-1]
        filter_rows(
            rows,
            self.memories,
            self.hypotheses,
            self.grounds,
            self.prior,
            self.noise,
            Evidence(),
            outputs,
            names,
            with_outputs,
        )
        self.outputs, self.names = outputs, names
        return outputs[1:]

    @property
    def active(self) -> NDArray[np.bool_]:
        return np.asarray(self.hypotheses.loads["active"] == 1)


def assert_alike(one: Hypotheses, other: Hypotheses) -> None:
    """Bit for bit."""
    for ours, theirs in zip(one, other, strict=True):
        assert np.array_equal(ours, theirs)


# --- one row -------------------------------------------------------------------------------------
@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("mode", [0, 3])
def test_a_row_is_predicted_in_full_matrices(
    driven_rows: Rows, grounds: Grounds, noise: Noise, known: bool, mode: int
) -> None:
    """F P F' + Q, then the disturbance relaxes; nothing moves where the force is not known."""
    row = driven_rows[250].copy()
    row["known"] = float(known)
    mean, covariance = some_gaussian(11)
    first, added = np.full(N_STATES, np.nan), np.zeros((N_STATES, N_STATES))
    energy, full = transition(mean, row, first), np.eye(N_STATES)
    added[0, 0] = process_variance(mean[MASS], row, noise)
    here, sealed = grounds[mode], grounds["mean"][0]
    disturbance, walk = unevenness(mean[ROLL], here["mean"], here["texture"], sealed, noise)
    expected = mean.copy()
    if known:
        full[0], expected[0] = first, energy
        added[ROLL, ROLL] = walk * row["dt_s"]
    kept = math.exp(-row["dt_s"] / noise.disturbance_time_s)
    fade, gained = np.eye(N_STATES), np.zeros((N_STATES, N_STATES))
    fade[DISTURBANCE, DISTURBANCE] = kept
    gained[DISTURBANCE, DISTURBANCE] = disturbance * (1.0 - kept**2)
    spread = fade @ (full @ covariance @ full.T + added) @ fade.T + gained
    scratch = np.empty(N_STATES), np.empty(N_STATES)
    predict_row(mean, covariance, row, mode, grounds, noise, kept, *scratch)
    assert_allclose(mean, fade @ expected, rtol=1e-12)
    assert np.abs(in_units(covariance - spread, spread)).max() < 1e-12


def test_slow_states_relax_together(noise: Noise) -> None:
    mean, covariance = some_gaussian(12)
    fade, gained = np.eye(N_STATES), np.zeros((N_STATES, N_STATES))
    for index in SLOW:
        fade[index, index], gained[index, index] = relaxation(index, 7.0, noise)
    expected = fade @ mean, fade @ covariance @ fade.T + gained
    relax_slow(mean[None], covariance[None], 7.0, noise)
    assert_allclose(mean, expected[0], rtol=1e-12)
    assert np.abs(in_units(covariance - expected[1], expected[1])).max() < 1e-12


def test_what_a_manoeuvre_would_tell_does_not_hang_on_what_is_measured(
    driven_rows: Rows, grounds: Grounds, noise: Noise
) -> None:
    """The covariance of the textbook's filter about a state that stays."""
    table, state = driven_rows[:40].copy(), MEAN.copy()
    spread = np.diag(SD**2)
    covariance = spread.copy()
    carry_covariance(state, covariance, table, grounds, noise)
    first = np.empty(N_STATES)
    for row in table:
        transition(MEAN, row, first)
        full, added = np.eye(N_STATES), np.zeros((N_STATES, N_STATES))
        full[0] = first
        added[0, 0] = process_variance(MEAN[MASS], row, noise)
        here = grounds[0]
        level, walk = unevenness(MEAN[ROLL], here["mean"], here["texture"], here["mean"], noise)
        added[ROLL, ROLL] = walk * row["dt_s"]
        kept = math.exp(-row["dt_s"] / noise.disturbance_time_s)
        fade = np.eye(N_STATES)
        fade[DISTURBANCE, DISTURBANCE] = kept
        spread = fade @ (full @ spread @ full.T + added) @ fade.T
        spread[DISTURBANCE, DISTURBANCE] += level * (1.0 - kept**2)
        matrix = matrix_of(row)
        cross = spread @ matrix
        spread = spread - np.outer(cross, cross) / (
            matrix @ cross + measurement_variance(row, noise)
        )
    assert (state == MEAN).all()
    assert np.abs(in_units(covariance - spread, spread)).max() < 1e-7
    again = np.diag(SD**2)
    table["measured_m"] += np.random.default_rng(1).normal(0.0, 5.0, table.size)
    carry_covariance(MEAN.copy(), again, table, grounds, noise)
    assert (again == covariance).all()


# --- a whole drive -------------------------------------------------------------------------------
def test_rows_in_blocks_teach_what_they_teach_at_once(
    rows: Rows, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    once, parted = Run(grounds, prior, noise), Run(grounds, prior, noise)
    told = once.over(rows[:1500])
    pieces = [parted.over(rows[a:b]) for a, b in ((0, 1), (1, 1), (1, 700), (700, 1500))]
    assert_alike(parted.hypotheses, once.hypotheses)
    assert np.array_equal(np.concatenate(pieces).view(float), told.view(float), equal_nan=True)
    assert np.array_equal(parted.memories.view(float), once.memories.view(float))


def test_without_outputs_the_same_is_learnt(
    rows: Rows, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    telling, silent = Run(grounds, prior, noise), Run(grounds, prior, noise)
    telling.over(rows)
    silent.over(rows, with_outputs=False)
    assert_alike(silent.hypotheses, telling.hypotheses)
    assert silent.memories["log_likelihood"] == telling.memories["log_likelihood"]
    assert telling.outputs["log_likelihood"][-1] == telling.memories["log_likelihood"][0]


def test_innovations_of_a_drive_that_fits_are_as_large_as_they_should_be(
    rows: Rows, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    squared = Run(grounds, prior, noise).over(rows)["normalised_innovation"] ** 2
    squared = squared[np.isfinite(squared)]
    assert squared.size > 3000
    # The levels are those before the log has been seen: a cautious guess.
    assert 0.05 < squared.mean() < 1.3


def test_one_ground_needs_no_mixing(rows: Rows, prior: Prior, noise: Noise) -> None:
    alone = Run(ground_modes()[:1], prior, noise)
    told = alone.over(rows)
    assert told["mass_given_scale_kg"][-1] == pytest.approx(5200.0, rel=0.03)
    assert_allclose(alone.names[1:], 1.0, rtol=1e-12)
    assert (told["surface"] == 0.0).all()


def test_drag_is_never_negative(rows: Rows, grounds: Grounds, prior: Prior, noise: Noise) -> None:
    """A vehicle in another's slipstream that is pushed more than the air holds it back."""
    pushed, unsure = rows.copy(), prior._replace(drag_area_sd_m2=3.0)
    pushed["measured_m"] += np.cumsum(2.0 * 3.0 / 5200.0 * rows["drag2"])
    told = Run(grounds, unsure, noise).over(pushed)
    assert (told["drag_area_m2"] >= 0.0).all()
    assert told["drag_area_m2"][-1] < 0.5
    run = Run(ground_modes()[:1], unsure, noise)
    run.over(pushed)
    drag = STATE.drag_per_mass_m2_kg
    held = run.hypotheses.states[run.active][:, :, drag]
    sd = np.sqrt(run.hypotheses.covariances[run.active][:, :, drag, drag])
    assert (held > -sd).all()
    # Where it is not in question, nothing changes.
    plain = Run(grounds, prior, noise).over(rows)
    assert plain["drag_area_m2"][-1] == pytest.approx(2.4, abs=0.6)


def standing(rows: Rows, still_s: float) -> tuple[Rows, int]:
    """The drive with one standstill in its middle, and where it ends."""
    table = rows[:2400].copy()
    table["still_s"] = 0.0
    place = 1200
    table["still_s"][place] = still_s
    return table, place


@pytest.mark.parametrize(("still_s", "spawns"), [(2.9, False), (10.0, False), (600.0, True)])
def test_only_a_standstill_that_leaves_time_for_it_may_change_the_load(
    rows: Rows, grounds: Grounds, prior: Prior, noise: Noise, still_s: float, spawns: bool
) -> None:
    table, place = standing(rows, still_s)
    one = Run(grounds, prior, noise)
    one.over(table[:place])
    before = float(one.outputs["mass_kg"][-1])
    one.over(table[place : place + 1])
    assert bool(one.hypotheses.loads["changed"][one.active].any()) == spawns
    assert (one.outputs["p_load_changed"][-1] > 0.0) == spawns
    stop_s = float(table["time_s"][place]) if spawns else 0.0
    assert one.outputs["last_stop_s"][-1] == stop_s
    assert one.outputs["mass_before_stop_kg"][-1] == (before if spawns else 0.0)


def test_a_standstill_before_anything_is_learnt_changes_nothing(
    rows: Rows, grounds: Grounds, prior: Prior, noise: Noise
) -> None:
    table = rows[:300].copy()
    table["still_s"] = 0.0
    table["known"][:100] = 0.0
    plain, halted = Run(grounds, prior, noise), Run(grounds, prior, noise)
    plain.over(table)
    table["still_s"][50] = 900.0
    halted.over(table)
    assert_alike(halted.hypotheses, plain.hypotheses)


def shaken_rows(rows: Rows, seed: int, count: int) -> Rows:
    """A stretch of a drive, each quantity off by up to 30 %, gaps, stops, rough measurements."""
    rng = np.random.default_rng(seed)
    first = int(rng.integers(1, len(rows) - count))
    table = rows[first : first + count].copy()
    for name in table.dtype.names or ():
        table[name] *= rng.uniform(0.7, 1.3, count)
    table["time_s"] = np.cumsum(table["dt_s"])
    table["known"] = rng.random(count) < 0.7
    table["measured_m"] = rows["measured_m"][first : first + count]
    table["measured_m"] += 0.1 * rng.standard_t(3.0, count)
    table["measured_m"][rng.random(count) < 0.2] = np.nan
    table["half_width_m_s"] = rng.choice([0.0, 0.14], count)
    table["still_s"] = rng.choice([0.0, 400.0], count, p=[0.97, 0.03])
    return table


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), kinds=st.sampled_from(["one", "all", "regenerating"]))
def test_covariances_stay_symmetric_and_positive(
    seed: int, kinds: str, rows: Rows, prior: Prior, noise: Noise
) -> None:
    modes = ground_modes(with_regeneration=kinds == "regenerating")
    one = Run(modes[:1] if kinds == "one" else modes, prior, noise)
    told = one.over(shaken_rows(rows, seed, 60))
    for covariance in one.hypotheses.covariances[one.active].reshape(-1, N_STATES, N_STATES):
        assert np.isfinite(covariance).all()
        unit = in_units(covariance, covariance)
        assert_allclose(unit, unit.T, atol=1e-9)
        assert np.linalg.eigvalsh(0.5 * (unit + unit.T)).min() > -1e-6
    weights = np.exp(one.hypotheses.log_weights[one.active])
    assert weights.sum() == pytest.approx(1.0, rel=1e-9)
    assert_allclose(one.hypotheses.weights[one.active], weights, rtol=1e-9, atol=1e-12)
    for name in OUTPUT.names or ():
        assert name.endswith(("innovation", "innovation_m_s")) or np.isfinite(told[name]).all(), (
            name
        )
    for name in ("mass_low95_kg", "rolling_resistance_low95"):
        assert (told[name] <= told[name.replace("low95", "high95")]).all()
    assert_allclose(one.names[1:].sum(axis=1), 1.0, rtol=1e-9)
