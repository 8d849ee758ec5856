"""Chapter 6 of the course: the tractive scale, considered and not estimated; calibration."""

import marimo

app = marimo.App(app_title="6 · The scale: considered, not estimated")

with app.setup:
    from functools import cache

    import marimo as mo
    import shared
    from shared import Prediction

    from loadlearn import LoadEstimator
    from loadlearn.estimation.calibration import calibrate, observe_drive
    from loadlearn.simulation.road import random_road

    OTHER_DRIVE_KG = 4700.0


@app.cell
def _():
    shared.heading(
        6,
        "The force is not measured: it is computed from fuelling, through the engine's efficiency and the "
        "driveline's. That chain is off by some per cent, always the same way. No amount of driving "
        "tells by how much; one weighbridge does.",
    )
    return


@app.cell
def _():
    mo.md(r"""
## Why the drive cannot tell

Let the true force be $sF$. Multiply $s$, $m$ and $C_dA$ all by 1.03: the balance

$$ (m + \mu)\frac{dv}{dt} = sF - m g(\sin\theta + c\cos\theta) - \tfrac12\rho C_dA v^2 $$

is multiplied by 1.03 on both sides (but for $\mu$, a few per cent of it) and the motion is the same. Two
loads, one log. So $s$ is not a state to be estimated. It is **considered** (Schmidt, *Advances in Control
Systems* 3, 1966, 293-340; Jazwinski, *Stochastic Processes and Filtering Theory*, 1970, section 8.4; pages and section from memory):
never updated by a towing drive, always in the answer:

$$ \operatorname{var}(\ln m) = \operatorname{var}(\ln \tfrac{1}{\varphi}) + \operatorname{var}(\ln s) $$

The first term is the drive's, *given the scale*; the second is the chain's.

Every interval of the package is therefore said twice. *Given the scale* shrinks as one drives. *In all*
does not go below what the chain leaves.
""")
    return


@app.cell
def _():
    question = Prediction(
        "The crew's scale is believed to 3 % (one sd). They drive ten hours more, over every kind of hill. "
        "How wide is the 95 % interval of the mass then?",
        "About ± 6 %, as after one hour",
        {
            "About ± 0.5 %: it shrinks with the square root of time": "The part given the scale does; "
            "the scale does not come into what they see.",
            "About ± 6 %, as after one hour": "1.96 times 3 %: all that is left is the chain's.",
            "Wider than before: errors pile up": "The scale's error is one number, the same all day.",
        },
    )
    guess = shared.predict(question)
    guess
    return guess, question


@app.cell
def _():
    knob = shared.knob(6)
    knob
    return (knob,)


@app.cell
def _(knob):
    scale_sd_percent = knob.value
    return (scale_sd_percent,)


@app.cell
def _():
    def believing(scale, sd):
        rig = shared.crew().rig
        uncertainty = rig.uncertainty.model_copy(
            update={"tractive_scale": scale, "tractive_scale_sd": sd}
        )
        return rig.model_copy(update={"uncertainty": uncertainty})

    @cache
    def told(scale, sd):
        return LoadEstimator(believing(scale, sd)).run(shared.prepared())

    @cache
    def weighed_drive():
        road = random_road(61, 40_000.0, "rolling")
        return shared.drive_on(road, 61, 1500.0, mass_kg=OTHER_DRIVE_KG)

    @cache
    def calibrated():
        rig = shared.crew().rig
        seen = observe_drive(weighed_drive().log, rig, OTHER_DRIVE_KG, 15.0, "the weighed drive")
        return seen, calibrate([seen], rig)

    return calibrated, told


@app.cell
def _(calibrated, guess, question, scale_sd_percent, told):
    _history = told(1.0, scale_sd_percent / 100.0)
    _, _learnt = calibrated()
    _after = told(_learnt.tractive_scale, _learnt.tractive_scale_sd)
    _figure, _axes = shared.panels(1, 2, width=9.0, height=3.4, sharey=True)
    for _ax, _one, _title in (
        (_axes[0, 0], _history, f"scale believed to {scale_sd_percent:g} %"),
        (
            _axes[0, 1],
            _after,
            f"calibrated: scale {_learnt.tractive_scale:.3f} ± {_learnt.tractive_scale_sd:.3f}",
        ),
    ):
        _thin = _one.iloc[::20]
        _minutes = _thin["time_s"] / 60.0
        _ax.fill_between(
            _minutes,
            _thin["mass_low95_kg"],
            _thin["mass_high95_kg"],
            color=shared.OURS,
            alpha=0.2,
            lw=0,
            label="95 % in all",
        )
        _given = 1.96 * _thin["mass_sd_given_scale_kg"]
        _ax.fill_between(
            _minutes,
            _thin["mass_kg"] - _given,
            _thin["mass_kg"] + _given,
            color=shared.OURS,
            alpha=0.5,
            lw=0,
            label="given the scale",
        )
        _ax.plot(_minutes, _thin["mass_kg"], color=shared.OURS, lw=1)
        _ax.plot(_minutes, shared.true_at("mass_kg", _thin["time_s"]), "k--", lw=1, label="truth")
        _ax.set_ylim(4300.0, 6100.0)
        _ax.set_title(_title, fontsize=9)
        shared.style.tidy(_ax, "combined mass (kg)", "time (min)")
    _axes[0, 1].set_ylabel("")
    shared.style.small_legend(_axes[0, 0], loc="upper right")
    _last, _end = _history.iloc[-1], _after.iloc[-1]
    shared.reveal(
        question,
        guess.value,
        shared.show(_figure, "mass with both bands over time, before and after calibration"),
        f"Told {scale_sd_percent:g} %, the drive ends at {_last['mass_kg']:.0f} kg, ± "
        f"{_last['mass_sd_kg']:.0f} kg in all and ± {_last['mass_sd_given_scale_kg']:.0f} kg given the "
        "scale (sds). Turn the knob: the inner band moves little, for the drive is the same. The outer "
        "one is what you told it. (The spike at half an hour is a halt: for some seconds the load may be "
        "another. Chapter 8.)",
        f"**Calibrated** on one other drive of {OTHER_DRIVE_KG:.0f} kg, weighed to 15 kg: the same rig, the "
        f"same chain. Scale {_learnt.tractive_scale:.3f} ± {_learnt.tractive_scale_sd:.3f}; the truth, which "
        f"only a simulator knows, is {shared.crew().drawn['tractive_scale']}. The crew's mass is now "
        f"{_end['mass_kg']:.0f} ± {_end['mass_sd_kg']:.0f} kg in all. Not better, because drives differ: fuel, "
        "oil temperature and tyres move the scale by a per cent or more from day to day, and one weighed "
        "drive does not tell by how much.",
    )
    return


@app.cell
def _():
    shared.misconception(
        "More driving shrinks every interval.",
        "It shrinks what driving can tell. An error that is the same in every sample does not average; it "
        "is carried, and said. Whoever estimates it along with the mass gets a confident number for "
        "something that the log does not contain.",
    )
    return


@app.cell
def _():
    answer_1 = shared.ask(6, 1)
    answer_1
    return (answer_1,)


@app.cell
def _(answer_1):
    shared.feedback(6, 1, answer_1.value)
    return


@app.cell
def _():
    answer_2 = shared.ask(6, 2)
    answer_2
    return (answer_2,)


@app.cell
def _(answer_2):
    shared.feedback(6, 2, answer_2.value)
    return


if __name__ == "__main__":
    app.run()
