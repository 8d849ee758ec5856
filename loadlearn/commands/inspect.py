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
    from loadlearn.outputs import plain
    from loadlearn.quality import log_quality
    from loadlearn.readers import read_log
    from loadlearn.rig import Rig

    with progress("reading the log"):
        the_rig = None if rig is None else Rig.from_toml(rig)
        trace = read_log(log, rig=the_rig, channels=channels)
        quality = plain(log_quality(trace, the_rig).to_dict())
    if as_json:
        print(json.dumps(quality, indent=2, sort_keys=True, ensure_ascii=False))
    else:
        print_quality(quality)
    return 0


def print_quality(quality: dict[str, Any]) -> None:
    """Print a log's quality as tables.

    Parameters
    ----------
    quality : dict
        ``LogQuality.to_dict()``.
    """
    from rich import box
    from rich.table import Table

    out = console()
    overview = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_header=False)
    tables = []
    for key, value in quality.items():
        if _is_rows(value):
            tables.append((key, value))
        else:
            overview.add_row(_words(key), _shown(value))
    out.print(overview)
    for key, rows in tables:
        table = Table(title=_words(key), title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
        columns = list(dict.fromkeys(name for row in rows for name in row))
        for name in columns:
            table.add_column(_words(name))
        for row in rows:
            table.add_row(*(_shown(row.get(name)) for name in columns))
        out.print(table)


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
        return f"{value:.4g}"
    if isinstance(value, list):
        return "; ".join(_shown(one) for one in value) or "none"
    if isinstance(value, dict):
        return "; ".join(f"{_words(key)} {_shown(one)}" for key, one in value.items()) or "none"
    return str(value)
