"""Drives that no simulator made: trips of a small electric car, and a bicycle ride.

Trips: Steinstraeter, Buberger & Trifonov, *Battery and Heating Data in Real Driving Cycles*, IEEE
DataPort, 2020, doi 10.21227/6jr9-5235 (CC BY 4.0); ride: carried by the wheel of sweat 0.25.0
(MIT). More changes of a log, and all choices of trips: ``experiments/real_logs.py``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import real_logs
from plants import archive, car_trips, power_ride

from loadlearn.errors import InputError

SOME = 4
"""Of the trips, for what runs each of them several times."""


@pytest.fixture(scope="module")
def names() -> list[str]:
    try:
        return car_trips.names()
    except car_trips.TripsMissing as missing:
        pytest.skip(str(missing))


@pytest.fixture(scope="module")
def plain(names: list[str]) -> pd.DataFrame:
    """The trips as logged."""
    rows = pd.DataFrame([real_logs.one_trip(name, "as logged") for name in names])
    return real_logs.judged_given_scale(rows)


def changed(plain: pd.DataFrame, names: list[str], changes: list[str]) -> pd.DataFrame:
    """Some trips with something done to their logs, judged by the scale of the others."""
    rows = [real_logs.one_trip(name, change) for change in changes for name in names[::3]]
    judged = real_logs.judged_given_scale(pd.concat([plain, pd.DataFrame(rows)]))
    found = judged[judged["change"] != "as logged"]
    assert len(found) >= SOME * len(changes)
    return found


def test_the_trips_are_what_they_are_said_to_be(names: list[str]) -> None:
    assert len(names) >= 3 * SOME
    assert set(car_trips.PAYLOAD_KG) <= set(names)
    for name in names[:: len(names) - 1]:
        log = car_trips.read(name)
        np.testing.assert_allclose(log["time_s"].diff().median(), 0.1, atol=1e-6)
        assert 550.0 < log["time_s"].iloc[-1] - log["time_s"].iloc[0] < 2500.0 or name == "B33"
        assert 10.0 < log["speed_m_s"].max() < 45.0


def test_trips_of_one_mass_scatter_as_claimed(plain: pd.DataFrame) -> None:
    assert plain["trusted"].all()
    assert real_logs.told(plain)["rms_percent"] < 1.5
    assert real_logs.told(plain)["trusted_rms_z"] <= 1.35
    assert plain["z"].abs().max() < 3.5


def test_payloads_are_seen(plain: pd.DataFrame) -> None:
    base = plain[~plain["trip"].isin(list(car_trips.PAYLOAD_KG))]
    steps = real_logs.payload_steps(plain, float((base["true_kg"] / base["implied_kg"]).mean()))
    assert len(steps) == len(car_trips.PAYLOAD_KG)
    # The authors' note is some 10 kg off at the most.
    sd = np.hypot(steps["sd_kg"], 10.0)
    assert ((steps["found_kg"] - steps["noted_kg"]).abs() < 2.5 * sd).all()
    # Twice the payload is more than once.
    assert steps["found_kg"].corr(steps["noted_kg"]) > 0.9


def test_no_braking_is_called_sand(plain: pd.DataFrame) -> None:
    """Roads in and about a town: friction brakes are not logged, and there is no sand."""
    assert not plain["grounds"].str.contains("sand").any()
    assert plain["grounds"].str.contains("unexplained").any()


def test_a_channel_two_seconds_off_is_never_silently_wrong(
    plain: pd.DataFrame, names: list[str]
) -> None:
    shifts = ["force -2 s", "force +2 s", "speed -2 s", "speed +2 s"]
    found = changed(plain, names, shifts)
    trusted = found[found["trusted"]]
    assert trusted["error_percent"].abs().max() <= real_logs.MOST_PERCENT
    assert not found["silently_wrong"].any()


def test_a_body_accelerometer_alone_is_never_silently_wrong(
    plain: pd.DataFrame, names: list[str]
) -> None:
    assert not changed(plain, names, ["accelerometer only"])["silently_wrong"].any()


def test_a_calibrated_scale_holds_for_the_next_trips(names: list[str]) -> None:
    rows: list[dict[str, object]] = []
    for choice in real_logs.choices_of_three(names, 3):
        rows += real_logs.carried(choice, names[:: len(names) // SOME])
    found = real_logs.judged_in_all(pd.DataFrame(rows))
    assert len(found) >= 6
    assert real_logs.told(found)["trusted_rms_z"] <= 1.3
    assert not found["silently_wrong"].any()
    # Honest, and of use: the rig's own belief was 5 %.
    assert found["scale_sd"].max() < 0.025


@pytest.mark.parametrize("change", ["as logged", "force -2 s", "force +2 s", "speed +2 s"])
def test_a_ride(change: str) -> None:
    """81 kg of rider by the file's own profile, bicycle and kit some 11.5 kg."""
    try:
        power_ride.read()
    except (archive.ArchiveMissing, InputError) as missing:
        pytest.skip(str(missing))
    row = real_logs.one_ride(change)
    assert row["true_kg"] == 92.5
    # Braking is not logged, a man is no vehicle: a consistency check, not a mass recovered.
    assert not row["trusted"] or abs(row["z"]) < real_logs.MOST_Z
    assert abs(row["error_percent"]) < 60.0
