"""Drives joined: values common to all, spread between drives, and what does not belong.

One linear model for every number that is remembered (generalised least squares with random
effects, as in :func:`loadlearn.estimation.calibration.combine`, here with several unknowns and
errors that observations share)::

    y = X theta + d[drive] + e,   theta ~ N(prior),   d ~ N(0, tau^2),   e ~ N(0, own + shared)

tau^2 is the moment estimate within groups that share a mean, joined with what is usual. An
observation that the others contradict is left out: its *deletion residual*, what it says less what
all others predict of it, is Student's t in units of its own sd (Cook & Weisberg, *Residuals and
Influence in Regression*, 1982, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from loadlearn.estimation.calibration import SPREAD_DRIVES, Belief, usual_and_seen
from loadlearn.estimation.normal import Z95

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FALSE_ALARM = 0.05
"""Chance that anything is left out, or a change found, where nothing is amiss (as far as the model
holds; ``experiments/vehicle_memory.py`` counts how often)."""
FEWEST_EACH_SIDE = 3
"""A change needs so many drives before it and after it; fewer are single drives that are off."""
DECIDED = 20.0
"""A claim is left out where it is likelier by this factor that it is wrong than that another is."""
ANY_SD = 10.0
"""Of an unknown of which nothing is believed beforehand (as a natural logarithm)."""


@dataclass(frozen=True)
class Pool:
    """Observations of one kind of number over drives.

    Attributes
    ----------
    y : ndarray, shape (k,)
    design : ndarray, shape (k, p)
    own_variance : ndarray, shape (k,)
        Of the observations' own errors.
    shared : ndarray, shape (k, k)
        Covariance of errors that observations have in common.
    drive : ndarray of int, shape (k,)
        Which drive each is of. A drive deviates in the first unknown.
    claim : ndarray of int, shape (k,)
        Observations of one claim stand or fall together.
    group : ndarray of int, shape (k,)
        Those of one group differ by the spread between drives and their own errors only; a
        negative one is in none.
    prior : tuple of Belief, length p
    usual_sd : float
        Usual spread between drives ...
    usual_drives : float
        ... and for how many drives it counts.
    """

    y: FloatArray
    design: FloatArray
    own_variance: FloatArray
    shared: FloatArray
    drive: IntArray
    claim: IntArray
    group: IntArray
    prior: tuple[Belief, ...]
    usual_sd: float
    usual_drives: float = SPREAD_DRIVES

    def only(self, keep: NDArray[np.bool_]) -> Pool:
        """The pool with some of its observations."""
        return replace(
            self,
            y=self.y[keep],
            design=self.design[keep],
            own_variance=self.own_variance[keep],
            shared=self.shared[np.ix_(keep, keep)],
            drive=self.drive[keep],
            claim=self.claim[keep],
            group=self.group[keep],
        )

    def stepped(self, before: NDArray[np.bool_]) -> Pool:
        """The pool with one unknown more: by how much observations before a day differ."""
        return replace(
            self,
            design=np.column_stack([self.design, np.where(before, self.design[:, 0], 0.0)]),
            group=np.where(self.group < 0, -1, 2 * self.group + before),
            prior=(*self.prior, Belief(0.0, ANY_SD)),
        )


@dataclass(frozen=True)
class Joined:
    """What a pool knows.

    Attributes
    ----------
    mean, covariance : ndarray, shape (p,), (p, p)
        Of the unknowns.
    between_sd : float
        Spread between drives.
    freedom : float
        For how many drives that spread counts, the usual ones among them.
    """

    mean: FloatArray
    covariance: FloatArray
    between_sd: float
    freedom: float

    def of_a_new_drive(self, index: int) -> Belief:
        """An unknown as a drive yet to come will have it.

        How much drives differ is itself known from few: the sd is that of the normal law whose 95 %
        interval is as wide as Student's t has it.
        """
        from scipy.stats import t

        variance = float(self.covariance[index, index]) + self.between_sd**2
        wider = float(t.ppf(0.975, self.freedom)) / Z95
        return Belief(float(self.mean[index]), wider * math.sqrt(variance))


def _between(pool: Pool) -> tuple[float, float]:
    """Variance between drives, and the degrees of freedom behind it."""
    members = [np.flatnonzero(pool.group == one) for one in np.unique(pool.group[pool.group >= 0])]
    seen = sum(at.size - 1 for at in members)
    groups = [(pool.y[at], pool.own_variance[at]) for at in members]
    return usual_and_seen(groups, pool.usual_sd, pool.usual_drives), pool.usual_drives + seen


def _total(pool: Pool, variance: float) -> FloatArray:
    """Covariance of all errors: a drive's own deviation is one of the first unknown."""
    same = pool.drive[:, None] == pool.drive[None, :]
    first = pool.design[:, 0]
    deviations = variance * np.where(same, np.outer(first, first), 0.0)
    return np.asarray(np.diag(pool.own_variance) + pool.shared + deviations)


