"""Check a drive against baseline drives, or against its rig, and put what differs into words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Annotated, Any, TypedDict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.condition import maps, measures
from loadlearn.condition.catalogue import CHECKS, PATTERNS, Check
from loadlearn.condition.channel_health import SENSORS, ChannelFault, channel_faults
from loadlearn.condition.evidence import (
    Expectation,
    Measure,
    expected_events,
    expected_from_baseline,
    expected_from_rig,
    holm,
)
from loadlearn.condition.points import operating_points, without_channels
from loadlearn.described import Unit
from loadlearn.estimation.find_delays import on_one_clock
from loadlearn.log.channel_faults import frozen_stretches
from loadlearn.vehicle.rig import Rig

Array = NDArray[np.float64]

FALSE_FINDING_CHANCE = 0.015
"""Chance that a healthy drive gets any finding at all, as far as drives scatter as believed."""
ODDS = (
    "A new healthy drive lies beyond all of n baseline drives in one case of n + 1, whatever the "
    "distribution, and n drives by themselves tell nothing rarer. The checks' own chances are "
    "Student's t predictive with the spreads of the catalogue counted as further drives: they "
    "decide what is a finding, and are no odds to be quoted."
)
"""The rank of a new one among exchangeable ones is uniform (Vovk, Gammerman & Shafer, *Algorithmic
Learning in a Random World*, 2005, from memory)."""
PRIOR_DRIVES = 8.0
"""How many drives the catalogue's spreads count for: a vehicle's own spread is then believed within
twice the catalogue's with 98 % (chi-squared). With three it may be three times as large in one
vehicle of twenty, and the checks were blind with one or two baseline drives
(``experiments/condition_faults.py`` tells what they find with how many)."""
LIKE_TEMPERATURE_K, LIKE_PRESSURE_KPA = 12.0, 5.0
"""Beyond these differences from every baseline drive the weather is called unlike."""
ADVICE = (
    "A finding is a reason to have the parts named inspected by a licensed technician; it "
    "diagnoses nothing, and no finding is no proof of health."
)
_SCALARS = {
    "boost_at_rest": measures.boost_at_rest,
    "warm_up": measures.warm_up,
    "coolant_temperature": measures.coolant_steady,
    "idle_fuelling": measures.idle_fuelling,
    "converter_slip": measures.converter_slip,
    "rolling_radius": measures.rolling_radius,
    "brake_drag": measures.brake_drag,
}
_FLOW_CHECKS = {"boost": "boost_at_full_flow", "rail_pressure": "rail_pressure_at_full_flow"}


@dataclass(frozen=True)
class DrivePoints:
    """A drive condensed for the checks.

    Attributes
    ----------
    points : DataFrame
        Operating points.
    maps : dict
        Points of each operating map.
    scalars : dict of str to Measure
        Measures that need no baseline to be computed.
    conditions : ndarray, shape (2,)
        Mean ambient temperature (degC) and pressure (kPa).
    regenerations : tuple of (int, float)
        Starts, and fuel burnt (kg); fuel 0 where the flag is not logged.
    road_load : RoadLoad or None
    frozen_s : dict of str to float
        Channels that the log has, and for how long each was frozen.
    withheld : dict of str to str
        Check to the channel that it leans on and that is not to be believed.
    """

    points: pd.DataFrame
    maps: dict[str, pd.DataFrame]
    scalars: dict[str, Measure]
    conditions: Array
    regenerations: tuple[int, float]
    road_load: measures.RoadLoad | None = None
    frozen_s: dict[str, float] = field(default_factory=dict)
    withheld: dict[str, str] = field(default_factory=dict)


@dataclass
class Baseline:
    """What the baseline drives taught.

    Attributes
    ----------
    drives : list of DrivePoints
    shapes : dict of str to Shape
        Operating maps.
    measures : dict of str to list of (Measure, ndarray)
        Per check, each drive's measure and ambient conditions.
    notes : list of str
        Channels of baseline drives that were left out, one sentence each.
    """

    drives: list[DrivePoints]
    shapes: dict[str, maps.Shape] = field(default_factory=dict)
    measures: dict[str, list[tuple[Measure, Array]]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Finding:
    """One deviation, or a channel that is not to be believed, for a person.

    Attributes
    ----------
    check : str
        Name of the check; ``channel:NAME`` for a channel.
    sentence : str
        What differs, by how much, what healthy drives show, what to inspect, how sure.
    inspect : tuple of str
        Parts, likeliest first.
    deviation : float
        How far off, in ``unit``; of a channel, the share of the drive in which it is at fault.
    unit : str
        Of the deviation.
    healthy_interval95 : tuple of float or None
        Where 95 % of healthy drives would lie, as a deviation.
    chance_if_healthy : float or None
        How rarely a healthy drive deviates as much, as far as the baseline drives alone can tell:
        1/(n + 1) at best (:data:`ODDS`); None without baseline drives and for channels.
    model_chance : float or None
        Probability that any of the checks deviates as much in a healthy vehicle whose drives
        scatter as the catalogue believes; what ``evidence`` grades.
    evidence : str
        ``strong``, ``good`` or ``moderate``; ``direct`` for a channel.
    """

    check: str
    sentence: str
    inspect: tuple[str, ...]
    deviation: Annotated[float, Unit("unit")]
    unit: str
    healthy_interval95: Annotated[tuple[float, float] | None, Unit("unit")]
    chance_if_healthy: float | None
    model_chance: float | None
    evidence: str


class CheckTold(TypedDict):
    """What is told of every check."""

    check: str
    """Name of the check."""
    what: str
    """What it looks at."""
    unit: str
    """Of the deviation and of where healthy drives lie."""
    chance: float | None
    """That a healthy drive deviates as much; null where it could not be judged."""


class CheckRow(CheckTold, total=False):
    """What is told where it could be judged, or why it could not."""

    not_judged_because: str
    """Why not; absent where it was judged, and all that follows absent where it was not."""
    measured: Annotated[float, Unit("of the check")]
    """What the drive shows."""
    measured_sd: Annotated[float, Unit("of the check")]
    """Its standard deviation; not of counts."""
    expected: Annotated[float, Unit("of the check")]
    """What a healthy drive would show here."""
    deviation: Annotated[float, Unit("unit")]
    """How far off that is."""
    healthy_interval95: Annotated[list[float], Unit("unit")]
    """Where 95 % of healthy drives would lie, as a deviation."""
    expected_from: str
    """``baseline``, or ``rig`` where there are no drives to compare with."""
    large_enough: bool
    """Whether the deviation is so large that it matters."""
    samples: int
    """Operating points, or events, that count."""
    baseline_drives: int
    """Baseline drives that show it."""
    chance_any: float
    """That any of the checks deviates as much in a healthy drive (Holm)."""


class ConditionFile(TypedDict):
    """What was found of the engine's condition."""

    findings: list[Finding]
    """Deviations and channels not to be believed, strongest evidence first."""
    together: list[str]
    """What several findings say together."""
    checks: list[CheckRow]
    """Every check."""
    warnings: list[str]
    """What was noticed, one sentence each."""
    outside95: list[str]
    """Checks outside what 95 % of healthy drives show, though no finding."""
    outside95_chance: float
    """That a healthy drive has as many out there."""
    odds: str
    """What the odds rest on."""
    advice: str
    """What a finding is, and is not."""


