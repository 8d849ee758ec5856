"""What is driven: vehicle, engine, driveline, uncertainty and limits, read from one TOML file.

Every key of the rig file is a field here, with the same name, so that ``rig.vehicle.mass_kg`` is
the key ``mass_kg`` of the table ``[vehicle]``. Derived quantities that need nothing but the rig are
properties and methods.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from loadlearn.errors import InputError

# What can be, from a moped to a mining truck: set wide, only to catch a wrong unit or a slip of the
# keyboard before it passes for an answer (common practice, no source).
Mass = Annotated[float, Field(ge=10.0, le=2e6)]
MassSd = Annotated[float, Field(ge=0.01, le=1e6)]
Rating = Annotated[float, Field(ge=0.0, le=5e6)]
DragArea = Annotated[float, Field(ge=0.01, le=100.0)]
DragAreaSd = Annotated[float, Field(ge=0.001, le=100.0)]
Inertia = Annotated[float, Field(ge=0.0, le=1e4)]
Displacement = Annotated[float, Field(ge=0.02, le=500.0)]
Torque = Annotated[float, Field(ge=0.1, le=1e5)]
AxleTorque = Annotated[float, Field(ge=1.0, le=1e7)]
EngineSpeed = Annotated[float, Field(ge=10.0, le=30_000.0)]
Pressure = Annotated[float, Field(ge=0.0, le=1000.0)]
PressureSlope = Annotated[float, Field(ge=0.0, le=10.0)]
Power = Annotated[float, Field(ge=0.0, le=1000.0)]
Ratio = Annotated[float, Field(ge=0.02, le=100.0)]
Temperature = Annotated[float, Field(ge=-60.0, le=1200.0)]

# Fuel at 15 degC. Diesel: EN 590 density 820-845 kg/m3 (published), lower heating value
# 42.8-43.0 MJ/kg (secondary). Petrol: EN 228 density 720-775 kg/m3, about 43 MJ/kg (from memory).
FUEL_DENSITY_KG_M3 = {"diesel": 835.0, "petrol": 745.0}
FUEL_HEATING_VALUE_MJ_KG = {"diesel": 42.8, "petrol": 43.0}
# Stoichiometric air-fuel ratio by mass (Heywood, from memory): 14.5 diesel, 14.6 petrol.
FUEL_STOICHIOMETRIC_RATIO = {"diesel": 14.5, "petrol": 14.6}
# Sustained exhaust gas limit before and after the turbine (degC; common practice, no source). With
# no air to spare a petrol engine is hotter than the diesel's limit at its own base full load: 0.34
# of the fuel's heat in 15.6 times its mass is a rise of 810 K. Its turbines stand about 950; after
# them, the same part of the rise is left as for a diesel.
FUEL_EXHAUST_LIMITS_DEGC = {"diesel": (720.0, 520.0), "petrol": (950.0, 680.0)}

UNBOOSTED_MEP_KPA = 1400.0
"""No petrol engine without a compressor reaches this brake mean effective pressure: 850 to 1050 kPa
are usual (Heywood, section 2.7, from memory), and the best of today's stay below 1350 (common
practice, no source)."""
EXHAUST_BRAKE_FROM_L = 5.0
"""Diesel engines larger than this have an exhaust brake unless the rig says otherwise."""


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class Vehicle(_Table):
    """Masses, ratings, tyres and drag of the combination (SI units unless the name says)."""

    mass_kg: Mass
    """Tow vehicle as driven, nothing hitched (kg)."""
    mass_sd_kg: MassSd | None = None
    """Standard deviation of ``mass_kg`` (kg); default 4 % of it."""
    rated_gvm_kg: Mass | None = None
    """Gross vehicle mass on the compliance plate."""
    rated_gcm_kg: Mass | None = None
    """Gross combination mass on the plate; advice needs it. Without it GVM plus the towing rating
    stands in, else twice ``mass_kg``."""
    rated_towing_kg: Rating | None = None
    """Towing rating on the plate."""
    rigid: bool = False
    """Whether it carries its load itself and tows nothing: the load is then called its payload, and
    where ``rated_gcm_kg`` is silent ``rated_gvm_kg`` is filled in."""
    tyre_radius_m: Annotated[float, Field(gt=0.1, lt=1.5)]
    """Rolling radius (m)."""
    wheel_inertia_kg_m2: Inertia = 5.0
    """All wheels of the combination (kg m^2)."""
    drag_area_m2: DragArea = 2.2
    """Prior belief of drag coefficient times frontal area for the combination (m^2)."""
    drag_area_sd_m2: DragAreaSd | None = None
    """Standard deviation of ``drag_area_m2`` (m^2); default a third of it."""

    @model_validator(mode="after")
    def _fill_and_check(self) -> Self:
        if self.mass_sd_kg is None:
            object.__setattr__(self, "mass_sd_kg", 0.04 * self.mass_kg)
        if self.drag_area_sd_m2 is None:
            object.__setattr__(self, "drag_area_sd_m2", self.drag_area_m2 / 3.0)
        if self.rigid and self.rated_towing_kg is not None:
            raise ValueError("rated_towing_kg is for what tows; remove it, or rigid")
        if self.rigid and self.rated_gcm_kg is None:
            object.__setattr__(self, "rated_gcm_kg", self.rated_gvm_kg)
        if self.rated_gcm_kg is not None and self.rated_gcm_kg <= self.mass_kg:
            raise ValueError(
                f"rated_gcm_kg ({self.rated_gcm_kg:g}) must be greater than mass_kg "
                f"({self.mass_kg:g}); give the rating from the compliance plate"
            )
        return self


class Uprated(_Table):
    """The most the modified engine may give, and how much of it the log's channels show."""

    full_load_torque_n_m: list[Torque]
    """On the ``full_load_rpm`` of the base calibration (N m)."""
    reported_share: Annotated[float, Field(ge=0.0, le=1.5)] = 1.0
    """Share of the extra torque that the fuelling or torque channel shows (0 = none of it)."""
    reported_share_sd: Annotated[float, Field(ge=0.0, le=2.0)] = 0.3
    """How sure that is."""


