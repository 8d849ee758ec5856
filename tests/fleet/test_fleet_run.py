"""A fleet in one process: what is judged, kept, left out and merged."""

from __future__ import annotations

import json
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from drive_bench import MASS_KG
from fleet_bench import write_fleet, write_log, write_manifest
from typer.testing import CliRunner

from loadlearn import estimate
from loadlearn.cli import app
from loadlearn.errors import InputError
from loadlearn.fleet import fleet_run, one_drive
from loadlearn.fleet.fleet_run import run_fleet
from loadlearn.study.columns_of_fleet import COLUMNS
from loadlearn.study.validation import validate_manifest


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five drives of two vehicles, judged; one has a name that is awkward in a path."""
    folder = tmp_path_factory.mktemp("fleet")
    rows: list[dict[str, object]] = []
    for number in range(5):
        write_log(folder / f"{number}.csv", number)
        rows.append(
            {
                "log": f"{number}.csv",
                "vehicle": "007" if number % 2 else "crew/two & <b>",
                "mass_kg": MASS_KG if number < 2 else "",
                "start": f"2030-02-0{9 - number}T08:00:00+01:00",
            }
        )
    (folder / "broken.csv").write_text("time_s,speed_m_s\n1,none\n")
    rows += [
        {"log": "broken.csv", "vehicle": "007", "start": "2030-02-01"},
        {"log": "absent.csv", "vehicle": "007", "start": "2030-02-01"},
        {"log": "0.csv", "vehicle": "crew/two & <b>", "start": "2030-03-01"},
    ]
    manifest = write_manifest(folder / "fleet.csv", rows)
    run_fleet(manifest, folder / "out", estimates=True)
    return folder


def judged_in(manifest: Path, out: Path, **options: object) -> tuple[int, int]:
    done = run_fleet(manifest, out, force=True, **options)  # type: ignore[arg-type]
    return done.judged, done.kept


def test_one_row_per_drive_with_what_a_single_run_says(made: Path) -> None:
    table = pd.read_parquet(made / "out" / "dataset")
    assert sorted(table["log"]) == ["0.csv", "1.csv", "2.csv", "3.csv", "4.csv"]
    assert table["key"].is_unique
    row = table.set_index("log").loc["3.csv"]
    alone = estimate(made / "3.csv", made / "rig.toml").attrs["summary"]
    for name, key in (("mass_kg", "mean"), ("mass_sd_kg", "sd")):
        assert row[name] == alone["mass_kg"][key]
    assert row["trusted"] == alone["trust"]["ok"]
    assert list(row["not_trusted_because"]) == alone["trust"]["reasons"]
    assert row["duration_s"] == pytest.approx(149.9) and row["start"].hour == 7


def test_weighed_drives_are_judged_as_validate_judges_them(made: Path, tmp_path: Path) -> None:
    rows: list[dict[str, object]] = [
        {"log": str(made / f"{n}.csv"), "mass_kg": MASS_KG} for n in (0, 1)
    ]
    judged = validate_manifest(write_manifest(tmp_path / "m.csv", rows)).table
    table = pd.read_parquet(made / "out" / "dataset").set_index("log").loc[["0.csv", "1.csv"]]
    for name in ("error_percent", "z", "inside95"):
        assert table[name].astype(float).tolist() == pytest.approx(judged[name].astype(float))
    told = json.loads((made / "out" / "fleet.json").read_text())["weighed"]
    assert told["n"] == 2
    assert told["rmse_percent"] == pytest.approx(np.sqrt(np.mean(judged["error_percent"] ** 2)))
    assert told["coverage95"] == judged["inside95"].mean()


def test_drives_of_a_vehicle_stand_in_the_order_they_were_driven(made: Path) -> None:
    place = made / "out" / "dataset" / "vehicle=crew%2Ftwo%20%26%20%3Cb%3E" / "part-0.parquet"
    assert pd.read_parquet(place)["log"].tolist() == ["4.csv", "2.csv", "0.csv"]


def test_what_failed_or_repeats_is_told_with_its_line(made: Path) -> None:
    left = pd.read_csv(made / "out" / "left_out.csv").set_index("line")
    assert left["what"].to_dict() == {7: "failed", 8: "failed", 9: "repeated"}
    assert left.loc[7, "because"].startswith("broken.csv: ")
    assert left.loc[8, "because"].startswith("absent.csv: no such file")
    assert left.loc[9, "because"] == "the same drive as line 2"
    assert str(made) not in (made / "out" / "left_out.csv").read_text()


@pytest.mark.parametrize("reader", ["pandas", "pyarrow", "polars", "duckdb"])
def test_the_data_set_is_read_by(made: Path, reader: str) -> None:
    library = pytest.importorskip(reader)
    place = made / "out" / "dataset"
    if reader == "pandas":
        names = set(library.read_parquet(place)["vehicle"].astype(str))
        columns = set(library.read_parquet(place).columns)
    elif reader == "pyarrow":
        from pyarrow import dataset

        table = dataset.dataset(place, partitioning="hive").to_table()
        names, columns = set(table["vehicle"].to_pylist()), set(table.column_names)
    elif reader == "polars":
        table = library.read_parquet(place, hive_partitioning=True)
        names, columns = set(table["vehicle"].cast(str)), set(table.columns)
    else:
        found = library.sql(f"select * from read_parquet('{place}/*/*', hive_partitioning=true)")
        names = {str(row[found.columns.index("vehicle")]) for row in found.fetchall()}
        columns = set(found.columns)
    assert names == {"crew/two & <b>", "007"}
    assert columns == {*COLUMNS, "vehicle"}


def test_estimates_over_time_where_asked(made: Path) -> None:
    table = pd.read_parquet(made / "out" / "dataset").set_index("key")
    files = sorted((made / "out" / "estimates").rglob("*.parquet"))
    assert {file.stem for file in files} == set(table.index)
    history = pd.read_parquet(files[0])
    assert history["mass_kg"].iloc[-1] == table.loc[files[0].stem, "mass_kg"]


def test_run_again_nothing_is_judged_again_and_the_outputs_are_the_same(
    made: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(made / "out" / "work", out / "work")
    # What could not be fetched is tried again; what cannot be read is not.
    assert judged_in(made / "fleet.csv", out, estimates=True) == (1, 7)
    for name in ("fleet.json", "fleet.html", "left_out.csv"):
        assert (out / name).read_bytes() == (made / "out" / name).read_bytes()
    for file in (made / "out" / "dataset").rglob("*.parquet"):
        again = out / "dataset" / file.relative_to(made / "out" / "dataset")
        assert again.read_bytes() == file.read_bytes()


def test_it_does_not_depend_on_the_workers(made: Path, tmp_path: Path) -> None:
    run_fleet(made / "fleet.csv", tmp_path / "out", jobs=2)
    ours, others = (pd.read_parquet(place / "out" / "dataset") for place in (made, tmp_path))
    # A process that compiles the kernels rounds other last bits than one that finds them compiled.
    pd.testing.assert_frame_equal(ours, others, rtol=1e-9)
    left = [(place / "out" / "left_out.csv").read_bytes() for place in (made, tmp_path)]
    assert left[0] == left[1]


def test_only_what_changed_is_judged_again(tmp_path: Path) -> None:
    manifest, out = write_fleet(tmp_path, 3, duration_s=60.0), tmp_path / "out"
    run_fleet(manifest, out)
    write_log(tmp_path / "drive-1.csv", 77, 60.0)  # another drive under the same name
    assert judged_in(manifest, out) == (1, 2)
    assert judged_in(manifest, out) == (0, 3)
    # A file that is no longer readable is made again: all of it is in its name.
    table = pd.read_parquet(out / "dataset").set_index("log")
    kept = next(
        file
        for file in (out / "work" / "results").rglob("*.json")
        if json.loads(file.read_text())["key"] == table.loc["drive-2.csv", "key"]
    )
    kept.write_text(kept.read_text()[:100])
    assert judged_in(manifest, out) == (1, 2)
    # Another rig: another result. A comment in its file: the same.
    rig = tmp_path / "rig.toml"
    rig.write_text(rig.read_text() + "# a word\n")
    assert judged_in(manifest, out) == (0, 3)
    rig.write_text(rig.read_text().replace("2700.0", "2750.0"))
    assert judged_in(manifest, out) == (3, 0)


def test_what_is_asked_for_later_is_added(tmp_path: Path) -> None:
    manifest, out = write_fleet(tmp_path, 2, duration_s=60.0), tmp_path / "out"
    run_fleet(manifest, out)
    assert judged_in(manifest, out, estimates=True) == (2, 0)
    assert len(list((out / "estimates").rglob("*.parquet"))) == 2
    run_fleet(manifest, out, force=True)
    assert not (out / "estimates").exists()  # not left over from a run with other options


def test_earlier_outputs_are_not_replaced_unasked(made: Path) -> None:
    before = (made / "out" / "fleet.json").read_bytes()
    with pytest.raises(InputError, match="already exists"):
        run_fleet(made / "fleet.csv", made / "out")
    assert (made / "out" / "fleet.json").read_bytes() == before


def test_a_fault_of_ours_costs_one_drive_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    manifest = write_fleet(tmp_path, 3, duration_s=60.0)
    right = one_drive._judged

    def wrong(task: one_drive.DriveTask, *rest: object) -> one_drive.DriveOutcome:
        if task.row.log_name == "drive-1.csv":
            raise ZeroDivisionError("by nothing")
        return right(task, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(one_drive, "_judged", wrong)
    done = run_fleet(manifest, tmp_path / "out")
    assert (done.overview.drives, done.overview.failed) == (2, 1)
    because = pd.read_csv(tmp_path / "out" / "left_out.csv")["because"][0]
    assert because == ("drive-1.csv: a fault of loadlearn itself (ZeroDivisionError: by nothing)")
    monkeypatch.undo()  # mended: tried again
    assert judged_in(manifest, tmp_path / "out") == (1, 2)


def test_a_worker_with_another_package_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    manifest = write_fleet(tmp_path, 1, duration_s=60.0)
    monkeypatch.setattr(one_drive, "package_version", lambda: "0.0.9+feed")
    with pytest.raises(InputError, match=r"a worker has loadlearn 0\.0\.9\+feed, this is"):
        run_fleet(manifest, tmp_path / "out")
    assert not (tmp_path / "out" / "fleet.json").exists()


@pytest.mark.parametrize(
    ("header", "row", "match"),
    [
        ("log,rig", "a.csv,r.toml", "has no column 'vehicle'"),
        ("log,rig,vehicle", "a.csv,r.toml,", "line 2: 'vehicle' is empty"),
        ("log,rig,vehicle", ",r.toml,a", "line 2: 'log' is empty"),
        ("log,rig,vehicle,mass_kg", "a.csv,r.toml,a,-1", "'mass_kg' is '-1'"),
        ("log,rig,vehicle,start", "a.csv,r.toml,a,soon", "'start' is 'soon'"),
        ("log,rig,vehicle,baseline", "a.csv,r.toml,a,yes", "'baseline' is 'yes'"),
        ("log,rig,vehicle", "a.csv,r.toml,a,b", "line 2: has 4 fields"),
        ("log,rig,vehicle", "", "has a header but no rows"),
    ],
)
def test_a_manifest_that_cannot_be_used(tmp_path: Path, header: str, row: str, match: str) -> None:
    (tmp_path / "m.csv").write_text(f"{header}\n{row}\n")
    done = CliRunner().invoke(
        app, ["fleet", str(tmp_path / "m.csv"), "--out", str(tmp_path / "out")]
    )
    assert done.exit_code == 2
    assert match in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_rig_that_cannot_be_used_leaves_out_its_drives(tmp_path: Path) -> None:
    manifest = write_fleet(tmp_path, 2, duration_s=60.0)
    manifest.write_text(manifest.read_text() + "none.toml,drive-0.csv,crew 0\n")
    done = CliRunner().invoke(app, ["fleet", str(manifest), "--out", str(tmp_path / "out")])
    assert done.exit_code == 1  # written, but a log failed
    assert "no such rig file" in (tmp_path / "out" / "left_out.csv").read_text()
    assert len(pd.read_parquet(tmp_path / "out" / "dataset")) == 2


def test_no_scheduler_there_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("loadlearn.runner.ANSWERS_WITHIN_S", 0.5)
    manifest = write_fleet(tmp_path, 1, duration_s=60.0)
    with pytest.raises(InputError, match="does not answer"):
        run_fleet(manifest, tmp_path / "out", scheduler="tcp://127.0.0.1:9")


# ---------------------------------------------------------------------- logs that lie elsewhere


def elsewhere(tmp_path: Path, addresses: list[str]) -> pd.DataFrame:
    rows: list[dict[str, object]] = [{"log": one, "vehicle": "a"} for one in addresses]
    run_fleet(write_manifest(tmp_path / "m.csv", rows), tmp_path / "out")
    return pd.read_parquet(tmp_path / "out" / "dataset").set_index("log")


def test_logs_in_an_object_store(tmp_path: Path) -> None:
    fsspec = pytest.importorskip("fsspec")
    write_log(tmp_path / "drive.csv", 3, 60.0)
    store = fsspec.filesystem("memory")
    store.pipe_file("/logs/drive.csv", (tmp_path / "drive.csv").read_bytes())
    store.pipe_file("/logs/words.csv", b"time_s,speed_m_s\n1,none\n")
    rows: list[dict[str, object]] = [
        {"log": f"memory://logs/{name}.csv", "vehicle": "a"} for name in ("drive", "words", "none")
    ]
    rows.append({"log": "nowhere://logs/drive.csv", "vehicle": "a"})
    manifest, out = write_manifest(tmp_path / "m.csv", rows), tmp_path / "out"
    run_fleet(manifest, out)
    table = pd.read_parquet(out / "dataset").set_index("log")
    alone = estimate(tmp_path / "drive.csv", tmp_path / "rig.toml").attrs["summary"]
    assert table.loc["memory://logs/drive.csv", "mass_kg"] == alone["mass_kg"]["mean"]
    because = pd.read_csv(out / "left_out.csv").set_index("line")["because"]
    assert because[3].startswith("memory://logs/words.csv: ")  # by its address, no temporary name
    assert "no such file" in because[4] and "cannot be fetched" in because[5]
    # Replaced in the store: judged again.
    write_log(tmp_path / "other.csv", 4, 60.0)
    store.pipe_file("/logs/drive.csv", (tmp_path / "other.csv").read_bytes())
    run_fleet(manifest, out, force=True)
    again = pd.read_parquet(out / "dataset").set_index("log")
    assert (again["key"] != table["key"]).all()


def test_logs_through_a_chain_of_file_systems(tmp_path: Path) -> None:
    pytest.importorskip("fsspec")
    write_log(tmp_path / "drive.csv", 3, 60.0)
    shutil.make_archive(str(tmp_path / "logs"), "zip", tmp_path, "drive.csv")
    table = elsewhere(
        tmp_path,
        [
            f"simplecache::file://{tmp_path}/drive.csv",
            f"zip://drive.csv::file://{tmp_path}/logs.zip",
        ],
    )
    assert len(table) == 1  # the same bytes: the same drive


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """The folder behind a web server of this machine."""

    class Quiet(SimpleHTTPRequestHandler):
        def log_message(self, *words: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder)))
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def test_logs_behind_a_web_server(tmp_path: Path) -> None:
    pytest.importorskip("fsspec")
    pytest.importorskip("aiohttp")
    write_log(tmp_path / "drive.csv", 3, 60.0)
    with served(tmp_path) as address:
        table = elsewhere(tmp_path, [f"{address}/drive.csv", f"{address}/none.csv"])
    assert table.index.tolist() == [f"{address}/drive.csv"]
    assert "no such file" in (tmp_path / "out" / "left_out.csv").read_text()


# ------------------------------------------------------------------------------------- memory


def test_memory_does_not_grow_with_the_number_of_logs(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """This process's part alone, drives of made-up results; vehicles grow with the logs."""
    import tracemalloc

    row = json.loads(next((made / "out" / "work" / "results").rglob("*.json")).read_text())
    row |= {"mass_kg": 5000.0, "trusted": True, "duration_s": 1.0, "distance_m": 1.0}
    row |= {"mass_low95_kg": 4900.0, "mass_high95_kg": 5100.0, "not_trusted_because": []}
    row |= {"mass_sd_kg": 50.0, "probability_over_gcm": 0.0, "warnings": []}
    row.pop("error", None)

    def judged(task: one_drive.DriveTask) -> one_drive.DriveOutcome:
        return one_drive.DriveOutcome("s", task.row.log_name, row=dict(row))

    monkeypatch.setattr(fleet_run, "judge_drive", judged)
    monkeypatch.setattr("os.fsync", lambda number: None)
    peaks = []
    for count in (20, 300, 600, 900):
        folder = tmp_path / str(count)
        folder.mkdir()
        rows: list[dict[str, object]] = [
            {"log": f"{number}.csv", "vehicle": str(number // 10)} for number in range(count)
        ]
        manifest = write_manifest(folder / "m.csv", rows)
        tracemalloc.start()
        done = run_fleet(manifest, folder / "out")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert done.overview.drives == count
    # A table of the interpreter's own may double on the way, once; growth would show each time.
    grown = np.diff(peaks[1:])
    assert grown.min() < 300 * 500  # bytes; a row of the data set alone holds 2 kB
