"""Learning the load: model, filter, preparation of whole logs, reference and bounds."""

from loadlearn.estimation.estimator import Load, LoadEstimator
from loadlearn.estimation.prepare import prepare

__all__ = ["Load", "LoadEstimator", "prepare"]
