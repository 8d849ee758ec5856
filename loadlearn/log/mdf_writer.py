"""Traces as ASAM MDF 4, through the optional package asammdf."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from loadlearn.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

# Unit by the end of a column's name, as people write it.
_UNITS = (
    ("_m_s", "m/s"),
    ("_degc", "degC"),
    ("_kpa", "kPa"),
    ("_n_m", "N m"),
    ("_g_s", "g/s"),
    ("_percent", "%"),
    ("_rpm", "rpm"),
    ("_kg", "kg"),
    ("_n", "N"),
    ("_m", "m"),
    ("_s", "s"),
)


def check_mdf_writer() -> None:
    """Refuse early what :func:`write_mdf` would refuse.

    Raises
    ------
    InputError
        asammdf is not installed.
    """
    try:
        import asammdf  # noqa: F401
    except ImportError:
        raise InputError(
            "writing MDF 4 needs the package asammdf; install it with: pip install "
            "'loadlearn[mdf]', or leave out --mdf"
        ) from None


def write_mdf(path: Path, traces: pd.DataFrame, by: Sequence[str]) -> None:
    """Write traces, one channel group for each.

    Parameters
    ----------
    path : Path
        ``.mf4``.
    traces : DataFrame
        ``time_s``, numbers, and the columns of ``by``; the names of ``by`` and their values name a
        group.
    by : sequence of str
        Columns that tell traces apart.

    Raises
    ------
    InputError
        asammdf is not installed.
    """
    check_mdf_writer()
    from datetime import UTC, datetime

    from asammdf import MDF, Signal

    with MDF(version="4.10") as mdf:
        # The same traces give the same file header whenever they are written.
        mdf.header.start_time = datetime(2000, 1, 1, tzinfo=UTC)
        for values, trace in traces.groupby(list(by), sort=False, observed=True):
            name = ", ".join(f"{key} {value}" for key, value in zip(by, values, strict=True))
            time = trace["time_s"].to_numpy(dtype=float)
            signals = [
                Signal(trace[column].to_numpy(), time, unit=_unit(str(column)), name=str(column))
                for column in trace.columns
                if column != "time_s" and column not in by and trace[column].dtype.kind in "fiu"
                if not np.isnan(trace[column].to_numpy(dtype=float)).all()
            ]
            mdf.append(signals, acq_name=name, comment=name, common_timebase=True)
        mdf.save(path, overwrite=True)


def _unit(name: str) -> str:
    return next((unit for ending, unit in _UNITS if name.endswith(ending)), "")
