"""What the chapters share: the one drive, the one notation, and how a chapter asks and shows.

Physics and estimation are the package's; nothing is computed here that it computes. Everything slow
is remembered, so that turning a knob back costs nothing.
"""

from __future__ import annotations

import base64
import html
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

import marimo as mo
import numpy as np
import pandas as pd
from exercises import EXERCISES, Choice
from four_states import TYRE_RISE, four_state_filter

from loadlearn import LoadEstimator, Posterior, Rig, baseline, prepare, shipped_drive, simulate
from loadlearn.estimation.model import STATE, Noise
from loadlearn.figures import style
from loadlearn.simulation.drive import Drive, PlantVariation
from loadlearn.simulation.road import Road, Segment, altitude_from_grade, random_road
from loadlearn.simulation.sensors import Logger
from loadlearn.study.problem import Problem, prior_moments, problem_of
from loadlearn.study.shipped_drives import ShippedDrive
from loadlearn.vehicle.roadload import Ground

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


# --- the chapters -----------------------------------------------------------------------------
@dataclass(frozen=True)
class Chapter:
    """A chapter, and the knob that a learner turns in it.

    Attributes
    ----------
    number : int
    stem : str
        Of its file.
    title : str
    knob : str
        Name of the variable that the knob sets; empty where there is none.
    label : str
        What the knob says.
    settings : tuple
        All positions of the knob; static pages and CI go through them.
    start : int
        The first position.
    """

    number: int
    stem: str
    title: str
    knob: str
    label: str
    settings: tuple[Any, ...]
    start: int


CHAPTERS = (
    Chapter(
        *(1, "chapter_01_energy_height", "From force balance to energy height"),
        *("believed_kg", "the mass you believe in (kg)", (4400, 4800, 5180, 5600, 6000), 1),
    ),
    Chapter(
        *(2, "chapter_02_least_squares", "Least squares, and errors in variables"),
        *("added_noise_percent", "noise added to the grade (sd, % of slope)", (0, 2, 4, 8), 0),
    ),
    Chapter(
        *(3, "chapter_03_kalman_filter", "A Kalman filter of four states"),
        *("until_min", "minutes driven", (1, 2, 5, 10, 20, 30), 2),
    ),
    Chapter(
        *(4, "chapter_04_tuning", "Tuning, and what innovations tell"),
        *("noise_factor", "noise told to the filter, times", (0.25, 0.5, 1.0, 2.0, 4.0), 2),
    ),
    Chapter(
        *(5, "chapter_05_identifiability", "Identifiability: what a road can teach"),
        *("minutes", "minutes driven", (2, 5, 10, 20), 3),
    ),
    Chapter(
        *(6, "chapter_06_scale", "The scale: considered, not estimated"),
        *("scale_sd_percent", "sd of the scale told to the estimator (%)", (0.5, 1, 2, 3, 5), 3),
    ),
    Chapter(
        *(7, "chapter_07_sand", "Bitumen, then sand"),
        *("now_s", "now (s)", (600, 1200, 1300, 1780, 1805, 1815, 1840, 1900, 2030, 2076), 3),
    ),
    Chapter(
        *(8, "chapter_08_trailer_left", "The trailer left behind"),
        *("after_s", "seconds since moving off", (-60, 2, 10, 30, 120, 600), 0),
    ),
    Chapter(
        *(9, "chapter_09_honesty", "Honesty: two hundred drives"),
        *("drives", "drives counted", (10, 25, 50, 100, 200), 4),
    ),
    Chapter(
        *(10, "chapter_10_what_to_drive", "What to drive next"),
        *("after_min", "minutes already driven", (2, 5, 10, 20), 1),
    ),
    Chapter(
        *(11, "chapter_11_own_log", "Your own log"),
        *("", "", ("",), 0),
    ),
)

