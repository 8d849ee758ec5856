"""What drives the settings: a strategy's data, a rule of one's own, or what the rig calls for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loadlearn.errors import InputError
from loadlearn.policy.make_strategy import make_strategy
from loadlearn.policy.own_rule import OwnRule
from loadlearn.policy.strategy import Settings, Strategy, constant
from loadlearn.policy.strategy_check import require_usable
from loadlearn.policy.strategy_file import load_rule_or_strategy
from loadlearn.policy.strategy_limits import rig_mismatch, stricter_limits
from loadlearn.vehicle.rig import Rig

StrategyLike = Strategy | Callable[..., Any] | str | Path
"""A strategy, a rule from ``Now`` to ``Settings``, or where either is to be found."""


@dataclass(frozen=True)
class Chosen:
    """A strategy ready to drive.

    Attributes
    ----------
    name : str
    strategy : Strategy
        Its grid and limits; of a rule, a neutral one.
    rule : OwnRule, optional
        Gives the settings in place of the grid.
    rig : Rig
        With the stricter of the rig's and the strategy's protections.
    warnings : tuple of str
        Protections that the strategy would have weakened, a sentence each.
    """

    name: str
    strategy: Strategy
    rule: OwnRule | None
    rig: Rig
    warnings: tuple[str, ...] = ()


def choose_strategy(given: StrategyLike | None, rig: Rig) -> Chosen:
    """Make a strategy ready to drive a rig.

    Parameters
    ----------
    given : Strategy, callable, path or str, optional
        Default: made for the rig (:func:`~loadlearn.policy.make_strategy.make_strategy`).
    rig : Rig
        Needs a full-load curve.

    Raises
    ------
    InputError
        It cannot be read or used, or was made for another rig.
    """
    if given is None:
        return Chosen("made for the rig", make_strategy(rig), None, rig)
    if isinstance(given, (str, Path)):
        source, given = str(given), load_rule_or_strategy(given)
    else:
        source = getattr(given, "name", getattr(given, "__name__", "the strategy"))
    if not isinstance(given, Strategy):
        rule = given if isinstance(given, OwnRule) else OwnRule(Path("a function"), source, given)
        return Chosen(rule.name, constant(rule.name, Settings()), rule, rig)
    require_usable(given, source)
    other = rig_mismatch(given.rig, rig)
    if other:
        keys = "; ".join(f"{key} {theirs} there, {ours} here" for key, theirs, ours in other[:3])
        more = f" and {len(other) - 3} more keys" if len(other) > 3 else ""
        raise InputError(
            f"{source}: the strategy was made for another rig ({keys}{more}); make one with "
            "loadlearn schedule --rig, or see all with loadlearn check --rig"
        )
    limits, weakened = stricter_limits(rig, given)
    return Chosen(
        given.name, given, None, rig.model_copy(update={"limits": limits}), tuple(weakened)
    )
