"""Which Willans line stands for this engine, and how far is the engine from a line?

Question: a rig needs ``indicated_efficiency``, ``friction_mep_kpa`` and its slope. What are they
for an engine of which fuelling and brake power are known at some loads?

Method: over steady or driven samples of known fuelling, engine speed and brake power (a chassis
dynamometer, or a drive at known mass), least squares of

    P_brake = e H mdot_fuel - (f0 + f1 omega) V_d omega / (2 pi strokes / 2)

with e within 0.1 to 0.6 and f0, f1 not negative; samples under 5 % of the largest power are left
out, since there a line is at its worst. A second fit, of a curve (brake torque with the square of
the fuel per turn added), tells how far the engine is from a line:

- The curve is what the rig takes (``efficiency_fall_per_mpa``), where a rig may hold it;
  ``tractive_scale_sd`` is then the relative error of the power that remains, at least 3 %.
- Else the line serves. A mass is read off how the force *varies*, so it is its slope that counts,
  not its level. A drive is mostly in the lower or in the upper half of the loads: the root mean
  square, over both halves, of the curve's mean slope there over the line's, less one, is the
  slope's error, and ``tractive_scale_sd`` at least that.
- Curve and line differ in what they say of no load; the line is taken to be wrong there by as much
  at two standard deviations: ``friction_mep_sd_kpa``.

Expected answer: for a DI diesel e = 0.40 to 0.45 (Guzzella & Onder, *Introduction to Modeling and
Control of Internal Combustion Engine Systems*, from memory); the two outside engines here are
car maps with lower slopes: the energy simulator's shipped map peaks at 36 % and falls to 30 %.

    python experiments/fit_willans.py --quick
    python experiments/fit_willans.py --log dyno_run.csv --displacement 3.0
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import harness
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from plants import cycles

Array = NDArray[np.float64]


LEAST_SCALE_SD = 0.03
"""The rig file's default: fuel, driveline and tyres differ besides."""


@dataclass(frozen=True)
class WillansLine:
    """A fitted line, in the rig's terms.

    Attributes
    ----------
    indicated_efficiency : float
        Slope.
    friction_mep_kpa, friction_mep_slope_kpa_s_per_rad : float
        Offset at zero speed and its rise with engine speed.
    curve_efficiency, curve_fall_per_mpa, curve_friction_mep_kpa : float
        The curve in the rig's terms; its friction rises with speed as the line's.
    curve_relative_error : float
        As ``relative_error``, of the curve.
    friction_mep_sd_kpa : float
        Half the difference between what the line and a curve say of no load; at least 5.
    slope_error : float
        Root mean square over the two halves of the load of the curve's slope over the line's, less
        one.
    relative_error : float
        Power-weighted root mean square of what remains, relative to the power.
    bias_low, bias_high : float
        Mean of power over fitted power, less one, in the lower and upper half of the power.
    samples : int
        How many were used.
    """

    indicated_efficiency: float
    friction_mep_kpa: float
    friction_mep_slope_kpa_s_per_rad: float
    curve_efficiency: float
    curve_fall_per_mpa: float
    curve_friction_mep_kpa: float
    curve_relative_error: float
    friction_mep_sd_kpa: float
    slope_error: float
    relative_error: float
    bias_low: float
    bias_high: float
    samples: int

    @property
    def tractive_scale_sd(self) -> float:
        """What a rig file should say of the scale of a chain that rests on this fit."""
        if self.curved:
            return max(LEAST_SCALE_SD, self.curve_relative_error)
        return max(LEAST_SCALE_SD, self.slope_error, self.relative_error)

    @property
    def curved(self) -> bool:
        """Whether the curve is one that a rig file may hold; else the line serves."""
        within = -0.1 <= self.curve_fall_per_mpa <= 0.3 and 0.1 < self.curve_efficiency < 0.6
        return within and self.curve_friction_mep_kpa >= 0.0

    def engine_keys(self) -> dict[str, float]:
        """What the table ``[engine]`` of a rig file takes from the fit."""
        curved = self.curved
        return {
            "indicated_efficiency": self.curve_efficiency if curved else self.indicated_efficiency,
            "efficiency_fall_per_mpa": self.curve_fall_per_mpa if curved else 0.0,
            "friction_mep_kpa": self.curve_friction_mep_kpa if curved else self.friction_mep_kpa,
            "friction_mep_slope_kpa_s_per_rad": self.friction_mep_slope_kpa_s_per_rad,
            "friction_mep_sd_kpa": self.friction_mep_sd_kpa,
        }


