"""Chapter 3 of the course: a Kalman filter of four states, held to the package's own."""

import marimo

app = marimo.App(app_title="3 · A Kalman filter of four states")

with app.setup:
    import inspect
    from functools import cache

    import four_states
    import marimo as mo
    import numpy as np
    import shared
    from shared import Prediction

    from loadlearn.study.reference import run_compiled


@app.cell
def _():
    shared.heading(
        3,
        "Least squares needs the whole log. A Kalman filter gives the same answer after every "
        "sample, and says how sure it is. Here is one that you can read in two minutes; then it is "
        "held to the package's compiled filter, number by number.",
    )
    return


@app.cell
def _():
    mo.md(r"""
## Two steps

The state is $x = (E, \varphi, c, \kappa)$. Over an interval only $E$ moves, by the work put in and
what rolling and drag take (chapter 1):

$$ \text{predict:}\qquad x \leftarrow A x + u, \qquad P \leftarrow A P A^{\mathsf T} + Q $$

(The first row of $A$ is $1$, the work per $\varphi$, the way and the drag; the rest is one. Many books
call it $F$, which here is the force. $u$ is what is known beforehand: the tyres' rise with speed, bends.) At the end of the interval speed and height are read. They say what
$E$ is, give or take:

$$ \text{update:}\qquad \nu = y - H x, \quad S = H P H^{\mathsf T} + R, \quad K = P H^{\mathsf T}/S,
\quad x \leftarrow x + K\nu, \quad P \leftarrow P - K H P $$

(Kalman, *J. Basic Engineering* 82(1), 1960, 35-45; Bar-Shalom, Li & Kirubarajan, *Estimation with
Applications to Tracking and Navigation*, 2001, section 5.2; pages and section from memory.) The mass is never
measured. It is learnt because $P$ remembers that an error in $\varphi$ makes an error in $E$ when the
engine pulls.
""")
    return


@app.cell
def _():
    mo.Html(
        mo.md("## All of it").text
        + "<pre>"
        + shared.html.escape(inspect.getsource(four_states.transition))
        + "\n\n"
        + shared.html.escape(inspect.getsource(four_states.four_state_filter))
        + "</pre>"
    )
    return


@app.cell
def _():
    question = Prediction(
        "After five minutes, of which half in town streets: what does the filter know best, measured "
        "against what it believed at the start?",
        "The mass",
        {
            "The mass": "A few pulls and small hills are enough: nothing else answers to them.",
            "The rolling resistance": "It shows only together with the drag; and cold tyres, which "
            "this filter does not know of, change it.",
            "The drag area": "It needs speed, and different speeds: see its curve after 3 minutes.",
        },
    )
    guess = shared.predict(question)
    guess
    return guess, question


@app.cell
def _():
    knob = shared.knob(3)
    knob
    return (knob,)


@app.cell
def _(knob):
    until_min = knob.value
    return (until_min,)


@app.cell
def _():
    @cache
    def both_filters():
        problem = shared.one_hypothesis()
        return problem.rows["time_s"], shared.four_states_of(problem), run_compiled(problem)

    return (both_filters,)


@app.cell
def _(both_filters):
    _time_s, (_mean, _covariance, _, _), _theirs = both_filters()
    _sd = np.sqrt(np.einsum("kii->ki", _covariance))
    _apart = np.abs(_mean - _theirs.states[:, 0][:, shared.FOUR]) / _sd
    _wide = np.abs(
        _sd / np.sqrt(np.einsum("kii->ki", _theirs.covariances[:, 0]))[:, shared.FOUR] - 1.0
    )
    # The package holds the drag at zero or above; four plain states do not.
    _negative = np.flatnonzero(_mean[:, 3] < 0.0)
    _until = int(_negative[0]) if _negative.size else len(_time_s)
    agreement = {
        "rows": _until,
        "until_s": float(_time_s[_until - 1]),
        "means": float(_apart[:_until].max()),
        "sds": float(_wide[:_until].max()),
    }
    assert agreement["means"] < 1e-6, "the four states are not the package's any more"
    mo.md(f"""
## Held to the package's own

The package's compiled filter has sixteen states and many hypotheses. With one ground, one load and the
other twelve states held at nothing, it must say the same. Over the first {agreement["rows"]} intervals,
up to {agreement["until_s"]:.0f} s, the largest difference of any mean is **{agreement["means"]:.0e} sd**,
of any sd {agreement["sds"]:.0e} of itself. Two programs that share not a line of the filter agree to
rounding (both are fed the same intervals). Then, on the sand, the four states want a drag below zero. The package's filter refuses.
""")
    return (agreement,)


