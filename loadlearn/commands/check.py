"""``loadlearn check``: whether a strategy file may be driven."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from loadlearn.commands.common import CAUTION_ADVICE, DONE, DOUBTFUL, console, new_table

StrategyFile = Annotated[Path, typer.Argument(metavar="FILE", help="Strategy file (TOML or JSON).")]
AgainstRig = Annotated[
    Path | None,
    typer.Option("--rig", metavar="RIG", help="Rig file to check against (TOML)."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON instead of the table.")]


def check(file: StrategyFile, rig: AgainstRig = None, as_json: AsJson = False) -> int:
    """Check a strategy file: bounds, blank cells, order, share limits, protections, its rig.

    Every row of the table passes or fails, and tells the first cell or the key to mend. Against the
    rig given, else against the one that the file says it is for. Exit status 0 when all pass, 1
    when any fails, 2 when the file cannot be read.

    Example: loadlearn check strategy.toml --rig rig.toml
    """
    import json

    from loadlearn.policy.strategy_check import FAIL, PASS, check_strategy
    from loadlearn.policy.strategy_file import read_strategy
    from loadlearn.vehicle.rig import Rig

    strategy = read_strategy(file, usable=False)
    findings = check_strategy(strategy, None if rig is None else Rig.from_toml(rig))
    failed = sum(one.verdict == FAIL for one in findings)
    passed = sum(one.verdict == PASS for one in findings)
    if as_json:
        document = {
            "file": file.name,
            "name": strategy.name,
            "rig": None if rig is None else rig.name,
            "passed": passed,
            "failed": failed,
            "findings": [one._asdict() for one in findings],
        }
        print(json.dumps(document, indent=2, ensure_ascii=False))
        return DOUBTFUL if failed else DONE
    table = new_table("check", "of", "", "found")
    for column in table.columns:
        column.justify = "left"
    for column in table.columns[:3]:
        column.no_wrap = True
    for one in findings:
        table.add_row(
            one.what,
            one.where,
            one.verdict.upper() if one.verdict == FAIL else one.verdict,
            one.detail,
        )
    shown = console()
    shown.print(f"{strategy.name} ({file.name})")
    shown.print(table)
    shown.print(f"{passed} passed, {failed} failed")
    shown.print(CAUTION_ADVICE)
    return DOUBTFUL if failed else DONE
