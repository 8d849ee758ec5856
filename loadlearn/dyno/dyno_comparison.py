"""Two sides of a wheel-dyno comparison: corrected, aligned on engine speed, gain with uncertainty.

Everything is done in the logarithm of torque, where the gain is a difference and an instrument's
scale error, common to both sides, drops out. At the same engine speed ``P = T omega`` makes the
gain in power and in torque the same number.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, TypedDict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.dyno.cleaning import DynoRun
from loadlearn.dyno.correcting import (
    PreparedRun,
    SampleFactor,
    correction_report,
    correction_sd,
    has_atmosphere,
    prepare_run,
    range_warnings,
    side_curves,
)
from loadlearn.dyno.correction_choice import Source, basis, contradictions, correction_for
from loadlearn.dyno.dyno_settings import ComparisonSettings
from loadlearn.dyno.findings import Finding, unstated_sd_percent, what_fakes_a_gain
from loadlearn.errors import InputError
from loadlearn.vehicle.atmosphere import Correction
from loadlearn.vehicle.rig import Rig

Array = NDArray[np.float64]


@dataclass
class DynoComparison:
    """Result of :func:`compare`.

    Attributes
    ----------
    curves : DataFrame
        One row per engine speed: corrected torque and power at the wheels (referred to engine
        speed), engine torque, and the gain with its 95 % intervals.
    peaks : dict
        Peak power and torque of each side with the engine speed, and their gain.
    gain : dict
        Largest and mean gain over engine speed.
    correction : dict
        Parameters, the factor of each side, and the gain under each published variant.
    findings : list of Finding
        What may fake a gain, and what is not stated.
    runs : list of dict
        What was done to each run.
    consistency : dict
        ``P = T omega`` checks.
    warnings : list of str
        One sentence each.
    settings : dict
        All numbers used.
    """

    curves: pd.DataFrame
    peaks: dict[str, Any]
    gain: dict[str, Any]
    correction: dict[str, Any]
    findings: list[Finding]
    runs: list[dict[str, Any]]
    consistency: dict[str, Any]
    warnings: list[str]
    settings: dict[str, Any]
    run_curves: dict[str, Array] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """The content of ``dyno.json``."""
        return {
            "peaks": self.peaks,
            "gain": self.gain,
            "correction": self.correction,
            "findings": [asdict(finding) for finding in self.findings],
            "runs": self.runs,
            "power_is_torque_times_speed": self.consistency,
            "warnings": self.warnings,
            "settings": self.settings,
        }


class CurveRow(TypedDict):
    """Columns of ``dyno.csv``: at one engine speed, corrected to standard air.

    Torque and power are those at the wheels, referred to engine speed. An sd is one standard
    deviation; ``low95`` and ``high95`` are the ends of a 95 % interval.
    """

    engine_speed_rpm: float
    """Engine speed."""
    torque_before_n_m: float
    """Torque before."""
    torque_before_sd_n_m: float
    """Its sd, from the scatter of the runs."""
    power_before_kw: float
    """Power before."""
    power_before_sd_kw: float
    """Its sd."""
    torque_after_n_m: float
    """Torque after."""
    torque_after_sd_n_m: float
    """Its sd."""
    power_after_kw: float
    """Power after."""
    power_after_sd_kw: float
    """Its sd."""
    gain_percent: float
    """Gain of either, relative to before."""
    gain_low95_percent: float
    """Lower end of its interval, with all that is not stated."""
    gain_high95_percent: float
    """Upper end."""
    gain_low95_if_unstated_equal_percent: float
    """Lower end, were all that is not stated alike in both."""
    gain_high95_if_unstated_equal_percent: float
    """Upper end, likewise."""
    gain_torque_n_m: float
    """Gain of torque."""
    gain_torque_low95_n_m: float
    """Lower end of its interval."""
    gain_torque_high95_n_m: float
    """Upper end."""
    gain_power_kw: float
    """Gain of power."""
    gain_power_low95_kw: float
    """Lower end of its interval."""
    gain_power_high95_kw: float
    """Upper end."""
    engine_torque_before_n_m: float
    """Torque of the engine before: for ``full_load_torque_n_m`` of a rig."""
    engine_torque_before_sd_n_m: float
    """Its sd, the driveline's efficiency included."""
    engine_torque_after_n_m: float
    """Torque of the engine after."""
    engine_torque_after_sd_n_m: float
    """Its sd."""


