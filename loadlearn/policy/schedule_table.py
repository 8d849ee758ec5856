"""The strategy as a table: retention, full-share time and economy over mass and rolling resistance.

Found from the quasi-steady form of the same law. At each point of the table a driver asks for the
speed that is usual on such ground, in hills; the load is known as well as a drive of some
minutes teaches it; the engine is warm and the metal as hot as level cruising makes it. Need,
reserve, sustainable share and heat time are then those of :mod:`loadlearn.policy.need` and
:mod:`loadlearn.policy.law_settings`.

Monotone where physics demands it: at a given speed and grade the force rises with mass and with
rolling resistance, and hotter cruising leaves less heat credit, so need may not fall along either
axis, nor reserve and full-share time rise. Where the speed that falls with the ground, the steps
between gears or quantiles of draws break that, an isotonic regression (Barlow et al., *Statistical
Inference under Order Restrictions*, from memory) restores it. The sustainable share depends on
engine speed and hence on the gear; heat is averaged over speeds a tenth about the usual one, and
the retention is the largest table below min(need, sustainable share) that does not fall along
either axis, so that the order is never bought with heat. The largest change each step made is
written into the table.
"""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loadlearn._compile import as_record, jit
from loadlearn.errors import InputError
from loadlearn.policy.draws import draws_from_summaries
from loadlearn.policy.exhaust import (
    FORETOLD_AFTER_S,
    ExhaustState,
    FullLoad,
    full_load_gas,
    gas_limit_degc,
    start_exhaust,
)
from loadlearn.policy.law_settings import (
    SUSTAINED_S,
    HeatNow,
    economy_of_reserve,
    heat_time_s,
    sustainable_share,
)
from loadlearn.policy.need import (
    NEED_QUANTILE,
    RESERVE_QUANTILE,
    need_of_force,
    weighted_quantile,
)
from loadlearn.policy.renewal import requirement
from loadlearn.policy.state import PolicyMemory, policy_config, policy_memory
from loadlearn.policy.thermal_model import (
    RAD_S_PER_RPM,
    Surroundings,
    ThermalParameters,
    air_flow_g_s,
    charge_temperature_degc,
    coolant_equilibrium_degc,
    exhaust_rise_k,
    fuel_flow_g_s,
    full_load_torque_n_m,
    oil_equilibrium_degc,
    thermal_parameters,
)
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import isa_pressure_kpa

if TYPE_CHECKING:
    import pandas as pd

FORMAT = 1
ROLLING_AXIS = (0.008, 0.012, 0.017, 0.023, 0.032, 0.045, 0.06, 0.08, 0.11, 0.15, 0.20, 0.27, 0.35)
MASS_POINTS = 15
USUAL_SPEED = (
    (0.008, 25.0),
    (0.015, 25.0),
    (0.023, 22.0),
    (0.055, 18.0),
    (0.12, 14.0),
    (0.26, 9.0),
)
"""Speed (m/s) usual on ground of a rolling resistance (common practice, no source)."""
HILLS = (0.0, 0.01, 0.02, 0.03, 0.04, 0.05, 0.065, 0.08)
"""Grades (tangent), equally likely, for which the table is made."""
SPEED_SPREAD = (0.90, 0.95, 1.0, 1.05, 1.10)
"""Speeds about the usual one over which heat is averaged: the gear is not always the best."""
MASS_KNOWN, ROLLING_KNOWN = 0.04, 0.10
"""Relative sd of mass and rolling resistance after some minutes of learning."""
QUANTITIES = ("power_retention", "full_share_time_s", "economy")


