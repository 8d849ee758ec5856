"""One look for all figures: colours that the colour-blind can tell apart, readable sizes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe and Ito, "Color Universal Design", 2008: eight colours distinct under every common colour
# deficiency (values from memory of the publication).
BLACK = "#000000"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
BLUISH_GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILION = "#D55E00"
REDDISH_PURPLE = "#CC79A7"
GREY = "#7A7A7A"

GROUND_COLOURS = {
    "sealed": "#4D4D4D",
    "gravel": SKY_BLUE,
    "earth": VERMILION,
    "sand": ORANGE,
    "soft_sand": YELLOW,
}
GROUND_HATCHES = {"gravel": "...", "earth": "\\\\\\", "sand": "///", "soft_sand": "xxx"}
"""In print without colours, too."""
_OTHER_GROUNDS = (BLUISH_GREEN, REDDISH_PURPLE, BLUE)


def ground_colours(names: list[str]) -> dict[str, str]:
    """A colour for every ground, the handbook's always the same.

    Parameters
    ----------
    names : list of str
        Grounds in their order of appearance.

    Returns
    -------
    dict
        Colour by name.
    """
    others = [name for name in names if name not in GROUND_COLOURS]
    extra = {name: _OTHER_GROUNDS[i % len(_OTHER_GROUNDS)] for i, name in enumerate(others)}
    return {name: GROUND_COLOURS.get(name) or extra[name] for name in names}


def ground_hatches(names: list[str]) -> dict[str, str]:
    """A hatch for every ground, so that they differ without their colours.

    Parameters
    ----------
    names : list of str
        Grounds.

    Returns
    -------
    dict
        Hatch by name; empty for the plainest.
    """
    return {name: GROUND_HATCHES.get(name, "" if name == "sealed" else "++") for name in names}


def new_figure(width_inch: float, height_inch: float) -> Figure:
    """An empty figure that needs no display and leaves no global state behind.

    Parameters
    ----------
    width_inch, height_inch : float
        Size (inch).
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_inch, height_inch), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def tidy(axes: Axes, ylabel: str, xlabel: str | None = None) -> None:
    """Label an axis, take away what carries no data.

    Parameters
    ----------
    axes : Axes
        The panel.
    ylabel, xlabel : str
        With the unit.
    """
    axes.set_ylabel(ylabel, fontsize=9)
    if xlabel is not None:
        axes.set_xlabel(xlabel, fontsize=9)
    axes.tick_params(labelsize=8)
    axes.grid(True, color="#DDDDDD", linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def small_legend(axes: Axes, **options: Any) -> None:
    """A legend that stays readable over data.

    Parameters
    ----------
    axes : Axes
        The panel.
    **options
        As of ``Axes.legend``.
    """
    settings = {"fontsize": 8, "framealpha": 0.9, "edgecolor": "#CCCCCC", "borderpad": 0.3}
    axes.legend(**{**settings, **options})


def save(figure: Figure, path: Path, dots_per_inch: int = 130) -> None:
    """Save a figure; the same figure gives the same bytes.

    Parameters
    ----------
    figure : Figure
        Any.
    path : Path
        ``.png``, ``.svg`` or ``.pdf``.
    dots_per_inch : int
        Resolution of a PNG.
    """
    import matplotlib as mpl

    unsaid = {".svg": "Date", ".pdf": "CreationDate"}.get(path.suffix, "Software")
    metadata: dict[str, Any] = {unsaid: None}
    with mpl.rc_context({"svg.hashsalt": "loadlearn"}):
        figure.savefig(path, dpi=dots_per_inch, metadata=metadata)
