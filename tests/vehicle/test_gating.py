"""Which samples may be believed, and why not."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from traction_bench import steady

from loadlearn.vehicle.gating import (
    BRAKE_SETTLING_S,
    REASON,
    REASONS,
    SETTLING_S,
    retarded,
    traction_memory,
)
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.traction import traction


def test_every_reason_has_its_words() -> None:
    assert len(REASONS) == len(REASON) == len(set(REASONS))
    assert REASONS[REASON.known] == ""


@pytest.mark.parametrize(
    ("channels", "reason"),
    [
        ({"brake_active": 1.0}, "service brake"),
        ({"speed_m_s": 1.0}, "standstill or crawling"),
        ({"gear": -1.0}, "reverse"),
        ({"fuel_rate_g_s": np.nan, "engine_torque_n_m": None}, "no force channel"),
        ({"brake_active": None, "fuel_rate_g_s": 0.0}, "overrun without a brake switch"),
    ],
)
def test_reasons_for_setting_aside(rig: Rig, channels: dict[str, Any], reason: str) -> None:
    trace = steady(rig, **channels)
    if trace["fuel_rate_g_s"].isna().all():
        trace.loc[0, "fuel_rate_g_s"] = 3.0
    assert traction(trace, rig)["set_aside_because"].iloc[-1] == reason


def test_a_gear_change_and_the_brake_settle(rig: Rig) -> None:
    trace = steady(rig, seconds=6.0)
    trace.loc[20:, "gear"] = 5.0
    trace.loc[20:, "engine_speed_rpm"] *= rig.overall_ratio(5) / rig.overall_ratio(4)
    trace.loc[40, "brake_active"] = 1.0
    reason = traction(trace, rig)["set_aside_because"].astype(str).to_numpy()
    time = trace["time_s"].to_numpy()
    assert (reason[(time > 1.95) & (time < 2.0 + SETTLING_S)] == "gear change").all()
    assert (reason[(time > 3.95) & (time < 4.0 + BRAKE_SETTLING_S)] == "service brake").all()
    assert set(reason[(time > 2.75) & (time < 3.9)]) == {""}
    assert set(reason[time > 4.4]) == {""}


@pytest.mark.parametrize(("brake", "reason"), [(None, "overrun"), (0.0, "gear change")])
def test_a_gear_change_in_overrun_is_overrun_first(
    rig: Rig, brake: float | None, reason: str
) -> None:
    """A slow log learns through gear changes; one with the brakes on, unseen, must not pass."""
    trace = steady(rig, brake_active=brake)
    trace.loc[25:, ["gear", "fuel_rate_g_s"]] = 5.0, 0.0
    trace.loc[25:, "engine_speed_rpm"] *= rig.overall_ratio(5) / rig.overall_ratio(4)
    found = traction(trace, rig)["set_aside_because"]
    assert found[24] == ""
    assert found[26].startswith(reason)


@pytest.mark.parametrize(("has_converter", "reason"), [(False, "gear change"), (True, "")])
def test_a_clutch_that_slips_after_a_gear_change_is_not_believed(
    rig: Rig, has_converter: bool, reason: str
) -> None:
    line = rig.driveline.model_copy(
        update={"converter_stall_torque_ratio": 1.9 if has_converter else None}
    )
    rig = rig.model_copy(update={"driveline": line})
    trace = steady(rig, seconds=6.0)
    trace.loc[20:, "gear"] = 5.0
    trace.loc[20:, "engine_speed_rpm"] *= rig.overall_ratio(5) / rig.overall_ratio(4)
    trace.loc[20:32, "engine_speed_rpm"] *= 1.04
    found = traction(trace, rig)["set_aside_because"].astype(str).to_numpy()
    time = trace["time_s"].to_numpy()
    # Settled by the clock, but engine and wheels do not turn as one yet.
    slipping = (time > 2.0 + SETTLING_S + 0.05) & (time < 3.25)
    assert slipping.any() and set(found[slipping]) == {reason}
    assert set(found[time > 3.45]) == {""}


@pytest.mark.parametrize(
    ("may_be", "force_n", "flag", "reason"),
    [
        (True, 100.0, 1.0, REASON.retarder),
        (False, -100.0, 1.0, REASON.retarder),
        (True, -100.0, 0.0, REASON.known),
        (False, -100.0, math.nan, REASON.known),
        (True, 100.0, math.nan, REASON.known),
        (True, -100.0, math.nan, REASON.overrun_retarded),
    ],
)
def test_a_retarder_s_drag_is_in_no_channel(
    may_be: bool, force_n: float, flag: float, reason: int
) -> None:
    memory = traction_memory().view(np.recarray)[0]
    assert retarded.py_func(memory, may_be, 10.0, force_n, flag) == reason


def test_overrun_that_may_be_retarded_settles() -> None:
    memory = traction_memory().view(np.recarray)[0]
    look = retarded.py_func
    assert look(memory, True, 10.0, -50.0, math.nan) == REASON.overrun_retarded
    soon, later = 10.0 + 0.5 * BRAKE_SETTLING_S, 10.0 + 1.1 * BRAKE_SETTLING_S
    assert look(memory, True, soon, 50.0, math.nan) == REASON.overrun_retarded
    assert look(memory, True, later, 50.0, math.nan) == REASON.known
