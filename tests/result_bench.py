"""A result to draw and to report, made by formulas."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

GROUNDS = ("sealed", "gravel", "earth", "sand", "soft_sand")


@dataclass(frozen=True)
class MadeResult:
    """Tables in the form that figures and report take, made by formulas, not by an estimator."""

    prepared: pd.DataFrame
    history: pd.DataFrame
    summary: dict[str, Any]
    truth: pd.DataFrame


def make_result(duration_s: float = 1800.0, rate_hz: float = 10.0, seed: int = 7) -> MadeResult:
    """A drive with a stop and gravel, and estimates that converge as information grows."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(duration_s * rate_hz)) / rate_hz
    speed = np.clip(20.0 + 8.0 * np.sin(time / 90.0) + 2.0 * np.sin(time / 13.0), 0.0, None)
    speed[(time > 0.4 * duration_s) & (time < 0.42 * duration_s)] = 0.0
    grade = 3.0 * np.sin(time / 140.0) + 1.5 * np.sin(time / 37.0)
    force = 5200.0 * 9.80665 * (grade / 100.0 + 0.012) + 1.4 * speed**2
    ground = np.where(time < 0.7 * duration_s, "sealed", "gravel")
    spread = 1.0 / np.sqrt(1.0 + time / 15.0)
    wander = np.cumsum(rng.normal(size=len(time))) / np.sqrt(len(time))
    history = pd.DataFrame({"time_s": time})
    for name, unit, true, width in (
        ("mass", "_kg", 5200.0, 900.0),
        ("rolling_resistance", "", 0.012, 0.004),
        ("drag_area", "_m2", 2.6, 0.7),
    ):
        sd = width * spread
        mean = true + sd * (0.8 * np.cos(time / 200.0) * spread + 0.2 * wander)
        if name == "rolling_resistance":
            mean = mean + np.where(ground == "sealed", 0.0, 0.0118)
        history[name + unit] = mean
        history[f"{name}_sd{unit}"] = sd
        history[f"{name}_low95{unit}"] = mean - 1.96 * sd
        history[f"{name}_high95{unit}"] = mean + 1.96 * sd
    history["mass_sd_given_scale_kg"] = 0.6 * history["mass_sd_kg"]
    history["mass_given_scale_kg"] = history["mass_kg"]
    history["surface"] = ground
    for name in GROUNDS:
        history[f"p_{name}"] = np.where(ground == name, 0.96, 0.01)
    reasons = np.full(len(time), "", dtype=object)
    reasons[speed < 2.0] = "standstill or crawling"
    reasons[(time % 97.0) < 4.0] = "service brake"
    reasons[(time % 61.0) < 1.0] = "gear change"
    history["learning"] = (reasons == "").astype(float)
    history["set_aside_because"] = reasons
    prepared = pd.DataFrame(
        {
            "time_s": time,
            "speed_m_s": speed,
            "grade_percent": grade,
            "altitude_m": 40.0 + np.cumsum(speed * grade / 100.0) / rate_hz,
            "tractive_force_n": np.where(reasons == "", force, np.nan),
        }
    )
    truth = pd.DataFrame(
        {
            "time_s": time,
            "mass_kg": 5200.0 - 0.001 * time,
            "rolling_resistance": np.where(ground == "sealed", 0.012, 0.024),
            "drag_area_m2": 2.6,
        }
    )
    return MadeResult(prepared, history, _summary(history), truth)


def _quantity(mean: float, sd: float) -> dict[str, Any]:
    return {
        "mean": mean,
        "sd": sd,
        "sd_given_scale": 0.6 * sd,
        "interval95": [mean - 1.96 * sd, mean + 1.96 * sd],
    }


def _summary(history: pd.DataFrame) -> dict[str, Any]:
    last = history.iloc[-1]
    mass = _quantity(last["mass_kg"], last["mass_sd_kg"])
    rolling = _quantity(last["rolling_resistance"], last["rolling_resistance_sd"])
    change = history["time_s"].iloc[-1] * 0.7
    return {
        "mass_kg": mass,
        "trailer_mass_kg": _quantity(mass["mean"] - 2850.0, np.hypot(mass["sd"], 120.0)),
        "rolling_resistance": rolling,
        "drag_area_m2": _quantity(last["drag_area_m2"], last["drag_area_sd_m2"]),
        "trust": {"ok": True, "reasons": []},
        "surfaces": [
            {"surface": "sealed", "start_s": 0.0, "end_s": change, "rolling_resistance": rolling},
            {
                "surface": "gravel",
                "start_s": change,
                "end_s": history["time_s"].iloc[-1],
                "rolling_resistance": rolling,
            },
        ],
        "load_changes": [
            {
                "time_s": history["time_s"].iloc[-1] * 0.41,
                "before_kg": 4700.0,
                "after_kg": 5200.0,
                "probability": 0.98,
            }
        ],
        "log_quality": {"rate_hz": 10.0},
        "warnings": [],
        "smoothed": {"mass_kg": mass},
        "probability_over_gcm": 0.0,
        "probability_over_towing": 0.0,
        "limits_exceeded": [],
        "what_to_drive_next": (
            "a coast-down on level sealed road would tell most about the drag area: its interval "
            "would shrink from ±0.13 to about ±0.08 m²."
        ),
    }
