"""The state, its transition and what is measured of it: vehicle dynamics in energy height.

*Energy height* is specific energy over gravity, kinetic, rotational and potential::

    E = v^2 / 2g + h + phi mu v^2 / 2g                    (m)

with h the height of the road, mu the equivalent mass of the rotating parts and phi the inverse of
the mass *that the computed force implies*, phi = s / m (s: true force over computed force). The
force balance of :mod:`loadlearn.vehicle.roadload`, integrated along the road from one sample to
the next and divided by the weight, is *linear* in phi, in the rolling resistance coefficient and in
kappa = CdA / m, none of which depends on s::

    E_k - E_(k-1) = phi int F dx / g - int c(v) cos(theta) dx - kappa int rho/2 (v + w)^2 dx / g
                    + int (delta + b) dx + phi (mu_k - mu_(k-1)) v^2 / 2g - phi nu dt / g
                    + phi epsilon int X dx / g - phi zeta int G dx / g
                    + phi tau int F (L - L0) dx / g - phi lambda int v dF / g
                    + q (v_k^2 - v_(k-1)^2) / 2 - int beta dx

(L: load, torque over reference torque; beta: what bends cost, where the position is logged.)
What is measured is y = v^2 / 2g + h, with the speed of driven wheels that slip in proportion to the
force: y = E - phi mu T + 2 T sigma F, T = v^2 / 2g, and the way is shorter by sigma F than the
wheels turn.
Road height comes from the altimeter as it is, or from a grade channel or body accelerometer by
integration, so that *noise in the grade is never noise in a regressor*, and nothing is
differentiated. E goes with an altimeter's height where that drifts, and so drifts too.

The inputs of a row are integrals over the interval from the previous row to this one, the
measurement is at its end. Nothing here knows how a state is estimated, nor of hypotheses.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import Record, Records, jit
from loadlearn.estimation.considered import ANSWERED_EVERY_S
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2, SLIP_STIFFNESS

FloatArray = NDArray[np.float64]


class StateOrder(NamedTuple):
    """Where each state stands; written here, once."""

    energy_height_m: int
    inverse_mass_per_kg: int
    """phi, of the mass that the computed force implies."""
    rolling_resistance: int
    """At 20 m/s."""
    drag_per_mass_m2_kg: int
    """kappa."""
    disturbance: int
    """delta: gusts, draughts, slope errors, as a slope."""
    headwind_m_s: int
    accessory_power_w: int
    """nu, beyond the mean."""
    speed_slope: int
    """Rise of the rolling resistance with speed."""
    cold_tyre_excess: int
    load_tilt: int
    """tau: how the gain of the fuelling-to-force chain changes over load."""
    slip_per_n: int
    """sigma, of the driven wheels."""
    force_lag_s: int
    """lambda: of the force behind its channel, what no delay between channels tells."""
    regeneration_excess: int
    """zeta: share of the fuel that makes no torque in a regeneration."""
    unreported_share: int
    """epsilon, of the extra torque."""
    slope_bias: int
    """b, of a body accelerometer."""
    squat_rad_s2_m: int
    """q: a body pitches with acceleration, and a body accelerometer takes that for slope."""


N_STATES = len(StateOrder._fields)
STATE = StateOrder(*range(N_STATES))
"""A state that a log has no use for has no variance, and stays where it is."""

ROW = np.dtype(
    [
        (name, np.float64)
        for name in (
            "time_s",
            "dt_s",
            "distance_m",
            "distance_cos_m",
            "work_kg_m",
            "drag2",
            "drag1",
            "drag0",
            "slope_m",
            "unreported_kg_m",
            "gross_kg_m",
            "force_variance_kg2_m2",
            "force_share_kg2_m2",
            "rotating_step_kg_m",
            "known",
            "measured_m",
            "rotating_kg_m",
            "speed_m_s",
            "half_width_m_s",
            "still_s",
            "reversed",
            "regeneration_flag",
            "tilt_kg_m",
            "slip_m_n",
            "slipping_force_n",
            "grade_height_m",
            "kinetic_m2_s2",
            "lag_kg_m_s",
            "bends_m",
        )
    ]
)
"""What an interval did, and what was measured at its end."""


class Noise(NamedTuple):
    """Levels and correlation times of what is not modelled; found per log where a log is whole."""

    disturbance_sd: float = 0.003
    """Slowly varying slope-like force: gusts, draughts, curves, grade error (1)."""
    disturbance_time_s: float = 8.0
    white: float = 0.0008
    """White slope noise times the square root of one second (s^0.5)."""
    speed_sd_m_s: float = 0.04
    height_sd_m: float = 0.0
    """White noise of the altimeter; 0 where the height is integrated from a grade."""
    height_walk_m_s05: float = 0.0
    """How the altimeter drifts, within the minutes that a hill takes; 0 likewise."""
    force_error_share: float = 0.01
    """Sd of an error of the computed force that passes within seconds, in proportion to it."""
    roll_walk_per_s05: float = 3e-5
    """Random walk of the rolling resistance on the first ground; in proportion on others."""
    wind_sd_m_s: float = 3.0
    wind_time_s: float = 1200.0
    accessory_sd_w: float = 1500.0
    accessory_time_s: float = 900.0
    cold_time_s: float = 600.0
    """Decay of the excess of cold tyres (about 20 min in all, from memory)."""
    open_variance_m2: float = 400.0
    """Added to the energy height over an interval whose force is not known."""
    mix_every_s: float = 0.45
    """How often, in driving time, the ground may have changed."""


class Evidence(NamedTuple):
    """How much of what speaks between hypotheses counts: misfit is not all noise.

    A share below one raises a likelihood to a power (tempering). What each buys is a row of
    ``experiments/ablation.py``.
    """

    firm_loads: float = 0.4
    """Between loads, on firm ground: what is wrong with the engine's line stays with the operating
    point, so the samples of one pull are not independent ..."""
    loose_loads: float = 0.03
    """... on loose ground, which wanders ..."""
    loose_memory_s: float = 300.0
    """... and for so long after it was last believed in: the way out of a misfit on sand is another
    load on an easier ground."""
    firm_grounds: float = 0.35
    """Between firm grounds: bends, gusts and a grade's errors have wider tails and more time scales
    than one coloured disturbance."""
    changes_charged: float = 1.0
    """Whether a load pays in full for changes of ground that it alone needs (1 or 0)."""
    traffic_halt_s: float = 120.0
    """Standstills as long as this are as likely traffic's as the driver's own (common practice, no
    source)."""


@jit(distinct=True)
def transition(state: FloatArray, row: Record, sensitivity: FloatArray) -> float:
    """Energy height at the row's end, and its derivative with respect to each state.

    All other states stay, so this is the first row of the transition matrix.

    Parameters
    ----------
    state : ndarray, shape (16,)
        At the start of the interval, in the order of ``STATE``.
    row : record of ``ROW``
    sensitivity : ndarray, shape (16,)
        Receives the derivatives.

    Returns
    -------
    float
        Energy height (m).
    """
    phi = state[STATE.inverse_mass_per_kg]
    kappa = state[STATE.drag_per_mass_m2_kg]
    wind = state[STATE.headwind_m_s]
    drag = row.drag2 + wind * (row.drag1 + wind * row.drag0)
    accessory = row.dt_s / GRAVITY_M_S2
    per_phi = (
        row.work_kg_m
        + row.rotating_step_kg_m
        - state[STATE.accessory_power_w] * accessory
        + state[STATE.load_tilt] * row.tilt_kg_m
        - state[STATE.force_lag_s] * row.lag_kg_m_s
        - state[STATE.regeneration_excess] * row.gross_kg_m
        + state[STATE.unreported_share] * row.unreported_kg_m
    )
    gained = (
        phi * per_phi
        - (state[STATE.rolling_resistance] + state[STATE.cold_tyre_excess]) * row.distance_cos_m
        - state[STATE.speed_slope] * row.slope_m
        - kappa * drag
        + (state[STATE.disturbance] + state[STATE.slope_bias]) * row.distance_m
        + state[STATE.squat_rad_s2_m] * row.kinetic_m2_s2
        - row.bends_m
    )
    # The wheels turn further than the vehicle moves; what the body gains falls short by that.
    slipped = -row.slipping_force_n * (gained - row.grade_height_m)
    sensitivity[STATE.energy_height_m] = 1.0
    sensitivity[STATE.inverse_mass_per_kg] = per_phi
    sensitivity[STATE.rolling_resistance] = -row.distance_cos_m
    sensitivity[STATE.drag_per_mass_m2_kg] = -drag
    sensitivity[STATE.disturbance] = row.distance_m
    sensitivity[STATE.headwind_m_s] = -kappa * (row.drag1 + 2.0 * wind * row.drag0)
    sensitivity[STATE.accessory_power_w] = -phi * accessory
    sensitivity[STATE.speed_slope] = -row.slope_m
    sensitivity[STATE.cold_tyre_excess] = -row.distance_cos_m
    sensitivity[STATE.load_tilt] = phi * row.tilt_kg_m
    sensitivity[STATE.slip_per_n] = slipped
    sensitivity[STATE.force_lag_s] = -phi * row.lag_kg_m_s
    sensitivity[STATE.regeneration_excess] = -phi * row.gross_kg_m
    sensitivity[STATE.unreported_share] = phi * row.unreported_kg_m
    sensitivity[STATE.slope_bias] = row.distance_m
    sensitivity[STATE.squat_rad_s2_m] = row.kinetic_m2_s2
    return state[STATE.energy_height_m] + gained + state[STATE.slip_per_n] * slipped


@jit
def process_variance(inverse_mass_per_kg: float, row: Record, noise: Noise) -> float:
    """Variance added to the energy height over a row (m^2)."""
    if row.known < 0.5:
        return noise.open_variance_m2
    white, walk = noise.white * row.speed_m_s, noise.height_walk_m_s05
    share = noise.force_error_share
    of_force = row.force_variance_kg2_m2 + share * share * row.force_share_kg2_m2
    of_force *= inverse_mass_per_kg * inverse_mass_per_kg
    return (white * white + walk * walk) * row.dt_s + 1e-10 + of_force


@jit
def answerable_share(row: Record, noise: Noise) -> float:
    """Share of what is left out that moves the vehicle: no driver answers an altimeter's drift.

    Of the spectral densities at low frequency, as slopes.
    """
    acts = 2.0 * noise.disturbance_time_s * noise.disturbance_sd * noise.disturbance_sd
    acts = (acts + noise.white * noise.white) * row.speed_m_s * row.speed_m_s
    return acts / (acts + noise.height_walk_m_s05 * noise.height_walk_m_s05 + 1e-12)


MEASURED = (STATE.energy_height_m, STATE.inverse_mass_per_kg, STATE.slip_per_n)
"""The states that are measured: y = E - phi mu T + 2 T F sigma."""


@jit
def measurement_row(row: Record) -> tuple[float, float, float]:
    """What the measurement reads of each of the ``MEASURED`` states."""
    return 1.0, -row.rotating_kg_m, row.slip_m_n


@jit
def measurement_variance(row: Record, noise: Noise) -> float:
    """Variance of the measured ``v^2/2g + h`` (m^2)."""
    speed = row.speed_m_s * noise.speed_sd_m_s / GRAVITY_M_S2
    # The second-order part of v^2 keeps it above zero at a standstill.
    floor = noise.speed_sd_m_s * noise.speed_sd_m_s / GRAVITY_M_S2
    return speed * speed + floor * floor + noise.height_sd_m * noise.height_sd_m + 1e-10


@jit
def measurement_half_width(row: Record) -> float:
    """Half the step of what is measured where the speed is read in whole units (m), else 0."""
    return row.half_width_m_s * row.speed_m_s / GRAVITY_M_S2


@jit
def innovation_as_speed(innovation_m: float, row: Record) -> float:
    """What is new in an energy height, as an error of the speed (m/s); NaN at a standstill."""
    return innovation_m * GRAVITY_M_S2 / row.speed_m_s if row.speed_m_s > 0.0 else math.nan


LEAST_OF_KIND = 0.3
"""What the ground's unevenness is in proportion to: its resistance, at least this share of its
kind's."""


