"""What do inputs that are wrong do to the package?

Question
    Of many thousand wrong inputs of every kind that the package reads (logs, channel maps, rigs,
    samples online, manifests, output folders, roads, dyno sheets, strategies): how many end in a
    traceback, how many are accepted and answered with numbers that are not finite?
Method
    Small valid inputs are mutated: bytes flipped, cut, doubled; cells and keys replaced by what
    files hold when something has gone wrong (NaN, huge and tiny numbers, 5,000 digits, text, empty,
    escapes, formulas, another unit). Each goes the way that a command would send it. *Refused* is
    one sentence (``InputError``); *fault* is any other exception, which a command turns into exit
    status 3; *not finite* is an answer with NaN or infinity where the input was accepted.
Expected answer
    No fault, nothing silently not finite.
Source
    Miller, Fredriksen and So, *An empirical study of the reliability of UNIX utilities*,
    Communications of the ACM 33(12), 1990 (from memory), who named the method.
"""

from __future__ import annotations

import gzip
import json
import math
import shutil
import sys
import tempfile
import traceback
import warnings
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import Any

import harness
import numpy as np
import pandas as pd

from loadlearn import DriveAdviser, InputError, LoadEstimator, Rig, read_log
from loadlearn.dyno.runs import read_runs
from loadlearn.figures import style
from loadlearn.policy.strategy_file import read_strategy, write_strategy
from loadlearn.report import build_page
from loadlearn.simulation.roadfile import read_road
from loadlearn.study.validation import read_manifest, validate_manifest

ANSWERED, REFUSED, FAULT, NOT_FINITE = "answered", "refused", "fault", "not finite"
RIGS = Path(__file__).resolve().parents[1] / "synthetic_data" / "rigs"
ROADS = RIGS.parent / "roads"

WORDS = (
    *("", "nan", "inf", "-inf", "1e20", "-1e20", "1e308", "-1e6", "1e-300", "0", "-0.0", "-1"),
    *("abc", "=1+1", "@x", "-273.15", "99", "1_000", "0x10", "\x1b[31m", "\x00", "é", "−1", "½"),
    *("9" * 5000, "true", "[]", "{}", '"', "1,5", "1.5.2", "2030-01-01T00:00:00Z", " ", "\n"),
)
"""What a cell, a key's value or a piece of text is replaced by."""
VALUES: tuple[Any, ...] = (
    *(math.nan, math.inf, -math.inf, 1e20, -1e20, 1e308, -1e6, 1e-300, 5e-324, 0.0, -0.0, -1.0),
    *(None, "", "abc", "3.5", True, False, [], [1.0], {}, 10**40, -273.15, 3600.0, 1e9, 99.0),
    *(np.float32(2.5), np.int64(3), np.array([1.0]), np.array(2.0), b"x", 1j, object()),
)
"""What a value in a mapping is replaced by."""


@cache
def rig() -> Rig:
    """The rig that inputs are read with."""
    return Rig.from_toml(RIGS / "utility_boat.toml")


@cache
def drive() -> pd.DataFrame:
    """A minute over a hill, at 2 Hz, by the force balance alone."""
    time_s = 0.5 * np.arange(120.0)
    speed = 15.0 + 4.0 * np.sin(time_s / 9.0)
    grade = 4.0 * np.sin(time_s / 14.0)
    power_w = speed * (4800.0 * (np.gradient(speed, time_s) + 9.81 * (0.01 * grade + 0.012)))
    return pd.DataFrame(
        {
            "time_s": time_s,
            "speed_m_s": speed,
            "fuel_rate_g_s": np.maximum((power_w + 1.4 * speed**3) / 15e3 + 0.7, 0.0),
            "grade_percent": grade,
            "engine_speed_rpm": 100.0 * speed,
            "altitude_m": 300.0 + np.cumsum(0.5 * speed * 0.01 * grade),
            "coolant_temp_degc": 88.0 + 0.1 * np.sin(time_s),
            "exhaust_gas_temp_degc": 500.0 + 10.0 * np.sin(time_s),
            "accelerator_percent": 50.0 + 40.0 * np.sin(time_s / 9.0),
            "ambient_temp_degc": np.full(120, 21.0),
            "ambient_pressure_kpa": np.full(120, 98.0),
            "boost_kpa": np.full(120, 60.0),
            "brake_active": np.zeros(120),
        }
    ).round(4)


