"""The vehicle file: the rig it began from, changes by date, and a few numbers of each drive.

TOML, so that a person can read it, date a change in it, or take a drive out. What is known of the
vehicle is not in it: it follows from the drives whenever the file is read, and so neither the order
in which drives came nor how often can matter.
"""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Literal, Self, get_args

from pydantic import Field, ValidationError

from loadlearn.errors import InputError
from loadlearn.estimation.estimator import rig_hash
from loadlearn.memory.drive_record import DriveRecord, Record
from loadlearn.vehicle.rig import Rig

FORMAT = 1
What = Literal["tyres", "brakes", "engine", "uprate", "body", "logger"]
WHATS: tuple[str, ...] = get_args(What)


class Change(Record):
    """Something about the vehicle that is another from a day on."""

    date: datetime.date
    what: What


class VehicleFile(Record):
    """What is remembered of one vehicle."""

    format: Literal[1] = 1
    rig: dict[str, Any]
    """The rig file as it was when the first drive was remembered: what is believed beforehand."""
    changes: tuple[Change, ...] = ()
    drives: tuple[DriveRecord, ...] = Field(default=())

    @classmethod
    def begin(cls, rig: Rig) -> Self:
        """A vehicle of which nothing is remembered yet."""
        return cls(rig=rig.model_dump(mode="json", exclude_unset=True, exclude_none=True))

    @classmethod
    def read(cls, path: str | Path) -> Self:
        """Read a vehicle file.

        Parameters
        ----------
        path : str or Path

        Raises
        ------
        InputError
            The file cannot be read, is not TOML, of another format, or not as it should be; the
            message names the place and the mend.
        """
        try:
            with open(path, "rb") as file:
                table = tomllib.load(file)
        except FileNotFoundError:
            raise InputError(
                f"{path}: no such vehicle file; loadlearn remember makes one"
            ) from None
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"{path}: the vehicle file cannot be read ({error})") from None
        except tomllib.TOMLDecodeError as error:
            raise InputError(f"{path}: not valid TOML: {error}; mend that line") from None
        if table.get("format") != FORMAT:
            raise InputError(
                f"{path}: not a vehicle file of format {FORMAT}; remember its logs again with this "
                "version, into a new file"
            )
        try:
            made = cls.model_validate(table)
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(str(part) for part in first["loc"])
            raise InputError(
                f"{path}: '{where}': {first['msg'][:1].lower()}{first['msg'][1:]}; correct it, or "
                "forget that drive and remember its log again"
            ) from None
        hashes = [one.hash for one in made.drives]
        twice = {one for one in hashes if hashes.count(one) > 1}
        if twice:
            raise InputError(f"{path}: drive {min(twice)} is there more than once; take one out")
        Rig.from_dict(made.rig, source=f"{path}, table rig")
        return made

    @property
    def own_rig(self) -> Rig:
        """The rig that the file began from."""
        return Rig.from_dict(self.rig, source="the vehicle file's rig")

    def check_rig(self, rig: Rig, path: str | Path = "the vehicle file") -> None:
        """Refuse a rig other than the one that the drives were learnt with.

        Raises
        ------
        InputError
            The keys that matter to an estimate differ.
        """
        if rig_hash(rig) != rig_hash(self.own_rig):
            raise InputError(
                f"{path}: began from another rig file than '{rig.name}' as it is now, and what is "
                "kept of its drives holds for that one only; leave --rig out, or remember the logs "
                "again into a new vehicle file"
            )

    def with_drives(self, drives: Iterable[DriveRecord]) -> VehicleFile:
        """The file with more drives.

        A drive that is there already counts once. What is stated of it now (date, load, weighing)
        wins over what was stated before; what is not stated now stays.

        Parameters
        ----------
        drives : iterable of DriveRecord
        """
        every = {one.hash: one for one in self.drives}
        for one in drives:
            before = every.get(one.hash)
            stated = (
                {}
                if before is None
                else {name: getattr(before, name) for name in _STATED if getattr(one, name) is None}
            )
            every[one.hash] = one.model_copy(update=stated)
        return self.model_copy(update={"drives": tuple(sorted(every.values(), key=_in_order))})

    def without(self, hashes: Iterable[str]) -> VehicleFile:
        """The file as if some drives had never been remembered.

        Parameters
        ----------
        hashes : iterable of str
            A beginning that only one drive has is enough.

        Raises
        ------
        InputError
            No drive, or more than one, has such a hash.
        """
        gone = set()
        for wanted in hashes:
            found = [one.hash for one in self.drives if wanted and one.hash.startswith(wanted)]
            if len(found) != 1:
                known = ", ".join(f"{one.hash} ({one.log})" for one in self.drives) or "none"
                raise InputError(
                    f"{'no' if not found else 'more than one'} remembered drive has the hash "
                    f"'{wanted}'; known are: {known}"
                )
            gone |= set(found)
        kept = tuple(one for one in self.drives if one.hash not in gone)
        return self.model_copy(update={"drives": kept})

    def with_change(self, change: Change) -> VehicleFile:
        """The file with one change more (each counts once)."""
        every = {*((one.date, one.what) for one in self.changes), (change.date, change.what)}
        changes = tuple(Change(date=date, what=what) for date, what in sorted(every))
        return self.model_copy(update={"changes": changes})

    def text(self) -> str:
        """The file's text."""
        import tomlkit

        table = self.model_dump(exclude_none=True)
        document = tomlkit.document()
        document.add(
            tomlkit.comment("Written by loadlearn remember. Changes may be added by hand:")
        )
        document.add(tomlkit.comment('[[changes]]  date = 2030-01-31  what = "tyres"'))
        document.add(tomlkit.comment(f"(or one of {', '.join(WHATS[1:])}). What is known follows"))
        document.add(tomlkit.comment("from the drives below whenever the file is read."))
        document.add("format", tomlkit.item(table["format"]))
        document.add("rig", tomlkit.item(table["rig"]))
        for name in ("changes", "drives"):
            if table[name]:
                document.add(name, tomlkit.item([dict(one) for one in table[name]]))
        return tomlkit.dumps(document)


_STATED = ("date", "load", "known_mass_kg", "known_mass_sd_kg")


def _in_order(drive: DriveRecord) -> tuple[datetime.date, str]:
    return drive.date or datetime.date.min, drive.hash
