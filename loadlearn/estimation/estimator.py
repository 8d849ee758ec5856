"""``LoadEstimator``: the load learnt from a drive, sample by sample or a whole log at once."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, NamedTuple, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.estimation import filter as kernel
from loadlearn.estimation import intervals as rows
from loadlearn.estimation import layout
from loadlearn.estimation.delays import Waiting, align, delays_of
from loadlearn.estimation.model import (
    N_ROW,
    R_TIME,
    Grounds,
    Noise,
    Prior,
    ground_modes,
    load_prior,
    states_needed,
)
from loadlearn.estimation.next_drive import present_of
from loadlearn.estimation.smoothing import smoothed, smoothed_summary
from loadlearn.estimation.summary import summary_of
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS, Ground
from loadlearn.vehicle.traction import (
    ACCESSORIES_IN_TORQUE,
    NO_FORCE,
    REASONS,
    SOURCE_FUEL,
    SOURCE_TORQUE,
    SOURCE_TRACTIVE,
    force_source,
    rig_arrays,
)

FloatArray = NDArray[np.float64]

USUAL_OVER_IDLE, USUAL_SPEED_M_S = 2.5, 15.0
"""Usual engine speed over idle, and road speed, of a mixed drive (common practice, no source)."""

_RANGE_WORDS = {"high": 0.0, "low": 1.0}

STATE_FORMAT = 7
"""Version of what ``save`` writes."""


class EstimatorState(NamedTuple):
    """Everything the estimator remembers between samples; arrays only."""

    rows_memory: FloatArray
    filter_memory: FloatArray
    states: FloatArray
    covariances: FloatArray
    log_weights: FloatArray
    loads: FloatArray
    last_output: FloatArray
    last_surface: FloatArray


@dataclass(frozen=True)
class Load:
    """The estimate after one sample.

    Attributes
    ----------
    time_s : float
    mass_kg, mass_sd_kg, mass_sd_given_scale_kg : float
        Combined mass, its sd in all, and its sd were the tractive scale known (kg).
    mass_low95_kg, mass_high95_kg : float
        Central 95 % interval of the mixture (kg).
    rolling_resistance, rolling_resistance_sd : float
        Coefficient at 20 m/s.
    drag_area_m2, drag_area_sd_m2 : float
    surface : str
        The ground believed in.
    surface_probability : dict
        Probability of each ground.
    learning : int
        1 where the sample informed the estimate.
    set_aside_because : str
        Why not, otherwise "".
    """

    time_s: float
    mass_kg: float
    mass_sd_kg: float
    mass_sd_given_scale_kg: float
    mass_low95_kg: float
    mass_high95_kg: float
    rolling_resistance: float
    rolling_resistance_sd: float
    drag_area_m2: float
    drag_area_sd_m2: float
    surface: str
    surface_probability: dict[str, float]
    learning: int
    set_aside_because: str


def accessory_spread_w(rig: Rig, force_source: int) -> float:
    """Standard deviation of the accessory power about what is taken off the force (W).

    Parameters
    ----------
    rig : Rig
    force_source : int
        See :mod:`loadlearn.vehicle.traction`.

    Returns
    -------
    float
        Nothing for a tread force; wider for a torque, which may be told before or after them.
    """
    if force_source == SOURCE_TRACTIVE:
        return 0.0
    spread_w = 1e3 * rig.engine.accessory_power_sd_kw
    if force_source == SOURCE_TORQUE:
        return float(
            np.hypot(spread_w, ACCESSORIES_IN_TORQUE * 1e3 * rig.engine.accessory_power_kw)
        )
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
        See :mod:`loadlearn.vehicle.traction`.

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


def default_noise(height_source: int, rig: Rig, force_source: int = SOURCE_FUEL) -> Noise:
    """Noise levels before a log has been seen.

    Parameters
    ----------
    height_source : int
        See :mod:`loadlearn.estimation.intervals`.
    rig : Rig
    force_source : int
        See :mod:`loadlearn.vehicle.traction`.

    Returns
    -------
    Noise
    """
    noise = Noise(accessory_sd_w=accessory_spread_w(rig, force_source))
    if height_source == rows.HEIGHT_FROM_ALTITUDE:
        return noise._replace(height_sd_m=0.5)
    if height_source == rows.HEIGHT_FROM_ACCELEROMETER:
        return noise._replace(white=0.003)
    return noise


def prior_for(
    rig: Rig,
    force: int,
    height: int,
    initial_mass_kg: float | None = None,
    initial_mass_sd_kg: float | None = None,
) -> Prior:
    """The prior that suits a log's force and height channels.

    Parameters
    ----------
    rig : Rig
    force, height : int
        Sources of force and height.
    initial_mass_kg, initial_mass_sd_kg : float, optional
        As in :class:`LoadEstimator`.

    Returns
    -------
    Prior
    """
    bias = 0.026 if height == rows.HEIGHT_FROM_ACCELEROMETER else 3e-4
    prior = load_prior(rig, initial_mass_kg, initial_mass_sd_kg, slope_bias_sd=bias)
    prior = prior._replace(offset_sd_n=offset_sd_n(rig, force))
    if force == SOURCE_TRACTIVE:
        # Measured downstream of the engine: no accessories, no unreported share, no lag of it.
        prior = prior._replace(unreported=0.0, unreported_sd=0.0, lag_s=0.0)
    return prior


class LoadEstimator:
    """Learns combined mass, rolling resistance, drag area and ground from a drive.

    Parameters
    ----------
    rig : Rig
        What is driven, as its owner describes it.
    initial_mass_kg, initial_mass_sd_kg : float, optional
        Belief about the combined mass (kg). Default: half-way from the rig's mass to GCM, sd a
        quarter of the span, with a tail above GCM and the case that nothing is hitched.
    grounds : sequence of Ground, optional
        Kinds of ground; default the handbook's.
    noise : Noise, optional
        Levels of what is not modelled; default from the log when it was prepared.
    delays_s : mapping, optional
        How late the ``force`` and the ``height`` channel are (s), for logs that are not prepared
        and for :meth:`step`, which then answers that much later; such as
        ``prepare(...).attrs["delays_s"]`` of an earlier log of the same logger.

    Raises
    ------
    InputError
        The initial belief is not positive, or a delay is not a number of seconds.

    References
    ----------
    Interacting multiple models: Blom & Bar-Shalom, IEEE Trans. Automatic Control 33(8), 1988.
    Consider parameters: Schmidt, Adv. Control Systems 3, 1966.
    """

    def __init__(
        self,
        rig: Rig,
        initial_mass_kg: float | None = None,
        initial_mass_sd_kg: float | None = None,
        grounds: tuple[Ground, ...] = HANDBOOK_GROUNDS,
        noise: Noise | None = None,
        delays_s: Mapping[str, float] | None = None,
    ) -> None:
        for name, value in (
            ("initial_mass_kg", initial_mass_kg),
            ("initial_mass_sd_kg", initial_mass_sd_kg),
        ):
            if value is not None and not (math.isfinite(value) and value > 0.0):
                raise InputError(f"{name} is {value!r}; give a positive number of kilograms")
        self.rig = rig
        self.grounds = tuple(grounds)
        self._initial = (initial_mass_kg, initial_mass_sd_kg)
        self._given_noise = noise
        self._delays = delays_of(delays_s)
        self._waiting: Waiting | None = None
        self._last_reason = NO_FORCE
        self._rig_arrays = rig_arrays(rig)
        self._sources: tuple[int, int] | None = None
        self._with_share = False
        self._modes: Grounds | None = None
        self._prior: Prior | None = None
        self._noise: Noise | None = None
        self.state: EstimatorState | None = None

    # --- set-up ------------------------------------------------------------------------------
    def _begin(
        self, force: int, height: int, noise: Noise | None, with_share: bool = False
    ) -> None:
        self._sources = (force, height)
        self._waiting = None
        self._noise = noise or self._given_noise or default_noise(height, self.rig, force)
        self._modes = ground_modes(self.grounds, with_regeneration=force == SOURCE_FUEL)
        prior = prior_for(self.rig, force, height, *self._initial)
        self._prior = prior
        self._with_share = with_share
        n = states_needed(
            force == SOURCE_FUEL, with_share, height == rows.HEIGHT_FROM_ACCELEROMETER
        )
        arrays = layout.filter_arrays(n, self._modes.mean.size)
        self.state = EstimatorState(
            rows_memory=rows.rows_memory(),
            filter_memory=arrays.memory,
            states=arrays.states,
            covariances=arrays.covariances,
            log_weights=arrays.log_weights,
            loads=arrays.loads,
            last_output=np.full(layout.N_OUTPUT, np.nan),
            last_surface=np.zeros(len(self.grounds)),
        )

    def _advance(self, inputs: FloatArray, with_outputs: bool = True) -> _Advance:
        assert self.state is not None and self._sources is not None
        assert self._modes is not None and self._prior is not None and self._noise is not None
        samples = inputs.shape[0]
        table = np.empty((samples, N_ROW))
        row_of_sample = np.empty(samples, dtype=np.int64)
        reason = np.empty(samples, dtype=np.int64)
        detail = np.empty((samples, 3))
        count = rows.samples_to_rows(
            self.state.rows_memory,
            self._rig_arrays,
            self._sources[0],
            self._sources[1],
            rows.SHORTEST_ROW_S,
            inputs,
            table,
            row_of_sample,
            reason,
            detail,
        )
        outputs = np.empty((count + 1, layout.N_OUTPUT))
        surfaces = np.empty((count + 1, len(self.grounds)))
        # Line 0 is what was known before these samples.
        outputs[0] = self.state.last_output
        surfaces[0] = self.state.last_surface
        kernel.filter_rows(
            table,
            count,
            self.state.filter_memory,
            self.state.states,
            self.state.covariances,
            self.state.log_weights,
            self.state.loads,
            self._modes,
            self._prior,
            self._noise,
            outputs[1:],
            surfaces[1:],
            with_outputs,
        )
        self.state.last_output[:] = outputs[count]
        self.state.last_surface[:] = surfaces[count]
        return _Advance(table[:count], row_of_sample, reason, detail, outputs, surfaces)

    # --- whole logs --------------------------------------------------------------------------
    def run(self, trace: pd.DataFrame, smooth: bool = False) -> pd.DataFrame:
        """Estimate over a whole trace; only past samples are used (unless ``smooth``).

        Parameters
        ----------
        trace : DataFrame
            Canonical columns, or what ``prepare`` returns.
        smooth : bool
            Whether to return the best answer given the whole log.

        Returns
        -------
        DataFrame
            One row per sample: the columns of ``estimates.csv``, intervals, and in ``attrs`` the
            summary.

        Raises
        ------
        InputError
            No force or no grade channel.
        """
        noise = trace.attrs.get("noise")
        self._begin(
            force_source(trace),
            rows.height_source(trace),
            Noise(**noise) if noise is not None else None,
            share_logged(trace),
        )
        inputs = rows.row_inputs(trace)
        if "delays_s" not in trace.attrs:
            assert self._sources is not None
            inputs = align(inputs, *self._sources, self._delays)
        advance = self._advance(inputs)
        history = self._history(trace, advance)
        assert self.state is not None and self._noise is not None
        state = self.state
        history.attrs["summary"] = summary_of(
            self.rig,
            trace,
            history,
            advance.outputs[1:],
            advance.table[:, R_TIME],
            float(state.filter_memory[layout.F_LEARNT_S]),
            present_of(
                state.states, state.covariances, state.log_weights, state.loads, self._noise
            ),
        )
        summary = history.attrs["summary"]
        summary["smoothed"] = smoothed_summary(history, summary)
        if smooth:
            return smoothed(history, summary, self.grounds, self._noise)
        return history

    def _history(self, trace: pd.DataFrame, advance: _Advance) -> pd.DataFrame:
        where = advance.row_of_sample
        out = advance.outputs.T
        columns: dict[str, Any] = {"time_s": trace["time_s"].to_numpy(dtype=np.float64)}
        for name, index in _OUTPUT_COLUMNS:
            columns[name] = out[index][where]
        names = [ground.name for ground in self.grounds]
        surface = np.nan_to_num(out[layout.O_SURFACE][where]).astype(np.int64)
        columns["surface"] = pd.Categorical.from_codes(surface, categories=pd.Index(names))
        for index, name in enumerate(names):
            columns[f"p_{name}"] = advance.surfaces[:, index][where]
        columns["learning"] = (advance.reason == 0).astype(np.int8)
        columns["set_aside_because"] = pd.Categorical.from_codes(
            advance.reason, categories=pd.Index(list(REASONS))
        )
        for name, index in _EXTRA_COLUMNS:
            columns[name] = out[index][where]
        columns["tractive_force_n"] = advance.detail[:, 0]
        return pd.DataFrame(columns)

    # --- online ------------------------------------------------------------------------------
    def step(self, sample: Mapping[str, Any]) -> Load:
        """Take one sample and return the estimate after it; constant memory.

        Parameters
        ----------
        sample : mapping
            Canonical names to values; absent or NaN where not measured.

        Returns
        -------
        Load
            Of the newest sample whose late channels are complete (``delays_s``); that is this one
            where there are none.

        Raises
        ------
        InputError
            No time, speed, force or grade channel among the names.
        """
        get = sample.get
        if self.state is None:
            self._begin(*_sources_of(sample))
        inputs = np.empty((1, rows.N_INPUT))
        for index, name in enumerate(rows.ROW_INPUTS):
            value = get(name)
            if isinstance(value, str):
                value = _RANGE_WORDS.get(value.strip().lower())
            inputs[0, index] = math.nan if value is None else value
        grade = get("grade_percent")
        if grade is not None:
            tangent = grade / 100.0
            inputs[0, rows.I_SLOPE] = tangent / math.sqrt(1.0 + tangent * tangent)
        inputs[0, rows.I_DENSITY] = rows.density_of_sample(sample)
        time_s = float(inputs[0, 0])
        if any(self._delays):
            if self._waiting is None:
                assert self._sources is not None
                self._waiting = Waiting(*self._sources, self._delays)
            inputs = self._waiting.push(inputs[0])
            time_s = self._waiting.newest_passed_s()
        if len(inputs) > 0:
            self._last_reason = int(self._advance(inputs).reason[-1])
        return self._load(time_s, self._last_reason)

    def _load(self, time_s: float, reason: int) -> Load:
        assert self.state is not None
        out = self.state.last_output
        surface = 0 if math.isnan(out[layout.O_SURFACE]) else int(out[layout.O_SURFACE])
        return Load(
            time_s=time_s,
            mass_kg=float(out[layout.O_MASS]),
            mass_sd_kg=float(out[layout.O_MASS_SD]),
            mass_sd_given_scale_kg=float(out[layout.O_MASS_SD_GIVEN]),
            mass_low95_kg=float(out[layout.O_MASS_LOW]),
            mass_high95_kg=float(out[layout.O_MASS_HIGH]),
            rolling_resistance=float(out[layout.O_ROLL]),
            rolling_resistance_sd=float(out[layout.O_ROLL_SD]),
            drag_area_m2=float(out[layout.O_DRAG]),
            drag_area_sd_m2=float(out[layout.O_DRAG_SD]),
            surface=self.grounds[surface].name,
            surface_probability={
                ground.name: float(p)
                for ground, p in zip(self.grounds, self.state.last_surface, strict=True)
            },
            learning=int(reason == 0),
            set_aside_because=REASONS[reason],
        )

    # --- keeping -----------------------------------------------------------------------------
    def save(self, path: str | Path) -> None:
        """Write everything remembered, so that :meth:`load` carries on exactly where this stopped.

        Parameters
        ----------
        path : str or Path
            A JSON file; it is written whole or not at all.

        Raises
        ------
        InputError
            The place cannot be written.
        """
        document: dict[str, Any] = {
            "format": STATE_FORMAT,
            "rig": self.rig.name,
            "initial": list(self._initial),
            "grounds": [[f.name, getattr(g, f.name)] for g in self.grounds for f in fields(g)],
            "given_noise": None if self._given_noise is None else list(self._given_noise),
            "sources": self._sources,
            "with_share": self._with_share,
            "noise": None if self._noise is None else list(self._noise),
            "delays_s": dict(self._delays._asdict()),
            "waiting": None
            if self._waiting is None
            else [[x.hex() for x in sample.tolist()] for sample in self._waiting.samples],
            "passed": 0 if self._waiting is None else self._waiting.passed,
            "last_reason": self._last_reason,
            "state": None
            if self.state is None
            else {
                name: {"shape": list(value.shape), "values": [x.hex() for x in value.ravel()]}
                for name, value in self.state._asdict().items()
            },
        }
        target = Path(path)
        temporary = target.with_name(target.name + ".partial")
        try:
            temporary.write_text(json.dumps(document), encoding="utf-8")
            temporary.replace(target)
        except OSError as error:
            raise InputError(f"{target}: the state cannot be written ({error})") from None

    @classmethod
    def load(cls, path: str | Path, rig: Rig) -> Self:
        """Read what :meth:`save` wrote.

        Parameters
        ----------
        path : str or Path
        rig : Rig
            The rig that the state belongs to.

        Returns
        -------
        LoadEstimator

        Raises
        ------
        InputError
            The file is no saved state, of another version, or of another rig.
        """
        try:
            document = json.loads(Path(path).read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
            raise InputError(f"{path}: not a saved estimator state ({error})") from None
        if not isinstance(document, dict) or document.get("format") != STATE_FORMAT:
            raise InputError(
                f"{path}: a saved state of another format; save it again with this version"
            )
        if document["rig"] != rig.name:
            raise InputError(
                f"{path}: saved for the rig '{document['rig']}', not '{rig.name}'; "
                "load it with its own rig"
            )
        values = document["grounds"]
        width = len(fields(Ground))
        grounds = tuple(
            Ground(**dict(values[start : start + width])) for start in range(0, len(values), width)
        )
        given = document["given_noise"]
        initial_mass_kg, initial_mass_sd_kg = document["initial"]
        estimator = cls(
            rig,
            initial_mass_kg,
            initial_mass_sd_kg,
            grounds=grounds,
            noise=None if given is None else Noise(*given),
            delays_s=document["delays_s"],
        )
        estimator._last_reason = document["last_reason"]
        if document["state"] is not None:
            force, height = document["sources"]
            estimator._begin(force, height, Noise(*document["noise"]), document["with_share"])
            estimator.state = EstimatorState(
                **{
                    name: np.array([float.fromhex(x) for x in entry["values"]]).reshape(
                        entry["shape"]
                    )
                    for name, entry in document["state"].items()
                }
            )
            if document["waiting"] is not None:
                estimator._waiting = Waiting(force, height, estimator._delays)
                estimator._waiting.samples.extend(
                    np.array([float.fromhex(x) for x in sample]) for sample in document["waiting"]
                )
                estimator._waiting.passed = document["passed"]
        return estimator


class _Advance(NamedTuple):
    table: FloatArray
    row_of_sample: NDArray[np.int64]
    reason: NDArray[np.int64]
    detail: FloatArray
    outputs: FloatArray
    surfaces: FloatArray


def _sources_of(sample: Mapping[str, Any]) -> tuple[int, int, None, bool]:
    frame = pd.DataFrame(
        {
            name: [sample[name]]
            for name in (
                "tractive_force_n",
                "engine_torque_n_m",
                "fuel_rate_g_s",
                "grade_percent",
                "altitude_m",
                "accel_long_m_s2",
            )
            if sample.get(name) is not None
        }
    )
    frame = frame.fillna(0.0)
    share = sample.get("extra_torque_share") is not None
    return force_source(frame), rows.height_source(frame), None, share


def share_logged(trace: pd.DataFrame) -> bool:
    """Whether a trace says what share of the extra torque was in use."""
    return "extra_torque_share" in trace.columns and bool(trace["extra_torque_share"].notna().any())


_OUTPUT_COLUMNS: tuple[tuple[str, int], ...] = (
    ("mass_kg", layout.O_MASS),
    ("mass_sd_kg", layout.O_MASS_SD),
    ("mass_sd_given_scale_kg", layout.O_MASS_SD_GIVEN),
    ("rolling_resistance", layout.O_ROLL),
    ("rolling_resistance_sd", layout.O_ROLL_SD),
    ("drag_area_m2", layout.O_DRAG),
    ("drag_area_sd_m2", layout.O_DRAG_SD),
)
_EXTRA_COLUMNS: tuple[tuple[str, int], ...] = (
    ("mass_low95_kg", layout.O_MASS_LOW),
    ("mass_high95_kg", layout.O_MASS_HIGH),
    ("mass_given_scale_kg", layout.O_IMPLIED),
    ("rolling_resistance_low95", layout.O_ROLL_LOW),
    ("rolling_resistance_high95", layout.O_ROLL_HIGH),
    ("drag_area_sd_given_scale_m2", layout.O_DRAG_SD_GIVEN),
    ("p_load_changed", layout.O_CHANGED),
    ("p_nothing_hitched", layout.O_SOLO),
    ("p_regeneration", layout.O_REGENERATION),
)
