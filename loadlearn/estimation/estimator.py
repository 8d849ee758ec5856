"""``LoadEstimator``: the load learnt from a drive, sample by sample or a whole log at once."""

from __future__ import annotations

import base64
import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.estimation.check_state import check_state
from loadlearn.estimation.delays import Delays, Waiting, align, delays_of
from loadlearn.estimation.grounds import MOST_GROUNDS
from loadlearn.estimation.joint_belief import Posterior, posterior_of
from loadlearn.estimation.learner import (
    LearnerState,
    Learnt,
    Setup,
    Sources,
    history_of,
    initial_state,
    learn,
    setup_for,
)
from loadlearn.estimation.model import Noise
from loadlearn.estimation.next_drive import present_of
from loadlearn.estimation.not_learnt import WHY, why_not_learnt
from loadlearn.estimation.prepare import prepare as prepare_log
from loadlearn.estimation.smoothing import smoothed, smoothed_summary
from loadlearn.estimation.summary import summary_of
from loadlearn.files import write_whole
from loadlearn.log.sample_gate import Refuse, SampleGate, checked_trace
from loadlearn.vehicle.gating import REASON, REASONS
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS, Ground
from loadlearn.vehicle.samples import SAMPLE, Samples, sample_of, samples_of

FloatArray = NDArray[np.float64]

_GROUND_NUMBERS = tuple(one.name for one in fields(Ground) if one.name != "name")
STATE_FORMAT = 11
"""Version of what ``save`` writes."""
UNTOLD_DELAY_SPREAD = 0.01
"""What delays that nobody has told leave in the mass, relative: a fifth of a second (common
practice, no source) makes 0.3 to 1.1 % on real and simulated drives at 10 Hz."""


