"""Calibration: the truth inside what is reported, joined as the literature does, written whole."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from loadlearn.cli import app
from loadlearn.errors import InputError
from loadlearn.estimation import LoadEstimator, prepare
from loadlearn.estimation.calibration import (
    SCALE_SPREAD,
    SPREAD_DRIVES,
    Belief,
    Calibration,
    DriveObservation,
    between_variance,
    calibrate,
    calibrated_text,
    combine,
    extra_torque_time_s,
    interval95,
    observe_drive,
)
from loadlearn.simulation.scenarios import Scenario, scenario, with_scale_sd
from loadlearn.vehicle.rig import Rig

ROOT = Path(__file__).resolve().parents[2]
RIG = ROOT / "synthetic_data" / "rigs" / "utility_boat.toml"
QUANTILE = 0.9


def known_mass(one: Scenario) -> float:
    return float(one.drive.meta["combined_mass_kg"])


@pytest.fixture(scope="module")
def drives() -> list[Scenario]:
    """Three plain drives with one true scale, of three loads."""
    return [
        scenario("utility_10hz", seed, scale_quantile=QUANTILE, duration_s=900.0)
        for seed in (11, 12, 13)
    ]


@pytest.fixture(scope="module")
def wide_rig(drives: list[Scenario]) -> Rig:
    return with_scale_sd(drives[0].rig, 0.03)


@pytest.fixture(scope="module")
def observed(drives: list[Scenario], wide_rig: Rig) -> list[DriveObservation]:
    return [observe_drive(one.drive.log, wide_rig, known_mass(one), 10.0) for one in drives]


@pytest.fixture(scope="module")
def uprated() -> Scenario:
    """A drive with the extra torque in use, of which the log shows 0.6."""
    return scenario(
        "unreported_extra",
        3,
        scale_quantile=QUANTILE,
        duration_s=900.0,
        rig_name="utility_boat",
    )


def belief_of(value: float, sd: float) -> tuple[np.ndarray, np.ndarray]:
    return np.array([value]), np.array([[sd**2]])


# --- on simulated drives -------------------------------------------------------------------------
def test_the_true_scale_is_inside_and_the_sd_shrinks(
    drives: list[Scenario], observed: list[DriveObservation], wide_rig: Rig
) -> None:
    true = drives[0].drive.meta["tractive_scale"]
    sds = []
    for count in (1, 2, 3):
        result = calibrate(observed[:count], wide_rig)
        low, high = interval95(result)
        assert low < true < high
        assert not result.doubts
        sds.append(result.tractive_scale_sd)
    assert wide_rig.uncertainty.tractive_scale_sd > 1.3 * sds[0] > 1.6 * sds[2]
    # The prior's mean, 1, is left for the truth.
    assert abs(result.tractive_scale - true) < abs(1.0 - true) and true > 1.015


def test_a_calibrated_rig_gives_the_mass_of_a_drive_held_out(
    drives: list[Scenario], observed: list[DriveObservation], wide_rig: Rig
) -> None:
    result = calibrate(observed[:2], wide_rig)
    rig = Rig.from_dict(tomllib.loads(calibrated_text(RIG.read_text(encoding="utf-8"), result)))
    held_out = drives[2]
    before = LoadEstimator(wide_rig).run(prepare(held_out.drive.log, wide_rig)).iloc[-1]
    after = LoadEstimator(rig).run(prepare(held_out.drive.log, rig)).iloc[-1]
    assert after["mass_low95_kg"] < known_mass(held_out) < after["mass_high95_kg"]
    assert after["mass_sd_kg"] < 0.75 * before["mass_sd_kg"]


def test_reported_share_is_learnt_and_a_plain_drive_sharpens_it(
    uprated: Scenario, observed: list[DriveObservation], wide_rig: Rig
) -> None:
    one = observe_drive(uprated.drive.log, wide_rig, known_mass(uprated), 10.0)
    assert one.extra_torque_s > 60.0 and one.reported_share is not None
    alone, joined = calibrate([one], wide_rig), calibrate([one, *observed], wide_rig)
    for result in (alone, joined):
        assert result.reported_share is not None and result.reported_share_sd is not None
        assert abs(result.reported_share - 0.6) < 1.96 * result.reported_share_sd
        assert result.reported_share_sd < 0.1 < 0.3
    assert joined.joined.common_sd[1] < alone.joined.common_sd[1]
    # The errors of scale and share go together: that is why they are joined as one vector.
    assert one.covariance[0, 1] / math.sqrt(one.covariance[0, 0] * one.covariance[1, 1]) > 0.5


def test_without_a_prior_of_its_own_the_share_does_not_depend_on_the_rigs_belief(
    uprated: Scenario, wide_rig: Rig
) -> None:
    """Taking the rig's belief out of the posterior leaves what the drive says, nearly."""
    table = wide_rig.model_dump(exclude_none=True)
    table["engine"]["uprated"]["reported_share"] = 0.8
    other = Rig.from_dict(table)
    shares = []
    for rig in (wide_rig, other):
        share = observe_drive(uprated.drive.log, rig, known_mass(uprated)).reported_share
        assert share is not None
        shares.append(share.mean)
    assert shares[0] == pytest.approx(shares[1], abs=0.02)  # the rigs differ by 0.2


