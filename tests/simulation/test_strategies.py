"""The closed loop: the same plant, the same sensors, the same law as outside it, and nothing else.

Oracles: the plain simulator (``simulate`` and its logger), the law run over the finished log, and
the estimator fed sample by sample. They share the model with the loop; what is tested here is that
closing the loop changes nothing but what the advice changes.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from loadlearn._compile import as_record
from loadlearn.errors import InputError
from loadlearn.estimation import LoadEstimator
from loadlearn.policy.adviser import fill_tick
from loadlearn.policy.columns import (
    ADVICE_COLUMNS,
    SAMPLE_COLUMNS,
    AdviceRow,
    Sample,
    Tick,
    as_records,
)
from loadlearn.policy.law import run_policy
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.state import initial_policy_state, policy_config, policy_memory
from loadlearn.policy.strategy import Settings, Strategy, constant
from loadlearn.policy.strategy_file import write_strategy
from loadlearn.policy.thermal_model import thermal_parameters
from loadlearn.simulation.drive import _run, finish_drive, named_record
from loadlearn.simulation.knowledge import Nothing
from loadlearn.simulation.live_logger import LiveLogger, live_logger
from loadlearn.simulation.preparation import PreparedDrive, prepare_drive
from loadlearn.simulation.road import Road, random_road
from loadlearn.simulation.sensors import Channel, GradeSensor, Logger
from loadlearn.simulation.situation import module_logger
from loadlearn.simulation.strategies import StrategyRun, built_in, of_ones_own, run_strategy
from loadlearn.simulation.variation import PlantVariation
from loadlearn.vehicle.rig import Rig

SEED = 6
# Warm from the start, so that a short drive shows extra torque; a hill that calls for it.
WARM = PlantVariation(temperature_degc=30.0, cruise_share=0.0)


@pytest.fixture(scope="module")
def road() -> Road:
    # Level for two minutes and more: only then is the driver asked to be restrained.
    flat = random_road(3, 7_000.0, "level", stops=[], limits_km_h=(90.0,))
    grade = np.where(flat.distance_m > 3500.0, 6.5, 0.0)
    altitude = 50.0 + np.concatenate([[0.0], np.cumsum(grade[1:] * 0.05)])
    return replace(flat, grade_percent=grade, altitude_m=altitude, name="level, then 6.5 %")


@pytest.fixture(scope="module")
def prepared(utility: Rig, road: Road) -> PreparedDrive:
    made = prepare_drive(utility, road, SEED, 5600.0, 1.02, variation=WARM)
    made.drawn["tyre_cold_at_start"] = 0.0
    return made


@pytest.fixture(scope="module")
def logger(utility: Rig, road: Road, prepared: PreparedDrive) -> LiveLogger:
    return live_logger(
        module_logger(), utility, SEED, prepared.steps, prepared.step_s, road.length_m
    )


@pytest.fixture(scope="module")
def runs(utility: Rig, prepared: PreparedDrive, logger: LiveLogger) -> dict[str, StrategyRun]:
    return {one.name: run_strategy(utility, prepared, logger, one) for one in built_in(utility)}


def test_base_is_the_plain_simulator(prepared: PreparedDrive, runs: dict[str, StrategyRun]) -> None:
    records, fuel_g = _run(prepared)
    # Two kernels of the same source: the compiler may fuse a product and a sum in one of them only.
    for name in records.dtype.names:
        np.testing.assert_allclose(
            records[name], runs["base"].records[name], rtol=1e-8, atol=1e-8, err_msg=name
        )
    assert fuel_g == pytest.approx(runs["base"].fuel_burnt_g, rel=1e-9)


def test_strategies_part_only_once_advice_acts(runs: dict[str, StrategyRun]) -> None:
    base, short = runs["base"].records, runs["short_pull"]
    factor, extra = short.advised("torque_factor"), short.advised("extra_torque")
    first = int(np.argmax((factor < 1.0) | (extra > 0.0)))
    assert first > 10
    same = 5 * first + 1
    assert np.array_equal(base[:same], short.records[:same])


@pytest.mark.parametrize(
    "kind",
    [
        module_logger(),
        Logger.good_10hz().with_channels(
            fuel_rate_g_s=Channel(relative_noise_sd=0.01, resolution=0.01, delay_s=0.27),
            speed_m_s=Channel(resolution=1.0 / 3.6, rounding="truncate", hold_s=0.5),
        ),
        replace(
            Logger.obd_1hz(grade="grade", polled=True), grade=GradeSensor(0.4, 60.0, 0.2, 25.0)
        ),
    ],
    ids=["module", "late and coarse", "once a second, polled"],
)
def test_rows_are_those_of_the_logger(
    kind: Logger, utility: Rig, road: Road, prepared: PreparedDrive
) -> None:
    live = live_logger(kind, utility, SEED, prepared.steps, prepared.step_s, road.length_m)
    run = run_strategy(utility, prepared, live, built_in(utility)[0])
    fine = named_record(utility, run.records)
    log = finish_drive(utility, road, prepared, fine, 0.0, kind).log
    assert len(log) == len(run.rows)
    compared = 0
    for name in log.columns.intersection(SAMPLE_COLUMNS):
        shown, expected = run.logged(name), log[name].to_numpy()
        if name == "transfer_range":
            expected = (expected == "low").astype(float)
        if name == "altitude_m":
            # The noise of a longer log is another; its spread is the same.
            assert np.std(shown - expected) < 4.0
            continue
        # A value half-way between two steps of the quantisation may round either way.
        differs = ~np.isclose(shown, expected.astype(float), rtol=1e-9, atol=1e-9)
        assert differs.mean() < 1e-3, name
        compared += 1
    assert compared >= 10


def test_law_in_the_loop_is_the_law_over_the_log(
    utility: Rig, runs: dict[str, StrategyRun]
) -> None:
    run = runs["short_pull"]
    assert isinstance(run.strategy.strategy, Strategy)
    thermal = thermal_parameters(utility)
    tick = as_record(Tick())
    draws, mass, sd = Nothing().renew(0)
    fill_tick(tick[0], utility, mass, sd)
    out = np.zeros((len(run.rows), len(ADVICE_COLUMNS)))
    tick_of_row = np.where(np.arange(len(run.rows)) % 10 == 0, 0, -1)
    run_policy(
        as_record(thermal),
        as_record(policy_config(utility)),
        policy_memory(utility, run.strategy.strategy),
        as_record(initial_policy_state(thermal)),
        as_records(run.rows, Sample),
        tick_of_row,
        draws,
        tick,
        as_records(out, AdviceRow),
    )
    assert np.allclose(out, run.advice, rtol=1e-9, atol=1e-9, equal_nan=True)


def test_learning_is_from_the_noisy_rows_alone(utility: Rig, runs: dict[str, StrategyRun]) -> None:
    run = runs["learnt_load"]
    estimator = LoadEstimator(utility)
    learnt = {round(time): mass for time, mass, _ in run.learnt}
    checked, load = 0, None
    for row in run.rows[:1801]:
        time = row[0]
        if abs(time - round(time)) < 1e-6 and round(time) in (60, 120, 180):
            # The settings of this second come from the rows before it.
            assert load is not None
            assert load.mass_kg == pytest.approx(learnt[round(time)], rel=1e-6)
            checked += 1
        sample = {n: v for n, v in zip(SAMPLE_COLUMNS, row.tolist(), strict=True) if v == v}
        load = estimator.step(sample)
    assert checked == 3


def test_known_load_is_told_the_truth(runs: dict[str, StrategyRun]) -> None:
    run = runs["known_load"]
    times, masses, sds = run.learnt.T
    true = np.interp(times, run.plant("time_s"), run.plant("mass_kg"))
    assert np.allclose(masses, true, atol=0.01) and np.all(sds == 0.0)


@pytest.mark.parametrize("form", ["made.toml", "made.json", "table"])
def test_the_written_file_drives_as_the_learnt_load_bit_by_bit(
    form: str,
    utility: Rig,
    prepared: PreparedDrive,
    logger: LiveLogger,
    runs: dict[str, StrategyRun],
    tmp_path: Path,
) -> None:
    path = tmp_path / ("made.toml" if form == "table" else form)
    write_strategy(make_strategy(utility), path, table_csv=form == "table")
    own = of_ones_own(path, utility)
    assert (own.name, own.knows, own.uprated) == ("made", "learnt", True)
    run, learnt = run_strategy(utility, prepared, logger, own), runs["learnt_load"]
    assert run.records.tobytes() == learnt.records.tobytes()
    assert run.advice.tobytes() == learnt.advice.tobytes()
    assert run.fuel_burnt_g == learnt.fuel_burnt_g


def test_a_rule_drives_as_the_constant_strategy(
    utility: Rig, prepared: PreparedDrive, logger: LiveLogger
) -> None:
    asked = Settings(0.5, 15.0, 0.5)
    rule = of_ones_own(lambda now: asked, utility)
    data = of_ones_own(constant("half", asked), utility)
    one, other = (run_strategy(utility, prepared, logger, own) for own in (rule, data))
    assert one.advised("extra_torque").max() > 0.3
    # The grid's mean over draws is the rule's number to the last bits; so are the drives.
    for name in ("speed_m_s", "extra_torque_share", "mass_kg"):
        np.testing.assert_allclose(one.plant(name), other.plant(name), rtol=1e-9, atol=1e-9)


def test_protections_of_a_strategy_act_in_the_loop(
    utility: Rig, prepared: PreparedDrive, logger: LiveLogger, runs: dict[str, StrategyRun]
) -> None:
    made = make_strategy(utility)
    plain = runs["learnt_load"]
    weak = of_ones_own(replace(made, protections={"coolant_start_degc": -200.0}), utility)
    run = run_strategy(utility, prepared, logger, weak)
    assert run.records.tobytes() == plain.records.tobytes()
    # Stricter: nothing before the coolant is warmer than it ever is on this drive.
    warmest = float(np.nanmax(plain.logged("coolant_temp_degc"))) + 1.0
    strict = {"coolant_start_degc": warmest, "coolant_full_degc": warmest + 2.0}
    limits = replace(made, protections=strict)
    run = run_strategy(utility, prepared, logger, of_ones_own(limits, utility))
    assert np.all(run.advised("extra_torque") == 0.0)
    assert plain.advised("extra_torque").max() > 0.5


def test_the_advice_acts(runs: dict[str, StrategyRun]) -> None:
    for name in ("fixed_share", "short_pull", "known_load", "learnt_load"):
        run = runs[name]
        used = run.plant("extra_torque_share")
        allowed = np.repeat(run.advised("extra_torque"), 5)[: used.size]
        # The plant takes extra torque away within half a second.
        window = np.lib.stride_tricks.sliding_window_view(np.pad(allowed, (30, 0)), 31).max(axis=1)
        assert np.all(used <= window[: used.size] + 1e-9), name
        cold = run.plant("coolant_temp_degc") < 59.0
        assert np.all(used[cold] == 0.0)
    assert runs["fixed_share"].plant("extra_torque_share").max() > 0.3
    assert np.all(runs["base"].plant("extra_torque_share") == 0.0)
    # Extra torque is quicker uphill; economy is felt in the pedal.
    assert runs["fixed_share"].plant("time_s")[-1] < runs["base"].plant("time_s")[-1]
    assert runs["known_load"].advised("economy").max() > 0.5


def test_torque_is_reduced_in_gear_changes(runs: dict[str, StrategyRun]) -> None:
    run = runs["known_load"]
    changes = np.diff(run.logged("gear"), prepend=run.logged("gear")[0]) != 0.0
    moving = changes & (run.logged("speed_m_s") > 3.0)
    assert moving.sum() >= 3
    assert np.all(run.advised("torque_factor")[moving] < 0.9)


def test_a_retention_that_is_no_share_is_refused(utility: Rig) -> None:
    with pytest.raises(InputError, match="share from 0 to 1"):
        built_in(utility, 1.5)


def test_loggers_that_cannot_be_live_are_refused(
    utility: Rig, road: Road, prepared: PreparedDrive
) -> None:
    for unfit, words in (
        (Logger.good_10hz("accelerometer"), "accelerometer"),
        (Logger.good_10hz(rate_hz=7.0), "multiple"),
        (replace(Logger.good_10hz(), row_dropout_probability=0.1), "misses"),
    ):
        with pytest.raises(InputError, match=words):
            live_logger(unfit, utility, 0, prepared.steps, prepared.step_s, road.length_m)