@app.cell
def _(both_filters, guess, question, until_min):
    _time_s, (_mean, _covariance, _, _), _ = both_filters()
    _until = _time_s <= 60.0 * until_min
    _minutes = _time_s[_until] / 60.0
    _mean, _covariance = _mean[_until], _covariance[_until]
    _phi = _mean[:, 1]
    _scale = shared.crew().drawn["tractive_scale"]
    _figure, _axes = shared.panels(3, 1, height=1.9, sharex=True)
    _mass, _roll, _drag = _axes[:, 0]
    _mass_sd = np.sqrt(_covariance[:, 1, 1]) / _phi**2
    shared.band(_mass, _minutes, 1.0 / _phi, _mass_sd, shared.OURS, "four states")
    _mass.axhline(5180.0 / _scale, color=shared.TRUE, ls="--", lw=1, label="truth")
    _mass.set_ylim(3500.0, 6500.0)
    shared.style.tidy(_mass, "mass implied (kg)")
    shared.style.small_legend(_mass, loc="lower right")
    _roll_sd = np.sqrt(_covariance[:, 2, 2])
    shared.band(_roll, _minutes, _mean[:, 2], _roll_sd, shared.OURS, "")
    _roll.plot(_minutes, shared.true_at("rolling_resistance", _time_s[_until]), "k--", lw=1)
    _roll.set_ylim(0.0, 0.035)
    shared.style.tidy(_roll, "rolling resistance")
    _area = _mean[:, 3] / _phi
    _spread = (
        _covariance[:, 3, 3] - 2 * _area * _covariance[:, 3, 1] + _area**2 * _covariance[:, 1, 1]
    )
    shared.band(_drag, _minutes, _area, np.sqrt(np.maximum(_spread, 0.0)) / _phi, shared.OURS, "")
    _drag.axhline(2.097 / _scale, color=shared.TRUE, ls="--", lw=1)
    _drag.set_ylim(0.0, 4.5)
    shared.style.tidy(_drag, "drag area (m²)", "time (min)")
    _sure = 100.0 * _mass_sd[-1] * _phi[-1]
    _off = (1.0 / _phi[-1] - 5180.0 / _scale) / _mass_sd[-1]
    shared.reveal(
        question,
        guess.value,
        shared.show(_figure, "mass, rolling resistance and drag area with bands over time"),
        f"After {until_min} min: mass {1 / _phi[-1]:.0f} ± {_mass_sd[-1]:.0f} kg (**{_sure:.1f} %**, "
        f"before: 15 %), rolling resistance {_mean[-1, 2]:.4f} ± {_roll_sd[-1]:.4f} (before: "
        f"0.0105 ± 0.0030), drag area {_area[-1]:.2f} m². The mass is off by {_off:+.1f} of its sds. "
        + (
            "More than two: so sure, and wrong. Chapter 4 asks how one notices without the truth."
            if abs(_off) > 2.0
            else "Wait and turn the knob on."
        ),
        *(
            [
                "On the gravel (from 20 min) and on the sand (from 30) rolling resistance runs away, and "
                "takes the others with it: chapter 7."
            ]
            if until_min > 20
            else []
        ),
    )
    return


@app.cell
def _():
    shared.misconception(
        "A filter smooths: it is a better moving average.",
        "This one has no window and forgets nothing. Everything the drive has said of mass, rolling "
        "and drag is in twenty numbers, x and P, and nothing else is kept.",
    )
    return


@app.cell
def _():
    answer_1 = shared.ask(3, 1)
    answer_1
    return (answer_1,)


@app.cell
def _(answer_1):
    shared.feedback(3, 1, answer_1.value)
    return


@app.cell
def _():
    answer_2 = shared.ask(3, 2)
    answer_2
    return (answer_2,)


@app.cell
def _(answer_2):
    shared.feedback(3, 2, answer_2.value)
    return


if __name__ == "__main__":
    app.run()
