"""Is this engine still what it was: one log against baseline logs of the same rig.

Findings advise an inspection by a licensed technician; they diagnose nothing.
"""

from loadlearn.condition.assessment import (
    Baseline,
    ConditionReport,
    Finding,
    assess,
    learn_baseline,
)

__all__ = ["Baseline", "ConditionReport", "Finding", "assess", "learn_baseline"]
