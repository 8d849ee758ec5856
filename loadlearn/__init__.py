"""loadlearn: learn what a vehicle is hauling from how it drives.

The public names are imported when first used, so that ``import loadlearn`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loadlearn.errors import InputError
    from loadlearn.estimation.estimator import LoadEstimator
    from loadlearn.estimation.prepare import prepare
    from loadlearn.log.readers import read_log
    from loadlearn.policy import DriveAdviser
    from loadlearn.vehicle.rig import Rig

__version__ = "0.1.0"

__all__ = ["DriveAdviser", "InputError", "LoadEstimator", "Rig", "prepare", "read_log"]

_HOME_OF = {
    "DriveAdviser": "loadlearn.policy",
    "InputError": "loadlearn.errors",
    "LoadEstimator": "loadlearn.estimation",
    "Rig": "loadlearn.vehicle.rig",
    "prepare": "loadlearn.estimation",
    "read_log": "loadlearn.log.readers",
}


def __getattr__(name: str) -> Any:
    """Import a public name on first use."""
    if name not in _HOME_OF:
        raise AttributeError(f"module 'loadlearn' has no attribute {name!r}")
    value = getattr(import_module(_HOME_OF[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
