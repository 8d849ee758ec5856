"""What was learnt, said in plain sentences."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from loadlearn.report.contents import Contents
from loadlearn.report.told import number, percent, plain, words_and_unit

CAUTIONS = (
    "This is an estimate, not a weighing. It says nothing of ball weight, axle loads, hitch or "
    "sway and never replaces a weighbridge.",
    "Recommendations are for test, within the maker's ratings; local rules and licensed practice "
    "decide.",
    "Nobody reads a screen while driving.",
)


def tonnes(kilograms: float) -> str:
    """A mass in tonnes, two decimals."""
    return f"{number(kilograms / 1e3, 2)} t"


def clock(seconds: float) -> str:
    """Minutes and seconds since the start of the clock."""
    return f"{int(seconds // 60)}:{int(seconds % 60):02d}"


def answer(summary: dict[str, Any], contents: Contents) -> tuple[str, list[dict[str, Any]]]:
    """What a reader wants before anything else.

    Parameters
    ----------
    summary : dict
        ``summary.json``.
    contents : Contents
        Of the folder, for the truth and the advice.

    Returns
    -------
    tuple
        A headline, and cards: ``label``, ``value`` and ``lines``.
    """
    mass = summary["mass_kg"]
    doubt = "" if summary["trust"]["ok"] else "Not to be relied on: "
    headline = f"{doubt}{tonnes(mass['mean'])} in all, {_between(mass)}"
    truth = contents.truth
    cards = []
    for label, key, factor, unit, digits in (
        ("Combined mass", "mass_kg", 1e-3, "t", 2),
        ("Hitched (combined less tow vehicle)", "trailer_mass_kg", 1e-3, "t", 2),
        (_rolling_words(summary), "rolling_resistance", 1.0, "", 4),
        ("Drag area", "drag_area_m2", 1.0, "m²", 2),
    ):
        value = summary[key]
        low, high, mean, sd, given = (
            number(factor * one, digits)
            for one in (
                *value["interval95"],
                *(value[name] for name in ("mean", "sd", "sd_given_scale")),
            )
        )
        lines = [f"95 %: {low} to {high} {unit}".rstrip(), f"sd {sd}; given the scale {given}"]
        if truth is not None and key in truth:
            true = truth[key].dropna()
            lines += [f"truth {number(factor * true.iloc[-1], digits)} {unit}"] if len(true) else []
        if key == "mass_kg" and contents.beside is not None and key in contents.beside:
            other = number(factor * contents.beside[key].iloc[-1], digits)
            lines.append(f"{baseline_words(contents)} {other} {unit}")
        cards.append({"label": label, "value": f"{mean} {unit}".rstrip(), "lines": lines})
    for section in contents.sections:
        end = section.values.get("at_end")
        if section.name == "advice" and end:
            lines = [
                f"all of it for {number(end['full_share_time_s'], 0)} s before",
                f"economy {percent(end['economy'])}",
            ]
            kept = f"keep {percent(end['power_retention'])}"
            cards.append({"label": "Extra torque called for", "value": kept, "lines": lines})
    return headline, cards


def baseline_words(contents: Contents) -> str:
    """Name of the baseline that ``estimate --beside`` was asked for."""
    options = contents.provenance.get("options")
    name = options.get("beside") if isinstance(options, dict) else None
    return plain(name or "baseline").replace("ekf", "extended Kalman filter")


def _rolling_words(summary: dict[str, Any]) -> str:
    surfaces = summary.get("surfaces") or [{}]
    ground = surfaces[-1].get("surface")
    return f"Rolling resistance{f' on {plain(ground)}' if ground else ''}, at 20 m/s"


def _between(value: dict[str, Any]) -> str:
    low, high = value["interval95"]
    return f"with 95 % probability between {tonnes(low)} and {tonnes(high)}"


def plain_summary(summary: dict[str, Any], history: pd.DataFrame) -> list[str]:
    """The findings of a drive, a sentence or two each.

    Parameters
    ----------
    summary : dict
        ``summary.json``.
    history : DataFrame
        Estimates over time.

    Returns
    -------
    list of str
        Most important first.
    """
    mass, trailer = summary["mass_kg"], summary["trailer_mass_kg"]
    minutes = (history["time_s"].iloc[-1] - history["time_s"].iloc[0]) / 60.0
    said = []
    if not summary["trust"]["ok"]:
        reasons = "; ".join(str(reason) for reason in summary["trust"]["reasons"])
        said.append(f"Do not rely on this result: {reasons}.")
    said.append(
        f"At the end of this drive of {minutes:.0f} minutes the whole combination weighs about "
        f"{tonnes(mass['mean'])}, {_between(mass)}."
    )
    low, high = trailer["interval95"]
    if low <= 0.0 <= high:
        said.append(
            "What is hitched cannot be told from nothing: the difference to the tow vehicle is "
            f"{trailer['mean']:,.0f} kg, {_between(trailer)}."
        )
    else:
        said.append(f"Of that about {tonnes(trailer['mean'])} is hitched, {_between(trailer)}.")
    known = _known_after(history, 0.05)
    if known is not None:
        said.append(
            f"The mass was known to within ± 5 % (95 % probability) from {known / 60.0:.1f} "
            "minutes on."
        )
    rolling, drag = summary["rolling_resistance"], summary["drag_area_m2"]
    said.append(
        f"On the last ground the rolling resistance is {rolling['mean']:.4f} ± {rolling['sd']:.4f} "
        f"and the drag area {drag['mean']:.2f} ± {drag['sd']:.2f} m² (one sd)."
    )
    for change in summary.get("load_changes", []):
        said.append(
            f"At {change['time_s'] / 60.0:.1f} minutes the load changed from "
            f"{tonnes(change['before_kg'])} to {tonnes(change['after_kg'])} "
            f"(probability {change['probability']:.2f})."
        )
    for name, key in (
        ("combination", "probability_over_gcm"),
        ("towing", "probability_over_towing"),
    ):
        chance = summary.get(key)
        if chance is not None and chance >= 0.05:
            said.append(f"The {name} rating is exceeded with probability {chance:.2f}.")
    said += limit_sentences(summary.get("limits_exceeded", []))
    said += [f"Note: {warning}" for warning in summary.get("warnings", [])]
    if summary.get("what_to_drive_next"):
        said.append(f"To learn more: {summary['what_to_drive_next']}")
    return said


def limit_sentences(exceeded: list[dict[str, Any]]) -> list[str]:
    """Limits that the drive passed, a sentence each.

    Parameters
    ----------
    exceeded : list of dict
        ``channel``, ``limit``, ``start_s``, ``end_s`` and ``peak``.
    """
    said = []
    for one in exceeded:
        words, unit = words_and_unit(str(one["channel"]))
        said.append(
            f"{words} was above its limit of {one['limit']:g} {unit} from {one['start_s']:.0f} s "
            f"to {one['end_s']:.0f} s and reached {one['peak']:.0f} {unit}."
        )
    return said


def _known_after(history: pd.DataFrame, share: float) -> float | None:
    """Time from which half of the mass's 95 % interval stays below a share of it; None if never."""
    if "mass_low95_kg" not in history:
        return None
    half = 0.5 * (history["mass_high95_kg"] - history["mass_low95_kg"])
    # What is not known yet, NaN, is not known to within anything.
    wide = ~(half < share * history["mass_kg"]).to_numpy()
    if wide[-1]:
        return None
    first = int(np.flatnonzero(wide)[-1]) + 1 if wide.any() else 0
    return float(history["time_s"].iloc[first] - history["time_s"].iloc[0])
