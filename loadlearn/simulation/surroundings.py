"""Tables that the compiled loop reads: the road, its halts, the disturbances over time."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit, record_type
from loadlearn.simulation import plant_state as ps
from loadlearn.simulation.departures import SQUALL_TIME_S, Departures, lap_rows, pulsing_foot
from loadlearn.simulation.random_processes import ornstein_uhlenbeck
from loadlearn.simulation.road import GRID_M, GROUND_NAMES, Road, Stop
from loadlearn.simulation.variation import PlantVariation, truncated_normal
from loadlearn.vehicle.roadload import GAS_CONSTANT_AIR_J_KG_K, isa_pressure_kpa

FloatArray = NDArray[np.float64]

NOISE_STEP_S = 0.1
_LAPSE_K_M = 0.0065
# Tread force over the weight on the driven wheels at which they slip by 100 %, were the line
# straight: stiff on hard ground, soft on sand (common practice, no source).
_SLIP_STIFFNESS = {"sealed": 25.0, "gravel": 12.0, "earth": 8.0, "sand": 4.0, "soft_sand": 2.5}


def road_table(
    road: Road,
    variation: PlantVariation,
    drawn: dict[str, Any],
    driver: ps.DriverParameters,
    heavy: bool,
    seed: int,
) -> NDArray[Any]:
    """The road as the compiled loop reads it, with weather, grounds and speed envelopes.

    Parameters
    ----------
    road : Road
    variation : PlantVariation
    drawn : dict
        From :func:`loadlearn.simulation.variation.draw_parameters`.
    driver : DriverParameters
    heavy : bool
        A heavy vehicle: limited to 90 km/h, slower through bends.
    seed : int

    Returns
    -------
    ndarray of RoadHere, shape (n,)
    """
    count = road.distance_m.size
    table = np.zeros(count, dtype=record_type(ps.RoadHere))
    table["tangent"] = road.grade_percent / 100.0
    table["altitude_m"] = road.altitude_m
    table["curvature_1_m"] = road.curvature_1_m
    table["ground"] = road.ground
    lateral = 1.3 if heavy else 2.0
    bend = np.sqrt(lateral / np.maximum(road.curvature_1_m, 1e-6))
    limit = np.minimum(road.speed_limit_m_s, 90.0 / 3.6) if heavy else road.speed_limit_m_s
    wished = np.minimum(limit * (1.0 + drawn["speed_bias"]), bend)
    table["coast_speed_m_s"] = _speed_envelope(wished, driver.coast_m_s2, GRID_M)
    table["brake_speed_m_s"] = _speed_envelope(wished, driver.brake_m_s2, GRID_M)
    nominal, actual = _coefficients(road, variation, drawn, seed)
    table["nominal_coefficient"] = nominal
    table["coefficient"] = actual
    wind = np.where(np.isnan(road.wind_m_s), drawn["wind_m_s"], road.wind_m_s)
    come_from = np.where(np.isnan(road.wind_from_deg), drawn["wind_from_deg"], road.wind_from_deg)
    angle = np.radians(come_from - road.heading_deg)
    along, across = wind * np.cos(angle), wind * np.sin(angle)
    if variation.headwind_m_s is not None:
        along, across = np.full(count, variation.headwind_m_s), np.zeros(count)
    table["wind_along_m_s"] = along
    table["wind_across_m_s"] = across
    climbed = road.altitude_m - road.altitude_m[0]
    temperature = np.where(
        np.isnan(road.temperature_degc),
        drawn["temperature_degc"] - _LAPSE_K_M * climbed,
        road.temperature_degc,
    )
    pressure = isa_pressure_kpa(road.altitude_m) + drawn["pressure_offset_kpa"]
    density = pressure * 1e3 / (GAS_CONSTANT_AIR_J_KG_K * (temperature + 273.15))
    table["density_kg_m3"] = density
    table["temperature_degc"] = temperature
    table["pressure_kpa"] = pressure
    if variation.wheel_slip:
        stiffness = np.array([_SLIP_STIFFNESS[name] for name in GROUND_NAMES])
        table["slip_compliance"] = 1.0 / stiffness[road.ground]
    return table


def _coefficients(
    road: Road, variation: PlantVariation, drawn: dict[str, Any], seed: int
) -> tuple[FloatArray, FloatArray]:
    """Rolling resistance along the road: of each stretch, and with its fine variation."""
    rng = np.random.default_rng([seed, 8200])
    nominal = np.empty(road.distance_m.size)
    fine = np.ones(road.distance_m.size)
    for number in np.unique(road.segment):
        inside = np.flatnonzero(road.segment == number)
        name = GROUND_NAMES[road.ground[inside[0]]]
        given = road.rolling_resistance[inside[0]]
        base = drawn[f"rolling_resistance_{name}"] if np.isnan(given) else float(given)
        texture = variation.texture_sd if name == "sealed" else 0.5 * variation.texture_sd
        position = 0
        while position < inside.size:
            stretch = int(rng.exponential(3000.0) / GRID_M) + 100
            factor = truncated_normal(rng, 1.0, texture, 0.8, 1.25) if texture > 0.0 else 1.0
            nominal[inside[position : position + stretch]] = base * factor
            position += stretch
        roughness = variation.roughness_sd * (1.0 if name == "sealed" else 3.0)
        correlation = 200.0 if name == "sealed" else 60.0
        if roughness > 0.0:
            steps = rng.standard_normal(inside.size)
            fine[inside] += ornstein_uhlenbeck(steps, roughness, correlation, GRID_M)
    rows = lap_rows(variation.departures, nominal.size)
    return nominal[rows], (nominal * np.clip(fine, 0.6, 1.6))[rows]


@jit
def _speed_envelope(wished: np.ndarray, deceleration: float, grid_m: float) -> np.ndarray:
    """Speed from which every lower wish ahead can be met at this deceleration."""
    envelope = wished.copy()
    for place in range(wished.size - 2, -1, -1):
        reachable = np.sqrt(envelope[place + 1] ** 2 + 2.0 * deceleration * grid_m)
        if reachable < envelope[place]:
            envelope[place] = reachable
    return envelope


def stops_table(road: Road, drawn: dict[str, Any]) -> tuple[NDArray[Any], list[Stop]]:
    """All halts: the start, the road's stops, the end.

    Parameters
    ----------
    road : Road
    drawn : dict
        From :func:`loadlearn.simulation.variation.draw_parameters`.

    Returns
    -------
    table : ndarray of Halt, shape (n,)
    stops : list of Stop
        The same in words.
    """
    stops = [Stop(0.0, 4.0, event="start")]
    stops += [stop for stop in road.stops if 1.0 < stop.distance_m < road.length_m - 30.0]
    stops.append(Stop(road.length_m - 15.0, np.inf, event="end"))
    nothing = np.nan
    rows = []
    for stop in stops:
        mass, drag = stop.new_mass_kg, stop.new_drag_area_m2
        if stop.event == "drop_trailer":
            mass = drawn["tow_mass_kg"] if mass is None else mass
            drag = drawn["drag_area_m2"] * drawn["solo_drag_share"] if drag is None else drag
        low = None if stop.transfer_range is None else float(stop.transfer_range == "low")
        values = (mass, drag, stop.tyre_factor, low)
        rows.append(
            (
                stop.distance_m,
                stop.duration_s,
                float(stop.engine_off),
                float(stop.reverse_first),
                *(nothing if value is None else float(value) for value in values),
            )
        )
    return np.array(rows, dtype=record_type(ps.Halt)), stops


def noise_table(
    variation: PlantVariation, drawn: dict[str, Any], duration_s: float, seed: int
) -> NDArray[Any]:
    """Disturbances over time, drawn outside the compiled loop.

    Parameters
    ----------
    variation : PlantVariation
    drawn : dict
        From :func:`loadlearn.simulation.variation.draw_parameters`; the regenerations that happen
        are added to it.
    duration_s : float
    seed : int

    Returns
    -------
    ndarray of Disturbances, shape (n,)
        Every ``NOISE_STEP_S`` seconds.
    """
    count = int(duration_s / NOISE_STEP_S) + 3
    table = np.zeros(count, dtype=record_type(ps.Disturbances))
    time = NOISE_STEP_S * np.arange(count, dtype=np.float64)

    def slow(stream: int, sd: float, correlation_s: float) -> FloatArray:
        normals = np.random.default_rng([seed, 8300 + stream]).standard_normal(count)
        return np.asarray(ornstein_uhlenbeck(normals, float(sd), correlation_s, NOISE_STEP_S))

    gust = drawn["gust_sd_m_s"]
    if gust > 0.0:
        # Two time scales: turbulence of a few seconds, squalls of a minute.
        table["gust_along_m_s"] = slow(0, 0.75 * gust, 4.0) + slow(1, 0.66 * gust, 60.0)
        table["gust_across_m_s"] = slow(2, 0.75 * gust, 4.0) + slow(3, 0.66 * gust, 60.0)
    if variation.accessory_variation_kw > 0.0:
        table["accessory_kw"] = slow(4, variation.accessory_variation_kw, 120.0)
    if variation.speed_offset_sd > 0.0:
        table["speed_offset"] = slow(5, variation.speed_offset_sd, 45.0)
    rng = np.random.default_rng([seed, 8400])
    hours = duration_s / 3600.0
    for _ in range(rng.poisson(variation.lifts_per_hour * hours)):
        start, length = rng.uniform(0.0, duration_s), rng.uniform(1.5, 6.0)
        table["lift"][(time >= start) & (time < start + length)] = 1.0
    rng = np.random.default_rng([seed, 8401])
    position = rng.uniform(60.0, 300.0)
    while position < duration_s:
        length = rng.uniform(60.0, 400.0)
        if rng.uniform() < variation.cruise_share:
            table["cruise"][(time >= position) & (time < position + length)] = 1.0
        position += length
    rng = np.random.default_rng([seed, 8402])
    table["drag_factor"] = 1.0
    for _ in range(rng.poisson(variation.slipstreams_per_hour * hours)):
        start, length = rng.uniform(0.0, duration_s), rng.uniform(20.0, 120.0)
        shelter = rng.uniform(0.10, 0.25)
        # Closing up and dropping back take a few seconds each.
        edge = np.clip((time - start) / 4.0, 0.0, 1.0)
        edge *= np.clip((start + length - time) / 4.0, 0.0, 1.0)
        table["drag_factor"] *= 1.0 - shelter * edge
    _depart(table, time, variation.departures, seed)
    rng = np.random.default_rng([seed, 8403])
    events = list(variation.regenerations)
    if rng.uniform() < variation.regeneration_probability:
        events.append(
            (
                float(rng.uniform(0.1, 0.6) * duration_s),
                float(rng.uniform(300.0, 1800.0)),
                float(rng.uniform(0.05, 0.25)),
            )
        )
    drawn["regenerations"] = [list(event) for event in events]
    for start, length, factor in events:
        table["regeneration"][(time >= start) & (time < start + length)] = factor
    return table


def _depart(table: NDArray[Any], time: FloatArray, departures: Departures, seed: int) -> None:
    """Add gusts, shelter, electrical loads and a pumping foot of these sizes."""

    def stream(number: int) -> np.random.Generator:
        return np.random.default_rng([seed, 8500, number])

    if departures.squall_sd_m_s > 0.0:
        normals = stream(0).standard_normal(time.size)
        table["gust_along_m_s"] += ornstein_uhlenbeck(
            normals, departures.squall_sd_m_s, SQUALL_TIME_S, NOISE_STEP_S
        )
    if departures.pedal_pulse > 0.0:
        normals = stream(1).standard_normal(time.size)
        table["pedal_pulse"] = pulsing_foot(normals, NOISE_STEP_S, departures.pedal_pulse)
    if departures.alternator_step_kw > 0.0:
        switched = np.cumsum(stream(2).uniform(size=time.size) < NOISE_STEP_S / 90.0)
        table["accessory_kw"] += departures.alternator_step_kw * (switched % 2)
    if departures.platoon_shelter > 0.0:
        rng = stream(3)
        start = float(rng.exponential(150.0))
        while start < time[-1]:
            length = 120.0 + rng.exponential(400.0)
            shelter = departures.platoon_shelter * rng.uniform(0.86, 1.14)
            edge = np.clip((time - start) / 6.0, 0.0, 1.0)
            edge *= np.clip((start + length - time) / 6.0, 0.0, 1.0)
            table["drag_factor"] *= 1.0 - shelter * edge
            start += length + 60.0 + rng.exponential(150.0)
