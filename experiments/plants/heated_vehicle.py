"""A small vehicle with heat, to close the loop around the policy: shared by tests and experiments.

It is not the policy's model: the gas lags, the metal has a thin and a thick part, the turbocharger
spins up, radiation cools the manifold, and every parameter may be off by up to a tenth. What is
judged is its true gas, not its sensor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from loadlearn.vehicle.rig import Rig

GRAVITY = 9.80665


@dataclass
class Deviations:
    """Factors on the plant's parameters; 1 = as the policy believes."""

    heat: float = 1.0
    air: float = 1.0
    fuel: float = 1.0
    metal: float = 1.0
    metal_time: float = 1.0
    sensor_time: float = 1.0
    turbo_time: float = 1.0
    coolant: float = 1.0


@dataclass
class Plant:
    """Vehicle, engine and heat; call :meth:`step` with pedal, extra-torque share and factor."""

    rig: Rig
    mass_kg: float = 5200.0
    rolling_resistance: float = 0.011
    ambient_degc: float = 25.0
    altitude_m: float = 0.0
    off: Deviations = field(default_factory=Deviations)
    seed: int = 0
    coolant_degc: float = 88.0
    fixed_speed_m_s: float | None = None
    """Hold this speed whatever the force (an engine on a brake)."""
    noise: bool = True

    def __post_init__(self) -> None:
        self.random = np.random.default_rng(self.seed)
        self.time_s = 0.0
        self.speed_m_s = 0.0 if self.fixed_speed_m_s is None else self.fixed_speed_m_s
        self.gear = 1
        self.shift_left_s = 0.0
        self.pressure_kpa = 101.325 * (1 - 0.0065 * self.altitude_m / 288.15) ** 5.2559
        self.charge_kpa = self.pressure_kpa
        self.gas_degc = 200.0
        self.thin_degc = 200.0
        self.thick_degc = 200.0
        self.sensor_degc = 200.0
        self.oil_degc = 80.0
        self.distance_m = 0.0
        self.torque_n_m = 0.0
        self.fuel_g_s = 0.3
        self.power_w = self.extra_power_w = 0.0
        engine = self.rig.engine
        self.rpm_grid = np.array(engine.full_load_rpm)
        self.base = np.array(engine.full_load_torque_n_m)
        self.uprated = np.array(engine.uprated.full_load_torque_n_m)
        self.ratios = np.array(self.rig.driveline.gear_ratios) * self.rig.driveline.final_drive
        omega = self.rpm_grid * math.pi / 30
        self.rated_fuel = max(self._fuel(t, w) for t, w in zip(self.base, omega, strict=True))

    def _fuel(self, torque: float, omega: float) -> float:
        e = self.rig.engine
        fmep = (e.friction_mep_kpa + e.friction_mep_slope_kpa_s_per_rad * omega) * 1e3
        friction = fmep * e.displacement_m3 / (4 * math.pi)
        efficiency = e.indicated_efficiency * (1 - 0.04 * max(torque / self.base.max() - 0.7, 0))
        return (
            max(torque + friction, 0) * omega / (efficiency * e.heating_value_j_g) * self.off.fuel
        )

    def rpm(self) -> float:
        rpm = self.speed_m_s / self.rig.vehicle.tyre_radius_m * self.ratios[self.gear - 1]
        return float(min(max(rpm * 30 / math.pi, 1100.0), self.rpm_grid[-1]))

    def full_load(self, share: float) -> float:
        base = np.interp(self.rpm(), self.rpm_grid, self.base)
        return float(base + share * (np.interp(self.rpm(), self.rpm_grid, self.uprated) - base))

    def shift(self, dt: float) -> None:
        self.shift_left_s = max(self.shift_left_s - dt, 0.0)
        if self.shift_left_s > 0.0:
            return
        rpm = self.speed_m_s / self.rig.vehicle.tyre_radius_m * self.ratios * 30 / math.pi
        now = rpm[self.gear - 1]
        if now > 0.86 * self.rpm_grid[-1] and self.gear < len(self.ratios):
            self.gear += 1
            self.shift_left_s = 0.4
        elif self.gear > 1 and now < 1700 and rpm[self.gear - 2] < 0.8 * self.rpm_grid[-1]:
            self.gear -= 1
            self.shift_left_s = 0.4

    def step(
        self, pedal: float, share: float, factor: float, grade: float, dt: float = 0.1
    ) -> None:
        """Advance by ``dt`` with the pedal (0..1), share u, torque factor and grade (tangent)."""
        p, off = self.rig, self.off
        if self.fixed_speed_m_s is None:
            self.shift(dt)
        omega = self.rpm() * math.pi / 30
        full = self.full_load(share)
        self.torque_n_m = max(pedal * full, 0.0) * factor
        extra = max(self.torque_n_m - self.full_load(0.0), 0.0)
        self.power_w, self.extra_power_w = self.torque_n_m * omega, extra * omega
        self.fuel_g_s = self._fuel(self.torque_n_m, omega)

        # Air: target pressure over fuelling, first-order turbo lag, compressor limit.
        base_fuel = self._fuel(self.full_load(0.0), omega)
        load = self.fuel_g_s / base_fuel
        load = load if load < 1 else 1 + 0.65 * (load - 1)
        self.intake_degc = self.ambient_degc + 5 + 13 * min(load, 1.4)
        per_kpa = (
            1e6
            * 0.9
            * p.engine.displacement_m3
            * omega
            / (4 * math.pi)
            / (287.05 * 328.0)
            * off.air
        )
        design = 1.42 * 14.5 * base_fuel / off.fuel / per_kpa
        target = min(100 + max(design - 100, 0) * load, 3.1 * self.pressure_kpa)
        target = max(target, self.pressure_kpa)
        self.charge_kpa += (target - self.charge_kpa) * (1 - math.exp(-dt / (0.9 * off.turbo_time)))
        self.air_g_s = self.charge_kpa * per_kpa * 328.0 / (self.intake_degc + 273)

        # Exhaust: a lagging gas, a thin and a thick piece of metal, radiation from the thick one.
        rise = 0.335 * off.heat * 42_800 * self.fuel_g_s / (1.14 * (self.air_g_s + self.fuel_g_s))
        cylinder = self.intake_degc + rise
        wall = 0.5 * self.thin_degc + 0.5 * self.thick_degc
        seen = cylinder - 0.2 * off.metal * (cylinder - wall)
        self.gas_degc += (seen - self.gas_degc) * (1 - math.exp(-dt / 0.4))
        thin_time, thick_time = 15 * off.metal_time, 80 * off.metal_time
        self.thin_degc += (self.gas_degc - self.thin_degc) * (1 - math.exp(-dt / thin_time))
        loss = 40 * ((self.thick_degc + 273) / 973) ** 4
        self.thick_degc += (self.gas_degc - loss - self.thick_degc) * (
            1 - math.exp(-dt / thick_time)
        )
        self.after_degc = self.gas_degc - 0.27 * (self.gas_degc - self.ambient_degc)
        seen = self.after_degc if self._after() else self.gas_degc
        lag = 2.5 * off.sensor_time
        self.sensor_degc += (seen - self.sensor_degc) * (1 - math.exp(-dt / lag))

        heat = self.ambient_degc + 52 * off.coolant * self.fuel_g_s / self.rated_fuel
        goal = (
            max(88.0, heat)
            if self.coolant_degc > 85
            else 92.0 + 40 * self.fuel_g_s / self.rated_fuel
        )
        time = 150.0 if self.coolant_degc > 85 else 260.0
        self.coolant_degc += (goal - self.coolant_degc) * (1 - math.exp(-dt / time))
        oil = self.coolant_degc + 18 * self.fuel_g_s / self.rated_fuel
        self.oil_degc += (oil - self.oil_degc) * (1 - math.exp(-dt / 300))

        if self.fixed_speed_m_s is None:
            ratio = self.ratios[self.gear - 1]
            drive = 0.0 if self.shift_left_s > 0 else self.torque_n_m * ratio
            force = drive * p.driveline.efficiency / p.vehicle.tyre_radius_m
            cosine = 1 / math.sqrt(1 + grade * grade)
            density = self.pressure_kpa * 1e3 / (287.05 * (self.ambient_degc + 273.15))
            force -= self.mass_kg * GRAVITY * cosine * (grade + self.rolling_resistance)
            force -= 0.5 * density * p.vehicle.drag_area_m2 * self.speed_m_s**2
            rotating = (p.engine.inertia_kg_m2 * ratio**2 + p.vehicle.wheel_inertia_kg_m2) / (
                p.vehicle.tyre_radius_m**2
            )
            self.speed_m_s = max(self.speed_m_s + dt * force / (self.mass_kg + rotating), 0.0)
        self.distance_m += self.speed_m_s * dt
        self.altitude_m += self.speed_m_s * dt * grade
        self.time_s += dt
        self.pedal, self.grade = pedal, grade

    def _after(self) -> bool:
        return self.rig.limits.exhaust_gas_temp_sensor == "after_turbine"

    def limit_degc(self) -> float:
        """Limit at the place of the rig's exhaust sensor."""
        limits = self.rig.limits
        if self._after():
            return limits.exhaust_gas_temp_after_turbine_degc
        return limits.exhaust_gas_temp_degc

    def judged_degc(self) -> float:
        """True gas at the place of the rig's exhaust sensor."""
        return self.after_degc if self._after() else self.gas_degc

    def sample(self) -> dict[str, float]:
        """What a logger shows now: noisy, rounded as real channels are."""
        noise = self.random.normal(size=6) if self.noise else np.zeros(6)
        shown = float(np.round(self.sensor_degc + 1.5 * noise[0]))
        gas = "exhaust_gas_temp_after_turbine_degc" if self._after() else "exhaust_gas_temp_degc"
        return {
            "time_s": round(self.time_s, 3),
            "speed_m_s": self.speed_m_s + 0.02 * noise[1],
            "grade_percent": 100 * self.grade + 0.1 * noise[2],
            "altitude_m": self.altitude_m,
            "fuel_rate_g_s": self.fuel_g_s * (1 + 0.01 * noise[3]),
            "engine_speed_rpm": self.rpm(),
            "gear": 0.0 if self.shift_left_s > 0 else float(self.gear),
            "brake_active": 0.0,
            "accelerator_percent": 100 * self.pedal,
            "coolant_temp_degc": float(np.round(self.coolant_degc)),
            "transmission_oil_temp_degc": float(np.round(self.oil_degc)),
            gas: shown,
            "intake_temp_degc": float(np.round(self.intake_degc)),
            "air_flow_g_s": self.air_g_s * (1 + 0.01 * noise[5]),
            "boost_kpa": self.charge_kpa - self.pressure_kpa + 1.0 * noise[4],
            "ambient_temp_degc": self.ambient_degc,
            "ambient_pressure_kpa": self.pressure_kpa,
        }
