"""What the keys and columns of the files beside the page mean, file by file."""

from __future__ import annotations

from collections.abc import Iterable

from loadlearn.file_schemas import Part, schemas
from loadlearn.report.told import Table, Told

TITLE = "What the files' keys and columns mean"


def schema_section(commands: Iterable[str]) -> Told:
    """The dictionary of the files that some commands left.

    Parameters
    ----------
    commands : iterable of str
        Stems of their files, such as ``summary``.

    Returns
    -------
    Told
        One folded table a file; none where a file has no schema.
    """
    stems = set(commands)
    if "summary" in stems:
        stems |= {"estimates", "provenance"}
    if "comparison" in stems:
        stems |= {"sheet", "traces"}
    parts: dict[str, Part] = {}
    for one in schemas():
        for part in one.parts:
            stem = part.file.partition(".")[0]
            if stem in stems:
                parts[part.file] = part
    parts.pop("estimates.parquet", None)  # the columns of the CSV
    note = "The same on the command line: loadlearn schema NAME, with --json for programs."
    tables = [_table(part) for part in parts.values()]
    return Told("dictionary", TITLE, tables=tables, notes=[note])


def _table(part: Part) -> Table:
    rows = [
        ([one.name, one.kind, "" if one.unit == "1" else one.unit, one.meaning], False)
        for one in part.entries
    ]
    return Table(
        ["name", "type", "unit", "meaning"],
        [("", rows)],
        caption=f"{part.file}: {part.what}",
        folded=True,
        numbers=False,
    )
