"""Every key and column of the files read and written, with unit, type and meaning.

Nothing is said here that the code does not say: the entries are read from the classes that define
the keys (:mod:`loadlearn.described`) and from the tables that the readers and writers use.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loadlearn.described import Entry, entries, unit_of
from loadlearn.errors import InputError

if TYPE_CHECKING:
    from loadlearn.log.units import Unit


@dataclass(frozen=True)
class Part:
    """A file, or a table of one.

    Attributes
    ----------
    file : str
        Its name.
    what : str
        What it holds.
    entries : tuple of Entry
        Its keys or columns.
    """

    file: str
    what: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class Schema:
    """What belongs together under one name.

    Attributes
    ----------
    name : str
        What one asks for.
    what : str
        In a line.
    parts : tuple of Part
        Its files.
    """

    name: str
    what: str
    parts: tuple[Part, ...]


def schemas() -> tuple[Schema, ...]:
    """All of them, in the order in which a user meets them.

    Returns
    -------
    tuple of Schema
    """
    return tuple(make() for make in _MAKERS.values())


def schema(name: str) -> Schema:
    """One of them.

    Parameters
    ----------
    name : str
        Its name, or that of one of its files.

    Returns
    -------
    Schema

    Raises
    ------
    InputError
        There is none of that name.
    """
    if name in _MAKERS:
        return _MAKERS[name]()
    for one in schemas():
        if name in (part.file for part in one.parts):
            return one
    known = ", ".join(_MAKERS)
    raise InputError(f"there is no schema '{name}'; give one of {known}, or the name of a file")


def _joined(*groups: Iterable[Entry]) -> tuple[Entry, ...]:
    return tuple(entry for group in groups for entry in group)


def _named(words: Mapping[str, str], kind: str = "number") -> list[Entry]:
    """Entries of a table of words: unit from the name, what repeats it in brackets left out."""
    return [
        Entry(name, kind, unit_of(name) or "1", text.partition(" (")[0])
        for name, text in words.items()
    ]


@functools.cache
def _rig() -> Schema:
    from loadlearn.vehicle.rig import Rig

    what = "what is driven: every key of a rig file"
    return Schema("rig", what, (Part("rig.toml", what, tuple(entries(Rig))),))


@functools.cache
def _log() -> Schema:
    from loadlearn.log.channels import CHANNELS, INGREDIENTS, Channel

    def entry(channel: Channel) -> Entry:
        units = {unit.symbol: None for unit in _units(channel.quantity)}
        others = [symbol for symbol in units if symbol != channel.unit.symbol]
        signals = [identifier for identifier, _ in channel.identifiers]
        said = [channel.description, f"{channel.role}"]
        if others:
            said.append(f"also read in {', '.join(others)}")
        if signals:
            said.append(f"carried by {', '.join(signals)} (from memory)")
        if channel.feeds:
            said.append(f"read to compute {channel.feeds}")
        kind = "text" if channel.quantity in ("timestamp", "range") else "number"
        limits = f"{kind} from {channel.lower:g} to {channel.upper:g}" if kind == "number" else kind
        return Entry(channel.name, limits, channel.unit.symbol, "; ".join(said))

    canonical = tuple(entry(one) for one in CHANNELS)
    others = tuple(entry(one) for one in INGREDIENTS)
    return Schema(
        "log",
        "columns of a drive log",
        (
            Part("drive log", "canonical columns, those of trace.parquet", canonical),
            Part("drive log, further", "columns that canonical ones are computed from", others),
        ),
    )


def _units(quantity: str) -> Iterable[Unit]:
    from loadlearn.log.units import units_of

    return units_of(quantity).values()


@functools.cache
def _estimates() -> Schema:
    from loadlearn.estimation.learner import EstimateRow

    what = "what was learnt, over time"
    columns = tuple(entries(EstimateRow))
    csv = Part("estimates.csv", "one row per 0.1 s or per sample (--every)", columns)
    full = Part("estimates.parquet", "the same for every sample, every bit kept", columns)
    return Schema("estimates", what, (csv, full))


@functools.cache
def _summary() -> Schema:
    from loadlearn.estimation.ratings import Ratings
    from loadlearn.estimation.smoothing import Smoothed
    from loadlearn.estimation.summary import RunSummary
    from loadlearn.log.quality import LogQuality

    below = _below("smoothed", "What the whole log says of every stretch.", entries(Smoothed))
    quality = _below("log_quality", "What 'inspect' says of the log.", entries(LogQuality))
    every = _joined(entries(RunSummary), below, quality, entries(Ratings), _remembered())
    what = "what was learnt by the end, whether to trust it, and why not"
    return Schema("summary", what, (Part("summary.json", what, every),))


def _below(key: str, meaning: str, inside: Iterable[Entry]) -> list[Entry]:
    from dataclasses import replace

    moved = [replace(one, name=f"{key}.{one.name}") for one in inside]
    return [Entry(key, "table", "", meaning), *moved]


def _remembered() -> list[Entry]:
    from loadlearn.memory.vehicle_memory import Remembered

    what = "The vehicle's memory that it started from; only with --vehicle."
    return _below("remembered", what, entries(Remembered))


@functools.cache
def _inspect() -> Schema:
    from loadlearn.log.quality import LogQuality

    what = "what a log holds and could teach: 'loadlearn inspect --json'"
    return Schema("inspect", what, (Part("inspect --json", what, tuple(entries(LogQuality))),))


@functools.cache
def _provenance() -> Schema:
    from loadlearn.outputs import Provenance

    what = "what made the files; under the key 'provenance' in other commands' JSON"
    return Schema("provenance", what, (Part("provenance.json", what, tuple(entries(Provenance))),))


@functools.cache
def _validation() -> Schema:
    from loadlearn.study.validation import ManifestLine, ValidationRow, ValidationSummary

    return Schema(
        "validation",
        "estimates against weighed masses",
        (
            Part("manifest", "CSV that 'validate' reads", tuple(entries(ManifestLine))),
            Part("validation.csv", "row by row", tuple(entries(ValidationRow))),
            Part(
                "validation.json",
                "in all and by group",
                _joined(entries(ValidationSummary), _origin()),
            ),
        ),
    )


def _origin() -> list[Entry]:
    return [Entry("provenance", "table", "", "What made it: see 'loadlearn schema provenance'.")]


@functools.cache
def _advice() -> Schema:
    from loadlearn.estimation.ratings import Ratings
    from loadlearn.estimation.summary import Trust
    from loadlearn.policy.advice_summary import AdviceSummary, AdviceTold
    from loadlearn.policy.columns import AdviceLoad, AdviceRow, AdviceWords

    rows = [one for one in entries(AdviceRow) if one.name != "limit_bits"]
    columns = _joined(entries(AdviceLoad), rows, entries(AdviceWords))
    trust = _below("trust", "Whether to rely on the load learnt.", entries(Trust))
    told = _joined(
        entries(AdviceSummary),
        entries(AdviceTold),
        trust,
        entries(Ratings),
        _remembered(),
        _origin(),
    )
    what = "settings that the load calls for, and what holds them back"
    return Schema(
        "advice",
        what,
        (
            Part("advice.csv", "over time", columns),
            Part("advice.json", "in short", told),
        ),
    )


@functools.cache
def _compared() -> Schema:
    from loadlearn.simulation.comparison import DriveOf
    from loadlearn.simulation.limits_sheet import SheetRow
    from loadlearn.simulation.outcomes import DRIVE_FACTS, QUANTITIES
    from loadlearn.simulation.paired_differences import ComparisonSummary, ComparisonTold
    from loadlearn.simulation.traces import trace_columns

    of = [one for one in entries(DriveOf) if one.name in ("draw", "rig", "strategy")]
    traces = _joined(of, trace_columns())
    facts = _joined(entries(DriveOf), _named(QUANTITIES), _named(DRIVE_FACTS))
    told = _joined(entries(ComparisonSummary), entries(ComparisonTold), _origin())
    sheet = tuple(one for one in entries(SheetRow) if one.name != "decimals")
    return Schema(
        "compared",
        "one road driven under several strategies",
        (
            Part("comparison.csv", "each drive of each strategy", facts),
            Part("comparison.json", "means, paired differences, limits", told),
            Part("sheet.csv", "every limit against the worst that each strategy did to it", sheet),
            Part("traces.parquet", "every drive over time, the truth", traces),
        ),
    )


@functools.cache
def _dyno() -> Schema:
    from loadlearn.dyno.dyno_comparison import CurveRow

    what = "wheel-dyno runs, before and after, over engine speed"
    return Schema("dyno", what, (Part("dyno.csv", what, tuple(entries(CurveRow))),))


@functools.cache
def _condition() -> Schema:
    from loadlearn.condition.assessment import ConditionFile

    what = "whether the engine is still what it was"
    told = _joined(entries(ConditionFile), _origin())
    return Schema("condition", what, (Part("condition.json", what, told),))


_MAKERS = {
    "rig": _rig,
    "log": _log,
    "inspect": _inspect,
    "estimates": _estimates,
    "summary": _summary,
    "provenance": _provenance,
    "validation": _validation,
    "advice": _advice,
    "compared": _compared,
    "dyno": _dyno,
    "condition": _condition,
}
