"""What a log's channels call for, and the way from samples to what is known: set up once.

Everything that learns from samples goes through here: :class:`~loadlearn.estimation.LoadEstimator`
online and over whole logs, ``prepare`` while it compares noise levels and delays, the closed loop.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, NamedTuple, TypedDict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.described import Named
from loadlearn.estimation.filter import MEMORY, filter_rows
from loadlearn.estimation.grounds import Grounds, ground_modes
from loadlearn.estimation.intervals import SHORTEST_ROW_S, IntervalState, interval_state, rows_of
from loadlearn.estimation.loads import MOST_LOADS, Hypotheses, no_hypotheses
from loadlearn.estimation.mixture import OUTPUT
from loadlearn.estimation.model import (
    SQUAT_RAD_S2_M,
    SQUAT_SD_RAD_S2_M,
    Evidence,
    Noise,
    Prior,
    load_prior,
)
from loadlearn.vehicle.engine_force import ACCESSORIES_IN_TORQUE, RigArrays, rig_arrays
from loadlearn.vehicle.gating import REASONS
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS, Ground
from loadlearn.vehicle.samples import (
    HEIGHT_FROM_ACCELEROMETER,
    HEIGHT_FROM_ALTITUDE,
    SOURCE_FUEL,
    SOURCE_TORQUE,
    SOURCE_TRACTIVE,
    Samples,
    force_source,
    height_source,
)

FloatArray = NDArray[np.float64]

USUAL_OVER_IDLE, USUAL_SPEED_M_S = 2.5, 15.0
"""Usual engine speed over idle, and road speed, of a mixed drive (common practice, no source)."""
ACCELEROMETER_GAIN_SD = 0.04
"""Relative sd of a body accelerometer's gain: some per cent of its own, and a body that pitches
with what is measured, on a slope as in a pull, which nothing in a log tells from the load (common
practice, no source)."""
BODY_PITCH_SD = 0.026
"""Sd of the slope that a body accelerometer's mounting and the load's place pass for: 1.5 degrees
(common practice, no source)."""


class Sources(NamedTuple):
    """Which channels force and height are taken from; see :mod:`loadlearn.vehicle.samples`."""

    force: int
    height: int

    @classmethod
    def of(cls, trace: pd.DataFrame) -> Sources:
        """Those of a trace.

        Parameters
        ----------
        trace : DataFrame
            Canonical columns.

        Raises
        ------
        InputError
            No force or no height channel.
        """
        return cls(force_source(trace), height_source(trace))


def accessory_spread_w(rig: Rig, force_source: int) -> float:
    """Standard deviation of the accessory power about what is taken off the force (W).

    Parameters
    ----------
    rig : Rig
    force_source : int
        See :mod:`loadlearn.vehicle.samples`.

    Returns
    -------
    float
        Nothing for a tread force; wider for a torque, which may be told before or after them.
    """
    if force_source == SOURCE_TRACTIVE:
        return 0.0
    spread_w = 1e3 * rig.engine.accessory_power_sd_kw
    if force_source == SOURCE_TORQUE:
        return math.hypot(spread_w, ACCESSORIES_IN_TORQUE * 1e3 * rig.engine.accessory_power_kw)
    return spread_w


def offset_sd_n(rig: Rig, force_source: int) -> float:
    """Standard deviation of a constant error of the force computed at the tread (N).

    Friction that is not what the rig says (with it goes what a line through a curved engine says of
    no load) is a nearly constant force, which no drive tells from rolling resistance and drag. So
    it is *considered* in their intervals and not learnt (Schmidt, as for the scale).

    Parameters
    ----------
    rig : Rig
    force_source : int
        See :mod:`loadlearn.vehicle.samples`.

    Returns
    -------
    float
        The friction's sd as a power at a usual engine speed, at the tread at a usual road speed;
        nothing where the force does not come from fuelling.
    """
    if force_source != SOURCE_FUEL:
        return 0.0
    engine = rig.engine
    assert engine.friction_mep_sd_kpa is not None
    torque_n_m = engine.torque_of_mep(engine.friction_mep_sd_kpa)
    usual_rad_s = USUAL_OVER_IDLE * engine.idle_rpm * math.pi / 30.0
    return torque_n_m * usual_rad_s * rig.driveline.efficiency / USUAL_SPEED_M_S


def default_noise(sources: Sources, rig: Rig) -> Noise:
    """Noise levels before a log has been seen."""
    noise = Noise(accessory_sd_w=accessory_spread_w(rig, sources.force))
    if sources.height == HEIGHT_FROM_ALTITUDE:
        return noise._replace(height_sd_m=0.5, height_walk_m_s05=0.2)
    if sources.height == HEIGHT_FROM_ACCELEROMETER:
        return noise._replace(white=0.003)
    return noise


def prior_for(
    rig: Rig,
    sources: Sources,
    initial_mass_kg: float | None = None,
    initial_mass_sd_kg: float | None = None,
) -> Prior:
    """The prior that suits a log's force and height channels.

    Parameters
    ----------
    rig : Rig
    sources : Sources
    initial_mass_kg, initial_mass_sd_kg : float, optional
        As in :class:`~loadlearn.estimation.LoadEstimator`.
    """
    prior = load_prior(rig, initial_mass_kg, initial_mass_sd_kg)
    prior = prior._replace(offset_sd_n=offset_sd_n(rig, sources.force))
    if sources.height == HEIGHT_FROM_ACCELEROMETER:
        prior = prior._replace(
            slope_bias_sd=BODY_PITCH_SD,
            squat_rad_s2_m=SQUAT_RAD_S2_M,
            squat_sd_rad_s2_m=SQUAT_SD_RAD_S2_M,
            delay_spread=ACCELEROMETER_GAIN_SD,
        )
    if sources.force == SOURCE_TRACTIVE:
        # Measured downstream of the engine: no accessories, no unreported share, no lag of it.
        prior = prior._replace(unreported=0.0, unreported_sd=0.0, lag_s=0.0)
    return prior


class Setup(NamedTuple):
    """What a drive is learnt with, from its first sample to its last."""

    sources: Sources
    rig: RigArrays
    grounds: Grounds
    names: tuple[str, ...]
    """Of the grounds."""
    prior: Prior
    noise: Noise
    evidence: Evidence = Evidence()
    most_loads: int = MOST_LOADS
    """Room for loads side by side."""


def setup_for(
    rig: Rig,
    sources: Sources,
    noise: Noise | None = None,
    grounds: tuple[Ground, ...] = HANDBOOK_GROUNDS,
    initial_mass_kg: float | None = None,
    initial_mass_sd_kg: float | None = None,
    delay_spread: float = 0.0,
) -> Setup:
    """Set up what a drive is learnt with.

    Parameters
    ----------
    rig : Rig
    sources : Sources
    noise : Noise, optional
        Default: :func:`default_noise`.
    grounds : tuple of Ground
    initial_mass_kg, initial_mass_sd_kg : float, optional
        As in :class:`~loadlearn.estimation.LoadEstimator`.
    delay_spread : float
        What not knowing the channels' delays leaves in the mass, relative.
    """
    prior = prior_for(rig, sources, initial_mass_kg, initial_mass_sd_kg)
    return Setup(
        sources,
        rig_arrays(rig),
        ground_modes(grounds, with_regeneration=sources.force == SOURCE_FUEL),
        tuple(ground.name for ground in grounds),
        prior._replace(delay_spread=math.hypot(prior.delay_spread, delay_spread)),
        noise or default_noise(sources, rig),
    )


class LearnerState(NamedTuple):
    """Everything that is remembered between samples."""

    intervals: IntervalState
    memory: Records
    """The filter's own, one record."""
    hypotheses: Hypotheses
    output: Records
    """What is known now, one record of ``OUTPUT``."""
    surface_probability: FloatArray

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Every array of it by name; they may be written to."""
        found: dict[str, NDArray[Any]] = {}
        for name, part in self._asdict().items():
            if isinstance(part, np.ndarray):
                found[name] = part
            else:
                found |= {f"{name}.{inner}": value for inner, value in part._asdict().items()}
        return found


def initial_state(setup: Setup) -> LearnerState:
    """What is remembered before the first sample."""
    output = np.full(1, np.nan, dtype=OUTPUT)
    output["surface"] = 0.0
    return LearnerState(
        interval_state(),
        np.zeros(1, MEMORY),
        no_hypotheses(setup.grounds.size, setup.most_loads),
        output,
        np.zeros((1, len(setup.names))),
    )


class Learnt(NamedTuple):
    """What samples taught, row by row; line 0 of ``outputs`` is what was known before.

    Attributes
    ----------
    rows : record array of ``ROW``, shape (k,)
    row_of_sample : ndarray of int, shape (n,)
        Number of rows complete at each sample: the line of ``outputs`` that holds there.
    reason : ndarray of int, shape (n,)
        Why each sample is set aside (0: it is not).
    force_n : ndarray, shape (n,)
        At the tread.
    outputs : record array of ``OUTPUT``, shape (k + 1,)
    surface_probability : ndarray, shape (k + 1, grounds)
    """

    rows: Records
    row_of_sample: NDArray[np.int64]
    reason: NDArray[np.int64]
    force_n: FloatArray
    outputs: Records
    surface_probability: FloatArray


def learn(setup: Setup, state: LearnerState, samples: Samples, with_outputs: bool = True) -> Learnt:
    """Learn from samples, in place.

    Parameters
    ----------
    setup : Setup
    state : LearnerState
        Carried on.
    samples : record array of ``SAMPLE``, shape (n,)
        Their channels aligned.
    with_outputs : bool
        False for the log-likelihood only.
    """
    made = rows_of(setup.rig, *setup.sources, SHORTEST_ROW_S, state.intervals, samples)
    outputs = np.empty(len(made.rows) + 1, OUTPUT)
    surface_probability = np.empty((len(outputs), len(setup.names)))
    outputs[0], surface_probability[0] = state.output[0], state.surface_probability[0]
    filter_rows(
        made.rows,
        state.memory,
        state.hypotheses,
        setup.grounds,
        setup.prior,
        setup.noise,
        setup.evidence,
        outputs,
        surface_probability,
        with_outputs,
    )
    if with_outputs:
        state.output[0], state.surface_probability[0] = outputs[-1], surface_probability[-1]
    return Learnt(*made, outputs, surface_probability)


class EstimateRow(TypedDict):
    """Columns of ``estimates.csv`` and ``estimates.parquet``: what is known after a sample.

    Only this sample and earlier ones are used. An sd is one standard deviation, ``low95`` and
    ``high95`` are the ends of the central 95 % interval, and *given the scale* means: were the
    scale between the force computed from the log and the true one exactly known.
    """

    time_s: float
    """Time of the sample, on the log's clock."""
    mass_kg: float
    """Combined mass of all that moves: mean."""
    mass_sd_kg: float
    """Its sd, in all."""
    mass_sd_given_scale_kg: float
    """Its sd, given the scale."""
    rolling_resistance: float
    """Rolling resistance coefficient of the present ground at 20 m/s: mean."""
    rolling_resistance_sd: float
    """Its sd."""
    drag_area_m2: float
    """Drag coefficient times frontal area: mean."""
    drag_area_sd_m2: float
    """Its sd, in all."""
    surface: str
    """Name of the ground believed in."""
    p_ground: Annotated[float, Named("p_<ground>")]
    """Probability of a ground, one column for each."""
    learning: int
    """1 where the sample informed the estimate, 0 where it was set aside."""
    set_aside_because: str
    """Why it was set aside; empty where it was not."""
    mass_low95_kg: float
    """Lower end of the mass's interval."""
    mass_high95_kg: float
    """Upper end of the mass's interval."""
    mass_given_scale_kg: float
    """Mean of the mass were the computed force true: what the force alone implies."""
    rolling_resistance_low95: float
    """Lower end of the rolling resistance's interval."""
    rolling_resistance_high95: float
    """Upper end of the rolling resistance's interval."""
    drag_area_sd_given_scale_m2: float
    """Sd of the drag area, given the scale."""
    p_load_changed: float
    """Probability that the load changed at the last standstill."""
    p_nothing_hitched: float
    """Probability that nothing is hitched."""
    p_regeneration: float
    """Probability that fuel is burnt for an after-treatment regeneration."""
    innovation_m_s: float
    """Speed as measured less speed as predicted from the sample before."""
    normalised_innovation: float
    """The same over its sd: about 1 in size where the model fits."""
    tractive_force_n: float
    """Force at the tread computed from the log."""
    not_learnt_because: str
    """Why nothing was learnt of the mass in this stretch of the drive; empty where something was.
    It is judged at the end of a log, over whole stretches."""


def history_of(time_s: FloatArray, learnt: Learnt, names: tuple[str, ...]) -> pd.DataFrame:
    """What was learnt as a table, one line a sample.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    learnt : Learnt
    names : tuple of str
        Of the grounds.

    Returns
    -------
    DataFrame
        The columns of :class:`EstimateRow` but the last.
    """
    outputs, where = learnt.outputs, learnt.row_of_sample
    surface = outputs["surface"][where].astype(np.int64)
    reasons = pd.Index(list(REASONS))
    made: dict[str, Any] = {
        "time_s": time_s,
        "surface": pd.Categorical.from_codes(surface, categories=pd.Index(names)),
        "learning": (learnt.reason == 0).astype(np.int8),
        "set_aside_because": pd.Categorical.from_codes(learnt.reason, categories=reasons),
        "tractive_force_n": learnt.force_n,
    }
    columns: dict[str, Any] = {}
    for name in EstimateRow.__annotations__:
        if name == "p_ground":
            for index, ground in enumerate(names):
                columns[f"p_{ground}"] = learnt.surface_probability[:, index][where]
        elif name != "not_learnt_because":  # of whole stretches, once all is known
            columns[name] = made[name] if name in made else outputs[name][where]
    return pd.DataFrame(columns)
