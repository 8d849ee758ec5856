"""The report: one page from a folder alone, harmless whatever the folder's words are."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from report_bench import STRATEGIES, write_advice, write_comparison, write_estimates
from result_bench import MadeResult, make_result

from loadlearn.commands.report import run_report
from loadlearn.errors import InputError, OutputExistsError
from loadlearn.outputs import write_csv, write_json, write_parquet
from loadlearn.report import build_page
from loadlearn.report.page import MOST_BYTES
from loadlearn.report.report_words import CAUTIONS, plain_summary

HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)>"


@pytest.fixture
def place(tmp_path: Path, made_result: MadeResult) -> Path:
    out = tmp_path / "out"
    out.mkdir()
    write_parquet(out / "estimates.parquet", made_result.history)
    write_parquet(out / "trace.parquet", made_result.prepared)
    write_json(out / "summary.json", made_result.summary)
    return out


class Reader(HTMLParser):
    """Tags with attributes, and the text of the page outside scripts and styles."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._inside = tag

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside not in ("script", "style"):
            self.text += data.replace("\u00a0", " ")


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    return reader


def data_of(page: str, name: str) -> dict[str, Any]:
    found = re.search(rf'<script type="application/json" id="{name}">(.*?)</script>', page, re.S)
    assert found is not None
    return json.loads(found.group(1))


def test_the_answer_comes_first_and_what_it_is_not_next(
    place: Path, made_result: MadeResult
) -> None:
    page = read(build_page(place))
    mass = made_result.summary["mass_kg"]
    headline = (
        f"{mass['mean'] / 1e3:.2f} t in all, with 95 % probability between "
        f"{mass['interval95'][0] / 1e3:.2f} t and {mass['interval95'][1] / 1e3:.2f} t"
    )
    order = [page.text.index(one) for one in (headline, "Combined mass", *CAUTIONS, "Replay")]
    assert order == sorted(order)
    assert "the load changed from 4.70 t to 5.20 t (probability 0.98)" in page.text
    assert "coast-down" in page.text
    assert {tag for tag, _ in page.tags} >= {"button", "input", "select", "canvas", "table"}
    assert "truth" not in page.text.split("Replay")[0].replace("the truth", "")
    write_estimates(place, made_result)
    last = made_result.truth["mass_kg"].iloc[-1]
    text = read(build_page(place)).text
    assert f"truth {last / 1e3:.2f} t" in text
    assert "plain extended Kalman filter 5.74 t" in text


def test_the_page_fetches_nothing(place: Path) -> None:
    page = build_page(place)
    for tag, attributes in read(page).tags:
        for name in ("src", "href"):
            value = attributes.get(name)
            assert value is None or value.startswith("data:"), (tag, value)
    assert "default-src 'none'" in page
    assert 'name="viewport"' in page
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", page)


def test_half_an_hour_at_100_hz_with_all_else_stays_small_enough_to_mail(tmp_path: Path) -> None:
    made = make_result(1800.0, 100.0)
    out = tmp_path / "out"
    write_estimates(out, made)
    write_comparison(out)
    rng = np.random.default_rng(0)
    for name, size in (("comparison_pareto", 400_000), ("comparison_traces", 2_500_000)):
        (out / f"{name}.png").write_bytes(rng.bytes(size))
    page = build_page(out)
    assert len(page.encode()) <= MOST_BYTES == 4_000_000
    assert page.count("data:image/png") == 1
    assert "A picture that would make this page too large lies beside it" in page


def decoded(signal: dict[str, Any], name: str = "first") -> NDArray[np.float64]:
    """Written anew from the format's description, not from the package."""
    codes = np.frombuffer(base64.b64decode(signal[name]), dtype="<u2").astype(float)
    codes[codes == 65535] = np.nan
    return signal["least"] + codes * (signal["greatest"] - signal["least"]) / 65534


