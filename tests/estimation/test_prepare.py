"""Preparation of whole logs: late channels, whole km/h, what a slow logger's rows still tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loadlearn import LoadEstimator, prepare
from loadlearn.log.fine_speed import fine_speed, whole_unit
from loadlearn.simulation.scenarios import Scenario, scenario
from loadlearn.simulation.sensors import Channel, Logger


def slow_drive(seed: int, logger: Logger, name: str = "obd_1hz_grade") -> Scenario:
    return scenario(name, seed, duration_s=900.0, logger=logger)


# --- late channels --------------------------------------------------------------------------


@pytest.mark.parametrize("delay_s", [0.0, 0.5, 0.9])
def test_the_delay_of_fuelling_is_found_at_one_sample_a_second(delay_s: float) -> None:
    logger = Logger.obd_1hz("grade")
    fuel = replace(logger.channels["fuel_rate_g_s"], delay_s=delay_s)
    found = []
    for seed in (501, 502, 503):
        made = slow_drive(seed, logger.with_channels(fuel_rate_g_s=fuel))
        found.append(prepare(made.drive.log, made.rig).attrs["delays_s"]["force"])
    assert abs(float(np.median(found)) - delay_s) < 0.2


def test_noise_of_an_altimeter_is_no_delay() -> None:
    """Half-way between two samples white noise is averaged: no reason to believe in a delay."""
    for seed in (511, 512, 513):
        made = slow_drive(seed, Logger.obd_1hz("altitude"), "obd_1hz_altitude")
        assert prepare(made.drive.log, made.rig).attrs["delays_s"]["height"] == 0.0


# --- whole units ----------------------------------------------------------------------------


@pytest.mark.parametrize("rounding", ["round", "truncate"])
def test_whole_kilometres_per_hour_made_finer(rounding: str) -> None:
    told = 0
    for seed in (521, 522, 523):
        made = scenario(
            "obd_1hz_grade",
            seed,
            logger=Logger.obd_1hz("grade", rounding=rounding),  # type: ignore[arg-type]
        )
        log, truth = made.drive.log, made.drive.truth
        finer = fine_speed(log, made.rig)
        if finer is None:
            continue
        told += 1
        speed, half_width = finer
        # What is logged carries a share of the driven wheels' slip.
        slip = made.drive.meta["speed_slip_share"] * truth["wheel_slip"].to_numpy()
        wheels = truth["speed_m_s"].to_numpy() * (1.0 + slip)
        error, before = speed - wheels, log["speed_m_s"].to_numpy() - wheels
        fine = half_width == 0.0
        assert fine[wheels > 5.0].mean() > 0.6
        assert abs(error[fine].mean()) < 0.05
        assert error[fine].std() < 0.8 * before[fine].std()
        assert_allclose(half_width[~fine], 0.5 / 3.6)
    assert told >= 2


def test_speed_is_left_alone_without_steps_or_engine_speed() -> None:
    made = slow_drive(531, Logger.obd_1hz("grade"))
    log = made.drive.log
    assert whole_unit(log["speed_m_s"].to_numpy()) == pytest.approx(1.0 / 3.6)
    assert fine_speed(log.drop(columns="engine_speed_rpm"), made.rig) is None
    free = log.assign(speed_m_s=log["speed_m_s"] * 1.0013)
    assert whole_unit(free["speed_m_s"].to_numpy()) == 0.0
    assert fine_speed(free, made.rig) is None


# --- slow rows ------------------------------------------------------------------------------


def test_a_gear_change_between_slow_samples_is_not_lost() -> None:
    """At 10 Hz the change's own samples are set aside; at 1 Hz its interval counts, less sure."""
    slow = slow_drive(541, Logger.obd_1hz("grade"))
    fast = slow_drive(541, Logger.good_10hz("grade"))
    share = {}
    for name, made in (("slow", slow), ("fast", fast)):
        history = LoadEstimator(made.rig).run(prepare(made.drive.log, made.rig))
        share[name] = float((history["set_aside_because"] == "gear change").mean())
    assert share["fast"] > 0.005
    assert share["slow"] < 0.03
    stiff = slow.rig.model_copy(
        update={
            "driveline": slow.rig.driveline.model_copy(
                update={"converter_stall_torque_ratio": None}
            )
        }
    )
    history = LoadEstimator(stiff).run(prepare(slow.drive.log, stiff))
    assert float((history["set_aside_because"] == "gear change").mean()) > 2.0 * share["slow"]


def test_a_logged_exhaust_brake_sets_the_overrun_aside() -> None:
    """Its drag is in no channel; taken for friction it made a truck a quarter too light."""
    logger = Logger.good_10hz("grade")
    flagged = logger.with_channels(exhaust_brake_active=Channel(resolution=1.0))
    errors = {}
    for name, used, fitted in (
        ("told", flagged, True),
        ("not told", logger, True),
        ("denied", logger, False),
    ):
        made = scenario("exhaust_brake", 41, duration_s=900.0, rig_name="heavy_truck", logger=used)
        engine = made.rig.engine.model_copy(update={"exhaust_brake": fitted})
        rig = made.rig.model_copy(update={"engine": engine})
        log, truth = made.drive.log, made.drive.truth
        history = LoadEstimator(rig).run(log, prepare=False)
        aside = (history["set_aside_because"] == "exhaust brake or retarder").to_numpy()
        assert aside.any() == (name == "told")
        if name == "told":
            on = log["exhaust_brake_active"].to_numpy() > 0.5
            assert not history["learning"].to_numpy()[on].any()
        overrun = history["set_aside_because"] == "overrun without an exhaust-brake channel"
        assert overrun.any() == (name == "not told")
        implied = history["mass_given_scale_kg"].iloc[-1] * truth["tractive_scale"].iloc[-1]
        errors[name] = abs(implied / truth["mass_kg"].iloc[-1] - 1.0)
    assert max(errors["told"], errors["not told"]) < 0.04
    assert errors["denied"] > max(errors["told"], errors["not told"])
