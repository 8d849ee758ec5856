"""Whether estimates are as good as they say: coverage, NEES, agreement, changes of load told."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loadlearn.estimation.joint_belief import Posterior

FloatArray = NDArray[np.float64]

NORMAL_95 = 1.959963984540054


class Coverage(NamedTuple):
    """Share of intervals that hold the truth, with its own 95 % interval."""

    share: float
    low95: float
    high95: float
    n: int


def coverage(inside: ArrayLike) -> Coverage:
    """How often intervals hold the truth.

    The interval of the share is Wilson's, which needs no large numbers.

    Parameters
    ----------
    inside : array_like, shape (n,)
        Whether each interval holds the truth (0 or 1).

    Returns
    -------
    Coverage
        Shares between 0 and 1.

    Raises
    ------
    ValueError
        There are none.

    References
    ----------
    Wilson, *J. Am. Stat. Assoc.* 22, 1927.
    """
    held = np.asarray(inside, dtype=np.float64).ravel()
    if not held.size:
        raise ValueError("no interval is given; at least one is needed")
    count, share, z = held.size, float(held.mean()), NORMAL_95
    middle = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * math.sqrt(share * (1 - share) / count + (z / (2 * count)) ** 2)
    return Coverage(share, middle - half, middle + half, count)


def nees(posterior: Posterior, truth: Mapping[str, float]) -> float:
    """Normalised estimation error squared: the error over what is said of it.

    Over drives whose every unknown is drawn anew (the tractive scale, too) its mean is the number
    of quantities; along one drive it is not, for errors stay.

    Parameters
    ----------
    posterior : Posterior
        What was believed.
    truth : mapping of str to float
        True values of any of ``Posterior.QUANTITIES``.

    Returns
    -------
    float
        Chi-squared with as many degrees of freedom as quantities, were all as it says.

    Raises
    ------
    KeyError
        Not one of ``Posterior.QUANTITIES``.

    References
    ----------
    Bar-Shalom, Li & Kirubarajan, *Estimation with Applications to Tracking and Navigation*, 2001,
    section 5.4 (from memory).
    """
    mean, covariance = posterior.moments()
    names = list(truth)
    error = np.array([truth[name] for name in names]) - mean[names].to_numpy()
    return float(error @ np.linalg.solve(covariance.loc[names, names].to_numpy(), error))


class Agreement(NamedTuple):
    """How two ways to measure the same agree, in their unit."""

    bias: float
    sd: float
    low: float
    high: float


def bland_altman(estimated: ArrayLike, weighed: ArrayLike) -> Agreement:
    """Mean difference and limits of agreement, which hold 95 % of single differences.

    Parameters
    ----------
    estimated, weighed : array_like, shape (n,)
        In the same unit.

    Returns
    -------
    Agreement
        Of estimated less weighed; sd and limits are NaN for a single pair.

    References
    ----------
    Bland & Altman, *Lancet* 327, 1986.
    """
    difference = np.asarray(estimated, dtype=np.float64) - np.asarray(weighed, dtype=np.float64)
    bias = float(difference.mean())
    sd = float(difference.std(ddof=1)) if difference.size > 1 else math.nan
    return Agreement(bias, sd, bias - NORMAL_95 * sd, bias + NORMAL_95 * sd)


class Roc(NamedTuple):
    """What a threshold on the probability of a load change costs and brings."""

    threshold: FloatArray
    false_alarms: FloatArray
    """Share of halts without a change that are told as one."""
    detected: FloatArray
    """Share of changes that are told."""
    area: float
    """Under the curve: 1 tells all apart, 0.5 nothing."""


def load_change_roc(changed: ArrayLike, probability: ArrayLike) -> Roc:
    """How well changes of load are told from mere halts, at every threshold.

    Parameters
    ----------
    changed : array_like, shape (halts,)
        Whether the load did change at each halt (0 or 1), both among them.
    probability : array_like, shape (halts,)
        ``p_load_changed`` some time after each.

    Returns
    -------
    Roc

    Raises
    ------
    ValueError
        All halts are of one kind.

    References
    ----------
    Receiver operating characteristic: Fawcett, *Pattern Recognition Letters* 27, 2006 (from
    memory).
    """
    from sklearn.metrics import auc, roc_curve

    true = np.asarray(changed, dtype=np.int64)
    if true.min(initial=1) == true.max(initial=0):
        raise ValueError("all halts are of one kind; changes and halts without are needed")
    alarms, detected, threshold = roc_curve(true, probability, drop_intermediate=False)
    return Roc(threshold, alarms, detected, float(auc(alarms, detected)))