def join(pool: Pool, between_variance: float | None = None) -> Joined:
    """Join all observations of a pool with its prior.

    Parameters
    ----------
    pool : Pool
    between_variance : float, optional
        Where it is known.
    """
    found, freedom = _between(pool)
    variance = found if between_variance is None else between_variance
    weight = np.linalg.inv(_total(pool, variance))
    precision = np.diag([one.sd**-2 for one in pool.prior])
    information = precision @ np.array([one.mean for one in pool.prior])
    precision = precision + pool.design.T @ weight @ pool.design
    information = information + pool.design.T @ weight @ pool.y
    covariance = np.linalg.inv(precision)
    return Joined(covariance @ information, covariance, math.sqrt(variance), freedom)


def deletion_residuals(pool: Pool, between_variance: float) -> tuple[IntArray, FloatArray]:
    """Each claim against what all the others predict of it, in units of its sd.

    Parameters
    ----------
    pool : Pool
    between_variance : float

    Returns
    -------
    claims : ndarray of int, shape (c,)
    residuals : ndarray, shape (c,)
        Standard normal where nothing is amiss. Of a claim with several observations, that of the
        shift which they have in common.
    """
    spread = np.diag([one.sd**2 for one in pool.prior])
    total = _total(pool, between_variance) + pool.design @ spread @ pool.design.T
    inverse = np.linalg.inv(total)
    expected = pool.design @ np.array([one.mean for one in pool.prior])
    moved = inverse @ (pool.y - expected)
    claims = np.unique(pool.claim)
    residuals = np.empty(claims.size)
    for at, claim in enumerate(claims):
        # Of a normal vector with precision Q the part B, given the rest, has precision Q_BB, and
        # is off by (Q_BB)^-1 (Q y)_B; the common shift weighs it by its precision.
        inside = np.flatnonzero(pool.claim == claim)
        precision = float(inverse[np.ix_(inside, inside)].sum())
        residuals[at] = float(moved[inside].sum()) / math.sqrt(precision)
    return claims, residuals


def left_out(pool: Pool) -> tuple[list[tuple[int, float]], tuple[int, int] | None]:
    """Claims that the others contradict, worst first, each with by how many sd.

    One at a time: what is left out no longer speaks against the others.

    Parameters
    ----------
    pool : Pool

    Returns
    -------
    out : list of (int, float)
    undecided : (int, int) or None
        Two claims that contradict each other though nothing tells which of them is wrong.
    """
    from scipy.stats import t

    found: list[tuple[int, float]] = []
    while np.unique(pool.claim).size > 1:
        claims, residuals = deletion_residuals(pool, _between(pool)[0])
        worst = int(claims[np.argmax(np.abs(residuals))])
        others = pool.only(pool.claim != worst)
        # Again with the spread that the others show: one that is far off widens it.
        variance, freedom = _between(others)
        claims, residuals = deletion_residuals(pool, variance)
        away = float(residuals[claims == worst][0])
        if 2.0 * t.sf(abs(away), freedom) * claims.size >= FALSE_ALARM:
            break
        # Leaving a claim out lowers chi-squared by its squared residual.
        rivals = np.where(claims == worst, 0.0, np.abs(residuals))
        rival = int(np.argmax(rivals))
        if away**2 - float(rivals[rival]) ** 2 < 2.0 * math.log(DECIDED):
            either = sorted((worst, int(claims[rival])))
            return found, (either[0], either[1])
        found.append((worst, away))
        pool = others
    return found, None


def change_of(pool: Pool, day: IntArray) -> tuple[int, Belief] | None:
    """The day from which on a number is another, if the drives tell one.

    Parameters
    ----------
    pool : Pool
    day : ndarray of int, shape (k,)
        Of each observation; a negative one has none and is left aside.

    Returns
    -------
    day : int
        The first of the new time.
    step : Belief
        New value less old.
    """
    from scipy.stats import t

    pool, day = pool.only(day >= 0), day[day >= 0]
    counted = np.unique(np.column_stack([day, pool.drive])[pool.design[:, 0] != 0.0], axis=0)[:, 0]
    splits = np.unique(counted)[1:]
    best, least = None, FALSE_ALARM
    for split in splits:
        stepped = pool.stepped(day < split)
        joined = join(stepped)
        before, sd = float(joined.mean[-1]), math.sqrt(joined.covariance[-1, -1])
        # Where one side tells nothing the step is as open as it was.
        if sd > 0.5 * ANY_SD:
            continue
        chance = 2.0 * float(t.sf(abs(before) / sd, joined.freedom)) * len(splits)
        if chance < least:
            best, least = (int(split), Belief(-before, sd)), chance
    if (
        best is None
        or min(np.sum(counted < best[0]), np.sum(counted >= best[0])) < FEWEST_EACH_SIDE
    ):
        return None
    return best


def of_each_drive(y: Sequence[float], sd: Sequence[float], usual_sd: float) -> Pool:
    """A pool of one number, told by each drive for itself; nothing is believed of it beforehand.

    Parameters
    ----------
    y, sd : sequence of float, length k
    usual_sd : float
    """
    k = len(y)
    return Pool(
        y=np.array(y, dtype=np.float64),
        design=np.ones((k, 1)),
        own_variance=np.square(np.array(sd, dtype=np.float64)),
        shared=np.zeros((k, k)),
        drive=np.arange(k),
        claim=np.arange(k),
        group=np.zeros(k, dtype=np.int64),
        prior=(Belief(0.0, ANY_SD),),
        usual_sd=usual_sd,
    )
