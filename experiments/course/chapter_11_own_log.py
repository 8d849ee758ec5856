"""Chapter 11 of the course: the learner's own log."""

import marimo

app = marimo.App(app_title="11 · Your own log")

with app.setup:
    import tempfile
    from pathlib import Path

    import marimo as mo
    import shared
    from shared import Prediction

    import loadlearn
    from loadlearn.demo_drive import demo_files


@app.cell
def _():
    shared.heading(
        11,
        "Now yours. A log needs time, speed, fuelling (or torque), and grade or altitude, once a second or "
        "more often; a rig file says what is driven. Until you give one, the course's own drive is used.",
    )
    return


@app.cell
def _():
    mo.md("""
- **Rig**: copy one of `synthetic_data/rigs/` and change what you know; most keys have defaults.
- **Columns** of other names or units: a channel map, see the README, "Your own log".
- Look first with `loadlearn inspect LOG --rig RIG`: channels, gaps, what could be learnt.
- CSV (also `.gz`), Parquet, ASAM MDF 4. Nothing leaves your machine.
""")
    return


@app.cell
def _():
    question = Prediction(
        "Before you run it: where will your drive have taught most of the mass?",
        "In its hills and pulls; long steady stretches will say “not learnt”",
        {
            "In its longest steady stretch": "Chapter 5: steady force is an answer, or always the same.",
            "In its hills and pulls; long steady stretches will say “not learnt”": "The list says which "
            "stretches told nothing, and why.",
            "Evenly all along": "Information comes in lumps: a hill, a pull, a halt.",
        },
    )
    guess = shared.predict(question)
    guess
    return guess, question


@app.cell
def _():
    log_file = mo.ui.file(label="your log", filetypes=[".csv", ".gz", ".parquet", ".mf4"])
    rig_file = mo.ui.file(label="your rig file (TOML)", filetypes=[".toml"])
    map_file = mo.ui.file(label="channel map (TOML), if needed", filetypes=[".toml"])
    log_place = mo.ui.text(label="or the path of a log", full_width=True)
    rig_place = mo.ui.text(label="and of its rig file", full_width=True)
    shared.instead(
        mo.vstack([log_file, rig_file, map_file, log_place, rig_place]),
        "<p><i>Here, in the live notebook (<code>marimo run "
        "experiments/course/chapter_11_own_log.py</code>), one gives files or paths. This page shows the "
        "course's own drive.</i></p>",
    )
    return log_file, log_place, map_file, rig_file, rig_place


@app.cell
def _(log_file, log_place, map_file, rig_file, rig_place):
    # Uploads become files: the reader goes by their names' endings.
    _folder = Path(tempfile.mkdtemp())

    def _kept(upload):
        if not upload.value:
            return None
        path = _folder / Path(upload.name()).name
        path.write_bytes(upload.contents())
        return path

    log_path = _kept(log_file) or (Path(log_place.value) if log_place.value else demo_files().log)
    rig_path = _kept(rig_file) or (Path(rig_place.value) if rig_place.value else demo_files().rig)
    map_path = _kept(map_file)
    return log_path, map_path, rig_path


@app.cell
def _(log_path, map_path, rig_path):
    try:
        history, refused = loadlearn.estimate(log_path, rig_path, channels=map_path), ""
    except loadlearn.InputError as error:
        history, refused = None, str(error)
    mo.md(f"**The log cannot be used:** {refused}").callout("warn") if refused else None
    return history, refused


@app.cell
def _(guess, history, question):
    def figure_of(history):
        thin = history.iloc[:: max(1, len(history) // 2000)]
        figure, axes = shared.panels(3, 1, height=1.9, sharex=True)
        mass, roll, drag = axes[:, 0]
        minutes = (thin["time_s"] - thin["time_s"].iloc[0]) / 60.0
        begin = float(thin["time_s"].iloc[0])
        for one in history.attrs["summary"]["not_learnt"]:
            mass.axvspan(
                (one["start_s"] - begin) / 60, (one["end_s"] - begin) / 60, color="#DDDDDD", lw=0
            )
        mass.fill_between(
            minutes,
            thin["mass_low95_kg"],
            thin["mass_high95_kg"],
            color=shared.OURS,
            alpha=0.2,
            lw=0,
            label="95 % in all",
        )
        given = 1.96 * thin["mass_sd_given_scale_kg"]
        mass.fill_between(
            minutes,
            thin["mass_kg"] - given,
            thin["mass_kg"] + given,
            color=shared.OURS,
            alpha=0.5,
            lw=0,
            label="given the scale",
        )
        mass.plot(minutes, thin["mass_kg"], color=shared.OURS, lw=1.2)
        shared.style.tidy(mass, "combined mass (kg)")
        shared.style.small_legend(mass, loc="upper right")
        shared.band(
            roll,
            minutes,
            thin["rolling_resistance"],
            thin["rolling_resistance_sd"],
            shared.OURS,
            "",
        )
        roll.set_ylim(bottom=0.0)
        shared.style.tidy(roll, "rolling resistance")
        shared.band(drag, minutes, thin["drag_area_m2"], thin["drag_area_sd_m2"], shared.OURS, "")
        drag.set_ylim(bottom=0.0)
        shared.style.tidy(drag, "drag area (m²)", "time (min)")
        return figure

    def words_of(summary):
        mass = summary["mass_kg"]
        low, high = mass["interval95"]
        trust = summary["trust"]
        said = [
            f"**{mass['mean']:.0f} kg**, 95 % between {low:.0f} and {high:.0f} kg in all; sd given the scale "
            f"{mass['sd_given_scale']:.0f} kg.",
            "To be trusted."
            if trust["ok"]
            else "**Not to be trusted:** " + "; ".join(trust["reasons"]) + ".",
        ]
        for one in summary["not_learnt"]:
            said.append(
                f"Not learnt from {one['start_s']:.0f} to {one['end_s']:.0f} s: {one['because']}."
            )
        for one in summary["load_changes"]:
            said.append(
                f"The load changed at {one['time_s']:.0f} s, from {one['before_kg']:.0f} to "
                f"{one['after_kg']:.0f} kg (probability {one['probability']:.2f})."
            )
        for one in summary["surfaces"]:
            said.append(
                f"{one['surface'].replace('_', ' ')} from {one['start_s']:.0f} to {one['end_s']:.0f} s: rolling "
                f"resistance {one['rolling_resistance']['mean']:.4f}."
            )
        said += [f"Note: {one}." for one in summary["warnings"]]
        said.append(f"Next: {summary['what_to_drive_next']}")
        return said

    (
        None
        if history is None
        else shared.reveal(
            question,
            guess.value,
            shared.show(
                figure_of(history), "mass, rolling resistance and drag area over the drive"
            ),
            mo.md("\n".join(f"- {one}" for one in words_of(history.attrs["summary"]))),
            shared.CAUTION,
        )
    )
    return


@app.cell
def _():
    shared.misconception(
        "The program gave me a number, so I know the mass.",
        "You know an interval, what it rests on, and when not to trust it. If it matters, weigh; then tell the "
        "package (`loadlearn calibrate`), and every later drive is the better for it.",
    )
    return


@app.cell
def _():
    answer_1 = shared.ask(11, 1)
    answer_1
    return (answer_1,)


@app.cell
def _(answer_1):
    shared.feedback(11, 1, answer_1.value)
    return


@app.cell
def _():
    answer_2 = shared.ask(11, 2)
    answer_2
    return (answer_2,)


@app.cell
def _(answer_2):
    shared.feedback(11, 2, answer_2.value)
    return


if __name__ == "__main__":
    app.run()
