"""The state, its transition and its sensitivities: vehicle dynamics in energy height.

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
differentiated.

State order (written here, once): energy height (m); inverse mass phi (1/kg); rolling resistance at
20 m/s; kappa (m^2/kg); disturbance delta (slope); head wind w (m/s); accessory power beyond the
mean nu (W); rise of rolling resistance with speed k; excess of cold tyres; tilt of the
fuelling-to-force chain over load; slip of the driven wheels per newton; lag lambda of the force
behind its channel (s), what no delay between channels that is found tells; excess of fuel in a
regeneration zeta; unreported share of the extra torque epsilon; slope bias b; squat q, by which a
body pitches per unit of acceleration (rad per m/s^2): a body accelerometer takes it for slope.

The inputs of a row are integrals over the interval from the previous row to this one, the
measurement is at its end.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import jit
from loadlearn.errors import InputError
from loadlearn.estimation.layout import LANES
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import GRAVITY_M_S2, HANDBOOK_GROUNDS, SLIP_STIFFNESS, Ground

FloatArray = NDArray[np.float64]

STATE_NAMES: tuple[str, ...] = (
    "energy_height_m",
    "inverse_mass_per_kg",
    "rolling_resistance",
    "drag_per_mass_m2_kg",
    "disturbance",
    "headwind_m_s",
    "accessory_power_w",
    "speed_slope",
    "cold_tyre_excess",
    "load_tilt",
    "slip_per_n",
    "force_lag_s",
    "regeneration_excess",
    "unreported_share",
    "slope_bias",
    "squat_rad_s2_m",
)
(
    ENERGY,
    PHI,
    ROLL,
    KAPPA,
    DISTURBANCE,
    WIND,
    ACCESSORY,
    SLOPE,
    COLD,
    TILT,
    SLIP,
    LAG,
    REGENERATION,
    UNREPORTED,
    BIAS,
    SQUAT,
) = range(16)
N_STATES = 16
"""All states; a log that needs fewer of the last four carries fewer (``states_needed``)."""

# Columns of a row: what the interval did, and what was measured at its end.
ROW_NAMES: tuple[str, ...] = (
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
    "rotating_step_kg_m",
    "known",
    "measured_m",
    "rotating_kg_m",
    "speed_m_s",
    "half_width_m_s",
    "external_variance_m2",
    "still_s",
    "reversed",
    "regeneration_flag",
    "restart",
    "tilt_kg_m",
    "slip_m_n",
    "slipping_force_n",
    "grade_height_m",
    "kinetic_m2_s2",
    "lag_kg_m_s",
    "bends_m",
)
(
    R_TIME,
    R_DT,
    R_DX,
    R_DXCOS,
    R_WORK,
    R_DRAG2,
    R_DRAG1,
    R_DRAG0,
    R_SLOPE,
    R_UNREPORTED,
    R_GROSS,
    R_FORCEVAR,
    R_ROTSTEP,
    R_KNOWN,
    R_Y,
    R_ROT,
    R_SPEED,
    R_HALF,
    R_EXTVAR,
    R_STILL,
    R_REVERSED,
    R_REGEN,
    R_RESTART,
    R_TILT,
    R_SLIP,
    R_SLIPFORCE,
    R_GRADEHEIGHT,
    R_KINETIC,
    R_LAG,
    R_BENDS,
) = range(30)
N_ROW = 30

ROW = np.dtype([(name, np.float64) for name in ROW_NAMES])
"""One interval as a record; ``table.view(np.float64)`` is the same as a matrix."""


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


@jit(inline="always")
def row_sensitivities(
    state: FloatArray, row: FloatArray, predicted: FloatArray, out: FloatArray
) -> None:
    """Energy height at the row's end, and its derivative with respect to each state.

    Hypotheses lie side by side along the last axis (*lanes*), so that one call serves them all.

    Parameters
    ----------
    state : ndarray, shape (n, lanes)
        State at the start of the interval, in the order of ``STATE_NAMES``.
    row : ndarray, shape (30,)
        In the order of ``ROW_NAMES``.
    predicted : ndarray, shape (lanes,)
        Receives the energy height (m).
    out : ndarray, shape (n, lanes)
        Receives the derivatives.
    """
    n = state.shape[0]
    accessory = row[R_DT] / GRAVITY_M_S2
    for h in range(state.shape[1]):
        phi = state[PHI, h]
        kappa = state[KAPPA, h]
        wind = state[WIND, h]
        drag = row[R_DRAG2] + wind * (row[R_DRAG1] + wind * row[R_DRAG0])
        per_phi = (
            row[R_WORK]
            + row[R_ROTSTEP]
            - state[ACCESSORY, h] * accessory
            + state[TILT, h] * row[R_TILT]
            - state[LAG, h] * row[R_LAG]
        )
        bias = 0.0
        if n > REGENERATION:
            per_phi -= state[REGENERATION, h] * row[R_GROSS]
            out[REGENERATION, h] = -phi * row[R_GROSS]
        if n > UNREPORTED:
            per_phi += state[UNREPORTED, h] * row[R_UNREPORTED]
            out[UNREPORTED, h] = phi * row[R_UNREPORTED]
        if n > BIAS:
            bias = state[BIAS, h]
            out[BIAS, h] = row[R_DX]
        squat = 0.0
        if n > SQUAT:
            squat = state[SQUAT, h]
            out[SQUAT, h] = row[R_KINETIC]
        out[ENERGY, h] = 1.0
        out[PHI, h] = per_phi
        out[ROLL, h] = -row[R_DXCOS]
        out[KAPPA, h] = -drag
        out[DISTURBANCE, h] = row[R_DX]
        out[WIND, h] = -kappa * (row[R_DRAG1] + 2.0 * wind * row[R_DRAG0])
        out[ACCESSORY, h] = -phi * accessory
        out[SLOPE, h] = -row[R_SLOPE]
        out[COLD, h] = -row[R_DXCOS]
        out[TILT, h] = phi * row[R_TILT]
        out[LAG, h] = -phi * row[R_LAG]
        gained = (
            phi * per_phi
            - (state[ROLL, h] + state[COLD, h]) * row[R_DXCOS]
            - state[SLOPE, h] * row[R_SLOPE]
            - kappa * drag
            + (state[DISTURBANCE, h] + bias) * row[R_DX]
            + squat * row[R_KINETIC]
            - row[R_BENDS]
        )
        # The wheels turn further than the vehicle moves; what the body gains falls short by that.
        out[SLIP, h] = -row[R_SLIPFORCE] * (gained - row[R_GRADEHEIGHT])
        predicted[h] = state[ENERGY, h] + gained + state[SLIP, h] * out[SLIP, h]


@jit
def process_variance(phi: float, row: FloatArray, noise: Noise) -> float:
    """Variance added to the energy height over a row (m^2)."""
    constant, of_phi = process_variance_parts(row, noise)
    return constant + phi * phi * of_phi


@jit
def process_variance_parts(row: FloatArray, noise: Noise) -> tuple[float, float]:
    """The part of :func:`process_variance` for all, and what goes with the inverse mass squared."""
    if row[R_KNOWN] < 0.5:
        return noise.open_variance_m2, 0.0
    white = noise.white * row[R_SPEED]
    return white * white * row[R_DT] + row[R_EXTVAR] + 1e-10, row[R_FORCEVAR]


@jit
def measurement_variance(row: FloatArray, noise: Noise) -> float:
    """Variance of the measured ``v^2/2g + h`` (m^2)."""
    speed = row[R_SPEED] * noise.speed_sd_m_s / GRAVITY_M_S2
    # The second-order part of v^2 keeps it above zero at a standstill.
    floor = noise.speed_sd_m_s * noise.speed_sd_m_s / GRAVITY_M_S2
    return speed * speed + floor * floor + noise.height_sd_m * noise.height_sd_m + 1e-10


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
        Of this kind of ground, from :class:`Grounds`.
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


@jit
def slow_relaxation(index: int, elapsed_s: float, noise: Noise) -> tuple[float, float]:
    """How a slow state (head wind, accessory power, cold tyres) relaxes over a time.

    Parameters
    ----------
    index : int
        ``WIND``, ``ACCESSORY`` or ``COLD``.
    elapsed_s : float
    noise : Noise

    Returns
    -------
    factor : float
        On the state.
    gained : float
        Variance that it gains.
    """
    if index == WIND:
        factor = math.exp(-elapsed_s / noise.wind_time_s)
        return factor, noise.wind_sd_m_s**2 * (1.0 - factor * factor)
    if index == ACCESSORY:
        factor = math.exp(-elapsed_s / noise.accessory_time_s)
        return factor, noise.accessory_sd_w**2 * (1.0 - factor * factor)
    return math.exp(-elapsed_s / noise.cold_time_s), 0.0


class Grounds(NamedTuple):
    """Surface hypotheses as the kernel reads them: one entry a mode."""

    mean: FloatArray
    sd: FloatArray
    rate_per_s: FloatArray
    """Arrivals on this ground per second of driving."""
    regeneration: NDArray[np.int64]
    """1 for the mode of this ground in which extra fuel makes no torque."""
    partner: NDArray[np.int64]
    """The mode of the same ground with the other regeneration flag, or -1."""
    initial: FloatArray
    """Prior probability at the start of a log."""
    surface: NDArray[np.int64]
    """Index of the ground's name."""
    texture: FloatArray
    """Local variation of the coefficient, relative to its mean."""
    slip: FloatArray
    """Slip of the driven wheels at a force, relative to hard ground."""
    unchanged: NDArray[np.int64]
    """1 for the mode in which nothing has changed: it is left, and nothing arrives in it."""
    kind_at_start: FloatArray
    """Prior probability of each kind of ground at the start of a log, whatever its modes."""


