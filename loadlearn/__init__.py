"""loadlearn: learn what a vehicle is hauling from how it drives.

The public names are imported when first used, so that ``import loadlearn`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loadlearn.errors import InputError
    from loadlearn.estimation.estimator import Load, LoadEstimator
    from loadlearn.estimation.joint_belief import Posterior
    from loadlearn.estimation.prepare import prepare
    from loadlearn.log.readers import read_log
    from loadlearn.policy import Advice, DriveAdviser
    from loadlearn.policy.make_strategy import make_strategy
    from loadlearn.policy.strategy import Now, Settings, Strategy
    from loadlearn.policy.strategy_file import read_strategy, write_strategy
    from loadlearn.simulation.recording import simulate
    from loadlearn.study.baselines import BASELINES, baseline
    from loadlearn.study.honesty import bland_altman, coverage, load_change_roc, nees
    from loadlearn.study.one_call import estimate
    from loadlearn.study.shipped_drives import shipped_drive, shipped_drives
    from loadlearn.study.validation import validate_manifest
    from loadlearn.vehicle.rig import Rig

__version__ = "0.1.0"

_HOME_OF = {
    "Advice": "loadlearn.policy",
    "BASELINES": "loadlearn.study.baselines",
    "DriveAdviser": "loadlearn.policy",
    "InputError": "loadlearn.errors",
    "Load": "loadlearn.estimation",
    "LoadEstimator": "loadlearn.estimation",
    "Now": "loadlearn.policy.strategy",
    "Posterior": "loadlearn.estimation.joint_belief",
    "Rig": "loadlearn.vehicle.rig",
    "Settings": "loadlearn.policy.strategy",
    "Strategy": "loadlearn.policy.strategy",
    "baseline": "loadlearn.study.baselines",
    "bland_altman": "loadlearn.study.honesty",
    "coverage": "loadlearn.study.honesty",
    "estimate": "loadlearn.study.one_call",
    "load_change_roc": "loadlearn.study.honesty",
    "make_strategy": "loadlearn.policy.make_strategy",
    "nees": "loadlearn.study.honesty",
    "prepare": "loadlearn.estimation",
    "read_log": "loadlearn.log.readers",
    "read_strategy": "loadlearn.policy.strategy_file",
    "shipped_drive": "loadlearn.study.shipped_drives",
    "shipped_drives": "loadlearn.study.shipped_drives",
    "simulate": "loadlearn.simulation.recording",
    "validate_manifest": "loadlearn.study.validation",
    "write_strategy": "loadlearn.policy.strategy_file",
}

__all__ = [
    "Advice",
    "BASELINES",
    "DriveAdviser",
    "InputError",
    "Load",
    "LoadEstimator",
    "Now",
    "Posterior",
    "Rig",
    "Settings",
    "Strategy",
    "baseline",
    "bland_altman",
    "coverage",
    "estimate",
    "load_change_roc",
    "make_strategy",
    "nees",
    "prepare",
    "read_log",
    "read_strategy",
    "shipped_drive",
    "shipped_drives",
    "simulate",
    "validate_manifest",
    "write_strategy",
]


def __getattr__(name: str) -> Any:
    """Import a public name on first use."""
    if name not in _HOME_OF:
        raise AttributeError(f"module 'loadlearn' has no attribute {name!r}")
    value = getattr(import_module(_HOME_OF[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
