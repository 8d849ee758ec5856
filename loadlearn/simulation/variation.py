"""What differs from drive to drive: what is drawn, how widely, and what can be set exactly."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, Self

import numpy as np

from loadlearn.simulation.departures import Departures
from loadlearn.simulation.road import GROUND_NAMES
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS


@dataclass(frozen=True)
class PlantVariation:
    """What is drawn for a drive. ``None`` means: draw it; a number sets it exactly.

    Attributes
    ----------
    tow_mass_kg : float, optional
        True mass of the tow vehicle; drawn from the rig's ``mass_kg``, ``mass_sd_kg``.
    drag_area_m2 : float or "rig_mean", optional
        Drag area of the combination; drawn from the rig's prior.
    solo_drag_share : float, optional
        Drag area without the trailer over that with it; drawn 0.5...0.75.
    rolling_resistance : dict of str to float
        Coefficient of a ground, exactly; grounds not named are drawn from the handbook prior.
    texture_sd : float
        Relative spread between stretches (about 3 km) of one sealed road: smooth to coarse.
    roughness_sd : float
        Relative spread over a few hundred metres; three times as much on loose ground.
    tyre_speed_slope : float, optional
        k of ``c(v) = c20 + k((v/20)^2 - 1)``; drawn 0.001 +- 0.0007, not below 0.
    cold_tyre_rise : float, optional
        Relative rise of cold tyres at the start; drawn 0.2...0.3, in four drives of ten after a
        previous drive and so less.
    cold_tyre_time_s : float, optional
        Time constant of their warming at 15 m/s; drawn 400...800 s.
    wind_sd_m_s : float
        Standard deviation of each component of the steady wind at the height of the vehicle.
    headwind_m_s : float, optional
        Steady head wind all along, whatever the heading (negative: tail wind).
    gust_sd_m_s : float, optional
        Standard deviation of gusts; 0.3 m/s plus a fifth of the steady wind when absent.
    slipstreams_per_hour : float
        Episodes behind another vehicle, drag 10-25 % less, 20-120 s each.
    curve_resistance, wheel_slip : bool
        Whether bends cost force, whether driven wheels slip.
    yaw_drag_per_rad2 : float
        Rise of drag with the square of the yaw angle.
    efficiency_shape_sd : float
        Spread of the indicated efficiency over load and over engine speed.
    driveline_cold_loss : float, optional
        Relative loss of driveline efficiency with cold oil; drawn 0...0.01.
    driveline_speed_spread_sd : float
        Spread of the driveline's efficiency with engine speed.
    accessory_power_kw : float or "rig_mean", optional
        Mean accessory power; drawn from the rig's prior.
    accessory_variation_kw : float
        Slow variation about that mean.
    regenerations : tuple of (float, float, float)
        ``(start_s, duration_s, factor)``: fuelling times 1 + factor.
    regeneration_probability : float
        Chance of one drawn regeneration (5-25 %, 5-30 min) in the drive.
    reported_share : float, optional
        Share of the extra torque that the fuelling channel shows; the rig's when absent.
    exhaust_brake : bool
        Whether the engine has an exhaust brake and the driver uses it.
    lifts_per_hour, speed_offset_sd, cruise_share : float
        The driver's habits.
    acceleration_m_s2 : float, optional
        How briskly the driver pulls away; drawn 0.7...1.4.
    pedal_adaptation_s : float
        Time constant with which the driver gets used to another pedal map; ``inf``: never. A person
        who steers or drives anything adapts the own gain to that of what is driven, within seconds
        (crossover model, McRuer and Jex 1967, from memory; the value is our own).
    temperature_degc, pressure_offset_kpa : float, optional
        Air temperature at the start and weather; drawn around the standard atmosphere.
    thermal_spread : float
        Largest relative deviation of each parameter of air and heat from its default.
    departures : Departures
        What the estimator does not model, each with a size; none at first.
    """

    tow_mass_kg: float | None = None
    drag_area_m2: float | Literal["rig_mean"] | None = None
    solo_drag_share: float | None = None
    rolling_resistance: dict[str, float] = field(default_factory=dict)
    texture_sd: float = 0.06
    roughness_sd: float = 0.02
    tyre_speed_slope: float | None = None
    cold_tyre_rise: float | None = None
    cold_tyre_time_s: float | None = None
    wind_sd_m_s: float = 1.2
    headwind_m_s: float | None = None
    gust_sd_m_s: float | None = None
    slipstreams_per_hour: float = 2.0
    curve_resistance: bool = True
    wheel_slip: bool = True
    yaw_drag_per_rad2: float = 1.5
    efficiency_shape_sd: float = 0.006
    driveline_cold_loss: float | None = None
    driveline_speed_spread_sd: float = 0.005
    accessory_power_kw: float | Literal["rig_mean"] | None = None
    accessory_variation_kw: float = 0.3
    regenerations: tuple[tuple[float, float, float], ...] = ()
    regeneration_probability: float = 0.0
    reported_share: float | None = None
    exhaust_brake: bool = False
    lifts_per_hour: float = 40.0
    speed_offset_sd: float = 0.03
    cruise_share: float = 0.25
    acceleration_m_s2: float | None = None
    pedal_adaptation_s: float = 10.0
    temperature_degc: float | None = None
    pressure_offset_kpa: float | None = None
    thermal_spread: float = 0.05
    departures: Departures = Departures()

    @classmethod
    def none(cls) -> Self:
        """Exact traction, constant coefficients, still air; the driver keeps his habits."""
        return cls(
            rolling_resistance={
                ground.name: ground.rolling_resistance for ground in HANDBOOK_GROUNDS
            },
            texture_sd=0.0,
            roughness_sd=0.0,
            tyre_speed_slope=0.001,
            cold_tyre_rise=0.0,
            wind_sd_m_s=0.0,
            gust_sd_m_s=0.0,
            slipstreams_per_hour=0.0,
            curve_resistance=False,
            wheel_slip=False,
            yaw_drag_per_rad2=0.0,
            efficiency_shape_sd=0.0,
            driveline_cold_loss=0.0,
            driveline_speed_spread_sd=0.0,
            accessory_variation_kw=0.0,
            temperature_degc=15.0,
            pressure_offset_kpa=0.0,
            thermal_spread=0.0,
            drag_area_m2="rig_mean",
            accessory_power_kw="rig_mean",
        )

    @classmethod
    def exact_traction(cls) -> Self:
        """Road load, wind and driver drawn, but the force computed from the log is the true one."""
        return cls(
            efficiency_shape_sd=0.0,
            driveline_cold_loss=0.0,
            driveline_speed_spread_sd=0.0,
        )


def truncated_normal(
    rng: np.random.Generator, mean: float, sd: float, low: float, high: float
) -> float:
    """One normal draw, drawn again until it lies inside the bounds."""
    for _ in range(1000):
        value = float(rng.normal(mean, sd))
        if low <= value <= high:
            return value
    return float(np.clip(mean, low, high))


def draw_parameters(rig: Rig, variation: PlantVariation, seed: int) -> dict[str, Any]:
    """Draw everything that is constant over one drive.

    Each quantity has its own random stream, so that setting one does not change the others.

    Returns
    -------
    dict
        Plain numbers by name, for the simulator and for ``Drive.meta``.
    """

    def stream(number: int) -> np.random.Generator:
        return np.random.default_rng([seed, 8100 + number])

    vehicle, engine = rig.vehicle, rig.engine
    assert vehicle.mass_sd_kg is not None and vehicle.drag_area_sd_m2 is not None
    drawn: dict[str, Any] = {}
    given: Any = variation.tow_mass_kg
    drawn["tow_mass_kg"] = (
        truncated_normal(
            stream(0),
            vehicle.mass_kg,
            vehicle.mass_sd_kg,
            0.5 * vehicle.mass_kg,
            2.0 * vehicle.mass_kg,
        )
        if given is None
        else given
    )
    given = variation.drag_area_m2
    if given is None:
        given = truncated_normal(
            stream(1),
            vehicle.drag_area_m2,
            vehicle.drag_area_sd_m2,
            0.35 * vehicle.drag_area_m2,
            2.5 * vehicle.drag_area_m2,
        )
    drawn["drag_area_m2"] = vehicle.drag_area_m2 if given == "rig_mean" else given
    given = variation.solo_drag_share
    drawn["solo_drag_share"] = float(stream(2).uniform(0.5, 0.75)) if given is None else given
    given = variation.tyre_speed_slope
    drawn["tyre_speed_slope"] = (
        truncated_normal(stream(3), 0.0010, 0.0007, 0.0, 0.004) if given is None else given
    )
    rng = stream(4)
    rise, warm, age_min = rng.uniform(0.2, 0.3), rng.uniform() < 0.4, rng.uniform(5.0, 40.0)
    drawn["cold_tyre_rise"] = (
        float(rise) if variation.cold_tyre_rise is None else variation.cold_tyre_rise
    )
    drawn["tyre_cold_at_start"] = float(np.exp(-age_min / 10.0)) if warm else 1.0
    given = variation.cold_tyre_time_s
    drawn["cold_tyre_time_s"] = float(stream(5).uniform(400.0, 800.0)) if given is None else given
    components = stream(6).normal(0.0, 1.0, 2) * variation.wind_sd_m_s
    drawn["wind_m_s"] = float(np.hypot(*components))
    drawn["wind_from_deg"] = float(np.degrees(np.arctan2(components[0], components[1])) % 360.0)
    drawn["headwind_m_s"] = variation.headwind_m_s
    steady = drawn["wind_m_s"] if variation.headwind_m_s is None else abs(variation.headwind_m_s)
    given = variation.gust_sd_m_s
    drawn["gust_sd_m_s"] = 0.3 + 0.2 * steady if given is None else given
    shape = stream(7).normal(0.0, 1.0, 3)
    drawn["efficiency_load_shape"] = float(shape[0]) * variation.efficiency_shape_sd
    drawn["efficiency_speed_shape"] = float(shape[1]) * variation.efficiency_shape_sd
    drawn["driveline_speed_spread"] = float(shape[2]) * variation.driveline_speed_spread_sd
    given = variation.driveline_cold_loss
    drawn["driveline_cold_loss"] = float(stream(8).uniform(0.0, 0.01)) if given is None else given
    given = variation.accessory_power_kw
    if given is None:
        given = truncated_normal(
            stream(9), engine.accessory_power_kw, engine.accessory_power_sd_kw, 0.2, 1e6
        )
    drawn["accessory_power_kw"] = engine.accessory_power_kw if given == "rig_mean" else given
    given = variation.reported_share
    reported = engine.uprated.reported_share if engine.uprated is not None else 1.0
    drawn["reported_share"] = reported if given is None else given
    given = variation.acceleration_m_s2
    drawn["acceleration_m_s2"] = float(stream(10).uniform(0.7, 1.4)) if given is None else given
    drawn["speed_bias"] = float(stream(11).normal(0.0, 0.02)) if variation.speed_offset_sd else 0.0
    given = variation.temperature_degc
    drawn["temperature_degc"] = float(stream(12).uniform(5.0, 33.0)) if given is None else given
    given = variation.pressure_offset_kpa
    drawn["pressure_offset_kpa"] = float(stream(13).normal(0.0, 0.6)) if given is None else given
    for number, ground in enumerate(HANDBOOK_GROUNDS):
        exact = variation.rolling_resistance.get(ground.name)
        drawn[f"rolling_resistance_{ground.name}"] = (
            truncated_normal(
                stream(30 + number),
                ground.rolling_resistance,
                ground.rolling_resistance_sd,
                0.45 * ground.rolling_resistance,
                2.0 * ground.rolling_resistance,
            )
            if exact is None
            else exact
        )
    assert len(GROUND_NAMES) == len(HANDBOOK_GROUNDS)
    return drawn
