"""The errors a person can mend: one sentence saying what, where and how to mend it."""

from __future__ import annotations

LONGEST_SENTENCE = 2000
"""A longer one quotes what no person reads: its middle is left out."""


def printable(text: str) -> str:
    """Words from a file, fit for a terminal and for a text file.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        Control characters, which a terminal obeys, and halves of characters, which no file takes,
        as escapes.
    """
    if text.isprintable():
        return text
    return "".join(
        one if one.isprintable() or one == "\n" else one.encode("unicode_escape").decode("ascii")
        for one in text
    )


class InputError(ValueError):
    """An input (log, rig, channel map, manifest, road or argument) or output place cannot be used.

    The message is one sentence for a person: what is wrong, where (file, column or key, row) and
    how to mend it. The command line prints it on stderr and exits with status 2.

    Parameters
    ----------
    sentence : str
        Brought to one line.
    """

    def __init__(self, sentence: str) -> None:
        text = printable(" ".join(sentence.split()))
        if len(text) > LONGEST_SENTENCE:
            text = f"{text[: LONGEST_SENTENCE - 700]} … {text[-690:]}"
        super().__init__(text)


class OutputExistsError(InputError):
    """One of a command's own outputs is already there and ``--force`` was not given."""
