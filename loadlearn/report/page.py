"""The page itself: our template, filled; nothing in it is fetched from anywhere."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from loadlearn.errors import InputError
from loadlearn.report.contents import Contents, read_contents
from loadlearn.report.page_templates import page_templates
from loadlearn.report.replay_runs import replay_data
from loadlearn.report.report_words import CAUTIONS, answer, clock, plain_summary
from loadlearn.report.schema_section import schema_section
from loadlearn.report.section_words import tell
from loadlearn.report.told import Told

_HERE = Path(__file__).resolve().parent

MOST_BYTES = 4_000_000
"""So large a page can still be mailed; pictures that do not fit stay beside it."""


def build_page(folder: Path) -> str:
    """Make the page of an output folder.

    Parameters
    ----------
    folder : Path
        Where commands wrote.

    Returns
    -------
    str
        HTML that needs no network and no other file.

    Raises
    ------
    InputError
        The folder holds nothing to report, or a file in it cannot be read.
    """
    from markupsafe import Markup

    with _readable(folder):
        contents = read_contents(folder)
    environment = page_templates(_HERE)
    # A number and its sign stay on one line.
    environment.filters["whole"] = lambda text: str(text).replace(" %", "\u00a0%")
    # Panels and words stand in an order that means something.
    environment.policies["json.dumps_kwargs"] = {"sort_keys": False, "separators": (",", ":")}
    sections = []
    for section in contents.sections:
        with _readable(folder / f"{section.name}.json"):
            sections.append(tell(section))
    known: dict[str, Any] = {"headline": "", "cards": [], "said": [], "grounds": []}
    if sections and sections[0].said:
        known["headline"] = sections[0].said[0][0]
    there = ["summary"] if contents.summary is not None else []
    dictionary = schema_section([*there, *(section.name for section in contents.sections)])
    if dictionary.tables:
        sections.append(dictionary)
    summary, history = contents.summary, contents.history
    if summary is not None and history is not None:
        with _readable(folder / "summary.json"):
            known["headline"], known["cards"] = answer(summary, contents)
            known["said"] = plain_summary(summary, history)
            known["grounds"] = _grounds(summary)
    with _readable(folder):
        replay = replay_data(contents)
    template = environment.get_template("page.html.j2")

    def filled(sections: list[Told]) -> str:
        return template.render(
            contents=contents,
            origin=_origin(contents),
            **known,
            sections=sections,
            cautions=CAUTIONS,
            replay=replay,
            # Our own files: the only markup that is not escaped.
            style=Markup((_HERE / "page.css").read_text(encoding="utf-8")),
            script=Markup((_HERE / "replay.js").read_text(encoding="utf-8")),
        )

    page = filled(sections)
    while len(page.encode()) > MOST_BYTES and (left_out := _without_largest(sections)):
        sections = left_out
        page = filled(sections)
    return page


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    """One sentence for a file that holds something else than a command writes."""
    try:
        yield
    except InputError:
        raise
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        raise InputError(
            f"{path}: is not what loadlearn writes ({type(error).__name__}: {error}); run the "
            "command that wrote it again"
        ) from None


def _without_largest(sections: list[Told]) -> list[Told]:
    """The sections without their largest picture; empty when none has any."""
    sizes = [max((len(uri) for uri, _ in one.pictures), default=0) for one in sections]
    if not any(sizes):
        return []
    chosen = sections[sizes.index(max(sizes))]
    largest = max(chosen.pictures, key=lambda one: len(one[0]))
    chosen.pictures.remove(largest)
    chosen.notes.append(
        f"A picture that would make this page too large lies beside it: {largest[1]}."
    )
    return sections


def _origin(contents: Contents) -> str:
    """From what the page was made."""
    parts = [f"Folder “{contents.folder}”"]
    inputs = contents.provenance.get("inputs")
    if isinstance(inputs, dict):
        for role in ("log", "rig"):
            name = (inputs.get(role) or {}).get("file")
            parts += [f"{role} {name}"] if name else []
    versions = contents.provenance.get("versions")
    if isinstance(versions, dict) and "loadlearn" in versions:
        parts.append(f"loadlearn {versions['loadlearn']}")
    return ", ".join(parts)


def _grounds(summary: dict[str, Any]) -> list[dict[str, str]]:
    rows = []
    for one in summary.get("surfaces", []):
        rolling = one.get("rolling_resistance")
        rows.append(
            {
                "name": str(one["surface"]),
                "from": clock(one["start_s"]),
                "to": clock(one["end_s"]),
                "rolling": f"{rolling['mean']:.4f} ± {rolling['sd']:.4f}" if rolling else "–",
            }
        )
    return rows