def fit(
    fuel_rate_g_s: Array,
    brake_power_w: Array,
    engine_rad_s: Array,
    *,
    displacement_l: float,
    heating_value_j_g: float,
    strokes_per_cycle: int = 4,
) -> WillansLine:
    """Least-squares Willans line.

    Parameters
    ----------
    fuel_rate_g_s, brake_power_w, engine_rad_s : ndarray, shape (n,)
        Fuelling, brake power including accessories, engine speed.
    displacement_l : float
        Swept volume (L).
    heating_value_j_g : float
        Lower heating value (J/g).
    strokes_per_cycle : int
        4 or 2.

    Returns
    -------
    WillansLine
    """
    from scipy.optimize import lsq_linear

    used = brake_power_w > 0.05 * brake_power_w.max()
    fuel, power, omega = fuel_rate_g_s[used], brake_power_w[used], engine_rad_s[used]
    per_kpa = 1e3 * displacement_l * 1e-3 / (np.pi * strokes_per_cycle)
    design = np.column_stack([heating_value_j_g * fuel, -per_kpa * omega, -per_kpa * omega * omega])
    # Columns of very different size: scale them, so that the bounded solver is well conditioned.
    size = np.abs(design).max(axis=0)
    answer = lsq_linear(
        design / size,
        power,
        bounds=(np.array([0.1, 0.0, 0.0]) * size, [0.6 * size[0], np.inf, np.inf]),
    )
    coefficients = answer.x / size
    fitted = design @ coefficients
    heat = heating_value_j_g * fuel
    curve = np.column_stack([heat, heat**2 / omega, -per_kpa * omega])
    size = np.abs(curve).max(axis=0)
    # The curve's friction rises with speed as the line's does: speed and load are seldom apart.
    rising = coefficients[2] * per_kpa * omega * omega
    found = np.linalg.lstsq(curve / size, power + rising, rcond=None)[0] / size
    straight, square, curved_kpa = found
    slope = (straight + 2.0 * square * heat / omega) / coefficients[0] - 1.0
    heavy = power / omega > np.median(power / omega)
    left_over = power + rising - curve @ found
    high = power > np.median(power)
    return WillansLine(
        indicated_efficiency=float(coefficients[0]),
        friction_mep_kpa=float(coefficients[1]),
        friction_mep_slope_kpa_s_per_rad=float(coefficients[2]),
        curve_efficiency=float(straight),
        curve_fall_per_mpa=float(-square / straight**2 * 1e3 * per_kpa),
        curve_friction_mep_kpa=float(curved_kpa),
        curve_relative_error=float(np.sqrt(np.mean(left_over**2)) / power.mean()),
        friction_mep_sd_kpa=max(5.0, 0.5 * abs(float(curved_kpa - coefficients[1]))),
        slope_error=float(np.hypot(slope[heavy].mean(), slope[~heavy].mean()) / np.sqrt(2.0)),
        relative_error=float(np.sqrt(np.mean((power - fitted) ** 2)) / power.mean()),
        bias_low=float(power[~high].sum() / fitted[~high].sum() - 1.0),
        bias_high=float(power[high].sum() / fitted[high].sum() - 1.0),
        samples=int(used.sum()),
    )


KILOWATT_PER_LITRE = 50.0
"""Ties a displacement to the energy simulator's rated power, which is all it knows of an engine."""


def energy_plant_line(
    mass_kg: float,
    rolling_resistance: float,
    drag_area_m2: float,
    rated_power_w: float,
    seed: int = 11,
    engine_map: str = "shipped",
) -> tuple[WillansLine, pd.DataFrame]:
    """The line of the energy simulator's engine, from a drive over hills at known load.

    Parameters
    ----------
    mass_kg, rolling_resistance, drag_area_m2 : float
        The known load.
    rated_power_w : float
        Engine rating; displacement follows at 50 kW/L.
    seed : int
        Of the hills.
    engine_map : str
        See ``plants.vehicle_energy.drive``.

    Returns
    -------
    line : WillansLine
    samples : DataFrame
        ``fuel_rate_g_s, brake_power_w, engine_rad_s``.
    """
    from plants import vehicle_energy as plant

    speed, grade = cycles.within_power(
        cycles.join(cycles.speed_trace("udds"), cycles.speed_trace("hwfet")),
        mass_kg,
        rolling_resistance,
        drag_area_m2,
        0.75 * rated_power_w,
        2.5,
        seed,
    )
    run = plant.drive(
        speed,
        grade,
        mass_kg=mass_kg,
        rolling_resistance=rolling_resistance,
        drag_area_m2=drag_area_m2,
        rated_power_w=rated_power_w,
        engine_map=engine_map,
    )
    rpm, _ = plant.crank_speed(run.steps["speed_m_s"].to_numpy(), run.truth)
    driving = (run.steps["wheel_power_w"] > 0.0) & (run.steps["speed_m_s"] > 2.0)
    samples = pd.DataFrame(
        {
            "fuel_rate_g_s": run.steps["fuel_power_w"] / run.heating_value_j_g,
            "brake_power_w": run.steps["engine_power_w"],
            "engine_rad_s": rpm * np.pi / 30.0,
        }
    )[driving]
    line = fit(
        samples["fuel_rate_g_s"].to_numpy(),
        samples["brake_power_w"].to_numpy(),
        samples["engine_rad_s"].to_numpy(),
        displacement_l=rated_power_w / 1e3 / KILOWATT_PER_LITRE,
        heating_value_j_g=run.heating_value_j_g,
    )
    return line, samples


