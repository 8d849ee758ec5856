"""Standard driving cycles and graded roads as excitation.

The cycles are 1 Hz speed traces laid down by regulators; the numbers come from packages that the
registry carries, not from this repository:

- UDDS and HWFET (40 CFR part 86 appendix I, 40 CFR part 600 appendix I): ``fastsim`` 3
- WLTC class 3b (UN GTR 15): ``wltp``
- US06 (40 CFR part 86 appendix I): the wheel of ``fastsim`` 2.1.5, see :mod:`plants.archive`

The same wheel carries a household travel survey: speed of real drives, once a second, by day.
"""

from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from loadlearn.vehicle.roadload import GRAVITY_M_S2
from plants import archive

Array = NDArray[np.float64]
NAMES = ("udds", "hwfet", "us06", "wltc")


def speed_trace(name: str) -> Array:
    """Speed of a standard cycle, one value per second.

    Parameters
    ----------
    name : {"udds", "hwfet", "us06", "wltc"}
        Which cycle.

    Returns
    -------
    ndarray
        m/s.
    """
    if name in ("udds", "hwfet"):
        import fastsim

        cycle = fastsim.Cycle.from_resource(f"{name}.csv").to_dict()
        return np.array(cycle["speed_meters_per_second"], dtype=float)
    if name == "wltc":
        from wltp.cycles import class3

        return np.array(class3.class_data_b()["cycle"], dtype=float) / 3.6
    if name == "us06":
        import pandas as pd

        text = archive.read_text(r"resources/cycles/us06\.csv$")
        return pd.read_csv(io.StringIO(text))["cycMps"].to_numpy(dtype=float)
    raise ValueError(f"no cycle {name!r}; one of {', '.join(NAMES)}")


RECORDED = r"cycles/cmap_subset/.*/[0-9-]+\.csv$"
_MILE_PER_HOUR_M_S = 0.44704


def recorded_drives(seconds: int = 1800) -> list[str]:
    """Days of the travel survey with at least this much driving, sorted.

    Parameters
    ----------
    seconds : int
        Rows, one a second.
    """
    return [
        name for name in archive.names(RECORDED) if archive.read_member(name).count("\n") > seconds
    ]


def recorded_speed(name: str, seconds: int = 1800) -> Array:
    """Speed of a real drive, one value per second, from rest to rest.

    Where the recorder was off the vehicle is brought to rest, stands for half a minute and is
    brought up again, at 1.5 m/s2.

    Parameters
    ----------
    name : str
        One of :func:`recorded_drives`.
    seconds : int
        How much of it.

    Returns
    -------
    ndarray
        m/s.
    """
    import pandas as pd

    day = pd.read_csv(io.StringIO(archive.read_member(name))).iloc[:seconds]
    speed = _MILE_PER_HOUR_M_S * day["speed_mph"].to_numpy(dtype=float)
    starts = np.flatnonzero(day["timestep"].to_numpy() > 1.5)
    parts = []
    for piece in np.split(speed, starts[starts > 0]):
        up = np.arange(0.0, piece[0], 1.5)
        down = np.arange(0.0, piece[-1], 1.5)[::-1]
        parts += [up, piece, down, np.zeros(30)]
    return np.concatenate(parts)


def join(*parts: Array) -> Array:
    """Cycles driven one after another (each starts and ends at rest)."""
    return np.concatenate(parts)


def hills(distance_m: Array, rms_percent: float, seed: int, shortest_m: float = 300.0) -> Array:
    """A road's grade along its distance: sinusoids whose amplitude falls with wave number.

    The slope spectrum is flat down to a wavelength of ``shortest_m`` (an elevation spectrum falling
    with the square of the wave number, as for roads at large; common practice, no source).

    Parameters
    ----------
    distance_m : ndarray
        Where the grade is wanted.
    rms_percent : float
        Root mean square grade.
    seed : int
        Of the phases and wavelengths.
    shortest_m : float
        Shortest wavelength; the longest is 6 km.

    Returns
    -------
    ndarray
        Grade in per cent.
    """
    rng = np.random.default_rng(seed)
    waves = np.geomspace(shortest_m, 6000.0, 24) * rng.uniform(0.9, 1.1, 24)
    phases = rng.uniform(0.0, 2.0 * np.pi, 24)
    angle = 2.0 * np.pi * distance_m[:, None] / waves + phases
    return rms_percent * np.sqrt(2.0 / 24.0) * np.sin(angle).sum(axis=1)


def within_power(
    speed: Array,
    mass_kg: float,
    rolling_resistance: float,
    drag_area_m2: float,
    power_w: float | Callable[[float], float],
    grade_rms_percent: float = 0.0,
    seed: int = 0,
) -> tuple[Array, Array]:
    """A cycle slowed where the vehicle could not follow it, and the grades met on the way.

    Quasi-static plants take the speed as given; a heavy vehicle would miss a passenger-car cycle.
    Each second's speed is the cycle's, or as much as ``power_w`` at the tread allows.

    Parameters
    ----------
    speed : ndarray
        Wanted speed at 1 Hz (m/s).
    mass_kg, rolling_resistance, drag_area_m2 : float
        The vehicle.
    power_w : float or callable
        Power available at the tread, or a function that gives it at a road speed.
    grade_rms_percent : float
        Root mean square grade of :func:`hills`; 0 is a level road.
    seed : int
        Of the hills.

    Returns
    -------
    speed, grade_percent : ndarray
        ``grade_percent[i]`` holds between samples i-1 and i.
    """
    along = np.arange(0.0, float(speed.sum()) + 2000.0, 5.0)
    profile = hills(along, grade_rms_percent, seed) if grade_rms_percent else np.zeros_like(along)

    def excess(after: float, before: float, hold: float) -> float:
        mean = 0.5 * (before + after)
        allowed = power_w(mean) if callable(power_w) else power_w
        inertia = 1.05 * mass_kg * (after - before)
        return mean * (inertia + hold + 0.6 * drag_area_m2 * mean * mean) - allowed

    got = np.zeros_like(speed)
    grades = np.zeros_like(speed)
    where = 0.0
    for i in range(1, len(speed)):
        before = got[i - 1]
        grades[i] = np.interp(where, along, profile)
        slope = grades[i] / 100.0
        hold = mass_kg * GRAVITY_M_S2 * (slope + rolling_resistance) / np.hypot(1.0, slope)
        low, high = 0.0, max(speed[i], 0.0)
        if excess(high, before, hold) > 0.0:
            for _ in range(30):
                middle = 0.5 * (low + high)
                if excess(middle, before, hold) > 0.0:
                    high = middle
                else:
                    low = middle
            high = low
        got[i] = high
        where += 0.5 * (before + high)
    return got, grades
