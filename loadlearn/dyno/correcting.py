"""Each run made ready for comparison: inertia given back, atmosphere corrected, on one grid."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loadlearn.dyno.cleaning import DynoRun
from loadlearn.dyno.dyno_settings import ComparisonSettings
from loadlearn.errors import InputError
from loadlearn.log.conversions import fuel_from_stroke, fuel_from_volume
from loadlearn.vehicle.atmosphere import (
    TEMPERATURE_EXPONENTS,
    Correction,
    dry_pressure_kpa,
    fuelling_per_litre_cycle_mg,
)
from loadlearn.vehicle.rig import Rig

Array = NDArray[np.float64]

# Without a hygrometer: anything from 20 % to 80 %, as a uniform distribution.
_UNKNOWN_HUMIDITY_PERCENT = 50.0
_UNKNOWN_HUMIDITY_SD_PERCENT = 60.0 / np.sqrt(12.0)
# The published exponents run from 0.7 to 1.5.
_EXPONENT_SD = 0.8 / np.sqrt(12.0)


@dataclass
class PreparedRun:
    """A run ready to be corrected.

    Attributes
    ----------
    run : DynoRun
    engine_rpm : ndarray, shape (n,)
        Engine speed of the samples with positive torque (1/min).
    wheel : ndarray, shape (n,)
        Torque at the wheels referred to engine speed as at steady speed, not corrected (N m).
    loss : ndarray, shape (n,)
        The tyres' rolling loss on the rollers, likewise referred (N m).
    conditions : dict of str to ndarray
        ``dry_kpa``, ``temperature_k``, ``ambient_degc``, ``engine_factor`` (NaN where not known)
        and ``humidity_known`` (0/1).
    """

    run: DynoRun
    engine_rpm: Array
    wheel: Array
    loss: Array
    conditions: dict[str, Array]


def has_atmosphere(run: DynoRun) -> bool:
    """Whether a run holds the ambient temperature and pressure that a correction needs."""
    columns = ("ambient_pressure_kpa", _temperature_column(run))
    return all(c in run.table and bool(run.table[c].notna().any()) for c in columns)


def _temperature_column(run: DynoRun) -> str:
    return "inlet_air_temp_degc" if "inlet_air_temp_degc" in run.table else "ambient_temp_degc"


def prepare_run(
    run: DynoRun,
    rig: Rig | None,
    displacement_l: float | None,
    correction: Correction,
    settings: ComparisonSettings,
) -> PreparedRun:
    """Give back what the run spent on turning its own masses; collect its conditions.

    Parameters
    ----------
    run : DynoRun
    rig : Rig, optional
        Inertia of engine and wheels, tyre radius and ratios.
    displacement_l : float, optional
        Swept volume (L), for fm from fuelling.
    correction : Correction
    settings : ComparisonSettings

    Raises
    ------
    InputError
        A tyre loss is asked for and road speed over engine speed is not known.
    """
    table = run.table
    rpm = table["engine_speed_rpm"].to_numpy()
    torque = table["torque_n_m"].to_numpy().copy()
    omega = rpm * np.pi / 30.0
    travel = _travel_per_radian(run, rig, omega)
    if settings.tyre_loss_n and travel is None and not run.at_engine:
        raise InputError(
            f"{run.name}: the tyre loss needs a road or roller speed (or overall_ratio and "
            "tyre_radius_m); give one, or leave the tyre loss out"
        )
    loss = settings.tyre_loss_n * travel if travel is not None else np.zeros_like(torque)
    if settings.remove_inertia and "time_s" in table:
        inertia = 0.0 if rig is None else rig.engine.inertia_kg_m2 * settings.driveline_efficiency
        if run.at_engine:
            inertia = 0.0
        turning = np.full_like(torque, inertia)
        if travel is not None and rig is not None and not run.at_engine:
            wheels = settings.wheels_on_rollers_share * rig.vehicle.wheel_inertia_kg_m2
            turning += wheels / rig.vehicle.tyre_radius_m**2 * travel**2
        if travel is not None and run.stated.get("roller_inertia_counted") == 0.0:
            roller = run.stated.get("roller_inertia_kg_m2", 0.0)
            radius = run.stated.get("roller_radius_m", np.inf)
            turning += roller / radius**2 * travel**2
        torque += turning * angular_acceleration(table["time_s"].to_numpy(), omega)
    positive = torque > 0.0
    conditions = {
        k: v[positive] for k, v in _conditions(run, rig, displacement_l, correction).items()
    }
    return PreparedRun(run, rpm[positive], torque[positive], loss[positive], conditions)


def angular_acceleration(time_s: Array, omega_rad_s: Array, window_s: float = 0.6) -> Array:
    """Slope of engine speed over time by least squares in a moving window.

    Parameters
    ----------
    time_s, omega_rad_s : ndarray, shape (n,)
        Times (s) and engine speed (rad/s).
    window_s : float
        Width of the window (s).

    Returns
    -------
    ndarray, shape (n,)
        rad/s^2.
    """
    low = np.searchsorted(time_s, time_s - 0.5 * window_s, side="left")
    high = np.searchsorted(time_s, time_s + 0.5 * window_s, side="right")
    low = np.maximum(np.minimum(low, len(time_s) - 3), 0)
    high = np.maximum(high, np.minimum(low + 3, len(time_s)))
    t, w = time_s - time_s[0], omega_rad_s
    sums = [np.concatenate(([0.0], np.cumsum(v))) for v in (np.ones_like(t), t, w, t * t, t * w)]
    n, st, sw, stt, stw = (s[high] - s[low] for s in sums)
    denominator = n * stt - st * st
    slope = np.zeros_like(t)
    usable = denominator > 1e-9
    slope[usable] = (n * stw - st * sw)[usable] / denominator[usable]
    return slope


def _travel_per_radian(run: DynoRun, rig: Rig | None, omega: Array) -> Array | None:
    """Road travelled per radian of the engine (m), ``v / omega``."""
    if "speed_m_s" in run.table:
        return np.asarray(run.table["speed_m_s"].to_numpy() / omega)
    radius = run.stated.get("tyre_radius_m", rig.vehicle.tyre_radius_m if rig else None)
    ratio = run.stated.get("overall_ratio")
    gear = run.stated.get("gear")
    if ratio is None and rig is not None and gear and 1 <= gear <= len(rig.driveline.gear_ratios):
        ratio = rig.overall_ratio(int(gear))
    if radius is None or ratio is None:
        return None
    return np.full_like(omega, radius / ratio)


def _fuel_rate_g_s(run: DynoRun, rig: Rig | None) -> Array | None:
    """Fuelling (g/s) from whichever channel gives it; volume and strokes need the rig."""
    table = run.table
    if "fuel_rate_g_s" in table:
        return np.asarray(table["fuel_rate_g_s"].ffill().bfill())
    if rig is None:
        return None
    if "fuel_volume_rate_l_h" in table and rig.engine.fuel_density_kg_m3 is not None:
        return np.asarray(fuel_from_volume(table["fuel_volume_rate_l_h"].ffill().bfill(), rig))
    if "fuel_per_stroke_mg" in table:
        milligrams = table["fuel_per_stroke_mg"].ffill().bfill()
        return np.asarray(fuel_from_stroke(milligrams, table["engine_speed_rpm"], rig))
    return None


def _conditions(
    run: DynoRun, rig: Rig | None, displacement_l: float | None, correction: Correction
) -> dict[str, Array]:
    table = run.table
    rows = len(table)
    column = _temperature_column(run)
    missing = np.full(rows, np.nan)

    def channel(name: str) -> Array:
        if name not in table:
            return missing
        return table[name].ffill().bfill().to_numpy(dtype=np.float64)

    pressure = channel("ambient_pressure_kpa")
    ambient = channel("ambient_temp_degc")
    temperature = channel(column)
    ambient = np.where(np.isfinite(ambient), ambient, temperature)
    vapour = channel("vapour_pressure_kpa")
    humidity = channel("relative_humidity_percent")
    known = np.isfinite(humidity) | np.isfinite(vapour)
    if np.isfinite(vapour).any():
        dry = pressure - vapour
    else:
        filled = np.where(np.isfinite(humidity), humidity, _UNKNOWN_HUMIDITY_PERCENT)
        dry = dry_pressure_kpa(pressure, ambient, filled)
    factor = missing
    fuel = _fuel_rate_g_s(run, rig)
    if correction.ignition == "compression" and displacement_l and fuel is not None:
        strokes = 4 if rig is None else rig.engine.strokes_per_cycle
        q = fuelling_per_litre_cycle_mg(
            fuel, table["engine_speed_rpm"].to_numpy(), displacement_l, strokes
        )
        ratio: Array | None = np.ones(rows)
        if correction.aspiration == "turbocharged":
            if "manifold_pressure_kpa" in table:
                ratio = channel("manifold_pressure_kpa") / pressure
            elif "boost_kpa" in table:
                ratio = 1.0 + channel("boost_kpa") / pressure
            else:
                ratio = None
        if ratio is not None:
            factor = correction.engine_factor_from_fuelling(q, np.maximum(ratio, 1.0))
    # Where fm is not computed for the whole run, the assumed one stands for all of it.
    if not np.isfinite(factor).all():
        factor = missing
    return {
        "dry_kpa": dry,
        "temperature_k": temperature + 273.15,
        "ambient_degc": ambient,
        "engine_factor": factor,
        "humidity_known": known.astype(float),
    }


@dataclass(frozen=True)
class SampleFactor:
    """The correction factor of a run's samples under one choice of parameters.

    Attributes
    ----------
    correction : Correction
    correctable : bool
        Without ambient conditions the factor is 1.
    engine_factor_shift : float
        Added to fm where it is assumed.
    """

    correction: Correction
    correctable: bool
    engine_factor_shift: float = 0.0

    def __call__(self, conditions: dict[str, Array]) -> Array:
        if not self.correctable:
            return np.ones_like(conditions["dry_kpa"])
        fm = conditions["engine_factor"]
        assumed = self.correction.assumed_engine_factor + self.engine_factor_shift
        fm = np.where(np.isfinite(fm), fm, assumed)
        return self.correction.factor(conditions["dry_kpa"], conditions["temperature_k"], fm)


def local_line(x: Array, y: Array, grid: Array, width: float) -> tuple[Array, Array]:
    """Local straight-line regression with a Gaussian kernel.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Samples.
    grid : ndarray, shape (g,)
        Where to evaluate.
    width : float
        Standard deviation of the kernel, in the unit of x.

    Returns
    -------
    value, sd : ndarray, shape (g,)
        Fit, and its standard deviation from the residuals, widened for their autocorrelation
        (first-order). Source: Fan & Gijbels, *Local Polynomial Modelling*, from memory.
    """
    distance = x[None, :] - grid[:, None]
    weight = np.exp(-0.5 * (distance / width) ** 2) + 1e-12
    s0 = weight.sum(axis=1)
    s1 = (weight * distance).sum(axis=1)
    s2 = (weight * distance**2).sum(axis=1)
    rows = weight * (s2[:, None] - s1[:, None] * distance) / (s0 * s2 - s1**2)[:, None]
    value = rows @ y
    residual = y - np.interp(x, grid, value)
    inside = (x >= grid[0]) & (x <= grid[-1])
    residual = residual[inside] if inside.sum() > 10 else residual
    lag1 = float(np.clip(np.corrcoef(residual[:-1], residual[1:])[0, 1], 0.0, 0.95))
    variance = float(np.mean(residual**2)) * (1.0 + lag1) / (1.0 - lag1)
    return value, np.sqrt(variance * (rows**2).sum(axis=1))


def side_curves(
    side: list[PreparedRun], grid: Array, factor: SampleFactor, settings: ComparisonSettings
) -> tuple[Array, Array, Array]:
    """Corrected curves of the runs of one side.

    Parameters
    ----------
    side : list of PreparedRun
        Its r runs.
    grid : ndarray, shape (g,)
        Engine speeds (1/min).
    factor : SampleFactor
        The correction.
    settings : ComparisonSettings

    Returns
    -------
    log_wheel, log_engine : ndarray, shape (r, g)
        Logarithm of torque at the wheels referred to engine speed, and at the crankshaft (N m).
    noise : ndarray, shape (r, g)
        Variance of each curve from the noise of its samples.
    """
    efficiency = settings.driveline_efficiency
    wheels, engines, noise = [], [], []
    for item in side:
        # The standards correct the engine's torque, so what is lost behind it is taken out first.
        engine = factor(item.conditions) * (item.wheel + item.loss) / efficiency
        wheel = np.maximum(efficiency * engine - item.loss, 1e-3)
        value, sd = local_line(item.engine_rpm, np.log(wheel), grid, settings.smoothing_rpm)
        wheels.append(value)
        noise.append(sd**2)
        value, _ = local_line(item.engine_rpm, np.log(engine), grid, settings.smoothing_rpm)
        engines.append(value)
    return np.array(wheels), np.array(engines), np.array(noise)


def correction_sd(
    prepared: list[list[PreparedRun]], correction: Correction, correctable: bool
) -> float:
    """Standard deviation of the logarithm of the gain from what the correction leaves open.

    An assumed fm, the conflict of the published exponents (unless another was stated) and an
    unknown humidity count only as far as the two sides differ in their weather.

    Parameters
    ----------
    prepared : list of list of PreparedRun
        Before and after.
    correction : Correction
    correctable : bool
        Whether a correction is applied at all.
    """
    if not correctable:
        return 0.0

    def log_ratio(factor: SampleFactor, humidity_side: int = -1) -> float:
        means = []
        for number, side in enumerate(prepared):
            values = []
            for item in side:
                conditions = dict(item.conditions)
                if number == humidity_side:
                    unknown = conditions["humidity_known"] < 0.5
                    more = dry_pressure_kpa(
                        conditions["dry_kpa"],
                        conditions["ambient_degc"],
                        _UNKNOWN_HUMIDITY_SD_PERCENT,
                    )
                    conditions["dry_kpa"] = np.where(unknown, more, conditions["dry_kpa"])
                values.append(float(np.mean(np.log(factor(conditions)))))
            means.append(np.mean(values))
        return float(means[1] - means[0])

    base = log_ratio(SampleFactor(correction, True))
    shifts = [log_ratio(SampleFactor(correction, True), side) - base for side in (0, 1)]
    if correction.ignition == "compression":
        sd = correction.assumed_engine_factor_sd
        shifts.append(log_ratio(SampleFactor(correction, True, sd)) - base)
        x = correction.temperature_exponent
        if correction.aspiration == "turbocharged" and x in (
            TEMPERATURE_EXPONENTS[correction.standard],
        ):
            other = correction.with_exponent(x + _EXPONENT_SD)
            shifts.append(log_ratio(SampleFactor(other, True)) - base)
    return float(np.sqrt(np.sum(np.square(shifts))))


def correction_report(
    prepared: list[list[PreparedRun]],
    correction: Correction,
    correctable: bool,
    grid: Array,
    settings: ComparisonSettings,
) -> dict[str, Any]:
    """What was corrected with which numbers, and the gain under each published variant.

    Parameters
    ----------
    prepared : list of list of PreparedRun
        Before and after.
    correction : Correction
    correctable : bool
        Whether a correction is applied at all.
    grid : ndarray
        Engine speeds (1/min).
    settings : ComparisonSettings

    Returns
    -------
    dict
        For ``dyno.json``.
    """
    report: dict[str, Any] = {
        "applied": correctable,
        "parameters": asdict(correction),
        "reference": {"dry_pressure_kpa": 99.0, "temperature_k": 298.0},
        "sides": {},
        "variants": [],
    }
    factor = SampleFactor(correction, correctable)
    for name, side in zip(("before", "after"), prepared, strict=True):
        alphas = [float(np.mean(factor(item.conditions))) for item in side]
        logged = [item.conditions["engine_factor"] for item in side]
        known = all(np.isfinite(v).all() for v in logged)
        report["sides"][name] = {
            "factor_mean": float(np.mean(alphas)),
            "factor_per_run": alphas,
            "dry_pressure_kpa": float(np.mean([np.mean(i.conditions["dry_kpa"]) for i in side])),
            "temperature_k": float(np.mean([np.mean(i.conditions["temperature_k"]) for i in side])),
            "humidity_measured": bool(all(i.conditions["humidity_known"].all() for i in side)),
            "engine_factor": float(np.mean([np.mean(v) for v in logged]))
            if known
            else correction.assumed_engine_factor,
            "engine_factor_from": "fuelling"
            if known
            else ("stated" if correction.engine_factor is not None else "assumed, not measured"),
        }
    if not correctable:
        return report
    variants: list[tuple[str, SampleFactor]] = [("none", SampleFactor(correction, False))]
    if correction.ignition == "compression":
        if correction.aspiration == "turbocharged":
            variants += [
                (f"x = {x:g}", SampleFactor(correction.with_exponent(x), True))
                for x in (0.7, 1.2, 1.5)
            ]
        else:
            variants.append(("natural", SampleFactor(correction, True)))
    else:
        for standard in ("iso_1585", "sae_j1349"):
            other = Correction(ignition="spark", standard=standard)
            variants.append((standard, SampleFactor(other, True)))
    for label, variant in variants:
        curves = [side_curves(side, grid, variant, settings)[0] for side in prepared]
        power = [np.mean(np.max(side + np.log(grid), axis=1)) for side in curves]
        report["variants"].append(
            {
                "variant": label,
                "peak_power_gain_percent": float(100.0 * np.expm1(power[1] - power[0])),
                "factor_before": float(
                    np.mean([variant(i.conditions).mean() for i in prepared[0]])
                ),
                "factor_after": float(np.mean([variant(i.conditions).mean() for i in prepared[1]])),
            }
        )
    return report


def range_warnings(side: list[PreparedRun], correction: Correction) -> list[str]:
    """What lies outside the range in which a corrected result is accepted."""
    factor = SampleFactor(correction, True)
    joined = {k: np.concatenate([i.conditions[k] for i in side]) for k in side[0].conditions}
    return correction.warnings(joined["dry_kpa"], joined["temperature_k"], factor(joined))
