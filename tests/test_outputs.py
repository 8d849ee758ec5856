"""Outputs: all or nothing, the same for the same input, readable by anyone."""

from __future__ import annotations

import errno
import hashlib
import json
import math
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadlearn import __version__, files, outputs
from loadlearn._compile import sources_hash
from loadlearn.errors import InputError, OutputExistsError
from loadlearn.outputs import (
    OutputFolder,
    file_hash,
    plain,
    provenance,
    thin,
    write_csv,
    write_json,
    write_parquet,
)

OWN = ("table.csv", "picture.png", "result.json")


def folder(place: Path, force: bool = False) -> OutputFolder:
    return OutputFolder(place, own=OWN, mark="result.json", force=force)


def fill(place: Path, text: str, names: tuple[str, ...] = OWN, force: bool = False) -> None:
    with folder(place, force) as out:
        for name in names:
            out.path(name).write_text(text)


def test_files_appear_together_and_nothing_else_is_left(tmp_path: Path) -> None:
    place = tmp_path / "a" / "b" / "out"
    fill(place, "new")
    assert sorted(path.name for path in place.iterdir()) == sorted(OWN)
    assert [path.name for path in place.parent.iterdir()] == ["out"]


def test_an_error_leaves_nothing(tmp_path: Path) -> None:
    place = tmp_path / "out"
    with pytest.raises(RuntimeError), folder(place) as out:
        out.path("table.csv").write_text("half")
        raise RuntimeError
    assert list(tmp_path.iterdir()) == []


def test_an_interruption_leaves_earlier_outputs_untouched(tmp_path: Path) -> None:
    place = tmp_path / "out"
    fill(place, "old")
    with pytest.raises(KeyboardInterrupt), folder(place, force=True) as out:
        out.path("result.json").write_text("new")
        raise KeyboardInterrupt
    assert {path.read_text() for path in place.iterdir()} == {"old"}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_other_files_do_not_hinder_and_stay(tmp_path: Path) -> None:
    place = tmp_path / "out"
    place.mkdir()
    (place / "other.json").write_text("theirs")
    fill(place, "ours")
    assert (place / "other.json").read_text() == "theirs"


@pytest.mark.parametrize("name", OWN)
def test_own_files_are_not_replaced_without_force(tmp_path: Path, name: str) -> None:
    place = tmp_path / "out"
    place.mkdir()
    (place / name).write_text("old")
    with pytest.raises(OutputExistsError, match=name), folder(place):
        pass
    with pytest.raises(OutputExistsError, match="--force"):
        folder(place).check()
    assert (place / name).read_text() == "old"


def test_force_removes_what_an_earlier_run_left(tmp_path: Path) -> None:
    place = tmp_path / "out"
    fill(place, "old")
    fill(place, "new", ("table.csv", "result.json"), force=True)
    assert sorted(path.name for path in place.iterdir()) == ["result.json", "table.csv"]
    assert (place / "table.csv").read_text() == "new"


def test_the_mark_is_in_place_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "out"
    fill(place, "old")
    seen = []
    real = Path.replace

    def watched(self: Path, target: Path) -> Path:
        seen.append((target.name, (place / "result.json").exists()))
        return real(self, target)

    monkeypatch.setattr(Path, "replace", watched)
    monkeypatch.setattr(outputs, "exchange", lambda first, second: False)
    fill(place, "new", force=True)
    assert seen[-1][0] == "result.json"
    assert not any(marked for _, marked in seen)


