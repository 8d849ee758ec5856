"""Advice, strategy, dyno, condition and validation in words, with units."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from loadlearn.report.comparison_section import tell_comparison
from loadlearn.report.contents import Section
from loadlearn.report.report_words import limit_sentences
from loadlearn.report.told import Table, Told, number, percent, plain, words_and_unit

MOST_ROWS = 60
"""Rows of a table printed in the page; the CSV beside it has all."""


def tell(section: Section) -> Told:
    """A section as the page prints it.

    Parameters
    ----------
    section : Section

    Raises
    ------
    KeyError, TypeError, ValueError
        Its JSON is not what the command writes.
    """
    told = Told(section.name, section.title)
    _TELLERS[section.name](told, section)
    return told


def _tell_advice(told: Told, section: Section) -> None:
    values = section.values
    end = values["at_end"]
    told.said.append((f"At the end of the drive: {end['reason']}.", False))
    told.said.append(
        (
            f"Extra torque was wanted for {number(values['seconds_wanted'], 0)} s and allowed for "
            f"{number(values['seconds_with_extra_torque'], 0)} s; the settings changed "
            f"{values['setting_changes']} times.",
            False,
        )
    )
    told.said += [(f"{one}.", True) for one in values.get("warnings", [])]
    told.said += [(one, True) for one in limit_sentences(values.get("limits_exceeded", []))]
    told.said += [
        (f"The load is not to be relied on: {reason}.", True)
        for reason in values.get("trust", {}).get("reasons", [])
    ]
    rows = [
        (
            "power retention: extra torque kept under lasting demand",
            percent(end["power_retention"]),
        ),
        (
            "full-share time: how long all of it may be used before",
            f"{number(end['full_share_time_s'], 0)} s",
        ),
        ("economy: how far demand is held back", percent(end["economy"])),
        ("extra torque allowed at that instant", percent(end["extra_torque"])),
        ("share that the heat can bear for good", percent(end["sustainable_share"])),
    ]
    told.tables.append(_pairs("setting at the end of the drive", "", rows))
    held = sorted(values["seconds_limited"].items(), key=lambda item: -item[1])
    if held:
        rows = [(plain(name), number(seconds, 0)) for name, seconds in held]
        told.tables.append(_pairs("protection", "acted for (s)", rows))
    told.notes.append(str(values["caution"]))


def _pairs(first: str, second: str, rows: list[tuple[str, str]]) -> Table:
    return Table([first, second], [("", [([*row], False) for row in rows])])


def _tell_schedule(told: Told, section: Section) -> None:
    values = section.values
    spans = []
    for axis, points in values["axes"].items():
        words, unit = words_and_unit(axis)
        digits = 3 if axis == "rolling_resistance" else 1 if axis == "grade_percent" else 0
        ends = f"{number(points[0], digits)} to {number(points[-1], digits)} {unit}"
        spans.append(f"{words} {ends}".strip())
    told.said.append(
        (
            f"The strategy {values['name']}: power retention, full-share time and economy over "
            f"{'; '.join(spans)}.",
            False,
        )
    )
    made = values.get("made", {})
    if "ambient_degc" in made and "altitude_m" in made:
        told.said.append(
            (
                f"Made for air of {number(made['ambient_degc'], 0)} °C at "
                f"{number(made['altitude_m'], 0)} m.",
                False,
            )
        )
    rows = []
    for key, value in values["protections"].items():
        words, unit = words_and_unit(key)
        if isinstance(value, bool):
            rows.append((words, "yes" if value else "no"))
        elif isinstance(value, str):
            rows.append((words, plain(value)))
        else:
            rows.append((words, f"{value:g} {unit}".strip()))
    table = _pairs("limit or protection", "value", rows)
    table.folded, table.caption = True, "Limits that the protections keep"
    told.tables.append(table)
    told.pictures += [
        (uri, "The strategy's settings over combined mass and grade, as a heat map")
        for uri in section.pictures.values()
    ]
    told.notes += [str(values["caution"]), "All of the grid: schedule.csv beside this page."]


def _tell_dyno(told: Told, section: Section) -> None:
    values = section.values
    mean = values["gain"]["mean_over_engine_speed"]
    low, high = mean["interval95"]
    told.said.append(
        (
            f"Mean gain over engine speed: {number(mean['gain_percent'])} % "
            f"(95 % interval {number(low)} to {number(high)}).",
            False,
        )
    )
    rows = []
    for quantity, key, unit in (("torque", "value_n_m", "N m"), ("power", "value_kw", "kW")):
        entry = values["peaks"][quantity]
        gain = entry["gain_percent"]
        low, high = gain["interval95"]
        cells = [
            f"{number(entry[side][key])} {unit} at {number(entry[side]['engine_speed_rpm'], 0)} rpm"
            for side in ("before", "after")
        ]
        cells.append(f"{number(gain['mean'])} % ({number(low)} to {number(high)})")
        rows.append(([f"peak {quantity}", *cells], False))
    place = plain(values["settings"]["torque_measured_at"])
    told.tables.append(
        Table([f"at the {place}", "before", "after", "gain (95 % interval)"], [("", rows)])
    )
    told.said += [(str(one), False) for one in values["correction"]["basis"]]
    variants = [
        (str(one["variant"]), f"{number(one['peak_power_gain_percent'])} %")
        for one in values["correction"]["variants"]
    ]
    if variants:
        told.tables.append(_pairs("with another correction", "gain of peak power", variants))
    for finding in values["findings"]:
        if finding["status"] == "alike":
            continue
        size = finding["faked_gain_percent"]
        more = "" if size is None else f" (fakes about {number(size, 1, '+')} %)"
        said = f"{plain(finding['subject'])}, {finding['status']}: {finding['sentence']}{more}"
        told.said.append((said, finding["status"] == "differs"))
    told.said += [(str(one), True) for one in values["warnings"]]
    told.pictures += [
        (uri, "Torque and power over engine speed, before and after")
        for uri in section.pictures.values()
    ]
    told.notes.append(str(values["caution"]))


def _tell_condition(told: Told, section: Section) -> None:
    values = section.values
    judged = [row for row in values["checks"] if row["chance"] is not None]
    told.said += [(f"{one['sentence']}.", True) for one in values["findings"]]
    if not judged:
        told.said.append(("No check could be judged; nothing is said of this engine.", False))
    elif not values["findings"]:
        told.said.append(
            (
                f"No finding: none of the {len(judged)} checks judged deviates further than a "
                f"healthy vehicle may; {len(values['checks']) - len(judged)} could not be judged.",
                False,
            )
        )
    if values.get("outside95"):
        told.said.append(
            (
                "Outside what 95 % of healthy drives show, though no finding: "
                f"{', '.join(plain(one) for one in values['outside95'])}. By chance so much is "
                f"outside in {percent(values['outside95_chance'], 1)} of healthy drives.",
                False,
            )
        )
    told.said += [(str(one), False) for one in values["together"]]
    rows = []
    for row in judged:
        unit = "" if row["unit"] == "coefficient" else f" {row['unit']}"
        digits = 1 if unit else 4
        low, high = (number(end, digits, "+") for end in row["healthy_interval95"])
        against = row["expected_from"]
        if against == "baseline":
            against = f"{row['baseline_drives']} baseline drives"
        cells = [
            str(row["what"]),
            f"{number(row['deviation'], digits, '+')}{unit}",
            f"{low} to {high}{unit}",
            str(against),
        ]
        rows.append((cells, False))
    if rows:
        columns = ["check", "deviation", "95 % of healthy drives", "judged against"]
        told.tables.append(Table(columns, [("", rows)]))
    missing = [
        (str(row["what"]), str(row["not_judged_because"]))
        for row in values["checks"]
        if row["chance"] is None
    ]
    if missing:
        table = _pairs("check", "why", missing)
        table.folded, table.numbers = True, False
        table.caption = f"{len(missing)} checks not judged"
        told.tables.append(table)
    told.notes += [*(str(one) for one in values["warnings"]), str(values["advice"])]


_STATISTICS = {
    "n": ("rows judged", 1.0, 0),
    "rmse_percent": ("error, root mean square (%)", 1.0, 2),
    "bias_percent": ("error, mean (%)", 1.0, 2),
    "rms_z": ("error over its own sd, root mean square (1 is honest)", 1.0, 2),
    "coverage95": ("weighed mass inside the 95 % interval (% of rows)", 100.0, 0),
    "coverage50": ("weighed mass inside the 50 % interval (% of rows)", 100.0, 0),
}
_GIVEN = "_given_scale"


def _tell_validation(told: Told, section: Section) -> None:
    values = section.values
    failed = int(values["failed"])
    told.said.append(
        (f"Rows against weighed masses: {values['rows']}, of which {failed} failed.", failed > 0)
    )
    columns = {**values["groups"], "all": values["overall"]}
    rows = []
    order = {key + ending: i for ending in ("", _GIVEN) for i, key in enumerate(_STATISTICS)}
    for key in sorted(values["overall"], key=lambda one: (_GIVEN in one, order.get(one, 99))):
        words, factor, digits = _STATISTICS.get(
            key.removesuffix(_GIVEN), (" ".join(words_and_unit(key)).strip(), 1.0, 2)
        )
        found = [one.get(key) for one in columns.values()]
        if any(isinstance(one, list | dict | str) for one in found):
            continue
        if key.endswith(_GIVEN):
            words += ", given the scale"
        cells = [number(None if one is None else factor * one, digits) for one in found]
        rows.append(([words, *cells], False))
    told.tables.append(Table(["", *(plain(one) for one in columns)], [("", rows)]))
    if section.table is not None:
        told.tables.append(_judged_rows(section.table))
    told.pictures += [
        (uri, "Errors against weighed masses, and how often the interval holds the truth")
        for uri in section.pictures.values()
    ]


def _judged_rows(frame: pd.DataFrame) -> Table:
    shown = frame.head(MOST_ROWS)
    rows: list[tuple[list[str], bool]] = []
    for row in shown.to_dict("records"):
        error = row.get("error")
        failed = isinstance(error, str) and bool(error)
        if failed:
            said = [str(error), "", ""]
        else:
            said = [
                f"{number(row['estimated_kg'], 0)} ± {number(row['sd_kg'], 0)}",
                number(row["error_percent"], 1, "+"),
                "yes" if row["inside95"] else "no",
            ]
        name = str(row["log"]).replace("\\", "/").rpartition("/")[2]
        cells = [name, number(row["mass_kg"], 0), *said]
        rows.append((cells, failed))
    more = "" if len(shown) == len(frame) else f" ({len(shown)} of {len(frame)})"
    columns = ["log", "weighed (kg)", "estimated (kg)", "error (%)", "inside the 95 % interval"]
    return Table(columns, [("", rows)], f"Row by row{more}", folded=True)


_TELLERS: dict[str, Callable[[Told, Section], None]] = {
    "advice": _tell_advice,
    "schedule": _tell_schedule,
    "comparison": tell_comparison,
    "dyno": _tell_dyno,
    "condition": _tell_condition,
    "validation": _tell_validation,
}
