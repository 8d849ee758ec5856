"""A page is of one drive and one vehicle."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from loadlearn import InputError
from loadlearn.report.same_drive import check_same_drive


def write(path: Path, **hashes: str) -> None:
    inputs = {role: {"file": f"{role}.x", "sha256": digest} for role, digest in hashes.items()}
    found = {"command": "x", "inputs": inputs}
    path.write_text(json.dumps(found if path.stem == "provenance" else {"provenance": found}))


def test_files_of_different_logs_or_rigs_are_refused(tmp_path: Path) -> None:
    write(tmp_path / "provenance.json", log="a", rig="b")
    write(tmp_path / "advice.json", log="a", rig="b")
    write(tmp_path / "schedule.json", rig="b")
    check_same_drive(tmp_path)
    write(tmp_path / "schedule.json", rig="c")
    with pytest.raises(InputError, match="of the rig rig.x"):
        check_same_drive(tmp_path)
    write(tmp_path / "schedule.json", rig="b")
    write(tmp_path / "advice.json", log="d", rig="b")
    with pytest.raises(InputError, match="of the log log.x"):
        check_same_drive(tmp_path)