class Engine(_Table):
    """Fuel, Willans line, inertia and full-load curve."""

    fuel: Literal["diesel", "petrol"] = "diesel"
    """Decides heating value, density, exhaust limits and which dyno correction is right."""
    aspiration: Literal["turbocharged", "naturally_aspirated"] | None = None
    """Whether a compressor feeds it; filled in: a diesel is turbocharged, a petrol engine where its
    full-load curve is beyond 1400 kPa of mean effective pressure, else naturally aspirated."""
    displacement_l: Displacement
    """Swept volume."""
    cylinders: Annotated[int, Field(ge=1, le=24)] = 4
    """How many; for fuelling logged per stroke."""
    strokes_per_cycle: Literal[2, 4] = 4
    """Of the engine's cycle."""
    fuel_density_kg_m3: Annotated[float, Field(ge=500.0, le=1100.0)] | None = None
    """At 15 °C; filled in by the fuel: 835 or 745."""
    heating_value_mj_kg: Annotated[float, Field(ge=10.0, le=60.0)] | None = None
    """Lower heating value; filled in by the fuel: 42.8 or 43.0."""
    reference_torque_n_m: Torque | None = None
    """Torque at 100 % for percent-torque channels; default the peak of the full-load curve."""
    indicated_efficiency: Annotated[float, Field(gt=0.1, lt=0.6)] = 0.41
    """Slope of the Willans line (DI diesel 0.40-0.45, Guzzella & Onder, from memory)."""
    friction_mep_kpa: Pressure = 110.0
    """Friction mean effective pressure at zero engine speed (kPa)."""
    friction_mep_slope_kpa_s_per_rad: PressureSlope = 0.18
    """Rise of the friction mean effective pressure with engine speed (kPa per rad/s)."""
    friction_mep_sd_kpa: Pressure | None = None
    """How sure the friction is, and with it what a straight line says of no load (kPa); filled in:
    5 where the friction is stated, else 37, a quarter of the default at 2000 rpm (common practice,
    no source)."""
    efficiency_fall_per_mpa: Annotated[float, Field(ge=-0.1, le=0.3)] = 0.0
    """Share by which the indicated efficiency falls per MPa of indicated mean effective pressure as
    ``indicated_efficiency`` gives it; 0 is a straight line."""
    inertia_kg_m2: Inertia = 0.28
    """Of all that turns with the crankshaft."""
    idle_rpm: Annotated[float, Field(ge=200.0, le=2000.0)] = 750.0
    """Idle speed."""
    accessory_power_kw: Power = 2.0
    """Air conditioning, alternator, fan: mean."""
    accessory_power_sd_kw: Power = 1.5
    """How far it strays from that."""
    exhaust_brake: bool | None = None
    """Whether the engine has an exhaust brake (or the driveline a retarder), whose drag no channel
    shows; filled in: a diesel of more than 5 l has one (common practice, no source)."""
    full_load_rpm: list[EngineSpeed] = Field(default_factory=list)
    """Engine speeds of the full-load curve, rising; advice needs the curve."""
    full_load_torque_n_m: list[Torque] = Field(default_factory=list)
    """Brake torque of the base calibration at full load, one for each of ``full_load_rpm``."""
    uprated: Uprated | None = None
    """The modified engine; without it no extra torque is advised."""

    @model_validator(mode="after")
    def _fill_and_check(self) -> Self:
        if self.fuel_density_kg_m3 is None:
            object.__setattr__(self, "fuel_density_kg_m3", FUEL_DENSITY_KG_M3[self.fuel])
        if self.heating_value_mj_kg is None:
            object.__setattr__(self, "heating_value_mj_kg", FUEL_HEATING_VALUE_MJ_KG[self.fuel])
        if self.friction_mep_sd_kpa is None:
            stated = "friction_mep_kpa" in self.model_fields_set
            object.__setattr__(self, "friction_mep_sd_kpa", 5.0 if stated else 37.0)
        if self.exhaust_brake is None:
            large = self.fuel == "diesel" and self.displacement_l > EXHAUST_BRAKE_FROM_L
            object.__setattr__(self, "exhaust_brake", large)
        rpm, torque = self.full_load_rpm, self.full_load_torque_n_m
        if len(rpm) != len(torque):
            raise ValueError(
                f"full_load_rpm has {len(rpm)} values and full_load_torque_n_m {len(torque)}; "
                "give one torque per engine speed"
            )
        if len(rpm) == 1 or any(b <= a for a, b in zip(rpm, rpm[1:], strict=False)):
            raise ValueError("full_load_rpm must rise from value to value and have at least two")
        if self.uprated is not None and not rpm:
            raise ValueError(
                "the table uprated needs the base curve: add full_load_rpm and full_load_torque_n_m"
            )
        if self.uprated is not None and len(self.uprated.full_load_torque_n_m) != len(rpm):
            raise ValueError(
                f"uprated.full_load_torque_n_m has {len(self.uprated.full_load_torque_n_m)} values "
                f"and full_load_rpm {len(rpm)}; give one torque per engine speed"
            )
        if self.uprated is not None:
            for speed, base, more in zip(
                rpm, torque, self.uprated.full_load_torque_n_m, strict=True
            ):
                if more < base:
                    raise ValueError(
                        f"uprated.full_load_torque_n_m is {more:g} at {speed:g} rpm, below the "
                        f"base {base:g}; the uprated curve may not lie below the base curve"
                    )
        if self.aspiration is None:
            curve = torque if self.uprated is None else self.uprated.full_load_torque_n_m
            most = max(curve, default=0.0)
            boosted = self.fuel == "diesel" or most > self.torque_of_mep(UNBOOSTED_MEP_KPA)
            usual = "turbocharged" if boosted else "naturally_aspirated"
            object.__setattr__(self, "aspiration", usual)
        if self.reference_torque_n_m is None and torque:
            object.__setattr__(self, "reference_torque_n_m", max(torque))
        return self

    @property
    def displacement_m3(self) -> float:
        """Swept volume (m^3)."""
        return self.displacement_l * 1e-3

    def torque_of_mep(self, mean_effective_pressure_kpa: float) -> float:
        """Torque of a mean effective pressure, p V / 4 pi for four strokes (N m).

        Parameters
        ----------
        mean_effective_pressure_kpa : float
            Work per cycle over swept volume (kPa).

        Returns
        -------
        float
        """
        per_kpa = 1e3 * self.displacement_m3 / (math.pi * self.strokes_per_cycle)
        return mean_effective_pressure_kpa * per_kpa

    @property
    def heating_value_j_g(self) -> float:
        """Lower heating value (J/g)."""
        assert self.heating_value_mj_kg is not None
        return self.heating_value_mj_kg * 1e3

    @property
    def stoichiometric_ratio(self) -> float:
        """Stoichiometric air-fuel ratio by mass."""
        return FUEL_STOICHIOMETRIC_RATIO[self.fuel]

    def full_load_torque(self, rpm: ArrayLike, share: ArrayLike = 0.0) -> NDArray[np.float64]:
        """Full-load brake torque at an extra-torque share.

        Parameters
        ----------
        rpm : array_like
            Engine speed (1/min); outside the curve its end values hold.
        share : array_like
            Share u of the extra torque, 0 (base) to 1 (uprated); broadcast with ``rpm``.

        Returns
        -------
        ndarray
            Brake torque (N m).

        Raises
        ------
        InputError
            When the rig has no full-load curve.
        """
        if not self.full_load_rpm:
            raise InputError(
                "the rig has no full-load curve: add full_load_rpm and full_load_torque_n_m under "
                "[engine]"
            )
        rpm = np.asarray(rpm, dtype=np.float64)
        base = np.interp(rpm, self.full_load_rpm, self.full_load_torque_n_m)
        if self.uprated is None:
            return np.asarray(base + 0.0 * np.asarray(share))
        uprated = np.interp(rpm, self.full_load_rpm, self.uprated.full_load_torque_n_m)
        return np.asarray(base + np.asarray(share) * (uprated - base))


