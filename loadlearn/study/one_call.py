"""From a log and a rig to estimates in one call."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from loadlearn.estimation import LoadEstimator, prepare
from loadlearn.log.readers import read_log
from loadlearn.vehicle.rig import Rig


def estimate(
    log: pd.DataFrame | Path | str, rig: Rig | Path | str, channels: Path | str | None = None
) -> pd.DataFrame:
    """Learn the load from one log: read it, prepare it, run the estimator over it.

    Parameters
    ----------
    log : DataFrame or path
        A trace in canonical columns, or a file for ``read_log``.
    rig : Rig or path
        What is driven.
    channels : path, optional
        Channel map, for a file of foreign column names.

    Returns
    -------
    DataFrame
        As of :meth:`LoadEstimator.run`: one row per sample, the summary in ``attrs["summary"]``.

    Raises
    ------
    InputError
        A file cannot be used, or the log has no force or no grade channel.
    """
    the_rig = rig if isinstance(rig, Rig) else Rig.from_toml(rig)
    trace = log if isinstance(log, pd.DataFrame) else read_log(log, rig=the_rig, channels=channels)
    return LoadEstimator(the_rig).run(prepare(trace, the_rig))
