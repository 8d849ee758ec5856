"""DriveAdviser and advise_log: the public face, with an estimator that needs no drive."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from plant_bench import Plant
from policy_bench import make_rig

from loadlearn.errors import InputError
from loadlearn.policy import Advice, DriveAdviser, advise_log
from loadlearn.policy.columns import LIMIT_NAMES
from loadlearn.policy.reason import limits_of_bits, reason_sentence
from loadlearn.policy.strategy import Now, Settings
from loadlearn.vehicle.rig import Rig


@dataclass
class SaidLoad:
    """A load estimate as the estimator gives it."""

    mass_kg: float = 5200.0
    mass_sd_kg: float = 120.0
    mass_sd_given_scale_kg: float = 80.0
    rolling_resistance: float = 0.023
    rolling_resistance_sd: float = 0.002
    drag_area_m2: float = 2.4
    drag_area_sd_m2: float = 0.2
    surface: str = "gravel"


@dataclass
class SayingEstimator:
    """An estimator that says what it is told, sample by sample."""

    history: pd.DataFrame
    row: int = 0

    def step(self, sample: object) -> SaidLoad:
        line = self.history.iloc[self.row]
        self.row += 1
        return SaidLoad(*(line[name] for name in SaidLoad.__dataclass_fields__))


def drive_and_history(rig, seconds=240.0, seed=5) -> tuple[pd.DataFrame, pd.DataFrame]:
    plant = Plant(rig, mass_kg=5200.0, rolling_resistance=0.023, seed=seed)
    rows, beliefs = [], []
    for i in range(round(seconds * 10)):
        hill = 0.06 if 600 < plant.distance_m < 2600 else 0.0
        plant.step(0.9 if i < 200 or hill else 0.45, 0.0, 1.0, hill, 0.1)
        rows.append(plant.sample())
        sd = 1200.0 if i < 150 else 150.0
        beliefs.append(SaidLoad(5200.0 + 0.1 * i, sd, 0.6 * sd))
    return pd.DataFrame(rows), pd.DataFrame([vars(one) for one in beliefs])


@pytest.fixture(scope="module")
def driven(rig):
    return drive_and_history(rig)


COMPARED = (
    "power_retention",
    "full_share_time_s",
    "economy",
    "extra_torque",
    "torque_factor",
    "grade_asked_percent",
    "retention_asked",
    "sustainable_share",
    "wanted_share",
    "reference_speed_m_s",
)


def keep_by_mass(now: Now) -> Settings:
    return Settings(0.4 if now.mass_kg > 5300.0 else 0.7, 12.0, 0.2)


@pytest.mark.parametrize("strategy", [None, keep_by_mass])
def test_log_and_steps_give_the_same_numbers(rig, driven, strategy):
    trace, history = driven
    whole = advise_log(trace, rig, history, strategy)
    adviser = DriveAdviser(rig, strategy, estimator=SayingEstimator(history))
    steps = [adviser.step(sample) for sample in trace.to_dict("records")]
    for name in COMPARED:
        online = np.array([getattr(one, name) for one in steps])
        assert np.array_equal(online, whole[name].to_numpy()), name
    assert [";".join(one.active_limits) for one in steps] == whole["active_limits"].tolist()
    assert steps[-1].reason.split(":")[0].split(" t ")[0] in whole["reason"].iloc[-1]
    assert whole["extra_torque"].max() > 0.2


def test_advice_has_what_users_rely_on(rig, driven):
    trace, history = driven
    adviser = DriveAdviser(rig, estimator=SayingEstimator(history))
    advice = [adviser.step(sample) for sample in trace.head(300).to_dict("records")]
    for one in advice:
        assert isinstance(one, Advice)
        for name in ("power_retention", "economy", "extra_torque", "torque_factor"):
            assert 0.0 <= getattr(one, name) <= 1.0
        assert 0.0 <= one.full_share_time_s <= 60.0
        assert isinstance(one.active_limits, tuple) and set(one.active_limits) <= set(LIMIT_NAMES)
        assert isinstance(one.reason, str) and "\n" not in one.reason
    early = advice[100]
    assert early.power_retention == early.economy == early.full_share_time_s == 0.0
    assert "load_unknown" in early.active_limits and "until the load is known" in early.reason


def test_no_exhaust_sensor_is_always_zero_and_says_so(driven):
    trace, history = driven
    advice = advise_log(trace, make_rig(exhaust_gas_temp_sensor="none"), history)
    assert np.all(advice["extra_torque"] == 0.0) and np.all(advice["power_retention"] == 0.0)
    assert advice["active_limits"].str.contains("exhaust_sensor").all()
    assert advice["reason"].str.contains("no exhaust temperature sensor").all()


def test_a_rig_without_uprate_or_curve(driven):
    trace, history = driven
    table = make_rig().model_dump(exclude={"engine": {"uprated"}})
    plain = Rig.from_dict(table)
    advice = advise_log(trace, plain, history)
    assert np.all(advice["extra_torque"] == 0.0)
    assert advice["active_limits"].str.contains("no_uprated_engine").all()
    bare = {**table["engine"], "full_load_rpm": [], "full_load_torque_n_m": []}
    bare.pop("reference_torque_n_m")
    with pytest.raises(InputError, match="full_load_rpm"):
        DriveAdviser(Rig.from_dict({**table, "engine": bare}), estimator=object())


def test_low_range_may_come_as_word_or_number(rig, driven):
    trace, history = driven
    words = trace.assign(transfer_range=["high", "low"] * (len(trace) // 2))
    numbers = trace.assign(transfer_range=[0.0, 1.0] * (len(trace) // 2))
    first, second = (advise_log(t, rig, history) for t in (words, numbers))
    assert np.array_equal(first["extra_torque"], second["extra_torque"])
    assert first["active_limits"].str.contains("axle_torque").any()


def test_gap_takes_what_was_given(rig, driven):
    trace, history = driven
    whole = advise_log(trace, rig, history)
    at = int(np.argmax(whole["extra_torque"].to_numpy() > 0.2))
    cut = trace.drop(index=range(at, at + 100)).reset_index(drop=True)
    kept = history.drop(index=range(at, at + 100)).reset_index(drop=True)
    assert advise_log(cut, rig, kept)["extra_torque"].iloc[at] <= 0.25


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (
            (5200.0, 100.0, "sand", 4.1, 0.85, 40.0, 0.0, 1.0, 1.0, True, (), float("nan")),
            "5.2 ± 0.1 t on sand, 4 % climb: keeping 85 % of the extra torque; "
            "heat allows all of it for 40 s",
        ),
        (
            (2700.0, 90.0, "sealed", 0.0, 0.0, 60.0, 0.8, 0.0, 0.0, True, ("warm_up",), 0.01),
            "2.7 ± 0.1 t on sealed, level: keeping 0 % of the extra torque; heat allows all of it "
            "for a minute; economy 80 %; none now: the coolant is not warm yet",
        ),
        (
            (6400.0, 200.0, "", -3.0, 0.4, 0.0, 0.0, 0.1, 0.4, True, ("ratings",), 0.45),
            "6.4 ± 0.2 t, 3 % descent: keeping 40 % of the extra torque; held back: the load is "
            "probably above a rating; above a rating with probability 0.45, weigh it",
        ),
    ],
)
def test_reason_reads_well(arguments, expected):
    assert reason_sentence(*arguments) == expected


def test_limits_of_bits():
    assert limits_of_bits(0.0) == ()
    assert limits_of_bits(float(1 | 1 << 10)) == (LIMIT_NAMES[0], LIMIT_NAMES[10])
