"""What each point of the design buys: one left out at a time.

Question
    How much worse, and how much less honest, is the mass at the end of a drive when one part of
    the estimator is taken away?
Method
    The same 30-minute drives of several situations, prepared once; ``LoadEstimator`` as it is and
    with one part left out. Errors given the scale, z in all and given the scale. Parts are left out
    through arguments where there are any (grounds, noise, the rig), else by replacing one function
    for the run. The rules of what evidence counts are left out on an outside plant too, whose load
    never changes (as ``against_energy_plant.py --alone``).
Expected answer
    Grounds matter on sand and gravel, load changes after unhitching, events in a regeneration, the
    considered scale for the total interval; on a good drive on sealed road most may go without much
    harm to the error, but not to the honesty.
Source
    None; the design's own points.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from typing import Any
from unittest import mock

import against_energy_plant
import harness
import judging
import off_the_model
import pandas as pd
from plants import cases
from situations import LIGHT_TOWING, lay_out

from loadlearn import LoadEstimator, prepare
from loadlearn.estimation import estimator as estimator_module
from loadlearn.estimation import learner, likelihood, model
from loadlearn.estimation.grounds import ground_modes
from loadlearn.estimation.intervals import rows_of
from loadlearn.simulation.road import Segment, Stop
from loadlearn.simulation.scenarios import Scenario, with_scale_sd
from loadlearn.simulation.sensors import Logger
from loadlearn.vehicle.rig import Rig
from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS

SITUATIONS = (
    "good_10hz",
    "steady_wind",
    "wide_scale",
    "obd_1hz_altitude",
    "sealed_to_sand_fast",
    "sealed_to_sand_slow",
    "sealed_to_gravel",
    "trailer_left",
    "unflagged_regeneration",
    "unreported_extra",
    "exhaust_brake",
    "body_accelerometer",
    "trailer_left_on_sand",
    "altimeter_drifts",
    "force_errs",
)
DEPARTING = {
    "altimeter_drifts": "altimeter drifts 1.5 m a minute, 1 Hz",
    "force_errs": "measured force, 3 % noise of 10 s",
}
"""Rows of ``off_the_model.py``."""
Variant = Callable[[pd.DataFrame, pd.DataFrame, Rig], pd.DataFrame]
"""From the log, the prepared log and the rig to a history."""


@contextmanager
def _rows_without(field: str) -> Iterator[None]:
    """Rows of which one field is always zero."""

    def without(*arguments: Any) -> Any:
        made = rows_of(*arguments)
        made.rows[field] = 0.0
        return made

    with (
        mock.patch.object(learner, "rows_of", without),
        mock.patch.object(likelihood, "rows_of", without),
    ):
        yield


@contextmanager
def _setup_with(change: Callable[[learner.Setup], learner.Setup]) -> Iterator[None]:
    """A setup that is changed before anything is learnt with it."""
    actual = learner.setup_for

    def changed(*arguments: Any, **named: Any) -> Any:
        return change(actual(*arguments, **named))

    with mock.patch.object(estimator_module, "setup_for", changed):
        yield


def _prior_with(**values: float) -> Any:
    """A prior in which some entries are others."""
    return _setup_with(lambda setup: setup._replace(prior=setup.prior._replace(**values)))


def _evidence_with(**values: float) -> Any:
    """Another part of the evidence that counts."""
    return _setup_with(lambda setup: setup._replace(evidence=setup.evidence._replace(**values)))


def _with_noise(prepared: pd.DataFrame, **values: float) -> pd.DataFrame:
    changed = prepared.copy()
    changed.attrs["noise"] = {**prepared.attrs["noise"], **values}
    return changed


def full(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """As it is."""
    return LoadEstimator(rig).run(prepared)


def one_ground(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """One kind of ground: sealed."""
    return LoadEstimator(rig, grounds=HANDBOOK_GROUNDS[:1]).run(prepared)


def no_load_change(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Standstills change nothing."""
    with _rows_without("still_s"):
        return LoadEstimator(rig).run(prepared)