@dataclass
class ConditionReport:
    """Result of :func:`assess`.

    Attributes
    ----------
    findings : list of Finding
        Channels first, then strongest evidence first.
    together : list of str
        What several findings say together.
    checks : list of dict
        Every check: expected, measured, deviation, chance, or why it was not judged.
    warnings : list of str
    outside95 : list of str
        Checks that lie outside what 95 % of healthy drives show, on a side that would be a fault,
        and yet are no finding: with many checks one does so by chance now and then.
    outside95_chance : float
        Chance that a healthy drive has as many checks or more out there, findings included, were
        the checks independent (binomial); 1 without any.
    """

    findings: list[Finding]
    together: list[str]
    checks: list[dict[str, Any]]
    warnings: list[str]
    outside95: list[str] = field(default_factory=list)
    outside95_chance: float = 1.0

    def to_dict(self) -> ConditionFile:
        """The content of ``condition.json``."""
        findings: list[Any] = [asdict(finding) for finding in self.findings]
        checks: list[Any] = self.checks
        return {
            "findings": findings,
            "together": self.together,
            "checks": checks,
            "warnings": self.warnings,
            "outside95": self.outside95,
            "outside95_chance": self.outside95_chance,
            "odds": ODDS,
            "advice": ADVICE,
        }


def condense(
    trace: pd.DataFrame,
    rig: Rig,
    known_mass_kg: float | None = None,
    known_mass_sd_kg: float | None = None,
) -> DrivePoints:
    """Reduce a trace to what the checks look at.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig
    known_mass_kg, known_mass_sd_kg : float, optional
        Weighed combined mass (kg) and its standard deviation (default 1 %).
    """
    points = operating_points(on_one_clock(trace, rig), rig)
    drive = from_points(points, rig)
    drive.frozen_s.update(
        {
            name: sum(end - start for start, end in frozen_stretches(trace, name))
            for name in SENSORS
            if name in trace
        }
    )
    if known_mass_kg is not None:
        sd = 0.01 * known_mass_kg if known_mass_sd_kg is None else known_mass_sd_kg
        measure = measures.tractive_efficiency(trace, rig, known_mass_kg, sd)
        if measure is not None:
            drive.scalars["tractive_efficiency"] = measure
    return drive


