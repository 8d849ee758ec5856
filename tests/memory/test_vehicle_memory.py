"""What drives know together: found again where it is known, and not where something is amiss."""

from __future__ import annotations

import datetime
import math

import numpy as np
import pytest
from memory_bench import RIG, START, drive, drives, vehicle

from loadlearn.estimation.calibration import Belief, combine
from loadlearn.memory.drive_record import SOLO, Told
from loadlearn.memory.vehicle_file import Change, VehicleFile
from loadlearn.memory.vehicle_memory import (
    remembered_estimator,
    remembered_rig,
    what_is_known,
)


def day(at: int) -> datetime.date:
    return START + datetime.timedelta(days=3 * at)


def test_nothing_remembered_is_the_rig_file() -> None:
    known = what_is_known(vehicle())
    stated = RIG.uncertainty
    assert known.tractive_scale.mean == pytest.approx(stated.tractive_scale)
    assert known.tractive_scale.sd == pytest.approx(stated.tractive_scale_sd)
    again = remembered_rig(known, RIG)
    assert again.vehicle == RIG.vehicle
    assert again.uncertainty.tractive_scale_sd == pytest.approx(stated.tractive_scale_sd)


def test_drives_of_unknown_load_tell_nothing_of_the_scale() -> None:
    known = what_is_known(vehicle(*drives(2, weighed=(), named=False)))
    assert known.tractive_scale.sd == pytest.approx(RIG.uncertainty.tractive_scale_sd)


def test_weighed_drives_are_joined_as_calibrate_joins_them() -> None:
    made = drives(3, scale=1.02, named=False)
    known = what_is_known(vehicle(*made))
    seen = [
        (
            np.array([math.log(one.known_mass_kg) - one.log_implied_mass.mean]),
            # Each was weighed for itself.
            np.array([[one.log_implied_mass.sd**2 + (20.0 / one.known_mass_kg) ** 2]]),
        )
        for one in made
        if one.known_mass_kg is not None
    ]
    # Of the 3 % that the rig file states 1.5 % are between drives.
    joined = combine(seen, [Belief(0.0, math.sqrt(0.03**2 - 0.015**2))], spread=(0.015,))
    assert known.scale.mean[0] == pytest.approx(joined.mean[0], abs=2e-4)
    assert math.sqrt(known.scale.covariance[0, 0]) == pytest.approx(joined.common_sd[0], rel=0.02)
    assert known.scale.between_sd == pytest.approx(joined.between_sd[0], rel=0.02)
    # Student's t with 3 + 2 degrees of freedom: 2.571 (tables) in place of 1.960.
    assert known.log_scale.sd == pytest.approx(2.571 / 1.960 * joined.new_drive_sd[0], rel=0.02)


def test_the_scale_is_found_and_loads_that_repeat_narrow_it() -> None:
    plain = what_is_known(vehicle(*drives(4, named=False)))
    named = what_is_known(vehicle(*drives(4)))
    for known in (plain, named):
        new = known.log_scale
        assert abs(new.mean - math.log(1.05)) < 2.0 * new.sd
        assert known.findings == ()
    assert named.scale.covariance[0, 0] < plain.scale.covariance[0, 0]
    boat = named.load_mass_kg("boat")
    assert boat is not None
    assert abs(boat.mean - 5200.0) < 2.5 * boat.sd


def test_nothing_hitched_is_a_load_whose_mass_the_rig_states() -> None:
    solo = [drive(at, 2600.0 / 1.03, load=SOLO) for at in range(6)]
    known = what_is_known(vehicle(*solo))
    # 6 drives, one mass: no better than that mass is known, 100 of 2600 kg, and the prior.
    together = 1.0 / math.sqrt((2600.0 / 100.0) ** 2 + 1.0 / (0.03**2 - 0.015**2))
    assert math.sqrt(known.scale.covariance[0, 0]) == pytest.approx(together, rel=0.1)
    told_alone = drive(9, 2600.0 / 1.03, nothing_hitched=0.99)
    assert told_alone.load_name == SOLO


def test_a_weighed_solo_drive_tells_the_tow_vehicles_mass() -> None:
    solo = [drive(at, 2740.0 / 1.03, load=SOLO) for at in range(6)]
    weighed = [
        one.model_copy(update={"known_mass_kg": 2740.0 + at, "known_mass_sd_kg": 20.0})
        for at, one in enumerate(solo[:2])
    ]
    rig = remembered_rig(what_is_known(vehicle(*weighed, *solo[2:])), RIG)
    assert rig.vehicle.mass_kg == pytest.approx(2740.0, abs=25.0)
    assert (rig.vehicle.mass_sd_kg or 0.0) < 70.0


@pytest.mark.parametrize("wrong", [0.8, 1.2])
def test_a_wrong_weighing_is_left_out_and_said(wrong: float) -> None:
    made = drives(5)
    bad = made[4].model_copy(update={"known_mass_kg": wrong * (made[4].known_mass_kg or 0.0)})
    known = what_is_known(vehicle(*made[:4], bad, *made[5:]))
    (finding,) = known.findings
    assert "the weighing of" in finding
    assert bad.hash[:8] in finding
    without = made[4].model_copy(update={"known_mass_kg": None, "load": None})
    clean = what_is_known(vehicle(*made[:4], without, *made[5:]))
    assert known.scale.mean[0] == pytest.approx(clean.scale.mean[0], abs=1e-6)


