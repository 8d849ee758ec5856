"""How late the channels of a log are, how sure that is, and what it leaves in the mass.

Two finders that know nothing of one another. The first (:mod:`loadlearn.log.alignment`, which
``inspect`` shows) fits the force balance to the log by least squares; engine speed against road
speed tells whether the *speed* is late. The second compares the likelihood of the log under the
filter's model over all delays within ``MOST_DELAY_S``; it decides.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.errors import InputError
from loadlearn.estimation.delays import Delays, moved
from loadlearn.estimation.find_smoothing import (
    Filtered,
    Kernel,
    filtered,
    filtered_force,
    find_grade_lag,
    find_smoothing,
)
from loadlearn.estimation.learner import default_noise
from loadlearn.estimation.likelihood import Likelihood, on_common_rows
from loadlearn.estimation.model import Noise
from loadlearn.estimation.posterior import PARTS, Posterior, judged, tempered
from loadlearn.log.alignment import Delay, channel_delays, make_grid
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.samples import (
    FORCE_CHANNELS,
    HEIGHT_CHANNELS,
    HEIGHT_FROM_ALTITUDE,
    HEIGHT_FROM_GRADE,
    SOURCE_TRACTIVE,
    force_source,
)

FloatArray = NDArray[np.float64]

MOST_DELAY_S = 3.0
"""Delays and leads within this are searched."""
LEAST_DELAY_S = 0.1
"""A fraction of a sample is not worth a move."""
LEAST_SPEED_DELAY_S = 0.6
"""Nor a smaller delay of the speed, which all channels but the speed have to agree upon."""
SURE_FORCE_DELAY, SURE_HEIGHT_DELAY = 3.0, 15.0
"""A channel is moved only when the log prefers it by this much in (tempered) log-likelihood. Errors
of a grade channel hang together over a distance, which the likelihood does not know: more is asked
there."""


GLOBAL_STEP_S = 0.5
"""All delays are compared at this spacing ..."""
LOCAL_STEP_S = 0.2
"""... and the likeliest one's neighbours at this."""
AGREED_S = 0.5
"""Two finders that are no further apart agree."""
FILTERED_TOO_MUCH = 0.15
"""Where a logger's filter makes as much of the mass as this, a log is doubted."""
MATTERS, LEFT_OPEN = 0.02, 0.05
"""Two finders that differ are doubted where the mass does by this share, and a delay where not
knowing it leaves that much."""


class Found(NamedTuple):
    """What :func:`find_delays` found.

    Attributes
    ----------
    delays : Delays
    sds : Delays
        Standard deviation of each (s).
    force_filter, grade_filter : Kernel
        What makes the channels as smooth as the speed.
    log_mass_sd : float
        What not knowing them leaves in the logarithm of the mass.
    doubts : tuple of str
        Sentences for people: why the delays are not to be trusted.
    notes : tuple of str
        Sentences for people: what was taken back.
    """

    delays: Delays = Delays()
    sds: Delays = Delays()
    force_filter: Kernel = Kernel()
    grade_filter: Kernel = Kernel()
    log_mass_sd: float = 0.0
    doubts: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


class _Search:
    """Delays of a log by its likelihood."""

    def __init__(self, likelihood: Likelihood, noise: Noise) -> None:
        self.likelihood, self.noise = likelihood, noise
        self.step_s = likelihood.step_s

    def among(self, values: FloatArray, field: str, given: Delays) -> Posterior:
        """Posterior of one delay, the others given."""
        candidates = [given._replace(**{field: float(value)}) for value in values]
        tables = [self.likelihood.delayed(one) for one in candidates]
        return judged(self.likelihood, self.noise, values, tables)

    def everywhere(self, field: str, given: Delays) -> Posterior:
        """Posterior over all delays, in whole samples: between two, noise would be averaged."""
        step = max(1, round(GLOBAL_STEP_S / self.step_s)) * self.step_s
        reach = math.floor(MOST_DELAY_S / step + 1e-9)
        return self.among(step * np.arange(-reach, reach + 1.0), field, given)

    def nearby(self, field: str, given: Delays) -> Posterior:
        """Posterior about what is given."""
        step = LOCAL_STEP_S if self.step_s <= LOCAL_STEP_S else 0.25
        for _ in range(3):
            here = round(getattr(given, field) / step) * step
            found = self.among(here + step * np.arange(-2.0, 3.0), field, given)
            if not found.edge:
                break
            given = given._replace(**{field: found.mean})
        return found


