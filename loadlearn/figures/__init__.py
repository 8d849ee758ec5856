"""Figures of results. They take tables and summaries, never a filter, and are saved by ``save``."""

from __future__ import annotations

from loadlearn.figures.draw_estimates import draw_estimates, read_truth
from loadlearn.figures.style import save

__all__ = ["draw_estimates", "read_truth", "save"]
