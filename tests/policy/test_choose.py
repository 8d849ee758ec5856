"""What drives the settings: for which rig, and with whose protections."""

from __future__ import annotations

from dataclasses import replace

import pytest
from policy_bench import make_rig
from test_adviser import drive_and_history

from loadlearn.errors import InputError
from loadlearn.policy import DriveAdviser, advise_log
from loadlearn.policy.choose import choose_strategy
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.strategy import Settings, constant
from loadlearn.policy.strategy_file import write_strategy
from loadlearn.vehicle.rig import Rig


def test_nothing_given_is_made_for_the_rig(rig):
    chosen = choose_strategy(None, rig)
    assert chosen.rig is rig and chosen.rule is None and chosen.warnings == ()
    assert chosen.strategy.shape == make_strategy(rig).shape


def other_rig(rig: Rig) -> Rig:
    table = rig.model_dump(exclude_none=True)
    table["vehicle"]["mass_kg"] = 2950.0
    table["driveline"]["final_drive"] = 4.1
    return Rig.from_dict(table)


def test_another_rigs_file_is_refused_by_the_keys_that_differ(rig, tmp_path):
    write_strategy(make_strategy(rig), tmp_path / "theirs.json")
    for use in (DriveAdviser, lambda mine, file: choose_strategy(file, mine)):
        with pytest.raises(InputError) as refused:
            use(other_rig(rig), tmp_path / "theirs.json")
        said = str(refused.value)
        assert "theirs.json" in said and "another rig" in said
        assert "mass_kg 2700.0 there, 2950.0 here" in said
        assert "final_drive 3.7 there, 4.1 here" in said
        assert "loadlearn schedule --rig" in said


def test_a_strategy_for_any_rig_drives_any(rig):
    any_rig = constant("for any", Settings(0.3, 20.0, 0.1))
    assert choose_strategy(any_rig, other_rig(rig)).name == "for any"


def test_weakened_protections_do_not_count_and_are_told(rig):
    trace, history = drive_and_history(rig, seconds=120.0)
    made = make_strategy(rig)
    weak = {
        **made.protections,
        "coolant_start_degc": -200.0,
        "exhaust_gas_temp_degc": 2000.0,
        "cruise_extra_torque": True,
    }
    weakened = replace(made, protections=weak)
    chosen = choose_strategy(weakened, rig)
    assert chosen.rig.limits == rig.limits
    told = dict(
        zip(
            ("coolant_start_degc", "cruise_extra_torque", "exhaust_gas_temp_degc"),
            sorted(chosen.warnings),
            strict=True,
        )
    )
    for key, sentence in told.items():
        assert sentence.startswith(f"{key} = {weak[key]!r}") and "weaker" in sentence
    assert DriveAdviser(rig, weakened, estimator=object()).chosen.warnings == chosen.warnings
    plain = advise_log(trace, rig, history)
    assert advise_log(trace, rig, history, weakened)["extra_torque"].equals(plain["extra_torque"])


def test_stricter_protections_count(rig):
    trace, history = drive_and_history(rig, seconds=120.0)
    made = make_strategy(rig)
    # The plant's coolant runs at some 88 degC: one that must first be at 100 gives nothing.
    strict = replace(made, protections={"coolant_start_degc": 100.0, "coolant_full_degc": 101.0})
    chosen = choose_strategy(strict, rig)
    assert chosen.warnings == () and chosen.rig.limits.coolant_start_degc == 100.0
    assert rig.limits.coolant_start_degc < 90.0
    plain, less = (advise_log(trace, rig, history, one) for one in (made, strict))
    assert plain["extra_torque"].max() > 0.2 and less["extra_torque"].max() == 0.0
    assert less["active_limits"].str.contains("warm_up").all()


def test_a_rule_may_be_a_function(rig):
    def own(now):
        return Settings()

    chosen = choose_strategy(own, make_rig())
    assert chosen.name == "own" and chosen.rule is not None
    assert chosen.strategy.shape == (1, 1, 1, 1)
