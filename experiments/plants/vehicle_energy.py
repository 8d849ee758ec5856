"""A vehicle energy simulator's plant (``fastsim`` 3, Apache-2.0) as drive logs.

What was found by comparing its outputs with its inputs (each is tested):

- It is quasi-static. The speed is prescribed at whole seconds; every power of row i is the mean
  over the step from i-1 to i, with drag and rolling at the mean speed of the step. Speed is linear
  within the step, so the mean force ``P_i / v_mean`` is exactly the force at the *middle* of the
  step. The adapter therefore reports instantaneous samples at mid-steps: time t_i - 0.5 s, speed
  ``(v_i-1 + v_i) / 2``, the step's grade, force and fuelling. That is the convention of a drive log
  here (samples are instantaneous), at 1 Hz.
- Drag uses a constant 1.1729 kg/m3 whatever the altitude (its own history says 1.2). The adapter
  recovers the density from the drag power and logs an ambient pressure that gives it.
- A missed step silently flattens the road from there on: the grade falls to zero. The engine is
  therefore rated for the cycle, its ramp is instantaneous, and a missed trace is an error here.
- Component masses must be cleared before the total is set. ``trace_miss_opts`` is "Allow".
- Gravity is 9.80 m/s2 and the climbing force is weight times *grade*, where a road's is weight
  times sine. The adapter reports the grade whose sine, at standard gravity, gives the same force,
  and quotes the rolling resistance against standard weight.
- Wheel inertia is added to the mass as ``n I / r^2``; nothing else rotates. It has no engine
  speed. Braking is all friction. The engine's efficiency depends on its power alone.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.vehicle.roadload import GAS_CONSTANT_AIR_J_KG_K, GRAVITY_M_S2
from plants import archive
from plants.truth import Truth

Array = NDArray[np.float64]
AMBIENT_DEGC = 22.0
WEIGHT_RATIO = 9.80 / GRAVITY_M_S2
"""The plant's gravity over the standard one."""


@dataclass(frozen=True)
class PlantRun:
    """One run: step means of the plant at mid-steps, and what it was told.

    Attributes
    ----------
    steps : DataFrame
        ``time_s, speed_m_s, grade_percent, wheel_power_w, engine_power_w`` (propulsion and
        accessories, at the crankshaft), ``fuel_power_w``, and the plant's own split
        ``drag_w, rolling_w, ascent_w, acceleration_w, wheel_inertia_w``.
    truth : Truth
        Parameters of the run.
    heating_value_j_g : float
        Of the plant's fuel.
    """

    steps: pd.DataFrame
    truth: Truth
    heating_value_j_g: float

    def trace(self, measured: str) -> pd.DataFrame:
        """The run as a drive log in canonical columns.

        Parameters
        ----------
        measured : {"wheel_force", "wheel_power", "engine_torque", "fuel", "fuel_alone"}
            What the logger is taken to measure. ``engine_torque`` and ``fuel`` add gear and engine
            speed of a driveline whose overall ratio is such that torque is power over that speed
            (:func:`crank_speed`).

        Returns
        -------
        DataFrame
        """
        steps = self.steps
        density = self.truth.air_density_kg_m3
        kelvin = AMBIENT_DEGC + 273.15
        table = pd.DataFrame(
            {
                "time_s": steps["time_s"],
                "speed_m_s": steps["speed_m_s"],
                "grade_percent": steps["grade_percent"],
                "ambient_temp_degc": AMBIENT_DEGC,
                "ambient_pressure_kpa": density * GAS_CONSTANT_AIR_J_KG_K * kelvin / 1e3,
            }
        )
        if measured == "wheel_power":
            table["tractive_power_kw"] = steps["wheel_power_w"] / 1e3
        elif measured == "wheel_force":
            moving = steps["speed_m_s"] > 0.5
            force = steps["wheel_power_w"] / steps["speed_m_s"].where(moving)
            table["tractive_force_n"] = force
        else:
            # Its brakes take all negative power, so their switch is known.
            table["brake_active"] = (steps["wheel_power_w"] < 0.0).astype(float)
            speed, gear = crank_speed(steps["speed_m_s"].to_numpy(), self.truth)
            if measured in ("engine_torque", "fuel"):
                table["engine_speed_rpm"] = speed
                table["gear"] = gear
            if measured == "engine_torque":
                table["engine_torque_n_m"] = steps["engine_power_w"] / (speed * np.pi / 30.0)
            elif measured in ("fuel", "fuel_alone"):
                table["fuel_rate_g_s"] = steps["fuel_power_w"] / self.heating_value_j_g
            else:
                raise ValueError(f"nothing called {measured!r} is measured")
        return table.astype(float).reset_index(drop=True)