def speed_delay(trace: pd.DataFrame, rig: Rig) -> tuple[float, dict[str, Delay]]:
    """How late the speed itself is, in whole samples, and what the least squares say of others.

    Engine speed and road speed are one in gear: where the one leads the other, the speed is late.
    Without an engine speed a force that leads the motion is one whose speed is late, where the
    likelihood prefers it too.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig

    Returns
    -------
    delay_s : float
    others : dict of str to Delay
        Of other channels, once the speed is moved.
    """
    plain = trace.copy(deep=False)
    plain.attrs = {}
    found, source = channel_delays(plain, make_grid(plain)), force_source(trace)
    step = float(np.median(np.diff(trace["time_s"].to_numpy())))
    late = 0.0
    if "engine_speed_rpm" in found and source != SOURCE_TRACTIVE:
        late = -found["engine_speed_rpm"].delay_s
    elif "engine_speed_rpm" not in trace.columns and FORCE_CHANNELS[source] in found:
        late = max(0.0, -found[FORCE_CHANNELS[source]].delay_s)
    late = round(late / step) * step
    coupled = "engine_speed_rpm" in trace.columns
    if abs(late) < LEAST_SPEED_DELAY_S or not (coupled or _leads(trace, rig, late)):
        late = 0.0
    return late, {name: Delay(one.delay_s + late, one.sd_s) for name, one in found.items()}


