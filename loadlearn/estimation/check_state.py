"""Whether a state that was read from a file is one that the kernels may take.

Kernels assume shapes, indices and finite numbers; a state comes from outside, so it is checked
here, once, field by field.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from loadlearn.estimation.learner import LearnerState, Setup
from loadlearn.estimation.model import STATE
from loadlearn.vehicle.gating import REASONS

MOST = 1e15
"""No number of a state is beyond this."""
_FLAGS = {
    "intervals.memory": ("started", "impossible"),
    "memory": ("started", "datum"),
    "hypotheses.loads": ("active", "solo", "changed"),
}
_REASONS = {"intervals.memory": ("reason",), "intervals.forces": ("reason",)}
_FINITE = ("memory", "hypotheses.loads", "hypotheses.states", "hypotheses.covariances")


def check_state(state: LearnerState, setup: Setup) -> None:
    """Raise where a state is none that samples could have led to.

    Parameters
    ----------
    state : LearnerState
    setup : Setup

    Raises
    ------
    ValueError
        A number is not finite where it must be, or beyond what can be; an index or a flag is out
        of range; a covariance is none; probabilities do not add up.
    """
    for name, array in state.arrays().items():
        for field, values in _fields(array):
            where = f"{name}.{field}".rstrip(".")
            if values.dtype.kind == "i":
                _check_whole(name, field, where, values, setup)
            elif name in _FINITE and not np.isfinite(values).all():
                raise ValueError(f"{where} is not finite")
            elif (np.abs(values) > _most_of(name)).any():
                raise ValueError(f"{where} is {np.nanmax(np.abs(values)):.3g}")
    _check_hypotheses(state)
    if not ((state.surface_probability >= 0.0) & (state.surface_probability <= 1.0 + 1e-6)).all():
        raise ValueError("surface_probability is no probability")
    out = state.output[0]
    if not (np.isnan(out["surface"]) or 0.0 <= out["surface"] < len(setup.names)):
        raise ValueError(f"output.surface is {out['surface']}")
    if state.memory["started"][0] == 1 and not (out["mass_kg"] > 0.0 and out["mass_sd_kg"] >= 0.0):
        raise ValueError("output.mass_kg is not positive")


def _fields(array: NDArray[Any]) -> list[tuple[str, NDArray[Any]]]:
    names = array.dtype.names
    return [("", array)] if names is None else [(name, array[name]) for name in names]


def _most_of(name: str) -> float:
    # A weight that counts as nothing is kept as its logarithm.
    return 2e300 if name == "hypotheses.log_weights" else MOST


def _check_whole(name: str, field: str, where: str, values: NDArray[Any], setup: Setup) -> None:
    most = 1 << 40
    if field in _FLAGS.get(name, ()):
        most = 1
    elif field in _REASONS.get(name, ()):
        most = len(REASONS) - 1
    elif field == "surface":
        most = len(setup.names) - 1
    if ((values < 0) | (values > most)).any():
        raise ValueError(f"{where} is {int(values.max())}")


def _check_hypotheses(state: LearnerState) -> None:
    hypotheses = state.hypotheses
    active = hypotheses.loads["active"] == 1
    if state.memory["started"][0] == 0:
        return
    if not active.any():
        raise ValueError("no hypothesis is active")
    if (hypotheses.states[active][..., STATE.inverse_mass_per_kg] <= 0.0).any():
        raise ValueError("a hypothesis has no mass")
    covariances = hypotheses.covariances[active]
    if (np.diagonal(covariances, axis1=-2, axis2=-1) < 0.0).any():
        raise ValueError("a variance is negative")
    sd = np.sqrt(np.diagonal(covariances, axis1=-2, axis2=-1))
    bound = sd[..., :, None] * sd[..., None, :]
    if (np.abs(covariances) > 1.01 * bound + 1e-12).any():
        raise ValueError("a covariance is larger than its variances allow")
    for name in ("log_scale_variance", "prior_log_mass_variance", "whole_log_mass_variance"):
        if (hypotheses.loads[name][active] < 0.0).any():
            raise ValueError(f"{name} is negative")
    weights = hypotheses.loads["weight"][active]
    if not ((weights >= 0.0).all() and abs(weights.sum() - 1.0) < 1e-3):
        raise ValueError("the hypotheses' weights do not add up to one")
    if np.isnan(hypotheses.log_weights[active]).any():
        raise ValueError("a weight is no number")