@dataclass(frozen=True)
class Load:
    """The estimate after one sample.

    Attributes
    ----------
    time_s : float
    mass_kg, mass_sd_kg, mass_sd_given_scale_kg : float
        Combined mass, its sd in all, and its sd were the tractive scale known (kg).
    mass_given_scale_kg : float
        The mass that the computed force implies: times the tractive scale it is the mass (kg).
    mass_low95_kg, mass_high95_kg : float
        Central 95 % interval of the mixture (kg).
    rolling_resistance, rolling_resistance_sd : float
        Coefficient at 20 m/s.
    drag_area_m2, drag_area_sd_m2 : float
    p_load_changed : float
        Probability that the load changed at the last standstill.
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
    mass_given_scale_kg: float
    mass_low95_kg: float
    mass_high95_kg: float
    rolling_resistance: float
    rolling_resistance_sd: float
    drag_area_m2: float
    drag_area_sd_m2: float
    p_load_changed: float
    surface: str
    surface_probability: dict[str, float]
    learning: int
    set_aside_because: str


_FLOATS = [one.name for one in fields(Load) if one.type == "float" and one.name != "time_s"]


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
        Levels of what is not modelled; default from the log where it was prepared.
    delays_s : mapping, optional
        How late the ``force``, the ``height`` and the ``speed`` channel are (s), such as
        ``prepare(...).attrs["delays_s"]`` of an earlier log of the same logger; default from the
        log where it was prepared. :meth:`step` answers that much later; without them it takes all
        channels to be of one instant, and considers an error of ``UNTOLD_DELAY_SPREAD`` in the
        mass: half a second makes some per cent, a second may make anything.
    refuse : {"raise", "count"}
        What :meth:`step` does with a sample that is wrong (text, infinite, impossible, without a
        stamp): an error, or a count in ``gate.refused``, and what is right of it is used.

    Raises
    ------
    InputError
        The initial belief is not positive, a delay is not a number of seconds, or ``refuse`` is
        another word.

    Attributes
    ----------
    gate : SampleGate
        What samples come through; ``gate.refused`` counts what was refused, or set aside for a
        stamp that repeats, goes back or is out of line.

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
        refuse: Refuse = "raise",
    ) -> None:
        for name, value in (
            ("initial_mass_kg", initial_mass_kg),
            ("initial_mass_sd_kg", initial_mass_sd_kg),
        ):
            if value is not None and not (math.isfinite(value) and value > 0.0):
                raise InputError(f"{name} is {value!r}; give a positive number of kilograms")
        self.rig = rig
        self.gate = SampleGate(rig, refuse)
        self.grounds = tuple(grounds)
        self._initial = (initial_mass_kg, initial_mass_sd_kg)
        self._given_noise = noise
        self._given_delays = None if delays_s is None else delays_of(delays_s)
        self._waiting: Waiting | None = None
        self._delay_spread = 0.0
        self._last_reason = REASON.no_force
        self._last_s = math.nan
        self.setup: Setup | None = None
        self.state: LearnerState | None = None

    def begin(
        self, sources: Sources, noise: Noise | None = None, delay_spread: float | None = None
    ) -> None:
        """Forget everything, and set up for a drive.

        Parameters
        ----------
        sources : Sources
            Which channels force and height are taken from.
        noise : Noise, optional
            What the log itself told; what the estimator was given wins.
        delay_spread : float, optional
            What not knowing the channels' delays leaves in the mass, relative. Default: nothing
            where they were given, ``UNTOLD_DELAY_SPREAD`` where nothing is known of them.
        """
        noise = self._given_noise or noise
        if self._given_delays is not None:
            delay_spread = 0.0
        elif delay_spread is None:
            delay_spread = UNTOLD_DELAY_SPREAD
        self._delay_spread = delay_spread
        self.setup = setup_for(self.rig, sources, noise, self.grounds, *self._initial, delay_spread)
        self.state = initial_state(self.setup)
        self._waiting = None
        if self._given_delays is not None and any(self._given_delays):
            self._waiting = Waiting(*sources, self._given_delays)

    def learn(self, samples: Samples) -> Learnt:
        """Learn from samples whose channels are aligned; everything that learns comes through here.

        Parameters
        ----------
        samples : record array of ``SAMPLE``
            As :func:`loadlearn.vehicle.samples.samples_of` makes them.

        Returns
        -------
        Learnt
            What they taught, row by row.
        """
        assert self.setup is not None and self.state is not None, "begin first"
        return learn(self.setup, self.state, samples)

    # --- whole logs --------------------------------------------------------------------------
    def run(self, trace: pd.DataFrame, smooth: bool = False, prepare: bool = True) -> pd.DataFrame:
        """Estimate over a whole trace; only past samples are used (unless ``smooth``).

        Parameters
        ----------
        trace : DataFrame
            Canonical columns; prepared by ``prepare``, or it is prepared here.
        smooth : bool
            Whether to return the best answer given the whole log.
        prepare : bool
            False to take a trace as it is, which gives the same as repeated :meth:`step`.

        Returns
        -------
        DataFrame
            One row per sample: the columns of ``estimates.csv``, intervals, and in ``attrs`` the
            summary. ``innovation_m_s`` is what the last measurement had of news, as an error of
            the speed, to the hypothesis that was likeliest before it; ``normalised_innovation``
            the same over its sd, whose square is about one in the mean where the model fits. NaN
            where nothing is learnt.

        Raises
        ------
        InputError
            No force or no grade channel, or the trace breaks a rule of
            :func:`~loadlearn.log.trace.validate_trace`.
        """
        trace = checked_trace(trace)
        if prepare and "delays_s" not in trace.attrs:
            trace = prepare_log(trace, self.rig, self._given_delays)
        attrs = trace.attrs
        told = attrs.get("noise")
        sources = Sources.of(trace)
        self.begin(sources, None if told is None else Noise(**told), attrs.get("delay_spread"))
        moved = delays_of(attrs.get("delays_s"))
        wanted = moved if self._given_delays is None else self._given_delays
        left = Delays(*(one - other for one, other in zip(wanted, moved, strict=True)))
        samples = align(samples_of(trace), *sources, left)
        learnt = self.learn(samples)
        assert self.setup is not None and self.state is not None
        time_s = trace["time_s"].to_numpy(dtype=np.float64)
        history = history_of(time_s, learnt, self.setup.names)
        why = why_not_learnt(learnt.rows, learnt.outputs[-1], self.setup.noise.disturbance_sd)
        why = why[np.maximum(learnt.row_of_sample - 1, 0)]
        history["not_learnt_because"] = pd.Categorical.from_codes(why, categories=pd.Index(WHY))
        summary = summary_of(
            self.rig,
            trace,
            history,
            learnt.outputs[1:],
            learnt.rows,
            float(self.state.memory["learnt_s"][0]),
            wanted._asdict(),
            present_of(self.state.hypotheses, self.setup),
        )
        summary["smoothed"] = smoothed_summary(history, summary)
        history.attrs["summary"] = summary
        if smooth:
            return smoothed(history, summary, self.grounds, self.setup.noise)
        return history

    # --- online ------------------------------------------------------------------------------
    def step(self, sample: Mapping[str, Any]) -> Load:
        """Take one sample and return the estimate after it; constant memory.

        A stamp that repeats the last is set aside. One that goes back, or is more than a minute
        ahead, waits for the next: that tells whether the clock leapt (the interval is then begun
        anew, and nothing else is lost) or the stamp was wrong.

        Parameters
        ----------
        sample : mapping
            Canonical names to values, or a log's names and units; absent or NaN where not measured.

        Returns
        -------
        Load
            Of the newest sample whose late channels are complete (``delays_s``); that is this one
            where there are none. A sample that was not used says why in ``set_aside_because``.

        Raises
        ------
        InputError
            The first sample names no time, speed, force or grade channel; or the sample is wrong
            and ``refuse`` is "raise": then it changes nothing.
        """
        passed = self.gate.take(sample)
        if passed.restarted and self._waiting is not None and self.setup is not None:
            self._waiting = Waiting(*self.setup.sources, self._waiting.delays)
        for one in passed.samples:
            self._take(one)
        clock_s = self._last_s
        return self._load(self.gate.stamp(clock_s), passed.why)

    def _take(self, read: dict[str, float]) -> None:
        if self.state is None:
            self.begin(_sources_of(read))
        samples = sample_of(read)
        self._last_s = read["time_s"]
        if self._waiting is not None:
            samples = self._waiting.push(samples)
            self._last_s = self._waiting.newest_passed_s()
        if len(samples) > 0:
            self._last_reason = int(self.learn(samples).reason[-1])

    def _load(self, time_s: float, why: str = "") -> Load:
        if self.state is None:
            raise InputError("the first sample was refused; give one with a stamp and numbers")
        out = self.state.output[0]
        return Load(
            time_s=time_s,
            **{name: float(out[name]) for name in _FLOATS},
            surface=self.grounds[int(out["surface"])].name,
            surface_probability={
                ground.name: float(p)
                for ground, p in zip(self.grounds, self.state.surface_probability[0], strict=True)
            },
            learning=int(self._last_reason == 0 and not why),
            set_aside_because=why or REASONS[self._last_reason],
        )

    # --- what is believed --------------------------------------------------------------------
    def posterior(self, given_scale: bool = False) -> Posterior:
        """What is believed after the samples so far, all hypotheses of it.

        Two lines draw how mass and rolling resistance hang together::

            kg, rolling_resistance = estimator.posterior().ellipse("mass_kg", "rolling_resistance")
            axes.plot(kg, rolling_resistance)

        Parameters
        ----------
        given_scale : bool
            Whether to take the tractive scale as known, at its mean.

        Returns
        -------
        Posterior
            Weights, means and covariances, the density of the mass, ellipses.

        Raises
        ------
        InputError
            No sample has been learnt from yet.
        """
        if self.setup is None or self.state is None or not self.state.memory["started"][0]:
            raise InputError("nothing has been learnt yet; give samples with step or run first")
        return posterior_of(self.setup, self.state, given_scale)

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
        waiting = self._waiting
        document: dict[str, Any] = {
            "format": STATE_FORMAT,
            "rig": self.rig.name,
            "rig_hash": rig_hash(self.rig),
            "initial": list(self._initial),
            "grounds": [asdict(ground) for ground in self.grounds],
            "given_noise": None if self._given_noise is None else self._given_noise._asdict(),
            "given_delays": None if self._given_delays is None else self._given_delays._asdict(),
            "sources": None if self.setup is None else self.setup.sources._asdict(),
            "noise": None if self.setup is None else self.setup.noise._asdict(),
            "delay_spread": self._delay_spread,
            "waiting": None if waiting is None else [_packed(one) for one in waiting.samples],
            "passed": 0 if waiting is None else waiting.passed,
            "last_reason": self._last_reason,
            "last_s": None if math.isnan(self._last_s) else self._last_s,
            "gate": self.gate.kept(),
            "refuse": self.gate.refuse,
            "state": None
            if self.state is None
            else {name: _packed(value) for name, value in self.state.arrays().items()},
        }
        document["digest"] = _digest(document)
        write_whole(Path(path), json.dumps(document).encode(), "the state")

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
        except (OSError, ValueError, RecursionError) as error:
            raise InputError(f"{path}: not a saved estimator state ({error})") from None
        if not isinstance(document, dict) or document.get("format") != STATE_FORMAT:
            raise InputError(
                f"{path}: a saved state of another format; save it again with this version"
            )
        if document.get("rig_hash") != rig_hash(rig):
            raise InputError(
                f"{path}: saved for the rig '{document.get('rig')}' as it was then, which is not "
                f"'{rig.name}' as it is now; load it with its own rig"
            )
        if document.get("digest") != _digest(document):
            raise InputError(
                f"{path}: the saved state is damaged (its digest is not that of its content); use "
                "an older copy, or learn anew"
            )
        try:
            return cls._from_document(document, rig)
        except (ValueError, TypeError, KeyError, AttributeError, OverflowError) as error:
            raise InputError(
                f"{path}: the saved state holds what no estimator saves ({error}); use an older "
                "copy, or learn anew"
            ) from None

    @classmethod
    def _from_document(cls, document: dict[str, Any], rig: Rig) -> Self:
        """What :meth:`load` makes of a saved state; any of the usual errors where it is none."""
        noise, delays = document["given_noise"], document["given_delays"]
        initial_mass_kg, initial_mass_sd_kg = document["initial"]
        grounds = tuple(
            Ground(str(one["name"]), *(float(one[name]) for name in _GROUND_NUMBERS))
            for one in document["grounds"]
        )
        if not 1 <= len(grounds) <= MOST_GROUNDS:
            raise ValueError(f"{len(grounds)} grounds")
        for ground in grounds:
            told = {name: value for name, value in asdict(ground).items() if name != "name"}
            _check_numbers(f"ground {ground.name}", told, 0.0, 1e4)
        estimator = cls(
            rig,
            initial_mass_kg,
            initial_mass_sd_kg,
            grounds=grounds,
            noise=None if noise is None else _noise_of(noise),
            delays_s=delays,
            refuse=document["refuse"],
        )
        estimator._last_reason = _index_of(document["last_reason"], len(REASONS))
        last_s = document["last_s"]
        estimator._last_s = math.nan if last_s is None else float(last_s)
        estimator.gate.restore(document["gate"])
        if document["state"] is None:
            return estimator
        spread = float(document["delay_spread"])
        _check_numbers("state", {"delay_spread": spread}, 0.0, 1.0)
        told = document["sources"]
        sources = Sources(_index_of(told["force"], 3), _index_of(told["height"], 3))
        estimator.begin(sources, _noise_of(document["noise"]), spread)
        assert estimator.state is not None and estimator.setup is not None
        for name, value in estimator.state.arrays().items():
            value[...] = _unpacked(document["state"][name], value)
        check_state(estimator.state, estimator.setup)
        if estimator._waiting is not None:
            like = np.empty(1, SAMPLE)
            waiting = [_unpacked(one, like) for one in document["waiting"]]
            passed = _index_of(document["passed"], len(waiting) + 1)
            stamps = np.array([one["time_s"][0] for one in waiting])
            if not np.isfinite(stamps).all() or (np.diff(stamps) <= 0.0).any():
                raise ValueError("the waiting samples' stamps do not rise")
            for one in waiting:
                if np.isinf(one.view(np.float64)).any():
                    raise ValueError("a waiting sample is infinite")
            estimator._waiting.samples.extend(waiting)
            estimator._waiting.passed = passed
        estimator._try_out()
        return estimator

    def _try_out(self) -> None:
        """Raise where a good sample after the last one would make a number that is none."""
        assert self.state is not None and self.setup is not None
        arrays = self.state.arrays()
        kept = {name: value.copy() for name, value in arrays.items()}
        trial = self.state.intervals.held.copy()
        speed_m_s = float(self.state.intervals.memory["speed_m_s"][0])
        time_s = float(self.state.intervals.memory["time_s"][0])
        if self.state.intervals.memory["started"][0] == 1:
            for step in (1.0, 2.0):
                trial["time_s"], trial["speed_m_s"] = time_s + 0.2 * step, max(speed_m_s, 3.0)
                self.learn(trial.copy())
        out = self.state.output[0]
        started = self.state.memory["started"][0] == 1
        fine = not started or all(math.isfinite(out[name]) for name in _FLOATS[:7])
        for name, value in arrays.items():
            value[...] = kept[name]
        if not fine:
            raise ValueError("a sample after it makes no number")


def rig_hash(rig: Rig) -> str:
    """Hash of the keys of a rig that matter to an estimate (hexadecimal, 16 characters).

    Parameters
    ----------
    rig : Rig

    Returns
    -------
    str
    """
    keys = rig.model_dump_json(exclude={"name": True, "limits": True, "engine": {"aspiration"}})
    return hashlib.sha256(keys.encode()).hexdigest()[:16]


def _packed(values: NDArray[Any]) -> str:
    """An array's bytes, so that not a bit is lost."""
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode("ascii")