def compare(
    before: list[DynoRun],
    after: list[DynoRun],
    *,
    correction: Correction | None = None,
    correction_sources: dict[str, Source] | None = None,
    rig: Rig | None = None,
    displacement_l: float | None = None,
    settings: ComparisonSettings | None = None,
) -> DynoComparison:
    """Correct, align and compare two sets of wheel-dyno runs.

    Parameters
    ----------
    before, after : list of DynoRun
        From :func:`loadlearn.dyno.read_runs`; several runs of a side are repeats.
    correction : Correction, optional
        Default: ISO 1585 for the rig's fuel and aspiration; without a rig compression ignition and
        turbocharged are assumed.
    correction_sources : dict, optional
        From :func:`correction_for`, where ``correction`` is; default: it was stated.
    rig : Rig, optional
        Gives fuel, aspiration, inertia, displacement, driveline efficiency and gear ratios.
    displacement_l : float, optional
        Swept volume (L), where no rig is given; with a fuelling channel it gives fm.
    settings : ComparisonSettings, optional
        The rig's driveline efficiency replaces the default of a setting not given.

    Raises
    ------
    InputError
        The two sides share less than 500 rpm of engine speed.
    """
    if not before or not after:
        raise InputError("each side of the comparison needs at least one run")
    if correction is None:
        correction, correction_sources = correction_for(rig)
    sources = correction_sources or {"ignition": "stated", "aspiration": "stated"}
    if settings is None:
        settings = ComparisonSettings()
        if rig is not None:
            settings = ComparisonSettings(driveline_efficiency=rig.driveline.efficiency)
    if rig is not None:
        displacement_l = displacement_l or rig.engine.displacement_l
    warnings = contradictions(correction, sources, rig)
    runs = [*before, *after]
    if len({run.at_engine for run in runs}) > 1:
        raise InputError(
            "one side gives torque at the engine, the other at the wheels; compare like with like"
        )
    at_engine = runs[0].at_engine
    if at_engine:
        settings = ComparisonSettings(
            **{**asdict(settings), "driveline_efficiency": 1.0, "driveline_efficiency_sd": 0.0}
        )
    correctable = all(has_atmosphere(run) for run in runs)
    prepared = [
        [prepare_run(run, rig, displacement_l, correction, settings) for run in side]
        for side in (before, after)
    ]
    grid = _common_grid(prepared, settings)
    factor = SampleFactor(correction, correctable)

    logs, engine_logs, noise = zip(
        *(side_curves(side, grid, factor, settings) for side in prepared), strict=True
    )
    findings = what_fakes_a_gain(before, after, rig, correctable=correctable)
    unstated = unstated_sd_percent(findings) / 100.0
    systematic = correction_sd(prepared, correction, correctable)
    spread, freedom = _spread(logs, noise, grid, settings)
    curves = _curves(logs, engine_logs, grid, spread, freedom, systematic, unstated, settings)
    omega = grid * np.pi / 30.0
    peaks = _peaks(logs, grid, omega, curves, spread, freedom, systematic, unstated)
    gain = _gain(curves, logs, spread, freedom, systematic, unstated)
    gain["repeat_sd_percent"] = 100.0 * float(np.sqrt(np.mean(spread)))
    gain["degrees_of_freedom"] = freedom
    gain["observed_repeat_sd_percent"] = {
        name: 100.0 * float(np.sqrt(np.mean(np.var(side, axis=0, ddof=1))))
        if len(side) > 1
        else None
        for name, side in zip(("before", "after"), logs, strict=True)
    }
    gain["correction_sd_percent"] = 100.0 * systematic
    gain["not_stated_sd_percent"] = 100.0 * unstated

    details = correction_report(prepared, correction, correctable, grid, settings)
    if correctable:
        for name, side in zip(("before", "after"), prepared, strict=True):
            for sentence in range_warnings(side, correction):
                warnings.append(f"{name}: {sentence}")
    else:
        warnings.append(
            "ambient temperature or pressure is missing on a side: nothing was corrected, and a "
            "change of weather may fake a gain of a few percent; log both"
        )
    for run in runs:
        warnings += [f"{run.name}: {note}" for note in run.notes]
    consistency = _consistency(runs, warnings)
    used: dict[str, Any] = asdict(settings)
    used["torque_measured_at"] = "engine" if at_engine else "wheels"
    used["displacement_l"] = displacement_l
    if rig is not None:
        used["rig_full_load_rpm"] = rig.engine.full_load_rpm
    details["sources"] = sources
    details["basis"] = basis(correction, sources, used, rig) if correctable else []
    assumed = any(
        side["engine_factor_from"].startswith("assumed") for side in details["sides"].values()
    )
    if correctable and correction.ignition == "compression" and assumed:
        details["basis"].append(
            f"engine factor fm {correction.assumed_engine_factor:g} (sd "
            f"{correction.assumed_engine_factor_sd:.2g}) ASSUMED, as fuelling was not logged"
        )
    return DynoComparison(
        curves,
        peaks,
        gain,
        details,
        findings,
        [
            _run_report(item, side)
            for side, items in zip(("before", "after"), prepared, strict=True)
            for item in items
        ],
        consistency,
        warnings,
        used,
        {"grid": grid, "before": np.exp(logs[0]), "after": np.exp(logs[1])},
    )