def fuel_model_line(mass_kg: float, seed: int = 11) -> tuple[WillansLine, pd.DataFrame]:
    """The line of the second fuel model's engine, from a drive over hills at known load.

    Parameters
    ----------
    mass_kg : float
        The known mass.
    seed : int
        Of the hills.

    Returns
    -------
    line : WillansLine
    samples : DataFrame
        ``fuel_rate_g_s, brake_power_w, engine_rad_s``.
    """
    from plants import emission_model as model

    limit = model.tread_power_limit(0.5)
    speed, grade = cycles.within_power(
        cycles.join(cycles.speed_trace("udds"), cycles.speed_trace("hwfet")),
        mass_kg,
        0.0115,
        0.81,
        limit,
        2.5,
        seed,
    )
    run = model.drive(speed, grade, mass_kg=mass_kg)
    driving = (run.steps["engine_power_w"] > 0.0) & (run.steps["speed_m_s"] > 2.0)
    samples = pd.DataFrame(
        {
            "fuel_rate_g_s": run.steps["fuel_rate_g_s"],
            "brake_power_w": run.steps["engine_power_w"],
            "engine_rad_s": run.steps["engine_speed_rpm"] * np.pi / 30.0,
        }
    )[driving]
    line = fit(
        samples["fuel_rate_g_s"].to_numpy(),
        samples["brake_power_w"].to_numpy(),
        samples["engine_rad_s"].to_numpy(),
        displacement_l=model.DISPLACEMENT_L,
        heating_value_j_g=model.HEATING_VALUE_J_G,
    )
    return line, samples


def log_line(path: Path, displacement_l: float, heating_value_mj_kg: float) -> WillansLine:
    """The line of a logged engine: fuelling, engine speed and brake torque.

    Parameters
    ----------
    path : Path
        A drive log with ``fuel_rate_g_s``, ``engine_speed_rpm`` and ``engine_torque_n_m``.
    displacement_l, heating_value_mj_kg : float
        Of the engine and its fuel.

    Returns
    -------
    WillansLine
    """
    from loadlearn.log.readers import read_log

    trace = read_log(path)
    omega = trace["engine_speed_rpm"].to_numpy() * np.pi / 30.0
    power = trace["engine_torque_n_m"].to_numpy() * omega
    fuel = trace["fuel_rate_g_s"].to_numpy()
    whole = np.isfinite(omega) & np.isfinite(power) & np.isfinite(fuel)
    return fit(
        fuel[whole],
        power[whole],
        omega[whole],
        displacement_l=displacement_l,
        heating_value_j_g=1e3 * heating_value_mj_kg,
    )


def main() -> int:
    """Fit the outside engines, or a logged one."""
    made = harness.parser(__doc__, seeds=5, quick_seeds=1)
    made.add_argument("--log", type=Path, help="fit this log's engine instead")
    made.add_argument("--displacement", type=float, default=3.0, help="litres, with --log")
    made.add_argument("--heating-value", type=float, default=42.8, help="MJ/kg, with --log")
    chosen = harness.parse(made)
    if chosen.log is not None:
        line = log_line(chosen.log, chosen.displacement, chosen.heating_value)
        harness.write(chosen, "willans", pd.DataFrame([{"engine": chosen.log.name, **vars(line)}]))
        return 0
    rows, clouds = [], []
    for seed in range(chosen.seeds):
        line, samples = energy_plant_line(2850.0, 0.0105, 1.2, 150e3, seed)
        rows.append({"engine": "energy simulator, 150 kW", "hills": seed, **vars(line)})
        clouds.append(("energy simulator, 150 kW", line, samples))
        line, samples = fuel_model_line(1837.1, seed)
        rows.append({"engine": "second fuel model, 103 kW", "hills": seed, **vars(line)})
        clouds.append(("second fuel model, 103 kW", line, samples))
    picture, axes = harness.figure(1, 2, height=3.6)
    for axis, (name, line, samples) in zip(axes[0], clouds[:2], strict=True):
        fuel = samples["fuel_rate_g_s"]
        axis.plot(fuel, samples["brake_power_w"] / 1e3, ".", ms=2, label="plant")
        omega = float(samples["engine_rad_s"].median())
        litres = 3.0 if "energy" in name else 1.9
        offset = line.friction_mep_kpa + line.friction_mep_slope_kpa_s_per_rad * omega
        grams = np.array([fuel.min(), fuel.max()])
        slope = line.indicated_efficiency * (43.2 if "energy" in name else 42.8)
        axis.plot(grams, slope * grams - offset * litres * omega / (4e3 * np.pi), label="line")
        axis.set(title=name, xlabel="fuelling (g/s)", ylabel="brake power (kW)")
        axis.legend(frameon=False)
    harness.write(chosen, "willans", pd.DataFrame(rows), picture)
    return 0


if __name__ == "__main__":
    sys.exit(main())
