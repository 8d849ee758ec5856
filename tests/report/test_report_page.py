"""The report: one page from a folder alone, harmless whatever the folder's words are."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from result_bench import MadeResult

from loadlearn.commands.report import run_report
from loadlearn.errors import InputError, OutputExistsError
from loadlearn.outputs import write_csv, write_json, write_parquet
from loadlearn.report import build_page
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
            self.text += data


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    return reader


def data_of(page: str, name: str) -> dict[str, object]:
    found = re.search(rf'<script type="application/json" id="{name}">(.*?)</script>', page, re.S)
    assert found is not None
    return json.loads(found.group(1))


def test_the_page_says_what_was_learnt_and_what_it_is_not(place: Path) -> None:
    page = read(build_page(place))
    for caution in CAUTIONS:
        assert caution in page.text
    assert "the whole combination weighs about 5.1" in page.text
    assert "the load changed from 4.70 t to 5.20 t (probability 0.98)" in page.text
    assert "coast-down" in page.text
    assert {tag for tag, _ in page.tags} >= {"button", "input", "select", "svg", "table"}


def test_the_page_fetches_nothing(place: Path) -> None:
    page = build_page(place)
    for tag, attributes in read(page).tags:
        for name in ("src", "href"):
            value = attributes.get(name)
            assert value is None or value.startswith("data:"), (tag, value)
    assert "default-src 'none'" in page
    assert 'name="viewport"' in page
    assert 1_000_000 < len(page) < 4_000_000


def test_the_replay_holds_the_drive(place: Path, made_result: MadeResult) -> None:
    drive = data_of(build_page(place), "drive-data")
    assert drive["time"][0] == 0.0
    assert drive["time"][-1] == pytest.approx(made_result.history["time_s"].iloc[-1])
    assert len(drive["time"]) == len(drive["distance"]) == len(drive["height"]) <= 1500
    assert drive["heightFrom"] == "altitude"
    mass = next(one for one in drive["readouts"] if one["label"] == "combined mass")
    assert mass["values"][-1] == pytest.approx(
        made_result.summary["mass_kg"]["mean"] / 1e3, abs=2e-3
    )
    true_km = made_result.prepared["speed_m_s"].sum() * 0.1 / 1e3
    assert drive["distance"][-1] == pytest.approx(true_km, rel=1e-3)


def test_csv_serves_where_there_is_no_parquet(place: Path, made_result: MadeResult) -> None:
    (place / "estimates.parquet").unlink()
    (place / "trace.parquet").unlink()
    write_csv(place / "estimates.csv", made_result.history)
    drive = data_of(build_page(place), "drive-data")
    assert drive["heightFrom"] == "none"
    assert drive["ground"][-1] == "gravel"


def test_other_commands_results_appear(place: Path, made_result: MadeResult) -> None:
    time = made_result.history["time_s"]
    advice = pd.DataFrame({"time_s": time, "power_retention": 0.5, "reason": "long climb ahead"})
    write_csv(place / "advice.csv", advice)
    write_json(place / "advice.json", {"power_retention": {"mean": 0.5}, "changes": []})
    write_csv(
        place / "comparison.csv", pd.DataFrame({"strategy": ["base"], "climb_time_s": [61.5]})
    )
    rows = [{"strategy": "base", "fuel_kg": 1.25}, {"strategy": "short_pull", "late": True}]
    mixed = {"rows": rows, "empty": {}, "mixed": [1, {"a": [2.5]}], "nothing": None}
    write_json(place / "comparison.json", mixed)
    (place / "comparison.png").write_bytes(b"\x89PNG not really")
    write_csv(place / "dyno.csv", pd.DataFrame({"x": [1]}))  # without its JSON: not complete
    page = build_page(place)
    text = read(page).text
    assert "Settings called for" in text and "The same road under several strategies" in text
    assert "61.5" in text and "1.25" in text and "late" in text and "2.5" in text
    assert "Wheel-dyno" not in text
    assert 'src="data:image/png;base64,' in page
    labels = [one["label"] for one in data_of(page, "drive-data")["readouts"]]
    assert "power retention" in labels
    assert data_of(page, "drive-data")["reason"][0] == "long climb ahead"


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
    write_json(place / "dyno.json", {HOSTILE: [{HOSTILE: HOSTILE}]})
    write_csv(place / "dyno.csv", pd.DataFrame({HOSTILE: [HOSTILE]}))
    page = build_page(place)
    reader = read(page)
    assert HOSTILE not in page
    assert HOSTILE in reader.text
    assert "onerror" not in {name for _, attributes in reader.tags for name in attributes}
    assert data_of(page, "drive-data")["ground"][0] == HOSTILE


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
        ("estimates.parquet", "x", "estimates.parquet: cannot be read"),
    ],
)
def test_a_damaged_folder_is_one_sentence(place: Path, name: str, text: str, said: str) -> None:
    (place / name).write_text(text)
    with pytest.raises(InputError, match=said) as caught:
        build_page(place)
    assert "\n" not in str(caught.value)


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