def on_one_clock(trace: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """A trace with speed, force and height channels moved by what the least squares say.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    rig : Rig

    Returns
    -------
    DataFrame
        As it is where it has no force or no height channel, or nothing is late by
        ``LEAST_SPEED_DELAY_S``.
    """
    try:
        late, found = speed_delay(trace, rig)
    except InputError:
        return trace
    delays = {"speed_m_s": late} | {
        name: one.delay_s
        for name, one in found.items()
        if name in (*FORCE_CHANNELS, *HEIGHT_CHANNELS)
    }
    least = max(LEAST_SPEED_DELAY_S, 0.5 * float(np.median(np.diff(trace["time_s"]))))
    return moved(trace, {name: by for name, by in delays.items() if abs(by) >= least})


def _leads(trace: pd.DataFrame, rig: Rig, lead_s: float) -> bool:
    """Whether a log's likelihood prefers a force that leads, with the height or without."""
    likelihood = Likelihood(trace, rig)
    noise = default_noise(likelihood.sources, rig)
    tried = (Delays(), Delays(-lead_s), Delays(-lead_s, -lead_s))
    tables = [likelihood.delayed(one) for one in tried]
    on_common_rows(tables)
    parts = np.array([likelihood.judged(noise, table, PARTS).parts for table in tables])
    return float(tempered(parts, int(np.argmax(parts.sum(axis=1))))[0]) < -SURE_FORCE_DELAY


def first_guess(likelihood: Likelihood, told: dict[str, Delay], speed_s: float) -> Delays:
    """What the least squares say, within what is searched."""

    def of(name: str) -> float:
        late = told[name].delay_s if name in told else 0.0
        return late if LEAST_SPEED_DELAY_S < abs(late) < MOST_DELAY_S else 0.0

    sources = likelihood.sources
    return Delays(of(FORCE_CHANNELS[sources.force]), of(HEIGHT_CHANNELS[sources.height]), speed_s)


class _Settled(NamedTuple):
    """One delay: what is chosen, its sd, what it leaves in the log mass, whether at the edge."""

    delay: float
    sd: float
    log_mass_sd: float
    edge: bool


def _settle(wide: Posterior, near: Posterior, enough: float, whole_s: float = 0.0) -> _Settled:
    """Choose a delay, from all of them and from the likeliest one's neighbours.

    Parameters
    ----------
    wide, near : Posterior
    enough : float
        What no delay must fall short by in log-likelihood.
    whole_s : float
        What a delay is a multiple of (s); 0 for any.
    """
    judge = near if near.value[0] <= 0.0 <= near.value[-1] else wide
    sure = judge.gained > enough
    chosen = near.mean if sure and abs(near.mean) >= min(LEAST_DELAY_S, enough) else 0.0
    if whole_s > 0.0:
        chosen = round(chosen / whole_s) * whole_s
    sd, log_mass_sd = (near if near.value[0] <= chosen <= near.value[-1] else wide).about(chosen)
    if wide is not near:
        # Humps that the neighbours do not reach.
        far = (wide.value < near.value[0]) | (wide.value > near.value[-1])
        weight = wide.weight[far]
        sd = math.hypot(sd, math.sqrt(float(weight @ (wide.value[far] - chosen) ** 2)))
        apart = wide.log_mass[far] - wide.mass_at(chosen)
        log_mass_sd = math.hypot(log_mass_sd, math.sqrt(float(weight @ apart**2)))
    return _Settled(chosen, sd, log_mass_sd, sure and wide.edge)


def _sharpen_grade(search: _Search, force_s: float, height: _Settled) -> tuple[Filtered, _Settled]:
    """Undo a late grade channel's lag in the log at hand, where it is preferred to a delay."""
    likelihood = search.likelihood
    if likelihood.sources.height != HEIGHT_FROM_GRADE or height.delay <= LEAST_DELAY_S:
        return Filtered(), height
    found = find_grade_lag(likelihood, search.noise, Delays(force_s, height.delay))
    if found.by.over_s == 0.0:
        return found, height
    samples = likelihood.samples
    samples["slope_sin"] = filtered(samples["time_s"], samples["slope_sin"], found.by)
    return found, height._replace(delay=found.delay_s)


def _match_force(
    search: _Search, force_s: float, height_s: float, force: _Settled, told: dict[str, Delay]
) -> tuple[Filtered, _Settled]:
    """Make the force of the log at hand as smooth as its speed, where that is preferred."""
    likelihood, given = search.likelihood, Delays(force_s, height_s)
    channel = FORCE_CHANNELS[likelihood.sources.force]
    other_s = told[channel].delay_s if channel in told else force_s
    found = find_smoothing(likelihood, search.noise, given, other_s)
    if found.by.over_s == 0.0:
        return found, force
    samples = likelihood.samples
    time_s, speed_m_s, raw = samples["time_s"], samples["speed_m_s"], samples[channel].copy()
    samples[channel] = filtered_force(time_s, raw, speed_m_s, found.by, found.delay_s)
    near = search.nearby("force", given._replace(force=found.delay_s))
    force = _settle(near, near, 0.0)
    samples[channel] = filtered_force(time_s, raw, speed_m_s, found.by, force.delay)
    return found, force


def find_delays(
    likelihood: Likelihood, noise: Noise, guess: Delays, told: dict[str, Delay]
) -> Found:
    """Delays of the force and of the height channel, their sds, and what they leave in the mass.

    Parameters
    ----------
    likelihood : Likelihood
        Of the log with its speed moved already.
    noise : Noise
    guess : Delays
        Where the search begins; its speed's delay is kept.
    told : dict of str to Delay
        What the least squares say.
    """
    search, sources = _Search(likelihood, noise), likelihood.sources
    whole_s = search.step_s if sources.height == HEIGHT_FROM_ALTITUDE else 0.0
    given = guess._replace(speed=0.0)
    wide = search.everywhere("force", given)
    near = search.nearby("force", given._replace(force=wide.mean))
    # Once the speed is moved there is no log as it is to stay with.
    enough = SURE_FORCE_DELAY if guess.speed == 0.0 else 0.0
    force = _settle(wide, near, enough)
    high = search.everywhere("height", given._replace(force=force.delay))
    # What the least squares say too needs to be less sure.
    other = told.get(HEIGHT_CHANNELS[sources.height])
    agreed = other is not None and abs(other.delay_s - high.mean) < AGREED_S
    height = _settle(high, high, SURE_FORCE_DELAY if agreed else SURE_HEIGHT_DELAY, whole_s)
    if abs(height.delay - given.height) > LEAST_DELAY_S:
        near = search.nearby("force", Delays(near.mean, height.delay))
        force = _settle(wide, near, enough)
    sharp, height = _sharpen_grade(search, near.mean, height)
    smooth, force = _match_force(search, near.mean, height.delay, force, told)
    doubts, notes = [], []
    for of, channel, settled, everywhere in (
        (smooth, FORCE_CHANNELS[sources.force], force, wide),
        (sharp, HEIGHT_CHANNELS[sources.height], height, high),
    ):
        # The least squares know of no filter.
        other = told.get(channel) if of.by.over_s == 0.0 else None
        doubts += _doubts(channel, settled, everywhere, other, search.step_s)
        if of.by.over_s != 0.0:
            notes.append(
                f"{'the speed' if of.by.over_s > 0.0 else channel} is smoothed over some "
                f"{abs(of.by.over_s):.1f} s, and the other channels are not, which makes "
                f"{100.0 * math.expm1(abs(of.log_mass_change)):.0f} % in the mass; that was taken "
                "back, but log channels as they are measured"
            )
        if abs(of.log_mass_change) > FILTERED_TOO_MUCH:
            doubts.append(notes[-1])
    return Found(
        Delays(force.delay, height.delay, guess.speed),
        Delays(force.sd, height.sd),
        smooth.by,
        sharp.by,
        math.hypot(force.log_mass_sd, height.log_mass_sd, smooth.log_mass_sd, sharp.log_mass_sd),
        tuple(doubts),
        tuple(notes),
    )


def _doubts(
    channel: str, settled: _Settled, wide: Posterior, other: Delay | None, step_s: float
) -> list[str]:
    """Why one delay is not to be trusted, in sentences."""
    found = []
    if settled.edge:
        found.append(
            f"the delay of {channel} lies at the edge of what was searched "
            f"({settled.delay:+.1f} s of {MOST_DELAY_S:g}): check the logger's clock"
        )
    if settled.log_mass_sd > LEFT_OPEN:
        found.append(
            f"how late {channel} is, is known to {settled.sd:.2f} s only, which leaves "
            f"{100.0 * settled.log_mass_sd:.0f} % in the mass: vary the speed more"
        )
    if other is not None:
        apart = abs(other.delay_s - settled.delay)
        least = 3.0 * math.hypot(other.sd_s, settled.sd, LEAST_DELAY_S, 0.3 * step_s)
        within = float(np.clip(other.delay_s, wide.value[0], wide.value[-1]))
        change = abs(wide.mass_at(within) - wide.mass_at(settled.delay))
        if apart > least and change > MATTERS:
            found.append(
                f"{channel} is {settled.delay:+.1f} s late by the model's likelihood and "
                f"{other.delay_s:+.1f} s by least squares, and the mass hangs on it: check the "
                "channels' clocks"
            )
    return found