@cache
def log_text() -> str:
    """The drive as CSV."""
    return drive().to_csv(index=False)


# ------------------------------------------------------------------------------- mutations


def mutated_bytes(rng: np.random.Generator, data: bytes) -> bytes:
    """Some bytes changed, cut, doubled or replaced."""
    for _ in range(rng.integers(1, 4)):
        at, how = int(rng.integers(0, max(len(data), 1))), rng.integers(0, 6)
        end = at + int(rng.integers(1, 40))
        if how == 0:
            data = data[:at]
        elif how == 1:
            data = data[:at] + data[end:]
        elif how == 2:
            data = data[:end] + data[at:]
        elif how == 3:
            data = data[:at] + bytes(rng.integers(0, 256, 4).tolist()) + data[at + 4 :]
        else:
            data = data[:at] + str(rng.choice(WORDS)).encode() + data[at + how - 4 :]
    return data


def mutated_cells(rng: np.random.Generator, text: str, separator: str = ",") -> str:
    """Some cells, a whole column or a heading replaced; rows swapped or doubled."""
    rows = [line.split(separator) for line in text.splitlines()]
    for _ in range(rng.integers(1, 4)):
        how, word = rng.integers(0, 6), str(rng.choice(WORDS))
        row = int(rng.integers(0, len(rows)))
        column = int(rng.integers(0, len(rows[row])))
        if how <= 1:
            rows[row][column] = word
        elif how == 2:
            for line in rows[1:]:
                if column < len(line):
                    line[column] = word
        elif how == 3:
            rows[0][min(column, len(rows[0]) - 1)] = str(
                rng.choice(("speed_kmh", "fuel_rate_l_h", "grade_deg", "x", "timestamp", word))
            )
        elif how == 4:
            rows.insert(int(rng.integers(1, len(rows) + 1)), list(rows[row]))
        else:
            for line in rows[1:]:
                line[column : column + 1] = []
    return "\n".join(separator.join(row) for row in rows)


def mutated_text(rng: np.random.Generator, text: str) -> bytes:
    """A TOML or JSON file with some values replaced, or its bytes changed."""
    if rng.random() < 0.4:
        return mutated_bytes(rng, text.encode())
    lines = text.splitlines()
    for _ in range(rng.integers(1, 4)):
        at = int(rng.integers(0, len(lines)))
        for mark in ("=", ": "):
            if mark in lines[at]:
                lines[at] = f"{lines[at].split(mark)[0]}{mark} {rng.choice(WORDS)}"
                break
        else:
            lines[at] = f"[[{lines[at].strip('[]')}]]"
    return "\n".join(lines).encode()


def mutated_table(rng: np.random.Generator, table: dict[str, Any]) -> dict[str, Any]:
    """A mapping of mappings with some values replaced."""
    made = json.loads(json.dumps(table))
    for _ in range(rng.integers(1, 4)):
        holder = made
        name = str(rng.choice(sorted(holder)))
        while isinstance(holder[name], dict) and holder[name] and rng.random() < 0.95:
            holder = holder[name]
            name = str(rng.choice(sorted(holder)))
        old, value = holder[name], VALUES[rng.integers(0, len(VALUES))]
        if isinstance(old, int | float) and not isinstance(old, bool) and rng.random() < 0.5:
            value = float(old * 10.0 ** rng.uniform(-25.0, 25.0))
        elif isinstance(old, list) and old and rng.random() < 0.7:
            value = list(old)
            value[rng.integers(0, len(old))] = VALUES[rng.integers(0, len(VALUES))]
        holder[name] = value
    return made


# ------------------------------------------------------------------------- one case of each


def _learnt(trace: pd.DataFrame, the_rig: Rig) -> Iterable[float]:
    history = LoadEstimator(the_rig).run(trace, prepare=False)
    last = history.iloc[-1]
    return [float(last[name]) for name in ("mass_kg", "mass_sd_kg", "drag_area_m2")]


