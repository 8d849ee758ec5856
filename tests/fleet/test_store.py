"""What is kept: whole or not at all, once however often it comes."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from loadlearn.errors import InputError
from loadlearn.fleet.store import Store, write_whole


def test_what_is_kept_comes_back_and_nothing_else(tmp_path: Path) -> None:
    store = Store(tmp_path)
    assert store.kept("results", "a") is None
    store.keep("results", "a", {"mass_kg": 0.1 + 0.2})
    assert store.kept("results", "a") == {"mass_kg": 0.1 + 0.2}
    assert store.kept("results", "b") is None and store.kept("logs", "a") is None


def test_a_write_cut_off_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(tmp_path)
    store.keep("results", "a", {"first": 1})

    def cut_off(*names: object) -> None:
        raise KeyboardInterrupt

    for step in ("fsync", "replace"):
        monkeypatch.setattr(os, step, cut_off)
        with pytest.raises(KeyboardInterrupt):
            store.keep("results", "a", {"second": 2})
        monkeypatch.undo()
        assert store.kept("results", "a") == {"first": 1}
    assert len([path for path in tmp_path.rglob("*") if path.is_file()]) == 1


def test_whoever_reads_while_many_write_reads_a_whole_value(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.keep("results", "a", {"text": "x" * 5000})
    stop = threading.Event()

    def write(letter: str) -> None:
        while not stop.is_set():
            store.keep("results", "a", {"text": letter * 5000}, to_disk=False)

    writers = [threading.Thread(target=write, args=(letter,)) for letter in "xyz"]
    for one in writers:
        one.start()
    try:
        for _ in range(200):
            value = store.kept("results", "a")
            assert value is not None
            assert value["text"] in ("x" * 5000, "y" * 5000, "z" * 5000)
    finally:
        stop.set()
        for one in writers:
            one.join()
    assert len([path for path in tmp_path.rglob("*") if path.is_file()]) == 1


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written there"):
        write_whole(tmp_path / "file" / "below", b"")