def test_the_replay_holds_the_drive(place: Path, made_result: MadeResult) -> None:
    write_estimates(place, made_result)
    replay = data_of(build_page(place), "replay-data")
    (run,) = replay["runs"]
    assert (run["start"], run["end"]) == (0.0, made_result.history["time_s"].iloc[-1])
    starts = np.frombuffer(base64.b64decode(run["time"]), dtype="<u4") / 1e3
    assert len(starts) <= 6000 and starts[0] == 0.0
    size = round((starts[1] - starts[0]) * 10.0)
    signal = run["signals"]["mass_kg"]
    step = (signal["greatest"] - signal["least"]) / 65534
    of = made_result.history
    for name, column, least in (
        *(("first", "mass_kg", None), ("low", "mass_low95_kg", min)),
        ("high", "mass_high95_kg", max),
    ):
        parts = [of[column].to_numpy()[k : k + size] for k in range(0, len(of), size)]
        expected = [part[0] if least is None else least(part) for part in parts]
        np.testing.assert_allclose(decoded(signal, name), expected, atol=0.51 * step)
    # Of a curve both extremes of every bin, in their order; here by plain loops.
    for name in ("speed_m_s", "grade_percent"):
        signal, values = run["signals"][name], made_result.prepared[name].to_numpy()
        step = (signal["greatest"] - signal["least"]) / 65534
        expected = []
        for k in range(0, len(values), size):
            part = values[k : k + size]
            expected += [part[one] for one in sorted((int(part.argmin()), int(part.argmax())))]
        drawn = np.stack((decoded(signal), decoded(signal, "second")), axis=1).ravel()
        np.testing.assert_allclose(drawn, expected, atol=0.51 * step)
    true_m = made_result.prepared["speed_m_s"].sum() * 0.1
    assert decoded(run["signals"]["distance_m"], "second")[-1] == pytest.approx(true_m, rel=1e-3)
    # A force is not known where a sample was set aside.
    force = decoded(run["signals"]["tractive_force_n"])
    unknown = made_result.history["learning"].to_numpy()[: len(force) * size : size] < 0.5
    assert np.isnan(force[unknown[: len(force)]]).mean() > 0.8
    kinds = {one["kind"]: one for one in run["events"]}
    assert kinds["ground"]["time_s"] == pytest.approx(0.7 * 1799.9)
    assert "sealed → gravel" in kinds["ground"]["words"]
    assert kinds["load"]["time_s"] == pytest.approx(0.41 * 1799.9)
    strip = run["strips"]["true_ground"]
    assert [strip["words"][span[2]] for span in strip["spans"]] == ["sealed", "gravel"]


def test_protections_are_events_where_they_take_what_is_wanted(
    place: Path, made_result: MadeResult
) -> None:
    write_advice(place, made_result)
    run = data_of(build_page(place), "replay-data")["runs"][0]
    events = [one for one in run["events"] if one["kind"] == "protection"]
    # Warm-up acts to 300 s, wanted is something from 500 s on.
    assert [one["time_s"] for one in events] == [600.0]
    assert events[0]["words"] == "wanted extra torque is taken by: exhaust gas"
    spans = run["strips"]["protections"]["spans"]
    assert [0.0, 300.0, 0, 0] in spans and [600.0, 640.0, 1, 1] in spans


def test_a_truth_beside_counts_only_for_its_own_log(place: Path, made_result: MadeResult) -> None:
    write_csv(place / "truth.csv", made_result.truth)
    (place / "drive.csv").write_bytes(b"time_s\n0\n")

    def told() -> bool:
        run = data_of(build_page(place), "replay-data")["runs"][0]
        return "true_mass_kg" in run["signals"]

    for digest, known in (("0" * 64, False), (hashlib.sha256(b"time_s\n0\n").hexdigest(), True)):
        log = {"file": "drive.csv", "sha256": digest}
        write_json(place / "provenance.json", {"inputs": {"log": log}})
        assert told() is known


def test_simulated_drives_are_the_median_draw_of_every_strategy(tmp_path: Path) -> None:
    write_comparison(tmp_path)
    page = build_page(tmp_path)
    replay = data_of(page, "replay-data")
    assert [one["name"] for one in replay["runs"]] == [
        f"simulated: {name.replace('_', ' ')}" for name in STRATEGIES
    ]
    for number, run in enumerate(replay["runs"]):
        assert run["simulated"] and run["what"] == f"what {STRATEGIES[number].replace('_', ' ')} is"
        # Draw 1 of the two: 21, 22 and 23 m/s.
        assert decoded(run["signals"]["speed_m_s"])[0] == pytest.approx(21.0 + number)
        climb = [one for one in run["events"] if one["kind"] == "climb"]
        assert climb[0]["time_s"] == pytest.approx(2000.0 / (21.0 + number), abs=1.0)
    assert "mass_kg" in replay["runs"][2]["signals"]
    assert "mass_kg" not in replay["runs"][0]["signals"]
    text = read(page).text
    # Without a drive of its own what was found comes first.
    assert text.index("Every limit was kept in every draw.") < text.index(CAUTIONS[0])
    assert "−3.0 ± 2.0" in text