def test_a_wide_scale_is_no_reason_for_distrust(drives: list[Scenario]) -> None:
    rig = with_scale_sd(drives[0].rig, 0.2)
    history = LoadEstimator(rig).run(prepare(drives[0].drive.log, rig))
    assert not history.attrs["summary"]["trust"]["ok"]  # the mass is known to 20 % only
    one = observe_drive(drives[0].drive.log, rig, known_mass(drives[0]))
    assert one.doubts == ()


# --- joining -------------------------------------------------------------------------------------
def test_between_variance_of_a_case_worked_by_hand() -> None:
    """Values 0, 2, 4 with variance 1: Q = 8, c = 3 - 1 = 2, tau^2 = (8 - 2) / 2 = 3."""
    assert between_variance([(np.array([0.0, 2.0, 4.0]), np.ones(3))]) == pytest.approx(3.0)
    assert between_variance([(np.array([0.0, 0.1, 0.2]), np.ones(3))]) == 0.0
    assert between_variance([(np.array([5.0]), np.ones(1))]) == 0.0
    # Groups with means of their own: squares 8 and 2 of 2 + 1 degrees, (10 - 3) / (2 + 1).
    groups = [(np.array([0.0, 2.0, 4.0]), np.ones(3)), (np.array([9.0, 11.0]), np.ones(2))]
    assert between_variance(groups) == pytest.approx(7.0 / 3.0)


def test_random_effects_agree_with_statsmodels() -> None:
    """The one-step moment estimate and the random-effects mean of statsmodels' meta-analysis."""
    meta = pytest.importorskip("statsmodels.stats.meta_analysis")
    rng = np.random.default_rng(5)
    sd = rng.uniform(0.005, 0.02, 7)
    value = rng.normal(0.02, np.hypot(sd, 0.02))
    peer = meta.combine_effects(value, sd**2, method_re="chi2")
    ours = combine(
        [belief_of(v, s) for v, s in zip(value, sd, strict=True)],
        [Belief(0.0, 1e3)],
        spread_drives=0.0,
    )
    assert ours.between_sd[0] ** 2 == pytest.approx(peer.tau2, rel=1e-9)
    assert ours.mean[0] == pytest.approx(peer.mean_effect_re, rel=1e-6)
    assert ours.common_sd[0] == pytest.approx(peer.sd_eff_w_re, rel=1e-6)


def test_the_vector_form_agrees_with_dense_normal_conditioning() -> None:
    """Joint normal of common values, weighing error and observations, conditioned in one step."""
    pair = np.array([[4e-4, 9e-4], [9e-4, 4e-3]])
    # They differ no more than their errors say: of the usual variance 3 of 5 parts are left.
    observations = [belief_of(0.01, 0.01), (np.array([0.03, 0.7]), pair), belief_of(0.02, 0.008)]
    prior, shared = [Belief(0.0, 0.03), Belief(1.0, 0.3)], 0.004
    ours = combine(observations, prior, shared, (0.006 * math.sqrt(5.0 / 3.0), 0.02), 3.0)
    design = np.array([[1, 0], [1, 0], [0, 1], [1, 0]], dtype=float)
    first = design[:, :1]
    noise = np.zeros((4, 4))
    noise[0, 0], noise[3, 3] = 1e-4 + 36e-6, 64e-6 + 36e-6
    noise[1:3, 1:3] = pair + np.diag([36e-6, 4e-4])
    noise += shared**2 * first @ first.T
    prior_cov = np.diag([9e-4, 9e-2])
    gain = prior_cov @ design.T @ np.linalg.inv(design @ prior_cov @ design.T + noise)
    mean = np.array([0.0, 1.0])
    mean = mean + gain @ (np.array([0.01, 0.03, 0.7, 0.02]) - design @ mean)
    covariance = prior_cov - gain @ design @ prior_cov
    np.testing.assert_allclose(ours.mean, mean, rtol=1e-8)
    np.testing.assert_allclose(ours.common_sd, np.sqrt(np.diag(covariance)), rtol=1e-8)


