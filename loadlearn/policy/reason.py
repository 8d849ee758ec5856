"""Why the advice is what it is: one sentence for a person."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from loadlearn.policy.columns import LIMIT_NAMES
from loadlearn.policy.protections import PROTECTIONS, RATING_WARN

if TYPE_CHECKING:
    from loadlearn.vehicle.rig import Rig

_SENTENCES = {one.name: one.sentence for one in PROTECTIONS} | {
    "gear_change": "a gear change is under way",
    "cruise_control": "cruise control is driving",
    "load_unknown": "the load is not known well enough yet",
    "no_uprated_engine": "the rig has no uprated full load",
}
# What a person should hear first: faults and forbidden states before gentle limits.
_ORDER = (
    "no_uprated_engine",
    "exhaust_sensor",
    "coolant_sensor",
    "ratings",
    "driver_aid",
    "sway",
    "service_brake",
    "exhaust_brake",
    "reverse_gear",
    "neutral",
    "regeneration",
    "warm_up",
    "gear_change",
)
_RANK = {name: i for i, name in enumerate(_ORDER)}


def limits_of_bits(bits: float) -> tuple[str, ...]:
    """Names of the limits that act.

    Parameters
    ----------
    bits : float
        One bit each, as the law writes them.

    Returns
    -------
    tuple of str
        In the order of ``LIMIT_NAMES``.
    """
    number = int(bits)
    return tuple(name for i, name in enumerate(LIMIT_NAMES) if number >> i & 1)


def rig_warnings(rig: Rig) -> list[str]:
    """What in a rig file keeps every advice from it at nothing, or makes it doubtful.

    Returns
    -------
    list of str
        One sentence each.
    """
    found = []
    place = rig.limits.exhaust_gas_temp_sensor
    if rig.engine.uprated is None:
        found.append("the rig has no [engine.uprated]: there is no extra torque to advise on")
    if place == "none":
        found.append("the rig has no exhaust temperature sensor: extra torque is always 0")
    return found


def reason_sentence(
    mass_kg: float,
    mass_sd_kg: float,
    surface: str,
    grade_percent: float,
    retention: float,
    full_share_time_s: float,
    economy: float,
    extra_torque: float,
    wanted: float,
    known: bool,
    limits: tuple[str, ...],
    rating_probability: float,
    sensor_none: bool = False,
) -> str:
    """One sentence: the load, what is kept of the extra torque, and what holds it back.

    Parameters
    ----------
    mass_kg, mass_sd_kg : float
        Posterior of the combined mass (kg).
    surface : str
        Ground.
    grade_percent : float
        Present grade over 200 m.
    retention, full_share_time_s, economy, extra_torque, wanted : float
        The advice.
    known : bool
        Whether the load is known well enough.
    limits : tuple of str
        Limits that act.
    rating_probability : float
        Probability that a rating is exceeded; NaN = no rating.
    sensor_none : bool
        Whether the rig has no exhaust temperature sensor at all.
    """
    if not math.isfinite(mass_kg):
        load = "load unknown"
    else:
        load = f"{mass_kg / 1000:.1f} ± {max(mass_sd_kg / 1000, 0.05):.1f} t"
    place = f" on {surface.replace('_', ' ')}" if surface else ""
    if grade_percent >= 1.5:
        road = f", {grade_percent:.0f} % climb"
    elif grade_percent <= -1.5:
        road = f", {-grade_percent:.0f} % descent"
    else:
        road = ", level"
    if not known:
        middle = "waiting until the load is known to 10 %, no extra torque till then"
    else:
        middle = f"keeping {100 * retention:.0f} % of the extra torque"
        if retention >= 0.995:
            middle = "all of the extra torque may be kept"
        elif full_share_time_s >= 59.5:
            middle += "; heat allows all of it for a minute"
        elif full_share_time_s >= 1.0:
            middle += f"; heat allows all of it for {full_share_time_s:.0f} s"
        if economy >= 0.05:
            middle += f"; economy {100 * economy:.0f} %"
    # A ramp above what is wanted holds nothing back: only forbidding limits are told then.
    binding = extra_torque < wanted - 0.02
    shown = [name for name in limits if name != "load_unknown" and (binding or name in _RANK)]
    shown.sort(key=lambda name: (_RANK.get(name, len(_ORDER)), LIMIT_NAMES.index(name)))
    tail = ""
    if shown:
        first = shown[0]
        cause = _SENTENCES[first]
        if first == "exhaust_sensor" and sensor_none:
            cause = "there is no exhaust temperature sensor"
        verb = "held back" if extra_torque > 0.005 else "none now"
        tail = f"; {verb}: {cause}"
        if len(shown) > 1:
            tail += f" (also {', '.join(name.replace('_', ' ') for name in shown[1:])})"
    if not math.isnan(rating_probability) and rating_probability >= RATING_WARN:
        tail += f"; above a rating with probability {rating_probability:.2f}, weigh it"
    return f"{load}{place}{road}: {middle}{tail}"
