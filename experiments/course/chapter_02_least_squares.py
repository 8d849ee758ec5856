"""Chapter 2 of the course: least squares, and what noise in a regressor does."""

import marimo

app = marimo.App(app_title="2 · Least squares, and errors in variables")

with app.setup:
    from functools import cache

    import marimo as mo
    import numpy as np
    import shared
    from shared import Prediction

    from loadlearn import baseline, prepare
    from loadlearn.study.peer_inputs import force_intervals, read_inputs

    SEALED_S = 1200.0  # the bitumen ends soon after
    INTERVAL_S = 1.0


@app.cell
def _():
    shared.heading(
        2,
        "The oldest way to a mass: average the force balance over short intervals and fit three "
        "numbers by least squares. It works on a perfect log, and lies on a real one, without a "
        "word of warning.",
    )
    return


@app.cell
def _():
    mo.md(r"""
## One line per interval

Averaged over an interval of one second, with $a$ the acceleration, the balance of chapter 1 reads

$$ F = \frac{m}{s}\,(a + g\sin\theta) + \frac{m c}{s}\,g\cos\theta + \frac{C_dA}{s}\,\tfrac{1}{2}\rho v^2 + \text{error} $$

Three unknowns, a thousand lines. Least squares (Legendre 1805, Gauss 1809; from memory) takes the values that make
the sum of squared errors least. It supposes that *all of the error is in $F$*: the regressors on the
right are taken as exact. But $\sin\theta$ comes from a grade channel, and channels have noise.

A regressor that is seen with noise has its slope multiplied by

$$ \lambda = \frac{\operatorname{var}(\text{true})}{\operatorname{var}(\text{true}) + \operatorname{var}(\text{noise})} < 1 $$

(*attenuation*; Fuller, *Measurement Error Models*, 1987, ch. 1, from memory). The slope is the mass.
""")
    return


@app.cell
def _():
    question = Prediction(
        "Noise of mean zero is added to the grade channel, to twelve thousand samples. The mass that "
        "least squares finds is then ...",
        "Too low, however long the log",
        {
            "Right in the mean, a little less sure": "Noise in the *response* does that. This noise "
            "is in a regressor.",
            "Too low, however long the log": "The factor λ has no number of samples in it.",
            "Too high or too low, as chance has it": "It is always towards zero.",
        },
    )
    guess = shared.predict(question)
    guess
    return guess, question


@app.cell
def _():
    knob = shared.knob(2)
    knob
    return (knob,)


@app.cell
def _(knob):
    added_noise_percent = knob.value
    return (added_noise_percent,)


@app.cell
def _():
    @cache
    def noisy_log(percent):
        log = shared.up_to(shared.crew().log, SEALED_S).copy()
        noise = np.random.default_rng(2).normal(0.0, percent, len(log))
        log["grade_percent"] += noise
        return prepare(log, shared.crew().rig)

    @cache
    def least_squares(percent):
        balance = force_intervals(read_inputs(noisy_log(percent), shared.crew().rig), INTERVAL_S)
        found, rest, *_ = np.linalg.lstsq(balance.regressors, balance.response)
        variance = rest[0] / (len(balance.response) - 3)
        spread = np.sqrt(variance * np.linalg.inv(balance.regressors.T @ balance.regressors)[0, 0])
        return found, float(spread), balance

    @cache
    def energy_height(percent):
        last = shared.LoadEstimator(shared.crew().rig).run(noisy_log(percent)).iloc[-1]
        return float(last["mass_given_scale_kg"]), float(last["mass_sd_given_scale_kg"])

    @cache
    def total_least_squares(percent):
        last = baseline("total_least_squares", shared.crew().rig).run(noisy_log(percent)).iloc[-1]
        return float(last["mass_kg"])

    return energy_height, least_squares, total_least_squares


@app.cell
def _(added_noise_percent, energy_height, guess, least_squares, question, total_least_squares):
    _true = 5180.0 / shared.crew().drawn["tractive_scale"]
    _found, _spread, _balance = least_squares(added_noise_percent)
    _figure, _axes = shared.panels(1, 2, height=3.4)
    _left, _right = _axes[0]
    _x = _balance.regressors[:, 0]
    _y = _balance.response - _balance.regressors[:, 1:] @ _found[1:]
    _left.plot(_x, _y / 1e3, ".", color=shared.style.GREY, ms=2, alpha=0.5)
    _line = np.array([-1.6, 1.6])
    _left.plot(_line, _true * _line / 1e3, color=shared.TRUE, ls="--", label="true slope")
    _left.plot(_line, _found[0] * _line / 1e3, color=shared.OTHER, label="least squares")
    _left.set_xlim(-1.6, 1.6)
    _left.set_ylim(-9.0, 9.0)
    shared.style.tidy(_left, "force left for mass (kN)", "acceleration and slope, as seen (m/s²)")
    shared.style.small_legend(_left, loc="upper left")
    _levels = shared.CHAPTERS[1].settings
    _squares = [least_squares(one)[0][0] for one in _levels]
    _right.plot(_levels, _squares, "o-", color=shared.OTHER, label="least squares")
    _total = [total_least_squares(one) for one in _levels]
    _right.plot(_levels, _total, "^:", color=shared.style.ORANGE, label="total least squares")
    _filter = np.array([energy_height(one) for one in _levels])
    _right.errorbar(
        *(_levels, _filter[:, 0]),
        yerr=1.96 * _filter[:, 1],
        fmt="s-",
        color=shared.OURS,
        label="energy height (this package)",
        capsize=3,
    )
    _right.axhline(_true, color=shared.TRUE, ls="--", label="truth")
    _right.axvline(added_noise_percent, color="#BBBBBB", lw=4, zorder=0)
    _right.set_ylim(0.0, 6500.0)
    shared.style.tidy(_right, "mass implied (kg)", "noise added to the grade (sd, %)")
    shared.style.small_legend(_right, loc="lower left")
    _own, _own_sd = energy_height(added_noise_percent)
    shared.reveal(
        question,
        guess.value,
        shared.show(_figure, "scatter of force over slope with both lines; mass over noise"),
        f"With {added_noise_percent} % of noise least squares finds **{_found[0]:.0f} ± {_spread:.0f} "
        f"kg**; the mass that the computed force implies is {_true:.0f} kg. Energy height says "
        f"**{_own:.0f} ± {_own_sd:.0f} kg**: the same noise, summed up to a height and put on the "
        "side of the response. It costs width, and the width is said.",
        "Even at 0 % the fit is low: the logger's own grade and speed have noise already. Total least "
        "squares takes longer intervals, in which much of the noise averages out before it can do harm, "
        "and corrects for a slope error that it must be told.",
    )
    return


@app.cell
def _():
    shared.misconception(
        "Noise of mean zero averages out, if only the log is long enough.",
        "In a response it does. In a regressor it makes the answer wrong by a factor, and a long log "
        "makes it surely wrong. What is noisy belongs on the left of the equation.",
    )
    return


@app.cell
def _():
    answer_1 = shared.ask(2, 1)
    answer_1
    return (answer_1,)


@app.cell
def _(answer_1):
    shared.feedback(2, 1, answer_1.value)
    return


@app.cell
def _():
    answer_2 = shared.ask(2, 2)
    answer_2
    return (answer_2,)


@app.cell
def _(answer_2):
    shared.feedback(2, 2, answer_2.value)
    return


if __name__ == "__main__":
    app.run()