@given(
    values=st.lists(st.floats(-0.2, 0.2), min_size=1, max_size=6),
    shared=st.floats(0.0, 0.02),
)
def test_the_sd_honours_what_cannot_average_out(values: list[float], shared: float) -> None:
    prior = Belief(0.0, 0.03)
    joined = combine([belief_of(v, 0.01) for v in values], [prior], shared)
    # Nor does the spread between drives vanish: it is believed as if three drives had shown it.
    spread = SCALE_SPREAD * math.sqrt(SPREAD_DRIVES / (SPREAD_DRIVES + len(values) - 1))
    assert joined.new_drive_sd[0] >= spread
    assert joined.common_sd[0] < prior.sd
    # No number of drives tells more than the one weighing does.
    least = 1.0 / math.sqrt(1.0 / prior.sd**2 + 1.0 / max(shared, 1e-9) ** 2)
    assert joined.common_sd[0] > least
    between = sorted((prior.mean, joined.drives.mean))
    assert between[0] - 1e-12 <= joined.mean[0] <= between[1] + 1e-12


@pytest.mark.parametrize("spread", [0.009, 0.018])
@pytest.mark.parametrize("count", [1, 3, 6])
def test_what_is_written_holds_for_a_drive_yet_to_come(spread: float, count: int) -> None:
    """Drives drawn from the random-effects model itself.

    Spread as between twelve recorded trips of a car (``experiments/real_logs.py``), and twice that.
    """
    rng = np.random.default_rng([count, round(1e4 * spread)])
    own_sd, draws = 0.006, 1500
    z = np.empty(draws)
    for index in range(draws):
        *seen, new = rng.normal(0.0, math.hypot(spread, own_sd), count + 1)
        joined = combine([belief_of(value, own_sd) for value in seen], [Belief(0.0, 1.0)])
        z[index] = (joined.mean[0] - new) / math.hypot(joined.new_drive_sd[0], own_sd)
    assert 0.6 < np.sqrt(np.mean(z**2)) < 1.3
    assert np.mean(np.abs(z) < 1.96) > 0.89


def test_drives_that_disagree_widen_the_sd(wide_rig: Rig, observed: list[DriveObservation]) -> None:
    apart = [
        replace(one, log_scale=value, mean=np.array([value]))
        for one, value in zip(observed, (-0.05, 0.0, 0.05), strict=True)
    ]
    assert calibrate(apart, wide_rig).tractive_scale_sd > 0.04


def test_a_result_far_from_the_rigs_belief_is_doubted(
    wide_rig: Rig, observed: list[DriveObservation]
) -> None:
    far = [replace(one, log_scale=0.25, mean=np.array([0.25])) for one in observed]
    result = calibrate(far, wide_rig)
    assert "far from the rig's own" in result.doubts[0]
    assert "8.3 sd from the rig's own" in result.notes[0]
    # Not drawn towards a belief that the drives contradict; nor is one beyond 2 sd only.
    assert result.tractive_scale == pytest.approx(math.exp(0.25), rel=1e-5)
    for value, drawn in ((0.055, True), (0.065, False)):
        some = [replace(one, log_scale=value, mean=np.array([value])) for one in observed]
        result = calibrate(some, wide_rig)
        assert not result.doubts and bool(result.notes) is not drawn
        assert (math.log(result.tractive_scale) < value - 1e-3) is drawn
    with pytest.raises(InputError, match="tractive_scale_sd is 0"):
        calibrate(observed, with_scale_sd(wide_rig, 0.0))
    with pytest.raises(InputError, match="no drive"):
        calibrate([], wide_rig)


