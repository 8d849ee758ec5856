"""``loadlearn inspect``: what a log holds and what could be learnt from it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from loadlearn.commands.common import Channels, Log, console, progress

OptionalRig = Annotated[
    Path | None,
    typer.Option("--rig", metavar="RIG", help="Rig file (TOML); some columns need it."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")]


def inspect_command(
    log: Log, rig: OptionalRig = None, channels: Channels = None, as_json: AsJson = False
) -> int:
    """Tell what a log holds: channels, gaps, delays, excitation, and what can be learnt.

    Example: loadlearn inspect drive.csv --rig rig.toml
    """
    from loadlearn.log.quality import log_quality
    from loadlearn.log.readers import read_log
    from loadlearn.vehicle.rig import Rig

    with progress("reading the log"):
        the_rig = None if rig is None else Rig.from_toml(rig)
        trace = read_log(log, rig=the_rig, channels=channels)
        quality = log_quality(trace, the_rig).to_dict()
    if as_json:
        print(json.dumps(quality, indent=2, sort_keys=True, ensure_ascii=False))
    else:
        print_quality(quality)
    return 0


def print_quality(quality: dict[str, Any]) -> None:
    """Print a log's quality: what can be learnt, the log as a whole, its channels.

    Parameters
    ----------
    quality : dict
        ``LogQuality.to_dict()``.
    """
    from rich import box
    from rich.table import Table

    out = console()
    overview = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_header=False)
    for key, value in quality.items():
        if key not in _PRINTED_APART and not _is_rows(value):
            overview.add_row(_words(key), _shown(value))
    out.print(overview)
    columns = [name for name in _CHANNEL_COLUMNS if _says_something(quality["channels"], name)]
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in columns:
        table.add_column(_CHANNEL_COLUMNS[name], no_wrap=name == "channel")
    for row in quality["channels"]:
        table.add_row(*(_shown(row[name]) for name in columns))
    out.print(table)
    for title, key in (("Contradictions", "contradictions"), ("Warnings", "warnings")):
        if quality[key]:
            out.print(title)
            for sentence in quality[key]:
                out.print(f"  - {sentence}")
    out.print("What this drive can teach")
    for sentence in quality["can_learn"]:
        out.print(f"  - {sentence}")


_PRINTED_APART = {"channels", "excitation", "contradictions", "warnings", "can_learn"}
_CHANNEL_COLUMNS = {
    "channel": "channel",
    "column": "read from",
    "unit": "unit",
    "missing_percent": "missing %",
    "frozen_stretches": "frozen",
    "step": "step",
    "rounding": "rounding",
    "update_interval_s": "new every s",
    "delay_s": "late by s",
    "delay_sd_s": "± s",
}


def _says_something(rows: list[dict[str, Any]], name: str) -> bool:
    """Whether a column differs from empty anywhere, and the source from the channel."""
    if name == "column":
        return any(row["column"] != row["channel"] for row in rows)
    return any(row[name] not in (None, "") for row in rows)


def _is_rows(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)


def _words(key: str) -> str:
    return key.replace("_", " ")


def _shown(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if abs(value) < 1e-9:
            return "0"
        return f"{value:.6g}" if abs(value) >= 1000.0 else f"{value:.3g}"
    if isinstance(value, list) and len(value) == 2 and isinstance(value[0], float):
        return f"{_shown(value[0])} to {_shown(value[1])}"
    if isinstance(value, list):
        return "; ".join(_shown(one) for one in value) or "none"
    if isinstance(value, dict):
        return "; ".join(f"{_words(key)} {_shown(one)}" for key, one in value.items()) or "none"
    return str(value)
