"""ASAM MDF 4 logs, through the optional package asammdf."""

from __future__ import annotations

import gc
import logging
import sys
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.log.cell_words import numbers_from_words
from loadlearn.log.channel_faults import Floats
from loadlearn.log.channels import BY_NAME
from loadlearn.log.column_plan import ChannelMap, Plan, make_plan
from loadlearn.log.conversions import hold, to_trace
from loadlearn.vehicle.rig import Rig

MOST_EXTRAS = 64
"""Of the channels that are not used, no more than this many are kept."""


def read_mdf(
    path: Path, source: str, rig: Rig | None, channels: str | Path | ChannelMap | None
) -> pd.DataFrame:
    """Read an MDF 4 file; see :func:`loadlearn.log.readers.read_log`.

    Channels of different rates are merged on the stamps of the fastest needed one, each holding its
    last value (:func:`hold`).

    Parameters
    ----------
    path : Path
    source : str
        Named in errors.
    rig : Rig or None
    channels : path, mapping or None
        Channel map.

    Returns
    -------
    pandas.DataFrame
        A valid trace.

    Raises
    ------
    InputError
        asammdf is not installed, the file is truncated, or as for ``read_log``.
    """
    try:
        from asammdf import MDF
    except ImportError:
        raise InputError(
            f"{source}: reading MDF 4 needs the package asammdf; install it with: pip install "
            "'loadlearn[mdf]'"
        ) from None
    # An open file, not a path: the package would leave a damaged file open.
    with open(path, "rb") as file, _quiet(), ExitStack() as stack:
        mdf = _guarded(source, lambda: stack.enter_context(MDF(file)))
        places, units = _guarded(source, lambda: _channels(mdf))
        # Every sample carries its master channel's stamp, so a log needs no channel for time.
        units.pop("time_s", None)
        plan = make_plan([*places, "time_s"], source, channels, units)
        wanted = [column for channel, (column, _) in plan.columns.items() if channel != "time_s"]
        extras = [name for name in plan.extras if name in places][:MOST_EXTRAS]
        stamped = _guarded(source, lambda: _samples(mdf, [*wanted, *extras], places))
    return _merge(stamped, plan, extras, source, rig)


_T = TypeVar("_T")


def _guarded(source: str, work: Callable[[], _T]) -> _T:
    """Call any failure of the package a damaged file: it raises whatever the damage trips over."""
    try:
        return work()
    except Exception as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
    # Raised here, where no chained traceback keeps the package's half-built objects alive.
    raise InputError(
        f"{source}: the MDF file is truncated or damaged ({reason}); copy or export it again"
    )


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the package from writing to stderr about a damaged file: the caller says it once.

    It logs; and when the damage ends a constructor early, the object's ``__del__`` fails and Python
    prints a traceback, and its temporary file is closed late, with a warning.
    """
    hook, logger = sys.unraisablehook, logging.getLogger("asammdf")
    level = logger.level
    sys.unraisablehook = lambda _: None
    logger.setLevel(logging.CRITICAL + 1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            try:
                yield
            finally:
                gc.collect()
    finally:
        sys.unraisablehook = hook
        logger.setLevel(level)


_Stamped = Mapping[str, tuple[Floats, NDArray[Any]]]
"""Column to its stamps and samples."""


def _merge(
    stamped: _Stamped, plan: Plan, extras: list[str], source: str, rig: Rig | None
) -> pd.DataFrame:
    time_s = _base(stamped, plan, source)
    columns = {"time_s": time_s}
    for channel, (column, _) in plan.columns.items():
        if channel != "time_s":
            stamps, samples = stamped[column]
            columns[channel] = hold(
                time_s, stamps, _floats(samples, channel, column, source, stamps)
            )
    if any(stamped[name][0].size != time_s.size for name in stamped if name not in extras):
        plan.warnings.append(
            "channels of different rates were merged: each holds its last value on the stamps of "
            "the fastest needed channel"
        )
    others = {
        name: hold(time_s, stamped[name][0], stamped[name][1].astype(np.float64))
        for name in extras
        if stamped[name][1].ndim == 1 and stamped[name][1].dtype.kind in "fiub"
    }
    return to_trace(plan, columns, others, lambda row: f"sample at {time_s[row]:.10g} s", rig)


def _samples(
    mdf: Any, names: list[str], places: Mapping[str, tuple[int, int]]
) -> dict[str, tuple[Floats, NDArray[Any]]]:
    found = {}
    for name in names:
        signal = mdf.get(name, *places[name], raw=False)
        stamps = np.asarray(signal.timestamps, dtype=np.float64)
        found[name] = stamps, np.asarray(signal.samples)
    return found


def _channels(mdf: Any) -> tuple[dict[str, tuple[int, int]], dict[str, str]]:
    """Where each channel lies (group, index), and the unit the file declares for it."""
    places: dict[str, tuple[int, int]] = {}
    units: dict[str, str] = {}
    for name, found in mdf.channels_db.items():
        data = [(g, i) for g, i in found if mdf.masters_db.get(g) != i]
        if not data:
            continue
        # Of channels of the same name the one with the most samples is taken.
        place = max(data, key=lambda at: mdf.groups[at[0]].channel_group.cycles_nr)
        places[name] = place
        channel = mdf.groups[place[0]].channels[place[1]]
        unit = channel.unit or (channel.conversion.unit if channel.conversion else "")
        if unit:
            units[name] = str(unit)
    return places, units


def _floats(
    samples: NDArray[Any], channel: str, column: str, source: str, stamps: Floats
) -> Floats:
    if samples.dtype.kind in "fiub":
        return samples.astype(np.float64)
    cells = np.array(
        [cell.decode(errors="replace") if isinstance(cell, bytes) else cell for cell in samples],
        dtype=object,
    )
    values, bad = numbers_from_words(cells, BY_NAME[channel])
    if bad is not None:
        raise InputError(
            f"{source}: channel '{column}', sample at {stamps[bad]:.10g} s: '{cells[bad]}' is not "
            "a number; name a channel of numbers in a channel map"
        )
    return values


def _base(stamped: _Stamped, plan: Plan, source: str) -> Floats:
    """Stamps of the fastest needed channel."""
    needed = [
        stamped[column][0]
        for channel, (column, _) in plan.columns.items()
        if channel != "time_s" and BY_NAME[channel].group
    ]
    if not any(stamps.size for stamps in needed):
        raise InputError(
            f"{source}: the needed channels hold no samples; record or export the log again"
        )
    return max(needed, key=len)