GEAR_RATIOS = (5.0, 3.6, 2.6, 1.87, 1.34, 0.97)
FINAL_DRIVE = 3.73
_UPSHIFT_RPM = 2400.0
_IDLE_RPM = 750.0


def crank_speed(speed_m_s: Array, truth: Truth) -> tuple[Array, Array]:
    """Engine speed and gear of a six-speed driveline at these road speeds.

    The plant has none; any kinematics will do, because the torque is then its power over this
    speed. Below idle the clutch slips and the gear is reported as neutral.

    Parameters
    ----------
    speed_m_s : ndarray
        Road speed.
    truth : Truth
        For the tyre radius.

    Returns
    -------
    engine_speed_rpm, gear : ndarray
    """
    wheel_rpm = speed_m_s / truth.tyre_radius_m * 30.0 / np.pi
    per_gear = wheel_rpm[:, None] * np.array(GEAR_RATIOS) * FINAL_DRIVE
    below = per_gear <= _UPSHIFT_RPM
    index = np.where(below.any(axis=1), below.argmax(axis=1), len(GEAR_RATIOS) - 1)
    rpm = np.take_along_axis(per_gear, index[:, None], axis=1)[:, 0]
    gear = np.where(rpm < _IDLE_RPM, 0.0, index + 1.0)
    return np.maximum(rpm, _IDLE_RPM), gear


def conventional_vehicle() -> dict[str, Any]:
    """The first conventional vehicle that the package ships, as nested tables."""
    import fastsim

    for name in fastsim.Vehicle.list_resources():
        table: dict[str, Any] = fastsim.Vehicle.from_resource(str(name)).to_dict()
        if "Conv" in table["pt_type"]:
            return table
    raise LookupError("the package ships no conventional vehicle")


def older_diesel_map() -> tuple[Array, Array]:
    """Efficiency of a diesel over its share of rated power, in the wheel of the older release.

    Returns
    -------
    share, efficiency : ndarray, shape (12,)
    """
    text = archive.read_text(r"fastsim/parameters\.py$")
    rows = []
    for name in ("fc_pwr_out_perc", "fc_eff_map_diesel"):
        found = re.search(name + r"\s*=\s*np\.array\(\s*\[([^\]]*)\]", text)
        if found is None:
            raise LookupError(f"the older release has no {name}")
        rows.append(
            np.array([float(value) for value in found.group(1).split(",") if value.strip()])
        )
    return rows[0], rows[1]


def drive(
    speed_m_s: Array,
    grade_percent: Array,
    *,
    mass_kg: float,
    rolling_resistance: float,
    drag_area_m2: float,
    rated_power_w: float,
    engine_map: str = "shipped",
) -> PlantRun:
    """Run the plant over a speed trace.

    Parameters
    ----------
    speed_m_s : ndarray, shape (n,)
        Speed at whole seconds.
    grade_percent : ndarray, shape (n,)
        Grade between the samples i-1 and i.
    mass_kg, rolling_resistance, drag_area_m2 : float
        The truth to be recovered.
    rated_power_w : float
        Engine rating; it must suffice for the cycle.
    engine_map : {"shipped", "diesel"}
        Efficiency over power: the shipped petrol car's, or the diesel's of the older release.

    Returns
    -------
    PlantRun
        n - 1 mid-step samples.

    Raises
    ------
    RuntimeError
        The vehicle missed the trace.
    """
    import fastsim

    table = conventional_vehicle()
    chassis, engine = table["chassis"], table["pt_type"]["Conv"]["fc"]
    chassis["glider_mass_kilograms"] = chassis["cargo_mass_kilograms"] = None
    table["mass_kilograms"] = mass_kg
    chassis["wheel_rr_coef"] = rolling_resistance
    chassis["drag_coef"] = drag_area_m2 / chassis["frontal_area_square_meters"]
    # Enough grip for a heavy vehicle: all wheels driven, the whole weight on them.
    chassis["drive_type"], chassis["wheel_fric_coef"] = "AWD", 1.5
    engine["pwr_out_max_watts"] = engine["pwr_out_max_init_watts"] = rated_power_w
    engine["pwr_ramp_lag_seconds"] = 1e-3
    if engine_map == "diesel":
        data = engine["eff_interp_from_pwr_out"]["data"]
        share, efficiency = older_diesel_map()
        data["grid"][0]["data"], data["values"]["data"] = share.tolist(), efficiency.tolist()
    vehicle = fastsim.Vehicle.from_dict(table)
    vehicle.set_save_interval(1)
    cycle = fastsim.Cycle.from_dict(
        {
            "time_seconds": np.arange(len(speed_m_s), dtype=float).tolist(),
            "speed_meters_per_second": speed_m_s.tolist(),
            "grade": (grade_percent / 100.0).tolist(),
            "init_elev_meters": 100.0,
        }
    )
    simulation = fastsim.SimDrive(vehicle, cycle).to_dict()
    simulation["sim_params"]["trace_miss_opts"] = "Allow"
    simulation = fastsim.SimDrive.from_dict(simulation)
    simulation.run()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        history = simulation.to_dataframe()
    return _as_run(history, table, mass_kg, rolling_resistance, drag_area_m2)


