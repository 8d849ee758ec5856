"""A small fleet on disk, shared by the tests of the fleet."""

from __future__ import annotations

import csv
from pathlib import Path

from drive_bench import bench_drive

RIG = """
name = "bench"
[vehicle]
mass_kg = 2700.0
tyre_radius_m = 0.38
rated_gcm_kg = 6500.0
[engine]
displacement_l = 2.8
cylinders = 4
full_load_rpm = [1000, 2000, 4000]
full_load_torque_n_m = [300, 450, 300]
[driveline]
gear_ratios = [3.6, 2.1, 1.4, 1.0, 0.7]
final_drive = 3.9
"""
SHOWN = ("time_s", "speed_m_s", "tractive_force_n", "grade_percent", "engine_speed_rpm", "gear")


def write_log(path: Path, seed: int, duration_s: float = 150.0) -> None:
    """A drive of its own."""
    bench_drive(duration_s, seed=seed)[list(SHOWN)].to_csv(path, index=False)


def write_manifest(path: Path, rows: list[dict[str, object]]) -> Path:
    """A manifest of these rows; the rig file lies beside it."""
    (path.parent / "rig.toml").write_text(RIG)
    names = list(dict.fromkeys(name for row in rows for name in row))
    with open(path, "w", newline="") as file:
        table = csv.DictWriter(file, ["rig", *names], restval="")
        table.writeheader()
        table.writerows({"rig": "rig.toml", **row} for row in rows)
    return path


def write_fleet(folder: Path, count: int, vehicles: int = 2, duration_s: float = 150.0) -> Path:
    """Logs of several vehicles, with their manifest."""
    rows: list[dict[str, object]] = []
    for number in range(count):
        write_log(folder / f"drive-{number}.csv", number, duration_s)
        rows.append({"log": f"drive-{number}.csv", "vehicle": f"crew {number % vehicles}"})
    return write_manifest(folder / "fleet.csv", rows)
