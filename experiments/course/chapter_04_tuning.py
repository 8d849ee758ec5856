"""Chapter 4 of the course: noise levels, and what innovations tell of them."""

import marimo

app = marimo.App(app_title="4 · Tuning, and what innovations tell")

with app.setup:
    from functools import cache

    import marimo as mo
    import numpy as np
    import shared
    from shared import Prediction

    from loadlearn import LoadEstimator
    from loadlearn.estimation.model import Noise

    SCALED = ("disturbance_sd", "white", "speed_sd_m_s")
    SEALED_S = 1200.0


@app.cell
def _():
    shared.heading(
        4,
        "The filter of chapter 3 was sure of itself and wrong. Its noise levels, Q and R, say how much "
        "to believe of each sample. Who sets them, and how does one notice that they are wrong, "
        "without knowing the truth?",
    )
    return


@app.cell
def _():
    mo.md(r"""
## What is new, and how new it should be

The innovation $\nu = y - Hx$ is what a sample says that was not expected. The filter also says how large
it should be: its variance is $S$. So if the model fits,

$$ z = \nu/\sqrt{S} \quad\text{has mean 0, mean square 1, and does not remember:}\quad
\operatorname{corr}(z_k, z_{k+j}) = 0 $$

(Bar-Shalom, Li & Kirubarajan 2001, section 5.4, from memory; the mean square is called *normalised
innovation squared*.) All of that can be checked on a log whose truth nobody knows. In the package it is
the column `normalised_innovation`.

Where do the levels come from? `prepare` finds them by maximum likelihood, from the innovations of this
very log. The knob multiplies what it found.
""")
    return


@app.cell
def _():
    question = Prediction(
        "We tell the filter a quarter of the noise that is there. What happens to the interval of the "
        "mass, and to the mean square of the innovations?",
        "The interval shrinks, the mean square grows far beyond 1",
        {
            "The interval shrinks, the mean square grows far beyond 1": "A narrow interval is what one "
            "tells the filter to say. The innovations do not join in the game.",
            "The interval shrinks, the mean square shrinks too": "S shrinks, but ν does not: their "
            "ratio grows.",
            "Both stay: the data decide": "Q and R are told, not learnt; the filter only divides by "
            "them.",
        },
    )
    guess = shared.predict(question)
    guess
    return guess, question


@app.cell
def _():
    knob = shared.knob(4)
    knob
    return (knob,)


@app.cell
def _(knob):
    noise_factor = knob.value
    return (noise_factor,)


@app.cell
def _():
    @cache
    def told(factor):
        log = shared.up_to(shared.prepared(), SEALED_S)
        found = Noise(**log.attrs["noise"])
        noise = found._replace(**{name: factor * getattr(found, name) for name in SCALED})
        return LoadEstimator(shared.crew().rig, noise=noise).run(log)

    def memory_of(z, lags):
        # Only pairs both of which are there: nothing is new where nothing is learnt.
        pairs = []
        for lag in lags:
            both = np.isfinite(z[lag:]) & np.isfinite(z[: len(z) - lag])
            pairs.append(np.corrcoef(z[lag:][both], z[: len(z) - lag][both])[0, 1])
        return np.array(pairs)

    return memory_of, told


@app.cell
def _(guess, memory_of, noise_factor, question, told):
    _history = told(noise_factor)
    _z = _history["normalised_innovation"].to_numpy()
    _square = float(np.nanmean(_z**2))
    _figure, _axes = shared.panels(1, 3, width=9.4, height=3.0)
    _shape, _memory, _mass = _axes[0]
    _bins = np.linspace(-4.5, 4.5, 46)
    _shape.hist(np.clip(_z, -4.5, 4.5), _bins, density=True, color=shared.OURS, alpha=0.5)
    _shape.plot(_bins, np.exp(-0.5 * _bins**2) / np.sqrt(2 * np.pi), "k--", lw=1.2)
    _shape.set_ylim(0.0, 1.6)
    _shape.set_title(f"mean square {_square:.2f}", fontsize=9)
    shared.style.tidy(_shape, "density (dashed: as it should be)", "z = ν / √S")
    _lags = np.arange(1, 31)
    _memory.bar(0.1 * _lags, memory_of(_z, _lags), 0.08, color=shared.OURS)
    _memory.axhline(0.0, color=shared.INK, lw=0.8)
    _memory.set_ylim(-0.4, 0.7)
    shared.style.tidy(_memory, "correlation with itself", "later by (s)")
    _true = 5180.0 / shared.crew().drawn["tractive_scale"]
    for _one in shared.CHAPTERS[3].settings:
        _last = told(_one).iloc[-1]
        _now = _one == noise_factor
        _mass.errorbar(
            *(_one, _last["mass_given_scale_kg"]),
            yerr=1.96 * _last["mass_sd_given_scale_kg"],
            fmt="o",
            ms=7 if _now else 4,
            color=shared.OURS if _now else shared.style.GREY,
            capsize=4,
        )
    _mass.axhline(_true, color=shared.TRUE, ls="--", lw=1)
    _mass.set_xscale("log")
    _mass.set_xticks(shared.CHAPTERS[3].settings, [f"{one:g}" for one in shared.CHAPTERS[3].settings])
    _mass.minorticks_off()
    shared.style.tidy(_mass, "mass, 95 % given the scale (kg)", "noise told, times")
    _last = _history.iloc[-1]
    _off = _last["mass_given_scale_kg"] - _true
    shared.reveal(
        question,
        guess.value,
        shared.show(_figure, "histogram and memory of the innovations, mass at each noise level"),
        f"Told {noise_factor:g} times the noise: mean square **{_square:.2f}**, correlation after 0.1 s "
        f"{memory_of(_z, [1])[0]:+.2f}; the mass is said to be known to "
        f"{_last['mass_sd_given_scale_kg']:.0f} kg (given the scale) and is off by {_off:+.0f} kg.",
        "Look at the middle panel as you turn: the memory hardly fades. It is not a matter of size. "
        "Something lasts (gusts, slopes, an engine that is not its map), and this model gives it a "
        "state δ with a time constant of its own; what is left is what the state does not catch. The "
        "package then widens the mass once more, for misfit that lasts (`considered.py`).",
    )
    return


@app.cell
def _():
    shared.misconception(
        "A narrow interval is a good filter.",
        "Width is told to a filter, by Q and R. What it cannot be told is to be surprised no more than "
        "it says. Look at the innovations first, then at the interval.",
    )
    return


@app.cell
def _():
    answer_1 = shared.ask(4, 1)
    answer_1
    return (answer_1,)


@app.cell
def _(answer_1):
    shared.feedback(4, 1, answer_1.value)
    return


@app.cell
def _():
    answer_2 = shared.ask(4, 2)
    answer_2
    return (answer_2,)


@app.cell
def _(answer_2):
    shared.feedback(4, 2, answer_2.value)
    return


if __name__ == "__main__":
    app.run()
