"""Engine, converter and automatic gearbox of the simulated vehicle, compiled.

The engine follows a Willans line whose slope varies mildly with load and speed; a filter knows only
the mean slope. Fuel is burnt for the indicated torque and the accessories::

    fuel = ((T_brake/s + fmep(w) V_d / 4 pi) w + P_accessories) / (e(T, w) H)

so that the true force is ``s`` times the force that a log of this fuel gives through the rig.
"""

from __future__ import annotations

import math

import numpy as np

from loadlearn.simulation.plant_state import DrivelineParameters, EngineParameters

_FOUR_PI = 4.0 * math.pi


def interpolate(x: float, grid: np.ndarray, values: np.ndarray) -> float:
    """Linear interpolation on a rising grid; end values hold outside."""
    if x <= grid[0]:
        return values[0]
    for upper in range(1, grid.size):
        if x < grid[upper]:
            part = (x - grid[upper - 1]) / (grid[upper] - grid[upper - 1])
            return values[upper - 1] + part * (values[upper] - values[upper - 1])
    return values[-1]


def full_load_torque(
    engine_speed: float, share: float, curve: np.ndarray, engine: EngineParameters
) -> float:
    """Full-load brake torque (N m) at an extra-torque share, were there air enough.

    ``curve`` has rows: engine speed (rad/s), base torque, extra torque of the uprated engine.
    """
    torque = interpolate(engine_speed, curve[0], curve[1])
    torque += share * interpolate(engine_speed, curve[0], curve[2])
    # Governor: torque falls to nothing over 6 % above rated speed.
    over = engine_speed / engine.rated_rad_s - 1.0
    if over > 0.0:
        torque *= max(0.0, 1.0 - over / 0.06)
    return torque


def friction_torque(engine_speed: float, engine: EngineParameters) -> float:
    """Friction torque (N m), ``fmep(w) V_d / 4 pi``."""
    pressure = engine.friction_pa + engine.friction_slope_pa_s * engine_speed
    return pressure * engine.displacement_m3 / _FOUR_PI


def fuel_for_torque(
    torque: float,
    engine_speed: float,
    accessory_w: float,
    efficiency: float,
    engine: EngineParameters,
) -> float:
    """Fuelling (g/s) of the Willans line for a brake torque before the tractive scale."""
    power = (torque + friction_torque(engine_speed, engine)) * engine_speed + accessory_w
    fall = engine.efficiency_fall_per_n_m
    if fall != 0.0 and power > 0.0:
        # The straight line's indicated torque x that gives this one: x (1 - fall x).
        root = max(1.0 - 4.0 * fall * power / engine_speed, 0.0)
        power = engine_speed * (1.0 - math.sqrt(root)) / (2.0 * fall)
    return max(0.0, power / (efficiency * engine.heating_value_j_g))


def torque_for_fuel(
    fuel_g_s: float, engine_speed: float, accessory_w: float, engine: EngineParameters
) -> float:
    """Brake torque (N m) of a fuelling at the mean efficiency, with the tractive scale."""
    heat_w = fuel_g_s * engine.efficiency * engine.heating_value_j_g
    power = heat_w - accessory_w
    torque = power / max(engine_speed, 20.0) - friction_torque(engine_speed, engine)
    torque -= engine.efficiency_fall_per_n_m * (heat_w / max(engine_speed, 20.0)) ** 2
    return engine.torque_scale * torque


def indicated_efficiency(torque: float, engine_speed: float, engine: EngineParameters) -> float:
    """Indicated efficiency at an operating point; equals the rig's about the middle of use."""
    load = torque / engine.peak_torque_n_m - 0.35
    speed = engine_speed / engine.rated_rad_s - 0.45
    shape = engine.efficiency_load_shape * load + engine.efficiency_speed_shape * speed
    return engine.efficiency * (1.0 + 2.0 * shape)


def converter_torque_ratio(speed_ratio: float, line: DrivelineParameters) -> float:
    """Turbine over pump torque: the stall ratio falling linearly to 1 at the coupling point."""
    if speed_ratio >= line.coupling_ratio:
        return 1.0
    return (
        line.stall_torque_ratio
        + (1.0 - line.stall_torque_ratio) * max(speed_ratio, 0.0) / line.coupling_ratio
    )