@dataclass(frozen=True)
class Schedule:
    """A strategy table.

    Attributes
    ----------
    mass_kg : ndarray, shape (m,)
        Combined mass (kg), rising.
    rolling_resistance : ndarray, shape (c,)
        Coefficient at 20 m/s, rising.
    power_retention, full_share_time_s, economy : ndarray, shape (m, c)
        The settings.
    reference_speed_m_s, need, sustainable_share, reserve : ndarray, shape (m, c)
        What they come from.
    rig_name, rig_hash : str
        Which rig the table belongs to.
    conditions : dict
        For what it was made: ambient, altitude, grades, spreads.
    isotonic_change : dict
        Largest change that restoring the order made, by quantity.
    """

    mass_kg: NDArray[np.float64]
    rolling_resistance: NDArray[np.float64]
    power_retention: NDArray[np.float64]
    full_share_time_s: NDArray[np.float64]
    economy: NDArray[np.float64]
    reference_speed_m_s: NDArray[np.float64]
    need: NDArray[np.float64]
    sustainable_share: NDArray[np.float64]
    reserve: NDArray[np.float64]
    rig_name: str
    rig_hash: str
    conditions: dict[str, Any] = field(default_factory=dict)
    isotonic_change: dict[str, float] = field(default_factory=dict)

    def look_up(
        self, mass_kg: ArrayLike, rolling_resistance: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Settings at a mass and a rolling resistance, interpolated, held at the edges.

        Linear in mass and in the logarithm of rolling resistance.

        Parameters
        ----------
        mass_kg, rolling_resistance : array_like, shape (k,)

        Returns
        -------
        power_retention, full_share_time_s, economy : ndarray, shape (k,)
        """
        i, a = _place(np.asarray(mass_kg, dtype=np.float64), self.mass_kg)
        coefficient = np.maximum(np.asarray(rolling_resistance, dtype=np.float64), 1e-4)
        j, b = _place(np.log(coefficient), np.log(self.rolling_resistance))

        def at(table: NDArray[np.float64]) -> NDArray[np.float64]:
            low = (1.0 - b) * table[i, j] + b * table[i, j + 1]
            high = (1.0 - b) * table[i + 1, j] + b * table[i + 1, j + 1]
            return np.asarray((1.0 - a) * low + a * high)

        return at(self.power_retention), at(self.full_share_time_s), at(self.economy)

    def check_rig(self, rig: Rig) -> None:
        """Refuse a table made for another rig.

        Raises
        ------
        InputError
            The rig's content differs from the one the table was made for.
        """
        if self.rig_hash != rig_hash(rig):
            raise InputError(
                f"the schedule was made for the rig '{self.rig_name}' ({self.rig_hash[:12]}), not "
                f"for '{rig.name}' ({rig_hash(rig)[:12]}); make one with loadlearn schedule --rig"
            )

    def to_dict(self) -> dict[str, Any]:
        """The table with axes, units and identity, ready for JSON."""
        return {
            "format": FORMAT,
            "rig": {"name": self.rig_name, "sha256": self.rig_hash},
            "axes": {
                "mass_kg": {"unit": "kg", "values": self.mass_kg.tolist()},
                "rolling_resistance": {
                    "unit": "1",
                    "at_speed_m_s": 20.0,
                    "values": self.rolling_resistance.tolist(),
                },
            },
            "settings": {
                name: {"unit": unit, "axes": ["mass_kg", "rolling_resistance"], "values": values}
                for name, unit, values in (
                    ("power_retention", "1", self.power_retention.tolist()),
                    ("full_share_time_s", "s", self.full_share_time_s.tolist()),
                    ("economy", "1", self.economy.tolist()),
                    ("reference_speed_m_s", "m/s", self.reference_speed_m_s.tolist()),
                    ("need", "1", self.need.tolist()),
                    ("sustainable_share", "1", self.sustainable_share.tolist()),
                    ("reserve", "1", self.reserve.tolist()),
                )
            },
            "conditions": self.conditions,
            "isotonic_change": self.isotonic_change,
        }

    def to_frame(self) -> pd.DataFrame:
        """One row per point: mass, rolling resistance and the settings."""
        import pandas as pd

        mass, rolling = np.meshgrid(self.mass_kg, self.rolling_resistance, indexing="ij")
        columns = {"mass_kg": mass.ravel(), "rolling_resistance": rolling.ravel()}
        for name in (*QUANTITIES, "reference_speed_m_s", "need", "sustainable_share", "reserve"):
            columns[name] = getattr(self, name).ravel()
        return pd.DataFrame(columns)

    @classmethod
    def from_dict(cls, table: dict[str, Any], source: str = "schedule") -> Self:
        """Rebuild a table from :meth:`to_dict`.

        Parameters
        ----------
        table : dict
        source : str
            Named in error messages.

        Raises
        ------
        InputError
            A key is missing, or shapes, axes or ranges are wrong.
        """
        try:
            axes, settings = table["axes"], table["settings"]
            mass = np.array(axes["mass_kg"]["values"], dtype=np.float64)
            rolling = np.array(axes["rolling_resistance"]["values"], dtype=np.float64)
            arrays = {
                name: np.array(settings[name]["values"], dtype=np.float64)
                for name in (
                    *QUANTITIES,
                    "reference_speed_m_s",
                    "need",
                    "sustainable_share",
                    "reserve",
                )
            }
            name, digest = table["rig"]["name"], table["rig"]["sha256"]
        except (KeyError, TypeError, ValueError) as error:
            raise InputError(
                f"{source}: not a schedule ({error!r}); make one with loadlearn schedule --rig"
            ) from None
        for axis, label in ((mass, "mass_kg"), (rolling, "rolling_resistance")):
            if axis.ndim != 1 or axis.size < 2 or not np.all(np.diff(axis) > 0.0) or axis[0] <= 0:
                raise InputError(f"{source}: axis '{label}' must be positive and rise; mend it")
        for label, values in arrays.items():
            if values.shape != (mass.size, rolling.size) or not np.all(np.isfinite(values)):
                raise InputError(
                    f"{source}: '{label}' must hold {mass.size} x {rolling.size} numbers; mend it"
                )
        for label, top in (("power_retention", 1.0), ("economy", 1.0), ("full_share_time_s", 60.0)):
            if arrays[label].min() < 0.0 or arrays[label].max() > top:
                raise InputError(f"{source}: '{label}' must lie within 0 and {top:g}; mend it")
        return cls(
            mass_kg=mass,
            rolling_resistance=rolling,
            **arrays,
            rig_name=str(name),
            rig_hash=str(digest),
            conditions=dict(table.get("conditions", {})),
            isotonic_change=dict(table.get("isotonic_change", {})),
        )

    @classmethod
    def from_json(cls, path: str | Path) -> Self:
        """Read ``schedule.json``.

        Raises
        ------
        InputError
            The file cannot be read or is no schedule.
        """
        try:
            table = json.loads(Path(path).read_text(encoding="utf-8"))
        except FileNotFoundError:
            raise InputError(f"{path}: no such schedule; check the path") from None
        except (OSError, ValueError) as error:
            raise InputError(f"{path}: the schedule cannot be read ({error})") from None
        return cls.from_dict(table, str(path))


def rig_hash(rig: Rig) -> str:
    """SHA-256 of a rig's content (not of its file's layout or comments)."""
    return hashlib.sha256(rig.model_dump_json().encode()).hexdigest()


def _place(
    values: NDArray[np.float64], axis: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    inside = np.clip(values, axis[0], axis[-1])
    lower = np.clip(np.searchsorted(axis, inside, side="right") - 1, 0, axis.size - 2)
    return lower, (inside - axis[lower]) / (axis[lower + 1] - axis[lower])


class Point(NamedTuple):
    """The law's quantities at one point of the table."""

    need: float
    reserve: float
    sustainable: float
    heat_time_s: float