@jit
def unevenness(
    roll: float, mean: float, texture: float, first_mean: float, noise: Noise
) -> tuple[float, float]:
    """Levels of the disturbance and of the rolling resistance's walk on a ground.

    Both grow with the resistance itself, not with its kind's mean: a sandy track is uneven in
    proportion, and one stretch is as uneven whatever it is called. (In proportion to the kind's
    mean, how even a stretch is would name it, and not how hard it rolls.)

    Parameters
    ----------
    roll : float
        Rolling resistance now.
    mean, texture : float
        Of this kind of ground.
    first_mean : float
        Of the first kind.
    noise : Noise

    Returns
    -------
    disturbance : float
        Variance of the disturbance.
    walk : float
        Variance per second of the rolling resistance.
    """
    # On the first kind it is the kind's own: a friction wrongly believed leaves any resistance.
    roll = max(roll, LEAST_OF_KIND * mean) if mean > first_mean else mean
    local = texture * roll
    step = noise.roll_walk_per_s05 * roll / first_mean
    return noise.disturbance_sd * noise.disturbance_sd + local * local, step * step


SLOW = (STATE.headwind_m_s, STATE.accessory_power_w, STATE.cold_tyre_excess)
"""States that relax over minutes; see :func:`relaxation`."""


@jit
def relaxation(index: int, elapsed_s: float, noise: Noise) -> tuple[float, float]:
    """How a slow state relaxes over a time (an Ornstein-Uhlenbeck process).

    Parameters
    ----------
    index : int
        One of ``SLOW``.
    elapsed_s : float
    noise : Noise

    Returns
    -------
    factor : float
        On the state.
    gained : float
        Variance that it gains.
    """
    time_s, sd = noise.cold_time_s, 0.0
    if index == STATE.headwind_m_s:
        time_s, sd = noise.wind_time_s, noise.wind_sd_m_s
    elif index == STATE.accessory_power_w:
        time_s, sd = noise.accessory_time_s, noise.accessory_sd_w
    factor = math.exp(-elapsed_s / time_s)
    return factor, sd * sd * (1.0 - factor * factor)


