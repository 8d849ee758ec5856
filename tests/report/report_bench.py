"""Folders to report on: what commands write, made by formulas."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from result_bench import MadeResult

from loadlearn.outputs import write_csv, write_json, write_parquet

STRATEGIES = ("base", "fixed_share", "learnt_load")


def write_estimates(out: Path, made: MadeResult) -> None:
    """What ``estimate`` leaves, with all channels and the truth beside."""
    out.mkdir(exist_ok=True)
    time = made.prepared["time_s"].to_numpy()
    more = {
        "engine_speed_rpm": 1800.0 + 500.0 * np.sin(time / 8.0),
        "gear": np.round(3.5 + 2.0 * np.sin(time / 31.0)),
        "accelerator_percent": 50.0 + 49.0 * np.sin(time / 11.0),
        "fuel_rate_g_s": 3.0 + 2.5 * np.sin(time / 11.0),
        "exhaust_gas_temp_degc": 450.0 + 150.0 * np.sin(time / 40.0),
        "coolant_temp_degc": 88.0 - 70.0 * np.exp(-time / 300.0),
        "boost_kpa": 60.0 + 59.0 * np.sin(time / 11.0),
    }
    write_parquet(out / "estimates.parquet", made.history)
    write_parquet(out / "trace.parquet", made.prepared.assign(**more))
    write_parquet(out / "truth.parquet", made.truth.assign(surface=made.history["surface"]))
    runaway = made.truth[["time_s"]].assign(
        mass_kg=5200.0 + np.maximum(made.truth["time_s"] - 1260.0, 0.0)
    )
    write_parquet(out / "beside.parquet", runaway)
    write_json(out / "provenance.json", {"options": {"beside": "plain_ekf"}})
    write_json(out / "summary.json", made.summary)


def write_advice(out: Path, made: MadeResult) -> None:
    """What ``advise`` leaves: warm-up for five minutes, heat between 600 and 640 s."""
    time = made.history["time_s"]
    hot = (time >= 600.0) & (time < 640.0)
    limits = np.where(time < 300.0, "warm_up", np.where(hot, "exhaust_gas", ""))
    advice = pd.DataFrame(
        {
            "time_s": time,
            "power_retention": np.where(time < 900.0, 0.0, 0.44),
            "full_share_time_s": 32.0,
            "economy": 0.45,
            "extra_torque": np.where(limits == "", 0.8, 0.0),
            "wanted_share": np.where(time > 500.0, 1.0, 0.0),
            "active_limits": limits,
            "reason": "5.2 t on gravel: keeping 44 % of the extra torque",
        }
    )
    end: dict[str, Any] = dict(advice.iloc[-1]) | {"sustainable_share": 0.9}
    end = {key: end[key] for key in end if key not in ("time_s", "wanted_share", "active_limits")}
    write_csv(out / "advice.csv", advice)
    write_json(
        out / "advice.json",
        {
            "at_end": end,
            "seconds_limited": {"warm_up": 300.0, "exhaust_gas": 40.0},
            "seconds_wanted": 1300.0,
            "seconds_with_extra_torque": 1260.0,
            "setting_changes": 1,
            "warnings": ["weigh the load"],
            "limits_exceeded": [],
            "trust": {"ok": True, "reasons": []},
            "caution": "Recommendations for test.",
        },
    )


def write_comparison(out: Path) -> None:
    """What ``compare`` leaves: two draws, three strategies, one climb from 2 to 6 km."""
    out.mkdir(exist_ok=True)
    traces = []
    for draw in (0, 1):
        for number, strategy in enumerate(STRATEGIES):
            time = np.arange(600.0)
            distance = (20.0 + number + draw) * time
            climb = (distance > 2000.0) & (distance < 6000.0)
            traces.append(
                pd.DataFrame(
                    {
                        "draw": draw,
                        "rig": "wagon",
                        "strategy": strategy,
                        "time_s": time,
                        "distance_m": distance,
                        "altitude_m": np.interp(distance, [2000.0, 6000.0], [100.0, 340.0]),
                        "grade_percent": np.where(climb, 6.0, 0.0),
                        "speed_m_s": 20.0 + number + draw,
                        "mass_kg": 5760.0,
                        "true_exhaust_gas_temp_degc": 400.0 + 300.0 * climb,
                        "extra_torque_share": 0.5 * climb * (number > 0),
                        "advised_extra_torque": 0.6 * climb * (number > 0),
                        "advised_power_retention": 0.5,
                        "advised_full_share_time_s": 20.0,
                        "advised_economy": 0.1,
                        "learnt_mass_kg": 5700.0 if strategy == "learnt_load" else np.nan,
                        "learnt_mass_sd_kg": 100.0 if strategy == "learnt_load" else np.nan,
                    }
                )
            )
    write_parquet(out / "traces.parquet", pd.concat(traces, ignore_index=True))
    interval = {"mean": -3.0, "interval95": [-5.0, -1.0], "n": 2}
    sheet = [
        {
            "rig": "wagon",
            "strategy": name,
            "quantity": "true_exhaust_gas_temp_degc",
            "words": "exhaust gas before the turbine",
            "unit": "°C",
            "decimals": 1,
            "at_least": False,
            "judged_on": "truth",
            "limit": 720.0,
            "worst_draw": 1,
            "worst": 700.0,
            "peak": 703.2,
            "margin": 20.0,
            "draws": 2,
            "draws_over": 0,
            "seconds_over_worst": 0.0,
            "seconds_over_total": 0.0,
            "verdict": "pass",
        }
        for name in STRATEGIES
    ]
    results = [
        {
            "rig": "wagon",
            "strategy": name,
            "quantity": "climb_time_s",
            "mean": 200.0 - 10.0 * number,
            "less_base": None if name == "base" else interval,
            "less_fixed_share": None if name == "fixed_share" else interval,
        }
        for number, name in enumerate(STRATEGIES)
    ]
    write_json(
        out / "comparison.json",
        {
            "rig": "wagon",
            "rigs": ["wagon"],
            "road": "coastal range",
            "combined_mass_kg": 5760.0,
            "climbs": [{"start_m": 2000.0, "end_m": 6000.0}],
            "draws": 2,
            "strategies": {
                name: {"what": f"what {name.replace('_', ' ')} is"} for name in STRATEGIES
            },
            "sheet": sheet,
            "results": results,
            "criterion": "A row fails when its limit was passed for more than 2 s.",
            "drawn_in_figure": {
                "median": {"draw": 1, "words": "median draw by time on climbs (draw 1)"},
                "worst": {"draw": 0, "words": "draw nearest to a limit (draw 0)"},
            },
            "notes": [],
            "caution": "Recommendations for test.",
        },
    )
    write_csv(out / "comparison.csv", pd.DataFrame({"strategy": STRATEGIES}))
