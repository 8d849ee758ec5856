"""A comparison of strategies as a page shows it: sheet and results in words, with units."""

from __future__ import annotations

from typing import Any

from loadlearn.report.contents import Section
from loadlearn.report.told import Table, Told, number, plain
from loadlearn.simulation.shown_quantities import SHOWN

VERDICTS = {
    "pass": "pass",
    "fail": "FAIL",
    "flag": "above stock",
    "not met": "not met",
}


_ALT = {
    "comparison_pareto.png": "Fuel against time on climbs for every strategy: all draws, and "
    "paired differences from the base calibration",
    "comparison_traces.png": "Speed, lead over base, extra torque and limited quantities over "
    "distance under every strategy, in the median and the worst draw",
}


def tell_comparison(told: Told, section: Section) -> None:
    """Fill in what the page prints of ``comparison.json``.

    Parameters
    ----------
    told : Told
        To be filled in.
    section : Section

    Raises
    ------
    KeyError, TypeError, ValueError
        The JSON is not what ``loadlearn compare`` writes.
    """
    values = section.values
    several = len(values["rigs"]) > 1
    failed = [row for row in values["sheet"] if row["verdict"] == "fail"]
    flagged = [row for row in values["sheet"] if row["verdict"] == "flag"]
    told.said.append((_verdict(failed, flagged, len(values["sheet"])), bool(failed)))
    weighed = values.get("weighed_mass_kg")
    heading = (
        f"{values['rig']} on {values['road']}: {number(values['combined_mass_kg'], 0)} kg in all, "
        f"{len(values['climbs'])} climb{'' if len(values['climbs']) == 1 else 's'}, "
        f"{values['draws']} draws of vehicle, weather, driver and sensor noise, the same for every "
        "strategy."
    )
    if weighed is not None:
        heading += (
            f" The estimator was told {number(weighed, 0)} ± "
            f"{number(values['weighed_mass_sd_kg'], 0)} kg."
        )
    told.said.append((heading, False))
    told.said += [(str(note), False) for note in values.get("notes", [])]
    strategies = dict.fromkeys(
        (_plain(row["strategy"], several), str(values["strategies"][row["strategy"]]["what"]))
        for row in values["sheet"]
    )
    rows = [([*one], False) for one in strategies]
    told.tables.append(Table(["strategy", "what it is"], [("", rows)], numbers=False))
    told.tables.append(
        Table(
            ["strategy", "mean", "less base", "less fixed share"],
            _results(values["results"], several),
            "Results. Differences are taken in the same draw: mean ± half of the 95 % interval "
            "(Student’s t over the draws).",
        )
    )
    told.tables.append(
        Table(
            [
                *("strategy", "in draw", "worst, held 2 s", "peak", "margin", "draws over"),
                *("s over, worst draw", "s over, all draws", "verdict"),
            ],
            _sheet(values["sheet"], several),
            "Every limit, every strategy, the worst of all draws",
            folded=not failed,
        )
    )
    told.pictures += [(uri, _ALT.get(name, plain(name))) for name, uri in section.pictures.items()]
    chosen = values["drawn_in_figure"]
    drawn = (str(chosen[which]["words"]).replace("\n", " ") for which in ("median", "worst"))
    made = _made(values.get("provenance", {}))
    told.notes.append(f"Limits: {values['criterion']}")
    told.notes.append(f"Curves: {'; '.join(drawn)}. Every draw is in traces.parquet.")
    told.notes.append(f"{values.get('caution', '')}{f' Made from {made}' if made else ''}")


def _verdict(failed: list[Any], flagged: list[Any], rows: int) -> str:
    if failed:
        worst = "; ".join(
            f"{plain(row['strategy'])}: {row['words']} in {row['draws_over']} of {row['draws']} "
            "draws"
            for row in failed
        )
        said = f"{len(failed)} of {rows} rows fail: {worst}."
    else:
        said = "Every limit was kept in every draw."
    if flagged:
        names = ", ".join(plain(row["strategy"]) for row in flagged)
        said += f" Torque in gear changes above the stock vehicle's: {names}."
    return said


Groups = list[tuple[str, list[tuple[list[str], bool]]]]


def _sheet(rows: list[dict[str, Any]], several: bool) -> Groups:
    groups: Groups = []
    last: Any = None
    for row in rows:
        key, digits = (row["rig"], row["quantity"]), row["decimals"]
        if key != last:
            sense = "at least" if row["at_least"] else "at most"
            rig = f"{row['rig']}: " if several else ""
            on = "judged on its sensor" if row["judged_on"] == "sensor" else "judged on the truth"
            limit = f"{number(row['limit'], digits)} {row['unit']}".rstrip()
            groups.append((f"{rig}{row['words']}, {sense} {limit}, {on}", []))
            last = key
        cells = [
            _plain(row["strategy"], several),
            "–" if row["worst_draw"] is None else str(row["worst_draw"]),
            *(number(row[name], digits) for name in ("worst", "peak", "margin")),
            f"{row['draws_over']} of {row['draws']}",
            *(number(row[name], 1) for name in ("seconds_over_worst", "seconds_over_total")),
            VERDICTS[row["verdict"]],
        ]
        groups[-1][1].append((cells, row["verdict"] in ("fail", "flag")))
    return groups


def _results(rows: list[dict[str, Any]], several: bool) -> Groups:
    shown = {one[0]: one[1:] for one in SHOWN}
    groups: Groups = []
    last: Any = None
    for row in rows:
        if row["mean"] is None:
            continue
        heading, factor, digits = shown[row["quantity"]]
        key = (row["rig"], row["quantity"]) if several else row["quantity"]
        if key != last:
            groups.append((heading, []))
            last = key
        cells = [
            plain(row["strategy"]),
            number(factor * row["mean"], digits),
            *(_with_half(row[f"less_{o}"], factor, digits) for o in ("base", "fixed_share")),
        ]
        groups[-1][1].append((cells, False))
    return groups


def _with_half(one: dict[str, Any] | None, factor: float, digits: int) -> str:
    if one is None or one["mean"] is None:
        return "–"
    low, high = one["interval95"]
    half = "–" if low is None or high is None else number(factor * (high - low) / 2.0, digits)
    return f"{number(factor * one['mean'], digits)} ± {half}"


def _plain(label: str, several: bool) -> str:
    return plain(label.split(": ", 1)[-1] if several else label)


def _made(provenance: dict[str, Any]) -> str:
    inputs = ", ".join(
        f"{role.replace('_', ' ')} {one['file']} (SHA-256 {one['sha256'][:12]}…)"
        for role, one in sorted(provenance.get("inputs", {}).items())
    )
    seed = provenance.get("seeds", {}).get("seed")
    version = provenance.get("versions", {}).get("loadlearn")
    parts = [inputs, f"first seed {seed}" if seed is not None else "", f"loadlearn {version}"]
    return ", ".join(part for part in parts if part) + "." if inputs else ""