LEAST_PHI_PER_KG = 1e-6
"""Nothing on a road weighs more than a thousand tonnes."""


@jit
def log_implied(phi: float, phi_variance: float) -> tuple[float, float]:
    """Mean and variance of the log implied mass, -ln phi, for a normal phi (second order).

    Where the normal reaches beyond zero (outliers at a drive's start), what comes out is a broad
    law of finite masses.
    """
    phi = max(phi, LEAST_PHI_PER_KG)
    variance = min(phi_variance / (phi * phi), 1.0)
    return -math.log(phi) + 0.5 * variance, variance


@jit
def drag_area(
    phi: float, phi_variance: float, kappa: float, kappa_variance: float, covariance: float
) -> tuple[float, float]:
    """Mean and variance of kappa / phi (m^2, scale 1), to second order in phi."""
    per_phi = 1.0 / max(phi, LEAST_PHI_PER_KG)
    ratio = kappa * per_phi
    mean = ratio + (ratio * phi_variance - covariance) * per_phi * per_phi
    variance = kappa_variance - 2.0 * ratio * covariance + ratio * ratio * phi_variance
    return mean, max(variance * per_phi * per_phi, 1e-16)


SQUAT_RAD_S2_M, SQUAT_SD_RAD_S2_M = 0.006, 0.004
"""Bodies pitch by 1 to 6 degrees per g of acceleration (common practice, no source)."""