def test_csv_serves_where_there_is_no_parquet(place: Path, made_result: MadeResult) -> None:
    (place / "estimates.parquet").unlink()
    (place / "trace.parquet").unlink()
    write_csv(place / "estimates.csv", made_result.history)
    run = data_of(build_page(place), "replay-data")["runs"][0]
    strip = run["strips"]["ground"]
    assert strip["words"][strip["spans"][-1][2]] == "gravel"
    assert "speed_m_s" not in run["signals"]


def test_other_commands_results_are_told_in_words(place: Path, made_result: MadeResult) -> None:
    write_advice(place, made_result)
    overall = {"n": 2, "rmse_percent": 1.234, "bias_percent": -0.5, "rms_z": 0.9}
    overall |= {"coverage95": 0.5, "coverage50": None}
    write_json(
        place / "validation.json",
        {"rows": 3, "failed": 1, "groups": {"utility_rigs": overall}, "overall": overall},
    )
    table = pd.DataFrame(
        {
            "log": ["far/away/one.csv", "two.csv"],
            "mass_kg": [5000.0, 4000.0],
            "estimated_kg": [5100.0, np.nan],
            "sd_kg": [80.0, np.nan],
            "error_percent": [2.0, np.nan],
            "inside95": [1, np.nan],
            "error": ["", "two.csv: no such file"],
        }
    )
    write_csv(place / "validation.csv", table)
    (place / "validation.png").write_bytes(b"\x89PNG not really")
    write_csv(place / "dyno.csv", pd.DataFrame({"x": [1]}))  # without its JSON: not complete
    page = build_page(place)
    text = read(page).text
    for said in (
        *("keep 44 %", "economy 45 %", "Extra torque was wanted for 1,300 s", "exhaust gas", "40"),
        *(
            "Rows against weighed masses: 3, of which 1 failed.",
            "weighed mass inside the 95 % interval",
        ),
        *("−0.50", "5,100 ± 80", "+2.0", "two.csv: no such file", "utility rigs"),
    ):
        assert said in text, said
    assert "Wheel-dyno" not in text and "far/away" not in text
    assert 'src="data:image/png;base64,' in page


def test_nothing_is_dumped_raw(place: Path, made_result: MadeResult) -> None:
    """No key of a file and no bare mean, sd or interval95 in what a reader sees."""
    write_estimates(place, made_result)
    write_advice(place, made_result)
    write_comparison(place)
    page = build_page(place)
    # The dictionary of the files is a list of keys, and no dump: it says what each means.
    text, heading, dictionary = read(page).text.partition("What the files' keys and columns mean")
    assert heading and "Combined mass of all that moves" in dictionary
    assert not re.findall(r"\b[a-z]+(?:_[a-z0-9]+)+\b", text.replace("traces.parquet", ""))
    assert "interval95" not in text and "nan" not in text.lower().split()
    labels = [p["title"] + p["unit"] for p in data_of(page, "replay-data")["panels"]]
    assert not [one for one in labels if "_" in one]


def test_words_in_the_folder_are_never_markup(place: Path, made_result: MadeResult) -> None:
    history = made_result.history.assign(surface=HOSTILE, set_aside_because=HOSTILE)
    write_parquet(place / "estimates.parquet", history)
    summary = {
        **made_result.summary,
        "warnings": [HOSTILE],
        "trust": {"ok": False, "reasons": [HOSTILE]},
        "surfaces": [{**made_result.summary["surfaces"][0], "surface": HOSTILE}],
    }
    write_json(place / "summary.json", summary)
    write_advice(place, made_result)
    advice = json.loads((place / "advice.json").read_text())
    advice |= {"warnings": [HOSTILE], "seconds_limited": {HOSTILE: 1.0}, "caution": HOSTILE}
    write_json(place / "advice.json", advice)
    page = build_page(place)
    reader = read(page)
    assert HOSTILE not in page
    assert HOSTILE in reader.text
    assert "onerror" not in {name for _, attributes in reader.tags for name in attributes}
    run = data_of(page, "replay-data")["runs"][0]
    assert run["strips"]["ground"]["words"] == [HOSTILE]


def test_doubt_comes_first(made_result: MadeResult) -> None:
    summary = {
        **made_result.summary,
        "trust": {"ok": False, "reasons": ["the road was level"]},
        "probability_over_gcm": 0.31,
    }
    said = plain_summary(summary, made_result.history)
    assert said[0] == "Do not rely on this result: the road was level."
    assert "The combination rating is exceeded with probability 0.31." in said


