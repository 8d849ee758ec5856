"""What a simulated vehicle drives on: hills, bends, grounds, speed limits, stops, wind.

A road is a table on an even grid of distance. Hills are drawn with the falling spectrum of real
terrain (altitude about 1/k^3 over wavelength, so grade about 1/k) and cut off where road builders
smooth: vertical curves shorter than some 150 m do not exist.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS

FloatArray = NDArray[np.float64]
RoadKind = Literal["flat", "rolling", "mountain", "highway", "motorway", "level"]

GRID_M = 5.0
"""Spacing of the road table (m)."""
GROUND_NAMES: tuple[str, ...] = tuple(ground.name for ground in HANDBOOK_GROUNDS)


@dataclass(frozen=True)
class Relief:
    """What a kind of road looks like.

    Attributes
    ----------
    grade_sd_percent, grade_max_percent : float
        Spread and greatest value of the grade.
    longest_wave_m : float
        Longest wave of the hills.
    bends_per_km, bend_radius_m
        How often it bends, and the middle radius of the bends.
    limits_km_h : tuple of float
        Speed limits met along it.
    stops_per_km : float
        Lights and junctions at which one has to stop.
    """

    grade_sd_percent: float
    grade_max_percent: float
    longest_wave_m: float
    bends_per_km: float
    bend_radius_m: float
    limits_km_h: tuple[float, ...]
    stops_per_km: float


# Greatest grades as road builders allow them: some 3-4 % on a trunk road in flat country, 6-7 % in
# rolling and 8-10 % in mountainous country (common practice, no source).
RELIEFS: dict[str, Relief] = {
    "level": Relief(0.0, 0.0, 4000.0, 0.0, 500.0, (90.0,), 0.0),
    # Level country, one limit all along.
    "motorway": Relief(0.25, 1.0, 6000.0, 0.05, 2000.0, (100.0,), 0.0),
    "flat": Relief(0.7, 2.5, 6000.0, 0.15, 700.0, (60.0, 80.0, 100.0, 110.0), 0.07),
    "highway": Relief(1.6, 5.0, 8000.0, 0.25, 900.0, (80.0, 100.0, 110.0), 0.02),
    "rolling": Relief(2.2, 7.0, 5000.0, 0.8, 350.0, (60.0, 80.0, 100.0), 0.05),
    "mountain": Relief(3.6, 9.5, 9000.0, 2.5, 160.0, (50.0, 60.0, 80.0, 90.0), 0.02),
}
# What people drive at on each ground when nothing else limits them, km/h.
GROUND_LIMITS_KM_H: dict[str, tuple[float, ...]] = {
    "gravel": (60.0, 70.0, 80.0),
    "earth": (40.0, 50.0, 60.0),
    "sand": (20.0, 25.0, 30.0),
    "soft_sand": (15.0, 20.0),
}


@dataclass(frozen=True)
class Stop:
    """A place where the vehicle comes to rest, and what happens there.

    Attributes
    ----------
    distance_m : float
        Where along the road (m).
    duration_s : float
        How long it stands (s).
    event : str
        What it is for: ``"stop"``, ``"light"``, ``"drop_trailer"``, ``"pick_up"``, ``"fill"`` ...
    engine_off : bool
        Whether the engine is switched off while standing.
    logger_off : bool
        Whether the logger is off too, so that the log has a gap.
    reverse_first : bool
        Whether it is backed a few metres before standing.
    new_mass_kg : float, optional
        Combined mass from then on. With ``event="drop_trailer"`` and no mass given, the true mass
        of the tow vehicle.
    new_drag_area_m2 : float, optional
        Drag area from then on.
    tyre_factor : float, optional
        Factor on the rolling resistance from then on (tyre pressure let down or raised).
    transfer_range : {"high", "low"}, optional
        Transfer range from then on.
    """

    distance_m: float
    duration_s: float = 20.0
    event: str = "stop"
    engine_off: bool = False
    logger_off: bool = False
    reverse_first: bool = False
    new_mass_kg: float | None = None
    new_drag_area_m2: float | None = None
    tyre_factor: float | None = None
    transfer_range: Literal["high", "low"] | None = None


@dataclass(frozen=True)
class Segment:
    """A stretch of one ground.

    Attributes
    ----------
    ground : str
        One of :data:`GROUND_NAMES`.
    length_m : float
        Its length (m).
    rolling_resistance : float, optional
        Coefficient at 20 m/s with warm tyres; drawn from the ground's handbook prior when absent.
    speed_limit_m_s : float or tuple of float, optional
        One limit, or several to choose from (m/s).
    """

    ground: str
    length_m: float
    rolling_resistance: float | None = None
    speed_limit_m_s: float | tuple[float, ...] | None = None


@dataclass(frozen=True)
class Road:
    """A road on an even grid of distance.

    Attributes
    ----------
    name : str
        What people call it.
    distance_m : ndarray
        Distance along the road, spacing :data:`GRID_M`.
    grade_percent, altitude_m : ndarray
        100 tan(theta), positive uphill, and the altitude that belongs to it.
    ground : ndarray of int
        Index into :data:`GROUND_NAMES`.
    segment : ndarray of int
        Number of the stretch of one ground.
    rolling_resistance : ndarray
        Coefficient at 20 m/s where the road gives it, NaN where it is to be drawn.
    speed_limit_m_s, curvature_1_m, heading_deg : ndarray
        Limit, unsigned curvature and compass heading.
    wind_m_s, wind_from_deg, temperature_degc : ndarray
        Weather where the road gives it, else NaN.
    stops : tuple of Stop
        In the order of distance.
    """

    name: str
    distance_m: FloatArray
    grade_percent: FloatArray
    altitude_m: FloatArray
    ground: NDArray[np.int64]
    segment: NDArray[np.int64]
    rolling_resistance: FloatArray
    speed_limit_m_s: FloatArray
    curvature_1_m: FloatArray
    heading_deg: FloatArray
    wind_m_s: FloatArray
    wind_from_deg: FloatArray
    temperature_degc: FloatArray
    stops: tuple[Stop, ...] = field(default=())

    @property
    def length_m(self) -> float:
        """Length of the road (m)."""
        return float(self.distance_m[-1])

    def with_stops(self, *stops: Stop) -> Road:
        """The same road with these stops added.

        Parameters
        ----------
        *stops : Stop
            Stops; one that lies within 300 m of an existing one replaces it.
        """
        kept = [
            old
            for old in self.stops
            if all(abs(old.distance_m - new.distance_m) > 300.0 for new in stops)
        ]
        ordered = tuple(sorted([*kept, *stops], key=lambda stop: stop.distance_m))
        return replace(self, stops=ordered)


def hills(
    rng: np.random.Generator,
    count: int,
    grade_sd_percent: float,
    grade_max_percent: float,
    longest_wave_m: float = 6000.0,
    shortest_wave_m: float = 150.0,
) -> FloatArray:
    """Draw a grade along an even grid with a falling spectrum.

    The power spectrum of grade goes as 1/k between the two wavelengths (of altitude, as 1/k^3) and
    falls steeply outside; the result is scaled to the spread asked for and bent softly towards the
    greatest grade.

    Parameters
    ----------
    rng : numpy.random.Generator
    count : int
        Number of grid points, spacing :data:`GRID_M`.
    grade_sd_percent, grade_max_percent : float
        Spread and greatest value (%).
    longest_wave_m, shortest_wave_m : float
        Band of wavelengths (m).

    Returns
    -------
    ndarray, shape (count,)
        Grade (%).
    """
    if grade_sd_percent <= 0.0:
        return np.zeros(count)
    padded = max(2 * count, 4096)
    wave_number = np.fft.rfftfreq(padded, GRID_M)
    lowest, highest = 1.0 / longest_wave_m, 1.0 / shortest_wave_m
    with np.errstate(divide="ignore"):
        amplitude = np.where(wave_number > 0.0, 1.0 / np.sqrt(np.maximum(wave_number, lowest)), 0.0)
    amplitude *= np.exp(-((wave_number / highest) ** 2))
    amplitude *= 1.0 - np.exp(-((wave_number / (0.4 * lowest)) ** 2))
    phase = rng.uniform(0.0, 2.0 * np.pi, wave_number.size)
    size = rng.rayleigh(1.0, wave_number.size)
    spectrum = amplitude * size * np.exp(1j * phase)
    grade = np.fft.irfft(spectrum, padded)[:count]
    theoretical_sd = np.sqrt(4.0 * np.sum(amplitude**2)) / padded
    grade *= grade_sd_percent / theoretical_sd
    return grade_max_percent * np.tanh(grade / grade_max_percent)


def altitude_from_grade(grade_percent: FloatArray, start_altitude_m: float) -> FloatArray:
    """Altitude along an even grid, ``dz/ds = sin(atan(grade))``.

    Parameters
    ----------
    grade_percent : ndarray
        Grade on the grid (%).
    start_altitude_m : float
        Altitude of the first point (m).

    Returns
    -------
    ndarray
        Altitude (m), trapezoidal rule.
    """
    tangent = grade_percent / 100.0
    sine = tangent / np.sqrt(1.0 + tangent**2)
    rise = np.concatenate([[0.0], np.cumsum(0.5 * (sine[1:] + sine[:-1]) * GRID_M)])
    return np.asarray(start_altitude_m + rise)


def bends(
    rng: np.random.Generator, distance_m: FloatArray, per_km: float, radius_m: float
) -> tuple[FloatArray, FloatArray]:
    """Draw bends along a road.

    Parameters
    ----------
    rng : numpy.random.Generator
    distance_m : ndarray
        Even grid.
    per_km : float
        Mean number per kilometre.
    radius_m : float
        Middle radius (m); a spread of a factor 1.6 is drawn around it.

    Returns
    -------
    curvature_1_m : ndarray
        Unsigned curvature (1/m).
    heading_deg : ndarray
        Compass heading (deg), starting anywhere.
    """
    signed = np.zeros(distance_m.size)
    number = rng.poisson(per_km * distance_m[-1] / 1000.0)
    for _ in range(number):
        middle = rng.uniform(0.0, distance_m[-1])
        radius = radius_m * float(np.exp(rng.normal(0.0, 0.47)))
        angle = rng.uniform(0.3, 1.4)
        half = max(radius * angle, 30.0)
        inside = np.abs(distance_m - middle) < half
        # A raised cosine: the road winds into the bend and out of it.
        shape = 0.5 * (1.0 + np.cos(np.pi * (distance_m[inside] - middle) / half))
        signed[inside] += rng.choice([-1.0, 1.0]) * shape / radius
    # Roads also wander gently where they do not bend.
    wander = hills(rng, distance_m.size, 1.0, 4.0, 8000.0, 800.0) * 2e-4
    turned = np.cumsum(signed + wander) * GRID_M
    heading = np.degrees(turned) + rng.uniform(0.0, 360.0)
    return np.abs(signed), np.asarray(heading % 360.0)


def random_road(
    seed: int,
    length_m: float = 60_000.0,
    kind: RoadKind = "rolling",
    segments: Sequence[Segment | tuple] | None = None,
    stops: Sequence[Stop] | None = None,
    limits_km_h: tuple[float, ...] | None = None,
    start_altitude_m: float = 120.0,
) -> Road:
    """Draw a road of a kind.

    Parameters
    ----------
    seed : int
        The same seed gives the same road.
    length_m : float
        Length (m).
    kind : {"flat", "rolling", "mountain", "highway", "motorway", "level"}
        Relief, bends, limits and lights, see :data:`RELIEFS`.
    segments : sequence of Segment or tuple, optional
        Grounds along the road, each
        ``(ground, length_m[, rolling_resistance[, speed_limit_m_s]])``; the last one reaches to
        the end. Default: sealed all along.
    stops : sequence of Stop, optional
        Stops instead of the random lights of the kind; an empty sequence means none.
    limits_km_h : tuple of float, optional
        Speed limits to choose from instead of those of the kind (km/h).
    start_altitude_m : float
        Altitude of the start (m).

    Raises
    ------
    InputError
        Unknown kind or ground, or a length that is not positive.
    """
    if kind not in RELIEFS:
        raise InputError(f"road kind '{kind}' is unknown; use one of {', '.join(RELIEFS)}")
    if not length_m > 0.0:
        raise InputError(f"road length_m is {length_m:g}; give a positive length")
    relief = RELIEFS[kind]
    streams = [np.random.default_rng([seed, 7100 + number]) for number in range(5)]
    count = int(np.ceil(length_m / GRID_M)) + 1
    distance = GRID_M * np.arange(count, dtype=np.float64)
    grade = hills(
        streams[0],
        count,
        relief.grade_sd_percent,
        max(relief.grade_max_percent, 1e-9),
        relief.longest_wave_m,
    )
    altitude = altitude_from_grade(grade, start_altitude_m)
    altitude += max(0.0, 5.0 - float(altitude.min()))
    curvature, heading = bends(streams[1], distance, relief.bends_per_km, relief.bend_radius_m)
    ground, number, given, limit_choice = _lay_segments(segments, distance)
    limit = _draw_limits(
        streams[2], distance, limits_km_h or relief.limits_km_h, ground, number, limit_choice
    )
    if stops is None:
        stops = _draw_lights(streams[3], distance[-1], relief.stops_per_km)
    unknown = np.full(count, np.nan)
    return Road(
        name=f"{kind} road {seed}",
        distance_m=distance,
        grade_percent=grade,
        altitude_m=altitude,
        ground=ground,
        segment=number,
        rolling_resistance=given,
        speed_limit_m_s=limit,
        curvature_1_m=curvature,
        heading_deg=heading,
        wind_m_s=unknown,
        wind_from_deg=unknown.copy(),
        temperature_degc=unknown.copy(),
        stops=tuple(sorted(stops, key=lambda stop: stop.distance_m)),
    )


def ground_index(name: str, where: str = "road") -> int:
    """Number of a ground.

    Parameters
    ----------
    name : str
        One of :data:`GROUND_NAMES`.
    where : str
        Named in the error message.

    Raises
    ------
    InputError
        The ground is unknown.
    """
    if name not in GROUND_NAMES:
        raise InputError(
            f"{where}: ground '{name}' is unknown; use one of {', '.join(GROUND_NAMES)}"
        )
    return GROUND_NAMES.index(name)


def _lay_segments(
    segments: Sequence[Segment | tuple] | None, distance: FloatArray
) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray, dict[int, tuple[float, ...]]]:
    laid = [
        item if isinstance(item, Segment) else Segment(*item)
        for item in (segments or [Segment("sealed", float(distance[-1]) + GRID_M)])
    ]
    ends = np.cumsum([segment.length_m for segment in laid])
    number = np.minimum(np.searchsorted(ends, distance, side="right"), len(laid) - 1)
    index = np.array([ground_index(segment.ground) for segment in laid])
    coefficient = np.array(
        [
            np.nan if segment.rolling_resistance is None else segment.rolling_resistance
            for segment in laid
        ]
    )
    choice: dict[int, tuple[float, ...]] = {}
    for position, segment in enumerate(laid):
        limit = segment.speed_limit_m_s
        if limit is not None:
            choice[position] = limit if isinstance(limit, tuple) else (float(limit),)
    return index[number], number.astype(np.int64), coefficient[number], choice


def _draw_limits(
    rng: np.random.Generator,
    distance: FloatArray,
    limits_km_h: tuple[float, ...],
    ground: NDArray[np.int64],
    segment: NDArray[np.int64],
    limit_choice: dict[int, tuple[float, ...]],
) -> FloatArray:
    limit = np.zeros(distance.size)
    for number in np.unique(segment):
        inside = np.flatnonzero(segment == number)
        name = GROUND_NAMES[ground[inside[0]]]
        choices = limit_choice.get(
            int(number), tuple(v / 3.6 for v in GROUND_LIMITS_KM_H.get(name, limits_km_h))
        )
        position, end = inside[0], inside[-1] + 1
        previous = -1.0
        while position < end:
            others = [value for value in choices if value != previous] or list(choices)
            previous = float(rng.choice(others))
            stretch = int(rng.uniform(1200.0, 5000.0) / GRID_M)
            limit[position : min(position + stretch, end)] = previous
            position += stretch
    return limit


def _draw_lights(rng: np.random.Generator, length_m: float, per_km: float) -> list[Stop]:
    number = rng.poisson(per_km * length_m / 1000.0)
    places = np.sort(rng.uniform(800.0, max(length_m - 500.0, 801.0), number))
    waits = rng.uniform(5.0, 45.0, number)
    lights: list[Stop] = []
    for place, wait in zip(places, waits, strict=True):
        if not lights or place - lights[-1].distance_m > 400.0:
            lights.append(Stop(float(place), float(wait), event="light"))
    return lights