REGENERATION_MEAN = 0.13
REGENERATION_SD = 0.06
"""Excess fuel in an after-treatment regeneration: 5-25 % (common practice, no source) ..."""
REGENERATION_LOW, REGENERATION_HIGH = 0.02, 0.28
"""... and what it can be at the utmost."""
REGENERATION_ON_PER_S = 1.0 / 21600.0
REGENERATION_OFF_PER_S = 1.0 / 900.0
"""A quarter of an hour in six of driving (common practice, no source)."""


HARD_RESISTANCE, SLIP_PER_RESISTANCE = 0.012, 50.0
"""Ground that gives way resists rolling and thrust alike: with the rolling resistance in excess of
hard ground's, slip rises to twice on gravel, six times on sand (common practice, no source)."""


def ground_modes(
    grounds: tuple[Ground, ...] = HANDBOOK_GROUNDS, with_regeneration: bool = False
) -> Grounds:
    """Modes of the switching model: one per ground, and hard grounds in regeneration.

    With regeneration, *the first ground, and nothing has changed yet* has a mode of its own where
    there is a lane for it: in one filter with "it is the first ground again" or "a regeneration
    has just ended" it would be merged away whenever something else is likelier for a while, and
    the drive could not come back to it.

    Parameters
    ----------
    grounds : tuple of Ground
        In the order in which outputs name them.
    with_regeneration : bool
        Whether fuel that makes no torque is among the hypotheses (force from fuelling only).

    Returns
    -------
    Grounds

    Raises
    ------
    InputError
        More grounds than there are lanes for.
    """
    surface = list(range(len(grounds)))
    flag = [0] * len(grounds)
    partner = [-1] * len(grounds)
    if with_regeneration:
        for index in range(min(2, len(grounds))):
            partner[index] = len(surface)
            surface.append(index)
            flag.append(1)
            partner.append(index)
    if len(surface) > LANES:
        raise InputError(f"{len(grounds)} kinds of ground are too many; give at most {LANES - 2}")
    apart = with_regeneration and len(surface) < LANES
    if apart:
        surface.append(0)
        flag.append(0)
        partner.append(partner[0])
    rates = np.array([grounds[i].per_hour for i in surface]) / 3600.0
    start = np.array([0.85 if i == 0 else 0.15 / max(1, len(grounds) - 1) for i in surface])
    if len(grounds) == 1:
        start[:] = 1.0
    start *= np.where(np.array(flag) == 1, 0.03, 1.0)
    unchanged = np.zeros(len(surface), dtype=np.int64)
    if apart:
        unchanged[-1] = 1
        rates[-1] = 0.0
        start[0] *= 1e-6
    initial = start / start.sum()
    mean = np.array([grounds[i].rolling_resistance for i in surface])
    return Grounds(
        mean=mean,
        sd=np.array([grounds[i].rolling_resistance_sd for i in surface]),
        rate_per_s=rates,
        regeneration=np.array(flag, dtype=np.int64),
        partner=np.array(partner, dtype=np.int64),
        initial=initial,
        surface=np.array(surface, dtype=np.int64),
        texture=np.array([grounds[i].texture for i in surface]),
        slip=1.0 + SLIP_PER_RESISTANCE * np.maximum(mean - HARD_RESISTANCE, 0.0),
        unchanged=unchanged,
        kind_at_start=np.bincount(surface, weights=initial).astype(np.float64),
    )


