"""What an outside plant was told: the values that an estimate is judged against."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Truth:
    """The parameters a plant ran with.

    Attributes
    ----------
    mass_kg : float
        Total mass moved, without rotating parts.
    rolling_resistance : float
        Rolling resistance coefficient at 20 m/s.
    drag_area_m2 : float
        Drag coefficient times frontal area.
    air_density_kg_m3 : float
        Density the plant used for drag.
    wheel_inertia_kg_m2 : float
        All wheels.
    tyre_radius_m : float
        Rolling radius.
    driveline_efficiency : float
        Power at the tread over power at the engine, when driving.
    accessory_power_w : float
        Taken from the engine before the driveline.
    """

    mass_kg: float
    rolling_resistance: float
    drag_area_m2: float
    air_density_kg_m3: float
    wheel_inertia_kg_m2: float
    tyre_radius_m: float
    driveline_efficiency: float
    accessory_power_w: float
