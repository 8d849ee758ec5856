"""The errors a person can mend: one sentence saying what, where and how to mend it."""

from __future__ import annotations


class InputError(ValueError):
    """An input (log, rig, channel map, manifest, road or argument) or output place cannot be used.

    The message is one sentence for a person: what is wrong, where (file, column or key, row) and
    how to mend it. The command line prints it on stderr and exits with status 2.
    """


class OutputExistsError(InputError):
    """One of a command's own outputs is already there and ``--force`` was not given."""
