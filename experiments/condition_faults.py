"""Which faults do the condition checks find, from which severity on, and how often in vain?

Method: vehicles with engine and sensor characteristics drawn at random (unknown to the checks) are
driven over random roads, loads, weather and altitudes. Five healthy drives are the baseline. Five
more healthy drives count false findings, also with fewer baseline drives or none. One of these is
logged again with each kind of fault at each severity, the same motion with changed channels, and
judged with five baseline drives and with fewer. Then single channels stand still from a moment on,
for a share of the drive. A vehicle keeps its tyres and its trailer: rolling resistance scatters by
8 % and drag area by 5 % from drive to drive (road texture and load; common practice, no source).
Expected: findings in fewer than 2 % of healthy drives; detection rising with severity to near all.
Source: own simulation; severities span what workshops would call slight to gross (common practice,
no source).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import harness
import numpy as np
import pandas as pd

from loadlearn.condition import assess, learn_baseline
from loadlearn.condition.assessment import DrivePoints, condense
from loadlearn.figures.style import BLUE, new_figure
from loadlearn.simulation.drive import Drive, simulate
from loadlearn.simulation.faults import FAULTS, EngineCharacter, Fault, with_condition
from loadlearn.simulation.road import Stop, random_road
from loadlearn.simulation.variation import PlantVariation
from loadlearn.vehicle.rig import Rig

RIG = Path(__file__).parent.parent / "synthetic_data" / "rigs" / "utility_boat.toml"
BASELINE_DRIVES, HEALTHY_DRIVES = 5, 5
FEWER_BASELINE_DRIVES = (0, 1, 2)
SEVERITIES: dict[str, tuple[float, ...]] = {
    "intake_restriction": (3.0, 6.0, 12.0, 20.0),
    "charge_air_leak": (0.03, 0.06, 0.12, 0.2),
    "boost_sensor_drift": (3.0, 6.0, 12.0, 20.0),
    "air_flow_sensor_drift": (0.03, 0.06, 0.12, 0.2),
    "fuel_filter": (0.03, 0.06, 0.12, 0.2),
    "rail_sensor_drift": (0.02, 0.04, 0.08, 0.12),
    "injection_wear": (0.03, 0.06, 0.12, 0.18),
    "thermostat_open": (30.0, 80.0, 200.0, 400.0),
    "idle_fuelling": (0.15, 0.3, 0.6, 1.0),
    "frequent_regeneration": (1.0, 3.0, 7.0, 15.0),
    "converter_slip": (0.01, 0.02, 0.04, 0.08),
    "dragging_brake": (150.0, 300.0, 600.0, 1200.0),
    "constant_drag": (100.0, 200.0, 400.0, 800.0),
    "low_tyre": (0.004, 0.008, 0.015, 0.025),
}
STANDING = {
    f"{name} stands": name
    for name in (
        "exhaust_gas_temp_degc",
        "coolant_temp_degc",
        "boost_kpa",
        "air_flow_g_s",
        "rail_pressure_mpa",
    )
}
STANDING_SHARES = (0.05, 0.1, 0.25, 0.5)
# Faults that change a channel the load is learnt from.
CHANGE_THE_FORCE = {
    "injection_wear",
    "idle_fuelling",
    "frequent_regeneration",
    "converter_slip",
    "dragging_brake",
    "constant_drag",
    "low_tyre",
}
# Checks that name the right parts for a fault.
RIGHT_CHECKS: dict[str, set[str]] = {
    "intake_restriction": {"boost", "boost_at_full_flow", "exhaust_temperature"},
    "charge_air_leak": {"boost", "boost_at_full_flow", "air_flow"},
    "boost_sensor_drift": {"boost", "boost_at_rest", "air_flow"},
    "air_flow_sensor_drift": {"air_flow"},
    "fuel_filter": {"rail_pressure", "rail_pressure_at_full_flow"},
    "rail_sensor_drift": {"rail_pressure"},
    "injection_wear": {"tractive_efficiency"},
    "thermostat_open": {"warm_up", "coolant_temperature"},
    "idle_fuelling": {"idle_fuelling"},
    "frequent_regeneration": {"regeneration_interval"},
    "converter_slip": {"converter_slip"},
    "dragging_brake": {"brake_drag", "rolling_resistance"},
    "constant_drag": {"rolling_resistance"},
    "low_tyre": {"rolling_radius", "rolling_resistance"},
    **{kind: {f"channel:{name}"} for kind, name in STANDING.items()},
}


def one_drive(rig: Rig, vehicle: int, number: int, length_m: float = 60_000.0) -> Drive:
    """Draw a road, a load and the weather, and drive."""
    seed = 1000 * vehicle + number
    rng = np.random.default_rng([seed, 5100])
    kind = rng.choice(["rolling", "mountain", "highway"])
    road = random_road(
        seed, length_m=length_m, kind=kind, start_altitude_m=float(rng.uniform(20.0, 900.0))
    )
    places = np.sort(rng.uniform(4000.0, length_m - 3000.0, 7))
    road = road.with_stops(*(Stop(float(p), float(rng.uniform(15.0, 60.0))) for p in places))
    temperature = float(rng.normal(18.0, 7.0))
    mass = float(rng.uniform(3400.0, 5800.0))
    own = np.random.default_rng([vehicle, 5300])
    rolling, drag = 0.011 + 0.0015 * own.standard_normal(), own.uniform(1.6, 2.8)
    variation = PlantVariation(
        temperature_degc=temperature,
        rolling_resistance={"sealed": float(rolling * np.exp(0.08 * rng.standard_normal()))},
        drag_area_m2=float(drag * np.exp(0.05 * rng.standard_normal())),
    )
    return simulate(rig, road, seed=seed, combined_mass_kg=mass, variation=variation)


def look(
    rig: Rig,
    drive: Drive,
    character: EngineCharacter,
    fault: Fault | None = None,
    healthy: DrivePoints | None = None,
    standing: tuple[str, float] | None = None,
) -> DrivePoints:
    """Log a drive and condense it; the load is known as from a weighbridge (0.5 %).

    ``standing``: a channel that stands still, and for what share of the drive, the last one.
    """
    seed = int(drive.meta["seed"])
    log = with_condition(drive, rig, character, seed, fault)
    if standing is not None:
        name, share = standing
        begin = int((1.0 - share) * len(log))
        log.loc[log.index[begin:], name] = log[name].iloc[begin]
        return condense(log, rig)
    if healthy is not None and fault is not None and fault.kind not in CHANGE_THE_FORCE:
        # The load learnt is the healthy drive's: what it is learnt from has not changed.
        points = condense(log, rig)
        if "tractive_efficiency" in healthy.scalars:
            points.scalars["tractive_efficiency"] = healthy.scalars["tractive_efficiency"]
        return points
    weighed = drive.meta["combined_mass_kg"]
    weighed *= 1.0 + 0.005 * np.random.default_rng([seed, 5200]).standard_normal()
    return condense(log, rig, weighed, 0.005 * weighed)


def one_vehicle(vehicle: int, severities: int) -> list[dict[str, object]]:
    """Baseline, healthy drives and every fault of one vehicle."""
    rig = Rig.from_toml(RIG)
    character = EngineCharacter.draw(vehicle)
    base = [
        look(rig, one_drive(rig, vehicle, number), character) for number in range(BASELINE_DRIVES)
    ]
    baseline = learn_baseline(base, rig)
    fewer = {count: learn_baseline(base[:count], rig) for count in FEWER_BASELINE_DRIVES}
    rows: list[dict[str, object]] = []
    for number in range(HEALTHY_DRIVES):
        drive = one_drive(rig, vehicle, BASELINE_DRIVES + number)
        healthy = look(rig, drive, character)
        report = assess(healthy, rig, baseline)
        names = [finding.check for finding in report.findings]
        judged = [row["check"] for row in report.checks if row["chance"] is not None]
        rows.append(
            {
                "vehicle": vehicle,
                "drive": number,
                "fault": "healthy",
                "severity": 0.0,
                "found": bool(names),
                "found_right": False,
                "checks": " ".join(names),
                "judged": " ".join(judged),
                "drag_area_m2": healthy.road_load.drag_area_m2 if healthy.road_load else np.nan,
            }
        )
        for count, one in fewer.items():
            names = [finding.check for finding in assess(healthy, rig, one).findings]
            rows.append(
                {
                    "vehicle": vehicle,
                    "drive": number,
                    "fault": f"healthy, {count} baseline drives",
                    "severity": 0.0,
                    "found": bool(names),
                    "found_right": False,
                    "checks": " ".join(names),
                    "judged": "",
                }
            )
        if number or not severities:
            continue
        for kind, levels in (SEVERITIES | dict.fromkeys(STANDING, STANDING_SHARES)).items():
            for severity in levels[-severities:]:
                if kind in STANDING:
                    dead = (STANDING[kind], severity)
                    faulty = look(rig, drive, character, standing=dead)
                else:
                    faulty = look(rig, drive, character, Fault(kind, severity), healthy)
                names = [finding.check for finding in assess(faulty, rig, baseline).findings]
                with_fewer = {
                    f"found_right_{count}": any(
                        finding.check in RIGHT_CHECKS[kind]
                        for finding in assess(faulty, rig, one).findings
                    )
                    for count, one in fewer.items()
                }
                rows.append(
                    {
                        "vehicle": vehicle,
                        "drive": number,
                        "fault": kind,
                        "severity": severity,
                        "found": bool(names),
                        "found_right": bool(set(names) & RIGHT_CHECKS[kind]),
                        "checks": " ".join(names),
                        "judged": "",
                        **with_fewer,
                    }
                )
    return rows


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """Share of drives with a finding, with its 95 % interval (Wilson 1927, from memory)."""
    out = []
    for (fault, severity), group in rows.groupby(["fault", "severity"], sort=False):
        count = len(group)
        hits = int(group["found" if fault.startswith("healthy") else "found_right"].sum())
        share = hits / count
        z = 1.959964
        middle = (share + z * z / (2 * count)) / (1 + z * z / count)
        half = z * np.sqrt(share * (1 - share) / count + z * z / (4 * count**2))
        half /= 1 + z * z / count
        others = group["checks"].str.split().explode().dropna().value_counts()
        out.append(
            {
                "fault": fault,
                "severity": severity,
                "drives": count,
                "found_percent": 100.0 * share,
                "low95_percent": 100.0 * max(middle - half, 0.0),
                "high95_percent": 100.0 * (middle + half),
                **{
                    f"found_percent_{many}_baseline": 100.0 * group[f"found_right_{many}"].mean()
                    for many in FEWER_BASELINE_DRIVES
                    if f"found_right_{many}" in group
                },
                "checks_that_spoke": ", ".join(f"{k} {v}" for k, v in others.items()),
            }
        )
    return pd.DataFrame(out)


def plot(table: pd.DataFrame) -> Any:
    """Detection against severity, one panel per fault; nothing without faults."""
    kinds = [kind for kind in (*SEVERITIES, *STANDING) if kind in set(table["fault"])]
    if not kinds:
        return None
    lines = -(-len(kinds) // 4)
    # Every panel has severities of its own: no axis is shared.
    figure = new_figure(12.0, 2.4 * lines)
    axes = figure.subplots(lines, 4, squeeze=False)
    healthy = float(table.loc[table["fault"] == "healthy", "found_percent"].iloc[0])
    for place, kind in zip(axes.ravel(), kinds, strict=False):
        part = table[table["fault"] == kind]
        level = np.arange(len(part))
        place.fill_between(
            level, part["low95_percent"], part["high95_percent"], color=BLUE, alpha=0.2
        )
        place.plot(level, part["found_percent"], marker="o", color=BLUE, label=f"{BASELINE_DRIVES}")
        for many, dashes in ((2, "--"), (1, ":")):
            place.plot(
                level,
                part[f"found_percent_{many}_baseline"],
                linestyle=dashes,
                color=BLUE,
                label=f"{many}",
            )
        place.axhline(healthy, color="grey", linewidth=0.8)
        place.set_title(kind.replace("_", " "), fontsize=9)
        place.set_xticks(level, [f"{v:g}" for v in part["severity"]])
        place.set_xlabel(FAULTS.get(kind, "share of the drive"), fontsize=7)
        place.tick_params(labelsize=8)
        place.set_ylim(-3, 103)
    for place in axes.ravel()[len(kinds) :]:
        place.set_axis_off()
    axes[0][0].legend(title="baseline drives", title_fontsize=7, fontsize=7, loc="upper left")
    figure.supylabel("drives with a finding that names the right parts (%)", fontsize=9)
    figure.suptitle(
        "detection against severity, with 95 % interval; grey line: healthy drives with any "
        "finding",
        fontsize=10,
    )
    return figure


def main() -> None:
    """Run the sweep."""
    parser = harness.parser(__doc__, seeds=40, quick_seeds=1)
    parser.add_argument(
        "--levels", type=int, default=4, help="severities per fault, gross ones first; 0: healthy"
    )
    parser.add_argument(
        "--first", type=int, default=0, metavar="N", help="number of the first vehicle drawn"
    )
    options = harness.parse(parser)
    levels = min(options.levels, 1 if options.quick else 4)
    vehicles = range(options.first, options.first + options.seeds)
    tasks = [(vehicle, levels) for vehicle in vehicles]
    rows = pd.DataFrame(harness.run(one_vehicle, tasks, options, label="vehicles"))
    table = summarise(rows)
    harness.write(options, "condition_faults", table, figure=plot(table), details=rows)


if __name__ == "__main__":
    main()