def no_solo_belief(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """No belief that nothing may be hitched."""
    with mock.patch.object(model, "SOLO_SHARE", 1e-9):
        return LoadEstimator(rig).run(prepared)


def no_considered_scale(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """The tractive scale taken as known."""
    return LoadEstimator(with_scale_sd(rig, 1e-4)).run(prepared)


def no_unreported_share(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """The share of extra torque in use not looked at."""
    return LoadEstimator(rig).run(prepared.drop(columns="extra_torque_share", errors="ignore"))


def no_colour(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Disturbances white, with the same spectral density at zero frequency."""
    noise = prepared.attrs["noise"]
    power = noise["white"] ** 2 + 2.0 * noise["disturbance_time_s"] * noise["disturbance_sd"] ** 2
    # White slope noise is per root second at any speed, and so is the integral of the disturbance.
    whitened = _with_noise(prepared, white=power**0.5, disturbance_sd=1e-7)
    return LoadEstimator(rig).run(whitened)


def no_wind(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """No steady wind considered."""
    return LoadEstimator(rig).run(_with_noise(prepared, wind_sd_m_s=1e-3))


def no_accessories(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Accessories at their mean."""
    return LoadEstimator(rig).run(_with_noise(prepared, accessory_sd_w=1.0))


def no_tilt(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """The force chain's gain the same at every load."""
    with _prior_with(tilt_sd=1e-6):
        return LoadEstimator(rig).run(prepared)


def no_slip(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """No slip of driven wheels."""
    with _prior_with(slip_per_n=0.0, slip_sd_per_n=1e-12):
        return LoadEstimator(rig).run(prepared)


def no_lag(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """The force as early as its channel."""
    with _prior_with(lag_s=0.0, lag_sd_s=1e-9):
        return LoadEstimator(rig).run(prepared)


def no_bends(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """A road that is straight everywhere; prepared so, too."""
    with _rows_without("bends_m"):
        return LoadEstimator(rig).run(prepare(log, rig))


def no_altimeter(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """A grade channel not corrected by the altimeter; prepared so, too."""
    if "grade_percent" not in log.columns:
        return LoadEstimator(rig).run(prepared)
    return LoadEstimator(rig).run(prepare(log.drop(columns="altitude_m", errors="ignore"), rig))


def no_cold_tyres(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Tyres warm from the start."""
    with _prior_with(cold_excess=0.0, cold_excess_sd=1e-8):
        return LoadEstimator(rig).run(prepared)


def no_regeneration(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """All fuel makes torque."""
    with _setup_with(lambda setup: setup._replace(grounds=ground_modes())):
        return LoadEstimator(rig).run(prepared)


def misfit_not_considered(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """All that is left out is noise as the model says."""
    with _prior_with(misfit_counts=0.0):
        return LoadEstimator(rig).run(prepared)


def answers_not_considered(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """A driver whose foot no gust moves."""
    with _prior_with(answered_every_s=math.inf):
        return LoadEstimator(rig).run(prepared)


def nothing_apart(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """No mode of its own for "nothing has changed yet"."""

    def change(setup: learner.Setup) -> learner.Setup:
        grounds = setup.grounds[setup.grounds["unchanged"] == 0].copy()
        kept = setup.grounds["unchanged"] == 1
        grounds["initial"][0] += setup.grounds["initial"][kept].sum()
        return setup._replace(grounds=grounds)

    with _setup_with(change):
        return LoadEstimator(rig).run(prepared)


def no_delays(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Channels as they were stamped, noise levels from the log."""
    undelayed = log.copy()
    undelayed.attrs = dict(prepared.attrs)
    return LoadEstimator(rig).run(undelayed)


def default_noise(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Delays removed, noise levels not from the log."""
    plain = prepared.copy()
    plain.attrs = {name: value for name, value in prepared.attrs.items() if name != "noise"}
    return LoadEstimator(rig).run(plain)


@contextmanager
def _search_from(**values: float) -> Iterator[None]:
    """A search of the noise levels that leaves out those that are zero."""
    actual = learner.default_noise

    def changed(*arguments: Any) -> Any:
        return actual(*arguments)._replace(**values)

    # The package's name "prepare" is the function of that module.
    with mock.patch.object(sys.modules[prepare.__module__], "default_noise", changed):
        yield


def no_height_drift(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """An altimeter with white noise only; prepared so, too."""
    with _search_from(height_walk_m_s05=0.0):
        return LoadEstimator(rig).run(prepare(log, rig))


def force_exact(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """A computed force with no errors that pass; prepared so, too."""
    with _search_from(force_error_share=0.0):
        return LoadEstimator(rig).run(prepare(log, rig))


def no_preparation(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """The log as it is: what the estimator does online."""
    return LoadEstimator(rig).run(log, prepare=False)


def overrun_believed(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """No exhaust brake reckoned with in overrun; prepared so, too."""
    engine = rig.engine.model_copy(update={"exhaust_brake": False})
    without = rig.model_copy(update={"engine": engine})
    return LoadEstimator(without).run(prepare(log, without))


def no_squat(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """A body that does not pitch as it accelerates."""
    with _prior_with(squat_rad_s2_m=0.0, squat_sd_rad_s2_m=1e-9):
        return LoadEstimator(rig).run(prepared)


def no_interval_likelihood(log: pd.DataFrame, prepared: pd.DataFrame, rig: Rig) -> pd.DataFrame:
    """Whole km/h taken as exact values with white noise; prepared so, too."""
    with _rows_without("half_width_m_s"):
        return LoadEstimator(rig).run(prepare(log, rig))


VARIANTS: dict[str, Variant] = {
    "full": full,
    "one ground": one_ground,
    "no load change": no_load_change,
    "no belief in solo": no_solo_belief,
    "scale taken as known": no_considered_scale,
    "no unreported share": no_unreported_share,
    "no regeneration": no_regeneration,
    "disturbance white": no_colour,
    "no steady wind": no_wind,
    "accessories fixed": no_accessories,
    "no tilt of the chain": no_tilt,
    "no wheel slip": no_slip,
    "no lag of the force": no_lag,
    "no bends": no_bends,
    "no altimeter": no_altimeter,
    "no cold tyres": no_cold_tyres,
    "no delays": no_delays,
    "default noise levels": default_noise,
    "altimeter that does not drift": no_height_drift,
    "force without errors": force_exact,
    "no preparation (online)": no_preparation,
    "no interval likelihood": no_interval_likelihood,
    "overrun believed": overrun_believed,
    "no squat": no_squat,
    "nothing apart": nothing_apart,
    "answers not considered": answers_not_considered,
    "misfit not considered": misfit_not_considered,
}
# Rules of what evidence counts: what is left out, as values of ``model.Evidence``.
EVIDENCE: dict[str, dict[str, float]] = {
    "full": {},
    "all evidence between loads on firm ground": {"firm_loads": 1.0},
    "as much on loose ground": {"loose_loads": 0.4},
    "no memory of loose ground": {"loose_memory_s": 1.0},
    "all evidence between firm grounds": {"firm_grounds": 1.0},
    "changes of ground not charged": {"changes_charged": 0.0},
    "halts of traffic as any other": {"traffic_halt_s": 1.0},
}
# What can matter only where the log has it.
ONLY = {
    "no unreported share": ("unreported_extra",),
    "no interval likelihood": ("obd_1hz_altitude",),
    "overrun believed": ("exhaust_brake",),
    "no squat": ("body_accelerometer",),
    "altimeter that does not drift": ("obd_1hz_altitude", "altimeter_drifts"),
}


def _trailer_left_on_sand(index: int, count: int) -> Scenario:
    """Sealed road, then slow sand, on which the trailer is left."""
    limits = (20.0 / 3.6, 25.0 / 3.6, 30.0 / 3.6)
    sand = [Segment("sealed", 8000.0), Segment("sand", 60_000.0, 0.12, limits)]
    left = Stop(10_000.0, 240.0, event="drop_trailer", reverse_first=index % 2 == 0)
    return lay_out(91_000 + index, (index + 0.5) / count, LIGHT_TOWING, segments=sand, stops=[left])


def one_drive(situation: str, index: int, count: int) -> list[dict[str, Any]]:
    """All variants on one drive."""
    if situation == "trailer_left_on_sand":
        made = _trailer_left_on_sand(index, count)
    elif situation == "body_accelerometer":
        logger = Logger.good_10hz("accelerometer")
        made = judging.stratified("good_10hz", index, count, 91_000, logger=logger)
    elif situation in DEPARTING:
        made = off_the_model.lay_row(DEPARTING[situation], index, count, 91_000)
    else:
        made = judging.stratified(situation, index, count, 91_000)
    log = made.drive.log
    prepared = prepare(log, made.rig)
    common = {
        "situation": situation,
        "seed": 91_000 + index,
        "rig": made.drive.meta["rig_name"],
    }
    rows = [
        {**common, "variant": name, **judging.judged(run(log, prepared, made.rig), made)}
        for name, run in VARIANTS.items()
        if situation in ONLY.get(name, SITUATIONS)
    ]
    for name, values in EVIDENCE.items():
        if values:
            with _evidence_with(**values):
                history = LoadEstimator(made.rig).run(prepared)
            rows.append({**common, "variant": name, **judging.judged(history, made)})
    return rows


def plant_drive(case: Any, road: str, seed: int) -> list[dict[str, Any]]:
    """The rules of evidence on an outside plant whose load never changes."""
    rows = []
    for name, values in EVIDENCE.items():
        with _evidence_with(**values):
            found = against_energy_plant.one_drive(case, road, seed)
        rows += [{"left out": name, **row} for row in found if "fuelling" in row["measured"]]
    return rows


def summarise(found: pd.DataFrame) -> pd.DataFrame:
    """Rms error given the scale (rms z in all / given the scale) per variant and situation."""
    lines = []
    for variant, here in found.groupby("variant", sort=False):
        line: dict[str, Any] = {"left out": variant}
        for situation, group in here.groupby("situation", sort=False):
            line[str(situation)] = (
                f"{judging.rms(group['mass_given_error_percent']):.2f} "
                f"({judging.rms(group['mass_z']):.1f}/{judging.rms(group['mass_given_z']):.1f})"
            )
        lines.append(line)
    return pd.DataFrame(lines).fillna("–")


def draw(found: pd.DataFrame) -> Any:
    """Error relative to the full estimator, per variant and situation."""
    import numpy as np

    error = found.pivot_table(
        index="variant",
        columns="situation",
        values="mass_given_error_percent",
        aggfunc=judging.rms,
        sort=False,
    )
    ratio = np.log2(error / error.loc["full"])
    picture, axes = harness.figure(1, 1, width=11.0, height=6.0)
    axis = axes[0, 0]
    shown = axis.imshow(ratio, cmap="RdBu_r", vmin=-3, vmax=3, aspect="auto")
    axis.set_xticks(range(len(ratio.columns)), ratio.columns, rotation=30, ha="right")
    axis.set_yticks(range(len(ratio)), ratio.index)
    for row in range(len(ratio)):
        for column in range(len(ratio.columns)):
            value = error.iloc[row, column]
            if value == value:
                dark = abs(ratio.iloc[row, column]) > 1.7
                look = {"fontsize": 7, "color": "white" if dark else "black"}
                axis.text(column, row, f"{value:.1f}", ha="center", va="center", **look)
    picture.colorbar(shown, label="rms error against the full estimator, doublings")
    axis.set(title="rms mass error at the end, given the scale (%)")
    return picture


def main() -> int:
    """Run, print and draw."""
    made = harness.parser(__doc__, seeds=20, quick_seeds=1)
    made.add_argument(
        "--situations", nargs="+", choices=SITUATIONS, default=SITUATIONS, metavar="NAME"
    )
    chosen = harness.parse(made)
    kept = SITUATIONS[::4] if chosen.quick else chosen.situations
    tasks = [(one, index, chosen.seeds) for one in kept for index in range(chosen.seeds)]
    found = pd.DataFrame(harness.run(one_drive, tasks, chosen, label="drives"))
    print("Rms mass error given the scale, % (rms z in all / given the scale)\n")
    harness.write(chosen, "ablation", summarise(found), draw(found), details=found)
    if find_spec("fastsim") is not None:
        print("\nThe load never changes: an outside plant driven alone, from fuelling\n")
        plants = against_energy_plant.tasks(2, chosen.quick, alone=True)
        plants = plants[:2] if chosen.quick else plants
        rows = pd.DataFrame(harness.run(plant_drive, plants, chosen, label="plant drives"))
        harness.write(chosen, "ablation_plant", cases.summary(rows, ["left out"]), details=rows)
    return 0


if __name__ == "__main__":
    sys.exit(main())
