"""Chapter 5 of the course: what a road can teach, and why cruise control on the flat cannot."""

import marimo

app = marimo.App(app_title="5 · Identifiability: what a road can teach")

with app.setup:
    from functools import cache

    import marimo as mo
    import numpy as np
    import shared
    from shared import Prediction

    from loadlearn.simulation.departures import Departures
    from loadlearn.simulation.drive import PlantVariation
    from loadlearn.simulation.road import random_road
    from loadlearn.study.bounds import conditional_bound
    from loadlearn.study.peer_inputs import force_intervals, read_inputs

    CRUISE = "flat, cruise control at 90"
    COMMANDED = "flat, other speeds asked for"
    HILLS = "hills"
    JOIN_S = 240.0


@app.cell
def _():
    shared.heading(
        5,
        "Three unknowns, one equation per sample: it takes samples that differ. Here the same rig with "
        "the same load drives three roads. We join each after four minutes, when it has reached its "
        "speed: the pulling away alone would tell too much.",
    )
    return


@app.cell
def _():
    mo.md(r"""
## What must differ

At steady speed on the flat the balance per weight is one number, over and over:

$$ \varphi F/g = c + \kappa\,\rho v^2/2g $$

Twice the mass with half the rolling resistance fits as well. A hill adds $\sin\theta$, which is known
from the road and takes force in proportion to the mass alone; another speed changes the drag and not the
rest. How much a drive *can* tell is its **Fisher information**; its inverse is the smallest variance
that any unbiased filter can reach (the posterior Cramér-Rao bound: Tichavský, Muravchik & Nehorai, *IEEE
Trans. Signal Processing* 46(5), 1998, 1386-1396; pages from memory). In the package:
`loadlearn.study.bounds.conditional_bound`.

## And who asked for the force?

The bound takes the force as given from outside. On cruise control it is not. A gust $\delta$ slows the
vehicle by a hair, the controller answers with fuel until the speed is back: **the force is then an answer
to what nobody logs**, and motion stays as it was. Force varies, motion does not; a filter that takes the
force as a cause concludes that force does not move this vehicle: that it is heavy, without end.
(Identification in closed loop: Söderström & Stoica, *System Identification*, 1989, ch. 10; Ljung, *System
Identification*, 1999, ch. 13; chapters from memory.)
""")
    return


@app.cell
def _():
    question = Prediction(
        "Which knows the mass better: twenty minutes at a steady 90 km/h on the flat, cruise control on; "
        "or five minutes of hills?",
        "Five minutes of hills, by far",
        {
            "Twenty minutes on the flat: four times the data": "Four times the same sample. What varies "
            "in it is an answer to gusts.",
            "Five minutes of hills, by far": "A hill is a cause that nobody on board made up.",
            "About the same": "Only if all data told the same.",
        },
    )
    guess = shared.predict(question)
    guess
    return guess, question


@app.cell
def _():
    knob = shared.knob(5)
    knob
    return (knob,)


@app.cell
def _(knob):
    minutes = knob.value
    return (minutes,)


@app.cell
def _():
    squalls = Departures(squall_sd_m_s=2.5, feedforward_loss=1.0)
    steady = PlantVariation(
        departures=squalls, cruise_share=1.0, lifts_per_hour=0.0, slipstreams_per_hour=0.0
    )
    by_foot = PlantVariation(departures=Departures(squall_sd_m_s=2.5), cruise_share=0.0)

    @cache
    def joined(name):
        if name == HILLS:
            road, variation = random_road(21, 45_000.0, "rolling", stops=()), by_foot
        elif name == COMMANDED:
            limits = (90.0, 60.0, 100.0, 70.0, 90.0, 50.0, 80.0, 100.0) * 3
            road = shared.made_road(*((3000.0, 0.0, one) for one in limits))
            variation = by_foot
        else:
            road, variation = shared.made_road((60_000.0, 0.0, 90.0)), steady
        drive = shared.drive_on(road, 51, JOIN_S + 1210.0, variation=variation)
        return shared.joined_at(drive, JOIN_S)

    @cache
    def taught(name, minutes):
        log, truth = joined(name)
        log = shared.up_to(log, 60.0 * minutes)
        run = shared.learn_from(log)
        bound = conditional_bound(shared.prepare(log, shared.crew().rig), truth, shared.crew().rig)
        return run, float(bound["mass_sd_given_scale_kg"].iloc[-1])

    @cache
    def answers(name):
        log, _ = joined(name)
        balance = force_intervals(read_inputs(log, shared.crew().rig), 5.0)
        force = balance.response - balance.regressors[:, 2] * shared.crew().rig.vehicle.drag_area_m2
        motion = balance.regressors[:, 0]
        return force - force.mean(), motion - motion.mean()

    return answers, taught