def from_points(points: pd.DataFrame, rig: Rig) -> DrivePoints:
    """A drive of which only the operating points are at hand.

    Parameters
    ----------
    points : DataFrame
        From :func:`~loadlearn.condition.points.operating_points`.
    rig : Rig
    """
    tables = {chart.name: maps.map_points(points, chart, rig) for chart in maps.MAPS}
    scalars = {name: measure(points, rig) for name, measure in _SCALARS.items()}
    conditions = points[["ambient_temp_degc", "ambient_pressure_kpa"]].mean().to_numpy()
    logged = bool(points["regeneration_logged"].any())
    return DrivePoints(
        points,
        {name: table for name, table in tables.items() if table is not None},
        {name: measure for name, measure in scalars.items() if measure is not None},
        np.asarray(conditions, dtype=np.float64),
        measures.regenerations(points) if logged else (0, 0.0),
        measures.road_load(points),
    )


def _without(drive: DrivePoints, faults: list[ChannelFault], rig: Rig) -> DrivePoints:
    """The drive without what leans on channels that are not to be believed."""
    faults = [fault for fault in faults if fault.fault != "absent"]
    if not faults:
        return drive
    withheld = {check: fault.channel for fault in faults for check in fault.leaning}
    again = from_points(without_channels(drive.points, [f.channel for f in faults]), rig)
    weighed = {k: v for k, v in drive.scalars.items() if k == "tractive_efficiency"}
    return replace(
        again,
        maps={k: v for k, v in again.maps.items() if k not in withheld},
        scalars={k: v for k, v in (again.scalars | weighed).items() if k not in withheld},
        road_load=None if "rolling_resistance" in withheld else again.road_load,
        regenerations=(0, 0.0) if "regeneration_interval" in withheld else drive.regenerations,
        frozen_s=drive.frozen_s,
        withheld=withheld,
    )


