"""Quantities of a comparison as people read them."""

from __future__ import annotations

SHOWN: tuple[tuple[str, str, float, int], ...] = (
    ("climb_power_kw", "power on climbs (kW)", 1.0, 1),
    ("climb_time_s", "time on climbs (s)", 1.0, 1),
    ("climb_extra_torque_share", "extra torque used there (%)", 100.0, 1),
    ("crest_speed_m_s", "speed at the crests (km/h)", 3.6, 1),
    ("passing_time_s", "time to pass (s)", 1.0, 1),
    ("trip_time_s", "time for the road (s)", 1.0, 0),
    ("fuel_l_per_100km", "fuel (l/100 km)", 1.0, 2),
    ("peak_gas_degc", "peak gas (°C)", 1.0, 0),
    ("seconds_over_gas_limit", "gas above its limit (s)", 1.0, 1),
    ("longest_10k_over_gas_limit_s", "longest 10 K above it (s)", 1.0, 1),
    ("gear_change_torque_n_m", "torque in gear changes (N m)", 1.0, 0),
    ("setting_changes", "setting changes", 1.0, 1),
)
"""Quantity, heading with its unit, factor to that unit, decimals."""
