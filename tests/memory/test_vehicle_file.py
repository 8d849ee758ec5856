"""The vehicle file: each drive once, in any order, and forgotten as if never there."""

from __future__ import annotations

import datetime
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from memory_bench import RIG, drive, drives, vehicle

from loadlearn.errors import InputError
from loadlearn.memory.vehicle_file import Change, VehicleFile
from loadlearn.memory.vehicle_memory import what_is_known

MADE = drives(1)


@settings(max_examples=8)
@given(order=st.permutations(MADE), again=st.lists(st.sampled_from(MADE), max_size=4))
def test_neither_order_nor_repetition_matters(order: list, again: list) -> None:
    once, other = vehicle(*MADE), vehicle()
    for one in [*order, *again]:
        other = other.with_drives([one])
    assert other.text() == once.text()


@settings(max_examples=8)
@given(gone=st.lists(st.sampled_from(MADE), min_size=1, max_size=5, unique_by=lambda one: one.hash))
def test_forgotten_is_as_if_never_remembered(gone: list) -> None:
    kept = [one for one in MADE if one not in gone]
    forgotten = vehicle(*MADE).without(one.hash for one in gone)
    assert forgotten.text() == vehicle(*kept).text()
    assert what_is_known(forgotten).scale.mean == pytest.approx(
        what_is_known(vehicle(*kept)).scale.mean, abs=0.0
    )


def test_read_gives_back_what_was_written(tmp_path: Path) -> None:
    made = vehicle(*MADE).with_change(Change(date=datetime.date(2030, 1, 20), what="tyres"))
    place = tmp_path / "ute.toml"
    place.write_text(made.text(), encoding="utf-8")
    again = VehicleFile.read(place)
    assert again == made
    assert again.text() == made.text()
    assert again.own_rig == RIG
    again.check_rig(RIG)


def test_what_is_said_anew_of_a_drive_is_taken_over() -> None:
    first = drive(3, 5000.0, load="boat")
    weighed = drive(3, 5000.0, known_mass_kg=5300.0, known_mass_sd_kg=20.0, date=None)
    (kept,) = vehicle(first).with_drives([weighed]).drives
    assert (kept.load, kept.known_mass_kg, kept.date) == ("boat", 5300.0, first.date)


def test_a_change_counts_once() -> None:
    change = Change(date=datetime.date(2030, 2, 1), what="tyres")
    once = vehicle().with_change(change)
    assert once.with_change(change) == once


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("format = 9\n", "not a vehicle file of format 1"),
        ("format = 1\n[rig\n", "not valid TOML"),
        ("format = 1\nrig = {}\nmood = 3\n", "'mood'"),
        (
            'format = 1\nrig = {}\nchanges = [{date = 2030-01-01, what = "paint"}]',
            "'changes.0.what'",
        ),
        ("format = 1\nrig = {}\n", "table rig"),
    ],
)
def test_a_file_that_cannot_be_read_says_why(tmp_path: Path, text: str, words: str) -> None:
    place = tmp_path / "ute.toml"
    place.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words) as raised:
        VehicleFile.read(place)
    assert str(place) in str(raised.value)


def test_a_drive_twice_in_a_file_is_refused(tmp_path: Path) -> None:
    made = vehicle(MADE[0])
    place = tmp_path / "ute.toml"
    twice = made.model_copy(update={"drives": (MADE[0], MADE[0])})
    place.write_text(twice.text(), encoding="utf-8")
    with pytest.raises(InputError, match="more than once"):
        VehicleFile.read(place)


def test_another_rig_is_refused() -> None:
    vehicle_of_it = RIG.vehicle.model_copy(update={"mass_kg": 2700.0})
    with pytest.raises(InputError, match="another rig file"):
        vehicle().check_rig(RIG.model_copy(update={"vehicle": vehicle_of_it}))


def test_forgetting_what_is_not_there_is_refused() -> None:
    with pytest.raises(InputError, match="no remembered drive has the hash 'ffff'"):
        vehicle(*MADE).without(["ffff"])
    with pytest.raises(InputError, match="more than one"):
        vehicle(*MADE).without(["0000"])


def test_numbers_are_kept_to_the_last_bit(tmp_path: Path) -> None:
    odd = drive(2, math.pi * 1000.0)
    place = tmp_path / "ute.toml"
    place.write_text(vehicle(odd).text(), encoding="utf-8")
    assert VehicleFile.read(place).drives[0].log_implied_mass == odd.log_implied_mass