# --- drives that cannot serve --------------------------------------------------------------------
def test_drives_that_cannot_serve(drives: list[Scenario], wide_rig: Rig) -> None:
    log = drives[0].drive.log
    with pytest.raises(InputError, match="could be learnt from"):
        observe_drive(log.iloc[:900], wide_rig, 5200.0)
    with pytest.raises(InputError, match="more than a factor of two"):
        observe_drive(log, wide_rig, 52.0)
    with pytest.raises(InputError, match="weighing's sd"):
        observe_drive(log, wide_rig, 5200.0, 800.0)
    with pytest.raises(InputError, match="known mass is nan"):
        observe_drive(log, wide_rig, math.nan)


def test_a_load_change_is_refused() -> None:
    left = scenario("trailer_left", 2, rig_name="utility_boat", duration_s=2400.0)
    with pytest.raises(InputError, match="the load changed at"):
        observe_drive(left.drive.log, left.rig, known_mass(left))


def test_a_change_of_load_that_may_be_none_is_a_doubt(
    drives: list[Scenario], wide_rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = LoadEstimator.run

    def with_change(self: LoadEstimator, trace: pd.DataFrame) -> pd.DataFrame:
        history = run(self, trace)
        change = {"time_s": 300.0, "before_kg": 5200.0, "after_kg": 5080.0, "probability": 0.96}
        history.attrs["summary"]["load_changes"] = [change]
        return history

    monkeypatch.setattr(LoadEstimator, "run", with_change)
    one = observe_drive(drives[0].drive.log, wide_rig, known_mass(drives[0]), 10.0, "first")
    assert one.doubts == (
        "first: the load changed at 300 s, if only from 5200 to 5080 kg: leave the drive out if "
        "that may be so",
    )


def test_a_scale_that_is_wrong_is_no_reason_for_distrust() -> None:
    """Alone, a scale of 0.85 makes the vehicle lighter than its rig says: that is to be mended."""
    alone = scenario("solo_10hz", 12, scale_quantile=0.5, duration_s=900.0)
    table = alone.rig.model_dump(exclude_none=True)
    table["uncertainty"] |= {"tractive_scale": 0.85, "tractive_scale_sd": 0.02}
    rig = Rig.from_dict(table)
    summary = LoadEstimator(rig).run(prepare(alone.drive.log, rig)).attrs["summary"]
    assert any("below the rig's own" in reason for reason in summary["trust"]["reasons"])
    one = observe_drive(alone.drive.log, rig, known_mass(alone))
    assert one.doubts == ()
    result = calibrate([one], rig)
    assert result.tractive_scale == pytest.approx(alone.drive.meta["tractive_scale"], rel=0.02)
    assert "that belief was left out" in result.notes[0]


def test_time_with_the_extra_torque_in_use(drives: list[Scenario]) -> None:
    log = drives[0].drive.log.iloc[:1000].reset_index(drop=True)
    assert extra_torque_time_s(log.drop(columns="extra_torque_share", errors="ignore")) == 0.0
    used = log.assign(extra_torque_share=np.where(np.arange(1000) < 600, 0.5, 0.04))
    assert extra_torque_time_s(used) == pytest.approx(60.0, abs=0.2)


# --- the new rig file ----------------------------------------------------------------------------
def written(text: str, share: float | None = 0.6) -> str:
    joined = combine([belief_of(0.01, 0.01)], [Belief(0.0, 0.03)])
    return calibrated_text(
        text, Calibration((), joined, 1.0123, 0.0081, share, share and 0.05, (), ())
    )


def test_comments_and_order_are_kept() -> None:
    text = (
        "# top\n[uncertainty]  # u\ntractive_scale_sd = 0.03   # a guess\n\n# about the engine\n"
        "[engine.uprated]\nfull_load_torque_n_m = [1.0]  # curve\n\n# end\n[driveline]\nx = 1\n"
    )
    assert written(text) == (
        "# top\n[uncertainty]  # u\ntractive_scale_sd = 0.0081   # a guess\n"
        "tractive_scale = 1.0123\n\n# about the engine\n[engine.uprated]\n"
        "full_load_torque_n_m = [1.0]  # curve\nreported_share = 0.6\nreported_share_sd = 0.05\n"
        "\n# end\n[driveline]\nx = 1\n"
    )


@pytest.mark.parametrize(
    "text",
    [
        "[engine]\na = 1\n[x]\nb = 1\n[engine.uprated]\nq = 1 # last",
        "uncertainty = {tractive_scale_sd = 0.1} # inline\nengine.uprated.q = 1\n",
        "[engine.uprated]\nq = 1\nreported_share = 1.0\n[uncertainty]",
    ],
)
def test_any_way_of_writing_tables_is_understood(text: str) -> None:
    new = tomllib.loads(written(text))
    assert new["uncertainty"] == {"tractive_scale": 1.0123, "tractive_scale_sd": 0.0081}
    assert new["engine"]["uprated"]["reported_share"] == 0.6
    assert "uprated" not in tomllib.loads(written("[engine]\n", None))["engine"]


# --- the command ---------------------------------------------------------------------------------
def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, ["calibrate", *(str(argument) for argument in arguments)])


