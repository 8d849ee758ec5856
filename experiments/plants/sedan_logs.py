"""Chassis-dyno logs of a petrol sedan: real fuelling and roller speed, once a second.

They are carried by an older wheel (:mod:`plants.archive`) and found by pattern. Each holds time
(s), fuel flow (cubic centimetres per second, spiky as real data is) and roller speed (mph). What
the roller was set to is not in them. :func:`approximate_vehicle` takes the middle of the US EPA's
test-car list (in the same wheel) over front-driven cars with the same engine size (2.5 L, four
cylinders; from memory), so mass and road load are only *approximately* known, and a roller has no
hills: these logs are a consistency check, not a mass recovered.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import pandas as pd

from plants import archive

PATTERN = r"dyno_data/.*Test Data\.txt$"
TEST_CARS = r"epa_vehdb/22-tstcar\.csv$"
MILE_PER_HOUR_M_S = 0.44704
POUND_KG = 0.45359237
POUND_FORCE_N = 4.4482216
AIR_DENSITY_KG_M3 = 1.17
TYRE_RADIUS_M = 0.33
WHEEL_INERTIA_KG_M2 = 3.3


@dataclass(frozen=True)
class ApproximateVehicle:
    """What cars of that engine size are tested at.

    Attributes
    ----------
    mass_kg, mass_sd_kg : float
        Median and standard deviation of the equivalent test weight.
    rolling_resistance, drag_area_m2 : float
        Medians from the target road-load coefficients.
    cars : int
        How many cars that is.
    """

    mass_kg: float
    mass_sd_kg: float
    rolling_resistance: float
    drag_area_m2: float
    cars: int


def approximate_vehicle() -> ApproximateVehicle:
    """Mass and road load of front-driven 2.5 L four-cylinder petrol cars in the test-car list."""
    cars = pd.read_csv(io.StringIO(archive.read_text(TEST_CARS)), low_memory=False)
    chosen = cars[
        (pd.to_numeric(cars["Test Veh Displacement (L)"], errors="coerce") == 2.5)
        & (pd.to_numeric(cars["# of Cylinders and Rotors"], errors="coerce") == 4)
        & (cars["Vehicle Type"] == "Car")
        & cars["Drive System Description"].str.contains("Front", na=False)
        & cars["Test Fuel Type Description"].str.contains("asoline|Tier", na=False)
    ].drop_duplicates(["Test Vehicle ID", "Test Veh Configuration #"])
    mass = chosen["Equivalent Test Weight (lbs.)"] * POUND_KG
    constant = chosen["Target Coef A (lbf)"] * POUND_FORCE_N
    square = chosen["Target Coef C (lbf/mph**2)"] * POUND_FORCE_N / MILE_PER_HOUR_M_S**2
    return ApproximateVehicle(
        mass_kg=float(mass.median()),
        mass_sd_kg=float(mass.std()),
        rolling_resistance=float((constant / (mass * 9.80665)).median()),
        drag_area_m2=float((2.0 * square / AIR_DENSITY_KG_M3).median()),
        cars=len(chosen),
    )


def names() -> list[str]:
    """The logs' paths in the wheel, sorted."""
    return archive.names(PATTERN)


def read(name: str, fuel_density_kg_m3: float) -> pd.DataFrame:
    """One log in canonical columns.

    Parameters
    ----------
    name : str
        One of :func:`names`.
    fuel_density_kg_m3 : float
        Turns volume into mass.

    Returns
    -------
    DataFrame
        ``time_s, speed_m_s, fuel_rate_g_s, grade_percent`` (a roller is level).
    """
    raw = pd.read_csv(io.StringIO(archive.read_member(name)))
    time, fuel, speed = (_column(raw, word) for word in ("Time", "Fuel", "Spd"))
    return pd.DataFrame(
        {
            "time_s": time + 0.0,
            "speed_m_s": speed.clip(lower=0.0) * MILE_PER_HOUR_M_S,
            "fuel_rate_g_s": fuel.clip(lower=0.0) * fuel_density_kg_m3 / 1e3,
            "grade_percent": 0.0,
        }
    )


def _column(raw: pd.DataFrame, word: str) -> pd.Series:
    found = [name for name in raw.columns if word in name]
    if len(found) != 1:
        raise ValueError(f"{len(found)} columns of the log contain {word!r}")
    return raw[found[0]].astype(float)
