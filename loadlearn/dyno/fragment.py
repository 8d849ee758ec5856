"""The full-load curves of a comparison, as lines for a rig file."""

from __future__ import annotations

from typing import Any

import numpy as np

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
        ``driveline_efficiency`` and its sd, ``raised_points``: engine speeds at which the second
        side lay below the first and was lifted to it, since an uprated curve may not lie below.
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
    if lifted.size:
        at = ", ".join(f"{value:g}" for value in lifted)
        lines.append(f"Uprated lay below base and was lifted to it at {at} rpm.")
    for line in lines:
        document.add(tomlkit.comment(line))
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
    }
    return tomlkit.dumps(document), notes
