"""What is in a strategy's file is what is driven: made, written, edited, or a rule of one's own."""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pytest
from closed_loop_bench import hold_speed
from draws_bench import evenly, one_of
from hypothesis import given, settings
from plant_bench import Plant
from policy_bench import RIG_TABLE, make_rig
from test_adviser import SaidLoad, SayingEstimator, drive_and_history

from loadlearn.errors import InputError
from loadlearn.estimation import LoadEstimator
from loadlearn.policy import DriveAdviser, advise_log
from loadlearn.policy.choose import choose_strategy
from loadlearn.policy.law_settings import CHANGE_STEP
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.strategy import NEUTRAL, Now, Settings, Strategy, constant
from loadlearn.policy.strategy_file import write_strategy
from loadlearn.vehicle.rig import Rig

CONSTANT = Settings(0.35, 14.0, 0.25)
RULE = '''from loadlearn import Settings

def steady(now):
    """Five lines: always the same."""
    return Settings(power_retention=0.35, full_share_time_s=14.0, economy=0.25)
'''


@pytest.fixture(scope="module")
def driven(rig):
    return drive_and_history(rig)


@pytest.fixture(scope="module")
def made(rig):
    return make_strategy(rig)


# ----------------------------------------------------------------------- the file and the law


@dataclass
class Believed:
    """What the strategy holds for a load learnt, on average over what it may be."""

    retention: float
    economy: float
    retention_spread: float
    economy_spread: float


def expected(made: Strategy, load, advice, drag_area_m2: float) -> Believed:
    """The file's own settings over random draws of the posterior: numpy's, not the law's."""
    random = np.random.default_rng(0)
    # Given the scale; the part of the mass's spread that the scale causes cancels.
    mass = load.mass_kg + load.mass_sd_given_scale_kg * random.normal(size=4000)
    rolling = load.rolling_resistance + load.rolling_resistance_sd * random.normal(size=4000)
    drag = load.drag_area_m2 + load.drag_area_sd_m2 * random.normal(size=4000)
    speed = advice.reference_speed_m_s
    beyond = 0.5 * 1.18 * (drag - drag_area_m2) * speed**2 / (9.80665 * mass)
    found = made.look_up(
        mass,
        np.maximum(np.maximum(rolling, 0.003) + beyond, 1e-3),
        advice.grade_asked_percent,
        speed,
    )
    kept, economy = found["power_retention"], found["economy"]
    return Believed(kept.mean(), economy.mean(), kept.std(), economy.std())


@pytest.mark.parametrize(
    ("mass", "rolling", "grade", "speed", "learns"),
    [
        (2750.0, 0.011, 0.0, 25.0, True),
        (4300.0, 0.012, 0.05, 22.0, True),
        (5600.0, 0.012, 0.05, 20.0, True),
        (5600.0, 0.012, 0.055, 22.0, True),
        (5600.0, 0.012, 0.06, 18.0, True),
        (5700.0, 0.023, 0.04, 20.0, False),
        (5800.0, 0.06, 0.0, 20.0, False),
        (4000.0, 0.1, 0.02, 13.0, False),
    ],
)
def test_advice_on_a_steady_road_is_what_the_table_holds(
    rig, made, mass, rolling, grade, speed, learns
):
    """At the load that is learnt (or said), the speed asked for, and the grade asked for."""
    plant = Plant(rig, mass_kg=mass, rolling_resistance=rolling, seed=3)
    plant.speed_m_s, pedal = speed, hold_speed(plant, speed)
    estimator = LoadEstimator(rig, mass, 0.01 * mass) if learns else None
    load = SaidLoad(mass, 0.04 * mass, 0.02 * mass, rolling, 0.1 * rolling, 2.4, 0.3)
    adviser = DriveAdviser(rig, estimator=estimator or object())
    for _ in range(2500):
        plant.step(pedal(plant.time_s), 0.0, 1.0, grade, 0.1)
        sample = plant.sample()
        load = estimator.step(sample) if estimator else load
        advice = adviser.advise(sample, load)
    assert advice.load_known
    assert advice.grade_asked_percent == pytest.approx(100.0 * grade, abs=0.1)
    assert advice.reference_speed_m_s == pytest.approx(speed, rel=0.1)
    told = expected(made, load, advice, rig.vehicle.drag_area_m2)
    # 64 draws of the law against 4000: their mean is off by no more than this.
    assert advice.retention_asked == pytest.approx(
        told.retention, abs=0.005 + 3.0 * told.retention_spread / 8.0
    )
    due = min(told.retention, advice.sustainable_share)
    assert advice.power_retention == pytest.approx(due, abs=CHANGE_STEP + 0.05)
    economy = adviser.state[0]["economy"]["value"]
    assert economy == pytest.approx(told.economy, abs=CHANGE_STEP + 0.05)


