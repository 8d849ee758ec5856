"""How late the channels of a log are, how sure that is, and what it leaves in the mass.

Two finders that know nothing of one another. The first (:mod:`loadlearn.log.alignment`, which
``inspect`` shows) fits the force balance to the log by least squares; engine speed against road
speed tells whether the *speed* is late. The second compares the likelihood of the log under the
filter's model over all delays within ``MOST_DELAY_S``; it decides.

Errors of the model are not white, so the likelihood's own curvature is not taken for the delay's
precision: its slope differs from part to part of the log, and the variance of the slope's sum over
the curvature squared is the delay's variance (the sandwich of Huber, 1967, and White,
*Econometrica* 50(1), 1982; from memory). The likelihood is tempered so that it says that much.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn.estimation.delays import Delays
from loadlearn.estimation.likelihood import Likelihood, on_common_rows
from loadlearn.estimation.model import Noise
from loadlearn.log.alignment import Delay, channel_delays, make_grid
from loadlearn.vehicle.samples import (
    FORCE_CHANNELS,
    HEIGHT_CHANNELS,
    HEIGHT_FROM_ALTITUDE,
    SOURCE_TRACTIVE,
)

FloatArray = NDArray[np.float64]

MOST_DELAY_S = 3.0
"""Delays and leads within this are searched."""
LEAST_DELAY_S = 0.1
"""A fraction of a sample is not worth a move."""
LEAST_SPEED_DELAY_S = 0.3
"""Nor a smaller delay of the speed, which all channels but the speed have to agree upon."""
SURE_FORCE_DELAY, SURE_HEIGHT_DELAY = 3.0, 15.0
"""A channel is moved only when the log prefers it by this much in (tempered) log-likelihood. Errors
of a grade channel hang together over a distance, which the likelihood does not know: more is asked
there."""
PARTS = 20
"""Parts of a log between which the likelihood's slope is compared."""


GLOBAL_STEP_S = 0.5
"""All delays are compared at this spacing ..."""
LOCAL_STEP_S = 0.2
"""... and the likeliest one's neighbours at this."""
AGREED_S = 0.5
"""Two finders that are no further apart agree."""
MATTERS, LEFT_OPEN = 0.02, 0.05
"""Two finders that differ are doubted where the mass does by this share, and a delay where not
knowing it leaves that much."""
_FINE = 40
"""Points between two candidates, over which a posterior is integrated."""


class Found(NamedTuple):
    """What :func:`find_delays` found.

    Attributes
    ----------
    delays : Delays
    sds : Delays
        Standard deviation of each (s).
    log_mass_sd : float
        What not knowing them leaves in the logarithm of the mass.
    doubts : tuple of str
        Sentences for people: why the delays are not to be trusted.
    """

    delays: Delays = Delays()
    sds: Delays = Delays()
    log_mass_sd: float = 0.0
    doubts: tuple[str, ...] = ()


class Posterior(NamedTuple):
    """One delay, given candidates' likelihoods.

    Attributes
    ----------
    mean, sd : float
        Of the delay (s).
    gained : float
        Tempered log-likelihood of the best over no delay.
    edge : bool
        Whether the best lies at the edge of the candidates.
    delay, weight, log_mass : ndarray, shape (m,)
        Finely: delays (s), their probabilities, and the log mass with each.
    """

    mean: float
    sd: float
    gained: float
    edge: bool
    delay: FloatArray
    weight: FloatArray
    log_mass: FloatArray

    def mass_at(self, delay: float) -> float:
        """Log mass with a delay."""
        return float(np.interp(delay, self.delay, self.log_mass))

    def about(self, chosen: float) -> tuple[float, float]:
        """Standard deviations of the delay and of the log mass about a chosen delay's."""
        apart = self.log_mass - self.mass_at(chosen)
        return (
            math.sqrt(float(self.weight @ (self.delay - chosen) ** 2)),
            math.sqrt(float(self.weight @ apart**2)),
        )


def _tempered(parts: FloatArray, best: int) -> FloatArray:
    """Log-likelihood of candidates relative to the best one's, as much of it as counts.

    Parameters
    ----------
    parts : ndarray, shape (k, p)
        Log-likelihood of each part of the log.
    best : int
    """
    lost = parts[best] - parts
    total, spread = lost.sum(axis=1), lost.shape[1] * lost.var(axis=1, ddof=1)
    # Were the model right, the variance of a log-likelihood ratio would be twice its mean.
    return -total * np.minimum(1.0, 2.0 * total / np.maximum(spread, 1e-12))