SQUAT_RAD_S2_M, SQUAT_SD_RAD_S2_M = 0.006, 0.004
"""Bodies pitch by 1 to 6 degrees per g of acceleration (common practice, no source)."""


class Prior(NamedTuple):
    """Beliefs before the drive, per kind of load; see :func:`load_prior`."""

    mass_kg: FloatArray
    """Mean of each component of a load (kg)."""
    mass_sd_kg: FloatArray
    weight: FloatArray
    solo: NDArray[np.int64]
    """1 for the component in which nothing is hitched."""
    log_scale: float
    log_scale_sd: float
    drag_area_m2: float
    drag_area_sd_m2: float
    solo_drag_factor: float
    solo_mass_kg: float
    solo_mass_sd_kg: float
    speed_slope: float
    speed_slope_sd: float
    cold_excess: float
    cold_excess_sd: float
    unreported: float
    unreported_sd: float
    slope_bias_sd: float
    accessory_sd_w: float
    tilt_sd: float
    most_mass_kg: float
    """Beyond which no other load is believed in (kg)."""
    slip_per_n: float
    slip_sd_per_n: float
    lag_s: float = 0.02
    """Lag of the force behind its channel (s) ..."""
    lag_sd_s: float = 0.04
    """... half a working cycle from fuel to torque, and what delays of whole samples leave."""
    squat_rad_s2_m: float = SQUAT_RAD_S2_M
    """Pitch of the body per acceleration (rad per m/s^2)."""
    squat_sd_rad_s2_m: float = SQUAT_SD_RAD_S2_M
    offset_sd_n: float = 0.0
    """Sd of a constant error of the computed force, which no drive tells from resistance (N)."""


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


