"""Chapter 8 of the course: a trailer left behind, and what a standstill may change."""

import marimo

app = marimo.App(app_title="8 · The trailer left behind")

with app.setup:
    from functools import cache

    import marimo as mo
    import numpy as np
    import shared
    from shared import Prediction

    from loadlearn import baseline, load_change_roc, prepare
    from loadlearn.demo_drive import demo_files
    from loadlearn.simulation.road import Stop
    from loadlearn.simulation.roadfile import read_road

    STOP_M, HALT_S = 16_500.0, 240.0


@app.cell
def _():
    shared.heading(
        8,
        "Another day, the same rig on the same road. On top of the range the crew halts for four minutes. "
        "They drive on without the trailer. Nothing in the log says so: no switch, no sensor.",
    )
    return


@app.cell
def _():
    mo.md(r"""
While driving the mass cannot change (chapter 7). At a standstill three things may have happened:

1. **nothing**, but for people getting in or out: the belief stays, a little wider;
2. **another load**: mass and drag are drawn anew from what this rig may haul;
3. **nothing is hitched**: the mass is the tow vehicle's own, which its owner knows to a per cent or four.

Each becomes a hypothesis with its own filter at the moment of moving off, likelier the longer the halt. What
is driven next decides, by Bayes' rule, as between grounds. The sum of the probabilities of 2 and 3 is the
column `p_load_changed`. The third hypothesis is worth gold in another way: where the mass is known
beforehand, the drive tells the *scale* (chapter 6).
""")
    return


@app.cell
def _():
    question = Prediction(
        "How long after moving off until the package is sure that the load has changed?",
        "Some seconds: the first pull away tells",
        {
            "Some seconds: the first pull away tells": "Half the mass at the same force is twice the "
            "acceleration. A pull away is the best weighing that a drive offers.",
            "Some minutes, until the next hill": "A hill tells too, but pulling away is a hill of a "
            "tenth and more.",
            "It cannot know: a lighter load looks like an easier ground": "In steady driving it would; "
            "in pulling away rolling resistance is a tenth of the force.",
        },
    )
    guess = shared.predict(question)
    guess
    return guess, question


@app.cell
def _():
    knob = shared.knob(8)
    knob
    return (knob,)


@app.cell
def _(knob):
    after_s = knob.value
    return (after_s,)


@app.cell
def _():
    @cache
    def left_behind():
        halt = Stop(STOP_M, HALT_S, event="drop_trailer", reverse_first=False)
        drive = shared.drive_on(read_road(demo_files().road).with_stops(halt), 81, 1750.0)
        log = prepare(drive.log, shared.crew().rig)
        history = shared.LoadEstimator(shared.crew().rig).run(log)
        plain = baseline("plain_ekf", shared.crew().rig).run(log)
        stood = drive.truth["standstill"].to_numpy() > 0.5
        time_s = drive.truth["time_s"].to_numpy()
        event = int(np.flatnonzero(drive.truth["load_event"].to_numpy() > 0.0)[0])
        moved_off = event + int(np.flatnonzero(~stood[event:])[0])
        return drive.truth, history, plain, float(time_s[moved_off])

    return (left_behind,)