def learn_baseline(drives: Sequence[DrivePoints], rig: Rig) -> Baseline:
    """Learn what is usual from drives of the same rig known to be healthy.

    Parameters
    ----------
    drives : sequence of DrivePoints
        From :func:`condense`.
    rig : Rig
    """
    baseline = Baseline([])
    for number, drive in enumerate(drives, start=1):
        faults = channel_faults(drive.points, drive.frozen_s, rig)
        baseline.drives.append(_without(drive, faults, rig))
        baseline.notes += [
            f"baseline drive {number}, left out in what leans on it: {fault.sentence}"
            for fault in faults
        ]
    drives = baseline.drives
    for chart in maps.MAPS:
        tables = [drive.maps[chart.name] for drive in drives if chart.name in drive.maps]
        if tables:
            baseline.shapes[chart.name] = maps.learn_shape(tables)
    for drive in drives:
        for name, measure in _drive_measures(drive, baseline, rig).items():
            baseline.measures.setdefault(name, []).append((measure, drive.conditions))
    return baseline


def _drive_measures(drive: DrivePoints, baseline: Baseline, rig: Rig) -> dict[str, Measure]:
    found: dict[str, Measure | None] = dict(drive.scalars)
    if drive.road_load is not None:
        areas = [one.road_load.drag_area_m2 for one in baseline.drives if one.road_load]
        usual = float(np.mean(areas)) if areas else None
        found["rolling_resistance"] = drive.road_load.rolling(usual)
        found["drag_area"] = drive.road_load.area
    for name, table in drive.maps.items():
        shape = baseline.shapes.get(name)
        if shape is None:
            continue
        found[name] = maps.level_measure(table, shape)
        if name in _FLOW_CHECKS:
            found[_FLOW_CHECKS[name]] = maps.flow_measure(table, shape)
    return {name: measure for name, measure in found.items() if measure is not None}


def assess(
    drive: DrivePoints | pd.DataFrame,
    rig: Rig,
    baseline: Baseline | Sequence[pd.DataFrame] = (),
    known_mass_kg: float | None = None,
) -> ConditionReport:
    """Judge one drive.

    Parameters
    ----------
    drive : DrivePoints or DataFrame
        From :func:`condense`, or a trace in canonical columns.
    rig : Rig
    baseline : Baseline or sequence of DataFrame
        From :func:`learn_baseline`, or traces; empty: only what the rig file leads to expect.
    known_mass_kg : float, optional
        Weighed combined mass of the drive (kg), where ``drive`` is a trace.
    """
    if isinstance(drive, pd.DataFrame):
        drive = condense(drive, rig, known_mass_kg)
    if not isinstance(baseline, Baseline):
        baseline = learn_baseline([condense(trace, rig) for trace in baseline], rig)
    faults = channel_faults(
        # A remembered drive has no points; it shows nothing of channels.
        drive.points,
        drive.frozen_s,
        rig,
        [one.points for one in baseline.drives if len(one.points)],
    )
    drive = _without(drive, faults, rig)
    found = _drive_measures(drive, baseline, rig)
    rows: list[dict[str, Any]] = []
    for check in CHECKS:
        if check.name == "regeneration_interval":
            rows.append(_regeneration_row(check, drive, baseline))
            continue
        rows.append(_row(check, found.get(check.name), drive, baseline, rig))
    judged = [row for row in rows if row["chance"] is not None]
    for row, chance in zip(judged, holm([row["chance"] for row in judged]), strict=True):
        row["chance_any"] = chance
    by_name = {check.name: check for check in CHECKS}
    findings = [
        finding for row in judged if (finding := _finding(by_name[row["check"]], row)) is not None
    ]
    findings.sort(key=lambda finding: finding.model_chance or 0.0)
    outside = [row["check"] for row in judged if _outside95(by_name[row["check"]], row)]
    said = {finding.check for finding in findings}
    return ConditionReport(
        [_of_channel(fault) for fault in faults] + findings,
        _together(findings),
        rows,
        _warnings(drive, baseline),
        [name for name in outside if name not in said],
        _chance_of_as_many(len(outside), [by_name[row["check"]] for row in judged]),
    )


def _chance_of_as_many(outside: int, checks: list[Check]) -> float:
    """Binomial; a check with one side only is outside on it half as often."""
    from scipy.stats import binom

    if not outside:
        return 1.0
    rate = float(np.mean([0.025 if check.side else 0.05 for check in checks]))
    return float(binom.sf(outside - 1, len(checks), rate))


