"""How likely a log is under the switching model: for noise levels, delays and heights.

The likelihood of a log is that of the filter's own innovations (the prediction error
decomposition; Harvey, *Forecasting, Structural Time Series Models and the Kalman Filter*, 1989,
from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loadlearn._compile import Records
from loadlearn.estimation.delays import Delays, align
from loadlearn.estimation.filter import MEMORY, filter_rows
from loadlearn.estimation.grounds import ground_modes
from loadlearn.estimation.intervals import interval_state, rows_of
from loadlearn.estimation.learner import Setup, Sources, setup_for
from loadlearn.estimation.loads import Hypotheses, no_hypotheses
from loadlearn.estimation.mixture import OUTPUT
from loadlearn.estimation.model import LEAST_PHI_PER_KG, STATE, Noise, pooled_prior
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS
from loadlearn.vehicle.samples import Samples, samples_of

FloatArray = NDArray[np.float64]

LIKELIHOOD_ROW_S = 0.45
"""Rows for the likelihood are at least this long: it is searched often."""

LEAST_SEEN = 0.2
"""A kind of ground that was never likelier than this is left out of the search."""

MOST_ROWS, BLOCK_ROWS = 8000, 200
"""A longer log (an hour of driving) is searched with blocks of so many rows, evenly spread."""


class Judged(NamedTuple):
    """What one pass over a log says.

    Attributes
    ----------
    parts : ndarray, shape (k,)
        Log-likelihood of each part of the log.
    log_mass : float
        Logarithm of the implied mass (kg) at the end.
    """

    parts: FloatArray
    log_mass: float


class Likelihood:
    """Log-likelihood of a log under the switching model, for noise levels and delays."""

    def __init__(self, trace: pd.DataFrame, rig: Rig) -> None:
        self.sources = Sources.of(trace)
        setup = setup_for(rig, self.sources)
        # One broad load and no regeneration: enough to compare noise levels and delays with.
        self.setup: Setup = setup._replace(prior=pooled_prior(setup.prior), grounds=ground_modes())
        self.samples = samples_of(trace)
        time_s = self.samples["time_s"]
        step = float(np.median(np.diff(time_s))) if len(time_s) > 1 else 1.0
        # Ten samples a second are plenty to search with.
        self.stride = max(1, int(0.1 / max(step, 1e-3)))
        self.samples = np.ascontiguousarray(self.samples[:: self.stride])
        times_s = self.samples["time_s"]
        self.step_s = float(np.median(np.diff(times_s))) if len(times_s) > 1 else 1.0
        """Between the samples that are searched with."""
        self.table = self.rows(self.samples)

    def leave_out_unseen_grounds(self, noise: Noise) -> None:
        """Go on with the kinds of ground that the rows at hand may have been driven on.

        Parameters
        ----------
        noise : Noise
            Before it is searched for: what it leaves unexplained looks like other grounds, too.
        """
        shown = np.zeros((len(self.table) + 1, len(HANDBOOK_GROUNDS)))
        outputs = np.full(len(shown), np.nan, OUTPUT)
        outputs["surface"] = 0.0
        self._filtered(noise, [self.table], outputs, shown)
        seen = shown.max(axis=0) > LEAST_SEEN
        seen[0] = True
        kept = tuple(one for one, there in zip(HANDBOOK_GROUNDS, seen, strict=True) if there)
        self.setup = self.setup._replace(grounds=ground_modes(kept))

    def rows(self, samples: Samples) -> Records:
        """Rows of the log's samples, or of others in their place."""
        state = interval_state()
        rows = rows_of(self.setup.rig, *self.sources, LIKELIHOOD_ROW_S, state, samples).rows
        return in_blocks(rows) if len(rows) > MOST_ROWS else rows

    def delayed(self, delays: Delays) -> Records:
        """Rows with the channels moved by their delays."""
        return self.rows(align(self.samples, *self.sources, delays))

    def _filtered(
        self,
        noise: Noise,
        tables: Sequence[Records],
        outputs: Records | None = None,
        shown: FloatArray | None = None,
    ) -> tuple[FloatArray, Hypotheses]:
        """Filter rows, given in parts; log-likelihood after each, and what is known at the end.

        Of a single part ``outputs`` and ``shown``, where given, receive what is known after each
        row: see :func:`loadlearn.estimation.filter.filter_rows`.
        """
        memory, known = np.zeros(1, MEMORY), no_hypotheses(self.setup.grounds.size)
        reached = np.empty(len(tables))
        for index, table in enumerate(tables):
            filter_rows(
                table,
                memory,
                known,
                self.setup.grounds,
                self.setup.prior,
                noise._replace(mix_every_s=2.0),
                self.setup.evidence,
                np.empty(0, OUTPUT) if outputs is None else outputs,
                np.empty((0, 1)) if shown is None else shown,
                outputs is not None,
            )
            reached[index] = memory["log_likelihood"][0]
        return reached, known

    def __call__(self, noise: Noise, table: Records | None = None) -> float:
        """Log-likelihood of the log's rows, or of others in their place."""
        return float(self._filtered(noise, [self.table if table is None else table])[0][0])

    def judged(self, noise: Noise, table: Records, parts: int) -> Judged:
        """Log-likelihood of rows in some parts of equal length, and the mass that they say."""
        edges = np.linspace(0, len(table), parts + 1).astype(np.int64)
        pieces = [table[low:high] for low, high in zip(edges[:-1], edges[1:], strict=True)]
        reached, known = self._filtered(noise, pieces)
        active = known.loads["active"] == 1
        weights = known.weights[active]
        phi = float(
            np.sum(weights * known.states[active][:, :, STATE.inverse_mass_per_kg])
            / np.sum(weights)
        )
        return Judged(np.diff(reached, prepend=0.0), -math.log(max(phi, LEAST_PHI_PER_KG)))


def in_blocks(rows: Records) -> Records:
    """Blocks of a long log's rows, evenly spread; between two of them the force is not known.

    Parameters
    ----------
    rows : record array of ``ROW``, shape (n,)

    Returns
    -------
    record array of ``ROW``, shape (``MOST_ROWS``,)
        What is measured runs on from block to block, as if nothing lay between them.
    """
    count = MOST_ROWS // BLOCK_ROWS
    first = np.linspace(0, len(rows) - BLOCK_ROWS, count).astype(np.int64)
    kept = rows[(first[:, None] + np.arange(BLOCK_ROWS)).ravel()]
    starts = BLOCK_ROWS * np.arange(1, count)
    kept["known"][starts] = 0.0
    height = kept["measured_m"]
    for start in starts:
        before = height[:start][np.isfinite(height[:start])]
        after = height[start : start + BLOCK_ROWS]
        there = np.flatnonzero(np.isfinite(after))
        if before.size and there.size:
            after += before[-1] - after[there[0]]
    return kept


def on_common_rows(tables: Sequence[Records]) -> None:
    """Set aside, in place, what not all candidates can use.

    Which samples are set aside hangs on the force, and so on the delay: without a common set the
    candidates would be judged on different data.
    """
    known = np.min([table["known"] for table in tables], axis=0)
    for table in tables:
        table["known"] = known
