"""Checks against plants, data and tables from outside the project.

The adapters live beside the experiments that use them too. Packages of the extra ``external`` may
be absent: those tests skip and say what to install.
"""

from __future__ import annotations

import sys
from pathlib import Path

EXPERIMENTS = Path(__file__).resolve().parents[2] / "experiments"
if str(EXPERIMENTS) not in sys.path:
    sys.path.insert(0, str(EXPERIMENTS))
