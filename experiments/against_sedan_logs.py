"""Does the estimate from real chassis-dyno logs hold the petrol sedan's approximate mass?

Question: real fuelling, spiky and once a second, and roller speed of a petrol sedan. Does the
estimation run, set aside what it should, and does its interval hold the mass that the roller was
set to, as far as that is known?

Method: the logs carried by the wheel of fastsim 2.1.5 (Apache-2.0), found by pattern. The
approximate mass is the middle of the US EPA's test-car list over front-driven cars of that engine
size (``plants/sedan_logs.py``). No engine speed, gear or brake switch is logged, so the Willans
line is used in its power form with handbook values for a petrol engine (slope 0.38, friction
100 kPa at low speed rising with speed, known to a quarter; from memory) and a rig scale sd of 10 %.

Expected answer: the 95 % interval holds the approximate mass in each log. A consistency check, not
a mass recovered: neither the roller's inertia setting nor the car's road load on the day is known.
"""

from __future__ import annotations

import sys
from typing import Any

import harness
import pandas as pd
from plants import archive, sedan_logs

from loadlearn import LoadEstimator, Rig, prepare


def sedan_rig() -> Rig:
    """The petrol sedan as a rig with handbook values."""
    return Rig.from_dict(
        {
            "name": "petrol sedan",
            "vehicle": {
                "mass_kg": 1450.0,
                "mass_sd_kg": 200.0,
                "rated_gcm_kg": 2600.0,
                "tyre_radius_m": sedan_logs.TYRE_RADIUS_M,
                "wheel_inertia_kg_m2": sedan_logs.WHEEL_INERTIA_KG_M2,
                "drag_area_m2": 0.75,
                "drag_area_sd_m2": 0.15,
            },
            "engine": {
                "fuel": "petrol",
                "displacement_l": 2.5,
                "indicated_efficiency": 0.38,
                "friction_mep_kpa": 100.0,
                "friction_mep_slope_kpa_s_per_rad": 0.2,
                "friction_mep_sd_kpa": 37.0,
                "inertia_kg_m2": 0.15,
                "idle_rpm": 700.0,
                "accessory_power_kw": 0.7,
                "accessory_power_sd_kw": 0.4,
                "reference_torque_n_m": 230.0,
            },
            # A six-speed automatic of that class (common practice, no source).
            "driveline": {
                "gear_ratios": [4.6, 2.9, 1.9, 1.4, 1.0, 0.75],
                "final_drive": 3.2,
                "efficiency": 0.88,
            },
            "uncertainty": {"tractive_scale_sd": 0.10},
        }
    )


def one_log(name: str) -> dict[str, Any]:
    """One log, judged."""
    rig = sedan_rig()
    trace = sedan_logs.read(name, float(rig.engine.fuel_density_kg_m3 or 745.0))
    history = LoadEstimator(rig).run(prepare(trace, rig))
    end = history.iloc[-1]
    approximate = sedan_logs.approximate_vehicle().mass_kg
    reasons = history.loc[history["learning"] == 0, "set_aside_because"].astype(str)
    standing = trace["speed_m_s"] < 1.0
    overrun = (trace["fuel_rate_g_s"] < 0.02) & (trace["speed_m_s"] > 5.0)
    return {
        "log": sedan_logs.names().index(name) + 1,
        "seconds": len(trace),
        "approximate_kg": approximate,
        "estimated_kg": float(end["mass_kg"]),
        "low95_kg": float(end["mass_low95_kg"]),
        "high95_kg": float(end["mass_high95_kg"]),
        "inside95": int(end["mass_low95_kg"] <= approximate <= end["mass_high95_kg"]),
        "rolling_resistance": float(end["rolling_resistance"]),
        "drag_area_m2": float(end["drag_area_m2"]),
        "surface": str(end["surface"]),
        "learning_share": float(history["learning"].mean()),
        "learning_while_standing": float(history["learning"][standing].mean()),
        "learning_on_overrun": float(history["learning"][overrun].mean()),
        "reasons": "; ".join(sorted(set(reasons))),
    }


def main() -> int:
    """Run and print."""
    chosen = harness.options(__doc__, seeds=1, quick_seeds=1)
    try:
        names = sedan_logs.names()
    except archive.ArchiveMissing as missing:
        print(f"{missing}", file=sys.stderr)
        return 0 if chosen.quick else 2
    rows = pd.DataFrame(harness.run(one_log, names[:2] if chosen.quick else names, chosen, "logs"))
    harness.write(chosen, "sedan_logs", rows)
    return 0


if __name__ == "__main__":
    sys.exit(main())