def test_the_steady_roads_span_the_settings(made):
    found = made.look_up([2750.0, 5600.0], [0.011, 0.012], [0.0, 5.5], [25.0, 22.0])
    assert np.ptp(found["power_retention"]) > 0.5 and np.ptp(found["economy"]) > 0.5


@pytest.mark.parametrize("form", ["strategy.toml", "strategy.json", "with_table.toml"])
def test_the_written_file_gives_the_same_advice_to_the_bit(rig, made, driven, tmp_path, form):
    trace, history = driven
    write_strategy(made, tmp_path / form, table_csv=form.startswith("with_table"))
    ours = advise_log(trace, rig, history)
    theirs = advise_log(trace, rig, history, tmp_path / form)
    pd.testing.assert_frame_equal(ours, theirs, check_exact=True)
    assert ours["extra_torque"].max() > 0.2 and ours["power_retention"].max() > 0.0
    first, second = (
        DriveAdviser(rig, one, estimator=SayingEstimator(history))
        for one in (None, tmp_path / form)
    )
    for sample in trace.head(1200).to_dict("records"):
        assert first.step(sample) == second.step(sample)


def by_load() -> Strategy:
    """Settings over mass and rolling resistance alone."""
    axes = {name: np.array([value]) for name, value in NEUTRAL.items()}
    axes |= {
        "mass_kg": np.array([3000.0, 4000.0, 5000.0, 6000.0]),
        "rolling_resistance": np.array([0.01, 0.02, 0.05]),
    }
    mass, rolling = np.meshgrid(axes["mass_kg"], axes["rolling_resistance"], indexing="ij")
    kept = ((mass - 3000.0) / 6000.0 + 4.0 * rolling)[:, :, None, None]
    return Strategy(
        "by load",
        axes,
        {"power_retention": kept, "full_share_time_s": 40.0 * kept, "economy": 0.9 - kept},
    )


@settings(deadline=None, max_examples=12)
@given(one_of((0, 1, 2, 3)), one_of((0, 1, 2)), evenly(0.0, 1.0))
def test_a_cell_edited_in_the_table_is_the_advice_there_and_nowhere_else(
    tmp_path_factory, i, j, value
):
    strategy, folder = by_load(), tmp_path_factory.mktemp("edited")
    write_strategy(strategy, folder / "mine.toml", table_csv=True)
    table = pd.read_csv(folder / "mine.csv")
    mass, rolling = strategy.axes["mass_kg"][i], strategy.axes["rolling_resistance"][j]
    row = (table["mass_kg"] == mass) & (table["rolling_resistance"] == rolling)
    assert row.sum() == 1
    table.loc[row, "power_retention"] = value
    # As a spreadsheet of a country with decimal commas saves it.
    table.to_csv(folder / "mine.csv", sep=";", decimal=",", index=False)
    sure = SaidLoad(mass, 1e-6, 1e-6, rolling, 1e-9, 2.4, 1e-9)

    def asked(strategy, load):
        adviser = DriveAdviser(make_rig(), strategy, estimator=object())
        sample = {"time_s": 0.0, "speed_m_s": 18.0, "fuel_rate_g_s": 2.0, "grade_percent": 1.0}
        return adviser.advise(sample, load).retention_asked

    assert asked(folder / "mine.toml", sure) == pytest.approx(value, abs=1e-6)
    kept = strategy.settings["power_retention"]
    for k, m in np.ndindex(4, 3):
        if (k, m) != (i, j):
            other = replace(
                sure,
                mass_kg=strategy.axes["mass_kg"][k],
                rolling_resistance=strategy.axes["rolling_resistance"][m],
            )
            assert asked(folder / "mine.toml", other) == pytest.approx(kept[k, m, 0, 0], abs=1e-6)