def test_a_drive_made_without_its_load_is_left_out_and_said() -> None:
    made = drives(6)
    bad = drive(10, 2600.0 / 1.05, load="boat")
    known = what_is_known(vehicle(*made[:10], bad, *made[11:]))
    (finding,) = known.findings
    assert "as one of load 'boat'" in finding
    boat = known.load_mass_kg("boat")
    assert boat is not None
    assert abs(boat.mean - 5200.0) < 3.0 * boat.sd


def test_a_changed_scale_is_found_and_not_averaged_in() -> None:
    made = drives(7, scale=1.0, count=20, weighed=(1, 4, 8, 12, 16), step_from=10, step=0.08)
    known = what_is_known(vehicle(*made))
    assert any("the tractive scale is" in one for one in known.findings)
    assert any(day(at).isoformat() in known.findings[0] for at in (9, 10, 11))
    new = known.log_scale
    assert abs(new.mean - math.log(1.08)) < 2.5 * new.sd


def test_a_dated_change_is_not_found_again_and_reopens_what_it_says() -> None:
    made = drives(7, scale=1.0, count=20, weighed=(1, 4, 8, 12, 16), step_from=10, step=0.08)
    dated = vehicle(*made).with_change(Change(date=day(10), what="engine"))
    known = what_is_known(dated)
    assert known.findings == ()
    new = known.log_scale
    assert abs(new.mean - math.log(1.08)) < 2.5 * new.sd


def test_new_tyres_reopen_the_scale_by_a_little_only() -> None:
    made = drives(8, count=10)
    before, tyres, engine = (
        what_is_known(one).tractive_scale.sd
        for one in (
            vehicle(*made),
            vehicle(*made).with_change(Change(date=day(20), what="tyres")),
            vehicle(*made).with_change(Change(date=day(20), what="engine")),
        )
    )
    assert before < tyres < engine
    assert engine == pytest.approx(RIG.uncertainty.tractive_scale_sd, rel=0.15)


def test_a_change_of_rolling_resistance_is_found_and_tyres_reopen_it() -> None:
    made = [
        one.model_copy(update={"rolling_resistance": Told(mean=0.015, sd=0.001)})
        if at >= 8
        else one
        for at, one in enumerate(drives(9, count=16))
    ]
    known = what_is_known(vehicle(*made))
    assert len(known.findings) == 1
    assert "rolling resistance" in known.findings[0]
    assert day(8).isoformat() in known.findings[0]
    assert known.rolling_resistance is not None
    assert known.rolling_resistance.mean == pytest.approx(0.015, rel=0.02)
    dated = vehicle(*made).with_change(Change(date=day(8), what="tyres"))
    assert what_is_known(dated).findings == ()


def test_a_drive_that_is_not_to_be_trusted_does_not_count() -> None:
    made = drives(10)
    odd = drive(30, 9000.0, known_mass_kg=5000.0, known_mass_sd_kg=20.0, doubts=("fits badly",))
    known, clean = what_is_known(vehicle(*made, odd)), what_is_known(vehicle(*made))
    assert known.scale.mean == pytest.approx(clean.scale.mean, abs=0.0)
    assert "fits badly" in known.findings[0]


def test_an_undated_drive_counts_as_made_before_every_change() -> None:
    undated = [one.model_copy(update={"date": None}) for one in drives(11)]
    changed = vehicle(*undated).with_change(Change(date=day(0), what="engine"))
    known = what_is_known(changed)
    assert known.tractive_scale.sd == pytest.approx(RIG.uncertainty.tractive_scale_sd, rel=0.15)
    assert any("no date" in one for one in known.notes)


def test_one_drive_can_be_left_aside() -> None:
    made = drives(12)
    aside = what_is_known(vehicle(*made), leaving=made[4].hash)
    without = what_is_known(vehicle(*made[:4], *made[5:]))
    assert aside.scale.mean == pytest.approx(without.scale.mean, abs=0.0)


def test_drives_that_contradict_the_rig_leave_its_belief_out() -> None:
    known = what_is_known(vehicle(*drives(13, scale=1.25)))
    assert any("left out" in one for one in known.notes)
    assert known.tractive_scale.mean == pytest.approx(1.25, rel=0.03)


def test_the_interval_of_a_new_drive_covers_it() -> None:
    # Vehicles drawn from the law that is believed: a binomial with p = 0.95 is below 0.90 in 1 %.
    rng, inside, count = np.random.default_rng(14), 0, 100
    for seed in range(count):
        scale = math.exp(rng.normal(0.0, 0.026))
        made = drives(1000 + seed, scale, count=8, weighed=(0, 3, 6), named=seed % 2 == 0)
        new = what_is_known(vehicle(*made)).log_scale
        inside += abs(math.log(scale) + rng.normal(0.0, 0.01) - new.mean) <= 1.96 * new.sd
    assert inside / count >= 0.90


def test_an_online_estimator_starts_with_delays_and_noise() -> None:
    known = what_is_known(vehicle(*drives(15)))
    assert known.delays_s["force"].mean == pytest.approx(0.21, abs=0.01)
    assert known.noise["white"] == pytest.approx(0.001)
    assert known.noise["height_sd_m"] == 0.0
    estimator = remembered_estimator(known, RIG)
    assert estimator.rig.uncertainty.tractive_scale == pytest.approx(known.tractive_scale.mean)
    changed = vehicle(*drives(15)).with_change(Change(date=day(99), what="logger"))
    assert what_is_known(changed).delays_s == {}


def test_a_rig_that_is_sure_of_its_scale_is_refused() -> None:
    sure = RIG.uncertainty.model_copy(update={"tractive_scale_sd": 0.0})
    with pytest.raises(ValueError, match="claims to know the scale exactly"):
        what_is_known(VehicleFile.begin(RIG.model_copy(update={"uncertainty": sure})))
