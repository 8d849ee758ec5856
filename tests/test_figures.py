"""Figures: every axis has its unit, what is known is drawn, the same input gives the same bytes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from result_bench import MadeResult, make_result
from scipy import stats

from loadlearn.errors import InputError
from loadlearn.figures import draw_estimates, read_truth, save
from loadlearn.figures.bands import NORMAL_95, band_95, settled_range
from loadlearn.figures.draw_validation import draw_validation
from loadlearn.figures.style import ground_colours
from loadlearn.study.validation import Trajectory, Validation


def test_estimates_name_quantity_and_unit_on_every_axis(made_result: MadeResult) -> None:
    made = made_result
    figure = draw_estimates(made.prepared, made.history, made.summary, made.truth)
    labels = [axes.get_ylabel().replace("\n", " ") for axes in figure.axes]
    assert labels == [
        "speed (km/h)",
        "grade (%)",
        "force at the tread (kN)",
        "combined mass (t)",
        "rolling resistance at 20 m/s (–)",
        "drag area (m²)",
        "ground",
    ]
    assert figure.axes[-1].get_xlabel() == "time (min)"
    mass = figure.axes[3]
    assert {text.get_text() for text in mass.get_legend().get_texts()} == {
        "95 % band",
        "estimate",
        "truth",
    }
    below = {text.get_text() for text in figure.legends[0].get_texts()}
    assert {"ground: sealed", "ground: gravel", "set aside: service or engine brake"} <= below
    headline = figure.get_suptitle()
    assert "trailer" in headline and "coast-down" in headline


def test_estimates_say_when_they_are_not_to_be_trusted(made_result: MadeResult) -> None:
    made = made_result
    summary = {**made.summary, "trust": {"ok": False, "reasons": ["the road was level"]}}
    figure = draw_estimates(made.prepared, made.history, summary)
    assert "NOT TO BE TRUSTED: the road was level" in figure.get_suptitle()


def test_a_drive_without_grade_or_force_is_drawn(made_result: MadeResult) -> None:
    made = made_result
    bare = made.prepared[["time_s", "speed_m_s"]]
    figure = draw_estimates(
        bare, made.history.drop(columns="tractive_force_n", errors="ignore"), made.summary
    )
    assert [text.get_text() for text in figure.axes[1].texts] == ["not known"]


def test_grade_is_drawn_from_altitude_when_only_that_is_logged(made_result: MadeResult) -> None:
    made = made_result
    bare = made.prepared[["time_s", "speed_m_s", "altitude_m"]]
    figure = draw_estimates(bare, made.history, made.summary)
    line = figure.axes[1].lines[0]
    drawn = np.interp(made.prepared["time_s"], line.get_xdata() * 60.0, line.get_ydata())
    moving = made.prepared["speed_m_s"] > 5.0
    assert np.nanmedian(np.abs(drawn - made.prepared["grade_percent"])[moving]) < 0.2


def test_the_same_result_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.png", "b.png"):
        made = make_result(120.0)
        save(draw_estimates(made.prepared, made.history, made.summary), tmp_path / name)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_bands_come_from_quantiles_else_from_the_sd() -> None:
    table = pd.DataFrame({"mass_kg": [100.0], "mass_sd_kg": [10.0]})
    low, high = band_95(table, "mass_kg")  # type: ignore[misc]
    half = 10.0 * stats.norm.ppf(0.975)
    assert (low[0], high[0]) == pytest.approx((100.0 - half, 100.0 + half))
    assert pytest.approx(stats.norm.ppf(0.975), abs=1e-15) == NORMAL_95
    table["mass_low95_kg"], table["mass_high95_kg"] = 85.0, 130.0
    low, high = band_95(table, "mass_kg")  # type: ignore[misc]
    assert (low[0], high[0]) == (85.0, 130.0)
    assert band_95(table, "drag_area_m2") is None
    assert settled_range(table, "drag_area_m2") is None


def test_truth_file_needs_time(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("mass_kg\n5200\n")
    with pytest.raises(InputError, match="time_s"):
        read_truth(tmp_path / "t.csv")
    with pytest.raises(InputError, match="cannot be read"):
        read_truth(tmp_path / "none.csv")


def test_grounds_never_share_a_colour() -> None:
    names = ["sealed", "gravel", "earth", "sand", "soft_sand", "snow", "mud", "ice"]
    colours = ground_colours(names)
    assert list(colours) == names
    assert len(set(colours.values())) == len(names)


@pytest.mark.parametrize("drives", [1, 5, 40])
def test_validation_draws_four_panels(drives: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    z = rng.normal(size=drives)
    weighed = rng.uniform(3000.0, 6500.0, drives)
    estimated = weighed + 60.0 * z
    table = pd.DataFrame(
        {
            "log": "drive.csv",
            "group": np.where(np.arange(drives) % 2 == 0, "utility", "wagon"),
            "mass_kg": weighed,
            "estimated_kg": estimated,
            "low95_kg": estimated - 118.0,
            "high95_kg": estimated + 118.0,
            "z": z,
            "error": "",
        }
    )
    time = np.linspace(0.0, 1800.0, 100)
    lines = [Trajectory("utility", time, 10.0 * np.exp(-time / 300.0) * one) for one in z]
    figure = draw_validation(Validation(table, {}, lines))
    assert [axes.get_ylabel() for axes in figure.axes] == [
        "error of the combined mass (%)",
        "estimated combined mass (t)",
        "weighed mass inside it (% of rows)",
        "estimated − weighed (kg)",
    ]
    save(figure, tmp_path / "v.png")
    assert (tmp_path / "v.png").stat().st_size > 10_000
