"""Chapter 4 of the course: noise levels, and what innovations tell of them."""

import marimo

app = marimo.App(app_title="4 · Tuning, and what innovations tell")

with app.setup:
    from functools import cache

    import marimo as mo
    import numpy as np
    import shared
    from shared import Prediction

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
very log. The knob multiplies what the four-state filter of chapter 3 is told of them.
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
        problem = shared.one_hypothesis(SEALED_S)
        means, covariances, news, spreads = shared.four_states_of(problem, factor)
        learning = problem.rows["known"] > 0.5
        z = np.where(learning, news / np.sqrt(spreads), np.nan)
        mass = 1.0 / means[-1, 1]
        return z, mass, np.sqrt(covariances[-1, 1, 1]) * mass**2

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
    _z, _found, _sd = told(noise_factor)
    _square = float(np.nanmean(_z**2))
    _figure, _axes = shared.panels(1, 3, width=9.4, height=3.0)
    _shape, _memory, _mass = _axes[0]
    _bins = np.linspace(-4.5, 4.5, 46)
    _shape.hist(np.clip(_z, -4.5, 4.5), _bins, density=True, color=shared.OTHER, alpha=0.5)
    _shape.plot(_bins, np.exp(-0.5 * _bins**2) / np.sqrt(2 * np.pi), "k--", lw=1.2)
    _shape.set_ylim(0.0, 1.6)
    _shape.set_title(f"mean square {_square:.2f}", fontsize=9)
    shared.style.tidy(_shape, "density (dashed: as it should be)", "z = ν / √S")
    _lags = np.arange(1, 31)
    _memory.bar(0.1 * _lags, memory_of(_z, _lags), 0.08, color=shared.OTHER)
    _memory.axhline(0.0, color=shared.INK, lw=0.8)
    _memory.set_ylim(-0.4, 0.7)
    shared.style.tidy(_memory, "correlation with itself", "later by (s)")
    _true = 5180.0 / shared.crew().drawn["tractive_scale"]
    for _one in shared.CHAPTERS[3].settings:
        _, _one_kg, _one_sd = told(_one)
        _now = _one == noise_factor
        _mass.errorbar(
            *(_one, _one_kg),
            yerr=1.96 * _one_sd,
            fmt="o",
            ms=7 if _now else 4,
            color=shared.OTHER if _now else shared.style.GREY,
            capsize=4,
        )
    _package = shared.learnt(SEALED_S).history.iloc[-1]
    _mass.errorbar(
        *(8.0, _package["mass_given_scale_kg"]),
        yerr=1.96 * _package["mass_sd_given_scale_kg"],
        fmt="s",
        color=shared.OURS,
        capsize=4,
    )
    _mass.axhline(_true, color=shared.TRUE, ls="--", lw=1)
    _mass.set_xscale("log")
    _ticks = [*shared.CHAPTERS[3].settings, 8.0]
    _mass.set_xticks(_ticks, [*(f"{one:g}" for one in _ticks[:-1]), "package"])
    _mass.minorticks_off()
    shared.style.tidy(
        _mass, "mass, 95 % given the scale (kg)", "noise told to the four states, times"
    )
    _z_package = shared.learnt(SEALED_S).history["normalised_innovation"].to_numpy()
    shared.reveal(
        question,
        guess.value,
        shared.show(_figure, "histogram and memory of the innovations, mass at each noise level"),
        f"Told {noise_factor:g} times the noise: mean square **{_square:.2f}**; mass {_found:.0f} ± "
        f"{_sd:.0f} kg, which is off by {(_found - _true) / _sd:+.1f} of its sds. The neighbouring "
        f"innovations (0.1 s apart) correlate with {memory_of(_z, [1])[0]:+.2f}, those a second apart "
        f"with {memory_of(_z, [10])[0]:+.2f}.",
        "Turn the knob and look at the middle panel: size can be tuned, memory cannot be tuned away. Each bar "
        "is small, but all thirty have one sign: the mean of three seconds of innovations has "
        f"{1.0 + 2.0 * memory_of(_z, _lags).sum():.1f} times the variance that the filter counts on. "
        "Something lasts (gusts, slope errors, an engine that is not its map), and four states have no "
        "place for it. So even where the mean square is one, the mass is surer than it should be.",
        "The package (blue) has a state δ for what lasts, with a level and a time constant found on this "
        f"log: mean square {np.nanmean(_z_package**2):.2f}, correlation {memory_of(_z_package, [1])[0]:+.2f} "
        f"and {memory_of(_z_package, [10])[0]:+.2f}. It says "
        f"{_package['mass_given_scale_kg']:.0f} ± {_package['mass_sd_given_scale_kg']:.0f} kg: wider, "
        "and it holds the truth. What is left of the misfit is considered on top "
        "(`loadlearn/estimation/considered.py`).",
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
