"""What a worker does with some drives of one vehicle and its baseline drives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from loadlearn.vehicle.rig import Rig


@dataclass(frozen=True)
class ConditionTask:
    """Some drives of one vehicle.

    Attributes
    ----------
    rig : Rig
    baseline : tuple of bytes
        Packed baseline drives, possibly none.
    names : tuple of str
        What names the result of each drive.
    drives : tuple of bytes
        Packed.
    """

    rig: Rig
    baseline: tuple[bytes, ...]
    names: tuple[str, ...]
    drives: tuple[bytes, ...]


def judge_condition(task: ConditionTask) -> list[dict[str, Any]]:
    """Findings of each drive; a fault becomes a drive's, so that no other falls.

    Parameters
    ----------
    task : ConditionTask

    Returns
    -------
    list of dict
        ``findings``, sentences, strongest evidence first; or ``error``.
    """
    from loadlearn.condition import assess, learn_baseline
    from loadlearn.condition.packing import unpack

    rig = task.rig
    found: list[dict[str, Any]] = []
    try:
        baseline = learn_baseline([unpack(one, rig) for one in task.baseline], rig)
        for drive in task.drives:
            report = assess(unpack(drive, rig), rig, baseline)
            found.append({"findings": [one.sentence for one in report.findings]})
    except Exception as error:
        what = f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"
        fault = {"error": f"a fault of loadlearn itself ({what})"}
        found += [fault] * (len(task.drives) - len(found))
    return found