def log_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """A log file, read and learnt from."""
    path, text = folder / "log.csv", log_text()
    if rng.random() < 0.6:
        data = mutated_cells(rng, text).encode("utf-8", "surrogatepass")
    else:
        data = mutated_bytes(rng, text.encode())
    if rng.random() < 0.15:
        data = mutated_bytes(rng, gzip.compress(text.encode()))
    elif rng.random() < 0.1:
        path = folder / "log.parquet"
        drive().to_parquet(path)
        data = mutated_bytes(rng, path.read_bytes())
    path.write_bytes(data)
    return _learnt(read_log(path, rig=rig()), rig())


def frame_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """A DataFrame with values of every type, given to the estimator as it is."""
    frame = drive().copy()
    for _ in range(rng.integers(1, 4)):
        name = str(rng.choice(frame.columns))
        value = VALUES[rng.integers(0, len(VALUES))]
        if rng.random() < 0.3:
            del frame[name]
            if not len(frame.columns):
                return []
        elif isinstance(value, float):
            frame.loc[int(rng.integers(0, len(frame))), name] = value
        else:
            column = frame[name].astype(object).tolist()
            column[int(rng.integers(0, len(frame)))] = value
            frame[name] = pd.Series(column, dtype=object)
    return _learnt(frame, rig())


def channel_map_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """A channel map."""
    text = '[channels]\nspeed_m_s = { column = "v", unit = "m/s" }\nfuel_rate_g_s = "fuel"\n'
    path = folder / "map.toml"
    path.write_bytes(mutated_text(rng, text))
    renamed = drive().rename(columns={"speed_m_s": "v", "fuel_rate_g_s": "fuel"})
    return _learnt(read_log(renamed, rig=rig(), channels=path), rig())


def rig_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """A rig, by values or as a file."""
    if rng.random() < 0.7:
        table = mutated_table(rng, rig().model_dump())
        the_rig = Rig.from_dict(table)
    else:
        path = folder / "rig.toml"
        path.write_bytes(mutated_text(rng, (RIGS / "utility_boat.toml").read_text()))
        the_rig = Rig.from_toml(path)
    found = list(_learnt(drive(), the_rig))
    if rng.random() < 0.02:
        adviser = DriveAdviser(the_rig)
        advice = [adviser.step(sample) for sample in _samples()[:8]][-1]
        found += [advice.extra_torque, advice.power_retention, advice.economy]
    return found


@cache
def _samples() -> list[dict[str, float]]:
    return drive().to_dict("records")


def _mutated_stream(rng: np.random.Generator) -> list[Any]:
    """Forty samples, some of them wrong."""
    start = int(rng.integers(0, 40))
    stream: list[Any] = [dict(one) for one in _samples()[start : start + 40]]
    for _ in range(rng.integers(1, 5)):
        sample = stream[rng.integers(0, len(stream))]
        if rng.random() < 0.15:
            sample.clear()
            continue
        name = str(rng.choice(("time_s", "speed_m_s", *drive().columns)))
        if rng.random() < 0.2:
            sample.pop(name, None)
        elif name == "time_s" and rng.random() < 0.6:
            sample[name] = sample.get(name, 0.0) + float(rng.choice((-1e8, -3600, -1, 3600, 1e8)))
        else:
            sample[name] = VALUES[rng.integers(0, len(VALUES))]
    return stream


def _stepped(step: Callable[[Any], Any], stream: list[Any]) -> list[Any]:
    """Answers to a stream, then to good samples: nothing may latch."""
    found = []
    for sample in stream:
        try:
            found.append(step(sample))
        except InputError:
            continue
    time_s = 1000.0
    for sample in _samples()[:40]:
        time_s += 0.5
        found.append(step({**sample, "time_s": time_s}))
    return found


def estimator_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """Samples online, to the estimator; it must go on learning after them."""
    estimator = LoadEstimator(rig())
    loads = _stepped(estimator.step, _mutated_stream(rng))
    last = loads[-1]
    if not any(load.learning for load in loads[-20:]):
        raise RuntimeError("frozen: nothing is learnt any more")
    return [last.time_s, last.mass_kg, last.mass_sd_kg, last.drag_area_m2]


@cache
def _strategy() -> Any:
    from loadlearn import make_strategy

    return make_strategy(rig())


def adviser_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """Samples online, to the adviser."""
    adviser = DriveAdviser(rig(), _strategy())
    given = _stepped(adviser.step, _mutated_stream(rng))
    found: list[float] = []
    for advice in given[-10:]:
        found += [advice.extra_torque, advice.power_retention, advice.economy, advice.torque_factor]
        found += [advice.mass_kg, advice.full_share_time_s]
    return found