@jit
def quasi_steady(
    parameters: NDArray[Any],
    configs: NDArray[Any],
    memory: PolicyMemory,
    draws: NDArray[Any],
    grades: NDArray[np.float64],
    speed_m_s: float,
    air: Surroundings,
    beliefs: NDArray[Any],
) -> Point:
    """Need, reserve, sustainable share and heat time of a warm vehicle at a steady speed.

    Parameters
    ----------
    parameters, configs : ndarray of ThermalParameters, PolicyConfig; shape (1,)
    memory : PolicyMemory
    draws : ndarray of LoadDraw, shape (n,)
    grades : ndarray, shape (g,)
        Tangents, level road first.
    speed_m_s : float
    air : Surroundings
    beliefs : ndarray of ExhaustState, shape (1,)
        Scratch.
    """
    p, config, exhaust = parameters[0], configs[0], beliefs[0]
    asked = requirement(p, config, memory, draws, grades, speed_m_s, air)
    weight = draws["weight"]
    needed = weighted_quantile(asked.forces_n, weight, NEED_QUANTILE)
    most = weighted_quantile(asked.forces_n, weight, RESERVE_QUANTILE)
    level = weighted_quantile(asked.forces_n[:1], weight, 0.5)
    base_n, uprated_n, rpm = asked.base.force_n, asked.uprated.force_n, asked.uprated.rpm

    # Level cruising at this speed makes the metal, coolant and oil as warm as they are.
    omega = rpm * RAD_S_PER_RPM
    full = full_load_torque_n_m(memory.curve, rpm, 0.0)
    base_fuel = fuel_flow_g_s(p, full, omega)
    part = min(level / max(base_n, 1.0), 1.0)
    fuel = fuel_flow_g_s(p, part * full, omega)
    intake = charge_temperature_degc(p, air.ambient_degc, fuel / max(base_fuel, 1e-9))
    flow = air_flow_g_s(p, fuel, base_fuel, omega, intake, air.ambient_kpa)
    cruising = intake + exhaust_rise_k(p, fuel, flow, base_fuel)
    point = FullLoad(rpm, math.nan, 1.0, 1.0)
    at_full = full_load_gas(p, memory.curve, point, 1.0, air)
    start_exhaust(p, exhaust, cruising, cruising)
    exhaust.cov_metal, exhaust.cov_factor = 20.0 * 20.0, 0.02 * 0.02
    exhaust.log_rise, exhaust.gas_sd_k = math.log(at_full.rise_k + 60.0), 10.0
    exhaust.firing_s = 2.0 * FORETOLD_AFTER_S
    after = 1.0 if config.exhaust_sensor > 1.5 else 0.0
    limit = gas_limit_degc(p, config.gas_limit_degc, after, air.ambient_degc)
    coolant = coolant_equilibrium_degc(p, fuel, air.ambient_degc)
    oil = oil_equilibrium_degc(p, coolant, fuel, 0.0)
    heat = HeatNow(coolant, oil, config.coolant_reduce_degc, config.oil_reduce_degc, limit)
    sustainable = sustainable_share(p, exhaust, memory.curve, point, heat, air, SUSTAINED_S)
    time = heat_time_s(p, exhaust, memory.curve, point, air, limit)
    if config.exhaust_sensor < 0.5 or config.uprated < 0.5:
        sustainable, time = 0.0, 0.0
    return Point(
        need_of_force(needed, base_n, uprated_n),
        1.0 - most / max(base_n, 1.0),
        sustainable,
        time,
    )


