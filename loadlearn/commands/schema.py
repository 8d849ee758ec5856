"""``loadlearn schema``: what every key and column means, with its unit and type."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from loadlearn.commands.common import DONE, console

if TYPE_CHECKING:
    from rich.console import Console

    from loadlearn.file_schemas import Part

Name = Annotated[
    str | None,
    typer.Argument(metavar="[NAME]", help="Of a schema or a file; without one, what there is."),
]
Json = Annotated[bool, typer.Option("--json", help="Print as JSON.")]


def schema_command(name: Name = None, json: Json = False) -> int:
    """Tell what every key and column of the files means, with its unit and type.

    Of the rig file and the drive log that are read, and of what the commands write. The entries are
    read from the code that writes the files. In names, [] stands for each of a list, and <...> for
    a name of the user's or of the data.

    Example: loadlearn schema rig
    """
    from loadlearn.file_schemas import schema, schemas

    chosen = schemas() if name is None else (schema(name),)
    if json:
        from json import dumps

        from loadlearn.outputs import plain

        typer.echo(
            dumps(plain(chosen if name is None else chosen[0]), ensure_ascii=False, indent=2)
        )
        return DONE
    out = console()
    if name is None:
        for one in chosen:
            files = ", ".join(part.file for part in one.parts)
            out.print(f"{one.name}: {one.what} ({files})")
        out.print("see 'loadlearn schema NAME', and --json for programs")
        return DONE
    for part in chosen[0].parts:
        # A file named is shown alone; the columns of a second file of the same ones are not again.
        if name in (chosen[0].name, part.file):
            _print(out, part)
    return DONE


def _print(out: Console, part: Part) -> None:
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title_justify="left")
    table.title = f"{part.file}: {part.what}"
    for heading, most in (("name", 36), ("value (unit); default", 26), ("meaning", None)):
        table.add_column(heading, overflow="fold", max_width=most)
    inside: list[str] = []
    for one in part.entries:
        while inside and not one.name.startswith(inside[-1]):
            inside.pop()
        name = "  " * len(inside) + one.name.removeprefix(inside[-1] if inside else "")
        unit = f" ({one.unit})" if one.unit not in ("", "1") else ""
        table.add_row(
            name, one.kind + unit + (f"; {one.default}" if one.default else ""), one.meaning
        )
        if one.kind.startswith(("table", "mapping", "list")):
            inside.append(f"{one.name}{'[].' if one.kind.startswith('list') else '.'}")
    out.print(table)