NOTATION = r"""
| symbol | is | unit | in the package |
|---|---|---|---|
| $m$ | combined mass: vehicle, trailer, all that is on them | kg | `mass_kg` |
| $s$ | tractive scale: true force at the tread over the force computed from the log | 1 | `tractive_scale` |
| $\varphi = s/m$ | inverse of the mass *that the computed force implies* | 1/kg | `mass_given_scale_kg` is $1/\varphi$ |
| $F$ | computed force at the tread | N | `tractive_force_n` |
| $v,\ x,\ h$ | road speed, way, height of the road | m/s, m, m | `speed_m_s`, `altitude_m` |
| $\theta$ | angle of the road; grade is $100\tan\theta$ | rad | `grade_percent` |
| $c$ | rolling resistance coefficient, quoted at 20 m/s | 1 | `rolling_resistance` |
| $C_dA$ | drag area | m² | `drag_area_m2` |
| $\kappa = C_dA/m$ | drag area per mass | m²/kg | |
| $\rho,\ g$ | density of the air; 9.80665 m/s² | kg/m³ | |
| $\mu$ | equivalent mass of the rotating parts | kg | |
| $E$ | energy height, $v^2/2g + h$ and the rotating parts' share | m | |
| $\delta$ | disturbance: gusts, slope errors, unseen, as a slope | 1 | |
| $y,\ \nu,\ S$ | measured energy height, innovation (what is new in it), its variance | m, m, m² | `normalised_innovation` is $\nu/\sqrt S$ |
| $A,\ H$ | transition of the state over an interval; what is measured of it | | |
| $P,\ Q,\ R,\ K$ | covariance of the belief, process noise, measurement noise, gain | | |
| $z$ | an error, or what is new, over its sd | 1 | |
| $\Pr$ | probability | 1 | `p_sand`, `p_load_changed` |
| sd | standard deviation; a 95 % interval is about ± 1.96 sd | | `mass_sd_kg` |
| given the scale | were $s$ known exactly | | `mass_sd_given_scale_kg` |
"""
"""One notation throughout; shown in chapter 1 and on the course's first page."""

CAUTION = (
    "An estimate is not a weighing: it says nothing of ball weight, axle loads, hitch or sway. What "
    "is recommended is for test, within the maker's ratings; local rules and licensed practice "
    "decide. Nobody reads a screen while driving."
)


# --- the one drive ----------------------------------------------------------------------------
@cache
def crew() -> ShippedDrive:
    """The shipped drive: a survey crew hauls a boat from its depot to a sand ramp."""
    return shipped_drive()


@cache
def prepared() -> pd.DataFrame:
    """Its log, prepared."""
    return prepare(crew().log, crew().rig)


class Run(NamedTuple):
    """A history, and the estimator that made it."""

    history: pd.DataFrame
    estimator: LoadEstimator


@cache
def learnt(until_s: float | None = None) -> Run:
    """What the package learns of the drive, up to an instant."""
    log = prepared()
    if until_s is not None:
        log = up_to(log, until_s)
    estimator = LoadEstimator(crew().rig)
    return Run(estimator.run(log), estimator)


@cache
def plain() -> pd.DataFrame:
    """What a plain extended Kalman filter makes of the drive."""
    return baseline("plain_ekf", crew().rig).run(prepared())


def up_to(log: pd.DataFrame, until_s: float) -> pd.DataFrame:
    """The samples up to an instant, with what was found of the whole log."""
    return log[log["time_s"] <= log["time_s"].iloc[0] + until_s]


def true_at(name: str, time_s: Any) -> np.ndarray:
    """A column of the truth at some instants (the last row at or before each)."""
    truth = crew().truth
    at = np.searchsorted(truth["time_s"].to_numpy(), np.asarray(time_s) + 1e-9, side="right") - 1
    return truth[name].to_numpy()[np.clip(at, 0, None)]


def drive_on(
    road: Road,
    seed: int,
    duration_s: float | None = None,
    mass_kg: float = 5180.0,
    scale: float = 1.012,
    variation: PlantVariation | None = None,
) -> Drive:
    """The same rig on another road, simulated: mass and scale are those of the shipped drive."""
    return simulate(
        crew().rig,
        road,
        seed=seed,
        mass_kg=mass_kg,
        tractive_scale=scale,
        duration_s=duration_s,
        logger=Logger.good_10hz(),
        variation=variation,
    )