def _outside95(check: Check, row: dict[str, Any]) -> bool:
    low, high = row["healthy_interval95"]
    return bool((row["deviation"] > high and check.high) or (row["deviation"] < low and check.low))


def _row(
    check: Check, measure: Measure | None, drive: DrivePoints, baseline: Baseline, rig: Rig
) -> dict[str, Any]:
    row: dict[str, Any] = {
        "check": check.name,
        "what": check.what,
        "unit": "%" if check.scale == "percent" else check.scale,
        "chance": None,
    }
    if check.name in drive.withheld:
        row["not_judged_because"] = f"withheld: {drive.withheld[check.name]} is not to be believed"
        return row
    if measure is None:
        known = baseline.drives or check.rig is not None
        row["not_judged_because"] = f"needs {check.needs}" if known else "needs baseline drives"
        return row
    if check.like_weather and baseline.drives and not _like_weather(drive, baseline).any():
        row["not_judged_because"] = "needs a baseline drive in like weather and altitude"
        return row
    expectation = _expectation(check, measure, drive, baseline, rig)
    if expectation is None:
        row["not_judged_because"] = "needs baseline drives that show this"
        return row
    difference = measure.value - expectation.value
    low, high = (limit - expectation.value for limit in expectation.interval95())
    row |= {
        "measured": measure.value,
        "measured_sd": measure.sd,
        "expected": expectation.value,
        "deviation": check.shown(difference),
        "healthy_interval95": [check.shown(low), check.shown(high)],
        "chance": expectation.chance(measure.value, check.side),
        "expected_from": expectation.source,
        "large_enough": abs(difference) >= check.smallest,
        "samples": measure.samples,
        "baseline_drives": len(baseline.measures.get(check.name, [])),
    }
    return row


def _expectation(
    check: Check, measure: Measure, drive: DrivePoints, baseline: Baseline, rig: Rig
) -> Expectation | None:
    usual = baseline.measures.get(check.name, [])
    if usual:
        return expected_from_baseline(
            [one for one, _ in usual],
            np.array([conditions for _, conditions in usual]),
            measure,
            drive.conditions,
            check.spread_sd,
            np.array([check.temperature_slope_sd, check.pressure_slope_sd]),
            PRIOR_DRIVES,
        )
    if check.rig is not None:
        value, sd = check.rig(rig)
        return expected_from_rig(value, sd, measure)
    return None


def _regeneration_row(check: Check, drive: DrivePoints, baseline: Baseline) -> dict[str, Any]:
    row: dict[str, Any] = {
        "check": check.name,
        "what": check.what,
        "unit": "%",
        "chance": None,
    }
    if check.name in drive.withheld:
        row["not_judged_because"] = f"withheld: {drive.withheld[check.name]} is not to be believed"
        return row
    events, fuel_kg = drive.regenerations
    usual = [one.regenerations for one in baseline.drives if one.regenerations[1] > 0.0]
    usual_events, usual_kg = sum(e for e, _ in usual), sum(f for _, f in usual)
    if fuel_kg <= 0.0 or usual_kg <= 0.0:
        row["not_judged_because"] = f"needs {check.needs}"
        return row
    expected = (usual_events + 0.5) / usual_kg * fuel_kg
    deviation = 100.0 * (events / expected - 1.0)
    row |= {
        "measured": events,
        "expected": expected,
        "deviation": deviation,
        "healthy_interval95": [-100.0, 100.0 * (4.0 / expected)],
        "chance": expected_events(usual_events, usual_kg, fuel_kg, events),
        "expected_from": "baseline",
        "large_enough": events >= 2 and deviation > 0.0,
        "samples": events,
        "baseline_drives": len(usual),
    }
    return row


