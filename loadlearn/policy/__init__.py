"""From what is known of the load to what the drive modes should do about it."""

from __future__ import annotations

from loadlearn.policy.adviser import Advice, DriveAdviser, advise_log

__all__ = ["Advice", "DriveAdviser", "advise_log"]
