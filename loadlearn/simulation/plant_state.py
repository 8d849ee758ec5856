"""Names of the simulated vehicle's state, parameters, surroundings and recorded columns.

The state is one float array, so that compiled code can carry it; each place in it has a name here.
Parameters are named tuples of floats. Nothing is hidden: state, parameters and the columns of the
road and of the disturbances determine the next state.
"""

from __future__ import annotations

from typing import NamedTuple

# Places in the state.
DISTANCE = 0  # along the road, m
SPEED = 1  # m/s, never negative
ENGINE_SPEED = 2  # rad/s
TORQUE = 3  # net brake torque after the lag, N m
PEDAL = 4  # 0..1
PEDAL_TARGET = 5  # where the driver's foot is going
DEMAND_INTEGRAL = 6  # the driver's integral part, N
DECISION_TIME = 7  # s until the driver decides again
BRAKE_FORCE = 8  # N
BRAKING = 9  # 0/1
GEAR = 10  # engaged gear, 1 = lowest; -1 reverse
GEAR_BEFORE = 11  # gear before the shift under way
SHIFT_TIME = 12  # s into the shift, negative when none is under way
SINCE_SHIFT = 13  # s since the last shift ended
LOCKED = 14  # 0 converter open, from 1 the lock-up clutch closes, 2 locked rigidly
PHASE = 15  # 0 driving, 1 standing, 2 backing
PHASE_TIME = 16  # s in this phase
NEXT_STOP = 17  # number of the next stop
MASS = 18  # combination, kg
FUEL_BURNT = 19  # g
TYRE_COLD = 20  # 1 cold, 0 warm
SHARE = 21  # share of the extra torque in use
DRAG_AREA = 22  # m^2, zero yaw
TYRE_FACTOR = 23  # factor on the rolling resistance (tyre pressure)
LOW_RANGE = 24  # 0/1
EXHAUST_BRAKE = 25  # 0/1
ENGINE_ON = 26  # 0/1
BRAKE_SPELL = 27  # s of continuous braking
DRIVELINE_COLD = 28  # 1 cold oil, 0 warm
WHEEL_SLIP = 29  # relative slip of the driven wheels
FAMILIAR_ECONOMY = 30  # economy that the driver's foot is used to
STATE_SIZE = 31

# Columns of the road table.
ROAD_TANGENT = 0
ROAD_ALTITUDE = 1
ROAD_COAST_SPEED = 2  # speed envelope that can be met by lifting early
ROAD_BRAKE_SPEED = 3  # speed envelope that needs the brake
ROAD_CURVATURE = 4
ROAD_COEFFICIENT = 5  # rolling resistance at 20 m/s, warm tyres, all variation
ROAD_NOMINAL = 6  # the same of the stretch, without the fine variation
ROAD_GROUND = 7
ROAD_WIND_ALONG = 8  # steady wind against the direction of travel, m/s
ROAD_WIND_ACROSS = 9
ROAD_DENSITY = 10
ROAD_SLIP_COMPLIANCE = 11  # wheel slip per tread force over weight
ROAD_TEMPERATURE = 12  # ambient, degC
ROAD_PRESSURE = 13  # ambient, kPa
ROAD_COLUMNS = 14

# Columns of the disturbances over time.
NOISE_GUST_ALONG = 0
NOISE_GUST_ACROSS = 1
NOISE_ACCESSORY = 2  # kW about the mean
NOISE_SPEED_OFFSET = 3  # relative, of the driver's wish
NOISE_LIFT = 4  # 1 while the driver lifts his foot
NOISE_CRUISE = 5  # 1 while cruise control drives
NOISE_DRAG_FACTOR = 6  # slipstream
NOISE_REGENERATION = 7  # factor on the fuelling less 1
NOISE_COLUMNS = 8

# Columns of the stops.
STOP_DISTANCE = 0
STOP_DURATION = 1
STOP_ENGINE_OFF = 2
STOP_REVERSE = 3
STOP_MASS = 4  # NaN = unchanged; likewise below
STOP_DRAG_AREA = 5
STOP_TYRE_FACTOR = 6
STOP_LOW_RANGE = 7
STOP_COLUMNS = 8

# Columns recorded at every internal step.
RECORDED = (
    "time_s",
    "distance_m",
    "speed_m_s",
    "accel_m_s2",
    "engine_speed_rad_s",
    "engine_torque_n_m",
    "fuel_rate_g_s",
    "reported_fuel_rate_g_s",
    "reported_torque_n_m",
    "gear",
    "locked",
    "shifting",
    "accelerator",
    "brake_force_n",
    "driving_force_n",
    "tractive_force_n",
    "grade_tangent",
    "altitude_m",
    "headwind_m_s",
    "effective_drag_area_m2",
    "drag_area_m2",
    "rolling_resistance",
    "warm_rolling_resistance",
    "ground",
    "mass_kg",
    "air_density_kg_m3",
    "extra_torque_share",
    "regeneration",
    "phase",
    "cruise",
    "exhaust_brake",
    "low_range",
    "accessory_power_w",
    "stop",
    "curve_force_n",
    "wheel_slip",
    "ambient_temp_degc",
    "ambient_pressure_kpa",
    "true_exhaust_gas_temp_degc",
    "exhaust_gas_temp_degc",
    "exhaust_gas_temp_after_turbine_degc",
    "coolant_temp_degc",
    "transmission_oil_temp_degc",
    "engine_oil_temp_degc",
    "intake_temp_degc",
    "boost_kpa",
    "air_flow_g_s",
    "rail_pressure_mpa",
    "air_fuel_lambda",
    "converter_loss_w",
)
RECORD_COLUMNS = len(RECORDED)


class EngineParameters(NamedTuple):
    """Engine of the plant (SI)."""

    efficiency: float
    heating_value_j_g: float
    displacement_m3: float
    friction_pa: float
    friction_slope_pa_s: float
    inertia_kg_m2: float
    idle_rad_s: float
    rated_rad_s: float
    torque_plateau_rad_s: float
    peak_torque_n_m: float
    torque_scale: float
    efficiency_load_shape: float
    efficiency_speed_shape: float
    lag_rise_s: float
    lag_boost_s: float
    lag_fall_s: float
    reported_share: float
    efficiency_fall_per_n_m: float
    exhaust_brake_mep_pa: float
    share_ceiling: float


class DrivelineParameters(NamedTuple):
    """Driveline, wheels and gearbox of the plant (SI)."""

    efficiency: float
    efficiency_cold_loss: float
    efficiency_speed_spread: float
    cold_time_s: float
    final_drive: float
    low_ratio: float
    tyre_radius_m: float
    wheel_inertia_kg_m2: float
    stall_torque_ratio: float
    converter_capacity: float
    coupling_ratio: float
    closing_share: float
    shift_time_s: float
    shift_torque_factor: float
    lock_rad_s: float
    lowest_locked_gear: float
    skip_gears: float


class RoadLoadParameters(NamedTuple):
    """Road load of the plant beyond mass, coefficient and drag area."""

    tyre_speed_slope: float
    cold_rise: float
    cold_time_s: float
    yaw_drag_per_rad2: float
    cornering_stiffness_1_rad: float
    tow_vehicle_mass_kg: float


class DriverParameters(NamedTuple):
    """The driver."""

    speed_gain_1_s: float
    integral_gain_1_s2: float
    feedforward: float
    acceleration_m_s2: float
    brake_m_s2: float
    coast_m_s2: float
    decision_s: float
    hold_band: float
    pedal_rate_1_s: float
    downhill_margin_m_s: float
    uses_exhaust_brake: float
    adaptation_s: float