def _common_grid(prepared: list[list[PreparedRun]], settings: ComparisonSettings) -> Array:
    items = [item for side in prepared for item in side]
    step = settings.grid_step_rpm
    low = max(float(np.quantile(item.engine_rpm, 0.005)) for item in items)
    high = min(float(np.quantile(item.engine_rpm, 0.995)) for item in items)
    low, high = np.ceil(low / step) * step, np.floor(high / step) * step
    if high - low < 500.0:
        raise InputError(
            f"the runs share only {max(high - low, 0.0):.0f} rpm of engine speed; at least 500 are "
            "needed: pull through the same range in every run"
        )
    return np.arange(low, high + 0.5 * step, step)


def _spread(
    logs: tuple[Array, ...], noise: tuple[Array, ...], grid: Array, settings: ComparisonSettings
) -> tuple[Array, float]:
    """Variance between repeats over engine speed, and its degrees of freedom.

    Observed variance pooled over both sides and neighbouring engine speeds, drawn towards the
    spread believed beforehand (scaled inverse chi-squared, the conjugate prior).
    """
    observed = np.zeros(grid.size)
    freedom = 0
    for side in logs:
        observed += ((side - side.mean(axis=0)) ** 2).sum(axis=0)
        freedom += len(side) - 1
    prior = settings.repeat_prior_runs
    believed = (settings.repeat_sd_percent / 100.0) ** 2 + np.mean(
        [n.mean(axis=0) for n in noise], axis=0
    )
    if freedom:
        weight = np.exp(-0.5 * ((grid[:, None] - grid[None, :]) / 250.0) ** 2)
        observed = weight @ (observed / freedom) / weight.sum(axis=1)
    return (prior * believed + freedom * observed) / (prior + freedom), prior + freedom


def _half_width(variance: Any, freedom: float, systematic: float, unstated: float = 0.0) -> Any:
    from scipy.stats import t

    repeat = t.ppf(0.975, freedom) ** 2 * variance
    return np.sqrt(repeat + 1.959964**2 * (systematic**2 + unstated**2))


def _interval_percent(log_gain: Any, half: Any) -> tuple[Any, Any, Any]:
    return tuple(100.0 * np.expm1(v) for v in (log_gain, log_gain - half, log_gain + half))


def _curves(
    logs: tuple[Array, ...],
    engine_logs: tuple[Array, ...],
    grid: Array,
    spread: Array,
    freedom: float,
    systematic: float,
    unstated: float,
    settings: ComparisonSettings,
) -> pd.DataFrame:
    from scipy.stats import t

    omega = grid * np.pi / 30.0
    columns: dict[str, Array] = {"engine_speed_rpm": grid}
    widen = t.ppf(0.975, freedom) / 1.959964
    for name, side in zip(("before", "after"), logs, strict=True):
        torque = np.exp(side.mean(axis=0))
        sd = torque * widen * np.sqrt(spread / len(side))
        columns[f"torque_{name}_n_m"] = torque
        columns[f"torque_{name}_sd_n_m"] = sd
        columns[f"power_{name}_kw"] = torque * omega / 1e3
        columns[f"power_{name}_sd_kw"] = sd * omega / 1e3
    log_gain = logs[1].mean(axis=0) - logs[0].mean(axis=0)
    variance = spread * (1.0 / len(logs[0]) + 1.0 / len(logs[1]))
    total = _half_width(variance, freedom, systematic, unstated)
    alike = _half_width(variance, freedom, systematic)
    columns["gain_percent"], low, high = _interval_percent(log_gain, total)
    columns["gain_low95_percent"], columns["gain_high95_percent"] = low, high
    _, low, high = _interval_percent(log_gain, alike)
    columns["gain_low95_if_unstated_equal_percent"] = low
    columns["gain_high95_if_unstated_equal_percent"] = high
    before = columns["torque_before_n_m"]
    for unit, per in (("torque", np.ones_like(omega)), ("power", omega / 1e3)):
        ending = "n_m" if unit == "torque" else "kw"
        columns[f"gain_{unit}_{ending}"] = before * np.expm1(log_gain) * per
        columns[f"gain_{unit}_low95_{ending}"] = before * np.expm1(log_gain - total) * per
        columns[f"gain_{unit}_high95_{ending}"] = before * np.expm1(log_gain + total) * per
    for name, side in zip(("before", "after"), engine_logs, strict=True):
        torque = columns[f"torque_{name}_n_m"]
        at = np.exp(side.mean(axis=0))
        columns[f"engine_torque_{name}_n_m"] = at
        relative = np.hypot(
            columns[f"torque_{name}_sd_n_m"] / torque,
            settings.driveline_efficiency_sd / settings.driveline_efficiency,
        )
        columns[f"engine_torque_{name}_sd_n_m"] = at * relative
    assert list(columns) == list(CurveRow.__annotations__)
    return pd.DataFrame(columns)


