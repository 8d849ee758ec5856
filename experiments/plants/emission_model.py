"""A second, independent fuel model (``eclipse-sumo``, PHEMlight 5) as drive logs.

``emissionsDrivingCycle`` (EPL-2.0) computes fuelling from speed, acceleration and slope with a map
fitted to chassis and engine tests of a diesel passenger car. What was found by comparing its output
with its own vehicle file (each is tested):

- It is instantaneous: fuelling is a function of speed, acceleration and slope of the same row. The
  adapter asks for it at mid-steps of a 1 Hz speed trace, where a linear rise between seconds has
  exactly the mean speed and the step's acceleration.
- The column called slope in degrees acts as *per cent of the weight* (the sine of the angle times
  100). The adapter converts.
- The file's ``Loading`` (292.2 kg) comes on top of the mass given; wheels add 49.3 kg of inertia
  and the engine's inertia is a factor on the mass.
- Ratio and mass factor are interpolated over speed between the gears, so that its engine hardly
  gains speed while the inertia is paid for all the same: no engine speed could show that. The
  fuelling depends on power alone, so any kinematics will do; the adapter logs a stepped gearbox,
  each gear around the speed where the file has it, whose engine takes on the whole what the mass
  factor charges.
- Above its full load it silently reduces the acceleration; the adapter refuses such a trace.
- Air density is 1.182 kg/m3, gravity 9.81 m/s2, driveline efficiency 0.9, accessories 1.5 % of the
  rated power; fuelling is cut on overrun.
"""

from __future__ import annotations

import json
import subprocess
import sysconfig
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.vehicle.roadload import GAS_CONSTANT_AIR_J_KG_K, GRAVITY_M_S2
from plants.truth import Truth

Array = NDArray[np.float64]
EMISSION_CLASS = "PC_EU4_D_MW"
AIR_DENSITY_KG_M3 = 1.182
WEIGHT_RATIO = 9.81 / GRAVITY_M_S2
DRIVELINE_EFFICIENCY = 0.9
AMBIENT_DEGC = 20.0
HEATING_VALUE_J_G = 42.8e3
"""Diesel, EN 590 (secondary); the model itself counts grams only."""
DISPLACEMENT_L = 1.9
"""Its file has none: what a diesel car of that power had (common practice, no source)."""


@lru_cache(maxsize=1)
def vehicle_file() -> dict[str, Any]:
    """The model's own vehicle file, as nested tables."""
    import sumo

    found = Path(sumo.SUMO_HOME) / "data/emissions/PHEMlight5" / f"{EMISSION_CLASS}.PHEMLight.veh"
    table: dict[str, Any] = json.loads(found.read_text(encoding="utf-8-sig"))
    return table


@dataclass(frozen=True)
class FuelRun:
    """One run of the fuel model.

    Attributes
    ----------
    steps : DataFrame
        ``time_s, speed_m_s, acceleration_m_s2, grade_percent, gear, engine_speed_rpm`` (of a
        stepped gearbox), ``engine_power_w`` (what the vehicle file says, at the crankshaft,
        accessories included), ``spinning_power_w`` (what of it the mass factor adds, at the wheels)
        and ``fuel_rate_g_s`` (what the model answered).
    truth : Truth
        Parameters of the run; ``mass_kg`` includes the loading.
    engine_inertia_kg_m2 : float
        What the mass factor amounts to.
    """

    steps: pd.DataFrame
    truth: Truth
    engine_inertia_kg_m2: float

    def trace(self) -> pd.DataFrame:
        """The run as a drive log: fuelling, engine speed, gear and grade.

        Returns
        -------
        DataFrame
        """
        steps = self.steps
        kelvin = AMBIENT_DEGC + 273.15
        table = pd.DataFrame(
            {
                "time_s": steps["time_s"],
                "speed_m_s": steps["speed_m_s"],
                "grade_percent": steps["grade_percent"],
                "engine_speed_rpm": steps["engine_speed_rpm"],
                "gear": steps["gear"],
                "fuel_rate_g_s": steps["fuel_rate_g_s"],
                # What the engine cannot brake its brakes must; a brake light would show it.
                "brake_active": (steps["engine_power_w"] < 0.0).astype(float),
                "ambient_temp_degc": AMBIENT_DEGC,
                "ambient_pressure_kpa": AIR_DENSITY_KG_M3 * GAS_CONSTANT_AIR_J_KG_K * kelvin / 1e3,
            }
        )
        return table.astype(float)