def _unpacked(packed: str, like: NDArray[Any]) -> NDArray[Any]:
    """What :func:`_packed` packed, in the shape and type of another array."""
    data = base64.b64decode(packed, validate=True)
    return np.frombuffer(data, like.dtype).reshape(like.shape)


def _digest(document: Mapping[str, Any]) -> str:
    """SHA-256 of a saved state's content, its digest left out."""
    content = {name: value for name, value in document.items() if name != "digest"}
    text = json.dumps(content, sort_keys=True)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _check_numbers(what: str, values: Mapping[str, Any], low: float, high: float) -> None:
    """Raise where a number is not finite or beyond what can be."""
    for name, value in values.items():
        if not isinstance(value, str) and not low <= float(value) <= high:
            raise ValueError(f"{what}: {name} is {value!r}")


def _noise_of(values: Mapping[str, Any]) -> Noise:
    """Noise levels from a saved state."""
    noise = Noise(**{name: float(value) for name, value in dict(values).items()})
    for name, value in noise._asdict().items():
        _check_numbers("noise", {name: value}, 1e-6 if "time_s" in name else 0.0, 1e9)
    return noise


def _index_of(value: Any, count: int) -> int:
    """A whole number from 0 to less than ``count``."""
    if type(value) is not int or not 0 <= value < count:
        raise ValueError(f"{value!r} is none of {count}")
    return value


def _sources_of(sample: Mapping[str, Any]) -> Sources:
    """Sources of force and height as one sample shows them."""
    there = {name: [0.0] for name, value in sample.items() if value is not None}
    return Sources.of(pd.DataFrame(there))
