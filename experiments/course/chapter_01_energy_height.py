"""Chapter 1 of the course: from the force balance to energy height."""

import marimo

app = marimo.App(app_title="1 · From force balance to energy height")

with app.setup:
    import marimo as mo
    import numpy as np
    import shared
    from shared import Prediction

    from loadlearn.study.problem import drive_rows
    from loadlearn.vehicle.roadload import REFERENCE_SPEED_M_S


@app.cell
def _():
    shared.heading(
        1,
        "A survey crew hauls a boat. How heavy is the combination? Nobody weighs it, but the vehicle "
        "logs its speed, its fuelling and the grade of the road ten times a second. This chapter "
        "turns those into one equation in which the mass stands alone.",
    )
    return


@app.cell
def _():
    mo.md(r"""
## The force balance

Along the road, with $m_{\mathrm{eff}} = m + \mu$ and no wind,

$$ m_{\mathrm{eff}}\,\frac{dv}{dt} = sF - m g\,(\sin\theta + c\cos\theta) - \tfrac{1}{2}\rho\, C_dA\, v^2 $$

What pulls, less what the hill, the ground and the air take, is what speeds the vehicle up
(Gillespie, *Fundamentals of Vehicle Dynamics*, 1992, ch. 1 and 4; Wong, *Theory of Ground Vehicles*,
ch. 3; chapters from memory, no page at hand). In the package it stands once:
`loadlearn.vehicle.roadload.longitudinal_acceleration`. The force $F$ is computed from the fuelling: its heat times
an efficiency, less friction, through the gears (`loadlearn.vehicle.engine_force`); a torque channel or a measured
force would do as well.

## Per weight, along the way

Multiply by the way $dx = v\,dt$, divide by the weight $m g$, and write $\varphi = s/m$ and
$\kappa = C_dA/m$. On the left $v\,dv = d(v^2/2)$; on the right $\sin\theta\,dx = dh$, the rise of the
road. Bring the rise to the left:

$$ d\left[\frac{v^2}{2g} + h + \frac{\mu}{m}\frac{v^2}{2g}\right]
 = \varphi\,\frac{F\,dx}{g} - c\cos\theta\,dx - \kappa\,\frac{\rho v^2\,dx}{2g} $$

The bracket is the **energy height** $E$: how high the vehicle would stand if all its energy were
height. (The rotating parts' share is written with $\mu/m$; the filter takes $\varphi\mu$, which
differs by the scale's per cent or two of a small term.) Three things make it worth having:

1. $\varphi$, $c$ and $\kappa$ stand in it **linearly**. Each drive is a linear problem.
2. Only $s/m$ stands in it, never $m$ alone: what a drive tells is the mass *that the computed force
   implies*. Chapter 6 is about the difference.
3. A grade channel is *summed up* to a height and never divided by anything; its noise is noise of
   a result. Chapter 2 is about what happens otherwise.
""")
    return


@app.cell
def _():
    mo.Html(
        f"<details><summary>Notation of the whole course</summary>{mo.md(shared.NOTATION).text}</details>"
    )
    return


@app.cell
def _():
    question = Prediction(
        "Somebody believes the combination to be lighter than it is. Where does the balance go wrong?",
        "Wherever the engine pulls, and most on the climb",
        {
            "Only while it speeds up": "Speeding up is one of the uses of force; F dx / m g stands "
            "against all of them.",
            "Only uphill": "Most of it, but cruising on the flat takes force too.",
            "Wherever the engine pulls, and most on the climb": "The error is the energy put in, "
            "divided by the wrong weight.",
        },
    )
    guess = shared.predict(question)
    guess
    return guess, question


@app.cell
def _():
    knob = shared.knob(1)
    knob
    return (knob,)


@app.cell
def _(knob):
    believed_kg = knob.value
    return (believed_kg,)


@app.cell
def _():
    # The terms of every interval, with the truth put in for all but the mass.
    rows = drive_rows(shared.prepared(), shared.crew().rig)
    known = (rows["known"] > 0.5) & np.isfinite(rows["measured_m"])
    time_s = rows["time_s"]
    drawn = shared.crew().drawn
    rolling = shared.true_at("rolling_resistance", time_s) * rows["distance_cos_m"]
    rolling = np.where(known, rolling + drawn["tyre_speed_slope"] * rows["slope_m"], 0.0)

    def terms(mass_kg):
        energy = rows["measured_m"] + rows["rotating_kg_m"] / mass_kg
        gained = np.where(known, np.diff(energy, prepend=energy[0]), 0.0)
        work = np.where(known, drawn["tractive_scale"] * rows["work_kg_m"] / mass_kg, 0.0)
        area = shared.true_at("drag_area_m2", time_s)
        drag = np.where(known, area / mass_kg * rows["drag2"], 0.0)
        return gained, work, drag

    return known, rolling, rows, terms, time_s