def load_prior(
    rig: Rig,
    initial_mass_kg: float | None = None,
    initial_mass_sd_kg: float | None = None,
    slope_bias_sd: float = 3e-4,
) -> Prior:
    """Prior of a load: rig's range, overload tail, nothing hitched, or a belief of the user's.

    Parameters
    ----------
    rig : Rig
    initial_mass_kg, initial_mass_sd_kg : float, optional
        Belief about the combined mass (kg); default half-way from the rig's mass to GCM, with an
        sd of a quarter of the span.
    slope_bias_sd : float
        Prior sd of a constant bias of the slope (0.026 for a body accelerometer).

    Returns
    -------
    Prior
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

    parts = [
        *split(middle, spread, 1.0 - SOLO_SHARE - OVERLOAD_SHARE),
        (1.2 * gcm, 0.13 * gcm, OVERLOAD_SHARE, 0),
        (vehicle.mass_kg, vehicle.mass_sd_kg, SOLO_SHARE, 1),
    ]
    if initial_mass_kg is not None or initial_mass_sd_kg is not None:
        mean = middle if initial_mass_kg is None else initial_mass_kg
        sd = spread if initial_mass_sd_kg is None else initial_mass_sd_kg
        believed = split(mean, sd, 1.0) if sd > 0.08 * mean else [(mean, sd, 1.0, 0)]
        parts = [(m, s, w * (1.0 - BROAD_SHARE), kind) for m, s, w, kind in believed] + [
            (m, s, w * BROAD_SHARE, kind) for m, s, w, kind in parts
        ]
    table = np.array(parts, dtype=np.float64)
    uprated = rig.engine.uprated
    return Prior(
        mass_kg=table[:, 0].copy(),
        mass_sd_kg=table[:, 1].copy(),
        weight=table[:, 2] / table[:, 2].sum(),
        solo=table[:, 3].astype(np.int64),
        log_scale=float(np.log(rig.uncertainty.tractive_scale)),
        log_scale_sd=rig.uncertainty.tractive_scale_sd,
        drag_area_m2=vehicle.drag_area_m2,
        drag_area_sd_m2=vehicle.drag_area_sd_m2,
        solo_drag_factor=0.8,
        solo_mass_kg=vehicle.mass_kg,
        solo_mass_sd_kg=vehicle.mass_sd_kg,
        # Handbook fit for car tyres at 2.5 bar: 0.0020; truck tyres less (see references).
        speed_slope=0.0010,
        speed_slope_sd=0.0007,
        cold_excess=0.0012,
        cold_excess_sd=0.0012,
        unreported=0.0 if uprated is None else 1.0 - uprated.reported_share,
        unreported_sd=0.0 if uprated is None else uprated.reported_share_sd,
        slope_bias_sd=slope_bias_sd,
        accessory_sd_w=rig.engine.accessory_power_sd_kw * 1e3,
        tilt_sd=max(STRAIGHT_TO, TILT_OF_SCALE * rig.uncertainty.tractive_scale_sd),
        most_mass_kg=MOST_OF_GCM * gcm,
        # A logged speed may be one that does not slip: half. Left freer, the slip takes up the
        # engine's lag and biases the mass by more.
        slip_per_n=0.5 / (SLIP_STIFFNESS * vehicle.mass_kg * GRAVITY_M_S2),
        slip_sd_per_n=0.25 / (SLIP_STIFFNESS * vehicle.mass_kg * GRAVITY_M_S2),
    )


def states_needed(with_regeneration: bool, with_unreported: bool, with_bias: bool) -> int:
    """How many states a log needs; those that it cannot need are left off the end.

    Parameters
    ----------
    with_regeneration, with_unreported, with_bias : bool
        Whether the force comes from fuelling, whether an extra-torque share is logged, and
        whether the slope comes from a body accelerometer.

    Returns
    -------
    int
    """
    if with_bias:
        return SQUAT + 1
    if with_unreported:
        return UNREPORTED + 1
    return REGENERATION + 1 if with_regeneration else LAG + 1