def _finding(check: Check, row: dict[str, Any]) -> Finding | None:
    if not row["large_enough"] or row["chance_any"] >= FALSE_FINDING_CHANCE:
        return None
    parts = check.high if row["deviation"] > 0.0 else check.low
    if not parts:
        return None
    chance = row["chance_any"]
    evidence = "strong" if chance < 1e-4 else "good" if chance < 1e-3 else "moderate"
    low, high = row["healthy_interval95"]
    unit, digits = row["unit"], 4 if row["unit"] == "coefficient" else 1
    word = "above" if row["deviation"] > 0.0 else "below"
    baseline = row["expected_from"] == "baseline"
    than = "the baseline drives show" if baseline else "the rig expects"
    shown = f"{abs(row['deviation']):.{digits}f} {unit}".replace(" coefficient", "")
    drives = row["baseline_drives"] if baseline else 0
    sentence = (
        f"{check.what} is {shown} {word} what {than} (95 % of healthy drives would lie within "
        f"{low:+.{digits}f} to {high:+.{digits}f}); inspect {', '.join(parts)}; {evidence} "
        f"evidence: {_how_sure(row, drives)}"
    )
    return Finding(
        check.name,
        sentence[0].upper() + sentence[1:],
        parts,
        float(row["deviation"]),
        unit,
        (float(low), float(high)),
        max(chance, 1.0 / (drives + 1)) if drives else None,
        float(chance),
        evidence,
    )


def _how_sure(row: dict[str, Any], drives: int) -> str:
    """How far out it lies, and what so few baseline drives can say of odds (:data:`ODDS`)."""
    low, high = row["healthy_interval95"]
    edge = high if row["deviation"] > 0.0 else -low
    times = f"{row['deviation'] / np.copysign(max(edge, 1e-9), row['deviation']):.1f} times as far"
    out = f"{times} out as the edge of that range"
    if not drives:
        return f"{out}; judged against the rig file alone, so no odds can be given"
    by = "one baseline drive" if drives == 1 else f"{drives} baseline drives"
    return (
        f"{out}; from {by} alone no odds better than one drive in {drives + 1} can be told, the "
        "rest is how such drives usually scatter"
    )


def _of_channel(fault: ChannelFault) -> Finding:
    leaning = ", ".join(fault.leaning)
    sentence = fault.sentence[0].upper() + fault.sentence[1:]
    if leaning:
        sentence += f"; withheld, for it leans on this: {leaning}"
    return Finding(
        f"channel:{fault.channel}",
        sentence,
        ("sensor", "plug and wiring", "logger"),
        100.0 * fault.share,
        "% of the drive",
        None,
        None,
        None,
        "direct",
    )


def _together(findings: list[Finding]) -> list[str]:
    signs = {finding.check: int(np.sign(finding.deviation)) for finding in findings}
    return [
        pattern.sentence
        for pattern in PATTERNS
        if all(signs.get(name) == sign for name, sign in pattern.signs.items())
        and not any(name in signs for name in pattern.absent)
    ]


def _like_weather(drive: DrivePoints, baseline: Baseline) -> NDArray[np.bool_]:
    """Which baseline drives were made in weather and at an altitude like the drive's."""
    away = np.abs(np.array([one.conditions for one in baseline.drives]) - drive.conditions)
    return np.asarray((away[:, 0] <= LIKE_TEMPERATURE_K) & (away[:, 1] <= LIKE_PRESSURE_KPA))


def _warnings(drive: DrivePoints, baseline: Baseline) -> list[str]:
    if not baseline.drives:
        return [
            "no baseline drives were given: most checks need them, the others compare with what "
            "the rig file leads to expect"
        ]
    warnings = [*baseline.notes]
    if not _like_weather(drive, baseline).any():
        warnings.append(
            "no baseline drive was made in like weather and altitude (within "
            f"{LIKE_TEMPERATURE_K:g} K and {LIKE_PRESSURE_KPA:g} kPa): add one; boost, air flow "
            "and exhaust temperature are not judged"
        )
    if len(baseline.drives) < 4:
        warnings.append(
            f"only {len(baseline.drives)} baseline drives: with five or more, smaller deviations "
            "can be told"
        )
    return warnings
