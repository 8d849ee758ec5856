"""Whether a strategy may be driven: bounds, blank cells, order, protections, and its rig.

Order is that of physics: at a given speed the force rises with rolling resistance and with grade,
and with mass wherever the two together resist (down a steeper hill than that, a heavier load asks
for less), so that more demand may not be answered by less retention or by more restraint, and the
heat of the cruise before leaves no more full-share time.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from pydantic import ValidationError

from loadlearn.errors import InputError
from loadlearn.policy.strategy import AXES, LARGEST, SETTINGS, FloatArray, Strategy
from loadlearn.policy.strategy_limits import (
    above_ratings,
    is_weaker,
    rig_limits,
    rig_mismatch,
    stricter_limits,
)
from loadlearn.policy.strategy_words import amount, cell, place, spoken
from loadlearn.vehicle.rig import Limits, Rig

PASS, FAIL, NOTE = "pass", "fail", "note"

RISES = {"power_retention": 1.0, "full_share_time_s": -1.0, "economy": -1.0}
"""Which way a setting may go along the axes of :data:`DEMANDING`: 1 not down, -1 not up."""
DEMANDING = ("mass_kg", "rolling_resistance", "grade_percent")
"""Axes along which the force asked for rises."""
NOISE = 1e-9
"""Steps the wrong way up to this are rounding."""

PLAUSIBLE = {
    "exhaust_gas_temp_degc": (500.0, 1050.0),
    "exhaust_gas_temp_after_turbine_degc": (350.0, 850.0),
    "coolant_start_degc": (20.0, 95.0),
    "coolant_full_degc": (40.0, 100.0),
    "coolant_reduce_degc": (85.0, 120.0),
    "coolant_zero_degc": (90.0, 130.0),
    "transmission_oil_reduce_degc": (80.0, 150.0),
    "transmission_oil_zero_degc": (90.0, 165.0),
    "engine_oil_reduce_degc": (90.0, 150.0),
    "engine_oil_zero_degc": (100.0, 165.0),
    "intake_reduce_degc": (30.0, 110.0),
    "intake_zero_degc": (40.0, 130.0),
    "air_fuel_lambda_min": (0.8, 2.0),
    "boost_over_target_kpa": (2.0, 60.0),
    "rail_pressure_shortfall_share": (0.01, 0.4),
    "turbo_pressure_ratio_max": (1.2, 5.0),
}
"""Protections outside of these are slips of the hand (common practice, no source)."""


class Finding(NamedTuple):
    """One row of the check."""

    what: str
    where: str
    verdict: str
    """``pass``, ``fail`` or ``note``."""
    detail: str


def check_strategy(strategy: Strategy, rig: Rig | None = None) -> list[Finding]:
    """Check a strategy, against a rig if one is given.

    Parameters
    ----------
    strategy : Strategy
    rig : Rig, optional
        Default: the rig it says it is for, if it says so.

    Returns
    -------
    list of Finding
        Everything that was looked at, in the order axes, bounds, blank cells, order, share limits,
        protections, rig.
    """
    its_own, about_rig = _own_rig(strategy)
    judged_by = rig or its_own
    findings = axis_findings(strategy)
    sound = all(one.verdict == PASS for one in findings)
    findings += bound_findings(strategy)
    findings += _blank_findings(strategy, judged_by)
    if sound:
        findings += _order_findings(strategy)
    findings += share_limit_findings(strategy)
    findings += _protection_findings(strategy, judged_by, "the rig" if rig else "its rig")
    findings += about_rig
    if rig is not None:
        findings += _rig_findings(strategy, rig)
    if judged_by is not None and sound:
        findings += _reach_findings(strategy, judged_by)
    return findings


def require_usable(strategy: Strategy, source: str) -> None:
    """Refuse a strategy that cannot be interpolated or asks for what no setting may be.

    Parameters
    ----------
    strategy : Strategy
    source : str
        Named in the message.

    Raises
    ------
    InputError
        For the first fault of axes, bounds or share limits.
    """
    found = axis_findings(strategy) + bound_findings(strategy) + share_limit_findings(strategy)
    for one in found:
        if one.verdict == FAIL:
            raise InputError(f"{source}: {one.where}: {one.detail}; mend it (loadlearn check)")


def _own_rig(strategy: Strategy) -> tuple[Rig | None, list[Finding]]:
    if not strategy.rig:
        return None, [Finding("rig", "in the file", NOTE, "none: for any rig")]
    try:
        return Rig.from_dict(dict(strategy.rig), source="[rig]"), []
    except InputError as error:
        return None, [Finding("rig", "in the file", FAIL, str(error))]


def axis_findings(strategy: Strategy) -> list[Finding]:
    """Whether every axis is finite, rising and, but for the grade, positive.

    Parameters
    ----------
    strategy : Strategy
    """
    found = []
    for name in AXES:
        axis = strategy.axes[name]
        fault = _axis_fault(name, axis, positive=name != "grade_percent")
        if axis.size == 1 and not fault:
            continue
        told = f"{axis.size} points from {amount(name, axis[0])} to {amount(name, axis[-1])}"
        found.append(Finding("axis", spoken(name), FAIL if fault else PASS, fault or told))
    return found


def _axis_fault(name: str, axis: FloatArray, *, positive: bool) -> str:
    if axis.ndim != 1 or axis.size == 0:
        return "has no points"
    bad = np.flatnonzero(~np.isfinite(axis))
    if bad.size:
        return f"point {bad[0] + 1} is {axis[bad[0]]}; points are finite numbers"
    bad = np.flatnonzero(np.diff(axis) <= 0.0)
    if bad.size:
        before, after = (amount(name, value) for value in axis[bad[0] : bad[0] + 2])
        return f"does not rise from point {bad[0] + 1} ({before}) to the next ({after})"
    if positive and axis[0] <= 0.0:
        return f"begins at {amount(name, axis[0])}; points are above 0"
    return ""


def bound_findings(strategy: Strategy) -> list[Finding]:
    """Whether every setting lies within its bounds wherever it is not blank.

    Parameters
    ----------
    strategy : Strategy
    """
    found = []
    for name, largest in LARGEST.items():
        table = strategy.settings[name]
        if table.shape != strategy.shape:
            detail = f"has the shape {table.shape}, the axes {strategy.shape}"
            found.append(Finding("bounds", spoken(name), FAIL, detail))
            continue
        given = table[~np.isnan(table)]
        out = np.argwhere((table < 0.0) | (table > largest))
        if out.size:
            first = tuple(int(i) for i in out[0])
            detail = (
                f"{_cells(len(out))} outside 0 to {amount(name, largest)}, first "
                f"{amount(name, table[first])} at {cell(strategy, first)}"
            )
        elif given.size:
            detail = f"{amount(name, given.min())} to {amount(name, given.max())}"
        else:
            detail = "every cell is blank"
        verdict = FAIL if out.size or not given.size else PASS
        found.append(Finding("bounds", spoken(name), verdict, detail))
    return found


def _cells(count: int) -> str:
    return "1 cell" if count == 1 else f"{count} cells"


def _blank_findings(strategy: Strategy, rig: Rig | None) -> list[Finding]:
    """Blank above the ratings, and there only; all three settings alike."""
    tables = [table for table in strategy.settings.values() if table.shape == strategy.shape]
    if len(tables) < len(SETTINGS):
        return []
    blank = np.stack([np.isnan(table) for table in tables])
    some = blank.any(axis=0)
    told = rig is not None and not (
        rig.vehicle.rated_gcm_kg is None and rig.vehicle.rated_towing_kg is None
    )
    found = []

    def add(where: str, cells: Any, passed: str) -> None:
        at = np.argwhere(cells)
        first = tuple(int(i) for i in at[0]) if at.size else ()
        detail = f"{_cells(len(at))}, first at {cell(strategy, first)}" if at.size else passed
        found.append(Finding("blank cells", where, FAIL if at.size else PASS, detail))

    if some.any():
        partly = some & ~blank.all(axis=0)
        add("in some settings only", partly, "none: all three are blank together")
    if strategy.axes["mass_kg"].size == 1:
        if some.any():
            add("below the ratings", some, "")
        return found
    if not told:
        detail = f"{_cells(int(some.sum()))} blank; no rig tells the ratings"
        return [*found, Finding("blank cells", "above the ratings", NOTE, detail)]
    assert rig is not None
    above = above_ratings(rig, strategy.axes["mass_kg"]).reshape(-1, 1, 1, 1)
    add("filled above the ratings", ~some & above, f"none of {int((above & some).sum())}")
    add("below the ratings", some & ~above, "none")
    return found


def _order_findings(strategy: Strategy) -> list[Finding]:
    found = []
    for name, way in RISES.items():
        table = strategy.settings[name]
        for along, axis in enumerate(AXES):
            points = strategy.axes[axis]
            if axis not in DEMANDING or points.size == 1 or table.shape != strategy.shape:
                continue
            wrong = np.argwhere(
                (way * np.diff(table, axis=along) < -NOISE) & _rises(strategy, along)
            )
            where = f"{spoken(name)} over {spoken(axis)}"
            rule = "falls" if way > 0.0 else "rises"
            if not wrong.size:
                found.append(Finding("order", where, PASS, f"nowhere {rule}"))
                continue
            at = tuple(int(i) for i in wrong[0])
            then = tuple(i + (k == along) for k, i in enumerate(at))
            rest = {
                other: float(strategy.axes[other][i])
                for other, i in zip(AXES, at, strict=True)
                if other != axis and strategy.axes[other].size > 1
            }
            detail = (
                f"{rule} in {len(wrong)} {'place' if len(wrong) == 1 else 'places'}, first from "
                f"{amount(name, table[at])} to {amount(name, table[then])} between "
                f"{amount(axis, points[at[along]])} and {amount(axis, points[then[along]])}"
                + (f" at {place(rest)}" if rest else "")
            )
            found.append(Finding("order", where, FAIL, detail))
    return found


def _rises(strategy: Strategy, along: int) -> Any:
    """Where the force rises along an axis: with mass only where the road as a whole resists."""
    if list(AXES)[along] != "mass_kg":
        return np.ones(1, dtype=bool)
    slope = strategy.axes["grade_percent"].reshape(1, 1, -1, 1) / 100.0
    return strategy.axes["rolling_resistance"].reshape(1, -1, 1, 1) + slope >= 0.0


def share_limit_findings(strategy: Strategy) -> list[Finding]:
    """Whether the curves of the largest share rise along their axis and lie within 0 to 1.

    Parameters
    ----------
    strategy : Strategy
    """
    found = []
    for name, (points, share) in strategy.share_limits.items():
        where = f"share over {spoken(name)}"
        fault = _axis_fault(name, points, positive=True)
        out = np.flatnonzero(~((share >= 0.0) & (share <= 1.0)))
        if fault:
            pass
        elif share.shape != points.shape:
            fault = f"{points.size} points and {share.size} shares"
        elif out.size:
            at = amount(name, points[out[0]])
            fault = f"{_values(out.size)} outside 0 to 1, first {share[out[0]]:g} at {at}"
        elif name == "gear" and np.any(points != np.round(points)):
            fault = "gears are whole numbers"
        told = "" if fault else f"{share.min():g} to {share.max():g} at {points.size} points"
        found.append(Finding("share limit", where, FAIL if fault else PASS, fault or told))
    return found


def _values(count: int) -> str:
    return "1 value" if count == 1 else f"{count} values"


def _protection_findings(strategy: Strategy, rig: Rig | None, whose: str) -> list[Finding]:
    """Each against what it must not weaken and what can be; then whether they go together."""
    if rig is None:
        whose, usual = "a silent rig", Limits().model_dump()
    else:
        try:
            usual = rig_limits(rig)
        except InputError:  # no full-load curve to tell an axle torque from
            usual = rig.limits.model_dump()
    found = []
    for key in usual:
        stated = key in strategy.protections
        value = strategy.protections[key] if stated else usual[key]
        faults = []
        if stated and usual[key] is not None and is_weaker(key, value, usual[key]):
            faults.append(f"weaker than {_with_unit(key, usual[key])} of {whose}, which holds")
        low, high = PLAUSIBLE.get(key, (-math.inf, math.inf))
        if key in PLAUSIBLE and not low <= value <= high:
            faults.append(f"not plausible: {low:g} to {_with_unit(key, high)} is")
        if faults:
            name = key if stated else f"{key} of {whose}"
            detail = f"{_with_unit(key, value)}: {'; '.join(faults)}"
            found.append(Finding("protection", name, FAIL, detail))
        elif stated:
            against = "none" if usual[key] is None else _with_unit(key, usual[key])
            detail = f"{_with_unit(key, value)}; {against} is {whose}'s"
            found.append(Finding("protection", key, PASS, detail))
    if not strategy.protections:
        told = whose if rig is not None else "the rig that is driven"
        found.append(Finding("protection", "all", PASS, f"none stated: those of {told} hold"))
    fault = _do_not_go_together(strategy, rig)
    if fault:
        found.append(Finding("protection", "together", FAIL, fault))
    return found


def _do_not_go_together(strategy: Strategy, rig: Rig | None) -> str:
    if not strategy.protections:
        return ""
    try:
        if rig is not None:
            stricter_limits(rig, strategy)
        else:
            Limits.model_validate({**Limits().model_dump(), **strategy.protections})
    except InputError as error:
        return str(error)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        return f"{where} {first['msg'].removeprefix('Value error, ')}".strip()
    return ""


def _with_unit(key: str, value: Any) -> str:
    endings = {"_degc": " °C", "_kpa": " kPa", "_n_m": " N m"}
    unit = next((unit for ending, unit in endings.items() if key.endswith(ending)), "")
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:.9g}{unit}" if isinstance(value, int | float) else str(value).replace("_", " ")


def _rig_findings(strategy: Strategy, rig: Rig) -> list[Finding]:
    if not strategy.rig:
        return []
    found = [
        Finding(
            "rig", key, FAIL, f"made for {_short(mine, other)}, the rig has {_short(other, mine)}"
        )
        for key, mine, other in rig_mismatch(strategy.rig, rig)
    ]
    agrees = f"vehicle, engine and driveline agree with {rig.name}"
    return found or [Finding("rig", "key by key", PASS, agrees)]


def _short(value: Any, other: Any) -> str:
    """A value; of two lists only where they first differ."""
    if value is None:
        return "none"
    if not isinstance(value, list):
        return f"{value!r}"
    if not isinstance(other, list) or len(other) != len(value):
        return f"{len(value)} values"
    at = next(i for i, (a, b) in enumerate(zip(value, other, strict=True)) if a != b)
    return f"{value[at]!r} as value {at + 1}"


def _reach_findings(strategy: Strategy, rig: Rig) -> list[Finding]:
    """Masses that the rig may have and the axis does not reach: there the edge holds."""
    axis = strategy.axes["mass_kg"]
    if axis.size == 1:
        return []
    found = []
    for what, mass in (("lightest", rig.vehicle.mass_kg), ("rated", rig.vehicle.rated_gcm_kg)):
        if mass is not None and not axis[0] <= mass <= axis[-1]:
            detail = (
                f"{amount('mass_kg', mass)} lies beyond the axis, where its end holds: "
                f"{amount('mass_kg', axis[0])} to {amount('mass_kg', axis[-1])}"
            )
            found.append(Finding("reach", f"{what} combined mass", NOTE, detail))
    return found