def _as_run(
    history: Any, table: dict[str, Any], mass: float, rolling: float, drag_area: float
) -> PlantRun:
    vehicle = "veh.history."
    engine = "veh.pt_type.Conv.fc.history."

    def column(name: str) -> Array:
        return np.asarray(history[name].to_numpy(), dtype=float)[1:]

    achieved = np.asarray(history[vehicle + "speed_ach_meters_per_second"].to_numpy(), dtype=float)
    wanted = np.asarray(history["cyc.speed_meters_per_second"].to_numpy(), dtype=float)
    missed = int((np.abs(achieved - wanted) > 1e-6).sum())
    if missed:
        raise RuntimeError(
            f"the plant missed its speed trace in {missed} steps: rate the engine higher"
        )
    mean_speed = 0.5 * (achieved[1:] + achieved[:-1])
    steps = pd.DataFrame(
        {
            "time_s": column(vehicle + "time_seconds") - 0.5,
            "speed_m_s": mean_speed,
            "grade_percent": 100.0
            * np.tan(np.arcsin(WEIGHT_RATIO * column(vehicle + "grade_curr"))),
            "wheel_power_w": column(vehicle + "pwr_tractive_watts"),
            "engine_power_w": column(engine + "pwr_prop_watts") + column(engine + "pwr_aux_watts"),
            "fuel_power_w": column(engine + "pwr_fuel_watts"),
            "drag_w": column(vehicle + "pwr_drag_watts"),
            "rolling_w": column(vehicle + "pwr_rr_watts"),
            "ascent_w": column(vehicle + "pwr_ascent_watts"),
            "acceleration_w": column(vehicle + "pwr_accel_watts"),
            "wheel_inertia_w": column(vehicle + "pwr_whl_inertia_watts"),
        }
    )
    fast = mean_speed > 5.0
    half_area_cubed = 0.5 * drag_area * mean_speed[fast] ** 3
    density = float(np.median(steps["drag_w"].to_numpy()[fast] / half_area_cubed))
    chassis = table["chassis"]
    powertrain = table["pt_type"]["Conv"]
    truth = Truth(
        mass_kg=mass,
        rolling_resistance=WEIGHT_RATIO * rolling,
        drag_area_m2=drag_area,
        air_density_kg_m3=density,
        wheel_inertia_kg_m2=chassis["num_wheels"] * chassis["wheel_inertia_kilogram_square_meters"],
        tyre_radius_m=chassis["wheel_radius_meters"],
        driveline_efficiency=float(powertrain["transmission"]["eff_interp"]),
        accessory_power_w=float(table["pwr_aux_base_watts"]),
    )
    heating = powertrain["fs"]["specific_energy_joules_per_kilogram"] / 1e3
    return PlantRun(steps, truth, heating)


def splice(first: PlantRun, second: PlantRun, at_s: float) -> PlantRun:
    """The first run up to a time and the second from there on: a change of ground.

    The plant is quasi-static, so a step's power depends on that step alone and two runs of one
    speed trace may be joined anywhere. The truth returned is the first run's.

    Parameters
    ----------
    first, second : PlantRun
        Runs over the same speed trace.
    at_s : float
        When the ground changes.

    Returns
    -------
    PlantRun
    """
    if not np.array_equal(first.steps["speed_m_s"], second.steps["speed_m_s"]):
        raise ValueError("the two runs must follow the same speed trace")
    before = first.steps["time_s"] < at_s
    joined = first.steps.where(before, second.steps)
    return PlantRun(joined, first.truth, first.heating_value_j_g)
