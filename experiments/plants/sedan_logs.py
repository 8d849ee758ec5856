"""Chassis-dyno logs of a petrol sedan: real fuelling and roller speed, once a second.

They are carried by an older wheel (:mod:`plants.archive`) and found by pattern. Each holds time
(s), fuel flow (cubic centimetres per second, spiky as real data is) and roller speed (mph). The
sedan's mass and road load are the ones its simulator model was given for the same tests, so they
are only *approximately* known, and a roller has no hills: these logs are a consistency check, not a
mass recovered.
"""

from __future__ import annotations

import io

import pandas as pd

from plants import archive

PATTERN = r"dyno_data/.*Test Data\.txt$"
MILE_PER_HOUR_M_S = 0.44704


def names() -> list[str]:
    """The logs' paths in the wheel, sorted."""
    return archive.names(PATTERN)


def read(name: str, fuel_density_kg_m3: float) -> pd.DataFrame:
    """One log in canonical columns.

    Parameters
    ----------
    name : str
        One of :func:`names`.
    fuel_density_kg_m3 : float
        Turns volume into mass.

    Returns
    -------
    DataFrame
        ``time_s, speed_m_s, fuel_rate_g_s, grade_percent`` (a roller is level).
    """
    raw = pd.read_csv(io.StringIO(archive.read_member(name)))
    time, fuel, speed = (_column(raw, word) for word in ("Time", "Fuel", "Spd"))
    return pd.DataFrame(
        {
            "time_s": time + 0.0,
            "speed_m_s": speed.clip(lower=0.0) * MILE_PER_HOUR_M_S,
            "fuel_rate_g_s": fuel.clip(lower=0.0) * fuel_density_kg_m3 / 1e3,
            "grade_percent": 0.0,
        }
    )


def _column(raw: pd.DataFrame, word: str) -> pd.Series:
    found = [name for name in raw.columns if word in name]
    if len(found) != 1:
        raise ValueError(f"{len(found)} columns of the log contain {word!r}")
    return raw[found[0]].astype(float)