def pump_torque(
    engine_speed: float, turbine_speed: float, idle_rad_s: float, line: DrivelineParameters
) -> tuple[float, float]:
    """Torque taken by the converter's pump (N m) and its slope with engine speed.

    ``T = K w^2 (1 - sr^6)``: square law of a hydrodynamic coupling, capacity falling to nothing at
    equal speeds and reversing beyond. A rig without a converter has a friction clutch with
    ``closing_share`` above 0, which bites only as the engine rises above idle.
    """
    speed = max(engine_speed, 20.0)
    ratio = min(turbine_speed / speed, 1.25)
    ratio6 = ratio**6
    torque = line.converter_capacity * speed * speed * (1.0 - ratio6)
    slope = line.converter_capacity * speed * (2.0 + 4.0 * ratio6)
    if line.closing_share > 0.0 and turbine_speed < idle_rad_s:
        rise = 1.0 / (0.4 * idle_rad_s)
        bite = min(max((speed - idle_rad_s) * rise, 0.0), 1.0)
        share = 1.0 - line.closing_share * (1.0 - bite)
        if 0.0 < bite < 1.0:
            slope = share * slope + torque * line.closing_share * rise
        else:
            slope = share * slope
        torque *= share
    return torque, slope


def driveline_efficiency(
    engine_speed: float, cold: float, rated_rad_s: float, line: DrivelineParameters
) -> float:
    """Efficiency between gearbox input and tread: less with cold oil and at high speed."""
    spread = line.efficiency_speed_spread * (engine_speed / rated_rad_s - 0.45)
    return min(1.0, line.efficiency * (1.0 - line.efficiency_cold_loss * cold - spread))


def tread_force(input_torque: float, ratio: float, efficiency: float, radius_m: float) -> float:
    """Force at the tread (N); losses count one way when driving, the other when driven."""
    if input_torque >= 0.0:
        return input_torque * ratio * efficiency / radius_m
    return input_torque * ratio / (efficiency * radius_m)


def wanted_gear(
    gear: int,
    wheel_speed_rad_s: float,
    pedal: float,
    engine_braking: bool,
    gears: np.ndarray,
    range_ratio: float,
    engine: EngineParameters,
    line: DrivelineParameters,
) -> int:
    """Gear that the shift map asks for.

    Up when the engine would still turn fast enough in the higher gear for the pedal needed there,
    down when it turns too slowly in this one. Both thresholds hang on the lowest speed of the
    torque plateau and rise with the pedal; between them lies a dead band of some 16 %.
    """
    plateau = engine.torque_plateau_rad_s
    lowest_here = 0.84 * plateau * (0.92 + 0.6 * pedal**3)
    drive = wheel_speed_rad_s * line.final_drive * range_ratio
    speed = drive * gears[gear - 1]
    limit = 0.95 * engine.rated_rad_s
    if engine_braking and gear > 1 and drive * gears[gear - 2] < 0.62 * engine.rated_rad_s:
        return gear - 1
    if gear < gears.size and not engine_braking:
        best = gear
        for step in range(1, int(line.skip_gears) + 1):
            higher = gear + step
            if higher > gears.size:
                break
            # The same force needs more pedal in the higher gear; with none to spare it stays.
            after = pedal * gears[gear - 1] / gears[higher - 1]
            if after < 0.93 and drive * gears[higher - 1] >= plateau * (0.92 + 0.6 * after**3):
                best = higher
        if best > gear:
            return best
        if speed > limit and drive * gears[gear] > 0.6 * lowest_here:
            return gear + 1
    if gear > 1 and speed < lowest_here and drive * gears[gear - 2] < 0.93 * limit:
        return gear - 1
    return gear


def blended_ratio(before: float, after: float, part: float) -> float:
    """Ratio in the middle of a shift: held, swept, held."""
    swept = min(1.0, max(0.0, (part - 0.25) / 0.5))
    smooth = swept * swept * (3.0 - 2.0 * swept)
    return before * (after / before) ** smooth