@pytest.fixture(scope="module")
def folder(drives: list[Scenario], tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("calibrate")
    for index, one in enumerate(drives[:2]):
        one.drive.log.to_parquet(place / f"{index}.parquet")
    return place


def test_the_command_writes_a_rig_file_whole_or_not_at_all(
    folder: Path, drives: list[Scenario]
) -> None:
    out = folder / "new" / "calibrated.toml"
    mass = f"{known_mass(drives[0]):.0f}"
    options = ("--rig", RIG, "--known-mass", mass, "--out", out)
    done = run(folder / "0.parquet", *options)
    assert done.exit_code == 0, done.output
    assert "never replaces a weighbridge" in " ".join(done.output.split())
    assert "ln scale" in done.output and "fuel burnt" in done.output
    rig = Rig.from_toml(out)
    assert rig.uncertainty.tractive_scale_sd < 0.03
    old = [line for line in RIG.read_text("utf-8").splitlines() if "tractive_scale" not in line]
    new = [line for line in out.read_text("utf-8").splitlines() if "tractive_scale" not in line]
    assert new == old  # comments and all
    assert [path.name for path in out.parent.iterdir()] == [out.name]

    before = out.read_bytes()
    again = run(folder / "0.parquet", *options)
    assert again.exit_code == 2 and "--force" in again.output and out.read_bytes() == before
    forced = run(folder / "0.parquet", folder / "0.parquet", *options, "--force")
    assert forced.exit_code == 2 and "more than once" in forced.output
    assert run(folder / "0.parquet", *options, "--force").exit_code == 0
    assert out.read_bytes() == before  # the same input, the same file


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"--known-mass": "600"}, "factor of two"),
        ({"--out": str(RIG)}, "one of the inputs"),
        ({"--out": str(ROOT)}, "a folder"),
        ({"--rig": "none.toml"}, "no such rig"),
    ],
)
def test_errors_are_one_sentence_and_leave_nothing(
    folder: Path, tmp_path: Path, change: dict[str, str], words: str
) -> None:
    options = {"--rig": str(RIG), "--known-mass": "5200", "--out": str(tmp_path / "new.toml")}
    options |= change
    failed = run(folder / "1.parquet", *(text for pair in options.items() for text in pair))
    assert failed.exit_code == 2
    assert words in failed.output and "Traceback" not in failed.output
    assert not list(tmp_path.iterdir())


def test_a_mass_above_gcm_is_written_but_doubtful(
    folder: Path, drives: list[Scenario], tmp_path: Path
) -> None:
    text = RIG.read_text("utf-8")
    lines = [
        "rated_gcm_kg = 4000.0" if line.startswith("rated_gcm_kg") else line
        for line in text.splitlines()
    ]
    rig, out = tmp_path / "rig.toml", tmp_path / "new.toml"
    rig.write_text("\n".join(lines) + "\n", encoding="utf-8")
    mass = f"{known_mass(drives[1]):.0f}"
    done = run(folder / "1.parquet", "--rig", rig, "--known-mass", mass, "--out", out)
    assert done.exit_code == 1 and "above the GCM rating" in done.output and out.exists()
