"""One self-contained HTML page from what lies in an output folder, and from that alone."""

from __future__ import annotations

from loadlearn.report.page import build_page

__all__ = ["build_page"]
