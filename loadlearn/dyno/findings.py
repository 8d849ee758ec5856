"""What fakes a gain on a wheel dyno: looked for in the runs, and asked for where they are silent.

Every subject gets a finding with one of the states ``alike``, ``differs``, ``not stated``. Where
the runs allow it, the size of the faked gain is given. What is not stated widens the interval of
the gain by an allowance; those standard deviations are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from loadlearn.dyno.cleaning import DynoRun
from loadlearn.vehicle.rig import Rig

Status = Literal["alike", "differs", "not stated"]

# Standard deviation of the gain (percent) when a subject is not stated. Common practice, no source.
UNSTATED_SD_PERCENT = {
    "gear": 1.0,
    "converter lock-up": 2.0,
    "tyre pressure": 0.5,
    "tyre slip": 1.0,
    "roller inertia": 0.5,
    "ramp rate": 1.0,
    "heat soak": 1.5,
    "order of runs": 0.5,
    "atmosphere": 2.5,
}
RATIO_TOLERANCE = 0.015
"""Relative difference of engine speed over road speed that slip and tyre growth may explain."""


@dataclass(frozen=True)
class Finding:
    """One subject that may fake a gain.

    Attributes
    ----------
    subject : str
        A key of :data:`UNSTATED_SD_PERCENT`.
    status : str
        ``alike``, ``differs`` or ``not stated``.
    sentence : str
        For a person, with what to do.
    faked_gain_percent : float or None
        Estimated part of the gain that is not the engine's, where it can be told.
    """

    subject: str
    status: Status
    sentence: str
    faked_gain_percent: float | None = None


def unstated_sd_percent(findings: list[Finding]) -> float:
    """Standard deviation (percent of gain) that the subjects not stated are allowed.

    Returns
    -------
    float
        Root of the sum of squares.
    """
    squares = [
        UNSTATED_SD_PERCENT[finding.subject] ** 2
        for finding in findings
        if finding.status == "not stated"
    ]
    return float(np.sqrt(np.sum(squares)))


def what_fakes_a_gain(
    before: list[DynoRun], after: list[DynoRun], rig: Rig | None = None, *, correctable: bool = True
) -> list[Finding]:
    """Look for everything but the engine that could make the second side stronger.

    Parameters
    ----------
    before, after : list of DynoRun
        Cleaned runs.
    rig : Rig, optional
        Tells whether there is a converter, the gear, and the engine's inertia.
    correctable : bool
        Whether ambient temperature and pressure are known on both sides.

    Returns
    -------
    list of Finding
        Subjects in order: differing ones first, then those not stated, then those alike.
    """
    ratios = [[_ratio(run) for run in side] for side in (before, after)]
    findings = [
        _gear(before, after, ratios),
        *_converter(before, after, rig, ratios),
        _tyre_pressure(before, after),
        _slip(before, after, ratios),
        _roller_inertia(before, after),
        _ramp_rate(before, after, rig),
        _heat_soak(before, after),
        _order(before, after),
    ]
    if not correctable:
        findings.append(
            Finding(
                "atmosphere",
                "not stated",
                "ambient temperature and pressure are not logged on both sides, so nothing was "
                "corrected: log both with every run",
            )
        )
    rank = {"differs": 0, "not stated": 1, "alike": 2}
    return sorted(findings, key=lambda finding: rank[finding.status])


def _ratio(run: DynoRun) -> pd.Series | None:
    """Engine turns over road travel (rad/m) along the pull, where both were logged."""
    if "speed_m_s" not in run.table or any("computed from roller speed" in n for n in run.notes):
        return None
    speed = run.table["speed_m_s"]
    ratio = run.table["engine_speed_rpm"] * np.pi / 30.0 / speed.where(speed > 1.0)
    return ratio.dropna() if ratio.notna().sum() > 10 else None


def _medians(ratios: list[pd.Series | None]) -> list[float]:
    return [float(ratio.median()) for ratio in ratios if ratio is not None]


def _stated(runs: list[DynoRun], key: str) -> list[float] | None:
    """Value per run, or None unless every run states it."""
    values = [run.stated.get(key) for run in runs]
    return None if any(v is None for v in values) else [float(v) for v in values if v is not None]


def _gear(
    before: list[DynoRun], after: list[DynoRun], ratios: list[list[pd.Series | None]]
) -> Finding:
    first, second = _medians(ratios[0]), _medians(ratios[1])
    if first and second:
        lowest, highest = min(first + second), max(first + second)
        if highest / lowest - 1.0 > 0.06:
            return Finding(
                "gear",
                "differs",
                f"engine speed over road speed differs by {100 * (highest / lowest - 1):.0f} % "
                "between runs, so they were not all in the same gear: losses and tyre force differ "
                "with the gear; repeat in the same gear",
            )
        return Finding(
            "gear", "alike", "engine speed over road speed shows the same gear in every run"
        )
    gears = [_stated(side, "gear") or _stated(side, "overall_ratio") for side in (before, after)]
    if gears[0] and gears[1]:
        if set(gears[0]) == set(gears[1]) and len(set(gears[0])) == 1:
            return Finding(
                "gear", "alike", f"every run is stated to be in gear or ratio {gears[0][0]:g}"
            )
        return Finding(
            "gear",
            "differs",
            "the stated gears are not the same in every run: repeat in the same gear",
        )
    return Finding(
        "gear",
        "not stated",
        "the gear is not stated and cannot be told from engine and road speed: state gear, or log "
        "both speeds",
    )


def _converter(
    before: list[DynoRun],
    after: list[DynoRun],
    rig: Rig | None,
    ratios: list[list[pd.Series | None]],
) -> list[Finding]:
    if rig is not None and rig.driveline.converter_stall_torque_ratio is None:
        return []
    open_runs = []
    measured = True
    for run, ratio in zip([*before, *after], [*ratios[0], *ratios[1]], strict=True):
        if ratio is None:
            measured = False
            continue
        # Locked, the ratio hardly moves; a slipping converter raises it, most at low road speed.
        lowest, highest = np.quantile(ratio, [0.1, 0.9])
        if highest / lowest - 1.0 > 0.05:
            open_runs.append(run.name)
    if open_runs:
        return [
            Finding(
                "converter lock-up",
                "differs",
                f"engine and road speed do not keep step in {', '.join(open_runs)}: the torque "
                "converter was not locked, or the tyres slipped; its losses and its torque "
                "multiplication are in the result: repeat with the converter locked",
            )
        ]
    locked = [_stated(side, "converter_locked") for side in (before, after)]
    if measured:
        return [
            Finding(
                "converter lock-up",
                "alike",
                "engine and road speed keep step through every run: the converter was locked",
            )
        ]
    if locked[0] is not None and locked[1] is not None:
        if all(v > 0.5 for v in locked[0] + locked[1]):
            return [Finding("converter lock-up", "alike", "the converter is stated to be locked")]
        return [
            Finding(
                "converter lock-up",
                "differs",
                "the converter is stated to be unlocked in a run: repeat with it locked",
            )
        ]
    return [
        Finding(
            "converter lock-up",
            "not stated",
            "whether the torque converter was locked is not stated: state converter_locked (1 "
            "also for a friction clutch), or log engine and road speed",
        )
    ]


def _tyre_pressure(before: list[DynoRun], after: list[DynoRun]) -> Finding:
    values = [_stated(side, "tyre_pressure_kpa") for side in (before, after)]
    if values[0] is None or values[1] is None:
        return Finding(
            "tyre pressure",
            "not stated",
            "tyre pressure is not stated for every run: a soft tyre loses power on the rollers; "
            "state tyre_pressure_kpa, measured at the same tyre temperature",
        )
    change = float(np.mean(values[1]) - np.mean(values[0]))
    if abs(change) > 10.0:
        word = "higher" if change > 0 else "lower"
        return Finding(
            "tyre pressure",
            "differs",
            f"tyre pressure is {abs(change):.0f} kPa {word} after: rolling loss on the rollers "
            "falls with pressure; repeat at the same pressure",
        )
    return Finding("tyre pressure", "alike", "tyre pressures are within 10 kPa")


def _slip(
    before: list[DynoRun], after: list[DynoRun], ratios: list[list[pd.Series | None]]
) -> Finding:
    stated = [_stated(side, "tyre_slip_percent") for side in (before, after)]
    first, second = _medians(ratios[0]), _medians(ratios[1])
    if first and second:
        change = float(np.log(np.median(second) / np.median(first)))
        if abs(change) > 0.06:
            return Finding(
                "tyre slip",
                "not stated",
                "with different ratios the slip of the two sides cannot be compared",
            )
        if abs(change) > RATIO_TOLERANCE:
            return Finding(
                "tyre slip",
                "differs",
                f"the engine turns {100 * change:+.1f} % more per metre of roller after than "
                "before: tyres slip, or their radius changed, and power lost in slip does not "
                "reach the roller; strap down alike and repeat",
                faked_gain_percent=-100.0 * change,
            )
        return Finding(
            "tyre slip",
            "alike",
            f"engine turns per metre of roller agree within {100 * abs(change):.1f} %",
        )
    if stated[0] is not None and stated[1] is not None:
        change = float(np.mean(stated[1]) - np.mean(stated[0]))
        if abs(change) > 1.0:
            return Finding(
                "tyre slip",
                "differs",
                f"stated tyre slip changed by {change:+.1f} points: repeat with the same strapping",
                faked_gain_percent=-change,
            )
        return Finding("tyre slip", "alike", "stated tyre slip is within one point")
    return Finding(
        "tyre slip",
        "not stated",
        "tyre slip can neither be computed nor is it stated: log engine and road speed both",
    )


def _roller_inertia(before: list[DynoRun], after: list[DynoRun]) -> Finding:
    values = [_stated(side, "roller_inertia_kg_m2") for side in (before, after)]
    counted = [_stated(side, "roller_inertia_counted") for side in (before, after)]
    if values[0] is None or values[1] is None:
        return Finding(
            "roller inertia",
            "not stated",
            "the inertia of the rollers, and whether the logged force already counts it, is not "
            "stated: state roller_inertia_kg_m2 and roller_inertia_counted",
        )
    change = float(np.mean(values[1]) / np.mean(values[0]) - 1.0)
    if counted[0] and counted[1] and set(counted[0]) != set(counted[1]):
        return Finding(
            "roller inertia",
            "differs",
            "the roller's inertia is counted in the force on one side only; each side was treated "
            "as stated: check it",
        )
    if abs(change) > 0.01:
        return Finding(
            "roller inertia",
            "differs",
            f"the stated roller inertia changed by {100 * change:+.1f} %: an inertia dyno's power "
            "is proportional to it, so this alone fakes as much; use one value",
            faked_gain_percent=100.0 * change,
        )
    return Finding("roller inertia", "alike", "the stated roller inertia is the same")


def _ramp_rates(runs: list[DynoRun]) -> list[float]:
    rates = []
    for run in runs:
        if "time_s" in run.table and np.ptp(run.table["time_s"]) > 0:
            rates.append(
                float(np.polyfit(run.table["time_s"], run.table["engine_speed_rpm"], 1)[0])
            )
    return rates


def _ramp_rate(before: list[DynoRun], after: list[DynoRun], rig: Rig | None) -> Finding:
    first, second = _ramp_rates(before), _ramp_rates(after)
    if not first or not second:
        return Finding(
            "ramp rate",
            "not stated",
            "without time_s the ramp rate is unknown: a quicker ramp spends more torque on "
            "spinning up engine, wheels and rollers, and leaves the turbocharger less time",
        )
    slow, quick = float(np.mean(first)), float(np.mean(second))
    change = quick / slow - 1.0
    if abs(change) <= 0.15:
        return Finding(
            "ramp rate", "alike", f"ramp rates are alike ({slow:.0f} and {quick:.0f} rpm/s)"
        )
    faked = None
    treated = "the torque that spins up engine and wheels was added back, the rollers' own was not"
    if rig is None:
        treated = "without a rig file the engine's inertia is unknown and nothing was added back"
        torque = float(np.median(before[0].table["torque_n_m"]))
        # Engine and wheels together, seen from the crankshaft, of a car: about 0.4 kg m^2.
        faked = -100.0 * 0.4 * (quick - slow) * np.pi / 30.0 / torque
    return Finding(
        "ramp rate",
        "differs",
        f"the ramp was {slow:.0f} rpm/s before and {quick:.0f} rpm/s after; {treated}: repeat at "
        "the same rate",
        faked_gain_percent=faked,
    )


def _heat_soak(before: list[DynoRun], after: list[DynoRun]) -> Finding:
    """Compare temperatures at the start of the pulls."""
    differing, seen = [], False
    for key, name, tolerance in (
        ("transmission_oil_temp_degc", "gearbox oil", 8.0),
        ("coolant_temp_degc", "coolant", 6.0),
        ("engine_oil_temp_degc", "engine oil", 8.0),
        ("tyre_temp_degc", "tyres", 10.0),
        ("inlet_air_temp_degc", "inlet air", 10.0),
    ):
        means = []
        for side in (before, after):
            values = [run.table[key].iloc[:20].mean() for run in side if key in run.table]
            values = [v for v in values if np.isfinite(v)]
            means.append(float(np.mean(values)) if values else np.nan)
        if not np.isfinite(means).all():
            continue
        seen = True
        if abs(means[1] - means[0]) > tolerance:
            differing.append(f"{name} {means[0]:.0f} degC before and {means[1]:.0f} after")
    if differing:
        return Finding(
            "heat soak",
            "differs",
            f"the runs did not start equally warm ({'; '.join(differing)}): cold oil and tyres "
            "take power, a hot intake gives less; repeat from the same temperatures",
        )
    if seen:
        return Finding("heat soak", "alike", "logged temperatures at the start of the pulls agree")
    return Finding(
        "heat soak",
        "not stated",
        "no temperature at the start of the pulls is logged: cold gearbox oil and tyres, or a hot "
        "intake, change the result; log transmission_oil_temp_degc and coolant_temp_degc",
    )


def _order(before: list[DynoRun], after: list[DynoRun]) -> Finding:
    drifts = []
    for side in (before, after):
        if len(side) >= 3:
            ordered = sorted(side, key=lambda r: r.started.value if r.started is not None else 0)
            level = [float(np.log(run.table["torque_n_m"].median())) for run in ordered]
            number = np.arange(len(level), dtype=float)
            slope, intercept = np.polyfit(number, level, 1)
            residual = np.asarray(level) - slope * number - intercept
            error = np.sqrt(
                max(float(residual @ residual), 1e-8)
                / (len(level) - 2)
                / np.sum((number - number.mean()) ** 2)
            )
            if abs(slope) > max(3.0 * error, 0.004):
                drifts.append(100.0 * slope)
    if drifts:
        worst = max(drifts, key=abs)
        return Finding(
            "order of runs",
            "differs",
            f"repeat runs drift by {worst:+.1f} % a run (heat soak or warming): let it settle, and "
            "mix the order of the runs",
            faked_gain_percent=None,
        )
    starts = [[run.started for run in side] for side in (before, after)]
    if any(start is None for side in starts for start in side):
        return Finding(
            "order of runs",
            "not stated",
            "the start of every run is not stated (column timestamp): with all runs of one side "
            "first, anything that drifts looks like a gain",
        )
    gap = (min(s for s in starts[1] if s) - max(s for s in starts[0] if s)).total_seconds()
    if gap > 12 * 3600:
        return Finding(
            "order of runs",
            "differs",
            f"the two sides were run {gap / 3600:.0f} h apart: another day is another tyre, "
            "strapping and calibration; better is before, after, before on one day",
        )
    return Finding("order of runs", "alike", "the runs were made on one day and do not drift")
