"""Power correction to the standard reference atmosphere, with every parameter in sight.

Two families of published formulas are in use and they disagree in places; both are here, each
number a field of :class:`Correction`:

- compression ignition: ``alpha = fa ** fm`` with ``fm = 0.036 qc - 1.14``, ``qc = q / r``;
  naturally aspirated ``fa = (99 / pd) (T / 298) ** 0.7``, turbocharged
  ``fa = (99 / pd) ** 0.7 (T / 298) ** x``. The exponent x is 1.5 in ISO 1585 (from memory), 1.2 in
  SAE-style equipment manuals (0.7 there with air-to-liquid charge cooling). fm is held at 0.3 below
  qc = 40 and 1.2 above qc = 65 (ISO 1585, from memory); the SAE-style text gives the line from 37.2
  on, where it stands at 0.2;
- spark ignition: ISO 1585 ``alpha = (99 / pd) ** 1.2 (T / 298) ** 0.6`` (from memory), SAE J1349
  ``alpha = 1.18 (99 / pd) sqrt(T / 298) - 0.18`` (secondary).

pd is the *dry* pressure (kPa): ambient less the water vapour's. T is the temperature of the intake
air (K). q is the fuelling per litre and cycle (mg), r the compressor's pressure ratio.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loadlearn.errors import InputError

Ignition = Literal["compression", "spark"]
Aspiration = Literal["turbocharged", "natural"]
Standard = Literal["iso_1585", "sae_j1349"]

REFERENCE_DRY_PRESSURE_KPA = 99.0
REFERENCE_TEMPERATURE_K = 298.0
TEMPERATURE_EXPONENTS = {"iso_1585": 1.5, "sae_j1349": 1.2}
"""Exponent x of the turbocharged compression-ignition formula: the sources conflict."""
CHARGE_LIQUID_COOLED_EXPONENT = 0.7
"""x with an air-to-liquid charge cooler (SAE-style equipment manual)."""
ENGINE_FACTOR_LIMITS = {"iso_1585": (0.3, 1.2), "sae_j1349": (0.2, 1.2)}
"""Lowest and highest fm."""
VALID_TEMPERATURE_K = (283.0, 313.0)
VALID_DRY_PRESSURE_KPA = (80.0, 110.0)
VALID_FACTOR = {"compression": (0.9, 1.1), "spark": (0.93, 1.07)}
"""ISO 1585 accepts a test within these (compression: published; spark: from memory)."""


def saturation_vapour_pressure_kpa(temperature_degc: ArrayLike) -> NDArray[np.float64]:
    """Saturation pressure of water vapour over liquid water.

    Parameters
    ----------
    temperature_degc : array_like
        Air temperature (degC), -45 to 60.

    Returns
    -------
    ndarray
        kPa. Magnus formula with the constants of the WMO guide to instruments (No. 8), from memory.
    """
    temperature = np.asarray(temperature_degc, dtype=np.float64)
    return np.asarray(0.6112 * np.exp(17.62 * temperature / (243.12 + temperature)))


def dry_pressure_kpa(
    pressure_kpa: ArrayLike, temperature_degc: ArrayLike, relative_humidity_percent: ArrayLike
) -> NDArray[np.float64]:
    """Partial pressure of dry air: the ambient pressure less that of the water vapour.

    Parameters
    ----------
    pressure_kpa : array_like
        Ambient (station) absolute pressure (kPa), not reduced to sea level.
    temperature_degc : array_like
        Temperature of the air whose humidity is given (degC).
    relative_humidity_percent : array_like
        Relative humidity (0 to 100 %).

    Returns
    -------
    ndarray
        kPa.
    """
    vapour = (
        np.asarray(relative_humidity_percent, dtype=np.float64)
        / 100.0
        * saturation_vapour_pressure_kpa(temperature_degc)
    )
    return np.asarray(np.asarray(pressure_kpa, dtype=np.float64) - vapour)


def fuelling_per_litre_cycle_mg(
    fuel_rate_g_s: ArrayLike,
    engine_speed_rpm: ArrayLike,
    displacement_l: float,
    strokes_per_cycle: int = 4,
) -> NDArray[np.float64]:
    """Fuelling q per litre of swept volume and working cycle (mg/(L cycle)).

    ``q = 120 000 (g/s) / (litre rpm)`` for four strokes, 60 000 for two.

    Parameters
    ----------
    fuel_rate_g_s : array_like
        Fuel mass flow (g/s).
    engine_speed_rpm : array_like
        Engine speed (1/min).
    displacement_l : float
        Swept volume (L).
    strokes_per_cycle : int
        4 or 2.
    """
    per_revolution = 30_000.0 * strokes_per_cycle
    return np.asarray(
        per_revolution
        * np.asarray(fuel_rate_g_s, dtype=np.float64)
        / (displacement_l * np.asarray(engine_speed_rpm, dtype=np.float64))
    )


@dataclass(frozen=True)
class Correction:
    """How measured torque and power are carried over to the reference atmosphere.

    Attributes
    ----------
    ignition, aspiration : str
        ``compression`` or ``spark``; ``turbocharged`` or ``natural``.
    standard : str
        ``iso_1585`` or ``sae_j1349``: which family's numbers fill the fields left ``None``.
    temperature_exponent : float, optional
        x of the turbocharged compression-ignition formula.
    engine_factor : float, optional
        fm when the fuelling is unknown; the middle of its limits by default.
    engine_factor_low, engine_factor_high : float, optional
        Limits of fm.
    """

    ignition: Ignition = "compression"
    aspiration: Aspiration = "turbocharged"
    standard: Standard = "iso_1585"
    temperature_exponent: float | None = None
    engine_factor: float | None = None
    engine_factor_low: float | None = None
    engine_factor_high: float | None = None

    def __post_init__(self) -> None:
        choices = {
            "ignition": ("compression", "spark"),
            "aspiration": ("turbocharged", "natural"),
            "standard": ("iso_1585", "sae_j1349"),
        }
        for name, accepted in choices.items():
            value = getattr(self, name)
            if value not in accepted:
                raise InputError(
                    f"{name} is '{value}', which is not known; use one of {', '.join(accepted)}"
                )
        if self.temperature_exponent is None:
            object.__setattr__(self, "temperature_exponent", TEMPERATURE_EXPONENTS[self.standard])
        low, high = ENGINE_FACTOR_LIMITS[self.standard]
        if self.engine_factor_low is None:
            object.__setattr__(self, "engine_factor_low", low)
        if self.engine_factor_high is None:
            object.__setattr__(self, "engine_factor_high", high)

    @property
    def assumed_engine_factor(self) -> float:
        """The value of fm that stands in when the fuelling is not logged."""
        if self.engine_factor is not None:
            return self.engine_factor
        return 0.5 * (self._low + self._high)

    @property
    def assumed_engine_factor_sd(self) -> float:
        """Standard deviation of that value: uniform between the limits; 0 when it was stated."""
        return 0.0 if self.engine_factor is not None else (self._high - self._low) / np.sqrt(12.0)

    @property
    def _low(self) -> float:
        assert self.engine_factor_low is not None
        return self.engine_factor_low

    @property
    def _high(self) -> float:
        assert self.engine_factor_high is not None
        return self.engine_factor_high

    def with_exponent(self, temperature_exponent: float) -> Correction:
        """The same correction with another x, for showing what the conflict of sources costs."""
        return replace(self, temperature_exponent=temperature_exponent)

    def engine_factor_from_fuelling(
        self, fuelling_mg_per_litre_cycle: ArrayLike, pressure_ratio: ArrayLike = 1.0
    ) -> NDArray[np.float64]:
        """Engine factor fm of a compression-ignition engine.

        Parameters
        ----------
        fuelling_mg_per_litre_cycle : array_like
            q (:func:`fuelling_per_litre_cycle_mg`).
        pressure_ratio : array_like
            Compressor outlet to inlet pressure r, 1 when naturally aspirated.

        Returns
        -------
        ndarray
            fm, held within its limits.
        """
        corrected = np.asarray(fuelling_mg_per_litre_cycle, dtype=np.float64) / np.asarray(
            pressure_ratio, dtype=np.float64
        )
        return np.asarray(np.clip(0.036 * corrected - 1.14, self._low, self._high))

    def atmospheric_factor(
        self, dry_pressure_kpa: ArrayLike, temperature_k: ArrayLike
    ) -> NDArray[np.float64]:
        """Atmospheric factor fa of a compression-ignition engine.

        Parameters
        ----------
        dry_pressure_kpa : array_like
            Partial pressure of dry air (kPa).
        temperature_k : array_like
            Intake air temperature (K).
        """
        pressure = REFERENCE_DRY_PRESSURE_KPA / np.asarray(dry_pressure_kpa, dtype=np.float64)
        temperature = np.asarray(temperature_k, dtype=np.float64) / REFERENCE_TEMPERATURE_K
        assert self.temperature_exponent is not None
        if self.aspiration == "natural":
            return np.asarray(pressure * temperature**0.7)
        return np.asarray(pressure**0.7 * temperature**self.temperature_exponent)

    def factor(
        self,
        dry_pressure_kpa: ArrayLike,
        temperature_k: ArrayLike,
        engine_factor: ArrayLike | None = None,
    ) -> NDArray[np.float64]:
        """Correction factor alpha: corrected = alpha x measured.

        Parameters
        ----------
        dry_pressure_kpa : array_like
            Partial pressure of dry air (kPa).
        temperature_k : array_like
            Intake air temperature (K).
        engine_factor : array_like, optional
            fm (:meth:`engine_factor_from_fuelling`); compression ignition only, NaN or absent
            takes :attr:`assumed_engine_factor`.
        """
        pressure = REFERENCE_DRY_PRESSURE_KPA / np.asarray(dry_pressure_kpa, dtype=np.float64)
        temperature = np.asarray(temperature_k, dtype=np.float64) / REFERENCE_TEMPERATURE_K
        if self.ignition == "spark":
            if self.standard == "sae_j1349":
                return np.asarray(1.18 * pressure * np.sqrt(temperature) - 0.18)
            return np.asarray(pressure**1.2 * temperature**0.6)
        fm = np.asarray(
            self.assumed_engine_factor if engine_factor is None else engine_factor, dtype=float
        )
        fm = np.where(np.isfinite(fm), fm, self.assumed_engine_factor)
        return np.asarray(self.atmospheric_factor(dry_pressure_kpa, temperature_k) ** fm)

    def warnings(
        self, dry_pressure_kpa: ArrayLike, temperature_k: ArrayLike, factor: ArrayLike
    ) -> list[str]:
        """What lies outside the range in which the standards accept a corrected result.

        Parameters
        ----------
        dry_pressure_kpa, temperature_k, factor : array_like
            Conditions of the test and the factor they gave.

        Returns
        -------
        list of str
            One sentence per breach; empty when all is within range.
        """
        checks = [
            ("intake temperature", "K", temperature_k, VALID_TEMPERATURE_K),
            ("dry pressure", "kPa", dry_pressure_kpa, VALID_DRY_PRESSURE_KPA),
            ("correction factor", "", factor, VALID_FACTOR[self.ignition]),
        ]
        sentences = []
        for name, unit, values, (low, high) in checks:
            array = np.asarray(values, dtype=np.float64)
            bad = array[(array < low) | (array > high)]
            if bad.size:
                worst = float(bad[np.argmax(np.maximum(low - bad, bad - high))])
                of = f" {unit}" if unit else ""
                sentences.append(
                    f"{name} {worst:.4g}{of} is outside {low:g} to {high:g}{of}, the range in "
                    "which a corrected result is accepted: repeat the test in milder air"
                )
        return sentences