def manifest_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """A manifest of two good rows and some wrong ones; the good ones must still be judged."""
    drive().to_csv(folder / "log.csv", index=False)
    shutil.copy(RIGS / "utility_boat.toml", folder / "rig.toml")
    loop = folder / "loop.csv"
    loop.unlink(missing_ok=True)
    loop.symlink_to(loop)
    wrong = str(
        rng.choice(("loop.csv", "a\x00b.csv", ".", "no.csv", "=1+1", "\x1b[2Jx", "x" * 300))
    )
    text = "log,rig,mass_kg,at_s\nlog.csv,rig.toml,5000,30\nlog.csv,rig.toml,5000,\n"
    path = folder / "manifest.csv"
    if rng.random() < 0.4:
        path.write_text(f"{text}{wrong},rig.toml,5000,\nlog.csv,{wrong},5000,\n")
    else:
        path.write_bytes(mutated_cells(rng, text).encode("utf-8", "surrogatepass"))
    if rng.random() < 0.1:
        path.write_bytes(mutated_bytes(rng, text.encode()))
    read_manifest(path)
    table = validate_manifest(path, learn=_learn_at_once).table
    if table["error"].str.contains("fault of loadlearn").any():
        raise RuntimeError(str(table["error"].tolist()))
    return table.loc[table["error"] == "", "estimated_kg"]


def _learn_at_once(trace: pd.DataFrame, the_rig: Rig) -> pd.DataFrame:
    return LoadEstimator(the_rig).run(trace, prepare=False)


@cache
def _finished() -> Path:
    from loadlearn.commands.estimate import run_estimate

    place = Path(tempfile.mkdtemp(prefix="fuzz-report-"))
    drive().to_csv(place / "log.csv", index=False)
    run_estimate(place / "log.csv", RIGS / "utility_boat.toml", place / "out", figure=False)
    return place / "out"


def report_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """An output folder of which one file was changed."""
    out = folder / "out"
    shutil.rmtree(out, ignore_errors=True)
    shutil.copytree(_finished(), out)
    path = out / str(rng.choice(sorted(one.name for one in out.iterdir())))
    if path.suffix == ".json" and rng.random() < 0.6:
        table = mutated_table(rng, json.loads(path.read_text()))
        path.write_text(json.dumps(table, default=str))
    elif path.suffix == ".csv":
        path.write_text(mutated_cells(rng, path.read_text()), errors="surrogateescape")
    else:
        path.write_bytes(mutated_bytes(rng, path.read_bytes()))
    if rng.random() < 0.2:
        path.unlink()
    build_page(out)
    return []


def road_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """A road, in TOML or CSV."""
    if rng.random() < 0.5:
        path = folder / "road.toml"
        names = sorted(one.name for one in ROADS.glob("*.toml"))
        path.write_bytes(mutated_text(rng, (ROADS / str(rng.choice(names))).read_text()))
    else:
        path = folder / "road.csv"
        rows = "".join(f"{100 * i},{300 + i % 7},sealed,80\n" for i in range(40))
        text = "distance_m,altitude_m,ground,speed_limit_km_h\n" + rows
        path.write_bytes(mutated_cells(rng, text).encode("utf-8", "surrogatepass"))
    road = read_road(path)
    return [float(np.sum(road.grade_percent)), float(road.distance_m[-1])]


def dyno_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """A sheet of a wheel dyno."""
    rows = "".join(f"{0.5 * i},{1500 + 30 * i},{3000 + i},{20 + 0.1 * i}\n" for i in range(60))
    text = "time_s,engine_speed_rpm,tractive_force_n,speed_m_s\n" + rows
    path = folder / "sheet.csv"
    path.write_bytes(mutated_cells(rng, text).encode("utf-8", "surrogatepass"))
    if rng.random() < 0.3:
        path.write_bytes(mutated_bytes(rng, text.encode()))
    read_runs(str(path))
    return []


def strategy_case(rng: np.random.Generator, folder: Path) -> Iterable[float]:
    """A strategy file."""
    path = folder / "strategy.toml"
    if not (folder / "good.toml").exists():
        write_strategy(_strategy(), folder / "good.toml")
    path.write_bytes(mutated_text(rng, (folder / "good.toml").read_text()))
    read_strategy(path)
    return []