@app.cell
def _(answers, guess, minutes, question, taught):
    _figure, _axes = shared.panels(1, 3, width=9.4, height=3.6)
    _true = 5180.0 / shared.crew().drawn["tractive_scale"]
    _looks = {
        CRUISE: (shared.OTHER, "--"),
        COMMANDED: (shared.style.REDDISH_PURPLE, "-."),
        HILLS: (shared.OURS, "-"),
    }
    _ellipses, _rows = _axes[0, 0], []
    for _name, (_colour, _line) in _looks.items():
        _run, _bound = taught(_name, minutes)
        _belief = _run.estimator.posterior(given_scale=True)
        _ellipses.plot(
            *_belief.ellipse("mass_kg", "rolling_resistance"),
            _line,
            color=_colour,
            lw=2,
            label=_name,
        )
        _last = _run.history.iloc[-1]
        _trust = _run.history.attrs["summary"]["trust"]
        _rows.append(
            f"| {_name} | {_last['mass_kg']:.0f} ± {_last['mass_sd_given_scale_kg']:.0f} | {_bound:.0f} "
            f"| {'yes' if _trust['ok'] else 'no: ' + '; '.join(_trust['reasons'])} |"
        )
    _ellipses.axvline(_true, color=shared.TRUE, ls="--", lw=1)
    _ellipses.set_xlim(2400.0, 8200.0)
    _ellipses.set_ylim(0.0, 0.031)
    shared.style.tidy(_ellipses, "rolling resistance", "mass, given the scale (kg)")
    shared.style.small_legend(_ellipses, loc="upper center")
    _slopes = {}
    for _ax, _name, _reach in ((_axes[0, 1], CRUISE, 0.8), (_axes[0, 2], HILLS, 3.0)):
        _force, _motion = answers(_name)
        _slopes[_name] = float(_force @ _motion / (_force @ _force))
        _ends = np.array([-_reach, _reach])
        _ax.plot(_force / 1e3, _motion, ".", color=_looks[_name][0], ms=4, alpha=0.7)
        _ax.plot(_ends, _ends * 1e3 / _true, "k--", lw=1.2, label="slope 1 / mass")
        _ax.plot(
            _ends, _ends * 1e3 * _slopes[_name], color=shared.style.GREY, lw=1.6, label="fitted"
        )
        _ax.set_xlim(-_reach, _reach)
        _ax.set_ylim(-0.3 * _reach, 0.3 * _reach)
        _ax.set_title(_name, fontsize=9)
        shared.style.tidy(_ax, "acceleration and slope (m/s²)", "force less drag (kN)")
        shared.style.small_legend(_ax, loc="upper left")
    _table = "\n".join(
        [
            "| road | mass, given the scale (kg) | bound (kg) | trusted |",
            "|---|---|---|---|",
            *_rows,
        ]
    )
    shared.reveal(
        question,
        guess.value,
        shared.show(
            _figure, "ellipses of mass and rolling resistance; motion over force, three roads"
        ),
        f"After {minutes} minutes (truth: the force implies {_true:.0f} kg):",
        mo.md(_table),
        "**Left**, the 95 % ellipse of mass and rolling resistance together. After cruise control it is "
        "about what was believed before, and leans: lighter with more rolling fits as well. Hills and "
        "commanded speeds cut it across.",
        "**Middle and right**, what moved against what pulled, five seconds a point, each about its mean. On "
        f"the hills the fitted slope says {1.0 / _slopes[HILLS]:.0f} kg. On cruise control it says "
        f"**{1.0 / _slopes[CRUISE]:.0f} kg**: the force came and went, and hardly anything moved.",
        "**The bound is fooled.** It takes the force for a cause. The package asks in addition how much "
        "of the force may have been an answer, leaves the prior where all of it may, and says so.",
    )
    return


@app.cell
def _():
    shared.misconception(
        "More data is more information.",
        "Information is in what differs and was not made on board: hills, commanded speeds, stops. A day "
        "of cruise control on the flat is one sample, repeated by a controller.",
    )
    return


@app.cell
def _():
    answer_1 = shared.ask(5, 1)
    answer_1
    return (answer_1,)


@app.cell
def _(answer_1):
    shared.feedback(5, 1, answer_1.value)
    return


@app.cell
def _():
    answer_2 = shared.ask(5, 2)
    answer_2
    return (answer_2,)


@app.cell
def _(answer_2):
    shared.feedback(5, 2, answer_2.value)
    return


if __name__ == "__main__":
    app.run()