def test_known_to_within_5_per_cent_is_of_the_interval_and_to_the_end(
    made_result: MadeResult,
) -> None:
    """From the instant on after which half of the 95 % interval is never wider again."""
    history = made_result.history.copy()
    seconds = history["time_s"] - history["time_s"].iloc[0]
    share = np.where(seconds < 60.0, 0.2, 0.04)
    share[(seconds > 90.0) & (seconds < 120.0)] = 0.06
    history["mass_sd_kg"] = 0.01 * history["mass_kg"]
    history["mass_low95_kg"] = history["mass_kg"] * (1.0 - share)
    history["mass_high95_kg"] = history["mass_kg"] * (1.0 + share)
    told = [one for one in plain_summary(made_result.summary, history) if "within" in one]
    assert told == ["The mass was known to within ± 5 % (95 % probability) from 2.0 minutes on."]
    history.loc[history.index[-1], "mass_high95_kg"] *= 1.2
    assert not any("within" in one for one in plain_summary(made_result.summary, history))


def test_nothing_hitched_is_not_called_a_load(made_result: MadeResult) -> None:
    trailer = {"mean": 40.0, "sd": 120.0, "sd_given_scale": 30.0, "interval95": [-195.0, 275.0]}
    said = plain_summary({**made_result.summary, "trailer_mass_kg": trailer}, made_result.history)
    assert any(
        sentence.startswith("What is hitched cannot be told from nothing") for sentence in said
    )


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("summary.json", "{", "summary.json: cannot be read"),
        ("summary.json", "[]", "not what loadlearn writes"),
        ("summary.json", "{}", "no 'mass_kg'"),
        (
            "summary.json",
            '{"mass_kg": 1, "trailer_mass_kg": 1, "rolling_resistance": 1, '
            '"drag_area_m2": 1, "trust": 1}',
            "summary.json: is not what loadlearn writes",
        ),
        ("estimates.parquet", "x", "estimates.parquet: cannot be read"),
        ("advice.json", '{"at_end": 3}', "advice.json: is not what loadlearn writes"),
        ("dyno.json", "{}", "dyno.json: is not what loadlearn writes"),
        ("condition.json", '{"checks": [1]}', "condition.json: is not what loadlearn writes"),
        ("validation.json", "{}", "validation.json: is not what loadlearn writes"),
        ("schedule.json", '{"axes": []}', "schedule.json: is not what loadlearn writes"),
        ("comparison.json", "{}", "comparison.json: is not what loadlearn writes"),
    ],
)
def test_a_damaged_folder_is_one_sentence(place: Path, name: str, text: str, said: str) -> None:
    (place / name).write_text(text)
    with pytest.raises(InputError, match=said) as caught:
        build_page(place)
    assert "\n" not in str(caught.value)


def test_values_that_are_none_and_rows_out_of_order_are_lived_with(
    place: Path, made_result: MadeResult
) -> None:
    """A page all the same, and not a warning on the way (warnings are errors here)."""
    write_estimates(place, made_result)
    write_advice(place, made_result)
    history = made_result.history.assign(drag_area_m2=np.inf, mass_low95_kg=np.nan)
    write_parquet(place / "estimates.parquet", history.sample(frac=1.0, random_state=0))
    trace = pd.read_parquet(place / "trace.parquet")
    write_parquet(place / "trace.parquet", trace.assign(boost_kpa=np.nan, gear=-np.inf))
    advice = pd.read_csv(place / "advice.csv", low_memory=False).assign(active_limits=np.nan)
    write_csv(place / "advice.csv", advice)
    replay = data_of(build_page(place), "replay-data")
    (run,) = replay["runs"]
    assert "mass_kg" in run["signals"]
    assert not {"drag_area_m2", "boost_kpa", "gear"} & set(run["signals"])
    assert run["start"] == 0.0 and not run["strips"]["protections"]["spans"]
    assert "NaN" not in json.dumps(replay) and "Infinity" not in json.dumps(replay)


def test_an_empty_or_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="holds nothing to report"):
        run_report(tmp_path)
    with pytest.raises(InputError, match="no such folder"):
        run_report(tmp_path / "none")
    assert list(tmp_path.iterdir()) == []


def test_an_earlier_page_is_replaced_only_by_force(place: Path) -> None:
    page = run_report(place)
    first = page.read_bytes()
    with pytest.raises(OutputExistsError):
        run_report(place)
    run_report(place, force=True)
    assert page.read_bytes() == first
