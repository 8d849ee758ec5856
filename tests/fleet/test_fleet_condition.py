"""The condition of a fleet: what the single command says of each drive."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fleet_bench import write_manifest

from loadlearn.condition import assess, learn_baseline
from loadlearn.condition.assessment import DrivePoints, condense
from loadlearn.condition.packing import pack, unpack
from loadlearn.fleet.fleet_run import run_fleet
from loadlearn.log.readers import read_log
from loadlearn.simulation.drive import simulate
from loadlearn.simulation.road import random_road
from loadlearn.simulation.scenarios import shipped_rig

RIG = shipped_rig("utility_boat")
MASS_KG = 5200.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three drives when the vehicle was well, and two later ones, one of them with a leak."""
    place = tmp_path_factory.mktemp("condition")
    for number in range(5):
        log = simulate(
            RIG, random_road(number, 60_000.0), seed=number, combined_mass_kg=MASS_KG,
            duration_s=420.0,
        ).log  # fmt: skip
        if number == 4:
            log["boost_kpa"] = 0.6 * log["boost_kpa"]
        log.to_csv(place / f"{number}.csv", index=False)
    return place


@pytest.fixture(scope="module")
def condensed(folder: Path) -> list[DrivePoints]:
    return [condense(read_log(folder / f"{n}.csv", rig=RIG), RIG, MASS_KG) for n in range(5)]


def test_a_packed_drive_is_judged_as_the_drive(condensed: list[DrivePoints]) -> None:
    drives = condensed[:3]
    again = [unpack(pack(drive), RIG) for drive in drives]
    assert "tractive_efficiency" in again[0].scalars
    for one, other in zip(drives, again, strict=True):
        pd.testing.assert_frame_equal(one.points, other.points)
        assert (one.scalars, one.frozen_s, one.withheld) == (
            other.scalars,
            other.frozen_s,
            other.withheld,
        )
    first = assess(drives[2], RIG, learn_baseline(drives[:2], RIG)).to_dict()
    second = assess(again[2], RIG, learn_baseline(again[:2], RIG)).to_dict()
    assert str(first) == str(second)


def test_findings_are_those_of_the_single_command(
    folder: Path, condensed: list[DrivePoints], tmp_path: Path
) -> None:
    rows: list[dict[str, object]] = [
        {"log": folder / f"{n}.csv", "vehicle": "a", "mass_kg": MASS_KG, "baseline": int(n < 3)}
        for n in range(5)
    ]
    manifest = write_manifest(tmp_path / "m.csv", rows)
    (tmp_path / "rig.toml").write_text(_toml_of_shipped())
    run_fleet(manifest, tmp_path / "out", condition=True)
    table = pd.read_parquet(tmp_path / "out" / "dataset").set_index("line")
    baseline = learn_baseline(condensed[:3], RIG)
    for line, drive in ((5, condensed[3]), (6, condensed[4])):
        expected = [one.sentence for one in assess(drive, RIG, baseline).findings]
        assert np.asarray(table.loc[line, "findings"]).tolist() == expected
    assert any("boost" in sentence for sentence in table.loc[6, "findings"])
    assert table.loc[[2, 3, 4], "findings"].isna().all()  # what others are compared with
    assert table.loc[[2, 3, 4], "baseline"].all()
    assert "Findings of the condition" in (tmp_path / "out" / "fleet.html").read_text()
    # Other baseline drives: compared again, and no log is read again.
    manifest.write_text(manifest.read_text().replace("2.csv,a,5200.0,1", "2.csv,a,5200.0,0"))
    done = run_fleet(manifest, tmp_path / "out", condition=True, force=True)
    assert (done.judged, done.kept) == (0, 5)
    again = pd.read_parquet(tmp_path / "out" / "dataset").set_index("line")
    assert again.loc[4, "findings"] is not None and not again.loc[4, "baseline"]


def _toml_of_shipped() -> str:
    from loadlearn.simulation import scenarios

    name = "utility_boat.toml"
    return next(
        (place / name).read_text() for place in scenarios._RIG_FOLDERS if (place / name).is_file()
    )