CASES: dict[str, tuple[Callable[[np.random.Generator, Path], Iterable[float]], float]] = {
    "log": (log_case, 0.22),
    "DataFrame": (frame_case, 0.10),
    "channel map": (channel_map_case, 0.08),
    "rig": (rig_case, 0.20),
    "samples to the estimator": (estimator_case, 0.12),
    "samples to the adviser": (adviser_case, 0.08),
    "manifest": (manifest_case, 0.05),
    "output folder": (report_case, 0.02),
    "road": (road_case, 0.05),
    "dyno sheet": (dyno_case, 0.04),
    "strategy": (strategy_case, 0.04),
}
"""What is mutated, and its share of the cases."""


def one_case(kind: str, seed: int, folder: Path) -> dict[str, Any]:
    """Mutate one input, send it in, and name what came back."""
    rng = np.random.default_rng([seed, list(CASES).index(kind)])
    said = ""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            values = list(CASES[kind][0](rng, folder))
        outcome = ANSWERED if all(math.isfinite(value) for value in values) else NOT_FINITE
        said = "" if outcome == ANSWERED else str(values)
    except InputError as error:
        outcome, said = REFUSED, str(error)
        if "\n" in said or not said:
            outcome = FAULT
    except Exception as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(place.filename).name}:{place.lineno}"
        outcome, said = FAULT, f"{type(error).__name__} at {where}: {error}"
    return {"input": kind, "seed": seed, "outcome": outcome, "said": said[:300]}


def many_cases(kind: str, first: int, count: int) -> list[dict[str, Any]]:
    """Consecutive seeds of one kind, in a folder of their own."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as place:
        return [one_case(kind, seed, Path(place)) for seed in range(first, first + count)]


def counted(rows: pd.DataFrame) -> pd.DataFrame:
    """How many of each kind ended how."""
    table = pd.crosstab(rows["input"], rows["outcome"])
    table = table.reindex(columns=[ANSWERED, REFUSED, FAULT, NOT_FINITE], fill_value=0)
    table.loc["all"] = table.sum()
    return table.rename_axis(index="input", columns=None).reset_index()


def draw(table: pd.DataFrame) -> Any:
    """Bars of outcomes by kind."""
    picture = style.new_figure(8.0, 1.0 + 0.35 * len(table))
    axis = picture.subplots()
    here, left = table[table["input"] != "all"], np.zeros(len(table) - 1)
    colours = (style.BLUISH_GREEN, style.SKY_BLUE, style.VERMILION, style.ORANGE)
    for name, colour in zip(table.columns[1:], colours, strict=True):
        axis.barh(here["input"], here[name], left=left, color=colour, label=name)
        left = left + here[name].to_numpy()
    style.tidy(axis, "cases (1)", "")
    style.small_legend(axis, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=4)
    return picture


def main() -> int:
    """Run, print and draw; exit status 1 where anything was found."""
    made = harness.parser(__doc__, seeds=20_000, quick_seeds=120)
    made.add_argument("--first-seed", type=int, default=0, help="seed of the first case")
    made.add_argument("--inputs", nargs="+", choices=list(CASES), default=None, metavar="INPUT")
    chosen = harness.parse(made)
    kinds = chosen.inputs or list(CASES)
    shares = sum(CASES[kind][1] for kind in kinds)
    tasks = []
    for kind in kinds:
        left, first = max(1, round(chosen.seeds * CASES[kind][1] / shares)), chosen.first_seed
        while left > 0:
            tasks.append((kind, first, min(left, 200)))
            left, first = left - 200, first + 200
    rows = pd.DataFrame(harness.run(many_cases, tasks, chosen, label="batches"))
    table = counted(rows)
    bad = rows[rows["outcome"].isin([FAULT, NOT_FINITE])]
    harness.write(chosen, "fuzz_inputs", table, draw(table), details=bad, digits=0)
    for _, one in bad.drop_duplicates("said").head(40).iterrows():
        print(f"{one['input']}, seed {one['seed']}: {one['outcome']}: {one['said'][:200]!r}")
    return int(len(bad) > 0)


if __name__ == "__main__":
    sys.exit(main())