def compute_schedule(
    rig: Rig,
    *,
    mass_kg: ArrayLike | None = None,
    rolling_resistance: ArrayLike = ROLLING_AXIS,
    ambient_degc: float = 25.0,
    altitude_m: float = 0.0,
    grades: ArrayLike = HILLS,
    thermal: ThermalParameters | None = None,
) -> Schedule:
    """The strategy table of a rig.

    Parameters
    ----------
    rig : Rig
        Needs a full-load curve.
    mass_kg : array_like, optional
        Mass axis (kg); default from the tow vehicle alone to a tenth above GCM.
    rolling_resistance : array_like
        Axis of the coefficient at 20 m/s.
    ambient_degc, altitude_m : float
        Air for which the table is made.
    grades : array_like
        Equally likely grades (tangent).
    thermal : ThermalParameters, optional
        Default the rig's.

    Raises
    ------
    InputError
        The rig has no full-load curve, or an axis does not rise.
    """
    p = as_record(thermal if thermal is not None else thermal_parameters(rig))
    config, memory = as_record(policy_config(rig)), policy_memory(rig)
    belief = as_record(ExhaustState())
    if mass_kg is None:
        low, high = 0.95 * rig.vehicle.mass_kg, 1.1 * rig.nominal_gcm_kg
        mass = np.round(np.linspace(low, high, MASS_POINTS), -1)
    else:
        mass = np.asarray(mass_kg, dtype=np.float64)
    rolling = np.asarray(rolling_resistance, dtype=np.float64)
    for axis, name in ((mass, "mass_kg"), (rolling, "rolling_resistance")):
        if axis.ndim != 1 or axis.size < 2 or not np.all(np.diff(axis) > 0.0) or axis[0] <= 0.0:
            raise InputError(f"the schedule's axis '{name}' must be positive and rise; mend it")
    slope = np.sort(np.asarray(grades, dtype=np.float64))
    air = Surroundings(float(ambient_degc), float(isa_pressure_kpa(altitude_m)))
    usual = np.array(USUAL_SPEED)
    speeds = np.interp(np.log(rolling), np.log(usual[:, 0]), usual[:, 1])

    shape = (mass.size, rolling.size)
    tables = {name: np.empty(shape) for name in Point._fields}
    for j, coefficient in enumerate(rolling):
        draws = draws_from_summaries(
            rig,
            mass,
            np.hypot(MASS_KNOWN, rig.uncertainty.tractive_scale_sd) * mass,
            MASS_KNOWN * mass,
            np.full(mass.size, coefficient),
            np.full(mass.size, ROLLING_KNOWN * coefficient),
            np.full(mass.size, rig.vehicle.drag_area_m2),
            np.full(mass.size, 0.15 * rig.vehicle.drag_area_m2),
        )
        for i in range(mass.size):
            about = [
                quasi_steady(
                    p, config, memory, draws[i], slope, float(speeds[j] * part), air, belief
                )
                for part in SPEED_SPREAD
            ]
            usual_point = about[SPEED_SPREAD.index(1.0)]
            tables["need"][i, j] = usual_point.need
            tables["reserve"][i, j] = usual_point.reserve
            tables["sustainable"][i, j] = np.mean([point.sustainable for point in about])
            tables["heat_time_s"][i, j] = np.mean([point.heat_time_s for point in about])

    need = isotonic_table(tables["need"])
    reserve = -isotonic_table(-tables["reserve"])
    time = np.maximum(-isotonic_table(-tables["heat_time_s"]), 0.0)
    plain = np.minimum(need, tables["sustainable"])
    retention = _largest_below(plain)
    change = {
        "need": float(np.abs(need - tables["need"]).max()),
        "reserve": float(np.abs(reserve - tables["reserve"]).max()),
        "full_share_time_s": float(np.abs(time - tables["heat_time_s"]).max()),
        "power_retention": float(np.abs(retention - plain).max()),
    }
    return Schedule(
        mass_kg=mass,
        rolling_resistance=rolling,
        power_retention=retention,
        full_share_time_s=time + 0.0,
        economy=np.vectorize(economy_of_reserve, otypes=[float])(reserve),
        reference_speed_m_s=np.broadcast_to(speeds, shape).copy(),
        need=need,
        sustainable_share=tables["sustainable"],
        reserve=reserve,
        rig_name=rig.name,
        rig_hash=rig_hash(rig),
        conditions={
            "ambient_degc": float(ambient_degc),
            "altitude_m": float(altitude_m),
            "grades_percent": (100.0 * slope).tolist(),
            "mass_relative_sd": MASS_KNOWN,
            "rolling_resistance_relative_sd": ROLLING_KNOWN,
        },
        isotonic_change=change,
    )


