"""The strategy table: order, identity, round trip, and advice from the table alone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from draws_bench import evenly, whole
from hypothesis import given, settings
from policy_bench import RIG_TABLE, make_rig

from loadlearn.errors import InputError
from loadlearn.policy.schedule_table import (
    Schedule,
    compute_schedule,
    isotonic_table,
    rig_hash,
)
from loadlearn.vehicle.rig import Rig

RIGS = sorted((Path(__file__).parents[2] / "synthetic_data" / "rigs").glob("*.toml"))


@pytest.fixture(scope="module")
def table(rig) -> Schedule:
    return compute_schedule(rig)


@pytest.mark.parametrize("path", RIGS, ids=lambda path: path.stem)
@pytest.mark.parametrize("ambient", [-10.0, 40.0])
def test_tables_of_shipped_rigs_are_ordered(path, ambient):
    rig = Rig.from_toml(path)
    schedule = compute_schedule(rig, ambient_degc=ambient)
    for axis in (0, 1):
        assert np.all(np.diff(schedule.power_retention, axis=axis) >= -1e-12)
        assert np.all(np.diff(schedule.need, axis=axis) >= -1e-12)
        assert np.all(np.diff(schedule.economy, axis=axis) <= 1e-12)
        assert np.all(np.diff(schedule.full_share_time_s, axis=axis) <= 1e-9)
    for values, top in (
        (schedule.power_retention, 1.0),
        (schedule.economy, 1.0),
        (schedule.full_share_time_s, 60.0),
    ):
        assert values.min() >= 0.0 and values.max() <= top
    assert np.all(schedule.power_retention <= schedule.sustainable_share + 1e-12)


def test_heat_and_height_leave_less(rig, table):
    hot = compute_schedule(rig, ambient_degc=45.0, altitude_m=1000.0)
    assert np.all(hot.sustainable_share <= table.sustainable_share + 1e-9)
    assert hot.sustainable_share.mean() < table.sustainable_share.mean() - 0.05
    assert np.all(hot.full_share_time_s <= table.full_share_time_s + 1e-9)


def test_table_spans_the_strategy(table):
    assert table.power_retention[0, 0] == 0.0 and table.power_retention[-1, -1] > 0.5
    assert table.economy[0, 0] > 0.5 and table.economy[-1, -1] == 0.0


def test_look_up_at_and_between_points(table):
    mass, rolling = table.mass_kg, table.rolling_resistance
    for i, j in ((0, 0), (3, 5), (-1, -1)):
        found = table.look_up([mass[i]], [rolling[j]])
        assert found[0][0] == pytest.approx(table.power_retention[i, j])
        assert found[1][0] == pytest.approx(table.full_share_time_s[i, j])
        assert found[2][0] == pytest.approx(table.economy[i, j])
    outside = table.look_up([1.0, 1e6], [1e-9, 9.0])
    assert outside[0].tolist() == [table.power_retention[0, 0], table.power_retention[-1, -1]]


@given(evenly(1500, 8000), evenly(0.004, 0.4), evenly(0, 800), evenly(1.0, 1.5))
def test_look_up_keeps_the_order(table_cache, mass, rolling, more, rougher):
    here = table_cache.look_up([mass], [rolling])
    there = table_cache.look_up([mass + more], [rolling * rougher])
    assert there[0][0] >= here[0][0] - 1e-9
    assert there[2][0] <= here[2][0] + 1e-9


@pytest.fixture(scope="module")
def table_cache(table) -> Schedule:
    return table


def test_round_trip_and_identity(rig, table, tmp_path):
    path = tmp_path / "schedule.json"
    path.write_text(json.dumps(table.to_dict()))
    back = Schedule.from_json(path)
    for name in ("mass_kg", "power_retention", "full_share_time_s", "economy"):
        assert np.array_equal(getattr(back, name), getattr(table, name))
    back.check_rig(rig)
    other = make_rig(exhaust_gas_temp_degc=700)
    assert rig_hash(other) != rig_hash(rig) == rig_hash(Rig.from_dict({**RIG_TABLE, "limits": {}}))
    with pytest.raises(InputError, match="was made for the rig"):
        back.check_rig(other)
    frame = table.to_frame()
    assert len(frame) == table.mass_kg.size * table.rolling_resistance.size


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.pop("axes"), "not a schedule"),
        (lambda t: t["axes"]["mass_kg"]["values"].reverse(), "must be positive and rise"),
        (lambda t: t["settings"]["economy"]["values"].pop(), "must hold"),
        (lambda t: t["settings"]["economy"]["values"][0].__setitem__(0, 1.4), "must lie within"),
    ],
)
def test_bad_tables_are_refused_in_one_sentence(table, change, message):
    document = json.loads(json.dumps(table.to_dict()))
    change(document)
    with pytest.raises(InputError, match=message):
        Schedule.from_dict(document, "schedule.json")


def test_missing_or_broken_file(tmp_path):
    with pytest.raises(InputError, match="no such schedule"):
        Schedule.from_json(tmp_path / "none.json")
    (tmp_path / "broken.json").write_text("{")
    with pytest.raises(InputError, match="cannot be read"):
        Schedule.from_json(tmp_path / "broken.json")


@settings(deadline=None, max_examples=25)
@given(whole(1001))
def test_isotonic_table_is_ordered_and_leaves_ordered_tables_alone(seed):
    random = np.random.default_rng(seed)
    rough = random.normal(size=(6, 7)) + np.arange(7) * 0.3
    fitted = isotonic_table(rough)
    assert np.all(np.diff(fitted, axis=0) >= 0) and np.all(np.diff(fitted, axis=1) >= 0)
    assert isotonic_table(fitted) == pytest.approx(fitted)
    # Least squares: no ordered table drawn at random is nearer.
    for _ in range(20):
        other = np.maximum.accumulate(
            np.maximum.accumulate(fitted + 0.1 * random.normal(size=fitted.shape), axis=0), axis=1
        )
        assert np.sum((fitted - rough) ** 2) <= np.sum((other - rough) ** 2) + 1e-6


def test_no_exhaust_sensor_means_no_extra_torque_in_the_table():
    schedule = compute_schedule(make_rig(exhaust_gas_temp_sensor="none"))
    assert np.all(schedule.power_retention == 0.0) and np.all(schedule.full_share_time_s == 0.0)
