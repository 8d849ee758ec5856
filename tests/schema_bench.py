"""Files held to their dictionaries, both ways."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from loadlearn.file_schemas import Part, schema


def paths(value: Any, above: str = "") -> Iterator[str]:
    """Names of all keys of a JSON document, as a schema writes them."""
    if isinstance(value, dict):
        for key, one in value.items():
            yield f"{above}{key}"
            yield from paths(one, f"{above}{key}.")
    elif isinstance(value, list):
        for one in value:
            if isinstance(one, dict):
                yield from paths(one, f"{above.removesuffix('.')}[].")


def pattern_of(name: str) -> re.Pattern[str]:
    return re.compile(re.sub(r"<[^>]*>", "[^.]+", name.replace("[]", r"\[\]")))


def held_together(part: Part, written: set[str], silent: str = r"(?!)") -> None:
    """Every name written is described, every name described (but ``silent``) is written."""
    patterns = {one.name: pattern_of(one.name) for one in part.entries}
    # What stands for a name of the data's own is described by what lies below it.
    above = {
        ".".join(parts[:at])
        for parts in (name.split(".") for name in patterns)
        for at in range(1, len(parts))
        if "<" in parts[at] or "<" in parts[at - 1]
    }
    known = [*patterns.values(), *map(pattern_of, above)]
    undescribed = {name for name in written if not any(one.fullmatch(name) for one in known)}
    assert not undescribed
    unwritten = {
        name
        for name, pattern in patterns.items()
        if not re.fullmatch(silent, name) and not any(pattern.fullmatch(one) for one in written)
    }
    assert not unwritten


def part_of(name: str, file: str) -> Part:
    return next(part for part in schema(name).parts if part.file == file)


def keys_of(path: Path) -> set[str]:
    """Keys of a file; those of where it came from have a schema of their own."""
    every = set(paths(json.loads(path.read_text())))
    return {name for name in every if not name.startswith("provenance.")}