@app.cell
def _(after_s, guess, left_behind, question):
    _truth, _history, _plain, _start = left_behind()
    _now = _start + after_s
    _ours = _history[_history["time_s"] <= _now].iloc[::2]
    _other = _plain[_plain["time_s"] <= _now].iloc[::2]
    _figure, _axes = shared.panels(2, 1, height=2.5, sharex=True, height_ratios=(2.2, 1.0))
    _mass, _changed = _axes[:, 0]
    _since, _since_plain = _ours["time_s"] - _start, _other["time_s"] - _start
    shared.band(
        _mass,
        _since_plain,
        _other["mass_kg"],
        _other["mass_sd_kg"],
        shared.OTHER,
        "plain filter",
        "-.",
    )
    _mass.fill_between(
        _since, _ours["mass_low95_kg"], _ours["mass_high95_kg"], color=shared.OURS, alpha=0.25, lw=0
    )
    _mass.plot(_since, _ours["mass_kg"], color=shared.OURS, lw=1.6, label="with hypotheses")
    _seen = _truth[_truth["time_s"] <= _now]
    _mass.plot(_seen["time_s"] - _start, _seen["mass_kg"], "k--", lw=1.2, label="truth")
    _mass.axvspan(-HALT_S, 0.0, color="#DDDDDD", lw=0, zorder=0)
    _soon = after_s <= 30
    _mass.text(-12.0 if _soon else -HALT_S / 2, 6600.0, "halt", ha="center", fontsize=9)
    _mass.set_ylim(1500.0, 7000.0)
    _mass.set_xlim(*((-62.0, 42.0) if _soon else (-420.0, 620.0)))
    shared.style.tidy(_mass, "combined mass (kg)")
    shared.style.small_legend(_mass, loc="upper right")
    _changed.plot(_since, _ours["p_load_changed"], color=shared.OURS, lw=1.6)
    _changed.set_ylim(-0.03, 1.03)
    _changed.axvspan(-HALT_S, 0.0, color="#DDDDDD", lw=0, zorder=0)
    shared.style.tidy(_changed, "p (load changed)", "seconds since moving off")
    _later = _history[_history["time_s"] > _start]
    _sure = _later.loc[_later["p_load_changed"] > 0.95, "time_s"]
    _a, _b = _ours.iloc[-1], _other.iloc[-1]
    _true = float(_truth["mass_kg"][(_truth["time_s"] <= _now)].iloc[-1])
    shared.reveal(
        question,
        guess.value,
        shared.show(
            _figure, f"mass and probability of a changed load up to {after_s} s after moving off"
        ),
        f"**{after_s} s:** plain filter {_b['mass_kg']:.0f} ± {_b['mass_sd_kg']:.0f} kg, with hypotheses "
        f"{_a['mass_kg']:.0f} ± {_a['mass_sd_kg']:.0f} kg, truth {_true:.0f} kg; probability that the load has "
        f"changed {_a['p_load_changed']:.3f}.",
        f"It passes 0.95 for the first time **{_sure.iloc[0] - _start:.1f} s** after moving off. The plain "
        "filter has been told that the mass never changes, and has the whole drive as evidence for the old one: "
        "it takes the rest of the drive to give it up, and is sure of every number on the way.",
    )
    return


@app.cell
def _(left_behind):
    _truth, _history, _, _start = left_behind()
    # Every halt of both drives, ten seconds after moving off: which were changes of load?
    _halts = []
    for _true, _told in ((shared.crew().truth, shared.learnt().history), (_truth, _history)):
        _still = _true["standstill"].to_numpy() > 0.5
        _time = _true["time_s"].to_numpy()
        for _off in np.flatnonzero(_still[:-1] & ~_still[1:]):
            if _time[_off] < 60.0 or _time[_off] + 11.0 > _told["time_s"].iloc[-1]:
                continue
            _at = _told[_told["time_s"] <= _time[_off] + 11.0].iloc[-1]
            _began = np.flatnonzero(~_still[:_off])[-1] if (~_still[:_off]).any() else 0
            _event = (_true["load_event"].to_numpy()[_began : _off + 2] > 0.0).any()
            _halts.append((float(_time[_off]), bool(_event), float(_at["p_load_changed"])))
    _roc = load_change_roc([one[1] for one in _halts], [one[2] for one in _halts])
    _lines = "\n".join(f"| {t:.0f} | {'yes' if c else 'no'} | {p:.3f} |" for t, c, p in _halts)
    mo.md(f"""
## And where nothing has changed?

To notice is half of it; not to cry wolf is the other. All halts of both days, ten seconds after moving off:

| moved off at (s) | load changed | p_load_changed |
|---|---|---|
{_lines}

A threshold on that probability trades missed changes for false alarms; the area under that curve (receiver
operating characteristic, `loadlearn.load_change_roc`) is {_roc.area:.2f} here: 1 is all told apart. Few halts
prove little: `experiments/load_change.py` counts hundreds.
""")
    return


@app.cell
def _():
    shared.misconception(
        "Let the mass drift a little, and the filter will follow any change.",
        "A mass that may drift while driving follows every patch of sand as well (chapter 7). Say when it can "
        "change: at a standstill, and then by anything.",
    )
    return


@app.cell
def _():
    answer_1 = shared.ask(8, 1)
    answer_1
    return (answer_1,)


@app.cell
def _(answer_1):
    shared.feedback(8, 1, answer_1.value)
    return


@app.cell
def _():
    answer_2 = shared.ask(8, 2)
    answer_2
    return (answer_2,)


@app.cell
def _(answer_2):
    shared.feedback(8, 2, answer_2.value)
    return


if __name__ == "__main__":
    app.run()
