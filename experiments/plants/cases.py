"""The vehicles, roads and rigs on which the outside plants are run, and how an estimate is judged.

Beliefs are wrong on purpose: the rig's mass and GCM are not centred on the truth, and its drag area
is a quarter too large.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn import LoadEstimator, prepare
from loadlearn.vehicle.rig import Rig
from plants import cycles, vehicle_energy
from plants.truth import Truth

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """A vehicle that a plant is asked to drive.

    Attributes
    ----------
    name : str
        What it stands for.
    mass_kg, rolling_resistance, drag_area_m2 : float
        Truth.
    rated_power_w : float
        Engine rating; three quarters of it may reach the tread.
    solo_mass_kg, gcm_kg : float
        What the rig file says.
    """

    name: str
    mass_kg: float
    rolling_resistance: float
    drag_area_m2: float
    rated_power_w: float
    solo_mass_kg: float
    gcm_kg: float


CASES = (
    Case("car, two up", 1600.0, 0.0090, 0.70, 100e3, 1430.0, 2900.0),
    Case("car and trailer", 2300.0, 0.0100, 1.10, 110e3, 1430.0, 2900.0),
    Case("utility alone", 2900.0, 0.0110, 1.25, 150e3, 2850.0, 6500.0),
    Case("utility and boat", 5200.0, 0.0115, 1.90, 150e3, 2850.0, 6500.0),
    Case("wagon, over its rating", 7000.0, 0.0105, 2.90, 200e3, 2950.0, 6700.0),
    Case("heavy truck", 36_000.0, 0.0065, 6.00, 330e3, 16_000.0, 44_000.0),
)

ROADS = ("level city and highway", "hilly city and highway", "hilly worldwide cycle")


def road(name: str, case: Case, seed: int, power: Any = None) -> tuple[Array, Array]:
    """Speed and grade of a drive of about half an hour.

    Parameters
    ----------
    name : str
        One of ``ROADS``.
    case : Case
        The vehicle; it slows where its power does not suffice.
    seed : int
        Of the hills.
    power : float or callable, optional
        Power at the tread; three quarters of the rating when absent.

    Returns
    -------
    speed_m_s, grade_percent : ndarray
    """
    if "worldwide" in name:
        wanted = cycles.speed_trace("wltc")
    else:
        wanted = cycles.join(cycles.speed_trace("udds"), cycles.speed_trace("hwfet"))
    return cycles.within_power(
        wanted,
        case.mass_kg,
        case.rolling_resistance,
        case.drag_area_m2,
        0.75 * case.rated_power_w if power is None else power,
        2.0 if "hilly" in name else 0.0,
        seed,
    )


@dataclass(frozen=True)
class FreshDrive:
    """A vehicle, a real drive and hills that nobody here has looked at before.

    Attributes
    ----------
    case : Case
        Mass from 1.6 to 7 t, or a truck of 12 to 40 t.
    drive : str
        Which recorded drive.
    grade_rms_percent : float
        Of the hills.
    """

    case: Case
    drive: str
    grade_rms_percent: float

    def road(self, seed: int, power: Any = None) -> tuple[Array, Array]:
        """Speed and grade; as :func:`road`."""
        return cycles.within_power(
            cycles.recorded_speed(self.drive),
            self.case.mass_kg,
            self.case.rolling_resistance,
            self.case.drag_area_m2,
            0.75 * self.case.rated_power_w if power is None else power,
            self.grade_rms_percent,
            seed,
        )


def fresh_drive(seed: int) -> FreshDrive:
    """Draw a vehicle, a recorded drive and hills.

    Parameters
    ----------
    seed : int
        One in five is a truck.

    Returns
    -------
    FreshDrive
    """
    rng = np.random.default_rng(seed)
    truck = seed % 5 == 4
    low, high = (12e3, 40e3) if truck else (1.6e3, 7e3)
    mass = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    solo = mass * float(rng.uniform(0.45, 1.0))
    tonnes = mass / 1e3
    case = Case(
        name="truck" if truck else "light vehicle",
        mass_kg=mass,
        rolling_resistance=float(rng.uniform(0.005, 0.009) if truck else rng.uniform(0.008, 0.014)),
        drag_area_m2=float((4.0 if truck else 0.3 + 0.35 * tonnes) * rng.uniform(0.8, 1.4)),
        # 11 to 16 kW/t; a light vehicle has 60 kW at least.
        rated_power_w=max(60e3, 1e3 * tonnes * float(rng.uniform(11.0, 16.0) if truck else 25.0)),
        solo_mass_kg=solo * float(rng.uniform(0.97, 1.03)),
        gcm_kg=mass * float(rng.uniform(0.95, 1.6)),
    )
    drives = cycles.recorded_drives()
    return FreshDrive(case, drives[seed % len(drives)], float(rng.uniform(0.8, 3.5)))


def rig_for(
    case: Case,
    truth: Truth,
    *,
    tractive_scale_sd: float,
    engine: dict[str, Any] | None = None,
    driveline: dict[str, Any] | None = None,
) -> Rig:
    """The rig file that an owner of this vehicle might write.

    Parameters
    ----------
    case : Case
        The vehicle.
    truth : Truth
        For tyre, wheels, efficiency and accessories, which the rig knows.
    tractive_scale_sd : float
        How sure the rig is of the force computed from the log.
    engine, driveline : dict, optional
        Keys of those tables that differ from the common ones.

    Returns
    -------
    Rig
    """
    common_engine: dict[str, Any] = {
        "fuel": "diesel",
        "displacement_l": case.rated_power_w / 50e3,
        "inertia_kg_m2": 0.0,
        "idle_rpm": 750.0,
        "accessory_power_kw": truth.accessory_power_w / 1e3,
        "accessory_power_sd_kw": 0.2,
    }
    common_driveline: dict[str, Any] = {
        "gear_ratios": list(vehicle_energy.GEAR_RATIOS),
        "final_drive": vehicle_energy.FINAL_DRIVE,
        "efficiency": truth.driveline_efficiency,
    }
    return Rig.from_dict(
        {
            "name": case.name,
            "vehicle": {
                "mass_kg": case.solo_mass_kg,
                "mass_sd_kg": 0.04 * case.solo_mass_kg,
                "rated_gcm_kg": case.gcm_kg,
                "tyre_radius_m": truth.tyre_radius_m,
                "wheel_inertia_kg_m2": truth.wheel_inertia_kg_m2,
                "drag_area_m2": 1.25 * case.drag_area_m2,
                "drag_area_sd_m2": 0.4 * case.drag_area_m2,
            },
            "engine": common_engine | (engine or {}),
            "driveline": common_driveline | (driveline or {}),
            "uncertainty": {"tractive_scale_sd": tractive_scale_sd},
        }
    )


def judge(trace: pd.DataFrame, rig: Rig, truth: Truth) -> dict[str, Any]:
    """Run the estimator as the command ``estimate`` does and judge the end of the drive.

    The load does not change: each change that the summary reports is a false one.

    Parameters
    ----------
    trace : DataFrame
        A drive log in canonical columns.
    rig : Rig
        What is driven.
    truth : Truth
        What the plant was told.

    Returns
    -------
    dict
        Estimates, errors in per cent, and whether the 95 % interval of each quantity holds it.
    """
    history = LoadEstimator(rig).run(prepare(trace, rig))
    end = history.iloc[-1]
    row: dict[str, Any] = {"mass_kg": truth.mass_kg, "estimated_kg": float(end["mass_kg"])}
    row["mass_sd_kg"] = float(end["mass_sd_kg"])
    row["low95_kg"], row["high95_kg"] = float(end["mass_low95_kg"]), float(end["mass_high95_kg"])
    row["mass_error_percent"] = 100.0 * (row["estimated_kg"] / truth.mass_kg - 1.0)
    row["mass_inside95"] = int(row["low95_kg"] <= truth.mass_kg <= row["high95_kg"])
    for name, true in (
        ("rolling_resistance", truth.rolling_resistance),
        ("drag_area_m2", truth.drag_area_m2),
    ):
        value, sd = float(end[name]), float(end[f"{name.removesuffix('_m2')}_sd" + _unit(name)])
        short = "rolling" if name.startswith("rolling") else "drag"
        row[f"{short}_estimated"] = value
        row[f"{short}_error_percent"] = 100.0 * (value / true - 1.0)
        row[f"{short}_z"] = (value - true) / sd
        row[f"{short}_inside95"] = int(abs(value - true) <= 1.96 * sd)
    row["surface"] = str(end["surface"])
    row["false_load_changes"] = len(history.attrs["summary"]["load_changes"])
    row["learning_share"] = float(history["learning"].mean())
    return row


def _unit(name: str) -> str:
    return "_m2" if name.endswith("_m2") else ""


def summary(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Root mean square errors and coverage per group.

    Parameters
    ----------
    rows : DataFrame
        From :func:`judge`, with the columns of ``by``.
    by : list of str
        What to group by.

    Returns
    -------
    DataFrame
    """

    def rms(values: pd.Series) -> float:
        return float(np.sqrt(np.mean(np.square(values))))

    table = []
    for key, group in rows.groupby(by, sort=False):
        z = (group["estimated_kg"] - group["mass_kg"]) / group["mass_sd_kg"]
        table.append(
            {
                **dict(zip(by, key, strict=True)),
                "drives": len(group),
                "mass_rms_percent": rms(group["mass_error_percent"]),
                "mass_bias_percent": float(group["mass_error_percent"].mean()),
                "mass_worst_percent": float(group["mass_error_percent"].abs().max()),
                "mass_rms_z": rms(z),
                "mass_inside95": float(group["mass_inside95"].mean()),
                "rolling_rms_percent": rms(group["rolling_error_percent"]),
                "rolling_inside95": float(group["rolling_inside95"].mean()),
                "drag_rms_percent": rms(group["drag_error_percent"]),
                "drag_inside95": float(group["drag_inside95"].mean()),
                "false_load_changes": int(group["false_load_changes"].sum()),
            }
        )
    return pd.DataFrame(table)


