"""Chapter 10 of the course: which manoeuvre tells most about what is least known."""

import marimo

app = marimo.App(app_title="10 · What to drive next")

with app.setup:
    from functools import cache

    import marimo as mo
    import numpy as np
    import shared
    from shared import Prediction

    from loadlearn.simulation.departures import Departures
    from loadlearn.simulation.drive import PlantVariation
    from loadlearn.study.bounds import conditional_bound

    STRETCH_S = 300.0
    JOIN_S = 200.0
    QUANTITIES = (
        ("combined mass", "mass_sd_given_scale_kg", 5180.0, 15.0),
        ("rolling resistance", "rolling_resistance_sd", 0.0142, 40.0),
        ("drag area", "drag_area_sd_given_scale_m2", 2.1, 40.0),
    )


@app.cell
def _():
    shared.heading(
        10,
        "A filter knows what it does not know. So it can say, before a metre is driven, which road would teach "
        "most: its covariance does not depend on what will be measured, only on what will be done.",
    )
    return


@app.cell
def _():
    mo.md(r"""
In the update $P \leftarrow P - K H P$ neither $K$ nor $P$ contains the measurement $y$. Carry $P$ through the
manoeuvre one has in mind, and what comes out is how sure one will be: no data needed. Information adds:

$$ P^{-1} \leftarrow P^{-1} + H^{\mathsf T} R^{-1} H $$

(Kalman 1960; for planned experiments: Fedorov, *Theory of Optimal Experiments*, 1972, from memory.) A manoeuvre
is good if it fills the direction in which the ellipse of chapter 5 is long.

Six stretches of five minutes, from the rig's prior, each joined at its own speed:
""")
    return


@app.cell
def _():
    question = Prediction(
        "Five minutes only. Which tells most about the **drag area**?",
        "Slow, then fast, on the flat",
        {
            "A steady 90 km/h on the flat": "Drag is large there, and always the same: rolling resistance can "
            "pass for it.",
            "Slow, then fast, on the flat": "Only what goes with v² changes between them.",
            "Up a 6 % climb and over the top": "It tells the mass, and through it a little of the rest.",
        },
    )
    guess = shared.predict(question)
    guess
    return guess, question


@app.cell
def _():
    knob = shared.knob(10)
    knob
    return (knob,)


@app.cell
def _(knob):
    after_min = knob.value
    return (after_min,)


@app.cell
def _():
    foot = PlantVariation(cruise_share=0.0, lifts_per_hour=0.0, slipstreams_per_hour=0.0)
    town = PlantVariation(departures=Departures(town_stops_per_km=3.0), slipstreams_per_hour=0.0)
    roads = {
        "steady 90 on the flat": (((40_000.0, 0.0, 90.0),), foot),
        "50, then 100 on the flat": (((4300.0, 0.0, 50.0), (20_000.0, 0.0, 100.0)), foot),
        "six speeds, 40 to 100": (
            (
                (3000.0, 0.0, 60.0),
                *((900.0, 0.0, one) for one in (80.0, 40.0, 100.0, 60.0, 90.0, 50.0) * 4),
            ),
            foot,
        ),
        "6 % climb, over the top": (
            ((4000.0, 0.0, 70.0), (2800.0, 6.0, 70.0), (9000.0, -2.0, 80.0)),
            foot,
        ),
        "hills of 3 %": (
            ((3000.0, 0.0, 80.0), *((700.0, one, 80.0) for one in (3.0, -3.0) * 12)),
            foot,
        ),
        "town, three stops a km": (((30_000.0, 0.0, 60.0),), town),
    }

    @cache
    def promised():
        rig, rows = shared.crew().rig, []
        for name, (stretches, variation) in roads.items():
            drive = shared.drive_on(
                shared.made_road(*stretches), 101, JOIN_S + STRETCH_S + 5.0, variation=variation
            )
            log, truth = shared.joined_at(drive, JOIN_S)
            log = shared.up_to(log, STRETCH_S)
            log.attrs["noise"] = shared.prepared().attrs["noise"]  # the same logger
            last = conditional_bound(log, truth, rig).iloc[-1]
            rows.append((name, [100.0 * last[column] / size for _, column, size, _ in QUANTITIES]))
        return rows

    @cache
    def advised(minutes):
        return shared.learnt(60.0 * minutes).history.attrs["summary"]["what_to_drive_next"]

    return advised, promised


@app.cell
def _(advised, after_min, guess, promised, question):
    _names = [one for one, _ in promised()]
    _values = np.array([one for _, one in promised()])
    _figure, _axes = shared.panels(1, 3, width=9.4, height=3.2, sharey=True)
    for _at, (_ax, (_quantity, _, _, _)) in enumerate(zip(_axes[0], QUANTITIES, strict=True)):
        _best = int(np.argmin(_values[:, _at]))
        _colours = [
            shared.OURS if one == _best else shared.style.GREY for one in range(len(_names))
        ]
        _ax.barh(range(len(_names)), _values[:, _at], color=_colours)
        for _row, _value in enumerate(_values[:, _at]):
            _ax.text(_value, _row, f" {_value:.1f}", va="center", fontsize=8)
        _ax.set_xlim(0.0, 1.25 * _values[:, _at].max())
        shared.style.tidy(_ax, "", f"{_quantity}: sd left (%)")
        _ax.invert_yaxis()
    _axes[0, 0].set_yticks(range(len(_names)), _names)
    shared.reveal(
        question,
        guess.value,
        shared.show(_figure, "sd of mass, rolling resistance and drag after each of six stretches"),
        "What the bound says each stretch could teach at best, mass and drag given the scale (blue: the best "
        "of each). There is no best manoeuvre, only a best one for what is least known. And mind chapter 5: "
        "the bound takes the force for a cause, so it promises too much of the steady stretch.",
        f"**The package's own advice**, {after_min} minutes into the crew's drive (`what_to_drive_next` of the "
        f"summary): *{advised(after_min)}*",
        "Where the advice speaks of the scale, believe it: from then on no road helps much, and a weighbridge "
        "does (chapter 6). " + shared.CAUTION,
    )
    return


@app.cell
def _():
    shared.misconception(
        "To learn more, drive longer.",
        "To learn more, drive differently: along the long axis of the ellipse. And ask which number you need, "
        "for what it is limited by may not be on any road.",
    )
    return


@app.cell
def _():
    answer_1 = shared.ask(10, 1)
    answer_1
    return (answer_1,)


@app.cell
def _(answer_1):
    shared.feedback(10, 1, answer_1.value)
    return


@app.cell
def _():
    answer_2 = shared.ask(10, 2)
    answer_2
    return (answer_2,)


@app.cell
def _(answer_2):
    shared.feedback(10, 2, answer_2.value)
    return


if __name__ == "__main__":
    app.run()