def full_load_tread_power_w(speed_m_s: float) -> float:
    """Power at the tread under full load at a road speed, from the vehicle file.

    Parameters
    ----------
    speed_m_s : float
        Road speed.
    """
    table = vehicle_file()
    rated = 1e3 * table["EngineData"]["ICEData"]["Prated"]
    load = table["FLDData"]
    share = np.interp(
        3.6 * speed_m_s,
        [load["P_n_max_v0"], load["P_n_max_v1"]],
        [load["P_n_max_p0"], load["P_n_max_p1"]],
    )
    return float(DRIVELINE_EFFICIENCY * rated * (share - table["AuxiliariesData"]["Pauxnorm"]))


def tread_power_limit(share: float) -> Callable[[float], float]:
    """A function of speed giving a share of the full-load tread power, quick to call.

    Parameters
    ----------
    share : float
        Of full load; below about 0.6 leaves room for the rotating parts in low gears.

    Returns
    -------
    callable
        Road speed (m/s) to power (W).
    """
    grid = np.arange(0.0, 45.0, 0.1)
    power = share * np.array([full_load_tread_power_w(v) for v in grid])
    return lambda speed_m_s: float(np.interp(speed_m_s, grid, power))


def gear_ratios() -> list[float]:
    """The file's gear ratios, first gear first."""
    return sorted(set(vehicle_file()["TransmissionData"]["Transm"]["GearRatio"]), reverse=True)


def stepped_gear(speed_m_s: Array) -> tuple[Array, Array]:
    """Gear and overall ratio of a stepped gearbox at these road speeds.

    A gear serves up to half-way between its speed in the file and the next one's. The mass factor
    is straight in between, so that its mean over speed stays.

    Parameters
    ----------
    speed_m_s : ndarray
        Road speed.

    Returns
    -------
    gear, overall_ratio : ndarray
    """
    table = vehicle_file()["TransmissionData"]
    ratios = gear_ratios()
    listed = list(zip(table["Transm"]["Speed"], table["Transm"]["GearRatio"], strict=True))
    last = [max(v for v, ratio in listed if ratio == wanted) for wanted in ratios]
    first = [min(v for v, ratio in listed if ratio == wanted) for wanted in ratios]
    changes = 0.5 * (np.array(last[:-1]) + np.array(first[1:])) / 3.6
    index = np.searchsorted(changes, speed_m_s)
    return index + 1.0, np.array(ratios)[index] * table["AxelRatio"]


