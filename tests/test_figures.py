"""Figures: every axis has its unit, what is known is drawn, the same input gives the same bytes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from result_bench import MadeResult, make_result
from scipy import stats

from loadlearn.errors import InputError
from loadlearn.figures import draw_estimates, read_truth, save
from loadlearn.figures.bands import NORMAL_95, band_95, band_95_given_scale, settled_range
from loadlearn.figures.draw_validation import draw_validation
from loadlearn.figures.envelope import MOST_BINS, band_envelope, line_envelope
from loadlearn.figures.style import ground_colours
from loadlearn.study.validation import Trajectory, Validation


def panel(figure: Figure, label: str, place: int = 1) -> Axes:
    """The axes of a quantity: of the start (0) or of the whole drive (1)."""
    labels = [axes.get_ylabel().replace("\n", " ") for axes in figure.axes]
    axes = figure.axes[labels.index(label) + place]
    assert isinstance(axes, Axes)
    return axes


def words(legend: Legend) -> list[str]:
    return [text.get_text() for text in legend.get_texts()]


@pytest.mark.parametrize("wide", [False, True])
def test_estimates_name_quantity_and_unit_on_every_axis(
    made_result: MadeResult, wide: bool
) -> None:
    made = made_result
    truth = made.truth.assign(surface=made.history["surface"])
    figure = draw_estimates(made.prepared, made.history, made.summary, truth, wide=wide)
    labels = {axes.get_ylabel().replace("\n", " ") for axes in figure.axes} - {""}
    assert labels == {
        "speed (km/h)",
        "grade (%)",
        "force at the tread (kN)",
        "set aside",
        "combined mass (t)",
        "rolling resistance at 20 m/s (–)",
        "drag area (m²)",
        "ground believed (–)",
        "true",
        *("resistance (–)", "mass (t)", "believed (–)"),
    }
    assert {axes.get_xlabel() for axes in figure.axes} - {""} == {
        "from the start (s)",
        "time (min)",
        "from the change of ground (s)",
    }
    ratio = figure.get_figwidth() / figure.get_figheight()
    assert ratio == pytest.approx(16 / 9, rel=0.01) if wide else ratio < 1.0
    assert {
        *("95 % in all", "95 %, were the scale of the force exact", "estimate", "truth"),
        *("ground: sealed", "ground: gravel"),
    } <= set(words(figure.legends[0]))
    rows = [text.get_text() for text in panel(figure, "set aside", 0).get_yticklabels()]
    assert rows == ["standing", "braking", "shifting"]
    assert "trailer" in figure.get_suptitle() and "coast-down" in figure.get_suptitle()


def test_the_start_shows_the_prior_and_nothing_of_interest_leaves_an_axis(
    made_result: MadeResult,
) -> None:
    made = made_result
    runaway = made.history.assign(mass_kg=np.linspace(5000.0, 60_000.0, len(made.history)))
    figure = draw_estimates(
        made.prepared, made.history, made.summary, made.truth, ("plain_ekf", runaway)
    )
    low, high = panel(figure, "combined mass (t)", 0).get_ylim()
    prior = made.history.iloc[0]
    assert low <= prior["mass_low95_kg"] / 1e3 and high >= prior["mass_high95_kg"] / 1e3
    later = made.history.iloc[len(made.history) // 20 :]
    for label, name, factor in (
        ("combined mass (t)", "mass_kg", 1e-3),
        ("rolling resistance at 20 m/s (–)", "rolling_resistance", 1.0),
        ("drag area (m²)", "drag_area_m2", 1.0),
    ):
        low, high = panel(figure, label).get_ylim()
        for values in (later[name], made.truth[name]):
            assert low < values.min() * factor and values.max() * factor < high, name
    assert panel(figure, "combined mass (t)").get_ylim()[1] < 4.0 * later["mass_kg"].max() / 1e3
    assert panel(figure, "rolling resistance at 20 m/s (–)").get_yscale() == "log"
    assert "plain ekf" in words(figure.legends[0])


@pytest.mark.parametrize("wide", [False, True])
def test_labels_of_load_changes_collide_with_nothing(made_result: MadeResult, wide: bool) -> None:
    made = made_result
    changes = [
        {"time_s": at, "before_kg": 2700.0, "after_kg": 12_345.0, "probability": 0.98}
        for at in (0.0, 20.0, 400.0, 430.0, 1000.0, 1790.0)
    ]
    summary = {**made.summary, "load_changes": changes}
    figure = draw_estimates(made.prepared, made.history, summary, wide=wide)
    figure.canvas.draw()
    mass = panel(figure, "combined mass (t)")
    boxes = [text.get_window_extent() for text in mass.texts]
    assert len(boxes) == len(changes)
    others = [axes.get_window_extent() for axes in figure.axes]
    others += [figure.legends[0].get_window_extent()]
    for at, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[at + 1 :] + others)
        assert figure.bbox.x0 <= box.x0 and box.x1 <= figure.bbox.x1


@pytest.mark.parametrize("with_truth", [False, True])
def test_a_change_of_ground_is_looked_at_closely(made_result: MadeResult, with_truth: bool) -> None:
    made = made_result
    truth = made.truth.assign(surface=made.history["surface"]) if with_truth else None
    figure = draw_estimates(made.prepared, made.history, made.summary, truth)
    resistance, mass, believed = (
        panel(figure, label, 0) for label in ("resistance (–)", "mass (t)", "believed (–)")
    )
    assert resistance.get_title(loc="left") == (
        "sealed → gravel, 21:00 min" if with_truth else "sealed → gravel, 20:59 min"
    )
    low, high = mass.get_xlim()
    assert -15.0 <= low < -5.0 and 20.0 <= high <= 60.0
    assert resistance.get_yscale() == "log"
    # Seconds from the change: the step of the made resistance is at 0.
    line = resistance.lines[0]
    time, value = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
    step = time[1:][np.diff(value) > 0.005]
    assert step == pytest.approx([0.0], abs=0.2)
    bottom, top = mass.get_ylim()
    inside = made.history["time_s"].between(1250.0, 1290.0)
    assert bottom < made.history["mass_low95_kg"][inside].min() / 1e3
    assert top > made.history["mass_high95_kg"][inside].max() / 1e3
    assert len(believed.collections) >= 2


def test_of_many_changes_of_ground_the_greatest_are_looked_at(made_result: MadeResult) -> None:
    made = made_result
    ends = (300.0, 500.0, 700.0, 900.0, 1100.0, 1799.9)
    level = (0.012, 0.013, 0.024, 0.020, 0.090, 0.080)
    names = ("sealed", "coarse", "gravel", "earth", "sand", "beach")
    part = np.searchsorted(ends, made.history["time_s"])
    part = np.minimum(part, len(ends) - 1)
    history = made.history.assign(rolling_resistance=np.array(level)[part])
    surfaces = [
        {"surface": name, "start_s": start, "end_s": end}
        for name, start, end in zip(names, (0.0, *ends[:-1]), ends, strict=True)
    ]
    figure = draw_estimates(made.prepared, history, {**made.summary, "surfaces": surfaces})
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    # ln 24/13 = 0.61, ln 90/20 = 1.50, ln 24/20 = 0.18; the others are smaller; in order of time.
    assert [one for one in titles if one] == [
        "coarse → gravel, 8:20 min",
        "gravel → earth, 11:40 min",
        "earth → sand, 15:00 min",
    ]
    said = "from the change of ground (s); the 3 greatest of 5"
    assert said in {axes.get_xlabel() for axes in figure.axes}
    calm = {**made.summary, "surfaces": surfaces[:1]}
    plain = draw_estimates(made.prepared, history, calm)
    assert plain.get_figheight() < figure.get_figheight()
    assert not [one for one in plain.axes if one.get_title(loc="left")]


def test_a_stretch_that_taught_nothing_is_shaded(made_result: MadeResult) -> None:
    made = made_result
    summary = {
        **made.summary,
        "not_learnt": [{"start_s": 600.0, "end_s": 900.0, "because": "steady"}],
    }
    figure = draw_estimates(made.prepared, made.history, summary)
    assert "nothing learnt of the mass here" in words(figure.legends[0])
    assert "nothing learnt of the mass here" not in words(
        draw_estimates(made.prepared, made.history, made.summary).legends[0]
    )


def test_long_signals_keep_their_extremes_where_they_are() -> None:
    rng = np.random.default_rng(2)
    time, values = np.arange(100_003) / 10.0, rng.normal(size=100_003)
    values[[777, 50_001]] = 40.0, -60.0
    values[30_000:32_000] = np.nan
    shown, drawn = line_envelope(time, values)
    assert len(shown) <= 2 * MOST_BINS and (np.diff(shown) >= 0.0).all()
    assert shown[np.nanargmax(drawn)] == time[777] and shown[np.nanargmin(drawn)] == time[50_001]
    assert np.isnan(drawn[(shown > 3010.0) & (shown < 3190.0)]).all()
    edges, low, high = band_envelope(time, values, values + 1.0)
    assert np.nanmin(low) == -60.0 and np.nanmax(high) == 41.0 and len(edges) <= MOST_BINS
    short = line_envelope(time[:50], values[:50])
    assert (short[1] == values[:50]).all()


def test_the_band_given_the_scale_is_within_the_band() -> None:
    table = pd.DataFrame(
        {
            "mass_kg": [5000.0, 5000.0],
            "mass_sd_given_scale_kg": [50.0, 900.0],
            "mass_low95_kg": [4800.0, 4800.0],
            "mass_high95_kg": [5200.0, 5300.0],
        }
    )
    low, high = band_95_given_scale(table, "mass_kg")  # type: ignore[misc]
    assert list(low) == pytest.approx([5000.0 - 50.0 * NORMAL_95, 4800.0])
    assert list(high) == pytest.approx([5000.0 + 50.0 * NORMAL_95, 5300.0])
    assert band_95_given_scale(table.assign(drag_area_m2=2.0), "drag_area_m2") is None


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
    assert [text.get_text() for text in panel(figure, "grade (%)").texts] == ["not known"]


def test_grade_is_drawn_from_altitude_when_only_that_is_logged(made_result: MadeResult) -> None:
    made = made_result
    bare = made.prepared[["time_s", "speed_m_s", "altitude_m"]]
    figure = draw_estimates(bare, made.history, made.summary)
    line = panel(figure, "grade (%)").lines[0]
    drawn = np.interp(made.prepared["time_s"], line.get_xdata() * 60.0, line.get_ydata())
    moving = made.prepared["speed_m_s"] > 5.0
    assert np.nanmedian(np.abs(drawn - made.prepared["grade_percent"])[moving]) < 0.2


def test_the_same_result_gives_the_same_bytes(tmp_path: Path) -> None:
    for ending, magic in (("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")):
        for name in ("a", "b"):
            made = make_result(120.0)
            figure = draw_estimates(made.prepared, made.history, made.summary)
            save(figure, tmp_path / f"{name}.{ending}")
        written = (tmp_path / f"a.{ending}").read_bytes()
        assert written == (tmp_path / f"b.{ending}").read_bytes() and written.startswith(magic)


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
        "truth inside it (% of rows)",
        "estimated − weighed (% of their mean)",
    ]
    save(figure, tmp_path / "v.png")
    assert (tmp_path / "v.png").stat().st_size > 10_000