def posterior(values: FloatArray, parts: FloatArray, log_masses: FloatArray) -> Posterior:
    """One delay given the log-likelihood of each candidate.

    Parameters
    ----------
    values : ndarray, shape (k,)
        Evenly spaced delays (s).
    parts : ndarray, shape (k, p)
        Log-likelihood of each part of the log.
    log_masses : ndarray, shape (k,)
    """
    step = float(values[1] - values[0])
    best = int(np.argmax(parts.sum(axis=1)))
    inner = min(max(best, 1), len(values) - 2)
    around = slice(inner - 1, inner + 2)
    log_odds = _tempered(parts, best)
    fine = np.linspace(values[0], values[-1], _FINE * (len(values) - 1) + 1)
    within = (fine - values[inner]) / step

    def smooth(at: FloatArray) -> FloatArray:
        """A parabola through the best three, straight lines between the others."""
        low, middle, high = at[around]
        bent = middle + 0.5 * within * (high - low + within * (low - 2.0 * middle + high))
        return np.where(np.abs(within) <= 1.0, bent, np.interp(fine, values, at))

    log_weight = smooth(log_odds)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = float(weight @ fine)
    return Posterior(
        mean=float(fine[int(np.argmax(weight))]),
        sd=math.sqrt(float(weight @ (fine - mean) ** 2)),
        gained=-float(log_odds[int(np.argmin(np.abs(values)))]),
        edge=not 0 < best < len(values) - 1,
        delay=fine,
        weight=weight,
        log_mass=smooth(log_masses),
    )


class _Search:
    """Delays of a log by its likelihood."""

    def __init__(self, likelihood: Likelihood, noise: Noise) -> None:
        self.likelihood, self.noise = likelihood, noise
        self.step_s = float(np.median(np.diff(likelihood.samples["time_s"])))

    def among(self, values: FloatArray, field: str, given: Delays) -> Posterior:
        """Posterior of one delay, the others given."""
        candidates = [given._replace(**{field: float(value)}) for value in values]
        tables = [self.likelihood.delayed(one) for one in candidates]
        on_common_rows(tables)
        judged = [self.likelihood.judged(self.noise, table, PARTS) for table in tables]
        parts = np.array([one.parts for one in judged])
        return posterior(values, parts, np.array([one.log_mass for one in judged]))

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


def speed_delay(trace: pd.DataFrame, source: int) -> tuple[float, dict[str, Delay]]:
    """How late the speed itself is, in whole samples, and what the least squares say of others.

    Engine speed and road speed are one in gear: where the one leads the other, the speed is late.
    Without an engine speed a force that leads the motion is one whose speed is late.

    Parameters
    ----------
    trace : DataFrame
        Canonical columns.
    source : int
        Which channel the force is taken from.

    Returns
    -------
    delay_s : float
    others : dict of str to Delay
        Of other channels, once the speed is moved.
    """
    plain = trace.copy(deep=False)
    plain.attrs = {}
    found = channel_delays(plain, make_grid(plain))
    step = float(np.median(np.diff(trace["time_s"].to_numpy())))
    late = 0.0
    if "engine_speed_rpm" in found and source != SOURCE_TRACTIVE:
        late = -found["engine_speed_rpm"].delay_s
    elif "engine_speed_rpm" not in trace.columns and FORCE_CHANNELS[source] in found:
        late = max(0.0, -found[FORCE_CHANNELS[source]].delay_s)
    late = round(late / step) * step
    if abs(late) < LEAST_SPEED_DELAY_S:
        late = 0.0
    return late, {name: Delay(one.delay_s + late, one.sd_s) for name, one in found.items()}


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
    judge = near if near.delay[0] <= 0.0 <= near.delay[-1] else wide
    sure = judge.gained > enough
    chosen = near.mean if sure and abs(near.mean) >= min(LEAST_DELAY_S, enough) else 0.0
    if whole_s > 0.0:
        chosen = round(chosen / whole_s) * whole_s
    sd, log_mass_sd = (near if near.delay[0] <= chosen <= near.delay[-1] else wide).about(chosen)
    if wide is not near:
        # Humps that the neighbours do not reach.
        far = (wide.delay < near.delay[0]) | (wide.delay > near.delay[-1])
        weight = wide.weight[far]
        sd = math.hypot(sd, math.sqrt(float(weight @ (wide.delay[far] - chosen) ** 2)))
        apart = wide.log_mass[far] - wide.mass_at(chosen)
        log_mass_sd = math.hypot(log_mass_sd, math.sqrt(float(weight @ apart**2)))
    return _Settled(chosen, sd, log_mass_sd, sure and wide.edge)


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
    doubts = [
        *_doubts(FORCE_CHANNELS[sources.force], force, wide, told, search.step_s),
        *_doubts(HEIGHT_CHANNELS[sources.height], height, high, told, search.step_s),
    ]
    return Found(
        Delays(force.delay, height.delay, guess.speed),
        Delays(force.sd, height.sd),
        math.hypot(force.log_mass_sd, height.log_mass_sd),
        tuple(doubts),
    )


def _doubts(
    channel: str, settled: _Settled, wide: Posterior, told: dict[str, Delay], step_s: float
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
    other = told.get(channel)
    if other is not None:
        apart = abs(other.delay_s - settled.delay)
        least = 3.0 * math.hypot(other.sd_s, settled.sd, LEAST_DELAY_S, 0.3 * step_s)
        within = float(np.clip(other.delay_s, wide.delay[0], wide.delay[-1]))
        change = abs(wide.mass_at(within) - wide.mass_at(settled.delay))
        if apart > least and change > MATTERS:
            found.append(
                f"{channel} is {settled.delay:+.1f} s late by the model's likelihood and "
                f"{other.delay_s:+.1f} s by least squares, and the mass hangs on it: check the "
                "channels' clocks"
            )
    return found
