"""How pages are made of templates: what a file says is escaped, what is missing is an error."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


def page_templates(folder: Path) -> Environment:
    """The templates of a folder.

    Parameters
    ----------
    folder : Path
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
