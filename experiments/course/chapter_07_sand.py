"""Chapter 7 of the course: bitumen, then sand. A plain filter and one that asks what it drives on."""

import marimo

app = marimo.App(app_title="7 · Bitumen, then sand")

with app.setup:
    from functools import cache

    import marimo as mo
    import shared
    from shared import Prediction

    from loadlearn import baseline

    GROUNDS = ("sealed", "gravel", "earth", "sand", "soft_sand")


@app.cell
def _():
    shared.heading(
        7,
        "A crew hauls a boat to a lake: half an hour of bitumen, ten minutes of gravel, then a track of "
        "sand to the ramp. Nothing is loaded or unloaded on the way. A filter watches the engine's pull, "
        "the speed and the slope, and says how heavy the whole is. They stop for a minute to let the tyres "
        "down; then the wheels meet the sand. What does it say now?",
    )
    return


@app.cell
def _():
    mo.md(r"""
Two filters watch the same drive.

- **The plain one** knows one ground. Its rolling resistance $c$ may drift, slowly, as tyres warm and the
  road's surface varies. It is the textbook's: an extended Kalman filter with mass, $c$ and drag as states.
- **The other** carries a *hypothesis* for each kind of ground. At any moment the wheels may be on another;
  then $c$ is drawn anew from what that ground is known to be like, and **all else is kept: the mass cannot
  change while driving.** Each hypothesis is a Kalman filter of its own. Bayes' rule weighs them by how well
  each foresaw the next sample:

$$ \Pr(\text{ground}\mid\text{data}) \propto \Pr(\text{ground}) \cdot p(\text{sample}\mid\text{ground}) $$

(*Interacting multiple models*: Blom & Bar-Shalom, *IEEE Trans. Automatic Control* 33(8), 1988, 780-783;
pages from memory.)
""")
    return


@app.cell
def _():
    question = Prediction(
        "At 1803 s the wheels meet the sand, and the engine has to pull far harder at 25 km/h. What will "
        "the plain filter say of the mass?",
        "That a tonne has been added, and it will be sure of it",
        {
            "Nothing much: rolling resistance goes up, mass stays": "It may do so only slowly; it was "
            "told that c drifts. What c is too slow to explain, mass must.",
            "That a tonne has been added, and it will be sure of it": "It has been sure of c for half an "
            "hour, and its interval never widens again.",
            "That it no longer knows: its interval opens": "An interval opens only if the filter was told "
            "that something may change. It was not.",
        },
    )
    guess = shared.predict(question)
    guess
    return guess, question


@app.cell
def _():
    knob = shared.knob(7)
    knob
    return (knob,)


@app.cell
def _(knob):
    now_s = knob.value
    return (now_s,)


@app.cell
def _(guess, now_s, question):
    _history, _plain = shared.learnt().history, shared.plain()
    _ours = _history[_history["time_s"] <= now_s].iloc[::10]
    _other = _plain[_plain["time_s"] <= now_s].iloc[::10]
    _figure, _axes = shared.panels(
        3, 2, width=9.4, height=2.1, sharex="col", sharey="row", width_ratios=(2.0, 1.0)
    )
    _true = shared.crew().truth
    _true = _true[_true["time_s"] <= now_s]
    _colours = shared.style.ground_colours(list(GROUNDS))
    _hatches = shared.style.ground_hatches(list(GROUNDS))
    _given = 1.96 * _ours["mass_sd_given_scale_kg"]
    for _mass, _roll, _ground in _axes.T:
        shared.band(
            *(_mass, _other["time_s"], _other["mass_kg"], _other["mass_sd_kg"]),
            *(shared.OTHER, "plain filter", "-."),
        )
        for _low, _high, _alpha in (
            (_ours["mass_low95_kg"], _ours["mass_high95_kg"], 0.2),
            (_ours["mass_kg"] - _given, _ours["mass_kg"] + _given, 0.45),
        ):
            _mass.fill_between(_ours["time_s"], _low, _high, color=shared.OURS, alpha=_alpha, lw=0)
        _mass.plot(
            _ours["time_s"], _ours["mass_kg"], color=shared.OURS, lw=1.6, label="with hypotheses"
        )
        _mass.plot(
            _true["time_s"], _true["mass_kg"], "--", color=shared.TRUE, lw=1.2, label="truth"
        )
        _roll.plot(_true["time_s"], _true["rolling_resistance"], "k--", lw=1.2)
        _roll.plot(_other["time_s"], _other["rolling_resistance"], "-.", color=shared.OTHER, lw=1.4)
        _roll.plot(_ours["time_s"], _ours["rolling_resistance"], color=shared.OURS, lw=1.6)
        _stacks = _ground.stackplot(
            _ours["time_s"],
            [_ours[f"p_{one}"] for one in GROUNDS],
            colors=[_colours[one] for one in GROUNDS],
            labels=["bitumen", "gravel", "earth", "sand", "soft sand"],
        )
        for _one, _name in zip(_stacks, GROUNDS, strict=True):
            _one.set_hatch(_hatches[_name])
            _one.set_edgecolor("#333333")
            _one.set_linewidth(0.0)
        for _ax in (_mass, _roll, _ground):
            shared.style.tidy(_ax, "")
            _ax.axvline(now_s, color=shared.style.GREY, lw=1)
    (_mass, _near), (_roll, _), (_ground, _near_ground) = _axes
    _mass.set_ylim(3800.0, 7000.0)
    _roll.set_yscale("log")
    _roll.set_ylim(0.006, 0.3)
    _roll.set_yticks([0.01, 0.02, 0.05, 0.1, 0.2], ["0.01", "0.02", "0.05", "0.1", "0.2"])
    _roll.minorticks_off()
    _ground.set_ylim(0.0, 1.0)
    _mass.set_xlim(0.0, 2085.0)
    _near.set_xlim(1785.0, 1905.0)
    _near.set_title("the edge of the sand", fontsize=9)
    _near.axvline(1803.0, color=shared.INK, lw=0.8, ls=":")
    shared.grounds_strip(_mass)
    shared.style.tidy(_mass, "mass (kg)")
    shared.style.tidy(_roll, "rolling resistance")
    shared.style.tidy(_ground, "probability of ground", "time (s)")
    shared.style.tidy(_near_ground, "", "time (s)")
    shared.style.small_legend(_mass, loc="upper left", ncols=3)
    shared.style.small_legend(_ground, loc="lower left", ncols=3)

    def _pull(start_s, end_s):
        truth = shared.crew().truth
        within = truth["time_s"].between(start_s, end_s) & (truth["speed_m_s"] > 3.0)
        return float(truth.loc[within, "tractive_force_n"].median())

    _a, _b = _ours.iloc[-1], _other.iloc[-1]
    _ground_now = str(shared.true_at("surface", now_s))
    _name = {"sealed": "bitumen", "soft_sand": "soft sand"}.get(_ground_now, _ground_now)
    shared.reveal(
        question,
        guess.value,
        shared.show(_figure, f"mass, rolling resistance and ground probabilities up to {now_s} s"),
        f"**{now_s} s, on {_name}.** Plain filter: **{_b['mass_kg']:.0f} ± {_b['mass_sd_kg']:.0f} kg**. With "
        f"hypotheses: **{_a['mass_kg']:.0f} ± {_a['mass_sd_kg']:.0f} kg** in all, ± "
        f"{_a['mass_sd_given_scale_kg']:.0f} kg given the scale; it believes in "
        f"{_a['surface'].replace('sealed', 'bitumen').replace('_', ' ')} with probability "
        f"{max(_a[f'p_{one}'] for one in GROUNDS):.2f}. Truth: {float(shared.true_at('mass_kg', now_s)):.0f} kg.",
        "Turn the knob through 1805, 1815 and 1840 s. On sand the engine pulls "
        f"{_pull(1806.0, 1900.0) / _pull(1300.0, 1700.0):.1f} times as hard as on the gravel before. The plain "
        "filter has one explanation left that can move fast enough. The other has four more, and asks which. "
        "Within seconds it has left the gravel; whether this is hard earth or easy sand it says only by and "
        "by, and that hardly matters: the mass has not moved. (Its band opens for a while: there was a halt, "
        "and the load may be another. Chapter 8.)",
        "Light blue: 95 % in all; dark: were the scale known (chapter 6). The plain filter's band is drawn "
        "too: it is the width of the line.",
    )
    return