def draw_errors(axes: Any, rows: pd.DataFrame, by: str) -> None:
    """Mass errors with their 95 % intervals against the true mass, one panel per group.

    Parameters
    ----------
    axes : ndarray of matplotlib Axes
        As many as there are groups.
    rows : DataFrame
        From :func:`judge`.
    by : str
        What to group by.
    """
    for axis, (name, group) in zip(axes, rows.groupby(by, sort=False), strict=True):
        below = 100.0 * (group["estimated_kg"] - group["low95_kg"]) / group["mass_kg"]
        above = 100.0 * (group["high95_kg"] - group["estimated_kg"]) / group["mass_kg"]
        axis.errorbar(
            group["mass_kg"],
            group["mass_error_percent"],
            yerr=[below.clip(lower=0.0), above.clip(lower=0.0)],
            fmt="o",
            ms=3,
            lw=0.8,
        )
        axis.axhline(0.0, color="black", lw=0.6)
        axis.set(xscale="log", xlabel="true mass (t)", ylabel="error (%)", title=str(name))
        low, high = group["mass_kg"].min() / 1.15, group["mass_kg"].max() * 1.15
        ticks = [t for t in (1.5, 2.0, 3.0, 5.0, 10.0, 20.0, 40.0) if low <= 1e3 * t <= high]
        axis.set_xticks([1e3 * t for t in ticks], [f"{t:g}" for t in ticks])
        axis.minorticks_off()
