"""A comparison of strategies as a page shows it: sheet and results in words, with units."""

from __future__ import annotations

import math
from typing import Any

from loadlearn.simulation.shown_quantities import SHOWN

VERDICTS = {
    "pass": "pass",
    "fail": "FAIL",
    "flag": "above stock",
    "not met": "not met",
}


def comparison_section(values: dict[str, Any]) -> dict[str, Any] | None:
    """What the page's template prints of ``comparison.json``.

    Parameters
    ----------
    values : dict
        The JSON.

    Returns
    -------
    dict or None
        ``heading``, ``verdict``, ``notes``, ``strategies`` (name, what), ``sheet`` (groups of
        ``heading`` and ``rows``), ``results`` (the same), ``criterion``, ``figure`` (what its
        curves show), ``made``. None where the JSON holds no sheet.
    """
    if not values.get("sheet"):
        return None
    several = len(values["rigs"]) > 1
    failed = [row for row in values["sheet"] if row["verdict"] == "fail"]
    flagged = [row for row in values["sheet"] if row["verdict"] == "flag"]
    weighed = values.get("weighed_mass_kg")
    heading = (
        f"{values['rig']} on {values['road']}: {_number(values['combined_mass_kg'], 0)} kg in all, "
        f"{len(values['climbs'])} climb{'' if len(values['climbs']) == 1 else 's'}, "
        f"{values['draws']} draws of vehicle, weather, driver and sensor noise, the same for every "
        "strategy."
    )
    if weighed is not None:
        heading += (
            f" The estimator was told {_number(weighed, 0)} ± "
            f"{_number(values['weighed_mass_sd_kg'], 0)} kg."
        )
    chosen = values["drawn_in_figure"]
    return {
        "heading": heading,
        "verdict": _verdict(failed, flagged, len(values["sheet"])),
        "failed": bool(failed),
        "notes": values.get("notes", []),
        "strategies": [
            {"name": name, "what": what}
            for name, what in dict.fromkeys(
                (_plain(row["strategy"], several), values["strategies"][row["strategy"]]["what"])
                for row in values["sheet"]
            )
        ],
        "sheet": _sheet(values["sheet"], several),
        "results": _results(values["results"], several),
        "criterion": values["criterion"],
        "alt": {
            "comparison_pareto.png": "Fuel against time on climbs for every strategy: all draws, "
            "and paired differences from the base calibration",
            "comparison_traces.png": "Speed, lead over base, extra torque and limited quantities "
            "over distance under every strategy, in the median and the worst draw",
        },
        "figure": "Curves: "
        + "; ".join(str(chosen[which]["words"]).replace("\n", " ") for which in ("median", "worst"))
        + ". Every draw is in traces.parquet.",
        "made": _made(values.get("provenance", {})),
        "caution": values.get("caution", ""),
    }


def _verdict(failed: list[Any], flagged: list[Any], rows: int) -> str:
    if failed:
        worst = "; ".join(
            f"{_words(row['strategy'])}: {row['words']} in {row['draws_over']} of {row['draws']} "
            "draws"
            for row in failed
        )
        said = f"{len(failed)} of {rows} rows fail: {worst}."
    else:
        said = "Every limit was kept in every draw."
    if flagged:
        names = ", ".join(_words(row["strategy"]) for row in flagged)
        said += f" Torque in gear changes above the stock vehicle's: {names}."
    return said


def _sheet(rows: list[dict[str, Any]], several: bool) -> list[dict[str, Any]]:
    groups: list[dict[str, Any]] = []
    last: Any = None
    for row in rows:
        key, digits = (row["rig"], row["quantity"]), row["decimals"]
        if key != last:
            sense = "at least" if row["at_least"] else "at most"
            rig = f"{row['rig']}: " if several else ""
            on = "judged on its sensor" if row["judged_on"] == "sensor" else "judged on the truth"
            limit = f"{_number(row['limit'], digits)} {row['unit']}".rstrip()
            groups.append({"heading": f"{rig}{row['words']}, {sense} {limit}, {on}", "rows": []})
            last = key
        groups[-1]["rows"].append(
            {
                "strategy": _plain(row["strategy"], several),
                "draw": "–" if row["worst_draw"] is None else str(row["worst_draw"]),
                "cells": [_number(row[name], digits) for name in ("worst", "peak", "margin")],
                "over": f"{row['draws_over']} of {row['draws']}",
                "seconds": [
                    _number(row[name], 1) for name in ("seconds_over_worst", "seconds_over_total")
                ],
                "verdict": VERDICTS[row["verdict"]],
                "alarm": row["verdict"] in ("fail", "flag"),
            }
        )
    return groups


def _results(rows: list[dict[str, Any]], several: bool) -> list[dict[str, Any]]:
    shown = {one[0]: one[1:] for one in SHOWN}
    groups: list[dict[str, Any]] = []
    last: Any = None
    for row in rows:
        if row["mean"] is None:
            continue
        heading, factor, digits = shown[row["quantity"]]
        key = (row["rig"], row["quantity"]) if several else row["quantity"]
        if key != last:
            groups.append({"heading": heading, "rows": []})
            last = key
        groups[-1]["rows"].append(
            {
                "strategy": _words(row["strategy"]),
                "cells": [
                    _number(factor * row["mean"], digits),
                    *(
                        _with_half(row[f"less_{o}"], factor, digits)
                        for o in ("base", "fixed_share")
                    ),
                ],
            }
        )
    return groups


def _with_half(one: dict[str, Any] | None, factor: float, digits: int) -> str:
    if one is None or one["mean"] is None:
        return "–"
    low, high = one["interval95"]
    half = "–" if low is None or high is None else _number(factor * (high - low) / 2.0, digits)
    return f"{_number(factor * one['mean'], digits)} ± {half}"


def _number(value: float | None, digits: int) -> str:
    if value is None or not math.isfinite(value):
        return "–"
    # A difference that rounds to nothing has no sign.
    return f"{round(value, digits) + 0.0:,.{digits}f}".replace("-", "−")


def _words(label: str) -> str:
    return label.replace("_", " ")


def _plain(label: str, several: bool) -> str:
    return _words(label.split(": ", 1)[-1] if several else label)


def _made(provenance: dict[str, Any]) -> str:
    inputs = ", ".join(
        f"{role.replace('_', ' ')} {one['file']} (SHA-256 {one['sha256'][:12]}…)"
        for role, one in sorted(provenance.get("inputs", {}).items())
    )
    seed = provenance.get("seeds", {}).get("seed")
    version = provenance.get("versions", {}).get("loadlearn")
    parts = [inputs, f"first seed {seed}" if seed is not None else "", f"loadlearn {version}"]
    return ", ".join(part for part in parts if part) + "." if inputs else ""