def drive(speed_m_s: Array, grade_percent: Array, *, mass_kg: float) -> FuelRun:
    """Ask the model for the fuelling along a speed trace.

    Parameters
    ----------
    speed_m_s : ndarray, shape (n,)
        Speed at whole seconds.
    grade_percent : ndarray, shape (n,)
        Grade between the samples i-1 and i.
    mass_kg : float
        Total mass; the file's loading is taken off before it is handed over.

    Returns
    -------
    FuelRun
        n - 1 mid-step samples.

    Raises
    ------
    RuntimeError
        The trace asks for more than full load, or the program failed.
    """
    table = vehicle_file()
    vehicle, transmission = table["VehicleData"], table["TransmissionData"]["Transm"]
    rated = 1e3 * table["EngineData"]["ICEData"]["Prated"]
    given = mass_kg - vehicle["Loading"]
    speed = 0.5 * (speed_m_s[1:] + speed_m_s[:-1])
    acceleration = np.diff(speed_m_s)
    grade = np.asarray(grade_percent, dtype=float)[1:]
    sine = np.sin(np.arctan(grade / 100.0))
    percent_of_weight = 100.0 * sine / WEIGHT_RATIO

    kmh = 3.6 * speed
    factor = np.interp(kmh, transmission["Speed"], transmission["RotMassF"])
    gear, overall = stepped_gear(speed)
    radius = 0.5 * vehicle["WheelDiameter"]
    inertia_force = (given * factor + vehicle["RedMassWheel"] + vehicle["Loading"]) * acceleration
    rolling = table["RollingResData"]["Fr0"] + table["RollingResData"]["Fr1"] * speed
    drag_area = vehicle["Cw"] * vehicle["A"]
    force = (
        inertia_force
        + mass_kg * WEIGHT_RATIO * GRAVITY_M_S2 * (rolling + percent_of_weight / 100.0)
        + 0.5 * AIR_DENSITY_KG_M3 * drag_area * speed**2
    )
    accessories = table["AuxiliariesData"]["Pauxnorm"] * rated
    engine_power = force * speed / DRIVELINE_EFFICIENCY + accessories
    limit = tread_power_limit(1.0)
    allowed = np.array([limit(v) for v in speed])
    if np.any(force * speed > allowed + 50.0):
        row = int(np.argmax(force * speed - allowed))
        raise RuntimeError(
            f"the trace asks for more than full load at {row} s "
            f"({force[row] * speed[row] / 1e3:.0f} of {allowed[row] / 1e3:.0f} kW)"
        )

    fuel = _fuelling(speed, acceleration, percent_of_weight, given)
    idle = float(table["EngineData"]["ICEData"]["Idling"])
    engine_speed = np.maximum(idle, speed * overall / radius * 30.0 / np.pi)
    steps = pd.DataFrame(
        {
            "time_s": np.arange(len(speed)) + 0.5,
            "speed_m_s": speed,
            "acceleration_m_s2": acceleration,
            "grade_percent": grade,
            "gear": gear,
            "engine_speed_rpm": engine_speed,
            "engine_power_w": engine_power,
            "spinning_power_w": given * (factor - 1.0) * acceleration * speed,
            "fuel_rate_g_s": fuel,
        }
    )
    at_20 = table["RollingResData"]["Fr0"] + 20.0 * table["RollingResData"]["Fr1"]
    truth = Truth(
        mass_kg=mass_kg,
        rolling_resistance=at_20 * WEIGHT_RATIO,
        drag_area_m2=drag_area,
        air_density_kg_m3=AIR_DENSITY_KG_M3,
        wheel_inertia_kg_m2=vehicle["RedMassWheel"] * radius**2,
        tyre_radius_m=radius,
        driveline_efficiency=DRIVELINE_EFFICIENCY,
        accessory_power_w=accessories,
    )
    return FuelRun(steps, truth, _engine_inertia(table, given, radius))


def _engine_inertia(table: dict[str, Any], given_kg: float, radius: float) -> float:
    """Inertia at the crankshaft that the file's mass factors amount to; one for all gears."""
    transmission = table["TransmissionData"]["Transm"]
    overall = np.array(transmission["GearRatio"]) * table["TransmissionData"]["AxelRatio"]
    per_gear = (np.array(transmission["RotMassF"]) - 1.0) * given_kg * radius**2 / overall**2
    return float(np.median(per_gear))


def _fuelling(speed: Array, acceleration: Array, slope: Array, mass_kg: float) -> Array:
    program = Path(sysconfig.get_path("scripts")) / "emissionsDrivingCycle"
    with tempfile.TemporaryDirectory() as folder:
        where = Path(folder)
        lines = [
            f"{i};{v:.6f};{a:.6f};{s:.6f}"
            for i, (v, a, s) in enumerate(zip(speed, acceleration, slope, strict=True))
        ]
        (where / "cycle.csv").write_text("\n".join(lines) + "\n")
        (where / "type.xml").write_text(
            f'<additional><vType id="vehicle" emissionClass="PHEMlight5/{EMISSION_CLASS}" '
            f'mass="{mass_kg:.3f}"/></additional>'
        )
        command = [str(program), "--timeline-file", "cycle.csv", "--have-slope"]
        command += ["--additional-files", "type.xml", "--vtype", "vehicle"]
        command += ["--output", "answer.csv", "--precision", "6"]
        done = subprocess.run(command, cwd=where, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise RuntimeError(f"the fuel model failed: {done.stderr.strip()}")
        answer = np.loadtxt(where / "answer.csv", delimiter=";", usecols=range(11), ndmin=2)
    return answer[:, 9] / 1e3