def _isotonic(values: NDArray[np.float64]) -> NDArray[np.float64]:
    from sklearn.isotonic import isotonic_regression

    return np.asarray(isotonic_regression(values))


def _largest_below(table: NDArray[np.float64]) -> NDArray[np.float64]:
    """The largest table below another that does not fall along either axis."""
    flipped = np.minimum.accumulate(table[::-1, ::-1], axis=0)
    return np.ascontiguousarray(np.minimum.accumulate(flipped, axis=1)[::-1, ::-1])


def isotonic_table(table: NDArray[np.float64]) -> NDArray[np.float64]:
    """Least-squares table that does not fall along either axis (Dykstra's alternating projections).

    Parameters
    ----------
    table : ndarray, shape (m, c)

    Returns
    -------
    ndarray, shape (m, c)
    """
    fitted = np.array(table, dtype=np.float64)
    by_row, by_column = np.zeros_like(fitted), np.zeros_like(fitted)
    for _ in range(50):
        rows = np.apply_along_axis(_isotonic, 1, fitted + by_row)
        by_row = fitted + by_row - rows
        columns = np.apply_along_axis(_isotonic, 0, rows + by_column)
        by_column = rows + by_column - columns
        step = float(np.abs(columns - fitted).max())
        fitted = columns
        if step < 1e-9:
            break
    # What the iteration left of rounding.
    return np.maximum.accumulate(np.maximum.accumulate(fitted, axis=0), axis=1) + 0.0