class Driveline(_Table):
    """Ratios and efficiency between crankshaft and tread."""

    gear_ratios: Annotated[list[Ratio], Field(min_length=1, max_length=24)]
    """First (lowest) gear first."""
    final_drive: Ratio
    """Ratio of the final drive."""
    efficiency: Annotated[float, Field(gt=0.3, le=1.0)] = 0.90
    """Power at the tread over power at the crankshaft."""
    transfer_low_ratio: Annotated[float, Field(ge=1.0, le=10.0)] | None = None
    """Ratio of the low range, where there is one."""
    converter_stall_torque_ratio: Annotated[float, Field(ge=1.0, le=4.0)] | None = None
    """Torque ratio of the converter at stall; without it there is none."""

    @field_validator("gear_ratios")
    @classmethod
    def _falling(cls, ratios: list[float], info: ValidationInfo) -> list[float]:
        if any(b >= a for a, b in zip(ratios, ratios[1:], strict=False)):
            raise ValueError("gear_ratios must fall from first gear to the highest")
        return ratios


class Uncertainty(_Table):
    """How far the force computed from the log may be from the true one."""

    tractive_scale_sd: Annotated[float, Field(ge=0.0, le=0.5)] = 0.03
    """1-sigma relative error of the fuelling-to-tractive-force chain."""
    tractive_scale: Annotated[float, Field(ge=0.5, le=2.0)] = 1.0
    """Mean of true force over computed force; ``calibrate`` writes it."""


