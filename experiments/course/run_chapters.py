"""Run every chapter headlessly, at all positions of its knob, and write the course as static pages.

The pages need no Python, no server and no network: knobs switch between what was computed,
predictions and exercises answer by themselves. Live, with every knob free::

    pip install '.[teach]'
    marimo edit experiments/course/chapter_07_sand.py     # or: marimo run

Question
    Do all cells of all chapters run, at every setting?
Method
    ``app.run`` of marimo with the knob's variable overridden; a cell that raises fails the run.
    ``--quick`` takes the first and the last position of each knob.
"""

from __future__ import annotations

import argparse
import html
import importlib
import re
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import shared  # noqa: E402
from latex2mathml.converter import convert  # noqa: E402

STYLE = """
body{font:17px/1.55 Georgia,serif;max-width:54rem;margin:0 auto;padding:1rem;color:#111;background:#fff}
h1,h2,h3,nav,.knob,fieldset,.exercise,summary,figcaption,table{font-family:system-ui,sans-serif}
h1{font-size:1.7rem;line-height:1.2}h2{font-size:1.25rem;margin-top:2rem}
nav{display:flex;justify-content:space-between;gap:1rem;font-size:.9rem;border-bottom:1px solid #ccc}
table{border-collapse:collapse;font-size:.86rem;margin:.8rem 0}td,th{border:1px solid #bbb;
padding:.2rem .5rem;text-align:left;vertical-align:top}
img.figure{display:block;margin:.6rem 0;border:1px solid #ddd}
pre{background:#f4f4f4;padding:.6rem;overflow-x:auto;font-size:.78rem;line-height:1.4}
code{font-size:.88em;background:#f4f4f4}
.knob{position:sticky;top:0;background:#eef4fa;border:1px solid #0072B2;padding:.5rem .8rem;z-index:2}
.knob input{width:min(22rem,60%);vertical-align:middle}.knob output{font-weight:bold}
fieldset{border:1px solid #0072B2;margin:1.2rem 0}fieldset label,.exercise label{display:block}
details{border:1px solid #999;padding:.4rem .9rem;margin:1rem 0}summary{cursor:pointer}
details.waiting{opacity:.55}.exercise{border-left:4px solid #009E73;padding:.2rem 1rem;margin:1rem 0}
.verdict{font-weight:bold;min-height:1.4em}.misconception{margin:1rem 0}
span.paragraph{display:block;margin:.7rem 0}
math{font-size:1.08em}math[display=block]{margin:.7rem 0}[hidden]{display:none!important}
@media print{.knob{position:static}}
"""

SCRIPT = """
const knob=document.querySelector('.knob input'),said=document.querySelector('.knob output');
const labels=JSON.parse(document.body.dataset.settings);
function turn(){if(!knob)return;const open=[...document.querySelectorAll('details.reveal')].some(d=>d.open);
document.querySelectorAll('[data-setting]').forEach(e=>{e.hidden=e.dataset.setting!==knob.value});
document.querySelectorAll('details.reveal').forEach(d=>{d.open=open});said.textContent=labels[knob.value]}
if(knob)knob.oninput=turn;turn();
let predicted=!document.querySelector('.predict');
document.querySelectorAll('.predict input').forEach(e=>e.onchange=()=>{predicted=true;
document.querySelectorAll('details.reveal').forEach(d=>d.classList.remove('waiting'))});
document.querySelectorAll('details.reveal').forEach(d=>{if(!predicted)d.classList.add('waiting');
d.querySelector('summary').onclick=e=>{if(!predicted){e.preventDefault();
document.querySelector('.predict').scrollIntoView({block:'center'});
document.querySelector('.predict input').focus()}}});
document.querySelectorAll('.exercise').forEach(box=>{const told=JSON.parse(box.dataset.told),
within=+box.dataset.within,verdict=box.querySelector('.verdict');
const say=(hit,other)=>{verdict.textContent=hit?(hit[2]?'Right. ':'')+hit[1]:other};
box.querySelectorAll('input[type=radio]').forEach(e=>e.onchange=()=>say(told.find(t=>t[0]===e.value),''));
const text=box.querySelector('input[type=text]');if(!text)return;
const judge=()=>{const value=parseFloat(text.value.replace(',','.'));
if(isNaN(value)){say(null,'Give a number, without its unit.');return}
say(told.find(t=>Math.abs(value-t[0])<=within*Math.abs(t[0])),
'Not that, and none of the usual slips: write the balance down again.')};
box.querySelector('button').onclick=judge;text.onkeydown=e=>{if(e.key==='Enter')judge()}});
"""

PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<meta http-equiv="Content-Security-Policy"
content="default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'">
<title>{title}</title><style>{style}</style>
<body data-settings="{settings}">
<nav>{nav}</nav>
{body}
<script>{script}</script></body></html>
"""


def with_mathml(text: str) -> str:
    """Formulas as MathML, which browsers draw without a library."""

    def formula(found: re.Match[str]) -> str:
        tex = html.unescape(found.group(1))
        block = tex.startswith("||[")
        return convert(tex[3:-3].strip(), display="block" if block else "inline")

    return re.sub(r"<marimo-tex[^>]*>(.*?)</marimo-tex>", formula, text, flags=re.DOTALL)


def as_html(output: Any) -> str:
    """What a page without Python shows of a cell's output."""
    if output is None:
        return ""
    registered = shared.static_form(output)
    if registered is not None:
        return with_mathml(registered)
    text = getattr(output, "text", None)
    if text is None:
        raise TypeError(f"a cell's output is a {type(output).__name__}; chapters show marimo's own")
    left = re.search(r"<marimo-(?!tex)[a-z-]+", text)
    if left:
        raise TypeError(f"{left.group()}> needs marimo's own page: see shared.instead")
    return with_mathml(text)


def run_chapter(chapter: shared.Chapter, settings: Sequence[Any]) -> list[list[str]]:
    """Outputs of all cells, as HTML, at each setting."""
    app = importlib.import_module(chapter.stem).app
    turned = [{chapter.knob: setting} if chapter.knob else {} for setting in settings]
    return [[as_html(one) for one in app.run(defs=defs)[0]] for defs in turned]


def page_of(chapter: shared.Chapter, settings: Sequence[Any], runs: list[list[str]]) -> str:
    """The page of a chapter: what differs between settings is there once for each."""
    import json

    parts = []
    start = settings.index(chapter.settings[chapter.start]) if len(settings) > 2 else 0
    for cell in zip(*runs, strict=True):
        if len(set(cell)) == 1:
            parts.append(cell[0])
            continue
        parts.extend(
            f'<div data-setting="{at}"{"" if at == start else " hidden"}>{one}</div>'
            for at, one in enumerate(cell)
        )
    body = "\n".join(parts)
    body = re.sub(
        r'(<p class="knob">.*?max=")\d+(" value=")\d+', rf"\g<1>{len(runs) - 1}\g<2>{start}", body
    )
    number = chapter.number
    around = [
        f'<a href="{shared.CHAPTERS[number - 2].stem}.html">back</a>'
        if number > 1
        else "<span></span>",
        '<a href="index.html">contents</a>',
        f'<a href="{shared.CHAPTERS[number].stem}.html">on</a>'
        if number < len(shared.CHAPTERS)
        else "<span></span>",
    ]
    return PAGE.format(
        title=f"{number} · {chapter.title}",
        style=STYLE,
        script=SCRIPT,
        settings=html.escape(json.dumps([str(one) for one in settings])),
        nav=" ".join(around),
        body=body,
    )


def index_page() -> str:
    """Contents, notation, caution, lesson plan."""
    import marimo as mo

    chapters = "".join(
        f'<li><a href="{one.stem}.html">{html.escape(one.title)}</a></li>'
        for one in shared.CHAPTERS
    )
    plan = mo.md((HERE / "lesson_50_minutes.md").read_text(encoding="utf-8")).text
    body = (
        "<h1>What a drive can teach</h1><p>Eleven chapters on learning a load from an ordinary drive "
        "log. One drive runs through them: an invented lake-survey crew hauls a boat from its depot "
        "over a coastal range and along gravel to a sand ramp. Each chapter asks you to predict "
        f"first.</p><ol>{chapters}</ol><p><a href='posterior.html'>The belief as it converges</a>: "
        "plays, pauses, rewinds.</p>"
        f"<p>{shared.CAUTION}</p><details><summary>Notation</summary>{mo.md(shared.NOTATION).text}"
        f"</details>{plan}"
    )
    return PAGE.format(
        title="What a drive can teach",
        style=STYLE,
        script="",
        settings="[]",
        nav="<span></span>",
        body=with_mathml(body),
    )


def main() -> None:
    """Run them all."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="two positions of each knob only")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of chapters")
    parser.add_argument("--out", type=Path, default=Path("results") / "course", metavar="DIR")
    options = parser.parse_args()
    chapters = [one for one in shared.CHAPTERS if not options.only or one.number in options.only]
    options.out.mkdir(parents=True, exist_ok=True)
    for chapter in chapters:
        began = time.monotonic()
        settings = chapter.settings
        if options.quick:
            settings = tuple(dict.fromkeys((settings[0], settings[-1])))
        page = page_of(chapter, settings, run_chapter(chapter, settings))
        (options.out / f"{chapter.stem}.html").write_text(page, encoding="utf-8")
        took = time.monotonic() - began
        print(
            f"{chapter.number:2d} {chapter.title}: {len(settings)} settings, {took:.0f} s",
            flush=True,
        )
    if not options.only:
        (options.out / "posterior.html").write_text(shared.converging_film(), encoding="utf-8")
        (options.out / "index.html").write_text(index_page(), encoding="utf-8")
    print(f"Written to {options.out}/")


if __name__ == "__main__":
    main()
