"""A strategy file or rule of one's own in the closed loop drives as what it says.

Oracles: the built-in strategies, made of the same data by another way.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from loadlearn.errors import InputError
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.strategy import Settings, constant
from loadlearn.policy.strategy_file import write_strategy
from loadlearn.simulation.comparison import prepare_draw
from loadlearn.simulation.roadfile import read_road
from loadlearn.simulation.scenarios import shipped_rig
from loadlearn.simulation.situation import Situation, situation
from loadlearn.simulation.strategies import Driven, StrategyRun, of_ones_own, run_strategy
from loadlearn.vehicle.rig import Rig

RULES = """
from loadlearn import Now, Settings

def half(now: Now) -> Settings:
    return Settings(0.5, {full_share_time_s!r}, 0.0)
"""
ROAD = """
name = "a rise"
seed = 5
[[section]]
length_m = 1200.0
relief = "level"
speed_limit_km_h = 80.0
temperature_degc = 30.0
[[section]]
length_m = 1200.0
relief = "level"
grade_percent = 7.0
speed_limit_km_h = 80.0
temperature_degc = 30.0
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("own")


@pytest.fixture(scope="module")
def rise(utility: Rig, place: Path) -> Situation:
    (place / "rise.toml").write_text(ROAD)
    return situation(utility, read_road(place / "rise.toml"), 5700.0)


def drive(what: Situation, strategy: Driven) -> StrategyRun:
    prepared, logger = prepare_draw(what, 0, 1, seed=2)
    return run_strategy(what.rig, prepared, logger, strategy)


def built_in_of(what: Situation, name: str) -> Driven:
    return next(one for one in what.compared if one.name == name)


@pytest.mark.parametrize("name", ["made.toml", "made.json"])
def test_the_made_strategys_file_is_learnt_load_bit_for_bit(
    name: str, rise: Situation, place: Path
) -> None:
    write_strategy(make_strategy(rise.rig), place / name, table_csv=name.endswith("toml"))
    own = drive(rise, of_ones_own(place / name, rise.rig))
    learnt = drive(rise, built_in_of(rise, "learnt_load"))
    assert np.array_equal(own.records, learnt.records)
    assert np.array_equal(own.advice, learnt.advice, equal_nan=True)
    assert np.array_equal(own.learnt, learnt.learnt, equal_nan=True)


def test_a_constant_rule_and_a_constant_file_drive_alike(rise: Situation, place: Path) -> None:
    fixed = built_in_of(rise, "fixed_share")
    settings = Settings(0.5, float(fixed.strategy.settings["full_share_time_s"].item()), 0.0)
    (place / "rules.py").write_text(RULES.format(full_share_time_s=settings.full_share_time_s))
    write_strategy(constant("half", settings), place / "half.toml")
    rule = drive(rise, of_ones_own(f"{place / 'rules.py'}:half", rise.rig))
    file = drive(rise, of_ones_own(place / "half.toml", rise.rig))
    assert np.array_equal(rule.records, file.records)
    for name in ("power_retention", "full_share_time_s", "economy", "extra_torque"):
        assert np.array_equal(rule.advised(name), file.advised(name)), name
    # fixed_share is told nothing of the load and so cannot be held back by the ratings; the file
    # learns the load, and is, until it is known to be below them.
    told = drive(rise, fixed)
    differs = told.advised("extra_torque") != file.advised("extra_torque")
    assert np.all(told.advised("power_retention") == file.advised("power_retention"))
    assert np.all(file.advised("extra_torque")[differs] >= 0.0)
    before = int(np.argmax(differs)) if differs.any() else differs.size
    assert np.array_equal(told.records[: 5 * before + 1], file.records[: 5 * before + 1])


def test_two_strategies_of_one_name_get_names_of_their_own(rise: Situation, place: Path) -> None:
    for folder, name in (("a", "mine"), ("b", "mine"), ("c", "learnt_load")):
        (place / folder).mkdir()
        write_strategy(constant("x", Settings()), place / folder / f"{name}.toml")
    files = [place / "a" / "mine.toml", place / "b" / "mine.toml", place / "c" / "learnt_load.toml"]
    what = situation(rise.rig, rise.road, 5700.0, strategies=files)
    names = [one.name for one in what.compared]
    assert len(names) == len(set(names)) == 8
    assert names[:5] == ["base", "fixed_share", "short_pull", "learnt_load", "known_load"]
    assert all(
        own.startswith(stem)
        for own, stem in zip(names[5:], ("mine", "mine", "learnt_load"), strict=True)
    )


def test_a_file_of_another_rig_is_refused_key_by_key(rise: Situation, place: Path) -> None:
    write_strategy(make_strategy(shipped_rig("heavy_truck")), place / "truck.toml")
    with pytest.raises(InputError, match=r"another rig \(.*there, .*here.*more keys"):
        situation(rise.rig, rise.road, 5700.0, strategies=[place / "truck.toml"])