PART = np.dtype(
    [
        ("mass_kg", np.float64),
        ("mass_sd_kg", np.float64),
        ("weight", np.float64),
        ("solo", np.int64),  # 1 for the component in which nothing is hitched
        ("whole_kg", np.float64),  # mean and sd of the law that it is a part of
        ("whole_sd_kg", np.float64),
    ]
)


class Prior(NamedTuple):
    """Beliefs before the drive, per kind of load; see :func:`load_prior`."""

    parts: Records
    """Components of a load, records of ``PART``."""
    log_scale: float
    log_scale_sd: float
    drag_area_m2: float
    drag_area_sd_m2: float
    solo_drag_factor: float
    speed_slope: float
    speed_slope_sd: float
    cold_excess: float
    cold_excess_sd: float
    unreported: float
    unreported_sd: float
    slope_bias_sd: float
    tilt_sd: float
    most_mass_kg: float
    """Beyond which no other load is believed in (kg)."""
    slip_per_n: float
    slip_sd_per_n: float
    lag_s: float = 0.02
    """Lag of the force behind its channel (s) ..."""
    lag_sd_s: float = 0.04
    """... half a working cycle from fuel to torque, and what delays of whole samples leave."""
    squat_rad_s2_m: float = 0.0
    squat_sd_rad_s2_m: float = 0.0
    """Pitch of the body per acceleration, for a body accelerometer (rad per m/s^2)."""
    offset_sd_n: float = 0.0
    """Sd of a constant error of the computed force, which no drive tells from resistance (N)."""
    answered_every_s: float = ANSWERED_EVERY_S
    """See :mod:`loadlearn.estimation.considered` ..."""
    misfit_counts: float = 1.0
    """... how much of the misfit counts (1 or 0) ..."""
    delay_spread: float = 0.0
    """... and what delays and gains of channels that are not known leave in the mass, relative."""


