"""README and DEVELOPERS: sentences one can read at once, links and commands that exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from loadlearn.cli import COMMANDS

ROOT = Path(__file__).resolve().parents[1]
PAGES = ("README.md", "DEVELOPERS.md")
MOST_WORDS = 40
"""The longest sentence (our own choice)."""


def prose(text: str) -> list[str]:
    """Paragraphs and list items as one line each; without code, tables, headings and comments."""
    text = re.sub(r"^( *)```.*?^ *```", "", text, flags=re.M | re.S)
    text = re.sub(r"<!--.*?-->|^(\||#).*$|^ +\|.*$", "", text, flags=re.M)
    text = re.sub(r"!?\[([^\]]*)\]\([^)]*\)", r"\1", text)
    text = re.sub(r"^ *(?:[-*]|\d+\.) +", "\n", text, flags=re.M)
    blocks = re.split(r"\n\s*\n", text)
    return [" ".join(block.split()) for block in blocks if block.strip()]


def sentences(paragraph: str) -> list[str]:
    """Parts that end with a full stop, question or exclamation mark before a space."""
    return [one for one in re.split(r"(?<=[.!?])[*_)]*\s+", paragraph) if one]


def words(sentence: str) -> int:
    """Counted as a reader does: code between backticks is one."""
    return len(re.sub(r"`[^`]*`", "code", sentence).split())


@pytest.mark.parametrize("page", PAGES)
def test_no_sentence_is_longer_than_one_can_hold(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    long = [
        f"{words(one)}: {one}"
        for paragraph in prose(text)
        for one in sentences(paragraph)
        if words(one) > MOST_WORDS
    ]
    assert not long, "\n".join(long)


def test_the_measure_itself() -> None:
    text = (
        "# A heading\n\nOne `a b c` two. Three\nfour?\n\n- an item\n  of two lines\n- another\n\n"
    )
    text += "| a | table |\n\n```\nsome code. more\n```\n1. first\n"
    found = prose(text)
    assert found == ["One `a b c` two. Three four?", "an item of two lines", "another", "first"]
    assert [words(one) for one in sentences(found[0])] == [3, 2]


@pytest.mark.parametrize("page", (*PAGES, "experiments/README.md"))
def test_links_and_scripts_exist(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    here = (ROOT / page).parent
    links = [one for one in re.findall(r"\]\(([^)#]+)[^)]*\)", text) if "://" not in one]
    scripts = re.findall(r"python ((?:experiments|synthetic_data)/[a-z][\w/]*\.py)", text)
    missing = [place for place in links if not (here / place).exists()]
    missing += [one for one in scripts if not (ROOT / one).exists()]
    assert not missing


@pytest.mark.parametrize("page", PAGES)
def test_commands_exist(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    blocks = re.findall(r"```\n(.*?)```", text, re.S)
    known = {one.__name__.removesuffix("_command") for one in COMMANDS}
    named = {name for block in blocks for name in re.findall(r"^ *loadlearn ([a-z]+)", block, re.M)}
    assert named <= known
