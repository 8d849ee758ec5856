"""The protections: what caps the extra torque at every instant, in every setting.

Each is a small function of readings, and of a state of its own where it has a memory, which it
changes. What it gives is its cap: the largest share u of the extra torque that it allows, 0 to 1;
below 1 it acts. None knows of the settings and none can be switched off. How quickly a cap may take
torque away is the matter of :mod:`loadlearn.policy.arbitration`; :data:`PROTECTIONS` says which way
each one takes.

A reading that is absent is NaN. Where a protection needs it (exhaust, coolant), absence takes the
extra torque away; where the vehicle may simply not have that sensor, absence leaves it alone.

Thresholds without a source named are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

AT_ONCE, SENSOR, HEAT, GRADUAL = 0, 1, 2, 3
"""How torque is taken away: in the same sample; within 0.2 s, so that with the time to notice a
dead sensor it is gone within a second; within 0.8 s; over ten seconds."""


class Protection(NamedTuple):
    """Name of a protection, how it takes torque away, and a plain sentence."""

    name: str
    removal: int
    sentence: str


PROTECTIONS: tuple[Protection, ...] = (
    Protection("warm_up", AT_ONCE, "the coolant is not warm yet"),
    Protection("exhaust_gas_heat", HEAT, "the exhaust gas would pass its limit"),
    Protection("coolant_heat", HEAT, "the coolant is too hot"),
    Protection("transmission_oil_heat", HEAT, "the gearbox oil is too hot"),
    Protection("engine_oil_heat", HEAT, "the engine oil is too hot"),
    Protection("charge_air_heat", HEAT, "the charge air is too hot"),
    Protection("air_fuel_ratio", HEAT, "there is too little air for more fuel"),
    Protection("boost_excess", HEAT, "boost is above its target"),
    Protection("rail_pressure", HEAT, "rail pressure falls short at full load"),
    Protection("turbo_speed", HEAT, "the turbocharger would turn too fast in this thin air"),
    Protection("service_brake", AT_ONCE, "the brake is on"),
    Protection("exhaust_brake", AT_ONCE, "the exhaust brake or retarder is on"),
    Protection("reverse_gear", AT_ONCE, "reverse is engaged"),
    Protection("neutral", AT_ONCE, "no gear is engaged"),
    Protection("axle_torque", AT_ONCE, "first gear or low range already gives all the axles bear"),
    Protection("driver_aid", AT_ONCE, "stability or traction control is at work"),
    Protection("sway", AT_ONCE, "the speed swings as if the trailer swayed"),
    Protection("regeneration", HEAT, "the after-treatment is regenerating"),
    Protection("exhaust_sensor", SENSOR, "the exhaust temperature cannot be trusted"),
    Protection("coolant_sensor", SENSOR, "the coolant temperature cannot be trusted"),
    Protection("ratings", GRADUAL, "the load is probably above a rating"),
    Protection("strategy_limit", HEAT, "the strategy limits it at this engine speed or gear"),
)
PROTECTION_NAMES = tuple(one.name for one in PROTECTIONS)


@dataclass(slots=True)
class Caps:
    """What each protection allows, in the order of :data:`PROTECTIONS`."""

    warm_up: float = 1.0
    exhaust_gas_heat: float = 1.0
    coolant_heat: float = 1.0
    transmission_oil_heat: float = 1.0
    engine_oil_heat: float = 1.0
    charge_air_heat: float = 1.0
    air_fuel_ratio: float = 1.0
    boost_excess: float = 1.0
    rail_pressure: float = 1.0
    turbo_speed: float = 1.0
    service_brake: float = 1.0
    exhaust_brake: float = 1.0
    reverse_gear: float = 1.0
    neutral: float = 1.0
    axle_torque: float = 1.0
    driver_aid: float = 1.0
    sway: float = 1.0
    regeneration: float = 1.0
    exhaust_sensor: float = 1.0
    coolant_sensor: float = 1.0
    ratings: float = 1.0
    strategy_limit: float = 1.0


# --- ramps over a reading ---------------------------------------------------------------------


def warm_up(coolant_degc: float, start_degc: float, full_degc: float) -> float:
    """No extra torque below the start temperature, all of it from the full temperature.

    Most wear of an engine happens cold (common practice, no source).

    Parameters
    ----------
    coolant_degc, start_degc, full_degc : float
        Reading (NaN = none: no extra torque) and the ends of the ramp (degC).

    Returns
    -------
    float
        Cap.
    """
    if not coolant_degc > start_degc:
        return 0.0
    return min((coolant_degc - start_degc) / (full_degc - start_degc), 1.0)


def over_temperature(reading_degc: float, reduce_degc: float, zero_degc: float) -> float:
    """All of the extra torque up to one temperature, none from a higher one (coolant, oils, air).

    Parameters
    ----------
    reading_degc, reduce_degc, zero_degc : float
        Reading (NaN = the vehicle has no such sensor) and the ends of the ramp (degC).

    Returns
    -------
    float
        Cap.
    """
    if math.isnan(reading_degc) or reading_degc <= reduce_degc:
        return 1.0
    return max((zero_degc - reading_degc) / (zero_degc - reduce_degc), 0.0)


def forbidden_while(active: float) -> float:
    """No extra torque while a flag is set (brake, retarder, driver aid, regeneration).

    Parameters
    ----------
    active : float
        1 set, 0 clear, NaN unknown (taken as clear: not every vehicle reports each flag).

    Returns
    -------
    float
        Cap.
    """
    return 0.0 if active > 0.5 else 1.0


def axle_torque(
    base_torque_n_m: float, uprated_torque_n_m: float, overall_ratio: float, axle_max_n_m: float
) -> float:
    """Cap the torque at the axles, which first gear and low range could exceed.

    A torque converter multiplies base and uprated torque alike, so the cap compares what goes into
    the driveline with what the base engine may send through first gear.

    Parameters
    ----------
    base_torque_n_m, uprated_torque_n_m : float
        Full load at the present engine speed (N m).
    overall_ratio : float
        Engine turns per wheel turn; NaN = unknown, taken as first gear (so the caller says).
    axle_max_n_m : float
        Most torque at the axles (N m).

    Returns
    -------
    float
        Cap.
    """
    extra = uprated_torque_n_m - base_torque_n_m
    if extra <= 0.0 or not overall_ratio > 0.0:
        return 1.0
    cap = (axle_max_n_m / overall_ratio - base_torque_n_m) / extra
    return min(max(cap, 0.0), 1.0)


def share_of_fuel(limit_g_s: float, base_g_s: float, uprated_g_s: float) -> float:
    """Extra-torque share whose full-load fuelling stays within a fuelling limit.

    Fuelling is linear in torque at one engine speed (Willans line), so the share follows directly.

    Parameters
    ----------
    limit_g_s : float
        Most fuel for the air at hand (g/s); NaN = unknown, no cap.
    base_g_s, uprated_g_s : float
        Full-load fuelling without and with all extra torque (g/s).

    Returns
    -------
    float
        Cap.
    """
    if math.isnan(limit_g_s) or limit_g_s >= uprated_g_s:
        return 1.0
    if limit_g_s <= base_g_s:
        return 0.0
    return (limit_g_s - base_g_s) / (uprated_g_s - base_g_s)


# --- protections with a memory ------------------------------------------------------------------


@dataclass(slots=True)
class LineState:
    """A learnt line ``y = offset + slope x``, its covariance, and how long y has been off it."""

    offset: float
    slope: float
    cov_offset: float
    cov_cross: float
    cov_slope: float
    off_s: float


class LinePrior(NamedTuple):
    """What is believed of a line before anything is seen, and what is never believed."""

    offset: float
    offset_sd: float
    slope: float
    slope_sd: float
    noise: float
    """Noise of y per root second."""
    shape_share: float
    """Part of y by which a line may be wrong at an operating point not seen (1 sd)."""


BOOST_PRIOR = LinePrior(0.0, 4.0, 1.0, 0.10, 3.0, 0.05)
"""Measured over modelled boost (kPa): as modelled, to within a tenth."""
RAIL_PRIOR = LinePrior(40.0, 25.0, 110.0, 45.0, 4.0, 0.04)
"""Rail pressure (MPa) over the root of fuelling relative to rated (common practice, no source)."""
JUDGED_LOAD = 0.5
"""Fuelling over base full load from which boost and rail pressure are judged."""
SURPRISING_SD = 3.0
"""A reading further from its line teaches nothing: a turbocharger that still spins up, a loose plug
(the usual gate on an innovation)."""
FORGIVEN_S = 1.0
"""Both may be off for this long: overshoot, lag (s)."""


def initial_line(prior: LinePrior) -> LineState:
    """Nothing learnt yet."""
    return LineState(prior.offset, prior.slope, prior.offset_sd**2, 0.0, prior.slope_sd**2, 0.0)


def line_expects(prior: LinePrior, state: LineState, x: float) -> tuple[float, float]:
    """Expected y at x, and its sd (what is not learnt yet, and the line's shape)."""
    y = state.offset + state.slope * x
    unknown = state.cov_offset + 2.0 * x * state.cov_cross + x * x * state.cov_slope
    return y, math.sqrt(max(unknown, 0.0) + (prior.shape_share * y) ** 2)


def line_learns(prior: LinePrior, state: LineState, x: float, y: float, interval_s: float) -> None:
    """Recursive least squares; weighed by the interval, so that fast logs teach no more."""
    by_offset = state.cov_offset + x * state.cov_cross
    by_slope = state.cov_cross + x * state.cov_slope
    total = by_offset + x * by_slope + prior.noise * prior.noise / min(max(interval_s, 1e-3), 1.0)
    surprise = y - state.offset - state.slope * x
    shape = prior.shape_share * (y - surprise)
    state.off_s = 0.0
    if abs(surprise) > SURPRISING_SD * math.sqrt(total + shape * shape):
        return
    gain_offset, gain_slope = by_offset / total, by_slope / total
    state.offset += gain_offset * surprise
    state.slope += gain_slope * surprise
    state.cov_offset -= gain_offset * by_offset
    state.cov_cross -= gain_offset * by_slope
    state.cov_slope -= gain_slope * by_slope


def line_caps(state: LineState, off: float, threshold: float, interval_s: float) -> float:
    """Cap from how far off its line a reading is, once that has lasted longer than is forgiven."""
    state.off_s += interval_s
    if state.off_s <= FORGIVEN_S:
        return 1.0
    return max((threshold - off) / (0.5 * threshold), 0.0)


def boost_excess(
    state: LineState,
    measured_kpa: float,
    modelled_kpa: float,
    load: float,
    threshold_kpa: float,
    interval_s: float,
) -> float:
    """Boost above its target: a sticking actuator, a control pressure lost.

    No log carries the target, so it is what this engine usually reaches: a straight line from the
    modelled to the measured boost, learnt from a prior of a tenth. Excess counts beyond two
    standard deviations of the line, at half load and more, and after a second; nothing is learnt
    from it. A fault that was there from the start, and within that tenth, cannot be seen.

    Parameters
    ----------
    state : LineState
    measured_kpa, modelled_kpa : float
        Gauge boost (kPa); NaN = no sensor.
    load : float
        Fuelling over base full load.
    threshold_kpa : float
        Excess from which no extra torque is left; it is reduced from half of it.
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    float
        Cap.
    """
    if math.isnan(measured_kpa) or math.isnan(modelled_kpa) or not load >= JUDGED_LOAD:
        state.off_s = 0.0
        return 1.0
    expected, sd = line_expects(BOOST_PRIOR, state, modelled_kpa)
    excess = measured_kpa - expected - 2.0 * sd
    if excess <= 0.5 * threshold_kpa:
        line_learns(BOOST_PRIOR, state, modelled_kpa, measured_kpa, interval_s)
        return 1.0
    return line_caps(state, excess, threshold_kpa, interval_s)


def rail_pressure(
    state: LineState,
    measured_mpa: float,
    fuel_share: float,
    load: float,
    shortfall_share: float,
    interval_s: float,
) -> float:
    """Rail pressure short of its usual value at load: a filter or a pump that starves.

    What is usual is a line over the square root of fuelling, learnt from this engine; the shortfall
    counts beyond two standard deviations of it, and after a second.

    Parameters
    ----------
    state : LineState
    measured_mpa : float
        Reading (MPa); NaN = none.
    fuel_share : float
        Fuelling over that at base rated power.
    load : float
        Fuelling over base full load at this engine speed.
    shortfall_share : float
        Shortfall that takes all extra torque away; it is reduced from half of it.
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    float
        Cap.
    """
    if math.isnan(measured_mpa) or not load >= JUDGED_LOAD:
        state.off_s = 0.0
        return 1.0
    x = math.sqrt(max(fuel_share, 0.0))
    expected, sd = line_expects(RAIL_PRIOR, state, x)
    short = 1.0 - measured_mpa / max(expected - 2.0 * sd, 1.0)
    if short <= 0.5 * shortfall_share:
        line_learns(RAIL_PRIOR, state, x, measured_mpa, interval_s)
        return 1.0
    return line_caps(state, short, shortfall_share, interval_s)


@dataclass(slots=True)
class SwayState:
    """Band-passed speed, the half swing under way, and swings counted in a row."""

    speed_m_s: float = 0.0
    high_passed: float = 0.0
    band_m_s: float = 0.0
    sign: float = 0.0
    half_s: float = 0.0
    peak_m_s: float = 0.0
    halves: float = 0.0
    calm_s: float = 1e3


SWAY_AMPLITUDE_M_S = 0.12
SWAY_MIN_SPEED_M_S = 14.0
SWAY_HALVES = 5.0
SWAY_HOLD_S = 10.0


def sway(state: SwayState, speed_m_s: float, interval_s: float) -> float:
    """Speed that swings at 0.4 to 1.2 Hz: what a swaying trailer does to its tow vehicle.

    Trailer sway lies near 0.5-1 Hz (from memory of the vehicle-dynamics literature). Five half
    swings in a row of at least ``SWAY_AMPLITUDE_M_S`` take the extra torque away for
    ``SWAY_HOLD_S`` after the last. It needs samples at 4 Hz or faster; slower logs cannot show it.
    This is no sway detector to rely on: it only declines to add torque.

    Parameters
    ----------
    state : SwayState
    speed_m_s : float
        Road speed (m/s).
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    float
        Cap.
    """
    state.calm_s += interval_s
    blind = math.isnan(speed_m_s) or not 0.0 < interval_s <= 0.25
    if blind:
        if not math.isnan(speed_m_s):
            state.speed_m_s = speed_m_s
        state.high_passed = state.band_m_s = state.sign = state.half_s = state.peak_m_s = 0.0
    else:
        _count_swings(state, speed_m_s, interval_s)
    if state.halves >= SWAY_HALVES and state.calm_s <= SWAY_HOLD_S:
        return 0.0
    if blind or state.halves >= SWAY_HALVES:
        state.halves = 0.0
    return 1.0


def _count_swings(state: SwayState, speed_m_s: float, interval_s: float) -> None:
    # First-order high pass at 0.3 Hz, twice: removes speed and steady acceleration.
    keep = math.exp(-2.0 * math.pi * 0.3 * interval_s)
    high = keep * (state.high_passed + speed_m_s - state.speed_m_s)
    band = keep * (state.band_m_s + high - state.high_passed)
    sign = 1.0 if band > 0.0 else -1.0
    state.half_s += interval_s
    state.peak_m_s = max(state.peak_m_s, abs(band))
    if sign != state.sign:
        fits = 0.35 <= state.half_s <= 1.4 and state.peak_m_s >= SWAY_AMPLITUDE_M_S
        if fits and speed_m_s >= SWAY_MIN_SPEED_M_S:
            state.halves += 1.0
            state.calm_s = 0.0
        elif state.halves < SWAY_HALVES:
            state.halves = 0.0
        state.half_s, state.peak_m_s = 0.0, abs(band)
    elif state.half_s > 1.4 and state.halves < SWAY_HALVES:
        state.halves = 0.0
    state.speed_m_s, state.high_passed, state.band_m_s, state.sign = speed_m_s, high, band, sign


@dataclass(slots=True)
class GearChangeState:
    """Gear last seen engaged, time since it was, and whether a change is under way."""

    gear: float = math.nan
    engaged_s: float = 1e3
    under_way_s: float = 0.0
    """Time without an engaged gear since the change began; 0 when none is under way."""


GEAR_CHANGE_FACTOR = 0.6
GEAR_CHANGE_HOLD_S = 0.2
GEAR_CHANGE_RETURN_S = 0.2
GEAR_CHANGE_LONGEST_S = 1.5


def gear_change(
    state: GearChangeState, gear: float, moving: bool, interval_s: float
) -> tuple[float, bool]:
    """Take total driving torque out during a gear change, to spare the gearbox.

    At once when the gear signal changes or drops out on the move; held until the new gear has been
    engaged for ``GEAR_CHANGE_HOLD_S``, all back ``GEAR_CHANGE_RETURN_S`` later: 0.4 s in all.
    Without an engaged gear for ``GEAR_CHANGE_LONGEST_S`` it is neutral, not a change.

    Parameters
    ----------
    state : GearChangeState
    gear : float
        Gear signal; NaN = unknown at this sample.
    moving : bool
        Whether the vehicle moves (a drop-out at rest is no change).
    interval_s : float
        Time since the last sample (s).

    Returns
    -------
    factor : float
        Multiplies the total driving torque, 0 to 1.
    acting : bool
    """
    before = state.gear
    if math.isnan(gear):
        # An unknown gear is no evidence of a change: it only lets a change that runs go on.
        state.engaged_s += interval_s
        if state.under_way_s > 0.0:
            state.under_way_s += interval_s
    elif abs(gear) < 0.5:
        state.gear = 0.0
        if state.under_way_s > 0.0 or (moving and abs(before) > 0.5):
            state.under_way_s += max(interval_s, 1e-6)
        else:
            state.engaged_s += interval_s
    else:
        state.gear, state.under_way_s = gear, 0.0
        if math.isnan(before):
            state.engaged_s = 1e3
        else:
            state.engaged_s = min(state.engaged_s + interval_s, 1e3) if gear == before else 0.0
    if 0.0 < state.under_way_s <= GEAR_CHANGE_LONGEST_S:
        return GEAR_CHANGE_FACTOR, True
    back = (state.engaged_s - GEAR_CHANGE_HOLD_S) / GEAR_CHANGE_RETURN_S
    if abs(state.gear) < 0.5 or not back < 1.0:
        return 1.0, False
    return GEAR_CHANGE_FACTOR + (1.0 - GEAR_CHANGE_FACTOR) * min(max(back, 0.0), 1.0), True


RATING_WARN, RATING_START, RATING_ZERO, RATING_HYSTERESIS = 0.05, 0.20, 0.50, 0.05
"""Probability that a rating is exceeded: told from the first; the ceiling falls from the second to
nothing at the third, and rises again once the probability has fallen by the fourth."""


def ratings(held: float, probability: float) -> tuple[float, float]:
    """Ceiling of the extra torque when the load is probably above a rating.

    Falls from 1 at a probability of 0.2 to 0 at 0.5; a falling probability counts only once it has
    fallen by 0.05, so that the ceiling does not chatter.

    Parameters
    ----------
    held : float
        Probability that the ceiling followed at the last sample.
    probability : float
        The larger of P(mass > GCM) and P(trailer > rated towing); NaN = no ratings known.

    Returns
    -------
    held : float
        Probability that the ceiling follows now.
    cap : float
    """
    if math.isnan(probability):
        return 0.0, 1.0
    held = min(max(held, probability), probability + RATING_HYSTERESIS)
    return held, min(max((RATING_ZERO - held) / (RATING_ZERO - RATING_START), 0.0), 1.0)
