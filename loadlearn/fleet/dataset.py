"""One Parquet data set, a partition per vehicle, as pandas, polars and DuckDB read it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any
from urllib.parse import quote

from loadlearn.fleet.columns_of_fleet import COLUMNS, TIME

BATCH_ROWS = 1000
"""Rows in memory at a time."""


def partition(vehicle: str) -> str:
    """Name of a vehicle's folder: ``vehicle=...``, escaped as in an address."""
    return f"vehicle={quote(vehicle, safe='')}"


def write_partition(folder: Path, vehicle: str, rows: Iterable[dict[str, Any]]) -> None:
    """Write a vehicle's rows.

    Parameters
    ----------
    folder : Path
        Of the data set.
    vehicle : str
    rows : iterable of dict
        Cells of the columns; one that is not there is null. Without rows nothing is written.
    """
    import pyarrow as pa
    from pyarrow import parquet

    kinds = {
        "text": pa.string(),
        "whole": pa.int64(),
        "number": pa.float64(),
        "truth": pa.bool_(),
        "words": pa.list_(pa.string()),
        "time": pa.timestamp("us", tz="UTC"),
    }
    schema = pa.schema([(name, kinds[kind]) for name, kind in COLUMNS.items()])
    writer = None
    try:
        left = iter(rows)
        while batch := list(islice(left, BATCH_ROWS)):
            if writer is None:
                place = folder / partition(vehicle)
                place.mkdir(parents=True)
                writer = parquet.ParquetWriter(place / "part-0.parquet", schema, compression="zstd")
            cells = [{name: _cell(row, name) for name in COLUMNS} for row in batch]
            writer.write_table(pa.Table.from_pylist(cells, schema=schema))
    finally:
        if writer is not None:
            writer.close()


def _cell(row: dict[str, Any], name: str) -> Any:
    value = row.get(name)
    return datetime.fromisoformat(value) if COLUMNS[name] == TIME and value is not None else value
