"""``DriveAdviser``: learns the load and advises, online; :func:`advise_log` for a recorded log.

Recommendations for test, within the maker's ratings: local rules and licensed practice decide.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from loadlearn._compile import as_record
from loadlearn.log.sample_gate import SampleGate
from loadlearn.policy.asked import GradeState, grade_asked
from loadlearn.policy.choose import StrategyLike, choose_strategy
from loadlearn.policy.columns import (
    ADVICE_COLUMNS,
    SAMPLE_COLUMNS,
    TICK_COLUMNS,
    AdviceLoad,
    AdviceRow,
    AdviceWords,
    Sample,
    Tick,
    as_records,
)
from loadlearn.policy.draws import draws_from_summaries
from loadlearn.policy.law import policy_entry, run_policy
from loadlearn.policy.reason import limits_of_bits, reason_sentence
from loadlearn.policy.state import (
    PolicyMemory,
    initial_policy_state,
    policy_config,
    policy_memory,
)
from loadlearn.policy.strategy import Now, Settings
from loadlearn.policy.thermal_model import ThermalParameters, thermal_parameters
from loadlearn.policy.weighing import with_weighing
from loadlearn.vehicle.rig import Rig

if TYPE_CHECKING:
    import pandas as pd

    from loadlearn.estimation.estimator import Load

TICK_S = 1.0
"""Settings are renewed at the first sample of each second of log time."""
SUMMARY_COLUMNS = (
    "mass_kg",
    "mass_sd_kg",
    "mass_sd_given_scale_kg",
    "rolling_resistance",
    "rolling_resistance_sd",
    "drag_area_m2",
    "drag_area_sd_m2",
)
"""What the draws are made from, in the order of their arguments."""
RULE_COLUMNS = ("rule_retention", "rule_full_share_time_s", "rule_economy")
DROP_OUT_S = 0.3
"""Where a sample was refused, what was read before it holds for so long (s); then nothing is known,
and the protections act on that."""
_TIME, _RANGE = SAMPLE_COLUMNS.index("time_s"), SAMPLE_COLUMNS.index("transfer_range")
_NO_TICK = np.array([-1], dtype=np.int64)
_A_TICK = np.array([0], dtype=np.int64)
_CHUNK_TICKS = 2000


@dataclass(frozen=True, slots=True)
class Advice:
    """What the drive modes should do now.

    Attributes
    ----------
    time_s : float
    power_retention : float
        Share of the extra torque to keep under sustained demand, 0 to 1.
    full_share_time_s : float
        How long all of it may be kept before that, from the heat credit now left (s).
    economy : float
        How far demand is restrained, 0 to 1. It acts on three things only: pedal slope over the
        lower travel, rate of torque rise, speed droop on climbs under cruise.
    extra_torque : float
        Share that may be used at this instant after every protection, 0 to 1.
    torque_factor : float
        Multiplies the total driving torque during a gear change; 1 = no reduction.
    active_limits : tuple of str
        Names of the protections acting now.
    reference_speed_m_s, grade_asked_percent : float
        Speed and grade that are asked for, at which the strategy is looked up.
    retention_asked, sustainable_share, wanted_share : float
        What the strategy holds there, what the heat sustains of it, and what is wanted now; see
        :mod:`loadlearn.policy.law_settings`.
    rating_probability : float
        Probability that the load exceeds a rating; NaN when the rig names none. Warn from 0.05.
    mass_kg, mass_sd_kg : float
        The load behind it (kg).
    surface : str
        The ground behind it.
    grade_percent : float
        Mean grade of the last 200 m.
    load_known : bool
        Whether the mass is known to 10 %; until then the settings are at their defaults.
    exhaust_sensor : bool
        Whether the rig has an exhaust temperature sensor.
    """

    time_s: float
    power_retention: float
    full_share_time_s: float
    economy: float
    extra_torque: float
    torque_factor: float
    active_limits: tuple[str, ...]
    reference_speed_m_s: float
    grade_asked_percent: float
    retention_asked: float
    sustainable_share: float
    wanted_share: float
    rating_probability: float
    mass_kg: float
    mass_sd_kg: float
    surface: str
    grade_percent: float
    load_known: bool
    exhaust_sensor: bool

    @property
    def reason(self) -> str:
        """One sentence for a person."""
        return reason_sentence(
            self.mass_kg,
            self.mass_sd_kg,
            self.surface,
            self.grade_percent,
            self.power_retention,
            self.full_share_time_s,
            self.economy,
            self.extra_torque,
            self.wanted_share,
            self.load_known,
            self.active_limits,
            self.rating_probability,
            not self.exhaust_sensor,
        )


class DriveAdviser:
    """Learns the load and advises, sample by sample.

    Parameters
    ----------
    rig : Rig
        What is driven; needs a full-load curve.
    strategy : Strategy, callable, path or str, optional
        Where the settings come from: a strategy or its file, or a rule of one's own
        (:mod:`loadlearn.policy.own_rule`). Default: the strategy made for the rig, the same that
        ``loadlearn schedule`` writes. The protections act as always.
    estimator : LoadEstimator, optional
        One that has learnt already; default a new one.
    thermal : ThermalParameters, optional
        Air and heat parameters, for instance fitted from logs; default the rig's.
    weighed : tuple of float, optional
        Combined mass on a weighbridge and its sd (kg): counted beside what is learnt, until the two
        disagree.

    Raises
    ------
    InputError
        The rig has no full-load curve, or the strategy cannot be used or is for another rig.

    Attributes
    ----------
    gate : SampleGate
        What samples come through. Advice is needed every time: a value that is wrong is taken for
        absent, a sample without a stamp for a drop-out, and ``gate.refused`` counts them. An
        ``estimator`` of one's own may be stricter.
    """

    def __init__(
        self,
        rig: Rig,
        strategy: StrategyLike | None = None,
        *,
        estimator: Any | None = None,
        thermal: ThermalParameters | None = None,
        weighed: tuple[float, float] | None = None,
    ) -> None:
        self.weighed = weighed
        self.chosen = choose_strategy(strategy, rig)
        self.rig = rig = self.chosen.rig
        self.thermal = thermal if thermal is not None else thermal_parameters(rig)
        self.config = policy_config(rig)
        self.memory: PolicyMemory = policy_memory(rig, self.chosen.strategy)
        self.state = as_record(initial_policy_state(self.thermal))
        if estimator is None:
            from loadlearn.estimation import LoadEstimator

            mass_kg, sd_kg = weighed or (None, None)
            estimator = LoadEstimator(rig, mass_kg, sd_kg, refuse="count")
        self.estimator = estimator
        self.gate = SampleGate(rig, "count")
        self._read: dict[str, float] = {}
        self._clock_s = self._usual_s = self._lost_s = 0.0
        self._row = np.full((1, len(SAMPLE_COLUMNS)), np.nan)
        self._out = np.zeros((1, len(ADVICE_COLUMNS)))
        self._ticks = as_record(Tick())
        self._draws = draws_from_summaries(rig, *(math.nan,) * 7)
        self._second = math.nan
        self._given = (as_record(self.thermal), as_record(self.config), self.memory, self.state)
        self._shown = as_records(self._row, Sample)
        self._advised = as_records(self._out, AdviceRow)
        self._run: Callable[..., None] | None = None

    def step(self, sample: Mapping[str, Any]) -> Advice:
        """Take one sample, learn from it, and advise.

        Parameters
        ----------
        sample : mapping
            Canonical names to values; absent or NaN where not measured.

        Returns
        -------
        Advice

        Raises
        ------
        InputError
            No time, speed, force or grade channel among the first sample's names.
        """
        return self.advise(sample, self.estimator.step(sample))

    def advise(self, sample: Mapping[str, Any], load: Load) -> Advice:
        """Advise on a sample whose load estimate is at hand already.

        Parameters
        ----------
        sample : mapping
            As for :meth:`step`.
        load : Load
            The estimate after this sample, of this adviser's estimator.

        Returns
        -------
        Advice
        """
        row = self._row
        get = self._now(sample).get
        for place, name in enumerate(SAMPLE_COLUMNS):
            row[0, place] = get(name, math.nan)
        second = math.floor(row[0, _TIME] / TICK_S)
        tick = second != self._second
        if tick:
            self._second = second
            self._renew(load)
        arguments = (
            *self._given,
            self._shown,
            _A_TICK if tick else _NO_TICK,
            self._draws,
            self._ticks,
            self._advised,
        )
        if self._run is None:
            self._run = policy_entry(*arguments)
        self._run(*arguments)
        return self._advice(self.gate.stamp(float(row[0, _TIME])), load)

    def _now(self, sample: Mapping[str, Any]) -> dict[str, float]:
        """What is read now, on a clock that rises: of a refused sample what was known before."""
        passed = self.gate.take(sample)
        if passed.samples:
            self._read = passed.samples[-1]
            clock_s = self._read["time_s"]
            self._usual_s = min(max(clock_s - self._clock_s, 0.0), TICK_S)
            self._clock_s, self._lost_s = clock_s, 0.0
            return self._read
        self._lost_s += self._usual_s
        clock_s = self._clock_s + self._lost_s
        if self._lost_s > DROP_OUT_S:
            return {"time_s": clock_s}
        return {**self._read, "time_s": clock_s}

    def _renew(self, load: Load) -> None:
        summaries = [getattr(load, name) for name in SUMMARY_COLUMNS]
        mass = with_weighing(summaries[0], summaries[1], summaries[2], self.weighed)
        self._draws = draws_from_summaries(self.rig, *mass, *summaries[3:])
        tick = self._ticks[0]
        fill_tick(tick, self.rig, float(mass[0][0]), float(mass[1][0]))
        if self.chosen.rule is not None:
            time_s = float(self._row[0, _TIME])
            ask_rule(
                self.chosen.rule, tick, time_s, load.rolling_resistance, self.state[0], self.memory
            )

    def _advice(self, time_s: float, load: Load) -> Advice:
        out = AdviceRow(*self._out[0].tolist())
        return Advice(
            time_s=time_s,
            power_retention=out.power_retention,
            full_share_time_s=out.full_share_time_s,
            economy=out.economy,
            extra_torque=out.extra_torque,
            torque_factor=out.torque_factor,
            active_limits=limits_of_bits(out.limit_bits),
            reference_speed_m_s=out.reference_speed_m_s,
            grade_asked_percent=out.grade_asked_percent,
            retention_asked=out.retention_asked,
            sustainable_share=out.sustainable_share,
            wanted_share=out.wanted_share,
            rating_probability=out.rating_probability,
            mass_kg=load.mass_kg,
            mass_sd_kg=load.mass_sd_kg,
            surface=load.surface,
            grade_percent=out.present_grade_percent,
            load_known=out.load_known > 0.5,
            exhaust_sensor=self.config.exhaust_sensor > 0.5,
        )


def _range_code(value: Any) -> float:
    """1 for low range, 0 for high, NaN for unknown."""
    if isinstance(value, str):
        return {"low": 1.0, "high": 0.0}.get(value.strip().lower(), math.nan)
    return float(value)


def fill_tick(tick: Any, rig: Rig, mass_kg: float, mass_sd_kg: float) -> None:
    """Write what is known of the mass into a tick; of nothing known, as unsure as can be.

    Parameters
    ----------
    tick : record of Tick
        Changed.
    rig : Rig
    mass_kg, mass_sd_kg : float
    """
    middle = 0.5 * (rig.vehicle.mass_kg + rig.nominal_gcm_kg)
    tick["mass_kg"] = mass_kg if math.isfinite(mass_kg) else middle
    tick["mass_sd_kg"] = mass_sd_kg if math.isfinite(mass_sd_kg) else middle


def ask_rule(
    rule: Callable[[Now], Settings],
    tick: Any,
    time_s: float,
    rolling_resistance: float,
    state: Any,
    memory: PolicyMemory,
) -> None:
    """Write a rule's settings into a tick.

    Parameters
    ----------
    rule : callable
    tick : record of Tick
        Changed; holds the mass.
    time_s, rolling_resistance : float
    state : record of PolicyState
    memory : PolicyMemory
        What speed and grade are asked for.
    """
    grade = GradeState(*(float(value) for value in state["grade"]))
    now = Now(
        time_s,
        float(tick["mass_kg"]),
        float(tick["mass_sd_kg"]),
        float(rolling_resistance),
        100.0 * grade_asked(grade, memory.grades),
        float(state["demand"]["reference_speed_m_s"]),
    )
    for name, value in zip(RULE_COLUMNS, rule(now), strict=True):
        tick[name] = value


def sample_rows(trace: pd.DataFrame) -> NDArray[np.float64]:
    """Columns of a trace that the policy reads, as one array.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.

    Returns
    -------
    ndarray, shape (n, SAMPLE_COLUMNS)
        NaN where absent.
    """
    rows = np.full((len(trace), len(SAMPLE_COLUMNS)), np.nan)
    for place, name in enumerate(SAMPLE_COLUMNS):
        if name in trace.columns:
            column = trace[name]
            if place == _RANGE and column.dtype.kind not in "fiub":
                rows[:, place] = [_range_code(value) for value in column.fillna("")]
            else:
                rows[:, place] = column.to_numpy(dtype=np.float64, na_value=np.nan)
    return rows


def advise_log(
    trace: pd.DataFrame,
    rig: Rig,
    history: pd.DataFrame | None = None,
    strategy: StrategyLike | None = None,
    thermal: ThermalParameters | None = None,
    weighed: tuple[float, float] | None = None,
) -> pd.DataFrame:
    """What would have been advised, instant by instant, on a recorded log.

    The recorded drive did not follow the advice, so temperatures and speeds are those of the drive
    as driven; the ``extra_torque_share`` channel, where logged, says what was in use.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig
        Needs a full-load curve.
    history : DataFrame, optional
        Estimates of the same samples (``LoadEstimator(rig).run(trace)``); computed if absent.
    strategy : Strategy, callable, path or str, optional
        As for :class:`DriveAdviser`.
    thermal : ThermalParameters, optional
        As for :class:`DriveAdviser`.
    weighed : tuple of float, optional
        As for :class:`DriveAdviser`.

    Returns
    -------
    DataFrame
        One row per sample: ``time_s``, the load behind the advice, the columns of the law
        (:data:`~loadlearn.policy.columns.ADVICE_COLUMNS`), ``active_limits`` (joined by ``;``) and
        ``reason``.

    Raises
    ------
    InputError
        The rig has no full-load curve, the strategy cannot be used or is for another rig, or the
        trace lacks what the estimator needs.
    """
    import pandas as pd

    chosen = choose_strategy(strategy, rig)
    rig = chosen.rig
    if history is None:
        from loadlearn.estimation import LoadEstimator

        history = LoadEstimator(rig).run(trace)
    p = thermal if thermal is not None else thermal_parameters(rig)
    config = policy_config(rig)
    memory = policy_memory(rig, chosen.strategy)
    state = as_record(initial_policy_state(p))
    given = (as_record(p), as_record(config), memory, state)
    rows = sample_rows(trace)
    count = rows.shape[0]
    out = np.zeros((count, len(ADVICE_COLUMNS)))
    samples, advised = as_records(rows, Sample), as_records(out, AdviceRow)
    time = rows[:, _TIME]
    second = np.floor(time / TICK_S)
    tick_rows = np.flatnonzero(np.concatenate(([True], np.diff(second) != 0.0)))
    summaries = {name: history[name].to_numpy(dtype=np.float64) for name in SUMMARY_COLUMNS}
    learnt = [summaries[name] for name in SUMMARY_COLUMNS[:3]]
    mass = with_weighing(learnt[0], learnt[1], learnt[2], weighed)
    summaries.update(zip(SUMMARY_COLUMNS[:3], mass, strict=True))
    # A rule is asked between two ticks of the law.
    many = _CHUNK_TICKS if chosen.rule is None else 1
    for first in range(0, tick_rows.size, many):
        here = tick_rows[first : first + many]
        start = int(here[0]) if first else 0
        last = first + many
        end = int(tick_rows[last]) if last < tick_rows.size else count
        tick_of_row = np.full(end - start, -1, dtype=np.int64)
        tick_of_row[here - start] = np.arange(here.size)
        at_ticks = {name: values[here] for name, values in summaries.items()}
        draws = draws_from_summaries(rig, **at_ticks)
        ticks = np.full((here.size, len(TICK_COLUMNS)), np.nan)
        inputs = as_records(ticks, Tick)
        for tick, mass_kg, mass_sd_kg in zip(
            inputs, at_ticks["mass_kg"], at_ticks["mass_sd_kg"], strict=True
        ):
            fill_tick(tick, rig, mass_kg, mass_sd_kg)
        if chosen.rule is not None:
            rolling = float(at_ticks["rolling_resistance"][0])
            ask_rule(chosen.rule, inputs[0], float(time[here[0]]), rolling, state[0], memory)
        run_policy(*given, samples[start:end], tick_of_row, draws, inputs, advised[start:end])

    load = {**summaries, "time_s": time, "surface": history["surface"].to_numpy()}
    frame: dict[str, Any] = {name: load[name] for name in AdviceLoad.__annotations__}
    frame.update(zip(ADVICE_COLUMNS, out.T, strict=True))
    del frame["limit_bits"]
    words = _words(advised, tick_rows, frame, config.exhaust_sensor < 0.5)
    frame.update(zip(AdviceWords.__annotations__, words, strict=True))
    return pd.DataFrame(frame)


def _words(
    out: NDArray[Any],
    tick_rows: NDArray[np.int64],
    frame: Mapping[str, Any],
    sensor_none: bool,
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Active limits and reason per row; both are worded anew at ticks and when limits change."""
    count = out.shape[0]
    changed = np.zeros(count, dtype=bool)
    changed[tick_rows] = True
    bits = out["limit_bits"]
    changed[1:] |= np.diff(bits) != 0.0
    changed[0] = True
    where = np.flatnonzero(changed)
    names = {one: limits_of_bits(one) for one in np.unique(bits[where])}
    surfaces, mass, mass_sd = frame["surface"], frame["mass_kg"], frame["mass_sd_kg"]
    limits = np.empty(where.size, dtype=object)
    reasons = np.empty(where.size, dtype=object)
    for k, i in enumerate(where):
        line = AdviceRow(*out[i].tolist())
        acting = names[line.limit_bits]
        limits[k] = ";".join(acting)
        reasons[k] = reason_sentence(
            mass[i],
            mass_sd[i],
            str(surfaces[i]),
            line.present_grade_percent,
            line.power_retention,
            line.full_share_time_s,
            line.economy,
            line.extra_torque,
            line.wanted_share,
            line.load_known > 0.5,
            acting,
            line.rating_probability,
            sensor_none,
        )
    repeats = np.diff(np.append(where, count))
    return np.repeat(limits, repeats), np.repeat(reasons, repeats)