# One standard normal as three narrower ones: weights, means and common sd (the three-component
# library of DeMars, Bishop & Jah, J. Guidance Control Dyn. 36(4), 2013; from memory).
_SPLIT_WEIGHT = np.array([0.2252246249, 0.5495507502, 0.2252246249])
_SPLIT_MEAN = np.array([-1.0575154615, 0.0, 1.0575154615])
_SPLIT_SD = 0.6715662887

SOLO_SHARE = 0.12
OVERLOAD_SHARE = 0.06
MOST_OF_GCM = 1.5
"""What is hauled weighs at most this share of the GCM."""
BROAD_SHARE = 0.12
"""With a belief given by the user, this much of the prior stays with the rig's own range."""


STRAIGHT_TO = 0.010
"""The Willans line is straight to a per cent from light to full load, and so is the driveline's
efficiency, at best (common practice, no source) ..."""
TILT_OF_SCALE = 0.5
"""... and a chain whose gain is hardly known on the whole is known no better at either end."""


def _moments(parts: Records) -> tuple[float, float]:
    """Mean and sd of a mixture."""
    weight = parts["weight"] / parts["weight"].sum()
    mean = float(weight @ parts["mass_kg"])
    second = float(weight @ (parts["mass_sd_kg"] ** 2 + parts["mass_kg"] ** 2))
    return mean, math.sqrt(second - mean * mean)


def _parts_of_one_law(parts: list[tuple[float, float, float, int]]) -> Records:
    """Components that together are one law: mean, sd, weight and whether nothing is hitched."""
    made = np.array([(*part, 0.0, 0.0) for part in parts], dtype=PART)
    made["whole_kg"], made["whole_sd_kg"] = _moments(made)
    return made