@app.cell
def _(believed_kg, rolling, terms):
    _gained, _work, _drag = terms(believed_kg)
    left_over = np.cumsum(_gained - (_work - rolling - _drag))
    return (left_over,)


@app.cell
def _(believed_kg, guess, left_over, question, terms, time_s):
    _figure, _axes = shared.panels(2, 1, sharex=True)
    _minutes = time_s / 60.0
    _top, _foot = _axes[:, 0]
    _height = shared.crew().truth
    _top.fill_between(_height["time_s"] / 60.0, _height["altitude_m"], color="#BBBBBB", lw=0)
    shared.style.tidy(_top, "road (m)")
    _foot.plot(_minutes, left_over, color=shared.OURS, lw=1.5)
    _foot.axhline(0.0, color=shared.INK, lw=0.8, ls="--")
    _foot.set_ylim(-125.0, 125.0)
    shared.style.tidy(_foot, "energy height unaccounted for (m)", "time (min)")
    _heavy = believed_kg > 5180
    _words = (
        f"Believed right, the balance closes to {left_over[-1]:.0f} m over 33 km, in which the engine put in "
        f"{terms(believed_kg)[1].clip(0.0).sum():.0f} m: what is left is wind, bends and the sensors."
        if believed_kg == 5180
        else f"Believed {believed_kg} kg: the work is divided by too {'much' if _heavy else 'little'}, "
        f"so the vehicle seems to gain {'more' if _heavy else 'less'} than it was given: "
        f"{left_over[-1]:+.0f} m in the end."
    )
    shared.reveal(
        question,
        guess.value,
        shared.show(_figure, f"road height, and energy unaccounted for at {believed_kg} kg"),
        f"{_words} The curve bends where the engine pulls, hardest between 9 and 13 minutes, up the "
        "range, and is flat on the way down. Turn the knob until it lies on zero: you have weighed "
        "the combination. (The truth was put in for everything else, the scale of the force too. "
        "The rest of the course does without.)",
    )
    return


@app.cell
def _(known, rolling, rows, terms, time_s):
    _gained, _work, _drag = terms(5180.0)
    _stretches = {
        "town and hills": (0.0, 540.0),
        "up the range": (540.0, 790.0),
        "along the top": (790.0, 960.0),
        "gravel": (1220.0, 1800.0),
        "sand": (1803.0, 2039.0),
    }
    _pulling = known & (rows["work_kg_m"] > 0.0)
    _figure, _axes = shared.panels(height=3.0)
    _ax = _axes[0, 0]
    _middle = np.arange(len(_stretches))
    _foot = np.zeros(len(_stretches))
    _rise = np.where(known, rows["grade_height_m"], 0.0)
    for _label, _term, _colour, _hatch in (
        ("rolling", rolling, shared.style.ORANGE, ""),
        ("drag", _drag, shared.style.SKY_BLUE, "//"),
        ("climbing", _rise, shared.style.GREY, ".."),
        ("speeding up", _gained - _rise, shared.style.VERMILION, "xx"),
    ):
        _share = []
        for _start, _end in _stretches.values():
            _in = _pulling & (time_s >= _start) & (time_s < _end)
            _share.append(100.0 * _term[_in].sum() / _work[_in].sum())
        _positive = np.maximum(_share, 0.0)
        _ax.bar(
            _middle, _positive, bottom=_foot, color=_colour, hatch=_hatch, label=_label, ec="white"
        )
        _foot += _positive
    _ax.set_xticks(_middle, list(_stretches))
    _ax.set_ylim(0.0, 135.0)
    shared.style.tidy(_ax, "of the work put in (%)")
    shared.style.small_legend(_ax, ncols=4, loc="upper center")
    shared.show(_figure, "shares of the work: rolling, drag, climbing, speeding up, by stretch")
    return


@app.cell
def _():
    mo.md(f"""
Where the work goes while the engine pulls. On the climb most of it lifts the weight; on the flat drag
and rolling take it; on sand (at {REFERENCE_SPEED_M_S * 3.6 / 3:.0f} km/h or so) nearly all is rolling.
A stack above 100 % is a stretch in which speed was given up for it.
""")
    return


@app.cell
def _():
    shared.misconception(
        "Mass shows in how briskly it speeds up: F = m a.",
        "On this drive speeding up is a minor user of work. Hills tell the mass better, because they "
        "last, and because a height is known better than an acceleration.",
    )
    return


@app.cell
def _():
    answer_1 = shared.ask(1, 1)
    answer_1
    return (answer_1,)


@app.cell
def _(answer_1):
    shared.feedback(1, 1, answer_1.value)
    return


@app.cell
def _():
    answer_2 = shared.ask(1, 2)
    answer_2
    return (answer_2,)


@app.cell
def _(answer_2):
    shared.feedback(1, 2, answer_2.value)
    return


if __name__ == "__main__":
    app.run()
