"""What two strategies differ in: cells of the grid, curves, protections, rig, how they were made.

Grids may differ: settings are then compared at the points of both, as they would be driven.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from loadlearn.policy.strategy import AXES, LARGEST, SETTINGS, FloatArray, Strategy
from loadlearn.policy.strategy_limits import flat
from loadlearn.policy.strategy_words import amount, place, spoken

if TYPE_CHECKING:
    import pandas as pd

ROUNDING = 1e-9
"""Differences up to this come from interpolating at a point of the grid."""


class KeyChange(NamedTuple):
    """A key outside of the grid; None = not there."""

    key: str
    before: Any
    after: Any


@dataclass(frozen=True)
class SettingChange:
    """How one setting differs over the cells.

    Attributes
    ----------
    setting : str
    cells, changed : int
        Points not blank in both, and those where the setting that is driven differs.
    blanked, filled : int
        Points that became blank cells, and that no longer are.
    mean_change : float
        Over those points.
    largest_change : float
        With its sign; 0 where nothing changed.
    largest_at : dict of str to float
        Where, by the axes that either depends on.
    before, after : float
        The setting there.
    """

    setting: str
    cells: int
    changed: int
    blanked: int
    filled: int
    mean_change: float
    largest_change: float
    largest_at: dict[str, float]
    before: float
    after: float


@dataclass(frozen=True)
class StrategyDiff:
    """What changed from one strategy to another.

    Attributes
    ----------
    before, after : Strategy
        Both on the same grid, that of the union of their points.
    settings : list of SettingChange
    keys : list of KeyChange
        Dotted, of name, axes, share_limits, protections, rig and made.
    """

    before: Strategy
    after: Strategy
    settings: list[SettingChange]
    keys: list[KeyChange]

    @property
    def varying(self) -> list[str]:
        """Axes that either strategy depends on."""
        return [name for name in AXES if self.before.axes[name].size > 1]

    def to_dict(self) -> dict[str, Any]:
        """All but the cells, ready for JSON."""
        return {
            "before": self.before.name,
            "after": self.after.name,
            "settings": {
                one.setting: {
                    "unit": SETTINGS[one.setting],
                    "cells": one.cells,
                    "changed": one.changed,
                    "changed_share": one.changed / max(one.cells, 1),
                    "blanked": one.blanked,
                    "filled": one.filled,
                    "mean_change": one.mean_change,
                    "largest_change": one.largest_change,
                    "largest_at": one.largest_at,
                    "before": one.before,
                    "after": one.after,
                }
                for one in self.settings
            },
            "keys": [one._asdict() for one in self.keys],
        }

    def to_frame(self) -> pd.DataFrame:
        """One row per point where a setting or a blank cell differs, in the order of the grid."""
        import pandas as pd

        mesh = np.meshgrid(*(self.before.axes[name] for name in AXES), indexing="ij")
        columns = {n: m.ravel() for n, m in zip(AXES, mesh, strict=True) if n in self.varying}
        differs = np.zeros(mesh[0].size, dtype=bool)
        for name in SETTINGS:
            before, after = (s.settings[name].ravel() for s in (self.before, self.after))
            columns[f"{name}_before"], columns[f"{name}_after"] = before, after
            differs |= np.isnan(before) != np.isnan(after)
            differs |= np.abs(after - before) > ROUNDING
        return pd.DataFrame(columns)[differs].reset_index(drop=True)


def diff_strategies(before: Strategy, after: Strategy) -> StrategyDiff:
    """Compare two strategies.

    Parameters
    ----------
    before, after : Strategy
        With usable axes.
    """
    axes = {name: _union(before.axes[name], after.axes[name]) for name in AXES}
    driven = [_on_grid(one, axes, blanks=False) for one in (before, after)]
    shown = [_on_grid(one, axes, blanks=True) for one in (before, after)]
    settings = []
    varying = [name for name in AXES if axes[name].size > 1]
    for name in SETTINGS:
        old, new = (one.settings[name] for one in driven)
        empty = [np.isnan(one.settings[name]) for one in shown]
        shown_cells = ~(empty[0] & empty[1])
        change = np.where(shown_cells, new - old, 0.0)
        cells = int(shown_cells.sum())
        at = np.unravel_index(int(np.argmax(np.abs(change))), change.shape)
        point = {n: float(axes[n][i]) for n, i in zip(AXES, at, strict=True) if n in varying}
        settings.append(
            SettingChange(
                setting=name,
                cells=cells,
                changed=int((np.abs(change) > ROUNDING).sum()),
                blanked=int((empty[1] & ~empty[0]).sum()),
                filled=int((empty[0] & ~empty[1]).sum()),
                mean_change=float(change.sum() / max(cells, 1)),
                largest_change=float(change[at]),
                largest_at=point,
                before=float(old[at]),
                after=float(new[at]),
            )
        )
    return StrategyDiff(shown[0], shown[1], settings, _key_changes(before, after))


def _union(before: FloatArray, after: FloatArray) -> FloatArray:
    """Points of both; a single point means nothing depends on it, and adds none."""
    if before.size == 1:
        return after
    return before if after.size == 1 else np.union1d(before, after)


def _on_grid(strategy: Strategy, axes: Mapping[str, FloatArray], *, blanks: bool) -> Strategy:
    """A strategy at the points of another grid; blank where it is blank there, or filled."""
    mesh = [one.ravel() for one in np.meshgrid(*(axes[name] for name in AXES), indexing="ij")]
    shape = tuple(axes[name].size for name in AXES)
    values = {n: v.reshape(shape) for n, v in strategy.look_up(*mesh).items()}
    if blanks:
        empty = {name: np.isnan(table).astype(float) for name, table in strategy.settings.items()}
        for name, share in replace(strategy, settings=empty).look_up(*mesh).items():
            # Between the last cell and the first blank one the settings hold: not blank yet.
            values[name][share.reshape(shape) > 1.0 - ROUNDING] = np.nan
    return replace(strategy, axes=dict(axes), settings=values)


def _key_changes(before: Strategy, after: Strategy) -> list[KeyChange]:
    old, new = (_keys(one) for one in (before, after))
    return [
        KeyChange(key, old.get(key), new.get(key))
        for key in dict.fromkeys([*old, *new])
        if old.get(key) != new.get(key)
    ]


def _keys(strategy: Strategy) -> dict[str, Any]:
    curves = {
        name: {name: points.tolist(), "share": share.tolist()}
        for name, (points, share) in strategy.share_limits.items()
    }
    axes = {n: axis.tolist() for n, axis in strategy.axes.items() if axis.size > 1}
    return flat(
        {
            "name": strategy.name,
            "axes": axes,
            "share_limits": curves,
            "protections": strategy.protections,
            "rig": strategy.rig,
            "made": strategy.made,
        }
    )


def sentences(diff: StrategyDiff) -> list[str]:
    """What changed in the settings, a sentence each.

    Parameters
    ----------
    diff : StrategyDiff
    """
    told = []
    for one in diff.settings:
        name = spoken(one.setting)
        if not one.changed:
            told.append(f"{name}: unchanged in {one.cells} cells{_blanks(one)}")
            continue
        percent = 100.0 * one.changed / one.cells
        told.append(
            f"{name}: {one.changed} of {one.cells} cells changed "
            f"({percent:{'.0f' if percent >= 1.0 else '.2g'}} %), on average by "
            f"{_signed(one.setting, one.mean_change)}, most by "
            f"{_signed(one.setting, one.largest_change)} (from "
            f"{amount(one.setting, _round(one.before))} to "
            f"{amount(one.setting, _round(one.after))}) at {place(one.largest_at)}{_blanks(one)}"
        )
    return told


def _blanks(one: SettingChange) -> str:
    parts = [
        f"{count} {'cell' if count == 1 else 'cells'} {what}"
        for count, what in ((one.blanked, "newly blank"), (one.filled, "no longer blank"))
        if count
    ]
    return f"; {', '.join(parts)}" if parts else ""


def _round(value: float) -> float:
    return float(f"{value:.4g}")


def _signed(name: str, value: float) -> str:
    text = amount(name, _round(value))
    return text if value < 0.0 else f"+{text}"


def most_changed(diff: StrategyDiff) -> dict[str, float]:
    """Where the picture should look: the point of the largest change, relative to its range.

    Parameters
    ----------
    diff : StrategyDiff
    """
    most = max(diff.settings, key=lambda one: abs(one.largest_change) / LARGEST[one.setting])
    return most.largest_at