def load_prior(
    rig: Rig,
    initial_mass_kg: float | None = None,
    initial_mass_sd_kg: float | None = None,
) -> Prior:
    """Prior of a load: rig's range, overload tail, nothing hitched, or a belief of the user's.

    Parameters
    ----------
    rig : Rig
    initial_mass_kg, initial_mass_sd_kg : float, optional
        Belief about the combined mass (kg); default half-way from the rig's mass to GCM, with an
        sd of a quarter of the span.
    """
    vehicle = rig.vehicle
    assert vehicle.mass_sd_kg is not None and vehicle.drag_area_sd_m2 is not None
    gcm = rig.nominal_gcm_kg
    middle, spread = 0.5 * (vehicle.mass_kg + gcm), 0.25 * (gcm - vehicle.mass_kg)

    def split(mean: float, sd: float, share: float) -> list[tuple[float, float, float, int]]:
        return [
            (max(mean + sd * offset, 0.2 * mean), sd * _SPLIT_SD, share * weight, 0)
            for offset, weight in zip(_SPLIT_MEAN, _SPLIT_WEIGHT, strict=True)
        ]

    hitched = _parts_of_one_law(
        [
            *split(middle, spread, 1.0 - SOLO_SHARE - OVERLOAD_SHARE),
            (1.2 * gcm, 0.13 * gcm, OVERLOAD_SHARE, 0),
        ]
    )
    alone = _parts_of_one_law([(vehicle.mass_kg, vehicle.mass_sd_kg, SOLO_SHARE, 1)])
    parts = np.concatenate((hitched, alone))
    if initial_mass_kg is not None or initial_mass_sd_kg is not None:
        mean = middle if initial_mass_kg is None else initial_mass_kg
        sd = spread if initial_mass_sd_kg is None else initial_mass_sd_kg
        believed = _parts_of_one_law(
            split(mean, sd, 1.0) if sd > 0.08 * mean else [(mean, sd, 1.0, 0)]
        )
        believed["weight"] *= 1.0 - BROAD_SHARE
        parts["weight"] *= BROAD_SHARE
        parts = np.concatenate((believed, parts))
    parts["weight"] /= parts["weight"].sum()
    uprated = rig.engine.uprated
    stiffness_n = SLIP_STIFFNESS * vehicle.mass_kg * GRAVITY_M_S2
    return Prior(
        parts=parts,
        log_scale=float(np.log(rig.uncertainty.tractive_scale)),
        log_scale_sd=rig.uncertainty.tractive_scale_sd,
        drag_area_m2=vehicle.drag_area_m2,
        drag_area_sd_m2=vehicle.drag_area_sd_m2,
        solo_drag_factor=0.8,
        # Handbook fit for car tyres at 2.5 bar: 0.0020; truck tyres less (see references).
        speed_slope=0.0010,
        speed_slope_sd=0.0007,
        cold_excess=0.0012,
        cold_excess_sd=0.0012,
        unreported=0.0 if uprated is None else 1.0 - uprated.reported_share,
        unreported_sd=0.0 if uprated is None else uprated.reported_share_sd,
        slope_bias_sd=0.0,
        tilt_sd=max(STRAIGHT_TO, TILT_OF_SCALE * rig.uncertainty.tractive_scale_sd),
        most_mass_kg=MOST_OF_GCM * gcm,
        # A logged speed may be one that does not slip: half. Left freer, the slip takes up the
        # engine's lag and biases the mass by more.
        slip_per_n=0.5 / stiffness_n,
        slip_sd_per_n=0.25 / stiffness_n,
    )


def pooled_prior(prior: Prior) -> Prior:
    """The prior of loads as one broad component of the mixture's mean and sd."""
    mean, sd = _moments(prior.parts)
    return prior._replace(parts=_parts_of_one_law([(mean, sd, 1.0, 0)]))
