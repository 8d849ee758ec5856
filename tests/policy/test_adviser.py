"""DriveAdviser and advise_log: the public face, with an estimator that needs no drive."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from plants.heated_vehicle import Plant
from policy_bench import make_rig, with_sensor

from loadlearn.errors import InputError
from loadlearn.policy import Advice, DriveAdviser, advise_log
from loadlearn.policy.columns import LIMIT_NAMES
from loadlearn.policy.law_settings import CHANGE_STEP, LET_GO_STEP
from loadlearn.policy.lookup import drag_as_rolling, grid_of
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.reason import limits_of_bits, reason_sentence
from loadlearn.policy.strategy import Now, Settings, Strategy, constant
from loadlearn.policy.strategy_file import read_strategy, write_strategy
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
    "retention_asked",
    "grade_asked_percent",
    "sustainable_share",
    "wanted_share",
    "reference_speed_m_s",
)


def on_climbs(now: Now) -> Settings:
    """A rule that looks at everything it is given."""
    steep = min(max(now.grade_percent / 6.0, 0.0), 1.0)
    sure = 1.0 - min(now.mass_sd_kg / now.mass_kg, 1.0)
    part = 0.5 + 0.5 * min(now.speed_m_s / 40.0, 1.0)
    late = 1.0 if now.time_s > 60.0 else 0.9
    return Settings(steep * sure * late, 60.0 * part, (1.0 - steep) * now.rolling_resistance * 20.0)


def step_by_step(rig, driven, strategy=None) -> list[Advice]:
    trace, history = driven
    adviser = DriveAdviser(rig, strategy, estimator=SayingEstimator(history))
    return [adviser.step(sample) for sample in trace.to_dict("records")]


@pytest.mark.parametrize("strategy", [None, on_climbs])
def test_log_and_steps_give_the_same_numbers(rig, driven, strategy):
    trace, history = driven
    whole = advise_log(trace, rig, history, strategy)
    steps = step_by_step(rig, driven, strategy)
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


# ------------------------------------------------------------------ law and file are one thing


def steady_climb(rig, load: SaidLoad, grade_percent, speed_m_s, strategy=None) -> Advice:
    """Advice after six minutes of one speed on one grade, at part load, all cool."""
    seconds, random = 400, np.random.default_rng(3)
    history = pd.DataFrame([vars(load)] * seconds)
    adviser = DriveAdviser(rig, strategy, estimator=SayingEstimator(history))
    for i in range(seconds):
        advice = adviser.step(
            {
                "time_s": float(i),
                "speed_m_s": speed_m_s,
                "fuel_rate_g_s": 0.3 * adviser.thermal.rated_fuel_g_s,
                "grade_percent": grade_percent,
                "engine_speed_rpm": 0.6 * rig.engine.full_load_rpm[-1],
                "gear": float(len(rig.driveline.gear_ratios)),
                "accelerator_percent": 50.0,
                "coolant_temp_degc": 85.0,
                "exhaust_gas_temp_degc": round(430.0 + 2.0 * random.normal()),
                "ambient_temp_degc": 20.0,
                "ambient_pressure_kpa": 100.0,
            }
        )
    return advice


def load_of(rig, part: float, rolling: float, relative_sd: float) -> SaidLoad:
    """A load part of the way from the vehicle alone to GCM, known to a relative sd."""
    vehicle = rig.vehicle
    mass = vehicle.mass_kg + part * (rig.nominal_gcm_kg - vehicle.mass_kg)
    sd, drag = relative_sd * mass, vehicle.drag_area_m2
    return SaidLoad(
        mass, sd, 0.7 * sd, rolling, relative_sd * rolling, 1.1 * drag, relative_sd * drag
    )


def told_by_file(rig, strategy: Strategy, advice: Advice, load: SaidLoad, mass=1.0, rolling=1.0):
    """What the file says at the load and at the road that the advice names."""
    # 100 kPa at 20 degC, 287.05 J/(kg K); the drag beyond the rig's drags as rolling does.
    density = 100e3 / (287.05 * 293.15)
    grid = grid_of(strategy, rig.vehicle.drag_area_m2, rig.uncertainty.tractive_scale)
    mass_kg, speed = mass * load.mass_kg, advice.reference_speed_m_s
    beyond = drag_as_rolling(grid, mass_kg, load.drag_area_m2, speed, density)
    rolling = rolling * load.rolling_resistance + beyond
    found = strategy.look_up(mass_kg, rolling, advice.grade_asked_percent, speed)
    return {name: one.item() for name, one in found.items()}


CLIMBS = [
    ("test rig", 0.5, 0.014, 6.0, 22.0),
    ("test rig", 0.3, 0.03, 3.0, 24.0),
    ("heavy_truck", 0.75, 0.008, 2.2, 20.0),
    ("utility_boat", 0.8, 0.012, 4.5, 21.0),
]


@pytest.mark.parametrize("climb", CLIMBS)
def test_the_law_ends_at_what_the_file_says(climb):
    name, part, rolling, grade, speed = climb
    rig = with_sensor(name, "before_turbine")
    strategy = make_strategy(rig)
    load = load_of(rig, part, rolling, 1e-4)
    advice = steady_climb(rig, load, grade, speed)
    assert advice.reference_speed_m_s == pytest.approx(speed)
    assert advice.grade_asked_percent == pytest.approx(grade)
    told = told_by_file(rig, strategy, advice, load)
    assert 0.02 < told["power_retention"] < 0.98 or 0.02 < told["economy"] < 0.98
    assert advice.retention_asked == pytest.approx(told["power_retention"], abs=2e-3)
    assert advice.economy == pytest.approx(told["economy"], abs=2e-3)
    kept = min(told["power_retention"], advice.sustainable_share)
    # What the heat forbids and allows again is published in larger steps.
    by_heat = advice.sustainable_share < told["power_retention"] - CHANGE_STEP
    step = LET_GO_STEP if by_heat else CHANGE_STEP
    assert advice.power_retention == pytest.approx(kept, abs=step)
    assert advice.full_share_time_s <= told["full_share_time_s"] + 1e-2


@pytest.mark.parametrize("climb", CLIMBS)
def test_what_is_not_known_of_the_load_counts(climb):
    """The mean over the posterior lies between what the file says at its ends."""
    name, part, rolling, grade, speed = climb
    rig = with_sensor(name, "before_turbine")
    strategy = make_strategy(rig)
    load = load_of(rig, part, rolling, 0.06)
    advice = steady_climb(rig, load, grade, speed)
    ends = [told_by_file(rig, strategy, advice, load, end, end) for end in (0.85, 1.15)]
    middle = told_by_file(rig, strategy, advice, load)
    light, heavy = (one["power_retention"] for one in ends)
    assert light < advice.retention_asked < heavy
    assert advice.retention_asked == pytest.approx(middle["power_retention"], abs=0.12)
    assert ends[1]["economy"] - 1e-3 <= advice.economy <= ends[0]["economy"] + 1e-3


@pytest.mark.parametrize(
    ("file", "table_csv"), [("one.toml", False), ("one.toml", True), ("one.json", False)]
)
def test_the_written_file_drives_bit_for_bit_as_the_rig_does(
    rig, driven, tmp_path, file, table_csv
):
    trace, history = driven
    path = tmp_path / file
    written = write_strategy(make_strategy(rig), path, table_csv=table_csv)
    assert len(written) == 1 + table_csv
    plain = advise_log(trace, rig, history)
    for given in (path, str(path)):
        pd.testing.assert_frame_equal(
            advise_log(trace, rig, history, given), plain, check_exact=True
        )
    steps, own = step_by_step(rig, driven, path), step_by_step(rig, driven)
    assert all(one == other for one, other in zip(steps, own, strict=True))


def test_a_cell_edited_in_the_table_is_what_is_advised(rig, tmp_path):
    made = make_strategy(rig)
    write_strategy(made, tmp_path / "own.toml", table_csv=True)
    at = {"mass_kg": made.axes["mass_kg"][4], "rolling_resistance": 0.014}
    at |= {"grade_percent": 4.5, "speed_m_s": 20.0}
    table = pd.read_csv(tmp_path / "own.csv")
    cell = np.logical_and.reduce([np.isclose(table[name], value) for name, value in at.items()])
    assert cell.sum() == 1
    table.loc[cell, ["power_retention", "economy"]] = 0.321, 0.654
    table.to_csv(tmp_path / "own.csv", index=False)
    edited = tmp_path / "own.toml"
    drag = rig.vehicle.drag_area_m2
    load = SaidLoad(at["mass_kg"], 0.1, 0.1, 0.014, 1e-7, drag, 1e-6)
    before, after = (
        steady_climb(rig, load, 4.5, 20.0, one) for one in (made, tmp_path / "own.toml")
    )
    assert after.retention_asked == pytest.approx(0.321, abs=1e-3)
    assert after.economy == pytest.approx(0.654, abs=1e-3)
    assert abs(before.retention_asked - 0.321) > 0.05 and abs(before.economy - 0.654) > 0.05
    # Where the edit does not reach, nothing changes.
    load.mass_kg = made.axes["mass_kg"][2]
    before, after = (
        steady_climb(rig, load, 4.5, 20.0, one) for one in (made, tmp_path / "own.toml")
    )
    assert before == after
    changed = read_strategy(edited).settings["economy"] != made.settings["economy"]
    assert (changed & ~np.isnan(made.settings["economy"])).sum() == 1


def test_a_rule_of_constants_is_a_grid_of_constants(rig, driven):
    trace, history = driven
    settings = Settings(power_retention=0.37, full_share_time_s=12.0, economy=0.41)

    def always(now: Now) -> Settings:
        return settings

    by_rule = advise_log(trace, rig, history, always)
    by_grid = advise_log(trace, rig, history, constant("constant", settings))
    for name in by_rule.columns:
        if by_rule[name].dtype.kind == "f":
            assert by_rule[name].to_numpy() == pytest.approx(
                by_grid[name].to_numpy(), abs=1e-9, nan_ok=True
            ), name
    assert by_rule["active_limits"].equals(by_grid["active_limits"])
    known = by_rule["load_known"] > 0.5
    assert by_rule["retention_asked"][known].iloc[-1] == pytest.approx(0.37)
    assert by_rule["economy"].max() == pytest.approx(0.41)


def test_no_more_full_share_time_is_told_than_the_strategy_gives(rig, driven):
    trace, history = driven
    short = constant("short", Settings(0.37, 12.0, 0.41))
    assert advise_log(trace, rig, history, short)["full_share_time_s"].max() <= 12.0


def test_a_rule_is_told_what_is_known(rig, driven):
    trace, history = driven
    seen = []

    def looks(now: Now) -> Settings:
        seen.append(now)
        return Settings()

    advice = advise_log(trace, rig, history, looks)
    second = np.floor(trace["time_s"])
    ticks = np.flatnonzero(np.concatenate(([True], np.diff(second) != 0.0)))
    assert len(seen) == ticks.size
    for now, tick in zip(seen, ticks, strict=True):
        assert now.time_s == trace["time_s"][tick]
        assert now.mass_kg == history["mass_kg"][tick]
        assert now.mass_sd_kg == history["mass_sd_kg"][tick]
        assert now.rolling_resistance == history["rolling_resistance"][tick]
    # It is asked just before the sample of a tick is taken in.
    asked = advice["reference_speed_m_s"].to_numpy()[ticks[1:] - 1]
    assert [now.speed_m_s for now in seen[1:]] == pytest.approx(asked)
    # The road is 6 % from 600 m to 2600 m; a high quantile of what has been met.
    assert 5.0 < max(now.grade_percent for now in seen) < 6.5