KILLED = """
import os, sys
from pathlib import Path
from loadlearn import files, outputs

place, others = Path(sys.argv[1]), {"other.json": "theirs"}

def fill(text):
    with outputs.OutputFolder(place, own=("a.csv", "a.json"), mark="a.json", force=True) as out:
        for name in ("a.csv", "a.json"):
            out.path(name).write_text(text)

def killed_at(step):
    calls = 0
    def counted(real):
        def call(*args, **options):
            nonlocal calls
            calls += 1
            if calls == step:
                os._exit(9)
            return real(*args, **options)
        return call
    for owner, name in ((Path, "rename"), (Path, "replace"), (Path, "unlink"), (os, "link"),
                        (outputs, "exchange"), (outputs.shutil, "rmtree"), (os, "fsync")):
        setattr(owner, name, counted(getattr(owner, name)))
    fill("new")
    os._exit(0)

place.mkdir()
(place / "other.json").write_text("theirs")
fill("old")
for step in range(1, 60):
    child = os.fork()
    if child == 0:
        killed_at(step)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    found = {one.name: one.read_text() for one in place.iterdir()}
    ours = {name: found.pop(name, "missing") for name in ("a.csv", "a.json")}
    print(step, status, *sorted(set(ours.values())), found == others)
    if status == 0:
        break
    fill("old")
print(*sorted(one.name for one in place.parent.iterdir()))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="folders are swapped on Linux")
def test_killed_at_any_step_the_old_result_or_the_new_one_is_there(tmp_path: Path) -> None:
    """Kill the process at each call that changes the file system, as kill -9 does."""
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(tmp_path / "out")],
        capture_output=True,
        text=True,
        check=True,
    )
    *steps, left = done.stdout.splitlines()
    assert len(steps) > 5
    assert {line.split(maxsplit=2)[2] for line in steps} == {"old True", "new True"}, done.stdout
    assert steps[-1].split()[1:3] == ["0", "new"]
    assert left == "out"  # what the kills left was cleared away


def test_two_writers_to_one_folder_wait_or_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "PATIENCE_S", 0.1)
    with folder(tmp_path / "out") as first:
        with pytest.raises(InputError, match="another loadlearn"), folder(tmp_path / "out"):
            pass
        first.path("result.json").write_text("first")
    fill(tmp_path / "out", "second", force=True)
    assert [one.name for one in tmp_path.iterdir()] == ["out"]


def test_the_folder_one_stands_in_is_not_swapped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "out"
    fill(place, "old")
    monkeypatch.chdir(place)
    before = place.stat().st_ino
    fill(Path("."), "new", force=True)
    assert place.stat().st_ino == before
    assert {path.read_text() for path in place.iterdir()} == {"new"}


def test_words_from_outside_do_nothing_to_a_spreadsheet_or_a_terminal(tmp_path: Path) -> None:
    table = pd.DataFrame({"log": ["=1+1", "a\x1b[2Jb", "plain", None], "mass_kg": [-1.0] * 4})
    write_csv(tmp_path / "a.csv", table)
    text = (tmp_path / "a.csv").read_text()
    assert text.splitlines()[1:3] == ["'=1+1,-1", "a\\x1b[2Jb,-1"]
    write_json(tmp_path / "a.json", {"name": "half \udc80 \x1b[2J"})
    assert json.loads((tmp_path / "a.json").read_text())["name"] == "half \\udc80 \\x1b[2J"


def test_a_place_that_is_a_file_is_refused(tmp_path: Path) -> None:
    place = tmp_path / "out"
    place.write_text("a file")
    for wrong in (place, place / "deeper"):
        with pytest.raises(InputError, match="file"):
            folder(wrong).check()
        with pytest.raises(InputError, match="file|director"), folder(wrong):
            pass


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a file system nobody can write")
def test_a_place_that_cannot_be_written_is_one_sentence() -> None:
    with pytest.raises(InputError, match="cannot be written"), folder(Path("/proc/no/such")):
        pass


def test_a_full_disk_is_the_users_to_mend(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no space left"), folder(tmp_path / "out"):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert list(tmp_path.iterdir()) == []


def test_json_is_sorted_plain_and_ends_with_a_newline(tmp_path: Path) -> None:
    value = {
        "b": np.float64(1.5),
        "a": np.arange(3),
        "c": {"nan": math.nan, "flag": np.bool_(True), "path": Path("x") / "y"},
    }
    write_json(tmp_path / "v.json", value)
    text = (tmp_path / "v.json").read_text(encoding="utf-8")
    assert json.loads(text) == {
        "a": [0, 1, 2],
        "b": 1.5,
        "c": {"flag": True, "nan": None, "path": "x/y"},
    }
    assert text.index('"a"') < text.index('"b"') < text.index('"c"')
    assert text.endswith("}\n")
    with pytest.raises(TypeError):
        plain(object())


TABLE = pd.DataFrame(
    {
        "time_s": [0.0, 0.1, 0.2],
        "mass_kg": [5200.123456, np.nan, -0.0],
        "rolling_resistance": [0.0123456789, 0.01, 0.02],
        "surface": pd.Categorical(["sealed", "gravel", "sealed"]),
        "set_aside_because": ["", "no, none", 'a "word"'],
        "inside95": pd.array([1, None, 0], dtype="Int64"),
        "learning": np.array([1, 0, 1], dtype=np.int8),
    }
)


def test_csv_reads_back(tmp_path: Path) -> None:
    write_csv(tmp_path / "t.csv", TABLE)
    back = pd.read_csv(tmp_path / "t.csv")
    assert list(back.columns) == list(TABLE.columns)
    np.testing.assert_allclose(back["mass_kg"], [5200.123, np.nan, 0.0])
    np.testing.assert_allclose(back["rolling_resistance"], [0.0123457, 0.01, 0.02])
    assert back["set_aside_because"].fillna("").tolist() == TABLE["set_aside_because"].tolist()
    assert back["surface"].tolist() == ["sealed", "gravel", "sealed"]
    assert back["inside95"].isna().tolist() == [False, True, False]
    first = (tmp_path / "t.csv").read_text().splitlines()[0]
    assert first == ",".join(TABLE.columns)


def test_csv_of_plain_words_has_no_quotes(tmp_path: Path) -> None:
    write_csv(tmp_path / "t.csv", TABLE.drop(columns="set_aside_because"))
    assert '"' not in (tmp_path / "t.csv").read_text()


def test_csv_keeps_every_digit_when_asked(tmp_path: Path) -> None:
    write_csv(tmp_path / "t.csv", TABLE, round_numbers=False)
    first = (tmp_path / "t.csv").read_text().splitlines()[1].split(",")
    assert float(first[1]) == TABLE["mass_kg"].iloc[0]


def test_parquet_keeps_every_bit_and_missing_words(tmp_path: Path) -> None:
    table = TABLE.drop(columns="inside95")
    table["surface"] = pd.Categorical(["sealed", None, "gravel"])
    table.attrs["not"] = object()
    write_parquet(tmp_path / "t.parquet", table)
    back = pd.read_parquet(tmp_path / "t.parquet")
    for name in ("time_s", "mass_kg", "rolling_resistance"):
        np.testing.assert_array_equal(back[name], table[name])
    assert back["surface"].astype(object).where(back["surface"].notna(), None).tolist() == [
        "sealed",
        None,
        "gravel",
    ]
    assert back["set_aside_because"].astype(str).tolist() == table["set_aside_because"].tolist()


def test_hash_is_sha256_of_the_bytes(tmp_path: Path) -> None:
    # FIPS 180-2, appendix B.1: the digest of "abc" (from memory; hashlib is asked as well).
    (tmp_path / "abc").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert file_hash(tmp_path / "abc") == expected == hashlib.sha256(b"abc").hexdigest()


def test_provenance_tells_what_decides_the_result_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "drive.csv").write_text("x")
    inputs = {"log": tmp_path / "drive.csv", "channels": None}
    first = provenance("estimate", inputs, {"every_s": 0.1}, {"draws": 7})
    assert first == provenance("estimate", inputs, {"every_s": 0.1}, {"draws": 7})
    assert first["inputs"]["log"]["file"] == "drive.csv"
    assert "channels" not in first["inputs"]
    assert first["seeds"] == {"draws": 7}
    assert first["sources"] == sources_hash() and first["versions"]["loadlearn"] == __version__
    assert first["versions"]["python"] == sys.version.split()[0].rstrip("+")
    assert str(tmp_path) not in json.dumps(first)


def test_thin_keeps_slow_and_jittering_logs_whole() -> None:
    rng = np.random.default_rng(1)
    ten = np.arange(500) / 10.0 + rng.uniform(-0.004, 0.004, 500)
    assert thin(ten, 0.1).all()
    assert thin(np.arange(100) * 1.0, 0.1).all()
    assert thin(np.arange(1000) / 100.0, 0.0).all()


def test_thin_gives_one_row_per_tenth_of_a_second_at_100_hz() -> None:
    time = 1000.0 + np.arange(18_000) / 100.0
    kept = time[thin(time, 0.1)]
    assert len(kept) == 1800
    np.testing.assert_allclose(np.diff(kept), 0.1, atol=1e-9)


@given(
    st.lists(st.floats(1e-3, 0.3), min_size=3, max_size=200),
    st.floats(0.05, 5.0),
    st.floats(-100.0, 1e6),
)
def test_thin_keeps_the_first_sample_of_each_interval(
    steps: list[float], every: float, start: float
) -> None:
    time = start + np.concatenate(([0.0], np.cumsum(steps)))
    kept = thin(time, every)
    assert kept[0]
    if not kept.all():
        slots = np.floor((time[kept] - time[0]) / every + 1e-6)
        assert (np.diff(slots) >= 1).all()
        assert len(slots) == len(np.unique(np.floor((time - time[0]) / every + 1e-6)))