@app.cell
def _():
    @cache
    def loosened(walk):
        log = shared.prepared()
        history = baseline("plain_ekf", shared.crew().rig, rolling_walk=walk).run(log)
        on_bitumen = history[history["time_s"] <= 1200.0].iloc[-1]
        return on_bitumen, history.iloc[-1]

    return (loosened,)


@app.cell
def _(loosened):
    _lines = [
        "| c may drift in an hour, times its own size | after 20 min of bitumen (kg) | after the sand (kg) "
        "| off by, in its sds |",
        "|---|---|---|---|",
    ]
    # A plain filter knows no scale: it is judged by the mass that the force implies.
    _implied = 5180.0 / shared.crew().drawn["tractive_scale"]
    for _walk in (0.01, 1.0, 10.0, 100.0):
        _early, _late = loosened(_walk)
        _lines.append(
            f"| {_walk:g} | {_early['mass_kg']:.0f} ± {_early['mass_sd_kg']:.0f} "
            f"| {_late['mass_kg']:.0f} ± {_late['mass_sd_kg']:.0f} "
            f"| {(_late['mass_kg'] - _implied) / _late['mass_sd_kg']:+.1f} |"
        )
    mo.Html(
        "<details class='reveal'><summary><b>“So let c drift faster”</b> (guess first: what does that "
        "cost?)</summary>"
        + mo.md("\n".join(_lines)).text
        + mo.md(
            "Given more freedom, c takes what the mass took, and one of these numbers comes near the truth: "
            "chosen with the truth in hand, and at several times the width on bitumen, where nothing "
            "changes. No one drift fits both ten seconds at the edge of a track and half an hour of road. A "
            "change of ground is rare and large, a drift is always and small: write down what it is, and "
            "the filter can say which ground it is on, too."
        ).text
        + "</details>"
    )
    return


@app.cell
def _():
    mo.Html(
        mo.md(
            "## The belief itself, as it converges\n\nMass on the left; mass and rolling resistance together on the right. Play, pause, step with "
            "the arrow keys, rewind. Watch it shrink on the bitumen, then watch the jump at half an hour: "
            "straight up, to another ground, and not to the right, to another mass."
        ).text
        + shared.film(shared.converging_film(), 400).text
    )
    return


@app.cell
def _():
    shared.misconception(
        "A better tuned filter would have coped.",
        "Tuning trades width on bitumen for error on sand. The trouble is the list of what can happen: a "
        "filter explains what it sees by whatever it may change, and here that was the one thing that "
        "cannot.",
    )
    return


@app.cell
def _():
    answer_1 = shared.ask(7, 1)
    answer_1
    return (answer_1,)


@app.cell
def _(answer_1):
    shared.feedback(7, 1, answer_1.value)
    return


@app.cell
def _():
    answer_2 = shared.ask(7, 2)
    answer_2
    return (answer_2,)


@app.cell
def _(answer_2):
    shared.feedback(7, 2, answer_2.value)
    return


if __name__ == "__main__":
    app.run()
