"""The reduced set of hypotheses: what a step keeps of the estimator, so that it fits.

The filter, its model and the way from samples to rows are the estimator's own. Fewer are the
hypotheses that are carried side by side: the grounds are three, the prior of what is hitched is one
broad component instead of four, and there is room for so many loads as a standstill can lay out.
What that costs is measured by ``experiments/benchmark_step.py``.
"""

from __future__ import annotations

import numpy as np

from loadlearn.estimation.estimator import UNTOLD_DELAY_SPREAD
from loadlearn.estimation.learner import Setup, Sources, setup_for
from loadlearn.estimation.loads import KEPT_AT_A_STOP
from loadlearn.estimation.model import Noise, pooled_prior
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS, Ground

REDUCED_GROUNDS: tuple[Ground, ...] = tuple(
    one for one in HANDBOOK_GROUNDS if one.name in ("sealed", "earth", "sand")
)
"""Hard, loose and soft. On the shipped beach run three of the six triples are within 3 %, this one
the best on the demonstration, and three are 8 to 43 % off; on 72 fresh drives none differs from the
others (``experiments/benchmark_step.py``). A ground between them is named as the nearest."""


def reduced_setup(
    rig: Rig,
    sources: Sources,
    noise: Noise | None = None,
    grounds: tuple[Ground, ...] = REDUCED_GROUNDS,
) -> Setup:
    """What a drive is learnt with on the reduced set.

    Parameters
    ----------
    rig : Rig
    sources : Sources
    noise : Noise, optional
        Default: that of a log that has not been seen.
    grounds : tuple of Ground
    """
    full = setup_for(rig, sources, noise, grounds, delay_spread=UNTOLD_DELAY_SPREAD)
    parts = full.prior.parts
    alone = parts[parts["solo"] == 1]
    hitched = pooled_prior(full.prior._replace(parts=parts[parts["solo"] == 0])).parts
    hitched["weight"] = 1.0 - alone["weight"].sum()
    parts = np.concatenate((hitched, alone))
    return full._replace(
        prior=full.prior._replace(parts=parts), most_loads=KEPT_AT_A_STOP + len(parts)
    )


def plain_setup(rig: Rig, sources: Sources, noise: Noise | None = None) -> Setup:
    """One hypothesis: the plain Kalman filter, on the first ground, of one broad load.

    Parameters
    ----------
    rig : Rig
    sources : Sources
    noise : Noise, optional
    """
    made = reduced_setup(rig, sources, noise, HANDBOOK_GROUNDS[:1])
    grounds = made.grounds[:1].copy()
    grounds["partner"], grounds["initial"], grounds["kind_at_start"] = -1, 1.0, 1.0
    return made._replace(grounds=grounds, prior=pooled_prior(made.prior), most_loads=1)
