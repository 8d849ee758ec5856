"""Two wheel-dyno runs: cleaned, corrected to the standard atmosphere, aligned and compared."""

from loadlearn.dyno.cleaning import DynoRun, clean_run
from loadlearn.dyno.correction_choice import correction_for
from loadlearn.dyno.dyno_comparison import DynoComparison, compare
from loadlearn.dyno.dyno_settings import ComparisonSettings, RunSettings
from loadlearn.dyno.findings import Finding, what_fakes_a_gain
from loadlearn.dyno.fragment import rig_fragment
from loadlearn.dyno.runs import read_runs

__all__ = [
    "ComparisonSettings",
    "DynoComparison",
    "DynoRun",
    "Finding",
    "RunSettings",
    "clean_run",
    "compare",
    "correction_for",
    "read_runs",
    "rig_fragment",
    "what_fakes_a_gain",
]
