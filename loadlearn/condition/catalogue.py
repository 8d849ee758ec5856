"""Every condition check: what it compares, how sure one is beforehand, and what to inspect.

Spreads between healthy drives, sensitivities to weather and smallest deviations worth a word are
beliefs before any log (common practice, no source); baseline drives correct the spreads.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from loadlearn.condition.measures import expected_idle_fuelling
from loadlearn.vehicle.rig import Rig

Scale = Literal["percent", "kPa", "K", "coefficient", "m²"]


@dataclass(frozen=True)
class Check:
    """One condition check.

    Attributes
    ----------
    name : str
        Key in ``condition.json``.
    what : str
        What is compared, for a sentence.
    scale : str
        ``percent`` for logarithms, else the unit.
    spread_sd : float
        Standard deviation between healthy drives of one vehicle, in the measure's own unit.
    temperature_slope_sd, pressure_slope_sd : float
        Standard deviation of the sensitivity to ambient temperature (per K) and pressure (per kPa).
    smallest : float
        Deviation below which nothing is said.
    low, high : tuple of str
        Parts to inspect when the measure is low, or high; empty where that is no fault.
    like_weather : bool
        Whether it is judged only where a baseline drive was made in like weather and altitude.
    rig : callable, optional
        From rig to expected value and sd, for a log without baseline.
    needs : str
        What is missing when there is no measure.
    """

    name: str
    what: str
    scale: Scale
    spread_sd: float
    temperature_slope_sd: float
    pressure_slope_sd: float
    smallest: float
    low: tuple[str, ...]
    high: tuple[str, ...]
    needs: str
    like_weather: bool = False
    rig: Callable[[Rig], tuple[float, float]] | None = None

    @property
    def side(self) -> int:
        """1 or -1 where only a high, or a low, measure is a fault; 0 = either."""
        return int(not self.low) - int(not self.high)

    def shown(self, difference: float) -> float:
        """A difference in the unit that people read."""
        return 100.0 * float(np.expm1(difference)) if self.scale == "percent" else difference


CHECKS: tuple[Check, ...] = (
    Check(
        "boost",
        "manifold pressure at the same engine speed and load",
        "percent",
        0.010,
        0.001,
        0.005,
        0.015,
        (
            "charge-air hoses and cooler (leak)",
            "intake filter",
            "turbocharger and its actuator",
            "boost sensor",
        ),
        ("boost sensor", "turbocharger actuator"),
        "boost_kpa with engine speed and fuelling at steady load, warm",
        like_weather=True,
    ),
    Check(
        "boost_at_full_flow",
        "manifold pressure at full flow compared with light load",
        "percent",
        0.012,
        0.001,
        0.008,
        0.03,
        ("intake filter", "charge-air hoses and cooler (leak)", "turbocharger and its actuator"),
        ("turbocharger actuator",),
        "boost_kpa at high load",
        like_weather=True,
    ),
    Check(
        "boost_at_rest",
        "boost shown at idle",
        "kPa",
        1.0,
        0.02,
        0.05,
        4.0,
        ("boost sensor",),
        ("boost sensor",),
        "boost_kpa while idling at a standstill",
    ),
    Check(
        "air_flow",
        "measured air flow against what the engine draws in at its manifold pressure",
        "percent",
        0.012,
        0.0015,
        0.005,
        0.03,
        ("air-flow sensor", "exhaust-gas recirculation valve", "unmetered air after the sensor"),
        ("charge-air hoses and cooler (leak)", "air-flow sensor", "boost sensor"),
        "air_flow_g_s with boost_kpa at steady load, warm",
        like_weather=True,
    ),
    Check(
        "rail_pressure",
        "rail pressure at the same engine speed and load",
        "percent",
        0.008,
        0.0003,
        0.0003,
        0.015,
        ("fuel filter", "fuel supply and high-pressure pump", "rail-pressure sensor"),
        ("rail-pressure sensor", "rail-pressure control valve"),
        "rail_pressure_mpa with engine speed and fuelling at steady load, warm",
    ),
    Check(
        "rail_pressure_at_full_flow",
        "rail pressure at full flow compared with light load",
        "percent",
        0.012,
        0.0003,
        0.0003,
        0.03,
        ("fuel filter", "fuel supply and high-pressure pump"),
        (),
        "rail_pressure_mpa at high load",
    ),
    Check(
        "exhaust_temperature",
        "exhaust temperature above ambient at the same engine speed and load",
        "K",
        6.0,
        0.6,
        2.5,
        15.0,
        ("exhaust-temperature sensor",),
        (
            "intake filter",
            "charge-air hoses and cooler (leak)",
            "injectors",
            "exhaust-temperature sensor",
        ),
        "exhaust_gas_temp_degc with engine speed and fuelling, warm",
        like_weather=True,
    ),
    Check(
        "warm_up",
        "fuel burnt per kelvin of warm-up",
        "percent",
        0.08,
        0.012,
        0.002,
        0.20,
        (),
        ("thermostat (stays open)", "coolant-temperature sensor"),
        "coolant_temp_degc from a cold start",
    ),
    Check(
        "coolant_temperature",
        "coolant temperature once regulated",
        "K",
        1.5,
        0.06,
        0.05,
        4.0,
        ("thermostat (stays open)", "coolant-temperature sensor"),
        ("coolant level", "radiator and fan", "thermostat (stays shut)", "water pump"),
        "coolant_temp_degc after 20 minutes",
        rig=lambda rig: (88.0, 6.0),
    ),
    Check(
        "idle_fuelling",
        "warm idle fuelling",
        "percent",
        0.10,
        0.005,
        0.002,
        0.20,
        ("fuelling signal",),
        (
            "injectors (leak-off, dribble)",
            "accessories that drag (alternator, compressor)",
            "idle friction",
        ),
        "30 s of warm idle at a standstill",
        rig=expected_idle_fuelling,
    ),
    Check(
        "converter_slip",
        "engine over wheel speed at high torque compared with low, converter locked",
        "percent",
        0.0015,
        0.0001,
        0.0001,
        0.01,
        (),
        ("converter lock-up clutch", "gearbox oil", "driven tyres on loose ground (rule out)"),
        "a converter, engine speed and gear at steady low and high torque",
        rig=lambda rig: (0.004, 0.006),
    ),
    Check(
        "rolling_radius",
        "wheel speed over speed above ground",
        "percent",
        0.0020,
        0.0001,
        0.0001,
        0.004,
        ("a driven tyre larger than before (new tyres?)",),
        ("tyre pressures (low driven tyre)", "tyre wear"),
        "ground_speed_m_s beside the wheels' speed",
        rig=lambda rig: (0.0, 0.012),
    ),
    Check(
        "brake_drag",
        "rolling resistance just after braked stops compared with later",
        "coefficient",
        0.0008,
        0.00003,
        0.00003,
        0.003,
        (),
        ("brakes that let go slowly (calliper slides, hoses, parking brake, trailer brake)",),
        "three braked stops, each followed by driving",
        rig=lambda rig: (0.0, 0.0015),
    ),
    Check(
        "rolling_resistance",
        "rolling resistance learnt from the whole drive",
        "coefficient",
        0.0012,
        0.0001,
        0.00005,
        0.003,
        (),
        (
            "brakes that drag (feel for a hot wheel, tow vehicle and trailer)",
            "wheel bearings",
            "tyre pressures",
            "loose, wet or snowy ground and head wind (rule out)",
        ),
        "ten minutes of pulling at various speeds with fuelling or torque, and grade or altitude",
    ),
    Check(
        "drag_area",
        "drag area learnt from the whole drive",
        "m²",
        0.30,
        0.005,
        0.01,
        0.5,
        (),
        (
            "load on the roof, another trailer, covers that flap (rule out)",
            "head wind (rule out)",
            "driveline oil",
        ),
        "ten minutes of pulling at various speeds with fuelling or torque, and grade or altitude",
    ),
    Check(
        "tractive_efficiency",
        "work at the tread from the same fuel at the known load",
        "percent",
        0.015,
        0.0006,
        0.001,
        0.03,
        (
            "injectors",
            "compression",
            "dragging brakes or wheel bearings",
            "driveline oil",
            "fuelling signal",
        ),
        ("fuelling signal", "fuel quality"),
        "the weighed combined mass (known mass) and a drive that tells the load",
        rig=lambda rig: (
            float(np.log(rig.uncertainty.tractive_scale)),
            rig.uncertainty.tractive_scale_sd,
        ),
    ),
    Check(
        "regeneration_interval",
        "regenerations per fuel burnt",
        "percent",
        0.0,
        0.0,
        0.0,
        0.4,
        (),
        (
            "differential-pressure sensor",
            "injectors",
            "exhaust-gas recirculation",
            "intake (soot from lack of air)",
        ),
        "regeneration_active in the drive and in baseline drives",
    ),
)


@dataclass(frozen=True)
class Pattern:
    """Deviations that together say more than each alone.

    Attributes
    ----------
    signs : dict of str to int
        Check to sign of its deviation.
    absent : tuple of str
        Checks that must not deviate.
    sentence : str
    """

    signs: dict[str, int]
    absent: tuple[str, ...]
    sentence: str


PATTERNS: tuple[Pattern, ...] = (
    Pattern(
        {"boost": -1, "air_flow": 1},
        (),
        "less manifold pressure with more measured air points to air lost between the air-flow "
        "sensor and the engine: look at the charge-air hoses and cooler first",
    ),
    Pattern(
        {"boost_at_full_flow": -1},
        ("air_flow", "boost_at_rest"),
        "manifold pressure that falls away with flow while measured air still fits it points to a "
        "restriction before the compressor: look at the intake filter first",
    ),
    Pattern(
        {"boost_at_rest": 1, "air_flow": -1},
        (),
        "a boost reading that is not zero at rest and air flow that looks short against it point "
        "to the boost sensor",
    ),
    Pattern(
        {"rail_pressure_at_full_flow": -1},
        (),
        "a shortfall that grows with flow points to the supply (fuel filter) rather than to the "
        "sensor",
    ),
    Pattern(
        {"rail_pressure": 1},
        ("rail_pressure_at_full_flow",),
        "the same shift at every flow points to the rail-pressure sensor",
    ),
    Pattern(
        {"warm_up": 1, "coolant_temperature": -1},
        (),
        "slow warm-up and a coolant that stays cool point to the thermostat",
    ),
)