def made_road(*stretches: tuple[float, float, float]) -> Road:
    """A road without bends or stops, from stretches of length (m), grade (%) and limit (km/h)."""
    pieces = [Segment("sealed", length, None, (limit / 3.6,)) for length, _, limit in stretches]
    length_m = sum(one[0] for one in stretches)
    road = random_road(5, length_m, "level", pieces, stops=())
    ends = np.cumsum([one[0] for one in stretches])
    at = np.clip(np.searchsorted(ends, road.distance_m, side="right"), 0, len(stretches) - 1)
    grade = np.array([one[1] for one in stretches])[at]
    # Road builders round their crests.
    grade = np.convolve(np.pad(grade, 20, mode="edge"), np.ones(41) / 41.0, mode="valid")
    altitude = altitude_from_grade(grade, 100.0)
    return replace(road, grade_percent=grade, altitude_m=altitude)


def joined_at(drive: Drive, start_s: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Log and truth from an instant on: we join them on the road, after the pulling away."""
    later = (drive.log["time_s"] >= start_s).to_numpy()
    return drive.log[later].reset_index(drop=True), drive.truth[later].reset_index(drop=True)


def learn_from(log: pd.DataFrame, rig: Rig | None = None) -> Run:
    """Prepare a log and learn from it."""
    rig = rig or crew().rig
    estimator = LoadEstimator(rig)
    return Run(estimator.run(prepare(log, rig)), estimator)


FOUR = [
    STATE.energy_height_m,
    STATE.inverse_mass_per_kg,
    STATE.rolling_resistance,
    STATE.drag_per_mass_m2_kg,
]
"""Where the package's filter has the four states of chapter 3."""


@cache
def one_hypothesis(until_s: float | None = None) -> Problem:
    """The drive as a problem of four states: one ground, one load, the other states nothing."""
    log = prepared() if until_s is None else up_to(prepared(), until_s)
    noise = Noise(**log.attrs["noise"])._replace(
        disturbance_sd=0.0, force_error_share=0.0, wind_sd_m_s=0.0, accessory_sd_w=0.0
    )
    bitumen = Ground("sealed", 0.0105, 0.0030, per_hour=3.0, texture=0.0)
    problem = problem_of(log, crew().rig, (bitumen,), noise)
    nothing = ("speed_slope_sd", "cold_excess", "cold_excess_sd", "unreported_sd", "tilt_sd")
    nothing += ("slip_per_n", "slip_sd_per_n", "lag_s", "lag_sd_s")
    prior = problem.prior._replace(**dict.fromkeys(nothing, 0.0), speed_slope=TYRE_RISE)
    rows = problem.rows.copy()
    rows["force_variance_kg2_m2"] = 0.0
    states, covariances = prior_moments(problem.grounds, prior, noise)
    return problem._replace(rows=rows, prior=prior, states=states, covariances=covariances)


def four_states_of(problem: Problem, noise_factor: float = 1.0) -> tuple[Any, ...]:
    """Chapter 3's filter on a problem, its noise multiplied by a factor."""
    noise = problem.noise._replace(
        white=noise_factor * problem.noise.white,
        speed_sd_m_s=noise_factor * problem.noise.speed_sd_m_s,
    )
    before = problem.states[0][FOUR], problem.covariances[0][np.ix_(FOUR, FOUR)]
    return four_state_filter(problem.rows, *before, noise)


# --- figures ----------------------------------------------------------------------------------
INK, TRUE, OURS, OTHER = style.BLACK, style.BLACK, style.BLUE, style.VERMILION


def panels(rows: int = 1, columns: int = 1, width: float = 8.6, height: float = 2.7, **how: Any):
    """A figure in the package's look; axes are two-dimensional."""
    figure = style.new_figure(width, height * rows)
    return figure, figure.subplots(rows, columns, squeeze=False, **how)


def band(
    axes: Axes, time_s: Any, mean: Any, sd: Any, colour: str, label: str, line: str = "-"
) -> None:
    """A mean with its 95 % band."""
    low, high = np.asarray(mean) - 1.96 * np.asarray(sd), np.asarray(mean) + 1.96 * np.asarray(sd)
    axes.fill_between(time_s, low, high, color=colour, alpha=0.22, lw=0)
    axes.plot(time_s, mean, line, color=colour, lw=1.6, label=label)


def grounds_strip(axes: Axes, until_s: float | None = None) -> None:
    """The true grounds along the foot of a panel, with their names."""
    truth = crew().truth
    edges = np.flatnonzero(truth["surface"].ne(truth["surface"].shift()))
    ends = [*edges[1:], len(truth) - 1]
    words = {"sealed": "bitumen", "soft_sand": ""}
    for start, end in zip(edges, ends, strict=True):
        name = str(truth["surface"].iloc[start])
        begin, stop = float(truth["time_s"].iloc[start]), float(truth["time_s"].iloc[end])
        if until_s is not None and begin > until_s:
            break
        colour = style.ground_colours([name])[name]
        axes.axvspan(begin, stop, 0.0, 0.06, color=colour, alpha=0.85, lw=0)
        axes.text(
            *(0.5 * (begin + stop), 0.075, words.get(name, name)),
            transform=axes.get_xaxis_transform(),
            ha="center",
            va="bottom",
            fontsize=8,
        )


def image_of(figure: Figure, dots_per_inch: int = 110) -> str:
    """A figure as a PNG data address; the same figure gives the same."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=dots_per_inch, metadata={"Software": None})
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode()


def show(figure: Figure, says: str) -> mo.Html:
    """A figure with words for whoever cannot see it."""
    return mo.Html(
        f'<img class="figure" style="max-width:100%" alt="{html.escape(says)}" '
        f'src="{image_of(figure)}">'
    )


_FILM = """<!doctype html><meta charset="utf-8"><title>{title}</title>
<style>body{{font:15px/1.4 system-ui,sans-serif;margin:0;color:#111;background:#fff}}
img{{max-width:100%;display:block}}div{{display:flex;gap:.5rem;align-items:center;flex-wrap:wrap}}
button{{font:inherit;padding:.2rem .7rem}}input{{flex:1;min-width:8rem}}output{{min-width:9rem}}
</style><div><button id="rewind">rewind</button><button id="back" aria-label="one back">&lt;</button>
<button id="play">play</button><button id="on" aria-label="one on">&gt;</button>
<input id="at" type="range" min="0" max="{last}" value="{start}" aria-label="instant">
<output id="says"></output></div><img id="frame" alt="{title}">
<script>
const frames={frames},labels={labels},at=document.getElementById("at"),
play=document.getElementById("play"),$=id=>document.getElementById(id);
let timer=null;
function draw(){{$("frame").src=frames[at.value];$("says").textContent=labels[at.value]}}
function pause(){{clearInterval(timer);timer=null;play.textContent="play"}}
function step(by){{at.value=Math.max(0,Math.min({last},+at.value+by));draw();
if(+at.value==={last})pause()}}
function toggle(){{if(timer){{pause();return}}if(+at.value==={last})at.value=0;
play.textContent="pause";timer=setInterval(()=>step(1),500);draw()}}
play.onclick=toggle;at.oninput=()=>{{pause();draw()}};
$("rewind").onclick=()=>{{pause();at.value=0;draw()}};
$("back").onclick=()=>{{pause();step(-1)}};$("on").onclick=()=>{{pause();step(1)}};
document.onkeydown=e=>{{if(e.target.tagName==="BUTTON"&&e.key===" ")return;
if(e.key===" "){{e.preventDefault();toggle()}}
if(e.target!==at&&e.key==="ArrowRight"){{pause();step(1)}}
if(e.target!==at&&e.key==="ArrowLeft"){{pause();step(-1)}}}};
draw();
</script>"""


def film_page(frames: Sequence[str], labels: Sequence[str], title: str, start: int = 0) -> str:
    """A page that plays images, pauses, steps and rewinds; it needs nothing from anywhere."""
    return _FILM.format(
        title=html.escape(title),
        last=len(frames) - 1,
        start=start,
        frames=json.dumps(list(frames)),
        labels=json.dumps(list(labels)),
    )


def film(page: str, height_px: int) -> mo.Html:
    """A film within a chapter."""
    return mo.Html(
        f'<iframe class="film" title="animated figure" srcdoc="{html.escape(page)}" width="100%" '
        f'height="{height_px}" style="border:1px solid #ccc"></iframe>'
    )


CONVERGING_S = (
    *range(0, 61, 10),
    *range(90, 301, 30),
    *range(360, 1801, 120),
    1830,
    1900,
    2000,
    2076,
)


@cache
def converging_film() -> str:
    """The belief in mass and rolling resistance as it converges, jumps with the ground, and stays."""
    from loadlearn.vehicle.roadload import HANDBOOK_GROUNDS

    frames, labels = [], []
    for now_s in CONVERGING_S:
        run = learnt(float(now_s) if now_s else 0.15)
        figure, axes = panels(1, 2, height=3.6, width=8.6)
        left, right = axes[0]
        in_all, given = run.estimator.posterior(), run.estimator.posterior(given_scale=True)
        kg = np.linspace(2200.0, 8000.0, 1500)
        left.fill_between(kg, in_all.density_of_mass(kg) * 1e3, color=OURS, alpha=0.25, lw=0)
        left.plot(kg, in_all.density_of_mass(kg) * 1e3, color=OURS, lw=1.6)
        left.axvline(float(true_at("mass_kg", now_s)), color=TRUE, ls="--", lw=1.2)
        left.set_xlim(2200.0, 8000.0)
        left.set_ylim(0.0, 3.0)
        left.annotate("true mass", (5180.0, 2.9), (5350.0, 2.8), fontsize=8)
        style.tidy(left, "density (1/t)", "combined mass (kg)")
        _ellipses(right, in_all, given)
        right.plot(
            *(true_at("mass_kg", now_s), true_at("rolling_resistance", now_s)),
            *("*",),
            color=TRUE,
            ms=11,
            label="truth",
        )
        for ground in HANDBOOK_GROUNDS:
            right.axhline(ground.rolling_resistance, color="#BBBBBB", lw=0.7, zorder=0)
            right.text(
                7950.0, ground.rolling_resistance * 1.04, _said(ground.name), fontsize=7, ha="right"
            )
        right.set_yscale("log")
        right.set_xlim(2200.0, 8000.0)
        right.set_ylim(0.004, 0.5)
        right.set_yticks(
            [0.005, 0.01, 0.02, 0.05, 0.1, 0.2], ["0.005", "0.01", "0.02", "0.05", "0.1", "0.2"]
        )
        right.minorticks_off()
        style.tidy(right, "rolling resistance (log)", "combined mass (kg)")
        style.small_legend(right, loc="lower left")
        minutes, seconds = divmod(int(now_s), 60)
        labels.append(f"{minutes} min {seconds:02d} s")
        figure.suptitle(
            f"{labels[-1]} into the drive, on {_said(str(true_at('surface', now_s)))}", fontsize=10
        )
        frames.append(image_of(figure, 90))
    return film_page(
        frames, labels, "What is believed of mass and rolling resistance, as it converges"
    )


def _said(ground: str) -> str:
    return {"sealed": "bitumen", "soft_sand": "soft sand"}.get(ground, ground)


def _ellipses(axes: Axes, in_all: Posterior, given: Posterior) -> None:
    for posterior, alpha, label in ((in_all, 0.25, "95 % in all"), (given, 0.6, "given the scale")):
        kg, rolling = posterior.ellipse("mass_kg", "rolling_resistance")
        axes.fill(kg, np.maximum(rolling, 1e-4), color=OURS, alpha=alpha, lw=0, label=label)


# --- how a chapter asks -----------------------------------------------------------------------
_STATIC: list[tuple[Any, str]] = []


def instead(element: Any, page: str) -> Any:
    """Register what a page without Python shows in place of a live element; the element."""
    _STATIC.append((element, page))
    return element


def static_form(element: Any) -> str | None:
    """What was registered for an element, else None."""
    return next((page for known, page in _STATIC if known is element), None)


def heading(number: int, why: str) -> mo.Html:
    """A chapter's title, and why it is there."""
    chapter = CHAPTERS[number - 1]
    return mo.md(f"# {number} · {chapter.title}\n\n{why}")


def knob(number: int) -> Any:
    """The chapter's knob."""
    chapter = CHAPTERS[number - 1]
    element = mo.ui.slider(
        steps=list(chapter.settings),
        value=chapter.settings[chapter.start],
        label=f"**turn me:** {chapter.label}",
        show_value=True,
        full_width=True,
    )
    return instead(
        element,
        f'<p class="knob"><label><b>turn me:</b> {html.escape(chapter.label)} '
        f'<input type="range" min="0" max="{len(chapter.settings) - 1}" value="{chapter.start}">'
        f"</label> <output></output></p>",
    )


@dataclass(frozen=True)
class Prediction:
    """What a learner says before the reveal.

    Attributes
    ----------
    question : str
    right : str
        The option that holds.
    options : dict of str to str
        What to say to each, the misconception behind it included.
    """

    question: str
    right: str
    options: dict[str, str]


def predict(prediction: Prediction) -> Any:
    """Ask for a prediction."""
    assert prediction.right in prediction.options
    element = mo.ui.radio(
        list(prediction.options), label=f"**Predict before you look.** {prediction.question}"
    )
    choices = "".join(
        f'<label><input type="radio" name="predict"> {html.escape(one)}</label>'
        for one in prediction.options
    )
    return instead(
        element,
        f'<fieldset class="predict"><p><b>Predict before you look.</b> '
        f"{_inline(prediction.question)}</p>{choices}</fieldset>",
    )


def reveal(prediction: Prediction, guess: str | None, *content: Any) -> mo.Html:
    """The answer, hidden until a prediction was made and the learner asks for it."""
    live = mo.running_in_notebook()
    if live and guess is None:
        return mo.md("*Make your prediction above; the answer appears here.*").callout()
    said = [guess] if live else list(prediction.options)
    words = "".join(
        f"<li><b>{html.escape(str(one))}.</b> {'Yes. ' if one == prediction.right else ''}"
        f"{_inline(prediction.options[str(one)])}</li>"
        for one in said
    )
    body = "".join(
        one.text if hasattr(one, "text") else f'<p style="margin:.7em 0">{_inline(one)}</p>'
        for one in content
    )
    return mo.Html(
        f'<details class="reveal"><summary><b>Reveal</b></summary>{body}<ul>{words}</ul></details>'
    )


def _inline(words: str) -> str:
    """Markdown without a paragraph of its own."""
    return mo.md(words).text.replace('<span class="paragraph">', "<span>")


def misconception(wrong: str, instead: str) -> mo.Html:
    """What is commonly believed, and what holds."""
    return mo.Html(
        '<div class="misconception" style="border-left:4px solid #D55E00;padding:.3rem 1rem">'
        f"<p>{_inline(f'**Misconception:** “{wrong}”')}</p><p>{_inline(instead)}</p></div>"
    )


def ask(number: int, which: int) -> Any:
    """An exercise's question with a place for the answer."""
    exercise = EXERCISES[number][which - 1]
    label = f"**Exercise {number}.{which}** {exercise.question}"
    if isinstance(exercise, Choice):
        element = mo.ui.radio(exercise.options, label=label)
        field = "".join(
            f'<label><input type="radio" name="e{which}" value="{html.escape(one)}"> '
            f"{html.escape(one)}</label>"
            for one in exercise.options
        )
        told = [[exercise.right, exercise.because, 1], *([a, h, 0] for a, h in exercise.wrong)]
        within = 0.0
    else:
        element = mo.ui.text(label=label, placeholder=exercise.unit or "number")
        field = f'<input type="text" size="9" aria-label="answer"> {exercise.unit} <button>check</button>'
        told = [[exercise.right, exercise.because, 1], *([a, h, 0] for a, h in exercise.wrong)]
        within = exercise.within
    return instead(
        element,
        f'<div class="exercise" data-within="{within}" data-told="{html.escape(json.dumps(told))}">'
        f"{_inline(label)}<p>{field}</p><p class='verdict' aria-live='polite'></p></div>",
    )


def feedback(number: int, which: int, answer: str | None) -> Any:
    """What to say to an answer; nothing before there is one."""
    if not answer:
        return None
    verdict = EXERCISES[number][which - 1].check(answer)
    return mo.md(("Right. " if verdict.right else "") + verdict.words).callout(
        "success" if verdict.right else "warn"
    )