class Limits(_Table):
    """Protections. Every value has a default; temperatures in degC."""

    exhaust_gas_temp_sensor: Literal["before_turbine", "after_turbine", "none"] = "before_turbine"
    """Where the sensor sits; with none there is never extra torque, and it says so."""
    exhaust_gas_temp_degc: Annotated[float, Field(ge=300.0, le=1100.0)] = FUEL_EXHAUST_LIMITS_DEGC[
        "diesel"
    ][0]
    """Before the turbine, sustained; a petrol rig's default is 950 (common practice, no source)."""
    exhaust_gas_temp_after_turbine_degc: Annotated[float, Field(ge=200.0, le=1000.0)] = (
        FUEL_EXHAUST_LIMITS_DEGC["diesel"][1]
    )
    """After the turbine; a petrol rig's default is 680."""
    coolant_start_degc: Temperature = 60.0
    """Below it no extra torque ..."""
    coolant_full_degc: Temperature = 80.0
    """... and all of it from here."""
    coolant_reduce_degc: Temperature = 105.0
    """Too hot: reduce from here ..."""
    coolant_zero_degc: Temperature = 112.0
    """... to nothing here."""
    transmission_oil_reduce_degc: Temperature = 115.0
    """Gearbox oil too hot: reduce from here ..."""
    transmission_oil_zero_degc: Temperature = 130.0
    """... to nothing here."""
    engine_oil_reduce_degc: Temperature = 125.0
    """Engine oil too hot: reduce from here ..."""
    engine_oil_zero_degc: Temperature = 140.0
    """... to nothing here."""
    intake_reduce_degc: Temperature = 65.0
    """Charge air after the cooler: reduce from here ..."""
    intake_zero_degc: Temperature = 85.0
    """... to nothing here."""
    air_fuel_lambda_min: Annotated[float, Field(ge=0.8, le=3.0)] = 1.2
    """Least air over the air that the fuel needs."""
    boost_over_target_kpa: Annotated[float, Field(ge=0.1, le=1000.0)] = 20.0
    """Boost above its target by this much takes the extra torque away."""
    rail_pressure_shortfall_share: Annotated[float, Field(ge=0.001, lt=1.0)] = 0.10
    """Rail pressure below its usual value by this share takes the extra torque away."""
    turbo_pressure_ratio_max: Annotated[float, Field(gt=1.0, le=6.0)] = 3.2
    """Compressor pressure ratio that stands for the turbocharger's speed limit at altitude; no
    bearing on a naturally aspirated engine."""
    axle_torque_max_n_m: AxleTorque | None = None
    """Cap in first gear and low range; default the base engine's full load in first gear."""
    cruise_extra_torque: bool = False
    """Whether extra torque may rise under cruise control."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        pairs = [
            ("coolant_start_degc", "coolant_full_degc"),
            ("coolant_full_degc", "coolant_reduce_degc"),
            ("coolant_reduce_degc", "coolant_zero_degc"),
            ("transmission_oil_reduce_degc", "transmission_oil_zero_degc"),
            ("engine_oil_reduce_degc", "engine_oil_zero_degc"),
            ("intake_reduce_degc", "intake_zero_degc"),
        ]
        for low, high in pairs:
            if getattr(self, low) >= getattr(self, high):
                raise ValueError(f"{low} must be below {high}")
        return self


class Rig(_Table):
    """A vehicle or combination, as its rig file describes it (``loadlearn schema rig``)."""

    name: str
    """What people call it."""
    vehicle: Vehicle
    """Masses, ratings, tyres and drag of the combination."""
    engine: Engine
    """Fuel, Willans line, inertia and full-load curve."""
    driveline: Driveline
    """Ratios and efficiency between crankshaft and tread."""
    uncertainty: Uncertainty = Uncertainty()
    """How far the force computed from the log may be from the true one."""
    limits: Limits = Limits()
    """Protections; every value has a default."""

    @model_validator(mode="after")
    def _limits_of_the_fuel(self) -> Self:
        names = ("exhaust_gas_temp_degc", "exhaust_gas_temp_after_turbine_degc")
        usual = dict(zip(names, FUEL_EXHAUST_LIMITS_DEGC[self.engine.fuel], strict=True))
        silent = {k: v for k, v in usual.items() if k not in self.limits.model_fields_set}
        object.__setattr__(self, "limits", self.limits.model_copy(update=silent))
        return self

    @classmethod
    def from_toml(cls, path: str | Path) -> Self:
        """Read and validate a rig file.

        Parameters
        ----------
        path : str or Path
            A TOML file.

        Returns
        -------
        Rig

        Raises
        ------
        InputError
            The file cannot be read, is not TOML, has an unknown key, a wrong type or an
            impossible value; the message names the key and the mend.
        """
        try:
            with open(path, "rb") as file:
                table = tomllib.load(file)
        except FileNotFoundError:
            raise InputError(f"{path}: no such rig file; check the path") from None
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"{path}: the rig file cannot be read ({error})") from None
        except (ValueError, RecursionError) as error:
            raise InputError(f"{path}: not valid TOML: {error}; mend that line") from None
        return cls.from_dict(table, source=str(path))

    @classmethod
    def from_dict(cls, table: dict[str, Any], source: str = "rig") -> Self:
        """Validate a rig given as nested tables.

        Parameters
        ----------
        table : dict
            What a TOML reader returns for a rig file.
        source : str
            Named in error messages.

        Returns
        -------
        Rig

        Raises
        ------
        InputError
            As for :meth:`from_toml`.
        """
        try:
            return cls.model_validate(table)
        except ValidationError as error:
            raise InputError(f"{source}: {_every_fault(error)}") from None

    @property
    def nominal_gcm_kg(self) -> float:
        """Gross combination mass (kg): the rating, or what stands in for it when absent.

        Without a GCM rating: GVM plus the towing rating when both are known, else twice the mass.
        """
        vehicle = self.vehicle
        if vehicle.rated_gcm_kg is not None:
            return vehicle.rated_gcm_kg
        if vehicle.rated_towing_kg:
            return (vehicle.rated_gvm_kg or vehicle.mass_kg) + vehicle.rated_towing_kg
        return 2.0 * vehicle.mass_kg

    @property
    def load_name(self) -> str:
        """What is carried beyond the vehicle itself: ``trailer`` or ``payload``."""
        return "payload" if self.vehicle.rigid else "trailer"

    def overall_ratio(self, gear: int, low_range: bool = False) -> float:
        """Engine turns per wheel turn (xi) in a forward gear.

        Parameters
        ----------
        gear : int
            1 = lowest.
        low_range : bool
            Whether the transfer case is in low range.

        Returns
        -------
        float

        Raises
        ------
        InputError
            The rig has no such gear, or no low range.
        """
        ratios = self.driveline.gear_ratios
        if not 1 <= gear <= len(ratios):
            raise InputError(f"gear {gear} is not one of the rig's {len(ratios)} forward gears")
        ratio = ratios[gear - 1] * self.driveline.final_drive
        if low_range:
            if self.driveline.transfer_low_ratio is None:
                raise InputError("the rig has no transfer_low_ratio under [driveline]")
            ratio *= self.driveline.transfer_low_ratio
        return ratio


def _every_fault(error: ValidationError) -> str:
    """All faults that pydantic found, each naming the key and the mend."""
    faults = error.errors()
    unknown = [one for one in faults if one["type"] == "extra_forbidden"]
    said = [_fault(one) for one in unknown]
    # A misspelt key is both unknown and missing: the unknown one shows what to mend.
    meant = {_meant(".".join(map(str, one["loc"]))) for one in unknown}
    missing = [
        key
        for one in faults
        if one["type"] == "missing"
        for key in _needed(".".join(map(str, one["loc"])))
        if key not in meant
    ]
    if missing:
        keys = ", ".join(f"'{key}'" for key in missing)
        plural = len(missing) > 1
        said.append(
            f"missing {'keys' if plural else 'key'} {keys}; add {'them' if plural else 'it'}"
        )
    said += [_fault(one) for one in faults if one["type"] not in ("extra_forbidden", "missing")]
    return ". Also: ".join(said)


def _fault(fault: Any) -> str:
    key = ".".join(str(part) for part in fault["loc"]) or "rig"
    kind, message = fault["type"], fault["msg"]
    if kind == "extra_forbidden":
        close = _meant(key).rpartition(".")[2]
        hint = f"did you mean '{close}'?" if close else f"known here: {', '.join(_known(key))}"
        return f"unknown key '{key}'; remove it or correct its spelling ({hint})"
    if kind == "value_error":
        return f"'{key}': {message.removeprefix('Value error, ')}"
    value = fault.get("input")
    shown = f" (found {value!r})" if not isinstance(value, dict) else ""
    return f"'{key}': {message[:1].lower()}{message[1:]}{shown}; correct the value"


def _needed(key: str) -> list[str]:
    """A key, or of a table the keys that it needs."""
    field = Rig.model_fields.get(key)
    inside = getattr(field.annotation, "model_fields", {}) if field is not None else {}
    return [f"{key}.{name}" for name, one in inside.items() if one.is_required()] or [key]


def _known(key: str) -> list[str]:
    """Keys of the table in which a key stands."""
    model: Any = Rig
    for table in key.split(".")[:-1]:
        field = getattr(model, "model_fields", {}).get(table)
        if field is None:
            break
        model = Uprated if table == "uprated" else field.annotation
    return list(getattr(model, "model_fields", {}))


def _meant(key: str) -> str:
    """The key that an unknown one is nearest to, with its tables; empty where none is near."""
    import difflib

    tables, dot, name = key.rpartition(".")
    close = difflib.get_close_matches(name, _known(key), n=1)
    return f"{tables}{dot}{close[0]}" if close else ""