def _peaks(
    logs: tuple[Array, ...],
    grid: Array,
    omega: Array,
    curves: pd.DataFrame,
    spread: Array,
    freedom: float,
    systematic: float,
    unstated: float,
) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for quantity, shift, unit in (
        ("torque", np.zeros_like(omega), "n_m"),
        ("power", np.log(omega / 1e3), "kw"),
    ):
        means = []
        variance = 0.0
        entry: dict[str, Any] = {}
        for name, side in zip(("before", "after"), logs, strict=True):
            curve = side.mean(axis=0) + shift
            top = int(np.argmax(curve))
            entry[name] = {
                f"value_{unit}": float(np.exp(curve[top])),
                f"sd_{unit}": float(curves[f"{quantity}_{name}_sd_{unit}"].iloc[top]),
                "engine_speed_rpm": float(grid[top]),
                "at_end_of_range": top in (0, grid.size - 1),
            }
            means.append(float(np.mean(np.max(side + shift, axis=1))))
            variance += float(spread[top]) / len(side)
        log_gain = means[1] - means[0]
        value, low, high = _interval_percent(
            log_gain, _half_width(variance, freedom, systematic, unstated)
        )
        _, low_alike, high_alike = _interval_percent(
            log_gain, _half_width(variance, freedom, systematic)
        )
        entry["gain_percent"] = {
            "mean": float(value),
            "interval95": [float(low), float(high)],
            "interval95_if_unstated_equal": [float(low_alike), float(high_alike)],
        }
        out[quantity] = entry
    return out


def _gain(
    curves: pd.DataFrame,
    logs: tuple[Array, ...],
    spread: Array,
    freedom: float,
    systematic: float,
    unstated: float,
) -> dict[str, Any]:
    top = int(curves["gain_percent"].argmax())
    row = curves.iloc[top]
    log_gain = float(np.mean(logs[1]) - np.mean(logs[0]))
    # Repeats differ mostly as a whole, so the mean over engine speed is hardly less uncertain.
    variance = float(np.mean(spread)) * (1.0 / len(logs[0]) + 1.0 / len(logs[1]))
    mean, low, high = _interval_percent(
        log_gain, _half_width(variance, freedom, systematic, unstated)
    )
    return {
        "largest": {
            "gain_percent": float(row["gain_percent"]),
            "interval95": [float(row["gain_low95_percent"]), float(row["gain_high95_percent"])],
            "engine_speed_rpm": float(row["engine_speed_rpm"]),
            "note": "the largest of many points lies a little high by being chosen",
        },
        "mean_over_engine_speed": {
            "gain_percent": float(mean),
            "interval95": [float(low), float(high)],
        },
        "real": bool(low > 0.0 or high < 0.0),
    }


def _consistency(runs: list[DynoRun], warnings: list[str]) -> dict[str, Any]:
    """Logged power against logged torque times speed; a wrong unit gives itself away."""
    known = {
        0.7457: "horsepower read as kilowatt, or the reverse",
        0.7355: "metric horsepower read as kilowatt, or the reverse",
        0.9863: "metric and mechanical horsepower mixed up",
        1.3558: "pound-feet read as newton-metres, or the reverse",
    }
    report: dict[str, Any] = {"checked": False, "ratios": {}}
    for run in runs:
        ratio = run.power_torque_ratio
        if ratio is None:
            continue
        report["checked"] = True
        report["ratios"][run.name] = ratio
        if abs(ratio - 1.0) <= 0.01:
            continue
        alike = [
            text
            for value, text in known.items()
            if min(abs(ratio - value), abs(ratio - 1.0 / value)) < 0.004
        ]
        guess = f", as with {alike[0]}" if alike else ""
        warnings.append(
            f"{run.name}: the two load channels disagree, power is {ratio:.4f} of torque times "
            f"speed{guess}; the first was used: check units, gear ratio and roller radius"
        )
    return report


def _run_report(item: PreparedRun, side: str) -> dict[str, Any]:
    run = item.run
    report: dict[str, Any] = {
        "name": run.name,
        "side": side,
        "samples_used": len(run.table),
        "removed": run.removed,
        "stated": run.stated,
        "started": None if run.started is None else run.started.isoformat(),
        "engine_speed_rpm": [float(item.engine_rpm.min()), float(item.engine_rpm.max())],
    }
    if "time_s" in run.table:
        time = run.table["time_s"].to_numpy()
        rise = run.table["engine_speed_rpm"].to_numpy()
        report["ramp_rpm_per_s"] = float(np.polyfit(time, rise, 1)[0])
    return report