def test_a_rule_of_five_lines_is_driven_as_a_constant_strategy(rig, driven, tmp_path):
    trace, history = driven
    (tmp_path / "rules.py").write_text(RULE)
    ours = advise_log(trace, rig, history, constant("always", CONSTANT))
    for rule in (f"{tmp_path}/rules.py:steady", tmp_path / "rules.py", lambda now: CONSTANT):
        theirs = advise_log(trace, rig, history, rule)
        # The mean over 64 draws of one and the same number is that number, to the last bit or two.
        pd.testing.assert_frame_equal(ours, theirs, rtol=1e-12, atol=1e-12)
    assert ours["power_retention"].iloc[-1] == pytest.approx(0.35)
    assert ours["economy"].max() == pytest.approx(0.25)


def test_a_rule_sees_what_the_advice_tells(rig, driven):
    trace, history = driven
    seen: list[Now] = []

    def looking(now: Now) -> Settings:
        seen.append(now)
        return CONSTANT

    advice = advise_log(trace, rig, history, looking)
    at = np.searchsorted(trace["time_s"], [now.time_s for now in seen])
    assert len(seen) == pytest.approx(trace["time_s"].iloc[-1], abs=2)
    for name, column in (("mass_kg", history), ("mass_sd_kg", history)):
        assert [getattr(now, name) for now in seen] == column[name].iloc[at].tolist()
    # Asked before the sample is taken in: at the speed asked for after the one before.
    speed = advice["reference_speed_m_s"].to_numpy()
    assert [now.speed_m_s for now in seen[1:]] == speed[at[1:] - 1].tolist()
    # Grades differ only where another 50 m of road are full just then.
    grade = [now.grade_percent for now in seen]
    same = np.isclose(advice["grade_asked_percent"].to_numpy()[at], grade, rtol=1e-9, atol=1e-9)
    assert same.mean() > 0.8 and np.ptp(grade) > 4.0


# ---------------------------------------------------------------------- whose limits hold


def test_a_strategy_of_another_rig_is_refused_and_told_by_its_keys(rig, made, tmp_path):
    table = copy.deepcopy(RIG_TABLE)
    table["vehicle"]["tyre_radius_m"] = 0.42
    table["driveline"]["final_drive"] = 4.1
    place = tmp_path / "theirs.toml"
    write_strategy(make_strategy(Rig.from_dict(table)), place)
    for use in (choose_strategy, lambda given, rig: DriveAdviser(rig, given, estimator=object())):
        with pytest.raises(InputError) as refused:
            use(place, rig)
        for said in ("vehicle.tyre_radius_m 0.42 there, 0.38 here", "final_drive 4.1", str(place)):
            assert said in str(refused.value)
    # What is believed of the log or limited is no other rig; nor is one that names none.
    believed = make_rig(exhaust_gas_temp_degc=700.0)
    assert choose_strategy(replace(made, protections={}), believed).name == made.name
    assert choose_strategy(constant("any", CONSTANT), Rig.from_dict(table)).warnings == ()


def test_weakened_protections_do_not_count_and_are_told(rig, made, driven):
    trace, history = driven
    weak = {"coolant_start_degc": -200.0, "exhaust_gas_temp_degc": 1000.0}
    chosen = choose_strategy(replace(made, protections=weak), rig)
    assert len(chosen.warnings) == 2
    for key in weak:
        assert any(key in warning and "weaker" in warning for warning in chosen.warnings)
    assert chosen.rig.limits == rig.limits
    ours = advise_log(trace, rig, history, made)
    theirs = advise_log(trace, rig, history, replace(made, protections=weak))
    pd.testing.assert_frame_equal(ours, theirs, check_exact=True)
    # A stricter one counts, key by key.
    strict = choose_strategy(replace(made, protections={**weak, "coolant_full_degc": 89.0}), rig)
    assert strict.rig.limits.coolant_full_degc == 89.0 and len(strict.warnings) == 2
