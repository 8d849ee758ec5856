"""The full-load curves of a comparison, as lines for a rig file."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np
from numpy.typing import NDArray

from loadlearn.dyno.dyno_comparison import DynoComparison


def rig_fragment(comparison: DynoComparison, step_rpm: float = 250.0) -> tuple[str, dict[str, Any]]:
    """Base and uprated full-load curves, ready to paste into a rig file.

    Parameters
    ----------
    comparison : DynoComparison
        Result of :func:`loadlearn.dyno.compare`.
    step_rpm : float
        Step between the points (1/min); the ends of the common range are always there.

    Returns
    -------
    text : str
        TOML with ``[engine]`` and ``[engine.uprated]``, what was assumed in its comments.
    notes : dict
        ``driveline_efficiency`` and its sd; ``raised_points_rpm``: engine speeds at which the
        second side lay below the first and was lifted, since an uprated curve may not lie below;
        ``measured_rpm``: first and last engine speed that every run holds, beyond which no point is
        given; ``warnings``: what to mind when it is pasted, one sentence each.
    """
    import tomlkit

    curves = comparison.curves
    rpm = curves["engine_speed_rpm"].to_numpy()
    points = np.arange(np.ceil(rpm[0] / step_rpm) * step_rpm, rpm[-1] + 1.0, step_rpm)
    points = np.unique(np.concatenate(([rpm[0]], points, [rpm[-1]])))
    base = np.round(np.interp(points, rpm, curves["engine_torque_before_n_m"]), 1)
    uprated = np.round(np.interp(points, rpm, curves["engine_torque_after_n_m"]), 1)
    lifted = points[uprated < base]
    uprated = np.maximum(uprated, base)

    used = comparison.settings
    efficiency, sd = used["driveline_efficiency"], used["driveline_efficiency_sd"]
    document = tomlkit.document()
    lines = [
        "Full-load brake torque from two sets of dyno runs, for the [engine] table of a rig file.",
        f"Torque was measured at the {used['torque_measured_at']}.",
        f"Driveline efficiency {efficiency:g} (sd {sd:g}) stands between wheels and crankshaft; an",
        "error of it shifts both curves alike.",
        f"Rolling loss of the tyres on the rollers taken as {used['tyre_loss_n']:g} N.",
        "What the accessories took during the test is not added back.",
        "Corrected to 99 kPa dry and 298 K."
        if comparison.correction["applied"]
        else "NOT corrected for the atmosphere: temperature or pressure was not logged.",
        "For test, within the maker's ratings; local rules and licensed practice decide.",
    ]
    warnings = [_beyond(points, base, used.get("rig_full_load_rpm") or [])]
    if lifted.size:
        at = ", ".join(f"{value:g}" for value in lifted)
        warnings.append(f"uprated lay below base and was lifted to it at {at} rpm")
    for line in [*lines, *(f"WARNING: {warning}." for warning in warnings)]:
        for part in textwrap.wrap(line, 96):
            document.add(tomlkit.comment(part))
    engine = tomlkit.table()
    engine["full_load_rpm"] = [float(v) for v in points]
    engine["full_load_torque_n_m"] = [float(v) for v in base]
    more = tomlkit.table()
    more["full_load_torque_n_m"] = [float(v) for v in uprated]
    engine["uprated"] = more
    document["engine"] = engine
    notes = {
        "driveline_efficiency": efficiency,
        "driveline_efficiency_sd": sd,
        "raised_points_rpm": [float(v) for v in lifted],
        "measured_rpm": [float(points[0]), float(points[-1])],
        "warnings": warnings,
    }
    return tomlkit.dumps(document), notes


def _beyond(points: NDArray[np.float64], base: NDArray[np.float64], rig_rpm: list[float]) -> str:
    """What a rig file makes of engine speeds that were not measured."""
    low, high = points[0], points[-1]
    sentence = (
        f"full_load.toml holds {low:g} to {high:g} rpm, as measured, and nothing beyond; a rig "
        f"file takes its end values ({base[0]:g} N·m below, {base[-1]:g} N·m above) for all other "
        "engine speeds, and the engine gives less there: measure them, or keep points of the "
        "maker's curve"
    )
    lost = [f"{value:g}" for value in rig_rpm if not low <= value <= high]
    if lost:
        sentence += f" (the rig's own has {', '.join(lost)} rpm, which pasting would lose)"
    return sentence
