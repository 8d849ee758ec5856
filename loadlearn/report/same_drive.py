"""Whether what lies in an output folder is of one drive and one vehicle."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from loadlearn.errors import InputError

_HOLDERS = ("provenance.json", "advice.json", "condition.json", "schedule.json", "comparison.json")
"""Files with a provenance: what made them, from which log and rig."""


def check_same_drive(folder: Path) -> None:
    """Refuse a folder whose files were made from different logs or rigs.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    InputError
        Two files name different hashes for the log, or for the rig.
    """
    seen: dict[str, tuple[str, str, str]] = {}
    for name in _HOLDERS:
        for role, one in _inputs(folder / name).items():
            if role not in ("log", "rig") or not isinstance(one, dict) or "sha256" not in one:
                continue
            now = name, str(one["sha256"]), str(one.get("file", "?"))
            holder, digest, file = seen.setdefault(role, now)
            if digest != now[1]:
                raise InputError(
                    f"{folder}: {holder} is of the {role} {file} and {name} of the {role} "
                    f"{now[2]}, which is another or was changed since; run the commands again on "
                    "one drive, or give each its own folder"
                )


def _inputs(path: Path) -> dict[str, Any]:
    """The inputs that a file names; none where it names none, which the page itself will judge."""
    try:
        value = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    for key in ("made", "provenance", "inputs"):
        if isinstance(value, dict) and isinstance(value.get(key), dict):
            value = value[key]
    return value if isinstance(value, dict) else {}
