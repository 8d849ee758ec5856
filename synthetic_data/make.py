"""Make every shipped drive and its truth: ``python synthetic_data/make.py [--only NAME]``."""

from __future__ import annotations

import argparse
import gzip
import json
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from loadlearn.simulation.drive import Drive, PlantVariation
from loadlearn.simulation.recording import kept_draws, kept_truth, simulate
from loadlearn.simulation.road import Stop
from loadlearn.simulation.roadfile import read_road
from loadlearn.vehicle.rig import Rig

HERE = Path(__file__).resolve().parent
# Decimals written per column; what is not named gets four.
DECIMALS = {
    "time_s": 2,
    "distance_m": 1,
    "speed_m_s": 3,
    "accel_m_s2": 3,
    "mass_kg": 1,
    "rolling_resistance": 5,
    "warm_rolling_resistance": 5,
    "altitude_m": 2,
    "latitude_deg": 6,
    "longitude_deg": 6,
    "tractive_force_n": 0,
    "driving_force_n": 0,
    "brake_force_n": 0,
    "curve_force_n": 0,
    "engine_speed_rpm": 0,
    "engine_torque_n_m": 1,
}


@dataclass(frozen=True)
class Shipped:
    """One shipped drive."""

    name: str
    rig: str
    road: str
    mass_kg: float | None
    seed: int
    scale: float = 1.0
    extra_torque_share: float = 0.0
    duration_s: float | None = None
    variation: dict[str, Any] = field(default_factory=dict)
    stops: tuple[Stop, ...] = ()


DRIVES = (
    Shipped("demo", "utility_boat", "depot_to_ramp", 5180.0, 3, scale=1.012),
    Shipped("flat_touring_day", "wagon_survey_trailer", "flat_touring_day", 6120.0, 5, scale=0.988),
    Shipped(
        "overtaking", "utility_boat", "overtaking", 5240.0, 6, scale=1.006, extra_torque_share=1.0
    ),
    Shipped("long_climb", "wagon_survey_trailer", "long_climb", 6080.0, 7, scale=1.01),
    Shipped("beach_run", "utility_solo", "beach_run", None, 8, scale=0.994),
    Shipped(
        "trailer_left",
        "utility_boat",
        "flat_touring_day",
        5300.0,
        9,
        scale=1.009,
        duration_s=1500.0,
        stops=(Stop(12_500.0, 180.0, event="drop_trailer", reverse_first=True),),
    ),
)


def drive_shipped(shipped: Shipped) -> Drive:
    """Simulate one shipped drive."""
    rig = Rig.from_toml(HERE / "rigs" / f"{shipped.rig}.toml")
    road = read_road(HERE / "roads" / f"{shipped.road}.toml")
    if shipped.stops:
        road = road.with_stops(*shipped.stops)
    return simulate(
        rig,
        road,
        seed=shipped.seed,
        mass_kg=shipped.mass_kg,
        tractive_scale=shipped.scale,
        duration_s=shipped.duration_s,
        variation=PlantVariation(**shipped.variation),
        extra_torque_share=shipped.extra_torque_share,
    )


def write_table(table: pd.DataFrame, path: Path) -> None:
    """Write a table as gzipped CSV whose bytes depend on its contents only."""
    shown = table.copy()
    for column in shown.columns:
        values = shown[column]
        if values.dtype.kind != "f":
            continue
        rounded = values.round(DECIMALS.get(column, 4)) + 0.0
        if (rounded.dropna() % 1.0 == 0.0).all() and not rounded.isna().any():
            shown[column] = rounded.astype("int64")
        else:
            shown[column] = rounded
    text = shown.to_csv(index=False, lineterminator="\n")
    with open(path, "wb") as raw, gzip.GzipFile("", "wb", 9, raw, mtime=0) as packed:
        packed.write(text.encode())


def write_drive(shipped: Shipped, out: Path) -> list[Path]:
    """Simulate and write one drive; returns the files."""
    drive = drive_shipped(shipped)
    if shipped.name == "demo":
        folder, log, stem = out / "demo", "drive.csv.gz", "truth"
    else:
        folder, log, stem = out / "drives", f"{shipped.name}.csv.gz", f"{shipped.name}_truth"
    folder.mkdir(parents=True, exist_ok=True)
    write_table(drive.log, folder / log)
    write_table(kept_truth(drive), folder / f"{stem}.csv.gz")
    meta = kept_draws(drive, f"{shipped.rig}.toml")
    text = json.dumps(meta, indent=2, sort_keys=True) + "\n"
    (folder / f"{stem}.json").write_text(text)
    written = [folder / log, folder / f"{stem}.csv.gz", folder / f"{stem}.json"]
    if shipped.name == "demo":
        shutil.copyfile(HERE / "rigs" / f"{shipped.rig}.toml", folder / "rig.toml")
        shutil.copyfile(HERE / "roads" / f"{shipped.road}.toml", folder / "road.toml")
        written += [folder / "rig.toml", folder / "road.toml"]
    return written


def write_manifest(out: Path) -> Path:
    """Write the manifest of the shipped drives for ``loadlearn validate``."""
    rows = ["log,rig,mass_kg,group,at_s,tractive_scale"]
    for shipped in DRIVES:
        demo = shipped.name == "demo"
        log = "demo/drive.csv.gz" if demo else f"drives/{shipped.name}.csv.gz"
        truth_name = "demo/truth.csv.gz" if demo else f"drives/{shipped.name}_truth.csv.gz"
        truth = pd.read_csv(out / truth_name)
        instants = [float(truth["time_s"].iloc[-1])]
        events = truth["time_s"][truth["load_event"] > 0.0]
        # Before a load changes, too.
        instants = [round(float(at) - 60.0) for at in events] + instants
        for at in instants:
            mass = truth["mass_kg"][truth["time_s"] <= at].iloc[-1]
            rows.append(
                f"{log},rigs/{shipped.rig}.toml,{mass:.0f},{shipped.road},{at:g},{shipped.scale:g}"
            )
    path = out / "manifest.csv"
    path.write_text("\n".join(rows) + "\n")
    return path


def main() -> None:
    """Make the drives named on the command line, or all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", choices=[shipped.name for shipped in DRIVES])
    parser.add_argument("--out", type=Path, default=HERE)
    arguments = parser.parse_args()
    total = 0
    for shipped in DRIVES:
        if arguments.only in (None, shipped.name):
            files = write_drive(shipped, arguments.out)
            size = sum(path.stat().st_size for path in files)
            total += size
            print(f"{shipped.name}: {size / 1e3:.0f} kB")
    if arguments.only is None:
        write_manifest(arguments.out)
    print(f"total: {total / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
